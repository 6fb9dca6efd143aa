//! One clock for the clips in which several cameras watch one board being carried about, without sound and before it is known
//! where the cameras stand.
//!
//! Each view gives the place of the board's centre in its camera's frame, in metres. Over time that is a path, and the paths in
//! two cameras are one path but for a rigid transform. At the right offset a rigid transform lays one over the other; at a
//! wrong one none does. The transform in closed form: K. S. Arun, T. S. Huang and S. D. Blostein, "Least-squares fitting of two
//! 3-D point sets", 1987, here reweighted with Cauchy's loss. A board that only rests, or moves in a line at one speed, fits
//! any offset, which shows in the next best one.

use argmin::core::{CostFunction, Executor, State};
use argmin::solver::brent::BrentOpt;
use midline_geometry::{Intrinsics, ReadOut};
use midline_session::board::{Board, BoardView};
use midline_session::calibration::{CameraClock, ClockCalibration, ClockEstimate, ClockSource};
use nalgebra::{Matrix3, SMatrix, SVector, Vector2, Vector3};
use rayon::iter::{IntoParallelIterator, ParallelIterator};

use crate::ClockError;
use crate::estimate::reference_clock;
use crate::level::median;
use crate::line::{Line, RATE_SD};
use crate::sound_network::{Link, joined};

/// Step of the grid of offsets, seconds.
const STEP_SECONDS: f64 = 0.02;
/// Grid points that are looked at closely, and the distance of two offsets that count as two, seconds.
const CANDIDATES: usize = 8;
const APART_SECONDS: f64 = 0.3;
/// Places between which a path is read, seconds apart at most.
const LONGEST_GAP_SECONDS: f64 = 0.35;
/// Time that both cameras must see the board, seconds, and how far its centre must come from its mean, metres (root mean
/// square).
const LEAST_COMMON_SECONDS: f64 = 3.0;
const LEAST_SPREAD_M: f64 = 0.08;
/// Neighbouring places share their errors: those within this time count as one, seconds (common practice).
const AS_ONE_SECONDS: f64 = 0.3;
/// Logarithm of how much likelier the best offset must be than the next best: as for the player's motion, an offset is
/// the best of some thousands, e⁹, and one wrong in e⁹ is left.
const CLEAR: f64 = 18.0;
/// Distance between both paths beyond which they are not one, as a share of their spread.
const WORST_SHARE: f64 = 0.2;
/// Cauchy's tuning constant (95 % efficiency on normal residuals), and passes of reweighting.
const CAUCHY: f64 = 2.385;
const PASSES: usize = 6;
/// An offset is not trusted below this share of the spacing of the views.
const LEAST_SD_SHARE: f64 = 0.05;

/// What one camera saw of the board.
#[derive(Debug, Clone, Copy)]
pub struct BoardClip<'a> {
    /// The camera's name.
    pub camera: &'a str,
    /// Its lens.
    pub intrinsics: &'a Intrinsics,
    /// When its rows are read.
    pub read_out: ReadOut,
    /// The views, those in which the board moves as well.
    pub views: &'a [BoardView],
}

