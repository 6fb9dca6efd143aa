//! The ball in flight: a spline in space whose acceleration is that of gravity, drag and spin.
//!
//! `a = -g ẑ - k |v| v + s × v + r(t)` with `k = ρ C A / (2 M)` and the spin's pull `s` free and constant over one flight (spin decays over
//! seconds), and `r`, what the model misses, a slow first-order Gauss-Markov process.

use nalgebra::{DMatrix, DVector, Matrix2x3, Matrix3, Vector3};

use super::chain_course::{motion, pull, value};
use super::course::{Basis, Course, Instant, Motion, ORDER};
use super::roughness::WIDTH;

pub(super) const GRAVITY_M_S2: f64 = 9.81;

/// Ball's mass, kg: 56.0 to 59.4 g, and diameter, metres: 6.54 to 6.86 cm (ITF Rules of Tennis, Appendix I, type 2).
const BALL_KG: f64 = 0.0577;
const BALL_DIAMETER_M: f64 = 0.067;

/// Density of air at 20 °C at the sea, kg/m³.
const AIR_KG_M3: f64 = 1.2;

/// Drag coefficient of a ball with its felt: 0.5 to 0.65 (Mehta, Alam & Subic 2008, "Review of tennis ball aerodynamics"; from memory). What
/// is seen decides.
const DRAG_COEFFICIENT: f64 = 0.55;
const DRAG_COEFFICIENT_SD: f64 = 0.4;

/// Standard deviation of each component of the spin's pull, 1/s: a coefficient of lift of 0.2 at 25 m/s gives 5 m/s² (as above).
const SPIN_SD_PER_SECOND: f64 = 0.2;

/// What the model misses: a coefficient of drag that changes with speed, a spin that decays, wind. Standard deviation of each component, m/s², and for how
/// long it stays so, seconds.
const MISSED_M_S2: f64 = 0.5;
const MISSED_SECONDS: f64 = 0.2;

/// Columns before those of the coefficients: drag, then the spin's pull.
const SHARED: usize = 4;

/// `ρ C A / (2 M)` per drag coefficient, 1/m.
fn drag_per_coefficient() -> f64 {
    AIR_KG_M3 * std::f64::consts::PI * 0.25 * BALL_DIAMETER_M.powi(2) / (2.0 * BALL_KG)
}

/// One flight.
#[derive(Debug, Clone)]
pub(crate) struct FlightCourse {
    basis: Basis,
    /// At the breaks.
    instants: Vec<Instant>,
}

/// Drag, spin and coefficients.
#[derive(Debug, Clone)]
pub(crate) struct FlightState {
    pub(crate) drag_coefficient: f64,
    /// Acceleration by spin is this times (cross) the velocity, 1/s.
    pub(crate) spin_per_second: Vector3<f64>,
    /// Metres.
    pub(crate) coefficients: Vec<Vector3<f64>>,
}

/// Acceleration that neither gravity nor drag nor spin explains, with its derivatives.
struct Unexplained {
    value: Vector3<f64>,
    by_velocity: Matrix3<f64>,
    by_drag: Vector3<f64>,
    by_spin: Matrix3<f64>,
}

impl FlightCourse {
    pub(crate) fn new(basis: Basis) -> Self {
        let instants = basis.breaks_seconds().iter().map(|t| basis.at(*t)).collect();
        Self { basis, instants }
    }

    pub(crate) fn start(&self, coefficients: Vec<Vector3<f64>>) -> FlightState {
        FlightState { drag_coefficient: DRAG_COEFFICIENT, spin_per_second: Vector3::zeros(), coefficients }
    }

    fn functions(&self, index: usize) -> std::ops::Range<usize> {
        let first = index.saturating_sub(1);
        first..(first + WIDTH).min(self.instants[index].first + ORDER)
    }

    fn unexplained(&self, state: &FlightState, at: &Instant) -> Unexplained {
        let of = |order: usize| -> Vector3<f64> {
            at.derivatives[order].iter().zip(&state.coefficients[at.first..]).map(|(weight, c)| c * *weight).sum()
        };
        let (velocity, acceleration) = (of(1), of(2));
        let speed = velocity.norm();
        let per_coefficient = drag_per_coefficient();
        let drag = per_coefficient * state.drag_coefficient;
        let along = velocity.try_normalize(1e-6).unwrap_or_default();
        Unexplained {
            value: acceleration + Vector3::z() * GRAVITY_M_S2 + velocity * (drag * speed)
                - state.spin_per_second.cross(&velocity),
            by_velocity: (Matrix3::identity() + along * along.transpose()) * (drag * speed)
                - state.spin_per_second.cross_matrix(),
            by_drag: velocity * (per_coefficient * speed),
            by_spin: velocity.cross_matrix(),
        }
    }
}

