//! A session on the desk: its pictures, cameras and marks.

use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use midline_session::calibration::CalibratedCamera;
use midline_session::court::Court;
use midline_session::description::Session;
use midline_session::footage::Footage;
use midline_session::keypoints::{BALL, RACKET};
use midline_session::marks::{Act, Journal, Marks};
use midline_session::strokes::EventKind;
use serde::Serialize;

use crate::film::Film;
use crate::propose::{Passage, Proposals, propose};
use crate::racket::Memory;
use crate::{DeskError, EpipolarCurve, epipolar_curve};

/// The calibrated cameras in the order of the description, or why there are none yet.
pub type Calibrated = Result<Vec<CalibratedCamera>, String>;

/// Solves the cameras' places and clocks again with the marks as they now stand.
pub type Recalibrate = Box<dyn Fn() -> Calibrated + Send + Sync>;

/// An event that the strokes stage found.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct KnownEvent {
    /// What.
    pub kind: EventKind,
    /// When, on the session clock, seconds.
    pub session_seconds: f64,
}

/// What a desk is set up from.
pub struct DeskInput {
    /// The session.
    pub session: Session,
    /// One per camera, in the order of the description.
    pub footage: Vec<Footage>,
    /// The cameras, when they are calibrated.
    pub calibrated: Calibrated,
    /// Events known from an earlier run; empty when there was none.
    pub known_events: Vec<KnownEvent>,
    /// Solves the cameras again.
    pub recalibrate: Recalibrate,
}

/// A session on the desk.
pub struct Desk {
    session: Session,
    court: Option<Court>,
    films: Vec<Film>,
    calibrated: Mutex<Arc<Calibrated>>,
    known_events: Vec<KnownEvent>,
    recalibrate: Recalibrate,
    journal: Mutex<Journal>,
    followed: Mutex<Memory>,
}