/// Offset of every clip against the first from the board's own motion. Rates are taken to be equal within crystals' tolerance.
///
/// # Errors
/// With fewer than two clips, and [`ClockError::BoardsApart`] when the board did not move enough in view of both cameras, or
/// moved so that several offsets explain it.
pub fn from_boards(board: &Board, clips: &[BoardClip]) -> Result<ClockCalibration, ClockError> {
    if clips.len() < 2 {
        return Err(ClockError::TooFewCameras { given: clips.len() });
    }
    let paths: Vec<Path> = clips.iter().map(|clip| Path::of(board, clip)).collect();
    let (mut links, mut remarks, mut apart) = (Vec::new(), Vec::new(), Vec::new());
    for first in 0..clips.len() {
        for second in first + 1..clips.len() {
            match laid_over(&paths[first], &paths[second]) {
                Ok(found) => {
                    remarks.push(format!(
                        "Cameras {} and {}: the board's own motion gives the offset of the shared-board clips: {:.0} ± {:.0} ms; {} places \
                         of its centre fit to {:.0} mm, the next best offset to {}.",
                        clips[first].camera,
                        clips[second].camera,
                        found.offset * 1e3,
                        found.sd * 1e3,
                        found.places,
                        found.distance * 1e3,
                        found.rival.map_or_else(|| "nothing".to_owned(), |rival| format!("{:.0} mm", rival * 1e3))
                    ));
                    let covariance = [[found.sd * found.sd, 0.0], [0.0, RATE_SD * RATE_SD]];
                    let line = Line { centre: found.centre, level: found.offset, slope: 0.0, covariance };
                    links.push((Link { first, second, line, common_sd_seconds: 0.0 }, found.places));
                }
                Err(reason) => apart.push((first, second, reason)),
            }
        }
    }
    let only_links: Vec<Link> = links.iter().map(|(link, _)| *link).collect();
    let mut cameras = vec![reference_clock(clips[0].camera)];
    for (index, clock) in joined(clips.len(), &only_links).into_iter().enumerate().skip(1) {
        let Some(clock) = clock else {
            let of_camera = apart.iter().find(|(_, second, _)| *second == index);
            let (reference, reason) = of_camera.map_or((0, String::new()), |(first, _, why)| (*first, why.clone()));
            return Err(ClockError::BoardsApart {
                reference: clips[reference].camera.to_owned(),
                camera: clips[index].camera.to_owned(),
                reason,
            });
        };
        let of_camera = || links.iter().filter(|(link, _)| link.first == index || link.second == index);
        let mut own = CameraClock {
            camera: clips[index].camera.to_owned(),
            offset_seconds: clock.offset_seconds,
            rate: clock.rate,
            covariance: clock.covariance,
            source: ClockSource::Motion,
            estimates: Vec::new(),
        };
        own.estimates.push(ClockEstimate {
            method: ClockSource::Motion,
            offset_seconds: own.offset_seconds,
            sd_seconds: own.sd_seconds(of_camera().next().map_or(0.0, |(link, _)| link.line.centre)),
            n: of_camera().map(|(_, places)| places).sum(),
        });
        cameras.push(own);
    }
    Ok(ClockCalibration { reference: clips[0].camera.to_owned(), cameras, read_outs: Vec::new(), remarks })
}

/// The board's centre in one camera's frame over presentation time.
struct Path {
    places: Vec<(f64, Vector3<f64>)>,
    spacing_seconds: f64,
}

impl Path {
    fn of(board: &Board, clip: &BoardClip) -> Self {
        let mut places: Vec<(f64, Vector3<f64>)> =
            clip.views.iter().filter_map(|view| centre(board, clip, view)).collect();
        places.sort_by(|a, b| a.0.total_cmp(&b.0));
        let spacings: Vec<f64> = places.windows(2).map(|w| w[1].0 - w[0].0).collect();
        Self { places, spacing_seconds: median(&spacings) }
    }

    fn at(&self, seconds: f64) -> Option<Vector3<f64>> {
        let after = self.places.partition_point(|p| p.0 <= seconds);
        let (before, next) = (self.places.get(after.checked_sub(1)?)?, self.places.get(after)?);
        let gap = next.0 - before.0;
        (gap > 0.0 && gap <= LONGEST_GAP_SECONDS).then(|| before.1 + (next.1 - before.1) * ((seconds - before.0) / gap))
    }

    fn span(&self) -> Option<(f64, f64)> {
        Some((self.places.first()?.0, self.places.last()?.0))
    }
}

