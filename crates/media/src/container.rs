//! What the index of an ISO base media file (ISO/IEC 14496-12) or a QuickTime file says of its pictures and its sound.
//!
//! The tree is walked here and only the boxes that are needed are read, each by `re_mp4`: phones write many boxes that a
//! full parse would stumble over, and `re_mp4`'s own sample list shifts the composition times to start at zero, which
//! loses what an edit list refers to.

use std::path::Path;

use re_mp4::{CttsBox, ElstBox, MdhdBox, MvhdBox, StssBox, SttsBox, TkhdBox, TrexBox};

use crate::MediaError;
use crate::boxes::{BoxFile, Part, bytes_at, name_of, parts};
use crate::fragments;
use crate::metadata::Metadata;
use crate::samples::Samples;
use crate::timeline::{Edit, ShownFrame, Timeline};

/// What a file says.
pub(crate) struct Container {
    pub(crate) video: Option<VideoTrack>,
    /// Tracks with moving pictures.
    pub(crate) video_tracks: usize,
    pub(crate) sound: Option<SoundTrackFacts>,
    /// Tracks with sound.
    pub(crate) sound_tracks: usize,
    pub(crate) metadata: Metadata,
}

/// The video track that is used.
pub(crate) struct VideoTrack {
    pub(crate) track_id: u32,
    pub(crate) stored_size_px: [u32; 2],
    pub(crate) quarter_turns_clockwise: u8,
    /// Width to height of one pixel.
    pub(crate) pixel_aspect: [u32; 2],
    pub(crate) codec: String,
    /// Bits per brightness sample, where the codec's configuration tells.
    pub(crate) bit_depth: Option<u8>,
    pub(crate) timeline: Timeline,
    pub(crate) samples: Samples,
}

impl VideoTrack {
    /// The frames that are shown, in display order.
    pub(crate) fn shown(&self, path: &Path) -> Result<Vec<ShownFrame>, MediaError> {
        let shown = self.timeline.shown(&self.samples).ok_or_else(|| out_of_order(path, "video track"))?;
        if shown.is_empty() {
            return Err(MediaError::malformed(path, "video track", "its edit list shows no frame"));
        }
        Ok(shown)
    }
}

/// The error about an edit list that shows parts again or in another order.
pub(crate) fn out_of_order(path: &Path, place: &str) -> MediaError {
    MediaError::Unsupported {
        path: path.to_owned(),
        what: format!("the {place}'s edit list shows parts again or in another order than they were recorded"),
        advice: "take the original recording, not an edited clip",
    }
}

/// The sound track that is used.
pub(crate) struct SoundTrackFacts {
    pub(crate) track_id: u32,
    pub(crate) codec: String,
    pub(crate) sample_rate_hz: u32,
    pub(crate) channels: u16,
    pub(crate) timeline: Timeline,
    pub(crate) samples: Samples,
}

/// The sample entry's fields that are used.
#[derive(Debug, PartialEq)]
struct SampleEntry {
    format: String,
    size_px: [u32; 2],
    pixel_aspect: [u32; 2],
    bit_depth: Option<u8>,
    channels: u16,
    sample_rate_hz: u32,
}

/// A track as its boxes tell.
pub(crate) struct Track {
    pub(crate) header: TkhdBox,
    timescale: u32,
    handler: [u8; 4],
    elst: Option<ElstBox>,
    entry: Option<SampleEntry>,
    pub(crate) samples: Samples,
    /// What holds for samples in fragments that do not say otherwise.
    pub(crate) fragment_defaults: Option<TrexBox>,
}

/// Reads the index of a file.
pub(crate) fn read(path: &Path) -> Result<Container, MediaError> {
    let mut file = BoxFile::open(path)?;
    let index = file.boxes.iter().copied().find(|b| &b.name == b"moov" && b.end <= file.length);
    let Some(index) = index else { return Err(MediaError::Truncated { path: path.to_owned() }) };
    file.check_whole()?;
    let content = file.content(index)?;
    let movie = parts(path, *b"moov", &content)?;
    let header: MvhdBox = match movie.iter().find(|p| &p.name == b"mvhd") {
        Some(part) => part.read(path)?,
        None => return Err(MediaError::malformed(path, "index", "no movie header")),
    };
    if header.timescale == 0 {
        return Err(MediaError::malformed(path, "movie header", "a time scale of 0"));
    }
    let mut tracks = Vec::new();
    for part in movie.iter().filter(|p| &p.name == b"trak") {
        tracks.extend(Track::read(path, *part, file.length)?);
    }
    if let Some(extends) = movie.iter().find(|p| &p.name == b"mvex") {
        fragments::read_defaults(path, extends, &mut tracks)?;
        fragments::read(path, &mut file, &mut tracks)?;
    }
    let metadata = Metadata::read(&movie, &mut file);
    interpreted(path, &header, tracks, metadata)
}

