//! The joint problem: poses of all cameras and all boards, from court points and lines, board corners and, in the final
//! refinement, the player's own points; with the lenses held or free.

use midline_geometry::{Intrinsics, RigidTransform, skew, stepped};
use midline_solver::{LeastSquares, LocalCovariance, Loss, Structure};
use nalgebra::{DMatrix, DVector, Matrix2x3, Matrix2x6, Matrix2xX, Matrix3x6, Point3, Vector2, Vector3, Vector6};
use rayon::prelude::*;

use crate::input::{Checked, Observed};
use crate::line_foot::{LineFoot, foot};

/// Poses of cameras and boards in the world, lenses, and the player's points.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct RigState {
    /// `camera_from_world`.
    pub(crate) cameras: Vec<RigidTransform>,
    pub(crate) intrinsics: Vec<Intrinsics>,
    /// `world_from_board`, one per sighting.
    pub(crate) boards: Vec<RigidTransform>,
    /// The player's points in the world, metres.
    pub(crate) points: Vec<Point3<f64>>,
}

/// What is seen.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Seen {
    /// A point of the court, fixed in the world.
    Court(Point3<f64>),
    /// Some point of a line of the court.
    Line { origin: Point3<f64>, direction: Vector3<f64> },
    /// A corner of the board in the pose of this sighting.
    Board { board: usize, corner: Point3<f64> },
    /// A point of the player.
    Player(usize),
}

/// Kinds of observations, each with a spread of its own.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Kind {
    Click,
    Line,
    Corner,
    Player,
}

pub(crate) const KINDS: [Kind; 4] = [Kind::Click, Kind::Line, Kind::Corner, Kind::Player];

/// Something seen by one camera.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Observation {
    pub(crate) camera: usize,
    pub(crate) seen: Seen,
    pub(crate) px: Vector2<f64>,
    /// Assumed standard deviation, px; the spread multiplies it.
    pub(crate) sd_px: f64,
}

impl Observation {
    pub(crate) fn kind(&self) -> Kind {
        match self.seen {
            Seen::Court(_) => Kind::Click,
            Seen::Line { .. } => Kind::Line,
            Seen::Board { .. } => Kind::Corner,
            Seen::Player(_) => Kind::Player,
        }
    }

    pub(crate) fn is_of_board(&self, index: usize) -> bool {
        matches!(self.seen, Seen::Board { board, .. } if board == index)
    }
}

/// Factors on the assumed standard deviations, by kind.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Spread(pub(crate) [f64; 4]);

impl Spread {
    pub(crate) const AS_ASSUMED: Self = Self([1.0; 4]);

    pub(crate) fn of(&self, kind: Kind) -> f64 {
        self.0[kind as usize]
    }
}

/// The joint least-squares problem. Tangent: 6 columns per camera, then the parameters of each lens if they are free, then
/// 6 per free board and 3 per point of the player; with boards alone the first board is the world and is not free. No
/// observation depends on two boards or points, so that these are eliminated one by one.
pub(crate) struct Bundle {
    pub(crate) observations: Vec<Observation>,
    pub(crate) spread: Spread,
    cameras: usize,
    /// First column of each lens; empty when lenses are held.
    lens_columns: Vec<std::ops::Range<usize>>,
    boards: usize,
    points: usize,
    first_board_is_world: bool,
    /// Nothing is eliminated: for comparison.
    dense: bool,
}

/// Derivatives of what one observation predicts, before weighting.
struct ByUnknowns {
    by_pose: Matrix2x6<f64>,
    by_world: Matrix2x3<f64>,
    by_lens: Option<Matrix2xX<f64>>,
}

