//! One channel of the curves: mean curves of groups, where they differ, and style groups.

use std::collections::BTreeMap;

use serde::Serialize;

use super::measures::{LEAST_PLAYERS, most};
use super::{Asked, Factor};
use crate::CohortError;
use crate::query::{Columns, Criteria, Queries, Quoted};
use crate::statistics::curve_test::{self, CurveTest, Design};
use crate::statistics::styles::{self, Styles};
use crate::store::NORMALISED_INSTANTS;

/// Most style groups that are tried.
const MOST_STYLES: usize = 6;

/// Times that players are drawn again for the groups' stability.
const STABILITY_REPLICATES: usize = 200;

/// A player's mean curve.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct PlayerCurve {
    pub(super) player: (String, String),
    pub(super) style: Option<String>,
    level: Option<String>,
    age_group: Option<String>,
    strokes: usize,
    unit: String,
    pub(super) values: Vec<f64>,
}

impl PlayerCurve {
    pub(super) fn name(&self) -> String {
        format!("{}/{}", self.player.0, self.player.1)
    }

    fn group(&self, factor: Factor) -> Option<&String> {
        match factor {
            Factor::Style => self.style.as_ref(),
            Factor::Level => self.level.as_ref(),
            Factor::AgeGroup => self.age_group.as_ref(),
        }
    }
}

/// Mean curve of a group.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct GroupCurve {
    /// The group.
    pub group: String,
    /// Players and strokes.
    pub n: [usize; 2],
    /// Mean over players at 0, 1 … 100 %.
    pub mean: Vec<f64>,
    /// Standard deviation between players.
    pub sd: Vec<f64>,
}

/// Two groups' curves compared.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CurveFinding {
    /// The factor.
    pub factor: Factor,
    /// The groups; positive where the first is greater.
    pub groups: [String; 2],
    /// Two-sample test by random-field theory, two-sided.
    pub test: CurveTest,
    /// p adjusted over all channels and pairs of the report.
    pub p_adjusted: f64,
}

/// A channel.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ChannelFindings {
    /// Identifier.
    pub channel: String,
    /// Unit.
    pub unit: String,
    /// Players and strokes with whole curves.
    pub n: [usize; 2],
    /// Mean curves by factor.
    pub groups: Vec<(Factor, Vec<GroupCurve>)>,
    /// Comparisons of every pair of groups.
    pub findings: Vec<CurveFinding>,
}

/// Mean normalised curve of every player with strokes that are whole and meet the criteria; in the order of study and player.
pub(super) async fn players(
    queries: &Queries,
    channel: &str,
    criteria: &Criteria,
) -> Result<Vec<PlayerCurve>, CohortError> {
    // Whole strokes only: a mean over other strokes at every instant would bend where one begins.
    let sql = format!(
        "WITH whole AS (SELECT c.study AS study, c.player AS player, c.session AS session, c.stroke AS stroke FROM curves c \
         JOIN quality q ON c.study = q.study AND c.player = q.player AND c.session = q.session AND c.stroke = q.stroke \
         WHERE c.channel = {channel} {kind}AND c.clock = 'normalised' AND q.contact_sd_seconds <= {sd} AND q.curve_share >= {share} \
         GROUP BY c.study, c.player, c.session, c.stroke HAVING COUNT(c.value) = {NORMALISED_INSTANTS}) \
         SELECT c.study AS study, c.player AS player, c.style AS style, c.level AS level, c.age_group AS age_group, c.unit AS unit, \
         c.instant AS instant, AVG(c.value) AS value, COUNT(*) AS n FROM curves c JOIN whole w \
         ON c.study = w.study AND c.player = w.player AND c.session = w.session AND c.stroke = w.stroke \
         WHERE c.channel = {channel} AND c.clock = 'normalised' \
         GROUP BY c.study, c.player, c.style, c.level, c.age_group, c.unit, c.instant \
         ORDER BY c.study, c.player, c.style, c.instant",
        channel = Quoted::new(channel),
        kind = criteria.kind.as_ref().map_or(String::new(), |kind| format!("AND c.kind = {} ", Quoted::new(kind))),
        sd = criteria.contact_sd_seconds,
        share = criteria.curve_share,
    );
    let mut sums: BTreeMap<(String, String), (PlayerCurve, BTreeMap<Option<String>, f64>)> = BTreeMap::new();
    for batch in &queries.sql(&sql).await? {
        let columns = Columns::of(batch)?;
        for row in 0..batch.num_rows() {
            let text = |name: &str| columns.text(name, row);
            let player = (text("study").unwrap_or_default(), text("player").unwrap_or_default());
            let (curve, styles) = sums.entry(player.clone()).or_insert_with(|| {
                let curve = PlayerCurve {
                    player,
                    style: None,
                    level: text("level"),
                    age_group: text("age_group"),
                    strokes: 0,
                    unit: text("unit").unwrap_or_default(),
                    values: vec![0.0; NORMALISED_INSTANTS],
                };
                (curve, BTreeMap::new())
            });
            let n = columns.number("n", row).unwrap_or_default();
            let instant = columns.number("instant", row).unwrap_or_default() as usize;
            if let Some(value) = curve.values.get_mut(instant) {
                *value += n * columns.number("value", row).unwrap_or_default();
            }
            if instant == 0 {
                *styles.entry(text("style")).or_default() += n;
            }
        }
    }
    Ok(sums
        .into_values()
        .filter_map(|(mut curve, styles)| {
            let strokes: f64 = styles.values().sum();
            curve.strokes = strokes as usize;
            curve.values.iter_mut().for_each(|v| *v /= strokes);
            curve.style = styles
                .iter()
                .filter_map(|(style, n)| Some((style.as_ref()?, n)))
                .max_by(|a, b| a.1.total_cmp(b.1).then(b.0.cmp(a.0)))
                .map(|(style, _)| style.clone());
            (curve.strokes >= criteria.strokes_per_player).then_some(curve)
        })
        .collect())
}

