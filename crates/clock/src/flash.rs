//! A flash in the pictures: a camera's flash, or a lamp that is switched on, seen by several cameras.
//!
//! Light reaches all cameras at once, and a rolling shutter tells the instant to a fraction of a frame: those rows are bright
//! whose exposure holds the flash. With the rows of all frames in order of their times, a short flash brightens the rows from
//! half an exposure before to half an exposure after it, wherever that is; it lies midway between the edges of the bright rows, and
//! each edge lies between two rows. A lamp that stays on has one edge, at which a row is half as bright as later. No length
//! of the exposure has to be known.

use std::ops::Range;

use midline_session::calibration::{CameraClock, ClockCalibration, ClockEstimate, ClockSource};
use midline_session::footage::Brightness;

use crate::estimate::ClockCamera;
use crate::level::{median, robust_sd};
use crate::line::RATE_SD;

/// Frames before a flash whose brightness is what it was before, the nearest one left out; and as many after it, the nearest
/// two left out.
const AROUND: usize = 8;
const SPARED: usize = 2;
/// Rise of a frame's mean over the usual change between frames, and at least, grey levels, that is a flash.
const LEAST_DEVIATIONS: f64 = 8.0;
const LEAST_RISE: f64 = 3.0;
/// Share of the rows' bands that stay brighter by a quarter of the highest rise when a lamp stays on: it lights the whole
/// picture, what moves in it does not.
const LEAST_SHARE: f64 = 0.6;
/// Share of the rows between the first and the last bright one that are bright.
const CONNECTED_SHARE: f64 = 0.8;
/// Two flashes of one camera are at least this far apart, seconds.
const APART_SECONDS: f64 = 0.25;
/// How far flashes of two cameras may lie from a clock to be the same, besides three standard deviations, seconds.
const MATCH_SECONDS: f64 = 0.02;
/// Standard deviations within which flashes agree with the clock.
const AGREE_SDS: f64 = 3.0;

/// A flash as one camera saw it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Flash {
    /// Presentation time and its standard deviation, seconds.
    pub(crate) pts_seconds: f64,
    pub(crate) sd_seconds: f64,
}

/// When rows are exposed: their read-out and its standard deviation, seconds.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Rows {
    pub(crate) read_out_seconds: f64,
    pub(crate) sd_seconds: f64,
}

/// The flashes in a camera's pictures, in order.
pub(crate) fn flashes(brightness: &Brightness, rows: Rows) -> Vec<Flash> {
    let means: Vec<f64> = brightness.bands.iter().map(|bands| mean(bands)).collect();
    let changes: Vec<f64> = means.windows(2).map(|w| w[1] - w[0]).collect();
    let usual = robust_sd(&changes, median(&changes));
    let least = (LEAST_DEVIATIONS * usual).max(LEAST_RISE);
    let risen: Vec<(usize, f64)> = (AROUND + SPARED..means.len().saturating_sub(AROUND + SPARED))
        .map(|at| (at, means[at].max(means[at + 1]) - median(&means[at - AROUND..at - 1])))
        .filter(|(_, rise)| *rise >= least)
        .collect();
    let pts = |at: usize| brightness.pts_seconds[at];
    risen
        .chunk_by(|a, b| pts(b.0) - pts(a.0) < APART_SECONDS)
        .filter_map(|frames| {
            let highest = frames.iter().map(|f| f.1).fold(0.0, f64::max);
            let (at, _) = frames.iter().find(|f| f.1 >= 0.5 * highest)?;
            flash(brightness, *at, rows)
        })
        .collect()
}

fn mean(bands: &[f32]) -> f64 {
    bands.iter().map(|b| f64::from(*b)).sum::<f64>() / bands.len().max(1) as f64
}

