//! When each segment of the body turns fastest, from the hips outward.

use midline_session::strokes::{Outcome, Strokes};
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

use crate::ReportError;
use crate::numbers::{Shown, number};
use crate::palette::{INK, LineStyle, QUIET};
use crate::plot::{FINE, Frame, Plot, draw_line, font, range_of};

/// From the hips outward: the analysis' names of the segments in its measures, and the words of the trade.
const SEGMENTS: [(&str, &str); 5] = [
    ("hip-line", "hips"),
    ("shoulder-line", "shoulders"),
    ("upper-arm", "upper arm"),
    ("forearm", "forearm"),
    ("racket", "racket"),
];

/// One segment: peak times of the strokes in ms to contact, and their mean with its interval.
struct Row {
    words: &'static str,
    strokes: Vec<(usize, f64)>,
    mean: Option<[f64; 3]>,
    rate: Option<String>,
}

fn rows(strokes: &Strokes) -> Vec<Row> {
    let row = |(id, words): &(&str, &'static str)| {
        let time = format!("{id}-peak-time");
        let numbers = |outcome: &Outcome| match outcome {
            Outcome::Measured { value, interval_95: [low, high] } => Some([*value, *low, *high].map(|t| t * 1e3)),
            Outcome::NotMeasurable { .. } => None,
        };
        let of_stroke = strokes.strokes.iter().enumerate();
        let of_stroke = of_stroke.filter_map(|(i, s)| Some((i, numbers(&s.measure(&time)?.outcome)?[0])));
        let over = |id: &str| strokes.over_strokes.iter().find(|m| m.id == id);
        let rate = over(&format!("{id}-peak-rate")).and_then(|m| match &m.outcome {
            Outcome::Measured { value, interval_95 } => Shown::of(*value, *interval_95, &m.unit),
            Outcome::NotMeasurable { .. } => None,
        });
        Row {
            words,
            strokes: of_stroke.filter(|(_, t)| t.is_finite()).collect(),
            mean: over(&time).and_then(|m| numbers(&m.outcome)).filter(|n| n.iter().all(|t| t.is_finite())),
            rate: rate.map(|rate| format!("{}{}", rate.value, rate.suffix)),
        }
    };
    SEGMENTS.iter().map(row).collect()
}

fn times(rows: &[Row]) -> impl Iterator<Item = f64> {
    rows.iter().flat_map(|row| row.strokes.iter().map(|(_, t)| *t).chain(row.mean.into_iter().flatten()))
}

/// Peak times by segment; `None` when none was measured. `scale_with` is another session to be read beside this one.
pub(crate) fn sequence_plot(
    id: &str,
    title: &str,
    strokes: &Strokes,
    scale_with: Option<&Strokes>,
) -> Result<Option<Plot>, ReportError> {
    let rows_here = rows(strokes);
    let others = scale_with.map(rows).unwrap_or_default();
    if times(&rows_here).next().is_none() {
        return Ok(None);
    }
    let Some(x) = range_of(times(&rows_here).chain(times(&others)).chain([0.0]), 0.08) else { return Ok(None) };
    let y = 0.0..SEGMENTS.len() as f64 + 0.35;
    let frame = Frame { width: 440, height: 320, x_label: "time of the fastest turn to contact, ms", x_names: &[] };
    frame
        .plot(id, title, describe(&rows_here), |area| {
            let mut chart = frame.bare_chart(area, x.clone(), y.clone())?;
            let failed = |e: DrawingAreaErrorKind<std::io::Error>| e.to_string();
            draw_line(&mut chart, &[(0.0, y.start), (0.0, y.end)], LineStyle { colour: INK, dash: None }, 1.0)?;
            for (place, row) in rows_here.iter().enumerate() {
                let height = SEGMENTS.len() as f64 - place as f64 - 0.62; // hips on top
                let label = font(12, INK).pos(Pos::new(HPos::Left, VPos::Bottom));
                let words = match (&row.rate, row.mean) {
                    (Some(rate), _) => format!("{}, up to {rate}", row.words),
                    (None, None) if row.strokes.is_empty() => format!("{}: not measurable", row.words),
                    _ => row.words.to_owned(),
                };
                let left = x.start + (x.end - x.start) * 0.01;
                chart.draw_series([Text::new(words, (left, height + 0.22), label)]).map_err(|e| e.to_string())?;
                for (stroke, t) in &row.strokes {
                    let ring = LineStyle::of(*stroke).colour.stroke_width(FINE);
                    chart.draw_series([Circle::new((*t, height), 3 * FINE as i32, ring)]).map_err(|e| e.to_string())?;
                }
                if let Some([mean, low, high]) = row.mean {
                    let bar = INK.stroke_width(2 * FINE);
                    chart
                        .draw_series([PathElement::new(vec![(low, height - 0.16), (high, height - 0.16)], bar)])
                        .map_err(|e| e.to_string())?;
                    let tick = vec![(mean, height - 0.26), (mean, height - 0.06)];
                    chart.draw_series([PathElement::new(tick, bar)]).map_err(|e| e.to_string())?;
                }
            }
            let word = font(11, QUIET).pos(Pos::new(HPos::Right, VPos::Top));
            let at = (-(x.end - x.start) * 0.01, y.end);
            chart.draw_series([Text::new("contact".to_owned(), at, word)]).map_err(failed)?;
            Ok(())
        })
        .map(Some)
}

fn describe(rows: &[Row]) -> String {
    let of = |row: &Row| match row.mean {
        Some([mean, low, high]) => {
            format!("{} {} ms ({} to {})", row.words, number(mean, 0), number(low, 0), number(high, 0))
        }
        None => format!("{} no mean", row.words),
    };
    let all: Vec<String> = rows.iter().map(of).collect();
    format!("Time of the fastest turn of each segment relative to contact, mean and 95 % interval: {}.", all.join("; "))
}

#[cfg(test)]
mod tests {
    use super::*;
    use midline_session::strokes::Measure;

    #[test]
    fn the_text_alternative_gives_the_times_and_nothing_measured_draws_nothing() {
        let measure = |id: &str, outcome| Measure {
            id: id.into(),
            name: id.into(),
            unit: "s".into(),
            definition: String::new(),
            n: 3,
            outcome,
        };
        let hips = Outcome::Measured { value: -0.075, interval_95: [-0.083, -0.067] };
        let arm = Outcome::NotMeasurable { because: "hidden".into() };
        let strokes = Strokes {
            over_strokes: vec![measure("hip-line-peak-time", hips), measure("forearm-peak-time", arm)],
            ..Strokes::default()
        };
        let plot = sequence_plot("s", "t", &strokes, None).unwrap().unwrap();
        assert!(plot.description.contains("hips \u{2212}75 ms (\u{2212}83 to \u{2212}67)"), "{}", plot.description);
        assert!(plot.description.contains("forearm no mean"));
        assert!(plot.drawing.contains("forearm: not measurable"));
        assert_eq!(sequence_plot("s", "t", &Strokes::default(), Some(&strokes)).unwrap(), None);
    }
}
