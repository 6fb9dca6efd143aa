//! Arrow and band against the dense solve of the same problem, held columns and priors.

use std::ops::ControlFlow;

use nalgebra::{DMatrix, DVector, UnitQuaternion, Vector3, dvector};
use proptest::prelude::*;

use crate::test_problems::{Curve, Turn, TurnedArrows, line, turned_arrows};
use crate::{
    Blocks, Bound, EndReason, LeastSquares, Loss, Manifold, Options, Prior, Solution, SolverError, Structure, minimise,
    minimise_watched, worst_jacobian_error,
};

/// A problem with another structure than it says itself.
struct Restructured<'a, P>(&'a P, Structure);

impl<P: LeastSquares> LeastSquares for Restructured<'_, P> {
    type State = P::State;
    fn tangent_dim(&self) -> usize {
        self.0.tangent_dim()
    }
    fn block_count(&self) -> usize {
        self.0.block_count()
    }
    fn block_rows(&self, block: usize) -> usize {
        self.0.block_rows(block)
    }
    fn block_columns(&self, block: usize) -> Vec<usize> {
        self.0.block_columns(block)
    }
    fn structure(&self) -> Structure {
        self.1.clone()
    }
    fn evaluate(
        &self,
        state: &P::State,
        block: usize,
        residual: &mut DVector<f64>,
        jacobian: Option<&mut DMatrix<f64>>,
    ) -> bool {
        self.0.evaluate(state, block, residual, jacobian)
    }
    fn step(&self, state: &P::State, delta: &DVector<f64>) -> P::State {
        self.0.step(state, delta)
    }
}

fn arrow(count: usize) -> Structure {
    Structure::Arrow { shared: 3, groups: vec![1; count] }
}

/// Heights along a line, each seen and each near its two neighbours, all raised by one common offset whose own prior keeps
/// it apart from them: a band with one shared column.
struct Chain {
    seen: Vec<f64>,
}

impl LeastSquares for Chain {
    type State = DVector<f64>;
    fn tangent_dim(&self) -> usize {
        1 + self.seen.len()
    }
    fn block_count(&self) -> usize {
        2 * self.seen.len() - 1
    }
    fn block_rows(&self, _: usize) -> usize {
        1
    }
    fn block_columns(&self, block: usize) -> Vec<usize> {
        let count = self.seen.len();
        match block.checked_sub(count) {
            None => vec![0, 1 + block],
            Some(0) => vec![0],
            Some(bend) => vec![bend, bend + 1, bend + 2],
        }
    }
    fn structure(&self) -> Structure {
        Structure::Band { shared: 1, half_bandwidth: 2 }
    }
    fn evaluate(
        &self,
        x: &DVector<f64>,
        block: usize,
        residual: &mut DVector<f64>,
        jacobian: Option<&mut DMatrix<f64>>,
    ) -> bool {
        let (value, slopes) = match block.checked_sub(self.seen.len()) {
            // Not linear, so that several steps are needed.
            None => {
                let height = x[1 + block];
                (x[0] + height + 0.1 * height.powi(3) - self.seen[block], vec![1.0, 1.0 + 0.3 * height * height])
            }
            Some(0) => (x[0] / 0.3, vec![1.0 / 0.3]),
            Some(bend) => (3.0 * (x[bend] - 2.0 * x[bend + 1] + x[bend + 2]), vec![3.0, -6.0, 3.0]),
        };
        residual[0] = value;
        if let Some(jacobian) = jacobian {
            slopes.iter().enumerate().for_each(|(column, slope)| jacobian[(0, column)] = *slope);
        }
        true
    }
    fn step(&self, state: &DVector<f64>, delta: &DVector<f64>) -> DVector<f64> {
        state + delta
    }
}

fn chain(count: usize) -> Chain {
    Chain { seen: (0..count).map(|i| (0.2 * i as f64).sin() + 0.05 * (7.3 * i as f64).cos()).collect() }
}

/// All covariances of both solutions agree, of all columns, of some, and of neighbours.
fn assert_same_covariance<S>(one: &Solution<S>, dense: &Solution<S>, neighbours: &[usize], apart: &[usize]) {
    let whole = dense.covariance().unwrap();
    let largest = whole.amax();
    assert!((one.covariance().unwrap() - &whole).amax() < 1e-9 * largest);
    let pick =
        |columns: &[usize]| DMatrix::from_fn(columns.len(), columns.len(), |i, j| whole[(columns[i], columns[j])]);
    assert!((one.covariance_of(apart).unwrap() - pick(apart)).amax() < 1e-9 * largest);
    let local = one.local_covariance().unwrap();
    assert!((local.of(neighbours).unwrap() - pick(neighbours)).amax() < 1e-9 * largest);
    assert!(local.of(apart).is_none() && local.of(&[whole.nrows()]).is_none());
    let along = DMatrix::from_fn(whole.nrows(), 2, |i, j| ((i + 3 * j) as f64).sin());
    assert!((one.covariance_along(&along).unwrap() - along.tr_mul(&(&whole * &along))).amax() < 1e-8 * largest);
    assert_eq!(
        one.covariance_of(&[whole.nrows()]).unwrap_err(),
        SolverError::NoCovariance { column: whole.nrows(), tangent_dim: whole.nrows() }
    );
}

