//! A made-up academy: players, ball, phones, sound and footage with known truth.
//!
//! [`write_academy`] writes session folders as two phones on tripods and a person would have filled them: H.264 and AAC
//! footage encoded by the installed `ffmpeg`, board clips, 2D keypoints with a detector's faults, `session.toml`.
//! Beside them stands what is true ([`Truth`]), which no stage reads and tests compare with.
//!
//! # Conventions
//!
//! - Metres, seconds, radians, pixels. Court frame as in [`midline_session::court`]; pixels in display orientation with
//!   the centre of the top-left pixel at (0, 0).
//! - The session clock is that of the first camera, `fence`; `gate` has `session = offset + rate · pts`.
//! - A pixel is exposed (middle of its exposure) at the frame's time stamp plus its row's delay
//!   ([`midline_geometry::ReadOut`]); the portrait phone's rows run sideways in the displayed picture.
//! - Sound that reaches a phone at an instant stands in its file at that instant plus the phone's own latency.
//! - Movement is designed for a right-hander; a left-hander is its mirror image at the plane x = 0.
//! - The same program writes the same demo: every clip has seeds of its own, nothing depends on the order of
//!   the jobs.
//!
//! # The movement and what it meets
//!
//! A kinematic model, not a simulation of forces. Trunk and legs are smooth functions of time, the racket arm follows a
//! path in the trunk's frame at a designed racket-tip speed, limbs have constant lengths by construction. Tested
//! (Landlinger et al. 2010 is J Sports Sci Med 9:643):
//!
//! | what | value | source |
//! |---|---|---|
//! | racket-tip speed just before contact | 30.2 to 32.0 m/s | 33.1 ± 2.4 m/s, Landlinger et al. 2010 |
//! | fastest turn of the hip line | 72 to 78 ms before contact | 75 ± 8 ms, the same |
//! | fastest turn of the shoulder line | 55 to 59 ms before contact | 57 ± 4 ms, the same |
//! | segment lengths | shares of body height | Drillis & Contini 1966 in Winter's handbook, from memory |
//! | racket 0.685 m, ball radius 0.033 m | | within the ITF Rules of Tennis |
//! | speed left after contact 70 %, dip 27 to 30 % over 67 to 68 ms | | our own design |
//!
//! Where the racket goes and when the take-back starts is drawn by hand after what coaches describe (common practice).

mod academy;
mod ball;
mod board_clip;
mod body;
mod canvas;
mod clips;
mod curves;
mod detector;
mod discs;
mod encoder;
mod error;
mod keypoint_files;
mod matroska;
mod movement;
pub mod onnx;
mod phone;
mod player;
mod player_picture;
mod scenario;
mod scene;
mod session_file;
mod sound;
mod stroke;
mod style;
mod truth;

pub use academy::{
    Academy, KNOCKED_SECONDS, KNOCKED_SESSION, existing_academy, write_academy, write_discs, write_knocked_session,
};
pub use error::SynthError;
pub use truth::{
    AcrossTruth, CameraTruth, ClockTruth, DipTruth, EventTruth, PeakTruth, RestTruth, SegmentTruth, SharedBoardTruth,
    StrokeTruth, Truth,
};
