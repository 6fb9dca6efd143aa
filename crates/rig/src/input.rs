//! What a rig is solved from.

use std::collections::BTreeMap;

use midline_geometry::{Intrinsics, RigidTransform};
use midline_session::board::{Board, BoardView};
use midline_session::calibration::LensCalibration;
use midline_session::court::{Court, LineEdge};
use midline_solver::Loss;
use nalgebra::{Point3, Vector2, Vector3};

use crate::painted_line::PaintedLine;
use crate::{CarriedCorner, RigError, SharedSighting};

/// Pixels of the court points marked in one camera's picture, by the names of the court model.
pub type CourtMarks = BTreeMap<String, [f64; 2]>;

/// A pixel somewhere on a line of the court.
#[derive(Debug, Clone, PartialEq)]
pub struct LinePoint {
    /// Name of the painted line in the court model.
    pub line: String,
    /// Its middle or one of its edges.
    pub edge: LineEdge,
    /// Where it is seen, px.
    pub px: [f64; 2],
    /// Standard deviation across the line in the picture alone, px, where the picture was measured; where the line is painted is
    /// then counted apart ([`RigSettings::paint_sd_m`]). `None` for a click, whose deviation includes the paint's.
    pub sd_px: Option<f64>,
}

/// What a rig is solved from. Cameras are in the order of the lenses everywhere.
#[derive(Debug, Clone, Copy)]
pub struct RigInput<'a> {
    /// One lens per camera.
    pub lenses: &'a [LensCalibration],
    /// The board and where the cameras saw it together at rest.
    pub boards: Option<(&'a Board, &'a [SharedSighting])>,
    /// The court and, for each camera, its marked points (empty where there are none).
    pub court: Option<(&'a Court, &'a [CourtMarks])>,
    /// For each camera, pixels on lines of the court; empty where there are none at all.
    pub lines: &'a [Vec<LinePoint>],
}

/// Assumed accuracy of what is seen (where the residuals are larger, they count instead), and the loss.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RigSettings {
    /// Standard deviation of a marked court point, px per coordinate: hand, paint and court together.
    pub click_sd_px: f64,
    /// Standard deviation of a board corner, px per coordinate.
    pub corner_sd_px: f64,
    /// Standard deviation of where each end of a court line is painted, against the model, metres: the ground is not quite flat
    /// and nobody paints to the millimetre. All places of a line in all pictures share it. Counts for lines measured in
    /// pictures; a click's deviation includes it.
    pub paint_sd_m: f64,
    /// Standard deviation of the width of a line's paint as a share of that in the model: rules leave it open (tennis: 2.5 to
    /// 5 cm). Counts where another edge was measured than the one whose place the rules fix.
    pub paint_width_share_sd: f64,
    /// Standard deviation of where an edge appears in a picture against where it is, px: blur, sharpening, tone curve and
    /// compression act alike on all places of a line in one picture. Counts for lines measured in pictures.
    pub edge_sd_px: f64,
    /// Standard deviation of the clock between clips of a shared board, seconds. Counts for boards in motion, which tell the
    /// clock better together with the poses.
    pub board_clock_sd_seconds: f64,
    /// Loss of the joint solution, its scale in standard deviations of a point. The squared loss gives the plain
    /// least-squares optimum.
    pub loss: Loss,
}

impl Default for RigSettings {
    fn default() -> Self {
        Self {
            click_sd_px: 1.5,
            corner_sd_px: 0.2,
            paint_sd_m: 0.004,
            paint_width_share_sd: 0.3,
            edge_sd_px: 0.1,
            board_clock_sd_seconds: 0.002,
            loss: Loss::Huber(3.0),
        }
    }
}

/// A known point and where it is seen.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Observed {
    /// In the frame of the board or the court, metres.
    pub(crate) point: Point3<f64>,
    pub(crate) px: Vector2<f64>,
}

/// A pixel on a straight line in the world.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct OnLine {
    /// The line's name.
    pub(crate) line: String,
    pub(crate) edge: LineEdge,
    /// Ends of the edge in the model.
    pub(crate) ends: [Point3<f64>; 2],
    /// Unit vector from the low edge to the high one.
    pub(crate) across: Vector3<f64>,
    /// Half the paint's width in the model, metres.
    pub(crate) half_width_m: f64,
    /// Half widths from the edge whose place the rules fix to this one, positive along `across`.
    pub(crate) half_widths: f64,
    pub(crate) px: Vector2<f64>,
    pub(crate) sd_px: f64,
    /// Whether the picture was measured, so that the deviation is the picture's alone.
    pub(crate) measured: bool,
}

