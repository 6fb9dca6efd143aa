//! Results of the strokes stage: events, measures, curves and statements.

use std::path::Path;
use std::sync::Arc;

use arrow::array::{ArrayRef, Float64Array, StringArray, UInt32Array};
use arrow::datatypes::{DataType, Field};
use serde::{Deserialize, Serialize};

use crate::table::write_table;
use crate::{Provenance, SessionError};

/// What happens at an instant of a stroke.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum EventKind {
    /// The incoming ball bounces.
    Bounce,
    /// The take-back starts, by the motion of the racket hand.
    TakeBackStart,
    /// The take-back starts, by the turn of the shoulder line.
    ShoulderTurnStart,
    /// The take-back ends.
    TakeBackEnd,
    /// The racket is farthest across the midline, toward the other side, before contact.
    FarthestAcross,
    /// Top of the racket drop.
    DropTop,
    /// Bottom of the racket drop.
    DropBottom,
    /// The forward swing starts.
    ForwardSwingStart,
    /// The shoulder line begins to turn forward.
    TrunkOpening,
    /// Ball on strings.
    Contact,
    /// The follow-through ends.
    FollowThroughEnd,
}

impl EventKind {
    /// The trade's words for it.
    #[must_use]
    pub fn label(self) -> &'static str {
        match self {
            Self::Bounce => "bounce",
            Self::TakeBackStart => "take-back start",
            Self::ShoulderTurnStart => "take-back start (shoulders)",
            Self::TrunkOpening => "trunk opening",
            Self::TakeBackEnd => "end of take-back",
            Self::FarthestAcross => "racket farthest across",
            Self::DropTop => "top of the racket drop",
            Self::DropBottom => "bottom of the racket drop",
            Self::ForwardSwingStart => "forward-swing start",
            Self::Contact => "contact",
            Self::FollowThroughEnd => "end of follow-through",
        }
    }
}

/// An event found in a stroke.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Event {
    /// What happened.
    pub kind: EventKind,
    /// When, on the session clock, seconds.
    pub session_seconds: f64,
    /// Standard deviation, seconds.
    pub sd_seconds: f64,
    /// What it was found from, in words.
    pub source: String,
    /// How it is defined.
    pub definition: String,
}

/// A measured number, or the reason why there is none.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "outcome", rename_all = "kebab-case")]
pub enum Outcome {
    /// Measured.
    Measured {
        /// In the measure's unit.
        value: f64,
        /// 95 % interval, `[low, high]`.
        interval_95: [f64; 2],
    },
    /// Not measurable with this footage.
    NotMeasurable {
        /// Completes "not measurable because …".
        because: String,
    },
}

impl Outcome {
    /// The interval cut to what a number of this unit can be: a `share` is a part of 1.
    #[must_use]
    pub fn within(mut self, unit: &str) -> Self {
        if let ("share", Self::Measured { interval_95, .. }) = (unit, &mut self) {
            *interval_95 = interval_95.map(|bound| bound.clamp(0.0, 1.0));
        }
        self
    }
}

/// One measure of one stroke, or of a set of strokes.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Measure {
    /// Stable identifier, such as `racket-farthest-across`.
    pub id: String,
    /// Name for people.
    pub name: String,
    /// SI unit: `m`, `s`, `rad`, `m/s`, `rad/s`, or `1`; `share` is a part of 1 that is shown in per cent ([`shown_unit`]).
    pub unit: String,
    /// How it is defined, including what its sign means.
    pub definition: String,
    /// Number of strokes it rests on.
    pub n: usize,
    /// The number or the reason.
    #[serde(flatten)]
    pub outcome: Outcome,
}

/// A number over time to contact.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Curve {
    /// Stable identifier, such as `racket-tip-speed`.
    pub id: String,
    /// Name for people.
    pub name: String,
    /// SI unit.
    pub unit: String,
    /// How it is defined.
    pub definition: String,
    /// Session time minus contact, seconds, rising.
    pub seconds_to_contact: Vec<f64>,
    /// Values; `None` where not measured.
    pub values: Vec<Option<f64>>,
    /// Standard deviations; `None` where not measured.
    pub sds: Vec<Option<f64>>,
}

