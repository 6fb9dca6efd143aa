//! The clips of a session: strokes, the board before one phone, the board before both.

use std::path::Path;

use midline_geometry::RigidTransform;
use midline_session::write_atomically;
use nalgebra::{Point3, Vector2, Vector3};

use crate::SynthError;
use crate::board_clip::{Holding, draw, lens_poses, shared_poses};
use crate::canvas::{Canvas, Capsule, Colour};
use crate::detector::{Filmed, detect, true_pixels};
use crate::discs;
use crate::encoder::{ClipForm, Encoder};
use crate::keypoint_files;
use crate::phone::{ClipClock, Phone, Place, TICKS_PER_SECOND, frame_ticks};
use crate::player_picture::Painter;
use crate::scenario::{LENS_BOARD, SHARED_BOARD, SessionPlan, board};
use crate::scene::View;
use crate::session_file::points_path;
use crate::sound::{Listening, Sounding, Source, wav};

/// Frames per second of the strokes' clips, and of the calibration clips.
pub(crate) const STROKES_HZ: f64 = 120.0;
/// Frames per second of the calibration clips.
pub(crate) const BOARDS_HZ: f64 = 30.0;
/// Standard deviation of the frames' jitter, seconds.
const JITTER_SECONDS: f64 = 0.00022;
/// Frames that each phone drops in a strokes' clip.
const DROPPED_FRAMES: usize = 2;
/// Exposure of the calibration clips' frames, seconds.
const BOARD_EXPOSURE_SECONDS: f64 = 0.004;

/// Told once per frame that was written.
pub(crate) type FrameWritten<'a> = &'a (dyn Fn() + Sync);

/// Time stamps of a camera's strokes' clip, in ticks.
pub(crate) fn strokes_ticks(plan: &SessionPlan, camera: usize) -> Vec<u64> {
    let posted = &plan.posted[camera];
    let keep: Vec<f64> = plan
        .movement
        .balls
        .iter()
        .flat_map(|ball| [ball.bounce_seconds, ball.contact_seconds])
        .map(|seconds| posted.clock.pts_seconds(seconds))
        .collect();
    frame_ticks(seed(plan, camera, 1), STROKES_HZ, posted.duration_seconds, JITTER_SECONDS, DROPPED_FRAMES, &keep)
}

/// A seed of its own for every use, so that nothing depends on the order of the jobs.
fn seed(plan: &SessionPlan, camera: usize, used_for: u64) -> u64 {
    plan.seed + 10 * used_for + camera as u64
}

pub(crate) fn pts_seconds(ticks: &[u64]) -> Vec<f64> {
    ticks.iter().map(|tick| *tick as f64 / TICKS_PER_SECOND).collect()
}

/// Where the lens board is held before a camera.
///
/// # Errors
/// When no pose fits the picture.
pub(crate) fn lens_holding(plan: &SessionPlan, camera: usize) -> Result<Holding, SynthError> {
    Ok(Holding {
        poses: lens_poses(&plan.posted[camera].phone, &board(LENS_BOARD), seed(plan, camera, 2))?,
        start_seconds: 0.0,
        rest_seconds: 0.45,
        move_seconds: 0.38,
    })
}

/// The board shown to both phones: where it is held, each phone's clock, when somebody claps. Times on the first
/// phone's clock of this clip.
pub(crate) struct Shown {
    pub(crate) holding: Holding,
    pub(crate) clocks: [ClipClock; 2],
    pub(crate) claps: [f64; 6],
}

/// Where the claps sound.
const CLAP_PLACE: [f64; 3] = [0.4, -0.6, 1.3];
/// How long the clips go on after the last clap.
const AFTER_CLAP_SECONDS: f64 = 0.7;

/// The shared clip of a session.
pub(crate) fn shown(plan: &SessionPlan) -> Shown {
    let centres = plan.posted.each_ref().map(|posted| Point3::from(posted.place.centre));
    let mirrored = plan.handedness == midline_session::description::Handedness::Left;
    let holding = Holding {
        poses: shared_poses(&board(SHARED_BOARD), &centres, mirrored),
        start_seconds: 1.9,
        rest_seconds: 0.55,
        move_seconds: 0.6,
    };
    // Three before and three after, at uneven intervals as a person claps.
    let end = holding.end_seconds();
    let clocks = [0, 1].map(|camera: usize| ClipClock {
        offset_seconds: if camera == 0 { 0.0 } else { -0.4183 - 0.1 * (plan.seed as f64 / 1000.0) },
        rate: plan.posted[camera].phone.clock_rate,
    });
    Shown { holding, clocks, claps: [0.5, 0.93, 1.41, end + 0.5, end + 0.97, end + 1.39] }
}

