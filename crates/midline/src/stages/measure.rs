//! Lift and strokes.

use std::path::PathBuf;

use anyhow::Context;
use midline_analysis::comparison::SetSettings;
use midline_analysis::{CourtInPicture, MarkedEvent, SoundImpact, StrokeInput};
use midline_session::calibration::{CalibratedCamera, Vertical};
use midline_session::description::CameraDescription;
use midline_session::keypoints::Keypoints;
use midline_session::lift_quality::LiftQuality;
use midline_session::marks;
use midline_session::motion::write_motion_parquet;
use midline_session::strokes::Strokes;
use midline_session::tracks::Tracks;
use midline_session::{Computed, Provenance, read_computed, write_computed};
use midline_triangulation::{ContactTime, LiftSettings, MotionSettings, StrokeMotions};
use serde_json::json;

use super::{NotMeasurable, Stages};
use crate::progress;

impl Stages {
    /// The lift stage. Tracks are kept as Parquet, with their quality beside them.
    pub(crate) fn tracks(&self) -> anyhow::Result<Tracks> {
        if self.cameras().len() < 2 {
            return Err(NotMeasurable(format!(
                "3D needs at least two cameras, session.toml describes {}; film with a second phone and add its [[camera]], or see with `midline strokes` what one camera carries",
                self.cameras().len()
            ))
            .into());
        }
        let (rig, cameras) = (self.rig_in_use()?, self.calibrated()?);
        let mut inputs = vec![self.rig_file_in_use(), self.clock_file()];
        let (mut lenses, mut keypoints) = (Vec::new(), Vec::new());
        for camera in self.cameras() {
            let in_use = self.lens(camera)?;
            inputs.push(in_use.file);
            lenses.push(in_use.lens);
            keypoints.push(self.keypoints(camera)?);
            inputs.push(self.points_file(camera));
        }
        let settings = LiftSettings::default();
        let provenance = self.hashes.provenance(
            "lift",
            &self.session.folder,
            &inputs,
            json!({ "lift": format!("{settings:?}"), "noise": "by score", "read_outs": cameras.iter().map(|c| c.camera.read_out).collect::<Vec<_>>() }),
        )?;
        let path = self.tracks_file();
        if let Ok((tracks, kept)) = Tracks::read_parquet(&path)
            && kept == provenance
            && self.lifted_points_file().is_file()
        {
            return Ok(tracks);
        }
        let spinner = progress::spinner("lift");
        let lifted = midline_triangulation::lift(&cameras, &lenses, &rig, &keypoints, &settings)?;
        let quality = LiftQuality { remarks: lifted.remarks, points: lifted.quality };
        write_computed(&self.lift_file(), &Computed { provenance: provenance.clone(), result: quality })?;
        let points = Computed { provenance: provenance.clone(), result: lifted.keypoints };
        write_computed(&self.lifted_points_file(), &points)?;
        lifted.tracks.write_parquet(&path, &lifted.sd_parts_m, &provenance)?;
        self.hashes.forget(&path);
        spinner.finish_and_clear();
        Ok(lifted.tracks)
    }

    /// How good the points per instant are, and what the lift noticed and did.
    pub(crate) fn lift_quality(&self) -> anyhow::Result<LiftQuality> {
        self.tracks()?;
        Ok(read_computed(&self.lift_file())?.result)
    }

    pub(super) fn lift_file(&self) -> PathBuf {
        self.session.computed("lift.json")
    }

    pub(crate) fn tracks_file(&self) -> PathBuf {
        self.session.computed("tracks.parquet")
    }

