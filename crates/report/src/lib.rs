//! The report of a session: one self-contained HTML page for the player and for the analyst.
//!
//! [`render`] takes what the stages computed and returns the page as text. The page fetches nothing (a content security
//! policy in it forbids that), runs no script, opens on a phone and prints on A4.
//!
//! # Conventions
//!
//! - Input is SI; centimetres, milliseconds and degrees appear here and only here.
//! - A number is rounded to what its 95 % interval can carry (see [`render`]); its exact SI value stands beside it in the
//!   page's `<data value="…">`.
//! - Path plots are in body axes `[hitting side, front, up]`: the hitting side is on the right, for left-handers too.
//! - What could not be measured is listed with its reason, never left out.
//! - The program never invents advice: the cue, the drill and the retest date are the coach's (`[report]` in session.toml);
//!   where they are empty the page has a marked place.
//! - Before and after are drawn with the same scales and the same numbers for the phases, side by side.
//! - The same input gives the same page, byte by byte.

mod answers;
mod before_after;
mod curve_plot;
mod facts;
#[cfg(test)]
mod fixture;
mod frame_overlay;
mod key_pictures;
mod measures;
mod numbers;
mod page;
mod palette;
mod path_plot;
mod phase_plot;
mod plain_words;
mod plot;
mod quality;
mod sequence_plot;
mod statements;
mod words;

use midline_analysis::comparison::{Comparison, ComparisonError};
use midline_session::Provenance;
use midline_session::calibration::{ClockCalibration, LensCalibration, RigCalibration};
use midline_session::description::Session;
use midline_session::footage::Footage;
use midline_session::keypoints::Keypoints;
use midline_session::strokes::{EventKind, Strokes};
use midline_session::tracks::Tracks;
use minijinja::syntax::SyntaxConfig;
use serde::Serialize;

pub use frame_overlay::{FrameOverlay, draw_overlay};

/// A picture of one camera at an event, with what is drawn over it.
#[derive(Debug, Clone, PartialEq)]
pub struct KeyPicture {
    /// The camera's name.
    pub camera: String,
    /// Number of the stroke, from 1.
    pub stroke: usize,
    /// The event that the picture shows.
    pub event: EventKind,
    /// Session time of the picture minus contact, seconds.
    pub seconds_to_contact: f64,
    /// Width and height in pixels, display orientation.
    pub size_px: [u32; 2],
    /// Three bytes per pixel, rows top to bottom.
    pub rgb: Vec<u8>,
    /// Skeleton and racket as line segments, pixels, pixel centres at integers.
    pub skeleton_px: Vec<[[f64; 2]; 2]>,
    /// The racket tip's path as a polyline, pixels.
    pub racket_path_px: Vec<[f64; 2]>,
}

/// Everything that a report shows.
#[derive(Debug, Clone, Copy)]
pub struct ReportInput<'a> {
    /// What a person said about the session.
    pub session: &'a Session,
    /// Result of the strokes stage.
    pub strokes: &'a Strokes,
    /// Lens of each camera.
    pub lenses: &'a [LensCalibration],
    /// Where the cameras stand.
    pub rig: &'a RigCalibration,
    /// The session clock.
    pub clock: &'a ClockCalibration,
    /// Footage of each camera by the camera's name.
    pub footage: &'a [(String, Footage)],
    /// 2D keypoints of each camera.
    pub keypoints: &'a [Keypoints],
    /// 3D tracks.
    pub tracks: &'a Tracks,
    /// What the stage that made them remarked, one sentence each.
    pub lift_remarks: &'a [String],
    /// Key pictures; those of the stroke with the most pictures go to the player's part, the rest to the analyst's. A page that
    /// is to open on a phone holds those of a few strokes only.
    pub pictures: &'a [KeyPicture],
    /// Provenance of the computed files, for the versions and settings at the end.
    pub provenance: &'a [Provenance],
    /// Name and version of the program.
    pub program: &'a str,
    /// An earlier session to compare with.
    pub before: Option<Before<'a>>,
    /// Stages whose results are not there; their places in this input are empty.
    pub missing: &'a [MissingStage],
}