/// A point's path in body axes over time to contact.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BodyPath {
    /// The point's name.
    pub name: String,
    /// Session time minus contact, seconds, rising.
    pub seconds_to_contact: Vec<f64>,
    /// `[hitting side, front, up]` in metres from the middle between shoulders and hips; the first is positive on the
    /// dominant side for left- and right-handers alike. `None` where not measured.
    pub position_m: Vec<Option<[f64; 3]>>,
}

/// Answer to a statement that is tested.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// The measures support it.
    Holds,
    /// The measures contradict it.
    DoesNotHold,
    /// The interval covers both answers, or a measure is missing.
    CannotBeTold,
}

/// A statement about a stroke, tested.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Statement {
    /// Stable identifier.
    pub id: String,
    /// The statement in words.
    pub text: String,
    /// The answer.
    pub verdict: Verdict,
    /// Probability that it holds, given the measures' uncertainty; `None` when a measure is missing.
    pub probability: Option<f64>,
    /// Identifiers of the measures it rests on.
    pub rests_on: Vec<String>,
    /// Source, or "common practice, no source".
    pub source: String,
}

/// One stroke.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Stroke {
    /// Counted from 1 in the order of time.
    pub number: usize,
    /// Events in the order of time.
    pub events: Vec<Event>,
    /// Measures of this stroke.
    pub measures: Vec<Measure>,
    /// Curves.
    pub curves: Vec<Curve>,
    /// Paths in body axes.
    pub paths: Vec<BodyPath>,
    /// Tested statements.
    pub statements: Vec<Statement>,
    /// Description of the style, never a grade.
    pub style: String,
}

impl Stroke {
    /// The event of a kind.
    #[must_use]
    pub fn event(&self, kind: EventKind) -> Option<&Event> {
        self.events.iter().find(|e| e.kind == kind)
    }

    /// The measure of an identifier.
    #[must_use]
    pub fn measure(&self, id: &str) -> Option<&Measure> {
        self.measures.iter().find(|m| m.id == id)
    }
}

/// All strokes of a session.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Strokes {
    /// The strokes, in the order of time.
    pub strokes: Vec<Stroke>,
    /// The same measures over all strokes: mean, and interval of the mean from the spread between strokes.
    pub over_strokes: Vec<Measure>,
    /// What was noticed on the way, one sentence each.
    pub remarks: Vec<String>,
    /// What kind each stroke is, what the analyst set, and the answers to the coach's suspicions.
    #[serde(default)]
    pub answers: Answers,
}

/// What is said about a session's strokes besides measures and statements.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Answers {
    /// One per stroke.
    pub kinds: Vec<KindOfStroke>,
    /// Events that the analyst set in `session.toml`.
    pub set_events: Vec<SetEventRecord>,
    /// One per suspicion of `session.toml`.
    pub suspicions: Vec<SuspicionAnswer>,
}

/// The kinds that are told apart.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum StrokeKind {
    /// The ball is met on the side of the racket arm.
    Forehand,
    /// On the other side, with one hand at the racket.
    OneHandedBackhand,
    /// On the other side, with both hands at the racket.
    TwoHandedBackhand,
    /// Overhead, after the player's own toss.
    Serve,
    /// Before the ball has bounced.
    Volley,
    /// Not told apart.
    Unknown,
}

impl StrokeKind {
    /// The trade's words for it.
    #[must_use]
    pub fn label(self) -> &'static str {
        match self {
            Self::Forehand => "forehand",
            Self::OneHandedBackhand => "one-handed backhand",
            Self::TwoHandedBackhand => "two-handed backhand",
            Self::Serve => "serve",
            Self::Volley => "volley",
            Self::Unknown => "unknown",
        }
    }
}

/// The kind of one stroke.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct KindOfStroke {
    /// Number of the stroke.
    pub stroke: usize,
    /// What it is.
    pub kind: StrokeKind,
    /// What tells so, or why it cannot be told.
    pub because: String,
}

/// An event that the analyst set in place of the found one.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SetEventRecord {
    /// Number of the stroke.
    pub stroke: usize,
    /// What was set.
    pub kind: EventKind,
    /// The analyst's instant on the session clock, seconds.
    pub session_seconds: f64,
    /// What had been found, seconds; `None` when nothing had.
    pub found_seconds: Option<f64>,
    /// The analyst's reason, may be empty.
    pub reason: String,
}

