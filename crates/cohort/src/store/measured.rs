//! A measured session on its way into the store, and its rows.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;

use arrow::array::{ArrayRef, Float64Array, Int32Array, RecordBatch, StringArray, UInt32Array};
use midline_session::description::{Handedness, Session};
use midline_session::strokes::{Curve, EventKind, Measure, Outcome, Stroke, StrokeKind, Strokes};
use midline_session::{Computed, Provenance, read_computed};
use serde::{Deserialize, Serialize};

use super::schema::Table;
use crate::{CohortError, codes};

/// Instants of a normalised curve: 0, 1 … 100 %.
pub const NORMALISED_INSTANTS: usize = 101;

/// A session with everything that goes into the store.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MeasuredSession {
    /// The study that it belongs to.
    pub study: String,
    /// The player's code.
    pub player: String,
    /// The session's name, unique for the player in the study.
    pub session: String,
    /// The hand that holds the racket.
    pub handedness: Handedness,
    /// Level, from the roster.
    pub level: Option<String>,
    /// Age group, from the roster.
    pub age_group: Option<String>,
    /// Day of the recording, as the session says.
    pub recorded: Option<String>,
    /// The strokes.
    pub strokes: Strokes,
    /// Where the strokes come from: hashes of their inputs, versions, settings.
    pub provenance: Provenance,
}

impl MeasuredSession {
    /// Reads a session that `midline run` has measured: its description and `midline/strokes.json`. The session's name is its
    /// folder's.
    ///
    /// # Errors
    /// When a file is missing or malformed, or something in it looks like a person's name or date of birth.
    pub fn read(session: &Session, study: &str) -> Result<Self, CohortError> {
        let file = session.folder.join(midline_session::description::FILE_NAME);
        let text = std::fs::read_to_string(&file).map_err(|source| {
            CohortError::Session(midline_session::SessionError::Io { path: file.clone(), action: "reading", source })
        })?;
        codes::check_text(&text, &file)?;
        let folder = session.folder.canonicalize().unwrap_or_else(|_| session.folder.clone());
        let name = folder.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        let computed: Computed<Strokes> = read_computed(&session.computed("strokes.json"))?;
        let date = session.description.session.date.trim();
        let measured = Self {
            study: study.to_owned(),
            player: session.description.player.code.clone(),
            session: name,
            handedness: session.description.player.handedness,
            level: None,
            age_group: None,
            recorded: (!date.is_empty()).then(|| date.to_owned()),
            strokes: computed.result,
            provenance: computed.provenance,
        };
        measured.check(&file)?;
        Ok(measured)
    }

    /// Checks codes, names and groups; `place` is named in the message.
    pub(crate) fn check(&self, place: &Path) -> Result<(), CohortError> {
        codes::check_player_code(&self.player, place)?;
        codes::check_folder_name("study", &self.study, place)?;
        codes::check_folder_name("session", &self.session, place)?;
        for (kind, group) in [("level", &self.level), ("age group", &self.age_group)] {
            if let Some(group) = group {
                codes::check_group(kind, group, place)?;
            }
        }
        Ok(())
    }

