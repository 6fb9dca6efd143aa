//! Decoded pictures in display orientation, as a stream or picked by index.

use std::collections::BTreeMap;
use std::fmt::Write;
use std::path::{Path, PathBuf};

use midline_session::footage::Footage;

use crate::container;
use crate::pipe::{Pipe, RawPicture, Request};
use crate::samples::Samples;
use crate::timeline::ShownFrame;
use crate::{MediaError, orientation};

/// The decoder's command.
const FFMPEG: &str = "ffmpeg";

/// Runs of neighbouring frames that are named to the decoder one by one; above that it delivers all in between and the
/// surplus is dropped here, because each run costs the decoder time on every frame.
const MOST_RUNS: usize = 200;

/// Frames that must be saved before decoding starts again elsewhere: starting a decoder takes as long as some frames.
const WORTH_SKIPPING: usize = 30;

/// What a pixel holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PictureFormat {
    /// One byte of brightness, 0 to 255.
    Gray,
    /// Three bytes: red, green, blue.
    Rgb,
}

impl PictureFormat {
    /// Bytes per pixel.
    #[must_use]
    pub fn channels(self) -> usize {
        match self {
            Self::Gray => 1,
            Self::Rgb => 3,
        }
    }
}

/// One decoded picture in display orientation.
#[derive(Debug, Clone, PartialEq)]
pub struct Picture {
    /// Index of the frame in the footage.
    pub frame_index: usize,
    /// Its presentation time in seconds, from [`Footage::frame_pts_seconds`].
    pub pts_seconds: f64,
    /// Width and height in display orientation, in pixels.
    pub size_px: [u32; 2],
    /// What a pixel holds.
    pub format: PictureFormat,
    /// `width × height × channels` bytes, rows from top to bottom.
    pub pixels: Vec<u8>,
}

/// A stream of pictures; one picture is in memory at a time. Dropping it stops the decoder.
pub struct Pictures {
    source: Source,
    format: PictureFormat,
    pipe: Option<Pipe>,
    /// Frames that the decoder delivers.
    expected: Vec<usize>,
    delivered: usize,
}

/// Decodes every `every`-th frame, from frame 0, in display order.
///
/// Each picture is held against the container's list of time stamps and the count is checked at the end, so a frame that the
/// decoder dropped or doubled is an error and never a shift. The stream can be moved to another thread, so that several
/// files are decoded at the same time.
///
/// # Errors
/// As for [`inspect`](crate::inspect), when `footage` describes another file, and when ffmpeg is not installed or cannot be
/// started. Errors while decoding come as items of the stream.
pub fn pictures(path: &Path, footage: &Footage, format: PictureFormat, every: usize) -> Result<Pictures, MediaError> {
    let every = every.max(1);
    let source = Source::open(path, footage)?;
    let frames = (0..source.frames.len()).step_by(every).collect();
    Pictures::start(FFMPEG, source, format, frames, &format!("not(mod(n,{every}))"), None)
}

/// Decodes the frames with the given indices, in the given order; a frame may be asked for more than once.
///
/// The pictures are the same bytes as those of [`pictures`]. Where a wanted frame is far from the last one, decoding starts
/// again at the last but one place before it from which the container allows it: a picture in front of such a place may
/// refer to the group of pictures before (open groups), never to an earlier one. Every picture is known by its time stamp; if
/// the decoder started elsewhere or anything else is amiss, the file is decoded from its start.
///
/// # Errors
/// As for [`pictures`], and when a frame does not exist or cannot be decoded.
pub fn pictures_at(
    path: &Path,
    footage: &Footage,
    format: PictureFormat,
    frames: &[usize],
) -> Result<Vec<Picture>, MediaError> {
    let source = Source::open(path, footage)?;
    let count = source.frames.len();
    if let Some(frame) = frames.iter().copied().find(|frame| *frame >= count) {
        return Err(MediaError::NoSuchFrame { path: path.to_owned(), frame, frames: count });
    }
    let mut wanted = frames.to_vec();
    wanted.sort_unstable();
    wanted.dedup();
    let mut found: BTreeMap<usize, Picture> = BTreeMap::new();
    for passage in passages(&wanted, &source) {
        let sought = passage.entry.and_then(|entry| passage.sought(&source, format, entry));
        let pictures = match sought {
            Some(pictures) => pictures,
            None => passage.decoded_from_start(&source, format)?,
        };
        found.extend(pictures.into_iter().map(|picture| (picture.frame_index, picture)));
    }
    let later = |at: usize, frame: &usize| frames.get(at + 1..).is_some_and(|rest| rest.contains(frame));
    let pick = |(at, frame)| if later(at, frame) { found.get(frame).cloned() } else { found.remove(frame) };
    Ok(frames.iter().enumerate().filter_map(pick).collect())
}

