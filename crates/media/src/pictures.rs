//! Decoded pictures in display orientation, as a stream or picked by index.

use std::collections::BTreeMap;
use std::fmt::Write;
use std::path::{Path, PathBuf};

use midline_session::footage::Footage;

use crate::container::{self, VideoTrack};
use crate::pipe::{Pipe, RawPicture, Request};
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
    path: PathBuf,
    pipe: Option<Pipe>,
    view: View,
    /// Frames that the decoder delivers, with their presentation times.
    expected: Vec<(usize, f64)>,
    delivered: usize,
}

/// How pictures of one file are made of what its decoder delivers.
#[derive(Clone, Copy)]
struct View {
    format: PictureFormat,
    stored_size_px: [u32; 2],
    quarter_turns_clockwise: u8,
    /// How far a time stamp may be off before it belongs to another frame, seconds.
    tolerance_seconds: f64,
}

/// Decodes every `every`-th frame, from frame 0, in display order.
///
/// Each picture is held against the container's list of presentation times and the count is checked at the end, so a frame
/// that the decoder dropped or doubled is an error and never a shift. The stream can be moved to another thread, so that
/// several files are decoded at the same time.
///
/// # Errors
/// As for [`inspect`](crate::inspect), and when ffmpeg is not installed or cannot be started. Errors while decoding come as
/// items of the stream.
pub fn pictures(path: &Path, footage: &Footage, format: PictureFormat, every: usize) -> Result<Pictures, MediaError> {
    let every = every.max(1);
    let frames: Vec<usize> = (0..footage.frame_pts_seconds.len()).step_by(every).collect();
    let select = format!("not(mod(n,{every}))");
    Pictures::start(FFMPEG, path, video_of(path)?.track_id, footage, format, &frames, &select, None)
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
    let count = footage.frame_pts_seconds.len();
    if let Some(frame) = frames.iter().copied().find(|frame| *frame >= count) {
        return Err(MediaError::NoSuchFrame { path: path.to_owned(), frame, frames: count });
    }
    let mut wanted = frames.to_vec();
    wanted.sort_unstable();
    wanted.dedup();
    let video = video_of(path)?;
    let mut found: BTreeMap<usize, Picture> = BTreeMap::new();
    for passage in passages(&wanted, &EntryPoints::of(path, &video)?) {
        let sought = passage.entry.and_then(|entry| passage.sought(path, video.track_id, footage, format, entry));
        let pictures = match sought {
            Some(pictures) => pictures,
            None => passage.from_start(path, video.track_id, footage, format)?,
        };
        found.extend(pictures.into_iter().map(|picture| (picture.frame_index, picture)));
    }
    let later = |at: usize, frame: &usize| frames.get(at + 1..).is_some_and(|rest| rest.contains(frame));
    let pick = |(at, frame)| if later(at, frame) { found.get(frame).cloned() } else { found.remove(frame) };
    Ok(frames.iter().enumerate().filter_map(pick).collect())
}

fn video_of(path: &Path) -> Result<VideoTrack, MediaError> {
    container::read(path)?.video.ok_or_else(|| MediaError::NoVideoTrack { path: path.to_owned() })
}

/// Where decoding may start so that a frame comes out whole.
struct EntryPoints(Vec<Option<usize>>);

impl EntryPoints {
    /// For every frame in display order, the frame of the last but one sync sample at or before it.
    fn of(path: &Path, video: &VideoTrack) -> Result<Self, MediaError> {
        let shown = video.shown(path)?;
        let Some(sync) = &video.samples.sync else { return Ok(Self(vec![None; shown.len()])) };
        // Over several edits the decoder's search is not to be relied on.
        if video.timeline.stretches().len() != 1 {
            return Ok(Self(vec![None; shown.len()]));
        }
        let mut displayed: Vec<Option<usize>> = vec![None; video.samples.composition.len()];
        for (frame, (_, sample)) in shown.iter().enumerate() {
            if let Some(slot) = displayed.get_mut(*sample) {
                *slot = Some(frame);
            }
        }
        let entry = |sample: usize| {
            let last = sync.partition_point(|s| *s <= sample).checked_sub(2)?;
            *displayed.get(*sync.get(last)?)?
        };
        Ok(Self(shown.iter().map(|(_, sample)| entry(*sample)).collect()))
    }
}

