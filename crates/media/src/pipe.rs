//! The `ffmpeg` command as a stream of decoded pictures with their presentation times.
//!
//! Pictures arrive on its output as binary PGM or PPM (each with its own size), their time stamps on its error output
//! through the `showinfo` filter, so that every picture can be held against the container's list.

use std::collections::VecDeque;
use std::io::{BufRead, BufReader, Read};
use std::path::Path;
use std::process::{Child, ChildStdout, Command, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::thread::JoinHandle;

use crate::{MediaError, PictureFormat};

/// Lines of error output that are kept for an error message.
const KEPT_LINES: usize = 8;

/// A running decoder; killed and reaped when dropped.
pub(crate) struct Pipe {
    child: Child,
    output: BufReader<ChildStdout>,
    times: Receiver<f64>,
    complaints: Option<JoinHandle<VecDeque<String>>>,
}

/// One picture as it comes out of the decoder, in stored orientation.
pub(crate) struct RawPicture {
    pub(crate) size_px: [u32; 2],
    pub(crate) pixels: Vec<u8>,
    /// Time stamp in the track, seconds from media time 0.
    pub(crate) media_seconds: f64,
}

/// How a decoder ended.
pub(crate) struct Ended {
    pub(crate) success: bool,
    pub(crate) status: String,
    pub(crate) message: String,
}

/// What is asked of a decoder.
pub(crate) struct Request<'a> {
    pub(crate) track_id: u32,
    pub(crate) format: PictureFormat,
    /// Filters of ffmpeg that choose frames. The edit list is not applied: times are those of the track.
    pub(crate) choice: &'a str,
    /// Time near which decoding starts, where the decoder finds a place to start; the file's start if `None`.
    pub(crate) from_seconds: Option<f64>,
    /// Frames after which decoding stops.
    pub(crate) stop_after: Option<usize>,
}

impl Pipe {
    /// Starts decoding.
    pub(crate) fn start(program: &str, path: &Path, request: &Request<'_>) -> Result<Self, MediaError> {
        // A name such as "-i.mp4" or "http:x" must not be taken for an option or a protocol.
        let mut input = std::ffi::OsString::from("file:");
        input.push(path);
        let (pixel_format, codec) = match request.format {
            PictureFormat::Gray => ("gray", "pgm"),
            PictureFormat::Rgb => ("rgb24", "ppm"),
        };
        let from = request.from_seconds.map(|seconds| format!("{seconds:.6}"));
        let mut child = Command::new(program)
            .args(["-hide_banner", "-nostdin", "-nostats", "-loglevel", "level+info", "-noautorotate", "-copyts"])
            .args(from.iter().flat_map(|from| ["-seek_timestamp", "1", "-noaccurate_seek", "-ss", from]))
            .args(["-ignore_editlist", "1", "-i"])
            .arg(input)
            .args(["-map", &format!("0:i:{}", request.track_id), "-vf"])
            .arg(format!("{},showinfo=checksum=0", request.choice))
            .args(request.stop_after.iter().flat_map(|count| ["-frames:v".to_owned(), count.to_string()]))
            .args(["-fps_mode", "passthrough", "-pix_fmt", pixel_format, "-f", "image2pipe", "-c:v", codec, "-"])
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .map_err(|source| match source.kind() {
                std::io::ErrorKind::NotFound => MediaError::FfmpegMissing { program: program.to_owned() },
                _ => MediaError::Io { path: path.to_owned(), action: "starting ffmpeg", source },
            })?;
        let (Some(output), Some(errors)) = (child.stdout.take(), child.stderr.take()) else {
            // Both were asked for above.
            return Err(MediaError::FfmpegMissing { program: program.to_owned() });
        };
        let (sender, times) = channel();
        let complaints = std::thread::spawn(move || {
            let mut listener = Listener::default();
            for line in BufReader::new(errors).split(b'\n').map_while(Result::ok) {
                if let Some(seconds) = listener.hear(&String::from_utf8_lossy(&line)) {
                    // Nobody listens any more when the pictures are no longer wanted.
                    let _ = sender.send(seconds);
                }
            }
            listener.kept
        });
        Ok(Self { child, output: BufReader::with_capacity(1 << 20, output), times, complaints: Some(complaints) })
    }

    /// The decoder's process number.
    #[cfg(test)]
    pub(crate) fn id(&self) -> u32 {
        self.child.id()
    }

    /// The next picture; `None` at the end of the stream.
    pub(crate) fn next_picture(&mut self, format: PictureFormat) -> std::io::Result<Option<RawPicture>> {
        let Some(size_px) = read_header(&mut self.output, format)? else { return Ok(None) };
        let mut pixels = vec![0; size_px[0] as usize * size_px[1] as usize * format.channels()];
        self.output.read_exact(&mut pixels)?;
        // The filter tells the time before the picture is encoded, so this waits for no longer than the error output lags.
        let media_seconds = self.times.recv().map_err(|_| foreign("the decoder told no time stamp"))?;
        Ok(Some(RawPicture { size_px, pixels, media_seconds }))
    }

