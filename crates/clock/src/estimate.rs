//! One clock for all cameras: what sound, motion and the ball say, compared.

use midline_geometry::{Camera, ReadOut};
use midline_session::calibration::{
    CameraClock, ClockCalibration, ClockEstimate, ClockSource, LensCalibration, ReadOutEstimate, RigCalibration,
    RigCamera,
};
use midline_session::footage::{Brightness, SoundTrack};
use midline_session::keypoints::Keypoints;
use nalgebra::DMatrix;

use crate::ball;
use crate::flash::{self, Flash, Rows, flashes};
use crate::level::median;
use crate::line::RATE_SD;
use crate::motion::{ByMotion, CalibrationErrors, Expected, Filmed, Found, MOST_CONTROLS, by_motion, usual_read_out};
use crate::sound::{self, CameraSound};
use crate::{ClockError, Surroundings};

/// What one camera contributes.
#[derive(Debug, Clone, Copy)]
pub struct ClockCamera<'a> {
    /// The camera's name.
    pub name: &'a str,
    /// Its sound, if the file has any.
    pub sound: Option<&'a SoundTrack>,
    /// Lens, pose, read-out and points, if they are known.
    pub view: Option<CameraView<'a>>,
    /// Where to look for flashes, if the pictures are to be searched for them.
    pub flashes: Option<Flashes<'a>>,
}

/// Pictures that may show a flash.
#[derive(Debug, Clone, Copy)]
pub struct Flashes<'a> {
    /// How bright the frames are.
    pub brightness: &'a Brightness,
    /// The read-out, seconds; `None` where it is not known.
    pub read_out_seconds: Option<f64>,
}

impl Flashes<'_> {
    /// The flashes, with the read-out that was given, else with the one that motion found.
    pub(crate) fn of(&self, found_seconds: Option<f64>) -> Vec<Flash> {
        let spacing = median(&self.brightness.pts_seconds.windows(2).map(|w| w[1] - w[0]).collect::<Vec<_>>());
        let (usual, usual_sd) = usual_read_out(spacing);
        let rows = match self.read_out_seconds.or(found_seconds) {
            Some(read_out_seconds) => Rows { read_out_seconds, sd_seconds: 0.0 },
            None => Rows { read_out_seconds: usual, sd_seconds: usual_sd },
        };
        flashes(self.brightness, rows)
    }
}

/// How a camera sees and what it saw.
#[derive(Debug, Clone, Copy)]
pub struct CameraView<'a> {
    /// Its lens.
    pub lens: &'a LensCalibration,
    /// Where it stands.
    pub pose: &'a RigCamera,
    /// Its read-out; the duration counts only where `read_out_known`, the direction always.
    pub read_out: ReadOut,
    /// Whether the read-out's duration is known; else motion looks for it.
    pub read_out_known: bool,
    /// Its 2D points.
    pub keypoints: &'a Keypoints,
}

impl CameraView<'_> {
    pub(crate) fn camera(&self) -> Camera {
        Camera {
            intrinsics: self.lens.intrinsics,
            camera_from_world: self.pose.camera_from_world,
            read_out: self.read_out,
        }
    }
}

/// Motion decides only below this standard deviation, seconds.
const DECIDES_SECONDS: f64 = 0.005;
/// Standard deviations within which two estimates agree.
const AGREE_SDS: f64 = 3.0;

