//! The plan as a person writes it.

use midline_geometry::{Intrinsics, LensModel, ScanDirection};
use midline_session::court::Court;
use nalgebra::{Point3, Vector3};
use serde::{Deserialize, Serialize};

use super::PlanError;

/// Version of the plan file that is read here.
const SCHEMA: u32 = 1;

/// What is planned. See [`Plan::EXAMPLE`] for the meaning of every entry.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Plan {
    /// Version of the format.
    pub schema: u32,
    /// Name of a court model.
    pub court: String,
    /// Where body and racket are during the stroke.
    pub zone: Box3,
    /// Where the incoming ball bounces.
    pub bounce: Area,
    /// What moves in the zone.
    #[serde(default)]
    pub motion: Motion,
    /// How well things are seen and known.
    #[serde(default)]
    pub accuracy: Accuracy,
    /// The board that will be shown to the phones.
    pub shared_board: Option<SharedBoardPlan>,
    /// The phones; the first one's clock counts.
    #[serde(rename = "phone")]
    pub phones: Vec<Phone>,
}

/// A box in the court frame, metres.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Box3 {
    /// From left to right.
    pub x_m: [f64; 2],
    /// From the baseline toward the net.
    pub y_m: [f64; 2],
    /// Height.
    pub z_m: [f64; 2],
}

/// A rectangle on the ground, metres.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Area {
    /// From left to right.
    pub x_m: [f64; 2],
    /// From the baseline toward the net.
    pub y_m: [f64; 2],
}

/// What moves in the zone.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Motion {
    /// Speed of the racket tip, m/s. Landlinger et al. 2010 (J Sports Sci Med 9:643) give 33.1 ± 2.4 m/s for elite forehands.
    pub racket_mps: f64,
    /// Radius on which the tip travels, m.
    pub racket_radius_m: f64,
    /// Direction of the tip, any length.
    pub racket_direction: [f64; 3],
    /// Speed of a body joint, m/s.
    pub body_mps: f64,
    /// Radius on which a joint travels, m.
    pub body_radius_m: f64,
}

impl Default for Motion {
    fn default() -> Self {
        Self {
            racket_mps: 35.0,
            racket_radius_m: 1.0,
            racket_direction: [0.0, 0.94, 0.34],
            body_mps: 3.0,
            body_radius_m: 0.5,
        }
    }
}

/// Standard deviations of what is seen and known before.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Accuracy {
    /// A body keypoint, px per coordinate.
    pub body_px: f64,
    /// The racket tip in a sharp picture, px per coordinate.
    pub racket_px: f64,
    /// Every phone's clock against the first one's, s.
    pub clock_seconds: f64,
    /// A marked court point, px per coordinate.
    pub court_click_px: f64,
    /// Court points that will be marked in each picture, if that many are in view.
    pub court_points: usize,
    /// Focal length, as a share of itself.
    pub focal_share: f64,
    /// Principal point, px per coordinate.
    pub centre_px: f64,
}

impl Default for Accuracy {
    fn default() -> Self {
        Self {
            body_px: 1.5,
            racket_px: 1.5,
            clock_seconds: 5e-4,
            court_click_px: 1.5,
            court_points: 8,
            focal_share: 1e-3,
            centre_px: 2.0,
        }
    }
}

/// The board that will be held still in the zone, in sight of all phones that face it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SharedBoardPlan {
    /// Inner corners along a row and down a column.
    pub inner_corners: [usize; 2],
    /// Side of a square, m.
    pub square_m: f64,
    /// In how many places it will be held.
    pub places: usize,
    /// Standard deviation of a corner, px per coordinate.
    pub corner_px: f64,
}

/// One phone.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Phone {
    /// Name.
    pub name: String,
    /// Width and height of the picture as shown, px.
    pub size_px: [u32; 2],
    /// Focal length, px; this or the field of view.
    pub focal_px: Option<f64>,
    /// Field of view along the picture's longer side, degrees.
    pub field_of_view_degrees: Option<f64>,
    /// Frames per second.
    pub frames_per_second: f64,
    /// Exposure of a frame, s.
    pub shutter_seconds: f64,
    /// Rolling-shutter read-out, s.
    #[serde(default)]
    pub readout_seconds: f64,
    /// Standard deviation of the read-out, s.
    #[serde(default)]
    pub readout_sd_seconds: f64,
    /// Direction in which the rows are read in the picture as shown.
    #[serde(default)]
    pub readout_direction: ScanDirection,
    /// Intended place of the lens: x, y, height, m.
    pub place_m: [f64; 3],
    /// Where the tripod may stand and how high; the intended place when absent.
    pub may_stand: Option<Box3>,
    /// What the picture's middle shows; chosen by the program when absent.
    pub look_at_m: Option<[f64; 3]>,
}

