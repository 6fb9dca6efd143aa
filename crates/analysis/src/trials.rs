//! Uncertainty by trials: the stroke is measured again on draws of what it may have been.
//!
//! Each trial is a draw of every point's course given its samples (module `smoothing`), and of the instants of contact and bounce as their
//! standard deviations say; phases and measures are then found anew. What a measure is over the trials is what it may be
//! (JCGM 101:2008, Propagation of distributions using a Monte Carlo method). The draws come from a generator with a fixed
//! seed, so the same input gives the same intervals.

use std::f64::consts::TAU;

use midline_session::strokes::{Measure, Outcome};
use midline_signal::student_factor;
use rand::SeedableRng;
use rand::rngs::StdRng;
use rand_distr::{Distribution, StandardNormal};

use crate::curves::{self, CurveKind};
use crate::measures::MeasureKind;
use crate::model::StrokeModel;
use crate::phases::Phase;
use crate::series::Series;
use crate::view::{Because, StrokeView};

/// Number of trials: gives a standard deviation to about 6 %.
pub(crate) const TRIALS: usize = 128;

/// Standard deviation of what the smoothing did to a value, in units of what it does to it once more. A smoothed course has less to lose:
/// in made-up swings at 120 and 240 frames per second once more did half to four fifths of what was done (for instants that much is taken
/// off; the rest is left).
const SMOOTHING_SD: f64 = 1.0;

/// A measure in all trials.
struct Evaluation {
    kind: MeasureKind,
    measured: Result<f64, Because>,
    /// What smoothing once more does to it.
    smoothing: f64,
    trials: Vec<Option<f64>>,
}

/// A curve with the sums of its squared departures over the trials.
struct CurveTrials {
    kind: CurveKind,
    measured: Series,
    squares: Vec<(f64, usize)>,
}

/// All measures of one stroke with their trials.
pub(crate) struct Evaluations {
    list: Vec<Evaluation>,
    /// Each with what the smoothing does to it, seconds.
    phases: Vec<(Phase, f64, Vec<f64>)>,
    curves: Vec<CurveTrials>,
}

/// Measures a stroke `trials` times with noise; `measured` is the view without.
pub(crate) fn evaluate(
    model: &StrokeModel,
    measured: &StrokeView,
    again: &StrokeView,
    kinds: Vec<MeasureKind>,
    phases: &[Phase],
    trials: usize,
    seed: u64,
) -> Evaluations {
    let mut list: Vec<Evaluation> = kinds
        .into_iter()
        .filter(|kind| model.setting.one_camera || !kind.only_in_one_picture)
        .map(|kind| {
            let value = kind.value(measured);
            let smoothed = value.as_ref().ok().zip(kind.value(again).ok().filter(|v| v.is_finite()));
            let smoothing = smoothed.map_or(0.0, |(value, again)| near(*value, again, kind.unit) - value);
            Evaluation { measured: value, smoothing, kind, trials: Vec::with_capacity(trials) }
        })
        .collect();
    let mut phases: Vec<(Phase, f64, Vec<f64>)> = phases
        .iter()
        .map(|phase| {
            let both = measured.phase(*phase).ok().zip(again.phase(*phase).ok());
            (*phase, both.map_or(0.0, |(value, again)| again - value), Vec::new())
        })
        .collect();
    let mut curves: Vec<CurveTrials> = curves::all()
        .into_iter()
        .map(|kind| {
            let measured = (kind.series)(measured);
            CurveTrials { kind, squares: vec![(0.0, 0); measured.len()], measured }
        })
        .collect();
    let mut random = StdRng::seed_from_u64(seed);
    for _ in 0..trials {
        let view = model.trial(&mut random);
        // What the smoothing does is known in direction and size only roughly, and alike for everything that one motion shows.
        let normal: f64 = StandardNormal.sample(&mut random);
        let share = SMOOTHING_SD * normal;
        for evaluation in &mut list {
            let Ok(measured) = evaluation.measured else { continue };
            let value = evaluation.kind.value(&view).ok().filter(|v| v.is_finite());
            let shift = share * evaluation.smoothing;
            evaluation.trials.push(value.map(|value| near(measured, value, evaluation.kind.unit) + shift));
        }
        for (phase, smoothing, found) in &mut phases {
            found.extend(view.phase(*phase).ok().map(|seconds| seconds + share * *smoothing));
        }
        for curve in &mut curves {
            let values = (curve.kind.series)(&view).into_iter().zip(&curve.measured);
            for ((value, base), (sum, count)) in values.zip(&mut curve.squares) {
                if let (Some(value), Some(base)) = (value, base) {
                    *sum += (near(*base, value, curve.kind.unit) - base).powi(2);
                    *count += 1;
                }
            }
        }
    }
    Evaluations { list, phases, curves }
}

/// An angle (unit rad) taken on the turn nearest to the measured one, so that noise about half a turn is no full turn.
fn near(measured: f64, value: f64, unit: &str) -> f64 {
    if unit == "rad" { value - ((value - measured) / TAU).round() * TAU } else { value }
}

