//! Ready questions: plain SQL without functions of our own, so that any engine that knows the tables answers them alike.

use std::fmt;

/// A text inside a query, quoted so that it cannot be anything else.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Quoted(String);

impl Quoted {
    /// Quotes a text.
    #[must_use]
    pub fn new(text: &str) -> Self {
        Self(format!("'{}'", text.replace('\'', "''")))
    }
}

impl fmt::Display for Quoted {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

/// A question that is asked often.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Question {
    /// What is in the store: studies, players, sessions, strokes.
    Contents,
    /// Which measures there are, in how many strokes they could be made, and why not.
    Measures,
    /// Distribution of a measure over players.
    Distribution,
    /// The same by style.
    ByStyle,
    /// The same by age group.
    ByAgeGroup,
    /// The same by level.
    ByLevel,
    /// Values of a measure by player, session and stroke, from which reliability is computed.
    Reliability,
    /// First against last session of every player.
    WhoChanged,
    /// Mean curves of a channel by style.
    MeanCurves,
}

impl Question {
    /// All questions.
    pub const ALL: [Self; 9] = [
        Self::Contents,
        Self::Measures,
        Self::Distribution,
        Self::ByStyle,
        Self::ByAgeGroup,
        Self::ByLevel,
        Self::Reliability,
        Self::WhoChanged,
        Self::MeanCurves,
    ];

    /// Name on the command line.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Contents => "contents",
            Self::Measures => "measures",
            Self::Distribution => "distribution",
            Self::ByStyle => "by-style",
            Self::ByAgeGroup => "by-age-group",
            Self::ByLevel => "by-level",
            Self::Reliability => "reliability",
            Self::WhoChanged => "who-changed",
            Self::MeanCurves => "mean-curves",
        }
    }

    /// Whether it is about a measure, a channel of the curves, or neither.
    #[must_use]
    pub fn subject(self) -> Option<&'static str> {
        match self {
            Self::Contents | Self::Measures => None,
            Self::MeanCurves => Some("channel"),
            _ => Some("measure"),
        }
    }

    /// The query. `subject` is the measure or channel. Rows come in a stated order.
    ///
    /// Distributions are over players: each player counts once, with the mean of that player's strokes, whatever their number; a player with
    /// strokes of two styles counts in both. Kinds of stroke are never taken together.
    #[must_use]
    pub fn sql(self, subject: &Quoted) -> String {
        match self {
            Self::Contents => "SELECT study, COUNT(DISTINCT player) AS players, COUNT(DISTINCT player || '/' || session) AS sessions, \
                 COUNT(*) AS strokes FROM quality GROUP BY study ORDER BY study"
                .to_owned(),
            Self::Measures => "SELECT measure, unit, COUNT(DISTINCT study || '/' || player) AS players, COUNT(*) AS asked, COUNT(value) AS measured, \
                 MIN(because) AS a_reason_where_not FROM strokes GROUP BY measure, unit ORDER BY measure, unit"
                .to_owned(),
            Self::Distribution => distribution(subject, None),
            Self::ByStyle => distribution(subject, Some("style")),
            Self::ByAgeGroup => distribution(subject, Some("age_group")),
            Self::ByLevel => distribution(subject, Some("level")),
            Self::Reliability => format!(
                "SELECT study, player, session, stroke, kind, value, low_95, high_95, unit FROM strokes \
                 WHERE measure = {subject} AND value IS NOT NULL ORDER BY study, player, session, stroke"
            ),
            Self::WhoChanged => format!(
                "WITH sessions AS (SELECT study, player, COALESCE(kind, 'unknown') AS kind, session, recorded, MIN(unit) AS unit, \
                 COUNT(value) AS n, AVG(value) AS mean, STDDEV(value) AS sd FROM strokes \
                 WHERE measure = {subject} AND value IS NOT NULL GROUP BY study, player, kind, session, recorded), \
                 ordered AS (SELECT *, \
                 ROW_NUMBER() OVER (PARTITION BY study, player, kind ORDER BY recorded, session) AS place, \
                 COUNT(*) OVER (PARTITION BY study, player, kind) AS sessions FROM sessions) \
                 SELECT a.study AS study, a.player AS player, a.kind AS kind, a.session AS first_session, b.session AS last_session, a.n AS n_first, b.n AS n_last, \
                 a.mean AS first, b.mean AS last, b.mean - a.mean AS change, a.sd AS sd_first, b.sd AS sd_last, a.unit AS unit \
                 FROM ordered a JOIN ordered b ON a.study = b.study AND a.player = b.player AND a.kind = b.kind \
                 WHERE a.place = 1 AND b.place = b.sessions AND b.sessions > 1 ORDER BY a.study, a.player, a.kind"
            ),
            Self::MeanCurves => format!(
                "WITH players AS (SELECT study, player, kind, style, unit, instant, at, AVG(value) AS value, COUNT(value) AS n FROM curves \
                 WHERE channel = {subject} AND clock = 'normalised' AND value IS NOT NULL GROUP BY study, player, kind, style, unit, instant, at) \
                 SELECT kind, style, instant, at, COUNT(*) AS players, SUM(n) AS strokes, AVG(value) AS mean, STDDEV(value) AS sd_between_players, unit \
                 FROM players GROUP BY kind, style, instant, at, unit ORDER BY kind, style, instant, unit"
            ),
        }
    }
}

fn distribution(measure: &Quoted, by: Option<&str>) -> String {
    let (column, comma) = by.map_or((String::new(), String::new()), |by| (format!("{by}, "), format!("{by}, ")));
    format!(
        "WITH players AS (SELECT {column}kind, study, player, unit, AVG(value) AS value, COUNT(value) AS n FROM strokes \
         WHERE measure = {measure} AND value IS NOT NULL GROUP BY {column}kind, study, player, unit) \
         SELECT {comma}kind, COUNT(*) AS players, SUM(n) AS strokes, AVG(value) AS mean, STDDEV(value) AS sd_between_players, MIN(value) AS lowest, \
         MEDIAN(value) AS median, MAX(value) AS highest, unit FROM players GROUP BY {column}kind, unit ORDER BY {column}kind, unit"
    )
}
