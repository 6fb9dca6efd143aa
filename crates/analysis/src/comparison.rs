//! Two sets of strokes held against each other: before and after, or two players.
//!
//! Two levels of spread: within a stroke (the measure's own interval) and from stroke to stroke. Strokes count as exchangeable
//! within a set. The difference of the sets' means has a standard error from both levels and both sets (Welch 1947, Biometrika
//! 34:28, with Satterthwaite's degrees of freedom); the minimal detectable change is what that error hides. Errors that all
//! strokes of a session share (poses, lens, clock) are counted as if each stroke had its own: they cannot be told apart here,
//! and the comparison says so.

use midline_session::strokes::{Curve, EventKind, Measure, Outcome, Stroke, Strokes};
use midline_signal::student_factor;
use serde::Serialize;

/// What must agree for two sets to be compared.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SetSettings {
    /// What it is called, such as the session's folder.
    pub name: String,
    /// Slowest camera, frames per second; 0 when not known.
    pub frame_rate_hz: f64,
    /// Number of cameras.
    pub cameras: usize,
    /// Standard deviation of the clock between cameras, seconds.
    pub clock_sd_seconds: f64,
    /// Whether the court's frame is known.
    pub court_is_known: bool,
}

/// One set.
#[derive(Debug, Clone, Copy)]
pub struct StrokeSet<'a> {
    /// How it was recorded.
    pub settings: &'a SetSettings,
    /// What was measured.
    pub strokes: &'a Strokes,
}

/// What is said about a measure.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Change {
    /// The interval of the difference leaves out zero.
    Changed(Difference),
    /// The difference is below what could be detected.
    NoDetectableChange(Difference),
    /// Not compared; completes "not compared because …".
    NotCompared(String),
}

/// Second set minus first.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Difference {
    /// Of the means, in the measure's unit.
    pub value: f64,
    /// 95 % interval.
    pub interval_95: [f64; 2],
    /// Least difference of these two sets that stands out at 95 %, in the measure's unit.
    pub minimal_detectable_change: f64,
}

/// One set's side of a measure.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct SetMean {
    /// Mean over the strokes.
    pub mean: f64,
    /// Standard deviation from stroke to stroke freed of the strokes' own uncertainty; 0 when that explains all of the spread.
    pub stroke_to_stroke_sd: f64,
    /// Typical uncertainty of one stroke's value (1 sd).
    pub within_stroke_sd: f64,
    /// Strokes in which it was measured.
    pub n: usize,
}

/// A measure in both sets.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct MeasureComparison {
    /// Identifier, name, unit and definition as in the sets.
    pub id: String,
    /// Name for people.
    pub name: String,
    /// SI unit.
    pub unit: String,
    /// Definition.
    pub definition: String,
    /// Each set; `None` with fewer than two strokes.
    pub sets: [Option<SetMean>; 2],
    /// The answer.
    pub change: Change,
}

/// A curve over normalised phases in both sets.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CurveComparison {
    /// Identifier.
    pub id: String,
    /// Name for people.
    pub name: String,
    /// SI unit.
    pub unit: String,
    /// Landmarks and the place of each on the axis of `places`.
    pub landmarks: Vec<(EventKind, f64)>,
    /// 0 at the first landmark, 1 at the second, and so on.
    pub places: Vec<f64>,
    /// Mean of each set, and its 95 % band (pointwise, from the spread between strokes); `None` where not measured.
    pub sets: [Vec<Option<Band>>; 2],
}

/// Mean and pointwise 95 % band of the mean.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Band {
    /// Mean over the strokes.
    pub mean: f64,
    /// 95 % interval of the mean.
    pub interval_95: [f64; 2],
    /// Strokes there.
    pub n: usize,
}

/// Everything that was compared.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Comparison {
    /// Names of the sets.
    pub names: [String; 2],
    /// Measures in the order of the first set.
    pub measures: Vec<MeasureComparison>,
    /// Curves over normalised phases.
    pub curves: Vec<CurveComparison>,
    /// What to keep in mind, one sentence each.
    pub remarks: Vec<String>,
}