/// The flash that begins at or next to a frame; `None` when it lights no connected rows, or stays on and does not light the whole
/// picture.
fn flash(brightness: &Brightness, at: usize, rows: Rows) -> Option<Flash> {
    let count = brightness.bands.get(at)?.len();
    let (first, last) = (at - SPARED, at + SPARED + 1);
    let level = |frame: usize, band: usize| {
        brightness.bands.get(frame).and_then(|b| b.get(band)).map_or(f64::NAN, |v| f64::from(*v))
    };
    let usual = |frames: Range<usize>, band: usize| median(&frames.map(|frame| level(frame, band)).collect::<Vec<_>>());
    let before: Vec<f64> = (0..count).map(|band| usual(first - AROUND..first, band)).collect();
    let after: Vec<f64> = (0..count).map(|band| usual(last..last + AROUND - SPARED, band) - before[band]).collect();
    let highest: Vec<f64> = (0..count)
        .map(|band| (first..last).map(|frame| level(frame, band) - before[band]).fold(0.0, f64::max))
        .collect();
    let top = highest.iter().copied().fold(0.0, f64::max);
    let lit = after.iter().filter(|a| **a >= 0.25 * top).count();
    let stays = lit as f64 >= LEAST_SHARE * count as f64;
    // Rows in order of their times, with the share of the light that they have.
    let mut seen: Vec<(f64, f64)> = Vec::new();
    for frame in first..last {
        for band in 0..count {
            let full = if stays { after[band] } else { top };
            if full >= 0.25 * top {
                let delay = (band as f64 + 0.5) / count as f64 * rows.read_out_seconds;
                seen.push((brightness.pts_seconds[frame] + delay, (level(frame, band) - before[band]) / full));
            }
        }
    }
    seen.sort_by(|a, b| a.0.total_cmp(&b.0));
    let bright = |seen: &&(f64, f64)| seen.1 >= 0.5;
    let from = seen.iter().position(|s| bright(&s))?;
    let to = seen.iter().rposition(|s| bright(&s))?;
    if (seen[from..=to].iter().filter(bright).count() as f64) < CONNECTED_SHARE * (to + 1 - from) as f64 {
        return None;
    }
    // An edge lies anywhere between two rows.
    let edge = |early: usize| {
        let (a, b) = (seen.get(early)?.0, seen.get(early + 1)?.0);
        Some((0.5 * (a + b), (b - a) / 12.0_f64.sqrt()))
    };
    let rising = edge(from.checked_sub(1)?)?;
    let (pts_seconds, edge_sd) = if stays {
        rising
    } else {
        let falling = edge(to)?;
        (0.5 * (rising.0 + falling.0), 0.5 * rising.1.hypot(falling.1))
    };
    // What an unknown read-out moves the row of the flash by.
    let frame = brightness.pts_seconds[first..last].iter().rev().find(|pts| **pts <= pts_seconds)?;
    let share = if rows.read_out_seconds > 0.0 { (pts_seconds - frame) / rows.read_out_seconds } else { 0.5 };
    Some(Flash { pts_seconds, sd_seconds: edge_sd.hypot(share.clamp(0.0, 1.0) * rows.sd_seconds) })
}

/// Flashes of two cameras that are the same: their number, and the mean and standard deviation of `first - clock(second)`, seconds.
fn compared(first: &[Flash], second: &[Flash], clock: &dyn Fn(f64) -> f64, within: f64) -> Option<(usize, f64, f64)> {
    let differences: Vec<(f64, f64)> = second
        .iter()
        .filter_map(|flash| {
            let session = clock(flash.pts_seconds);
            let gap = |f: &&Flash| (f.pts_seconds - session).abs();
            let near = first.iter().min_by(|a, b| gap(a).total_cmp(&gap(b)))?;
            (gap(&near) <= within).then(|| (near.pts_seconds - session, near.sd_seconds.hypot(flash.sd_seconds)))
        })
        .collect();
    let weight: f64 = differences.iter().map(|d| d.1.powi(-2)).sum();
    if differences.is_empty() || !weight.is_finite() {
        return None;
    }
    let mean = differences.iter().map(|d| d.0 * d.1.powi(-2)).sum::<f64>() / weight;
    let squares: f64 = differences.iter().map(|d| ((d.0 - mean) / d.1).powi(2)).sum();
    let inflation = (squares / (differences.len() as f64 - 1.0).max(1.0)).max(1.0);
    Some((differences.len(), mean, (inflation / weight).sqrt()))
}

/// A clock from flashes alone: the offset at which most of them are the same. `None` where two offsets have as many.
pub(crate) fn clock_from(name: &str, first: &[Flash], second: &[Flash]) -> Option<CameraClock> {
    let mut found: Vec<(usize, f64, f64)> = Vec::new();
    for a in first {
        for b in second {
            let offset = a.pts_seconds - b.pts_seconds;
            let (count, more, sd) = compared(first, second, &|pts| offset + pts, MATCH_SECONDS)?;
            if found.iter().all(|f| (f.1 - offset - more).abs() > MATCH_SECONDS) {
                found.push((count, offset + more, sd));
            }
        }
    }
    found.sort_by(|a, b| b.0.cmp(&a.0));
    let (count, offset, sd) = *found.first()?;
    if found.get(1).is_some_and(|other| other.0 == count) {
        return None;
    }
    let middle = second.iter().map(|f| f.pts_seconds).sum::<f64>() / second.len() as f64;
    let rate = RATE_SD * RATE_SD;
    let estimate = ClockEstimate { method: ClockSource::Flash, offset_seconds: offset, sd_seconds: sd, n: count };
    Some(CameraClock {
        camera: name.to_owned(),
        offset_seconds: offset,
        rate: 1.0,
        covariance: [[sd * sd + middle * middle * rate, -middle * rate], [-middle * rate, rate]],
        source: ClockSource::Flash,
        estimates: vec![estimate],
    })
}