impl OnLine {
    /// A pixel on a line of the court; `None` for a line that the court lacks.
    pub(crate) fn new(court: &Court, point: &LinePoint, settings: &RigSettings) -> Option<Self> {
        let ends = |edge| Some(court.line_ends_m(&point.line, edge)?.map(Point3::from));
        let [own, low, high] = [ends(point.edge)?, ends(LineEdge::Low)?, ends(LineEdge::High)?];
        let width = high[0] - low[0];
        let side = |edge| match edge {
            LineEdge::Low => -1.0,
            LineEdge::Middle => 0.0,
            LineEdge::High => 1.0,
        };
        Some(Self {
            line: point.line.clone(),
            edge: point.edge,
            ends: own,
            // A line without width still has a direction across.
            across: width.try_normalize(0.0).unwrap_or_else(|| Vector3::z().cross(&(own[1] - own[0]).normalize())),
            half_width_m: width.norm() / 2.0,
            half_widths: side(point.edge) - side(court.measured_edge(&point.line)?),
            px: Vector2::from(point.px),
            sd_px: point.sd_px.unwrap_or(settings.click_sd_px),
            measured: point.sd_px.is_some(),
        })
    }

    /// Unit vector along the line in the model.
    pub(crate) fn direction(&self) -> Vector3<f64> {
        (self.ends[1] - self.ends[0]).normalize()
    }
}

/// A board in one place, as the cameras see it.
#[derive(Debug, Clone)]
pub(crate) struct Sighted {
    /// One entry per camera.
    pub(crate) views: Vec<Option<Vec<Observed>>>,
    /// Of a board in motion, for each camera how its corners were carried; empty for one at rest.
    pub(crate) carried: Vec<Vec<CarriedCorner>>,
}

/// The court points of one camera.
#[derive(Debug, Clone, Default)]
pub(crate) struct CourtPoints {
    pub(crate) names: Vec<String>,
    pub(crate) observed: Vec<Observed>,
}

/// The input, checked and in the form in which it is used.
pub(crate) struct Checked<'a> {
    pub(crate) input: &'a RigInput<'a>,
    pub(crate) settings: RigSettings,
    pub(crate) names: Vec<&'a str>,
    pub(crate) intrinsics: Vec<Intrinsics>,
    /// One per camera.
    pub(crate) court: Vec<CourtPoints>,
    /// Pixels on lines, one list per camera.
    pub(crate) lines: Vec<Vec<OnLine>>,
    /// Only sightings in two or more cameras.
    pub(crate) sightings: Vec<Sighted>,
    /// Their indices in the input.
    pub(crate) sighting_indices: Vec<usize>,
    /// Poses on the court that are already known well enough to start from, one per camera.
    pub(crate) starts: Vec<Option<RigidTransform>>,
}

impl<'a> Checked<'a> {
    fn unconnected(input: &'a RigInput<'a>, settings: &RigSettings) -> Result<Self, RigError> {
        for (name, value) in [
            ("click_sd_px", settings.click_sd_px),
            ("corner_sd_px", settings.corner_sd_px),
            ("paint_sd_m", settings.paint_sd_m),
            ("paint_width_share_sd", settings.paint_width_share_sd),
            ("edge_sd_px", settings.edge_sd_px),
            ("board_clock_sd_seconds", settings.board_clock_sd_seconds),
        ] {
            if !(value > 0.0 && value.is_finite()) {
                return Err(RigError::BadSetting { name, value });
            }
        }
        let cameras = input.lenses.len();
        if cameras < 2 {
            return Err(RigError::TooFewCameras { cameras });
        }
        let mut checked = Self {
            input,
            settings: *settings,
            names: input.lenses.iter().map(|lens| lens.camera.as_str()).collect(),
            intrinsics: input.lenses.iter().map(|lens| lens.intrinsics).collect(),
            court: vec![CourtPoints::default(); cameras],
            lines: vec![Vec::new(); cameras],
            sightings: Vec::new(),
            sighting_indices: Vec::new(),
            starts: vec![None; cameras],
        };
        if let Some((court, marked)) = input.court {
            checked.take_court(court, marked)?;
            checked.take_lines(court, input.lines)?;
        }
        if let Some((board, sightings)) = input.boards {
            checked.take_boards(board, sightings)?;
        }
        Ok(checked)
    }

    /// The same with rough poses on the court for some cameras, one entry per camera or none at all.
    pub(crate) fn with_starts(
        input: &'a RigInput<'a>,
        settings: &RigSettings,
        starts: &[Option<RigidTransform>],
    ) -> Result<Self, RigError> {
        let lenses = input.lenses.len();
        if !starts.is_empty() && starts.len() != lenses {
            return Err(RigError::LensMissing { what: "rough places", found: starts.len(), lenses });
        }
        let mut checked = Self::unconnected(input, settings)?;
        if input.court.is_some() {
            starts.iter().enumerate().for_each(|(camera, start)| checked.starts[camera] = *start);
        }
        checked.connected()
    }

    pub(crate) fn new(input: &'a RigInput<'a>, settings: &RigSettings) -> Result<Self, RigError> {
        Self::unconnected(input, settings)?.connected()
    }

    fn connected(self) -> Result<Self, RigError> {
        if self.sightings.is_empty() && !self.on_court() && self.starts.iter().all(Option::is_none) {
            return Err(RigError::NothingToGoBy);
        }
        Ok(self)
    }

