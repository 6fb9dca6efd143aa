//! Sessions for tests.

use super::MeasuredSession;

/// The first sessions of the made-up cohort, two per player.
pub(crate) fn few(count: usize) -> Vec<MeasuredSession> {
    crate::demo::sessions(7).into_iter().take(count).collect()
}