/// The video track of a file, as its pictures are asked for and checked.
#[derive(Clone)]
struct Source {
    path: PathBuf,
    track_id: u32,
    media_timescale: u32,
    frames: Vec<ShownFrame>,
    /// The filter that keeps what the edit list shows.
    shown: String,
    /// For every frame, where decoding may start so that it comes out whole.
    entries: Vec<Option<usize>>,
    stored_size_px: [u32; 2],
    quarter_turns_clockwise: u8,
}

impl Source {
    fn open(path: &Path, footage: &Footage) -> Result<Self, MediaError> {
        let video = container::read(path)?.video.ok_or_else(|| MediaError::NoVideoTrack { path: path.to_owned() })?;
        let frames = video.shown(path)?;
        let same_time = |(frame, time): (&ShownFrame, &f64)| (frame.pts_seconds - time).abs() <= 1e-6;
        if video.stored_size_px != footage.stored_size_px
            || video.quarter_turns_clockwise != footage.quarter_turns_clockwise
            || frames.len() != footage.frame_pts_seconds.len()
            || !frames.iter().zip(&footage.frame_pts_seconds).all(same_time)
        {
            return Err(MediaError::OtherFile { path: path.to_owned() });
        }
        let stretches = video.timeline.stretches().unwrap_or_default();
        let within = stretches.iter().map(|s| format!("between(pts,{},{})", s.from, s.to.saturating_sub(1)));
        Ok(Self {
            path: path.to_owned(),
            track_id: video.track_id,
            media_timescale: video.timeline.media_timescale,
            shown: format!("select='{}'", within.collect::<Vec<_>>().join("+")),
            entries: entries(&video.samples, &frames),
            frames,
            stored_size_px: video.stored_size_px,
            quarter_turns_clockwise: video.quarter_turns_clockwise,
        })
    }

    fn seconds(&self, media_time: i64) -> f64 {
        media_time as f64 / f64::from(self.media_timescale)
    }

    /// Composition time of a frame, and of a decoded picture.
    fn media_time(&self, frame: usize) -> Option<i64> {
        self.frames.get(frame).map(|frame| frame.media_time)
    }

    fn media_time_of(&self, raw: &RawPicture) -> i64 {
        (raw.media_seconds * f64::from(self.media_timescale)).round() as i64
    }

    /// The decoded picture of a frame, turned, when it is the one that the container lists.
    fn picture(&self, raw: RawPicture, format: PictureFormat, frame: usize) -> Result<Picture, MediaError> {
        let listed = self.frames.get(frame).copied().ok_or_else(|| MediaError::NoSuchFrame {
            path: self.path.clone(),
            frame,
            frames: self.frames.len(),
        })?;
        if raw.size_px != self.stored_size_px {
            return Err(MediaError::FrameSize {
                path: self.path.clone(),
                frame,
                expected: self.stored_size_px,
                decoded: raw.size_px,
            });
        }
        if self.media_time_of(&raw) != listed.media_time {
            return Err(MediaError::FrameTime {
                path: self.path.clone(),
                frame,
                expected_seconds: self.seconds(listed.media_time),
                decoded_seconds: raw.media_seconds,
            });
        }
        Ok(Picture {
            frame_index: frame,
            pts_seconds: listed.pts_seconds,
            size_px: orientation::turned_size(raw.size_px, self.quarter_turns_clockwise),
            format,
            pixels: orientation::turned(raw.pixels, raw.size_px, format.channels(), self.quarter_turns_clockwise),
        })
    }
}

