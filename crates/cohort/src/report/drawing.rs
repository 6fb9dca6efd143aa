//! Drawings as SVG: mean curves with bands, and the map of styles. Groups differ by colour, dash and mark, so that nothing rests on colour.

use std::fmt::Write;

use midline_session::strokes::shown_unit;

use super::channel_words;
use crate::findings::{ChannelFindings, CurveFinding, Estimate, GroupCurve, Repeatability};
use crate::statistics::styles::Styles;

const WIDTH: f64 = 640.0;
const HEIGHT: f64 = 300.0;
const LEFT: f64 = 58.0;
const RIGHT: f64 = 12.0;
const TOP: f64 = 10.0;
const BOTTOM: f64 = 44.0;

const COLOURS: [&str; 6] = ["#12305e", "#c43a0e", "#1f97a3", "#7a2a48", "#b08a5b", "#7566c4"];
const DASHES: [&str; 4] = ["none", "9 4", "3 3", "16 4"];

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}

/// From values to places on the paper.
struct Axes {
    x: [f64; 2],
    y: [f64; 2],
}

impl Axes {
    fn at(&self, x: f64, y: f64) -> (f64, f64) {
        let share = |v: f64, [low, high]: [f64; 2]| (v - low) / (high - low);
        (LEFT + share(x, self.x) * (WIDTH - LEFT - RIGHT), HEIGHT - BOTTOM - share(y, self.y) * (HEIGHT - TOP - BOTTOM))
    }

    fn drawn(&self, x_label: &str, y_label: &str) -> String {
        let mut text = String::new();
        for x in ticks(self.x) {
            let (at, bottom) = self.at(x, self.y[0]);
            let _ = write!(
                text,
                "<line x1='{at:.1}' y1='{TOP}' x2='{at:.1}' y2='{bottom:.1}' class='grid'/><text x='{at:.1}' y='{:.1}' class='tick' \
                 text-anchor='middle'>{}</text>",
                bottom + 15.0,
                label(x)
            );
        }
        for y in ticks(self.y) {
            let (left, at) = self.at(self.x[0], y);
            let _ = write!(
                text,
                "<line x1='{left:.1}' y1='{at:.1}' x2='{:.1}' y2='{at:.1}' class='grid'/><text x='{:.1}' y='{:.1}' class='tick' \
                 text-anchor='end'>{}</text>",
                WIDTH - RIGHT,
                left - 5.0,
                at + 4.0,
                label(y)
            );
        }
        let _ = write!(
            text,
            "<text x='{:.1}' y='{:.1}' class='name' text-anchor='middle'>{}</text>\
             <text transform='translate(13 {:.1}) rotate(-90)' class='name' text-anchor='middle'>{}</text>",
            (LEFT + WIDTH - RIGHT) / 2.0,
            HEIGHT - 8.0,
            escaped(x_label),
            (TOP + HEIGHT - BOTTOM) / 2.0,
            escaped(y_label)
        );
        text
    }
}

/// Round numbers inside a range, about five.
fn ticks([low, high]: [f64; 2]) -> Vec<f64> {
    let raw = (high - low) / 5.0;
    let power = 10f64.powf(raw.log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0].into_iter().map(|m| m * power).find(|s| *s >= raw).unwrap_or(10.0 * power);
    let (first, last) = ((low / step).ceil() as i64, (high / step).floor() as i64);
    (first..=last).map(|k| k as f64 * step).collect()
}

fn label(value: f64) -> String {
    let rounded = (value * 1e6).round() / 1e6;
    format!("{rounded}").replace('-', "−")
}

fn path(points: impl Iterator<Item = (f64, f64)>) -> String {
    points.enumerate().fold(String::new(), |mut text, (k, (x, y))| {
        let _ = write!(text, "{}{x:.1} {y:.1}", if k == 0 { "M" } else { "L" });
        text
    })
}

/// A range with a little air; never empty.
fn range(values: impl Iterator<Item = f64>) -> [f64; 2] {
    let (low, high) = values.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
    let air = 0.05 * (high - low).max(1e-9);
    [low - air, high + air]
}