/// Why two sets are not compared at all.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum ComparisonError {
    /// One set has no stroke.
    #[error("\"{name}\" holds no measured stroke; run `midline strokes` on it and see why")]
    Empty {
        /// The set.
        name: String,
    },
    /// One was filmed by one camera, the other by more.
    #[error(
        "\"{with_one}\" was filmed by one camera and \"{with_more}\" by {cameras}: speeds in one picture plane and speeds in space are different measures; film both in the same way"
    )]
    OneCameraAgainstMore {
        /// The set from one camera.
        with_one: String,
        /// The other.
        with_more: String,
        /// Its number of cameras.
        cameras: usize,
    },
}

/// Frame rates that differ by more than this factor make whatever depends on them another measure.
const MOST_RATE_RATIO: f64 = 1.3;

/// So do clocks that differ by more than this, for what is timed between segments, seconds.
const MOST_CLOCK_DIFFERENCE_SECONDS: f64 = 0.002;

/// Measures whose value depends on the frame rate, beyond their uncertainty: short events and what is derived from speed.
const DEPENDS_ON_RATE: [&str; 5] = ["tip-speed", "-peak-rate", "-peak-time", "-lag", "segment-order"];

/// Shares of the strokes of a set that must have a measure.
const LEAST_STROKES: usize = 2;

/// Holds the second set against the first.
///
/// # Errors
/// When a set is empty, or one is from one camera and the other from more.
pub fn compare(first: StrokeSet, second: StrokeSet) -> Result<Comparison, ComparisonError> {
    for set in [first, second] {
        if set.strokes.strokes.is_empty() {
            return Err(ComparisonError::Empty { name: set.settings.name.clone() });
        }
    }
    let (a, b) = (first.settings, second.settings);
    if (a.cameras == 1) != (b.cameras == 1) {
        let (one, more) = if a.cameras == 1 { (a, b) } else { (b, a) };
        return Err(ComparisonError::OneCameraAgainstMore {
            with_one: one.name.clone(),
            with_more: more.name.clone(),
            cameras: more.cameras,
        });
    }
    let kinds = first.strokes.strokes.first().map_or(&[][..], |stroke| &stroke.measures);
    let measures = kinds.iter().map(|kind| measure(kind, first, second)).collect();
    let mut remarks = Vec::new();
    if differs(a.frame_rate_hz, b.frame_rate_hz) {
        remarks.push(format!(
            "{} was filmed at {:.0} frames per second and {} at {:.0}: what depends on the rate is not compared.",
            a.name, a.frame_rate_hz, b.name, b.frame_rate_hz
        ));
    }
    let kinds_of = |set: StrokeSet| {
        let mut kinds: Vec<_> = set.strokes.answers.kinds.iter().map(|k| k.kind).collect();
        kinds.sort_unstable();
        kinds.dedup();
        kinds
    };
    if kinds_of(first) != kinds_of(second) {
        let words = |set| kinds_of(set).iter().map(|k| k.label()).collect::<Vec<_>>().join(", ");
        remarks.push(format!(
            "The sets hold different kinds of strokes ({} against {}); differences may come from that.",
            words(first),
            words(second)
        ));
    }
    remarks.push(
        "Many measures are compared: of twenty without any change one is expected to stand out at 95 %. Decide beforehand which one counts."
            .to_owned(),
    );
    remarks.push(
        "An error of calibration that all strokes of a session share is not seen as such: check that both sessions put the court's points in the same place before believing a small change of place."
            .to_owned(),
    );
    let curves = curves(first, second);
    Ok(Comparison { names: [a.name.clone(), b.name.clone()], measures, curves, remarks })
}

fn differs(a_hz: f64, b_hz: f64) -> bool {
    a_hz > 0.0 && b_hz > 0.0 && (a_hz / b_hz).max(b_hz / a_hz) > MOST_RATE_RATIO
}

