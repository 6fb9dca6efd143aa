//! Is the file's time the time in which it was recorded? Slow-motion exports bake their slowness into the time stamps.

use std::path::Path;

use midline_session::footage::Footage;

use crate::MediaError;
use crate::container::{Container, SoundTrackFacts};
use crate::sound;

/// Ratio of two rates from which on they are not the same: phones that slow down in poor light stay below.
const OTHER_RATE: f64 = 1.5;

/// Ratio of the durations of pictures and sound from which on one of them was slowed; a microphone that starts late or
/// stops early stays below.
const OTHER_DURATION: f64 = 1.8;

/// Sound samples in a packet of AAC (ISO/IEC 14496-3): 1024 or 960, twice that with spectral band replication.
const AAC_PACKETS: [f64; 4] = [960.0, 1024.0, 1920.0, 2048.0];

/// Share by which a packet may differ from one without spectral band replication before its sound is looked at.
const SAME_PACKET: f64 = 0.02;

/// An error when pictures or sound were slowed down or sped up after the recording.
///
/// Told by the rate of the sensor where metadata carry it, by sound packets that last longer than their samples, and by
/// sound that lasts much shorter or longer than the pictures. A high frame rate alone is no sign. A ramp that was baked in
/// together with its sound leaves no trace in a container.
pub(crate) fn check(path: &Path, footage: &Footage, container: &Container) -> Result<(), MediaError> {
    let other =
        |evidence: String, otherwise| Err(MediaError::OtherSpeed { path: path.to_owned(), evidence, otherwise });
    if let (Some(taken), Some(shown)) = (container.metadata.capture_rate_hz, footage.frame_rate_hz())
        && let Some(change) = change(taken / shown, OTHER_RATE)
    {
        return other(format!("its metadata say {taken:.1} pictures per second, it shows {shown:.1}: {change}"), "");
    }
    if let Some(stretch) = container.sound.as_ref().and_then(packet_stretch)
        && let Some(change) = change(stretch, OTHER_RATE)
    {
        return other(format!("its sound packets last other times than their samples: at least {change}"), "");
    }
    if let Some(track) = &container.sound
        && packet_samples(track).is_some_and(|n| AAC_PACKETS[..2].iter().all(|p| (n / p - 1.0).abs() > SAME_PACKET))
    {
        sound::check_speed(path, track)?;
    }
    if let (Some(pictures), Some(sound)) = (shown_seconds(footage), footage.sound)
        && let Some(change) = change(pictures / sound.duration_seconds, OTHER_DURATION)
    {
        return other(
            format!("its pictures last {pictures:.2} s, its sound {:.2} s: {change}", sound.duration_seconds),
            "; if only the sound stopped early, drop it: ffmpeg -i IN -c copy -an OUT.mp4",
        );
    }
    Ok(())
}

/// An error when the packets of a sound track last longer or shorter than the sound that came out of them: the same for
/// every codec, once the sound is decoded.
pub(crate) fn check_packets(path: &Path, stated_seconds: f64, decoded_seconds: f64) -> Result<(), MediaError> {
    match change(stated_seconds / decoded_seconds, OTHER_RATE) {
        Some(change) => Err(MediaError::OtherSpeed {
            path: path.to_owned(),
            evidence: format!(
                "its sound packets last {stated_seconds:.2} s, the sound in them {decoded_seconds:.2} s: {change}"
            ),
            otherwise: "",
        }),
        None => Ok(()),
    }
}

/// What a ratio of true to shown speed means, `None` when it is close to 1.
fn change(ratio: f64, limit: f64) -> Option<String> {
    if ratio >= limit {
        Some(format!("slowed down {ratio:.2} times"))
    } else if ratio <= 1.0 / limit {
        Some(format!("sped up {:.2} times", 1.0 / ratio))
    } else {
        None
    }
}

/// Time from the first picture's start to the last one's end.
fn shown_seconds(footage: &Footage) -> Option<f64> {
    Some(footage.duration_seconds()? + footage.typical_spacing_seconds()?)
}

/// Samples that would fill the time of a packet of AAC sound.
fn packet_samples(sound: &SoundTrackFacts) -> Option<f64> {
    if sound.codec != "mp4a" || sound.sample_rate_hz == 0 {
        return None;
    }
    let duration = f64::from(sound.samples.usual_duration()?);
    Some(duration / f64::from(sound.timeline.media_timescale) * f64::from(sound.sample_rate_hz))
}

/// How much longer a packet of AAC sound lasts than its samples; the kind of packet is taken that makes it the least.
fn packet_stretch(sound: &SoundTrackFacts) -> Option<f64> {
    let samples = packet_samples(sound)?;
    AAC_PACKETS.iter().map(|packet| samples / packet).min_by(|a, b| a.ln().abs().total_cmp(&b.ln().abs()))
}
