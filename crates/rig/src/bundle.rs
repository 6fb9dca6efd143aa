//! The joint problem: poses of all cameras and all boards, from court points and lines, board corners and, in the final
//! refinement, the player's own points; with the lenses held or free.

use midline_geometry::{Intrinsics, RigidTransform, skew, stepped};
use midline_solver::{LeastSquares, LocalCovariance, Loss, Solution, SolverError, Structure};
use nalgebra::{DMatrix, DVector, Dim, Matrix, Point3, RawStorage, U2, Vector2, Vector3, Vector6};
use rayon::prelude::*;

use crate::input::{Checked, Observed, OnLine, RigSettings};
use crate::line_foot::{LineFoot, foot};
use crate::painted_line::{OfPaint, PaintState, PaintedLine, Unknown};

/// Poses of cameras and boards in the world, lenses, and the player's points.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct RigState {
    /// `camera_from_world`.
    pub(crate) cameras: Vec<RigidTransform>,
    pub(crate) intrinsics: Vec<Intrinsics>,
    /// `world_from_board`, one per sighting.
    pub(crate) boards: Vec<RigidTransform>,
    /// By how much each camera's clip of the board is late against the clock that it was put on, seconds; 0 for the first.
    pub(crate) late_seconds: Vec<f64>,
    /// What differs from the model in each line that was measured in pictures; in the order of [`Checked::painted`].
    pub(crate) paints: Vec<PaintState>,
    /// The player's points in the world, metres.
    pub(crate) points: Vec<Point3<f64>>,
}

impl RigState {
    /// Cameras and boards in these poses, everything else where it is thought to be.
    pub(crate) fn new(checked: &Checked, cameras: Vec<RigidTransform>, boards: Vec<RigidTransform>) -> Self {
        Self {
            late_seconds: vec![0.0; cameras.len()],
            cameras,
            intrinsics: checked.intrinsics.clone(),
            boards,
            paints: checked.painted().iter().map(PaintedLine::state).collect(),
            points: Vec::new(),
        }
    }
}

/// What is seen.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Seen {
    /// A point of the court, fixed in the world.
    Court(Point3<f64>),
    /// Some point of a line of the court, its ends as in the model; what it has in common with others where the picture itself was
    /// measured.
    Line { ends: [Point3<f64>; 2], across: Vector3<f64>, paint: Option<OfPaint> },
    /// A corner of the board in the pose of this sighting, which moves in the picture by `px_per_second`.
    Board { board: usize, corner: Point3<f64>, px_per_second: Option<Vector2<f64>> },
    /// A point of the player.
    Player(usize),
}

/// Kinds of observations, each with a spread of its own.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Kind {
    Click,
    Line,
    /// How far beside its place a line is painted, and how wide.
    Paint,
    /// How far beside itself an edge of a line appears in a picture.
    Picture,
    Corner,
    MovingCorner,
    Player,
}

pub(crate) const KINDS: [Kind; 7] =
    [Kind::Click, Kind::Line, Kind::Paint, Kind::Picture, Kind::Corner, Kind::MovingCorner, Kind::Player];

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
            Seen::Board { px_per_second: None, .. } => Kind::Corner,
            Seen::Board { .. } => Kind::MovingCorner,
            Seen::Player(_) => Kind::Player,
        }
    }

    pub(crate) fn is_of_board(&self, index: usize) -> bool {
        matches!(self.seen, Seen::Board { board, .. } if board == index)
    }
}

/// Factors on the assumed standard deviations, by kind.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Spread([f64; KINDS.len()]);

impl Spread {
    pub(crate) const AS_ASSUMED: Self = Self([1.0; KINDS.len()]);

    pub(crate) fn of(&self, kind: Kind) -> f64 {
        self.0[kind as usize]
    }

    pub(crate) fn with(mut self, kind: Kind, factor: f64) -> Self {
        self.0[kind as usize] = factor;
        self
    }
}

/// How the residuals of a kind compare with their deviations.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct Scatter {
    /// Sum of weighted squares at the present spread.
    pub(crate) chi_squared: f64,
    /// What the solution leaves of the observations' freedom.
    pub(crate) redundancy: f64,
}

