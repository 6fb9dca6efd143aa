//! Why a plan cannot be used.

/// Why a plan cannot be used, and what to do.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum PlanError {
    /// The file is not a plan.
    #[error("{}{reason}", .line.map(|line| format!("line {line}: ")).unwrap_or_default())]
    Malformed {
        /// Line of the mistake, from 1.
        line: Option<usize>,
        /// What is wrong and what to do.
        reason: String,
    },
    /// No point of the zone is seen by two phones.
    #[error(
        "no point of the hitting zone is in the pictures of two phones, so that nothing can be measured there; check place_m, may_stand and the zone"
    )]
    NothingSeen,
    /// The optimiser refused its input.
    #[error("the search for better places failed: {reason}")]
    Search {
        /// What the optimiser said.
        reason: String,
    },
}
