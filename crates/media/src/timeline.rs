//! From media time to presentation time: edit lists.

use crate::samples::Samples;

/// A frame that is shown.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct ShownFrame {
    /// Presentation time.
    pub(crate) pts_seconds: f64,
    /// Composition time in the media's time scale, which is the time stamp that the decoder knows.
    pub(crate) media_time: i64,
    /// Index of its sample in decoding order.
    pub(crate) sample: usize,
}

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
    /// The stretches that are shown, in order; `None` when one lies before the end of another, so that frames would be
    /// shown twice or in another order than they were recorded.
    pub(crate) fn stretches(&self) -> Option<Vec<Stretch>> {
        if self.edits.is_empty() {
            return Some(vec![Stretch { start_seconds: 0.0, from: i64::MIN, to: i64::MAX }]);
        }
        // Lengths are rounded to the movie's time scale.
        let rounding = self.in_media(1).saturating_add(1);
        let mut passed = 0u64;
        let mut stretches: Vec<Stretch> = Vec::new();
        for (index, edit) in self.edits.iter().enumerate() {
            if let Some(from) = edit.media_time {
                let open = edit.duration == 0 && index + 1 == self.edits.len();
                if let Some(before) = stretches.last_mut().filter(|before| before.to > from) {
                    if before.to - from > rounding {
                        return None;
                    }
                    before.to = from;
                }
                stretches.push(Stretch {
                    start_seconds: passed as f64 / f64::from(self.movie_timescale),
                    from,
                    to: if open { i64::MAX } else { from.saturating_add(self.in_media(edit.duration)) },
                });
            }
            passed = passed.saturating_add(edit.duration);
        }
        Some(stretches)
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

    /// The frames that are shown, in display order; `None` as for [`Timeline::stretches`].
    pub(crate) fn shown(&self, samples: &Samples) -> Option<Vec<ShownFrame>> {
        let mut in_order: Vec<(i64, usize)> = samples.composition.iter().copied().zip(0..).collect();
        in_order.sort_unstable();
        let mut shown = Vec::with_capacity(in_order.len());
        for stretch in self.stretches()? {
            let first = in_order.partition_point(|(t, _)| *t < stretch.from);
            let last = in_order.partition_point(|(t, _)| *t < stretch.to);
            // Without an edit list the media time is the presentation time.
            let zero = if stretch.from == i64::MIN { 0 } else { stretch.from };
            shown.extend(in_order.get(first..last).unwrap_or_default().iter().map(|(media_time, sample)| ShownFrame {
                pts_seconds: stretch.start_seconds + self.seconds(media_time.saturating_sub(zero)),
                media_time: *media_time,
                sample: *sample,
            }));
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
        Some(timeline.shown(&samples)?.iter().map(|frame| frame.pts_seconds).collect())
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
        let times = shown(&[0, 10, 20, 30, 40], &[(100, 0), (200, 30)]).unwrap();
        assert_eq!(times, [0.0, 0.1, 0.1 + 0.1]);
        // Rounding of the first length lets it reach into the second part by less than a unit of the movie's.
        let timeline = Timeline {
            movie_timescale: 10,
            media_timescale: 100,
            edits: [(1, 0), (2, 5)].map(|(duration, t)| Edit { duration, media_time: Some(t) }).to_vec(),
        };
        assert_eq!(timeline.stretches().unwrap()[0].to, 5);
    }

    #[test]
    fn a_last_edit_without_length_runs_to_the_end() {
        assert_eq!(shown(&[0, 10, 20], &[(0, 10)]).unwrap(), [0.0, 0.1]);
    }

    #[test]
    fn samples_shown_twice_or_in_another_order_are_refused() {
        assert_eq!(shown(&[0, 10], &[(200, 0), (200, 0)]), None);
        assert_eq!(shown(&[0, 10, 20, 30], &[(200, 20), (200, 0)]), None);
    }
}