/// The joint least-squares problem. Tangent: 6 columns per camera, then the parameters of each lens if they are free and the
/// lateness of each camera after the first if boards move, then 6 per free board, those of each painted line ([`PaintState`]) and 3
/// per point of the player; with boards alone the first board is the world and is not free. No observation depends on two
/// boards, lines or points, so that these are eliminated one by one.
///
/// Blocks: the observations, then what is known beforehand of the paint and of the clock.
pub(crate) struct Bundle {
    pub(crate) observations: Vec<Observation>,
    pub(crate) spread: Spread,
    cameras: usize,
    /// First column of each lens; empty when lenses are held.
    lens_columns: Vec<std::ops::Range<usize>>,
    /// Standard deviation of the lateness where boards move, seconds.
    late_sd_seconds: Option<f64>,
    boards: usize,
    painted: Vec<PaintedLine>,
    /// For each unknown of the painted lines its line and its place there.
    paint_unknowns: Vec<(usize, usize)>,
    settings: RigSettings,
    points: usize,
    first_board_is_world: bool,
    /// Nothing is eliminated: for comparison.
    dense: bool,
}

/// What a residual block is of.
enum Block<'a> {
    Seen(&'a Observation),
    /// Of all painted lines' unknowns.
    Paint(usize),
    Late(usize),
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
        let painted = checked.painted();
        let lines = checked.lines.iter().enumerate().flat_map(|(camera, points)| {
            let painted = &painted;
            points.iter().map(move |p| on_line(camera, p, painted, 0.0))
        });
        let boards = sightings.iter().enumerate().flat_map(|(board, &sighting)| {
            let sighting = &checked.sightings[sighting];
            sighting.views.iter().enumerate().flat_map(move |(camera, view)| {
                view.iter().flatten().enumerate().map(move |(index, o)| {
                    let carried = sighting.carried.get(camera).and_then(|own| own.get(index));
                    let px_per_second = carried.map(|corner| Vector2::from(corner.px_per_second));
                    Observation {
                        camera,
                        seen: Seen::Board { board, corner: o.point, px_per_second },
                        px: o.px,
                        sd_px: settings.corner_sd_px * carried.map_or(1.0, |corner| corner.noise_ratio),
                    }
                })
            })
        });
        let moving = sightings.iter().any(|&sighting| !checked.sightings[sighting].carried.is_empty());
        Self {
            observations: court.chain(lines).chain(boards).collect(),
            spread,
            cameras: checked.names.len(),
            lens_columns: Vec::new(),
            late_sd_seconds: moving.then_some(settings.board_clock_sd_seconds),
            boards: sightings.len(),
            paint_unknowns: unknowns(&painted),
            painted,
            settings: *settings,
            points: 0,
            first_board_is_world: !checked.on_court(),
            dense: false,
        }
    }

    /// The problem of one camera alone on its marks and on lines, those of the input and more, none of which is held for
    /// surer than `least_sd_px`; with a state to start from. The last observations are those of `more`, in order.
    pub(crate) fn of_one(
        checked: &Checked,
        camera: usize,
        pose: RigidTransform,
        more: &[OnLine],
        least_sd_px: f64,
    ) -> (Self, RigState) {
        let mut bundle = Self::new(checked, &[], Spread::AS_ASSUMED);
        let painted = PaintedLine::all(checked.lines[camera].iter().chain(more).map(|on| (0, on)));
        bundle.observations.retain(|observation| observation.camera == camera && observation.kind() == Kind::Click);
        bundle.observations.iter_mut().for_each(|observation| observation.camera = 0);
        let lines = checked.lines[camera].iter().chain(more);
        bundle.observations.extend(lines.map(|on| on_line(0, on, &painted, least_sd_px)));
        bundle.cameras = 1;
        let mut state = RigState::new(checked, vec![pose], Vec::new());
        state.intrinsics = vec![checked.intrinsics[camera]];
        state.paints = painted.iter().map(PaintedLine::state).collect();
        bundle.paint_unknowns = unknowns(&painted);
        bundle.painted = painted;
        (bundle, state)
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

    /// First column of the lateness of the cameras after the first.
    fn late_start(&self) -> usize {
        self.lens_columns.last().map_or(6 * self.cameras, |last| last.end)
    }

    /// Number of columns that hold lateness.
    fn late_count(&self) -> usize {
        if self.late_sd_seconds.is_some() { self.cameras.saturating_sub(1) } else { 0 }
    }

    fn shared(&self) -> usize {
        self.late_start() + self.late_count()
    }

    /// Column of the lateness that moves an observation.
    fn late_column(&self, observation: &Observation) -> Option<usize> {
        let moves = matches!(observation.seen, Seen::Board { px_per_second: Some(_), .. });
        let before = observation.camera.checked_sub(1)?;
        (moves && self.late_sd_seconds.is_some()).then(|| self.late_start() + before)
    }

    fn free_boards(&self) -> usize {
        self.boards - usize::from(self.first_board_is_world && self.boards > 0)
    }

    fn board_start(&self, board: usize) -> Option<usize> {
        let before = if self.first_board_is_world { board.checked_sub(1)? } else { board };
        Some(self.shared() + 6 * before)
    }

    /// Column of one of all painted lines' unknowns.
    fn paint_column(&self, unknown: usize) -> usize {
        self.shared() + 6 * self.free_boards() + unknown
    }

    /// First column of a painted line.
    fn paint_start(&self, line: usize) -> usize {
        self.paint_column(self.painted[..line].iter().map(PaintedLine::size).sum())
    }

    fn point_start(&self, point: usize) -> usize {
        self.paint_column(self.paint_unknowns.len()) + 3 * point
    }

    /// Kind and standard deviation of one of all painted lines' unknowns.
    fn paint_known(&self, unknown: usize) -> (Kind, f64) {
        let (line, index) = self.paint_unknowns[unknown];
        match self.painted[line].known(index, &self.settings) {
            (Unknown::Paint, sd) => (Kind::Paint, sd),
            (Unknown::Picture, sd) => (Kind::Picture, sd),
        }
    }

    /// Columns of the board, line or point that an observation is of; empty for the court and a board that is the world.
    fn group_columns(&self, observation: &Observation) -> std::ops::Range<usize> {
        let (start, size) = match observation.seen {
            Seen::Court(_) | Seen::Line { paint: None, .. } => (None, 0),
            Seen::Line { paint: Some(paint), .. } => {
                (Some(self.paint_start(paint.line)), self.painted[paint.line].size())
            }
            Seen::Board { board, .. } => (self.board_start(board), 6),
            Seen::Player(point) => (Some(self.point_start(point)), 3),
        };
        start.map_or(0..0, |start| start..start + size)
    }

    fn block(&self, block: usize) -> Block<'_> {
        match self.observations.get(block) {
            Some(observation) => Block::Seen(observation),
            None => match block - self.observations.len() {
                paint if paint < self.paint_unknowns.len() => Block::Paint(paint),
                after => Block::Late(after - self.paint_unknowns.len() + 1),
            },
        }
    }

    /// Where an observed point is in the world; for a line the foot of the observed pixel.
    fn world(&self, state: &RigState, observation: &Observation) -> Option<(Point3<f64>, Option<LineFoot>)> {
        match observation.seen {
            Seen::Court(point) => Some((point, None)),
            Seen::Board { board, corner, .. } => Some((state.boards[board] * corner, None)),
            Seen::Player(point) => Some((state.points[point], None)),
            Seen::Line { ends, across, paint } => {
                let [from, to] = paint.map_or(ends, |paint| paint.ends(&state.paints[paint.line], ends, &across));
                let (lens, pose) = (&state.intrinsics[observation.camera], &state.cameras[observation.camera]);
                let foot = foot(lens, pose, &from, &(to - from).normalize(), observation.px)?;
                Some((foot.point, Some(foot)))
            }
        }
    }

    /// Reprojection error in pixels (of a line: across it); `None` when the point is behind the camera.
    pub(crate) fn error_px(&self, state: &RigState, observation: &Observation) -> Option<Vector2<f64>> {
        let (world, foot) = self.world(state, observation)?;
        let point = (state.cameras[observation.camera] * world).coords;
        let error = state.intrinsics[observation.camera].project(&point)? - Self::seen_px(state, observation);
        Some(match foot {
            Some(foot) => error + foot.across * Self::apparent_px(state, observation),
            None => error,
        })
    }

    /// How far beside itself an edge of a line appears, px; 0 where it was not measured in the picture.
    fn apparent_px(state: &RigState, observation: &Observation) -> f64 {
        match observation.seen {
            Seen::Line { paint: Some(paint), .. } => paint.apparent_px(&state.paints[paint.line]),
            _ => 0.0,
        }
    }

    /// The pixel at the instant that it is meant for.
    fn seen_px(state: &RigState, observation: &Observation) -> Vector2<f64> {
        match observation.seen {
            Seen::Board { px_per_second: Some(speed), .. } => {
                observation.px + speed * state.late_seconds[observation.camera]
            }
            _ => observation.px,
        }
    }

    /// How the residuals of each kind compare with their present spread, the redundancy of an observation being what the
    /// solution leaves of its freedom (variance components, Förstner 1979).
    pub(crate) fn scatter(&self, state: &RigState, covariance: &LocalCovariance, loss: Loss) -> [Scatter; KINDS.len()] {
        // Chunks of a fixed size, summed in order: the same whatever the number of threads.
        const CHUNK: usize = 512;
        let blocks = self.observations.len() + self.paint_unknowns.len();
        let of_chunk = |chunk: usize| {
            let mut scatter = [Scatter::default(); KINDS.len()];
            for block in chunk * CHUNK..((chunk + 1) * CHUNK).min(blocks) {
                let kind = match self.block(block) {
                    Block::Seen(observation) => observation.kind(),
                    Block::Paint(unknown) => self.paint_known(unknown).0,
                    Block::Late(_) => continue,
                };
                let columns = self.block_columns(block);
                let rows = self.block_rows(block);
                let mut residual = DVector::zeros(rows);
                let mut jacobian = DMatrix::zeros(rows, columns.len());
                let Some(own) = covariance.of(&columns) else { continue };
                if !self.evaluate(state, block, &mut residual, Some(&mut jacobian)) {
                    continue;
                }
                let (_, weight) = loss.value_and_weight(residual.norm_squared());
                let scatter = &mut scatter[kind as usize];
                scatter.chi_squared += weight * residual.norm_squared();
                // Trace of J C Jᵀ.
                scatter.redundancy += rows as f64 - weight * (&jacobian * own).component_mul(&jacobian).sum();
            }
            scatter
        };
        let chunks: Vec<[Scatter; KINDS.len()]> = (0..blocks.div_ceil(CHUNK)).into_par_iter().map(of_chunk).collect();
        let mut sum = [Scatter::default(); KINDS.len()];
        for chunk in chunks {
            for (sum, own) in sum.iter_mut().zip(chunk) {
                sum.chi_squared += own.chi_squared;
                sum.redundancy += own.redundancy;
            }
        }
        sum
    }

    /// How the poses move per unit of each lens parameter (6 n × parameters of all lenses), for a solution with the lenses held: to
    /// first order `-(JᵀWJ)⁻¹ JᵀW ∂r/∂l` (implicit function theorem at the optimum).
    pub(crate) fn poses_by_lens(&self, solution: &Solution<RigState>, loss: Loss) -> Result<DMatrix<f64>, SolverError> {
        let state = &solution.state;
        let mut starts = vec![0];
        for lens in &state.intrinsics {
            starts.push(starts[starts.len() - 1] + lens.parameter_count());
        }
        let mut pull = DMatrix::zeros(self.tangent_dim(), starts[starts.len() - 1]);
        for (block, observation) in self.observations.iter().enumerate() {
            let rows = self.block_rows(block);
            let columns = self.block_columns(block);
            let mut residual = DVector::zeros(rows);
            let mut jacobian = DMatrix::zeros(rows, columns.len());
            let Some((world, foot)) = self.world(state, observation) else { continue };
            let lens = &state.intrinsics[observation.camera];
            let point = (state.cameras[observation.camera] * world).coords;
            let Some((.., by_lens)) = lens.project_with_all_jacobians(&point) else { continue };
            if !self.evaluate(state, block, &mut residual, Some(&mut jacobian)) {
                continue;
            }
            let weight = 1.0 / (self.spread.of(observation.kind()) * observation.sd_px);
            let (_, by_loss) = loss.value_and_weight(residual.norm_squared());
            for parameter in 0..lens.parameter_count() {
                let moved = by_lens.column(parameter) * (weight * by_loss);
                let by_columns = match &foot {
                    Some(foot) => jacobian.row(0).transpose() * foot.across.dot(&moved),
                    None => jacobian.tr_mul(&moved),
                };
                for (row, column) in columns.iter().enumerate() {
                    pull[(*column, starts[observation.camera] + parameter)] += by_columns[row];
                }
            }
        }
        Ok(-solution.response(&pull)?.rows(0, 6 * self.cameras))
    }

    fn evaluate_seen(
        &self,
        state: &RigState,
        observation: &Observation,
        residual: &mut DVector<f64>,
        jacobian: Option<&mut DMatrix<f64>>,
    ) -> Option<()> {
        let weight = 1.0 / (self.spread.of(observation.kind()) * observation.sd_px);
        let camera = &state.cameras[observation.camera];
        let lens = &state.intrinsics[observation.camera];
        let (world, foot) = self.world(state, observation)?;
        let rotated = camera.rotation * world.coords;
        let point = rotated + camera.translation.vector;
        let Some(jacobian) = jacobian else {
            let error = lens.project(&point)? - Self::seen_px(state, observation);
            match foot {
                Some(foot) => residual[0] = weight * (error.dot(&foot.across) + Self::apparent_px(state, observation)),
                None => residual.copy_from(&(error * weight)),
            }
            return Some(());
        };
        let (px, by_point, by_lens) = if self.lens_columns.is_empty() {
            let (px, by_point) = lens.project_with_point_jacobian(&point)?;
            (px, by_point, None)
        } else {
            let (px, by_point, by_lens) = lens.project_with_all_jacobians(&point)?;
            (px, by_point, Some(by_lens.columns(0, lens.parameter_count()).into_owned()))
        };
        // To first order the foot of a pixel on a line does not move across the line, so that the derivatives are those of
        // the fixed point.
        let mut rows = Rows { foot, weight, jacobian, next: 0 };
        let error = px - Self::seen_px(state, observation);
        match foot {
            Some(foot) => residual[0] = weight * (error.dot(&foot.across) + Self::apparent_px(state, observation)),
            None => residual.copy_from(&(error * weight)),
        }
        rows.push(&(by_point * -skew(&rotated)));
        rows.push(&by_point);
        by_lens.iter().for_each(|by_lens| by_lens.column_iter().for_each(|column| rows.push(&column)));
        if self.late_column(observation).is_some()
            && let Seen::Board { px_per_second: Some(speed), .. } = observation.seen
        {
            rows.push(&-speed);
        }
        let by_world = || by_point * camera.rotation.to_rotation_matrix().matrix();
        match observation.seen {
            Seen::Board { board, corner, .. } if self.board_start(board).is_some() => {
                let by_world = by_world();
                rows.push(&(by_world * -skew(&(state.boards[board].rotation * corner.coords))));
                rows.push(&by_world);
            }
            Seen::Line { ends: [from, to], across, paint: Some(paint) } => {
                let along = to - from;
                let share = (world - from).dot(&along) / along.norm_squared();
                let (by_across, first) = (by_world() * across, rows.next);
                for factor in paint.by_paint(share) {
                    rows.push(&(by_across * factor));
                }
                rows.jacobian[(0, first + paint.picture_index())] = weight;
            }
            Seen::Player(_) => rows.push(&by_world()),
            _ => {}
        }
        Some(())
    }
}

