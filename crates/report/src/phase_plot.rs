//! The mean curves of two sets of strokes over the same phases: what changed, and when in the stroke.

use midline_analysis::comparison::{Band, Comparison, CurveComparison};
use midline_session::strokes::shown_unit;
use plotters::prelude::*;

use crate::ReportError;
use crate::numbers::percent;
use crate::palette::LineStyle;
use crate::plot::{Frame, Plot, axis_words, draw_line, range_of};

/// Words along the axis at the analysis' landmarks: take-back start and end, contact, end of the follow-through.
const NAMES: &[&str] = &["take-back starts", "take-back ends", "contact", "swing ends"];
/// Place of contact among them.
const CONTACT: f64 = 2.0;
/// Air on the right for half of the last name.
const AIR: f64 = 0.25;

/// One measured place: position along the phases, mean, low and high in the unit of showing.
type Place = [f64; 4];

/// The present set in the first style, the earlier one in the second.
pub(crate) fn styles() -> [(&'static str, LineStyle); 2] {
    [("now", LineStyle::of(0)), ("before", LineStyle::of(1))]
}

/// One plot for every curve that both sets have.
pub(crate) fn phase_plots(comparison: &Comparison) -> Result<Vec<Plot>, ReportError> {
    let plots = comparison.curves.iter().enumerate().map(|(i, curve)| phase_plot(&format!("phases-plot-{i}"), curve));
    Ok(plots.collect::<Result<Vec<_>, _>>()?.into_iter().flatten().collect())
}

/// Runs of neighbouring places; a run ends at a gap and at contact, so that no line crosses the impact.
fn runs(places: &[f64], bands: &[Option<Band>], factor: f64) -> Vec<Vec<Place>> {
    let mut runs: Vec<Vec<Place>> = vec![Vec::new()];
    let mut last = f64::NEG_INFINITY;
    for (place, band) in places.iter().zip(bands) {
        let numbers = band.map(|b| [b.mean, b.interval_95[0], b.interval_95[1]].map(|v| v * factor));
        let numbers = numbers.filter(|n| n.iter().all(|v| v.is_finite()));
        if numbers.is_none() || (last <= CONTACT && *place > CONTACT) {
            runs.push(Vec::new());
        }
        if let (Some([mean, low, high]), Some(run)) = (numbers, runs.last_mut()) {
            run.push([*place, mean, low, high]);
        }
        last = *place;
    }
    runs.retain(|run| !run.is_empty());
    runs
}

fn phase_plot(id: &str, curve: &CurveComparison) -> Result<Option<Plot>, ReportError> {
    let (factor, unit) = shown_unit(&curve.unit);
    let [before, now] = curve.sets.each_ref().map(|bands| runs(&curve.places, bands, factor));
    if before.is_empty() || now.is_empty() || curve.landmarks.len() != NAMES.len() {
        return Ok(None);
    }
    let all = || before.iter().chain(&now).flatten();
    let Some(mut y) = range_of(all().flat_map(|[_, _, low, high]| [*low, *high]), 0.04) else { return Ok(None) };
    if all().all(|[_, mean, ..]| *mean >= 0.0) {
        y.start = 0.0;
    }
    let x = 0.0..(NAMES.len() - 1) as f64 + AIR;
    let frame = Frame { width: 440, height: 300, x_label: "time, evenly between the phases", x_names: NAMES };
    frame
        .plot(id, &curve.name, describe(curve, unit), |area| {
            let mut chart = frame.chart(area, x.clone(), y.clone(), axis_words(unit))?;
            let [(_, now_style), (_, before_style)] = styles();
            for (runs, style) in [(&before, before_style), (&now, now_style)] {
                for run in runs {
                    let edge = run.iter().map(|[place, _, low, _]| (*place, *low));
                    let edge = edge.chain(run.iter().rev().map(|[place, _, _, high]| (*place, *high)));
                    let band = Polygon::new(edge.collect::<Vec<_>>(), style.colour.mix(0.15));
                    chart.draw_series([band]).map_err(|e| e.to_string())?;
                }
            }
            for (runs, style) in [(&before, before_style), (&now, now_style)] {
                for run in runs {
                    let line: Vec<(f64, f64)> = run.iter().map(|[place, mean, ..]| (*place, *mean)).collect();
                    draw_line(&mut chart, &line, style, 1.6)?;
                }
            }
            Ok(())
        })
        .map(Some)
}

fn describe(curve: &CurveComparison, unit: &str) -> String {
    let [before, now] = &curve.sets;
    let both = || before.iter().zip(now).filter_map(|(a, b)| Some(((*a)?, (*b)?)));
    let apart = |(a, b): &(Band, Band)| a.interval_95[0] > b.interval_95[1] || b.interval_95[0] > a.interval_95[1];
    let share = both().filter(apart).count() as f64 / both().count().max(1) as f64;
    let n = |bands: &[Option<Band>]| bands.iter().flatten().map(|b| b.n).max().unwrap_or(0);
    let unit = if unit.is_empty() { String::new() } else { format!(" in {unit}") };
    format!(
        "Mean of the {}{unit} before ({} strokes) and now ({} strokes), from the start of the take-back to the end of the swing. The 95 % \
         bands of the two means lie apart over {} of it.",
        curve.name,
        n(before),
        n(now),
        percent(share)
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use midline_session::strokes::EventKind;

    fn curve(shift: f64) -> CurveComparison {
        let places: Vec<f64> = (0..=75).map(|i| f64::from(i) / 25.0).collect();
        let band = |mean: f64| Some(Band { mean, interval_95: [mean - 1.0, mean + 1.0], n: 5 });
        let first: Vec<_> = places.iter().map(|p| band(10.0 + p)).collect();
        let second = places.iter().map(|p| band(10.0 + p + if *p > 1.5 { shift } else { 0.0 })).collect();
        let kinds = [EventKind::TakeBackStart, EventKind::TakeBackEnd, EventKind::Contact, EventKind::FollowThroughEnd];
        CurveComparison {
            id: "c".into(),
            name: "tip speed".into(),
            unit: "m/s".into(),
            landmarks: kinds.into_iter().zip((0..4).map(f64::from)).collect(),
            places,
            sets: [first, second],
        }
    }

    #[test]
    fn the_text_alternative_says_how_far_the_bands_lie_apart_and_no_line_crosses_contact() {
        let plot = phase_plot("p", &curve(5.0)).unwrap().unwrap();
        assert!(plot.description.contains("over 50 % of it"), "{}", plot.description);
        assert!(phase_plot("p", &curve(1.0)).unwrap().unwrap().description.contains("over 0 % of it"));
        for name in NAMES {
            assert!(plot.drawing.contains(name), "{name}");
        }
        let curve = curve(0.0);
        let lengths: Vec<usize> = runs(&curve.places, &curve.sets[0], 1.0).iter().map(Vec::len).collect();
        assert_eq!(lengths, [51, 25]);
    }

    #[test]
    fn a_set_without_the_curve_draws_nothing() {
        let mut lacking = curve(0.0);
        lacking.sets[0] = vec![None; lacking.places.len()];
        assert_eq!(phase_plot("p", &lacking).unwrap(), None);
    }
}
