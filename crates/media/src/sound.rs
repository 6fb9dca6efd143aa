//! The sound track, decoded and laid on the movie's time axis.

use std::fs::File;
use std::path::Path;

use midline_session::footage::SoundTrack;
use symphonia::core::codecs::audio::{AudioDecoder, AudioDecoderOptions};
use symphonia::core::errors::Error as SymphoniaError;
use symphonia::core::formats::probe::Hint;
use symphonia::core::formats::{FormatOptions, FormatReader};
use symphonia::core::io::MediaSourceStream;
use symphonia::core::meta::MetadataOptions;

use crate::container::{self, SoundTrackFacts};
use crate::{MediaError, speed};

/// Longest time of all holes in a sound track that is filled with silence; guards against damaged times.
const MOST_SILENCE_SECONDS: f64 = 600.0;

/// Decodes the sound track of a file, mixed to one channel (the mean of its channels).
///
/// The track's edit list is applied: samples before its media time (encoder priming) and after its end are cut, an empty
/// edit delays the start, and silence fills the time between edits. A packet that cannot be decoded becomes silence of
/// the same length. `Ok(None)` when the file has no sound. Of several tracks it is the one that
/// [`inspect`](crate::inspect) describes.
///
/// # Errors
/// As for [`inspect`](crate::inspect), when the codec is not supported, the track contradicts itself, or its packets last
/// longer or shorter than the sound in them (slow motion).
pub fn sound(path: &Path) -> Result<Option<SoundTrack>, MediaError> {
    let Some(track) = container::read(path)?.sound else { return Ok(None) };
    // Symphonia (0.6) takes these as little-endian; big-endian ones, which only box `enda` tells, come out as noise.
    if matches!(track.codec.as_str(), "in24" | "in32" | "fl32" | "fl64") {
        return Err(failed(path, format!("uncompressed sound of kind \"{}\" is not supported", track.codec)));
    }
    let media = decode(path, &track, usize::MAX)?;
    laid_out(path, &track, &media)
}

/// An error when the first packets of a sound track last longer or shorter than the sound in them. Sound that cannot be
/// decoded is no evidence; [`sound`] says what is wrong with it.
pub(crate) fn check_speed(path: &Path, track: &SoundTrackFacts) -> Result<(), MediaError> {
    const PACKETS: usize = 64;
    match decode(path, track, PACKETS) {
        Err(error @ MediaError::OtherSpeed { .. }) => Err(error),
        _ => Ok(()),
    }
}

/// Samples of one track on the media's time axis, from media time 0.
struct Media {
    sample_rate_hz: f64,
    samples: Vec<f32>,
}

impl Media {
    /// Puts samples of all channels at a place, over what is there, with silence before it where nothing is.
    fn put(&mut self, at: usize, interleaved: &[f32], channels: usize) {
        self.samples.resize(self.samples.len().max(at + interleaved.len() / channels), 0.0);
        for (slot, frame) in self.samples[at..].iter_mut().zip(interleaved.chunks_exact(channels)) {
            *slot = frame.iter().sum::<f32>() / channels as f32;
        }
    }
}

fn failed(path: &Path, reason: impl Into<String>) -> MediaError {
    MediaError::Sound { path: path.to_owned(), reason: reason.into() }
}

/// Decodes the first packets of a track.
fn decode(path: &Path, track: &SoundTrackFacts, most_packets: usize) -> Result<Media, MediaError> {
    // Symphonia (0.6) computes with places and numbers of a damaged index unchecked, so that it may panic.
    std::panic::catch_unwind(|| decode_unguarded(path, track, most_packets))
        .unwrap_or_else(|_| Err(failed(path, "its index is damaged")))
}

