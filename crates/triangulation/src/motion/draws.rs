//! Draws of fitted courses from their posterior, to first order: pixel noise and the motion's own freedom of each fit, the calibration's errors
//! shared by all.

use midline_session::motion_draws::PointDraws;
use nalgebra::DMatrix;
use rand::{SeedableRng, rngs::StdRng};
use rand_distr::{Distribution, StandardNormal};

use super::calibration_shift::CalibrationParameters;
use super::course::Course;
use super::fit::Fitted;

/// Draws of the calibration's parameters that all fits share.
pub(crate) struct CalibrationDraws {
    /// Parameters × draws.
    parameters: DMatrix<f64>,
}

impl CalibrationDraws {
    pub(crate) fn new(parameters: &CalibrationParameters, count: usize) -> Self {
        let normal = standard_normal(parameters.count(), count, 0);
        Self { parameters: parameters.root() * normal }
    }

    fn count(&self) -> usize {
        self.parameters.ncols()
    }
}

fn standard_normal(rows: usize, columns: usize, seed: u64) -> DMatrix<f64> {
    let mut random = StdRng::seed_from_u64(seed);
    DMatrix::from_fn(rows, columns, |_, _| StandardNormal.sample(&mut random))
}

/// Draws of all landmarks of a fitted course, where `shift` is what the calibration does to its columns. `seed` tells fits apart; not 0.
///
/// A landmark's departure is linear in the columns at every instant; for a point on a turning line it is not itself a spline. It is
/// given as the spline with its values at the centres of the basis functions, which misses it by micrometres.
pub(crate) fn drawn<C: Course>(
    course: &C,
    fitted: &Fitted<C::State>,
    shift: &DMatrix<f64>,
    calibration: &CalibrationDraws,
    landmarks: usize,
    seed: u64,
) -> Option<Vec<PointDraws>> {
    let basis = course.basis();
    let (functions, count) = (basis.count(), calibration.count());
    let normal = standard_normal(course.columns(), count, seed);
    let moved = fitted.local.drawn(&normal).ok()? + shift * &calibration.parameters;
    (0..landmarks)
        .map(|landmark| {
            let mut values = DMatrix::zeros(functions, 3 * count);
            for function in 0..functions {
                let at = basis.at(basis.centre_seconds(function));
                let columns = course.columns_of(landmark, &at);
                let (_, by_columns) = course.motion(&fitted.state, landmark, &at);
                let departures = by_columns.rows(0, 3) * moved.select_rows(&columns);
                values.row_mut(function).iter_mut().zip(departures.iter()).for_each(|(value, d)| *value = *d);
            }
            // By function, then by draw and axis.
            let coefficients = basis.through_centres(&values)?.transpose();
            PointDraws::new(basis.clone(), count, coefficients.iter().map(|c| *c as f32).collect())
        })
        .collect()
}
