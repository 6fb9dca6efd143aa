//! `session.toml`: what a person says about a session, checked with the line of every mistake.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use crate::SessionError;
use crate::board::Board;
use crate::court::Court;
use crate::known::{self, RecordingMode};
use crate::strokes::EventKind;

/// Version of `session.toml` that this program reads.
pub const DESCRIPTION_SCHEMA: u32 = 1;

/// Name of the description inside a session's folder.
pub const FILE_NAME: &str = "session.toml";

/// A session as described by a person. Paths are relative to the session's folder.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Description {
    /// Version of the format, [`DESCRIPTION_SCHEMA`].
    pub schema: u32,
    /// The recording.
    #[serde(default)]
    pub session: Recording,
    /// The player.
    pub player: Player,
    /// The court, if its points were marked.
    pub court: Option<CourtChoice>,
    /// Calibration boards.
    #[serde(default, rename = "board")]
    pub boards: Vec<Board>,
    /// The cameras.
    #[serde(rename = "camera")]
    pub cameras: Vec<CameraDescription>,
    /// Clips in which cameras see one board together.
    pub shared_board: Option<SharedBoard>,
    /// How the cameras' places are found.
    #[serde(default)]
    pub rig: RigChoice,
    /// Instants that the analyst sets in place of the found ones.
    #[serde(default, rename = "event", skip_serializing_if = "Vec::is_empty")]
    pub events: Vec<SetEvent>,
    /// What the coach writes on the player's page.
    #[serde(default)]
    pub report: CoachsWords,
}

/// An instant that the analyst sets in place of the found one.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SetEvent {
    /// Number of the stroke, from 1.
    pub stroke: usize,
    /// Which event.
    pub kind: EventKind,
    /// When, on the session clock (as `midline strokes` prints it), seconds.
    pub session_seconds: f64,
    /// How well the analyst knows it (1 sd), seconds; half a frame when absent.
    pub sd_seconds: Option<f64>,
    /// Why.
    #[serde(default)]
    pub reason: String,
}

/// What the coach writes on the player's page of the report; what is empty is a marked place there.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CoachsWords {
    /// One cue for the player. The program never invents one.
    #[serde(default)]
    pub cue: String,
    /// A drill.
    #[serde(default)]
    pub drill: String,
    /// Day of the retest, free text such as 2026-05-25.
    #[serde(default)]
    pub retest_on: String,
    /// Identifier of the measure to be taken again, such as `take-back-minus-bounce-hand`; when empty, that of the first fact.
    #[serde(default)]
    pub retest_measure: String,
}

/// About the recording.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Recording {
    /// What the coach suspects or wants to know, in their own words; shown on the report.
    #[serde(default)]
    pub question: String,
    /// What the coach suspects, one sentence each in the trade's words, such as "racket slows in the drop"; each is tested.
    #[serde(default)]
    pub suspicions: Vec<String>,
    /// Day of the recording, free text such as 2026-05-04.
    #[serde(default)]
    pub date: String,
    /// Air temperature in °C, for the speed of sound.
    #[serde(default = "twenty")]
    pub air_celsius: f64,
    /// Whether a flash was fired, or a lamp switched on, in sight of all cameras: their pictures are searched for it.
    #[serde(default)]
    pub flash: bool,
}

fn twenty() -> f64 {
    20.0
}

impl Default for Recording {
    fn default() -> Self {
        Self {
            question: String::new(),
            suspicions: Vec::new(),
            date: String::new(),
            air_celsius: twenty(),
            flash: false,
        }
    }
}

/// The player: a code, never a name.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Player {
    /// The player's code.
    pub code: String,
    /// The hand that holds the racket.
    pub handedness: Handedness,
}

/// The hand that holds the racket.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Handedness {
    /// Right-hander.
    Right,
    /// Left-hander.
    Left,
}

/// Which court the points belong to.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CourtChoice {
    /// Name of a court model, such as `itf-tennis`.
    pub model: String,
    /// How far off the marked points may be, px (1 sd), where they are not marked with care; the court's lines in the picture
    /// must then show where they are.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub marks_sd_px: Option<f64>,
}