/// For every frame in display order, the frame of the last but one sync sample at or before it in decoding order.
fn entries(samples: &Samples, frames: &[ShownFrame]) -> Vec<Option<usize>> {
    let Some(sync) = &samples.sync else { return vec![None; frames.len()] };
    let mut displayed: Vec<Option<usize>> = vec![None; samples.composition.len()];
    for (index, frame) in frames.iter().enumerate() {
        if let Some(slot) = displayed.get_mut(frame.sample) {
            *slot = Some(index);
        }
    }
    let entry = |frame: &ShownFrame| {
        let last_but_one = sync.partition_point(|s| *s <= frame.sample).checked_sub(2)?;
        *displayed.get(*sync.get(last_but_one)?)?
    };
    frames.iter().map(entry).collect()
}

/// Wanted frames that are decoded in one go.
struct Passage {
    /// The frame at which decoding may start.
    entry: Option<usize>,
    frames: Vec<usize>,
}

/// Splits wanted frames, in ascending order, where decoding on would cost more than starting again.
fn passages(wanted: &[usize], source: &Source) -> Vec<Passage> {
    let mut passages: Vec<Passage> = Vec::new();
    for frame in wanted {
        let decoded = passages.last().and_then(|passage| passage.frames.last().copied()).unwrap_or(0);
        let entry = source.entries.get(*frame).copied().flatten().filter(|entry| *entry > decoded + WORTH_SKIPPING);
        match passages.last_mut() {
            Some(passage) if entry.is_none() => passage.frames.push(*frame),
            _ => passages.push(Passage { entry, frames: vec![*frame] }),
        }
    }
    passages
}

/// First and last of neighbouring numbers, of numbers in ascending order.
fn runs(frames: &[usize]) -> Vec<(usize, usize)> {
    frames.chunk_by(|a, b| a + 1 == *b).filter_map(|run| Some((*run.first()?, *run.last()?))).collect()
}

impl Passage {
    /// Decodes from near `entry`; `None` when anything is not as the container says.
    fn sought(&self, source: &Source, format: PictureFormat, entry: usize) -> Option<Vec<Picture>> {
        let runs = runs(&self.frames);
        if runs.len() > MOST_RUNS {
            return None;
        }
        let entry = source.media_time(entry)?;
        // The first frame that comes out tells where the decoder started.
        let mut choice = "select='eq(n,0)".to_owned();
        for (first, last) in runs {
            write!(choice, "+between(pts,{},{})", source.media_time(first)?, source.media_time(last)?).ok()?;
        }
        choice.push('\'');
        let from_seconds = Some(source.seconds(entry));
        let request = Request { track_id: source.track_id, format, choice: &choice, from_seconds, stop_after: None };
        let mut pipe = Pipe::start(FFMPEG, &source.path, &request).ok()?;
        let mut found = Vec::with_capacity(self.frames.len());
        let mut started = false;
        while let Some(wanted) = self.frames.get(found.len()).copied() {
            let raw = pipe.next_picture(format).ok()??;
            let media_time = source.media_time_of(&raw);
            if !started && media_time > entry {
                return None;
            }
            if started || Some(media_time) == source.media_time(wanted) {
                found.push(source.picture(raw, format, wanted).ok()?);
            }
            started = true;
        }
        Some(found)
    }

    /// Decodes the file from its start.
    fn decoded_from_start(&self, source: &Source, format: PictureFormat) -> Result<Vec<Picture>, MediaError> {
        let mut runs = runs(&self.frames);
        if let ([(first, _), .., (_, last)], true) = (runs.as_slice(), runs.len() > MOST_RUNS) {
            runs = vec![(*first, *last)];
        }
        let choice: Vec<String> = runs.iter().map(|(from, to)| format!("between(n,{from},{to})")).collect();
        let delivered: Vec<usize> = runs.iter().flat_map(|(from, to)| *from..=*to).collect();
        let stop = Some(delivered.len());
        Pictures::start(FFMPEG, source.clone(), format, delivered, &choice.join("+"), stop)?
            .filter(|item| item.as_ref().map_or(true, |p| self.frames.binary_search(&p.frame_index).is_ok()))
            .collect()
    }
}

