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
    can_start(FFMPEG)
}

/// The encoder's command.
const FFMPEG: &str = "ffmpeg";

fn can_start(command: &str) -> Result<(), SynthError> {
    Command::new(command)
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
        let mut child = Command::new(FFMPEG)
            .args([
                "-hide_banner",
                "-loglevel",
                "error",
                "-y",
                "-noautorotate",
                "-probesize",
                "32",
                "-analyzeduration",
                "0",
            ])
            .args(["-f", "matroska", "-i", "pipe:0", "-i"])
            .arg(sound)
            .args(["-map", "0:v:0", "-map", "1:a:0", "-fps_mode", "passthrough", "-enc_time_base", "1:90000"])
            .args(["-c:v", "libx264", "-preset", "superfast", "-crf", "20", "-bf", "0", "-g", "120", "-threads", "1"])
            .args(["-pix_fmt", "yuv420p", "-color_range", "tv", "-colorspace", "bt709", "-color_primaries", "bt709"])
            .args(["-color_trc", "bt709", "-c:a", "aac", "-b:a", "96k", "-video_track_timescale", "90000"])
            // The stream's header would take the encoder's time base for its frame rate, which some players believe.
            .args(["-bsf:v", &format!("h264_metadata=tick_rate={:.0}", 2.0 * form.frames_per_second)])
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::phone::TICKS_PER_SECOND;
    use crate::sound::wav;

    /// What `ffprobe` prints for the given entries, one line each.
    fn probed(path: &Path, arguments: &[&str]) -> Vec<String> {
        let output = Command::new("ffprobe").args(["-v", "error"]).args(arguments).arg(path).output().unwrap();
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        String::from_utf8(output.stdout).unwrap().lines().map(|l| l.trim_matches(',').to_owned()).collect()
    }

    #[test]
    fn time_stamps_and_rotation_arrive_in_the_file() {
        // The reference is ffprobe, which reads the finished container.
        let folder = tempfile::tempdir().unwrap();
        let sound = folder.path().join("clip.wav");
        std::fs::write(&sound, wav(&vec![0.0; 48_000])).unwrap();
        let ticks: Vec<u64> = (0..100).map(|i| i * 750 + (i * 37) % 41 + if i > 60 { 750 } else { 0 }).collect();
        let planes = vec![100; (STORED_SIZE_PX[0] * STORED_SIZE_PX[1] * 3 / 2) as usize];
        for quarter_turns_clockwise in [0, 1] {
            let path = folder.path().join(format!("clip{quarter_turns_clockwise}.mp4"));
            let form = ClipForm { frames_per_second: 120.0, quarter_turns_clockwise };
            let mut encoder = Encoder::start(&path, &sound, form).unwrap();
            for tick in &ticks {
                encoder.push(*tick, &planes).unwrap();
            }
            encoder.finish().unwrap();
            let found = probed(&path, &["-select_streams", "v", "-show_entries", "packet=pts", "-of", "csv=p=0"]);
            let found: Vec<u64> = found.iter().filter(|l| !l.is_empty()).map(|l| l.parse().unwrap()).collect();
            assert_eq!(found, ticks);
            let base = probed(&path, &["-select_streams", "v", "-show_entries", "stream=time_base", "-of", "csv=p=0"]);
            assert_eq!(base[0], format!("1/{TICKS_PER_SECOND}"));
            let rotation = probed(
                &path,
                &["-select_streams", "v", "-show_entries", "stream_side_data=rotation", "-of", "csv=p=0"],
            );
            // Counter-clockwise degrees: -90 is a clockwise quarter turn.
            assert_eq!(rotation.concat().contains("-90"), quarter_turns_clockwise == 1, "{rotation:?}");
        }
    }

    #[test]
    fn sound_keeps_its_place_against_the_pictures() {
        // The reference is ffmpeg's own decoder, which applies the file's edit list and the encoder's priming.
        let folder = tempfile::tempdir().unwrap();
        let (sound, path) = (folder.path().join("clip.wav"), folder.path().join("clip.mp4"));
        let mut samples = vec![0.0; 48_000];
        for (i, sample) in samples[24_000..24_200].iter_mut().enumerate() {
            *sample = 0.8 * (-(i as f32) / 40.0).exp() * (i as f32 * 0.4).sin();
        }
        std::fs::write(&sound, wav(&samples)).unwrap();
        let form = ClipForm { frames_per_second: 30.0, quarter_turns_clockwise: 0 };
        let mut encoder = Encoder::start(&path, &sound, form).unwrap();
        let planes = vec![100; (STORED_SIZE_PX[0] * STORED_SIZE_PX[1] * 3 / 2) as usize];
        (0..30).try_for_each(|i| encoder.push(i * 3000, &planes)).and_then(|()| encoder.finish()).unwrap();
        let decoded = Command::new(FFMPEG)
            .args(["-v", "error", "-i"])
            .arg(&path)
            .args(["-map", "0:a", "-f", "f32le", "-"])
            .output()
            .unwrap()
            .stdout;
        let heard: Vec<f32> = decoded.chunks_exact(4).map(|b| f32::from_le_bytes([b[0], b[1], b[2], b[3]])).collect();
        let lag = |lag: i32| -> f32 { (23_900..24_300).map(|i| samples[i as usize] * heard[(i + lag) as usize]).sum() };
        let best = (-200..200).max_by(|a, b| lag(*a).total_cmp(&lag(*b))).unwrap();
        assert!(best.abs() <= 1, "{best} samples");
    }

    #[test]
    fn a_refusal_says_what_ffmpeg_said() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("clip.mp4");
        let form = ClipForm { frames_per_second: 30.0, quarter_turns_clockwise: 0 };
        let mut encoder = Encoder::start(&path, &folder.path().join("missing.wav"), form).unwrap();
        let planes = vec![100; (STORED_SIZE_PX[0] * STORED_SIZE_PX[1] * 3 / 2) as usize];
        let outcome = (0..20).try_for_each(|tick| encoder.push(tick, &planes)).and_then(|()| encoder.finish());
        let message = outcome.unwrap_err().to_string();
        assert!(message.contains("clip.mp4") && message.contains("missing.wav"), "{message}");
    }

    #[test]
    fn a_missing_encoder_is_named_with_what_to_do() {
        let message = can_start("midline-no-such-command").unwrap_err().to_string();
        assert!(message.contains("install ffmpeg"), "{message}");
    }
}