/// How the cameras' places are found.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RigChoice {
    /// Refine the places with the player's own points once the clock is known.
    #[serde(default)]
    pub refine_with_points: bool,
}

/// About where a camera stands on the court, for one without marked points.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RoughPlace {
    /// Place of the lens, court frame, metres: right of the centre mark, from the near baseline toward the net, above ground.
    pub stands_m: [f64; 3],
    /// What is in the middle of its picture, court frame, metres.
    pub looks_at_m: [f64; 3],
}

/// One camera.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CameraDescription {
    /// Name, unique in the session.
    pub name: String,
    /// The footage of the strokes.
    pub footage: PathBuf,
    /// 2D keypoints for that footage: COCO keypoint JSON or tidy CSV.
    pub points: PathBuf,
    /// How that file is to be read, where its conventions are not this program's own, and which person is the player.
    #[serde(default, skip_serializing_if = "PointsReading::is_default")]
    pub points_reading: PointsReading,
    /// Rolling-shutter read-out in seconds, first row to last; 0 when unknown and no recording mode is named.
    #[serde(default)]
    pub readout_seconds: f64,
    /// Recording mode of `calib/recording-modes.toml` whose read-out is used where none is given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub recording_mode: Option<String>,
    /// Where the lens calibration comes from. May be left out where one camera is all there is: nothing is then measured in space.
    #[serde(default = "LensSource::none")]
    pub lens: LensSource,
    /// Marked court points: name of the point in the court model, and its pixel in the displayed picture.
    #[serde(default)]
    pub court_points: BTreeMap<String, [f64; 2]>,
    /// Pixels anywhere along the middle of a painted line, by the name of the line in the court model: for lines whose
    /// crossings are out of the picture or hidden.
    #[serde(default)]
    pub court_lines: BTreeMap<String, Vec<[f64; 2]>>,
    /// About where it stands, to half a metre and a few degrees, in place of marked points: the court's lines in the picture
    /// show the rest.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rough_place: Option<RoughPlace>,
}

/// How a camera's keypoint file is to be read. The default is this program's own convention.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PointsReading {
    /// Mapping file that translates the names of another set into this session's.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub names: Option<PathBuf>,
    /// Where the coordinates put a pixel's centre.
    #[serde(default)]
    pub pixel_centre: PixelCentre,
    /// Of which picture the coordinates are.
    #[serde(default)]
    pub rotation: PointsRotation,
    /// Which of several people is the player, pointed at in one or more frames.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub player: Vec<PlayerMark>,
}

impl PointsReading {
    /// Whether nothing differs from this program's own conventions.
    #[must_use]
    pub fn is_default(&self) -> bool {
        *self == Self::default()
    }
}

/// Where coordinates put the centre of the top-left pixel.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum PixelCentre {
    /// At (0, 0), as this program does.
    #[default]
    Integer,
    /// At (0.5, 0.5): coordinates run from the picture's edge.
    Half,
}

/// Of which picture coordinates are.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum PointsRotation {
    /// The picture as it is shown, the container's rotation applied.
    #[default]
    Shown,
    /// The picture as it is stored, before the container's rotation.
    Stored,
}

/// A pixel on the player in one frame.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PlayerMark {
    /// The frame, from 0.
    pub frame: usize,
    /// A pixel on the player, in the picture as it is shown.
    pub px: [f64; 2],
}

/// Where a lens calibration comes from.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(untagged, deny_unknown_fields, expecting = "either { clip = \"…\", board = \"…\" } or { file = \"…\" }")]
pub enum LensSource {
    /// A clip of a board, to be solved.
    Clip {
        /// The clip.
        clip: PathBuf,
        /// Name of the board in it.
        board: String,
    },
    /// An earlier result of the lens stage, or a calibration file of OpenCV (YAML, XML or JSON).
    File {
        /// The file.
        file: PathBuf,
        /// Which lens, 1 or 2, of an OpenCV file that holds a pair of cameras.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        of_two: Option<u32>,
    },
}

