//! Writes the whole demo: a temporary folder beside the target, filled by parallel jobs, then renamed.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};

use midline_session::court::Court;
use midline_session::description::FILE_NAME;
use midline_session::{Provenance, SCHEMA_VERSION, write_atomically};
use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use crate::SynthError;
use crate::clips::{self, BOARDS_HZ, STROKES_HZ};
use crate::discs;
use crate::encoder;
use crate::phone::{ClipClock, Place};
use crate::scenario::{Posted, SessionPlan, disc_session, sessions};
use crate::scene::View;
use crate::session_file;
use crate::truth::{self, CameraTruth, ClockTruth, RestTruth, SharedBoardTruth, Truth};

/// File that marks a folder as a demo.
const MARKER: &str = "academy.json";
/// Folder of the truth.
const TRUTH: &str = "truth";

/// The demo that was written.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Academy {
    /// Name of the made-up academy.
    pub name: String,
    /// Version of the program that wrote it.
    pub program: String,
    /// Folders of the sessions, relative to the demo's folder, in the order in which they should be run: later ones
    /// take the lenses of the first.
    pub sessions: Vec<PathBuf>,
    /// Folder of the truth, relative to the demo's folder; only tests read it.
    pub truth: PathBuf,
}

/// What a clip shows.
#[derive(Debug, Clone, Copy)]
enum Clip {
    Strokes,
    Lens,
    Shared,
}

/// One clip to write.
struct Job<'a> {
    plan: &'a SessionPlan,
    view: &'a View,
    camera: usize,
    clip: Clip,
}

/// Counts frames over all jobs and tells whoever waits.
struct Progress<'a> {
    told: &'a (dyn Fn(&str, f64) + Sync),
    done: AtomicUsize,
    all: usize,
}

impl Progress<'_> {
    fn frame(&self, what: &str) {
        /// Telling every frame would cost more than it says.
        const EVERY: usize = 40;
        let done = self.done.fetch_add(1, Ordering::Relaxed) + 1;
        if done.is_multiple_of(EVERY) {
            (self.told)(what, (done as f64 / self.all as f64).min(1.0));
        }
    }
}

/// The demo that stands complete in `folder`, if this version of the program wrote it.
#[must_use]
pub fn existing_academy(folder: &Path) -> Option<Academy> {
    let text = std::fs::read(folder.join(MARKER)).ok()?;
    let academy: Academy = serde_json::from_slice(&text).ok()?;
    (academy.program == env!("CARGO_PKG_VERSION")).then_some(academy)
}

/// Writes the demo's sessions and their truth into `folder`; `progress` is told what is being written and the share
/// done (0 to 1), from several threads.
///
/// An earlier demo in `folder` is replaced, with everything that was computed in its sessions. Nothing appears in
/// `folder` before all of it is complete.
///
/// # Errors
/// When ffmpeg is missing or fails, the folder cannot be written, or it holds anything but an earlier demo.
pub fn write_academy(folder: &Path, progress: &(dyn Fn(&str, f64) + Sync)) -> Result<Academy, SynthError> {
    write_plans(folder, &sessions()?, &[], progress)
}

/// Writes one session of one stroke with coloured discs on the joints and, beside it, `discs.onnx` with its manifest: a
/// network that finds them. The session has no keypoint files; they are for the network to make.
///
/// # Errors
/// As for [`write_academy`].
pub fn write_discs(folder: &Path, progress: &(dyn Fn(&str, f64) + Sync)) -> Result<Academy, SynthError> {
    let [network, manifest] = discs::NETWORK;
    let beside = [(network, discs::network()), (manifest, discs::manifest().into_bytes())];
    write_plans(folder, &[disc_session()?], &beside, progress)
}

/// Writes sessions and other files beside them.
fn write_plans(
    folder: &Path,
    plans: &[SessionPlan],
    beside: &[(&str, Vec<u8>)],
    progress: &(dyn Fn(&str, f64) + Sync),
) -> Result<Academy, SynthError> {
    refuse_if_occupied(folder, plans)?;
    encoder::check()?;
    let parent = folder.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    std::fs::create_dir_all(parent).map_err(SynthError::io(parent, "making the folder"))?;
    let staging = tempfile::Builder::new()
        .prefix(".midline-demo-")
        .tempdir_in(parent)
        .map_err(SynthError::io(parent, "making a temporary folder"))?;
    let demo = staging.path().join("demo");
    let court = Court::itf_tennis().map_err(|e| SynthError::Scenario { reason: format!("the court model: {e}") })?;
    let views = views(plans, &court)?;
    let jobs = jobs(plans, &views);
    let counted = Progress { told: progress, done: AtomicUsize::new(0), all: frames_of(&jobs) };
    jobs.par_iter().with_max_len(1).try_for_each(|job| write_clip(&demo, job, &counted))?;
    plans.par_iter().try_for_each(|plan| write_session(&demo, plan, &court))?;
    for (name, content) in beside {
        write_atomically(&demo.join(name), content)?;
    }
    let academy = Academy {
        name: "Saltmarsh Racket School".to_owned(),
        program: env!("CARGO_PKG_VERSION").to_owned(),
        sessions: plans.iter().map(|plan| PathBuf::from(plan.folder)).collect(),
        truth: PathBuf::from(TRUTH),
    };
    write_json(&demo.join(MARKER), &academy)?;
    put_in_place(&demo, folder, staging.path())?;
    progress("demo complete", 1.0);
    Ok(academy)
}