impl Pictures {
    /// `frames` are those for which `choice`, an expression over the number `n` of a shown frame, is true.
    fn start(
        program: &str,
        source: Source,
        format: PictureFormat,
        frames: Vec<usize>,
        choice: &str,
        stop_after: Option<usize>,
    ) -> Result<Self, MediaError> {
        let choice = format!("{},select='{choice}'", source.shown);
        let request = Request { track_id: source.track_id, format, choice: &choice, from_seconds: None, stop_after };
        let pipe = Some(Pipe::start(program, &source.path, &request)?);
        Ok(Self { source, format, pipe, expected: frames, delivered: 0 })
    }

    fn advance(&mut self) -> Result<Option<Picture>, MediaError> {
        let Some(pipe) = &mut self.pipe else { return Ok(None) };
        // A picture cut short means that the decoder died, which its end explains better.
        let raw = pipe.next_picture(self.format).unwrap_or_default();
        let Some(frame) = self.expected.get(self.delivered).copied() else {
            let surplus = usize::from(raw.is_some());
            return self.finish(surplus).map(|()| None);
        };
        let Some(raw) = raw else { return self.finish(0).map(|()| None) };
        let picture = self.source.picture(raw, self.format, frame)?;
        self.delivered += 1;
        Ok(Some(picture))
    }

    /// Ends the decoder and judges how it went; `surplus` pictures came after the last that was expected.
    fn finish(&mut self, surplus: usize) -> Result<(), MediaError> {
        let Some(mut pipe) = self.pipe.take() else { return Ok(()) };
        let ended = pipe.end();
        let (path, expected, decoded) = (self.source.path.clone(), self.expected.len(), self.delivered + surplus);
        if !ended.success {
            Err(MediaError::Ffmpeg { path, decoded, expected, status: ended.status, message: ended.message })
        } else if decoded == expected {
            Ok(())
        } else {
            Err(MediaError::FrameCount { path, decoded, expected, message: ended.message })
        }
    }
}

impl Iterator for Pictures {
    type Item = Result<Picture, MediaError>;

    fn next(&mut self) -> Option<Self::Item> {
        let step = self.advance().transpose();
        if matches!(step, Some(Err(_))) {
            self.pipe = None;
        }
        step
    }
}

#[cfg(test)]
mod tests {
    use std::process::Command;

    use super::*;
    use crate::fixtures::{Fixtures, change_boxes, edit_list, field, probe};
    use crate::inspect;

    /// 64 × 48, luma written without loss: a dark picture with one bright block (x 8 to 11, y 4 to 9) and a grey edge on top.
    const ASYMMETRIC: &str = "-f lavfi -i color=black:s=64x48:r=30:d=0.2 -vf \
        drawbox=x=0:y=0:w=64:h=2:color=gray:t=fill,drawbox=x=8:y=4:w=4:h=6:color=white:t=fill \
        -pix_fmt yuv420p -c:v libx264 -qp 0";

    fn all(path: &Path, format: PictureFormat, every: usize) -> Vec<Picture> {
        let footage = inspect(path).unwrap();
        pictures(path, &footage, format, every).unwrap().collect::<Result<_, _>>().unwrap()
    }

    /// Centre of the pixels brighter than 200, and their bounds' size.
    fn block(picture: &Picture) -> ([f64; 2], [usize; 2]) {
        let [width, _] = picture.size_px.map(|v| v as usize);
        let bright: Vec<(usize, usize)> = picture
            .pixels
            .iter()
            .enumerate()
            .filter(|(_, v)| **v > 200)
            .map(|(at, _)| (at % width, at / width))
            .collect();
        let n = bright.len() as f64;
        let mean = [
            bright.iter().map(|p| p.0).sum::<usize>() as f64 / n,
            bright.iter().map(|p| p.1).sum::<usize>() as f64 / n,
        ];
        let span = |f: &dyn Fn(&(usize, usize)) -> usize| {
            bright.iter().map(f).max().unwrap() - bright.iter().map(f).min().unwrap() + 1
        };
        (mean, [span(&|p| p.0), span(&|p| p.1)])
    }