    /// The strokes stage.
    pub(crate) fn strokes(&self) -> anyhow::Result<Strokes> {
        if let [camera] = self.cameras() {
            return self.one_camera_strokes(camera);
        }
        let tracks = self.tracks()?;
        let cameras = self.calibrated()?;
        let mut inputs = vec![self.tracks_file(), self.clock_file(), self.rig_file_in_use()];
        for camera in self.cameras() {
            inputs.push(self.given(&camera.footage, "the footage")?);
        }
        let description = &self.session.description;
        let provenance = self.hashes.provenance(
            "strokes",
            &self.session.folder,
            &inputs,
            json!({
                "handedness": description.player.handedness,
                "air_celsius": description.session.air_celsius,
                "events": description.events,
                "marked_events": self.marks.events,
                "suspicions": description.session.suspicions,
                "noise": "by score",
            }),
        )?;
        let kept_with = provenance.clone();
        self.hashes.kept(&self.strokes_file(), provenance, || {
            let spinner = progress::spinner("strokes");
            let (mut onsets, mut frame_rates_hz) = (Vec::new(), Vec::new());
            for camera in self.cameras() {
                let footage = self.given(&camera.footage, "the footage")?;
                onsets
                    .push(midline_media::sound(&footage)?.map_or_else(Vec::new, |sound| midline_clock::onsets(&sound)));
                let spacing = self.footage(camera)?.median_spacing_seconds();
                frame_rates_hz.push(1.0 / spacing.context("footage of one frame only")?);
            }
            let impacts: Vec<SoundImpact> =
                midline_clock::impacts(&onsets, &cameras, &tracks, description.session.air_celsius)
                    .into_iter()
                    .map(|i| SoundImpact { session_seconds: i.session_seconds, sd_seconds: i.sd_seconds })
                    .collect();
            let marked_events = self.marked_events(Some(&cameras))?;
            let input = StrokeInput {
                tracks: &tracks,
                motions: &[],
                handedness: description.player.handedness,
                impacts: &impacts,
                frame_rates_hz: &frame_rates_hz,
                clock_sd_seconds: clock_sd_seconds(&cameras, &tracks),
                vertical: self.rig_in_use()?.vertical,
                one_camera: false,
                picture_scale_sd_share: None,
                set_events: &description.events,
                marked_events: &marked_events,
                suspicions: &description.session.suspicions,
            };
            let motions = self.motions(&input, &kept_with)?;
            let mut strokes = midline_analysis::analyse(&StrokeInput { motions: &motions.strokes, ..input })
                .map_err(|e| NotMeasurable(e.to_string()))?;
            strokes.remarks.extend(motions.remarks);
            strokes.write_measures_parquet(&self.session.computed("measures.parquet"), &kept_with)?;
            spinner.finish_and_clear();
            Ok(strokes)
        })
    }

    /// What time and the picture plane carry, for a session filmed by one camera.
    fn one_camera_strokes(&self, camera: &CameraDescription) -> anyhow::Result<Strokes> {
        let keypoints = self.keypoints(camera)?;
        let description = &self.session.description;
        // Points on the ground only: a homography knows no heights.
        let ground: Vec<([f64; 2], [f64; 2])> = self.session.court().map_or_else(Vec::new, |court| {
            let seen = self.court_points(camera);
            let known = seen.into_iter().filter_map(|(name, px)| Some((*court.points_m.get(&name)?, px)));
            known.filter(|(place, _)| place[2].abs() < 1e-9).map(|([x, y, _], px)| ([x, y], px)).collect()
        });
        let provenance = self.hashes.provenance(
            "strokes",
            &self.session.folder,
            &[self.points_file(camera), self.given(&camera.footage, "the footage")?],
            json!({
                "one_camera": true,
                "court_ground_points": ground,
                "handedness": description.player.handedness,
                "events": description.events,
                "marked_events": self.marks.events,
                "suspicions": description.session.suspicions,
            }),
        )?;
        self.hashes.kept(&self.strokes_file(), provenance, || {
            let spacing = self.footage(camera)?.median_spacing_seconds().context("footage of one frame only")?;
            // A clip without sound still has its pictures.
            let onsets =
                self.sound_of(&camera.footage, &camera.name).map_or_else(|_| Vec::new(), |s| midline_clock::onsets(&s));
            let heard: Vec<f64> = onsets.iter().map(|onset| onset.pts_seconds).collect();
            let impacts = midline_analysis::impacts_heard_by_one(&heard, description.session.air_celsius);
            let not_measurable = |e: midline_analysis::AnalysisError| NotMeasurable(e.to_string());
            let court = CourtInPicture::new(&ground);
            let picture = midline_analysis::picture_tracks(&keypoints, court.as_ref()).map_err(not_measurable)?;
            let marked_events = self.marked_events(None)?;
            let input = StrokeInput {
                tracks: &picture.tracks,
                motions: &[],
                handedness: description.player.handedness,
                impacts: &impacts,
                frame_rates_hz: &[1.0 / spacing],
                clock_sd_seconds: 0.0,
                vertical: Vertical::Unknown,
                one_camera: true,
                picture_scale_sd_share: picture.scale_sd_share,
                set_events: &description.events,
                marked_events: &marked_events,
                suspicions: &description.session.suspicions,
            };
            Ok(midline_analysis::analyse(&input).map_err(not_measurable)?)
        })
    }