fn decode_unguarded(path: &Path, track: &SoundTrackFacts, most_packets: usize) -> Result<Media, MediaError> {
    let (mut reader, mut decoder) = open(path, track.track_id)?;
    let mut media = Media { sample_rate_hz: f64::from(track.sample_rate_hz), samples: Vec::new() };
    let mut interleaved: Vec<f32> = Vec::new();
    let (mut good, mut bad) = (0usize, 0usize);
    // Length of the good packets as the container says, and as their samples say.
    let (mut stated_seconds, mut decoded_seconds) = (0.0, 0.0);
    let mut silence = 0.0;
    while good + bad < most_packets {
        let packet = match reader.next_packet() {
            Ok(Some(packet)) if packet.track_id == track.track_id => packet,
            Ok(Some(_)) => continue,
            Ok(None) => break,
            // The end of a cut file: what came before is good.
            Err(SymphoniaError::IoError(e)) if e.kind() == std::io::ErrorKind::UnexpectedEof => break,
            Err(e) => return Err(failed(path, e.to_string())),
        };
        let decoded = match decoder.decode(&packet) {
            Ok(decoded) => decoded,
            Err(SymphoniaError::DecodeError(_)) => {
                bad += 1;
                continue;
            }
            Err(e) => return Err(failed(path, e.to_string())),
        };
        good += 1;
        let rate = f64::from(decoded.spec().rate());
        let channels = decoded.spec().channels().count().max(1);
        decoded.copy_to_vec_interleaved(&mut interleaved);
        media.sample_rate_hz = rate;
        stated_seconds += packet.dur.get() as f64 / f64::from(track.timeline.media_timescale);
        decoded_seconds += (interleaved.len() / channels) as f64 / rate;
        let at = (track.timeline.seconds(track.samples.time_after(packet.pts.get())) * rate).round();
        silence += (at - media.samples.len() as f64).max(0.0);
        if silence > MOST_SILENCE_SECONDS * rate {
            return Err(failed(path, format!("it has holes of more than {MOST_SILENCE_SECONDS} s")));
        }
        // Sound before media time 0 cannot be referred to.
        if at >= 0.0 {
            media.put(at as usize, &interleaved, channels);
        }
    }
    if bad > good {
        return Err(failed(path, format!("{bad} of {} packets are damaged", bad + good)));
    }
    if decoded_seconds > 0.0 {
        speed::check_packets(path, stated_seconds, decoded_seconds)?;
    }
    Ok(media)
}

type Opened = (Box<dyn FormatReader>, Box<dyn AudioDecoder>);

fn open(path: &Path, track_id: u32) -> Result<Opened, MediaError> {
    let file = File::open(path).map_err(MediaError::io(path, "opening"))?;
    let stream = MediaSourceStream::new(Box::new(file), Default::default());
    let mut hint = Hint::new();
    hint.with_extension("mp4");
    let reader = symphonia::default::get_probe()
        .probe(&hint, stream, FormatOptions::default(), MetadataOptions::default())
        .map_err(|e| failed(path, e.to_string()))?;
    let parameters = reader
        .tracks()
        .iter()
        .find(|track| track.id == track_id)
        .and_then(|track| track.codec_params.as_ref()?.audio())
        .ok_or_else(|| failed(path, "its codec is not known"))?;
    let decoder = symphonia::default::get_codecs()
        .make_audio_decoder(parameters, &AudioDecoderOptions::default())
        .map_err(|e| failed(path, e.to_string()))?;
    Ok((reader, decoder))
}

/// Cuts and joins the media's samples as the edit list asks.
fn laid_out(path: &Path, track: &SoundTrackFacts, media: &Media) -> Result<Option<SoundTrack>, MediaError> {
    let rate = media.sample_rate_hz;
    let last = media.samples.len() as f64;
    let in_samples = |units: i64| (track.timeline.seconds(units) * rate).clamp(0.0, last).round() as usize;
    let mut start_pts_seconds = None;
    let mut samples: Vec<f32> = Vec::new();
    for stretch in track.timeline.stretches().ok_or_else(|| container::out_of_order(path, "sound track"))? {
        let Some(part) = media.samples.get(in_samples(stretch.from)..in_samples(stretch.to)) else { continue };
        if part.is_empty() {
            continue;
        }
        let start = *start_pts_seconds.get_or_insert(stretch.start_seconds);
        let at = ((stretch.start_seconds - start) * rate).round();
        if at - samples.len() as f64 > MOST_SILENCE_SECONDS * rate {
            return Err(failed(path, format!("its edit list leaves a hole of more than {MOST_SILENCE_SECONDS} s")));
        }
        samples.resize(at as usize, 0.0);
        samples.extend_from_slice(part);
    }
    Ok(start_pts_seconds.map(|start_pts_seconds| SoundTrack { sample_rate_hz: rate, start_pts_seconds, samples }))
}

