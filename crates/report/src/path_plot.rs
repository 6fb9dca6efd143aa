//! The racket's path in body axes, from above and from behind, with the midline.

use midline_session::strokes::{BodyPath, Event, EventKind};
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

use crate::ReportError;
use crate::numbers::{counted, number};
use crate::palette::{INK, LineStyle, QUIET};
use crate::plot::{Chart, FINE, Frame, Plot, draw_line, extent, font, range_of};

/// Where the path is looked at from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Sight {
    /// Hitting side to the right, front upward.
    Above,
    /// Hitting side to the right, up upward.
    Behind,
}

/// One stroke's path.
pub(crate) struct PathSeries<'a> {
    pub(crate) path: &'a BodyPath,
    pub(crate) events: &'a [Event],
    pub(crate) style: LineStyle,
}

/// The events that get a marker on the path.
pub(crate) const MARKED: [EventKind; 3] = [EventKind::TakeBackStart, EventKind::DropBottom, EventKind::Contact];

impl Sight {
    fn flat(self, position_m: [f64; 3]) -> (f64, f64) {
        let [side, front, up] = position_m.map(|m| m * 100.0);
        match self {
            Self::Above => (side, front),
            Self::Behind => (side, up),
        }
    }
}

/// Seconds to contact, and the place in cm as it is looked at.
type Place = (f64, (f64, f64));

/// Runs of neighbouring measured places; a run ends at a gap and at contact.
fn runs(path: &BodyPath, sight: Sight) -> Vec<Vec<Place>> {
    let mut runs = vec![Vec::new()];
    for (seconds, place) in path.seconds_to_contact.iter().zip(&path.position_m) {
        let place = place.filter(|p| p.iter().all(|x| x.is_finite()));
        let previous = runs.last().and_then(|run: &Vec<(f64, _)>| run.last()).map(|(t, _)| *t);
        if place.is_none() || previous.is_some_and(|t| t <= 0.0 && *seconds > 0.0) {
            runs.push(Vec::new());
        }
        if let (Some(place), Some(run)) = (place, runs.last_mut()) {
            run.push((*seconds, sight.flat(place)));
        }
    }
    runs.retain(|run| !run.is_empty());
    runs
}

