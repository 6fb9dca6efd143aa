//! Follows the racket through the pictures as one rigid body, all cameras together.
//!
//! A racket is a thin line of its own colours before a background that rests. Its outline (`outline.rs`), put where the motion so far
//! expects it (`motion.rs`), is compared with the pictures along short lines across: where the racket's colour covers most (`paint.rs`) is a
//! point of the line (Harris & Stennett 1990, "RAPID, a video rate object tracker"; Drummond & Cipolla 2002, "Real-time visual tracking of
//! complex structures"). All points of all cameras correct place, turn and motion at the instant at which each row was exposed. Unlike a patch
//! that is followed from frame to frame, the outline cannot slide along the racket and turns as it turns.
//!
//! From each marked moment the racket is followed forward and backward to the next; where two such chains contradict each other, or one
//! does not come home to the next mark, what it says is dropped.

mod motion;
mod outline;
mod paint;

use std::collections::{BTreeMap, BTreeSet};
use std::sync::{Arc, Mutex, PoisonError};

use midline_session::calibration::CalibratedCamera;
use midline_triangulation::SightCourse;
use nalgebra::{Matrix2, Matrix3, SMatrix, UnitQuaternion, Vector2, Vector3};
use rayon::prelude::*;

use crate::DeskError;
use crate::carry::{MARK_SD_PX, Place};
use crate::film::Film;
use motion::{Motion, Row, SIZE};
use outline::{OutlinePoint, Part, SHAPE_SD_M, Shape};
use paint::Paint;
pub(crate) use paint::Plates;

/// Landmarks: butt, throat, tip.
const LANDMARKS: usize = 3;
const TIP: usize = 2;

/// Marked frames of one moment: cameras on tripods take their frames at different times.
const ONE_MOMENT_SECONDS: f64 = 0.012;

/// Standard deviation of a point of the line, px. Its own noise is some 0.5 px; neighbours share what is wrong with outline and lens.
const LINE_SD_PX: f64 = 2.0;

/// The line is looked for no farther across than this, px, and not nearer than this.
const REACH_PX: [f64; 2] = [3.0, 12.0];

/// Distance of samples across the line, px.
const SAMPLE_PX: f64 = 0.5;

/// Least cover at the line, and how much it must stand out from both sides.
const LEAST_COVER: f64 = 0.25;
const LEAST_RISE: f64 = 0.12;

/// The line must be found at this share of the outline's points, this near on average, px.
const LEAST_FOUND: f64 = 0.4;
const LARGEST_RMS_PX: f64 = 1.3;

/// Of shaft and handle this share must be found: the rim alone looks the same from two directions.
const LEAST_BAR_FOUND: f64 = 0.5;

/// Where the tip is expected no better than this, px, the motion is looked for among so many draws first.
const SEARCH_PX: f64 = 3.5;
const DRAWS: usize = 120;

/// A chain ends when the tip is expected no better than this, px, or nothing was seen for so long, seconds.
const LOST_PX: f64 = 25.0;
const LOST_SECONDS: f64 = 0.05;

/// A picture that leaves this share of the former variance of a landmark says nothing of its own about it.
const OWN_SHARE: f64 = 0.7;

/// A landmark is not known better than this from one picture, px: outline and lens are not exact.
const LEAST_SD_PX: f64 = 0.7;

/// Two chains agree, and a chain comes home to a mark, within this, px.
const AGREEMENT_PX: f64 = 3.0;
const HOME_PX: f64 = 5.0;

/// Steps of half a turn in which the racket's turn about its own axis is looked for: nothing but the outline tells it.
const ROLLS: usize = 24;

/// Corrections from one set of pictures.
const STEPS: usize = 4;

/// What is not known of a motion where a chain starts: m, rad, m/s, rad/s, m/s², rad/s².
const START_SDS: [f64; 6] = [0.03, 0.08, 5.0, 10.0, 150.0, 400.0];

/// The turn about the axis and its rate are not known at all by marks: rad, rad/s.
const START_ROLL_SDS: [f64; 2] = [0.3, 12.0];

/// One camera's part.
pub(crate) struct Watched<'a> {
    pub(crate) film: &'a Film,
    pub(crate) calibrated: &'a CalibratedCamera,
    pub(crate) frames: [usize; 2],
    /// By landmark.
    pub(crate) marks: &'a [BTreeMap<usize, Option<[f64; 2]>>],
}

/// A frame of a camera.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Look {
    /// Session time of the middle of its picture.
    seconds: f64,
    camera: usize,
    frame: usize,
}

/// What a chain says about a frame.
#[derive(Debug, Clone)]
struct Step {
    look: Look,
    px: [[f64; 2]; LANDMARKS],
    /// `None` where the picture says nothing of its own.
    sd_px: [Option<f64>; LANDMARKS],
}

/// Steps from one marked moment towards the next.
#[derive(Debug, Default)]
struct Chain {
    steps: Vec<Step>,
    /// How far it was from the mark that it came to, px.
    home_px: Option<f64>,
}

