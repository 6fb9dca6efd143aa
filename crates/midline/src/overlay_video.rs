//! A video of one camera with what was measured drawn in: real speed, and slow motion about contact.

use std::fs::File;
use std::io::Write;
use std::path::Path;
use std::process::{Command, Stdio};

use anyhow::Context;
use midline_media::PictureFormat;
use midline_report::{FrameOverlay, draw_overlay};
use midline_session::calibration::CalibratedCamera;
use midline_session::description::Session;
use midline_session::footage::Footage;
use midline_session::strokes::{EventKind, Stroke, Strokes};
use midline_session::tracks::Tracks;

use crate::pictures::{frame_pts, player_seconds, skeleton, tip_path};
use crate::progress;
use crate::stages::NotMeasurable;

/// Pictures per second of the video.
const PER_SECOND: f64 = 30.0;
/// Shown before the take-back starts (or before contact, where that was not found) and after contact, seconds.
const BEFORE_TAKE_BACK: f64 = 0.3;
const BEFORE_CONTACT: f64 = 1.2;
const AFTER_CONTACT: f64 = 0.6;
/// Slow motion: from this time to that one to contact, at this part of real speed.
const SLOW_SECONDS: [f64; 2] = [-0.25, 0.15];
const SLOW: f64 = 0.125;
/// The trail behind the racket tip, seconds.
const TRAIL_SECONDS: f64 = 0.6;
/// What the decoded frames of one piece may take, bytes.
const PIECE_BYTES: usize = 200_000_000;
/// No larger than what a phone shows.
const SCALE: &str = "scale='min(1280,iw)':'min(1280,ih)':force_original_aspect_ratio=decrease:force_divisible_by=2";

/// One picture of the video: the frame of the footage, and the stroke that it belongs to.
struct Shown<'a> {
    frame: usize,
    stroke: &'a Stroke,
    contact: f64,
    slow: bool,
}

/// Writes the video to `path`: beside it first, then renamed.
pub(crate) fn write(
    path: &Path,
    session: &Session,
    camera: &CalibratedCamera,
    footage: &[(String, Footage)],
    tracks: &Tracks,
    strokes: &Strokes,
) -> anyhow::Result<()> {
    let description = session.description.cameras.iter().find(|c| c.name == camera.name);
    let footage = footage.iter().find(|(name, _)| *name == camera.name);
    let (Some(description), Some((_, footage))) = (description, footage) else {
        anyhow::bail!("camera \"{}\" has no footage", camera.name);
    };
    let shown: Vec<Shown> = strokes.strokes.iter().flat_map(|s| shown_of(s, camera, footage, tracks)).collect();
    if shown.is_empty() {
        return Err(NotMeasurable(format!(
            "there is no stroke with a contact in the footage of camera \"{}\", so its overlay video has nothing to show",
            camera.name
        ))
        .into());
    }
    let bar = progress::bar(shown.len(), &format!("overlay video of {}", camera.name));
    let [width, height] = footage.size_px;
    let temporary = path.with_extension("part.mp4");
    let log = path.with_extension("log");
    let mut encoder = Command::new("ffmpeg")
        .args(["-hide_banner", "-loglevel", "error", "-y", "-f", "rawvideo", "-pix_fmt", "rgb24"])
        .args(["-s", &format!("{width}x{height}"), "-r", &PER_SECOND.to_string(), "-i", "-", "-vf", SCALE])
        .args([
            "-c:v",
            "libx264",
            "-preset",
            "veryfast",
            "-crf",
            "21",
            "-pix_fmt",
            "yuv420p",
            "-movflags",
            "+faststart",
        ])
        .arg(&temporary)
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .stderr(File::create(&log).with_context(|| format!("{}: making the encoder's log", log.display()))?)
        .spawn()
        .context("starting ffmpeg for the overlay video; install it (Debian: ffmpeg)")?;
    let mut pictures = encoder.stdin.take().context("ffmpeg takes no pictures")?;
    let frame_bytes = PictureFormat::Rgb.channels() * width as usize * height as usize;
    let file = session.path(&description.footage);
    let mut feed = || -> anyhow::Result<()> {
        for piece in shown.chunks((PIECE_BYTES / frame_bytes.max(1)).max(1)) {
            let mut frames: Vec<usize> = piece.iter().map(|s| s.frame).collect();
            frames.sort_unstable();
            frames.dedup();
            let decoded = midline_media::pictures_at(&file, footage, PictureFormat::Rgb, &frames)?;
            for shown in piece {
                let Some(picture) = decoded.iter().find(|p| p.frame_index == shown.frame) else { continue };
                let seen = player_seconds(camera, tracks, picture.pts_seconds);
                let mut rgb = picture.pixels.clone();
                draw_overlay(&overlay(camera, tracks, shown, seen), picture.size_px, &mut rgb);
                pictures.write_all(&rgb).context("handing ffmpeg a picture")?;
                bar.inc(1);
            }
        }
        Ok(())
    };
    // Whatever became of the pictures, the encoder is waited for and leaves nothing behind.
    let fed = feed();
    drop(pictures);
    let ended = encoder.wait().context("waiting for ffmpeg")?;
    let said = std::fs::read_to_string(&log).unwrap_or_default();
    // Only its text mattered.
    let _ = std::fs::remove_file(&log);
    if fed.is_err() || !ended.success() {
        let _ = std::fs::remove_file(&temporary);
    }
    // When the encoder gave up, what it says tells more than the pipe that it closed.
    anyhow::ensure!(ended.success(), "{}: ffmpeg made no video ({ended}): {}", path.display(), said.trim());
    fed?;
    std::fs::rename(&temporary, path).with_context(|| format!("{}: renaming the video into place", path.display()))?;
    bar.finish_and_clear();
    Ok(())
}

/// The pictures of one stroke, in the order of the video.
fn shown_of<'a>(stroke: &'a Stroke, camera: &CalibratedCamera, footage: &Footage, tracks: &Tracks) -> Vec<Shown<'a>> {
    let Some(contact) = stroke.event(EventKind::Contact).map(|e| e.session_seconds) else { return Vec::new() };
    let start = stroke.event(EventKind::TakeBackStart);
    let start = start.map_or(contact - BEFORE_CONTACT, |e| e.session_seconds - BEFORE_TAKE_BACK);
    let mut all = Vec::new();
    let mut seconds = start;
    while seconds <= contact + AFTER_CONTACT {
        let slow = (SLOW_SECONDS[0]..SLOW_SECONDS[1]).contains(&(seconds - contact));
        if let Some(frame) = footage.nearest_frame(frame_pts(camera, tracks, seconds)) {
            all.push(Shown { frame, stroke, contact, slow });
        }
        seconds += if slow { SLOW } else { 1.0 } / PER_SECOND;
    }
    all
}

fn overlay(camera: &CalibratedCamera, tracks: &Tracks, shown: &Shown<'_>, seen: f64) -> FrameOverlay {
    let milliseconds = ((seen - shown.contact) * 1e3).round();
    let speed = if shown.slow { "  speed 1/8" } else { "" };
    FrameOverlay {
        skeleton_px: skeleton(camera, tracks, seen),
        trail_px: tip_path(camera, tracks, seen - TRAIL_SECONDS, seen),
        label: format!("stroke {}  {milliseconds:+} ms{speed}", shown.stroke.number),
        marked: milliseconds.abs() < 1e3 * SLOW / PER_SECOND + 2.0,
    }
}
