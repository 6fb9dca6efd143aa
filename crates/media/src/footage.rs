//! Describing a footage file from its container.

use std::path::Path;

use midline_session::footage::{Footage, FrameGap, Sound};

use crate::container::{self, SoundTrackFacts};
use crate::{MediaError, orientation};

/// Spacing, as a multiple of the median, above which frames are taken as missing.
const GAP_OF_MEDIAN: f64 = 1.5;

/// Reads the container of a footage file: presentation times of all frames that are shown, rotation, sizes, gaps, sound.
///
/// # Errors
/// When the file is missing, empty, not MP4 or MOV, cut off, without a video track or contradictory, or asks for a
/// mirrored picture or another speed.
pub fn inspect(path: &Path) -> Result<Footage, MediaError> {
    let container = container::read(path)?;
    let video = container.video.ok_or_else(|| MediaError::NoVideoTrack { path: path.to_owned() })?;
    let frame_pts_seconds = video.timeline.presentation_seconds();
    if frame_pts_seconds.is_empty() {
        return Err(MediaError::malformed(path, "video track", "its edit list shows no frame"));
    }
    if video.stored_size_px.contains(&0) {
        return Err(MediaError::malformed(path, "video track", "a picture size of 0"));
    }
    let mut footage = Footage {
        stored_size_px: video.stored_size_px,
        size_px: orientation::turned_size(video.stored_size_px, video.quarter_turns_clockwise),
        quarter_turns_clockwise: video.quarter_turns_clockwise,
        frame_pts_seconds,
        codec: video.codec,
        gaps: Vec::new(),
        sound: container.sound.as_ref().and_then(describe_sound),
    };
    footage.gaps = gaps(&footage);
    Ok(footage)
}

fn gaps(footage: &Footage) -> Vec<FrameGap> {
    let Some(median) = footage.median_spacing_seconds() else { return Vec::new() };
    footage
        .frame_pts_seconds
        .windows(2)
        .enumerate()
        .filter_map(|(after_frame, pair)| {
            let seconds = pair[1] - pair[0];
            (seconds > GAP_OF_MEDIAN * median).then_some(FrameGap { after_frame, seconds })
        })
        .collect()
}

/// `None` when the edit list leaves nothing to hear.
fn describe_sound(track: &SoundTrackFacts) -> Option<Sound> {
    let heard: Vec<(f64, f64)> = track
        .timeline
        .stretches()
        .into_iter()
        .filter_map(|stretch| {
            let (from, to) = (stretch.from.max(0), stretch.to.min(track.timeline.media_end));
            let seconds = track.timeline.seconds(to - from);
            (to > from).then_some((stretch.start_seconds, stretch.start_seconds + seconds))
        })
        .collect();
    let (start, end) = (heard.first()?.0, heard.last()?.1);
    Some(Sound {
        sample_rate_hz: track.sample_rate_hz,
        channels: track.channels,
        start_pts_seconds: start,
        duration_seconds: end - start,
    })
}

#[cfg(test)]
mod tests {

    use super::*;
    use crate::fixtures::{Fixtures, probe, probed_times};

    /// Holds the presentation times against those of the frames that ffprobe decodes.
    fn agrees_with_ffprobe(path: &Path) -> Footage {
        let footage = inspect(path).unwrap();
        let probed = probed_times(path);
        assert_eq!(footage.frame_pts_seconds.len(), probed.len(), "{}", path.display());
        let worst = footage.frame_pts_seconds.iter().zip(&probed).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
        println!("{}: {} frames, worst difference {worst:.1e} s", path.display(), probed.len());
        assert!(worst < 1e-9, "{}: {worst}", path.display());
        footage
    }