/// Paths overlaid at equal scale on both axes; `None` when nothing was measured. The axes also hold `scale_with`.
pub(crate) fn path_plot(
    id: &str,
    title: &str,
    sight: Sight,
    series: &[PathSeries<'_>],
    scale_with: &[PathSeries<'_>],
) -> Result<Option<Plot>, ReportError> {
    let all: Vec<_> = series.iter().map(|s| (s, runs(s.path, sight))).collect();
    if all.iter().all(|(_, runs)| runs.is_empty()) {
        return Ok(None);
    }
    let others = scale_with.iter().flat_map(|s| runs(s.path, sight)).flatten().map(|(_, place)| place);
    let others: Vec<(f64, f64)> = others.collect();
    let own = || all.iter().flat_map(|(_, runs)| runs.iter().flatten().map(|(_, place)| *place));
    let places = || own().chain(others.iter().copied());
    let (Some(x), Some(y)) =
        (range_of(places().map(|p| p.0).chain([0.0]), 0.08), range_of(places().map(|p| p.1).chain([0.0]), 0.08))
    else {
        return Ok(None);
    };
    let description = describe(&all, sight);
    let frame = Frame { width: 440, height: 400, x_label: "to the hitting side, cm", x_names: &[] };
    // Equal scale: the axis with room to spare is widened about its middle.
    let inside = frame.inside();
    let per_unit = ((x.end - x.start) / inside[0]).max((y.end - y.start) / inside[1]);
    let widened = |range: &std::ops::Range<f64>, size: f64| {
        let (middle, half) = ((range.start + range.end) / 2.0, per_unit * size / 2.0);
        middle - half..middle + half
    };
    let (x, y) = (widened(&x, inside[0]), widened(&y, inside[1]));
    let y_label = match sight {
        Sight::Above => "to the front, cm",
        Sight::Behind => "upward, cm",
    };
    frame
        .plot(id, title, description, |area| {
            let mut chart = frame.chart(area, x.clone(), y.clone(), y_label)?;
            draw_body_axes(&mut chart, &x, &y, sight)?;
            for (series, runs) in &all {
                for run in runs {
                    let after = run.first().is_some_and(|(t, _)| *t > 0.0);
                    let line: Vec<(f64, f64)> = run.iter().map(|(_, place)| *place).collect();
                    draw_line(&mut chart, &line, series.style, if after { 0.7 } else { 1.5 })?;
                }
            }
            for (series, runs) in &all {
                draw_markers(&mut chart, series, &runs.concat())?;
            }
            Ok(())
        })
        .map(Some)
}

/// The midline, and from above the frontal plane, with words for the sides.
fn draw_body_axes(
    chart: &mut Chart<'_, '_>,
    x: &std::ops::Range<f64>,
    y: &std::ops::Range<f64>,
    sight: Sight,
) -> Result<(), String> {
    draw_line(chart, &[(0.0, y.start), (0.0, y.end)], LineStyle { colour: INK, dash: None }, 1.2)?;
    let frontal = LineStyle { colour: QUIET, dash: Some((6, 4)) };
    if sight == Sight::Above {
        draw_line(chart, &[(x.start, 0.0), (x.end, 0.0)], frontal, 1.0)?;
    }
    let (gap, top) = ((x.end - x.start) * 0.015, y.end - (y.end - y.start) * 0.01);
    let beside = |h| font(11, INK).pos(Pos::new(h, VPos::Top));
    let mut words = vec![
        Text::new("other side".to_owned(), (-gap, top), beside(HPos::Right)),
        Text::new("hitting side".to_owned(), (gap, top), beside(HPos::Left)),
    ];
    if sight == Sight::Above {
        // At the left edge: paths are mostly on the hitting side.
        let low = font(11, QUIET).pos(Pos::new(HPos::Left, VPos::Top));
        words.push(Text::new("behind the body".to_owned(), (x.start + gap, -gap), low));
    }
    chart.draw_series(words).map(drop).map_err(|e| e.to_string())
}

/// Open circle: take-back start; triangle: bottom of the drop; filled square: contact.
fn draw_markers(chart: &mut Chart<'_, '_>, series: &PathSeries<'_>, places: &[Place]) -> Result<(), String> {
    let Some(contact) = series.events.iter().find(|e| e.kind == EventKind::Contact) else { return Ok(()) };
    let size = 4 * FINE as i32;
    for kind in MARKED {
        let Some(event) = series.events.iter().find(|e| e.kind == kind) else { continue };
        let seconds = event.session_seconds - contact.session_seconds;
        let nearest = places.iter().min_by(|a, b| (a.0 - seconds).abs().total_cmp(&(b.0 - seconds).abs()));
        // A marker more than 30 ms from the nearest measured place would stand in the wrong spot.
        let Some((_, at)) = nearest.filter(|(t, _)| (t - seconds).abs() < 0.03) else { continue };
        let line = series.style.colour.stroke_width(FINE * 3 / 2);
        let drawn = match kind {
            EventKind::TakeBackStart => chart.draw_series([Circle::new(*at, size, line)]).map(drop),
            EventKind::DropBottom => chart.draw_series([TriangleMarker::new(*at, size + 2, line)]).map(drop),
            _ => {
                let square = EmptyElement::at(*at)
                    + Rectangle::new([(-size, -size), (size, size)], series.style.colour.filled());
                chart.draw_series([square]).map(drop)
            }
        };
        drawn.map_err(|e| e.to_string())?;
    }
    Ok(())
}

fn describe(all: &[(&PathSeries<'_>, Vec<Vec<Place>>)], sight: Sight) -> String {
    let before = all.iter().flat_map(|(_, runs)| runs.iter().flatten().filter(|(t, _)| *t <= 0.0));
    let sides: Vec<f64> = before.map(|(_, place)| place.0).collect();
    let from = match sight {
        Sight::Above => "from above",
        Sight::Behind => "from behind",
    };
    let reach = extent(sides).map_or_else(
        || "Nothing was measured before contact.".to_owned(),
        |[low, high]| {
            let far = if low < 0.0 {
                format!("{} cm across the midline to the other side", number(-low, 0))
            } else {
                format!("no nearer to the midline than {} cm on the hitting side", number(low, 0))
            };
            format!("Before contact it goes {far}, and {} cm to the hitting side.", number(high, 0))
        },
    );
    format!("Path of the racket {from}, relative to the body, {}. {reach}", counted(all.len(), "stroke"))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn path(places: &[(f64, Option<[f64; 3]>)]) -> BodyPath {
        BodyPath {
            name: "racket_tip".into(),
            seconds_to_contact: places.iter().map(|p| p.0).collect(),
            position_m: places.iter().map(|p| p.1).collect(),
        }
    }

    #[test]
    fn a_path_ends_at_gaps_and_at_contact_and_shows_the_right_axes() {
        let path = path(&[
            (-0.02, Some([0.1, 0.2, 0.3])),
            (-0.01, None),
            (0.0, Some([0.4, 0.5, 0.6])),
            (0.01, Some([0.7, 0.8, 0.9])),
        ]);
        let above = runs(&path, Sight::Above);
        assert_eq!(above.iter().map(Vec::len).collect::<Vec<_>>(), [1, 1, 1]);
        let ((x, y), (_, up)) = (above[1][0].1, runs(&path, Sight::Behind)[1][0].1);
        assert!((x - 40.0).abs() < 1e-9 && (y - 50.0).abs() < 1e-9 && (up - 60.0).abs() < 1e-9);
    }

    #[test]
    fn the_text_alternative_says_how_far_across() {
        let path = path(&[(-0.02, Some([-0.25, -0.4, 0.3])), (0.0, Some([0.6, 0.5, 0.6]))]);
        let series = [PathSeries { path: &path, events: &[], style: LineStyle::of(0) }];
        let plot = path_plot("p", "t", Sight::Above, &series, &[]).unwrap().unwrap();
        assert!(plot.description.contains("25 cm across the midline"), "{}", plot.description);
        let empty = BodyPath { name: "racket_tip".into(), seconds_to_contact: vec![0.0], position_m: vec![None] };
        let series = [PathSeries { path: &empty, events: &[], style: LineStyle::of(0) }];
        assert_eq!(path_plot("p", "t", Sight::Above, &series, &[]).unwrap(), None);
    }
}
