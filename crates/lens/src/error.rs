//! Why a lens could not be calibrated.

use midline_solver::SolverError;

/// Why a lens could not be calibrated.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum LensError {
    /// A setting that cannot be.
    #[error("{name} is {value}, but must be a positive number")]
    Setting {
        /// The setting.
        name: &'static str,
        /// Its value.
        value: f64,
    },
    /// The board's description cannot be.
    #[error(
        "board \"{board}\" has {across} × {down} inner corners and squares of {square_m} m; at least 2 × 2 corners and a \
         positive square are needed"
    )]
    Board {
        /// The board's name.
        board: String,
        /// Inner corners along a row.
        across: usize,
        /// Inner corners down a column.
        down: usize,
        /// Side of a square in metres.
        square_m: f64,
    },
    /// A view does not have the board's corners.
    #[error(
        "camera \"{camera}\", frame {frame}: {found} corners, but the board has {wanted}; give the whole board or leave the \
         frame out"
    )]
    CornerCount {
        /// The camera.
        camera: String,
        /// Index of the frame.
        frame: usize,
        /// Corners in the view.
        found: usize,
        /// Corners of the board.
        wanted: usize,
    },
    /// The numbers of a partly seen board's corners cannot be.
    #[error(
        "camera \"{camera}\", frame {frame}: {found} corners with {numbers} numbers; each corner needs its own number below \
         {wanted}, in ascending order"
    )]
    CornerNumbers {
        /// The camera.
        camera: String,
        /// Index of the frame.
        frame: usize,
        /// Corners in the view.
        found: usize,
        /// Numbers given.
        numbers: usize,
        /// Corners of the board.
        wanted: usize,
    },
    /// Too little of the board was seen.
    #[error(
        "camera \"{camera}\", frame {frame}: only {found} corners of the board, at least {needed} are needed; leave the frame \
         out"
    )]
    TooFewCorners {
        /// The camera.
        camera: String,
        /// Index of the frame.
        frame: usize,
        /// Corners in the view.
        found: usize,
        /// Corners needed.
        needed: usize,
    },
    /// The corners are not those of this board.
    #[error(
        "camera \"{camera}\", frame {frame}: no perspective view of a board with {across} × {down} inner corners has its \
         corners there (they are {error_squares:.1} squares off); {}",
        if *exchanged {
            format!("they fit {down} × {across}: exchange the two numbers of inner_corners")
        } else {
            "check inner_corners, and that the corners are listed row by row".to_owned()
        }
    )]
    NotThisBoard {
        /// The camera.
        camera: String,
        /// Index of the frame.
        frame: usize,
        /// Root mean square distance from the best perspective view, in sides of a square.
        error_squares: f64,
        /// Inner corners along a row.
        across: usize,
        /// Inner corners down a column.
        down: usize,
        /// Whether rows and columns are exchanged.
        exchanged: bool,
    },
    /// The corners are listed as in a mirror.
    #[error(
        "camera \"{camera}\", frame {frame}: the corners run the wrong way round, as in a mirror; switch mirroring off (front \
         cameras often mirror), or list each row from the other end"
    )]
    Mirrored {
        /// The camera.
        camera: String,
        /// Index of the frame.
        frame: usize,
    },
    /// A corner lies outside the picture.
    #[error(
        "camera \"{camera}\", frame {frame}: a corner at ({x:.1}, {y:.1}) lies outside the picture of {width} × {height} \
         pixels; are the views from clips of different size or rotation?"
    )]
    CornerOutside {
        /// The camera.
        camera: String,
        /// Index of the frame.
        frame: usize,
        /// Column in pixels.
        x: f64,
        /// Row in pixels.
        y: f64,
        /// Width of the picture in pixels.
        width: u32,
        /// Height of the picture in pixels.
        height: u32,
    },
    /// The corners of a view lie on a line.
    #[error(
        "camera \"{camera}\", frame {frame}: the corners lie on a line (spread {share:.4} across against 1 along); the board \
         was seen edge-on or found wrongly, leave the frame out"
    )]
    Collinear {
        /// The camera.
        camera: String,
        /// Index of the frame.
        frame: usize,
        /// Spread across the line as a share of the spread along it.
        share: f64,
    },
    /// Not enough views.
    #[error(
        "camera \"{camera}\": {found} board views, at least {needed} are needed and 15 to 20 are good; film the board at \
         more places and tilts"
    )]
    TooFewViews {
        /// The camera.
        camera: String,
        /// Views given.
        found: usize,
        /// Views needed.
        needed: usize,
    },
    /// The board was held the same way in all views.
    #[error(
        "camera \"{camera}\": the board's planes in all {views} views are parallel within {spread_degrees:.1}°, at least \
         {needed_degrees:.0}° are needed to know the focal length and 30° to 45° are good; tilt the board to all sides"
    )]
    ParallelViews {
        /// The camera.
        camera: String,
        /// Views given.
        views: usize,
        /// Largest angle between two of the planes, degrees: of the fit, or for a lens of middling width before it.
        spread_degrees: f64,
        /// Angle needed, degrees.
        needed_degrees: f64,
    },
    /// No pose explains a view.
    #[error(
        "camera \"{camera}\": no lens was found that explains the {views} views even roughly; check the board's number of \
         inner corners and that all views are of this board"
    )]
    NoStart {
        /// The camera.
        camera: String,
        /// Views given.
        views: usize,
    },
    /// The views leave a parameter open.
    #[error(
        "camera \"{camera}\": the {views} views do not determine {what}{}; film the board at more places, nearer and with \
         more tilt, or hold the parameter fixed",
        detail.as_ref().map(|d| format!(" ({d})")).unwrap_or_default()
    )]
    NotDetermined {
        /// The camera.
        camera: String,
        /// Views given.
        views: usize,
        /// The parameter.
        what: String,
        /// Its value and deviation, or the solver's words.
        detail: Option<String>,
    },
    /// The optimisation did not settle.
    #[error(
        "camera \"{camera}\": no optimum after {iterations} iterations (error {rms_px:.2} px); check that all views are of \
         this board"
    )]
    NotConverged {
        /// The camera.
        camera: String,
        /// Iterations used.
        iterations: usize,
        /// Root mean square error at the end, px.
        rms_px: f64,
    },
    /// The optimisation could not be run.
    #[error("camera \"{camera}\": {source}")]
    Solver {
        /// The camera.
        camera: String,
        /// The solver's reason.
        source: SolverError,
    },
}