/// Fills the rows of an observation's Jacobian from the left: both coordinates, or of a line what is across it.
struct Rows<'a> {
    foot: Option<LineFoot>,
    weight: f64,
    jacobian: &'a mut DMatrix<f64>,
    next: usize,
}

impl Rows<'_> {
    fn push<C: Dim, S: RawStorage<f64, U2, C>>(&mut self, part: &Matrix<f64, U2, C, S>) {
        for column in part.column_iter() {
            match &self.foot {
                Some(foot) => self.jacobian[(0, self.next)] = self.weight * foot.across.dot(&column),
                None => {
                    self.jacobian[(0, self.next)] = self.weight * column[0];
                    self.jacobian[(1, self.next)] = self.weight * column[1];
                }
            }
            self.next += 1;
        }
    }
}

/// For each unknown of the painted lines its line and its place there.
fn unknowns(painted: &[PaintedLine]) -> Vec<(usize, usize)> {
    painted.iter().enumerate().flat_map(|(line, own)| (0..own.size()).map(move |index| (line, index))).collect()
}

fn on_line(camera: usize, on: &OnLine, painted: &[PaintedLine], least_sd_px: f64) -> Observation {
    Observation {
        camera,
        seen: Seen::Line { ends: on.ends, across: on.across, paint: PaintedLine::of(painted, camera, on) },
        px: on.px,
        sd_px: on.sd_px.max(least_sd_px),
    }
}

