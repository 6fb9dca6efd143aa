//! The findings as one self-contained HTML page: no script, no outside files.

mod drawing;
mod methods;

use midline_session::strokes::shown_unit;
use minijinja::value::Serde;
use minijinja::{Environment, context};
use serde::Serialize;

use crate::CohortError;
use crate::findings::{Estimate, FactorFindings, Findings, MeasureFindings};

/// The page.
///
/// # Errors
/// When the page cannot be made from the findings.
pub fn page(findings: &Findings) -> Result<String, CohortError> {
    let wrong = CohortError::table("report");
    let mut environment = Environment::new();
    environment.add_template("page.html", include_str!("page.html")).map_err(|e| wrong(&e))?;
    environment.set_undefined_behavior(minijinja::UndefinedBehavior::Strict);
    let template = environment.get_template("page.html").map_err(|e| wrong(&e))?;
    let measures: Vec<Shown> = findings.measures.iter().map(shown).collect();
    let plots: Vec<_> = findings
        .channels
        .iter()
        .flat_map(|channel| {
            channel.groups.iter().map(move |(factor, groups)| {
                let found: Vec<_> = channel.findings.iter().filter(|f| f.factor == *factor).collect();
                context! {
                    title => format!("{} by {}", channel_words(&channel.channel), factor.word()),
                    svg => drawing::curves(channel, groups, &found),
                    n => format!("{} players, {} strokes with whole curves", channel.n[0], channel.n[1]),
                    findings => found.iter().map(|f| curve_words(f)).collect::<Vec<_>>(),
                }
            })
        })
        .collect();
    let map = findings.styles.as_ref().map(|styles| {
        context! {
            svg => drawing::map(styles, &findings.style_players),
            groups => styles.groups,
            stability => styles.stability.iter().map(|s| format!("{s:.2}")).collect::<Vec<_>>().join(", "),
            silhouette => format!("{:.2}", styles.silhouettes.iter().copied().fold(f64::NEG_INFINITY, f64::max)),
            agreement => findings.style_agreement.map(|a| format!("{a:.2}")),
            channel => channel_words(&findings.asked.style_channel),
        }
    });
    template
        .render(context! {
            n => findings.n,
            kind => findings.asked.criteria.kind.clone(),
            answers => answers(findings),
            measures => Serde(measures),
            plots,
            map,
            methods => methods::paragraph(findings),
            remarks => findings.remarks.clone(),
            store => findings.store.clone(),
            asked => serde_json::to_string(&findings.asked).map_err(|e| wrong(&e))?,
            program => concat!("midline ", env!("CARGO_PKG_VERSION")),
        })
        .map_err(|e| wrong(&e))
}

/// A channel's name for people, or its identifier where it has none.
fn channel_words(id: &str) -> &str {
    midline_analysis::curve_name(id).unwrap_or(id)
}

/// A measure as the page shows it.
#[derive(Debug, Clone, Serialize)]
struct Shown {
    name: String,
    measure: String,
    unit: String,
    overall: String,
    spread: String,
    flow: Vec<FlowRow>,
    factors: Vec<ShownFactor>,
    repeatability: Option<ShownRepeatability>,
    changed: Vec<String>,
}

#[derive(Debug, Clone, Serialize)]
struct ShownRepeatability {
    agreement: String,
    svg: String,
    lines: Vec<String>,
}

#[derive(Debug, Clone, Serialize)]
struct FlowRow {
    what: String,
    excluded: String,
    left: String,
}

#[derive(Debug, Clone, Serialize)]
struct ShownFactor {
    factor: &'static str,
    test: String,
    groups: Vec<[String; 5]>,
    pairs: Vec<[String; 4]>,
}

/// About three digits of the interval's size.
fn number(value: f64, of_size: f64) -> String {
    let decimals = if of_size >= 100.0 {
        0
    } else if of_size >= 10.0 {
        1
    } else {
        2
    };
    format!("{value:.decimals$}").replace('-', "−")
}

fn with_interval(value: f64, interval: [f64; 2], factor: f64) -> String {
    let [low, high] = interval.map(|v| v * factor);
    let size = low.abs().max(high.abs());
    format!("{} ({} to {})", number(value * factor, size), number(low, size), number(high, size))
}

/// p as it stands in papers.
fn p_words(p: f64) -> String {
    if p < 0.001 { "p < 0.001".to_owned() } else { format!("p = {p:.3}") }
}