#[cfg(test)]
mod tests {
    use std::path::PathBuf;
    use std::process::Command;

    use super::*;
    use crate::fixtures::{Fixtures, change_boxes};
    use crate::inspect;

    /// Sample rate of the fixtures.
    const RATE: usize = 48_000;

    /// A WAV file of 1.2 s with one short click: sample 24 000 is 0.9, its neighbours 0.45 (so that a codec keeps it).
    fn click(fixtures: &Fixtures) -> PathBuf {
        let raw = fixtures.path("click.raw");
        let mut samples = vec![0i16; RATE * 6 / 5];
        for (offset, value) in [(-2, -3000), (-1, 14_000), (0, 29_000), (1, 14_000), (2, -3000)] {
            samples[(24_000 + offset) as usize] = value;
        }
        std::fs::write(raw, samples.iter().flat_map(|s| s.to_le_bytes()).collect::<Vec<_>>()).unwrap();
        fixtures.make("click.wav", "-f s16le -ar 48000 -ac 1 -i {click.raw}")
    }

    /// Presentation time of the loudest sample.
    fn loudest(track: &SoundTrack) -> f64 {
        let at = (0..track.samples.len()).max_by(|a, b| track.samples[*a].abs().total_cmp(&track.samples[*b].abs()));
        track.start_pts_seconds + at.unwrap() as f64 / track.sample_rate_hz
    }

    const VIDEO: &str = "-f lavfi -i testsrc=s=64x48:r=30:d=1.2";
    const CODECS: &str = "-pix_fmt yuv420p -c:v libx264 -c:a aac -b:a 192k -movie_timescale 48000";

    #[test]
    fn a_click_is_heard_when_it_was_made() {
        let fixtures = Fixtures::new();
        click(&fixtures);
        let path = fixtures.make("click.mp4", &format!("{VIDEO} -i {{click.wav}} {CODECS}"));
        let track = sound(&path).unwrap().unwrap();
        let heard = loudest(&track);
        println!("click at 0.5 s heard at {heard:.6} s");
        assert!((heard - 0.5).abs() <= 1.0 / RATE as f64, "{heard}");
        assert!(track.start_pts_seconds.abs() < 1e-9 && (track.samples.len() as f64 / RATE as f64 - 1.2).abs() < 0.03);
        let described = inspect(&path).unwrap().sound.unwrap();
        assert!((described.duration_seconds - track.samples.len() as f64 / RATE as f64).abs() < 1e-4);
    }

    #[test]
    fn a_start_offset_delays_sound_and_pictures_alike() {
        let fixtures = Fixtures::new();
        click(&fixtures);
        let inputs = "-itsoffset 0.5 -f lavfi -i testsrc=s=64x48:r=30:d=1.2 -itsoffset 0.5 -i {click.wav}";
        let path = fixtures.make("late.mp4", &format!("{inputs} {CODECS} -fps_mode passthrough"));
        let heard = loudest(&sound(&path).unwrap().unwrap());
        println!("click at 1.0 s heard at {heard:.6} s");
        assert!((heard - 1.0).abs() <= 1.0 / RATE as f64, "{heard}");
        assert!((inspect(&path).unwrap().frame_pts_seconds[0] - 0.5).abs() < 1e-9);
    }

    #[test]
    fn sound_that_starts_later_than_the_pictures_keeps_its_delay() {
        let fixtures = Fixtures::new();
        click(&fixtures);
        let path = fixtures.make("delayed.mp4", &format!("{VIDEO} -itsoffset 0.25 -i {{click.wav}} {CODECS}"));
        let track = sound(&path).unwrap().unwrap();
        let heard = loudest(&track);
        println!("click at 0.75 s heard at {heard:.6} s, track from {:.6} s", track.start_pts_seconds);
        assert!((heard - 0.75).abs() <= 1.0 / RATE as f64, "{heard}");
        let footage = inspect(&path).unwrap();
        assert!(footage.frame_pts_seconds[0].abs() < 1e-9);
        assert!((footage.sound.unwrap().start_pts_seconds - track.start_pts_seconds).abs() < 1e-12);
    }