    #[test]
    fn times_agree_with_ffprobe_over_frame_rates_and_reordering() {
        let fixtures = Fixtures::new();
        let plain = agrees_with_ffprobe(&fixtures.clip("30.mp4", 30, 1.0, "-bf 0"));
        assert!((plain.frame_pts_seconds[1] - 1.0 / 30.0).abs() < 1e-9);
        assert_eq!((plain.stored_size_px, plain.size_px, plain.codec.as_str()), ([64, 48], [64, 48], "h264"));
        assert!(plain.gaps.is_empty() && plain.sound.is_none());
        agrees_with_ffprobe(&fixtures.clip("reordered.mp4", 30, 1.0, "-bf 3 -b_strategy 0"));
        let fast = agrees_with_ffprobe(&fixtures.clip("120.mov", 120, 0.5, "-bf 2"));
        assert_eq!(fast.frame_pts_seconds.len(), 60);
        let hevc = fixtures.make(
            "hevc.mp4",
            "-f lavfi -i testsrc=s=64x48:r=60:d=0.5 -pix_fmt yuv420p -c:v libx265 -x265-params log-level=none -tag:v hvc1",
        );
        assert_eq!(agrees_with_ffprobe(&hevc).codec, "hevc");
    }

    #[test]
    fn times_agree_with_ffprobe_with_a_start_offset() {
        let fixtures = Fixtures::new();
        fixtures.clip("plain.mp4", 30, 1.0, "-bf 2");
        let path = fixtures.make("late.mp4", "-itsoffset 0.5 -i {plain.mp4} -c copy");
        let footage = agrees_with_ffprobe(&path);
        assert!((footage.frame_pts_seconds[0] - 0.5).abs() < 1e-9);
    }

    #[test]
    fn frames_outside_the_edit_list_are_not_listed() {
        let fixtures = Fixtures::new();
        fixtures.clip("plain.mp4", 30, 2.0, "-bf 2 -g 60");
        // Stream copy from the middle of a group of pictures: all its frames stay in the file, the edit list hides those
        // before the start.
        let path = fixtures.make("cut.mp4", "-ss 0.7 -i {plain.mp4} -t 0.8 -c copy");
        let footage = agrees_with_ffprobe(&path);
        let stored = probe(&path, &["-select_streams", "v:0", "-show_entries", "stream=nb_frames"]);
        let stored: usize = stored.lines().find_map(|l| l.strip_prefix("nb_frames=")).unwrap().parse().unwrap();
        println!("{stored} stored, {} shown", footage.frame_pts_seconds.len());
        assert!(footage.frame_pts_seconds.len() + 15 < stored);
    }

    #[test]
    fn a_variable_frame_rate_is_kept_and_its_gap_reported() {
        let fixtures = Fixtures::new();
        let path = fixtures.make(
            "variable.mp4",
            "-f lavfi -i testsrc=s=64x48:r=60:d=1 -vf select='not(between(n,20,24))*not(eq(n,40))' -fps_mode passthrough \
             -pix_fmt yuv420p -c:v libx264 -bf 2",
        );
        let footage = agrees_with_ffprobe(&path);
        assert_eq!(footage.frame_pts_seconds.len(), 54);
        let gaps: Vec<usize> = footage.gaps.iter().map(|g| g.after_frame).collect();
        assert_eq!(gaps, [19, 34]);
        assert!((footage.gaps[0].seconds - 6.0 / 60.0).abs() < 1e-6);
    }

    #[test]
    fn four_rotations_are_told_apart() {
        let fixtures = Fixtures::new();
        fixtures.clip("plain.mp4", 30, 0.2, "");
        // This option of ffmpeg counts counter-clockwise.
        for (tag, turns) in [(0, 0), (90, 3), (180, 2), (270, 1)] {
            let name = format!("turned{tag}.mp4");
            let path = fixtures.make(&name, &format!("-i {{plain.mp4}} -c copy -metadata:s:v:0 rotate={tag}"));
            let footage = agrees_with_ffprobe(&path);
            // ffprobe reports the display matrix's angle counter-clockwise.
            let side = probe(&path, &["-select_streams", "v:0", "-show_entries", "side_data=rotation"]);
            let probed: i32 = side.lines().find_map(|l| l.strip_prefix("rotation=")).map_or(0, |r| r.parse().unwrap());
            assert_eq!((-probed).rem_euclid(360) / 90, i32::from(footage.quarter_turns_clockwise), "tag {tag}");
            assert_eq!(footage.quarter_turns_clockwise, turns, "tag {tag}");
            let expected = if turns % 2 == 0 { [64, 48] } else { [48, 64] };
            assert_eq!((footage.stored_size_px, footage.size_px), ([64, 48], expected));
        }
    }