/// Wanted frames that are decoded in one go.
struct Passage {
    /// The frame at which decoding may start.
    entry: Option<usize>,
    frames: Vec<usize>,
}

/// Splits wanted frames, in ascending order, where decoding on would cost more than starting again.
fn passages(wanted: &[usize], entries: &EntryPoints) -> Vec<Passage> {
    let mut passages: Vec<Passage> = Vec::new();
    for frame in wanted {
        let decoded = passages.last().map_or(0, |passage| passage.frames.last().copied().unwrap_or(0));
        let entry = entries.0.get(*frame).copied().flatten().filter(|entry| *entry > decoded + WORTH_SKIPPING);
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
    fn sought(
        &self,
        path: &Path,
        track_id: u32,
        footage: &Footage,
        format: PictureFormat,
        entry: usize,
    ) -> Option<Vec<Picture>> {
        let view = View::of(footage, format);
        let time = |frame: usize| footage.frame_pts_seconds.get(frame).copied();
        let margin = view.tolerance_seconds;
        let runs = runs(&self.frames);
        if runs.len() > MOST_RUNS {
            return None;
        }
        // The first frame that comes out tells where the decoder started.
        let mut select = "eq(n,0)".to_owned();
        for (first, last) in runs {
            write!(select, "+between(t,{:.6},{:.6})", time(first)? - margin, time(last)? + margin).ok()?;
        }
        let request = Request { track_id, format, select: &select, from_seconds: Some(time(entry)?), stop_after: None };
        let mut pipe = Pipe::start(FFMPEG, path, &request).ok()?;
        let mut found = Vec::with_capacity(self.frames.len());
        let mut started = false;
        while let Some(wanted) = self.frames.get(found.len()).copied() {
            let raw = pipe.next_picture(format).ok()??;
            let seconds = raw.pts_seconds?;
            if (seconds - time(wanted)?).abs() <= margin {
                found.push(view.picture(path, raw, wanted, time(wanted)?).ok()?);
            } else if started {
                return None;
            }
            if !started && seconds > time(entry)? + margin {
                return None;
            }
            started = true;
        }
        Some(found)
    }

    /// Decodes the file from its start.
    fn from_start(
        &self,
        path: &Path,
        track_id: u32,
        footage: &Footage,
        format: PictureFormat,
    ) -> Result<Vec<Picture>, MediaError> {
        let mut runs = runs(&self.frames);
        if let ([(first, _), .., (_, last)], true) = (runs.as_slice(), runs.len() > MOST_RUNS) {
            runs = vec![(*first, *last)];
        }
        let select: Vec<String> = runs.iter().map(|(from, to)| format!("between(n,{from},{to})")).collect();
        let select = select.join("+");
        let delivered: Vec<usize> = runs.iter().flat_map(|(from, to)| *from..=*to).collect();
        let stop = Some(delivered.len());
        Pictures::start(FFMPEG, path, track_id, footage, format, &delivered, &select, stop)?
            .filter(|item| item.as_ref().map_or(true, |p| self.frames.binary_search(&p.frame_index).is_ok()))
            .collect()
    }
}

impl View {
    fn of(footage: &Footage, format: PictureFormat) -> Self {
        let closest = footage.frame_pts_seconds.windows(2).map(|w| w[1] - w[0]).fold(f64::INFINITY, f64::min);
        Self {
            format,
            stored_size_px: footage.stored_size_px,
            quarter_turns_clockwise: footage.quarter_turns_clockwise,
            tolerance_seconds: (0.5 * closest).clamp(1e-6, 0.1),
        }
    }

    /// The decoded picture of a frame, turned, when it is the one that the container lists.
    fn picture(&self, path: &Path, raw: RawPicture, frame: usize, pts_seconds: f64) -> Result<Picture, MediaError> {
        if raw.size_px != self.stored_size_px {
            return Err(MediaError::FrameSize {
                path: path.to_owned(),
                frame,
                expected: self.stored_size_px,
                decoded: raw.size_px,
            });
        }
        if let Some(decoded) = raw.pts_seconds.filter(|d| (d - pts_seconds).abs() > self.tolerance_seconds) {
            return Err(MediaError::FrameTime {
                path: path.to_owned(),
                frame,
                expected_seconds: pts_seconds,
                decoded_seconds: decoded,
            });
        }
        Ok(Picture {
            frame_index: frame,
            pts_seconds,
            size_px: orientation::turned_size(raw.size_px, self.quarter_turns_clockwise),
            format: self.format,
            pixels: orientation::turned(raw.pixels, raw.size_px, self.format.channels(), self.quarter_turns_clockwise),
        })
    }
}

impl Pictures {
    #[expect(clippy::too_many_arguments, reason = "each is a part of one request, given at one place")]
    fn start(
        program: &str,
        path: &Path,
        track_id: u32,
        footage: &Footage,
        format: PictureFormat,
        frames: &[usize],
        select: &str,
        stop_after: Option<usize>,
    ) -> Result<Self, MediaError> {
        let times = &footage.frame_pts_seconds;
        let request = Request { track_id, format, select, from_seconds: None, stop_after };
        Ok(Self {
            path: path.to_owned(),
            pipe: Some(Pipe::start(program, path, &request)?),
            view: View::of(footage, format),
            expected: frames.iter().filter_map(|frame| Some((*frame, *times.get(*frame)?))).collect(),
            delivered: 0,
        })
    }

    fn advance(&mut self) -> Result<Option<Picture>, MediaError> {
        let Some(pipe) = &mut self.pipe else { return Ok(None) };
        // A picture cut short means that the decoder died, which its end explains better.
        let raw = pipe.next_picture(self.view.format).unwrap_or_default();
        let Some((frame, pts_seconds)) = self.expected.get(self.delivered).copied() else {
            let surplus = usize::from(raw.is_some());
            return self.finish(surplus).map(|()| None);
        };
        let Some(raw) = raw else { return self.finish(0).map(|()| None) };
        let picture = self.view.picture(&self.path, raw, frame, pts_seconds)?;
        self.delivered += 1;
        Ok(Some(picture))
    }

    /// Ends the decoder and judges how it went; `surplus` pictures came after the last that was expected.
    fn finish(&mut self, surplus: usize) -> Result<(), MediaError> {
        let Some(mut pipe) = self.pipe.take() else { return Ok(()) };
        let ended = pipe.end();
        let (path, expected, decoded) = (self.path.clone(), self.expected.len(), self.delivered + surplus);
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
    use crate::fixtures::Fixtures;
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
        fixtures.make(name, &format!("{source} -c:v libx264 -qp 0 {options}"))
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
        let good = inspect(&path).unwrap();
        let end = |footage: &Footage| {
            let stream = pictures(&path, footage, PictureFormat::Gray, 1).unwrap();
            stream.collect::<Result<Vec<_>, _>>().unwrap_err()
        };
        let mut more = good.clone();
        more.frame_pts_seconds.push(0.5);
        assert!(matches!(end(&more), MediaError::FrameCount { expected: 16, decoded: 15, .. }));
        let mut less = good.clone();
        less.frame_pts_seconds.pop();
        assert!(matches!(end(&less), MediaError::FrameCount { expected: 14, decoded: 15, .. }));
        let mut shifted = good.clone();
        shifted.frame_pts_seconds.remove(4);
        assert!(matches!(end(&shifted), MediaError::FrameTime { frame: 4, .. }));
        let mut smaller = good.clone();
        smaller.stored_size_px = [60, 48];
        assert!(matches!(end(&smaller), MediaError::FrameSize { frame: 0, decoded: [64, 48], .. }));
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
        let error = Pictures::start("ffmpeg-not-here", &path, 1, &footage, PictureFormat::Gray, &[0], "1", None);
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