    #[test]
    fn sound_cut_without_re_encoding_agrees_with_ffmpeg() {
        let fixtures = Fixtures::new();
        click(&fixtures);
        fixtures.make("click.mp4", &format!("{VIDEO} -i {{click.wav}} {CODECS} -g 5"));
        let path = fixtures.make("cut.mp4", "-ss 0.3 -i {click.mp4} -c copy -movie_timescale 48000");
        let track = sound(&path).unwrap().unwrap();
        // The reference decoder, with the container's time stamps kept: silence is put before the first sample.
        let decoded = Command::new("ffmpeg")
            .args(["-v", "error", "-nostdin", "-copyts", "-i"])
            .arg(&path)
            .args(["-map", "0:a", "-af", "aresample=async=1:first_pts=0", "-f", "f32le", "-ac", "1", "-"])
            .output()
            .unwrap()
            .stdout;
        let reference = SoundTrack {
            sample_rate_hz: RATE as f64,
            start_pts_seconds: 0.0,
            samples: decoded.chunks_exact(4).map(|b| f32::from_le_bytes(b.try_into().unwrap())).collect(),
        };
        println!("heard at {:.6} s, by ffmpeg at {:.6} s", loudest(&track), loudest(&reference));
        assert!((loudest(&track) - loudest(&reference)).abs() <= 1.0 / RATE as f64);
    }

    /// Holds a file's sound against ffmpeg's own decoding, with the container's time stamps kept and silence put before the
    /// first sample: the lag in samples at which they agree best, and the difference there relative to the signal.
    fn against_ffmpeg(path: &Path, stream: &str) -> (isize, f64) {
        let track = sound(path).unwrap().unwrap();
        let rate = track.sample_rate_hz;
        let decoded = Command::new("ffmpeg")
            .args(["-v", "error", "-nostdin", "-copyts", "-i"])
            .arg(path)
            .args(["-map", stream, "-af", "aresample=async=1:first_pts=0", "-f", "f32le", "-ac", "1", "-"])
            .output()
            .unwrap()
            .stdout;
        let reference: Vec<f32> = decoded.chunks_exact(4).map(|b| f32::from_le_bytes(b.try_into().unwrap())).collect();
        let start = (track.start_pts_seconds * rate).round() as isize;
        let length = start as usize + track.samples.len();
        assert!(length.abs_diff(reference.len()) <= 2048, "{length} samples, by ffmpeg {}", reference.len());
        let difference = |lag: isize| {
            let (mut difference, mut power) = (0.0, 0.0);
            for (at, ours) in track.samples.iter().enumerate() {
                let theirs = reference.get((start + at as isize + lag) as usize).copied().unwrap_or(*ours);
                difference += f64::from(ours - theirs).powi(2);
                power += f64::from(*ours).powi(2);
            }
            (difference / power).sqrt()
        };
        let best = (-3..=3).min_by(|a, b| difference(*a).total_cmp(&difference(*b))).unwrap();
        println!("{}: lag {best} samples, difference {:.1e}", path.display(), difference(best));
        (best, difference(best))
    }