/// One clock for all cameras; the first is the reference. `rig` is where the cameras stand and how well that is known.
///
/// Sound gives offset and rate with an allowance for the phones' latency; motion, where two cameras with known lens and pose
/// see the same points move, gives the offset of the pictures themselves, and decides. Kinks of the ball's path are a third
/// estimate that is compared, flashes a fourth. Without common sound motion alone decides, without motion sound alone, without
/// either a flash.
///
/// # Errors
/// With fewer than two cameras; when the same recording was given twice; when a clock jumps; when a camera's sound shares
/// nothing with any other's although both have sound; when a camera has neither common sound nor common motion.
pub fn session_clock(
    cameras: &[ClockCamera],
    rig: Option<&RigCalibration>,
    air_celsius: f64,
) -> Result<ClockCalibration, ClockError> {
    let [reference, others @ ..] = cameras else { return Err(ClockError::TooFewCameras { given: 0 }) };
    if others.is_empty() {
        return Err(ClockError::TooFewCameras { given: 1 });
    }
    refuse_same_points(cameras)?;
    let heard: Vec<CameraSound> =
        cameras.iter().filter_map(|c| Some(CameraSound { camera: c.name, track: c.sound? })).collect();
    let mut by_sound = None;
    if heard.len() >= 2 {
        let surroundings = Surroundings::new(cameras, air_celsius);
        by_sound = Some(sound::clocks(&heard, Some(&surroundings))?);
    }
    let sound_of = |name: &str| by_sound.as_ref().and_then(|clock: &ClockCalibration| clock.camera(name));
    // A sound clock counts against this reference only where the reference itself was heard.
    let sounds: Vec<Option<&CameraClock>> =
        cameras.iter().map(|c| sound_of(reference.name).and_then(|_| sound_of(c.name))).collect();
    let flashed = by_flashes(cameras);
    // A clock from flashes helps motion where there is no sound.
    let before: Vec<Option<&CameraClock>> =
        sounds.iter().zip(&flashed).map(|(sound, flash)| sound.or(flash.as_ref())).collect();
    let motion = motion_of(cameras, rig, &before);
    let mut remarks: Vec<String> = by_sound.as_ref().map_or_else(Vec::new, |clock| clock.remarks.clone());
    for camera in cameras.iter().filter(|c| c.sound.is_none()) {
        remarks.push(format!("Camera {}: no sound; its clock rests on what was seen.", camera.name));
    }
    remarks.extend(motion.remarks.iter().cloned());
    let mut clocks = Vec::new();
    for (index, camera) in cameras.iter().enumerate() {
        if index == 0 {
            clocks.push(reference_clock(camera.name));
            continue;
        }
        let decided = decide(camera.name, reference.name, sounds[index], &motion.cameras[index], motion.noise_px);
        let (clock, said) = match (decided, &flashed[index]) {
            (Err(ClockError::NothingInCommon { motion, .. }), Some(flash)) => flash_alone(flash, &motion),
            (decided, _) => decided?,
        };
        remarks.push(said);
        clocks.push(clock);
    }
    let mut read_outs = Vec::new();
    for (camera, found) in cameras.iter().zip(&motion.cameras) {
        if let Ok(Found { read_out: Some((seconds, sd_seconds)), .. }) = found {
            remarks.push(format!(
                "Camera {}: read-out not given; motion says {:.1} ± {:.1} ms, which is used with the clock.",
                camera.name,
                seconds * 1e3,
                sd_seconds * 1e3
            ));
            read_outs.push(ReadOutEstimate {
                camera: camera.name.to_owned(),
                seconds: *seconds,
                sd_seconds: *sd_seconds,
            });
        }
    }
    let mut clock = ClockCalibration { reference: reference.name.to_owned(), cameras: clocks, read_outs, remarks };
    ball::compare(&mut clock, cameras);
    flash::compare(&mut clock, cameras);
    Ok(clock)
}

/// The clocks from flashes alone, in the cameras' order.
fn by_flashes(cameras: &[ClockCamera]) -> Vec<Option<CameraClock>> {
    let seen: Vec<Vec<Flash>> =
        cameras.iter().map(|c| c.flashes.map_or_else(Vec::new, |flashes| flashes.of(None))).collect();
    let Some(reference) = seen.first() else { return Vec::new() };
    let clocks = cameras.iter().zip(&seen).enumerate().map(|(index, (camera, own))| {
        if index == 0 {
            return (!own.is_empty()).then(|| reference_clock(camera.name));
        }
        flash::clock_from(camera.name, reference, own)
    });
    clocks.collect()
}

/// The clock of a camera that only flashes join to the others.
fn flash_alone(flash: &CameraClock, motion: &str) -> (CameraClock, String) {
    let said = format!(
        "Camera {}: {} flash(es) say {:.2} ± {:.2} ms; there is no common sound to compare with, and motion does not tell \
         ({motion}).",
        flash.camera,
        flash.estimates.iter().map(|e| e.n).sum::<usize>(),
        flash.offset_seconds * 1e3,
        flash.estimates.iter().map(|e| e.sd_seconds).fold(0.0, f64::max) * 1e3
    );
    (flash.clone(), said)
}

pub(crate) fn reference_clock(name: &str) -> CameraClock {
    CameraClock {
        camera: name.to_owned(),
        offset_seconds: 0.0,
        rate: 1.0,
        covariance: [[0.0; 2]; 2],
        source: ClockSource::Reference,
        estimates: Vec::new(),
    }
}

