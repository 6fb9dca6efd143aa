//! A third estimate: the ball's bounces and contacts as each camera sees them, kinks in its path through the picture.
//!
//! A kink is found in each camera alone, from two straight lines through the sightings before and after, and needs neither
//! sound nor the rig. Kinks are matched near the clock that is to be checked.

use midline_session::calibration::{ClockCalibration, ClockEstimate, ClockSource};
use midline_session::keypoints::BALL;
use midline_signal::StraightCourse;
use nalgebra::Vector2;

use crate::estimate::{CameraView, ClockCamera};
use crate::level::{median, robust_sd};

/// Sightings on each side of a kink.
const SIDE: usize = 5;
/// Sightings may be this many spacings apart, and the kink is looked for within the gap between both sides.
const LONGEST_GAP: f64 = 1.6;
/// Change of velocity over its standard deviation that counts as a kink.
const LEAST_DEVIATIONS: f64 = 8.0;
/// Noise of the ball's sightings that is assumed at least, pixels (common practice).
const LEAST_SD_PX: f64 = 0.7;
/// What straight lines miss of a path that gravity and perspective bend, as a share of the sightings' spacing: 1 ms at 60 and
/// 0.15 ms at 240 pictures per second on simulated bounces (a common parabola through both sides is no better).
const BEND_SHARE: f64 = 0.06;
/// Two kinks of one camera are at least this far apart, seconds; those of two cameras match within it.
const APART_SECONDS: f64 = 0.06;
const MATCH_SECONDS: f64 = 0.04;
/// Matched kinks that an estimate needs.
const LEAST_MATCHED: usize = 2;
/// Standard deviations within which it agrees with the clock.
const AGREE_SDS: f64 = 3.0;

/// One kink: presentation time and its standard deviation, seconds.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Kink {
    pts_seconds: f64,
    sd_seconds: f64,
    /// Change of velocity over its standard deviation.
    deviations: f64,
}

/// Adds the ball's estimate to every clock that it can speak of, and says how it compares.
pub(crate) fn compare(clock: &mut ClockCalibration, cameras: &[ClockCamera]) {
    let Some(reference) = cameras.first().and_then(|c| c.view) else { return };
    let read_out = |name: &str| clock.read_out_seconds(name);
    let of_reference = kinks(&reference, read_out(&clock.reference));
    let found: Vec<Vec<Kink>> = cameras
        .iter()
        .map(|camera| camera.view.map_or_else(Vec::new, |view| kinks(&view, read_out(camera.name))))
        .collect();
    for (camera, own) in clock.cameras.iter_mut().zip(&found) {
        if camera.source == ClockSource::Reference {
            continue;
        }
        let differences: Vec<(f64, f64)> = own
            .iter()
            .filter_map(|kink| {
                let session = camera.session_seconds(kink.pts_seconds);
                let near = of_reference
                    .iter()
                    .min_by(|a, b| (a.pts_seconds - session).abs().total_cmp(&(b.pts_seconds - session).abs()))?;
                let difference = near.pts_seconds - session;
                (difference.abs() <= MATCH_SECONDS).then(|| (difference, kink.sd_seconds.hypot(near.sd_seconds)))
            })
            .collect();
        if differences.len() < LEAST_MATCHED {
            continue;
        }
        let values: Vec<f64> = differences.iter().map(|d| d.0).collect();
        let middle = median(&values);
        let n = values.len() as f64;
        let stated = (differences.iter().map(|d| d.1 * d.1).sum::<f64>() / n).sqrt();
        // The median of n normal values has 1.25 times the mean's standard deviation.
        let sd_seconds = 1.2533 * stated.max(robust_sd(&values, middle)) / n.sqrt();
        camera.estimates.push(ClockEstimate {
            method: ClockSource::Ball,
            offset_seconds: camera.offset_seconds + middle,
            sd_seconds,
            n: values.len(),
        });
        let pts = own.first().map_or(0.0, |k| k.pts_seconds);
        let agrees = middle.abs() <= AGREE_SDS * sd_seconds.hypot(camera.sd_seconds(pts));
        clock.remarks.push(format!(
            "Camera {}: {} bounces and contacts of the ball as seen say {:.2} ± {:.2} ms, its clock {:.2} ms; difference {:+.2} ms; they \
             {}.",
            camera.camera,
            values.len(),
            (camera.offset_seconds + middle) * 1e3,
            sd_seconds * 1e3,
            camera.offset_seconds * 1e3,
            middle * 1e3,
            if agrees { "agree" } else { "DISAGREE: check the ball's points and the read-outs" }
        ));
    }
}

/// Sharp turns of the ball's path through one camera's picture.
fn kinks(view: &CameraView, read_out_seconds: Option<f64>) -> Vec<Kink> {
    let Some(column) = view.keypoints.column(BALL) else { return Vec::new() };
    let mut camera = view.camera();
    camera.read_out.seconds = read_out_seconds.unwrap_or(camera.read_out.seconds);
    let seen: Vec<(f64, Vector2<f64>)> = view
        .keypoints
        .frames
        .iter()
        .filter_map(|frame| {
            let px = Vector2::from(frame.points.get(column)?.as_ref()?.px);
            Some((frame.pts_seconds + camera.row_delay_seconds(px), px))
        })
        .collect();
    let spacings: Vec<f64> = seen.windows(2).map(|w| w[1].0 - w[0].0).collect();
    let usual = median(&spacings);
    let mut found: Vec<Kink> = (SIDE..seen.len().saturating_sub(SIDE - 1))
        .filter(|at| spacings[at - SIDE..at + SIDE - 1].iter().all(|s| *s <= LONGEST_GAP * usual))
        .filter_map(|at| kink(&seen[at - SIDE..at], &seen[at..at + SIDE]))
        .collect();
    found.sort_by(|a, b| b.deviations.total_cmp(&a.deviations));
    let mut kept: Vec<Kink> = Vec::new();
    for kink in found {
        if kept.iter().all(|k| (k.pts_seconds - kink.pts_seconds).abs() >= APART_SECONDS) {
            kept.push(kink);
        }
    }
    kept.sort_by(|a, b| a.pts_seconds.total_cmp(&b.pts_seconds));
    kept
}

