//! Exclusion by quality, with the count at every step (a flow chart as reporting guidelines ask for, such as STROBE's).

use std::collections::{BTreeMap, BTreeSet};

use datafusion::arrow::array::{Array, AsArray, RecordBatch};
use datafusion::arrow::compute::cast;
use datafusion::arrow::datatypes::{DataType, Float64Type, UInt32Type};
use serde::Serialize;

use super::{Queries, Quoted};
use crate::CohortError;

/// What a stroke and a player must fulfil to be counted.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Criteria {
    /// Kind of stroke, as a code of [`crate::store::kind_codes`]; all kinds together when absent.
    pub kind: Option<String>,
    /// Largest standard deviation of the time of contact, seconds.
    pub contact_sd_seconds: f64,
    /// Least share of the curves' instants that could be measured.
    pub curve_share: f64,
    /// Least number of strokes of a player after everything else.
    pub strokes_per_player: usize,
}

impl Default for Criteria {
    /// Conventions of this program.
    fn default() -> Self {
        Self { kind: None, contact_sd_seconds: 0.01, curve_share: 0.5, strokes_per_player: 3 }
    }
}

/// One step of the flow.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Step {
    /// What was left out, or what was started from.
    pub what: String,
    /// Left out in this step: players who have no stroke left, strokes.
    pub excluded: [usize; 2],
    /// Left after it: players, sessions, strokes.
    pub left: [usize; 3],
}

/// One measured value that counts.
#[derive(Debug, Clone, PartialEq)]
pub struct Observation {
    /// Study and player.
    pub player: (String, String),
    /// Session.
    pub session: String,
    /// Day of the recording.
    pub recorded: Option<String>,
    /// Stroke.
    pub stroke: u32,
    /// Style of the stroke.
    pub style: Option<String>,
    /// Level of the player.
    pub level: Option<String>,
    /// Age group of the player.
    pub age_group: Option<String>,
    /// The value.
    pub value: f64,
}

/// What is left of a measure, and how it came to that.
#[derive(Debug, Clone, PartialEq)]
pub struct Flow {
    /// The measure.
    pub measure: String,
    /// Its name for people.
    pub name: String,
    /// Its unit.
    pub unit: String,
    /// The steps in order.
    pub steps: Vec<Step>,
    /// What is left.
    pub observations: Vec<Observation>,
}

struct Candidate {
    observation: Observation,
    kind: Option<String>,
    value: Option<f64>,
    contact_sd: Option<f64>,
    curve_share: f64,
}

impl Queries {
    /// A measure's values after exclusion, with the count at every step; in the order of study, player, session and stroke.
    ///
    /// # Errors
    /// When no stroke has the measure, its unit differs between sessions, or the query fails.
    pub async fn flow(&self, measure: &str, criteria: &Criteria) -> Result<Flow, CohortError> {
        let sql = format!(
            "SELECT s.study AS study, s.player AS player, s.session AS session, s.stroke AS stroke, s.kind AS kind, s.style AS style, s.level AS level, \
             s.age_group AS age_group, s.name AS name, s.unit AS unit, s.value AS value, q.contact_sd_seconds AS contact_sd, \
             q.curve_share AS curve_share, s.recorded AS recorded \
             FROM strokes s JOIN quality q ON s.study = q.study AND s.player = q.player AND s.session = q.session AND s.stroke = q.stroke \
             WHERE s.measure = {} ORDER BY s.study, s.player, s.session, s.stroke",
            Quoted::new(measure)
        );
        let batches = self.sql(&sql).await?;
        let mut candidates = Vec::new();
        let (mut names, mut units) = (BTreeSet::new(), BTreeSet::new());
        for batch in &batches {
            let columns = Columns::of(batch)?;
            for row in 0..batch.num_rows() {
                names.insert(columns.text("name", row).unwrap_or_default());
                units.insert(columns.text("unit", row).unwrap_or_default());
                candidates.push(columns.candidate(row));
            }
        }
        if candidates.is_empty() {
            return Err(CohortError::too_few(
                format!("measure \"{measure}\""),
                "no stroke in the store has it; midline cohort ask STORE measures lists those that there are",
            ));
        }
        if units.len() > 1 {
            let units: Vec<_> = units.into_iter().collect();
            return Err(CohortError::too_few(
                format!("measure \"{measure}\""),
                format!("its unit differs between sessions ({}); add the older sessions again", units.join(", ")),
            ));
        }
        Ok(Flow {
            measure: measure.to_owned(),
            name: names.into_iter().next().unwrap_or_default(),
            unit: units.into_iter().next().unwrap_or_default(),
            ..steps(candidates, criteria)
        })
    }
}

