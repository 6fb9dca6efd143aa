//! The command line.

use std::path::PathBuf;
use std::str::FromStr;

use clap::{Args, Parser, Subcommand, ValueEnum};
use midline_session::description::Handedness;
use midline_vision::Paper;

use crate::cohort_arguments::CohortCommand;

/// From the footage of two or more phones to 3D measurements of a racket stroke.
///
/// Measurements support a coach's judgement and do not replace it. Keep tripods and cables out of the player's run-off
/// area; minors need consent to be filmed; pain or injury belongs with a licensed practitioner.
#[derive(Parser)]
#[command(version, propagate_version = true, max_term_width = 110)]
pub(crate) struct Arguments {
    #[command(subcommand)]
    pub(crate) command: Command,
}

/// Each stage first runs what it needs; what is up to date is not run again.
#[derive(Subcommand)]
pub(crate) enum Command {
    /// Start a session: a folder with a commented session.toml to fill in
    New {
        /// Folder to make
        folder: PathBuf,
        /// The player's code (never a name)
        #[arg(long, default_value = "P00")]
        code: String,
        /// The hand that holds the racket
        #[arg(long, value_enum, default_value_t = Hand::Right)]
        handedness: Hand,
    },
    /// Before filming: what the 3D points will be worth with the tripods in these places, and better places
    Plan {
        /// Plan file; `midline plan --example` prints one to start from
        #[arg(required_unless_present = "example")]
        plan: Option<PathBuf>,
        /// Print a commented plan to start from
        #[arg(long)]
        example: bool,
        /// Where the picture goes; beside the plan when absent
        #[arg(long)]
        svg: Option<PathBuf>,
        /// Print the result as JSON
        #[arg(long)]
        json: bool,
    },
    /// Everything: from the footage to the report and the 3D recording
    Run {
        /// Session folders or session.toml files; one that fails does not stop the others
        #[arg(required_unless_present = "list")]
        sessions: Vec<PathBuf>,
        /// File with one session per line, relative to it; several processes may share one
        #[arg(long)]
        list: Option<PathBuf>,
        /// Sessions at a time
        #[arg(long, default_value_t = 1, value_parser = clap::value_parser!(u16).range(1..=256))]
        jobs: u16,
        /// Show in this computer's browser what is there as soon as it is there; for one session
        #[arg(long)]
        live: bool,
        #[command(flatten)]
        offer: Offer,
    },
    /// Frames, true time stamps, rotation and sound of the footage
    Media(Asked),
    /// Intrinsics of each camera from its board clip; or a board to print
    Lens(LensAsked),
    /// Where the cameras stand, from the shared board and the court
    Rig(Asked),
    /// Import and check the 2D keypoints, or find them with a model that you bring
    Points(PointsAsked),
    /// Look at a session before anything is computed from it: are the keypoints of each camera good enough?
    Check(Asked),
    /// Mark racket, ball, court points and events on the pictures, in a page of this computer's browser
    Mark {
        /// Session folder or session.toml
        session: PathBuf,
        #[command(flatten)]
        offer: Offer,
    },
    /// One clock for all cameras, from sound and then from motion
    Clock(Asked),
    /// 3D tracks with their covariance
    Lift(Asked),
    /// Events, measures and tested statements of each stroke
    Strokes(Asked),
    /// Two sets of strokes, such as before and after, or two players: what changed beyond what can be detected
    Compare {
        /// Session folder or session.toml of the first set
        before: PathBuf,
        /// Session folder or session.toml of the second set
        after: PathBuf,
        /// Print the result as JSON, with the curves over normalised phases
        #[arg(long)]
        json: bool,
    },
    /// The report as one HTML file
    Report {
        /// Session folder or session.toml
        session: PathBuf,
        /// An earlier session to put beside it: same scales, same phases
        #[arg(long, value_name = "SESSION")]
        before: Option<PathBuf>,
        /// Also print it to a PDF, through an installed Chromium
        #[arg(long)]
        pdf: bool,
        /// Also write a video of each camera with skeleton, racket trail and time to contact, slow about contact
        #[arg(long)]
        videos: bool,
    },
    /// The 3D recording
    View {
        /// Session folder or session.toml
        session: PathBuf,
        /// An earlier session whose strokes are laid over these at contact, in body axes
        #[arg(long, value_name = "SESSION")]
        before: Option<PathBuf>,
        /// Show it in this computer's browser until stopped; nothing leaves this machine
        #[arg(long)]
        serve: bool,
        #[command(flatten)]
        offer: Offer,
    },
    /// Many players in one table: add sessions, ask, report, export
    #[command(subcommand)]
    Cohort(CohortCommand),
    /// Write the footage of a made-up academy, with known truth
    Demo {
        /// Folder to make
        folder: PathBuf,
        /// Run every session of it as well
        #[arg(long, conflicts_with = "discs")]
        run: bool,
        /// Instead: one stroke with coloured discs on the joints and a network that finds them, to try `points --model` on
        #[arg(long)]
        discs: bool,
    },
}

