//! Every measure over the strokes and stroke by stroke; what could not be measured, with the reason.

use midline_session::strokes::{Measure, Outcome, Strokes, shown_unit};
use serde::Serialize;

use crate::numbers::{Shown, listed};

/// Strokes side by side in one table: what fits across a printed page.
const ACROSS: usize = 6;

/// One measure: over the strokes, and per stroke.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub(crate) struct MeasureRow {
    /// Place of the row, from 1; its anchor in the page.
    pub(crate) number: usize,
    pub(crate) id: String,
    pub(crate) name: String,
    pub(crate) definition: String,
    /// Unit of showing; empty for a pure number.
    pub(crate) unit: String,
    /// Over the strokes; `None` when the analysis gave none.
    pub(crate) over: Option<Cell>,
    /// One entry per stroke, in order; `None` when the analysis gave none.
    pub(crate) strokes: Vec<Option<Cell>>,
}

/// A measured number, or the number of the reason why there is none.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub(crate) struct Cell {
    pub(crate) n: usize,
    pub(crate) shown: Option<Shown>,
    pub(crate) reason: Option<usize>,
}

/// Why something could not be measured.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub(crate) struct Reason {
    /// From 1, as referred to in the tables.
    pub(crate) number: usize,
    pub(crate) name: String,
    /// `stroke 3`, `strokes 1, 2 and 5`, `over all strokes`.
    pub(crate) place: String,
    pub(crate) because: String,
    #[serde(skip)]
    places: Vec<Place>,
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Place {
    Stroke(usize),
    Over,
}

/// Measures and reasons together.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub(crate) struct Measures {
    pub(crate) rows: Vec<MeasureRow>,
    pub(crate) reasons: Vec<Reason>,
    /// Strokes in groups that fit across a page: their numbers, and their place in [`MeasureRow::strokes`].
    pub(crate) groups: Vec<Group>,
}

/// A measure that something rests on.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub(crate) struct Link {
    pub(crate) name: String,
    /// Row of the measure; `None` when the analysis names something that is no measure here.
    pub(crate) number: Option<usize>,
}

/// Strokes that stand side by side.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub(crate) struct Group {
    pub(crate) numbers: Vec<usize>,
    pub(crate) from: usize,
    pub(crate) to: usize,
}

impl Measures {
    pub(crate) fn of(strokes: &Strokes) -> Self {
        let mut measures = Self::default();
        let mut ids: Vec<&Measure> = Vec::new();
        for measure in strokes.over_strokes.iter().chain(strokes.strokes.iter().flat_map(|s| &s.measures)) {
            if ids.iter().all(|known| known.id != measure.id) {
                ids.push(measure);
            }
        }
        for (number, first) in (1..).zip(ids) {
            let over = strokes.over_strokes.iter().find(|m| m.id == first.id);
            let over = over.map(|m| measures.cell(m, Place::Over));
            let cells = strokes
                .strokes
                .iter()
                .map(|stroke| stroke.measure(&first.id).map(|m| measures.cell(m, Place::Stroke(stroke.number))));
            let cells = cells.collect();
            measures.rows.push(MeasureRow {
                number,
                id: first.id.clone(),
                name: first.name.clone(),
                definition: first.definition.clone(),
                unit: shown_unit(&first.unit).1.to_owned(),
                over,
                strokes: cells,
            });
        }
        for reason in &mut measures.reasons {
            reason.place = places(&reason.places);
        }
        let numbers: Vec<usize> = strokes.strokes.iter().map(|s| s.number).collect();
        measures.groups = numbers
            .chunks(ACROSS)
            .enumerate()
            .map(|(i, chunk)| Group { numbers: chunk.to_vec(), from: i * ACROSS, to: i * ACROSS + chunk.len() })
            .collect();
        measures
    }

    pub(crate) fn row(&self, id: &str) -> Option<&MeasureRow> {
        self.rows.iter().find(|row| row.id == id)
    }

    /// The measures of these identifiers.
    pub(crate) fn links(&self, ids: &[String]) -> Vec<Link> {
        let link = |id: &String| match self.row(id) {
            Some(row) => Link { name: row.name.clone(), number: Some(row.number) },
            None => Link { name: id.clone(), number: None },
        };
        ids.iter().map(link).collect()
    }