fn steps(candidates: Vec<Candidate>, criteria: &Criteria) -> Flow {
    let mut steps: Vec<Step> = Vec::new();
    let mut left = candidates;
    let note = |left: &[Candidate], what: String, before: Option<[usize; 3]>| {
        let players: BTreeSet<_> = left.iter().map(|c| &c.observation.player).collect();
        let sessions: BTreeSet<_> = left.iter().map(|c| (&c.observation.player, &c.observation.session)).collect();
        let now = [players.len(), sessions.len(), left.len()];
        let before = before.unwrap_or(now);
        Step { what, excluded: [before[0] - now[0], before[2] - now[2]], left: now }
    };
    steps.push(note(&left, "strokes in the store".to_owned(), None));
    let (largest_sd, least_share) = (criteria.contact_sd_seconds, criteria.curve_share);
    let rules: [(String, Box<dyn Fn(&Candidate) -> bool>); 4] = [
        ("no contact found".to_owned(), Box::new(|c| c.contact_sd.is_some())),
        (
            format!("contact known no better than {:.0} ms (SD)", 1000.0 * criteria.contact_sd_seconds),
            Box::new(move |c| c.contact_sd.is_some_and(|sd| sd <= largest_sd)),
        ),
        (
            format!("less than {:.0} % of the curves measured", 100.0 * criteria.curve_share),
            Box::new(move |c| c.curve_share >= least_share),
        ),
        ("measure not measurable".to_owned(), Box::new(|c| c.value.is_some())),
    ];
    if let Some(kind) = &criteria.kind {
        left.retain(|c| c.kind.as_ref() == Some(kind));
        steps.push(note(&left, format!("not a {kind}, or not known to be one"), steps.last().map(|s| s.left)));
    }
    for (what, keeps) in rules {
        left.retain(keeps);
        steps.push(note(&left, what, steps.last().map(|s| s.left)));
    }
    let mut strokes: BTreeMap<(String, String), usize> = BTreeMap::new();
    for candidate in &left {
        *strokes.entry(candidate.observation.player.clone()).or_default() += 1;
    }
    left.retain(|c| strokes.get(&c.observation.player).is_some_and(|n| *n >= criteria.strokes_per_player));
    let what = format!("player with fewer than {} strokes left", criteria.strokes_per_player);
    steps.push(note(&left, what, steps.last().map(|s| s.left)));
    let observations =
        left.into_iter().filter_map(|c| Some(Observation { value: c.value?, ..c.observation })).collect();
    Flow { measure: String::new(), name: String::new(), unit: String::new(), steps, observations }
}

/// Columns of an answer by name, as plain types.
pub(crate) struct Columns(BTreeMap<String, datafusion::arrow::array::ArrayRef>);

impl Columns {
    pub(crate) fn of(batch: &RecordBatch) -> Result<Self, CohortError> {
        let wrong = CohortError::table("answer");
        let plain = |array: &datafusion::arrow::array::ArrayRef| match array.data_type() {
            DataType::Utf8View | DataType::LargeUtf8 | DataType::Dictionary(..) => cast(array, &DataType::Utf8),
            kind if kind.is_numeric() && *kind != DataType::UInt32 => cast(array, &DataType::Float64),
            _ => Ok(array.clone()),
        };
        let schema = batch.schema();
        let columns = schema
            .fields()
            .iter()
            .zip(batch.columns())
            .map(|(field, array)| Ok((field.name().clone(), plain(array).map_err(|e| wrong(&e))?)));
        Ok(Self(columns.collect::<Result<_, CohortError>>()?))
    }

    pub(crate) fn text(&self, name: &str, row: usize) -> Option<String> {
        let array = self.0.get(name)?.as_string_opt::<i32>()?;
        array.is_valid(row).then(|| array.value(row).to_owned())
    }

    pub(crate) fn number(&self, name: &str, row: usize) -> Option<f64> {
        let array = self.0.get(name)?.as_primitive_opt::<Float64Type>()?;
        array.is_valid(row).then(|| array.value(row))
    }

    pub(crate) fn count(&self, name: &str, row: usize) -> Option<u32> {
        let array = self.0.get(name)?.as_primitive_opt::<UInt32Type>()?;
        array.is_valid(row).then(|| array.value(row))
    }

    fn candidate(&self, row: usize) -> Candidate {
        let value = self.number("value", row);
        Candidate {
            observation: Observation {
                player: (self.text("study", row).unwrap_or_default(), self.text("player", row).unwrap_or_default()),
                session: self.text("session", row).unwrap_or_default(),
                recorded: self.text("recorded", row),
                stroke: self.count("stroke", row).unwrap_or_default(),
                style: self.text("style", row),
                level: self.text("level", row),
                age_group: self.text("age_group", row),
                value: value.unwrap_or_default(),
            },
            kind: self.text("kind", row),
            value,
            contact_sd: self.number("contact_sd", row),
            curve_share: self.number("curve_share", row).unwrap_or_default(),
        }
    }
}
