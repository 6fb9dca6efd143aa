//! 2D points to 3D with covariance