/// The outline in one picture.
struct Sighting {
    rows: Vec<Row>,
    /// Points of the outline that could have been seen.
    looked_at: usize,
    /// The same of shaft and handle, with how many were found.
    bar: [usize; 2],
}

impl Sighting {
    fn found(&self) -> bool {
        let squares: f64 = self.rows.iter().map(|r| r.off_px * r.off_px).sum();
        let n = self.rows.len() as f64;
        let [bar, bar_found] = self.bar.map(|n| n as f64);
        n >= LEAST_FOUND * self.looked_at as f64
            && n >= 8.0
            && bar_found >= LEAST_BAR_FOUND * bar
            && bar_found > 0.0
            && (squares / n).sqrt() <= LARGEST_RMS_PX
    }
}

/// How far across the line is looked.
#[derive(Clone, Copy)]
enum Reach {
    /// As far as the motion is uncertain.
    Uncertainty,
    Px(f64),
}

/// Everything that does not change while the racket is followed.
struct Follower<'a> {
    watched: &'a [Watched<'a>],
    backgrounds: Vec<Arc<Vec<u8>>>,
    paints: Paints,
    shape: Shape,
    outline: Vec<OutlinePoint>,
    /// Of butt, throat and tip from the butt.
    landmarks_m: [f64; LANDMARKS],
}

/// Chains that came home, by the marks that they lie between: a further mark elsewhere does not follow them again.
#[derive(Debug, Default)]
pub(crate) struct Memory {
    chains: BTreeMap<Vec<u64>, Arc<Chain>>,
}

/// More than these are of strokes that were left behind.
const MOST_REMEMBERED: usize = 512;

/// A chain of which at least this share of the frames was seen is not followed again.
const WELL_SEEN: f64 = 0.9;

impl Memory {
    fn put(&mut self, key: Vec<u64>, chain: &Arc<Chain>) {
        if self.chains.len() >= MOST_REMEMBERED {
            self.chains.clear();
        }
        self.chains.insert(key, Arc::clone(chain));
    }
}

