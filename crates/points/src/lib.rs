//! 2D keypoints: import and quality checks