    /// Waits for the decoder to end, throwing away what it still has to say on its output.
    pub(crate) fn end(&mut self) -> Ended {
        let _ = std::io::copy(&mut self.output, &mut std::io::sink());
        let status = self.child.wait();
        let kept = self.complaints.take().and_then(|thread| thread.join().ok()).unwrap_or_default();
        let message = if kept.is_empty() { "nothing".to_owned() } else { Vec::from(kept).join(" | ") };
        match status {
            Ok(status) => Ended { success: status.success(), status: status.to_string(), message },
            Err(e) => Ended { success: false, status: e.to_string(), message },
        }
    }
}

impl Drop for Pipe {
    fn drop(&mut self) {
        // Already ended is as good as killed.
        let _ = self.child.kill();
        let _ = self.child.wait();
        if let Some(thread) = self.complaints.take() {
            let _ = thread.join();
        }
    }
}

/// Understands the decoder's error output line by line.
#[derive(Default)]
struct Listener {
    /// Seconds per unit of the time stamps.
    unit_seconds: Option<f64>,
    kept: VecDeque<String>,
}

impl Listener {
    /// The presentation time that a line tells, if it tells one.
    fn hear(&mut self, line: &str) -> Option<f64> {
        if line.contains("_showinfo_") {
            if let Some(base) = word_after(line, "config in time_base: ") {
                let (numerator, denominator) = base.trim_end_matches(',').split_once('/')?;
                self.unit_seconds = Some(numerator.parse::<f64>().ok()? / denominator.parse::<f64>().ok()?);
                return None;
            }
            return Some(word_after(line, " pts:")?.parse::<f64>().ok()? * self.unit_seconds?);
        }
        if line.contains("[error]") || line.contains("[fatal]") {
            if self.kept.len() == KEPT_LINES {
                self.kept.pop_front();
            }
            self.kept.push_back(line.trim().to_owned());
        }
        None
    }
}

/// The word that follows a marker, spaces between them skipped.
fn word_after<'a>(line: &'a str, marker: &str) -> Option<&'a str> {
    let (_, rest) = line.split_once(marker)?;
    rest.split_whitespace().next()
}

fn foreign(what: &str) -> std::io::Error {
    std::io::Error::new(std::io::ErrorKind::InvalidData, what)
}

/// Reads the header of a binary PGM or PPM picture: magic, width, height, largest value (255), each followed by one white
/// space.
fn read_header(stream: &mut impl BufRead, format: PictureFormat) -> std::io::Result<Option<[u32; 2]>> {
    if stream.fill_buf()?.is_empty() {
        return Ok(None);
    }
    let foreign = || foreign("the decoder sent no PGM or PPM picture");
    let mut word = || -> std::io::Result<String> {
        let mut word = String::new();
        loop {
            let mut byte = [0];
            stream.read_exact(&mut byte)?;
            if byte[0].is_ascii_whitespace() {
                return Ok(word);
            }
            if word.len() > 10 {
                return Err(foreign());
            }
            word.push(char::from(byte[0]));
        }
    };
    let magic = match format {
        PictureFormat::Gray => "P5",
        PictureFormat::Rgb => "P6",
    };
    if word()? != magic {
        return Err(foreign());
    }
    let mut number = || word()?.parse::<u32>().map_err(|_| foreign());
    let (width, height, largest) = (number()?, number()?, number()?);
    if largest != 255 {
        return Err(foreign());
    }
    Ok(Some([width, height]))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn time_stamps_are_read_from_the_decoders_lines() {
        let mut listener = Listener::default();
        assert_eq!(
            listener.hear("[Parsed_showinfo_1 @ 0x1] [info] config in time_base: 1/15360, frame_rate: 30/1"),
            None
        );
        let line = "[Parsed_showinfo_1 @ 0x1] [info] n:   1 pts:  12800 pts_time:0.833333 pos:     4973 fmt:yuv420p";
        assert_eq!(listener.hear(line), Some(12800.0 / 15360.0));
        assert_eq!(listener.hear("[h264 @ 0x2] [error] error while decoding MB 1 2"), None);
        assert_eq!(listener.kept.len(), 1);
    }

    #[test]
    fn a_header_is_read_up_to_its_pixels() {
        let mut stream = BufReader::new(&b"P5\n64 48\n255\nxyz"[..]);
        assert_eq!(read_header(&mut stream, PictureFormat::Gray).unwrap(), Some([64, 48]));
        let mut rest = String::new();
        stream.read_to_string(&mut rest).unwrap();
        assert_eq!(rest, "xyz");
        assert!(read_header(&mut BufReader::new(&b"P6\n64 48\n255\n"[..]), PictureFormat::Gray).is_err());
        assert_eq!(read_header(&mut BufReader::new(&b""[..]), PictureFormat::Gray).unwrap(), None);
    }
}