/// Folder of the session that [`write_knocked_session`] writes.
pub const KNOCKED_SESSION: &str = "p12-knocked";

/// When its tripod "fence" is knocked, session seconds.
pub const KNOCKED_SECONDS: f64 = 4.312;

/// Writes one more session into a demo that stands complete in `demo`: the start of P12's, with the tripod of camera "fence"
/// knocked between the first and the second stroke. It is for tests and not part of the demo.
///
/// # Errors
/// As [`write_academy`].
pub fn write_knocked_session(demo: &Path) -> Result<(), SynthError> {
    let mut plan = sessions()?.swap_remove(2);
    plan.folder = KNOCKED_SESSION;
    for posted in &mut plan.posted {
        posted.duration_seconds = posted.clock.pts_seconds(7.0);
    }
    encoder::check()?;
    let court = Court::itf_tennis().map_err(|e| SynthError::Scenario { reason: format!("the court model: {e}") })?;
    let mut place = plan.posted[0].place;
    // The leg gives way by a centimetre, and the phone looks a little lower and to the side.
    place.centre[2] -= 0.01;
    place.target = place.target.map(|coordinate| coordinate + 0.06);
    let view = |posted: &Posted, place: &Place| View::of(&posted.phone, &place.camera_from_world(), &court);
    let knocked = clips::Knocked { session_seconds: KNOCKED_SECONDS, place, view: view(&plan.posted[0], &place)? };
    let folder = demo.join(plan.folder);
    let footage = folder.join("footage");
    std::fs::create_dir_all(&footage).map_err(SynthError::io(&footage, "making the folder"))?;
    plan.posted.par_iter().enumerate().try_for_each(|(camera, posted)| {
        let knocked = (camera == 0).then_some(&knocked);
        clips::write_strokes_knocked(&folder, &plan, camera, &view(posted, &posted.place)?, knocked, &|| ())
    })?;
    write_session(demo, &plan, &court)
}

/// Refuses a folder that holds anything but an earlier demo.
fn refuse_if_occupied(folder: &Path, plans: &[SessionPlan]) -> Result<(), SynthError> {
    let entries = match std::fs::read_dir(folder) {
        Ok(entries) => entries,
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(()),
        Err(e) => return Err(SynthError::io(folder, "looking into the folder")(e)),
    };
    let mut names = Vec::new();
    for entry in entries {
        let entry = entry.map_err(SynthError::io(folder, "looking into the folder"))?;
        names.push(entry.file_name().to_string_lossy().into_owned());
    }
    names.sort();
    let is_demo = names.iter().any(|name| name == MARKER);
    let ours = |name: &str| {
        is_demo
            && (name == MARKER
                || name == TRUTH
                || discs::NETWORK.contains(&name)
                || plans.iter().any(|p| p.folder == name))
    };
    match names.iter().find(|name| !ours(name)) {
        Some(foreign) => Err(SynthError::Occupied { path: folder.to_owned(), found: foreign.clone() }),
        None => Ok(()),
    }
}

/// Moves the finished demo to its place; an earlier one is moved aside first and brought back if that fails.
fn put_in_place(demo: &Path, folder: &Path, staging: &Path) -> Result<(), SynthError> {
    let earlier = staging.join("earlier");
    let replaces = folder.exists();
    if replaces {
        std::fs::rename(folder, &earlier).map_err(SynthError::io(folder, "moving the earlier demo aside"))?;
    }
    std::fs::rename(demo, folder).map_err(|e| {
        if replaces {
            // The first failure is the one to report.
            let _ = std::fs::rename(&earlier, folder);
        }
        SynthError::io(folder, "moving the demo into place")(e)
    })
}