    #[test]
    fn the_sound_track_is_described() {
        let fixtures = Fixtures::new();
        let path = fixtures.make(
            "sound.mp4",
            "-f lavfi -i testsrc=s=64x48:r=30:d=1 -f lavfi -i sine=440:r=44100:d=1 -ac 2 -pix_fmt yuv420p -c:a aac",
        );
        let sound = inspect(&path).unwrap().sound.unwrap();
        assert_eq!((sound.sample_rate_hz, sound.channels), (44_100, 2));
        assert!(sound.start_pts_seconds.abs() < 1e-9 && (sound.duration_seconds - 1.0).abs() < 0.03, "{sound:?}");
    }

    #[test]
    fn each_unusable_file_is_told_by_name_and_with_what_to_do() {
        let fixtures = Fixtures::new();
        let whole = fixtures.clip("whole.mp4", 30, 1.0, "");
        let bytes = std::fs::read(&whole).unwrap();
        let write = |name: &str, bytes: &[u8]| {
            std::fs::write(fixtures.path(name), bytes).unwrap();
            fixtures.path(name)
        };
        let says = |path: &Path, words: &str| {
            let error = inspect(path).unwrap_err();
            let text = error.to_string();
            assert!(text.contains(path.file_name().unwrap().to_str().unwrap()) && text.contains(words), "{text}");
            error
        };
        assert!(matches!(says(&fixtures.path("missing.mp4"), "opening failed"), MediaError::Io { .. }));
        assert!(matches!(says(&write("empty.mp4", b""), "0 bytes"), MediaError::Empty { .. }));
        assert!(matches!(says(&write("notes.mp4", b"only a few words"), "convert it"), MediaError::NotVideo { .. }));
        assert!(matches!(says(fixtures.path("").as_path(), ""), MediaError::NotVideo { .. }));
        // ffmpeg writes the index at the end unless told otherwise, as phones do.
        let cut = write("cut.mp4", &bytes[..bytes.len() / 2]);
        assert!(matches!(says(&cut, "moov"), MediaError::Truncated { .. }));
        let sound = fixtures.make("sound.mp4", "-f lavfi -i sine=440:d=0.2 -c:a aac");
        assert!(matches!(says(&sound, "no video track"), MediaError::NoVideoTrack { .. }));
        let fragments = fixtures.make("fragments.mp4", "-i {whole.mp4} -c copy -movflags frag_keyframe+empty_moov");
        assert!(matches!(says(&fragments, "fragments"), MediaError::Unsupported { .. }));
    }

    #[test]
    fn a_damaged_index_never_panics() {
        let fixtures = Fixtures::new();
        let path = fixtures.clip("plain.mp4", 30, 0.2, "-bf 2 -movflags faststart");
        let whole = std::fs::read(&path).unwrap();
        let index = whole.windows(4).position(|w| w == b"mdat").unwrap();
        let mut state = 1u64;
        for _ in 0..500 {
            let mut bytes = whole.clone();
            for _ in 0..3 {
                // Knuth's linear congruential generator (MMIX).
                state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                bytes[(state >> 33) as usize % index] = (state >> 20) as u8;
            }
            std::fs::write(&path, &bytes).unwrap();
            if let Ok(footage) = inspect(&path) {
                assert!(!footage.frame_pts_seconds.is_empty());
            }
        }
    }
}
