//! One measure: its distribution over players, and whether it differs between groups.

use std::collections::BTreeMap;

use serde::Serialize;

use super::changed::{self, Repeatability};
use super::{Asked, Factor};
use crate::CohortError;
use crate::query::{Flow, Observation, Step};
use crate::statistics::bootstrap::{Bootstrapped, Nested, bootstrap};
use crate::statistics::effect_size::{EffectSize, hedges_g};
use crate::statistics::mixed::{self, Joint, Levels, MixedModel, Row};

/// Players of a group below which it is not compared.
pub(super) const LEAST_PLAYERS: usize = 3;

/// Mean of a group.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct GroupMean {
    /// The group.
    pub group: String,
    /// Players and strokes.
    pub n: [usize; 2],
    /// Mean over players with its interval by hierarchical bootstrap.
    pub mean: Bootstrapped,
    /// Standard deviation between the players' means.
    pub sd_between_players: f64,
}

/// Two groups compared.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Pair {
    /// The groups; the difference is the first minus the second.
    pub groups: [String; 2],
    /// Difference with its interval by hierarchical bootstrap.
    pub difference: Bootstrapped,
    /// In units of the spread between players.
    pub effect: EffectSize,
}

/// A measure by one factor.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FactorFindings {
    /// The factor.
    pub factor: Factor,
    /// Its groups.
    pub groups: Vec<GroupMean>,
    /// Every pair of groups.
    pub pairs: Vec<Pair>,
    /// Test of any difference between groups, by the mixed model.
    pub test: Joint,
    /// p adjusted over all measures and factors of the report.
    pub p_adjusted: f64,
}

/// A measure.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct MeasureFindings {
    /// Identifier.
    pub measure: String,
    /// Name for people.
    pub name: String,
    /// Unit.
    pub unit: String,
    /// Who was left out and why.
    pub steps: Vec<Step>,
    /// Mean over all players.
    pub overall: Bootstrapped,
    /// Where the spread lies: between players, between sessions, between strokes.
    pub spread: MixedModel,
    /// By factor, where there are at least two groups of three players.
    pub factors: Vec<FactorFindings>,
    /// How well it repeats between sessions, and who changed; where there are second sessions.
    pub repeatability: Option<Repeatability>,
}

pub(super) type ByPlayer<'a> = BTreeMap<&'a (String, String), Vec<&'a Observation>>;

pub(super) fn of(flow: Flow, asked: &Asked) -> Result<MeasureFindings, CohortError> {
    let mut players: ByPlayer = BTreeMap::new();
    for observation in &flow.observations {
        players.entry(&observation.player).or_default().push(observation);
    }
    let everyone: Vec<&Vec<&Observation>> = players.values().collect();
    let overall = bootstrap(&nested(&everyone), None, asked.replicates, asked.seed)?;
    let spread = mixed::fit(&rows(&everyone, &[]), Levels::PlayersAndSessions)?;
    let mut factors = Vec::new();
    for factor in Factor::ALL {
        factors.extend(by_factor(factor, &players, asked)?);
    }
    let repeatability = changed::of(&players);
    Ok(MeasureFindings {
        measure: flow.measure,
        name: flow.name,
        unit: flow.unit,
        steps: flow.steps,
        overall,
        spread,
        factors,
        repeatability,
    })
}

