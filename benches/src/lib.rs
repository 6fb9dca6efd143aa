//! What the benchmarks share: simulated views of a known camera, and timing of two ways to do the same work.
//!
//! A claim about speed is a ratio against a peer in the same run on the same input; absolute times are printed for
//! orientation only. Each comparison also checks that both ways come to the same result. `cargo bench -p
//! midline-benches` prints a table and writes nothing. A run worth keeping is stored by hand:
//!
//! ```text
//! (date +%F; cargo bench -p midline-benches) > benches/runs/<date>-<machine kind>.txt
//! ```

pub mod clip;
pub mod scene;
pub mod timing;
