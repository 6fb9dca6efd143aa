//! How well a measure repeats from session to session, and who changed by more than that.

use std::collections::BTreeMap;

use midline_analysis::reliability::{ErrorKind, MeanSquares, WithInterval, agreement};
use serde::Serialize;
use statrs::distribution::{ContinuousCDF, StudentsT};
use statrs::statistics::{Data, OrderStatistics};

use super::measures::ByPlayer;

/// Efficiency of the median absolute deviation for normal numbers (Hampel 1974): that share of the differences' degrees of freedom is left.
const MAD_EFFICIENCY: f64 = 0.37;

/// A number with its 95 % interval.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Estimate {
    /// The estimate.
    pub value: f64,
    /// 95 % interval.
    pub interval_95: [f64; 2],
}

impl From<WithInterval> for Estimate {
    fn from(from: WithInterval) -> Self {
        Self { value: from.value, interval_95: from.interval_95 }
    }
}

/// A player's change from the first to the last session.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Changed {
    /// Study and player.
    pub player: (String, String),
    /// Mean of the first session, mean of the last.
    pub means: [f64; 2],
    /// The second minus the first.
    pub change: f64,
    /// p of no more change than others have, by the players' own spread of changes.
    pub p: f64,
    /// p adjusted over all players and measures of the report.
    pub p_adjusted: f64,
}

/// Agreement of two sessions after Bland & Altman 1986, in the measure's unit: the last minus the first.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct LimitsOfAgreement {
    /// Mean difference over players.
    pub bias: Estimate,
    /// Standard deviation of the differences.
    pub sd: f64,
    /// Bias - 1.96 sd.
    pub lower: Estimate,
    /// Bias + 1.96 sd.
    pub upper: Estimate,
}

/// How well a measure's session means repeat.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Repeatability {
    /// Players with at least two sessions: first against last.
    pub players: usize,
    /// Intraclass correlations of the session means, by their names in Shrout & Fleiss 1979.
    pub intraclass: Vec<(&'static str, Estimate)>,
    /// Standard error of measurement of a session mean, with the shift common to all left out.
    pub sem: Estimate,
    /// Minimal detectable change between two session means.
    pub minimal_detectable_change: Estimate,
    /// Differences between the two sessions that most players stay within.
    pub agreement: LimitsOfAgreement,
    /// Change common to all players (median).
    pub common_change: f64,
    /// Every player's change.
    pub changes: Vec<Changed>,
}

/// `None` with fewer than six players with two sessions, or without any spread.
pub(super) fn of(players: &ByPlayer) -> Option<Repeatability> {
    let mut table = Vec::new();
    for (player, observations) in players {
        let mut sessions: BTreeMap<(Option<&str>, &str), (f64, f64)> = BTreeMap::new();
        for observation in observations {
            let sums = sessions.entry((observation.recorded.as_deref(), &observation.session)).or_default();
            *sums = (sums.0 + observation.value, sums.1 + 1.0);
        }
        // Sessions are in the order of their days, then of their names.
        let means: Vec<f64> = sessions.values().map(|(sum, n)| sum / n).collect();
        if let [first, .., last] = means.as_slice() {
            table.push(((*player).clone(), [*first, *last]));
        }
    }
    if table.len() < 6 {
        return None;
    }
    let squares = MeanSquares::new(&table.iter().map(|(_, means)| means.to_vec()).collect::<Vec<_>>()).ok()?;
    let differences: Vec<f64> = table.iter().map(|(_, [first, last])| last - first).collect();
    let common_change = Data::new(differences.clone()).median();
    // The spread of the middle half: who changed must not hide in the spread that they make.
    let spread = 1.4826 * Data::new(differences.iter().map(|d| (d - common_change).abs()).collect::<Vec<_>>()).median();
    let t = StudentsT::new(0.0, 1.0, (MAD_EFFICIENCY * (table.len() as f64 - 1.0)).max(1.0)).ok()?;
    let changes = table
        .iter()
        .map(|(player, means)| {
            let change = means[1] - means[0];
            let p = if spread > 0.0 { 2.0 * t.cdf(-((change - common_change) / spread).abs()) } else { 1.0 };
            Changed { player: player.clone(), means: *means, change, p, p_adjusted: p }
        })
        .collect();
    let side = |which: usize| table.iter().map(|(_, means)| means[which]).collect::<Vec<f64>>();
    let found = agreement(&side(1), &side(0)).ok()?;
    let (icc, error) = (squares.intraclass(), squares.measurement_error(ErrorKind::Consistency));
    let intraclass = [
        ("1,1", icc.icc_1_1),
        ("2,1", icc.icc_2_1),
        ("3,1", icc.icc_3_1),
        ("1,k", icc.icc_1_k),
        ("2,k", icc.icc_2_k),
        ("3,k", icc.icc_3_k),
    ];
    Some(Repeatability {
        players: table.len(),
        intraclass: intraclass.into_iter().map(|(name, value)| (name, value.into())).collect(),
        sem: error.sem.into(),
        minimal_detectable_change: error.minimal_detectable_change.into(),
        agreement: LimitsOfAgreement {
            bias: found.bias.into(),
            sd: found.sd,
            lower: found.lower_limit.into(),
            upper: found.upper_limit.into(),
        },
        common_change,
        changes,
    })
}
