//! Moments of impact on the session clock, from the sounds of all cameras.

use midline_session::calibration::{CalibratedCamera, ClockSource};
use midline_session::keypoints::{BALL, COCO_17};
use midline_session::tracks::Tracks;
use nalgebra::Point3;

use crate::Onset;
use crate::level::median;
use crate::sound::LATENCY_SD_SECONDS;

/// One impact that was heard.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Impact {
    /// When the sound was made, on the session clock, seconds.
    pub session_seconds: f64,
    /// Its standard deviation in seconds: latency of the phones, clock, place of the source, attack.
    pub sd_seconds: f64,
    /// Cameras that heard it.
    pub cameras: usize,
}

/// How far sounds of several cameras may lie apart to be one, seconds.
const SAME_SECONDS: f64 = 0.008;
/// How far a camera's sounds may lie from another's as a whole (latency, three standard deviations of two phones).
const LATENCY_RANGE_SECONDS: f64 = 0.045;
/// Sounds that two cameras must share before their common shift is taken out.
const LEAST_SHARED: usize = 3;
/// Standard deviation of an attack's time, seconds (measured on made-up sound, see the tests of the onsets).
const ATTACK_SD_SECONDS: f64 = 0.000_5;
/// Standard deviation of the distance to the source when it is the tracked ball, and when it is guessed from the player's
/// body (an arm and a racket long), metres.
const BALL_SD_M: f64 = 0.1;
const BODY_SD_M: f64 = 1.0;
/// A ball seen within this time of the sound is the source, seconds; meanwhile it may have gone at this speed, m/s.
const BALL_SEEN_SECONDS: f64 = 0.05;
const BALL_SPEED_M_S: f64 = 30.0;

/// The impacts that the cameras heard, in order of time: each onset is put on the session clock, the travel time of the
/// sound is taken off, and onsets of several cameras within 8 ms become one.
///
/// `onsets` holds one list per camera, in the order of `cameras`. The source is the ball where `tracks` has it, else the
/// middle of the player's body points at the nearest instant; without any point no travel time is taken off and the
/// uncertainty says so. Speed of sound `331.3 √(1 + T / 273.15)` m/s in dry air of `air_celsius` (ideal gas; 331.3 m/s at
/// 0 °C is the handbook value).
///
/// Two phones of different latency hear everything with one shift between them; from three common sounds on, that shift is
/// taken out for recognising common sounds, never from the result.
#[must_use]
pub fn impacts(onsets: &[Vec<Onset>], cameras: &[CalibratedCamera], tracks: &Tracks, air_celsius: f64) -> Vec<Impact> {
    let speed = crate::speed_of_sound_m_s(air_celsius);
    let source = Source::new(tracks);
    let heard: Vec<Vec<Heard>> = onsets
        .iter()
        .zip(cameras)
        .enumerate()
        .map(|(index, (onsets, camera))| {
            let mut heard: Vec<Heard> =
                onsets.iter().map(|onset| Heard::new(index, onset, camera, &source, speed)).collect();
            heard.sort_by(|a, b| a.seconds.total_cmp(&b.seconds));
            heard
        })
        .collect();
    let shifts: Vec<f64> = heard
        .iter()
        .map(|own| heard.first().and_then(|reference| common_shift(reference, own)).unwrap_or(0.0))
        .collect();
    let mut all: Vec<(f64, Heard)> = heard
        .into_iter()
        .zip(shifts)
        .flat_map(|(own, shift)| own.into_iter().map(move |h| (h.seconds - shift, h)))
        .collect();
    all.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.camera.cmp(&b.1.camera)));
    let mut groups: Vec<Vec<(f64, Heard)>> = Vec::new();
    for item in all {
        match groups.last_mut() {
            Some(group)
                if item.0 - group[0].0 <= SAME_SECONDS && group.iter().all(|(_, h)| h.camera != item.1.camera) =>
            {
                group.push(item);
            }
            _ => groups.push(vec![item]),
        }
    }
    let mut merged: Vec<Impact> = groups.iter().map(|group| merge(group)).collect();
    merged.sort_by(|a, b| a.session_seconds.total_cmp(&b.session_seconds));
    merged
}

/// One onset on the session clock.
#[derive(Debug, Clone, Copy)]
struct Heard {
    camera: usize,
    /// When it was made, by this camera.
    seconds: f64,
    variance: f64,
    /// Whether the camera's clock rests on the reference's sound, so that it repeats the reference's latency.
    repeats_reference: bool,
}