/// Where two straight lines, before and after, come nearest to each other, if that is between them.
fn kink(before: &[(f64, Vector2<f64>)], after: &[(f64, Vector2<f64>)]) -> Option<Kink> {
    let origin = 0.5 * (before.last()?.0 + after.first()?.0);
    let (a, b) = (StraightCourse::through(before, origin)?, StraightCourse::through(after, origin)?);
    let noise = |line: &StraightCourse<2>| line.squares / line.freedom as f64;
    let sd_px = (0.5 * (noise(&a) + noise(&b))).sqrt().max(LEAST_SD_PX);
    let turn = b.velocity - a.velocity;
    // Both lines must hold: a curve leaves residuals, a jump leaves a gap at the crossing.
    let (since, gap) = a.meeting(&b);
    let half = 0.5 * (after.first()?.0 - before.last()?.0);
    let deviations = turn.norm() / (sd_px * (a.velocity_variance + b.velocity_variance).sqrt());
    let place_sd = sd_px * (a.place_variance + b.place_variance).sqrt();
    if deviations < LEAST_DEVIATIONS || since.abs() > 1.5 * half || gap > 4.0 * place_sd {
        return None;
    }
    let spacing = (after.last()?.0 - before.first()?.0) / (before.len() + after.len() - 1) as f64;
    let sd_seconds = (place_sd / turn.norm()).hypot(BEND_SHARE * spacing);
    Some(Kink { pts_seconds: origin + since, sd_seconds, deviations })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::motion::made_motion::camera;
    use midline_geometry::{ReadOut, ScanDirection};
    use nalgebra::Point3;
    use rand::rngs::StdRng;
    use rand::{RngExt, SeedableRng};
    use rand_distr::{Distribution, StandardNormal};

    #[test]
    fn a_bounce_between_two_frames_is_found_to_a_fraction_of_the_spacing() {
        let (mut worst, spacing) = (0.0_f64, 1.0 / 120.0);
        for k in 0..10 {
            let bounce = 0.1 + 0.1 * spacing * f64::from(k);
            let seen: Vec<(f64, Vector2<f64>)> = (0..24)
                .map(|n| {
                    let t = f64::from(n) * spacing;
                    let down = if t < bounce { t - bounce } else { 0.7 * (bounce - t) };
                    (t, Vector2::new(300.0 + 900.0 * t, 700.0 + 800.0 * down))
                })
                .collect();
            let at = seen.iter().position(|s| s.0 >= bounce).unwrap();
            let found = kink(&seen[at - SIDE..at], &seen[at..at + SIDE]).unwrap();
            worst = worst.max((found.pts_seconds - bounce).abs());
            assert!(kink(&seen[..SIDE], &seen[SIDE..2 * SIDE]).is_none(), "a straight path has no kink");
        }
        println!("worst error of a bounce without noise: {:.4} ms", worst * 1e3);
        assert!(worst < 1e-6);
    }

    /// A ball that falls, bounces and rises under gravity, seen with 1 px of noise.
    #[test]
    fn bounces_under_gravity_are_placed_as_well_as_stated() {
        let down = ReadOut { seconds: 0.003, direction: ScanDirection::Down };
        let camera = camera(-4.0, -7.0, [1920, 1080], down);
        for (hz, most_ms) in [(60.0, 2.0), (240.0, 1.0)] {
            let (mut squares, mut covered, mut n) = (0.0, 0.0, 0.0);
            for trial in 0..200_u32 {
                let mut random = StdRng::seed_from_u64(u64::from(trial));
                let bounce = 0.25 + random.random_range(0.0..1.0 / hz);
                let place = |t: f64| {
                    let since = t - bounce;
                    let up = if since < 0.0 { -6.0 * since } else { 4.4 * since } - 0.5 * 9.81 * since * since;
                    Point3::new(0.4 + 3.0 * since, 0.5 + if since < 0.0 { -14.0 } else { -9.0 } * since, 0.033 + up)
                };
                let seen: Vec<(f64, Vector2<f64>)> = (0..(0.5 * hz) as usize)
                    .map(|k| {
                        let pts = k as f64 / hz;
                        let delay = camera.row_delay_seconds(camera.project(&place(pts)).unwrap());
                        let mut noise = || Distribution::<f64>::sample(&StandardNormal, &mut random);
                        let px = camera.project(&place(pts + delay)).unwrap() + Vector2::new(noise(), noise());
                        (pts + delay, px)
                    })
                    .collect();
                let at = seen.iter().position(|s| s.0 >= bounce).unwrap();
                let found = kink(&seen[at - SIDE..at], &seen[at..at + SIDE]);
                let Some(found) = found else { continue };
                let error = found.pts_seconds - bounce;
                squares += error * error;
                covered += f64::from(u8::from(error.abs() <= 1.96 * found.sd_seconds));
                n += 1.0;
            }
            let rms_ms = (squares / n).sqrt() * 1e3;
            println!(
                "{hz} pictures/s: {n} of 200 bounces, {rms_ms:.3} ms rms, {:.3} within their intervals",
                covered / n
            );
            assert!(n >= 150.0 && rms_ms < most_ms && covered >= 0.88 * n, "{hz}");
        }
    }
}