    fn take_court(&mut self, court: &Court, marked: &[CourtMarks]) -> Result<(), RigError> {
        let lenses = self.names.len();
        if marked.len() != lenses {
            return Err(RigError::LensMissing { what: "court points", found: marked.len(), lenses });
        }
        for (camera, marked) in marked.iter().enumerate() {
            for (name, px) in marked {
                let point = court.points_m.get(name).ok_or_else(|| RigError::UnknownCourtPoint {
                    camera: self.names[camera].to_owned(),
                    point: name.clone(),
                    known: court.points_m.keys().cloned().collect::<Vec<_>>().join(", "),
                })?;
                let observed = Observed { point: Point3::from(*point), px: Vector2::from(*px) };
                self.check_ray(camera, &observed, || format!("court point \"{name}\""))?;
                self.court[camera].names.push(name.clone());
                self.court[camera].observed.push(observed);
            }
        }
        Ok(())
    }

    fn take_lines(&mut self, court: &Court, lines: &[Vec<LinePoint>]) -> Result<(), RigError> {
        let lenses = self.names.len();
        if !lines.is_empty() && lines.len() != lenses {
            return Err(RigError::LensMissing { what: "court lines", found: lines.len(), lenses });
        }
        for (camera, points) in lines.iter().enumerate() {
            for point in points {
                let on = OnLine::new(court, point, &self.settings).ok_or_else(|| RigError::UnknownCourtLine {
                    camera: self.names[camera].to_owned(),
                    line: point.line.clone(),
                    known: court.lines_m.keys().cloned().collect::<Vec<_>>().join(", "),
                })?;
                if !(on.sd_px > 0.0 && on.sd_px.is_finite()) {
                    return Err(RigError::BadSetting { name: "sd_px of a line point", value: on.sd_px });
                }
                let observed = Observed { point: on.ends[0], px: on.px };
                self.check_ray(camera, &observed, || format!("court line \"{}\"", point.line))?;
                self.lines[camera].push(on);
            }
        }
        Ok(())
    }

    fn take_boards(&mut self, board: &Board, sightings: &[SharedSighting]) -> Result<(), RigError> {
        if !board.orientation_is_unambiguous() {
            return Err(RigError::HalfTurn { board: board.name.clone() });
        }
        let lenses = self.names.len();
        let corners_m = board.corners_m();
        for (sighting, shared) in sightings.iter().enumerate() {
            if shared.views.len() != lenses {
                return Err(RigError::LensMissing { what: "board sightings", found: shared.views.len(), lenses });
            }
            let mut views = Vec::with_capacity(lenses);
            for (camera, view) in shared.views.iter().enumerate() {
                views.push(match view {
                    Some(view) => Some(self.corners(sighting, camera, board, &corners_m, view)?),
                    None => None,
                });
            }
            if let Some(carried) =
                shared.carried.iter().flatten().find(|c| !(c.noise_ratio > 0.0 && c.noise_ratio.is_finite()))
            {
                return Err(RigError::BadSetting {
                    name: "noise_ratio of a carried corner",
                    value: carried.noise_ratio,
                });
            }
            if views.iter().flatten().count() >= 2 {
                self.sightings.push(Sighted { views, carried: shared.carried.clone() });
                self.sighting_indices.push(sighting);
            }
        }
        Ok(())
    }

    fn corners(
        &self,
        sighting: usize,
        camera: usize,
        board: &Board,
        corners_m: &[Point3<f64>],
        view: &BoardView,
    ) -> Result<Vec<Observed>, RigError> {
        let mismatch = || RigError::BoardMismatch {
            sighting,
            camera: self.names[camera].to_owned(),
            corners: view.corners_px.len(),
            board: board.name.clone(),
            expected: corners_m.len(),
        };
        let known = view.corner_ids.as_ref().map_or(corners_m.len(), Vec::len);
        if view.corners_px.len() != known || view.corner_ids.iter().flatten().any(|id| *id >= corners_m.len()) {
            return Err(mismatch());
        }
        let observed: Vec<Observed> = view
            .corner_indices()
            .zip(&view.corners_px)
            .map(|(corner, px)| Observed { point: corners_m[corner], px: Vector2::from(*px) })
            .collect();
        for corner in &observed {
            self.check_ray(camera, corner, || format!("sighting {sighting}"))?;
        }
        Ok(observed)
    }

    fn check_ray(&self, camera: usize, observed: &Observed, what: impl Fn() -> String) -> Result<(), RigError> {
        self.intrinsics[camera].normalised_from_px(observed.px).map(|_| ()).map_err(|source| RigError::NoRay {
            camera: self.names[camera].to_owned(),
            what: what(),
            source,
        })
    }

    /// The lines of which places were measured in some picture, in order.
    pub(crate) fn painted(&self) -> Vec<PaintedLine> {
        let by_camera = self.lines.iter().enumerate();
        PaintedLine::all(by_camera.flat_map(|(camera, lines)| lines.iter().map(move |on| (camera, on))))
    }

    /// Whether the world is the court frame.
    pub(crate) fn on_court(&self) -> bool {
        self.court.iter().any(|points| !points.names.is_empty()) || self.lines.iter().any(|points| !points.is_empty())
    }
}