    /// The rows of a table, in the table's schema.
    pub(crate) fn rows(&self, table: Table) -> Result<RecordBatch, CohortError> {
        let strokes = &self.strokes.strokes;
        match table {
            Table::Strokes => {
                let rows: Vec<(&Stroke, &Measure)> =
                    strokes.iter().flat_map(|s| s.measures.iter().map(move |m| (s, m))).collect();
                let text = |of: &dyn Fn(&Measure) -> &str| text(rows.iter().map(|(_, m)| Some(of(m))));
                let number = |of: &dyn Fn(f64, [f64; 2]) -> f64| -> ArrayRef {
                    Arc::new(
                        rows.iter()
                            .map(|(_, m)| match m.outcome {
                                Outcome::Measured { value, interval_95 } => {
                                    Some(of(value, interval_95)).filter(|v| v.is_finite())
                                }
                                Outcome::NotMeasurable { .. } => None,
                            })
                            .collect::<Float64Array>(),
                    )
                };
                let columns = vec![
                    text(&|m| &m.id),
                    text(&|m| &m.name),
                    text(&|m| &m.unit),
                    number(&|value, _| value),
                    number(&|_, [low, _]| low),
                    number(&|_, [_, high]| high),
                    self::text(rows.iter().map(|(_, m)| match &m.outcome {
                        Outcome::Measured { .. } => None,
                        Outcome::NotMeasurable { because } => Some(because.as_str()),
                    })),
                    text(&|m| &m.definition),
                ];
                self.batch(table, rows.iter().map(|(s, _)| *s).collect(), columns)
            }
            Table::Curves => self.curves(),
            Table::Events => {
                let rows: Vec<_> = strokes.iter().flat_map(|s| s.events.iter().map(move |e| (s, e))).collect();
                let to_contact = rows.iter().map(|(stroke, event)| {
                    let contact = stroke.event(EventKind::Contact)?;
                    Some(event.session_seconds - contact.session_seconds)
                });
                let names: Vec<String> = rows.iter().map(|(_, e)| event_name(e.kind)).collect();
                let columns: Vec<ArrayRef> = vec![
                    text(names.iter().map(|n| Some(n.as_str()))),
                    Arc::new(to_contact.collect::<Float64Array>()),
                    Arc::new(rows.iter().map(|(_, e)| Some(e.sd_seconds)).collect::<Float64Array>()),
                    text(rows.iter().map(|(_, e)| Some(e.source.as_str()))),
                ];
                self.batch(table, rows.iter().map(|(s, _)| *s).collect(), columns)
            }
            Table::Quality => {
                let count = |of: &dyn Fn(&Stroke) -> usize| -> ArrayRef {
                    Arc::new(strokes.iter().map(|s| u32::try_from(of(s)).ok()).collect::<UInt32Array>())
                };
                let made =
                    |s: &Stroke| s.measures.iter().filter(|m| matches!(m.outcome, Outcome::Measured { .. })).count();
                let contact = strokes.iter().map(|s| s.event(EventKind::Contact).map(|e| e.sd_seconds));
                let columns: Vec<ArrayRef> = vec![
                    Arc::new(contact.collect::<Float64Array>()),
                    count(&|s| s.measures.len()),
                    count(&made),
                    Arc::new(strokes.iter().map(|s| Some(curve_share(s))).collect::<Float64Array>()),
                    count(&|_| self.strokes.remarks.len()),
                ];
                self.batch(table, strokes.iter().collect(), columns)
            }
        }
    }

