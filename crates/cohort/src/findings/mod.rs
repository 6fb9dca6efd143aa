//! What the store says about groups of players: every measure and every curve by level, style and age group, with the counts, the
//! intervals and the tests that a paper asks for.

mod changed;
mod curves;
mod measures;
#[cfg(test)]
mod tests;

use serde::Serialize;

pub use changed::{Changed, Estimate, LimitsOfAgreement, Repeatability};
pub use curves::{ChannelFindings, CurveFinding, GroupCurve};
pub use measures::{FactorFindings, GroupMean, MeasureFindings, Pair};

use crate::CohortError;
use crate::query::{Criteria, Queries, Question, Quoted};
use crate::statistics::multiple::holm;
use crate::statistics::styles::Styles;

/// How players are grouped.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Factor {
    /// By the style that most of their strokes have.
    Style,
    /// By level.
    Level,
    /// By age group.
    AgeGroup,
}

impl Factor {
    /// All factors.
    pub const ALL: [Self; 3] = [Self::Style, Self::Level, Self::AgeGroup];

    /// Word for it.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Style => "style",
            Self::Level => "level",
            Self::AgeGroup => "age group",
        }
    }
}

/// What to look for, and how.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Asked {
    /// Measures; all of the store when empty.
    pub measures: Vec<String>,
    /// Channels of the curves; all of the store when empty.
    pub channels: Vec<String>,
    /// Channel by whose curves style groups are formed.
    pub style_channel: String,
    /// Who counts.
    pub criteria: Criteria,
    /// Replicates of the bootstrap.
    pub replicates: usize,
    /// Seed of everything random.
    pub seed: u64,
}

impl Default for Asked {
    fn default() -> Self {
        Self {
            measures: Vec::new(),
            channels: Vec::new(),
            style_channel: "racket-tip-lateral".to_owned(),
            criteria: Criteria::default(),
            replicates: 1999,
            seed: 1,
        }
    }
}

/// Everything found.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Findings {
    /// What was asked.
    pub asked: Asked,
    /// BLAKE3 hash over the contents of all sessions: the same store and seed give the same findings.
    pub store: String,
    /// Players, sessions, strokes in the store.
    pub n: [usize; 3],
    /// By measure.
    pub measures: Vec<MeasureFindings>,
    /// By channel.
    pub channels: Vec<ChannelFindings>,
    /// Style groups from the curves, with the players in the order of `style_players`; `None` with the reason in `remarks`.
    pub styles: Option<Styles>,
    /// Players of the style groups and the style of most of their strokes.
    pub style_players: Vec<(String, Option<String>)>,
    /// Agreement of the style groups with the styles of the strokes, 1 for the same (adjusted Rand index).
    pub style_agreement: Option<f64>,
    /// Number of tests over which p is adjusted (Holm): measures, curves, changes of players.
    pub tests: [usize; 3],
    /// What could not be computed and why, one sentence each.
    pub remarks: Vec<String>,
}