fn interpreted(path: &Path, movie: &MvhdBox, tracks: Vec<Track>, metadata: Metadata) -> Result<Container, MediaError> {
    let (videos, others): (Vec<Track>, Vec<Track>) = tracks.into_iter().partition(|t| &t.handler == b"vide");
    // A track of one picture beside others is a cover.
    let moving = videos.iter().filter(|t| t.samples.count() > 1).count();
    let least = if moving > 0 { 2 } else { 0u64 };
    // A sound track without samples is what a muted recording leaves.
    let sounds: Vec<Track> = others.into_iter().filter(|t| &t.handler == b"soun" && t.samples.count() > 0).collect();
    let sound_tracks = sounds.len();
    Ok(Container {
        video: first_enabled(videos, least).map(|track| track.video(path, movie)).transpose()?,
        video_tracks: moving,
        sound: first_enabled(sounds, 1).map(|track| track.sound(path, movie)).transpose()?,
        sound_tracks,
        metadata,
    })
}

/// The first track with enough samples that is enabled, else the first with enough samples.
fn first_enabled(tracks: Vec<Track>, least_samples: u64) -> Option<Track> {
    const ENABLED: u32 = 1;
    tracks.into_iter().filter(|t| t.samples.count() >= least_samples).min_by_key(|t| t.header.flags & ENABLED == 0)
}

fn find<'a>(among: &[Part<'a>], name: &[u8; 4]) -> Option<Part<'a>> {
    among.iter().copied().find(|p| &p.name == name)
}

/// The boxes inside a box; none when there is no such box.
fn inside<'a>(path: &Path, of: Option<Part<'a>>) -> Result<Vec<Part<'a>>, MediaError> {
    of.map_or(Ok(Vec::new()), |part| parts(path, part.name, part.content()))
}

impl Track {
    /// `None` for a track that holds neither pictures nor sound, such as timed metadata.
    fn read(path: &Path, track: Part<'_>, file_length: u64) -> Result<Option<Self>, MediaError> {
        let track = inside(path, Some(track))?;
        let media = inside(path, find(&track, b"mdia"))?;
        let handler = find(&media, b"hdlr").and_then(|part| bytes_at::<4>(part.content(), 8));
        let Some(handler) = handler.filter(|h| matches!(h, b"vide" | b"soun")) else { return Ok(None) };
        let place = place_of(handler);
        let missing = |what: &str| MediaError::malformed(path, place, format!("no {what}"));
        let header: TkhdBox = find(&track, b"tkhd").ok_or_else(|| missing("track header"))?.read(path)?;
        let media_header: MdhdBox = find(&media, b"mdhd").ok_or_else(|| missing("media header"))?.read(path)?;
        if media_header.timescale == 0 {
            return Err(MediaError::malformed(path, place, "a time scale of 0"));
        }
        let tables = inside(path, find(&inside(path, find(&media, b"minf"))?, b"stbl"))?;
        let edits = inside(path, find(&track, b"edts"))?;
        Ok(Some(Self {
            header,
            timescale: media_header.timescale,
            handler,
            elst: find(&edits, b"elst").map(|part| part.read(path)).transpose()?,
            entry: find(&tables, b"stsd").and_then(|part| SampleEntry::read(path, handler, part.content())),
            samples: samples(path, handler, &tables, file_length)?,
            fragment_defaults: None,
        }))
    }

    pub(crate) fn is_video(&self) -> bool {
        &self.handler == b"vide"
    }

    fn video(self, path: &Path, movie: &MvhdBox) -> Result<VideoTrack, MediaError> {
        let timeline = self.timeline(path, movie)?;
        let entry = self.entry.ok_or_else(|| MediaError::malformed(path, "video track", "no sample description"))?;
        if self.samples.count() == 0 {
            return Err(MediaError::malformed(path, "video track", "no frames"));
        }
        if entry.size_px.contains(&0) {
            return Err(MediaError::malformed(path, "video track", "a picture size of 0"));
        }
        Ok(VideoTrack {
            track_id: self.header.track_id,
            stored_size_px: entry.size_px,
            quarter_turns_clockwise: quarter_turns(path, &self.header, movie)?,
            pixel_aspect: entry.pixel_aspect,
            codec: codec_name(&entry.format),
            bit_depth: entry.bit_depth,
            timeline,
            samples: self.samples,
        })
    }

