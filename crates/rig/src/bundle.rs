//! The joint problem: poses of all cameras and all boards, from court points and board corners together.

use midline_geometry::{Intrinsics, RigidTransform, skew, stepped};
use midline_solver::{LeastSquares, Loss};
use nalgebra::{DMatrix, DVector, Vector6};

use crate::input::{Checked, Observed};

/// Poses of cameras and boards in the world.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct RigState {
    /// `camera_from_world`.
    pub(crate) cameras: Vec<RigidTransform>,
    /// `world_from_board`, one per sighting.
    pub(crate) boards: Vec<RigidTransform>,
}

/// What an observation rests on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Source {
    /// The court, fixed in the world.
    Court,
    /// The board in the pose of this sighting.
    Board(usize),
}

/// One point seen by one camera.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Observation {
    pub(crate) camera: usize,
    pub(crate) source: Source,
    pub(crate) observed: Observed,
}

/// Standard deviations in pixels.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Spread {
    pub(crate) click_px: f64,
    pub(crate) corner_px: f64,
}

impl Spread {
    pub(crate) fn of(&self, source: Source) -> f64 {
        match source {
            Source::Court => self.click_px,
            Source::Board(_) => self.corner_px,
        }
    }
}

/// The joint least-squares problem. Tangent: 6 columns per camera, then 6 per free board; with boards alone the first board
/// is the world and is not free.
pub(crate) struct Bundle<'a> {
    pub(crate) intrinsics: &'a [Intrinsics],
    pub(crate) observations: Vec<Observation>,
    pub(crate) spread: Spread,
    sightings: usize,
    first_board_is_world: bool,
}

impl<'a> Bundle<'a> {
    /// The problem of these sightings (indices into `checked.sightings`) and all court points.
    pub(crate) fn new(checked: &'a Checked, sightings: &[usize], spread: Spread) -> Self {
        let court = checked.court.iter().enumerate().flat_map(|(camera, points)| {
            points.observed.iter().map(move |o| Observation { camera, source: Source::Court, observed: *o })
        });
        let boards = sightings.iter().enumerate().flat_map(|(board, &sighting)| {
            checked.sightings[sighting].iter().enumerate().flat_map(move |(camera, view)| {
                view.iter().flatten().map(move |o| Observation { camera, source: Source::Board(board), observed: *o })
            })
        });
        Self {
            intrinsics: &checked.intrinsics,
            observations: court.chain(boards).collect(),
            spread,
            sightings: sightings.len(),
            first_board_is_world: !checked.on_court(),
        }
    }

    fn free_boards_before(&self, board: usize) -> Option<usize> {
        if self.first_board_is_world { board.checked_sub(1) } else { Some(board) }
    }

    /// Reprojection error in pixels; `None` when the point is behind the camera.
    pub(crate) fn error_px(&self, state: &RigState, observation: &Observation) -> Option<nalgebra::Vector2<f64>> {
        let world = match observation.source {
            Source::Court => observation.observed.point,
            Source::Board(board) => state.boards[board] * observation.observed.point,
        };
        let point = (state.cameras[observation.camera] * world).coords;
        Some(self.intrinsics[observation.camera].project(&point)? - observation.observed.px)
    }