    #[test]
    fn an_asymmetric_picture_lands_where_display_orientation_says() {
        let fixtures = Fixtures::new();
        let plain = fixtures.make("plain.mp4", ASYMMETRIC);
        // Stored centre (9.5, 6.5) in 64 × 48; each turn clockwise takes (x, y) to (height - 1 - y, x).
        let places = [[9.5, 6.5], [47.0 - 6.5, 9.5], [63.0 - 9.5, 47.0 - 6.5], [6.5, 63.0 - 9.5]];
        for (tag, turns) in [(0, 0), (270, 1), (180, 2), (90, 3)] {
            let name = format!("turned{turns}.mp4");
            let path = fixtures.make(&name, &format!("-i {{plain.mp4}} -c copy -metadata:s:v:0 rotate={tag}"));
            let picture = &all(&path, PictureFormat::Gray, 1)[0];
            let (place, span) = block(picture);
            assert_eq!(place, places[turns], "{turns} quarter turns");
            assert_eq!(span, if turns % 2 == 0 { [4, 6] } else { [6, 4] });
            assert_eq!(picture.size_px, if turns % 2 == 0 { [64, 48] } else { [48, 64] });
            for (format, name) in [(PictureFormat::Gray, "gray"), (PictureFormat::Rgb, "rgb24")] {
                // The player's view: ffmpeg turns the picture itself.
                let shown = shown_by(Command::new("ffmpeg").args(["-v", "error", "-nostdin", "-i"]).arg(&path), name);
                assert!(all(&path, format, 1)[0].pixels == shown, "{turns} quarter turns, {name}");
            }
        }
        assert_eq!(all(&plain, PictureFormat::Rgb, 1)[0].pixels.len(), 64 * 48 * 3);
    }

    fn shown_by(command: &mut Command, pixel_format: &str) -> Vec<u8> {
        command.args(["-frames:v", "1", "-pix_fmt", pixel_format, "-f", "rawvideo", "-"]).output().unwrap().stdout
    }

    /// A clip whose frame n has brightness 16 + 4 n.
    fn stairs(fixtures: &Fixtures, name: &str, options: &str) -> PathBuf {
        let source = "-f lavfi -i color=black:s=32x32:r=30:d=1.5 -vf geq=lum=16+4*N:cb=128:cr=128 -pix_fmt yuv420p";
        fixtures.make(name, &format!("{source} -c:v libx264 -crf 4 -sc_threshold 0 {options}"))
    }

    /// The frame number that a picture of [`stairs`] shows; grey is full range, the file's luma is 16 to 235.
    fn shown(picture: &Picture) -> usize {
        ((f64::from(picture.pixels[500]) * 219.0 / 255.0) / 4.0).round() as usize
    }

    #[test]
    fn every_picture_carries_its_own_frame_through_reordering_offset_and_edit() {
        let fixtures = Fixtures::new();
        let plain = stairs(&fixtures, "plain.mp4", "-bf 3 -b_strategy 0 -g 45");
        let late = fixtures.make("late.mp4", "-itsoffset 0.5 -i {plain.mp4} -c copy");
        // The clip is not trivial: ffmpeg finds pictures out of order in it.
        let kinds = probe(&plain, &["-show_entries", "frame=pict_type"]);
        assert!(field(&kinds, "pict_type").filter(|kind| *kind == "B").count() > 20, "{kinds}");
        for path in [&plain, &late] {
            let pictures = all(path, PictureFormat::Gray, 1);
            assert_eq!(pictures.len(), 45);
            assert!(pictures.iter().enumerate().all(|(n, p)| p.frame_index == n && shown(p) == n));
        }
        assert!((all(&late, PictureFormat::Gray, 20)[2].pts_seconds - (0.5 + 40.0 / 30.0)).abs() < 1e-9);
        let some = all(&plain, PictureFormat::Gray, 10);
        assert_eq!(
            some.iter().map(|p| (p.frame_index, shown(p))).collect::<Vec<_>>(),
            [0, 10, 20, 30, 40].map(|n| (n, n))
        );
        // The first shown frame of the cut clip is a later frame of the whole one.
        let cut = fixtures.make("cut.mp4", "-ss 0.7 -i {plain.mp4} -c copy");
        let pictures = all(&cut, PictureFormat::Gray, 1);
        let first = shown(&pictures[0]);
        assert!((20..=22).contains(&first) && pictures.len() == 45 - first, "{first} {}", pictures.len());
        assert!(pictures.iter().enumerate().all(|(n, p)| shown(p) == n + first));
    }

