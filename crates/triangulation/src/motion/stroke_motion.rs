//! All points around all contacts.

use std::collections::{BTreeMap, BTreeSet};

use midline_session::calibration::{CalibratedCamera, LensCalibration, RigCalibration, Scale, Vertical};
use midline_session::keypoints::{BALL, Keypoints, RACKET};
use midline_session::lift_quality::{PointQuality, ScoreCurve};
use midline_session::motion::{Estimate3d, PointMotion, SdParts, SideMotion, StrokeMotion};
use midline_session::tracks::Tracks;
use nalgebra::{DMatrix, Vector3};
use rayon::prelude::*;

use super::calibration_shift::{CalibrationParameters, block};
use super::chain_course::{ChainCourse, ChainState, Segment};
use super::course::{Basis, Course, Motion};
use super::fit::{Fitted, settle};
use super::observations::Observation;
use super::rigid_course::{Distance, RigidCourse, RigidState};
use super::roughness::ROUGHER_RACKET;
use super::section::{Source, breaks, bridged, common_range, observations, seen};
use super::segments::{length, limbs};
use super::start::{Places, coefficients, rotations};
use crate::calibration_error::{CalibrationCovariance, ErrorParts};
use crate::lift::LiftError;

/// Ball and strings touch for 4 to 5 ms (common figure, from memory); half of it on either side of the contact's time belongs
/// to neither side.
pub(super) const HALF_TOUCH_SECONDS: f64 = 0.0025;

/// The motion is carried on to contact over at most this many frames without a sight of the point.
const FARTHEST_FRAMES: f64 = 4.0;

/// A point whose position is known no better than this is not given, metres.
const LARGEST_SD_M: f64 = 0.5;

/// Fewest observations of a thing on one side of contact.
pub(super) const FEWEST_OBSERVATIONS: usize = 12;

/// Distances of throat and tip from the butt, metres: an adult's racket is commonly 0.685 m long, the ITF Rules of Tennis
/// allow 0.737 m, children's are shorter; the throat is common practice. What is seen decides.
pub(super) const RACKET_DISTANCES: [Distance; 3] = [
    Distance { nominal_m: 0.0, sd_m: 0.0 },
    Distance { nominal_m: 0.33, sd_m: 0.05 },
    Distance { nominal_m: 0.685, sd_m: 0.05 },
];

/// A contact and how well its time is known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ContactTime {
    /// Session time, seconds.
    pub session_seconds: f64,
    /// Standard deviation, seconds.
    pub sd_seconds: f64,
}

/// Settings of [`lift_strokes`].
#[derive(Debug, Clone, PartialEq)]
pub struct MotionSettings {
    /// How long before and after each contact the motion is found, seconds.
    pub around_seconds: [f64; 2],
    /// How a pixel coordinate's standard deviation depends on the detector's score, by name; a name without a curve takes what is
    /// assumed at 1 px for score 1. The residuals of the fit replace the level, not the dependence.
    pub noise: BTreeMap<String, ScoreCurve>,
}

impl MotionSettings {
    /// Pixels weighted by the noise that the points per instant told ([`crate::Lifted::quality`]).
    #[must_use]
    pub fn with_noise(quality: &[PointQuality]) -> Self {
        let noise = quality.iter().map(|point| (point.name.clone(), point.noise.curve)).collect();
        Self { noise, ..Self::default() }
    }
}

impl Default for MotionSettings {
    fn default() -> Self {
        Self { around_seconds: [2.5, 1.5], noise: BTreeMap::new() }
    }
}

/// What [`lift_strokes`] gives back.
#[derive(Debug, Clone, PartialEq)]
pub struct StrokeMotions {
    /// One per contact, in the order of time.
    pub strokes: Vec<StrokeMotion>,
    /// What was noticed, one sentence each.
    pub remarks: Vec<String>,
}

/// Points whose motion is fitted together.
struct Thing {
    /// Columns of the tracks.
    columns: Vec<usize>,
    kind: Kind,
}

enum Kind {
    /// A point alone, or points joined by these segments.
    Chain(Vec<Segment>),
    /// The racket.
    Rigid,
    /// The ball: in flight between bounces and contact, where that can be told.
    Ball,
}

