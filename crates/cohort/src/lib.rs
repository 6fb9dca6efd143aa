//! Many players in one honest table: a store of measured sessions, questions to it, and statistics that know that strokes lie
//! within sessions and sessions within players.
//!
//! # Conventions
//!
//! - SI units; every column that carries a number names its unit in the field's metadata (`unit`), or in the column `unit` of the
//!   same row.
//! - Players are codes. A level or an age group comes from a roster; names and dates of birth are refused ([`codes`]).
//! - Missing is null, never 0 or NaN.
//! - Curves run over time to contact (seconds, 0 at contact) and over the share of the time from the take-back's start (0 %) to
//!   contact (100 %).
//! - The sampling unit is the player: a player counts once, however many strokes were filmed. "n" is always given as players and strokes.
//! - Everything random starts from a seed that the caller gives; results do not depend on the number of threads.

pub mod codes;
pub mod demo;
mod error;
pub mod findings;
pub mod query;
pub mod report;
pub mod statistics;
pub mod store;

pub use error::CohortError;
