//! `midline compare`: two sets of strokes held against each other.

use std::path::Path;

use midline_analysis::comparison::{Change, Comparison, MeasureComparison, SetMean, StrokeSet, compare};
use midline_session::strokes::shown_unit;

use crate::show::digits;
use crate::stages::{NotMeasurable, Stages};

pub(crate) fn print(before: &Path, after: &Path, json: bool) -> anyhow::Result<()> {
    let (first, second) = (Stages::open(before)?, Stages::open(after)?);
    let strokes = [first.strokes()?, second.strokes()?];
    let settings = [first.set_settings()?, second.set_settings()?];
    let set = |i: usize| StrokeSet { settings: &settings[i], strokes: &strokes[i] };
    let comparison = compare(set(0), set(1)).map_err(|e| NotMeasurable(e.to_string()))?;
    if json {
        println!("{}", serde_json::to_string_pretty(&comparison)?);
    } else {
        show(&comparison);
    }
    Ok(())
}

fn show(comparison: &Comparison) {
    println!("first set:  {}", comparison.names[0]);
    println!("second set: {}", comparison.names[1]);
    let of = |wanted: fn(&Change) -> bool| comparison.measures.iter().filter(move |m| wanted(&m.change));
    println!("changed (second minus first, 95 % interval):");
    for measure in of(|c| matches!(c, Change::Changed(_))) {
        println!("  {:52} {}", measure.name, line(measure));
    }
    println!("no detectable change:");
    for measure in of(|c| matches!(c, Change::NoDetectableChange(_))) {
        println!("  {:52} {}", measure.name, line(measure));
    }
    println!("not compared:");
    for measure in of(|c| matches!(c, Change::NotCompared(_))) {
        println!("  {:52} {}", measure.name, line(measure));
    }
    for remark in &comparison.remarks {
        println!("{remark}");
    }
}

fn line(measure: &MeasureComparison) -> String {
    let (factor, unit) = shown_unit(&measure.unit);
    let difference = match &measure.change {
        Change::Changed(difference) | Change::NoDetectableChange(difference) => difference,
        Change::NotCompared(because) => return format!("not compared because {because}"),
    };
    let digits = digits(difference.minimal_detectable_change * factor);
    let number = |x: f64| format!("{:.digits$}", x * factor);
    let [low, high] = difference.interval_95;
    let mean = |set: &Option<SetMean>| {
        set.as_ref().map_or_else(String::new, |s| {
            format!("{} (spread {}, n = {})", number(s.mean), number(s.stroke_to_stroke_sd), s.n)
        })
    };
    let change = match measure.change {
        Change::NoDetectableChange(_) => "no detectable change: ",
        _ => "",
    };
    format!(
        "{change}{:+.digits$} {unit} ({} to {}); least detectable {}; {} → {}",
        difference.value * factor,
        number(low),
        number(high),
        number(difference.minimal_detectable_change),
        mean(&measure.sets[0]),
        mean(&measure.sets[1])
    )
}
