//! Decoded pictures in display orientation, as a stream or picked by index.

use std::path::{Path, PathBuf};

use midline_session::footage::Footage;

use crate::pipe::{Pipe, RawPicture};
use crate::{MediaError, orientation};

/// The decoder's command.
const FFMPEG: &str = "ffmpeg";

/// Runs of neighbouring frames that are named to the decoder one by one; above that it delivers all in between and the
/// surplus is dropped here, because each run costs the decoder time on every frame.
const MOST_RUNS: usize = 200;

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
    format: PictureFormat,
    stored_size_px: [u32; 2],
    quarter_turns_clockwise: u8,
    /// Frames that the decoder delivers, with their presentation times.
    expected: Vec<(usize, f64)>,
    /// How far a time stamp may be off before it belongs to another frame, seconds.
    tolerance_seconds: f64,
    delivered: usize,
}

/// Decodes every `every`-th frame, from frame 0, in display order.
///
/// Each picture is held against the container's list of presentation times and the count is checked at the end, so a frame
/// that the decoder dropped or doubled is an error and never a shift.
///
/// # Errors
/// When ffmpeg is not installed or cannot be started. Errors while decoding come as items of the stream.
pub fn pictures(path: &Path, footage: &Footage, format: PictureFormat, every: usize) -> Result<Pictures, MediaError> {
    let every = every.max(1);
    let frames: Vec<usize> = (0..footage.frame_pts_seconds.len()).step_by(every).collect();
    Pictures::start(FFMPEG, path, footage, format, &frames, &format!("not(mod(n,{every}))"), None)
}

/// Decodes the frames with the given indices, in the given order; a frame may be asked for more than once.
///
/// The file is decoded from its start up to the last of them: exact on every file, where seeking is not.
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
    let mut runs: Vec<(usize, usize)> = Vec::new();
    for frame in &wanted {
        match runs.last_mut() {
            Some((_, last)) if *last + 1 == *frame => *last = *frame,
            _ => runs.push((*frame, *frame)),
        }
    }
    let (Some((first, _)), Some((_, last))) = (runs.first().copied(), runs.last().copied()) else {
        return Ok(Vec::new());
    };
    if runs.len() > MOST_RUNS {
        runs = vec![(first, last)];
    }
    let select: Vec<String> = runs.iter().map(|(from, to)| format!("between(n,{from},{to})")).collect();
    let delivered: Vec<usize> = runs.iter().flat_map(|(from, to)| *from..=*to).collect();
    let stream = Pictures::start(FFMPEG, path, footage, format, &delivered, &select.join("+"), Some(delivered.len()))?;
    let mut found = Vec::with_capacity(wanted.len());
    for picture in stream {
        let picture = picture?;
        if wanted.binary_search(&picture.frame_index).is_ok() {
            found.push(picture);
        }
    }
    Ok(frames.iter().filter_map(|frame| found.iter().find(|p| p.frame_index == *frame).cloned()).collect())
}

impl Pictures {
    fn start(
        program: &str,
        path: &Path,
        footage: &Footage,
        format: PictureFormat,
        frames: &[usize],
        select: &str,
        stop_after: Option<usize>,
    ) -> Result<Self, MediaError> {
        let times = &footage.frame_pts_seconds;
        let closest = times.windows(2).map(|w| w[1] - w[0]).fold(f64::INFINITY, f64::min);
        Ok(Self {
            path: path.to_owned(),
            pipe: Some(Pipe::start(program, path, format, select, stop_after)?),
            format,
            stored_size_px: footage.stored_size_px,
            quarter_turns_clockwise: footage.quarter_turns_clockwise,
            expected: frames.iter().filter_map(|frame| Some((*frame, *times.get(*frame)?))).collect(),
            tolerance_seconds: (0.5 * closest).max(1e-6),
            delivered: 0,
        })
    }

    fn advance(&mut self) -> Result<Option<Picture>, MediaError> {
        let Some(pipe) = &mut self.pipe else { return Ok(None) };
        // A picture cut short means that the decoder died, which its end explains better.
        let raw = pipe.next_picture(self.format).unwrap_or_default();
        let Some((frame, pts_seconds)) = self.expected.get(self.delivered).copied() else {
            let surplus = usize::from(raw.is_some());
            return self.finish(surplus).map(|()| None);
        };
        let Some(raw) = raw else { return self.finish(0).map(|()| None) };
        self.check(&raw, frame, pts_seconds)?;
        self.delivered += 1;
        Ok(Some(Picture {
            frame_index: frame,
            pts_seconds,
            size_px: orientation::turned_size(raw.size_px, self.quarter_turns_clockwise),
            format: self.format,
            pixels: orientation::turned(raw.pixels, raw.size_px, self.format.channels(), self.quarter_turns_clockwise),
        }))
    }

    fn check(&self, raw: &RawPicture, frame: usize, pts_seconds: f64) -> Result<(), MediaError> {
        if raw.size_px != self.stored_size_px {
            return Err(MediaError::FrameSize {
                path: self.path.clone(),
                frame,
                expected: self.stored_size_px,
                decoded: raw.size_px,
            });
        }
        match raw.pts_seconds {
            Some(decoded) if (decoded - pts_seconds).abs() > self.tolerance_seconds => Err(MediaError::FrameTime {
                path: self.path.clone(),
                frame,
                expected_seconds: pts_seconds,
                decoded_seconds: decoded,
            }),
            _ => Ok(()),
        }
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
    fn a_file_cut_off_in_its_pictures_is_an_error_with_the_decoders_words() {
        let fixtures = Fixtures::new();
        let path = fixtures.clip("plain.mp4", 30, 1.0, "-movflags faststart");
        let bytes = std::fs::read(&path).unwrap();
        std::fs::write(&path, &bytes[..bytes.len() * 2 / 3]).unwrap();
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
        let error = Pictures::start("ffmpeg-not-here", &path, &footage, PictureFormat::Gray, &[0], "1", None);
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
