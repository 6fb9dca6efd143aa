//! When the samples of one track are decoded and composed, in the media's time scale.

/// Samples that follow each other and last equally long.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Run {
    /// Durations of all samples before, added up.
    passed: i64,
    /// Decoding time of the first.
    start: i64,
    count: u64,
    duration: u32,
}

/// The samples of one track in decoding order.
#[derive(Debug, Clone, PartialEq, Default)]
pub(crate) struct Samples {
    runs: Vec<Run>,
    /// Composition time of every sample; kept for pictures only.
    pub(crate) composition: Vec<i64>,
    /// Samples at which decoding may start; `None` when it may start at every one.
    pub(crate) sync: Option<Vec<usize>>,
    count: u64,
    /// Durations of all samples, added up.
    passed: i64,
    /// Where the last sample ends in decoding time.
    pub(crate) end: i64,
}

impl Samples {
    pub(crate) fn count(&self) -> u64 {
        self.count
    }

    /// The next sample is decoded at `time` instead of the end of the one before.
    pub(crate) fn jump_to(&mut self, time: i64) {
        self.end = time;
    }

    /// Appends samples that last `duration` each.
    pub(crate) fn push(&mut self, count: u64, duration: u32) {
        if count == 0 {
            return;
        }
        let length = i64::try_from(u128::from(count) * u128::from(duration)).unwrap_or(i64::MAX);
        match self.runs.last_mut() {
            Some(run) if run.duration == duration && run.end() == self.end => run.count += count,
            _ => self.runs.push(Run { passed: self.passed, start: self.end, count, duration }),
        }
        self.count += count;
        self.passed = self.passed.saturating_add(length);
        self.end = self.end.saturating_add(length);
    }

    /// Appends one picture, composed `offset` after its decoding time.
    pub(crate) fn push_picture(&mut self, duration: u32, offset: i32) {
        self.composition.push(self.end.saturating_add(offset.into()));
        self.push(1, duration);
    }

    /// Decoding time of the instant that lies `passed` units of sample durations behind the first sample.
    pub(crate) fn time_after(&self, passed: i64) -> i64 {
        let after = self.runs.partition_point(|run| run.passed <= passed);
        match after.checked_sub(1).and_then(|at| self.runs.get(at)) {
            Some(run) => run.start.saturating_add(passed - run.passed),
            None => passed,
        }
    }

    /// The duration that most samples have.
    pub(crate) fn usual_duration(&self) -> Option<u32> {
        let mut counts: Vec<(u32, u64)> = self.runs.iter().map(|run| (run.duration, run.count)).collect();
        counts.sort_unstable();
        let chunks = counts.chunk_by(|a, b| a.0 == b.0);
        chunks.map(|same| (same[0].0, same.iter().map(|(_, n)| n).sum::<u64>())).max_by_key(|(_, n)| *n).map(|(d, _)| d)
    }
}

impl Run {
    fn end(&self) -> i64 {
        let length = i64::try_from(u128::from(self.count) * u128::from(self.duration)).unwrap_or(i64::MAX);
        self.start.saturating_add(length)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn durations_map_to_times_over_a_jump() {
        let mut samples = Samples::default();
        samples.push(3, 10);
        samples.push(1, 10);
        samples.jump_to(100);
        samples.push(2, 10);
        samples.push(1, 4);
        assert_eq!((samples.runs.len(), samples.count(), samples.end), (3, 7, 124));
        let times = [0, 10, 30, 40, 50, 60].map(|passed| samples.time_after(passed));
        assert_eq!(times, [0, 10, 30, 100, 110, 120]);
        assert_eq!(samples.usual_duration(), Some(10));
    }
}
