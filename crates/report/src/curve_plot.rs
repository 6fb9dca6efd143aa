//! Curves over time to contact: strokes overlaid, 95 % bands, phases marked.

use midline_session::strokes::{Curve, Event, EventKind, Stroke, shown_unit};
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};
use serde::Serialize;

use crate::ReportError;
use crate::numbers::{counted, number};
use crate::palette::{INK, LineStyle, QUIET};
use crate::plot::{Chart, FINE, Frame, Plot, axis_words, draw_line, extent, font, range_of};

/// One curve with the way it is drawn.
pub(crate) struct Series<'a> {
    pub(crate) curve: &'a Curve,
    pub(crate) style: LineStyle,
}

/// An event over all strokes, as a mark on the time axis.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub(crate) struct PhaseMark {
    /// Number written at the mark, from 1 in the order of time.
    pub(crate) number: usize,
    pub(crate) label: &'static str,
    /// Median, earliest and latest over the strokes, milliseconds to contact.
    #[serde(skip)]
    pub(crate) milliseconds: [f64; 3],
    /// The same in words.
    pub(crate) text: String,
}

/// Marks of every kind of event that some stroke has together with a contact.
pub(crate) fn phase_marks(strokes: &[Stroke]) -> Vec<PhaseMark> {
    let mut by_kind: std::collections::BTreeMap<EventKind, Vec<f64>> = std::collections::BTreeMap::new();
    for stroke in strokes {
        let Some(contact) = stroke.event(EventKind::Contact) else { continue };
        for Event { kind, session_seconds, .. } in &stroke.events {
            by_kind.entry(*kind).or_default().push((session_seconds - contact.session_seconds) * 1e3);
        }
    }
    let mut marks: Vec<PhaseMark> = by_kind
        .into_iter()
        .filter_map(|(kind, mut times)| {
            times.retain(|t| t.is_finite());
            times.sort_by(f64::total_cmp);
            let (first, last) = (*times.first()?, *times.last()?);
            let median = (times[(times.len() - 1) / 2] + times[times.len() / 2]) / 2.0;
            let text = if kind == EventKind::Contact {
                "0 ms".to_owned()
            } else if times.len() == 1 {
                format!("{} ms", number(median, 0))
            } else {
                let [median, first, last] = [median, first, last].map(|t| number(t, 0));
                format!("{median} ms, median of {} strokes ({first} to {last})", times.len())
            };
            Some(PhaseMark { number: 0, label: kind.label(), milliseconds: [median, first, last], text })
        })
        .collect();
    marks.sort_by(|a, b| a.milliseconds[0].total_cmp(&b.milliseconds[0]));
    for (mark, number) in marks.iter_mut().zip(1..) {
        mark.number = number;
    }
    marks
}

/// Marks of another session with the numbers that the same events have in this one; events that only the other has follow.
pub(crate) fn numbered_as(mut others: Vec<PhaseMark>, marks: &[PhaseMark]) -> Vec<PhaseMark> {
    let mut next = marks.len() + 1;
    for other in &mut others {
        other.number = marks.iter().find(|mark| mark.label == other.label).map_or(next, |mark| mark.number);
        next += usize::from(other.number == next);
    }
    others
}

/// One measured point of a curve in units of showing: milliseconds, value, half width of the 95 % interval.
type Sample = (f64, f64, f64);

/// Runs of neighbouring measured samples; a run ends at a gap and at contact, so that no line crosses the impact.
fn runs(curve: &Curve) -> Vec<Vec<Sample>> {
    let (factor, _) = shown_unit(&curve.unit);
    let mut runs = vec![Vec::new()];
    let mut before_contact = true;
    for (i, seconds) in curve.seconds_to_contact.iter().enumerate() {
        let value = curve.values.get(i).copied().flatten().filter(|v| v.is_finite() && seconds.is_finite());
        let crosses = before_contact && *seconds > 0.0;
        before_contact = *seconds <= 0.0;
        if (value.is_none() || crosses) && runs.last().is_some_and(|run| !run.is_empty()) {
            runs.push(Vec::new());
        }
        if let (Some(value), Some(run)) = (value, runs.last_mut()) {
            let sd = curve.sds.get(i).copied().flatten().filter(|sd| sd.is_finite()).unwrap_or(0.0);
            run.push((seconds * 1e3, value * factor, 1.96 * sd * factor));
        }
    }
    runs.retain(|run| !run.is_empty());
    runs
}