/// One side of one contact.
pub(super) struct Side {
    pub(super) range: [f64; 2],
    pub(super) contact_seconds: f64,
    /// Instants at which the motion is wanted.
    pub(super) instants: Vec<f64>,
}

/// What became of one thing on one side.
#[derive(Default)]
pub(super) struct SideResult {
    /// Per landmark and instant, then at contact.
    pub(super) points: Vec<Vec<Option<PointMotion>>>,
    pub(super) at_contact: Vec<Option<PointMotion>>,
    /// Mistaken observations per camera, and all of them.
    pub(super) mistaken: BTreeMap<usize, usize>,
}

/// The motion of every point around every contact, from every row of every frame.
///
/// Each point is a cubic spline on the session clock; the racket's butt, throat and tip are one rigid line. Both are fitted to
/// the pixels at the instants at which their rows were exposed, on each side of contact alone, with a robust loss; smoothness
/// (by stretches of time) and pixel noise (by point) are those of the largest marginal likelihood. `tracks` are the points per
/// instant, as [`crate::lift`] gives them with its `keypoints` (sides put right): the fits start there.
///
/// # Errors
/// As [`crate::lift`].
pub fn lift_strokes(
    cameras: &[CalibratedCamera],
    lenses: &[LensCalibration],
    rig: &RigCalibration,
    keypoints: &[Keypoints],
    tracks: &Tracks,
    contacts: &[ContactTime],
    settings: &MotionSettings,
) -> Result<StrokeMotions, LiftError> {
    let calibration = CalibrationCovariance::new(rig, lenses)?;
    let parameters = CalibrationParameters::new(&calibration, cameras);
    let sources = sources(cameras, &calibration, keypoints)?;
    let things = things(tracks);
    let bad = |c: &ContactTime| !(c.session_seconds.is_finite() && c.sd_seconds.is_finite());
    if let Some(index) = contacts.iter().position(bad) {
        let ContactTime { session_seconds: seconds, sd_seconds } = contacts[index];
        return Err(LiftError::BadContact { number: index + 1, seconds, sd_seconds });
    }
    let mut contacts = contacts.to_vec();
    contacts.sort_by(|a, b| a.session_seconds.total_cmp(&b.session_seconds));
    let sides: Vec<[Side; 2]> = (0..contacts.len()).map(|i| sides(&contacts, i, tracks, settings)).collect();
    let work: Vec<(usize, usize, usize)> = (0..contacts.len())
        .flat_map(|stroke| [(stroke, 0), (stroke, 1)])
        .flat_map(|(stroke, side)| (0..things.len()).map(move |thing| (stroke, side, thing)))
        .collect();
    let falls = rig.scale == Scale::Metric && rig.vertical == Vertical::ZUp;
    let lifter = Lifter { sources: &sources, parameters: &parameters, tracks, scale: rig.scale, falls, settings };
    let results: Vec<Option<SideResult>> =
        work.par_iter().map(|(stroke, side, thing)| lifter.side(&things[*thing], &sides[*stroke][*side])).collect();

    let mut remarks = Vec::new();
    let names = &tracks.names;
    let empty = |side: &Side| SideMotion {
        session_seconds: side.instants.clone(),
        points: vec![vec![None; names.len()]; side.instants.len()],
        at_contact: vec![None; names.len()],
    };
    let mut strokes: Vec<StrokeMotion> = contacts
        .iter()
        .zip(&sides)
        .map(|(contact, [before, after])| StrokeMotion {
            contact_seconds: contact.session_seconds,
            names: names.clone(),
            before: empty(before),
            after: empty(after),
        })
        .collect();
    let mut mistaken: BTreeMap<(usize, usize), usize> = BTreeMap::new();
    for ((stroke, side, thing), result) in work.into_iter().zip(results) {
        let Some(result) = result else { continue };
        let target = if side == 0 { &mut strokes[stroke].before } else { &mut strokes[stroke].after };
        for (landmark, &column) in things[thing].columns.iter().enumerate() {
            for (row, point) in target.points.iter_mut().zip(&result.points[landmark]) {
                row[column] = *point;
            }
            target.at_contact[column] = result.at_contact[landmark];
        }
        for (camera, count) in result.mistaken {
            *mistaken.entry((thing, camera)).or_default() += count;
        }
    }
    for ((thing, camera), count) in mistaken {
        let who: Vec<&str> = things[thing].columns.iter().map(|c| names[*c].as_str()).collect();
        let camera = sources.iter().find(|s| s.rig_index == camera).map_or("?", |s| s.camera.name.as_str());
        remarks.push(format!(
            "Camera {camera}: {count} sights of {} around contacts are far from the motion that all frames tell; left out.",
            who.join(", ")
        ));
    }
    Ok(StrokeMotions { strokes, remarks })
}