impl Heard {
    fn new(camera: usize, onset: &Onset, calibrated: &CalibratedCamera, source: &Source, speed: f64) -> Self {
        let heard_at = calibrated.clock.session_seconds(onset.pts_seconds);
        let ear = calibrated.camera.centre_world();
        let mut made_at = heard_at;
        let mut source_sd = None;
        // The ball moves little while its sound travels: two passes settle to microseconds.
        for _ in 0..3 {
            let Some((place, sd_m)) = source.at(made_at) else { break };
            made_at = heard_at - (place - ear).norm() / speed;
            source_sd = Some(sd_m / speed);
        }
        // Without a place the sound may come from anywhere on a court's length (24 m): a uniform 70 ms has this deviation.
        let source_sd = source_sd.unwrap_or(0.020);
        Self {
            camera,
            seconds: made_at,
            variance: LATENCY_SD_SECONDS.powi(2)
                + ATTACK_SD_SECONDS.powi(2)
                + source_sd.powi(2)
                + calibrated.clock.sd_seconds(onset.pts_seconds).powi(2),
            repeats_reference: calibrated.clock.source == ClockSource::Sound,
        }
    }
}

/// The median difference between two cameras' common sounds; `None` when they share too few.
fn common_shift(reference: &[Heard], own: &[Heard]) -> Option<f64> {
    let differences: Vec<f64> = own
        .iter()
        .filter_map(|o| {
            let nearest = reference.iter().map(|r| o.seconds - r.seconds).min_by(|a, b| a.abs().total_cmp(&b.abs()))?;
            (nearest.abs() <= LATENCY_RANGE_SECONDS).then_some(nearest)
        })
        .collect();
    (differences.len() >= LEAST_SHARED).then(|| median(&differences))
}

/// The mean of a group, weighted by variance. A camera whose clock comes from sound repeats the latency of the reference
/// and says nothing of its own unless it alone heard the sound.
fn merge(group: &[(f64, Heard)]) -> Impact {
    let own: Vec<&Heard> = group.iter().map(|(_, h)| h).filter(|h| !h.repeats_reference).collect();
    let counted: Vec<&Heard> = if own.is_empty() { group.first().map(|(_, h)| h).into_iter().collect() } else { own };
    let total: f64 = counted.iter().map(|h| 1.0 / h.variance).sum();
    Impact {
        session_seconds: counted.iter().map(|h| h.seconds / h.variance).sum::<f64>() / total,
        sd_seconds: (1.0 / total).sqrt(),
        cameras: group.len(),
    }
}

/// Where sounds come from over time.
struct Source {
    ball: Vec<(f64, Point3<f64>)>,
    body: Vec<(f64, Point3<f64>)>,
}

impl Source {
    fn new(tracks: &Tracks) -> Self {
        let columns = |names: &[&str]| -> Vec<usize> { names.iter().filter_map(|n| tracks.column(n)).collect() };
        let middles = |columns: &[usize]| -> Vec<(f64, Point3<f64>)> {
            tracks
                .session_seconds
                .iter()
                .enumerate()
                .filter_map(|(time, seconds)| {
                    let points: Vec<[f64; 3]> =
                        columns.iter().filter_map(|c| Some(tracks.at(time, *c)?.position_m)).collect();
                    let n = points.len() as f64;
                    let mean = |axis: usize| points.iter().map(|p| p[axis]).sum::<f64>() / n;
                    (!points.is_empty()).then(|| (*seconds, Point3::new(mean(0), mean(1), mean(2))))
                })
                .collect()
        };
        Self { ball: middles(&columns(&[BALL])), body: middles(&columns(&COCO_17)) }
    }

    /// The place of a sound made at `seconds` and the standard deviation of its distance in metres.
    fn at(&self, seconds: f64) -> Option<(Point3<f64>, f64)> {
        let ball = nearest(&self.ball, seconds).filter(|(t, _)| (t - seconds).abs() <= BALL_SEEN_SECONDS);
        match ball {
            Some((t, place)) => Some((place, BALL_SD_M.hypot(BALL_SPEED_M_S * (t - seconds)))),
            None => nearest(&self.body, seconds).map(|(_, place)| (place, BODY_SD_M)),
        }
    }
}

fn nearest(places: &[(f64, Point3<f64>)], seconds: f64) -> Option<(f64, Point3<f64>)> {
    let after = places.partition_point(|(t, _)| *t < seconds);
    let candidates = [after.checked_sub(1), Some(after)].into_iter().flatten().filter_map(|i| places.get(i));
    candidates.min_by(|a, b| (a.0 - seconds).abs().total_cmp(&(b.0 - seconds).abs())).copied()
}

#[cfg(test)]
mod tests {
    use super::*;
    use midline_geometry::{Camera, Intrinsics, LensModel, ReadOut, RigidTransform};
    use midline_session::calibration::CameraClock;
    use midline_session::tracks::Point3d;
    use nalgebra::Vector3;

    fn camera(name: &str, centre: [f64; 3], source: ClockSource, offset_seconds: f64, sd: f64) -> CalibratedCamera {
        CalibratedCamera {
            name: name.into(),
            camera: Camera {
                intrinsics: Intrinsics {
                    focal_px: [1000.0; 2],
                    centre_px: [640.0, 360.0],
                    model: LensModel::Pinhole,
                    size_px: [1280, 720],
                },
                camera_from_world: RigidTransform::new(-Vector3::from(centre), Vector3::zeros()),
                read_out: ReadOut::default(),
            },
            clock: CameraClock {
                camera: name.into(),
                offset_seconds,
                rate: 1.0,
                covariance: [[sd * sd, 0.0], [0.0, 0.0]],
                source,
                estimates: Vec::new(),
            },
        }
    }