    #[test]
    fn pictures_are_picked_by_index_in_the_order_asked() {
        let fixtures = Fixtures::new();
        let path = stairs(&fixtures, "plain.mp4", "-bf 3 -b_strategy 0 -g 12");
        let footage = inspect(&path).unwrap();
        let asked = [41, 3, 4, 5, 17, 3];
        let found = pictures_at(&path, &footage, PictureFormat::Gray, &asked).unwrap();
        assert_eq!(found.iter().map(|p| (p.frame_index, shown(p))).collect::<Vec<_>>(), asked.map(|n| (n, n)));
        assert!(pictures_at(&path, &footage, PictureFormat::Gray, &[]).unwrap().is_empty());
        let error = pictures_at(&path, &footage, PictureFormat::Gray, &[1, 45]).unwrap_err();
        assert!(matches!(error, MediaError::NoSuchFrame { frame: 45, frames: 45, .. }));
    }

    /// Every picture by random access against the same picture of the stream, far frames alone and near ones together;
    /// whether a place to start at was found.
    fn random_access_equals_the_stream(path: &Path) -> bool {
        let footage = inspect(path).unwrap();
        let streamed: Vec<Picture> = all(path, PictureFormat::Gray, 1);
        let count = streamed.len();
        let asked: Vec<usize> = (3..count).step_by(60).chain([count - 1, 0]).collect();
        for frame in &asked {
            let alone = pictures_at(path, &footage, PictureFormat::Gray, &[*frame]).unwrap();
            assert!(alone == streamed[*frame..=*frame], "{}: frame {frame}", path.display());
        }
        let together = pictures_at(path, &footage, PictureFormat::Gray, &asked).unwrap();
        assert!(together.iter().zip(&asked).all(|(picture, frame)| *picture == streamed[*frame]));
        let source = Source::open(path, &footage).unwrap();
        passages(&[count - 1], &source).iter().any(|passage| {
            passage.entry.is_some_and(|entry| passage.sought(&source, PictureFormat::Gray, entry).is_some())
        })
    }

    /// Holds random access against the stream for clips of 1.7 s at 60 per second; true for those in which places to start
    /// at must be found.
    fn random_access_gives_the_bytes_of_the_stream(fixtures: &Fixtures, clips: &[(&str, &str, bool)]) {
        let source = "-f lavfi -i testsrc2=s=64x48:r=60:d=1.7,noise=alls=20:allf=t -pix_fmt yuv420p";
        for (name, options, seekable) in clips {
            let path = fixtures.make(name, &format!("{source} {options}"));
            let sought = random_access_equals_the_stream(&path);
            println!("{name}: sought {sought}");
            assert!(!seekable || sought, "{name}");
        }
    }

    #[test]
    fn random_access_gives_the_bytes_of_the_stream_in_closed_and_open_groups() {
        let fixtures = Fixtures::new();
        let open = "-c:v libx264 -x264-params open-gop=1:keyint=20:bframes=3";
        let clips = [
            ("closed.mp4", "-c:v libx264 -g 20 -bf 3 -b_strategy 0", true),
            ("open.mp4", &format!("{open}:b-pyramid=normal"), true),
            ("open.mov", open, true),
        ];
        random_access_gives_the_bytes_of_the_stream(&fixtures, &clips);
        let cut = fixtures.make("cut.mp4", "-ss 0.4 -i {open.mp4} -c copy");
        assert!(random_access_equals_the_stream(&cut));
    }