fn describe(series: &[Series<'_>], what: &str, unit: &str) -> String {
    let samples: Vec<Sample> = series.iter().flat_map(|s| runs(s.curve).concat()).collect();
    let range = |f: fn(&Sample) -> f64| extent(samples.iter().map(f));
    let (Some(time), Some(value)) = (range(|s| s.0), range(|s| s.1)) else {
        return format!("{what}: nothing measured.");
    };
    let peaks = series.iter().filter_map(|s| runs(s.curve).concat().into_iter().max_by(|a, b| a.1.total_cmp(&b.1)));
    let peak_times = extent(peaks.map(|peak| peak.0)).map_or_else(String::new, |[first, last]| {
        format!(" The highest values come between {} and {} ms.", number(first, 0), number(last, 0))
    });
    format!(
        "{what}, {} from {} to {} ms relative to contact; values from {} to {} {unit}.{peak_times}",
        counted(series.len(), "curve"),
        number(time[0], 0),
        number(time[1], 0),
        number(value[0], 1),
        number(value[1], 1),
    )
}

/// Overlaid curves of one unit; `None` when none of them has a measured value. The axes also hold `scale_with`: the curves of
/// another session that are read beside these.
pub(crate) fn curve_plot(
    id: &str,
    title: &str,
    series: &[Series<'_>],
    scale_with: &[Series<'_>],
    marks: &[PhaseMark],
) -> Result<Option<Plot>, ReportError> {
    let Some(first) = series.first() else { return Ok(None) };
    let (_, unit) = shown_unit(&first.curve.unit);
    let styled = |series: &[Series<'_>]| -> Vec<(LineStyle, Vec<Vec<Sample>>)> {
        series.iter().map(|s| (s.style, runs(s.curve))).collect()
    };
    let (all, others) = (styled(series), styled(scale_with));
    if all.iter().all(|(_, runs)| runs.is_empty()) {
        return Ok(None);
    }
    let samples = || all.iter().chain(&others).flat_map(|(_, runs)| runs.iter().flatten());
    let edges = samples().flat_map(|(_, value, half)| [value - half, value + half]);
    let (Some(x), Some(mut y)) = (range_of(samples().map(|s| s.0), 0.01), range_of(edges, 0.04)) else {
        return Ok(None);
    };
    // A magnitude such as a speed starts at zero; the numbers of the phases stand in the air above the curves.
    if y.start > 0.0 || samples().all(|s| s.1 >= 0.0) {
        y.start = 0.0;
    }
    y.end += (y.end - y.start) * 0.16;
    let frame = Frame { width: 440, height: 320, x_label: "time to contact, ms", x_names: &[] };
    let description = describe(series, title, unit);
    let width = if series.len() > 4 { 1.2 } else { 1.6 };
    frame
        .plot(id, title, description, |area| {
            let mut chart = frame.chart(area, x.clone(), y.clone(), axis_words(unit))?;
            if y.start < 0.0 {
                draw_line(&mut chart, &[(x.start, 0.0), (x.end, 0.0)], LineStyle { colour: QUIET, dash: None }, 0.6)?;
            }
            draw_marks(&mut chart, marks, &x, &y)?;
            for (style, runs) in &all {
                for run in runs {
                    let band = run.iter().map(|(t, v, half)| (*t, v + half));
                    let band = band.chain(run.iter().rev().map(|(t, v, half)| (*t, v - half)));
                    chart
                        .draw_series([Polygon::new(band.collect::<Vec<_>>(), style.colour.mix(0.13))])
                        .map_err(|e| e.to_string())?;
                }
            }
            for (style, runs) in &all {
                for run in runs {
                    let line: Vec<(f64, f64)> = run.iter().map(|(t, v, _)| (*t, *v)).collect();
                    draw_line(&mut chart, &line, *style, width)?;
                }
            }
            Ok(())
        })
        .map(Some)
}

/// Vertical lines at the medians with their numbers above; numbers that would touch take the next row.
fn draw_marks(
    chart: &mut Chart<'_, '_>,
    marks: &[PhaseMark],
    x: &std::ops::Range<f64>,
    y: &std::ops::Range<f64>,
) -> Result<(), String> {
    let line = LineStyle { colour: QUIET, dash: Some((2, 3)) };
    let contact_line = LineStyle { colour: INK, dash: None };
    let spread = (x.end - x.start) * 0.035;
    let row_height = (y.end - y.start) * 0.055;
    let mut row_ends = [f64::NEG_INFINITY; 3];
    for mark in marks.iter().filter(|m| x.contains(&m.milliseconds[0])) {
        let [median, first, last] = mark.milliseconds;
        let row = row_ends.iter().position(|end| median - spread > *end).unwrap_or(0);
        row_ends[row] = median;
        let top = y.end - row_height * (row as f64 + 0.2);
        let bottom_of_text = top - row_height * 1.05;
        let style = if mark.label == EventKind::Contact.label() { contact_line } else { line };
        draw_line(chart, &[(median, y.start), (median, bottom_of_text)], style, 1.0)?;
        if last > first {
            let span = QUIET.mix(0.55).stroke_width(3 * FINE);
            let (first, last) = (first.max(x.start), last.min(x.end));
            chart
                .draw_series([PathElement::new(vec![(first, bottom_of_text), (last, bottom_of_text)], span)])
                .map_err(|e| e.to_string())?;
        }
        let text = font(12, INK).pos(Pos::new(HPos::Center, VPos::Top));
        chart.draw_series([Text::new(mark.number.to_string(), (median, top), text)]).map_err(|e| e.to_string())?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixture;

    fn curve(values: &[(f64, Option<f64>)]) -> Curve {
        Curve {
            id: "c".into(),
            name: "c".into(),
            unit: "m/s".into(),
            definition: String::new(),
            seconds_to_contact: values.iter().map(|v| v.0).collect(),
            values: values.iter().map(|v| v.1).collect(),
            sds: values.iter().map(|v| v.1.map(|_| 0.5)).collect(),
        }
    }

    #[test]
    fn a_line_ends_at_a_gap_and_at_contact() {
        let curve = curve(&[
            (-0.03, Some(1.0)),
            (-0.02, None),
            (-0.01, Some(2.0)),
            (0.0, Some(3.0)),
            (0.01, Some(9.0)),
            (0.02, Some(8.0)),
        ]);
        let lengths: Vec<usize> = runs(&curve).iter().map(Vec::len).collect();
        assert_eq!(lengths, [1, 2, 2]);
        let (t, value, half) = runs(&curve)[1][1];
        assert!(t.abs() < 1e-12 && (value - 3.0).abs() < 1e-12 && (half - 0.98).abs() < 1e-12);
    }

    #[test]
    fn marks_are_medians_in_the_order_of_time() {
        let strokes = fixture::strokes().strokes;
        let marks = phase_marks(&strokes);
        assert!(marks.windows(2).all(|w| w[0].milliseconds[0] <= w[1].milliseconds[0]));
        let contact = marks.iter().find(|m| m.label == "contact").unwrap();
        assert_eq!(contact.text, "0 ms");
        assert!(marks.iter().all(|m| m.milliseconds[1] <= m.milliseconds[0]));
    }

    #[test]
    fn nothing_measured_draws_nothing_and_odd_lengths_do_not_panic() {
        let empty = curve(&[(0.0, None)]);
        let style = LineStyle::of(0);
        assert_eq!(curve_plot("p", "t", &[Series { curve: &empty, style }], &[], &[]).unwrap(), None);
        let mut short = curve(&[(-0.1, Some(1.0)), (0.0, Some(2.0))]);
        short.values.pop();
        short.sds.clear();
        assert!(curve_plot("p", "t", &[Series { curve: &short, style }], &[], &[]).unwrap().is_some());
    }
}