#[test]
fn groups_eliminated_one_by_one_give_the_dense_result() {
    let (problem, start) = turned_arrows(60);
    let dense = minimise(&problem, start.clone(), &Options::default()).unwrap();
    let schur = minimise(&Restructured(&problem, arrow(60)), start, &Options::default()).unwrap();
    assert!(schur.end.converged());
    assert!(schur.state.rotation.angle_to(&dense.state.rotation) < 1e-12);
    assert!((schur.cost / dense.cost - 1.0).abs() < 1e-12);
    assert_same_covariance(&schur, &dense, &[2, 0, 40], &[40, 1, 7]);
}

#[test]
fn a_band_gives_the_dense_result() {
    let problem = chain(80);
    let start = DVector::zeros(81);
    assert!(worst_jacobian_error(&problem, &DVector::from_fn(81, |i, _| 0.1 * i as f64)) < 1e-8);
    let dense = minimise(&Restructured(&problem, Structure::Dense), start.clone(), &Options::default()).unwrap();
    let banded = minimise(&problem, start, &Options::default()).unwrap();
    assert!(banded.end.converged());
    assert!((&banded.state - &dense.state).amax() < 1e-10);
    assert_same_covariance(&banded, &dense, &[30, 0, 32, 31], &[3, 60, 0]);
}

/// Cost, step, covariance and response of the problem at a state are those that the minimisation comes to.
fn assert_local<P: LeastSquares<State = S>, S: Clone + Send + Sync + std::fmt::Debug>(
    problem: &P,
    start: S,
    neighbours: &[usize],
) {
    let options = |max_iterations| Options { max_iterations, initial_damping: 1e-6, ..Options::default() };
    let blocks = Blocks::new(problem, Loss::Squared).unwrap();
    let step = blocks.at(problem, &start).unwrap().step(1e-6).unwrap();
    let once = minimise(problem, start.clone(), &options(1)).unwrap();
    let local = blocks.at(problem, &problem.step(&start, &step)).unwrap();
    assert!((local.cost() / once.cost - 1.0).abs() < 1e-12 && once.cost < once.initial_cost);
    let covariance = once.covariance().unwrap();
    let near = local.covariance().unwrap().of(neighbours).unwrap();
    let expected = DMatrix::from_fn(near.nrows(), near.nrows(), |i, j| covariance[(neighbours[i], neighbours[j])]);
    assert!((&near - expected).amax() < 1e-9 * covariance.amax());
    // Of three rows one sees nothing of the first column.
    let jacobian =
        DMatrix::from_fn(3, neighbours.len(), |i, j| if i + j == 2 { 0.0 } else { (i + 2 * j) as f64 - 1.5 });
    let trace = local.covariance().unwrap().trace_along(neighbours, &jacobian).unwrap();
    assert!((trace / (&jacobian * near * jacobian.transpose()).trace() - 1.0).abs() < 1e-12);
    let right = DMatrix::from_fn(covariance.nrows(), 2, |i, j| ((i + 3 * j) as f64).cos());
    assert!((local.response(&right).unwrap() - &covariance * &right).amax() < 1e-8 * covariance.amax());
    assert!(local.response(&DMatrix::zeros(1, 1)).is_err());
}

#[test]
fn a_problem_at_one_state_gives_what_its_minimisation_gives() {
    let (problem, start) = turned_arrows(20);
    assert_local(&Restructured(&problem, arrow(20)), start, &[2, 0, 12]);
    assert_local(&chain(30), DVector::zeros(31), &[12, 0, 14, 13]);
}

/// A block may name a column twice: its entries add up, in every structure.
struct NamedTwice(Structure);

impl LeastSquares for NamedTwice {
    type State = DVector<f64>;
    fn tangent_dim(&self) -> usize {
        3
    }
    fn block_count(&self) -> usize {
        4
    }
    fn block_rows(&self, _: usize) -> usize {
        2
    }
    fn block_columns(&self, block: usize) -> Vec<usize> {
        vec![block % 3, 2, 0, 2, 1]
    }
    fn structure(&self) -> Structure {
        self.0.clone()
    }
    fn evaluate(
        &self,
        x: &DVector<f64>,
        block: usize,
        residual: &mut DVector<f64>,
        jacobian: Option<&mut DMatrix<f64>>,
    ) -> bool {
        let slopes = DMatrix::from_fn(2, 5, |i, j| (1.0 + (3 * block + 7 * i + 2 * j) as f64).sin());
        let named = DVector::from_iterator(5, self.block_columns(block).iter().map(|column| x[*column]));
        residual.copy_from(&(&slopes * named - dvector![1.0, block as f64]));
        if let Some(jacobian) = jacobian {
            jacobian.copy_from(&slopes);
        }
        true
    }
    fn step(&self, state: &DVector<f64>, delta: &DVector<f64>) -> DVector<f64> {
        state + delta
    }
}

