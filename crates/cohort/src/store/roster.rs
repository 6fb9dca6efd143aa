//! The roster of a study: level and age group by player's code. No names, no dates of birth.

use std::collections::BTreeMap;
use std::path::Path;

use crate::{CohortError, codes};

/// What the roster says about a player.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct RosterEntry {
    /// Level.
    pub level: Option<String>,
    /// Age group.
    pub age_group: Option<String>,
}

/// Reads a roster: CSV with the column `player` and, in any order, `level` and `age_group`.
///
/// # Errors
/// When the file cannot be read, has other columns (they may hold particulars), an unfit code, or the same player twice.
pub fn read(path: &Path) -> Result<BTreeMap<String, RosterEntry>, CohortError> {
    let wrong = |line: Option<u64>, reason: String| CohortError::Roster { path: path.to_owned(), line, reason };
    let text = std::fs::read_to_string(path).map_err(|e| wrong(None, format!("reading the roster failed: {e}")))?;
    codes::check_text(text.lines().next().unwrap_or_default(), path)?;
    let mut reader = csv::ReaderBuilder::new().trim(csv::Trim::All).from_reader(text.as_bytes());
    let head = reader.headers().map_err(|e| wrong(Some(1), e.to_string()))?.clone();
    if let Some(other) = head.iter().find(|c| !["player", "level", "age_group"].contains(c)) {
        return Err(wrong(
            Some(1),
            format!(
                "column \"{other}\": a roster has the columns player, level and age_group only, so that no particulars slip in"
            ),
        ));
    }
    let column = |name: &str| head.iter().position(|c| c == name);
    let player = column("player").ok_or_else(|| wrong(Some(1), "the column player is missing".into()))?;
    let mut roster = BTreeMap::new();
    for row in reader.records() {
        let row = row.map_err(|e| wrong(e.position().map(csv::Position::line), e.to_string()))?;
        let line = row.position().map(csv::Position::line);
        let cell = |index: Option<usize>| index.and_then(|i| row.get(i)).filter(|v| !v.is_empty()).map(str::to_owned);
        let code = row.get(player).unwrap_or_default().to_owned();
        codes::check_player_code(&code, path)?;
        let entry = RosterEntry { level: cell(column("level")), age_group: cell(column("age_group")) };
        for (kind, group) in [("level", &entry.level), ("age group", &entry.age_group)] {
            if let Some(group) = group {
                codes::check_group(kind, group, path)?;
            }
        }
        if roster.insert(code.clone(), entry).is_some() {
            return Err(wrong(line, format!("player {code} stands in the roster twice; keep one row")));
        }
    }
    Ok(roster)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read_text(text: &str) -> Result<BTreeMap<String, RosterEntry>, CohortError> {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("roster.csv");
        std::fs::write(&path, text).unwrap();
        read(&path)
    }

    #[test]
    fn levels_and_age_groups_are_read_and_particulars_refused() {
        let roster = read_text("player,age_group,level\nP07,14-16,club\nP08,,county\n").unwrap();
        assert_eq!(roster["P07"].age_group.as_deref(), Some("14-16"));
        assert_eq!(roster["P08"], RosterEntry { level: Some("county".into()), age_group: None });
        for (text, says) in [
            ("player,born\nP07,2009\n", "born"),
            ("player,shoe\nP07,43\n", "shoe"),
            ("player,level\nAnna,club\n", "Anna"),
            ("player,age_group\nP07,2009-03-14\n", "date"),
            ("player,level\nP07,a\nP07,b\n", ":3: player P07 stands in the roster twice"),
            ("level\nclub\n", "player is missing"),
            ("player,level\nP07\n", "roster.csv:2"),
        ] {
            let message = read_text(text).unwrap_err().to_string();
            assert!(message.contains(says) && message.contains("roster.csv"), "{message}");
        }
    }
}