fn by_factor(factor: Factor, players: &ByPlayer, asked: &Asked) -> Result<Option<FactorFindings>, CohortError> {
    let mut groups: BTreeMap<String, Vec<&Vec<&Observation>>> = BTreeMap::new();
    for observations in players.values() {
        if let Some(group) = group_of(factor, observations) {
            groups.entry(group).or_default().push(observations);
        }
    }
    groups.retain(|_, players| players.len() >= LEAST_PLAYERS);
    if groups.len() < 2 {
        return Ok(None);
    }
    let names: Vec<&String> = groups.keys().collect();
    let members: Vec<Nested> = groups.values().map(|players| nested(players)).collect();
    let mut means = Vec::new();
    for ((name, players), nested) in groups.iter().zip(&members) {
        let own: Vec<f64> = player_means(nested);
        let middle = own.iter().sum::<f64>() / own.len() as f64;
        let squares: f64 = own.iter().map(|m| (m - middle).powi(2)).sum();
        means.push(GroupMean {
            group: name.clone(),
            n: [players.len(), players.iter().map(|p| p.len()).sum()],
            mean: bootstrap(nested, None, asked.replicates, asked.seed)?,
            sd_between_players: (squares / (own.len() as f64 - 1.0)).sqrt(),
        });
    }
    let mut pairs = Vec::new();
    for first in 0..names.len() {
        for second in first + 1..names.len() {
            pairs.push(Pair {
                groups: [names[first].clone(), names[second].clone()],
                difference: bootstrap(&members[first], Some(&members[second]), asked.replicates, asked.seed)?,
                effect: hedges_g(&player_means(&members[first]), &player_means(&members[second]))?,
            });
        }
    }
    // The first group is the intercept, every other one has a column.
    let (mut everyone, mut dummies) = (Vec::new(), Vec::new());
    for (index, players) in groups.values().enumerate() {
        for player in players {
            everyone.push(*player);
            dummies.push((1..groups.len()).map(|k| f64::from(u8::from(k == index))).collect::<Vec<f64>>());
        }
    }
    let model = mixed::fit(&rows(&everyone, &dummies), Levels::PlayersAndSessions)?;
    let places: Vec<usize> = (1..groups.len()).collect();
    let Some(test) = model.joint(&places) else { return Ok(None) };
    Ok(Some(FactorFindings { factor, groups: means, pairs, p_adjusted: test.p, test }))
}

/// The group of a player; for the style the one that most strokes have.
pub(super) fn group_of(factor: Factor, observations: &[&Observation]) -> Option<String> {
    let first = observations.first()?;
    match factor {
        Factor::Level => first.level.clone(),
        Factor::AgeGroup => first.age_group.clone(),
        Factor::Style => most(observations.iter().filter_map(|o| o.style.as_ref())),
    }
}

/// The most frequent; the first in the alphabet among equals.
pub(super) fn most<'a>(values: impl Iterator<Item = &'a String>) -> Option<String> {
    let mut counts: BTreeMap<&String, usize> = BTreeMap::new();
    for value in values {
        *counts.entry(value).or_default() += 1;
    }
    let largest = counts.values().copied().max()?;
    counts.into_iter().find(|(_, n)| *n == largest).map(|(value, _)| value.clone())
}

fn nested(players: &[&Vec<&Observation>]) -> Nested {
    players
        .iter()
        .map(|observations| {
            let mut sessions: BTreeMap<&str, Vec<f64>> = BTreeMap::new();
            for observation in observations.iter() {
                sessions.entry(&observation.session).or_default().push(observation.value);
            }
            sessions.into_values().collect()
        })
        .collect()
}

fn player_means(players: &Nested) -> Vec<f64> {
    let mean = |v: &[f64]| v.iter().sum::<f64>() / v.len() as f64;
    players.iter().map(|sessions| mean(&sessions.iter().map(|s| mean(s)).collect::<Vec<_>>())).collect()
}

fn rows(players: &[&Vec<&Observation>], columns: &[Vec<f64>]) -> Vec<Row> {
    let mut all = Vec::new();
    for (player, observations) in players.iter().enumerate() {
        let mut sessions: BTreeMap<&str, usize> = BTreeMap::new();
        for observation in observations.iter() {
            let next = sessions.len();
            let session = *sessions.entry(&observation.session).or_insert(next);
            all.push(Row {
                player,
                session,
                y: observation.value,
                x: columns.get(player).cloned().unwrap_or_default(),
            });
        }
    }
    all
}