    /// A ball that lies still at 0, 0, 1 for a second and a nose 2 m beside it for three.
    fn tracks() -> Tracks {
        let point =
            |position_m| Some(Point3d { position_m, covariance_m2: [[0.0; 3]; 3], reprojection_px: 0.5, views: 2 });
        Tracks {
            names: vec!["nose".into(), "ball".into()],
            session_seconds: (0..300).map(|k| f64::from(k) * 0.01).collect(),
            points: (0..300)
                .map(|k| vec![point([2.0, 0.0, 1.0]), if k < 100 { point([0.0, 0.0, 1.0]) } else { None }])
                .collect(),
        }
    }

    fn onset(pts_seconds: f64) -> Onset {
        Onset { pts_seconds, strength: 20.0 }
    }

    #[test]
    fn travel_time_is_taken_off_and_common_sounds_become_one() {
        // Speed of sound in dry air at 20 °C: 343.2 m/s (handbook value, from memory).
        let speed: f64 = 331.3 * (1.0 + 20.0 / 273.15f64).sqrt();
        assert!((speed - 343.2).abs() < 0.1);
        let cameras = [
            camera("a", [0.0, -3.0, 1.0], ClockSource::Reference, 0.0, 0.0),
            camera("b", [0.0, 12.0, 1.0], ClockSource::Motion, 0.7, 0.000_5),
        ];
        let made = 0.5;
        let lists = [vec![onset(made + 3.0 / speed)], vec![onset(made + 12.0 / speed - 0.7), onset(2.0 - 0.7)]];
        let found = impacts(&lists, &cameras, &tracks(), 20.0);
        assert_eq!(found.len(), 2, "{found:?}");
        assert!((found[0].session_seconds - made).abs() < 1e-4 && found[0].cameras == 2, "{found:?}");
        // Two phones of independent latency.
        assert!((found[0].sd_seconds - LATENCY_SD_SECONDS / 2f64.sqrt()).abs() < 5e-4, "{found:?}");
        // Heard at 2.0 by one camera, when there is no ball: from the body, 2 m beside and 12 m away.
        let expected = 2.0 - 148f64.sqrt() / speed;
        assert!((found[1].session_seconds - expected).abs() < 1e-6 && found[1].cameras == 1);
        assert!(found[1].sd_seconds > LATENCY_SD_SECONDS);
    }

    #[test]
    fn a_shift_common_to_all_sounds_does_not_split_them() {
        let cameras = [
            camera("a", [0.0, -3.0, 1.0], ClockSource::Reference, 0.0, 0.0),
            camera("b", [0.0, -3.0, 1.0], ClockSource::Motion, 0.0, 0.000_5),
        ];
        let times = [0.2, 0.5, 0.8, 1.4];
        let lists = [times.map(onset).to_vec(), times.map(|t| onset(t + 0.025)).to_vec()];
        let found = impacts(&lists, &cameras, &tracks(), 20.0);
        assert_eq!(found.iter().map(|i| i.cameras).collect::<Vec<_>>(), [2; 4], "{found:?}");
        // Neither phone is better than the other: the result lies between them.
        let travel = 3.0 / (331.3 * (1.0 + 20.0 / 273.15f64).sqrt());
        assert!((found[0].session_seconds - (0.2 + 0.0125 - travel)).abs() < 1e-3, "{found:?}");
    }

    #[test]
    fn a_camera_that_follows_the_references_sound_adds_no_certainty() {
        let cameras = [
            camera("a", [0.0, -3.0, 1.0], ClockSource::Reference, 0.0, 0.0),
            camera("b", [0.0, -3.0, 1.0], ClockSource::Sound, 0.0, 0.015),
        ];
        let found = impacts(&[vec![onset(0.5)], vec![onset(0.502)]], &cameras, &tracks(), 20.0);
        let alone = impacts(&[vec![onset(0.5)], Vec::new()], &cameras, &tracks(), 20.0);
        assert_eq!((found[0].session_seconds, found[0].sd_seconds), (alone[0].session_seconds, alone[0].sd_seconds));
        assert_eq!((found[0].cameras, alone[0].cameras), (2, 1));
    }

    #[test]
    fn without_tracks_the_sound_is_kept_and_its_uncertainty_grows() {
        let cameras = [camera("a", [0.0, -3.0, 1.0], ClockSource::Reference, 0.0, 0.0)];
        let found = impacts(&[vec![onset(0.5)]], &cameras, &Tracks::default(), 20.0);
        assert!((found[0].session_seconds - 0.5).abs() < 1e-12 && found[0].sd_seconds > 0.02);
        assert_eq!(impacts(&[], &[], &tracks(), 20.0), []);
    }
}