    #[test]
    fn sound_agrees_with_ffmpeg_sample_by_sample() {
        let fixtures = Fixtures::new();
        // A rising tone under a slow beat: no stretch is like another.
        let tone = |rate: u32, to: u32| {
            format!("-f lavfi -i aevalsrc=0.4*sin(2*PI*(200*t+{to}*t*t))*(1+0.5*sin(7*t)):s={rate}:d=2")
        };
        let pictures = "-f lavfi -i testsrc=s=64x48:r=30:d=2";
        let aac = "-pix_fmt yuv420p -c:v libx264 -g 5 -c:a aac -b:a 256k -aac_pns 0";
        let plain = fixtures.make("plain.mp4", &format!("{pictures} {} {aac}", tone(48_000, 300)));
        let two = format!("{pictures} {} {} -map 0 -map 1 -map 2 {aac}", tone(48_000, 300), tone(48_000, 500));
        let second = fixtures.make("second.mov", &two);
        let mut track = 0;
        change_boxes(&second, &["moov", "trak", "tkhd"], |_, content| {
            content[3] = if track == 1 { 2 } else { 3 };
            track += 1;
        });
        let fragments = fixtures.make("fragments.mp4", "-i {plain.mp4} -c copy -movflags frag_keyframe+delay_moov");
        for (path, stream) in [
            (plain.clone(), "0:a"),
            (fixtures.make("44.mp4", &format!("{pictures} {} {aac}", tone(44_100, 300))), "0:a"),
            (fixtures.make("two.mp4", &two), "0:a:0"),
            (second, "0:a:1"),
            (fixtures.make("late.mp4", "-itsoffset 0.5 -i {plain.mp4} -c copy"), "0:a"),
            (fixtures.make("cut.mp4", "-ss 0.3 -i {plain.mp4} -c copy -movie_timescale 48000"), "0:a"),
            (fixtures.make("quicktime.mov", "-i {plain.mp4} -c copy"), "0:a"),
            (fragments, "0:a"),
            (fixtures.make("pcm.mov", "-i {plain.mp4} -c:v copy -c:a pcm_s16le"), "0:a"),
        ] {
            let (lag, difference) = against_ffmpeg(&path, stream);
            assert!(lag == 0 && difference < 1e-3, "{}: {lag}, {difference}", path.display());
        }
        let tracks = |name: &str| {
            inspect(&fixtures.path(name)).map(|_| crate::particulars(&fixtures.path(name)).unwrap().sound_tracks)
        };
        assert_eq!((tracks("plain.mp4").unwrap(), tracks("two.mp4").unwrap()), (1, 2));
    }

    #[test]
    fn sound_after_a_pause_between_fragments_comes_when_ffmpeg_plays_it() {
        let fixtures = Fixtures::new();
        let tone = "-f lavfi -i aevalsrc=0.4*sin(2*PI*(200*t+300*t*t))*(1+0.5*sin(7*t)):s=48000:d=2";
        let plain = "-pix_fmt yuv420p -c:v libx264 -g 10 -c:a aac -b:a 256k -aac_pns 0";
        fixtures.make("plain.mp4", &format!("-f lavfi -i testsrc=s=64x48:r=30:d=2 {tone} {plain}"));
        let path = fixtures.make("pause.mp4", "-i {plain.mp4} -c copy -movflags frag_keyframe+delay_moov");
        // From the third fragment on both tracks come a second later; time scales of pictures and sound.
        let mut fragment = [0, 0];
        change_boxes(&path, &["moof", "traf"], |_, content| {
            let track = u32::from_be_bytes(content[12..16].try_into().unwrap()) as usize - 1;
            fragment[track] += 1;
            let at = content.windows(4).position(|w| w == b"tfdt").unwrap() + 4;
            let at = at + if content[at] == 1 { 8 } else { 4 };
            let late = if fragment[track] > 2 { [15_360, 48_000][track] } else { 0 };
            let time = u32::from_be_bytes(content[at..at + 4].try_into().unwrap()) + late;
            content[at..at + 4].copy_from_slice(&time.to_be_bytes());
        });
        assert!(fragment[1] > 3, "{fragment:?}");
        let track = sound(&path).unwrap().unwrap();
        let seconds = track.samples.len() as f64 / track.sample_rate_hz;
        assert!((seconds - 3.0).abs() < 0.05, "{seconds}");
        let silent = track.samples.iter().filter(|s| **s == 0.0).count();
        assert!((47_000..50_000).contains(&silent), "{silent}");
        let (lag, difference) = against_ffmpeg(&path, "0:a");
        assert!(lag == 0 && difference < 1e-3, "{lag}, {difference}");
    }

