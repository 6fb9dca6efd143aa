//! Nonlinear least squares on manifolds: Levenberg-Marquardt with robust losses, covariance, and a gradient checker.
//!
//! The problem is a list of residual blocks, each of which touches a few columns of the tangent space ([`LeastSquares`]).
//! [`minimise`] runs the method as an [`argmin`] solver through its executor. The normal equations are accumulated block
//! by block, so that this part costs time linear in the number of blocks; the damped system is solved by a Cholesky
//! factorisation that uses what the problem says of its [`Structure`]: dense, groups eliminated one by one (Schur complement),
//! or a band. The same factorisation gives covariances: of all, of some columns, or of neighbours ([`Solution`]).
//! [`Blocks`] is for methods that change the problem between steps and ask for step and covariance each time.
//! [`Bound`] holds columns and adds priors to any problem; [`Manifold`] is for unknowns that are not vectors.
//!
//! Sources: Levenberg 1944; Marquardt 1963 (scaling of the damping by `diag(JᵀJ)`); Moré 1978 (a scale that outlasts
//! columns that vanish); Madsen, Nielsen & Tingleff 2004, "Methods for non-linear least squares problems", 2nd ed.,
//! algorithm 3.16 (gain ratio and update of the damping); Transtrum & Sethna 2012 (steps that follow the bend of the
//! residuals, on request); Holland & Welsch 1977 (robust losses by iteratively reweighted least squares).
//!
//! # Conventions
//!
//! - Residuals are whitened: divided by their standard deviation, so that `½ Σ r²` is a negative log-likelihood and
//!   `(JᵀJ)⁻¹` a covariance.
//! - A state need not be a vector: it is moved by [`LeastSquares::step`] along a tangent vector of fixed dimension, and
//!   Jacobians are derivatives by that tangent vector at zero.
//! - A robust loss is taken of the norm of a block: put what is an outlier together (both coordinates of one pixel) in one
//!   block.
//! - Results do not depend on the number of threads: blocks are evaluated in any order and summed in theirs.

mod bound;
mod error;
mod gradient_check;
mod groups;
mod levenberg_marquardt;
mod local;
mod loss;
mod manifold;
mod normal_equations;
mod normal_matrix;
mod options;
mod problem;
mod solution;

pub use bound::{Bound, Prior};
pub use error::SolverError;
pub use gradient_check::worst_jacobian_error;
pub use levenberg_marquardt::{Trial, minimise, minimise_watched};
pub use local::{Blocks, Local};
pub use loss::Loss;
pub use manifold::Manifold;
pub use options::Options;
pub use problem::{LeastSquares, Structure};
pub use solution::{Determined, EndReason, LocalCovariance, Solution};

#[cfg(test)]
mod structure_tests;
#[cfg(test)]
mod test_problems;
#[cfg(test)]
mod tests;