fn sources<'a>(
    cameras: &'a [CalibratedCamera],
    calibration: &CalibrationCovariance,
    keypoints: &'a [Keypoints],
) -> Result<Vec<Source<'a>>, LiftError> {
    keypoints
        .iter()
        .map(|own| {
            let name = &own.camera;
            let camera = cameras.iter().find(|c| &c.name == name).ok_or_else(|| LiftError::UnknownCamera {
                camera: name.clone(),
                known: cameras.iter().map(|c| format!("\"{}\"", c.name)).collect::<Vec<_>>().join(", "),
            })?;
            let rig_index = calibration.camera(name).ok_or_else(|| LiftError::NotInRig { camera: name.clone() })?;
            let mut gaps: Vec<f64> =
                own.frames.windows(2).map(|w| (w[1].pts_seconds - w[0].pts_seconds) * camera.clock.rate).collect();
            gaps.sort_by(f64::total_cmp);
            let frame_seconds = gaps.get(gaps.len() / 2).copied().unwrap_or(0.0);
            Ok(Source { camera, rig_index, keypoints: own, frame_seconds })
        })
        .collect()
}

/// The racket's points together, limbs together where the lengths of their segments are known, every other point alone.
fn things(tracks: &Tracks) -> Vec<Thing> {
    let mut things: Vec<Thing> = Vec::new();
    let racket: Vec<usize> = RACKET.iter().filter_map(|name| tracks.column(name)).collect();
    if racket.len() == RACKET.len() {
        things.push(Thing { columns: racket, kind: Kind::Rigid });
    }
    for columns in limbs(tracks) {
        let segments: Option<Vec<Segment>> = (1..columns.len())
            .map(|end| {
                let [nominal_m, sd_m] = length(tracks, [columns[end - 1], columns[end]])?;
                Some(Segment { landmarks: [end - 1, end], nominal_m, sd_m })
            })
            .collect();
        things.extend(segments.map(|segments| Thing { columns, kind: Kind::Chain(segments) }));
    }
    let joined: BTreeSet<usize> = things.iter().flat_map(|thing| thing.columns.iter().copied()).collect();
    let alone = (0..tracks.names.len()).filter(|column| !joined.contains(column));
    things.extend(alone.map(|column| {
        let kind = if tracks.names[column] == BALL { Kind::Ball } else { Kind::Chain(Vec::new()) };
        Thing { columns: vec![column], kind }
    }));
    things
}

fn sides(contacts: &[ContactTime], index: usize, tracks: &Tracks, settings: &MotionSettings) -> [Side; 2] {
    let contact = contacts[index];
    let margin = |c: &ContactTime| HALF_TOUCH_SECONDS + c.sd_seconds;
    let at = contact.session_seconds;
    let from = index.checked_sub(1).map_or(f64::NEG_INFINITY, |i| contacts[i].session_seconds + margin(&contacts[i]));
    let to = contacts.get(index + 1).map_or(f64::INFINITY, |c| c.session_seconds - margin(c));
    let ranges = [
        [from.max(at - settings.around_seconds[0]), at - margin(&contact)],
        [at + margin(&contact), to.min(at + settings.around_seconds[1])],
    ];
    [0, 1].map(|side| {
        let range = ranges[side];
        let within = |t: &f64| if side == 0 { range[0] <= *t && *t < at } else { at < *t && *t <= range[1] };
        Side {
            range,
            contact_seconds: at,
            instants: tracks.session_seconds.iter().copied().filter(|t| within(t)).collect(),
        }
    })
}