impl LensSource {
    /// No lens: a file without a name.
    fn none() -> Self {
        Self::File { file: PathBuf::new(), of_two: None }
    }
}

/// Clips in which cameras see one board together.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SharedBoard {
    /// Name of the board.
    pub board: String,
    /// Clip of each camera, by the camera's name.
    pub clips: BTreeMap<String, PathBuf>,
}

/// A description with the folder that its paths are relative to.
#[derive(Debug, Clone, PartialEq)]
pub struct Session {
    /// The session's folder.
    pub folder: PathBuf,
    /// What the person wrote.
    pub description: Description,
}

impl Session {
    /// Reads and checks a session: `path` is its folder or its `session.toml`.
    ///
    /// # Errors
    /// When the file is missing or malformed (with its line), of a newer schema, or contradicts itself: no camera, two
    /// cameras of one name, an unknown board or court point, an impossible number.
    pub fn open(path: &Path) -> Result<Self, SessionError> {
        let file = if path.is_dir() { path.join(FILE_NAME) } else { path.to_owned() };
        let text = std::fs::read_to_string(&file).map_err(SessionError::io(&file, "reading the session"))?;
        let description = parse(&file, &text)?;
        let folder = file.parent().map(Path::to_owned).unwrap_or_default();
        Ok(Self { folder, description })
    }

    /// A path of the description, made absolute or relative to the working folder.
    #[must_use]
    pub fn path(&self, relative: &Path) -> PathBuf {
        self.folder.join(relative)
    }

    /// Path of a computed file: `midline/<name>`.
    #[must_use]
    pub fn computed(&self, name: &str) -> PathBuf {
        self.folder.join("midline").join(name)
    }

    /// The board of a name.
    #[must_use]
    pub fn board(&self, name: &str) -> Option<&Board> {
        self.description.boards.iter().find(|b| b.name == name)
    }

    /// The court model, when the description names one.
    #[must_use]
    pub fn court(&self) -> Option<Court> {
        Court::by_name(&self.description.court.as_ref()?.model)
    }
}

fn line_of(text: &str, offset: usize) -> usize {
    text.bytes().take(offset).filter(|b| *b == b'\n').count() + 1
}

/// Line of the first place where `needle` stands, for mistakes that the parser cannot see.
fn line_with(text: &str, needle: &str) -> Option<usize> {
    text.find(needle).map(|offset| line_of(text, offset))
}

/// Line of the first place of `needle` in the block of that number (from 0) that `header` opens.
fn line_in_block(text: &str, header: &str, number: usize, needle: &str) -> Option<usize> {
    let (start, _) = text.match_indices(header).nth(number)?;
    let block = &text[start + header.len()..];
    let end = block.find("\n[[").unwrap_or(block.len());
    Some(line_of(text, start + header.len() + block[..end].find(needle)?))
}