fn locked<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    // The journal takes an act down on the disk first; a panic elsewhere leaves it whole.
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Desk {
    /// Sets up a desk and opens the session's journal of marks.
    ///
    /// # Errors
    /// When the journal cannot be opened or read, or another program marks the same session.
    pub fn new(input: DeskInput) -> Result<Self, DeskError> {
        let DeskInput { session, footage, calibrated, known_events, recalibrate } = input;
        let journal = Journal::open(&session.folder)?;
        let films = session
            .description
            .cameras
            .iter()
            .zip(footage)
            .map(|(camera, footage)| Film::new(&camera.name, session.path(&camera.footage), footage))
            .collect();
        Ok(Self {
            court: session.court(),
            session,
            films,
            calibrated: Mutex::new(Arc::new(calibrated)),
            known_events,
            recalibrate,
            journal: Mutex::new(journal),
            followed: Mutex::default(),
        })
    }

    /// The session.
    #[must_use]
    pub fn session(&self) -> &Session {
        &self.session
    }

    pub(crate) fn court(&self) -> Option<&Court> {
        self.court.as_ref()
    }

    /// What was followed between marks so far.
    pub(crate) fn followed(&self) -> &Mutex<Memory> {
        &self.followed
    }

    pub(crate) fn films(&self) -> &[Film] {
        &self.films
    }

    pub(crate) fn film(&self, camera: &str) -> Result<(usize, &Film), DeskError> {
        self.films.iter().enumerate().find(|(_, f)| f.camera == camera).ok_or_else(|| DeskError::UnknownCamera {
            name: camera.to_owned(),
            known: self.films.iter().map(|f| f.camera.as_str()).collect::<Vec<_>>().join(", "),
        })
    }

    /// The calibrated cameras, or why there are none yet.
    #[must_use]
    pub fn calibrated(&self) -> Arc<Calibrated> {
        Arc::clone(&locked(&self.calibrated))
    }

    /// Solves the cameras' places and clocks again; takes a while.
    pub fn recalibrate(&self) -> Arc<Calibrated> {
        let solved = Arc::new((self.recalibrate)());
        *locked(&self.calibrated) = Arc::clone(&solved);
        *locked(&self.followed) = Memory::default();
        solved
    }

    /// Events that the strokes stage found.
    #[must_use]
    pub fn known_events(&self) -> &[KnownEvent] {
        &self.known_events
    }

    /// The marks that count, and how many acts made them.
    #[must_use]
    pub fn marks(&self) -> (usize, Marks) {
        let journal = locked(&self.journal);
        (journal.acts().len(), journal.marks())
    }

    /// Session time at which a camera's frame sees the middle of its picture, seconds; presentation time without a clock.
    #[must_use]
    pub fn session_seconds(&self, camera: &str, frame: usize) -> Option<f64> {
        let (index, film) = self.film(camera).ok()?;
        let pts = *film.footage.frame_pts_seconds.get(frame)?;
        let calibrated = self.calibrated();
        let camera = calibrated.as_ref().as_ref().ok().and_then(|c| c.get(index));
        Some(camera.map_or(pts, |c| c.clock.session_seconds(pts + 0.5 * c.camera.read_out.seconds)))
    }

    /// Takes an act down; it is on the disk when this returns. Gives the number of acts and the marks that count.
    ///
    /// # Errors
    /// When it names a camera, frame, point or court point that does not exist, lies outside the picture, or cannot be written.
    pub fn act(&self, act: Act) -> Result<(usize, Marks), DeskError> {
        self.check(&act)?;
        let mut journal = locked(&self.journal);
        journal.append(act)?;
        Ok((journal.acts().len(), journal.marks()))
    }

    fn check(&self, act: &Act) -> Result<(), DeskError> {
        let bad = |reason: String| Err(DeskError::BadAct { reason });
        let point_name = |name: &str| {
            if RACKET.contains(&name) || name == BALL {
                return Ok(());
            }
            bad(format!("\"{name}\" is not marked here; there are {} and {BALL}", RACKET.join(", ")))
        };
        let inside = |film: &Film, px: &Option<[f64; 2]>| {
            let Some(px) = px else { return Ok(()) };
            let [width, height] = film.footage.size_px;
            let within = |v: f64, side: u32| (-0.5..=f64::from(side) - 0.5).contains(&v);
            if within(px[0], width) && within(px[1], height) {
                return Ok(());
            }
            bad(format!("({:.1}, {:.1}) px lies outside the picture of {width} × {height} px", px[0], px[1]))
        };
        match act {
            Act::Point { camera, frame, name, px } => {
                let film = self.film(camera)?.1;
                film.check_frame(*frame)?;
                point_name(name)?;
                inside(film, px)
            }
            Act::Unmark { camera, frame, name } => {
                self.film(camera)?.1.check_frame(*frame)?;
                point_name(name)
            }
            Act::Court { camera, name, px } => {
                let film = self.film(camera)?.1;
                match &self.court {
                    Some(court) if court.points_m.contains_key(name) => inside(film, px),
                    Some(court) => bad(format!("court {} has no point \"{name}\"", court.name)),
                    None => bad("session.toml names no court; add [court] with model = \"itf-tennis\"".to_owned()),
                }
            }
            Act::Event { camera, frame, .. } | Act::NoEvent { camera, frame, .. } => {
                self.film(camera)?.1.check_frame(*frame).map(drop)
            }
            // Made here from what the pictures gave, never sent by the page.
            Act::Carry { camera, name, points } => {
                let film = self.film(camera)?.1;
                point_name(name)?;
                for point in points {
                    film.check_frame(point.frame)?;
                    inside(film, &Some(point.px))?;
                }
                Ok(())
            }
            Act::Undo => Ok(()),
        }
    }

    /// What is proposed for a passage with the marks as they stand.
    ///
    /// # Errors
    /// See [`propose`].
    pub fn proposals(&self, passage: Passage) -> Result<Proposals, DeskError> {
        propose(self, &self.marks().1, passage)
    }

    /// Keeps what the pictures carried in a passage: from now on these are keypoints of the session. One act per camera and point.
    ///
    /// # Errors
    /// As [`Desk::proposals`] and [`Desk::act`].
    pub fn keep_carried(&self, passage: Passage) -> Result<(usize, Marks), DeskError> {
        let carried = self.proposals(passage)?.carried;
        for (film, named) in self.films.iter().zip(carried) {
            let [width, height] = film.footage.size_px.map(f64::from);
            for (name, mut points) in named {
                points.retain(|p| p.px[0] > -0.5 && p.px[1] > -0.5 && p.px[0] < width - 0.5 && p.px[1] < height - 0.5);
                if !points.is_empty() {
                    self.act(Act::Carry { camera: film.camera.clone(), name, points })?;
                }
            }
        }
        Ok(self.marks())
    }

    /// The curve in one camera's frame on which a point lies that another camera's frame shows at `px`.
    ///
    /// # Errors
    /// When a camera or frame does not exist, the cameras are not calibrated, or the lens has no ray there.
    pub fn curve(
        &self,
        first: (&str, usize),
        px: [f64; 2],
        velocity_px_per_second: Option<[f64; 2]>,
        second: (&str, usize),
    ) -> Result<EpipolarCurve, DeskError> {
        let (a, film_a) = self.film(first.0)?;
        let (b, film_b) = self.film(second.0)?;
        let (pts_a, pts_b) = (film_a.check_frame(first.1)?, film_b.check_frame(second.1)?);
        let calibrated = self.calibrated();
        let not = |reason: &str| DeskError::NotCalibrated { reason: reason.to_owned() };
        let cameras = calibrated.as_ref().as_ref().map_err(|reason| not(reason))?;
        let (Some(a), Some(b)) = (cameras.get(a), cameras.get(b)) else { return Err(not("a camera is missing")) };
        epipolar_curve(a, pts_a, px, velocity_px_per_second, b, pts_b)
            .ok_or_else(|| DeskError::BadAct { reason: "the lens has no ray through this pixel".to_owned() })
    }
}