/// Writes the strokes' clip of a camera and its keypoints.
///
/// # Errors
/// When a file cannot be written or encoded.
pub(crate) fn write_strokes(
    folder: &Path,
    plan: &SessionPlan,
    camera: usize,
    view: &View,
    written: FrameWritten,
) -> Result<(), SynthError> {
    write_strokes_knocked(folder, plan, camera, view, None, written)
}

/// A tripod that was knocked, with what its phone sees from then on.
pub(crate) struct Knocked {
    pub(crate) session_seconds: f64,
    pub(crate) place: Place,
    pub(crate) view: View,
}

/// Writes the strokes' clip of a camera whose tripod may be knocked on the way, and its keypoints.
///
/// # Errors
/// When a file cannot be written or encoded.
pub(crate) fn write_strokes_knocked(
    folder: &Path,
    plan: &SessionPlan,
    camera: usize,
    view: &View,
    knocked: Option<&Knocked>,
    written: FrameWritten,
) -> Result<(), SynthError> {
    let posted = &plan.posted[camera];
    let phone = &posted.phone;
    let ticks = strokes_ticks(plan, camera);
    let pts = pts_seconds(&ticks);
    let eye = phone.camera(&posted.place);
    let movement = &plan.movement;
    let contacts = movement.contacts();
    let filmed = Filmed { handedness: plan.handedness, figure: &|t| movement.figure(t), ball: &|t| movement.ball(t) };
    let mut pixels = true_pixels(&eye, posted.clock, &pts, &filmed);
    let later = knocked.map(|knocked| (knocked, phone.camera(&knocked.place)));
    if let Some((knocked, eye)) = &later {
        let from = pts.partition_point(|pts| posted.clock.session_seconds(*pts) < knocked.session_seconds);
        let after = true_pixels(eye, posted.clock, &pts[from..], &filmed);
        pixels.truncate(from);
        pixels.extend(after);
    }
    let found = detect(phone.name, seed(plan, camera, 3), posted.clock, &pts, &pixels, &contacts);
    let text = keypoint_files::text(posted.points_form, &found, phone.intrinsics.size_px)
        .map_err(|e| SynthError::Scenario { reason: format!("keypoints of \"{}\": {e}", phone.name) })?;
    // Where discs lie, the points are for the network to find.
    if !plan.discs {
        write_atomically(&folder.join(points_path(posted)), text.as_bytes())?;
    }

    let soundings: Vec<Sounding> = movement
        .balls
        .iter()
        .flat_map(|ball| {
            [(Source::Bounce, ball.bounce, ball.bounce_seconds), (Source::Hit, ball.contact, ball.contact_seconds)]
        })
        .map(|(source, place, session_seconds)| Sounding { source, place, session_seconds })
        .collect();
    let path = folder.join("footage").join(format!("{}.mp4", phone.name));
    let sound = heard(plan, camera, posted.clock, posted.duration_seconds, seed(plan, camera, 4), &soundings);
    let mut canvas = view.picture.clone();
    let painter = Painter { phone, camera: &eye, shirt: plan.shirt };
    let recording =
        Recording { path: &path, phone, frames_per_second: STROKES_HZ, sound: &sound, ticks: &ticks, written };
    let mut places = pixels.iter();
    recording.run(&mut canvas, |canvas, pts_seconds| {
        let session_seconds = posted.clock.session_seconds(pts_seconds);
        let moves = |t: f64| (movement.figure(t), movement.ball(t));
        match later.as_ref().filter(|(knocked, _)| session_seconds >= knocked.session_seconds) {
            Some((knocked, eye)) => {
                canvas.copy_from(&knocked.view.picture);
                Painter { phone, camera: eye, shirt: plan.shirt }.draw(canvas, session_seconds, &moves);
            }
            None => {
                canvas.copy_from(&view.picture);
                painter.draw(canvas, session_seconds, &moves);
            }
        }
        if let Some(places) = places.next().filter(|_| plan.discs) {
            draw_discs(canvas, phone, places);
        }
    })
}

/// Draws a disc on every point that has one, at the pixel at which its row sees it.
fn draw_discs(canvas: &mut Canvas, phone: &Phone, places: &[Option<Vector2<f64>>]) {
    for (column, (_, [red, green, blue])) in discs::columns().into_iter().zip(discs::DISCS) {
        let Some(px) = places.get(column).copied().flatten() else { continue };
        let at = phone.stored_from_display(px);
        let disc = Capsule { ends: [at, at], radii: [discs::RADIUS_PX; 2] };
        canvas.paint(&[vec![disc]], Colour::rgb(f32::from(red), f32::from(green), f32::from(blue)), 1.0, 1.0);
    }
}

