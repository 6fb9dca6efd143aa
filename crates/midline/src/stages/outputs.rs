//! Report and 3D recording.

use std::path::PathBuf;

use anyhow::Context;
use midline_analysis::comparison::{StrokeSet, compare};
use midline_report::{Before, KeyPicture, MissingStage, ReportInput};
use midline_session::calibration::{ClockCalibration, RigCalibration, Scale, Vertical, World};
use midline_session::footage::Footage;
use midline_session::strokes::Strokes;
use midline_session::tracks::Tracks;
use midline_session::{Provenance, read_computed, write_atomically};
use midline_viewer::{BeforeView, ViewInput};
use serde_json::json;

use super::Stages;
use crate::{overlay_video, pictures, progress};

const PROGRAM: &str = concat!("midline ", env!("CARGO_PKG_VERSION"));

impl Stages {
    /// Writes the report and says where; with `before`, that of the comparison with an earlier session. When a stage has no
    /// result, the report is written from what there is, says which stage is missing, and the reason is returned.
    pub(crate) fn report(&self, before: Option<&Stages>) -> anyhow::Result<PathBuf> {
        self.whole_report(before).map_err(|error| match self.partial_report() {
            Ok(path) => error.context(format!("{} shows what there is and says what is missing", path.display())),
            Err(_) => error,
        })
    }

    fn whole_report(&self, before: Option<&Stages>) -> anyhow::Result<PathBuf> {
        let stage = match before {
            None => "report".to_owned(),
            Some(before) => format!("report-after-{}", before.name()?),
        };
        let path = self.session.computed(&format!("{stage}.html"));
        self.output(&stage, path, before, |path| {
            let strokes = self.strokes()?;
            let spinner = progress::spinner("report");
            let pictures = self.key_pictures(&strokes)?;
            let earlier = match before {
                Some(before) => {
                    let earlier = before.strokes()?;
                    let (then, now) = (before.set_settings()?, self.set_settings()?);
                    let first = StrokeSet { settings: &then, strokes: &earlier };
                    let comparison = compare(first, StrokeSet { settings: &now, strokes: &strokes });
                    Some((before, before.key_pictures(&earlier)?, earlier, comparison))
                }
                None => None,
            };
            let keypoints = self.cameras().iter().map(|c| self.keypoints(c)).collect::<anyhow::Result<Vec<_>>>()?;
            let lenses: Vec<_> = self.lenses()?.into_iter().map(|l| l.lens).collect();
            let page = midline_report::render(&ReportInput {
                session: &self.session,
                strokes: &strokes,
                lenses: &lenses,
                rig: &self.rig_in_use()?,
                clock: &self.clock()?,
                footage: &self.named_footage()?,
                keypoints: &keypoints,
                tracks: &self.tracks()?,
                lift_remarks: &self.lift_quality()?.remarks,
                pictures: &pictures,
                provenance: &self.provenance_of_results()?,
                program: PROGRAM,
                before: earlier.as_ref().map(|(before, pictures, strokes, comparison)| Before {
                    session: &before.session,
                    strokes,
                    pictures,
                    comparison,
                }),
                missing: &[],
            })?;
            write_atomically(path, page.as_bytes())?;
            spinner.finish_and_clear();
            Ok(())
        })
    }

    /// A report of the stages that have a result; the others are named with their reasons.
    fn partial_report(&self) -> anyhow::Result<PathBuf> {
        let session = self.session.folder.display();
        let mut missing: Vec<MissingStage> = Vec::new();
        let mut note = |stage: &str, command: &str, error: anyhow::Error| {
            let because = crate::explain(&error);
            let first = missing.iter().find(|known| known.because == because);
            let because = first.map_or(because, |known| format!("it rests on what is missing above ({})", known.stage));
            let command = format!("midline {command} {session}");
            missing.push(MissingStage { stage: stage.to_owned(), because, command });
        };
        let (mut footage, mut lenses, mut keypoints) = (Vec::new(), Vec::new(), Vec::new());
        for camera in self.cameras() {
            let of = |stage: &str| format!("{stage} of camera {}", camera.name);
            match self.footage(camera) {
                Ok(found) => footage.push((camera.name.clone(), found)),
                Err(error) => note(&of("footage"), "media", error),
            }
            match self.lens(camera) {
                Ok(found) => lenses.push(found.lens),
                Err(error) => note(&of("lens"), "lens", error),
            }
            match self.keypoints(camera) {
                Ok(found) => keypoints.push(found),
                Err(error) => note(&of("2D points"), "points", error),
            }
        }
        let rig = self.rig_in_use().unwrap_or_else(|error| {
            note("rig", "rig", error);
            let (world, scale, vertical) = (World::Board, Scale::UpToScale, Vertical::Unknown);
            RigCalibration {
                world,
                scale,
                vertical,
                cameras: vec![],
                covariance: vec![],
                pose_by_lens: vec![],
                remarks: vec![],
            }
        });
        let clock = self.clock().unwrap_or_else(|error| {
            note("clock", "clock", error);
            ClockCalibration { reference: String::new(), cameras: vec![], read_outs: vec![], remarks: vec![] }
        });
        let lifted = self.tracks().and_then(|tracks| Ok((tracks, self.lift_quality()?.remarks)));
        let (tracks, lift_remarks) = lifted.unwrap_or_else(|error| {
            note("3D tracks", "lift", error);
            (Tracks::default(), Vec::new())
        });
        let strokes = self.strokes().unwrap_or_else(|error| {
            note("strokes", "strokes", error);
            Strokes::default()
        });
        let page = midline_report::render(&ReportInput {
            session: &self.session,
            strokes: &strokes,
            lenses: &lenses,
            rig: &rig,
            clock: &clock,
            footage: &footage,
            keypoints: &keypoints,
            tracks: &tracks,
            lift_remarks: &lift_remarks,
            pictures: &[],
            provenance: &[],
            program: PROGRAM,
            before: None,
            missing: &missing,
        })?;
        let path = self.session.computed("report.html");
        // The page of an earlier run is not taken for the result of this one.
        let remembered = self.session.computed("report-made.json");
        if remembered.is_file() {
            std::fs::remove_file(&remembered)?;
        }
        write_atomically(&path, page.as_bytes())?;
        Ok(path)
    }