/// Adds the flashes' estimate to every clock that it can speak of, and says how it compares.
pub(crate) fn compare(clock: &mut ClockCalibration, cameras: &[ClockCamera]) {
    let of = |camera: &ClockCamera, found: Option<f64>| camera.flashes.map(|flashes| flashes.of(found));
    let Some(reference) = cameras.first().and_then(|c| of(c, clock.read_out_seconds(c.name))) else { return };
    for camera in cameras.iter().skip(1) {
        let Some(own) = of(camera, clock.read_out_seconds(camera.name)) else { continue };
        let Some(index) = clock.cameras.iter().position(|c| c.camera == camera.name) else { continue };
        let stated = &clock.cameras[index];
        if stated.source == ClockSource::Flash {
            continue;
        }
        let pts = own.first().map_or(0.0, |f| f.pts_seconds);
        let within = MATCH_SECONDS + AGREE_SDS * stated.sd_seconds(pts);
        let found = compared(&reference, &own, &|pts| stated.session_seconds(pts), within);
        let remark = match found {
            Some((n, difference, sd_seconds)) => {
                let clock_sd = stated.sd_seconds(pts);
                let offset_seconds = stated.offset_seconds + difference;
                let verdict = if difference.abs() <= AGREE_SDS * sd_seconds.hypot(clock_sd) {
                    "they agree"
                } else {
                    "they DISAGREE: check the read-outs"
                };
                let said = format!(
                    "Camera {}: {n} flash(es) say {:.2} ± {:.2} ms, its clock {:.2} ± {clock_sd:.2} ms; difference {:+.2} ms; {verdict}.",
                    camera.name,
                    offset_seconds * 1e3,
                    sd_seconds * 1e3,
                    stated.offset_seconds * 1e3,
                    difference * 1e3,
                    clock_sd = clock_sd * 1e3
                );
                let estimate = ClockEstimate { method: ClockSource::Flash, offset_seconds, sd_seconds, n };
                clock.cameras[index].estimates.push(estimate);
                said
            }
            None => format!(
                "Camera {}: {} and {} flashes were seen, none of them within {:.0} ms of each other by its clock.",
                camera.name,
                reference.len(),
                own.len(),
                within * 1e3
            ),
        };
        clock.remarks.push(remark);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::estimate::{Flashes, session_clock};
    use rand::rngs::StdRng;
    use rand::{RngExt, SeedableRng};

    /// Pictures of 16 bands at a rate, whose rows are read over a time and exposed for another; light that comes at instants
    /// for as long.
    fn filmed(hz: f64, read_out: f64, exposure: f64, lights: &[(f64, f64)], seed: u64) -> Brightness {
        let mut random = StdRng::seed_from_u64(seed);
        let pts_seconds: Vec<f64> = (0..(3.0 * hz) as usize).map(|k| k as f64 / hz).collect();
        let bands = pts_seconds
            .iter()
            .map(|pts| {
                (0..16)
                    .map(|band| {
                        // A band's rows are exposed one after the other.
                        let lit = |row: f64| {
                            let middle = pts + (f64::from(band) + row) / 16.0 * read_out;
                            let (from, to) = (middle - 0.5 * exposure, middle + 0.5 * exposure);
                            let share = |(at, long): &(f64, f64)| (to.min(at + long) - from.max(*at)).max(0.0);
                            lights.iter().map(|l| share(l) / exposure.min(l.1)).sum::<f64>()
                        };
                        let mean = (0..8).map(|k| lit((f64::from(k) + 0.5) / 8.0)).sum::<f64>() / 8.0;
                        (80.0 + 5.0 * f64::from(band) + 40.0 * mean + random.random_range(-0.4..0.4)) as f32
                    })
                    .collect()
            })
            .collect();
        Brightness { pts_seconds, bands }
    }

    #[test]
    fn a_short_flash_and_a_lamp_are_timed_within_the_frame() {
        let cases = [
            ("240 fps, 2 ms exposure", 240.0, 0.0035, 0.002, 0.0002),
            ("60 fps, 4 ms exposure", 60.0, 0.013, 0.004, 0.0003),
            ("60 fps, 16 ms exposure, read over 9 ms", 60.0, 0.009, 0.016, 0.0003),
            ("60 fps, a lamp", 60.0, 0.013, 0.004, 9.0),
            ("240 fps, a lamp", 240.0, 0.0035, 0.003, 9.0),
        ];
        for (case, hz, read_out, exposure, long) in cases {
            let (mut squares, mut stated, mut seen, mut covered) = (0.0, 0.0, 0.0, 0.0);
            for trial in 0..40_u32 {
                let at = 1.2 + 0.000_731 * f64::from(trial);
                let light = at - if long < 1.0 { 0.5 * long } else { 0.0 };
                let pictures = filmed(hz, read_out, exposure, &[(light, long)], u64::from(trial));
                let found = flashes(&pictures, Rows { read_out_seconds: read_out, sd_seconds: 0.0 });
                // A flash between the exposures of two frames is not seen.
                let [flash] = found.as_slice() else {
                    assert!(found.is_empty() && long < 1.0 && exposure < 1.0 / hz, "{case}: {found:?}");
                    continue;
                };
                let error = flash.pts_seconds - at;
                squares += error * error;
                stated += flash.sd_seconds.powi(2);
                seen += 1.0;
                // The edges are uniform: their interval is 1.73 standard deviations wide, that of two at most 2.45.
                covered += f64::from(u8::from(error.abs() <= 2.45 * flash.sd_seconds + 1e-4));
            }
            println!(
                "{case}: {seen} of 40 seen, {:.3} ms rms, stated {:.3} ms, {covered} within",
                (squares / seen).sqrt() * 1e3,
                (stated / seen).sqrt() * 1e3
            );
            assert!(seen >= 15.0 && covered >= 0.9 * seen, "{case}");
            assert!((squares / seen).sqrt() < 0.25 / hz, "{case}");
        }
    }

    #[test]
    fn silent_cameras_that_share_nothing_but_a_flash_are_joined_by_it() {
        let read_outs = [0.0035, 0.012];
        let pictures = [
            filmed(240.0, read_outs[0], 0.003, &[(1.2, 2e-4)], 1),
            filmed(60.0, read_outs[1], 0.008, &[(0.7, 2e-4)], 2),
        ];
        let camera = |index: usize| ClockCamera {
            name: ["a", "b"][index],
            sound: None,
            view: None,
            flashes: Some(Flashes { brightness: &pictures[index], read_out_seconds: Some(read_outs[index]) }),
        };
        let clock = session_clock(&[camera(0), camera(1)], None, 20.0).unwrap();
        println!("{}", clock.remarks.join("\n"));
        let (own, error) = (&clock.cameras[1], clock.cameras[1].session_seconds(0.7) - 1.2);
        assert_eq!(own.source, ClockSource::Flash);
        assert!(error.abs() < 2.0 * own.sd_seconds(0.7) + 2e-4 && own.sd_seconds(0.7) < 4e-3, "{error} {own:?}");
    }

    #[test]
    fn steady_light_a_slow_change_and_what_moves_are_no_flash() {
        let rows = Rows { read_out_seconds: 0.01, sd_seconds: 0.0 };
        let mut pictures = filmed(60.0, 0.01, 0.01, &[], 1);
        assert_eq!(flashes(&pictures, rows), []);
        for (k, bands) in pictures.bands.iter_mut().enumerate() {
            for (band, value) in bands.iter_mut().enumerate() {
                *value += (0.4 * k as f32).min(40.0);
                // Something bright walks through four bands.
                if band >= 12 && k > 90 {
                    *value += 60.0;
                }
            }
        }
        assert_eq!(flashes(&pictures, rows), []);
        assert_eq!(flashes(&Brightness { pts_seconds: Vec::new(), bands: Vec::new() }, rows), []);
    }

    #[test]
    fn flashes_alone_give_a_clock_where_one_offset_has_most() {
        let of = |times: &[f64]| -> Vec<Flash> {
            times.iter().map(|t| Flash { pts_seconds: *t, sd_seconds: 2e-4 }).collect()
        };
        let clock = clock_from("b", &of(&[2.0, 3.1, 5.7]), &of(&[0.7001, 1.8, 4.3999])).unwrap();
        assert!((clock.offset_seconds - 1.3).abs() < 2e-4 && clock.estimates[0].n == 3, "{clock:?}");
        assert!((clock.sd_seconds(2.3) - 1.6e-4).abs() < 4e-5, "{}", clock.sd_seconds(2.3));
        assert!(clock_from("b", &of(&[2.0]), &of(&[0.7])).is_some());
        assert!(clock_from("b", &of(&[2.0, 3.0]), &of(&[0.7])).is_none());
        assert!(clock_from("b", &of(&[2.0]), &[]).is_none());
    }
}