impl LeastSquares for Bundle {
    type State = RigState;

    fn tangent_dim(&self) -> usize {
        self.point_start(self.points)
    }

    fn block_count(&self) -> usize {
        self.observations.len() + self.paint_unknowns.len() + self.late_count()
    }

    fn block_rows(&self, block: usize) -> usize {
        match self.block(block) {
            Block::Seen(observation) if observation.kind() != Kind::Line => 2,
            _ => 1,
        }
    }

    fn block_columns(&self, block: usize) -> Vec<usize> {
        let observation = match self.block(block) {
            Block::Seen(observation) => observation,
            Block::Paint(paint) => return vec![self.paint_column(paint)],
            Block::Late(camera) => return vec![self.late_start() + camera - 1],
        };
        let pose = 6 * observation.camera..6 * observation.camera + 6;
        let lens = self.lens_columns(observation.camera).unwrap_or_default();
        let late = self.late_column(observation);
        pose.chain(lens).chain(late).chain(self.group_columns(observation)).collect()
    }

    fn structure(&self) -> Structure {
        if self.dense {
            return Structure::Dense;
        }
        let boards = std::iter::repeat_n(6, self.free_boards());
        let lines = self.painted.iter().map(PaintedLine::size);
        let groups = boards.chain(lines).chain(std::iter::repeat_n(3, self.points)).collect();
        Structure::Arrow { shared: self.shared(), groups }
    }

