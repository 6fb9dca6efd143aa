//! The written schema of the four tables.

use std::collections::HashMap;
use std::sync::Arc;

use arrow::datatypes::{DataType, Field, Schema, SchemaRef};

/// Version of the tables' schema that this program writes.
pub const COHORT_SCHEMA: u32 = 2;

/// The column of the day.
pub(super) const RECORDED: &str = "recorded";

/// The column of the kind of stroke.
pub(super) const KIND: &str = "kind";

/// Key of the schema version in the metadata of every Parquet file.
pub const SCHEMA_KEY: &str = "midline.cohort.schema";

/// A table of the store.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Table {
    /// One row per stroke and measure.
    Strokes,
    /// One row per stroke, channel, clock and instant.
    Curves,
    /// One row per stroke and event.
    Events,
    /// One row per stroke: what its exclusion may rest on.
    Quality,
}

impl Table {
    /// All tables.
    pub const ALL: [Self; 4] = [Self::Strokes, Self::Curves, Self::Events, Self::Quality];

    /// Name in queries, and of the folder.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Strokes => "strokes",
            Self::Curves => "curves",
            Self::Events => "events",
            Self::Quality => "quality",
        }
    }

    /// Columns with their units and meanings; the schema version in the metadata.
    #[must_use]
    pub fn schema(self) -> SchemaRef {
        use DataType::{Float64, Int32, UInt32, Utf8};
        let mut fields = vec![
            field("study", Utf8, false, "", "study"),
            field("player", Utf8, false, "", "player's code"),
            field("session", Utf8, false, "", "session"),
            field(RECORDED, Utf8, true, "", "day of the recording as the session says"),
            field("stroke", UInt32, false, "1", "number of the stroke in the session, from 1"),
            field(
                KIND,
                Utf8,
                true,
                "",
                "forehand, one-handed-backhand, two-handed-backhand, serve or volley; null where it cannot be told",
            ),
            field("handedness", Utf8, false, "", "right or left"),
            field("level", Utf8, true, "", "level from the roster"),
            field("age_group", Utf8, true, "", "age group from the roster"),
            field("style", Utf8, true, "", "most likely style of this stroke: across, in-line or hitting-side"),
        ];
        fields.extend(match self {
            Self::Strokes => vec![
                field("measure", Utf8, false, "", "identifier of the measure"),
                field("name", Utf8, false, "", "name for people"),
                field("unit", Utf8, false, "", "unit of value, low_95 and high_95 in this row"),
                field("value", Float64, true, "column unit", "null where it could not be measured"),
                field("low_95", Float64, true, "column unit", "lower end of the 95 % interval"),
                field("high_95", Float64, true, "column unit", "upper end of the 95 % interval"),
                field("because", Utf8, true, "", "why it could not be measured"),
                field("definition", Utf8, false, "", "definition, with what the sign means"),
            ],
            Self::Curves => vec![
                field("channel", Utf8, false, "", "identifier of the curve"),
                field("unit", Utf8, false, "", "unit of value and sd in this row"),
                field(
                    "clock",
                    Utf8,
                    false,
                    "",
                    "to-contact: at in s; normalised: at in % from the take-back's start to contact",
                ),
                field(
                    "instant",
                    Int32,
                    false,
                    "1",
                    "number of the instant on its clock, 0 at the first of the normalised, 0 at contact",
                ),
                field("at", Float64, false, "s or %", "see clock"),
                field("value", Float64, true, "column unit", "null where it could not be measured"),
                field("sd", Float64, true, "column unit", "standard deviation of value"),
            ],
            Self::Events => vec![
                field("event", Utf8, false, "", "what happens"),
                field(
                    "seconds_to_contact",
                    Float64,
                    true,
                    "s",
                    "time of the event minus time of contact; null without a contact",
                ),
                field("sd_seconds", Float64, false, "s", "standard deviation of the event's time"),
                field("source", Utf8, false, "", "what it was found from"),
            ],
            Self::Quality => vec![
                field(
                    "contact_sd_seconds",
                    Float64,
                    true,
                    "s",
                    "standard deviation of the time of contact; null without one",
                ),
                field("measures_asked", UInt32, false, "1", "measures that were tried"),
                field("measures_made", UInt32, false, "1", "measures that could be made"),
                field("curve_share", Float64, false, "1", "share of the curves' instants that could be measured"),
                field("session_remarks", UInt32, false, "1", "remarks of the strokes stage about the session"),
            ],
        });
        let metadata = HashMap::from([(SCHEMA_KEY.to_owned(), COHORT_SCHEMA.to_string())]);
        Arc::new(Schema::new(fields).with_metadata(metadata))
    }
}

fn field(name: &str, kind: DataType, nullable: bool, unit: &str, meaning: &str) -> Field {
    let mut metadata = HashMap::from([("meaning".to_owned(), meaning.to_owned())]);
    if !unit.is_empty() {
        metadata.insert("unit".to_owned(), unit.to_owned());
    }
    Field::new(name, kind, nullable).with_metadata(metadata)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_number_says_its_unit_and_every_column_its_meaning() {
        for table in Table::ALL {
            for field in table.schema().fields() {
                assert!(field.metadata().contains_key("meaning"), "{} {}", table.name(), field.name());
                if field.data_type().is_numeric() {
                    assert!(field.metadata().contains_key("unit"), "{} {}", table.name(), field.name());
                }
            }
        }
    }
}