/// The empty place as each phone of each session sees it.
fn views(plans: &[SessionPlan], court: &Court) -> Result<Vec<Vec<View>>, SynthError> {
    plans
        .par_iter()
        .map(|plan| {
            plan.posted
                .par_iter()
                .map(|posted| View::of(&posted.phone, &posted.place.camera_from_world(), court))
                .collect()
        })
        .collect()
}

/// All clips, the long ones first so that no thread ends late.
fn jobs<'a>(plans: &'a [SessionPlan], views: &'a [Vec<View>]) -> Vec<Job<'a>> {
    let mut jobs = Vec::new();
    for clip in [Clip::Strokes, Clip::Lens, Clip::Shared] {
        for (plan, views) in plans.iter().zip(views) {
            let wanted = match clip {
                Clip::Strokes => true,
                Clip::Lens => plan.lens_clips,
                Clip::Shared => plan.shared_board,
            };
            if wanted {
                jobs.extend(views.iter().enumerate().map(|(camera, view)| Job { plan, view, camera, clip }));
            }
        }
    }
    jobs
}

/// About how many frames the demo has.
fn frames_of(jobs: &[Job]) -> usize {
    jobs.iter()
        .map(|job| match job.clip {
            Clip::Strokes => job.plan.posted[job.camera].duration_seconds * STROKES_HZ,
            Clip::Lens => 14.0 * BOARDS_HZ,
            Clip::Shared => clips::shown(job.plan).claps[5] * BOARDS_HZ,
        })
        .sum::<f64>() as usize
}

fn write_clip(demo: &Path, job: &Job, counted: &Progress) -> Result<(), SynthError> {
    let folder = demo.join(job.plan.folder);
    let name = job.plan.posted[job.camera].phone.name;
    let kind = match job.clip {
        Clip::Strokes => "strokes",
        Clip::Lens => "lens board",
        Clip::Shared => "shared board",
    };
    let what = format!("{}, {name}: {kind}", job.plan.folder);
    let written = || counted.frame(&what);
    match job.clip {
        Clip::Strokes => clips::write_strokes(&folder, job.plan, job.camera, job.view, &written),
        Clip::Lens => clips::write_lens(&folder, job.plan, job.camera, job.view, &written),
        Clip::Shared => clips::write_shared(&folder, job.plan, job.camera, job.view, &written),
    }
}

/// Writes the description and the truth of a session.
fn write_session(demo: &Path, plan: &SessionPlan, court: &Court) -> Result<(), SynthError> {
    write_atomically(&demo.join(plan.folder).join(FILE_NAME), session_file::text(plan, court).as_bytes())?;
    for posted in plan.posted.iter().filter(|_| plan.discs) {
        let path = demo.join(plan.folder).join(session_file::lens_path(posted));
        write_atomically(&path, session_file::lens_text(posted).as_bytes())?;
    }
    let tracks = format!("{}-tracks.parquet", plan.folder);
    let provenance = Provenance {
        schema: SCHEMA_VERSION,
        program: env!("CARGO_PKG_VERSION").to_owned(),
        stage: "demo".to_owned(),
        inputs: BTreeMap::new(),
        settings: serde_json::json!({"truth": true}),
    };
    truth::tracks(&plan.movement).write_parquet(&demo.join(TRUTH).join(&tracks), &[], &provenance)?;
    write_json(&demo.join(TRUTH).join(format!("{}.json", plan.folder)), &truth_of(plan, tracks)?)
}

fn truth_of(plan: &SessionPlan, tracks: String) -> Result<Truth, SynthError> {
    let clock = |c: &ClipClock| ClockTruth { offset_seconds: c.offset_seconds, rate: c.rate };
    let rests = |holding: &crate::board_clip::Holding| -> Vec<RestTruth> {
        holding
            .rests()
            .into_iter()
            .zip(&holding.poses)
            .map(|(seconds, pose)| RestTruth { seconds, frame_from_board: *pose })
            .collect()
    };
    let cameras = plan
        .posted
        .iter()
        .enumerate()
        .map(|(index, posted)| {
            Ok(CameraTruth {
                name: posted.phone.name.to_owned(),
                camera: posted.phone.camera(&posted.place),
                clock: clock(&posted.clock),
                exposure_seconds: posted.phone.exposure_seconds,
                sound_latency_seconds: posted.phone.sound_latency_seconds,
                frame_pts_seconds: clips::pts_seconds(&clips::strokes_ticks(plan, index)),
                lens_rests: if plan.lens_clips { rests(&clips::lens_holding(plan, index)?) } else { Vec::new() },
            })
        })
        .collect::<Result<Vec<_>, SynthError>>()?;
    let shared_board = plan.shared_board.then(|| {
        let shown = clips::shown(plan);
        SharedBoardTruth {
            clocks: shown.clocks.iter().map(clock).collect(),
            rests: rests(&shown.holding),
            claps_seconds: shown.claps.to_vec(),
        }
    });
    Ok(Truth {
        session: plan.folder.to_owned(),
        code: plan.code.to_owned(),
        handedness: plan.handedness,
        air_celsius: plan.air_celsius,
        cameras,
        strokes: truth::strokes(&plan.movement),
        shared_board,
        segments_m: truth::segments(&plan.movement),
        tracks,
    })
}