/// Refuses two cameras whose points are the same to the last digit.
fn refuse_same_points(cameras: &[ClockCamera]) -> Result<(), ClockError> {
    for (index, first) in cameras.iter().enumerate() {
        for second in &cameras[index + 1..] {
            let (Some(a), Some(b)) = (first.view, second.view) else { continue };
            let points = |k: &Keypoints| k.frames.iter().map(|f| f.points.clone()).collect::<Vec<_>>();
            if !a.keypoints.frames.is_empty() && points(a.keypoints) == points(b.keypoints) {
                return Err(ClockError::SameRecording {
                    reference: first.name.to_owned(),
                    camera: second.name.to_owned(),
                    what: "points",
                });
            }
        }
    }
    Ok(())
}

/// What motion says of every camera, in their order.
fn motion_of(cameras: &[ClockCamera], rig: Option<&RigCalibration>, sounds: &[Option<&CameraClock>]) -> ByMotion {
    let mut why: Vec<Result<Found, String>> =
        cameras.iter().map(|_| Err("its lens, pose or points are missing".to_owned())).collect();
    let filmed: Vec<(usize, Filmed)> = cameras
        .iter()
        .enumerate()
        .filter_map(|(index, camera)| {
            let view = camera.view?;
            let rig_px = view.pose.board_rms_px.into_iter().chain(view.pose.court_rms_px).reduce(f64::max);
            Some((index, Filmed::new(camera.name, view.camera(), rig_px, view.read_out_known, view.keypoints)?))
        })
        .collect();
    let Some(reference) = filmed.iter().position(|(index, _)| *index == 0) else {
        return ByMotion { cameras: why, noise_px: f64::NAN, remarks: Vec::new() };
    };
    let expected: Vec<Option<Expected>> = filmed
        .iter()
        .map(|(index, filmed)| {
            let sound = sounds[*index]?;
            let (from, to) = filmed.span();
            Some(Expected {
                offset_seconds: sound.offset_seconds,
                rate: sound.rate,
                sd_seconds: sound.sd_seconds(0.5 * (from + to)),
                rate_sd: if *index == 0 { RATE_SD } else { sound.covariance[1][1].max(0.0).sqrt() },
            })
        })
        .collect();
    let parts: Vec<Filmed> = filmed.iter().map(|(_, filmed)| filmed.clone()).collect();
    let errors = calibration_errors(&parts, cameras, rig);
    let found = by_motion(&parts, &errors, reference, &expected, MOST_CONTROLS);
    for ((index, _), result) in filmed.iter().zip(found.cameras) {
        why[*index] = result;
    }
    ByMotion { cameras: why, ..found }
}

/// Distance to the player that turns an error in the picture into one of a camera's place, metres (common practice).
const DISTANCE_M: f64 = 10.0;

/// The covariances of poses and lenses. A rig that states none gets an allowance from its reprojection error; a lens without
/// any counts as exact.
fn calibration_errors(filmed: &[Filmed], cameras: &[ClockCamera], rig: Option<&RigCalibration>) -> CalibrationErrors {
    let place = |name: &str| rig?.cameras.iter().position(|camera| camera.name == name);
    let stated = rig.map(|rig| &rig.covariance).filter(|rows| {
        let size = 6 * rig.map_or(0, |rig| rig.cameras.len());
        rows.len() == size && rows.iter().all(|row| row.len() == size && row.iter().all(|v| v.is_finite()))
    });
    let size = 6 * filmed.len();
    let entry = |i: usize, j: usize| {
        let (a, b) = (&filmed[i / 6], &filmed[j / 6]);
        if let (Some(rows), Some(at_a), Some(at_b)) = (stated, place(a.name), place(b.name)) {
            return rows[6 * at_a + i % 6][6 * at_b + j % 6];
        }
        let turn_sd = a.rig_px / a.camera.intrinsics.focal_px[0];
        let sd = if i % 6 < 3 { turn_sd } else { turn_sd * DISTANCE_M };
        if i == j { sd * sd } else { 0.0 }
    };
    let lens = |filmed: &Filmed| {
        let count = filmed.camera.intrinsics.parameter_count();
        let stated = cameras.iter().find(|c| c.name == filmed.name).and_then(|c| c.view).map(|v| &v.lens.covariance);
        let whole = stated.filter(|rows| rows.len() == count && rows.iter().all(|row| row.len() == count));
        whole.map_or_else(|| DMatrix::zeros(0, 0), |rows| DMatrix::from_fn(count, count, |i, j| rows[i][j]))
    };
    let lenses: Vec<DMatrix<f64>> = filmed.iter().map(lens).collect();
    let leaning = rig.filter(|_| stated.is_some()).map(|rig| poses_by_lens(rig, cameras)).unwrap_or_default();
    let with_lens = |(own, lens): (&Filmed, &DMatrix<f64>)| {
        let by = DMatrix::from_fn(size, lens.ncols(), |i, j| {
            let found = leaning.iter().find(|(pose, of, _)| *pose == filmed[i / 6].name && *of == own.name);
            found.and_then(|(_, _, by)| by.get((i % 6, j))).copied().unwrap_or(0.0)
        });
        by * lens
    };
    let poses_with_lenses = filmed.iter().zip(&lenses).map(with_lens).collect();
    CalibrationErrors { poses: DMatrix::from_fn(size, size, entry), lenses, poses_with_lenses }
}