/// When the board's centre was seen, and where in the camera's frame: the homography from the board to undistorted rays by the
/// direct linear transform, its scale from its first two columns (Zhang 2000, section 3.1).
fn centre(board: &Board, clip: &BoardClip, view: &BoardView) -> Option<(f64, Vector3<f64>)> {
    let corners = board.corners_m();
    let middle = corners.iter().map(|c| c.coords.xy()).sum::<Vector2<f64>>() / corners.len().max(1) as f64;
    let size = corners.iter().map(|c| (c.coords.xy() - middle).norm()).fold(0.0, f64::max);
    let mut normal = SMatrix::<f64, 9, 9>::zeros();
    let mut middle_px = Vector2::zeros();
    for (index, px) in view.corner_indices().zip(&view.corners_px) {
        let px = Vector2::from(*px);
        let ray = clip.intrinsics.normalised_from_px(px).ok()?;
        let on = (corners.get(index)?.coords.xy() - middle) / size;
        let row = |x: bool| {
            let (value, zero) = (if x { ray.x } else { ray.y }, Vector3::zeros());
            let place = Vector3::new(on.x, on.y, 1.0);
            let (first, second) = if x { (place, zero) } else { (zero, place) };
            SVector::<f64, 9>::from_iterator(
                first.iter().chain(&second).copied().chain(place.iter().map(|p| -value * p)),
            )
        };
        for row in [row(true), row(false)] {
            normal += row * row.transpose();
        }
        middle_px += px / view.corners_px.len() as f64;
    }
    if view.corners_px.len() < 4 {
        return None;
    }
    let eigen = normal.symmetric_eigen();
    let h = eigen.eigenvectors.column(eigen.eigenvalues.imin()).into_owned();
    let homography = Matrix3::from_row_slice(h.as_slice());
    // The columns of a rotation have length 1, and the board is in front of the camera.
    let length = 0.5 * (homography.column(0).norm() + homography.column(1).norm()) / size;
    let place = homography.column(2) / length;
    let place = place * place.z.signum();
    let seconds = view.pts_seconds + clip.read_out.delay_seconds(middle_px, clip.intrinsics.size_px);
    place.iter().all(|v| v.is_finite()).then_some((seconds, place))
}

/// Two paths laid over each other.
struct Laid {
    /// First time = second time + offset, and the middle of the places in the second's time.
    offset: f64,
    sd: f64,
    centre: f64,
    places: usize,
    /// Usual distance of both paths there and at the next best offset, metres.
    distance: f64,
    rival: Option<f64>,
}

/// How well two paths fit at one offset.
#[derive(Debug, Clone, Copy)]
struct Fit {
    offset: f64,
    /// Places that were compared, the time that they count for, and their middle.
    places: usize,
    seconds: f64,
    centre: f64,
    /// Usual distance, and the spread of the places, metres.
    distance: f64,
    spread: f64,
}

impl Fit {
    /// Logarithm of how much likelier the places are than without any connection.
    fn gain(&self) -> f64 {
        3.0 * self.seconds / AS_ONE_SECONDS * (self.spread / self.distance.max(1e-4)).ln()
    }
}