#[test]
fn a_column_named_twice_counts_as_the_sum_in_every_structure() {
    let dense = NamedTwice(Structure::Dense);
    assert!(worst_jacobian_error(&dense, &DVector::zeros(3)) < 1e-7);
    let wanted = minimise(&dense, DVector::zeros(3), &Options::default()).unwrap();
    for shared in 0..3 {
        let banded = NamedTwice(Structure::Band { shared, half_bandwidth: 2 });
        let found = minimise(&banded, DVector::zeros(3), &Options::default()).unwrap();
        assert!((&found.state - &wanted.state).amax() < 1e-10);
        assert!((found.covariance().unwrap() - wanted.covariance().unwrap()).amax() < 1e-10);
    }
}

#[test]
fn a_structure_that_does_not_fit_is_refused() {
    let problem = chain(10);
    let start = || DVector::zeros(11);
    let narrow = Restructured(&problem, Structure::Band { shared: 1, half_bandwidth: 1 });
    let error = minimise(&narrow, start(), &Options::default()).unwrap_err();
    assert_eq!(error, SolverError::OutsideStructure { block: 11, columns: [1, 3] });
    let groups = Restructured(&problem, Structure::Arrow { shared: 1, groups: vec![2; 5] });
    let error = minimise(&groups, start(), &Options::default()).unwrap_err();
    assert!(matches!(error, SolverError::OutsideStructure { block: 11, .. }), "{error}");
    let short = Restructured(&problem, Structure::Arrow { shared: 1, groups: vec![2; 4] });
    let error = minimise(&short, start(), &Options::default()).unwrap_err();
    assert_eq!(error, SolverError::StructureSize { columns: 9, tangent_dim: 11 });
}

#[test]
fn an_open_direction_is_named_in_every_structure() {
    // An arrow of no length says nothing of the turn; its own length column is idle.
    let (mut problem, start) = turned_arrows(20);
    problem.directions[4] = Vector3::zeros();
    for structure in [Structure::Dense, arrow(20)] {
        let solution = minimise(&Restructured(&problem, structure), start.clone(), &Options::default()).unwrap();
        let error = solution.covariance_of(&[0]).unwrap_err();
        assert!(matches!(error, SolverError::RankDeficient { column: 7, alone: true, .. }), "{error}");
        let determined = solution.covariance_of_determined();
        assert_eq!(determined.open.len(), 1);
        assert!((determined.open[0][7] - 1.0).abs() < 1e-12 && determined.covariance[(7, 7)] < 1e-12);
        // What is determined has the covariance of the problem without the idle column.
        let kept = Bound::new(&problem, &[7], Vec::new()).unwrap();
        let without = minimise(&kept, start.clone(), &Options::default()).unwrap();
        let wanted = kept.covariance_of(&without, &(0..23).collect::<Vec<_>>()).unwrap();
        assert!((&determined.covariance - &wanted).amax() < 1e-9 * wanted.amax());
    }
    // Large enough for the search by inverse iteration.
    let (mut problem, start) = turned_arrows(500);
    problem.directions[100] = Vector3::zeros();
    let solution = minimise(&Restructured(&problem, arrow(500)), start, &Options::default()).unwrap();
    let error = solution.local_covariance().unwrap_err();
    assert!(
        matches!(error, SolverError::RankDeficient { column: 103, alone: true, eigenvalue } if eigenvalue.abs() < 1e-9)
    );
}

#[test]
fn a_held_column_stays_and_the_rest_is_the_smaller_problem() {
    let problem = Curve { model: line, points: vec![(1.0, 2.0), (2.0, 2.5), (4.0, 5.0)], parameters: 2 };
    let held = Bound::new(&problem, &[0], Vec::new()).unwrap();
    let solution = minimise(&held, dvector![1.0, 0.0], &Options::default()).unwrap();
    assert_eq!(solution.state[0], 1.0);
    // Through (0, 1): slope = Σ x (y - 1) / Σ x².
    assert!((solution.state[1] - (1.0 + 3.0 + 16.0) / 21.0).abs() < 1e-12);
    let covariance = held.covariance_of(&solution, &[0, 1]).unwrap();
    assert!((covariance[(1, 1)] - 1.0 / 21.0).abs() < 1e-12 && covariance.row(0).amax() == 0.0);
    assert_eq!(solution.degrees_of_freedom(), Some(2));
}

