//! The coarse offset between two cameras from what both see moving, over any range of offsets.
//!
//! At the right offset the two sightings of a point at one instant satisfy the epipolar constraint; at a wrong one a fast
//! point is off its epipolar line by its speed times the error. The offset is looked for on a grid, then along the valley
//! around the best grid points by Brent's line search. It only has to be good enough for the joint solution to start from.

use argmin::core::{CostFunction, Executor, State};
use argmin::solver::brent::BrentOpt;
use nalgebra::{Matrix3, Vector3};
use rayon::iter::{IntoParallelRefIterator, ParallelIterator};

use super::filmed::Filmed;
use crate::epipolar::{Distance, Pair};
use crate::level::robust_sd;
use crate::path::{Path, Sampled, Sighting};

/// Step of the grid, seconds.
const STEP_SECONDS: f64 = 0.002;
/// Tolerance of the line search, seconds.
const TOLERANCE_SECONDS: f64 = 1e-5;
/// Residual beyond which a sighting does not fit, as a share of the picture's width: about 3 px in 1920.
const SCALE_OF_WIDTH: f64 = 0.0015;
/// Passes of reweighting for the rotation at one offset.
const PASSES: usize = 4;
/// Sightings that are compared, spread over those that move; slower ones tell little.
const MOST_SIGHTINGS: usize = 1500;
/// Of these, sightings that are compared at every grid point.
const GRID_SIGHTINGS: usize = 400;
const SLOW_PX_PER_SECOND: f64 = 150.0;
const LEAST_SIGHTINGS: usize = 30;
/// Step of the other camera's path, as a share of its frames' spacing.
const SAMPLE_SHARE: f64 = 0.5;
/// Grid points that are looked at closely, and the distance between two of them, seconds.
const CANDIDATES: usize = 6;
const APART_SECONDS: f64 = 0.020;
/// Grid points from which the chance agreement of each sighting is learned.
const MOST_FOR_CHANCE: usize = 400;
/// Neighbouring residuals share the detector's error; those within this time count as one, seconds (common practice).
const BLOCK_SECONDS: f64 = 0.050;
/// Logarithm of how much likelier the best offset must be than the next best, and than any: an offset is the best of some
/// thousands, e⁹, and one wrong in e⁹ is left.
const CLEAR: f64 = 18.0;
/// Share of sightings that may fit by accident or not at all although the offset is right (common practice).
const STRAY: f64 = 0.1;
/// A sighting can tell offsets apart when its usual misfit is this many times the scale; it agrees within so many.
const TELLING: f64 = 2.0;
const AGREES: f64 = 3.0;
/// Share of the telling sightings that must agree, or there is no common motion.
const LEAST_AGREEING: f64 = 0.5;

/// What the motion that two cameras saw says of their clocks: `first pts = offset + second pts`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Fit {
    pub(crate) offset_seconds: f64,
    /// Logarithm of how much likelier all sightings are than at any offset.
    pub(crate) gain: f64,
    /// Share of the sightings that can tell offsets apart and agree with this one.
    pub(crate) agreeing: f64,
    /// Logarithm of how much likelier this offset is than the next best, and than any; the smaller.
    pub(crate) evidence: f64,
    /// The next best offset.
    pub(crate) rival_seconds: Option<f64>,
}

impl Fit {
    /// Whether this offset alone explains the motion.
    pub(crate) fn is_clear(&self) -> bool {
        self.gain > 0.0 && self.agreeing >= LEAST_AGREEING && self.evidence >= CLEAR
    }
}