/// Writes the lens clip of a camera.
///
/// # Errors
/// When a file cannot be written or encoded.
pub(crate) fn write_lens(
    folder: &Path,
    plan: &SessionPlan,
    camera: usize,
    view: &View,
    written: FrameWritten,
) -> Result<(), SynthError> {
    let holding = lens_holding(plan, camera)?;
    let clock = ClipClock { offset_seconds: 0.0, rate: 1.0 };
    let clip = BoardClip {
        plan,
        camera,
        board: LENS_BOARD,
        holding: &holding,
        clock,
        duration_seconds: holding.end_seconds(),
        camera_from_frame: RigidTransform::identity(),
        on_pole: false,
    };
    let path = folder.join("footage").join(format!("{}-lens.mp4", plan.posted[camera].phone.name));
    let sound = heard(plan, camera, clock, clip.duration_seconds, seed(plan, camera, 6), &[]);
    clip.write(&path, view, &sound, seed(plan, camera, 5), written)
}

/// Writes a camera's clip of the board that both phones see.
///
/// # Errors
/// When a file cannot be written or encoded.
pub(crate) fn write_shared(
    folder: &Path,
    plan: &SessionPlan,
    camera: usize,
    view: &View,
    written: FrameWritten,
) -> Result<(), SynthError> {
    let shown = shown(plan);
    let clock = shown.clocks[camera];
    let clip = BoardClip {
        plan,
        camera,
        board: SHARED_BOARD,
        holding: &shown.holding,
        clock,
        duration_seconds: clock.pts_seconds(shown.claps[5] + AFTER_CLAP_SECONDS),
        camera_from_frame: plan.posted[camera].place.camera_from_world(),
        on_pole: true,
    };
    let claps =
        shown.claps.map(|session_seconds| Sounding { source: Source::Clap, place: CLAP_PLACE.into(), session_seconds });
    let path = folder.join("footage").join(format!("{}-board.mp4", plan.posted[camera].phone.name));
    let sound = heard(plan, camera, clock, clip.duration_seconds, seed(plan, camera, 8), &claps);
    clip.write(&path, view, &sound, seed(plan, camera, 7), written)
}

/// A clip of a board.
struct BoardClip<'a> {
    plan: &'a SessionPlan,
    camera: usize,
    board: &'static str,
    holding: &'a Holding,
    clock: ClipClock,
    duration_seconds: f64,
    /// Takes the frame of the holding's poses to the camera frame.
    camera_from_frame: RigidTransform,
    /// Whether a pole carries the board.
    on_pole: bool,
}

impl BoardClip<'_> {
    fn write(
        &self,
        path: &Path,
        view: &View,
        sound: &[f32],
        seed: u64,
        written: FrameWritten,
    ) -> Result<(), SynthError> {
        let posted = &self.plan.posted[self.camera];
        let phone = &posted.phone;
        let ticks = frame_ticks(seed, BOARDS_HZ, self.duration_seconds, JITTER_SECONDS, 0, &[]);
        let board = board(self.board);
        let mut canvas = view.picture.clone();
        let mut drawn: Option<RigidTransform> = None;
        let recording = Recording { path, phone, frames_per_second: BOARDS_HZ, sound, ticks: &ticks, written };
        recording.run(&mut canvas, |canvas, pts_seconds| {
            let middle = self.clock.session_seconds(pts_seconds) + 0.5 * phone.read_out_seconds;
            let (pose, rests) = self.holding.at(middle);
            if !(rests && drawn == Some(pose)) {
                canvas.copy_from(&view.picture);
                let shifts: &[f64] = if rests { &[0.0] } else { &[-1.0 / 3.0, 0.0, 1.0 / 3.0] };
                let poses: Vec<RigidTransform> =
                    shifts.iter().map(|s| self.holding.at(middle + s * BOARD_EXPOSURE_SECONDS).0).collect();
                if self.on_pole {
                    self.draw_pole(canvas, &pose);
                }
                let seen: Vec<RigidTransform> = poses.iter().map(|p| self.camera_from_frame * p).collect();
                draw(canvas, phone, &view.rays, &board, &seen);
                drawn = rests.then_some(pose);
            }
        })
    }

    /// The pole from the board's middle down to the ground.
    fn draw_pole(&self, canvas: &mut Canvas, court_from_board: &RigidTransform) {
        let posted = &self.plan.posted[self.camera];
        let eye = posted.phone.camera(&posted.place);
        let squares = board(self.board);
        let middle = Point3::new(4.0 * squares.square_m, 2.5 * squares.square_m, 0.03);
        let top = court_from_board * middle;
        let foot = top - Vector3::z() * top.z;
        let ends = [top, foot].map(|p| eye.project(&p).map(|px| posted.phone.stored_from_display(px)));
        if let [Some(a), Some(b)] = ends {
            let pole = Capsule { ends: [a, b], radii: [2.2, 2.2] };
            canvas.paint(&[vec![pole]], Colour::rgb(60.0, 60.0, 62.0), 1.0, 1.0);
        }
    }
}

