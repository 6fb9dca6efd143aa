//! Why a rig cannot be solved.

use midline_geometry::IntrinsicsError;
use midline_solver::SolverError;

/// Why a rig cannot be solved, and what to do.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum RigError {
    /// Nothing relates cameras to each other with one camera.
    #[error("{cameras} camera(s) with a lens calibration; a rig needs at least two")]
    TooFewCameras {
        /// Lenses given.
        cameras: usize,
    },
    /// More cameras have observations than have lenses, or fewer.
    #[error("{what} are given for {found} cameras, lenses for {lenses}; calibrate the lens of every camera of the rig")]
    LensMissing {
        /// What was given.
        what: &'static str,
        /// For how many cameras.
        found: usize,
        /// Lenses given.
        lenses: usize,
    },
    /// A setting that cannot be used.
    #[error("setting {name} is {value}; it must be a positive number")]
    BadSetting {
        /// The setting.
        name: &'static str,
        /// Its value.
        value: f64,
    },
    /// Neither boards nor court points.
    #[error(
        "neither a board seen by two cameras at rest nor court points are given; film the board held still in sight of both cameras, or mark at least four court points in each"
    )]
    NothingToGoBy,
    /// A camera has too few court points and nothing else.
    #[error(
        "camera \"{camera}\" has {points} court point(s); mark at least 4 that do not lie on one line, the more and the farther apart the better"
    )]
    TooFewCourtPoints {
        /// The camera.
        camera: String,
        /// Points given.
        points: usize,
    },
    /// A name that the court model lacks.
    #[error("camera \"{camera}\": the court model has no point \"{point}\"; it has {known}")]
    UnknownCourtPoint {
        /// The camera.
        camera: String,
        /// The name.
        point: String,
        /// The names there are.
        known: String,
    },
    /// A line that the court model lacks.
    #[error("camera \"{camera}\": the court model has no line \"{line}\"; it has {known}")]
    UnknownCourtLine {
        /// The camera.
        camera: String,
        /// The name.
        line: String,
        /// The names there are.
        known: String,
    },
    /// Pixels of a line that lie off it.
    #[error(
        "camera \"{camera}\": a point marked on \"{line}\" is {residual_px:.0} px off that line as all the rest puts it (limit {limit_px:.0} px); check that the right line was marked, along the middle of its paint"
    )]
    LineContradiction {
        /// The camera.
        camera: String,
        /// The line.
        line: String,
        /// Distance of the worst point.
        residual_px: f64,
        /// Largest distance allowed.
        limit_px: f64,
    },
    /// The lines that a rough start needs are not where it puts them.
    #[error(
        "camera \"{camera}\": its court lines were not found within {reach_px:.0} px of where the rough marks or the rough place put them, on at least two that cross; mark at least 4 points exactly, check their names and the court model, or correct the place"
    )]
    LinesNotFound {
        /// The camera.
        camera: String,
        /// How far the first look reached.
        reach_px: f64,
    },
    /// Points on one line leave a turn about it open.
    #[error(
        "camera \"{camera}\": its court points ({points}) lie on one line, which leaves its place open; mark at least one point well off that line"
    )]
    Collinear {
        /// The camera.
        camera: String,
        /// The points.
        points: String,
    },
    /// A pixel without a ray.
    #[error("camera \"{camera}\", {what}: {source}")]
    NoRay {
        /// The camera.
        camera: String,
        /// What was seen there.
        what: String,
        /// Why.
        source: IntrinsicsError,
    },
    /// The court points fit a camera under the ground only.
    #[error(
        "camera \"{camera}\": its court points fit only a camera under the ground, as when left and right (or near and far) are taken for each other; check the names: left and right are meant as seen from behind the near baseline, looking at the net"
    )]
    BelowGround {
        /// The camera.
        camera: String,
    },
    /// Court points contradict each other.
    #[error(
        "camera \"{camera}\": \"{point}\" is {residual_px:.0} px from where the other points put it (limit {limit_px:.0} px){}; check that it is marked on the right crossing and on its outer corner, that the court model is the right one, and that the lens is this camera's",
        .fits.as_ref().map(|name| format!(", and it lies where \"{name}\" would be")).unwrap_or_default()
    )]
    CourtContradiction {
        /// The camera.
        camera: String,
        /// The worst point.
        point: String,
        /// Its distance.
        residual_px: f64,
        /// Largest distance allowed.
        limit_px: f64,
        /// Another court point that the mark fits.
        fits: Option<String>,
    },
    /// Court points agree within each camera but not with the rest.
    #[error(
        "camera \"{camera}\": \"{point}\" is {residual_px:.0} px off (limit {limit_px:.0} px) once the shared boards are taken into account, though the court points agree among themselves; check the board's square_m, the court model, and that no camera's court is named from the other end"
    )]
    CourtAgainstBoards {
        /// The camera.
        camera: String,
        /// The worst point.
        point: String,
        /// Its distance.
        residual_px: f64,
        /// Largest distance allowed.
        limit_px: f64,
    },
    /// A sighting whose corners do not belong to the board.
    #[error(
        "sighting {sighting}, camera \"{camera}\": {corners} corners, but board \"{board}\" has {expected}; check the board's inner_corners"
    )]
    BoardMismatch {
        /// Index of the sighting.
        sighting: usize,
        /// The camera.
        camera: String,
        /// Corners given.
        corners: usize,
        /// The board.
        board: String,
        /// Corners it has.
        expected: usize,
    },
    /// A board whose corners cannot be told apart after a half turn.
    #[error(
        "board \"{board}\" looks the same after a half turn, so that two cameras cannot agree on its corners; use one with one even and one odd number of inner corners"
    )]
    HalfTurn {
        /// The board.
        board: String,
    },
    /// No pose of the board explains what one camera saw.
    #[error(
        "sighting {sighting}, camera \"{camera}\": no pose of the board explains its corners; check the board's dimensions and this camera's lens"
    )]
    NoBoardPose {
        /// Index of the sighting.
        sighting: usize,
        /// The camera.
        camera: String,
    },
    /// Cameras that nothing connects to the others.
    #[error(
        "camera(s) {cameras} cannot be placed: no board is seen by them together with a placed camera, and they have fewer than 4 court points; film the board still in sight of both, or mark court points"
    )]
    NotConnected {
        /// The cameras.
        cameras: String,
    },
    /// Too many sightings contradict the others.
    #[error(
        "{contradicting} of {sightings} shared board sightings contradict the others (worst: sighting {worst}, camera \"{camera}\", {rms_px:.1} px); the board moved between the cameras' frames, the clocks are apart, the lenses are not these cameras', or one camera's court points are named from the other end"
    )]
    BoardsContradict {
        /// Sightings that contradict.
        contradicting: usize,
        /// All sightings.
        sightings: usize,
        /// Index of the worst.
        worst: usize,
        /// Camera in which it is worst.
        camera: String,
        /// Root mean square error there, px.
        rms_px: f64,
    },
    /// Two solutions explain the data about equally well.
    #[error(
        "two places of camera \"{camera}\", {apart_m:.2} m and {apart_degrees:.1} degrees apart, explain what was seen about equally well; {advice}"
    )]
    Undecided {
        /// The camera that differs most.
        camera: String,
        /// Distance between the two places.
        apart_m: f64,
        /// Angle between the two directions of view.
        apart_degrees: f64,
        /// What to add.
        advice: &'static str,
    },
    /// The solver gave up.
    #[error("the joint solution failed: {0}; add sightings or court points")]
    Solver(#[from] SolverError),
}