impl Bundle {
    /// The problem of these sightings (indices into `checked.sightings`) and all that is seen of the court.
    pub(crate) fn new(checked: &Checked, sightings: &[usize], spread: Spread) -> Self {
        let settings = &checked.settings;
        let court = checked.court.iter().enumerate().flat_map(|(camera, points)| {
            let observation = move |o: &Observed| Observation {
                camera,
                seen: Seen::Court(o.point),
                px: o.px,
                sd_px: settings.click_sd_px,
            };
            points.observed.iter().map(observation)
        });
        let lines = checked.lines.iter().enumerate().flat_map(|(camera, points)| {
            points.iter().map(move |p| Observation {
                camera,
                seen: Seen::Line { origin: p.origin, direction: p.direction },
                px: p.px,
                sd_px: p.sd_px,
            })
        });
        let boards = sightings.iter().enumerate().flat_map(|(board, &sighting)| {
            checked.sightings[sighting].iter().enumerate().flat_map(move |(camera, view)| {
                view.iter().flatten().map(move |o| Observation {
                    camera,
                    seen: Seen::Board { board, corner: o.point },
                    px: o.px,
                    sd_px: settings.corner_sd_px,
                })
            })
        });
        Self {
            observations: court.chain(lines).chain(boards).collect(),
            spread,
            cameras: checked.names.len(),
            lens_columns: Vec::new(),
            boards: sightings.len(),
            points: 0,
            first_board_is_world: !checked.on_court(),
            dense: false,
        }
    }

    /// The problem of one camera alone, the only one of its state: its marks on the court, its lines, and more of them.
    pub(crate) fn of_one(checked: &Checked, camera: usize, more: impl IntoIterator<Item = Observation>) -> Self {
        let mut bundle = Self::new(checked, &[], Spread::AS_ASSUMED);
        bundle.observations.retain(|observation| observation.camera == camera);
        bundle.observations.iter_mut().for_each(|observation| observation.camera = 0);
        bundle.observations.extend(more);
        bundle.cameras = 1;
        bundle
    }

    /// Adds the player's points, as many as the state holds.
    pub(crate) fn with_points(mut self, points: usize, seen: impl IntoIterator<Item = Observation>) -> Self {
        self.points = points;
        self.observations.extend(seen);
        self
    }

    /// The same problem with one dense normal matrix.
    pub(crate) fn with_dense_matrix(mut self) -> Self {
        self.dense = true;
        self
    }

    /// Frees the parameters of all lenses; they need priors.
    pub(crate) fn with_free_lenses(mut self, intrinsics: &[Intrinsics]) -> Self {
        let mut next = 6 * self.cameras;
        self.lens_columns = intrinsics
            .iter()
            .map(|lens| {
                let start = next;
                next += lens.parameter_count();
                start..next
            })
            .collect();
        self
    }

    /// Columns of a camera's lens; `None` when lenses are held.
    pub(crate) fn lens_columns(&self, camera: usize) -> Option<std::ops::Range<usize>> {
        self.lens_columns.get(camera).cloned()
    }

    /// Columns of all cameras' poses.
    pub(crate) fn pose_columns(&self) -> Vec<usize> {
        (0..6 * self.cameras).collect()
    }

    fn shared(&self) -> usize {
        self.lens_columns.last().map_or(6 * self.cameras, |last| last.end)
    }

    fn free_boards(&self) -> usize {
        self.boards - usize::from(self.first_board_is_world && self.boards > 0)
    }

    fn board_start(&self, board: usize) -> Option<usize> {
        let before = if self.first_board_is_world { board.checked_sub(1)? } else { board };
        Some(self.shared() + 6 * before)
    }

    fn point_start(&self, point: usize) -> usize {
        self.shared() + 6 * self.free_boards() + 3 * point
    }

    /// First column of the board or point that an observation is of; `None` for the court and a board that is the world.
    fn group_start(&self, observation: &Observation) -> Option<usize> {
        match observation.seen {
            Seen::Court(_) | Seen::Line { .. } => None,
            Seen::Board { board, .. } => self.board_start(board),
            Seen::Player(point) => Some(self.point_start(point)),
        }
    }

    /// Where an observed point is in the world; for a line the foot of the observed pixel.
    fn world(&self, state: &RigState, observation: &Observation) -> Option<(Point3<f64>, Option<LineFoot>)> {
        match observation.seen {
            Seen::Court(point) => Some((point, None)),
            Seen::Board { board, corner } => Some((state.boards[board] * corner, None)),
            Seen::Player(point) => Some((state.points[point], None)),
            Seen::Line { origin, direction } => {
                let (lens, pose) = (&state.intrinsics[observation.camera], &state.cameras[observation.camera]);
                let foot = foot(lens, pose, &origin, &direction, observation.px)?;
                Some((foot.point, Some(foot)))
            }
        }
    }