/// Mean curves of groups with bands of one standard deviation between players; bars below where two groups differ.
pub(super) fn curves(channel: &ChannelFindings, groups: &[GroupCurve], findings: &[&CurveFinding]) -> String {
    let (factor, unit) = shown_unit(&channel.unit);
    let ends = groups.iter().flat_map(|g| g.mean.iter().zip(&g.sd).flat_map(|(m, s)| [m - s, m + s]));
    let mut y = range(ends.map(|v| v * factor));
    let found: Vec<_> = findings.iter().filter(|f| f.p_adjusted < 0.05 && !f.test.clusters.is_empty()).collect();
    // Room for the names above and the bars below.
    y[1] += 0.08 * (y[1] - y[0]) * groups.len() as f64;
    y[0] -= 0.06 * (y[1] - y[0]) * found.len() as f64;
    let axes = Axes { x: [0.0, 100.0], y };
    let mut text = format!(
        "<svg viewBox='0 0 {WIDTH} {HEIGHT}' role='img' aria-label='{}'>",
        escaped(&format!(
            "mean curves of {} with bands of one standard deviation between players",
            channel_words(&channel.channel)
        ))
    );
    text += &axes.drawn(
        "% of the time from the start of the take-back to contact",
        &format!("{} ({unit})", channel_words(&channel.channel)),
    );
    for (k, group) in groups.iter().enumerate() {
        let colour = COLOURS[k % COLOURS.len()];
        let edge = |sign: f64| {
            group.mean.iter().zip(&group.sd).enumerate().map(move |(i, (m, s))| (i as f64, (m + sign * s) * factor))
        };
        let upper: Vec<(f64, f64)> = edge(1.0).collect();
        let lower: Vec<(f64, f64)> = edge(-1.0).collect();
        let around = upper.into_iter().chain(lower.into_iter().rev()).map(|(x, y)| axes.at(x, y));
        let line = group.mean.iter().enumerate().map(|(i, m)| axes.at(i as f64, m * factor));
        let _ = write!(
            text,
            "<path d='{}Z' fill='{colour}' opacity='0.13'/><path d='{}' fill='none' stroke='{colour}' stroke-width='2' stroke-dasharray='{}'/>",
            path(around),
            path(line),
            DASHES[k % DASHES.len()]
        );
        let (x, y) = (LEFT + 10.0, TOP + 14.0 + 16.0 * k as f64);
        let _ = write!(
            text,
            "<line x1='{x}' y1='{:.1}' x2='{:.1}' y2='{:.1}' stroke='{colour}' stroke-width='2' stroke-dasharray='{}'/>\
             <text x='{:.1}' y='{y:.1}' class='name'>{} ({} players, {} strokes)</text>",
            y - 4.0,
            x + 32.0,
            y - 4.0,
            DASHES[k % DASHES.len()],
            x + 38.0,
            escaped(&group.group),
            group.n[0],
            group.n[1]
        );
    }
    for (row, finding) in found.iter().enumerate() {
        let y = HEIGHT - BOTTOM - 6.0 - 13.0 * row as f64;
        for cluster in &finding.test.clusters {
            let [from, to] = cluster.from_to.map(|v| axes.at(v, axes.y[0]).0);
            let _ = write!(
                text,
                "<rect x='{from:.1}' y='{:.1}' width='{:.1}' height='4' fill='#1c2630'/>",
                y - 4.0,
                (to - from).max(2.0)
            );
        }
        let _ = write!(
            text,
            "<text x='{:.1}' y='{:.1}' class='tick' text-anchor='start'>{} / {}</text>",
            LEFT + 4.0,
            y + 1.0,
            escaped(&finding.groups[0]),
            escaped(&finding.groups[1])
        );
    }
    text + "</svg>"
}

