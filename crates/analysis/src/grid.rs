//! The even time grid of one stroke, with contact on one of its instants.

/// Instants every 5 ms from 2 s before to 0.8 s after contact.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Grid {
    /// Spacing, seconds.
    pub(crate) step: f64,
    /// Index of contact. The state there is the one before the ball is met; the next instant belongs to the time after.
    pub(crate) contact: usize,
    /// Number of instants.
    pub(crate) len: usize,
}

/// The grid that every stroke is measured on.
pub(crate) const GRID: Grid = Grid { step: 0.005, contact: 400, len: 561 };

impl Grid {
    /// Seconds to contact (negative before) of a possibly fractional index.
    pub(crate) fn seconds(&self, index: f64) -> f64 {
        (index - self.contact as f64) * self.step
    }

    /// Nearest index of a time in seconds to contact, kept on the grid.
    pub(crate) fn index(&self, seconds: f64) -> usize {
        let index = (seconds / self.step).round() + self.contact as f64;
        (index.max(0.0) as usize).min(self.len - 1)
    }

    /// First instant of the grid, seconds to contact.
    pub(crate) fn first_seconds(&self) -> f64 {
        self.seconds(0.0)
    }

    /// Last instant of the grid, seconds to contact.
    pub(crate) fn last_seconds(&self) -> f64 {
        self.seconds((self.len - 1) as f64)
    }
}