/// What every fit needs.
pub(super) struct Lifter<'a> {
    pub(super) sources: &'a [Source<'a>],
    parameters: &'a CalibrationParameters,
    pub(super) tracks: &'a Tracks,
    scale: Scale,
    /// Whether gravity is known: the world is metric and its z axis points up.
    falls: bool,
    pub(super) settings: &'a MotionSettings,
}

impl Lifter<'_> {
    fn side(&self, thing: &Thing, side: &Side) -> Option<SideResult> {
        let names: Vec<&str> = thing.columns.iter().map(|c| self.tracks.names[*c].as_str()).collect();
        if matches!(thing.kind, Kind::Ball)
            && self.falls
            && let Some(flights) = self.flights(names[0], side)
        {
            return Some(flights);
        }
        let noise = |name: &&str| self.settings.noise.get(*name).copied().unwrap_or(ScoreCurve::assumed(1.0));
        let noise: Vec<ScoreCurve> = names.iter().map(noise).collect();
        let seen = seen(self.sources, &names, side.range, &noise);
        let common = common_range(self.sources, &seen)?;
        if seen.len() < FEWEST_OBSERVATIONS {
            return None;
        }
        let frame_seconds = self.sources.iter().map(|s| s.frame_seconds).fold(f64::INFINITY, f64::min);
        let slowest = self.sources.iter().map(|s| s.frame_seconds).fold(0.0, f64::max);
        // The spline reaches contact itself where the point was seen near it.
        let mut range = common;
        let (near, edge) = if side.contact_seconds > side.range[0] { (common[1], 1) } else { (common[0], 0) };
        if (near - side.contact_seconds).abs() < FARTHEST_FRAMES * slowest + HALF_TOUCH_SECONDS {
            range[edge] = side.contact_seconds;
        }
        let basis = Basis::clamped(&breaks(range, side.contact_seconds, frame_seconds))?;
        let observations = observations(self.sources, &seen, &basis);
        let wanted = Wanted { side, range };
        let segments = match &thing.kind {
            Kind::Rigid => return self.rigid(&names, basis, &observations, &wanted),
            Kind::Chain(segments) => segments.as_slice(),
            Kind::Ball => &[],
        };
        let places: Option<Vec<Places>> = names.iter().map(|name| Places::new(self.tracks, name, range)).collect();
        let Some(places) = places else { return self.apart(thing, side) };
        let start = ChainState {
            lengths_m: segments.iter().map(|s| s.nominal_m).collect(),
            coefficients: places.iter().map(|own| coefficients(&basis, own)).collect(),
        };
        let course = ChainCourse::new(basis, side.contact_seconds, names.len(), segments.to_vec());
        match settle(&course, &observations, vec![1.0; names.len()], start) {
            Ok(fitted) => self.result(&course, &fitted, &observations, names.len(), &wanted),
            Err(_) => self.apart(thing, side),
        }
    }

    /// The points of a limb each alone, where one of them is not there or the whole cannot be fitted.
    fn apart(&self, thing: &Thing, side: &Side) -> Option<SideResult> {
        if thing.columns.len() < 2 {
            return None;
        }
        let mut all = SideResult::default();
        for column in &thing.columns {
            let alone = Thing { columns: vec![*column], kind: Kind::Chain(Vec::new()) };
            let found = self.side(&alone, side).unwrap_or_else(|| SideResult {
                points: vec![vec![None; side.instants.len()]],
                at_contact: vec![None],
                mistaken: BTreeMap::new(),
            });
            all.points.extend(found.points);
            all.at_contact.extend(found.at_contact);
            for (camera, count) in found.mistaken {
                *all.mistaken.entry(camera).or_default() += count;
            }
        }
        Some(all)
    }

    fn rigid(&self, names: &[&str], basis: Basis, observations: &[Observation], wanted: &Wanted) -> Option<SideResult> {
        let places: Vec<Places> =
            names.iter().map(|name| Places::new(self.tracks, name, wanted.range)).collect::<Option<_>>()?;
        let (first, last) = (places.first()?, places.last()?);
        let rotations = rotations(&basis, first, last);
        let distances: Vec<Distance> = (1..names.len())
            .map(|i| match self.scale {
                Scale::Metric => RACKET_DISTANCES[i],
                Scale::UpToScale => {
                    let nominal_m = median_distance(first, &places[i]);
                    Distance { nominal_m, sd_m: nominal_m }
                }
            })
            .collect();
        let start = RigidState {
            distances_m: distances.iter().map(|d| d.nominal_m).collect(),
            positions: coefficients(&basis, first),
            rotations,
        };
        let course =
            RigidCourse::new(basis, wanted.side.contact_seconds, ROUGHER_RACKET, distances, *start.rotations.first()?);
        let fitted = settle(&course, observations, vec![1.0; names.len()], start).ok()?;
        self.result(&course, &fitted, observations, names.len(), wanted)
    }

    pub(super) fn result<C: Course>(
        &self,
        course: &C,
        fitted: &Fitted<C::State>,
        observations: &[Observation],
        landmarks: usize,
        wanted: &Wanted,
    ) -> Option<SideResult> {
        let shift = self.parameters.shift(course, fitted, observations)?;
        let used: Vec<Observation> =
            observations.iter().zip(&fitted.mistaken).filter(|(_, m)| !**m).map(|(o, _)| *o).collect();
        let at = |landmark: usize, seconds: f64| -> Option<PointMotion> {
            if seconds < wanted.range[0] || seconds > wanted.range[1] {
                return None;
            }
            let instant = course.basis().at(seconds);
            let columns = course.columns_of(landmark, &instant);
            let (motion, by_columns) = course.motion(&fitted.state, landmark, &instant);
            let pixels = &by_columns * fitted.covariance.of(&columns)? * by_columns.transpose();
            let by_parameters = &by_columns * shift.select_rows(&columns);
            let others = self.parameters.parts(&by_parameters);
            let bridged = bridged(self.sources, &used, landmark, seconds);
            point_motion(&motion, &pixels, &others, bridged)
        };
        let mut mistaken = BTreeMap::new();
        for (observation, _) in observations.iter().zip(&fitted.mistaken).filter(|(_, m)| **m) {
            *mistaken.entry(observation.rig_index).or_default() += 1;
        }
        Some(SideResult {
            points: (0..landmarks)
                .map(|landmark| wanted.side.instants.iter().map(|t| at(landmark, *t)).collect())
                .collect(),
            at_contact: (0..landmarks).map(|landmark| at(landmark, wanted.side.contact_seconds)).collect(),
            mistaken,
        })
    }
}