    /// By how much the residuals of the court points and of the board corners exceed their assumed standard deviation:
    /// `sqrt(chi-square / redundancy)` of each group, the redundancy of an observation being what the solution leaves of
    /// its freedom (variance components, Förstner 1979). `None` for a group that nothing is left over of.
    pub(crate) fn excess(&self, state: &RigState, covariance: &DMatrix<f64>, loss: Loss) -> [Option<f64>; 2] {
        let (mut chi_squared, mut redundancy) = ([0.0; 2], [0.0; 2]);
        for (block, observation) in self.observations.iter().enumerate() {
            let columns = self.block_columns(block);
            let mut residual = DVector::zeros(2);
            let mut jacobian = DMatrix::zeros(2, columns.len());
            if !self.evaluate(state, block, &mut residual, Some(&mut jacobian)) {
                continue;
            }
            let own = DMatrix::from_fn(columns.len(), columns.len(), |i, j| covariance[(columns[i], columns[j])]);
            let (_, weight) = loss.value_and_weight(residual.norm_squared());
            let group = usize::from(observation.source != Source::Court);
            chi_squared[group] += weight * residual.norm_squared();
            redundancy[group] += 2.0 - weight * (&jacobian * own * jacobian.transpose()).trace();
        }
        [0, 1].map(|group| (redundancy[group] > 0.5).then(|| (chi_squared[group] / redundancy[group]).sqrt()))
    }
}

impl LeastSquares for Bundle<'_> {
    type State = RigState;

    fn tangent_dim(&self) -> usize {
        6 * (self.intrinsics.len() + self.sightings - usize::from(self.first_board_is_world))
    }

    fn block_count(&self) -> usize {
        self.observations.len()
    }

    fn block_rows(&self, _block: usize) -> usize {
        2
    }

    fn block_columns(&self, block: usize) -> Vec<usize> {
        let observation = &self.observations[block];
        let camera = 6 * observation.camera..6 * observation.camera + 6;
        let free = match observation.source {
            Source::Court => None,
            Source::Board(board) => self.free_boards_before(board),
        };
        match free {
            Some(before) => {
                let start = 6 * (self.intrinsics.len() + before);
                camera.chain(start..start + 6).collect()
            }
            None => camera.collect(),
        }
    }

    fn evaluate(
        &self,
        state: &RigState,
        block: usize,
        residual: &mut DVector<f64>,
        jacobian: Option<&mut DMatrix<f64>>,
    ) -> bool {
        let observation = &self.observations[block];
        let sd_px = self.spread.of(observation.source);
        let camera = &state.cameras[observation.camera];
        let (rotated_board, world) = match observation.source {
            Source::Court => (observation.observed.point.coords, observation.observed.point.coords),
            Source::Board(board) => {
                let world_from_board = &state.boards[board];
                let rotated = world_from_board.rotation * observation.observed.point.coords;
                (rotated, rotated + world_from_board.translation.vector)
            }
        };
        let rotated = camera.rotation * world;
        let point = rotated + camera.translation.vector;
        let Some((px, by_point)) = self.intrinsics[observation.camera].project_with_point_jacobian(&point) else {
            return false;
        };
        residual.copy_from(&((px - observation.observed.px) / sd_px));
        if let Some(jacobian) = jacobian {
            let by_point = by_point / sd_px;
            jacobian.fixed_view_mut::<2, 3>(0, 0).copy_from(&(by_point * -skew(&rotated)));
            jacobian.fixed_view_mut::<2, 3>(0, 3).copy_from(&by_point);
            if jacobian.ncols() == 12 {
                let by_world = by_point * camera.rotation.to_rotation_matrix().matrix();
                jacobian.fixed_view_mut::<2, 3>(0, 6).copy_from(&(by_world * -skew(&rotated_board)));
                jacobian.fixed_view_mut::<2, 3>(0, 9).copy_from(&by_world);
            }
        }
        true
    }

    fn step(&self, state: &RigState, delta: &DVector<f64>) -> RigState {
        let own = |index: usize| Vector6::from_column_slice(&delta.as_slice()[6 * index..6 * index + 6]);
        let cameras: Vec<RigidTransform> =
            state.cameras.iter().enumerate().map(|(camera, pose)| stepped(pose, &own(camera))).collect();
        let boards = state
            .boards
            .iter()
            .enumerate()
            .map(|(board, pose)| {
                self.free_boards_before(board).map_or(*pose, |before| stepped(pose, &own(cameras.len() + before)))
            })
            .collect();
        RigState { cameras, boards }
    }
}