    /// Sorted by channel and clock, so that a query of one channel skips the rest of the file.
    fn curves(&self) -> Result<RecordBatch, CohortError> {
        let mut rows: Vec<(&Stroke, &Curve, &'static str, Sample)> = Vec::new();
        for stroke in &self.strokes.strokes {
            let start = stroke
                .event(EventKind::TakeBackStart)
                .zip(stroke.event(EventKind::Contact))
                .map(|(start, contact)| start.session_seconds - contact.session_seconds);
            for curve in &stroke.curves {
                rows.extend(raw(curve).into_iter().map(|sample| (stroke, curve, "to-contact", sample)));
                if let Some(start) = start {
                    rows.extend(
                        normalised(curve, start).into_iter().map(|sample| (stroke, curve, "normalised", sample)),
                    );
                }
            }
        }
        rows.sort_by(|a, b| (&a.1.id, a.2, a.0.number, a.3.instant).cmp(&(&b.1.id, b.2, b.0.number, b.3.instant)));
        let number = |of: &dyn Fn(&Sample) -> Option<f64>| -> ArrayRef {
            Arc::new(rows.iter().map(|(.., sample)| of(sample).filter(|v| v.is_finite())).collect::<Float64Array>())
        };
        let columns: Vec<ArrayRef> = vec![
            text(rows.iter().map(|(_, curve, ..)| Some(curve.id.as_str()))),
            text(rows.iter().map(|(_, curve, ..)| Some(curve.unit.as_str()))),
            text(rows.iter().map(|(_, _, clock, _)| Some(*clock))),
            Arc::new(rows.iter().map(|(.., sample)| Some(sample.instant)).collect::<Int32Array>()),
            number(&|sample| Some(sample.at)),
            number(&|sample| sample.value),
            number(&|sample| sample.sd),
        ];
        self.batch(Table::Curves, rows.iter().map(|(s, ..)| *s).collect(), columns)
    }

    /// Puts the columns that all tables share in front.
    fn batch(&self, table: Table, strokes: Vec<&Stroke>, columns: Vec<ArrayRef>) -> Result<RecordBatch, CohortError> {
        let wrong = CohortError::table(table.name());
        let same = |value: Option<&str>| text(strokes.iter().map(|_| value));
        let hand = match self.handedness {
            Handedness::Right => "right",
            Handedness::Left => "left",
        };
        let mut all: Vec<ArrayRef> = vec![
            same(Some(&self.study)),
            same(Some(&self.player)),
            same(Some(&self.session)),
            same(self.recorded.as_deref()),
            Arc::new(strokes.iter().map(|s| u32::try_from(s.number).ok()).collect::<UInt32Array>()),
            text(strokes.iter().map(|s| kind_code(self.strokes.kind(s.number)))),
            same(Some(hand)),
            same(self.level.as_deref()),
            same(self.age_group.as_deref()),
            text(strokes.iter().map(|s| style_code(&s.style))),
        ];
        all.extend(columns);
        RecordBatch::try_new(table.schema(), all).map_err(|e| wrong(&e))
    }

    /// Channels with their units, for a summary.
    #[must_use]
    pub fn channels(&self) -> BTreeMap<&str, &str> {
        self.strokes.strokes.iter().flat_map(|s| &s.curves).map(|c| (c.id.as_str(), c.unit.as_str())).collect()
    }
}

/// One instant of a curve.
struct Sample {
    instant: i32,
    at: f64,
    value: Option<f64>,
    sd: Option<f64>,
}

fn text<'a>(values: impl Iterator<Item = Option<&'a str>>) -> ArrayRef {
    Arc::new(values.collect::<StringArray>())
}

/// The analysis describes the style in words that begin with its kind.
fn style_code(words: &str) -> Option<&'static str> {
    [("Across", "across"), ("In line", "in-line"), ("Hitting side", "hitting-side")]
        .into_iter()
        .find(|(start, _)| words.split(':').next() == Some(*start))
        .map(|(_, code)| code)
}

/// The kind of a stroke as a code; none where it cannot be told.
fn kind_code(kind: StrokeKind) -> Option<&'static str> {
    match kind {
        StrokeKind::Forehand => Some("forehand"),
        StrokeKind::OneHandedBackhand => Some("one-handed-backhand"),
        StrokeKind::TwoHandedBackhand => Some("two-handed-backhand"),
        StrokeKind::Serve => Some("serve"),
        StrokeKind::Volley => Some("volley"),
        StrokeKind::Unknown => None,
    }
}

/// All codes of kinds, in the order of the kinds.
#[must_use]
pub fn kind_codes() -> Vec<&'static str> {
    use StrokeKind::{Forehand, OneHandedBackhand, Serve, TwoHandedBackhand, Volley};
    [Forehand, OneHandedBackhand, TwoHandedBackhand, Serve, Volley].into_iter().filter_map(kind_code).collect()
}

fn event_name(kind: EventKind) -> String {
    serde_json::to_value(kind).ok().and_then(|v| v.as_str().map(str::to_owned)).unwrap_or_default()
}