/// A turn with a prior is the average of what is seen and what was known, weighted by their information.
#[test]
fn a_prior_on_a_rotation_pulls_by_its_information() {
    let (problem, start) = turned_arrows(30);
    let free = minimise(&problem, start.clone(), &Options::default()).unwrap();
    let known = free.state.rotation.plus(&[1e-4, -2e-4, 3e-4]);
    let seen = free.covariance_of(&[0, 1, 2]).unwrap();
    let prior =
        |covariance: &DMatrix<f64>| Prior::new(vec![0, 1, 2], known, covariance, |turn: &Turn| turn.rotation).unwrap();
    let bound = Bound::new(&problem, &[], vec![prior(&seen)]).unwrap();
    assert_eq!(bound.structure(), problem.structure());
    assert!(worst_jacobian_error(&bound, &start) < 1e-7);
    let solution = minimise(&bound, start.clone(), &Options::default()).unwrap();
    // Equal information: half way, with half the covariance.
    let pulled = solution.state.rotation.minus(&free.state.rotation);
    assert!((pulled - dvector![0.5e-4, -1e-4, 1.5e-4]).amax() < 1e-7);
    let covariance = bound.covariance_of(&solution, &[0, 1, 2]).unwrap();
    assert!((covariance - &seen * 0.5).amax() < 1e-4 * seen.amax());
    // A very firm prior holds.
    let firm = Bound::new(&problem, &[], vec![prior(&(&seen * 1e-12))]).unwrap();
    let solution = minimise(&firm, start, &Options::default()).unwrap();
    assert!(solution.state.rotation.angle_to(&known) < 1e-9);
}

#[test]
fn priors_that_cannot_be_are_refused() {
    let of = |turn: &Turn| turn.rotation;
    let make = |columns: Vec<usize>, covariance: &DMatrix<f64>| {
        Prior::new(columns, UnitQuaternion::identity(), covariance, of)
    };
    let flat = DMatrix::from_diagonal(&dvector![1.0, 1.0, 0.0]);
    assert_eq!(make(vec![0, 1, 2], &flat).unwrap_err(), SolverError::PriorCovariance { columns: 3, size: 3 });
    assert!(make(vec![0, 1], &DMatrix::identity(2, 2)).is_err());
    let (problem, _) = turned_arrows(5);
    let outside = make(vec![0, 1, 8], &DMatrix::identity(3, 3)).unwrap();
    let Err(error) = Bound::<TurnedArrows>::new(&problem, &[], vec![outside]) else { panic!("taken?") };
    assert_eq!(error, SolverError::NoSuchColumn { block: 5, column: 8, tangent_dim: 8 });
}

#[test]
fn a_watcher_sees_the_cost_fall_and_can_stop() {
    let problem = chain(40);
    let mut costs = Vec::new();
    let solution = minimise_watched(&problem, DVector::zeros(41), &Options::default(), &mut |trial| {
        costs.push((trial.number, trial.cost, trial.accepted));
        ControlFlow::Continue(())
    })
    .unwrap();
    assert_eq!(costs.len(), solution.iterations);
    assert!(costs.windows(2).all(|pair| pair[1].0 == pair[0].0 + 1 && pair[1].1 <= pair[0].1));
    assert!(costs[0].2 && costs.last().unwrap().1 == solution.cost);
    let stopped = minimise_watched(&problem, DVector::zeros(41), &Options::default(), &mut |trial| {
        if trial.number == 2 { ControlFlow::Break(()) } else { ControlFlow::Continue(()) }
    })
    .unwrap();
    assert_eq!((stopped.end, stopped.iterations, stopped.end.converged()), (EndReason::Stopped, 2, false));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]
    #[test]
    fn holding_any_columns_keeps_the_structure_sound(held in prop::collection::vec(0usize..41, 0..20)) {
        let problem = chain(40);
        let start = DVector::from_fn(41, |i, _| 0.01 * i as f64);
        let bound = Bound::new(&problem, &held, Vec::new()).unwrap();
        let solution = minimise(&bound, start.clone(), &Options::default()).unwrap();
        let dense = minimise(&Restructured(&bound, Structure::Dense), start.clone(), &Options::default()).unwrap();
        prop_assert!((&solution.state - &dense.state).amax() < 1e-9);
        for &column in &held {
            prop_assert_eq!(solution.state[column], start[column]);
        }
        let all: Vec<usize> = (0..41).collect();
        let difference = bound.covariance_of(&solution, &all).unwrap() - bound.covariance_of(&dense, &all).unwrap();
        prop_assert!(difference.amax() < 1e-9);
    }
}