    #[test]
    fn random_access_gives_the_bytes_of_the_stream_of_hevc() {
        let hevc = "-c:v libx265 -x265-params log-level=none:keyint=20:min-keyint=20:bframes=4";
        let clips =
            [("open.mp4", &*format!("{hevc}:open-gop=1"), true), ("closed.mp4", &*format!("{hevc}:open-gop=0"), true)];
        random_access_gives_the_bytes_of_the_stream(&Fixtures::new(), &clips);
    }

    #[test]
    fn random_access_gives_the_bytes_of_the_stream_where_seeking_is_odd() {
        let clips = [
            ("refresh.mp4", "-c:v libx264 -x264-params intra-refresh=1:keyint=20", false),
            ("one-group.mp4", "-c:v libx264 -g 500", false),
            ("fragments.mp4", "-c:v libx264 -g 20 -bf 2 -movflags frag_keyframe+empty_moov", true),
            ("one-size.mov", "-c:v mjpeg -pix_fmt yuvj420p", false),
        ];
        random_access_gives_the_bytes_of_the_stream(&Fixtures::new(), &clips);
    }

    #[test]
    fn pictures_follow_an_edit_list_of_several_parts() {
        let fixtures = Fixtures::new();
        let path = stairs(&fixtures, "parts.mp4", "-bf 3 -b_strategy 0 -g 15");
        // Composed two frames late, because of the reordering.
        let first = 1024;
        assert_eq!(Source::open(&path, &inspect(&path).unwrap()).unwrap().media_time(0), Some(first));
        let edits = [(300, -1, 1), (300, first + 6 * 512, 1), (400, first + 30 * 512, 1)];
        change_boxes(&path, &["moov", "trak", "edts", "elst"], |_, content| *content = edit_list(&edits));
        let expected: Vec<usize> = (6..15).chain(30..42).collect();
        let pictures = all(&path, PictureFormat::Gray, 1);
        assert_eq!(pictures.iter().map(shown).collect::<Vec<_>>(), expected);
        assert!((pictures[9].pts_seconds - 0.6).abs() < 1e-9);
        let every = all(&path, PictureFormat::Gray, 4);
        assert!(every.iter().map(|p| (p.frame_index, shown(p))).eq((0..21).step_by(4).map(|n| (n, expected[n]))));
        random_access_equals_the_stream(&path);
    }

    #[test]
    fn ten_bits_decode_to_the_same_grey() {
        let fixtures = Fixtures::new();
        let source = "-f lavfi -i color=black:s=32x32:r=30:d=1";
        let path = fixtures.make(
            "ten.mp4",
            &format!("{source} -vf format=yuv420p10le,geq=lum=64+16*N:cb=512:cr=512 -c:v libx265 -x265-params lossless=1:log-level=none"),
        );
        let pictures = all(&path, PictureFormat::Gray, 1);
        assert_eq!(pictures.iter().map(shown).collect::<Vec<_>>(), (0..30).collect::<Vec<_>>());
    }

    #[test]
    fn two_files_are_decoded_at_the_same_time() {
        let fixtures = Fixtures::new();
        let paths = [("a.mp4", 60), ("b.mp4", 120)].map(|(name, rate)| (fixtures.clip(name, rate, 1.0, "-bf 2"), rate));
        let mut streams =
            paths.each_ref().map(|(path, _)| pictures(path, &inspect(path).unwrap(), PictureFormat::Gray, 1).unwrap());
        // Both decoders run before either is read, and either may be read from any thread.
        let counts = std::thread::scope(|scope| {
            streams
                .each_mut()
                .map(|stream| scope.spawn(move || stream.map(Result::unwrap).count()))
                .map(|t| t.join().unwrap())
        });
        assert_eq!(counts, [60, 120]);
    }

