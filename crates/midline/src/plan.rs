//! `midline plan`: where the tripods should stand, before anyone films.

use std::path::Path;

use anyhow::Context;
use midline_rig::plan::{
    Advice, Forecast, Kind, PART_NAMES, Plan, PlanError, Stand, advise, forecast, picture, search,
};
use midline_session::write_atomically;
use serde_json::json;

use crate::progress;
use crate::stages::NotMeasurable;

/// Prints a commented plan.
pub(crate) fn example() -> anyhow::Result<()> {
    print!("{}", Plan::EXAMPLE);
    Ok(())
}

/// Reads a plan, forecasts, searches, prints a table and advice, writes the picture.
pub(crate) fn make(file: &Path, svg: Option<&Path>, json: bool) -> anyhow::Result<()> {
    let text = std::fs::read_to_string(file)
        .with_context(|| format!("{}: reading the plan; `midline plan --example` prints one", file.display()))?;
    let plan = Plan::from_toml(&text).with_context(|| file.display().to_string())?;
    let now: Stand = plan.phones.iter().map(|phone| phone.place_m).collect();
    let spinner = progress::spinner("better places");
    let better = search(&plan, &now)?;
    spinner.finish_and_clear();
    let intended = forecast(&plan, &now).map_err(not_measurable)?;
    let found = forecast(&plan, &better).map_err(not_measurable)?;
    let advice = advise(&plan, &now, &better).map_err(not_measurable)?;
    let svg = svg.map_or_else(|| file.with_extension("svg"), Path::to_owned);
    write_atomically(&svg, picture(&plan, (&now, &intended), Some((&better, &found))).as_bytes())?;
    if json {
        let result = json!({
            "intended": intended, "better_places_m": better, "better": found, "advice": advice, "part_names": PART_NAMES,
            "picture": svg,
        });
        println!("{}", serde_json::to_string_pretty(&result)?);
        return Ok(());
    }
    table("As intended", &intended);
    if better != now {
        println!();
        table("Better", &found);
    }
    told(&advice);
    println!("\nPicture: {}", svg.display());
    Ok(())
}

/// Nothing in view is a finding about the places, not a mistake in the file.
fn not_measurable(error: PlanError) -> anyhow::Error {
    match error {
        PlanError::NothingSeen => NotMeasurable(error.to_string()).into(),
        other => other.into(),
    }
}

fn table(title: &str, forecast: &Forecast) {
    println!("{title}:");
    println!(
        "  {:12} {:>6} {:>6} {:>7} {:>7} {:>8} {:>6} {:>7}",
        "phone", "x m", "y m", "high m", "range m", "mm/px", "zone", "bounce"
    );
    for phone in &forecast.phones {
        let [x, y, z] = phone.place_m;
        println!(
            "  {:12} {x:6.1} {y:6.1} {z:7.1} {:7.1} {:8.1} {:5.0}% {:6.0}%   {} court points in view",
            phone.name,
            phone.range_m,
            phone.pixel_m * 1e3,
            phone.zone_share * 100.0,
            phone.bounce_share * 100.0,
            phone.court_points
        );
    }
    println!(
        "  in two pictures: {:.0} % of the zone, {:.0} % of the bounce area",
        forecast.zone_share * 100.0,
        forecast.bounce_share * 100.0
    );
    println!(
        "  {:12} {:>7} {:>7} {:>7} {:>7} {:>7}   mainly from",
        "1 sd, mm", "right", "ahead", "up", "depth", "whole"
    );
    for (name, kind) in [("body joint", Kind::Body), ("racket tip", Kind::Racket)] {
        let summary = forecast.of(kind);
        let [x, y, z] = summary.axes_m.map(|m| m * 1e3);
        let mut parts: Vec<(f64, &str)> = summary.part_shares.into_iter().zip(PART_NAMES).collect();
        parts.sort_by(|a, b| b.0.total_cmp(&a.0));
        let most: Vec<String> =
            parts[..3].iter().map(|(share, name)| format!("{name} {:.0} %", share * 100.0)).collect();
        println!(
            "  {name:12} {x:7.1} {y:7.1} {z:7.1} {:7.1} {:7.1}   {} of the variance",
            summary.depth_m * 1e3,
            summary.total_m * 1e3,
            most.join(", ")
        );
    }
}

fn told(advice: &Advice) {
    for (title, sentences) in
        [("Beware", &advice.warnings), ("What to change", &advice.changes), ("How to read this", &advice.limits)]
    {
        if !sentences.is_empty() {
            println!("\n{title}:");
            sentences.iter().for_each(|sentence| println!("  {sentence}"));
        }
    }
}
