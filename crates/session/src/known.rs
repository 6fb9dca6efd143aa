//! Boards and recording modes that a session may name without describing them, from `calib/`.

use serde::Deserialize;

use crate::board::Board;

/// Rolling-shutter read-out of a kind of recording, where a session knows no better.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RecordingMode {
    /// Name, such as `phone-240`.
    pub name: String,
    /// Nominal frame rate.
    pub frame_rate_hz: f64,
    /// Shortest and longest read-out, first row to last, seconds.
    pub readout_seconds: [f64; 2],
    /// Where the range comes from.
    pub source: String,
}

impl RecordingMode {
    /// All modes of `calib/recording-modes.toml`.
    #[must_use]
    pub fn all() -> Vec<Self> {
        #[derive(Deserialize)]
        struct Modes {
            mode: Vec<RecordingMode>,
        }
        // The file is part of the program; a test reads it.
        toml::from_str(include_str!("../../../calib/recording-modes.toml"))
            .map(|modes: Modes| modes.mode)
            .unwrap_or_default()
    }

    /// The read-out to use: the middle of the range, seconds.
    #[must_use]
    pub fn middle_seconds(&self) -> f64 {
        0.5 * (self.readout_seconds[0] + self.readout_seconds[1])
    }
}

/// All boards of `calib/boards.toml`.
#[must_use]
pub fn boards() -> Vec<Board> {
    #[derive(Deserialize)]
    struct Boards {
        board: Vec<Board>,
    }
    // The file is part of the program; a test reads it.
    toml::from_str(include_str!("../../../calib/boards.toml")).map(|boards: Boards| boards.board).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_files_in_calib_are_sound() {
        let boards = boards();
        assert_eq!(boards.len(), 4);
        for board in &boards {
            assert!(board.fault().is_none() && board.orientation_is_unambiguous(), "{}", board.name);
        }
        let modes = RecordingMode::all();
        assert_eq!(modes.len(), 4);
        for mode in &modes {
            let [shortest, longest] = mode.readout_seconds;
            // No read-out takes longer than a frame.
            assert!(0.0 < shortest && shortest < longest && longest < 1.01 / mode.frame_rate_hz, "{}", mode.name);
            assert!(!mode.source.is_empty());
        }
    }
}