fn measure(kind: &Measure, first: StrokeSet, second: StrokeSet) -> MeasureComparison {
    let sets = [first, second].map(|set| set_mean(&kind.id, set.strokes));
    let change = match refusal(kind, first.settings, second.settings) {
        Some(because) => Change::NotCompared(because),
        None => match sets {
            [Some(a), Some(b)] => difference(&a, &b),
            _ => Change::NotCompared(missing(&kind.id, first, second)),
        },
    };
    MeasureComparison {
        id: kind.id.clone(),
        name: kind.name.clone(),
        unit: kind.unit.clone(),
        definition: kind.definition.clone(),
        sets,
        change,
    }
}

fn refusal(kind: &Measure, a: &SetSettings, b: &SetSettings) -> Option<String> {
    let depends = DEPENDS_ON_RATE.iter().any(|part| kind.id.contains(part));
    if depends && differs(a.frame_rate_hz, b.frame_rate_hz) {
        return Some(format!(
            "it depends on the frame rate, and the sets were filmed at {:.0} and {:.0} frames per second",
            a.frame_rate_hz, b.frame_rate_hz
        ));
    }
    let timed = kind.id.contains("-lag") || kind.id.contains("segment-order");
    let apart = (a.clock_sd_seconds - b.clock_sd_seconds).abs();
    if timed && apart > MOST_CLOCK_DIFFERENCE_SECONDS {
        return Some(format!(
            "the clocks of the sets are known to {:.1} and {:.1} ms, and it times what lies some 20 ms apart",
            a.clock_sd_seconds * 1e3,
            b.clock_sd_seconds * 1e3
        ));
    }
    None
}

fn missing(id: &str, first: StrokeSet, second: StrokeSet) -> String {
    let of = |set: StrokeSet| {
        let measured = values(id, set.strokes).len();
        let why = set.strokes.strokes.iter().filter_map(|s| s.measure(id)).find_map(|m| match &m.outcome {
            Outcome::NotMeasurable { because } => Some(because.clone()),
            Outcome::Measured { .. } => None,
        });
        let of_all = format!("{measured} of {} strokes of {}", set.strokes.strokes.len(), set.settings.name);
        why.map_or(of_all.clone(), |why| format!("{of_all} ({why})"))
    };
    format!("it needs {LEAST_STROKES} strokes of each set and was measured in {} and {}", of(first), of(second))
}

/// Value and standard deviation in each stroke.
fn values(id: &str, strokes: &Strokes) -> Vec<(f64, f64)> {
    strokes
        .strokes
        .iter()
        .filter_map(|stroke| match stroke.measure(id)?.outcome {
            Outcome::Measured { value, interval_95: [low, high] } => Some((value, (high - low) / (2.0 * 1.96))),
            Outcome::NotMeasurable { .. } => None,
        })
        .collect()
}

fn set_mean(id: &str, strokes: &Strokes) -> Option<SetMean> {
    let values = values(id, strokes);
    if values.len() < LEAST_STROKES {
        return None;
    }
    let n = values.len() as f64;
    let mean = values.iter().map(|(v, _)| v).sum::<f64>() / n;
    let spread = values.iter().map(|(v, _)| (v - mean).powi(2)).sum::<f64>() / (n - 1.0);
    let within = values.iter().map(|(_, sd)| sd * sd).sum::<f64>() / n;
    Some(SetMean {
        mean,
        stroke_to_stroke_sd: (spread - within).max(0.0).sqrt(),
        within_stroke_sd: within.sqrt(),
        n: values.len(),
    })
}

fn difference(a: &SetMean, b: &SetMean) -> Change {
    // A set's spread cannot be less than the strokes' own uncertainty, even where few strokes happen to agree.
    let variance = |set: &SetMean| set.stroke_to_stroke_sd.powi(2) + set.within_stroke_sd.powi(2);
    let share = |set: &SetMean| variance(set) / set.n as f64;
    let error = (share(a) + share(b)).sqrt();
    let degrees =
        (share(a) + share(b)).powi(2) / (share(a).powi(2) / (a.n as f64 - 1.0) + share(b).powi(2) / (b.n as f64 - 1.0));
    // Rounded down: the wider interval.
    let degrees = if degrees.is_finite() { degrees.floor().max(1.0) } else { (a.n + b.n - 2) as f64 };
    let factor = student_factor(degrees as usize, 0.95).unwrap_or(f64::INFINITY);
    let value = b.mean - a.mean;
    let least = factor * error;
    let difference =
        Difference { value, interval_95: [value - least, value + least], minimal_detectable_change: least };
    // Exactly equal numbers without any spread are no change either.
    if value.abs() > least && value.abs() > 1e-12 {
        Change::Changed(difference)
    } else {
        Change::NoDetectableChange(difference)
    }
}

