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

/// Changes boxes of a file in place: of every box that lies where `place` says (names from the top level down), name and
/// content are handed to `change`. Boxes with pictures or sound must come before, because their places stay.
pub(crate) fn change_boxes(path: &Path, place: &[&str], mut change: impl FnMut(&mut [u8; 4], &mut Vec<u8>)) {
    let mut changed = 0;
    let bytes = changed_boxes(&std::fs::read(path).unwrap(), place, &mut |name, content| {
        changed += 1;
        change(name, content);
    });
    assert!(changed > 0, "no box at {place:?}");
    std::fs::write(path, bytes).unwrap();
}

fn changed_boxes(bytes: &[u8], place: &[&str], change: &mut impl FnMut(&mut [u8; 4], &mut Vec<u8>)) -> Vec<u8> {
    let mut rest = bytes;
    let mut out = Vec::new();
    while rest.len() >= 8 {
        let size = u32::from_be_bytes(rest[..4].try_into().unwrap()) as usize;
        let mut name: [u8; 4] = rest[4..8].try_into().unwrap();
        assert!((8..=rest.len()).contains(&size), "box {name:?} of {size} bytes");
        let mut content = rest[8..size].to_vec();
        if name == place[0].as_bytes() {
            match &place[1..] {
                [] => change(&mut name, &mut content),
                inner => content = changed_boxes(&content, inner, change),
            }
        }
        out.extend(boxed(&name, &content));
        rest = &rest[size..];
    }
    out
}

/// A box as bytes.
pub(crate) fn boxed(name: &[u8; 4], content: &[u8]) -> Vec<u8> {
    [&u32::try_from(content.len() + 8).unwrap().to_be_bytes(), name.as_slice(), content].concat()
}

/// The content of a box `elst` of version 1; -1 as media time makes an empty edit.
pub(crate) fn edit_list(edits: &[(u64, i64, u16)]) -> Vec<u8> {
    let mut content = vec![1, 0, 0, 0];
    content.extend(u32::try_from(edits.len()).unwrap().to_be_bytes());
    for (duration, media_time, rate) in edits {
        content.extend(duration.to_be_bytes());
        content.extend(media_time.to_be_bytes());
        content.extend([rate.to_be_bytes(), [0, 0]].concat());
    }
    content
}

/// Presentation times of the frames that ffprobe decodes, in seconds, exact to the stream's time base.
pub(crate) fn probed_times(path: &Path, stream: &str) -> Vec<f64> {
    let text = probe(path, &["-select_streams", stream, "-show_entries", "stream=time_base:frame=pts", "-show_frames"]);
    let (numerator, denominator) = field(&text, "time_base").next().unwrap().split_once('/').unwrap();
    let unit = numerator.parse::<f64>().unwrap() / denominator.parse::<f64>().unwrap();
    field(&text, "pts").map(|pts| pts.parse::<f64>().unwrap() * unit).collect()
}

pub(crate) fn probe(path: &Path, arguments: &[&str]) -> String {
    let output = Command::new("ffprobe").args(["-v", "error"]).args(arguments).arg(path).output().unwrap();
    String::from_utf8(output.stdout).unwrap()
}

/// The values of a field in what ffprobe prints.
pub(crate) fn field<'a>(text: &'a str, name: &'a str) -> impl Iterator<Item = &'a str> {
    text.lines().filter_map(move |line| line.trim().split_once('=').filter(|(key, _)| *key == name).map(|(_, v)| v))
}