    /// A further reason that is not about a measure.
    pub(crate) fn add_reason(&mut self, name: &str, place: &str, because: &str) {
        self.reasons.push(Reason {
            number: self.reasons.len() + 1,
            name: name.to_owned(),
            place: place.to_owned(),
            because: because.to_owned(),
            places: Vec::new(),
        });
    }

    fn cell(&mut self, measure: &Measure, place: Place) -> Cell {
        let (shown, because) = match &measure.outcome {
            Outcome::Measured { value, interval_95 } => match Shown::of(*value, *interval_95, &measure.unit) {
                Some(shown) => (Some(shown), None),
                None => (None, Some("the analysis gave a value or an interval that is not a finite number")),
            },
            Outcome::NotMeasurable { because } => (None, Some(because.as_str())),
        };
        let reason = because.map(|because| self.reason(&measure.name, because, place));
        Cell { n: measure.n, shown, reason }
    }

    /// Number of the reason, with the place added to it.
    fn reason(&mut self, name: &str, because: &str, place: Place) -> usize {
        let known = self.reasons.iter_mut().find(|r| r.name == name && r.because == because);
        if let Some(reason) = known {
            reason.places.push(place);
            return reason.number;
        }
        self.add_reason(name, "", because);
        if let Some(reason) = self.reasons.last_mut() {
            reason.places.push(place);
        }
        self.reasons.len()
    }
}

fn places(places: &[Place]) -> String {
    let numbers: Vec<String> = places
        .iter()
        .filter_map(|p| match p {
            Place::Stroke(number) => Some(number.to_string()),
            Place::Over => None,
        })
        .collect();
    let mut words = Vec::new();
    if !numbers.is_empty() {
        words.push(format!("stroke{} {}", if numbers.len() == 1 { "" } else { "s" }, listed(&numbers)));
    }
    if places.contains(&Place::Over) {
        words.push("over all strokes".to_owned());
    }
    words.join("; ")
}

#[cfg(test)]
mod tests {
    use super::*;
    use midline_session::strokes::Stroke;

    fn measure(id: &str, outcome: Outcome) -> Measure {
        Measure { id: id.into(), name: id.into(), unit: "m".into(), definition: "d".into(), n: 1, outcome }
    }

    fn stroke(number: usize, measures: Vec<Measure>) -> Stroke {
        let (events, curves, paths, statements) = (vec![], vec![], vec![], vec![]);
        Stroke { number, events, measures, curves, paths, statements, style: String::new() }
    }

    #[test]
    fn one_reason_is_given_once_with_all_its_strokes() {
        let hidden = || measure("a", Outcome::NotMeasurable { because: "hidden".into() });
        let seen = measure("a", Outcome::Measured { value: 0.1, interval_95: [0.05, 0.15] });
        let strokes = Strokes {
            strokes: vec![stroke(1, vec![hidden()]), stroke(2, vec![seen]), stroke(4, vec![hidden()])],
            over_strokes: vec![hidden()],
            ..Strokes::default()
        };
        let measures = Measures::of(&strokes);
        assert_eq!(measures.reasons.len(), 1);
        assert_eq!(measures.reasons[0].place, "strokes 1 and 4; over all strokes");
        let row = measures.row("a").unwrap();
        assert_eq!(row.strokes[0].as_ref().unwrap().reason, Some(1));
        assert_eq!(row.strokes[1].as_ref().unwrap().shown.as_ref().unwrap().value, "10");
    }

    #[test]
    fn a_measure_of_one_stroke_only_has_its_row_and_a_number_that_is_not_finite_its_reason() {
        let odd = measure("b", Outcome::Measured { value: f64::INFINITY, interval_95: [0.0, 1.0] });
        let strokes = Strokes { strokes: vec![stroke(1, vec![]), stroke(2, vec![odd])], ..Strokes::default() };
        let measures = Measures::of(&strokes);
        let row = measures.row("b").unwrap();
        assert_eq!((row.over.is_none(), row.strokes[0].is_none()), (true, true));
        assert!(measures.reasons[0].because.contains("finite"));
    }
}