// How a page is offered on this machine. (No documentation comment: clap would show it in place of the command's own.)
#[derive(Args)]
pub(crate) struct Offer {
    /// Port on 127.0.0.1; any that is free, if left out
    #[arg(long, default_value_t = 0, hide_default_value = true)]
    pub(crate) port: u16,
    /// Print the page's address without opening a browser
    #[arg(long)]
    pub(crate) no_browser: bool,
}

impl Offer {
    /// This when something is to be offered with `switch`; without that, its options would say nothing.
    pub(crate) fn with(&self, switch: &str, offered: bool) -> anyhow::Result<Option<&Self>> {
        anyhow::ensure!(offered || (self.port == 0 && !self.no_browser), "--port and --no-browser go with {switch}");
        Ok(offered.then_some(self))
    }
}

#[derive(Args)]
pub(crate) struct Asked {
    /// Session folder or session.toml
    pub(crate) session: PathBuf,
    /// Print the result as JSON
    #[arg(long)]
    pub(crate) json: bool,
}

#[derive(Args)]
pub(crate) struct PointsAsked {
    #[command(flatten)]
    pub(crate) asked: Asked,
    /// Find the points with this ONNX network first, into the files that session.toml names; its manifest lies beside it
    /// (.toml). May be given several times, for body and racket
    #[arg(long, value_name = "MODEL.onnx")]
    pub(crate) model: Vec<PathBuf>,
    /// Find the player's box with this ONNX network
    #[arg(long, value_name = "DETECTOR.onnx", requires = "model")]
    pub(crate) detector: Option<PathBuf>,
}

#[derive(Args)]
pub(crate) struct LensAsked {
    /// Session folder or session.toml
    #[arg(required_unless_present = "print_board")]
    pub(crate) session: Option<PathBuf>,
    /// Print the result as JSON
    #[arg(long, conflicts_with = "print_board")]
    pub(crate) json: bool,
    /// Also write a camera's lens as an OpenCV calibration file, .yml, .xml or .json
    #[arg(long, value_name = "CAMERA=FILE", conflicts_with = "print_board")]
    pub(crate) to_opencv: Vec<String>,
    /// Write a board to print as SVG, true to scale, and print its block for session.toml
    #[arg(long, value_name = "FILE.svg", conflicts_with = "session")]
    pub(crate) print_board: Option<PathBuf>,
    #[command(flatten)]
    pub(crate) print: Print,
}

// What to print.
#[derive(Args)]
pub(crate) struct Print {
    /// Paper: a4, a3, or width x height in mm, such as 841x594
    #[arg(long, default_value = "a4", requires = "print_board", value_parser = paper)]
    pub(crate) paper: Paper,
    /// Inner corners, where four squares meet, across x down
    #[arg(long, default_value = "9x6", requires = "print_board", value_parser = pair::<usize>)]
    pub(crate) corners: [usize; 2],
    /// Side of a square in mm; the largest in whole mm that fits, if left out
    #[arg(long, requires = "print_board")]
    pub(crate) square_mm: Option<f64>,
    /// Put coded markers into the white squares (a ChArUco board) from that dictionary, such as 4x4_50
    #[arg(long, value_name = "DICTIONARY", requires = "print_board")]
    pub(crate) markers: Option<String>,
    /// Side of a marker in mm; three quarters of a square, if left out
    #[arg(long, requires = "markers")]
    pub(crate) marker_mm: Option<f64>,
    /// Name of the board
    #[arg(long, default_value = "board", requires = "print_board")]
    pub(crate) name: String,
}

fn pair<T: FromStr>(text: &str) -> Result<[T; 2], String> {
    let parts: Option<Vec<T>> = text.split(['x', '×']).map(|part| part.trim().parse().ok()).collect();
    parts
        .and_then(|parts| parts.try_into().ok())
        .ok_or_else(|| "write two numbers with an x between, such as 9x6".to_owned())
}

fn paper(text: &str) -> Result<Paper, String> {
    match text.to_ascii_lowercase().as_str() {
        "a4" => Ok(Paper::a4()),
        "a3" => Ok(Paper::a3()),
        other => match pair::<f64>(other) {
            Ok(size) if size.iter().all(|side| (50.0..5000.0).contains(side)) => Ok(Paper::custom(size)),
            _ => Err("write a4, a3, or width x height in mm between 50 and 5000, such as 841x594".to_owned()),
        },
    }
}

#[derive(Clone, Copy, ValueEnum)]
pub(crate) enum Hand {
    Right,
    Left,
}

impl From<Hand> for Handedness {
    fn from(hand: Hand) -> Self {
        match hand {
            Hand::Right => Self::Right,
            Hand::Left => Self::Left,
        }
    }
}