    /// The events marked on the pictures on the session clock: when the middle of the marked frame was exposed. Without clocks
    /// (one camera) the presentation time is the session's.
    fn marked_events(&self, clocks: Option<&[CalibratedCamera]>) -> anyhow::Result<Vec<MarkedEvent>> {
        let mut events = Vec::new();
        for mark in &self.marks.events {
            let index = self.cameras().iter().position(|camera| camera.name == mark.camera);
            let Some((index, camera)) = index.and_then(|i| Some((i, self.cameras().get(i)?))) else { continue };
            let footage = self.footage(camera)?;
            let pts = footage.frame_pts_seconds.get(mark.frame).with_context(|| {
                format!(
                    "{}: {} is marked on frame {} of camera \"{}\", whose footage has {} frames; delete the line, or mark it anew with `midline mark`",
                    self.session.folder.join(marks::FILE_NAME).display(),
                    mark.kind.label(),
                    mark.frame,
                    mark.camera,
                    footage.frame_pts_seconds.len()
                )
            })?;
            let (session_seconds, clock_sd_seconds) = match clocks.and_then(|clocks| clocks.get(index)) {
                Some(clock) => {
                    let middle_px = footage.size_px.map(|size| f64::from(size) / 2.0);
                    (clock.seen_at_seconds(*pts, middle_px), clock.clock.sd_seconds(*pts))
                }
                None => (*pts, 0.0),
            };
            // A person picks the nearest of two frames at best.
            let half_frame = footage.median_spacing_seconds().unwrap_or(0.0) / 2.0;
            events.push(MarkedEvent {
                kind: mark.kind,
                session_seconds,
                sd_seconds: half_frame.hypot(clock_sd_seconds),
                place: format!("frame {} of camera \"{}\"", mark.frame, mark.camera),
            });
        }
        Ok(events)
    }

    /// How the strokes were recorded, as far as comparisons depend on it.
    pub(crate) fn set_settings(&self) -> anyhow::Result<SetSettings> {
        let mut frame_rate_hz = f64::INFINITY;
        for camera in self.cameras() {
            let spacing = self.footage(camera)?.median_spacing_seconds();
            frame_rate_hz = frame_rate_hz.min(1.0 / spacing.context("footage of one frame only")?);
        }
        let alone = self.cameras().len() == 1;
        let folder = self.session.folder.file_name().map_or_else(String::new, |n| n.to_string_lossy().into_owned());
        Ok(SetSettings {
            name: format!("{} ({folder})", self.session.description.player.code),
            frame_rate_hz,
            cameras: self.cameras().len(),
            clock_sd_seconds: if alone { 0.0 } else { clock_sd_seconds(&self.calibrated()?, &self.tracks()?) },
            court_is_known: !alone && self.rig_in_use()?.vertical == Vertical::ZUp,
        })
    }

    /// The motion around every contact, kept as Parquet beside the tracks.
    fn motions(&self, input: &StrokeInput, provenance: &Provenance) -> anyhow::Result<StrokeMotions> {
        let contacts: Vec<ContactTime> = midline_analysis::contact_times(input)
            .map_err(|e| NotMeasurable(e.to_string()))?
            .into_iter()
            .map(|c| ContactTime { session_seconds: c.session_seconds, sd_seconds: c.sd_seconds })
            .collect();
        let lenses = self.cameras().iter().map(|c| Ok(self.lens(c)?.lens)).collect::<anyhow::Result<Vec<_>>>()?;
        let keypoints: Vec<Keypoints> = read_computed(&self.lifted_points_file())?.result;
        let motions = midline_triangulation::lift_strokes(
            &self.calibrated()?,
            &lenses,
            &self.rig_in_use()?,
            &keypoints,
            input.tracks,
            &contacts,
            &MotionSettings::with_noise(&self.lift_quality()?.points),
        )?;
        write_motion_parquet(&motions.strokes, &self.session.computed("motion.parquet"), provenance)?;
        Ok(motions)
    }

    /// The keypoints as the lift used them.
    fn lifted_points_file(&self) -> PathBuf {
        self.session.computed("lift-points.json")
    }

    pub(crate) fn strokes_file(&self) -> PathBuf {
        self.session.computed("strokes.json")
    }
}

/// Standard deviation of the least certain clock in the middle of the tracks, seconds.
fn clock_sd_seconds(cameras: &[CalibratedCamera], tracks: &Tracks) -> f64 {
    let middle = tracks.session_seconds.get(tracks.session_seconds.len() / 2).copied().unwrap_or(0.0);
    cameras.iter().map(|c| c.clock.sd_seconds(c.clock.pts_seconds(middle))).fold(0.0, f64::max)
}
