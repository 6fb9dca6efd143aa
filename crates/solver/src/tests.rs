//! The whole method against published problems and closed forms.

use nalgebra::{DMatrix, DVector, Vector3, dvector};
use proptest::prelude::*;

use crate::test_problems::{Curve, line, turned_arrows};
use crate::{EndReason, LeastSquares, Loss, Options, SolverError, minimise, worst_jacobian_error};

fn for_raw_data() -> Options {
    Options { absolute_step_tolerance: 0.0, max_iterations: 1000, ..Options::default() }
}

/// One dense block of residuals.
struct Dense {
    residuals: fn(&DVector<f64>) -> Vec<f64>,
    slopes: fn(&DVector<f64>) -> DMatrix<f64>,
    size: [usize; 2],
}

impl LeastSquares for Dense {
    type State = DVector<f64>;

    fn tangent_dim(&self) -> usize {
        self.size[1]
    }
    fn block_count(&self) -> usize {
        1
    }
    fn block_rows(&self, _: usize) -> usize {
        self.size[0]
    }
    fn block_columns(&self, _: usize) -> Vec<usize> {
        (0..self.size[1]).collect()
    }
    fn evaluate(
        &self,
        state: &DVector<f64>,
        _: usize,
        residual: &mut DVector<f64>,
        jacobian: Option<&mut DMatrix<f64>>,
    ) -> bool {
        residual.copy_from_slice(&(self.residuals)(state));
        if let Some(jacobian) = jacobian {
            jacobian.copy_from(&(self.slopes)(state));
        }
        true
    }
    fn step(&self, state: &DVector<f64>, delta: &DVector<f64>) -> DVector<f64> {
        state + delta
    }
}

/// Moré, Garbow & Hillstrom 1981, problem 1 (Rosenbrock): minimum 0 at (1, 1), standard start and multiples of it.
#[test]
fn rosenbrock() {
    let problem = Dense {
        residuals: |x| vec![10.0 * (x[1] - x[0] * x[0]), 1.0 - x[0]],
        slopes: |x| DMatrix::from_row_slice(2, 2, &[-20.0 * x[0], 10.0, -1.0, 0.0]),
        size: [2, 2],
    };
    assert!(worst_jacobian_error(&problem, &dvector![-1.2, 1.0]) < 1e-8);
    for factor in [1.0, 10.0, 100.0] {
        let solution = minimise(&problem, dvector![-1.2, 1.0] * factor, &for_raw_data()).unwrap();
        assert!((&solution.state - dvector![1.0, 1.0]).amax() < 1e-9);
        assert!(solution.end.converged() && solution.residual_sd().is_none());
    }
}

/// Moré, Garbow & Hillstrom 1981, problem 13 (Powell singular): minimum 0 at the origin, where the Jacobian loses rank.
#[test]
fn powell_singular() {
    let problem = Dense {
        residuals: |x| {
            let (a, b) = (x[1] - 2.0 * x[2], x[0] - x[3]);
            vec![x[0] + 10.0 * x[1], 5f64.sqrt() * (x[2] - x[3]), a * a, 10f64.sqrt() * b * b]
        },
        slopes: |x| {
            let (a, b) = (2.0 * (x[1] - 2.0 * x[2]), 10f64.sqrt() * 2.0 * (x[0] - x[3]));
            let s = 5f64.sqrt();
            DMatrix::from_row_slice(
                4,
                4,
                &[1.0, 10.0, 0.0, 0.0, 0.0, 0.0, s, -s, 0.0, a, -2.0 * a, 0.0, b, 0.0, 0.0, -b],
            )
        },
        size: [4, 4],
    };
    let start = dvector![3.0, -1.0, 0.0, 1.0];
    assert!(worst_jacobian_error(&problem, &start) < 1e-8);
    let solution = minimise(&problem, start, &Options::default()).unwrap();
    assert!(solution.cost < 1e-18, "{} {:?}", solution.cost, solution.end);
    assert!(solution.state.amax() < 1e-3);
}

#[test]
fn a_problem_on_a_manifold_is_solved_and_its_derivatives_pass() {
    let (mut problem, start) = turned_arrows(40);
    assert!(worst_jacobian_error(&problem, &start) < 1e-8);
    let solution = minimise(&problem, start.clone(), &Options::default()).unwrap();
    assert!(solution.end.converged());
    let axis = solution.state.rotation.scaled_axis();
    assert!((axis - Vector3::new(0.3, -0.5, 0.9)).norm() < 0.01, "{axis}");
    assert!(worst_jacobian_error(&problem, &solution.state) < 1e-8);
    problem.wrong_derivative = true;
    assert!(worst_jacobian_error(&problem, &start) > 1e-4);
}