fn parse(file: &Path, text: &str) -> Result<Description, SessionError> {
    let mut description: Description = toml::from_str(text).map_err(|e| {
        SessionError::malformed(file, e.span().map(|s| line_of(text, s.start)), e.message().trim().to_owned())
    })?;
    if description.schema > DESCRIPTION_SCHEMA {
        return Err(SessionError::TooNew {
            path: file.to_owned(),
            found: description.schema,
            known: DESCRIPTION_SCHEMA,
        });
    }
    let wrong = |needle: &str, reason: String| SessionError::malformed(file, line_with(text, needle), reason);
    if description.cameras.is_empty() {
        return Err(wrong("", "no [[camera]]; describe at least one".into()));
    }
    // The session's own boards come first; of the others, those that it names.
    for board in known::boards() {
        let own = description.boards.iter().any(|other| other.name == board.name);
        let of_lens = |camera: &CameraDescription| matches!(&camera.lens, LensSource::Clip { board: name, .. } if *name == board.name);
        let shared = description.shared_board.as_ref().is_some_and(|shared| shared.board == board.name);
        if !own && (shared || description.cameras.iter().any(of_lens)) {
            description.boards.push(board);
        }
    }
    for camera in &mut description.cameras {
        if let Some(name) = &camera.recording_mode {
            let modes = RecordingMode::all();
            let mode = modes.iter().find(|mode| mode.name == *name).ok_or_else(|| {
                let names: Vec<&str> = modes.iter().map(|mode| mode.name.as_str()).collect();
                let reason = format!(
                    "camera \"{}\": there is no recording mode \"{name}\"; there are: {}",
                    camera.name,
                    names.join(", ")
                );
                SessionError::malformed(file, line_with(text, &format!("\"{name}\"")), reason)
            })?;
            if camera.readout_seconds <= 0.0 {
                camera.readout_seconds = mode.middle_seconds();
            }
        }
    }
    for (index, camera) in description.cameras.iter().enumerate() {
        let usable = |c: char| c.is_ascii_alphanumeric() || c == '-' || c == '_';
        if camera.name.is_empty() || !camera.name.chars().all(usable) {
            return Err(wrong(
                &format!("\"{}\"", camera.name),
                format!(
                    "camera name \"{}\" must be letters, digits, - and _ only: it becomes a file name",
                    camera.name
                ),
            ));
        }
        if description.cameras[..index].iter().any(|other| other.name == camera.name) {
            let second = text.match_indices(&format!("\"{}\"", camera.name)).nth(1).map(|(at, _)| line_of(text, at));
            return Err(SessionError::malformed(
                file,
                second,
                format!("two cameras are named \"{}\"; give each its own name", camera.name),
            ));
        }
        if !(0.0..0.1).contains(&camera.readout_seconds) {
            return Err(wrong(
                "readout_seconds",
                format!(
                    "camera \"{}\": readout_seconds = {} is not between 0 and 0.1; phones read a picture in about 0.005 to 0.03 s",
                    camera.name, camera.readout_seconds
                ),
            ));
        }
        if let Some(mark) = camera.points_reading.player.iter().find(|m| !m.px.iter().all(|c| c.is_finite())) {
            return Err(wrong(
                "player = [",
                format!("camera \"{}\": the player's mark in frame {} is not a pixel", camera.name, mark.frame),
            ));
        }
        if camera.lens == LensSource::none() && description.cameras.len() > 1 {
            return Err(wrong(
                &format!("\"{}\"", camera.name),
                format!(
                    "camera \"{}\" has no lens; give lens = {{ clip = \"…\", board = \"…\" }} or lens = {{ file = \"…\" }}",
                    camera.name
                ),
            ));
        }
        match &camera.lens {
            LensSource::Clip { board, .. } => {
                known_board(file, &description, board)?;
            }
            LensSource::File { of_two: Some(number), .. } if !(1..=2).contains(number) => {
                return Err(wrong("of_two", format!("camera \"{}\": of_two = {number} must be 1 or 2", camera.name)));
            }
            LensSource::File { .. } => {}
        }
    }
    for (index, board) in description.boards.iter().enumerate() {
        if let Some(fault) = board.fault() {
            // The most telling word of the block, in turn: not every block has all of them.
            let line =
                ["dictionary", "inner_corners"].iter().find_map(|word| line_in_block(text, "[[board]]", index, word));
            return Err(SessionError::malformed(file, line, fault));
        }
    }
    if let Some(shared) = &description.shared_board {
        let board = known_board(file, &description, &shared.board)?;
        if !board.orientation_is_unambiguous() {
            return Err(wrong(
                "inner_corners",
                format!(
                    "board \"{}\" looks the same after a half turn, so two cameras cannot agree on its corners; use one even and one odd number of inner corners",
                    board.name
                ),
            ));
        }
        for camera in shared.clips.keys() {
            known(file, "camera", camera, description.cameras.iter().map(|c| c.name.as_str()))?;
        }
    }
    check_court(file, text, &description)?;
    for (index, event) in description.events.iter().enumerate() {
        let sd_is_usable = event.sd_seconds.is_none_or(|sd| sd.is_finite() && sd > 0.0 && sd < 1.0);
        if event.stroke == 0 || !event.session_seconds.is_finite() || !sd_is_usable {
            return Err(SessionError::malformed(
                file,
                line_in_block(text, "[[event]]", index, "stroke"),
                "an [[event]] needs the number of its stroke (from 1), session_seconds, and an sd_seconds between 0 and 1 if any"
                    .to_owned(),
            ));
        }
    }
    Ok(description)
}