impl Phone {
    /// The phone's lens: a pinhole, in the middle of the picture.
    #[must_use]
    pub fn intrinsics(&self) -> Intrinsics {
        let [width, height] = self.size_px.map(f64::from);
        let from_view = |degrees: f64| width.max(height) / 2.0 / (degrees.to_radians() / 2.0).tan();
        let focal = self.focal_px.or(self.field_of_view_degrees.map(from_view)).unwrap_or(width.max(height));
        Intrinsics {
            focal_px: [focal, focal],
            centre_px: [(width - 1.0) / 2.0, (height - 1.0) / 2.0],
            model: LensModel::Pinhole,
            size_px: self.size_px,
        }
    }
}

impl Box3 {
    pub(crate) fn centre(&self) -> Point3<f64> {
        let middle = |range: [f64; 2]| (range[0] + range[1]) / 2.0;
        Point3::new(middle(self.x_m), middle(self.y_m), middle(self.z_m))
    }

    /// `count` × `count` × `count` points from border to border.
    pub(crate) fn grid(&self, count: usize) -> Vec<Point3<f64>> {
        let at =
            |range: [f64; 2], index: usize| range[0] + (range[1] - range[0]) * index as f64 / (count.max(2) - 1) as f64;
        (0..count * count * count)
            .map(|i| {
                Point3::new(at(self.x_m, i % count), at(self.y_m, i / count % count), at(self.z_m, i / count / count))
            })
            .collect()
    }
}

impl Area {
    /// `count` × `count` points on the ground from border to border.
    pub(crate) fn grid(&self, count: usize) -> Vec<Point3<f64>> {
        let flat = Box3 { x_m: self.x_m, y_m: self.y_m, z_m: [0.0, 0.0] };
        flat.grid(count).into_iter().take(count * count).collect()
    }

    pub(crate) fn centre(&self) -> Point3<f64> {
        Box3 { x_m: self.x_m, y_m: self.y_m, z_m: [0.0, 0.0] }.centre()
    }
}

impl Plan {
    /// A commented plan to start from.
    pub const EXAMPLE: &str = include_str!("example.toml");

    /// Reads and checks a plan.
    ///
    /// # Errors
    /// [`PlanError::Malformed`] with the line of the first mistake.
    pub fn from_toml(text: &str) -> Result<Self, PlanError> {
        let line_at = |offset: usize| text.bytes().take(offset).filter(|b| *b == b'\n').count() + 1;
        let plan: Self = toml::from_str(text).map_err(|e| PlanError::Malformed {
            line: e.span().map(|span| line_at(span.start)),
            reason: format!("{}; `midline plan --example` prints a plan to start from", e.message().trim()),
        })?;
        plan.check().map_err(|(word, reason)| PlanError::Malformed { line: text.find(&word).map(line_at), reason })?;
        Ok(plan)
    }

    /// The court model.
    #[must_use]
    pub fn court_model(&self) -> Option<Court> {
        Court::by_name(&self.court)
    }

    /// Velocity of the racket tip, m/s.
    pub(crate) fn racket_velocity(&self) -> Vector3<f64> {
        let direction = Vector3::from(self.motion.racket_direction);
        direction.try_normalize(1e-9).unwrap_or_else(Vector3::y) * self.motion.racket_mps
    }

    /// A word of the offending line, and what is wrong.
    fn check(&self) -> Result<(), (String, String)> {
        let wrong = |word: &str, reason: String| Err((word.to_owned(), reason));
        if self.schema != SCHEMA {
            return wrong("schema", format!("schema {} is not known; this program reads {SCHEMA}", self.schema));
        }
        if self.court_model().is_none() {
            return wrong(&self.court, format!("no court model \"{}\"; there is itf-tennis", self.court));
        }
        let ranges = [
            ("[zone]", "zone", vec![self.zone.x_m, self.zone.y_m, self.zone.z_m]),
            ("[bounce]", "bounce", vec![self.bounce.x_m, self.bounce.y_m]),
        ];
        for (word, name, ranges) in ranges {
            if let Some([from, to]) = ranges.into_iter().find(|[from, to]| !(to > from && (to - from).is_finite())) {
                return wrong(word, format!("{name}: a range from {from} to {to} is empty; write the lower end first"));
            }
        }
        let (accuracy, motion) = (&self.accuracy, &self.motion);
        for (name, value) in [
            ("body_px", accuracy.body_px),
            ("racket_px", accuracy.racket_px),
            ("court_click_px", accuracy.court_click_px),
            ("racket_radius_m", motion.racket_radius_m),
            ("body_radius_m", motion.body_radius_m),
        ] {
            if !(value > 0.0 && value.is_finite()) {
                return wrong(name, format!("{name} = {value} must be a positive number"));
            }
        }
        for (name, value) in [
            ("clock_seconds", accuracy.clock_seconds),
            ("focal_share", accuracy.focal_share),
            ("centre_px", accuracy.centre_px),
            ("racket_mps", motion.racket_mps),
            ("body_mps", motion.body_mps),
        ] {
            if !(value >= 0.0 && value.is_finite()) {
                return wrong(name, format!("{name} = {value} must not be negative"));
            }
        }
        if let Some(board) = &self.shared_board
            && !(board.square_m > 0.0
                && board.corner_px > 0.0
                && board.inner_corners.iter().all(|n| (2..=50).contains(n)))
        {
            return wrong(
                "[shared_board]",
                "shared_board: square_m and corner_px must be positive, inner_corners 2 to 50 each".to_owned(),
            );
        }
        if self.phones.len() < 2 {
            return wrong("[[phone]]", format!("{} phone(s); 3D needs at least two", self.phones.len()));
        }
        self.phones.iter().enumerate().try_for_each(|(index, phone)| self.check_phone(index, phone))
    }

