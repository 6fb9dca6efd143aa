//! The cameras' clocks from the motion that they saw: coarse offsets between pairs, then all clocks, read-outs and paths at
//! once.

mod calibration;
mod filmed;
mod joint;
#[cfg(test)]
pub(crate) mod made_motion;
mod paths;
mod problem;
mod scan;
#[cfg(test)]
mod simulation;
mod spline;

use calibration::Calibration;
pub(crate) use calibration::CalibrationErrors;
pub(crate) use filmed::{Filmed, Straight, usual_read_out};
pub(crate) use joint::Found;
pub(crate) use paths::meeting;
use scan::{Fit, scan};

use crate::line::RATE_SD;

/// Control points of all paths together: enough for some seconds of ten fast points at 240 pictures per second.
pub(crate) const MOST_CONTROLS: usize = 2000;
/// Time that two clips must have in common, seconds.
const LEAST_OVERLAP_SECONDS: f64 = 0.5;
/// How far motion may lie from what sound expects, in its standard deviations and at least, seconds.
const EXPECTED_SDS: f64 = 3.0;
const EXPECTED_SECONDS: f64 = 0.060;
/// Noise of the sightings beyond which the paths do not fit, as a share of the picture's width: about 8 px in 1920.
const WORST_NOISE_OF_WIDTH: f64 = 0.004;
/// Sums of pairwise offsets around a loop beyond which they contradict each other, seconds.
const LOOP_SECONDS: f64 = 0.005;

/// A clock that is expected before motion is asked.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Expected {
    pub(crate) offset_seconds: f64,
    pub(crate) rate: f64,
    /// Standard deviation of the offset where the cameras filmed.
    pub(crate) sd_seconds: f64,
    pub(crate) rate_sd: f64,
}

/// What motion says.
#[derive(Debug)]
pub(crate) struct ByMotion {
    /// For each camera its clock, or why there is none. The reference's is the session clock.
    pub(crate) cameras: Vec<Result<Found, String>>,
    pub(crate) noise_px: f64,
    pub(crate) remarks: Vec<String>,
}

/// Two cameras' pairwise offset.
struct Link {
    pair: (usize, usize),
    fit: Result<Fit, &'static str>,
}

/// The clocks of all cameras against the reference; `expected` holds what sound says, in the order of the cameras;
/// `errors` of their calibration likewise.
pub(crate) fn by_motion(
    cameras: &[Filmed],
    errors: &CalibrationErrors,
    reference: usize,
    expected: &[Option<Expected>],
    most_controls: usize,
) -> ByMotion {
    let links = links(cameras, expected);
    let remarks = loop_remarks(cameras, &links);
    let mut clocks = joined(cameras, reference, expected, &links);
    let linked: Vec<usize> = (0..cameras.len()).filter(|c| clocks[*c].is_ok()).collect();
    if linked.len() < 2 {
        return ByMotion { cameras: clocks.into_iter().map(not_found).collect(), noise_px: f64::NAN, remarks };
    }
    let parts: Vec<Filmed> = linked.iter().map(|c| cameras[*c].clone()).collect();
    let starts: Vec<Straight> = linked.iter().filter_map(|c| clocks[*c].clone().ok()).collect();
    let rates: Vec<(f64, f64)> =
        linked.iter().map(|c| expected[*c].map_or((1.0, RATE_SD), |e| (e.rate, e.rate_sd.min(RATE_SD)))).collect();
    let at = linked.iter().position(|c| *c == reference).unwrap_or(0);
    let calibration = Calibration::new(parts.iter().map(|p| p.camera.clone()).collect(), &errors.of(&linked));
    let solved = joint::solve(&parts, calibration, at, &starts, &rates, most_controls);
    let widest = parts.iter().map(|p| p.camera.intrinsics.size_px[0].max(p.camera.intrinsics.size_px[1])).max();
    let worst_px = WORST_NOISE_OF_WIDTH * f64::from(widest.unwrap_or(0));
    match solved {
        Ok(solved) if solved.noise_px <= worst_px => {
            let mut found = solved.cameras.into_iter();
            let cameras = clocks
                .into_iter()
                .map(|clock| match clock {
                    Ok(_) => found.next().ok_or_else(|| "it was not solved for".to_owned()),
                    Err(why) => Err(why),
                })
                .collect();
            ByMotion { cameras, noise_px: solved.noise_px, remarks }
        }
        failed => {
            let why = match failed {
                Ok(solved) => format!(
                    "the points' paths fit to {:.1} px only, {worst_px:.1} px at most is usual; check rig, lenses and keypoints",
                    solved.noise_px
                ),
                Err(why) => why,
            };
            for camera in linked {
                clocks[camera] = Err(why.clone());
            }
            ByMotion { cameras: clocks.into_iter().map(not_found).collect(), noise_px: f64::NAN, remarks }
        }
    }
}

fn not_found(clock: Result<Straight, String>) -> Result<Found, String> {
    Err(clock.err().unwrap_or_else(|| "no other camera shares its motion".to_owned()))
}