/// Where and from what a result is wanted.
pub(super) struct Wanted<'a> {
    pub(super) side: &'a Side,
    pub(super) range: [f64; 2],
}

fn point_motion(
    motion: &Motion,
    pixels: &DMatrix<f64>,
    others: &[DMatrix<f64>; 3],
    bridged: bool,
) -> Option<PointMotion> {
    let estimate = |order: usize| {
        let parts = block(pixels, others, order);
        let value: Vector3<f64> = motion.fixed_rows::<3>(3 * order).into_owned();
        Estimate3d { value: value.into(), covariance: symmetric(&parts), sd_parts: sds(&parts) }
    };
    let position = estimate(0);
    let sd = (0..3).map(|i| position.covariance[i][i]).sum::<f64>().sqrt();
    (sd < LARGEST_SD_M).then(|| PointMotion {
        position_m: position,
        velocity_m_s: estimate(1),
        acceleration_m_s2: estimate(2),
        bridged,
    })
}

fn symmetric(parts: &ErrorParts) -> [[f64; 3]; 3] {
    let total = parts.total();
    ((total + total.transpose()) * 0.5).into()
}

fn sds(parts: &ErrorParts) -> SdParts {
    let sd = |m: &nalgebra::Matrix3<f64>| m.trace().max(0.0).sqrt();
    SdParts { pixels: sd(&parts.pixels), poses: sd(&parts.poses), lenses: sd(&parts.lenses), clocks: sd(&parts.clocks) }
}

fn median_distance(a: &Places, b: &Places) -> f64 {
    let mut distances: Vec<f64> = a.seconds().iter().map(|t| (b.at(*t) - a.at(*t)).norm()).collect();
    distances.sort_by(f64::total_cmp);
    distances.get(distances.len() / 2).copied().unwrap_or(1.0)
}