    #[test]
    fn uncompressed_sound_is_decoded_rightly_or_refused() {
        let fixtures = Fixtures::new();
        let tone = "-f lavfi -i aevalsrc=0.4*sin(2*PI*(200*t+300*t*t))*(1+0.5*sin(7*t)):s=48000:d=1";
        let pictures = "-f lavfi -i testsrc=s=32x32:r=30:d=1";
        fixtures.make("plain.mov", &format!("{pictures} {tone} -c:a pcm_f64le -pix_fmt yuv420p -c:v libx264"));
        for (kind, format, decoded) in [
            ("u8", "raw.", true),
            ("s16le", "sowt", true),
            ("s16be", "twos", true),
            // ffmpeg names these as it names 16 bits, with a size that symphonia refuses.
            ("s8", "sowt", false),
            ("s24le", "in24", false),
            ("s24be", "in24", false),
            ("s32be", "in32", false),
            ("f32le", "fl32", false),
            ("f32be", "fl32", false),
            ("f64be", "fl64", false),
        ] {
            let path = fixtures.make(&format!("{kind}.mov"), &format!("-i {{plain.mov}} -c:v copy -c:a pcm_{kind}"));
            assert_eq!(container::read(&path).unwrap().sound.unwrap().codec, format, "{kind}");
            if decoded {
                assert_eq!(against_ffmpeg(&path, "0:a"), (0, 0.0), "{kind}");
            } else {
                assert!(matches!(sound(&path).unwrap_err(), MediaError::Sound { .. }), "{kind}");
            }
        }
    }

    #[test]
    fn sound_slowed_with_its_pictures_is_refused() {
        let fixtures = Fixtures::new();
        click(&fixtures);
        fixtures.make("click.mp4", &format!("{VIDEO} -i {{click.wav}} {CODECS}"));
        let slow = fixtures.make("slow.mp4", "-itsscale 2 -i {click.mp4} -c copy");
        // Twice as long packets may be another kind of AAC, so that the description, too, looks at what is in them.
        for error in [inspect(&slow).unwrap_err(), sound(&slow).unwrap_err()] {
            println!("{error}");
            assert!(matches!(error, MediaError::OtherSpeed { .. }), "{error}");
            assert!(error.to_string().contains("slowed down 1.9") || error.to_string().contains("slowed down 2.0"));
        }
    }

    #[test]
    fn a_hole_in_the_times_does_not_fill_the_memory() {
        let fixtures = Fixtures::new();
        click(&fixtures);
        let path = fixtures.make("hole.mp4", &format!("{VIDEO} -i {{click.wav}} {CODECS}"));
        let mut track = 0;
        change_boxes(&path, &["moov", "trak", "mdia", "minf", "stbl", "stts"], |_, content| {
            track += 1;
            if track == 2 {
                let entries =
                    [(1u32, 0x7FFF_FFFFu32), (10, 1024)].map(|(n, d)| [n.to_be_bytes(), d.to_be_bytes()].concat());
                *content = [vec![0, 0, 0, 0, 0, 0, 0, 2], entries.concat()].concat();
            }
        });
        let error = sound(&path).unwrap_err();
        println!("{error}");
        assert!(matches!(error, MediaError::Sound { .. }));
    }

    #[test]
    fn two_channels_are_mixed_to_their_mean() {
        let fixtures = Fixtures::new();
        let source = "-f lavfi -i aevalsrc=0.5*sin(2*PI*440*t)|0:s=48000:d=0.5";
        let path = fixtures.make("stereo.mp4", &format!("{VIDEO} {source} {CODECS}"));
        let track = sound(&path).unwrap().unwrap();
        let middle = &track.samples[8000..16_000];
        let rms = (middle.iter().map(|s| f64::from(*s).powi(2)).sum::<f64>() / middle.len() as f64).sqrt();
        println!("rms {rms:.4}, expected {:.4}", 0.25 / 2f64.sqrt());
        assert!((rms - 0.25 / 2f64.sqrt()).abs() < 0.005);
    }

    #[test]
    fn a_silent_file_has_no_sound_and_an_unknown_codec_is_an_error() {
        let fixtures = Fixtures::new();
        assert_eq!(sound(&fixtures.clip("silent.mp4", 30, 0.2, "")).unwrap(), None);
        // What phones write is AAC; Apple's lossless codec comes from cameras and converters.
        for (name, codec) in [("mp3.mp4", "libmp3lame"), ("lossless.mov", "alac")] {
            let path = fixtures.make(name, &format!("{VIDEO} -f lavfi -i sine=d=0.5 -pix_fmt yuv420p -c:a {codec}"));
            let error = sound(&path).unwrap_err();
            println!("{error}");
            assert!(matches!(error, MediaError::Sound { .. }) && error.to_string().contains("-c:a aac"), "{error}");
        }
    }
}