/// The session that is compared with, usually the same player's some weeks earlier.
#[derive(Debug, Clone, Copy)]
pub struct Before<'a> {
    /// What a person said about it.
    pub session: &'a Session,
    /// Result of its strokes stage.
    pub strokes: &'a Strokes,
    /// Its key pictures.
    pub pictures: &'a [KeyPicture],
    /// Its strokes (first) against those of the present session, or why the analysis does not compare them.
    pub comparison: &'a Result<Comparison, ComparisonError>,
}

/// A stage without a result.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct MissingStage {
    /// The stage, with the camera where there is one for each.
    pub stage: String,
    /// Why there is no result.
    pub because: String,
    /// The command that makes it.
    pub command: String,
}

/// Why a report could not be made.
#[derive(Debug, thiserror::Error)]
pub enum ReportError {
    /// A key picture's bytes do not fit its size.
    #[error(
        "key picture of camera \"{camera}\", stroke {stroke}, {event}: {width} x {height} px needs {expected} bytes, {found} were given; hand over 3 bytes per pixel"
    )]
    PictureSize {
        /// The camera.
        camera: String,
        /// The stroke's number.
        stroke: usize,
        /// The event in words.
        event: &'static str,
        /// Width in pixels.
        width: u32,
        /// Height in pixels.
        height: u32,
        /// Bytes that the size asks for.
        expected: u64,
        /// Bytes that were there.
        found: usize,
    },
    /// A key picture could not be compressed.
    #[error("key picture of camera \"{camera}\", stroke {stroke}, {event}: making a JPEG failed: {source}")]
    Jpeg {
        /// The camera.
        camera: String,
        /// The stroke's number.
        stroke: usize,
        /// The event in words.
        event: &'static str,
        /// The encoder's reason.
        source: image::ImageError,
    },
    /// A plot could not be drawn.
    #[error("the plot \"{plot}\" could not be drawn: {reason}; this is a defect of the report, please tell us")]
    Plot {
        /// The plot's title.
        plot: String,
        /// The drawing library's reason.
        reason: String,
    },
    /// The page's template could not be filled.
    #[error("the page could not be put together: {0}; this is a defect of the report, please tell us")]
    Template(#[from] minijinja::Error),
}

const TEMPLATE_NAME: &str = "report.html"; // the ending switches HTML escaping on
const TEMPLATE: &str = include_str!("report.html");
const STYLE: &str = include_str!("report.css");

/// The report as one self-contained HTML page.
///
/// Rounding: the half width of the 95 % interval is given with one significant digit, or two when the first is 1 or 2
/// (after the Guide to the Expression of Uncertainty in Measurement, JCGM 100:2008, 7.2.6: at most two digits), and the
/// value to the same decimal place. A measure that is not a finite number is shown as not measurable.
///
/// # Errors
/// When a key picture's bytes do not fit its size or cannot be compressed. Missing strokes, pictures, curves, points or
/// calibrations are no error: the page says what is missing.
pub fn render(input: &ReportInput) -> Result<String, ReportError> {
    let page = page::Page::of(input)?;
    let mut environment = minijinja::Environment::new();
    environment.set_syntax(SyntaxConfig::builder().trim_blocks(true).lstrip_blocks(true).build()?);
    environment.set_undefined_behavior(minijinja::UndefinedBehavior::Strict);
    environment.add_filter("headline", words::headline);
    environment.add_filter("sentence", words::sentence);
    environment.add_filter("clause", words::clause);
    environment.add_template(TEMPLATE_NAME, TEMPLATE)?;
    let page = minijinja::value::Serde(page);
    let context = minijinja::context! { style => STYLE, page };
    Ok(environment.get_template(TEMPLATE_NAME)?.render(context)?)
}

#[cfg(test)]
mod tests;