/// Answer to a suspicion.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Answer {
    /// The measures say so.
    Supported,
    /// The measures say the opposite.
    Contradicted,
    /// The intervals cover both, a measure is missing, or the strokes differ.
    CannotBeTold,
}

impl Answer {
    /// In words.
    #[must_use]
    pub fn label(self) -> &'static str {
        match self {
            Self::Supported => "supported",
            Self::Contradicted => "contradicted",
            Self::CannotBeTold => "cannot be told",
        }
    }
}

/// A coach's suspicion, answered.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SuspicionAnswer {
    /// As the coach wrote it.
    pub text: String,
    /// What was tested, in words; empty when the words were not understood.
    pub tested: String,
    /// Over all strokes.
    pub answer: Answer,
    /// One line per stroke, or why there is none.
    pub evidence: Vec<String>,
    /// Identifiers of the measures and statements it rests on.
    pub rests_on: Vec<String>,
}

/// Factor and name of the unit in which a measure's unit is shown to people.
#[must_use]
pub fn shown_unit(unit: &str) -> (f64, &str) {
    const DEGREES: f64 = 180.0 / std::f64::consts::PI;
    match unit {
        "m" => (100.0, "cm"),
        "s" => (1e3, "ms"),
        "rad" => (DEGREES, "°"),
        "rad/s" => (DEGREES, "°/s"),
        "share" => (100.0, "%"),
        "1" => (1.0, ""),
        other => (1.0, other),
    }
}

impl Strokes {
    /// What kind a stroke is; unknown when nothing was said about it.
    #[must_use]
    pub fn kind(&self, number: usize) -> StrokeKind {
        self.answers.kinds.iter().find(|k| k.stroke == number).map_or(StrokeKind::Unknown, |k| k.kind)
    }

    /// Writes every measure as one row of a Parquet table: `stroke` (null for the measures over all strokes), `id`, `name`,
    /// `unit`, `definition`, `n`, `value`, `low_95`, `high_95`, and `because` where it could not be measured.
    ///
    /// # Errors
    /// When the table cannot be made or the system refuses; nothing is left half written.
    pub fn write_measures_parquet(&self, path: &Path, provenance: &Provenance) -> Result<(), SessionError> {
        let rows: Vec<(Option<u32>, &Measure)> = self
            .strokes
            .iter()
            .flat_map(|stroke| stroke.measures.iter().map(|m| (u32::try_from(stroke.number).ok(), m)))
            .chain(self.over_strokes.iter().map(|m| (None, m)))
            .collect();
        let text = |name: &str, get: &dyn Fn(&Measure) -> Option<String>| -> (Field, ArrayRef) {
            let column = rows.iter().map(|(_, m)| get(m)).collect::<StringArray>();
            (Field::new(name, DataType::Utf8, true), Arc::new(column))
        };
        let number = |name: &str, get: &dyn Fn(f64, [f64; 2]) -> f64| -> (Field, ArrayRef) {
            let column = rows
                .iter()
                .map(|(_, m)| match &m.outcome {
                    Outcome::Measured { value, interval_95 } => Some(get(*value, *interval_95)),
                    Outcome::NotMeasurable { .. } => None,
                })
                .collect::<Float64Array>();
            (Field::new(name, DataType::Float64, true), Arc::new(column))
        };
        let count = |name: &str, column: UInt32Array| -> (Field, ArrayRef) {
            (Field::new(name, DataType::UInt32, true), Arc::new(column))
        };
        let columns = vec![
            count("stroke", rows.iter().map(|(stroke, _)| *stroke).collect()),
            text("id", &|m| Some(m.id.clone())),
            text("name", &|m| Some(m.name.clone())),
            text("unit", &|m| Some(m.unit.clone())),
            text("definition", &|m| Some(m.definition.clone())),
            count("n", rows.iter().map(|(_, m)| u32::try_from(m.n).ok()).collect()),
            number("value", &|value, _| value),
            number("low_95", &|_, [low, _]| low),
            number("high_95", &|_, [_, high]| high),
            text("because", &|m| match &m.outcome {
                Outcome::Measured { .. } => None,
                Outcome::NotMeasurable { because } => Some(because.clone()),
            }),
        ];
        write_table(path, columns, provenance, [])
    }
}