#[test]
fn looking_ahead_changes_the_way_and_not_the_minimum() {
    let (problem, start) = turned_arrows(40);
    for loss in [Loss::Squared, Loss::Huber(0.01)] {
        let plain = Options { loss, ..Options::default() };
        let ahead = Options { geodesic_acceleration: true, ..plain.clone() };
        let [plain, ahead] = [plain, ahead].map(|options| minimise(&problem, start.clone(), &options).unwrap());
        assert!(plain.end.converged() && ahead.end.converged());
        assert_ne!(plain.cost.to_bits(), ahead.cost.to_bits());
        assert!((plain.cost / ahead.cost - 1.0).abs() < 1e-12);
        assert!(plain.state.rotation.angle_to(&ahead.state.rotation) < 1e-7);
    }
}

#[test]
fn the_result_does_not_depend_on_the_number_of_threads() {
    let (problem, start) = turned_arrows(300);
    // Repeating the arrows makes the work large enough for several threads while the unknowns stay few.
    struct Repeated(crate::test_problems::TurnedArrows);
    impl LeastSquares for Repeated {
        type State = crate::test_problems::Turn;
        fn tangent_dim(&self) -> usize {
            self.0.tangent_dim()
        }
        fn block_count(&self) -> usize {
            20 * self.0.block_count()
        }
        fn block_rows(&self, block: usize) -> usize {
            self.0.block_rows(block % self.0.block_count())
        }
        fn block_columns(&self, block: usize) -> Vec<usize> {
            self.0.block_columns(block % self.0.block_count())
        }
        fn evaluate(
            &self,
            state: &Self::State,
            block: usize,
            residual: &mut DVector<f64>,
            jacobian: Option<&mut DMatrix<f64>>,
        ) -> bool {
            self.0.evaluate(state, block % self.0.block_count(), residual, jacobian)
        }
        fn step(&self, state: &Self::State, delta: &DVector<f64>) -> Self::State {
            self.0.step(state, delta)
        }
    }
    let problem = Repeated(problem);
    let run = |threads| {
        rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap().install(|| {
            minimise(&problem, start.clone(), &Options { max_iterations: 6, ..Options::default() }).unwrap()
        })
    };
    let (one, four) = (run(1), run(4));
    assert_eq!(one.cost.to_bits(), four.cost.to_bits());
    assert_eq!(one.state.rotation.coords, four.state.rotation.coords);
    assert!(one.normal_matrix == four.normal_matrix);
}

#[test]
fn robust_losses_find_the_line_that_most_points_lie_on() {
    let mut points: Vec<(f64, f64)> =
        (0..30).map(|i| (f64::from(i), 2.0 + 0.5 * f64::from(i) + 0.3 * f64::from(i * i % 7) - 0.9)).collect();
    let clean = Curve { model: line, points: points.clone(), parameters: 2 };
    let wanted = minimise(&clean, dvector![0.0, 0.0], &Options::default()).unwrap().state;
    points.extend([(11.0, 60.0), (25.0, 90.0), (28.0, 80.0)]);
    let spoiled = Curve { model: line, points, parameters: 2 };
    let fit = |loss| {
        let options = Options { loss, ..Options::default() };
        let solution = minimise(&spoiled, dvector![0.0, 0.0], &options).unwrap();
        assert!(solution.end.converged(), "{loss:?} {:?}", solution.end);
        (solution.state - &wanted).amax()
    };
    assert!(fit(Loss::Squared) > 1.0);
    assert!(fit(Loss::Huber(1.0)) < 0.3);
    assert!(fit(Loss::Cauchy(1.0)) < 0.1);
    assert!(fit(Loss::GemanMcClure(2.0)) < 0.05);
}

#[test]
fn a_robust_minimum_is_stationary_for_the_true_loss() {
    let points = (0..20).map(|i| (f64::from(i), f64::from(i * i % 11))).collect();
    let problem = Curve { model: line, points, parameters: 2 };
    for loss in [Loss::Huber(1.5), Loss::Cauchy(3.0)] {
        let solution = minimise(&problem, dvector![0.0, 0.0], &Options { loss, ..Options::default() }).unwrap();
        let cost = |b: &DVector<f64>| -> f64 {
            problem.points.iter().map(|&(x, y)| 0.5 * loss.value_and_weight((line(b, x).0 - y).powi(2)).0).sum()
        };
        assert!((cost(&solution.state) - solution.cost).abs() < 1e-12 * solution.cost);
        for axis in 0..2 {
            let mut step = DVector::zeros(2);
            step[axis] = 1e-4;
            let slope = (cost(&(&solution.state + &step)) - cost(&(&solution.state - &step))) / 2e-4;
            assert!(slope.abs() < 1e-4, "{loss:?} axis {axis}: {slope}");
        }
    }
}