/// Change of one camera's pose step per unit of another's (or its own) lens parameters, by their names; empty when the rig does not say.
fn poses_by_lens<'a>(rig: &'a RigCalibration, cameras: &[ClockCamera]) -> Vec<(&'a str, &'a str, DMatrix<f64>)> {
    let count = |name: &str| Some(cameras.iter().find(|c| c.name == name)?.view?.lens.intrinsics.parameter_count());
    let Some(counts) = rig.cameras.iter().map(|c| count(&c.name)).collect::<Option<Vec<usize>>>() else {
        return Vec::new();
    };
    let Some(whole) = rig.pose_by_lens(counts.iter().sum()) else { return Vec::new() };
    let mut blocks = Vec::new();
    let mut start = 0;
    for (of, count) in rig.cameras.iter().zip(counts) {
        for (index, pose) in rig.cameras.iter().enumerate() {
            let block = whole.view((6 * index, start), (6, count)).into_owned();
            blocks.push((pose.name.as_str(), of.name.as_str(), block));
        }
        start += count;
    }
    blocks
}

/// A camera's clock from motion: offset, rate and covariance at presentation time 0.
fn clock_from(name: &str, found: &Found) -> CameraClock {
    let back = -found.clock.centre_pts;
    let [mm, mr, rr] = [found.covariance[(0, 0)], found.covariance[(0, 1)], found.covariance[(1, 1)]];
    let cross = mr + back * rr;
    CameraClock {
        camera: name.to_owned(),
        offset_seconds: found.clock.offset_seconds(),
        rate: found.clock.rate,
        covariance: [[mm + 2.0 * back * mr + back * back * rr, cross], [cross, rr]],
        source: ClockSource::Motion,
        estimates: Vec::new(),
    }
}

