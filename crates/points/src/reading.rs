//! How a keypoint file is to be read: conventions, names, and which person is the player.

use std::collections::BTreeMap;
use std::path::Path;

use midline_session::description::{PixelCentre, PlayerMark, PointsReading, PointsRotation};
use serde::Deserialize;

use crate::PointsError;

/// Version of the mapping file that this program reads.
const SCHEMA: u32 = 1;

/// How a keypoint file is to be read; the default is this program's own convention and COCO's names.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Reading {
    /// Translation of another set's names.
    pub names: Option<NameMap>,
    /// Where the coordinates put a pixel's centre.
    pub pixel_centre: PixelCentre,
    /// Of which picture the coordinates are.
    pub rotation: PointsRotation,
    /// Which of several people is the player.
    pub player: Vec<PlayerMark>,
}

impl Reading {
    /// What a session says about a camera's keypoint file; `names` is the path of its mapping file, if it has one.
    ///
    /// # Errors
    /// When the mapping file cannot be read or is malformed.
    pub fn of(described: &PointsReading, names: Option<&Path>) -> Result<Self, PointsError> {
        Ok(Self {
            names: names.map(NameMap::read).transpose()?,
            pixel_centre: described.pixel_centre,
            rotation: described.rotation,
            player: described.player.clone(),
        })
    }
}

/// Another set's names and what they are called here.
///
/// The mapping file is TOML: `schema = 1`, a table `[names]` with the set's names on the left and the names to use on the
/// right (`""` leaves a point out), and, for the COCO results form, which carries no names, `order`: the set's own names in
/// the order of its numbers.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NameMap {
    names: BTreeMap<String, String>,
    order: Option<Vec<String>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct MapFile {
    schema: u32,
    order: Option<Vec<String>>,
    names: BTreeMap<String, String>,
}

impl NameMap {
    /// Reads a mapping file.
    ///
    /// # Errors
    /// When the file cannot be read, is malformed (with the line), maps two names to one, or orders a name that it does not
    /// map.
    pub fn read(path: &Path) -> Result<Self, PointsError> {
        let text = std::fs::read_to_string(path).map_err(PointsError::io(path, "reading"))?;
        let line_at = |offset: usize| text.bytes().take(offset).filter(|b| *b == b'\n').count() as u64 + 1;
        let line_of = |needle: &str| text.find(needle).map(line_at);
        let file: MapFile = toml::from_str(&text).map_err(|e| {
            PointsError::malformed(path, e.span().map(|s| line_at(s.start)), e.message().trim().to_owned())
        })?;
        if file.schema > SCHEMA {
            let reason = format!("schema {}, this program knows up to {SCHEMA}", file.schema);
            return Err(PointsError::malformed(path, line_of("schema"), reason));
        }
        let mut taken: BTreeMap<&str, &str> = BTreeMap::new();
        for (written, name) in file.names.iter().filter(|(_, name)| !name.is_empty()) {
            if !name.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_') {
                let reason = format!("\"{name}\" must be small letters, digits and _ only, such as left_wrist");
                return Err(PointsError::malformed(path, line_of(&format!("\"{name}\"")), reason));
            }
            if let Some(other) = taken.insert(name, written) {
                let reason = format!("\"{other}\" and \"{written}\" are both \"{name}\"; map one of the two to \"\"");
                return Err(PointsError::malformed(path, line_of(&format!("\"{name}\"")), reason));
            }
        }
        for written in file.order.iter().flatten() {
            if !file.names.contains_key(written) {
                let reason = format!("\"{written}\" stands in `order` but not under [names]; map it, or to \"\"");
                return Err(PointsError::malformed(path, line_of(&format!("\"{written}\"")), reason));
            }
        }
        Ok(Self { names: file.names, order: file.order })
    }

    /// What a name of the set is called here; empty when it is left out, `None` when the file does not mention it.
    pub(crate) fn translated(&self, written: &str) -> Option<&str> {
        self.names.get(written).map(String::as_str)
    }

    /// The set's own names in the order of its numbers.
    pub(crate) fn order(&self) -> Option<&[String]> {
        self.order.as_deref()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str) -> Result<NameMap, PointsError> {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("names.toml");
        std::fs::write(&path, text).unwrap();
        NameMap::read(&path)
    }

    #[test]
    fn a_mapping_translates_and_leaves_out() {
        let map =
            read("schema = 1\norder = [\"RWri\", \"Neck\"]\n[names]\nRWri = \"right_wrist\"\nNeck = \"\"\n").unwrap();
        assert_eq!(map.translated("RWri"), Some("right_wrist"));
        assert_eq!(map.translated("Neck"), Some(""));
        assert_eq!(map.translated("LWri"), None);
        assert_eq!(map.order().unwrap().len(), 2);
    }

    #[test]
    fn faults_of_a_mapping_are_named_with_their_line() {
        for (text, line, words) in [
            ("schema = 1\n[names]\nA = 3\n", "line 3", "string"),
            ("schema = 9\n[names]\n", "line 1", "knows up to 1"),
            ("schema = 1\n[names]\nA = \"Right Wrist\"\n", "line 3", "small letters"),
            ("schema = 1\n[names]\nA = \"nose\"\nB = \"nose\"\n", "line 3", "\"A\" and \"B\""),
            ("schema = 1\norder = [\"C\"]\n[names]\nA = \"nose\"\n", "line 2", "`order`"),
        ] {
            let message = read(text).unwrap_err().to_string();
            assert!(message.contains(line) && message.contains(words), "{message}");
        }
    }
}
