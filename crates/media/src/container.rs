//! The boxes of an ISO base media file (ISO/IEC 14496-12) that say when and how samples are shown.
//!
//! The tree is walked here and only the boxes that are needed are read, each by `re_mp4`: phones write many boxes that a
//! full parse would stumble over, and `re_mp4`'s own sample list shifts the composition times to start at zero, which
//! loses what an edit list refers to.

use std::fs::File;
use std::io::{BufReader, Read, Seek, SeekFrom};
use std::path::Path;

use re_mp4::{BoxHeader, CttsBox, ElstBox, HEADER_SIZE, HdlrBox, MdhdBox, MvhdBox, ReadBox, SttsBox, TkhdBox};

use crate::MediaError;
use crate::timeline::{Edit, Timeline};

/// Samples that one track may list; a day at 240 Hz has 21 million. Guards against a damaged count.
const MOST_SAMPLES: u64 = 100_000_000;

/// What the index of a file says.
pub(crate) struct Container {
    pub(crate) video: Option<VideoTrack>,
    pub(crate) sound: Option<SoundTrackFacts>,
}

/// The first video track.
pub(crate) struct VideoTrack {
    pub(crate) stored_size_px: [u32; 2],
    pub(crate) quarter_turns_clockwise: u8,
    pub(crate) codec: String,
    pub(crate) timeline: Timeline,
}

/// The first sound track.
pub(crate) struct SoundTrackFacts {
    pub(crate) track_id: u32,
    pub(crate) sample_rate_hz: u32,
    pub(crate) channels: u16,
    pub(crate) timeline: Timeline,
}

/// The sample entry's fields that are used.
struct SampleEntry {
    format: String,
    size_px: [u32; 2],
    channels: u16,
    sample_rate_hz: u32,
}

/// A track as it is collected while walking.
#[derive(Default)]
struct RawTrack {
    tkhd: Option<TkhdBox>,
    mdhd: Option<MdhdBox>,
    handler: Option<u32>,
    elst: Option<ElstBox>,
    stts: Option<SttsBox>,
    ctts: Option<CttsBox>,
    entry: Option<SampleEntry>,
}

/// The movie as it is collected while walking.
#[derive(Default)]
struct RawMovie {
    mvhd: Option<MvhdBox>,
    tracks: Vec<RawTrack>,
    fragmented: bool,
}

const fn fourcc(name: &[u8; 4]) -> u32 {
    u32::from_be_bytes(*name)
}

const VIDEO: u32 = fourcc(b"vide");
const SOUND: u32 = fourcc(b"soun");

/// Reads the index of a file.
pub(crate) fn read(path: &Path) -> Result<Container, MediaError> {
    let file = File::open(path).map_err(MediaError::io(path, "opening"))?;
    let metadata = file.metadata().map_err(MediaError::io(path, "opening"))?;
    if !metadata.is_file() {
        return Err(MediaError::NotVideo { path: path.to_owned() });
    }
    let length = metadata.len();
    if length == 0 {
        return Err(MediaError::Empty { path: path.to_owned() });
    }
    let mut walker = Walker { path, reader: BufReader::new(file), movie: RawMovie::default() };
    walker.find_movie(length)?;
    walker.movie.interpreted(path)
}

struct Walker<'a> {
    path: &'a Path,
    reader: BufReader<File>,
    movie: RawMovie,
}