/// Where the pictures show butt, throat and tip, by camera and landmark and frame, followed from the marked moments. `course` goes through
/// the marks and says how the racket moves there. Empty when nothing can be followed.
pub(crate) fn follow(
    watched: &[Watched<'_>],
    course: &SightCourse,
    breaks_seconds: &[f64],
    memory: &Mutex<Memory>,
) -> Result<Vec<[BTreeMap<usize, Place>; LANDMARKS]>, DeskError> {
    let nothing = || (0..watched.len()).map(|_| Default::default()).collect();
    watched.par_iter().try_for_each(|w| w.film.prepare(w.frames))?;
    let looks = looks(watched);
    let moments = moments(watched, &looks);
    let Some(paints) = Paints::learned(watched, &moments)? else { return Ok(nothing()) };
    let Some(landmarks_m) = moments.iter().find_map(|m| landmarks(course, m[0].seconds)) else { return Ok(nothing()) };
    let shape = Shape::common(landmarks_m[TIP]);
    let backgrounds = watched.iter().map(|w| w.film.background()).collect::<Result<_, _>>()?;
    let mut follower = Follower { watched, backgrounds, paints, shape, outline: shape.points(), landmarks_m };
    let mut starts = follower.starts(course, &moments)?;
    // The outline is that of a common racket until it was seen.
    for _ in 0..2 {
        follower.fit_shape(&starts)?;
        starts = follower.starts(course, &moments)?;
    }
    let work: Vec<(usize, bool)> = (0..starts.len()).flat_map(|i| [(i, false), (i, true)]).collect();
    let locked = || memory.lock().unwrap_or_else(PoisonError::into_inner);
    let chains: Vec<Arc<Chain>> = work
        .par_iter()
        .map(|(index, back)| {
            let (moment, start) = &starts[*index];
            let piece = piece(start.seconds, breaks_seconds);
            let mut ahead: Vec<Look> = looks
                .iter()
                .copied()
                .filter(|l| piece[0] < l.seconds && l.seconds < piece[1] && !moment.contains(l))
                .filter(|l| (l.seconds < start.seconds) == *back)
                .collect();
            if *back {
                ahead.reverse();
            }
            let goal = ahead.iter().position(|l| mark(watched, l, TIP).is_some());
            let key = goal.map(|goal| key(watched, moment, &ahead[goal], piece));
            if let Some(known) = key.as_ref().and_then(|k| locked().chains.get(k).cloned()) {
                return Ok(known);
            }
            let chain = Arc::new(follower.chain(start, &ahead)?);
            let well_seen = goal.is_some_and(|goal| chain.steps.len() as f64 >= WELL_SEEN * goal as f64);
            if let Some(key) = key.filter(|_| well_seen && chain.home_px.is_some_and(|px| px <= HOME_PX)) {
                locked().put(key, &chain);
            }
            Ok(chain)
        })
        .collect::<Result<_, DeskError>>()?;
    Ok(joined(watched.len(), &chains))
}

/// What a chain between two marks depends on most: the marks of the moment that it starts from and of the frame that it goes to.
fn key(watched: &[Watched<'_>], moment: &[Look], goal: &Look, piece: [f64; 2]) -> Vec<u64> {
    let mut key: Vec<u64> = piece.map(f64::to_bits).to_vec();
    for look in moment.iter().chain([goal]) {
        key.extend([look.camera as u64, look.frame as u64]);
        for landmark in 0..LANDMARKS {
            let marked = mark(watched, look, landmark);
            key.extend(marked.map_or([u64::MAX; 2], |px| px.map(f64::to_bits)));
        }
    }
    key
}

/// The time between the breaks around an instant.
fn piece(seconds: f64, breaks: &[f64]) -> [f64; 2] {
    let before = breaks.iter().copied().filter(|b| *b <= seconds).fold(f64::NEG_INFINITY, f64::max);
    let after = breaks.iter().copied().filter(|b| *b > seconds).fold(f64::INFINITY, f64::min);
    [before, after]
}

/// All frames of all cameras in the order of time.
fn looks(watched: &[Watched<'_>]) -> Vec<Look> {
    let mut looks: Vec<Look> = watched
        .iter()
        .enumerate()
        .flat_map(|(camera, w)| {
            let half = 0.5 * w.calibrated.camera.read_out.seconds;
            (w.frames[0]..=w.frames[1]).filter_map(move |frame| {
                let pts = *w.film.footage.frame_pts_seconds.get(frame)?;
                Some(Look { seconds: w.calibrated.clock.session_seconds(pts + half), camera, frame })
            })
        })
        .collect();
    looks.sort_by(|a, b| a.seconds.total_cmp(&b.seconds));
    looks
}

fn mark(watched: &[Watched<'_>], look: &Look, landmark: usize) -> Option<[f64; 2]> {
    watched[look.camera].marks[landmark].get(&look.frame).copied().flatten()
}

/// Moments at which the racket was marked, each with its frames.
fn moments(watched: &[Watched<'_>], looks: &[Look]) -> Vec<Vec<Look>> {
    let mut moments: Vec<Vec<Look>> = Vec::new();
    let marked = |l: &&Look| mark(watched, l, TIP).is_some() && (0..TIP).any(|i| mark(watched, l, i).is_some());
    for look in looks.iter().filter(marked) {
        match moments.last_mut() {
            Some(own) if look.seconds - own[0].seconds < ONE_MOMENT_SECONDS => own.push(*look),
            _ => moments.push(vec![*look]),
        }
    }
    moments
}

/// Distances of throat and tip from the butt as the course has them.
fn landmarks(course: &SightCourse, seconds: f64) -> Option<[f64; LANDMARKS]> {
    let place = |landmark| Some(Vector3::from(course.moving_at(landmark, seconds)?.0));
    let butt = place(0)?;
    Some([0.0, (place(1)? - butt).norm(), (place(2)? - butt).norm()])
}

/// The racket's colours, by part.
struct Paints {
    frame: Paint,
    /// Where it could be told.
    handle: Option<Paint>,
}

impl Paints {
    /// From around the marked tips, and along the axis between the marks of butt and tip.
    fn learned(watched: &[Watched<'_>], moments: &[Vec<Look>]) -> Result<Option<Self>, DeskError> {
        /// Length of a common racket, metres: it only has to hit shaft and handle.
        const LENGTH_M: f64 = 0.685;
        let (mut tips, mut shafts, mut handles) = (Vec::new(), Vec::new(), Vec::new());
        for look in moments.iter().flatten() {
            let film = watched[look.camera].film;
            let (picture, background) = (film.planes(look.frame)?, film.background()?);
            let plates = film.plates(&picture, &background);
            let Some(tip) = mark(watched, look, TIP) else { continue };
            for dx in -2..=2 {
                for dy in -2..=2 {
                    tips.extend(plates.colours([tip[0] + f64::from(dx), tip[1] + f64::from(dy)]));
                }
            }
            let Some(butt) = mark(watched, look, 0) else { continue };
            for (part, colours) in [(Part::Shaft, &mut shafts), (Part::Handle, &mut handles)] {
                let Some([from_m, to_m]) = part.stretch_m() else { continue };
                for i in 0..=10 {
                    let share = (from_m + (to_m - from_m) * 0.1 * f64::from(i)) / LENGTH_M;
                    colours.extend(plates.colours([0, 1].map(|k| butt[k] + (tip[k] - butt[k]) * share)));
                }
            }
        }
        let Some(frame) = Paint::learned(&[tips, shafts]) else { return Ok(None) };
        Ok(Some(Self { frame, handle: Paint::learned(&[handles]) }))
    }

    /// See [`Paint::cover`].
    fn cover(&self, part: Part, plates: &Plates<'_>, px: [f64; 2]) -> Option<f64> {
        match part {
            Part::Rim | Part::Shaft => self.frame.cover(plates, px),
            Part::Handle => self.handle.as_ref()?.cover(plates, px),
        }
    }
}

impl Follower<'_> {
    fn plates<'b>(&'b self, look: &Look, picture: &'b [u8]) -> Plates<'b> {
        self.watched[look.camera].film.plates(picture, &self.backgrounds[look.camera])
    }

    /// Pixel of a point of the body in a frame, what it depends on, and the delay of the row that sees it.
    fn seen(
        &self,
        motion: &Motion,
        look: &Look,
        own_m: &Vector3<f64>,
    ) -> Option<(Vector2<f64>, SMatrix<f64, 2, 3>, SMatrix<f64, 3, 6>, f64, UnitQuaternion<f64>)> {
        let w = &self.watched[look.camera];
        let pts = *w.film.footage.frame_pts_seconds.get(look.frame)?;
        let mut delay = look.seconds - motion.seconds;
        for _ in 0..3 {
            let (place, turn) = motion.pose_after(delay);
            let px = w.calibrated.camera.project(&(place + turn * own_m).into())?;
            delay = w.calibrated.seen_at_seconds(pts, px.into()) - motion.seconds;
        }
        let (place, turn) = motion.pose_after(delay);
        let (point, by_pose) = Motion::point(&place, &turn, own_m);
        let (px, by_point) = w.calibrated.camera.project_with_point_jacobian(&point.into())?;
        Some((px, by_point, by_pose, delay, turn))
    }

    /// The outline in a picture, looked for around where the motion puts it.
    fn sighting(&self, motion: &Motion, look: &Look, plates: &Plates<'_>, reach: Reach) -> Sighting {
        let (mut rows, mut looked_at, mut bar) = (Vec::new(), 0, [0, 0]);
        for point in &self.outline {
            let Some((px, by_point, by_pose, delay_seconds, turn)) = self.seen(motion, look, &point.place_m) else {
                continue;
            };
            let along = by_point * (turn * point.along);
            // Seen end-on it has no direction; px per metre.
            if along.norm() < 8.0 {
                continue;
            }
            let across = Vector2::new(-along.y, along.x).normalize();
            let row = Row {
                off_px: 0.0,
                sd_px: LINE_SD_PX,
                by_pose: (across.transpose() * by_point * by_pose).transpose(),
                by_shape: Vector3::from(point.by_shape.map(|by| across.dot(&(by_point * (turn * by))))),
                delay_seconds,
            };
            let reach_px = match reach {
                Reach::Px(px) => px,
                Reach::Uncertainty => {
                    let by = row.by_motion();
                    let sd = (by.transpose() * motion.covariance * by).x.max(0.0).sqrt();
                    (2.5 * sd + 1.5).clamp(REACH_PX[0], REACH_PX[1])
                }
            };
            let Some(found) = line_across(&self.paints, point.part, plates, px, across, reach_px) else { continue };
            looked_at += 1;
            if point.part != Part::Rim {
                bar[0] += 1;
                bar[1] += usize::from(found.is_some());
            }
            if let Some(off_px) = found {
                rows.push(Row { off_px, ..row });
            }
        }
        Sighting { rows, looked_at, bar }
    }

    /// Delays of the rows that see the outline's points after the motion's time, seconds; motions that are alike share them.
    fn delays(&self, motion: &Motion, look: &Look) -> Vec<Option<f64>> {
        self.outline.iter().map(|p| Some(self.seen(motion, look, &p.place_m)?.3)).collect()
    }

    /// Mean cover along the outline where a motion puts it.
    fn cover(&self, motion: &Motion, look: &Look, plates: &Plates<'_>, delays: &[Option<f64>]) -> f64 {
        let camera = &self.watched[look.camera].calibrated.camera;
        let (mut sum, mut count) = (0.0, 0.0);
        for (point, delay) in self.outline.iter().zip(delays) {
            let Some(delay) = delay else { continue };
            let (place, turn) = motion.pose_after(*delay);
            let px = camera.project(&(place + turn * point.place_m).into());
            if let Some(cover) = px.and_then(|px| self.paints.cover(point.part, plates, px.into())) {
                sum += cover;
                count += 1.0;
            }
        }
        sum / f64::max(count, 1.0)
    }

    /// The likeliest of a motion's draws and itself.
    fn searched(&self, motion: &Motion, look: &Look, plates: &Plates<'_>) -> Motion {
        let delays = self.delays(motion, look);
        let mut best = (self.cover(motion, look, plates, &delays), motion.clone());
        for draw in motion.draws(DRAWS) {
            let cover = self.cover(&draw, look, plates, &delays);
            if cover > best.0 {
                best = (cover, draw);
            }
        }
        best.1
    }

    /// The marks of a frame.
    fn marked_rows(&self, motion: &Motion, look: &Look) -> Vec<Row> {
        let mut rows = Vec::new();
        for (landmark, distance_m) in self.landmarks_m.iter().enumerate() {
            let Some(px) = mark(self.watched, look, landmark) else { continue };
            let Some((seen, by_point, by_pose, delay_seconds, _)) =
                self.seen(motion, look, &(Vector3::x() * *distance_m))
            else {
                continue;
            };
            let by = by_point * by_pose;
            for axis in 0..2 {
                rows.push(Row {
                    off_px: px[axis] - seen[axis],
                    sd_px: MARK_SD_PX,
                    by_pose: by.row(axis).transpose(),
                    by_shape: Vector3::zeros(),
                    delay_seconds,
                });
            }
        }
        rows
    }

    /// The motion at every marked moment: where the course has it, turned about its axis as the outline shows, corrected by marks and outline.
    fn starts(&self, course: &SightCourse, moments: &[Vec<Look>]) -> Result<Vec<(Vec<Look>, Motion)>, DeskError> {
        let found: Vec<Option<(Vec<Look>, Motion)>> = moments
            .par_iter()
            .map(|looks| {
                let seconds = looks.iter().map(|l| l.seconds).sum::<f64>() / looks.len() as f64;
                let Some(start) = start(course, seconds) else { return Ok(None) };
                // Every camera helps, also where it was not marked.
                let mut looks = looks.clone();
                for (camera, w) in self.watched.iter().enumerate() {
                    if looks.iter().all(|l| l.camera != camera) {
                        let own = crate::racket::looks(std::slice::from_ref(w));
                        let near = own
                            .iter()
                            .min_by(|a, b| (a.seconds - seconds).abs().total_cmp(&(b.seconds - seconds).abs()));
                        looks.extend(near.map(|l| Look { camera, ..*l }));
                    }
                }
                let pictures =
                    looks.iter().map(|l| self.watched[l.camera].film.planes(l.frame)).collect::<Result<Vec<_>, _>>()?;
                let rows = |motion: &Motion, reach: Reach| -> Vec<Row> {
                    looks
                        .iter()
                        .zip(&pictures)
                        .flat_map(|(look, picture)| {
                            let mut own = self.marked_rows(motion, look);
                            own.extend(self.sighting(motion, look, &self.plates(look, picture), reach).rows);
                            own
                        })
                        .collect()
                };
                // The marks first: the roll is told by where the rim is, not by where the course is a little off.
                let Some(marked) =
                    start.corrected(&start, STEPS, |m, _| looks.iter().flat_map(|l| self.marked_rows(m, l)).collect())
                else {
                    return Ok(None);
                };
                let delays: Vec<_> = looks.iter().map(|look| self.delays(&marked, look)).collect();
                let cover = |motion: &Motion| -> f64 {
                    let own = looks.iter().zip(&pictures).zip(&delays);
                    own.map(|((l, picture), delays)| self.cover(motion, l, &self.plates(l, picture), delays)).sum()
                };
                let best = (0..ROLLS)
                    .map(|i| {
                        let roll = std::f64::consts::PI * i as f64 / ROLLS as f64;
                        let turn = marked.turn * UnitQuaternion::from_axis_angle(&Vector3::x_axis(), roll);
                        let tried = Motion { turn, ..marked.clone() };
                        (cover(&tried), turn)
                    })
                    .max_by(|a, b| a.0.total_cmp(&b.0));
                let Some((_, turn)) = best else { return Ok(None) };
                let rolled = Motion { turn, covariance: start.covariance, ..marked };
                let corrected = rolled
                    .corrected(&rolled, 2 * STEPS, |m, step| rows(m, Reach::Px(if step < 2 { 5.0 } else { 3.0 })));
                Ok(corrected.map(|motion| (looks, motion)))
            })
            .collect::<Result<_, DeskError>>()?;
        Ok(found.into_iter().flatten().collect())
    }

    /// The outline's own shape from all marked moments: their poses are eliminated (Schur complement).
    fn fit_shape(&mut self, starts: &[(Vec<Look>, Motion)]) -> Result<(), DeskError> {
        let prior = Vector3::from(SHAPE_SD_M).map(|sd| 1.0 / (sd * sd));
        let common = Shape::common(self.landmarks_m[TIP]);
        let mut information = Matrix3::from_diagonal(&prior);
        let mut pull = prior.component_mul(&(common.vector() - self.shape.vector()));
        for (looks, motion) in starts {
            // The marks hold the pose as they did in the start.
            let Some(known) = motion.covariance.fixed_view::<6, 6>(0, 0).into_owned().try_inverse() else { continue };
            let mut own = known * 0.1;
            let (mut mixed, mut own_pull) = (SMatrix::<f64, 6, 3>::zeros(), SMatrix::<f64, 6, 1>::zeros());
            for look in looks {
                let picture = self.watched[look.camera].film.planes(look.frame)?;
                for row in self.sighting(motion, look, &self.plates(look, &picture), Reach::Px(REACH_PX[0])).rows {
                    let weight = row.weight();
                    own.ger(weight, &row.by_pose, &row.by_pose, 1.0);
                    mixed.ger(weight, &row.by_pose, &row.by_shape, 1.0);
                    own_pull += row.by_pose * (weight * row.off_px);
                    information.ger(weight, &row.by_shape, &row.by_shape, 1.0);
                    pull += row.by_shape * (weight * row.off_px);
                }
            }
            let Some(factor) = own.cholesky() else { continue };
            information -= mixed.transpose() * factor.solve(&mixed);
            pull -= mixed.transpose() * factor.solve(&own_pull);
        }
        if let Some(factor) = information.cholesky() {
            let limit = Vector3::from(SHAPE_SD_M) * 3.0;
            let wanted = self.shape.stepped(factor.solve(&pull)).vector();
            let away = (wanted - common.vector()).zip_map(&limit, |a, l| a.clamp(-l, l));
            self.shape = common.stepped(away);
            self.outline = self.shape.points();
        }
        Ok(())
    }

    /// Pixel and covariance of a landmark in a frame.
    fn landmark(&self, motion: &Motion, look: &Look, landmark: usize) -> Option<(Vector2<f64>, Matrix2<f64>)> {
        let (px, by_point, by_pose, delay_seconds, _) =
            self.seen(motion, look, &(Vector3::x() * self.landmarks_m[landmark]))?;
        let by = by_point * by_pose;
        let mut all = SMatrix::<f64, 2, SIZE>::zeros();
        for axis in 0..2 {
            let row = Row {
                off_px: 0.0,
                sd_px: 1.0,
                by_pose: by.row(axis).transpose(),
                by_shape: Vector3::zeros(),
                delay_seconds,
            };
            all.row_mut(axis).copy_from(&row.by_motion().transpose());
        }
        Some((px, all * motion.covariance * all.transpose()))
    }

    /// Follows a motion through frames until it is lost or comes to a mark.
    fn chain(&self, start: &Motion, ahead: &[Look]) -> Result<Chain, DeskError> {
        let mut chain = Chain::default();
        let mut motion = start.clone();
        let mut last_seen = start.seconds;
        for look in ahead {
            let expected = motion.moved_to(look.seconds);
            let Some((px, spread)) = self.landmark(&expected, look, TIP) else { break };
            if let Some(tip) = mark(self.watched, look, TIP) {
                chain.home_px = Some((px - Vector2::from(tip)).norm());
                break;
            }
            if larger_sd(&spread) > LOST_PX || (look.seconds - last_seen).abs() > LOST_SECONDS {
                break;
            }
            let picture = self.watched[look.camera].film.planes(look.frame)?;
            let plates = self.plates(look, &picture);
            let unsure = larger_sd(&spread) > SEARCH_PX;
            let from = if unsure { self.searched(&expected, look, &plates) } else { expected.clone() };
            let corrected = expected.corrected(&from, STEPS, |m, step| {
                let reach = if step == 0 && !unsure {
                    Reach::Uncertainty
                } else {
                    Reach::Px(if step <= 1 { 5.0 } else { REACH_PX[0] })
                };
                self.sighting(m, look, &plates, reach).rows
            });
            let found = corrected
                .filter(|m| self.sighting(m, look, &plates, Reach::Px(REACH_PX[0])).found())
                .and_then(|m| Some((self.step(&expected, &m, look)?, m)));
            match found {
                Some((step, corrected)) => {
                    chain.steps.push(step);
                    motion = corrected;
                    last_seen = look.seconds;
                }
                None => motion = expected,
            }
        }
        Ok(chain)
    }

    fn step(&self, expected: &Motion, corrected: &Motion, look: &Look) -> Option<Step> {
        let mut step = Step { look: *look, px: [[0.0; 2]; LANDMARKS], sd_px: [None; LANDMARKS] };
        for landmark in 0..LANDMARKS {
            let (_, before) = self.landmark(expected, look, landmark)?;
            let (px, after) = self.landmark(corrected, look, landmark)?;
            step.px[landmark] = px.into();
            // What the picture alone says: the information that it added.
            let (a, b) = (larger_sd(&after).powi(2), larger_sd(&before).powi(2));
            if a < OWN_SHARE * b {
                step.sd_px[landmark] = Some((a * b / (b - a)).sqrt().max(LEAST_SD_PX));
            }
        }
        Some(step)
    }
}

fn larger_sd(covariance: &Matrix2<f64>) -> f64 {
    let (a, b, c) = (covariance.m11, covariance.m12, covariance.m22);
    (0.5 * (a + c + ((a - c).powi(2) + 4.0 * b * b).sqrt())).max(0.0).sqrt()
}

/// The motion that a course has, without a turn about the axis.
fn start(course: &SightCourse, seconds: f64) -> Option<Motion> {
    let at = |landmark| course.moving_at(landmark, seconds).map(|(p, v)| (Vector3::from(p), Vector3::from(v)));
    let ((butt, velocity), (tip, tip_velocity)) = (at(0)?, at(TIP)?);
    let line = tip - butt;
    let axis = line.try_normalize(1e-6)?;
    let turn = UnitQuaternion::rotation_between(&Vector3::x(), &axis)
        .unwrap_or_else(|| UnitQuaternion::from_axis_angle(&Vector3::z_axis(), std::f64::consts::PI));
    let spin = axis.cross(&(tip_velocity - velocity)) / line.norm();
    let mut covariance = SMatrix::<f64, SIZE, SIZE>::zeros();
    for (block, sd) in START_SDS.into_iter().enumerate() {
        let mut own = Matrix3::identity() * (sd * sd);
        let roll_sd = match block {
            1 => START_ROLL_SDS[0],
            3 => START_ROLL_SDS[1],
            _ => sd,
        };
        own += axis * axis.transpose() * (roll_sd * roll_sd - sd * sd);
        covariance.fixed_view_mut::<3, 3>(3 * block, 3 * block).copy_from(&own);
    }
    let zero = Vector3::zeros();
    Some(Motion { seconds, place: butt, turn, velocity, spin, acceleration: zero, spin_change: zero, covariance })
}

/// Where across a line its colour covers most: the outer `None` when too little of it is in the picture or could stand out, the
/// inner when nothing does.
fn line_across(
    paints: &Paints,
    part: Part,
    plates: &Plates<'_>,
    px: Vector2<f64>,
    across: Vector2<f64>,
    reach_px: f64,
) -> Option<Option<f64>> {
    /// Beyond the reach, px: both sides of a line at its end.
    const BESIDE_PX: f64 = 4.0;
    let half = ((reach_px + BESIDE_PX) / SAMPLE_PX).ceil() as i32;
    let at = |i: i32| f64::from(i) * SAMPLE_PX;
    let raw: Vec<f64> =
        (-half..=half).map(|i| paints.cover(part, plates, (px + across * at(i)).into())).collect::<Option<_>>()?;
    let value = |i: usize| 0.25 * raw[i - 1] + 0.5 * raw[i] + 0.25 * raw[i + 1];
    let values: Vec<f64> = (1..raw.len() - 1).map(value).collect();
    let place = |i: usize| at(i as i32 + 1 - half);
    let beside = (BESIDE_PX / SAMPLE_PX) as usize;
    let mut best: Option<(f64, usize)> = None;
    for i in 1..values.len() - 1 {
        let v = values[i];
        if place(i).abs() > reach_px || v < LEAST_COVER || v < values[i - 1] || v <= values[i + 1] {
            continue;
        }
        let lowest = |range: std::ops::Range<usize>| values[range].iter().copied().fold(f64::INFINITY, f64::min);
        let (left, right) = (lowest(i.saturating_sub(beside)..i), lowest(i + 1..(i + 1 + beside).min(values.len())));
        if v - left.max(right) < LEAST_RISE {
            continue;
        }
        let score = v - 0.4 * (place(i) / reach_px).powi(2);
        if best.is_none_or(|(most, _)| score > most) {
            best = Some((score, i));
        }
    }
    Some(best.map(|(_, peak)| {
        // Centre of what stands above half the peak.
        let half_height = 0.5 * values[peak];
        let (mut sum, mut weights) = (0.0, 0.0);
        let mut add = |i: usize| {
            let above = values[i] - half_height;
            if above > 0.0 {
                sum += above * place(i);
                weights += above;
            }
            above > 0.0
        };
        add(peak);
        for i in (0..peak).rev() {
            if !add(i) || values[i] > values[i + 1] {
                break;
            }
        }
        for i in peak + 1..values.len() {
            if !add(i) || values[i] > values[i - 1] {
                break;
            }
        }
        sum / weights
    }))
}

/// What all chains say together, by camera, landmark and frame.
fn joined(cameras: usize, chains: &[Arc<Chain>]) -> Vec<[BTreeMap<usize, Place>; LANDMARKS]> {
    let mut by_frame: BTreeMap<(usize, usize), Vec<(&Step, Option<f64>)>> = BTreeMap::new();
    for chain in chains {
        for step in &chain.steps {
            by_frame.entry((step.look.camera, step.look.frame)).or_default().push((step, chain.home_px));
        }
    }
    let mut found: Vec<[BTreeMap<usize, Place>; LANDMARKS]> = (0..cameras).map(|_| Default::default()).collect();
    for ((camera, frame), steps) in by_frame {
        let kept: BTreeSet<usize> = agreeing(&steps);
        for landmark in 0..LANDMARKS {
            let (mut px, mut weights) = (Vector2::zeros(), 0.0);
            for index in &kept {
                let step = steps[*index].0;
                if let Some(sd) = step.sd_px[landmark] {
                    px += Vector2::from(step.px[landmark]) / (sd * sd);
                    weights += 1.0 / (sd * sd);
                }
            }
            if weights > 0.0 {
                // They looked at the same picture: together they know little more than one.
                let sd_px = (kept.len() as f64 / weights).sqrt();
                found[camera][landmark].insert(frame, Place { px: (px / weights).into(), sd_px });
            }
        }
    }
    found
}

/// Which steps of one frame are believed: all when they agree; else those of chains that came home, if these agree.
fn agreeing(steps: &[(&Step, Option<f64>)]) -> BTreeSet<usize> {
    let alike = |of: &[usize]| {
        of.iter().all(|i| {
            of.iter().all(|j| {
                let apart = |k: usize| (Vector2::from(steps[*i].0.px[k]) - Vector2::from(steps[*j].0.px[k])).norm();
                apart(TIP) <= AGREEMENT_PX && apart(0) <= 2.0 * AGREEMENT_PX
            })
        })
    };
    let all: Vec<usize> = (0..steps.len()).collect();
    let home: Vec<usize> = all.iter().copied().filter(|i| steps[*i].1.is_some_and(|px| px <= HOME_PX)).collect();
    let astray = |i: &usize| steps[*i].1.is_some_and(|px| px > HOME_PX);
    if all.len() > 1 && alike(&all) {
        return all.into_iter().collect();
    }
    if !home.is_empty() && alike(&home) {
        return home.into_iter().collect();
    }
    if all.len() == 1 && !all.iter().any(astray) { all.into_iter().collect() } else { BTreeSet::new() }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SIZE: [u32; 2] = [64, 48];

    /// Planes of a soft bright line along `y = 20.3 + 0.2 x`, and of nothing.
    fn planes(line: bool) -> Vec<u8> {
        let cover = |x: f64, y: f64| {
            let off = (y - 20.3 - 0.2 * x) / 1.04_f64.sqrt();
            if line { (1.9 - off.abs()).clamp(0.0, 1.0) } else { 0.0 }
        };
        let brightness = (0..48).flat_map(|y| (0..64).map(move |x| (f64::from(x), f64::from(y))));
        let bright = brightness.map(|(x, y)| (60.0 + 140.0 * cover(x, y)).round() as u8);
        bright.chain([128; 2 * 32 * 24]).collect()
    }

    #[test]
    fn a_line_is_found_across_to_a_tenth_of_a_pixel() {
        let (picture, background) = (planes(true), planes(false));
        let plates = Plates { picture: &picture, background: &background, size_px: SIZE };
        let frame = Paint::learned(&[vec![[[200.0, 128.0, 128.0], [60.0, 128.0, 128.0]]]]).unwrap();
        let paints = Paints { frame, handle: None };
        let across = Vector2::new(-0.2, 1.0).normalize();
        let on_line = Vector2::new(30.0, 26.3);
        for off in [-4.7, -1.2, 0.0, 0.4, 3.1] {
            let found = line_across(&paints, Part::Rim, &plates, on_line - across * off, across, 6.0).unwrap().unwrap();
            assert!((found - off).abs() < 0.1, "{found} for {off}");
        }
        let far = Vector2::new(30.0, 38.0);
        assert_eq!(line_across(&paints, Part::Rim, &plates, far, across, 3.0), Some(None), "nothing there");
        assert_eq!(
            line_across(&paints, Part::Rim, &plates, Vector2::new(30.0, 44.0), across, 6.0),
            None,
            "out of the picture"
        );
        assert_eq!(line_across(&paints, Part::Handle, &plates, on_line, across, 6.0), None, "no colour to look for");
    }

    fn row(off_px: f64) -> Row {
        let (by_pose, by_shape) = (nalgebra::Vector6::zeros(), Vector3::zeros());
        Row { off_px, sd_px: LINE_SD_PX, by_pose, by_shape, delay_seconds: 0.0 }
    }

    #[test]
    fn a_rim_without_its_bar_says_nothing() {
        let rim = vec![row(0.4); 36];
        assert!(Sighting { rows: rim.clone(), looked_at: 46, bar: [10, 6] }.found());
        assert!(!Sighting { rows: rim.clone(), looked_at: 46, bar: [10, 2] }.found());
        assert!(!Sighting { rows: rim, looked_at: 36, bar: [0, 0] }.found());
        assert!(!Sighting { rows: vec![row(1.8); 40], looked_at: 46, bar: [10, 10] }.found(), "too far off");
        assert!(!Sighting { rows: vec![row(0.2); 12], looked_at: 46, bar: [10, 10] }.found(), "too little of it");
    }

    fn chain(frames: std::ops::Range<usize>, tip_x: f64, home_px: Option<f64>) -> Arc<Chain> {
        let step = |frame| Step {
            look: Look { seconds: 0.01 * frame as f64, camera: 0, frame },
            px: [[0.0; 2], [0.0; 2], [tip_x, 5.0]],
            sd_px: [None, None, Some(1.0)],
        };
        Arc::new(Chain { steps: frames.map(step).collect(), home_px })
    }

    #[test]
    fn chains_that_contradict_each_other_are_dropped_unless_one_came_home() {
        let tips = |chains: &[Arc<Chain>]| joined(1, chains).remove(0)[TIP].clone();
        let agree = tips(&[chain(0..10, 50.0, None), chain(4..14, 51.0, None)]);
        assert_eq!(agree.len(), 14);
        assert!((agree[&6].px[0] - 50.5).abs() < 1e-12 && agree[&6].sd_px >= 1.0, "{:?}", agree[&6]);
        let contradict = tips(&[chain(0..10, 50.0, None), chain(4..14, 70.0, None)]);
        assert_eq!(contradict.keys().copied().collect::<Vec<_>>(), [0, 1, 2, 3, 10, 11, 12, 13]);
        let one_home = tips(&[chain(0..10, 50.0, Some(1.0)), chain(4..14, 70.0, Some(40.0))]);
        assert_eq!(one_home.keys().copied().collect::<Vec<_>>(), (0..10).collect::<Vec<_>>());
        assert!(one_home.values().all(|p| p.px[0] == 50.0));
    }
}