    fn check_phone(&self, index: usize, phone: &Phone) -> Result<(), (String, String)> {
        let own = format!("\"{}\"", phone.name);
        let wrong = |reason: String| Err((own.clone(), format!("phone {own}: {reason}")));
        if self.phones[..index].iter().any(|other| other.name == phone.name) {
            return wrong("another phone has the same name".to_owned());
        }
        if phone.size_px.contains(&0) {
            return wrong(format!("size_px {:?} has no area", phone.size_px));
        }
        match (phone.focal_px, phone.field_of_view_degrees) {
            (Some(focal), None) if focal > 0.0 && focal.is_finite() => {}
            (None, Some(degrees)) if (1.0..150.0).contains(&degrees) => {}
            (Some(_), Some(_)) => return wrong("give focal_px or field_of_view_degrees, not both".to_owned()),
            (None, None) => return wrong("give focal_px or field_of_view_degrees".to_owned()),
            _ => return wrong("focal_px must be positive, field_of_view_degrees between 1 and 150".to_owned()),
        }
        if !(phone.frames_per_second >= 1.0 && phone.frames_per_second <= 10_000.0) {
            return wrong(format!("frames_per_second = {} is not between 1 and 10000", phone.frames_per_second));
        }
        if !(phone.shutter_seconds >= 0.0 && phone.shutter_seconds <= 1.0 / phone.frames_per_second * 1.0001) {
            return wrong(format!(
                "shutter_seconds = {} is longer than a frame at {} per second",
                phone.shutter_seconds, phone.frames_per_second
            ));
        }
        if !(0.0..0.1).contains(&phone.readout_seconds) || !(0.0..0.1).contains(&phone.readout_sd_seconds) {
            return wrong("readout_seconds and readout_sd_seconds must be between 0 and 0.1".to_owned());
        }
        if !(phone.place_m.iter().all(|v| v.is_finite()) && phone.place_m[2] > 0.0) {
            return wrong(format!("place_m {:?} is not above the ground", phone.place_m));
        }
        if let Some(area) = phone.may_stand
            && ![area.x_m, area.y_m, area.z_m].iter().all(|[from, to]| to >= from && (to - from).is_finite())
        {
            return wrong("may_stand: write the lower end of every range first".to_owned());
        }
        if phone.may_stand.is_some_and(|area| area.z_m[0] <= 0.0) {
            return wrong("may_stand: heights must be above the ground".to_owned());
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn reason(from: &str, to: &str) -> (Option<usize>, String) {
        assert!(Plan::EXAMPLE.contains(from), "{from}");
        match Plan::from_toml(&Plan::EXAMPLE.replacen(from, to, 1)) {
            Err(PlanError::Malformed { line, reason }) => (line, reason),
            other => panic!("{other:?}"),
        }
    }

    #[test]
    fn the_example_is_a_plan() {
        let plan = Plan::from_toml(Plan::EXAMPLE).unwrap();
        assert_eq!(plan.phones.len(), 2);
        // 64 degrees over 1920 px: 960 / tan 32°.
        assert!((plan.phones[0].intrinsics().focal_px[0] - 1536.3).abs() < 0.1);
    }

    #[test]
    fn mistakes_are_named_with_their_line() {
        let line = |needle: &str| Plan::EXAMPLE.lines().position(|l| l.contains(needle)).map(|l| l + 1);
        let (at, why) = reason("x_m = [-1.2, 1.8]", "x_m = [1.8, -1.2]");
        assert!(why.contains("empty") && at == line("[zone]"), "{why} {at:?}");
        let (at, why) = reason("name = \"right\"", "name = \"left\"");
        assert!(why.contains("same name") && at.is_some(), "{why}");
        let (at, why) = reason("shutter_seconds = 0.001", "shutter_seconds = 0.1");
        assert!(why.contains("longer than a frame") && at == line("name = \"left\""), "{why}");
        let (_, why) = reason("itf-tennis", "moon");
        assert!(why.contains("moon"), "{why}");
        let (at, why) = reason("body_px = 1.5", "body_px = -1.5");
        assert!(why.contains("body_px") && at == line("body_px ="), "{why}");
        let (at, why) = reason("racket_px = 1.5", "racket_pixels = 1.5");
        assert!(why.contains("racket_pixels") && at == line("racket_px ="), "{why} {at:?}");
        let (_, why) = reason("field_of_view_degrees = 64.0", "field_of_view_degrees = 64.0\nfocal_px = 9.0");
        assert!(why.contains("not both"), "{why}");
    }
}