/// One camera's clock from both estimates, and what to say of them.
fn decide(
    name: &str,
    reference: &str,
    sound: Option<&CameraClock>,
    motion: &Result<Found, String>,
    noise_px: f64,
) -> Result<(CameraClock, String), ClockError> {
    let found = match (sound, motion) {
        (Some(sound), Err(why)) => {
            let said = format!("Camera {name}: motion cannot check the clock ({why}); the offset from sound stays.");
            return Ok((sound.clone(), said));
        }
        (None, Err(why)) => {
            return Err(ClockError::NothingInCommon {
                reference: reference.to_owned(),
                camera: name.to_owned(),
                motion: why.clone(),
            });
        }
        (_, Ok(found)) => found,
    };
    let mut clock = clock_from(name, found);
    let pts = found.clock.centre_pts;
    let motion_sd = clock.sd_seconds(pts);
    let estimate = ClockEstimate {
        method: ClockSource::Motion,
        offset_seconds: clock.offset_seconds,
        sd_seconds: motion_sd,
        n: found.sights,
    };
    let alone = format!(
        "motion against camera {reference} says {:.2} ± {:.2} ms (noise of the points {noise_px:.2} px)",
        clock.offset_seconds * 1e3,
        motion_sd * 1e3
    );
    let Some(sound) = sound else {
        if motion_sd >= DECIDES_SECONDS {
            return Err(ClockError::NothingInCommon {
                reference: reference.to_owned(),
                camera: name.to_owned(),
                motion: format!("{alone}, which is too vague"),
            });
        }
        clock.estimates.push(estimate);
        return Ok((clock, format!("Camera {name}: {alone}; there is no common sound to compare with.")));
    };
    // Compared where the points were seen: elsewhere the rates' errors would count as well.
    let difference = clock.session_seconds(pts) - sound.session_seconds(pts);
    let sound_sd = sound.sd_seconds(pts);
    let both = format!(
        "sound says {:.2} ± {:.2} ms, {alone}; difference {:+.2} ms",
        (clock.offset_seconds - difference) * 1e3,
        sound_sd * 1e3,
        difference * 1e3
    );
    if motion_sd >= DECIDES_SECONDS {
        let mut kept = sound.clone();
        kept.estimates.push(estimate);
        return Ok((
            kept,
            format!("Camera {name}: {both}; motion is too weak to decide, the offset from sound stays."),
        ));
    }
    clock.estimates = sound.estimates.clone();
    clock.estimates.push(estimate);
    let verdict = if difference.abs() <= AGREE_SDS * sound_sd.hypot(motion_sd) {
        "they agree within the phones' latency, motion decides."
    } else {
        "they DISAGREE by more than phones' latency explains; motion is clear and decides. Check the read-out times, the rig \
         and that sound and pictures of each file belong together."
    };
    Ok((clock, format!("Camera {name}: {both}; {verdict}")))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::motion::made_motion::{Filming, Motion, camera};
    use midline_geometry::ScanDirection;
    use rand::SeedableRng;
    use rand::rngs::StdRng;

    fn lens(name: &str, camera: &Camera) -> LensCalibration {
        LensCalibration {
            parameter_names: Vec::new(),
            standard_deviations: Vec::new(),
            rms_px: 0.3,
            ..LensCalibration::exact(name, camera.intrinsics)
        }
    }

    fn pose(name: &str, camera: &Camera) -> RigCamera {
        RigCamera { court_rms_px: Some(0.8), court_points: 8, ..RigCamera::given(name, camera.camera_from_world) }
    }

    /// Three silent cameras; the third films only the end of the second's clip, after the first has stopped.
    #[test]
    fn three_silent_cameras_that_overlap_only_in_turn_get_one_clock() {
        let mut random = StdRng::seed_from_u64(4);
        let mut motion = Motion::stroke(&mut random, 2.5);
        motion.swings.push([6.3, 0.12, 2.0]);
        let down = ReadOut { seconds: 0.004, direction: ScanDirection::Down };
        let places = [(-4.0, -7.0), (5.0, -6.0), (0.5, -8.0)];
        let cameras = places.map(|(x, y)| camera(x, y, [1920, 1080], down));
        // Offset and length of each clip, seconds.
        let clips = [(0.0, 4.5), (1.2, 7.0), (4.9, 3.5)];
        let names = ["a", "b", "c"];
        let keypoints: Vec<Keypoints> = (0..3)
            .map(|index| {
                let (offset, seconds) = clips[index];
                Filming {
                    camera: &cameras[index],
                    motion: &motion,
                    session: &|pts| offset + pts,
                    rate_hz: 120.0,
                    from_pts: 0.0,
                    seconds,
                    noise_px: 1.0,
                    missing: 0.05,
                }
                .keypoints(names[index], &mut random)
            })
            .collect();
        let lenses: Vec<_> = (0..3).map(|i| lens(names[i], &cameras[i])).collect();
        let poses: Vec<_> = (0..3).map(|i| pose(names[i], &cameras[i])).collect();
        let given: Vec<ClockCamera> = (0..3)
            .map(|i| ClockCamera {
                name: names[i],
                sound: None,
                flashes: None,
                view: Some(CameraView {
                    lens: &lenses[i],
                    pose: &poses[i],
                    read_out: down,
                    read_out_known: true,
                    keypoints: &keypoints[i],
                }),
            })
            .collect();
        let clock = session_clock(&given, None, 20.0).unwrap();
        println!("{}", clock.remarks.join("\n"));
        for (index, pts) in [(1, 1.3), (2, 1.4)] {
            let error = clock.cameras[index].session_seconds(pts) - (clips[index].0 + pts);
            println!("{}: {:.3} ms ± {:.3}", names[index], error * 1e3, clock.cameras[index].sd_seconds(pts) * 1e3);
            assert_eq!(clock.cameras[index].source, ClockSource::Motion);
            // Known gap: through the chain the error (2.5 ms here) exceeds the stated 0.2 ms; see DEVELOPERS.md.
            assert!(error.abs() < 5e-3);
        }
        let same = [given[0], ClockCamera { name: "b", ..given[0] }];
        assert!(matches!(
            session_clock(&same, None, 20.0).unwrap_err(),
            ClockError::SameRecording { what: "points", .. }
        ));
        // The first and the third share nothing.
        let apart = session_clock(&[given[0], given[2]], None, 20.0).unwrap_err();
        println!("{apart}");
        assert!(matches!(&apart, ClockError::NothingInCommon { .. }) && apart.is_not_measurable());
    }
}
