//! `midline new`: a folder with a commented description to fill in.

use std::path::Path;

use midline_session::description::{FILE_NAME, Handedness};
use midline_session::write_atomically;

/// Makes the folder; never overwrites a description.
pub(crate) fn write(folder: &Path, code: &str, handedness: impl Into<Handedness>) -> anyhow::Result<()> {
    let file = folder.join(FILE_NAME);
    anyhow::ensure!(!file.exists(), "{}: there is a session already; choose another folder", file.display());
    anyhow::ensure!(
        !code.is_empty() && code.chars().all(|c| c.is_ascii_alphanumeric() || c == '-'),
        "player code \"{code}\": use letters, digits and - only, and never a name"
    );
    for part in ["footage", "points"] {
        let part = folder.join(part);
        std::fs::create_dir_all(&part).map_err(|e| anyhow::anyhow!("{}: {e}", part.display()))?;
    }
    let hand = match handedness.into() {
        Handedness::Right => "right",
        Handedness::Left => "left",
    };
    let text = include_str!("session.template.toml").replace("{code}", code).replace("{hand}", hand);
    write_atomically(&file, text.as_bytes())?;
    println!("{}", file.display());
    println!("Put the phones' files into {}, then fill in this file and run:", folder.join("footage").display());
    println!("  midline run {}", folder.display());
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use midline_session::description::Session;

    #[test]
    fn the_template_is_a_valid_session_and_is_never_overwritten() {
        let folder = tempfile::tempdir().unwrap();
        write(folder.path(), "P31", Handedness::Left).unwrap();
        let session = Session::open(folder.path()).unwrap();
        assert_eq!(session.description.player.code, "P31");
        assert_eq!(session.description.player.handedness, Handedness::Left);
        assert!(write(folder.path(), "P31", Handedness::Left).unwrap_err().to_string().contains("already"));
        assert!(write(&folder.path().join("other"), "A. Name", Handedness::Left).is_err());
    }
}
