//! cohort