impl Evaluations {
    fn find(&self, id: &str) -> Option<&Evaluation> {
        self.list.iter().find(|e| e.kind.id == id)
    }

    /// Mean and standard deviation of a measure over the trials; `None` when the measure is not measurable.
    pub(crate) fn normal(&self, id: &str) -> Option<(f64, f64)> {
        self.find(id)?.mean_and_sd()
    }

    /// A measure's value without regard to noise.
    pub(crate) fn measured(&self, id: &str) -> Option<f64> {
        self.find(id)?.measured.as_ref().ok().copied()
    }

    /// Share of the trials in which the measures satisfy a condition, kept half a trial away from 0 and 1; `None` when one of
    /// them is not measurable.
    pub(crate) fn share_of_trials(&self, ids: &[&str], holds: impl Fn(&[f64]) -> bool) -> Option<f64> {
        let evaluations: Vec<&Evaluation> = ids.iter().map(|id| self.find(id)).collect::<Option<_>>()?;
        if evaluations.iter().any(|e| e.mean_and_sd().is_none()) {
            return None;
        }
        let trials = evaluations.iter().map(|e| e.trials.len()).min()?;
        let complete: Vec<bool> = (0..trials)
            .filter_map(|i| evaluations.iter().map(|e| e.trials[i]).collect::<Option<Vec<f64>>>())
            .map(|values| holds(&values))
            .collect();
        let hits = complete.iter().filter(|h| **h).count();
        (!complete.is_empty()).then(|| (hits as f64 + 0.5) / (complete.len() as f64 + 1.0))
    }

    /// Standard deviation of a phase's instant over the trials, seconds.
    pub(crate) fn phase_sd(&self, phase: Phase) -> Option<f64> {
        let (.., found) = self.phases.iter().find(|(p, ..)| *p == phase)?;
        spread(found)
    }

    /// The curves with their standard deviations.
    pub(crate) fn curves(&self) -> impl Iterator<Item = (&CurveKind, &Series, Series)> {
        self.curves.iter().map(|curve| {
            let sd = |(sum, count): &(f64, usize)| (*count >= 8).then(|| (sum / *count as f64).sqrt());
            (&curve.kind, &curve.measured, curve.squares.iter().map(sd).collect())
        })
    }

    /// The measures as reported.
    pub(crate) fn measures(&self) -> Vec<Measure> {
        self.list
            .iter()
            .filter(|evaluation| evaluation.kind.is_reported)
            .map(|evaluation| {
                let kind = &evaluation.kind;
                let outcome = evaluation.outcome().within(kind.unit);
                let outcome = match kind.review {
                    Some(review) => review(self, outcome),
                    None => outcome,
                };
                Measure {
                    id: kind.id.clone(),
                    name: kind.name.clone(),
                    unit: kind.unit.to_owned(),
                    definition: kind.definition.clone(),
                    n: usize::from(matches!(outcome, Outcome::Measured { .. })),
                    outcome,
                }
            })
            .collect()
    }
}

impl Evaluation {
    /// Over the trials. `None` when the measure is missing, or fails in half of the trials or more.
    fn mean_and_sd(&self) -> Option<(f64, f64)> {
        let measured = *self.measured.as_ref().ok()?;
        let found: Vec<f64> = self.trials.iter().flatten().copied().collect();
        if !measured.is_finite() || found.len() * 2 <= self.trials.len() {
            return None;
        }
        Some((found.iter().sum::<f64>() / found.len() as f64, spread(&found)?))
    }

    fn outcome(&self) -> Outcome {
        let value = match &self.measured {
            Ok(value) => *value,
            Err(because) => return Outcome::NotMeasurable { because: because.clone().into_owned() },
        };
        match self.mean_and_sd() {
            Some((mean, sd)) => {
                // The standard deviation is itself estimated, from the trials. The interval holds both the value of the likeliest
                // course and the mean over all.
                let half = student_factor(self.trials.len() - 1, 0.95).unwrap_or(1.96) * sd;
                Outcome::Measured { value, interval_95: [value.min(mean) - half, value.max(mean) + half] }
            }
            None => Outcome::NotMeasurable {
                because: "it does not stand up to the noise: in what the stroke may have been it is found in less than half of the trials"
                    .to_owned(),
            },
        }
    }
}

fn spread(values: &[f64]) -> Option<f64> {
    if values.len() < 8 {
        return None;
    }
    let mean = values.iter().sum::<f64>() / values.len() as f64;
    Some((values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (values.len() - 1) as f64).sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn noise_about_half_a_turn_is_no_full_turn() {
        let pi = std::f64::consts::PI;
        assert!((near(pi - 0.01, -pi + 0.02, "rad") - (pi + 0.02)).abs() < 1e-12);
        assert!((near(-pi + 0.01, pi - 0.02, "rad") - (-pi - 0.02)).abs() < 1e-12);
        assert!((near(0.3, 0.5, "rad") - 0.5).abs() < 1e-12);
        assert!((near(0.0, 31.0, "m/s") - 31.0).abs() < 1e-12);
    }
}