impl Walker<'_> {
    fn malformed(&self, place: u32, reason: impl Into<String>) -> MediaError {
        MediaError::malformed(self.path, &format!("box \"{}\"", name_of(place)), reason)
    }

    fn position(&mut self) -> Result<u64, MediaError> {
        self.reader.stream_position().map_err(MediaError::io(self.path, "reading"))
    }

    fn jump(&mut self, to: u64) -> Result<(), MediaError> {
        self.reader.seek(SeekFrom::Start(to)).map_err(MediaError::io(self.path, "reading"))?;
        Ok(())
    }

    /// Walks the top level until the index is found.
    fn find_movie(&mut self, length: u64) -> Result<(), MediaError> {
        let known: Vec<u32> =
            [b"ftyp", b"mdat", b"free", b"skip", b"wide", b"moov", b"uuid", b"meta"].into_iter().map(fourcc).collect();
        let mut start = 0;
        let mut recognised = false;
        while start + HEADER_SIZE <= length {
            self.jump(start)?;
            let Ok(header) = BoxHeader::read(&mut self.reader) else { break };
            let name = u32::from(header.name);
            if !recognised && !known.contains(&name) {
                return Err(MediaError::NotVideo { path: self.path.to_owned() });
            }
            recognised = true;
            // A box of size 0 runs to the end of the file. `size` counts from 8 bytes before the content.
            let content = self.position()?;
            let end = if header.size == 0 { length } else { content.saturating_add(header.size) - HEADER_SIZE };
            if name == fourcc(b"moov") {
                if end > length {
                    break;
                }
                return self.walk_children(name, end, 0);
            }
            if end <= start {
                break;
            }
            start = end;
        }
        if recognised {
            Err(MediaError::Truncated { path: self.path.to_owned() })
        } else {
            Err(MediaError::NotVideo { path: self.path.to_owned() })
        }
    }

    /// Walks the boxes from the present position to `end`.
    fn walk_children(&mut self, parent: u32, end: u64, depth: usize) -> Result<(), MediaError> {
        loop {
            let start = self.position()?;
            // QuickTime may close a list with four zero bytes.
            if start + HEADER_SIZE > end {
                return Ok(());
            }
            let header = BoxHeader::read(&mut self.reader).map_err(|e| self.malformed(parent, e.to_string()))?;
            if header.size == 0 {
                return Ok(());
            }
            let content = self.position()?;
            let child_end = content.saturating_add(header.size).saturating_sub(HEADER_SIZE);
            let name = u32::from(header.name);
            if child_end < content || child_end > end {
                return Err(self.malformed(parent, format!("its part \"{}\" is longer than itself", name_of(name))));
            }
            self.visit(name, header.size, child_end, depth)?;
            self.jump(child_end)?;
        }
    }

    fn visit(&mut self, name: u32, size: u64, end: u64, depth: usize) -> Result<(), MediaError> {
        const NESTED: [u32; 4] = [fourcc(b"mdia"), fourcc(b"minf"), fourcc(b"stbl"), fourcc(b"edts")];
        if name == fourcc(b"trak") && depth == 0 {
            self.movie.tracks.push(RawTrack::default());
            return self.walk_children(name, end, 1);
        }
        if NESTED.contains(&name) && (1..4).contains(&depth) {
            return self.walk_children(name, end, depth + 1);
        }
        if depth == 0 {
            if name == fourcc(b"mvhd") {
                self.movie.mvhd = Some(leaf(&mut self.reader, self.path, name, size)?);
            }
            self.movie.fragmented |= name == fourcc(b"mvex");
            return Ok(());
        }
        let Self { path, reader, movie } = self;
        let Some(track) = movie.tracks.last_mut() else { return Ok(()) };
        match &name.to_be_bytes() {
            b"tkhd" => track.tkhd = Some(leaf(reader, path, name, size)?),
            b"elst" => track.elst = Some(leaf(reader, path, name, size)?),
            b"mdhd" => track.mdhd = Some(leaf(reader, path, name, size)?),
            // QuickTime has a second handler box, one level deeper, that says how the data are referred to.
            b"hdlr" if depth == 2 => {
                track.handler = Some(u32::from(leaf::<HdlrBox>(reader, path, name, size)?.handler_type));
            }
            b"stts" => track.stts = Some(leaf(reader, path, name, size)?),
            b"ctts" => track.ctts = Some(leaf(reader, path, name, size)?),
            b"stsd" => track.entry = sample_entry(reader, path, size - HEADER_SIZE)?,
            _ => {}
        }
        Ok(())
    }
}

fn leaf<B>(reader: &mut BufReader<File>, path: &Path, name: u32, size: u64) -> Result<B, MediaError>
where
    B: for<'r> ReadBox<&'r mut BufReader<File>>,
{
    B::read_box(reader, size)
        .map_err(|e| MediaError::malformed(path, &format!("box \"{}\"", name_of(name)), e.to_string()))
}

/// The first sample entry: format, and the fields that video (ISO/IEC 14496-12, 12.1.3) and sound (12.2.3; QuickTime
/// version 2 sound descriptions) keep at fixed places.
fn sample_entry(reader: &mut BufReader<File>, path: &Path, length: u64) -> Result<Option<SampleEntry>, MediaError> {
    let mut bytes = vec![0; usize::try_from(length.min(80)).unwrap_or(0)];
    reader.read_exact(&mut bytes).map_err(MediaError::io(path, "reading"))?;
    // 4 bytes version and flags, 4 bytes count; then the entry: 4 size, 4 format, 8 reserved and reference index.
    let half = |at: usize| Some(u16::from_be_bytes(bytes.get(at..at + 2)?.try_into().ok()?));
    let word = |at: usize| Some(u32::from_be_bytes(bytes.get(at..at + 4)?.try_into().ok()?));
    let Some(format) = word(12) else { return Ok(None) };
    let body = 24;
    let version_2 = half(body) == Some(2);
    let rate = if version_2 {
        bytes.get(body + 24..body + 32).and_then(|b| Some(f64::from_be_bytes(b.try_into().ok()?)))
    } else {
        word(body + 16).map(|fixed| f64::from(fixed >> 16))
    };
    let channels = if version_2 { word(body + 32).and_then(|n| u16::try_from(n).ok()) } else { half(body + 8) };
    Ok(Some(SampleEntry {
        format: name_of(format),
        size_px: [half(body + 16).unwrap_or(0).into(), half(body + 18).unwrap_or(0).into()],
        channels: channels.unwrap_or(0),
        sample_rate_hz: rate.filter(|r| (0.0..1e9).contains(r)).map_or(0, |r| r.round() as u32),
    }))
}

fn name_of(fourcc: u32) -> String {
    fourcc.to_be_bytes().iter().map(|b| if b.is_ascii_graphic() { char::from(*b) } else { '.' }).collect()
}

