//! Putting two ten-minute sound tracks on one clock, against reading them: the `ffmpeg` command decoding both from AAC.
//!
//! Ours starts from decoded samples. The aim is stated in seconds on two cores; the ratio tells how it stands on any machine.

use std::error::Error;
use std::path::Path;
use std::process::{Command, Stdio};

use midline_benches::timing::compare;
use midline_clock::{CameraSound, from_sound};
use midline_session::footage::SoundTrack;
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};

type Outcome<T> = Result<T, Box<dyn Error>>;

const RATE_HZ: f64 = 48_000.0;
const SECONDS: f64 = 600.0;
/// What the alignment may take, seconds.
const AIM_SECONDS: f64 = 10.0;
/// Offset of the second track, seconds.
const OFFSET_SECONDS: f64 = 3.217;

fn main() -> Outcome<()> {
    let folder = tempfile::tempdir()?;
    let tracks = [heard(1, 0.0), heard(2, OFFSET_SECONDS)];
    let files = [folder.path().join("first.m4a"), folder.path().join("second.m4a")];
    for (track, file) in tracks.iter().zip(&files) {
        encode(track, file)?;
    }
    let sounds: Vec<CameraSound> =
        tracks.iter().zip(["first", "second"]).map(|(track, camera)| CameraSound { camera, track }).collect();
    let ours = || -> Outcome<f64> { Ok(from_sound(&sounds)?.cameras[1].session_seconds(300.0) - 300.0) };
    let peer = || -> Outcome<f64> {
        for file in &files {
            decode(file)?;
        }
        Ok(0.0)
    };
    let found = compare(3, ours, peer)?;
    let error = ours()? - OFFSET_SECONDS;
    if error.abs() > 1e-3 {
        return Err(format!("the offset is {error} s off").into());
    }
    let seconds = found.ours.as_secs_f64();
    println!(
        "sound of 2 × {SECONDS:.0} s at 48 kHz on one clock: {seconds:.2} s (error {:.4} ms); decoding both with ffmpeg takes {:.2} s, {:.2} times as \
         long (turns {:.2} to {:.2}, median of {}); aim at most {AIM_SECONDS} s: {}",
        error * 1e3,
        found.peer.as_secs_f64(),
        found.ratio(),
        found.spread[0],
        found.spread[1],
        found.turns,
        if seconds <= AIM_SECONDS { "reached" } else { "missed" }
    );
    Ok(())
}

/// Strokes at uneven pauses, hiss that dies away, over the listener's own noise.
fn heard(listener: u64, offset_seconds: f64) -> SoundTrack {
    let (mut own, mut common) = (StdRng::seed_from_u64(listener), StdRng::seed_from_u64(77));
    let mut samples: Vec<f32> = (0..(SECONDS * RATE_HZ) as usize).map(|_| own.random_range(-0.01..0.01)).collect();
    let mut at = 1.0;
    while at < SECONDS {
        let start = ((at - offset_seconds) * RATE_HZ) as isize;
        for n in 0..3000_isize {
            let hiss: f32 = common.random_range(-0.5..0.5);
            if let Some(sample) = usize::try_from(start + n).ok().and_then(|k| samples.get_mut(k)) {
                *sample += hiss * (-n as f32 / 300.0).exp();
            }
        }
        at += common.random_range(1.0..3.0);
    }
    SoundTrack { sample_rate_hz: RATE_HZ, start_pts_seconds: 0.0, samples }
}

fn encode(track: &SoundTrack, file: &Path) -> Outcome<()> {
    use std::io::Write;
    let mut encoder = Command::new("ffmpeg")
        .args(["-v", "error", "-y", "-f", "f32le", "-ar", "48000", "-ac", "1", "-i", "-", "-c:a", "aac"])
        .arg(file)
        .stdin(Stdio::piped())
        .spawn()?;
    let bytes: Vec<u8> = track.samples.iter().flat_map(|s| s.to_le_bytes()).collect();
    encoder.stdin.take().ok_or("no input")?.write_all(&bytes)?;
    if encoder.wait()?.success() { Ok(()) } else { Err("ffmpeg could not encode the sound".into()) }
}

fn decode(file: &Path) -> Outcome<()> {
    let mut decoder = Command::new("ffmpeg")
        .args(["-v", "error", "-nostdin", "-i"])
        .arg(file)
        .args(["-f", "f32le", "-"])
        .stdout(Stdio::piped())
        .spawn()?;
    let mut output = decoder.stdout.take().ok_or("no output")?;
    std::io::copy(&mut output, &mut std::io::sink())?;
    if decoder.wait()?.success() { Ok(()) } else { Err("ffmpeg could not decode the sound".into()) }
}