/// The landmarks that curves are registered on, in the order of time.
const LANDMARKS: [EventKind; 4] =
    [EventKind::TakeBackStart, EventKind::TakeBackEnd, EventKind::Contact, EventKind::FollowThroughEnd];

/// Places per part between two landmarks.
const PLACES: usize = 25;

/// Curves of both sets over normalised phases: time runs evenly between landmarks (piecewise linear landmark registration;
/// Ramsay & Silverman, Functional Data Analysis, 2nd ed. 2005, section 7.3). Strokes without one of the landmarks are left out.
fn curves(first: StrokeSet, second: StrokeSet) -> Vec<CurveComparison> {
    let all = first.strokes.strokes.first().map_or(&[][..], |stroke| &stroke.curves);
    let parts = LANDMARKS.len() - 1;
    let places: Vec<f64> = (0..=parts * PLACES).map(|i| i as f64 / PLACES as f64).collect();
    all.iter()
        .filter_map(|curve| {
            let sets = [first, second].map(|set| bands(&curve.id, set.strokes, &places));
            let seen = sets.iter().all(|bands| bands.iter().any(Option::is_some));
            seen.then(|| CurveComparison {
                id: curve.id.clone(),
                name: curve.name.clone(),
                unit: curve.unit.clone(),
                landmarks: LANDMARKS.into_iter().zip((0_u32..).map(f64::from)).collect(),
                places: places.clone(),
                sets,
            })
        })
        .collect()
}