fn curve_share(stroke: &Stroke) -> f64 {
    let (made, all) = stroke
        .curves
        .iter()
        .fold((0, 0), |(made, all), curve| (made + curve.values.iter().flatten().count(), all + curve.values.len()));
    if all == 0 { 0.0 } else { made as f64 / all as f64 }
}

fn raw(curve: &Curve) -> Vec<Sample> {
    // Instants are numbered from contact, so that strokes align by number as well as by time.
    let at_contact = (0..curve.seconds_to_contact.len())
        .min_by(|a, b| curve.seconds_to_contact[*a].abs().total_cmp(&curve.seconds_to_contact[*b].abs()));
    let first = -at_contact.and_then(|k| i32::try_from(k).ok()).unwrap_or(0);
    (first..)
        .zip(curve.seconds_to_contact.iter().zip(curve.values.iter().zip(&curve.sds)))
        .map(|(instant, (at, (value, sd)))| Sample { instant, at: *at, value: *value, sd: *sd })
        .collect()
}

/// The curve between `start` (seconds to contact, negative) and contact at 101 instants, linear between samples; null beside a gap
/// and where the curve does not reach. Nothing after contact is used.
fn normalised(curve: &Curve, start: f64) -> Vec<Sample> {
    let times = &curve.seconds_to_contact;
    let mut samples = Vec::with_capacity(NORMALISED_INSTANTS);
    for instant in 0..NORMALISED_INSTANTS {
        let share = instant as f64 / (NORMALISED_INSTANTS - 1) as f64;
        let at = start * (1.0 - share);
        let after = times.partition_point(|t| *t < at - 1e-9);
        let interpolated = |of: &[Option<f64>]| -> Option<f64> {
            let time = *times.get(after)?;
            if (time - at).abs() <= 1e-9 {
                return of[after];
            }
            // The right-hand sample may lie after contact only in a curve without a sample at contact.
            let before = after.checked_sub(1).filter(|_| time <= 1e-9)?;
            let weight = (at - times[before]) / (time - times[before]);
            Some(of[before]? * (1.0 - weight) + of[after]? * weight)
        };
        samples.push(Sample {
            instant: i32::try_from(instant).unwrap_or(i32::MAX),
            at: 100.0 * share,
            value: interpolated(&curve.values),
            sd: interpolated(&curve.sds),
        });
    }
    samples
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_normalised_curve_is_exact_on_a_straight_line_and_keeps_gaps() {
        let times: Vec<f64> = (0..=40).map(|k| -0.3 + 0.01 * f64::from(k)).collect();
        let curve = Curve {
            id: "x".into(),
            name: "x".into(),
            unit: "m".into(),
            definition: String::new(),
            values: times
                .iter()
                .map(|t| if (-0.205..-0.195).contains(t) { None } else { Some(2.0 + 3.0 * t) })
                .collect(),
            sds: vec![Some(0.1); times.len()],
            seconds_to_contact: times,
        };
        let samples = normalised(&curve, -0.25);
        assert_eq!(samples.len(), 101);
        assert!((samples[0].value.unwrap() - (2.0 - 0.75)).abs() < 1e-9);
        assert!((samples[100].value.unwrap() - 2.0).abs() < 1e-9);
        assert!(samples[20].value.is_none() && samples[23].value.is_none(), "beside the gap at -0.20 s");
        assert!(samples[60].value.is_some());
        // A take-back that began before the curve: what is not known is null.
        let early = normalised(&curve, -0.5);
        assert!(early[0].value.is_none() && early[100].value.is_some());
    }

    #[test]
    fn style_codes_follow_the_words_of_the_analysis() {
        assert_eq!(style_code("Across: before contact the racket tip goes 0.20 m across"), Some("across"));
        assert_eq!(style_code("In line: before contact"), Some("in-line"));
        assert_eq!(style_code("Hitting side: before contact"), Some("hitting-side"));
        assert_eq!(style_code("The style cannot be described: where the racket travels"), None);
    }
}
