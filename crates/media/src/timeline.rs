//! From media time to presentation time: edit lists.

/// One entry of an edit list (ISO/IEC 14496-12, 8.6.6).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Edit {
    /// Length in the movie's time scale; 0 in the last entry means to the end.
    pub(crate) duration: u64,
    /// Where it starts in the media's time scale; `None` for an empty edit.
    pub(crate) media_time: Option<i64>,
}

/// The times of one track.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Timeline {
    /// Units per second of the edit list's durations.
    pub(crate) movie_timescale: u32,
    /// Units per second of the samples' times.
    pub(crate) media_timescale: u32,
    /// Composition time of every sample, in decoding order, as the tables say.
    pub(crate) samples: Vec<i64>,
    /// Where the last sample ends, in decoding time.
    pub(crate) media_end: i64,
    /// The edit list; empty when there is none.
    pub(crate) edits: Vec<Edit>,
}

/// A stretch of media that is shown without a break.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Stretch {
    /// Presentation time of its start, in seconds.
    pub(crate) start_seconds: f64,
    /// First media time, inclusive.
    pub(crate) from: i64,
    /// Last media time, exclusive.
    pub(crate) to: i64,
}

impl Timeline {
    /// The stretches that are shown, in order.
    pub(crate) fn stretches(&self) -> Vec<Stretch> {
        if self.edits.is_empty() {
            return vec![Stretch { start_seconds: 0.0, from: i64::MIN, to: i64::MAX }];
        }
        let mut passed = 0u64;
        let mut stretches = Vec::new();
        for (index, edit) in self.edits.iter().enumerate() {
            if let Some(from) = edit.media_time {
                let open = edit.duration == 0 && index + 1 == self.edits.len();
                stretches.push(Stretch {
                    start_seconds: passed as f64 / f64::from(self.movie_timescale),
                    from,
                    to: if open { i64::MAX } else { from.saturating_add(self.in_media(edit.duration)) },
                });
            }
            passed = passed.saturating_add(edit.duration);
        }
        stretches
    }

    /// A movie duration in the media's time scale, rounded to the nearest unit.
    fn in_media(&self, movie_duration: u64) -> i64 {
        let (media, movie) = (u128::from(self.media_timescale), u128::from(self.movie_timescale.max(1)));
        i64::try_from((u128::from(movie_duration) * media + movie / 2) / movie).unwrap_or(i64::MAX)
    }

    /// A span of media time in seconds.
    pub(crate) fn seconds(&self, media: i64) -> f64 {
        media as f64 / f64::from(self.media_timescale)
    }

    /// Presentation times in seconds of the samples that are shown, in display order.
    pub(crate) fn presentation_seconds(&self) -> Vec<f64> {
        let mut in_order = self.samples.clone();
        in_order.sort_unstable();
        let mut shown = Vec::with_capacity(in_order.len());
        for stretch in self.stretches() {
            let first = in_order.partition_point(|t| *t < stretch.from);
            let last = in_order.partition_point(|t| *t < stretch.to);
            // Without an edit list the media time is the presentation time.
            let zero = if stretch.from == i64::MIN { 0 } else { stretch.from };
            shown.extend(
                in_order
                    .get(first..last)
                    .unwrap_or_default()
                    .iter()
                    .map(|t| stretch.start_seconds + self.seconds(t - zero)),
            );
        }
        shown
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn timeline(samples: &[i64], edits: &[(u64, i64)]) -> Timeline {
        Timeline {
            movie_timescale: 1000,
            media_timescale: 100,
            samples: samples.to_vec(),
            media_end: samples.len() as i64 * 10,
            edits: edits.iter().map(|(d, t)| Edit { duration: *d, media_time: (*t >= 0).then_some(*t) }).collect(),
        }
    }

    #[test]
    fn reordered_samples_come_out_in_display_order() {
        let shown = timeline(&[20, 60, 40, 30, 50], &[(500, 20)]).presentation_seconds();
        assert_eq!(shown, [0.0, 0.1, 0.2, 0.3, 0.4].map(|t: f64| (t * 100.0).round() / 100.0));
    }

    #[test]
    fn an_empty_edit_delays_and_an_edit_cuts_on_both_sides() {
        let shown = timeline(&[0, 10, 20, 30, 40], &[(700, -1), (200, 10)]).presentation_seconds();
        assert_eq!(shown, [0.7, 0.7 + 0.1]);
    }

    #[test]
    fn edits_are_shown_one_after_the_other() {
        let shown = timeline(&[0, 10, 20, 30, 40], &[(100, 30), (200, 0)]).presentation_seconds();
        assert_eq!(shown, [0.0, 0.1, 0.1 + 0.1]);
    }

    #[test]
    fn a_last_edit_without_length_runs_to_the_end() {
        assert_eq!(timeline(&[0, 10, 20], &[(0, 10)]).presentation_seconds(), [0.0, 0.1]);
    }
}