    /// Reprojection error in pixels (of a line: across it); `None` when the point is behind the camera.
    pub(crate) fn error_px(&self, state: &RigState, observation: &Observation) -> Option<Vector2<f64>> {
        let (world, _) = self.world(state, observation)?;
        let point = (state.cameras[observation.camera] * world).coords;
        Some(state.intrinsics[observation.camera].project(&point)? - observation.px)
    }

    /// By how much the residuals of each kind exceed their present spread: `sqrt(chi-square / redundancy)`, the redundancy
    /// of an observation being what the solution leaves of its freedom (variance components, Förstner 1979). `None` for a
    /// kind that nothing is left over of.
    pub(crate) fn excess(&self, state: &RigState, covariance: &LocalCovariance, loss: Loss) -> [Option<f64>; 4] {
        // Chunks of a fixed size, summed in order: the same whatever the number of threads.
        const CHUNK: usize = 512;
        let of_chunk = |chunk: usize| {
            let (mut chi_squared, mut redundancy) = ([0.0; 4], [0.0; 4]);
            for block in chunk * CHUNK..((chunk + 1) * CHUNK).min(self.observations.len()) {
                let columns = self.block_columns(block);
                let rows = self.block_rows(block);
                let mut residual = DVector::zeros(rows);
                let mut jacobian = DMatrix::zeros(rows, columns.len());
                let Some(own) = covariance.of(&columns) else { continue };
                if !self.evaluate(state, block, &mut residual, Some(&mut jacobian)) {
                    continue;
                }
                let (_, weight) = loss.value_and_weight(residual.norm_squared());
                let kind = self.observations[block].kind() as usize;
                chi_squared[kind] += weight * residual.norm_squared();
                // Trace of J C Jᵀ.
                redundancy[kind] += rows as f64 - weight * (&jacobian * own).component_mul(&jacobian).sum();
            }
            (chi_squared, redundancy)
        };
        let chunks: Vec<([f64; 4], [f64; 4])> =
            (0..self.observations.len().div_ceil(CHUNK)).into_par_iter().map(of_chunk).collect();
        let (mut chi_squared, mut redundancy) = ([0.0; 4], [0.0; 4]);
        for (chi, left) in chunks {
            chi_squared.iter_mut().zip(chi).for_each(|(sum, own)| *sum += own);
            redundancy.iter_mut().zip(left).for_each(|(sum, own)| *sum += own);
        }
        std::array::from_fn(|kind| (redundancy[kind] > 0.5).then(|| (chi_squared[kind] / redundancy[kind]).sqrt()))
    }

    fn derivatives(
        &self,
        state: &RigState,
        observation: &Observation,
        world: &Point3<f64>,
    ) -> Option<(Vector2<f64>, ByUnknowns)> {
        let camera = &state.cameras[observation.camera];
        let lens = &state.intrinsics[observation.camera];
        let rotated = camera.rotation * world.coords;
        let point = rotated + camera.translation.vector;
        let (px, by_point, by_lens) = if self.lens_columns.is_empty() {
            let (px, by_point) = lens.project_with_point_jacobian(&point)?;
            (px, by_point, None)
        } else {
            let full = lens.project_with_jacobians(&point)?;
            (full.px, full.by_point, Some(full.by_parameters))
        };
        let mut by_pose = Matrix2x6::zeros();
        by_pose.fixed_columns_mut::<3>(0).copy_from(&(by_point * -skew(&rotated)));
        by_pose.fixed_columns_mut::<3>(3).copy_from(&by_point);
        let by_world = by_point * camera.rotation.to_rotation_matrix().matrix();
        Some((px, ByUnknowns { by_pose, by_world, by_lens }))
    }
}

impl LeastSquares for Bundle {
    type State = RigState;

    fn tangent_dim(&self) -> usize {
        self.point_start(self.points)
    }

    fn block_count(&self) -> usize {
        self.observations.len()
    }