impl Course for FlightCourse {
    type State = FlightState;

    fn basis(&self) -> &Basis {
        &self.basis
    }

    fn shared(&self) -> usize {
        SHARED
    }

    fn columns_per_function(&self) -> usize {
        3
    }

    fn step(&self, state: &FlightState, delta: &DVector<f64>) -> FlightState {
        FlightState {
            drag_coefficient: state.drag_coefficient + delta[0],
            spin_per_second: state.spin_per_second + delta.fixed_rows::<3>(1),
            coefficients: state
                .coefficients
                .iter()
                .enumerate()
                .map(|(i, c)| c + Vector3::from(delta.fixed_rows::<3>(SHARED + 3 * i)))
                .collect(),
        }
    }

    fn place(&self, state: &FlightState, _: usize, at: &Instant) -> Vector3<f64> {
        value(&state.coefficients, at)
    }

    fn columns_of(&self, _: usize, at: &Instant) -> Vec<usize> {
        (SHARED + 3 * at.first..SHARED + 3 * (at.first + ORDER)).collect()
    }

    fn pull(&self, _: &FlightState, _: usize, at: &Instant, by_position: &Matrix2x3<f64>, jacobian: &mut DMatrix<f64>) {
        pull(at, by_position, jacobian);
    }

    fn motion(&self, state: &FlightState, _: usize, at: &Instant) -> (Motion, DMatrix<f64>) {
        motion(&state.coefficients, at)
    }

    fn prior_count(&self) -> usize {
        self.instants.len() + 1
    }

    fn prior_shape(&self, prior: usize) -> (usize, Vec<usize>) {
        if prior == self.instants.len() {
            return (SHARED, (0..SHARED).collect());
        }
        let functions = self.functions(prior);
        (3, (0..SHARED).chain(SHARED + 3 * functions.start..SHARED + 3 * functions.end).collect())
    }

    fn prior_group(&self, _: usize) -> Option<usize> {
        None
    }

    fn prior(
        &self,
        state: &FlightState,
        prior: usize,
        residual: &mut DVector<f64>,
        mut jacobian: Option<&mut DMatrix<f64>>,
    ) {
        let breaks = self.basis.breaks_seconds();
        if prior == breaks.len() {
            residual[0] = (state.drag_coefficient - DRAG_COEFFICIENT) / DRAG_COEFFICIENT_SD;
            residual.fixed_rows_mut::<3>(1).copy_from(&(state.spin_per_second / SPIN_SD_PER_SECOND));
            if let Some(jacobian) = jacobian {
                jacobian.fill_diagonal(1.0 / SPIN_SD_PER_SECOND);
                jacobian[(0, 0)] = 1.0 / DRAG_COEFFICIENT_SD;
            }
            return;
        }
        let first = self.functions(prior).start;
        let mut add = |index: usize, factor: f64| {
            let at = &self.instants[index];
            let unexplained = self.unexplained(state, at);
            *residual += unexplained.value * factor;
            let Some(jacobian) = jacobian.as_deref_mut() else { return };
            let mut by_drag = jacobian.fixed_view_mut::<3, 1>(0, 0);
            by_drag += unexplained.by_drag * factor;
            let mut by_spin = jacobian.fixed_view_mut::<3, 3>(0, 1);
            by_spin += unexplained.by_spin * factor;
            for j in 0..ORDER {
                let by = Matrix3::identity() * at.derivatives[2][j] + unexplained.by_velocity * at.derivatives[1][j];
                // A function whose share is 0 at the later break may lie beyond the block.
                let place = at.first + j - first;
                if SHARED + 3 * place < jacobian.ncols() {
                    let mut own = jacobian.fixed_view_mut::<3, 3>(0, SHARED + 3 * place);
                    own += by * factor;
                }
            }
        };
        let Some(before) = prior.checked_sub(1) else {
            add(0, 1.0 / MISSED_M_S2);
            return;
        };
        let kept = (-(breaks[prior] - breaks[before]) / MISSED_SECONDS).exp();
        let spread = MISSED_M_S2 * (1.0 - kept * kept).sqrt();
        add(prior, 1.0 / spread);
        add(before, -kept / spread);
    }

    fn groups(&self) -> usize {
        0
    }

    fn first_precision(&self, _: usize) -> f64 {
        1.0
    }

    fn kinds(&self) -> usize {
        1
    }
}