fn fit(first: &Path, second: &Path, offset: f64) -> Option<Fit> {
    let both: Vec<(f64, Vector3<f64>, Vector3<f64>)> =
        second.places.iter().filter_map(|(t, b)| Some((*t, first.at(t + offset)?, *b))).collect();
    let seconds = both.len() as f64 * second.spacing_seconds;
    if seconds < LEAST_COMMON_SECONDS {
        return None;
    }
    let n = both.len() as f64;
    let mut weights = vec![1.0; both.len()];
    let (mut distance, mut spread) = (f64::INFINITY, 0.0);
    for _ in 0..PASSES {
        let total: f64 = weights.iter().sum();
        let mean = |of: &dyn Fn(&(f64, Vector3<f64>, Vector3<f64>)) -> Vector3<f64>| {
            both.iter().zip(&weights).map(|(place, w)| of(place) * *w).sum::<Vector3<f64>>() / total
        };
        let (a, b) = (mean(&|p| p.1), mean(&|p| p.2));
        let across: Matrix3<f64> =
            both.iter().zip(&weights).map(|((_, p, q), w)| (q - b) * (p - a).transpose() * *w).sum();
        let svd = across.svd(true, true);
        let (u, v_t) = (svd.u?, svd.v_t?);
        let flip = Matrix3::from_diagonal(&Vector3::new(1.0, 1.0, (u * v_t).determinant().signum()));
        let rotation = u * flip * v_t;
        let distances: Vec<f64> = both.iter().map(|(_, p, q)| (q - b - rotation * (p - a)).norm()).collect();
        // Of three coordinates' normal errors the median length is 1.54 standard deviations (chi distribution).
        let scale = (median(&distances) / 1.538).max(1e-5);
        for (weight, distance) in weights.iter_mut().zip(&distances) {
            *weight = 1.0 / (1.0 + (distance / (CAUCHY * 3.0_f64.sqrt() * scale)).powi(2));
        }
        let squares: f64 = distances.iter().zip(&weights).map(|(d, w)| w * d * d).sum();
        distance = (squares / weights.iter().sum::<f64>()).sqrt();
        spread = (both.iter().map(|(_, _, q)| (q - b).norm_squared()).sum::<f64>() / n).sqrt();
    }
    let centre = both.iter().map(|p| p.0).sum::<f64>() / n;
    Some(Fit { offset, places: both.len(), seconds, centre, distance, spread })
}

/// The misfit around a grid point, for `argmin`.
struct Valley<'a> {
    first: &'a Path,
    second: &'a Path,
    around: f64,
}

impl CostFunction for Valley<'_> {
    type Param = f64;
    type Output = f64;

    fn cost(&self, shift: &f64) -> Result<f64, argmin::core::Error> {
        Ok(fit(self.first, self.second, self.around + shift).map_or(f64::INFINITY, |fit| -fit.gain()))
    }
}