#[test]
fn steps_out_of_the_domain_are_refused() {
    // y = ln(b x) is not computable for b <= 0; the first Gauss-Newton step from 9 leads there.
    let problem = Curve {
        model: |b, x| (if b[0] > 0.0 { (b[0] * x).ln() } else { f64::NAN }, vec![1.0 / b[0]]),
        points: (1..6).map(|i| (f64::from(i), (2.0 * f64::from(i)).ln())).collect(),
        parameters: 1,
    };
    let solution = minimise(&problem, dvector![9.0], &Options::default()).unwrap();
    assert!((solution.state[0] - 2.0).abs() < 1e-9);
    let error = minimise(&problem, dvector![-1.0], &Options::default()).unwrap_err();
    assert_eq!(error, SolverError::StartNotComputable { block: 0 });
}

#[test]
fn what_cannot_be_solved_is_said() {
    let empty = Curve { model: line, points: Vec::new(), parameters: 2 };
    assert_eq!(minimise(&empty, dvector![0.0, 0.0], &Options::default()).unwrap_err(), SolverError::NoResiduals);
    let infinite = Curve { model: line, points: vec![(1.0, 1.0), (f64::INFINITY, 1.0)], parameters: 2 };
    assert_eq!(
        minimise(&infinite, dvector![0.0, 1.0], &Options::default()).unwrap_err(),
        SolverError::StartNotFinite { block: 1 }
    );
    // All x equal: the slope and the intercept cannot be told apart.
    let degenerate = Curve { model: line, points: vec![(2.0, 1.0), (2.0, 1.1), (2.0, 0.9)], parameters: 2 };
    let solution = minimise(&degenerate, dvector![0.0, 0.0], &Options::default()).unwrap();
    assert!((solution.state[0] + 2.0 * solution.state[1] - 1.0).abs() < 1e-9);
    let Err(SolverError::RankDeficient { alone, eigenvalue, .. }) = solution.covariance() else {
        panic!("determined?")
    };
    assert!(!alone && eigenvalue.abs() < 1e-12);
    // A column that nothing depends on.
    let idle = Curve { model: |b, _| (b[1], vec![0.0, 1.0]), points: vec![(1.0, 3.0)], parameters: 2 };
    let solution = minimise(&idle, dvector![5.0, 0.0], &Options::default()).unwrap();
    assert_eq!(solution.state[0], 5.0);
    let Err(error @ SolverError::RankDeficient { column: 0, alone: true, .. }) = solution.covariance() else {
        panic!("determined?")
    };
    assert!(error.to_string().contains("tangent column 0: "), "{error}");
}

#[test]
fn a_wrong_sign_ends_at_the_damping_limit() {
    let problem = Curve { model: |b, x| (b[0] * x, vec![-x]), points: vec![(1.0, 1.0), (2.0, 2.5)], parameters: 1 };
    let solution = minimise(&problem, dvector![0.0], &Options::default()).unwrap();
    assert_eq!(solution.end, EndReason::DampingLimit);
    assert!(!solution.end.converged());
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]
    #[test]
    fn a_linear_problem_gives_the_closed_form(
        ys in prop::collection::vec(-10.0..10.0f64, 5..30), scale in -8i32..8,
    ) {
        // The unit of x must not matter: the damping is scaled by the columns.
        let unit = 10f64.powi(scale);
        let points: Vec<_> = ys.iter().enumerate().map(|(i, &y)| (i as f64 * unit, y)).collect();
        let n = points.len() as f64;
        let mean_x = points.iter().map(|p| p.0).sum::<f64>() / n;
        let mean_y = points.iter().map(|p| p.1).sum::<f64>() / n;
        let sxx: f64 = points.iter().map(|p| (p.0 - mean_x).powi(2)).sum();
        let sxy: f64 = points.iter().map(|p| (p.0 - mean_x) * (p.1 - mean_y)).sum();
        let problem = Curve { model: line, points, parameters: 2 };
        let solution = minimise(&problem, dvector![0.0, 0.0], &Options::default()).unwrap();
        let slope = sxy / sxx;
        prop_assert!((solution.state[1] - slope).abs() * unit < 1e-8);
        prop_assert!((solution.state[0] - (mean_y - slope * mean_x)).abs() < 1e-7);
        // Textbook: var(slope) = σ²/Sxx.
        let variance = solution.covariance().unwrap()[(1, 1)];
        prop_assert!((variance * sxx - 1.0).abs() < 1e-9);
    }
}
