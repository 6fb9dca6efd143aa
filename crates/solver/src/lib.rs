//! Least squares as argmin solvers, robust losses, covariance, gradient checker