fn laid_over(first: &Path, second: &Path) -> Result<Laid, String> {
    let (Some((from, to)), Some((other_from, other_to))) = (first.span(), second.span()) else {
        return Err("one of them shows no board".into());
    };
    let (lowest, highest) = (from - other_to + LEAST_COMMON_SECONDS, to - other_from - LEAST_COMMON_SECONDS);
    let steps = ((highest - lowest) / STEP_SECONDS).max(0.0) as usize;
    let mut fits: Vec<Fit> = (0..=steps)
        .into_par_iter()
        .filter_map(|k| fit(first, second, lowest + k as f64 * STEP_SECONDS))
        .filter(|fit| fit.spread >= LEAST_SPREAD_M)
        .collect();
    fits.sort_by(|a, b| b.gain().total_cmp(&a.gain()).then(a.offset.total_cmp(&b.offset)));
    let mut hills: Vec<Fit> = Vec::new();
    for fit in fits {
        if hills.len() < CANDIDATES && hills.iter().all(|h| (h.offset - fit.offset).abs() >= APART_SECONDS) {
            hills.push(fit);
        }
    }
    let refined = |hill: &Fit| -> Option<Fit> {
        let solver = BrentOpt::new(-1.5 * STEP_SECONDS, 1.5 * STEP_SECONDS).set_tolerance(1e-6, 1e-5);
        let valley = Valley { first, second, around: hill.offset };
        let found = Executor::new(valley, solver).configure(|state| state.max_iters(40)).run().ok()?;
        fit(first, second, hill.offset + found.state().get_best_param().copied()?)
    };
    let mut hills: Vec<Fit> = hills.iter().map(|hill| refined(hill).unwrap_or(*hill)).collect();
    hills.sort_by(|a, b| b.gain().total_cmp(&a.gain()));
    let best = hills.first().ok_or_else(|| {
        format!(
            "the board was not carried about in view of both for {LEAST_COMMON_SECONDS} s (its centre must come {:.0} cm from its mean)",
            LEAST_SPREAD_M * 1e2
        )
    })?;
    let rival = hills.get(1);
    if best.distance > WORST_SHARE * best.spread {
        return Err(format!(
            "at the best of all offsets, {:.2} s, the board's places in both cameras are {:.0} mm apart",
            best.offset,
            best.distance * 1e3
        ));
    }
    let clear = best.gain() - rival.map_or(0.0, |rival| rival.gain().max(0.0));
    if clear < CLEAR {
        return Err(format!(
            "offsets of {:.2} s and {:.2} s explain the board's motion about equally well ({:.0} and {:.0} mm)",
            best.offset,
            rival.map_or(f64::NAN, |r| r.offset),
            best.distance * 1e3,
            rival.map_or(f64::NAN, |r| r.distance) * 1e3
        ));
    }
    // The gain is the logarithm of the profile likelihood of the offset; its bend is the inverse variance.
    let h = 0.5 * second.spacing_seconds.clamp(0.01, 0.1);
    let at = |shift: f64| fit(first, second, best.offset + shift).map(|fit| -fit.gain());
    let bend = at(h).zip(at(-h)).map_or(0.0, |(up, down)| (up + down + 2.0 * best.gain()) / (h * h));
    let floor = LEAST_SD_SHARE * first.spacing_seconds.max(second.spacing_seconds);
    let sd = if bend > 0.0 { bend.sqrt().recip().max(floor) } else { LEAST_COMMON_SECONDS };
    Ok(Laid {
        offset: best.offset,
        sd,
        centre: best.centre,
        places: best.places,
        distance: best.distance,
        rival: rival.map(|r| r.distance),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::motion::made_motion::camera;
    use midline_geometry::{Camera, RigidTransform, ScanDirection};
    use nalgebra::{Point3, Translation3, UnitQuaternion};
    use rand::SeedableRng;
    use rand::rngs::StdRng;
    use rand_distr::{Distribution, StandardNormal};

    fn board() -> Board {
        Board { name: "b".into(), inner_corners: [9, 6], square_m: 0.06, markers: None }
    }

    /// A hand-held board: rests of 0.8 s in places and tilts drawn from a seed, moves of 1.1 s in between.
    fn carried(seed: u64, seconds: f64) -> RigidTransform {
        let (rest, whole) = (0.8, 1.9);
        let stop = |k: f64| {
            let draw = |n: f64| (12.9898 * (k + seed as f64 * 17.0) + 78.233 * n).sin() * 43_758.545_3;
            let draw = |n: f64| 2.0 * (draw(n) - draw(n).floor()) - 1.0;
            let place = Vector3::new(0.9 * draw(1.0), 0.7 * draw(2.0), 1.1 + 0.4 * draw(3.0));
            // Facing the cameras, which look along y, more or less.
            let facing = UnitQuaternion::from_euler_angles(-1.6 + 0.4 * draw(4.0), 0.5 * draw(5.0), 0.3 * draw(6.0));
            (place, facing)
        };
        let (k, into) = ((seconds / whole).floor(), seconds.rem_euclid(whole));
        let share = ((into - rest) / (whole - rest)).clamp(0.0, 1.0);
        let share = share * share * (3.0 - 2.0 * share);
        let ((a, turn_a), (b, turn_b)) = (stop(k), stop(k + 1.0));
        RigidTransform::from_parts(Translation3::from(a + (b - a) * share), turn_a.slerp(&turn_b, share))
    }

    /// Ten views per second with 0.3 px of noise; every eighth is missing.
    fn seen(camera: &Camera, motion: u64, offset: f64, seconds: f64, seed: u64) -> Vec<BoardView> {
        let mut random = StdRng::seed_from_u64(seed);
        (0..(10.0 * seconds) as usize)
            .filter(|k| k % 8 != 5)
            .map(|frame_index| {
                let pts_seconds = 0.1 * frame_index as f64 + 0.013 * seed as f64;
                let mut noise = || 0.3 * Distribution::<f64>::sample(&StandardNormal, &mut random);
                let corners_px = board()
                    .corners_m()
                    .iter()
                    .map(|corner| {
                        let world: Point3<f64> = carried(motion, offset + pts_seconds) * corner;
                        let first = camera.project(&world).unwrap();
                        let late = offset + pts_seconds + camera.row_delay_seconds(first);
                        let px = camera.project(&(carried(motion, late) * corner)).unwrap();
                        [px.x + noise(), px.y + noise()]
                    })
                    .collect();
                BoardView { frame_index, pts_seconds, corners_px, corner_ids: None, edge_width_px: None }
            })
            .collect()
    }

    fn cameras() -> [Camera; 3] {
        let down = ReadOut { seconds: 0.012, direction: ScanDirection::Down };
        [
            camera(-3.0, -5.0, [1920, 1080], down),
            camera(3.0, -4.5, [1920, 1080], down),
            camera(0.3, -6.0, [1920, 1080], down),
        ]
    }

    fn clips<'a>(cameras: &'a [Camera], views: &'a [Vec<BoardView>]) -> Vec<BoardClip<'a>> {
        let of = |((camera, views), name): ((&'a Camera, &'a Vec<BoardView>), &'a &'static str)| BoardClip {
            camera: name,
            intrinsics: &camera.intrinsics,
            read_out: camera.read_out,
            views,
        };
        cameras.iter().zip(views).zip(&["a", "b", "c"]).map(of).collect()
    }

    #[test]
    fn silent_clips_of_a_carried_board_get_a_clock_from_its_motion() {
        let cameras = cameras();
        let (mut squares, mut covered, trials) = (0.0, 0, 4_u32);
        for trial in 0..trials {
            let motion = u64::from(trial);
            let offsets = [0.0, 1.237 + 0.31 * f64::from(trial), -0.8 + 0.17 * f64::from(trial)];
            let views: Vec<_> = (0..3).map(|c| seen(&cameras[c], motion, 3.0 + offsets[c], 24.0, c as u64)).collect();
            let clock = from_boards(&board(), &clips(&cameras, &views)).unwrap();
            if trial == 0 {
                println!("{}", clock.remarks.join("\n"));
            }
            for (camera, offset) in clock.cameras.iter().zip(offsets).skip(1) {
                let error = camera.session_seconds(12.0) - (12.0 + offset);
                squares += error * error;
                covered += u32::from(error.abs() <= 1.96 * camera.sd_seconds(12.0));
                assert!(error.abs() < 0.03, "trial {trial}: {error}");
            }
        }
        let n = 2 * trials;
        println!("board's motion: {:.1} ms rms, {covered} of {n} within", (squares / f64::from(n)).sqrt() * 1e3);
        assert!(4 * covered >= 3 * n);
    }

    #[test]
    fn a_resting_board_another_board_and_too_short_a_clip_are_refused_with_advice() {
        let cameras = cameras();
        let refused = |views: &[Vec<BoardView>], word: &str| {
            let error = from_boards(&board(), &clips(&cameras, views)).unwrap_err();
            println!("{error}");
            let ClockError::BoardsApart { reason, .. } = &error else { panic!("{error}") };
            assert!(
                reason.contains(word) && error.is_not_measurable() && error.to_string().contains("clap"),
                "{error}"
            );
        };
        let one = seen(&cameras[0], 1, 3.0, 24.0, 0);
        refused(&[one.clone(), seen(&cameras[1], 2, 3.0, 24.0, 1)], "mm apart");
        refused(&[one.clone(), seen(&cameras[1], 1, 3.0, 2.0, 1)], "carried about");
        let still = |camera: usize| -> Vec<BoardView> {
            let views = seen(&cameras[camera], 1, 3.0, 24.0, camera as u64);
            let first = views[0].clone();
            let resting = |v: &BoardView| BoardView { corners_px: first.corners_px.clone(), ..v.clone() };
            views.iter().map(resting).collect()
        };
        refused(&[still(0), still(1)], "carried about");
        assert!(matches!(from_boards(&board(), &[]).unwrap_err(), ClockError::TooFewCameras { given: 0 }));
    }
}