    fn sound(self, path: &Path, movie: &MvhdBox) -> Result<SoundTrackFacts, MediaError> {
        let timeline = self.timeline(path, movie)?;
        let entry = self.entry.ok_or_else(|| MediaError::malformed(path, "sound track", "no sample description"))?;
        Ok(SoundTrackFacts {
            track_id: self.header.track_id,
            codec: entry.format,
            // A 16.16 fixed-point rate cannot hold 88.2 kHz and above; the media time scale is the rate then.
            sample_rate_hz: if entry.sample_rate_hz == 0 { self.timescale } else { entry.sample_rate_hz },
            channels: entry.channels,
            timeline,
            samples: self.samples,
        })
    }

    fn timeline(&self, path: &Path, movie: &MvhdBox) -> Result<Timeline, MediaError> {
        let place = place_of(self.handler);
        let mut edits = Vec::new();
        for entry in self.elst.iter().flat_map(|elst| &elst.entries) {
            // Version 0 keeps a signed 32-bit number, which `re_mp4` hands over unsigned; -1 is an empty edit.
            let version_0 = self.elst.as_ref().is_some_and(|elst| elst.version == 0);
            let media_time = if version_0 {
                u32::try_from(entry.media_time).map_or(0, |t| i64::from(t.cast_signed()))
            } else {
                entry.media_time.cast_signed()
            };
            if media_time >= 0 && (entry.media_rate, entry.media_rate_fraction) != (1, 0) {
                return Err(MediaError::Unsupported {
                    path: path.to_owned(),
                    what: format!("the {place}'s edit list plays a part at another speed (slow motion)"),
                    advice: "export the clip at its recorded speed, without slow motion",
                });
            }
            edits.push(Edit { duration: entry.segment_duration, media_time: (media_time >= 0).then_some(media_time) });
        }
        if self.fragment_defaults.is_some() {
            // The list was written before the fragments were: its last part runs on through all of them.
            if let Some(last) = edits.last_mut() {
                last.duration = 0;
            }
            if edits.iter().filter(|edit| edit.media_time.is_some()).count() > 1 {
                return Err(MediaError::Unsupported {
                    path: path.to_owned(),
                    what: "the file is written in fragments and its edit list cuts them".into(),
                    advice: "rewrite it without re-encoding: ffmpeg -i IN -c copy OUT.mp4",
                });
            }
        }
        Ok(Timeline { movie_timescale: movie.timescale, media_timescale: self.timescale, edits })
    }
}

fn place_of(handler: [u8; 4]) -> &'static str {
    if &handler == b"vide" { "video track" } else { "sound track" }
}