    #[test]
    fn many_scattered_frames_are_all_found() {
        let fixtures = Fixtures::new();
        let path = fixtures.clip("long.mp4", 30, 15.0, "-preset ultrafast");
        let footage = inspect(&path).unwrap();
        let asked: Vec<usize> = (0..footage.frame_pts_seconds.len()).step_by(2).collect();
        assert!(asked.len() > MOST_RUNS);
        let found = pictures_at(&path, &footage, PictureFormat::Gray, &asked).unwrap();
        assert!(found.iter().map(|p| p.frame_index).eq(asked));
    }

    #[test]
    fn a_picture_more_or_less_or_elsewhere_is_an_error() {
        let fixtures = Fixtures::new();
        let path = fixtures.clip("plain.mp4", 30, 0.5, "-bf 2");
        let footage = inspect(&path).unwrap();
        let good = Source::open(&path, &footage).unwrap();
        let end = |source: &Source, frames: usize| {
            let stream = Pictures::start(FFMPEG, source.clone(), PictureFormat::Gray, (0..frames).collect(), "1", None);
            stream.unwrap().collect::<Result<Vec<_>, _>>().unwrap_err()
        };
        assert!(matches!(end(&good, 14), MediaError::FrameCount { expected: 14, decoded: 15, .. }));
        let mut more = good.clone();
        more.frames.push(ShownFrame { pts_seconds: 0.5, media_time: 8704, sample: 15 });
        assert!(matches!(end(&more, 16), MediaError::FrameCount { expected: 16, decoded: 15, .. }));
        let mut shifted = good.clone();
        shifted.frames.remove(4);
        assert!(matches!(end(&shifted, 14), MediaError::FrameTime { frame: 4, .. }));
        let mut smaller = good.clone();
        smaller.stored_size_px = [60, 48];
        assert!(matches!(end(&smaller, 15), MediaError::FrameSize { frame: 0, decoded: [64, 48], .. }));
        let mut other = footage.clone();
        other.frame_pts_seconds[3] += 0.001;
        let error = pictures(&path, &other, PictureFormat::Gray, 1).err().unwrap();
        assert!(matches!(error, MediaError::OtherFile { .. }), "{error}");
    }

    #[test]
    fn damaged_pictures_are_an_error_with_the_decoders_words() {
        let fixtures = Fixtures::new();
        let path = fixtures.clip("plain.mp4", 30, 1.0, "-g 5");
        let mut bytes = std::fs::read(&path).unwrap();
        let start = bytes.windows(4).position(|w| w == b"mdat").unwrap() + 2000;
        bytes[start..start + 1500].fill(0);
        std::fs::write(&path, &bytes).unwrap();
        let footage = inspect(&path).unwrap();
        let stream = pictures(&path, &footage, PictureFormat::Gray, 1).unwrap();
        let error = stream.collect::<Result<Vec<_>, _>>().unwrap_err();
        println!("{error}");
        assert!(matches!(
            error,
            MediaError::FrameCount { .. } | MediaError::Ffmpeg { .. } | MediaError::FrameTime { .. }
        ));
    }

    #[test]
    fn a_missing_decoder_is_told_with_what_to_install() {
        let fixtures = Fixtures::new();
        let path = fixtures.clip("plain.mp4", 30, 0.1, "");
        let footage = inspect(&path).unwrap();
        let source = Source::open(&path, &footage).unwrap();
        let error = Pictures::start("ffmpeg-not-here", source, PictureFormat::Gray, vec![0], "1", None);
        let error = error.err().unwrap();
        assert!(
            matches!(error, MediaError::FfmpegMissing { .. }) && error.to_string().contains("apt-get install ffmpeg")
        );
    }

    #[test]
    fn dropping_the_stream_ends_the_decoder() {
        let fixtures = Fixtures::new();
        let path = fixtures.clip("long.mp4", 120, 6.0, "-preset ultrafast");
        let footage = inspect(&path).unwrap();
        let mut stream = pictures(&path, &footage, PictureFormat::Rgb, 1).unwrap();
        assert_eq!(stream.next().unwrap().unwrap().frame_index, 0);
        let id = stream.pipe.as_ref().unwrap().id();
        drop(stream);
        // Reaped: the system no longer knows the process.
        assert!(!Path::new(&format!("/proc/{id}")).exists());
    }
}
