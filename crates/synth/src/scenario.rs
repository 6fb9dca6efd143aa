//! The demo's story: who plays, when, in which style, filmed from where.
//!
//! P07, right-handed, comes because the coach suspects that the racket slows in the drop. In the first session the
//! take-back starts long before the bounce, the racket goes across behind the body, and racket speed dips in the drop.
//! Three weeks later the style is the same, the take-back starts around the bounce, and the dip is gone. P12,
//! left-handed, keeps the racket on the hitting side.

use midline_session::board::Board;
use midline_session::description::Handedness;
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};

use crate::SynthError;
use crate::ball::Feed;
use crate::canvas::Colour;
use crate::curves::Bell;
use crate::keypoint_files::PointsForm;
use crate::movement::{Movement, StrokePlan};
use crate::phone::{ClipClock, FENCE, GATE, Phone, Place};
use crate::style::{Drop, Hitch, Path, Timing, Turn};

/// Name of the board of the lens clips.
pub(crate) const LENS_BOARD: &str = "plate";
/// Name of the board of the shared clips.
pub(crate) const SHARED_BOARD: &str = "poster";

/// The academy's boards.
pub(crate) fn boards() -> [Board; 2] {
    [(LENS_BOARD, 0.05), (SHARED_BOARD, 0.12)].map(|(name, square_m)| Board {
        name: name.to_owned(),
        inner_corners: [9, 6],
        square_m,
        markers: None,
    })
}

/// The board of a name; the lens clips' for any other.
pub(crate) fn board(name: &str) -> Board {
    let [lens, shared] = boards();
    if name == SHARED_BOARD { shared } else { lens }
}

/// One phone in one session.
#[derive(Debug, Clone)]
pub(crate) struct Posted {
    pub(crate) phone: Phone,
    pub(crate) place: Place,
    /// Clock and length of the strokes' clip.
    pub(crate) clock: ClipClock,
    pub(crate) duration_seconds: f64,
    pub(crate) points_form: PointsForm,
}

/// One session.
#[derive(Debug, Clone)]
pub(crate) struct SessionPlan {
    pub(crate) folder: &'static str,
    pub(crate) code: &'static str,
    pub(crate) handedness: Handedness,
    pub(crate) question: &'static str,
    pub(crate) date: &'static str,
    pub(crate) air_celsius: f64,
    pub(crate) shirt: Colour,
    pub(crate) movement: Movement,
    pub(crate) posted: [Posted; 2],
    /// Whether the session has its own lens clips; if not, it takes the lenses of the first session.
    pub(crate) lens_clips: bool,
    /// Whether a board was shown to both phones.
    pub(crate) shared_board: bool,
    pub(crate) seed: u64,
    /// Whether coloured discs lie on the joints ([`crate::discs`]).
    pub(crate) discs: bool,
}

/// What differs between the ways of swinging.
struct Way {
    drop: Drop,
    bounce: f64,
    take_back_start: f64,
    turned: f64,
    least_speed: f64,
    rise: f64,
    hitch: bool,
    /// Rise time of the shoulder line's turn: the larger, the earlier the trunk starts to open.
    opening: f64,
    height_m: f64,
}

/// Peak times before contact of hip line and shoulder line: Landlinger et al. 2010 (J Sports Sci Med 9:643), 75 ± 8 ms
/// and 57 ± 4 ms.
const HIP_PEAK: f64 = -0.075;
const SHOULDER_PEAK: f64 = -0.057;

/// One stroke of a way, a little different each time.
fn stroke(way: &Way, contact_seconds: f64, random: &mut StdRng) -> StrokePlan {
    let mut vary = |spread: f64| random.random_range(-spread..spread);
    let degrees = |d: f64| d.to_radians();
    let depth = 0.28 + vary(0.02);
    let peak_speed = 7.5 + vary(0.3);
    let bottom = -0.225 + vary(0.004);
    let timing = Timing {
        bounce: way.bounce + vary(0.012),
        take_back_start: way.take_back_start + vary(0.012),
        turned: way.turned + vary(0.006),
        hips: Turn {
            ready: degrees(12.0),
            back: degrees(34.0 + vary(1.5)),
            forward: Bell {
                amplitude: degrees(52.0 + vary(1.5)),
                peak_seconds: HIP_PEAK + vary(0.003),
                rise_seconds: 0.062,
                fall_seconds: 0.062,
            },
            through: degrees(20.0),
        },
        shoulders: Turn {
            ready: degrees(18.0),
            back: degrees(58.0 + vary(2.0)),
            forward: Bell {
                amplitude: degrees(112.0 + vary(2.0)),
                peak_seconds: SHOULDER_PEAK + vary(0.002),
                rise_seconds: way.opening,
                fall_seconds: 0.08,
            },
            through: degrees(25.0),
        },
        least_speed: way.least_speed + vary(0.15),
        contact_speed: 31.0 + vary(1.2),
        kept_speed: 0.7 + vary(0.015),
        rise: way.rise,
        hitch: way.hitch.then_some(Hitch {
            peak_speed,
            depth,
            peak: bottom - 0.025,
            bottom,
            recovered: bottom + 0.035,
            recovered_speed: 0.92 * peak_speed,
        }),
    };
    let base = [0.1 + vary(0.06), -0.3 + vary(0.05)];
    let feed = Feed {
        across: 0.5 + vary(0.3),
        toward_player: 9.6 + vary(0.4),
        out: [-2.5 + vary(1.5), 34.0 + vary(1.5), 3.6 + vary(0.5)],
    };
    let mut path = Path::of(way.drop);
    for station in &mut path.stations[1..] {
        for axis in 0..3 {
            station.wrist[axis] += vary(0.008);
            station.racket[axis] += vary(0.015);
        }
    }
    StrokePlan { contact_seconds, timing, base, feed, path }
}