fn write_json<T: Serialize>(path: &Path, content: &T) -> Result<(), SynthError> {
    let mut text = serde_json::to_vec_pretty(content)
        .map_err(|e| SynthError::Scenario { reason: format!("{}: {e}", path.display()) })?;
    text.push(b'\n');
    Ok(write_atomically(path, &text)?)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_a_demo_is_replaced() {
        let plans = sessions().unwrap();
        let folder = tempfile::tempdir().unwrap();
        assert!(refuse_if_occupied(&folder.path().join("new"), &plans).is_ok());
        assert!(refuse_if_occupied(folder.path(), &plans).is_ok());
        std::fs::create_dir(folder.path().join("p12")).unwrap();
        let message = refuse_if_occupied(folder.path(), &plans).unwrap_err().to_string();
        assert!(message.contains("p12") && message.contains("empty folder"), "{message}");
        std::fs::write(folder.path().join(MARKER), "{}").unwrap();
        assert!(refuse_if_occupied(folder.path(), &plans).is_ok());
        std::fs::write(folder.path().join("thesis.txt"), "").unwrap();
        let message = refuse_if_occupied(folder.path(), &plans).unwrap_err().to_string();
        assert!(message.contains("thesis.txt"), "{message}");
        // Nothing is written before the refusal.
        assert!(write_academy(folder.path(), &|_, _| ()).is_err());
        assert!(!folder.path().join("p07-first").exists());
    }

    #[test]
    fn a_finished_demo_takes_the_place_of_an_earlier_one() {
        let parent = tempfile::tempdir().unwrap();
        let (target, staging) = (parent.path().join("demo"), parent.path().join("staging"));
        for (folder, text) in [(&target, "old"), (&staging.join("demo"), "new")] {
            std::fs::create_dir_all(folder).unwrap();
            std::fs::write(folder.join(MARKER), text).unwrap();
        }
        put_in_place(&staging.join("demo"), &target, &staging).unwrap();
        assert_eq!(std::fs::read_to_string(target.join(MARKER)).unwrap(), "new");
    }

    #[test]
    fn the_truth_reads_back_and_its_tracks_are_the_movement() {
        let folder = tempfile::tempdir().unwrap();
        let plan = sessions().unwrap().swap_remove(2);
        let court = Court::itf_tennis().unwrap();
        write_session(folder.path(), &plan, &court).unwrap();
        let text = std::fs::read_to_string(folder.path().join("truth/p12.json")).unwrap();
        let truth: Truth = serde_json::from_str(&text).unwrap();
        assert_eq!(truth.strokes.len(), 3);
        assert_eq!(truth.cameras[1].camera.intrinsics.size_px, [720, 1280]);
        let path = folder.path().join(TRUTH).join(&truth.tracks);
        let (tracks, _) = midline_session::tracks::Tracks::read_parquet(&path).unwrap();
        let contact = plan.movement.contacts()[1];
        let at = tracks.session_seconds.iter().position(|t| (t - contact).abs() < 1e-9).unwrap();
        let tip = tracks.at(at, tracks.column("racket_tip").unwrap()).unwrap().position_m;
        assert!((nalgebra::Point3::from(tip) - plan.movement.figure(contact).tip).norm() < 1e-12);
        // A left-hander: the left wrist holds the racket.
        let wrist = tracks.at(at, tracks.column("left_wrist").unwrap()).unwrap().position_m;
        let butt = tracks.at(at, tracks.column("racket_butt").unwrap()).unwrap().position_m;
        assert!((nalgebra::Point3::from(wrist) - nalgebra::Point3::from(butt)).norm() < 0.15);
        for segment in &truth.segments_m {
            let place =
                |name: &str| nalgebra::Point3::from(tracks.at(at, tracks.column(name).unwrap()).unwrap().position_m);
            let metres = (place(&segment.between[0]) - place(&segment.between[1])).norm();
            assert!((metres - segment.metres).abs() < 1e-9, "{segment:?} {metres}");
        }
    }
}