    fn block_rows(&self, block: usize) -> usize {
        if self.observations[block].kind() == Kind::Line { 1 } else { 2 }
    }

    fn block_columns(&self, block: usize) -> Vec<usize> {
        let observation = &self.observations[block];
        let pose = 6 * observation.camera..6 * observation.camera + 6;
        let lens = self.lens_columns(observation.camera).unwrap_or_default();
        let size = if observation.kind() == Kind::Player { 3 } else { 6 };
        let group = self.group_start(observation).map_or(0..0, |start| start..start + size);
        pose.chain(lens).chain(group).collect()
    }

    fn structure(&self) -> Structure {
        if self.dense {
            return Structure::Dense;
        }
        let boards = std::iter::repeat_n(6, self.free_boards());
        Structure::Arrow { shared: self.shared(), groups: boards.chain(std::iter::repeat_n(3, self.points)).collect() }
    }

    fn evaluate(
        &self,
        state: &RigState,
        block: usize,
        residual: &mut DVector<f64>,
        jacobian: Option<&mut DMatrix<f64>>,
    ) -> bool {
        let observation = &self.observations[block];
        let weight = 1.0 / (self.spread.of(observation.kind()) * observation.sd_px);
        let Some((world, foot)) = self.world(state, observation) else { return false };
        let Some((px, by)) = self.derivatives(state, observation, &world) else { return false };
        let error = (px - observation.px) * weight;
        // To first order the foot of a pixel on a line does not move across the line, so that the derivatives are those
        // of the fixed point.
        let across = foot.map(|foot| foot.across);
        match across {
            Some(across) => residual[0] = error.dot(&across),
            None => residual.copy_from(&error),
        }
        let Some(jacobian) = jacobian else { return true };
        let mut set = |start: usize, part: Matrix2xX<f64>| {
            let part = part * weight;
            match across {
                Some(across) => jacobian.columns_mut(start, part.ncols()).copy_from(&(across.transpose() * part)),
                None => jacobian.columns_mut(start, part.ncols()).copy_from(&part),
            }
        };
        let dynamic = |columns: &[f64]| Matrix2xX::from_column_slice(columns);
        set(0, dynamic(by.by_pose.as_slice()));
        let mut next = 6;
        if let Some(by_lens) = by.by_lens {
            let columns = by_lens.ncols();
            set(next, by_lens);
            next += columns;
        }
        match observation.seen {
            Seen::Board { board, corner } if self.board_start(board).is_some() => {
                let mut point_by_board = Matrix3x6::zeros();
                point_by_board
                    .fixed_columns_mut::<3>(0)
                    .copy_from(&-skew(&(state.boards[board].rotation * corner.coords)));
                point_by_board.fixed_columns_mut::<3>(3).copy_from(&nalgebra::Matrix3::identity());
                set(next, dynamic((by.by_world * point_by_board).as_slice()));
            }
            Seen::Player(_) => set(next, dynamic(by.by_world.as_slice())),
            _ => {}
        }
        true
    }

    fn step(&self, state: &RigState, delta: &DVector<f64>) -> RigState {
        let six = |start: usize| Vector6::from_column_slice(&delta.as_slice()[start..start + 6]);
        let cameras = state.cameras.iter().enumerate().map(|(camera, pose)| stepped(pose, &six(6 * camera))).collect();
        let intrinsics = state
            .intrinsics
            .iter()
            .enumerate()
            .map(|(camera, lens)| match self.lens_columns(camera) {
                Some(columns) => {
                    let moved = lens.parameters() + delta.rows(columns.start, columns.len());
                    lens.with_parameters(moved.as_slice())
                }
                None => *lens,
            })
            .collect();
        let boards = state
            .boards
            .iter()
            .enumerate()
            .map(|(board, pose)| self.board_start(board).map_or(*pose, |start| stepped(pose, &six(start))))
            .collect();
        let points = state
            .points
            .iter()
            .enumerate()
            .map(|(index, point)| {
                let start = self.point_start(index);
                point + Vector3::new(delta[start], delta[start + 1], delta[start + 2])
            })
            .collect();
        RigState { cameras, intrinsics, boards, points }
    }
}