/// Players by the first two components of their curves; the mark is the group found, the letter the style of most strokes.
pub(super) fn map(styles: &Styles, players: &[(String, Option<String>)]) -> String {
    let axes = Axes { x: range(styles.map.iter().map(|p| p[0])), y: range(styles.map.iter().map(|p| p[1])) };
    let share = |k: usize| format!("component {} ({:.0} % of the variance)", k + 1, 100.0 * styles.map_shares[k]);
    let mut text =
        format!("<svg viewBox='0 0 {WIDTH} {HEIGHT}' role='img' aria-label='map of the players by their curves'>");
    text += &axes.drawn(&share(0), &share(1));
    for ((point, group), (player, style)) in styles.map.iter().zip(&styles.group).zip(players) {
        let (x, y) = axes.at(point[0], point[1]);
        let colour = COLOURS[group % COLOURS.len()];
        let mark = match group % 4 {
            0 => format!("<circle cx='{x:.1}' cy='{y:.1}' r='5' fill='{colour}'>"),
            1 => format!("<rect x='{:.1}' y='{:.1}' width='9' height='9' fill='{colour}'>", x - 4.5, y - 4.5),
            2 => format!("<path d='M{x:.1} {:.1}l6 10h-12Z' fill='{colour}'>", y - 6.0),
            _ => format!("<path d='M{x:.1} {:.1}l6 6l-6 6l-6 -6Z' fill='{colour}'>", y - 6.0),
        };
        let close = if group % 4 == 0 {
            "circle"
        } else if group % 4 == 1 {
            "rect"
        } else {
            "path"
        };
        let title = format!("{player}: group {}, {}", group + 1, style.as_deref().unwrap_or("style unknown"));
        let letter = style.as_deref().and_then(|s| s.chars().next()).unwrap_or('?');
        let _ = write!(
            text,
            "{mark}<title>{}</title></{close}><text x='{:.1}' y='{:.1}' class='tick'>{}</text>",
            escaped(&title),
            x + 7.0,
            y + 4.0,
            escaped(&letter.to_string())
        );
    }
    text + "</svg>"
}

/// Differences between the last and the first session against their mean, with the limits of agreement (Bland & Altman 1986).
pub(super) fn agreement(name: &str, unit: &str, found: &Repeatability) -> String {
    let (factor, unit) = shown_unit(unit);
    let points: Vec<(f64, f64)> =
        found.changes.iter().map(|c| (0.5 * factor * (c.means[0] + c.means[1]), factor * c.change)).collect();
    let limits = &found.agreement;
    let lines = [(&limits.upper, "9 4"), (&limits.bias, "none"), (&limits.lower, "9 4")];
    let ends = lines.iter().flat_map(|(line, _)| line.interval_95.map(|v| v * factor));
    let axes = Axes { x: range(points.iter().map(|p| p.0)), y: range(points.iter().map(|p| p.1).chain(ends)) };
    let mut text = format!(
        "<svg viewBox='0 0 {WIDTH} {HEIGHT}' role='img' aria-label='{}'>",
        escaped(&format!("differences between sessions against their mean: {name}"))
    );
    text += &axes.drawn(&format!("mean of both sessions ({unit})"), &format!("last − first session ({unit})"));
    let (left, right) = (LEFT, WIDTH - RIGHT);
    for (line, dash) in lines {
        let Estimate { value, interval_95: [low, high] } = *line;
        let at = |v: f64| axes.at(axes.x[0], v * factor).1;
        let _ = write!(
            text,
            "<rect x='{left}' y='{:.1}' width='{:.1}' height='{:.1}' fill='{colour}' opacity='0.1'/>\
             <line x1='{left}' y1='{y:.1}' x2='{right}' y2='{y:.1}' stroke='{colour}' stroke-width='1.5' stroke-dasharray='{dash}'/>",
            at(high),
            right - left,
            at(low) - at(high),
            colour = COLOURS[0],
            y = at(value),
        );
    }
    for ((x, y), change) in points.into_iter().zip(&found.changes) {
        let (x, y) = axes.at(x, y);
        let code = escaped(&change.player.1);
        let _ = if change.p_adjusted < 0.05 {
            write!(
                text,
                "<path d='M{x:.1} {:.1}l6 10h-12Z' fill='{}'/><text x='{:.1}' y='{:.1}' class='name'>{code}</text>",
                y - 6.0,
                COLOURS[1],
                x + 9.0,
                y + 4.0
            )
        } else {
            write!(text, "<circle cx='{x:.1}' cy='{y:.1}' r='3.5' fill='{}'><title>{code}</title></circle>", COLOURS[2])
        };
    }
    text + "</svg>"
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_round_and_inside() {
        assert_eq!(ticks([0.0, 100.0]), vec![0.0, 20.0, 40.0, 60.0, 80.0, 100.0]);
        assert_eq!(ticks([-0.31, 0.42]), vec![-0.2, 0.0, 0.2, 0.4]);
    }
}
