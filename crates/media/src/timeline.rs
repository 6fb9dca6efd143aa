//! From media time to presentation time: edit lists.

use crate::samples::Samples;

/// How often an edit list may show all samples.
pub(crate) const MOST_SHOWINGS: usize = 8;

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

    /// The samples that are shown, in display order: presentation time in seconds, and index in decoding order.
    ///
    /// `None` when the edit list shows the samples over and over, which no recording does: guards against a damaged list.
    pub(crate) fn shown(&self, samples: &Samples) -> Option<Vec<(f64, usize)>> {
        let mut in_order: Vec<(i64, usize)> = samples.composition.iter().copied().zip(0..).collect();
        in_order.sort_unstable();
        let mut shown = Vec::with_capacity(in_order.len());
        for stretch in self.stretches() {
            let first = in_order.partition_point(|(t, _)| *t < stretch.from);
            let last = in_order.partition_point(|(t, _)| *t < stretch.to);
            // Without an edit list the media time is the presentation time.
            let zero = if stretch.from == i64::MIN { 0 } else { stretch.from };
            let part = in_order.get(first..last).unwrap_or_default();
            if shown.len() + part.len() > MOST_SHOWINGS * in_order.len() {
                return None;
            }
            shown
                .extend(part.iter().map(|(t, at)| (stretch.start_seconds + self.seconds(t.saturating_sub(zero)), *at)));
        }
        Some(shown)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Presentation times with a movie time scale of 1000 and a media time scale of 100.
    fn shown(composition: &[i64], edits: &[(u64, i64)]) -> Option<Vec<f64>> {
        let timeline = Timeline {
            movie_timescale: 1000,
            media_timescale: 100,
            edits: edits.iter().map(|(d, t)| Edit { duration: *d, media_time: (*t >= 0).then_some(*t) }).collect(),
        };
        let mut samples = Samples::default();
        samples.composition = composition.to_vec();
        Some(timeline.shown(&samples)?.into_iter().map(|(seconds, _)| seconds).collect())
    }

    #[test]
    fn reordered_samples_come_out_in_display_order() {
        let times = shown(&[20, 60, 40, 30, 50], &[(500, 20)]).unwrap();
        assert_eq!(times, [0.0, 0.1, 0.2, 0.3, 0.4].map(|t: f64| (t * 100.0).round() / 100.0));
    }

    #[test]
    fn an_empty_edit_delays_and_an_edit_cuts_on_both_sides() {
        let times = shown(&[0, 10, 20, 30, 40], &[(700, -1), (200, 10)]).unwrap();
        assert_eq!(times, [0.7, 0.7 + 0.1]);
    }

    #[test]
    fn edits_are_shown_one_after_the_other() {
        let times = shown(&[0, 10, 20, 30, 40], &[(100, 30), (200, 0)]).unwrap();
        assert_eq!(times, [0.0, 0.1, 0.1 + 0.1]);
    }

    #[test]
    fn a_last_edit_without_length_runs_to_the_end() {
        assert_eq!(shown(&[0, 10, 20], &[(0, 10)]).unwrap(), [0.0, 0.1]);
    }

    #[test]
    fn samples_shown_over_and_over_are_refused() {
        assert_eq!(shown(&[0, 10], &[(200, 0); 9]), None);
        assert_eq!(shown(&[0, 10], &[(200, 0); 8]).unwrap().len(), 16);
    }
}