/// The samples that the tables of box `stbl` list. A file of fragments has empty tables or none.
fn samples(path: &Path, handler: [u8; 4], tables: &[Part<'_>], file_length: u64) -> Result<Samples, MediaError> {
    let mut samples = Samples::default();
    let Some(durations) = find(tables, b"stts") else { return Ok(samples) };
    let durations: SttsBox = durations.read(path)?;
    if &handler == b"soun" {
        durations.entries.iter().for_each(|e| samples.push(e.sample_count.into(), e.sample_delta));
        return Ok(samples);
    }
    let count: u64 = durations.entries.iter().map(|e| u64::from(e.sample_count)).sum();
    // Both forms of the table of sizes keep the number of samples at the same place.
    let sizes = find(tables, b"stsz").or(find(tables, b"stz2")).and_then(|part| bytes_at(part.content(), 8));
    let sizes = u64::from(sizes.map_or(0, u32::from_be_bytes));
    // A picture has at least one byte in the file: guards against a damaged count.
    if count != sizes || count > file_length {
        let reason = format!("times of {count} frames and sizes of {sizes} are listed in {file_length} bytes");
        return Err(MediaError::malformed(path, "video track", reason));
    }
    let offsets: Option<CttsBox> = find(tables, b"ctts").map(|part| part.read(path)).transpose()?;
    let mut offsets = offsets.iter().flat_map(|ctts| {
        ctts.entries.iter().flat_map(|e| std::iter::repeat_n(e.sample_offset, e.sample_count as usize))
    });
    for entry in &durations.entries {
        for _ in 0..entry.sample_count {
            samples.push_picture(entry.sample_delta, offsets.next().unwrap_or(0));
        }
    }
    let sync: Option<StssBox> = find(tables, b"stss").map(|part| part.read(path)).transpose()?;
    samples.sync = sync.map(|table| table.entries.iter().map(|n| (*n as usize).saturating_sub(1)).collect());
    Ok(samples)
}

impl SampleEntry {
    /// The first sample entry of box `stsd`: format, and the fields that video (ISO/IEC 14496-12, 12.1.3) and sound
    /// (12.2.3; QuickTime version 2 sound descriptions) keep at fixed places.
    fn read(path: &Path, handler: [u8; 4], table: &[u8]) -> Option<Self> {
        // 4 bytes version and flags, 4 bytes count; then the entries.
        let entry = parts(path, *b"stsd", table.get(8..)?).ok()?.first().copied()?;
        // 8 bytes reserved and reference index.
        let body = entry.content().get(8..)?;
        let half = |at: usize| bytes_at(body, at).map_or(0, u16::from_be_bytes);
        let mut read = Self {
            format: name_of(entry.name),
            size_px: [0, 0],
            pixel_aspect: [1, 1],
            bit_depth: None,
            channels: 0,
            sample_rate_hz: 0,
        };
        if &handler == b"vide" {
            read.size_px = [half(16).into(), half(18).into()];
            // What extends the entry may be of any maker's own form; only what is known is looked for.
            let extensions = body.get(70..).and_then(|rest| parts(path, entry.name, rest).ok()).unwrap_or_default();
            if let Some(shape) = find(&extensions, b"pasp") {
                let side = |at: usize| bytes_at(shape.content(), at).map_or(0, u32::from_be_bytes);
                read.pixel_aspect = Some([side(0), side(4)]).filter(|s| !s.contains(&0)).unwrap_or([1, 1]);
            }
            read.bit_depth = extensions.iter().find_map(|part| bit_depth(part.name, part.content()));
            return Some(read);
        }
        let rate = if half(0) == 2 {
            read.channels = bytes_at(body, 32).map(u32::from_be_bytes).and_then(|n| n.try_into().ok()).unwrap_or(0);
            bytes_at(body, 24).map_or(0.0, f64::from_be_bytes)
        } else {
            read.channels = half(8);
            half(16).into()
        };
        read.sample_rate_hz = if (0.0..1e9).contains(&rate) { rate.round() as u32 } else { 0 };
        Some(read)
    }
}

/// Quarter turns from the track's and the movie's matrix (ISO/IEC 14496-12, 6.2.2): `x' = a x + c y`, `y' = b x + d y`.
fn quarter_turns(path: &Path, tkhd: &TkhdBox, mvhd: &MvhdBox) -> Result<u8, MediaError> {
    let unit = |fixed: i32| f64::from(fixed) / 65536.0;
    let [a, b, c, d] = [tkhd.matrix.a, tkhd.matrix.b, tkhd.matrix.c, tkhd.matrix.d].map(unit);
    let [e, f, g, h] = [mvhd.matrix.a, mvhd.matrix.b, mvhd.matrix.c, mvhd.matrix.d].map(unit);
    let both = [a * e + b * g, a * f + b * h, c * e + d * g, c * f + d * h];
    let close = |wanted: [f64; 4]| both.iter().zip(wanted).all(|(v, w)| (v - w).abs() < 1e-3);
    [[1.0, 0.0, 0.0, 1.0], [0.0, 1.0, -1.0, 0.0], [-1.0, 0.0, 0.0, -1.0], [0.0, -1.0, 1.0, 0.0]]
        .into_iter()
        .zip(0u8..)
        .find_map(|(wanted, turns)| close(wanted).then_some(turns))
        .ok_or_else(|| MediaError::Unsupported {
            path: path.to_owned(),
            what: format!("the container mirrors, scales or tilts the picture (matrix {both:?})"),
            advice: "record with the back camera, or apply the transform: ffmpeg -i IN OUT.mp4",
        })
}

/// Bits per brightness sample that a codec's configuration tells: `avcC` and `hvcC` (ISO/IEC 14496-15, 5.3.3.1 and
/// 8.3.3.1), `av1C` (AV1 codec ISO media file format binding, 2.3).
fn bit_depth(name: [u8; 4], content: &[u8]) -> Option<u8> {
    match &name {
        b"hvcC" => Some(8 + (content.get(17)? & 7)),
        b"av1C" => Some(match content.get(2)? >> 5 & 3 {
            0 | 1 => 8,
            2 => 10,
            _ => 12,
        }),
        // The profiles up to High have 8 bits.
        b"avcC" if matches!(content.get(1)?, 66 | 77 | 88 | 100) => Some(8),
        b"avcC" => {
            // The depths stand behind the parameter sets: first those of the sequence, then those of the pictures.
            let mut at = 5;
            for mask in [0x1F, 0xFF] {
                let sets = content.get(at)? & mask;
                at += 1;
                for _ in 0..sets {
                    at += 2 + usize::from(u16::from_be_bytes(bytes_at(content, at)?));
                }
            }
            Some(8 + (content.get(at + 1)? & 7))
        }
        _ => None,
    }
}

/// A short codec name of a sample entry's format.
pub(crate) fn codec_name(format: &str) -> String {
    match format {
        "avc1" | "avc3" => "h264".into(),
        "hvc1" | "hev1" | "dvh1" | "dvhe" => "hevc".into(),
        "av01" => "av1".into(),
        "mp4a" => "aac".into(),
        other => other.trim().to_lowercase(),
    }
}