fn known<'a>(
    file: &Path,
    kind: &'static str,
    name: &str,
    names: impl Iterator<Item = &'a str> + Clone,
) -> Result<(), SessionError> {
    if names.clone().any(|n| n == name) {
        return Ok(());
    }
    Err(SessionError::UnknownName {
        path: file.to_owned(),
        kind,
        name: name.to_owned(),
        known: names.collect::<Vec<_>>().join(", "),
    })
}

fn known_board<'a>(file: &Path, description: &'a Description, name: &str) -> Result<&'a Board, SessionError> {
    known(file, "board", name, description.boards.iter().map(|b| b.name.as_str()))?;
    description
        .boards
        .iter()
        .find(|b| b.name == name)
        .ok_or_else(|| SessionError::malformed(file, None, format!("no board named {name}")))
}

fn check_court(file: &Path, text: &str, description: &Description) -> Result<(), SessionError> {
    let marked = description
        .cameras
        .iter()
        .find(|c| !(c.court_points.is_empty() && c.court_lines.is_empty() && c.rough_place.is_none()));
    let Some(choice) = &description.court else {
        return match marked {
            Some(camera) => Err(SessionError::malformed(
                file,
                ["court_points", "court_lines", "rough_place"].iter().find_map(|word| line_with(text, word)),
                format!(
                    "camera \"{}\" has court_points, court_lines or a rough_place but there is no [court] with a model; add model = \"itf-tennis\"",
                    camera.name
                ),
            )),
            None => Ok(()),
        };
    };
    let Some(court) = Court::by_name(&choice.model) else {
        return Err(SessionError::UnknownName {
            path: file.to_owned(),
            kind: "court model",
            name: choice.model.clone(),
            known: Court::all().iter().map(|court| court.name.clone()).collect::<Vec<_>>().join(", "),
        });
    };
    if let Some(sd) = choice.marks_sd_px
        && !(0.1..=30.0).contains(&sd)
    {
        let reason = format!("marks_sd_px = {sd} is not between 0.1 and 30; leave it out for points marked with care");
        return Err(SessionError::malformed(file, line_with(text, "marks_sd_px"), reason));
    }
    for camera in &description.cameras {
        if let Some(RoughPlace { stands_m, looks_at_m }) = camera.rough_place {
            let apart = (0..3).map(|axis| (stands_m[axis] - looks_at_m[axis]).powi(2)).sum::<f64>().sqrt();
            let level = (stands_m[0] - looks_at_m[0]).hypot(stands_m[1] - looks_at_m[1]);
            if !(apart.is_finite() && level > 0.5 && stands_m[2] > 0.0) {
                let reason = format!(
                    "camera \"{}\": rough_place must stand above the ground and look at something at least half a metre away from below it",
                    camera.name
                );
                return Err(SessionError::malformed(file, line_with(text, "rough_place"), reason));
            }
        }
        for name in camera.court_points.keys() {
            known(file, "court point", name, court.points_m.keys().map(String::as_str))?;
        }
        for name in camera.court_lines.keys() {
            known(file, "court line", name, court.lines_m.keys().map(String::as_str))?;
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    const GOOD: &str = r#"schema = 1
[player]
code = "P07"
handedness = "right"
[court]
model = "itf-tennis"
[[board]]
name = "plate"
inner_corners = [9, 6]
square_m = 0.04
[[camera]]
name = "fence"
footage = "footage/fence.mp4"
points = "points/fence.json"
readout_seconds = 0.008
lens = { clip = "footage/fence-lens.mp4", board = "plate" }
court_points = { near-baseline-centre-mark = [600.5, 500.0] }
court_lines = { near-service-line = [[100.0, 300.0], [900.0, 310.5]] }
[[camera]]
name = "gate"
footage = "footage/gate.mp4"
points = "points/gate.csv"
lens = { file = "../earlier/midline/lens-gate.json" }
[shared_board]
board = "plate"
clips = { fence = "footage/fence-board.mp4", gate = "footage/gate-board.mp4" }
"#;

    fn error(text: &str) -> String {
        parse(Path::new("session.toml"), text).unwrap_err().to_string()
    }

    #[test]
    fn how_points_are_read_is_explicit_and_left_out_when_usual() {
        let session = parse(Path::new("session.toml"), GOOD).unwrap();
        assert!(session.cameras[0].points_reading.is_default());
        assert!(!toml::to_string(&session).unwrap().contains("points_reading"));
        let text = GOOD.replace(
            "points = \"points/gate.csv\"",
            "points = \"points/gate.csv\"\npoints_reading = { names = \"points/set.toml\", pixel_centre = \"half\", \
             rotation = \"stored\", player = [{ frame = 12, px = [640.0, 400.5] }] }",
        );
        let reading = parse(Path::new("session.toml"), &text).unwrap().cameras[1].points_reading.clone();
        assert_eq!(reading.pixel_centre, PixelCentre::Half);
        assert_eq!(reading.rotation, PointsRotation::Stored);
        assert_eq!(reading.player, [PlayerMark { frame: 12, px: [640.0, 400.5] }]);
        assert!(error(&text.replace("\"half\"", "\"middle\"")).contains("middle"));
        assert!(error(&text.replace("640.0", "nan")).contains("frame 12"));
    }

    #[test]
    fn a_good_description_is_read() {
        let description = parse(Path::new("session.toml"), GOOD).unwrap();
        assert_eq!(description.cameras[0].court_points["near-baseline-centre-mark"], [600.5, 500.0]);
        assert_eq!(description.cameras[0].court_lines["near-service-line"][1], [900.0, 310.5]);
        assert!(matches!(description.cameras[1].lens, LensSource::File { .. }));
        assert!((description.session.air_celsius - 20.0).abs() < 1e-12);
    }

    #[test]
    fn mistakes_are_named_with_their_line() {
        let message = error(&GOOD.replace("\"gate\"", "\"fence\""));
        assert!(message.contains("session.toml:20") && message.contains("two cameras"), "{message}");
        let message = error(&GOOD.replace("handedness = \"right\"", "handedness = \"both\""));
        assert!(message.contains("session.toml:4"), "{message}");
        let message = error(&GOOD.replace("points = \"points/gate.csv\"", "point = 3"));
        assert!(message.contains("session.toml:"), "{message}");
        let message = error(&GOOD.replace("board = \"plate\"\nclips", "board = \"other\"\nclips"));
        assert!(message.contains("no board named \"other\"") && message.contains("plate"), "{message}");
        let message = error(&GOOD.replace("near-baseline-centre-mark", "middle"));
        assert!(message.contains("no court point named \"middle\""), "{message}");
        let message = error(&GOOD.replace("near-service-line", "tramline"));
        assert!(message.contains("no court line named \"tramline\""), "{message}");
        let message = error(&GOOD.replace("model = \"itf-tennis\"", "model = \"itf-tennis\"\nmarks_sd_px = 300"));
        assert!(message.contains("session.toml:7") && message.contains("between 0.1 and 30"), "{message}");
        let rough = |stands: &str| {
            GOOD.replace(
                "court_lines =",
                &format!("rough_place = {{ stands_m = {stands}, looks_at_m = [0, 2, 1] }}\ncourt_lines ="),
            )
        };
        assert!(parse(Path::new("session.toml"), &rough("[7.6, -2, 1.7]")).is_ok());
        let message = error(&rough("[7.6, -2, -1.7]"));
        assert!(message.contains("session.toml:18") && message.contains("above the ground"), "{message}");
        let message = error(&GOOD.replace("[9, 6]", "[8, 6]"));
        assert!(message.contains("half turn"), "{message}");
        let message = error(&GOOD.replace("0.008", "8"));
        assert!(message.contains("session.toml:15") && message.contains("readout_seconds"), "{message}");
        let message = error(&GOOD.replace("lens-gate.json\"", "pair.yml\", of_two = 3"));
        assert!(message.contains("session.toml:23") && message.contains("must be 1 or 2"), "{message}");
        let marked = |markers: &str| GOOD.replace("square_m = 0.04", &format!("square_m = 0.04\nmarkers = {markers}"));
        assert!(parse(Path::new("session.toml"), &marked("{ dictionary = \"4x4_50\", side_m = 0.03 }")).is_ok());
        let message = error(&marked("{ dictionary = \"4x4_55\", side_m = 0.03 }"));
        assert!(
            message.contains("session.toml:11") && message.contains("4x4_55") && message.contains("4x4_50"),
            "{message}"
        );
        let message = error(&marked("{ dictionary = \"4x4_50\", side_m = 0.04 }"));
        assert!(message.contains("session.toml:11") && message.contains("below square_m 0.04"), "{message}");
        let message = error(&marked("{ dictionary = \"4x4_50\", side_m = 0.03 }").replace("[9, 6]", "[6, 9]"));
        assert!(message.contains("session.toml:11") && message.contains("odd number of rows"), "{message}");
        let message = error(&marked("{ dictionary = \"4x4_50\", side_m = 0.03 }").replace("[9, 6]", "[15, 6]"));
        assert!(message.contains("take 56 markers") && message.contains("has 50"), "{message}");
        let message = error(&GOOD.replace("lens = { file = \"../earlier/midline/lens-gate.json\" }\n", ""));
        assert!(message.contains("session.toml:20") && message.contains("has no lens"), "{message}");
        let message = error("schema = 1\nplayer = [");
        assert!(message.contains("session.toml:2"), "{message}");
    }

    #[test]
    fn one_camera_alone_needs_no_lens() {
        let text = "schema = 1\n[player]\ncode = \"P31\"\nhandedness = \"left\"\n[[camera]]\nname = \"only\"\nfootage = \"a.mp4\"\npoints = \"a.json\"\n";
        assert_eq!(parse(Path::new("session.toml"), text).unwrap().cameras.len(), 1);
    }

    #[test]
    fn suspicions_and_set_events_are_read() {
        let text = format!(
            "{GOOD}[session]\nsuspicions = [\"racket slows in the drop\"]\n[[event]]\nstroke = 2\nkind = \"take-back-start\"\nsession_seconds = 4.25\n"
        );
        let description = parse(Path::new("session.toml"), &text).unwrap();
        assert_eq!(description.session.suspicions, ["racket slows in the drop"]);
        assert_eq!((description.events[0].kind, description.events[0].stroke), (EventKind::TakeBackStart, 2));
        let message = error(&text.replace("stroke = 2", "stroke = 0"));
        assert!(message.contains("session.toml:30") && message.contains("from 1"), "{message}");
        let message = error(&text.replace("take-back-start", "wind-up"));
        assert!(message.contains("session.toml:31") && message.contains("wind-up"), "{message}");
    }

    #[test]
    fn boards_and_recording_modes_of_the_program_may_be_named() {
        let named = GOOD.replace("board = \"plate\" }", "board = \"a3-charuco\" }").replacen(
            "readout_seconds = 0.008",
            "recording_mode = \"phone-240\"",
            1,
        );
        let description = parse(Path::new("session.toml"), &named).unwrap();
        let names: Vec<&str> = description.boards.iter().map(|b| b.name.as_str()).collect();
        assert_eq!(names, ["plate", "a3-charuco"]);
        assert!(description.cameras.iter().any(|c| (c.readout_seconds - 0.0031).abs() < 1e-12));
        // What is measured comes first.
        let both =
            GOOD.replacen("readout_seconds = 0.008", "readout_seconds = 0.008\nrecording_mode = \"phone-240\"", 1);
        let description = parse(Path::new("session.toml"), &both).unwrap();
        assert!(description.cameras.iter().all(|c| (c.readout_seconds - 0.0031).abs() > 1e-6));
        let message = error(&named.replace("phone-240", "phone-1000"));
        assert!(
            message.contains("session.toml:") && message.contains("phone-30, phone-60, phone-120, phone-240"),
            "{message}"
        );
    }
}