/// Looks at everything.
///
/// # Errors
/// When the store holds no strokes, a query fails, or a measure that was asked for is not there.
pub async fn find(queries: &Queries, asked: &Asked) -> Result<Findings, CohortError> {
    let all = queries.sql(&Question::Measures.sql(&Quoted::new(""))).await?;
    let mut remarks = Vec::new();
    let measures = names(asked.measures.clone(), &all, "measure")?;
    if measures.is_empty() {
        return Err(CohortError::too_few(
            "report",
            "the store holds no measures; add sessions with midline cohort add",
        ));
    }
    let mut of_measures = Vec::new();
    for measure in &measures {
        let flow = queries.flow(measure, &asked.criteria).await?;
        match measures::of(flow, asked) {
            Ok(found) => of_measures.push(found),
            Err(error) => remarks.push(format!("{measure}: {error}")),
        }
    }
    if asked.criteria.kind.is_none() {
        remarks.extend(pooled_kinds(queries).await?);
    }
    let channel_rows = queries.sql("SELECT DISTINCT channel FROM curves ORDER BY channel").await?;
    let channels = names(asked.channels.clone(), &channel_rows, "channel")?;
    let mut of_channels = Vec::new();
    let (mut styles, mut style_players, mut style_agreement) = (None, Vec::new(), None);
    for channel in &channels {
        let players = curves::players(queries, channel, &asked.criteria).await?;
        if *channel == asked.style_channel {
            match curves::styles(&players, asked) {
                Ok(found) => {
                    style_players = players.iter().map(|p| (p.name(), p.style.clone())).collect();
                    style_agreement = curves::agreement(&found, &style_players);
                    styles = Some(found);
                }
                Err(error) => remarks.push(format!("{channel}: {error}")),
            }
        }
        match curves::of(channel, &players) {
            Ok(found) => of_channels.push(found),
            Err(error) => remarks.push(format!("{channel}: {error}")),
        }
    }
    let tests = adjust(&mut of_measures, &mut of_channels);
    let mut hash = blake3_of(queries);
    hash.truncate(16);
    let mut players = std::collections::BTreeSet::new();
    let (mut sessions, mut strokes) = (0, 0);
    for record in queries.records() {
        players.insert((&record.study, &record.player));
        sessions += 1;
        strokes += record.strokes as usize;
    }
    Ok(Findings {
        asked: asked.clone(),
        store: hash,
        n: [players.len(), sessions, strokes],
        measures: of_measures,
        channels: of_channels,
        styles,
        style_players,
        style_agreement,
        tests,
        remarks,
    })
}

/// What is to be said where strokes of several kinds are taken together.
async fn pooled_kinds(queries: &Queries) -> Result<Option<String>, CohortError> {
    let sql = "SELECT COALESCE(kind, 'unknown') AS kind, COUNT(*) AS n FROM quality GROUP BY kind ORDER BY kind";
    let mut kinds = Vec::new();
    for batch in &queries.sql(sql).await? {
        let columns = crate::query::Columns::of(batch)?;
        kinds.extend((0..batch.num_rows()).map(|row| {
            let kind = columns.text("kind", row).unwrap_or_default();
            format!("{} {kind}", columns.number("n", row).unwrap_or_default())
        }));
    }
    Ok((kinds.len() > 1).then(|| {
        format!("strokes of several kinds are taken together ({}); --kind takes one of them alone", kinds.join(", "))
    }))
}

/// Those that were asked for, or all of the answer's column.
fn names(
    asked: Vec<String>,
    rows: &[datafusion::arrow::array::RecordBatch],
    column: &str,
) -> Result<Vec<String>, CohortError> {
    if !asked.is_empty() {
        return Ok(asked);
    }
    let mut all = Vec::new();
    for batch in rows {
        let columns = crate::query::Columns::of(batch)?;
        all.extend((0..batch.num_rows()).filter_map(|row| columns.text(column, row)));
    }
    all.dedup();
    Ok(all)
}

fn blake3_of(queries: &Queries) -> String {
    let mut hasher = blake3::Hasher::new();
    for record in queries.records() {
        hasher.update(record.content.as_bytes());
    }
    hasher.finalize().to_hex().to_string()
}

/// Adjusts p over all tests of one kind together (Holm); returns their numbers.
fn adjust(measures: &mut [MeasureFindings], channels: &mut [ChannelFindings]) -> [usize; 3] {
    let mut numbers = [0; 3];
    let mut put = |kind: usize, slots: Vec<(f64, &mut f64)>| {
        numbers[kind] = slots.len();
        let adjusted = holm(&slots.iter().map(|(p, _)| *p).collect::<Vec<_>>());
        for ((_, slot), p) in slots.into_iter().zip(adjusted) {
            *slot = p;
        }
    };
    put(0, measures.iter_mut().flat_map(|m| &mut m.factors).map(|f| (f.test.p, &mut f.p_adjusted)).collect());
    put(1, channels.iter_mut().flat_map(|c| &mut c.findings).map(|f| (f.test.p, &mut f.p_adjusted)).collect());
    put(
        2,
        measures
            .iter_mut()
            .filter_map(|m| m.repeatability.as_mut())
            .flat_map(|r| &mut r.changes)
            .map(|c| (c.p, &mut c.p_adjusted))
            .collect(),
    );
    numbers
}
