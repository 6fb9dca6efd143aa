//! One clip through the installed `ffmpeg` command: H.264 and AAC in MP4, time stamps as given.

use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, Command, Stdio};

use crate::SynthError;
use crate::matroska;
use crate::phone::STORED_SIZE_PX;

/// What a clip is encoded with.
#[derive(Debug, Clone, Copy)]
pub(crate) struct ClipForm {
    pub(crate) frames_per_second: f64,
    pub(crate) quarter_turns_clockwise: u8,
}

/// A running encoder.
pub(crate) struct Encoder {
    path: PathBuf,
    log: PathBuf,
    child: Child,
    /// Closing it tells the encoder that the clip is over.
    pictures: Option<BufWriter<ChildStdin>>,
}

/// Checks that the encoder is there.
///
/// # Errors
/// [`SynthError::NoFfmpeg`] when it cannot be started.
pub(crate) fn check() -> Result<(), SynthError> {
    Command::new("ffmpeg")
        .args(["-hide_banner", "-version"])
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .status()
        .map(drop)
        .map_err(|source| SynthError::NoFfmpeg { source })
}

impl Encoder {
    /// Starts a clip at `path` with the sound of a WAV file.
    ///
    /// # Errors
    /// When the encoder cannot be started.
    pub(crate) fn start(path: &Path, sound: &Path, form: ClipForm) -> Result<Self, SynthError> {
        let log = path.with_extension("log");
        let said = File::create(&log).map_err(SynthError::io(&log, "making the encoder's log"))?;
        let mut child = Command::new("ffmpeg")
            .args(["-hide_banner", "-loglevel", "error", "-y", "-noautorotate", "-probesize", "32", "-analyzeduration", "0"])
            .args(["-f", "matroska", "-i", "pipe:0", "-i"])
            .arg(sound)
            .args(["-map", "0:v:0", "-map", "1:a:0", "-fps_mode", "passthrough", "-enc_time_base", "1:90000"])
            .args(["-c:v", "libx264", "-preset", "superfast", "-crf", "20", "-bf", "0", "-g", "120", "-threads", "1"])
            .args(["-pix_fmt", "yuv420p", "-color_range", "tv", "-colorspace", "bt709", "-color_primaries", "bt709"])
            .args(["-color_trc", "bt709", "-c:a", "aac", "-b:a", "96k", "-video_track_timescale", "90000"])
            // No time of writing and no version: the same demo gives the same files.
            .args(["-fflags", "+bitexact", "-flags:v", "+bitexact", "-flags:a", "+bitexact", "-f", "mp4"])
            .arg(path)
            .stdin(Stdio::piped())
            .stdout(Stdio::null())
            .stderr(said)
            .spawn()
            .map_err(|source| SynthError::NoFfmpeg { source })?;
        let mut pictures = child.stdin.take().map(|stdin| BufWriter::with_capacity(1 << 21, stdin));
        if let Some(out) = &mut pictures {
            // A refusal shows in the encoder's exit status, with its reason in the log.
            let _ = matroska::write_head(out, STORED_SIZE_PX, form.frames_per_second, form.quarter_turns_clockwise);
        }
        Ok(Self { path: path.to_owned(), log, child, pictures })
    }

    /// Hands over one picture with its time stamp in ticks of 1/90000 s.
    ///
    /// # Errors
    /// When the encoder gave up.
    pub(crate) fn push(&mut self, tick: u64, planes: &[u8]) -> Result<(), SynthError> {
        let written = self.pictures.as_mut().is_some_and(|out| matroska::write_frame(out, tick, planes).is_ok());
        if written { Ok(()) } else { Err(self.failure()) }
    }

    /// Ends the clip.
    ///
    /// # Errors
    /// When the encoder failed, with what it said.
    pub(crate) fn finish(mut self) -> Result<(), SynthError> {
        let flushed = self.pictures.take().is_some_and(|mut out| out.flush().is_ok());
        let ended = self.child.wait().is_ok_and(|status| status.success());
        if !(flushed && ended) {
            return Err(self.failure());
        }
        std::fs::remove_file(&self.log).map_err(SynthError::io(&self.log, "removing the encoder's log"))
    }

    fn failure(&mut self) -> SynthError {
        self.pictures = None;
        // The process is at its end: its output is closed or its input is.
        let _ = self.child.wait();
        let said = std::fs::read_to_string(&self.log).unwrap_or_default();
        let lines: Vec<&str> = said.lines().filter(|line| !line.trim().is_empty()).collect();
        let message = lines[lines.len().saturating_sub(4)..].join("; ");
        let message = if message.is_empty() { "it stopped without saying why".to_owned() } else { message };
        SynthError::Encoding { path: self.path.clone(), message }
    }
}

impl Drop for Encoder {
    /// An encoder that was not finished must not keep running.
    fn drop(&mut self) {
        if self.pictures.is_some() {
            self.pictures = None;
            let _ = self.child.kill();
            let _ = self.child.wait();
        }
    }
}