/// Looks for the offset over all that leave `least_overlap_seconds` in common. An offset within `expected` (centre and half
/// width, from sound) is preferred unless another is clearly better.
pub(crate) fn scan(
    first: &Filmed,
    second: &Filmed,
    expected: Option<(f64, f64)>,
    least_overlap_seconds: f64,
) -> Result<Fit, &'static str> {
    let scan = Scan::new(first, second)?;
    let ((from, to), (other_from, other_to)) = (first.span(), second.span());
    let (lowest, highest) = (from + least_overlap_seconds - other_to, to - least_overlap_seconds - other_from);
    let steps = ((highest - lowest) / STEP_SECONDS).floor();
    if steps.is_nan() || steps < 2.0 {
        return Err("the clips are too short to compare");
    }
    let offsets: Vec<f64> = (0..=steps as usize).map(|k| lowest + k as f64 * STEP_SECONDS).collect();
    let chance = scan.chance(&offsets);
    let gains: Vec<f64> = offsets.par_iter().map(|offset| scan.grid_gain(*offset, &chance)).collect();
    let mut candidates: Vec<Candidate> =
        hills(&offsets, &gains, expected).into_iter().filter_map(|offset| scan.candidate(offset, &chance)).collect();
    candidates.sort_by(|a, b| b.gain.total_cmp(&a.gain));
    let best = candidates.first().ok_or("too few points are seen by both")?;
    let near = |c: &&Candidate| expected.is_some_and(|(centre, half)| (c.offset_seconds - centre).abs() <= half);
    let chosen = match candidates.iter().find(near) {
        Some(expected) if scan.evidence(best, Some(expected), &chance) < CLEAR => expected,
        _ => best,
    };
    let rival =
        candidates.iter().find(|c| c.gain > 0.0 && (c.offset_seconds - chosen.offset_seconds).abs() >= APART_SECONDS);
    Ok(Fit {
        offset_seconds: chosen.offset_seconds,
        gain: chosen.gain,
        agreeing: scan.agreeing(chosen, &chance),
        evidence: rival
            .map_or(f64::INFINITY, |rival| scan.evidence(chosen, Some(rival), &chance))
            .min(scan.evidence(chosen, None, &chance)),
        rival_seconds: rival.map(|r| r.offset_seconds),
    })
}

/// The highest grid points, each at least 20 ms from the others, and the highest within what is expected.
fn hills(offsets: &[f64], gains: &[f64], expected: Option<(f64, f64)>) -> Vec<f64> {
    let mut order: Vec<usize> = (0..gains.len()).collect();
    order.sort_by(|a, b| gains[*b].total_cmp(&gains[*a]).then(a.cmp(b)));
    let inside = |i: &&usize| expected.is_some_and(|(centre, half)| (offsets[**i] - centre).abs() <= half);
    let mut hills: Vec<f64> = order.iter().find(inside).map(|i| offsets[*i]).into_iter().collect();
    for index in order {
        if hills.len() >= CANDIDATES {
            break;
        }
        if hills.iter().all(|h| (h - offsets[index]).abs() >= APART_SECONDS) {
            hills.push(offsets[index]);
        }
    }
    hills
}

/// One sighting of the first camera and the second camera's path of the same point.
struct Walked {
    sighting: Sighting,
    path: usize,
}

struct Scan {
    pair: Pair,
    walked: Vec<Walked>,
    paths: Vec<Sampled>,
    scale_px: f64,
    /// Prior standard deviation of the rotation between the cameras, radians.
    rotation_sd: f64,
}

/// One offset with the rotation that suits it best.
struct Candidate {
    offset_seconds: f64,
    rotation: Vector3<f64>,
    gain: f64,
}