fn heard(
    plan: &SessionPlan,
    camera: usize,
    clock: ClipClock,
    duration_seconds: f64,
    seed: u64,
    soundings: &[Sounding],
) -> Vec<f32> {
    let posted = &plan.posted[camera];
    let listening = Listening {
        phone: &posted.phone,
        place: posted.place.centre.into(),
        clock,
        duration_seconds,
        air_celsius: plan.air_celsius,
        seed,
    };
    listening.samples(soundings)
}

/// One clip about to be encoded.
struct Recording<'a> {
    path: &'a Path,
    phone: &'a Phone,
    frames_per_second: f64,
    sound: &'a [f32],
    ticks: &'a [u64],
    written: FrameWritten<'a>,
}

impl Recording<'_> {
    /// Encodes frame by frame; `picture` draws the frame of a presentation time into the canvas.
    fn run(&self, canvas: &mut Canvas, mut picture: impl FnMut(&mut Canvas, f64)) -> Result<(), SynthError> {
        let sound_path = self.path.with_extension("wav");
        write_atomically(&sound_path, &wav(self.sound))?;
        let form = ClipForm {
            frames_per_second: self.frames_per_second,
            quarter_turns_clockwise: self.phone.quarter_turns_clockwise,
        };
        let mut encoder = Encoder::start(self.path, &sound_path, form)?;
        for tick in self.ticks {
            picture(canvas, *tick as f64 / TICKS_PER_SECOND);
            encoder.push(*tick, canvas.planes())?;
            (self.written)();
        }
        encoder.finish()?;
        std::fs::remove_file(&sound_path).map_err(SynthError::io(&sound_path, "removing the sound's temporary file"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scenario::sessions;
    use midline_session::court::Court;
    use std::process::Command;

    #[test]
    fn the_portrait_phones_file_is_shown_upright() {
        // The reference is ffmpeg, which turns the decoded picture as the container asks.
        let folder = tempfile::tempdir().unwrap();
        let mut plan = sessions().unwrap().swap_remove(0);
        plan.posted[1].duration_seconds = 0.3;
        let phone = plan.posted[1].phone;
        let court = Court::itf_tennis().unwrap();
        let view = View::of(&phone, &plan.posted[1].place.camera_from_world(), &court).unwrap();
        std::fs::create_dir(folder.path().join("footage")).unwrap();
        write_strokes(folder.path(), &plan, 1, &view, &|| ()).unwrap();
        let decoded = Command::new("ffmpeg")
            .args(["-v", "error", "-i"])
            .arg(folder.path().join("footage/gate.mp4"))
            .args(["-frames:v", "1", "-pix_fmt", "yuv420p", "-f", "rawvideo", "-"])
            .output()
            .unwrap()
            .stdout;
        let [width, height] = phone.intrinsics.size_px.map(|s| s as usize);
        assert_eq!(decoded.len(), width * height * 3 / 2);
        let mut off = 0.0;
        let mut count = 0.0;
        for y in (0..height).step_by(17) {
            for x in (0..width).step_by(13) {
                let stored = phone.stored_from_display(Vector2::new(x as f64, y as f64));
                let drawn = view.picture.luma(stored.x as usize, stored.y as usize);
                off += f64::from(decoded[y * width + x].abs_diff(drawn));
                count += 1.0;
            }
        }
        // The player and the encoder change a few pixels; any other turn of the picture changes most of them.
        assert!(off / count < 4.0, "{}", off / count);
        let text = std::fs::read_to_string(folder.path().join("points/gate.csv")).unwrap();
        assert!(text.lines().count() > 500 && text.contains("left_ankle"));
    }

    #[test]
    fn the_shared_board_rests_at_the_same_instant_for_both_phones() {
        let plan = sessions().unwrap().swap_remove(0);
        let shown = shown(&plan);
        for ([start, end], pose) in shown.holding.rests().into_iter().zip(&shown.holding.poses) {
            for clock in shown.clocks {
                let pts = clock.pts_seconds(0.5 * (start + end));
                assert_eq!(shown.holding.at(clock.session_seconds(pts)), (*pose, true));
            }
        }
        let all = shown.holding.end_seconds();
        assert!(shown.claps[2] < shown.holding.start_seconds && shown.claps[3] > all);
    }
}