impl RawMovie {
    fn interpreted(self, path: &Path) -> Result<Container, MediaError> {
        let mvhd = self.mvhd.ok_or_else(|| MediaError::malformed(path, "index", "no movie header"))?;
        if mvhd.timescale == 0 {
            return Err(MediaError::malformed(path, "movie header", "a time scale of 0"));
        }
        let mut container = Container { video: None, sound: None };
        for track in self.tracks {
            match track.handler {
                Some(VIDEO) if container.video.is_none() => {
                    container.video = Some(track.video(path, &mvhd, self.fragmented)?);
                }
                Some(SOUND) if container.sound.is_none() => container.sound = track.sound(path, &mvhd)?,
                _ => {}
            }
        }
        Ok(container)
    }
}

impl RawTrack {
    fn video(&self, path: &Path, mvhd: &MvhdBox, fragmented: bool) -> Result<VideoTrack, MediaError> {
        let missing = |what: &str| MediaError::malformed(path, "video track", format!("no {what}"));
        let tkhd = self.tkhd.as_ref().ok_or_else(|| missing("track header"))?;
        let entry = self.entry.as_ref().ok_or_else(|| missing("sample description"))?;
        let timeline = self.timeline(path, "video track", mvhd)?;
        if timeline.samples.is_empty() {
            return Err(if fragmented {
                MediaError::Unsupported {
                    path: path.to_owned(),
                    what: "the file is written in fragments".into(),
                    advice: "rewrite it without re-encoding: ffmpeg -i IN -c copy OUT.mp4",
                }
            } else {
                MediaError::malformed(path, "video track", "no frames")
            });
        }
        Ok(VideoTrack {
            stored_size_px: entry.size_px,
            quarter_turns_clockwise: quarter_turns(path, tkhd, mvhd)?,
            codec: codec_name(&entry.format),
            timeline,
        })
    }

    fn sound(&self, path: &Path, mvhd: &MvhdBox) -> Result<Option<SoundTrackFacts>, MediaError> {
        let (Some(tkhd), Some(entry)) = (&self.tkhd, &self.entry) else {
            return Err(MediaError::malformed(path, "sound track", "no track header or no sample description"));
        };
        let timeline = self.timeline(path, "sound track", mvhd)?;
        // A sound track without samples is what a muted recording leaves.
        if timeline.samples.is_empty() {
            return Ok(None);
        }
        Ok(Some(SoundTrackFacts {
            track_id: tkhd.track_id,
            // A 16.16 fixed-point rate cannot hold 88.2 kHz and above; the media time scale is the rate then.
            sample_rate_hz: if entry.sample_rate_hz == 0 { timeline.media_timescale } else { entry.sample_rate_hz },
            channels: entry.channels,
            timeline,
        }))
    }

    fn timeline(&self, path: &Path, place: &str, mvhd: &MvhdBox) -> Result<Timeline, MediaError> {
        let missing = |what: &str| MediaError::malformed(path, place, format!("no {what}"));
        let mdhd = self.mdhd.as_ref().ok_or_else(|| missing("media header"))?;
        let stts = self.stts.as_ref().ok_or_else(|| missing("table of sample times"))?;
        if mdhd.timescale == 0 {
            return Err(MediaError::malformed(path, place, "a time scale of 0"));
        }
        let count: u64 = stts.entries.iter().map(|e| u64::from(e.sample_count)).sum();
        if count > MOST_SAMPLES {
            return Err(MediaError::malformed(path, place, format!("{count} samples are listed, which cannot be")));
        }
        let mut offsets = self.ctts.iter().flat_map(|ctts| {
            ctts.entries.iter().flat_map(|e| std::iter::repeat_n(e.sample_offset, e.sample_count as usize))
        });
        let mut decode_time = 0i64;
        let mut samples = Vec::with_capacity(usize::try_from(count).unwrap_or(0));
        for entry in &stts.entries {
            for _ in 0..entry.sample_count {
                samples.push(decode_time + i64::from(offsets.next().unwrap_or(0)));
                decode_time += i64::from(entry.sample_delta);
            }
        }
        Ok(Timeline {
            movie_timescale: mvhd.timescale,
            media_timescale: mdhd.timescale,
            samples,
            media_end: decode_time,
            edits: self.edits(path, place)?,
        })
    }

    fn edits(&self, path: &Path, place: &str) -> Result<Vec<Edit>, MediaError> {
        let Some(elst) = &self.elst else { return Ok(Vec::new()) };
        elst.entries
            .iter()
            .map(|entry| {
                // Version 0 keeps a signed 32-bit number, which `re_mp4` hands over unsigned; -1 is an empty edit.
                let media_time = if elst.version == 0 {
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
                Ok(Edit { duration: entry.segment_duration, media_time: (media_time >= 0).then_some(media_time) })
            })
            .collect()
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

/// A short codec name of a sample entry's format.
fn codec_name(format: &str) -> String {
    match format {
        "avc1" | "avc3" => "h264".into(),
        "hvc1" | "hev1" | "dvh1" | "dvhe" => "hevc".into(),
        "av01" => "av1".into(),
        other => other.trim().to_lowercase(),
    }
}