impl Scan {
    fn new(first: &Filmed, second: &Filmed) -> Result<Self, &'static str> {
        let pair = Pair::new(&first.camera.camera_from_world, &second.camera.camera_from_world)
            .ok_or("both cameras stand in the same place")?;
        let mut moving: Vec<Walked> = Vec::new();
        let mut paths = Vec::new();
        for (column, name) in first.keypoints.names.iter().enumerate() {
            let Some(other_column) = second.keypoints.column(name) else { continue };
            let ours = Path::new(&first.camera, first.keypoints, column, first.spacing_seconds);
            let theirs = Path::new(&second.camera, second.keypoints, other_column, second.spacing_seconds);
            for (index, sighting) in ours.sightings.iter().enumerate() {
                if ours.speed_px(index) >= SLOW_PX_PER_SECOND {
                    moving.push(Walked { sighting: *sighting, path: paths.len() });
                }
            }
            paths.push(theirs.sampled(SAMPLE_SHARE * second.spacing_seconds));
        }
        if moving.len() < LEAST_SIGHTINGS {
            return Err("too few points move");
        }
        let every = moving.len().div_ceil(MOST_SIGHTINGS);
        let widest = f64::from(first.camera.intrinsics.size_px[0].max(second.camera.intrinsics.size_px[0]));
        let focal = first.camera.intrinsics.focal_px[0].min(second.camera.intrinsics.focal_px[0]);
        let rig_px = first.rig_px.max(second.rig_px);
        Ok(Self {
            pair,
            walked: moving.into_iter().step_by(every).collect(),
            paths,
            scale_px: (SCALE_OF_WIDTH * widest).max(1.0),
            rotation_sd: rig_px.max(0.2) / focal,
        })
    }

    fn distance(&self, walked: &Walked, offset: f64) -> Option<Distance> {
        let there = self.paths.get(walked.path)?.at(walked.sighting.seen_seconds - offset)?;
        self.pair.distance(&walked.sighting, &there)
    }

    /// Logarithm of how much likelier a distance is at the right offset than at any: normal with the scale, or a stray, over
    /// normal with the sighting's usual distance.
    fn telling(&self, px: f64, usual_px: f64) -> f64 {
        let density = |sd: f64| (-0.5 * (px / sd).powi(2)).exp() / sd;
        // At least the smallest number, so that a very far one counts as a stray and not as nothing.
        let usual = density(usual_px).max(f64::MIN_POSITIVE);
        ((1.0 - STRAY) * density(self.scale_px) / usual + STRAY).ln()
    }

    /// The usual distance of each sighting over the offsets, pixels. `None` for one that never has a partner.
    fn chance(&self, offsets: &[f64]) -> Vec<Option<f64>> {
        let every = offsets.len().div_ceil(MOST_FOR_CHANCE);
        self.walked
            .par_iter()
            .map(|walked| {
                let distances: Vec<f64> =
                    offsets.iter().step_by(every).filter_map(|o| Some(self.distance(walked, *o)?.px)).collect();
                (!distances.is_empty()).then(|| robust_sd(&distances, 0.0).max(self.scale_px))
            })
            .collect()
    }

    fn agreeing(&self, candidate: &Candidate, chance: &[Option<f64>]) -> f64 {
        let (mut agreeing, mut telling) = (0.0, 0.0);
        for (walked, usual) in self.walked.iter().zip(chance) {
            let Some(distance) = self.distance(walked, candidate.offset_seconds) else { continue };
            if usual.is_some_and(|usual| usual >= TELLING * self.scale_px) {
                telling += 1.0;
                let px = distance.px + distance.by_rotation.dot(&candidate.rotation);
                agreeing += f64::from(u8::from(px.abs() <= AGREES * self.scale_px));
            }
        }
        if telling < LEAST_SIGHTINGS as f64 { 0.0 } else { agreeing / telling }
    }

    /// By how much sightings spread over all fit better than by chance, without any rotation.
    fn grid_gain(&self, offset: f64, chance: &[Option<f64>]) -> f64 {
        self.gain_of_every(self.walked.len().div_ceil(GRID_SIGHTINGS), offset, &Vector3::zeros(), chance)
    }

    /// By how much all sightings together fit better than by chance.
    fn gain(&self, offset: f64, rotation: &Vector3<f64>, chance: &[Option<f64>]) -> f64 {
        self.gain_of_every(1, offset, rotation, chance)
    }

    fn gain_of_every(&self, every: usize, offset: f64, rotation: &Vector3<f64>, chance: &[Option<f64>]) -> f64 {
        self.walked
            .iter()
            .zip(chance)
            .step_by(every)
            .filter_map(|(w, chance)| {
                let distance = self.distance(w, offset)?;
                Some(self.telling(distance.px + distance.by_rotation.dot(rotation), (*chance)?))
            })
            .sum()
    }

    /// The bottom of the valley around a grid point, with its rotation.
    fn candidate(&self, around: f64, chance: &[Option<f64>]) -> Option<Candidate> {
        let solver = BrentOpt::new(-1.5 * STEP_SECONDS, 1.5 * STEP_SECONDS).set_tolerance(1e-6, TOLERANCE_SECONDS);
        let valley = Valley { scan: self, around, chance };
        let shift = Executor::new(valley, solver).configure(|state| state.max_iters(40)).run();
        let offset = around + shift.ok().and_then(|result| result.state().get_best_param().copied()).unwrap_or(0.0);
        let rotation = self.rotation(offset)?;
        Some(Candidate { offset_seconds: offset, rotation, gain: self.gain(offset, &rotation, chance) })
    }

    /// The small rotation of the second camera with which the sightings fit best at an offset.
    fn rotation(&self, offset: f64) -> Option<Vector3<f64>> {
        let distances: Vec<Distance> = self.walked.iter().filter_map(|w| self.distance(w, offset)).collect();
        if distances.len() < LEAST_SIGHTINGS {
            return None;
        }
        let mut rotation = Vector3::zeros();
        for _ in 0..PASSES {
            let mut normal = Matrix3::identity() / (self.rotation_sd * self.rotation_sd);
            let mut right = Vector3::zeros();
            for d in &distances {
                let squared = ((d.px + d.by_rotation.dot(&rotation)) / self.scale_px).powi(2);
                let weight = 1.0 / ((1.0 + squared) * self.scale_px).powi(2);
                normal += weight * d.by_rotation * d.by_rotation.transpose();
                right -= weight * d.px * d.by_rotation;
            }
            rotation = normal.cholesky()?.solve(&right);
        }
        Some(rotation)
    }

    /// Logarithm of how much likelier an offset is than another, or than any. Neighbouring sightings of a point share their
    /// errors: those of a twentieth of a second count as one.
    fn evidence(&self, best: &Candidate, other: Option<&Candidate>, chance: &[Option<f64>]) -> f64 {
        let mut blocks: std::collections::BTreeMap<(usize, i64), (f64, f64)> = std::collections::BTreeMap::new();
        for (walked, chance) in self.walked.iter().zip(chance) {
            let gain = |c: &Candidate| {
                let distance = self.distance(walked, c.offset_seconds)?;
                Some(self.telling(distance.px + distance.by_rotation.dot(&c.rotation), (*chance)?))
            };
            let (a, b) = (gain(best), other.and_then(gain));
            if a.is_none() && b.is_none() {
                continue;
            }
            let block = (walked.sighting.seen_seconds / BLOCK_SECONDS).floor() as i64;
            let entry = blocks.entry((walked.path, block)).or_insert((0.0, 0.0));
            entry.0 += a.unwrap_or(0.0) - b.unwrap_or(0.0);
            entry.1 += 1.0;
        }
        blocks.values().map(|(sum, n)| sum / n).sum()
    }
}

/// The misfit around a grid point, with the rotation that suits each offset, for `argmin`.
struct Valley<'a> {
    scan: &'a Scan,
    around: f64,
    chance: &'a [Option<f64>],
}

impl CostFunction for Valley<'_> {
    type Param = f64;
    type Output = f64;

    fn cost(&self, shift: &f64) -> Result<f64, argmin::core::Error> {
        let offset = self.around + shift;
        Ok(self.scan.rotation(offset).map_or(f64::INFINITY, |r| -self.scan.gain(offset, &r, self.chance)))
    }
}
