//! Footage files for tests, made by ffmpeg, and what ffprobe says of them.

use std::path::{Path, PathBuf};
use std::process::Command;

/// A temporary folder for one test's files.
pub(crate) struct Fixtures {
    folder: tempfile::TempDir,
}

impl Fixtures {
    pub(crate) fn new() -> Self {
        Self { folder: tempfile::tempdir().unwrap() }
    }

    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// Runs ffmpeg with the given arguments, separated by spaces, and an output file; `{name}` stands for a file of the
    /// folder.
    pub(crate) fn make(&self, name: &str, arguments: &str) -> PathBuf {
        let path = self.path(name);
        let folder = self.folder.path().to_str().unwrap();
        let arguments = arguments.split_whitespace().map(|a| a.replace('{', &format!("{folder}/")).replace('}', ""));
        let output = Command::new("ffmpeg")
            .args(["-hide_banner", "-nostdin", "-loglevel", "error", "-y"])
            .args(arguments)
            .arg(&path)
            .output()
            .unwrap();
        assert!(output.status.success(), "ffmpeg: {}", String::from_utf8_lossy(&output.stderr));
        path
    }

    /// 64 × 48 pixels, H.264, without sound.
    pub(crate) fn clip(&self, name: &str, rate: u32, seconds: f64, options: &str) -> PathBuf {
        self.make(
            name,
            &format!("-f lavfi -i testsrc=s=64x48:r={rate}:d={seconds} -pix_fmt yuv420p -c:v libx264 {options}"),
        )
    }
}

/// Presentation times of the frames that ffprobe decodes, in seconds, exact to the stream's time base.
pub(crate) fn probed_times(path: &Path) -> Vec<f64> {
    let text = probe(path, &["-select_streams", "v:0", "-show_entries", "stream=time_base:frame=pts", "-show_frames"]);
    let (numerator, denominator) = field(&text, "time_base").next().unwrap().split_once('/').unwrap();
    let unit = numerator.parse::<f64>().unwrap() / denominator.parse::<f64>().unwrap();
    field(&text, "pts").map(|pts| pts.parse::<f64>().unwrap() * unit).collect()
}

pub(crate) fn probe(path: &Path, arguments: &[&str]) -> String {
    let output = Command::new("ffprobe").args(["-v", "error"]).args(arguments).arg(path).output().unwrap();
    String::from_utf8(output.stdout).unwrap()
}

fn field<'a>(text: &'a str, name: &'a str) -> impl Iterator<Item = &'a str> {
    text.lines().filter_map(move |line| line.trim().split_once('=').filter(|(key, _)| *key == name).map(|(_, v)| v))
}