    fn evaluate(
        &self,
        state: &RigState,
        block: usize,
        residual: &mut DVector<f64>,
        jacobian: Option<&mut DMatrix<f64>>,
    ) -> bool {
        let (value, sd) = match self.block(block) {
            Block::Seen(observation) => return self.evaluate_seen(state, observation, residual, jacobian).is_some(),
            Block::Paint(unknown) => {
                let (line, index) = self.paint_unknowns[unknown];
                let (kind, sd) = self.paint_known(unknown);
                (state.paints[line].value(index), sd * self.spread.of(kind))
            }
            Block::Late(camera) => (state.late_seconds[camera], self.late_sd_seconds.unwrap_or(f64::INFINITY)),
        };
        residual[0] = value / sd;
        if let Some(jacobian) = jacobian {
            jacobian[(0, 0)] = 1.0 / sd;
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
        let late = |(camera, late): (usize, &f64)| match camera.checked_sub(1) {
            Some(before) if before < self.late_count() => late + delta[self.late_start() + before],
            _ => *late,
        };
        let late_seconds = state.late_seconds.iter().enumerate().map(late).collect();
        let paints = state
            .paints
            .iter()
            .enumerate()
            .map(|(line, paint)| paint.stepped(&delta.as_slice()[self.paint_start(line)..self.paint_start(line + 1)]))
            .collect();
        RigState { cameras, intrinsics, boards, late_seconds, paints, points }
    }
}