/// Every pair's coarse offset.
fn links(cameras: &[Filmed], expected: &[Option<Expected>]) -> Vec<Link> {
    let mut links = Vec::new();
    for first in 0..cameras.len() {
        for second in first + 1..cameras.len() {
            let between = expected[first].zip(expected[second]).map(|(a, b)| {
                let half = (EXPECTED_SDS * a.sd_seconds.hypot(b.sd_seconds)).max(EXPECTED_SECONDS);
                // Rates differ by tens of ppm: the offset between the clips holds where the second filmed.
                let (from, to) = cameras[second].span();
                let middle = 0.5 * (from + to);
                let session = b.offset_seconds + b.rate * middle;
                ((session - a.offset_seconds) / a.rate - middle, half)
            });
            let fit = scan(&cameras[first], &cameras[second], between, LEAST_OVERLAP_SECONDS);
            links.push(Link { pair: (first, second), fit });
        }
    }
    links
}

/// The clocks from the links, each camera joined to those that are joined already by its clearest link (Prim 1957).
fn joined(
    cameras: &[Filmed],
    reference: usize,
    expected: &[Option<Expected>],
    links: &[Link],
) -> Vec<Result<Straight, String>> {
    let mut clocks: Vec<Result<Straight, String>> = (0..cameras.len())
        .map(|camera| {
            if camera == reference {
                return Ok(Straight { centre_pts: 0.0, middle_seconds: 0.0, rate: 1.0 });
            }
            let why: Vec<String> = links
                .iter()
                .filter(|l| l.pair.0 == camera || l.pair.1 == camera)
                .map(|l| {
                    let other = if l.pair.0 == camera { l.pair.1 } else { l.pair.0 };
                    format!("with camera {}: {}", cameras[other].name, doubt(&l.fit))
                })
                .collect();
            Err(why.join("; "))
        })
        .collect();
    let sound_agrees = |link: &Link, fit: &Fit| {
        let (a, b) = link.pair;
        expected[a].zip(expected[b]).is_some_and(|(a, b)| {
            let half = (EXPECTED_SDS * a.sd_seconds.hypot(b.sd_seconds)).max(EXPECTED_SECONDS);
            (fit.offset_seconds - (b.offset_seconds - a.offset_seconds)).abs() <= 2.0 * half && fit.gain > 0.0
        })
    };
    loop {
        let next = links
            .iter()
            .filter_map(|link| {
                let fit = link.fit.ok()?;
                let (a, b) = link.pair;
                let known = match (&clocks[a], &clocks[b]) {
                    (Ok(_), Err(_)) => a,
                    (Err(_), Ok(_)) => b,
                    _ => return None,
                };
                (fit.is_clear() || sound_agrees(link, &fit)).then_some((link, fit, known))
            })
            .max_by(|a, b| a.1.gain.total_cmp(&b.1.gain));
        let Some((link, fit, known)) = next else { return clocks };
        let unknown = if link.pair.0 == known { link.pair.1 } else { link.pair.0 };
        // First pts = offset + second pts, at the middle of the camera that is joined.
        let (from, to) = cameras[unknown].span();
        let centre_pts = 0.5 * (from + to);
        let shift = if link.pair.0 == known { fit.offset_seconds } else { -fit.offset_seconds };
        if let Ok(clock) = clocks[known].clone() {
            let rate = expected[unknown].map_or(1.0, |e| e.rate);
            clocks[unknown] = Ok(Straight { centre_pts, middle_seconds: clock.session(centre_pts + shift), rate });
        }
    }
}

/// Why a fit does not count.
fn doubt(fit: &Result<Fit, &'static str>) -> String {
    match fit {
        Err(why) => (*why).to_owned(),
        Ok(fit) => match fit.rival_seconds {
            Some(rival) if fit.gain > 0.0 => format!(
                "offsets of {:.3} s and {rival:.3} s explain the motion about equally well (evidence e^{:.1}; {:.0} % of the sightings agree)",
                fit.offset_seconds,
                fit.evidence,
                fit.agreeing * 100.0
            ),
            _ => format!(
                "no offset explains the motion (at the best, {:.3} s, {:.0} % of the sightings agree)",
                fit.offset_seconds,
                fit.agreeing * 100.0
            ),
        },
    }
}

/// How well the clear pairwise offsets close around each loop of three cameras.
fn loop_remarks(cameras: &[Filmed], links: &[Link]) -> Vec<String> {
    let offset = |a: usize, b: usize| {
        links.iter().find(|l| l.pair == (a, b)).and_then(|l| l.fit.ok()).filter(Fit::is_clear).map(|f| f.offset_seconds)
    };
    let mut remarks = Vec::new();
    for a in 0..cameras.len() {
        for b in a + 1..cameras.len() {
            for c in b + 1..cameras.len() {
                let (Some(ab), Some(bc), Some(ac)) = (offset(a, b), offset(b, c), offset(a, c)) else { continue };
                let gap = ab + bc - ac;
                let verdict = if gap.abs() > LOOP_SECONDS {
                    "they contradict each other: check the rig and the keypoints of these cameras"
                } else {
                    "they agree"
                };
                remarks.push(format!(
                    "Loop of cameras {}, {}, {}: the offsets from each pair's motion sum to {:+.2} ms; {verdict}.",
                    cameras[a].name,
                    cameras[b].name,
                    cameras[c].name,
                    gap * 1e3
                ));
            }
        }
    }
    remarks
}
