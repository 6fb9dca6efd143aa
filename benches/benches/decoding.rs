//! Our stream of grey pictures against the `ffmpeg` command itself, decoding the same file to raw grey.
//!
//! Both read every byte of every picture from a pipe and throw it away. Ours also knows each picture's time stamp and
//! holds it against the container; the peer's stream says nothing of time.

use std::error::Error;
use std::path::Path;
use std::process::{Command, Stdio};

use midline_benches::timing::compare;
use midline_media::{PictureFormat, inspect, pictures};

type Outcome<T> = Result<T, Box<dyn Error>>;

const SIZE: usize = 1920 * 1080;

/// The most that ours may take of the peer's time.
const AIM: f64 = 1.2;

fn main() -> Outcome<()> {
    let folder = tempfile::tempdir()?;
    let path = folder.path().join("clip.mp4");
    let made = Command::new("ffmpeg")
        .args(["-v", "error", "-nostdin", "-f", "lavfi", "-i", "testsrc2=s=1920x1080:r=60:d=4,noise=alls=8:allf=t"])
        .args(["-pix_fmt", "yuv420p", "-c:v", "libx264", "-preset", "veryfast", "-bf", "2"])
        .arg(&path)
        .status()?;
    if !made.success() {
        return Err("ffmpeg could not make the clip".into());
    }
    let megabits = std::fs::metadata(&path)?.len() as f64 * 8e-6 / 4.0;
    let footage = inspect(&path)?;
    let frames = footage.frame_pts_seconds.len();
    let ours = || -> Outcome<u64> {
        let mut bytes = 0;
        for picture in pictures(&path, &footage, PictureFormat::Gray, 1)? {
            bytes += picture?.pixels.len() as u64;
        }
        Ok(bytes)
    };
    let peer = || plain(&path);
    let found = compare(5, ours, peer)?;
    let expected = (frames * SIZE) as u64;
    if ours()? != expected || peer()? != expected {
        return Err(format!("the two ways did not both decode {frames} pictures").into());
    }
    let ratio = 1.0 / found.ratio();
    println!(
        "{frames} pictures of 1080p H.264 ({megabits:.0} Mbit/s) to grey: ours {:.0} ms, ffmpeg {:.0} ms, {ratio:.2} times \
         its time (turns {:.2} to {:.2}, median of {}); aim at most {AIM} times: {}",
        found.ours.as_secs_f64() * 1e3,
        found.peer.as_secs_f64() * 1e3,
        1.0 / found.spread[1],
        1.0 / found.spread[0],
        found.turns,
        if ratio <= AIM { "reached" } else { "missed" }
    );
    Ok(())
}

/// Bytes of raw grey that the command itself delivers.
fn plain(path: &Path) -> Outcome<u64> {
    let mut decoder = Command::new("ffmpeg")
        .args(["-v", "error", "-nostdin", "-i"])
        .arg(path)
        .args(["-map", "0:v:0", "-fps_mode", "passthrough", "-pix_fmt", "gray", "-f", "rawvideo", "-"])
        .stdout(Stdio::piped())
        .spawn()?;
    let mut output = decoder.stdout.take().ok_or("no output")?;
    let bytes = std::io::copy(&mut output, &mut std::io::sink())?;
    if !decoder.wait()?.success() {
        return Err("ffmpeg failed".into());
    }
    Ok(bytes)
}
