//! What a person marked on the pictures: points of racket and ball, court points, events.
//!
//! Marks are kept in a journal, `marks.jsonl` in the session's folder: a line with the schema, then one line of JSON per act, only
//! ever appended and brought to the disk before the act is confirmed. Undoing is an act too. Whoever is killed while writing
//! leaves at most one incomplete last line, which counts for nothing.

use std::collections::BTreeMap;
use std::fs::{File, OpenOptions, TryLockError};
use std::io::{Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use crate::SessionError;
use crate::strokes::EventKind;

/// Name of the journal inside a session's folder.
pub const FILE_NAME: &str = "marks.jsonl";

/// Version of the journal that this program writes and reads.
pub const MARKS_SCHEMA: u32 = 1;

/// One act of marking.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "act", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Act {
    /// A point of racket or ball is here in this frame; `None`: it cannot be seen in it.
    Point {
        /// The camera's name.
        camera: String,
        /// Index of the frame in the footage.
        frame: usize,
        /// Name of the point.
        name: String,
        /// Display orientation, pixel centres at integers.
        px: Option<[f64; 2]>,
    },
    /// The mark of a point in this frame is taken away.
    Unmark {
        /// The camera's name.
        camera: String,
        /// Index of the frame in the footage.
        frame: usize,
        /// Name of the point.
        name: String,
    },
    /// A point of the court is here in every picture of this camera; `None`: it does not count, wherever it was marked.
    Court {
        /// The camera's name.
        camera: String,
        /// Name in the court model.
        name: String,
        /// Display orientation, pixel centres at integers.
        px: Option<[f64; 2]>,
    },
    /// Something happens in this frame.
    Event {
        /// What.
        kind: EventKind,
        /// The camera whose frame it is.
        camera: String,
        /// Index of the frame in the footage.
        frame: usize,
    },
    /// The event of that kind and frame is taken away.
    NoEvent {
        /// What.
        kind: EventKind,
        /// The camera whose frame it is.
        camera: String,
        /// Index of the frame in the footage.
        frame: usize,
    },
    /// What the pictures themselves carried from marked frames to others is taken over, as the person saw it.
    Carry {
        /// The camera's name.
        camera: String,
        /// Name of the point.
        name: String,
        /// Where it was carried to.
        points: Vec<CarriedPoint>,
    },
    /// The last act that still counts no longer does.
    Undo,
}

/// A point carried to a frame that nobody marked.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CarriedPoint {
    /// Index of the frame in the footage.
    pub frame: usize,
    /// Display orientation, pixel centres at integers.
    pub px: [f64; 2],
    /// Standard deviation of each coordinate, px.
    pub sd_px: f64,
}

/// The marks of one camera.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct CameraMarks {
    /// By frame and name; `None` where the point cannot be seen.
    pub points: BTreeMap<usize, BTreeMap<String, Option<[f64; 2]>>>,
    /// Carried points that were taken over, by frame and name; a mark of the same frame comes first.
    pub carried: BTreeMap<usize, BTreeMap<String, CarriedPoint>>,
    /// Court points; `None` where the one in `session.toml` must not count.
    pub court: BTreeMap<String, Option<[f64; 2]>>,
}

impl CameraMarks {
    /// Court points with these marks laid over those of the description.
    #[must_use]
    pub fn court_over(&self, described: &BTreeMap<String, [f64; 2]>) -> BTreeMap<String, [f64; 2]> {
        let mut points = described.clone();
        for (name, px) in &self.court {
            match px {
                Some(px) => drop(points.insert(name.clone(), *px)),
                None => drop(points.remove(name)),
            }
        }
        points
    }
}

/// An event that a person saw.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct EventMark {
    /// What.
    pub kind: EventKind,
    /// The camera whose frame it is.
    pub camera: String,
    /// Index of the frame in the footage.
    pub frame: usize,
}

/// All marks that count.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Marks {
    /// By the camera's name.
    pub cameras: BTreeMap<String, CameraMarks>,
    /// In the order in which they were made.
    pub events: Vec<EventMark>,
}