pub(super) fn of(channel: &str, players: &[PlayerCurve]) -> Result<ChannelFindings, CohortError> {
    if players.len() < LEAST_PLAYERS {
        return Err(CohortError::too_few(
            format!("curves of {channel}"),
            format!("{} players with whole curves; at least {LEAST_PLAYERS} are needed", players.len()),
        ));
    }
    let (mut groups, mut findings) = (Vec::new(), Vec::new());
    for factor in Factor::ALL {
        let mut members: BTreeMap<&String, Vec<&PlayerCurve>> = BTreeMap::new();
        for player in players {
            if let Some(group) = player.group(factor) {
                members.entry(group).or_default().push(player);
            }
        }
        members.retain(|_, players| players.len() >= LEAST_PLAYERS);
        if members.len() < 2 {
            continue;
        }
        groups.push((factor, members.iter().map(|(group, players)| group_curve(group, players)).collect()));
        let members: Vec<(&String, Vec<Vec<f64>>)> =
            members.into_iter().map(|(g, p)| (g, p.iter().map(|p| p.values.clone()).collect())).collect();
        for first in 0..members.len() {
            for second in first + 1..members.len() {
                let design = Design::TwoSample { first: &members[first].1, second: &members[second].1 };
                let test = curve_test::test(design, 0.05, true)?;
                findings.push(CurveFinding {
                    factor,
                    groups: [members[first].0.clone(), members[second].0.clone()],
                    p_adjusted: test.p,
                    test,
                });
            }
        }
    }
    Ok(ChannelFindings {
        channel: channel.to_owned(),
        unit: players[0].unit.clone(),
        n: [players.len(), players.iter().map(|p| p.strokes).sum()],
        groups,
        findings,
    })
}

fn group_curve(group: &str, players: &[&PlayerCurve]) -> GroupCurve {
    let n = players.len() as f64;
    let mean: Vec<f64> =
        (0..NORMALISED_INSTANTS).map(|k| players.iter().map(|p| p.values[k]).sum::<f64>() / n).collect();
    let sd = (0..NORMALISED_INSTANTS)
        .map(|k| (players.iter().map(|p| (p.values[k] - mean[k]).powi(2)).sum::<f64>() / (n - 1.0)).sqrt())
        .collect();
    GroupCurve { group: group.to_owned(), n: [players.len(), players.iter().map(|p| p.strokes).sum()], mean, sd }
}

/// Style groups by the curves of one channel. The normalised clock has registered them already: start of the take-back on start, contact on
/// contact.
pub(super) fn styles(players: &[PlayerCurve], asked: &Asked) -> Result<Styles, CohortError> {
    let curves: Vec<Vec<f64>> = players.iter().map(|p| p.values.clone()).collect();
    styles::group(&curves, MOST_STYLES, STABILITY_REPLICATES, asked.seed)
}

/// Agreement of the groups with the players' styles, over players who have one.
pub(super) fn agreement(found: &Styles, players: &[(String, Option<String>)]) -> Option<f64> {
    let known: Vec<&String> = players.iter().filter_map(|(_, style)| style.as_ref()).collect();
    most(known.iter().copied())?;
    let mut names = known.clone();
    names.sort();
    names.dedup();
    let (mut ours, mut theirs) = (Vec::new(), Vec::new());
    for ((_, style), group) in players.iter().zip(&found.group) {
        if let Some(place) = style.as_ref().and_then(|style| names.iter().position(|n| *n == style)) {
            ours.push(*group);
            theirs.push(place);
        }
    }
    Some(styles::agreement(&ours, &theirs))
}