fn shown(measure: &MeasureFindings) -> Shown {
    let (factor, unit) = shown_unit(&measure.unit);
    let sd = |v: f64| number(v * factor, v * factor);
    let spread = &measure.spread;
    let repeatability = measure.repeatability.as_ref().map(|r| {
        let mut lines = vec![
            format!("standard error of measurement {} {unit}", with_interval(r.sem.value, r.sem.interval_95, factor)),
            format!(
                "minimal detectable change of a session's mean {} {unit}",
                with_interval(r.minimal_detectable_change.value, r.minimal_detectable_change.interval_95, factor)
            ),
        ];
        lines.extend(r.intraclass.iter().map(|(name, icc)| {
            format!(
                "intraclass correlation ({name}): {:.2} ({:.2} to {:.2})",
                icc.value, icc.interval_95[0], icc.interval_95[1]
            )
        }));
        let limits = &r.agreement;
        let with = |e: &Estimate| with_interval(e.value, e.interval_95, factor);
        ShownRepeatability {
            agreement: format!(
                "{} players, last minus first session: mean difference {} {unit}; limits of agreement {} and {} {unit}",
                r.players,
                with(&limits.bias),
                with(&limits.lower),
                with(&limits.upper)
            ),
            svg: drawing::agreement(&measure.name, &measure.unit, r),
            lines,
        }
    });
    let changed = measure.repeatability.iter().flat_map(|r| &r.changes).filter(|c| c.p_adjusted < 0.05).map(|c| {
        let size = c.means[0].abs().max(c.means[1].abs()) * factor;
        format!(
            "{}: from {} to {} {unit} (adjusted {})",
            c.player.1,
            number(c.means[0] * factor, size),
            number(c.means[1] * factor, size),
            p_words(c.p_adjusted)
        )
    });
    Shown {
        name: measure.name.clone(),
        measure: measure.measure.clone(),
        unit: unit.to_owned(),
        overall: with_interval(measure.overall.estimate, measure.overall.interval_95, factor),
        spread: format!(
            "between players {}, between sessions of a player {}, between strokes of a session {} {unit} (standard deviations)",
            sd(spread.sd_players),
            sd(spread.sd_sessions.unwrap_or(0.0)),
            sd(spread.sd_strokes)
        ),
        flow: measure
            .steps
            .iter()
            .enumerate()
            .map(|(k, step)| FlowRow {
                what: step.what.clone(),
                excluded: if k == 0 {
                    String::new()
                } else {
                    format!("−{} strokes, −{} players", step.excluded[1], step.excluded[0])
                },
                left: format!("{} players, {} sessions, {} strokes", step.left[0], step.left[1], step.left[2]),
            })
            .collect(),
        factors: measure.factors.iter().map(|f| shown_factor(f, factor)).collect(),
        repeatability,
        changed: changed.collect(),
    }
}

fn shown_factor(found: &FactorFindings, factor: f64) -> ShownFactor {
    let test = &found.test;
    ShownFactor {
        factor: found.factor.word(),
        test: format!(
            "F({}, {}) = {:.2}, {}; adjusted for all comparisons of measures {}",
            test.df[0],
            test.df[1],
            test.f,
            p_words(test.p),
            p_words(found.p_adjusted)
        ),
        groups: found
            .groups
            .iter()
            .map(|g| {
                [
                    g.group.clone(),
                    g.n[0].to_string(),
                    g.n[1].to_string(),
                    with_interval(g.mean.estimate, g.mean.interval_95, factor),
                    number(g.sd_between_players * factor, g.sd_between_players * factor),
                ]
            })
            .collect(),
        pairs: found
            .pairs
            .iter()
            .map(|p| {
                let e = &p.effect;
                [
                    format!("{} − {}", p.groups[0], p.groups[1]),
                    with_interval(p.difference.estimate, p.difference.interval_95, factor),
                    format!("{:.2} ({:.2} to {:.2})", e.g, e.interval_95[0], e.interval_95[1]).replace('-', "−"),
                    p_words(p.difference.p),
                ]
            })
            .collect(),
    }
}

fn curve_words(finding: &crate::findings::CurveFinding) -> String {
    let [first, second] = &finding.groups;
    let head = format!("{first} against {second}: ");
    if finding.test.clusters.is_empty() || finding.p_adjusted >= 0.05 {
        return format!(
            "{head}no difference can be told (whole curve {}, adjusted {}).",
            p_words(finding.test.p),
            p_words(finding.p_adjusted)
        );
    }
    let stretches: Vec<String> = finding
        .test
        .clusters
        .iter()
        .map(|c| {
            let [from, to] = c.from_to;
            let more = if c.positive { first } else { second };
            format!("{from:.0} to {to:.0} % ({more} greater; for a stretch as long {})", p_words(c.p))
        })
        .collect();
    format!(
        "{head}differ at {}; t({}) beyond ±{:.2}; for so great a t anywhere, adjusted for all comparisons of curves, {}.",
        stretches.join(" and "),
        finding.test.df,
        finding.test.threshold,
        p_words(finding.p_adjusted)
    )
}

/// What was found, one sentence each, before all tables.
fn answers(findings: &Findings) -> Vec<String> {
    let mut answers = Vec::new();
    for measure in &findings.measures {
        let (factor, unit) = shown_unit(&measure.unit);
        for found in measure.factors.iter().filter(|f| f.p_adjusted < 0.05) {
            let means: Vec<String> = found
                .groups
                .iter()
                .map(|g| {
                    format!("{} {} {unit}", g.group, number(g.mean.estimate * factor, (g.mean.estimate * factor).abs()))
                })
                .collect();
            answers.push(format!("{} differs by {}: {}.", measure.name, found.factor.word(), means.join(", ")));
        }
        let changed: Vec<&str> = measure
            .repeatability
            .iter()
            .flat_map(|r| &r.changes)
            .filter(|c| c.p_adjusted < 0.05)
            .map(|c| c.player.1.as_str())
            .collect();
        if !changed.is_empty() {
            answers.push(format!(
                "{} changed from the first to the last session for {}.",
                measure.name,
                changed.join(", ")
            ));
        }
    }
    for channel in &findings.channels {
        for finding in channel.findings.iter().filter(|f| f.p_adjusted < 0.05) {
            answers.push(format!("Curve of {}: {}", channel_words(&channel.channel), curve_words(finding)));
        }
    }
    if answers.is_empty() {
        answers
            .push("No difference between groups and no change of a player can be told from these strokes.".to_owned());
    }
    answers
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_shown_in_the_trades_units() {
        assert_eq!(with_interval(-0.123, [-0.15, -0.1], 100.0), "−12.3 (−15.0 to −10.0)");
        assert_eq!(p_words(0.0004), "p < 0.001");
        assert_eq!(p_words(0.0312), "p = 0.031");
    }
}