impl Marks {
    /// The marks that count after some acts.
    #[must_use]
    pub fn after<'a>(acts: impl IntoIterator<Item = &'a Act>) -> Self {
        let mut counting: Vec<&Act> = Vec::new();
        for act in acts {
            match act {
                Act::Undo => drop(counting.pop()),
                other => counting.push(other),
            }
        }
        let mut marks = Self::default();
        counting.into_iter().for_each(|act| marks.take(act));
        marks
    }

    /// Reads the marks of a session; none when it has no journal.
    ///
    /// # Errors
    /// When the journal cannot be read, is of a newer schema, or holds a line that is no act (with the line). An incomplete
    /// last line is passed over.
    pub fn read(session_folder: &Path) -> Result<Self, SessionError> {
        let path = session_folder.join(FILE_NAME);
        match std::fs::read(&path) {
            Ok(bytes) => Ok(Self::after(&parse(&path, &bytes)?.0)),
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => Ok(Self::default()),
            Err(error) => Err(SessionError::io(&path, "reading the marks")(error)),
        }
    }

    /// The marks of a camera; empty when it has none.
    #[must_use]
    pub fn camera(&self, name: &str) -> CameraMarks {
        self.cameras.get(name).cloned().unwrap_or_default()
    }

    fn of(&mut self, camera: &str) -> &mut CameraMarks {
        self.cameras.entry(camera.to_owned()).or_default()
    }

    fn take(&mut self, act: &Act) {
        match act {
            Act::Point { camera, frame, name, px } => {
                self.of(camera).points.entry(*frame).or_default().insert(name.clone(), *px);
            }
            Act::Unmark { camera, frame, name } => {
                let own = self.of(camera);
                // A carried point under a mark goes only when the mark is gone already.
                if !remove(&mut own.points, *frame, name) {
                    remove(&mut own.carried, *frame, name);
                }
            }
            Act::Court { camera, name, px } => drop(self.of(camera).court.insert(name.clone(), *px)),
            Act::Event { kind, camera, frame } => {
                let event = EventMark { kind: *kind, camera: camera.clone(), frame: *frame };
                if !self.events.contains(&event) {
                    self.events.push(event);
                }
            }
            Act::NoEvent { kind, camera, frame } => {
                self.events.retain(|e| (e.kind, &e.camera, e.frame) != (*kind, camera, *frame));
            }
            Act::Carry { camera, name, points } => {
                let own = self.of(camera);
                for point in points {
                    own.carried.entry(point.frame).or_default().insert(name.clone(), *point);
                }
            }
            Act::Undo => {}
        }
    }
}