    /// Name of the session's folder.
    fn name(&self) -> anyhow::Result<String> {
        let folder = &self.session.folder;
        let whole = folder.canonicalize().with_context(|| format!("{}: finding the session", folder.display()))?;
        Ok(whole.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default())
    }

    fn key_pictures(&self, strokes: &Strokes) -> anyhow::Result<Vec<KeyPicture>> {
        pictures::of_strokes(&self.session, &self.calibrated()?, &self.named_footage()?, &self.tracks()?, strokes)
    }

    /// Writes one video of every camera with what was measured drawn in, and says where.
    pub(crate) fn overlay_videos(&self) -> anyhow::Result<Vec<PathBuf>> {
        let (strokes, tracks, footage) = (self.strokes()?, self.tracks()?, self.named_footage()?);
        let mut paths = Vec::new();
        for camera in &self.calibrated()? {
            let stage = format!("overlay-{}", camera.name);
            let path = self.session.computed(&format!("{stage}.mp4"));
            paths.push(self.output(&stage, path, None, |path| {
                overlay_video::write(path, &self.session, camera, &footage, &tracks, &strokes)
            })?);
        }
        Ok(paths)
    }

    /// Writes the 3D recording and says where; with `before`, that of the comparison with an earlier session.
    pub(crate) fn recording(&self, before: Option<&Stages>) -> anyhow::Result<PathBuf> {
        let stage = match before {
            None => "view".to_owned(),
            Some(before) => format!("view-after-{}", before.name()?),
        };
        let name = if before.is_none() { "recording.rrd".to_owned() } else { format!("{stage}.rrd") };
        let path = self.session.computed(&name);
        self.output(&stage, path, before, |path| {
            let strokes = self.strokes()?;
            let spinner = progress::spinner("3D recording");
            let keypoints = self.cameras().iter().map(|c| self.keypoints(c)).collect::<anyhow::Result<Vec<_>>>()?;
            let earlier = match before {
                Some(before) => Some((&before.session, before.tracks()?, before.strokes()?)),
                None => None,
            };
            let left_out = midline_viewer::save(
                path,
                &ViewInput {
                    session: &self.session,
                    cameras: &self.calibrated()?,
                    footage: &self.named_footage()?,
                    tracks: &self.tracks()?,
                    strokes: &strokes,
                    court: self.session.court().as_ref(),
                    keypoints: &keypoints,
                    vertical: self.rig_in_use()?.vertical,
                    before: earlier.as_ref().map(|(session, tracks, strokes)| BeforeView { session, tracks, strokes }),
                },
            )?;
            spinner.finish_and_clear();
            for remark in left_out {
                eprintln!("midline: {remark}");
            }
            Ok(())
        })
    }

    /// Provenance of every stage's result, in the order of the stages.
    fn provenance_of_results(&self) -> anyhow::Result<Vec<Provenance>> {
        let mut files: Vec<PathBuf> = Vec::new();
        for camera in self.cameras() {
            files.push(self.session.computed(&format!("media-{}.json", camera.name)));
            files.push(self.lens(camera)?.file);
            files.push(self.points_file(camera));
        }
        files.extend([self.rig_file_in_use(), self.clock_file(), self.lift_file(), self.strokes_file()]);
        files.iter().map(|file| Ok(read_computed::<serde_json::Value>(file)?.provenance)).collect()
    }

    /// Makes an output file unless the one that is there was made from the same inputs; a small file beside the others
    /// (`<stage>-made.json`) remembers from what.
    fn output(
        &self,
        stage: &str,
        path: PathBuf,
        before: Option<&Stages>,
        make: impl FnOnce(&std::path::Path) -> anyhow::Result<()>,
    ) -> anyhow::Result<PathBuf> {
        self.strokes()?;
        if let Some(before) = before {
            before.strokes()?;
        }
        let mut inputs = vec![self.strokes_file(), self.tracks_file(), self.rig_file_in_use(), self.clock_file()];
        if let Some(before) = before {
            inputs.extend([before.strokes_file(), before.tracks_file()]);
        }
        for camera in self.cameras() {
            inputs.push(self.lens(camera)?.file);
            inputs.push(self.points_file(camera));
            inputs.push(self.given(&camera.footage, "the footage")?);
        }
        let provenance = self.hashes.provenance(
            stage,
            &self.session.folder,
            &inputs,
            json!({ "session": self.session.description, "before": before.map(|b| &b.session.description) }),
        )?;
        let remembered = self.session.computed(&format!("{stage}-made.json"));
        if !path.is_file() && remembered.is_file() {
            std::fs::remove_file(&remembered)?;
        }
        self.hashes.kept(&remembered, provenance, || make(&path))?;
        Ok(path)
    }

    pub(crate) fn named_footage(&self) -> anyhow::Result<Vec<(String, Footage)>> {
        self.cameras().iter().map(|c| Ok((c.name.clone(), self.footage(c)?))).collect()
    }
}