fn movement<const N: usize>(
    way: &Way,
    handedness: Handedness,
    contacts: [f64; N],
    seed: u64,
) -> Result<Movement, SynthError> {
    let mut random = StdRng::seed_from_u64(seed);
    let plans = contacts.map(|contact| stroke(way, contact, &mut random));
    Movement::new(handedness, way.height_m, way.drop, &plans)
}

/// The landscape phone's clock is the session's; the portrait phone was started at another moment.
fn posted(places: [Place; 2], gate_offset: f64, end: f64, forms: [PointsForm; 2]) -> [Posted; 2] {
    [(FENCE, 0.0, 0), (GATE, gate_offset, 1)].map(|(phone, offset_seconds, which): (Phone, f64, usize)| {
        let clock = ClipClock { offset_seconds, rate: phone.clock_rate };
        let until = end + if which == 0 { 0.0 } else { 0.35 };
        Posted {
            phone,
            place: places[which],
            clock,
            duration_seconds: clock.pts_seconds(until),
            points_form: forms[which],
        }
    })
}

/// How P07 swings on the first visit.
const FIRST: Way = Way {
    drop: Drop::Across,
    bounce: -0.52,
    take_back_start: -0.95,
    turned: -0.44,
    least_speed: 2.0,
    rise: 2.2,
    hitch: true,
    opening: 0.070,
    height_m: 1.83,
};

/// One stroke of the first session with coloured discs on the joints, for trying a network on real pixels.
///
/// # Errors
/// As for [`sessions`].
pub(crate) fn disc_session() -> Result<SessionPlan, SynthError> {
    let contact = 2.6;
    let plan = sessions()?.into_iter().next();
    let mut plan = plan.ok_or_else(|| SynthError::Scenario { reason: "there is no first session".to_owned() })?;
    plan.folder = "discs";
    plan.question = "Does a network find the discs on the joints?";
    plan.movement = movement(&FIRST, plan.handedness, [contact], 71)?;
    plan.lens_clips = false;
    plan.shared_board = false;
    plan.discs = true;
    for posted in &mut plan.posted {
        posted.duration_seconds = posted.clock.pts_seconds(contact + 1.2);
    }
    Ok(plan)
}

/// The three sessions.
///
/// # Errors
/// When a stroke contradicts itself: a defect.
pub(crate) fn sessions() -> Result<Vec<SessionPlan>, SynthError> {
    let first = FIRST;
    let second = Way {
        bounce: -0.61,
        take_back_start: -0.63,
        turned: -0.34,
        least_speed: 4.0,
        hitch: false,
        opening: 0.074,
        ..first
    };
    let other_player = Way {
        drop: Drop::HittingSide,
        bounce: -0.57,
        take_back_start: -0.62,
        turned: -0.30,
        least_speed: 2.5,
        hitch: false,
        opening: 0.055,
        height_m: 1.76,
        ..first
    };
    let place = |centre, target, roll| Place { centre, target, roll };
    let (csv, dataset, results) = (PointsForm::TidyCsv, PointsForm::CocoDataset, PointsForm::CocoResults);
    Ok(vec![
        SessionPlan {
            folder: "p07-first",
            code: "P07",
            handedness: Handedness::Right,
            question: "The racket seems to slow down in the drop. Does it, and does the take-back start too early?",
            date: "2026-05-04",
            air_celsius: 18.0,
            shirt: Colour::rgb(226.0, 120.0, 60.0),
            movement: movement(&first, Handedness::Right, [2.6, 5.75, 8.9], 71)?,
            posted: posted(
                [
                    place([7.6, -1.9, 1.75], [-0.2, 1.35, 0.85], 0.011),
                    place([-1.9, -7.6, 2.05], [0.45, 1.4, 0.95], -0.008),
                ],
                -1.8312,
                10.3,
                [dataset, csv],
            ),
            lens_clips: true,
            shared_board: true,
            seed: 1000,
            discs: false,
        },
        SessionPlan {
            folder: "p07-second",
            code: "P07",
            handedness: Handedness::Right,
            question: "Is the dip in the drop gone now that the take-back starts with the bounce?",
            date: "2026-05-25",
            air_celsius: 23.0,
            shirt: Colour::rgb(70.0, 150.0, 200.0),
            movement: movement(&second, Handedness::Right, [2.7, 5.8, 8.95], 72)?,
            posted: posted(
                [
                    place([7.8, -1.6, 1.80], [-0.2, 1.4, 0.85], -0.006),
                    place([-1.6, -7.8, 2.00], [0.5, 1.4, 0.95], 0.009),
                ],
                1.0427,
                10.4,
                [results, results],
            ),
            lens_clips: false,
            shared_board: true,
            seed: 2000,
            discs: false,
        },
        SessionPlan {
            folder: "p12",
            code: "P12",
            handedness: Handedness::Left,
            question: "How does P12 swing, and does contact happen with the left shoulder in front?",
            date: "2026-05-26",
            air_celsius: 21.0,
            shirt: Colour::rgb(236.0, 236.0, 230.0),
            movement: movement(&other_player, Handedness::Left, [2.5, 5.6, 8.7], 73)?,
            posted: posted(
                [
                    place([-7.7, -1.8, 1.70], [0.2, 1.35, 0.85], 0.007),
                    place([1.8, -7.7, 2.10], [-0.45, 1.4, 0.95], 0.006),
                ],
                -1.2209,
                10.1,
                [csv, dataset],
            ),
            lens_clips: false,
            shared_board: false,
            seed: 3000,
            discs: false,
        },
    ])
}