fn remove<T>(by_frame: &mut BTreeMap<usize, BTreeMap<String, T>>, frame: usize, name: &str) -> bool {
    let Some(named) = by_frame.get_mut(&frame) else { return false };
    let taken = named.remove(name).is_some();
    if named.is_empty() {
        by_frame.remove(&frame);
    }
    taken
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Head {
    schema: u32,
}

/// The acts of a journal and the length of its complete lines in bytes.
fn parse(path: &Path, bytes: &[u8]) -> Result<(Vec<Act>, usize), SessionError> {
    let complete = bytes.iter().rposition(|b| *b == b'\n').map_or(0, |at| at + 1);
    let malformed = |line: usize, error: serde_json::Error| {
        let reason = format!("{error}; this is no mark: correct or delete the line");
        SessionError::malformed(path, Some(line), reason)
    };
    let mut acts = Vec::new();
    for (line, text) in (1..).zip(bytes[..complete].split(|b| *b == b'\n')) {
        if line == 1 && complete > 0 {
            let head: Head = serde_json::from_slice(text).map_err(|e| malformed(line, e))?;
            if head.schema > MARKS_SCHEMA {
                return Err(SessionError::TooNew { path: path.to_owned(), found: head.schema, known: MARKS_SCHEMA });
            }
        } else if !text.is_empty() {
            acts.push(serde_json::from_slice(text).map_err(|e| malformed(line, e))?);
        }
    }
    Ok((acts, complete))
}

/// The journal, open for marking. One program at a time holds it.
#[derive(Debug)]
pub struct Journal {
    path: PathBuf,
    file: File,
    acts: Vec<Act>,
    length: u64,
    /// Bytes of an incomplete last line that were cut off when the journal was opened.
    cut_off: usize,
}

impl Journal {
    /// Opens the journal of a session, making it when there is none. An incomplete last line is cut off.
    ///
    /// # Errors
    /// As [`Marks::read`], and when another program marks the same session or the file is a link.
    pub fn open(session_folder: &Path) -> Result<Self, SessionError> {
        let path = session_folder.join(FILE_NAME);
        if path.is_symlink() {
            let reason = "is a link to another place; marks are written in the session's folder only".to_owned();
            return Err(SessionError::malformed(&path, None, reason));
        }
        let io = |action: &'static str| SessionError::io(&path, action);
        let mut file = OpenOptions::new()
            .read(true)
            .write(true)
            .create(true)
            .truncate(false)
            .open(&path)
            .map_err(io("opening the marks"))?;
        file.try_lock().map_err(|error| match error {
            TryLockError::WouldBlock => SessionError::malformed(
                &path,
                None,
                "another midline is marking this session; close it first, so that both do not write at once",
            ),
            TryLockError::Error(error) => io("locking the marks")(error),
        })?;
        let bytes = std::fs::read(&path).map_err(io("reading the marks"))?;
        let (acts, complete) = parse(&path, &bytes)?;
        let mut journal = Self {
            path: path.clone(),
            file: file.try_clone().map_err(io("opening the marks"))?,
            acts,
            length: complete as u64,
            cut_off: bytes.len() - complete,
        };
        if journal.cut_off > 0 {
            file.set_len(journal.length).map_err(io("cutting off an incomplete mark"))?;
        }
        file.seek(SeekFrom::End(0)).map_err(io("opening the marks"))?;
        if journal.length == 0 {
            journal.write_line(&Head { schema: MARKS_SCHEMA })?;
            sync_folder(session_folder);
        }
        Ok(journal)
    }

    /// The marks that count.
    #[must_use]
    pub fn marks(&self) -> Marks {
        Marks::after(&self.acts)
    }

    /// Acts so far, undone ones too.
    #[must_use]
    pub fn acts(&self) -> &[Act] {
        &self.acts
    }

    /// Bytes of an incomplete last line, left by a program that was killed while writing, that opening cut off.
    #[must_use]
    pub fn cut_off_bytes(&self) -> usize {
        self.cut_off
    }

    /// Takes an act down; it is on the disk when this returns.
    ///
    /// # Errors
    /// When the system refuses; the journal then holds what it held before.
    pub fn append(&mut self, act: Act) -> Result<(), SessionError> {
        self.write_line(&act)?;
        self.acts.push(act);
        Ok(())
    }

    fn write_line(&mut self, content: &impl Serialize) -> Result<(), SessionError> {
        let mut line = serde_json::to_vec(content)
            .map_err(|error| SessionError::malformed(&self.path, None, format!("a mark cannot be written: {error}")))?;
        line.push(b'\n');
        let written = self
            .file
            .seek(SeekFrom::Start(self.length))
            .and_then(|_| self.file.write_all(&line))
            .and_then(|()| self.file.sync_data());
        if let Err(error) = written {
            // Half a line must not stand before the next one; where even this fails, the next start cuts it off.
            let _ = self.file.set_len(self.length);
            return Err(SessionError::io(&self.path, "writing a mark")(error));
        }
        self.length += line.len() as u64;
        Ok(())
    }
}

/// The name of a new file is on the disk too. Systems that cannot open folders do so by themselves.
fn sync_folder(folder: &Path) {
    if let Ok(folder) = File::open(if folder.as_os_str().is_empty() { Path::new(".") } else { folder }) {
        let _ = folder.sync_all();
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn point(frame: usize, x: f64) -> Act {
        Act::Point { camera: "left".into(), frame, name: "racket_tip".into(), px: Some([x, 2.5]) }
    }

    #[test]
    fn marks_survive_and_undo_takes_back_one_act_after_another() {
        let folder = tempfile::tempdir().unwrap();
        let mut journal = Journal::open(folder.path()).unwrap();
        journal.append(point(3, 1.0)).unwrap();
        journal.append(point(3, 9.0)).unwrap();
        journal.append(Act::Undo).unwrap();
        let contact = |frame| Act::Event { kind: EventKind::Contact, camera: "left".into(), frame };
        journal.append(contact(7)).unwrap();
        journal.append(contact(7)).unwrap();
        drop(journal);
        let marks = Marks::read(folder.path()).unwrap();
        assert_eq!(marks.camera("left").points[&3]["racket_tip"], Some([1.0, 2.5]));
        assert_eq!(marks.events.len(), 1);
        let mut journal = Journal::open(folder.path()).unwrap();
        assert_eq!((journal.acts().len(), journal.marks()), (5, marks));
        for _ in 0..9 {
            journal.append(Act::Undo).unwrap();
        }
        assert_eq!(journal.marks(), Marks::default());
    }

    #[test]
    fn a_program_killed_while_writing_loses_at_most_that_mark() {
        let folder = tempfile::tempdir().unwrap();
        let mut journal = Journal::open(folder.path()).unwrap();
        journal.append(point(1, 1.0)).unwrap();
        journal.append(point(2, 2.0)).unwrap();
        drop(journal);
        let path = folder.path().join(FILE_NAME);
        let whole = std::fs::read(&path).unwrap();
        let start_of_last = whole[..whole.len() - 1].iter().rposition(|b| *b == b'\n').unwrap() + 1;
        // Cut at every byte of the last line: what was confirmed before is there, and marking goes on.
        for cut in start_of_last..whole.len() {
            std::fs::write(&path, &whole[..cut]).unwrap();
            let read = Marks::read(folder.path()).unwrap().camera("left");
            assert_eq!(read.points.keys().copied().collect::<Vec<_>>(), [1], "cut at {cut}");
            let mut journal = Journal::open(folder.path()).unwrap();
            assert_eq!(journal.cut_off_bytes(), cut - start_of_last);
            journal.append(point(3, 3.0)).unwrap();
            drop(journal);
            let read = Marks::read(folder.path()).unwrap().camera("left");
            assert_eq!(read.points.keys().copied().collect::<Vec<_>>(), [1, 3], "cut at {cut}");
        }
    }

    #[test]
    fn one_program_at_a_time_and_never_through_a_link() {
        let folder = tempfile::tempdir().unwrap();
        let first = Journal::open(folder.path()).unwrap();
        assert!(Journal::open(folder.path()).unwrap_err().to_string().contains("another midline is marking"));
        drop(first);
        Journal::open(folder.path()).unwrap();
        #[cfg(unix)]
        {
            let other = tempfile::tempdir().unwrap();
            let target = other.path().join("elsewhere");
            std::fs::write(&target, "mine").unwrap();
            std::os::unix::fs::symlink(&target, folder.path().join("link")).unwrap();
            std::fs::remove_file(folder.path().join(FILE_NAME)).unwrap();
            std::os::unix::fs::symlink(&target, folder.path().join(FILE_NAME)).unwrap();
            assert!(Journal::open(folder.path()).unwrap_err().to_string().contains("link"));
            assert_eq!(std::fs::read_to_string(&target).unwrap(), "mine");
        }
    }

    #[test]
    fn a_damaged_line_and_a_newer_schema_are_named() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join(FILE_NAME);
        for (text, said) in [
            ("{\"schema\":1}\n{\"act\":\"undo\"}\n{\"act\":\"jump\"}\n", "marks.jsonl:3"),
            ("{\"schema\":1}\n{\"act\":\"unmark\",\"camera\":\"a\",\"frame\":-1,\"name\":\"b\"}\n", "marks.jsonl:2"),
            ("{\"schema\":2}\n", "schema version 2"),
            ("hello\n", "marks.jsonl:1"),
        ] {
            std::fs::write(&path, text).unwrap();
            let message = Marks::read(folder.path()).unwrap_err().to_string();
            assert!(message.contains(said), "{message}");
            assert!(Journal::open(folder.path()).is_err());
            assert_eq!(std::fs::read_to_string(&path).unwrap(), text, "a file that is not understood is left alone");
        }
    }

    #[test]
    fn marks_lie_over_the_description_and_carried_points_under_marks() {
        let court = |name: &str, px| Act::Court { camera: "left".into(), name: name.into(), px };
        let carried = CarriedPoint { frame: 4, px: [5.0, 5.0], sd_px: 1.5 };
        let acts = [
            court("a", Some([1.0, 1.0])),
            court("b", None),
            Act::Carry { camera: "left".into(), name: "ball".into(), points: vec![carried] },
            Act::Point { camera: "left".into(), frame: 4, name: "ball".into(), px: None },
        ];
        let unmark = Act::Unmark { camera: "left".into(), frame: 4, name: "ball".into() };
        let described = BTreeMap::from([("b".to_owned(), [2.0, 2.0]), ("c".to_owned(), [3.0, 3.0])]);
        let marks = Marks::after(&acts).camera("left");
        let over: Vec<(String, [f64; 2])> = marks.court_over(&described).into_iter().collect();
        assert_eq!(over, [("a".to_owned(), [1.0, 1.0]), ("c".to_owned(), [3.0, 3.0])]);
        let once = Marks::after(acts.iter().chain([&unmark])).camera("left");
        assert!(once.points.is_empty() && once.carried[&4]["ball"] == carried);
        let twice = Marks::after(acts.iter().chain([&unmark, &unmark])).camera("left");
        assert!(twice.carried.is_empty());
    }

    proptest! {
        /// Undoing an act is as if it had never been.
        #[test]
        fn undo_is_the_inverse(frames in prop::collection::vec(0..5usize, 0..20), extra in 0..5usize) {
            let acts: Vec<Act> = frames.iter().zip(0u8..).map(|(f, i)| point(*f, f64::from(i))).collect();
            let more = [point(extra, -1.0), Act::Undo];
            prop_assert_eq!(Marks::after(acts.iter().chain(&more)), Marks::after(&acts));
        }
    }
}