fn bands(id: &str, strokes: &Strokes, places: &[f64]) -> Vec<Option<Band>> {
    let registered: Vec<Vec<Option<f64>>> =
        strokes.strokes.iter().filter_map(|stroke| registered(id, stroke, places)).collect();
    (0..places.len())
        .map(|k| {
            let here: Vec<f64> = registered.iter().filter_map(|curve| curve.get(k).copied().flatten()).collect();
            let n = here.len() as f64;
            let factor = student_factor(here.len().checked_sub(1)?, 0.95)?;
            let mean = here.iter().sum::<f64>() / n;
            let sd = (here.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt();
            let half = factor * sd / n.sqrt();
            Some(Band { mean, interval_95: [mean - half, mean + half], n: here.len() })
        })
        .collect()
}

/// A stroke's curve at the places; `None` when a landmark is missing or out of order.
fn registered(id: &str, stroke: &Stroke, places: &[f64]) -> Option<Vec<Option<f64>>> {
    let curve = stroke.curves.iter().find(|c| c.id == id)?;
    let contact = stroke.event(EventKind::Contact)?.session_seconds;
    let times: Vec<f64> =
        LANDMARKS.into_iter().map(|kind| Some(stroke.event(kind)?.session_seconds - contact)).collect::<Option<_>>()?;
    if times.windows(2).any(|w| w[1] <= w[0]) {
        return None;
    }
    let at_place = |place: f64| {
        let part = (place.floor() as usize).min(times.len() - 2);
        let (from, to) = (*times.get(part)?, *times.get(part + 1)?);
        value_at(curve, from + (place - part as f64) * (to - from))
    };
    Some(places.iter().map(|place| at_place(*place)).collect())
}

/// The curve's value by straight interpolation. Contact belongs to the time before it, and nothing is interpolated across it.
fn value_at(curve: &Curve, seconds: f64) -> Option<f64> {
    let value = |k: usize| curve.values.get(k).copied().flatten();
    let after = curve.seconds_to_contact.partition_point(|t| *t < seconds - 1e-9);
    let t1 = *curve.seconds_to_contact.get(after)?;
    if t1 - seconds < 1e-9 {
        return value(after);
    }
    let before = after.checked_sub(1)?;
    let t0 = *curve.seconds_to_contact.get(before)?;
    if t0 <= 1e-9 && t1 > 1e-9 && seconds > 1e-9 && t0 > -1e-9 {
        return value(after);
    }
    let share = (seconds - t0) / (t1 - t0);
    Some(value(before)? + share * (value(after)? - value(before)?))
}

#[cfg(test)]
mod tests {
    use super::*;
    use midline_session::strokes::Event;
    use rand::SeedableRng;
    use rand::rngs::StdRng;
    use rand_distr::{Distribution, StandardNormal};

    fn settings(rate: f64) -> SetSettings {
        SetSettings {
            name: format!("at {rate}"),
            frame_rate_hz: rate,
            cameras: 2,
            clock_sd_seconds: 0.0005,
            court_is_known: true,
        }
    }

    fn strokes(id: &str, values: &[(f64, f64)]) -> Strokes {
        let stroke = |(number, (value, sd)): (usize, &(f64, f64))| Stroke {
            number,
            events: Vec::new(),
            measures: vec![Measure {
                id: id.to_owned(),
                name: id.to_owned(),
                unit: "m".to_owned(),
                definition: String::new(),
                n: 1,
                outcome: Outcome::Measured { value: *value, interval_95: [value - 1.96 * sd, value + 1.96 * sd] },
            }],
            curves: Vec::new(),
            paths: Vec::new(),
            statements: Vec::new(),
            style: String::new(),
        };
        Strokes { strokes: (1..).zip(values).map(stroke).collect(), ..Strokes::default() }
    }

    fn compared(a: &Strokes, b: &Strokes, rates: [f64; 2]) -> Change {
        let settings = rates.map(settings);
        let set = |i: usize, strokes| StrokeSet { settings: &settings[i], strokes };
        compare(set(0, a), set(1, b)).unwrap().measures.remove(0).change
    }

    #[test]
    fn sleep_data_of_student_by_welch() {
        // Student 1908 (Biometrika 6:1), the two drugs taken as independent groups: Welch's 95 % interval of the difference
        // -3.365 to 0.205, 17.8 degrees of freedom; the values that statistics packages print for it (from memory). Degrees of
        // freedom are rounded down here, which widens it by 0.5 %.
        let first = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0].map(|v| (v, 0.0));
        let second = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4].map(|v| (v, 0.0));
        let Change::NoDetectableChange(found) = compared(&strokes("x", &second), &strokes("x", &first), [120.0; 2])
        else {
            panic!("the interval holds zero")
        };
        assert!((found.value + 1.58).abs() < 1e-9);
        assert!(
            (found.interval_95[0] + 3.365).abs() < 0.01 && (found.interval_95[1] - 0.205).abs() < 0.01,
            "{found:?}"
        );
        assert!((found.minimal_detectable_change - 1.785).abs() < 0.01);
    }

    #[test]
    fn without_change_one_in_twenty_stands_out_and_a_change_is_found() {
        let mut random = StdRng::seed_from_u64(7);
        let mut normal = |sd: f64| {
            let z: f64 = StandardNormal.sample(&mut random);
            z * sd
        };
        let (mut changed, mut covered, mut found, n) = (0_u32, 0_u32, 0_u32, 4000_u32);
        for _ in 0..n {
            // Stroke to stroke 3 cm, each measured to 1 to 2 cm; 6 and 9 strokes.
            let mut set = |count: usize, mean: f64| -> Strokes {
                let list: Vec<(f64, f64)> = (0..count)
                    .map(|i| {
                        let sd = if i % 2 == 0 { 0.01 } else { 0.02 };
                        (mean + normal(0.03) + normal(sd), sd)
                    })
                    .collect();
                strokes("x", &list)
            };
            let (a, b, c) = (set(6, 0.2), set(9, 0.2), set(9, 0.3));
            match compared(&a, &b, [120.0; 2]) {
                Change::Changed(_) => changed += 1,
                Change::NoDetectableChange(d) => covered += u32::from(d.interval_95[0] < 0.0),
                Change::NotCompared(because) => panic!("{because}"),
            }
            found += u32::from(matches!(compared(&a, &c, [120.0; 2]), Change::Changed(_)));
        }
        let share = f64::from(changed) / f64::from(n);
        println!(
            "stands out without change: {share:.3}; change of 10 cm found: {:.3}",
            f64::from(found) / f64::from(n)
        );
        assert!((0.03..0.06).contains(&share), "{share}");
        assert_eq!(covered + changed, n);
        assert!(f64::from(found) / f64::from(n) > 0.95);
    }

    #[test]
    fn sets_that_cannot_be_compared_are_refused_with_the_reason() {
        let speeds = strokes("tip-speed-contact", &[(30.0, 1.0), (31.0, 1.0)]);
        let Change::NotCompared(because) = compared(&speeds, &speeds, [240.0, 60.0]) else { panic!("refused") };
        assert!(because.contains("240 and 60"), "{because}");
        let place = strokes("contact-height", &[(0.9, 0.01), (1.0, 0.01)]);
        assert!(matches!(compared(&place, &place, [240.0, 60.0]), Change::NoDetectableChange(_)));
        let one = strokes("contact-height", &[(0.9, 0.01)]);
        let Change::NotCompared(because) = compared(&place, &one, [120.0; 2]) else { panic!("refused") };
        assert!(because.contains("1 of 1 strokes"), "{because}");

        let (two, alone) = (settings(120.0), SetSettings { cameras: 1, ..settings(120.0) });
        let set = |settings, strokes| StrokeSet { settings, strokes };
        let error = compare(set(&two, &place), set(&alone, &place)).unwrap_err();
        assert!(matches!(error, ComparisonError::OneCameraAgainstMore { cameras: 2, .. }));
        let empty = Strokes::default();
        assert!(matches!(compare(set(&two, &empty), set(&two, &place)), Err(ComparisonError::Empty { .. })));
    }

    #[test]
    fn registration_lays_the_same_movement_at_another_pace_on_itself() {
        // A bell between end of take-back and contact; the second set does the same in 1.5 times the time.
        let paced = |pace: f64| {
            let event = |kind, seconds: f64| Event {
                kind,
                session_seconds: 10.0 + pace * seconds,
                sd_seconds: 0.001,
                source: String::new(),
                definition: String::new(),
            };
            let seconds: Vec<f64> = (-300..=100).map(|i| f64::from(i) * 0.005).collect();
            let value = |t: &f64| {
                let own = t / pace;
                if *t > 1e-9 { 3.0 } else { 20.0 * (-((own + 0.2) / 0.08).powi(2)).exp() }
            };
            let mut set = strokes("x", &[(1.0, 0.1); 3]);
            for stroke in &mut set.strokes {
                stroke.events = vec![
                    event(EventKind::TakeBackStart, -0.8),
                    event(EventKind::TakeBackEnd, -0.4),
                    event(EventKind::Contact, 0.0),
                    event(EventKind::FollowThroughEnd, 0.3),
                ];
                stroke.curves = vec![Curve {
                    id: "speed".to_owned(),
                    name: "speed".to_owned(),
                    unit: "m/s".to_owned(),
                    definition: String::new(),
                    values: seconds.iter().map(|t| Some(value(t))).collect(),
                    sds: vec![Some(0.1); seconds.len()],
                    seconds_to_contact: seconds.clone(),
                }];
            }
            set
        };
        let (a, b) = (paced(1.0), paced(1.5));
        let settings = settings(120.0);
        let set = |strokes| StrokeSet { settings: &settings, strokes };
        let comparison = compare(set(&a), set(&b)).unwrap();
        let curve = &comparison.curves[0];
        for (k, place) in curve.places.iter().enumerate() {
            let (a, b) = (curve.sets[0][k].unwrap(), curve.sets[1][k].unwrap());
            assert!((a.mean - b.mean).abs() < 0.06, "{place} {a:?} {b:?}");
            // Just after contact nothing of the time before it shows.
            assert!(*place <= 2.0 + 1e-9 || (a.mean - 3.0).abs() < 1e-9, "{place} {a:?}");
        }
        let top = curve.sets[1][PLACES + PLACES / 2].unwrap();
        assert!((top.mean - 20.0).abs() < 0.3 && top.n == 3, "{top:?}");
    }
}
