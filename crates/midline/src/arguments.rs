//! The command line.

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand, ValueEnum};
use midline_session::description::Handedness;

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
        /// Session folders or session.toml files
        #[arg(required = true)]
        sessions: Vec<PathBuf>,
    },
    /// Frames, true time stamps, rotation and sound of the footage
    Media(Asked),
    /// Intrinsics of each camera from its board clip
    Lens(Asked),
    /// Where the cameras stand, from the shared board and the court
    Rig(Asked),
    /// Import and check the 2D keypoints
    Points(Asked),
    /// One clock for all cameras, from sound and then from motion
    Clock(Asked),
    /// 3D tracks with their covariance
    Lift(Asked),
    /// Events, measures and tested statements of each stroke
    Strokes(Asked),
    /// The report as one HTML file
    Report {
        /// Session folder or session.toml
        session: PathBuf,
    },
    /// The 3D recording
    View {
        /// Session folder or session.toml
        session: PathBuf,
    },
    /// Write the footage of a made-up academy, with known truth
    Demo {
        /// Folder to make
        folder: PathBuf,
        /// Run every session of it as well
        #[arg(long)]
        run: bool,
    },
}

#[derive(Args)]
pub(crate) struct Asked {
    /// Session folder or session.toml
    pub(crate) session: PathBuf,
    /// Print the result as JSON
    #[arg(long)]
    pub(crate) json: bool,
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
