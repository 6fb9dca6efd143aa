//! Report and 3D recording.

use std::path::PathBuf;

use midline_report::ReportInput;
use midline_session::footage::Footage;
use midline_session::{Provenance, read_computed, write_atomically};
use midline_viewer::ViewInput;
use serde_json::json;

use super::Stages;
use crate::{pictures, progress};

impl Stages {
    /// Writes the report and says where.
    pub(crate) fn report(&self) -> anyhow::Result<PathBuf> {
        let path = self.session.computed("report.html");
        self.output("report", path, |path| {
            let strokes = self.strokes()?;
            let spinner = progress::spinner("report");
            let (tracks, cameras, footage) = (self.tracks()?, self.calibrated()?, self.named_footage()?);
            let pictures = pictures::of_strokes(&self.session, &cameras, &footage, &tracks, &strokes)?;
            let keypoints = self.cameras().iter().map(|c| self.keypoints(c)).collect::<anyhow::Result<Vec<_>>>()?;
            let lenses: Vec<_> = self.lenses()?.into_iter().map(|l| l.lens).collect();
            let page = midline_report::render(&ReportInput {
                session: &self.session,
                strokes: &strokes,
                lenses: &lenses,
                rig: &self.rig()?,
                clock: &self.clock()?,
                footage: &footage,
                keypoints: &keypoints,
                tracks: &tracks,
                pictures: &pictures,
                provenance: &self.provenance_of_results()?,
                program: concat!("midline ", env!("CARGO_PKG_VERSION")),
            })?;
            write_atomically(path, page.as_bytes())?;
            spinner.finish_and_clear();
            Ok(())
        })
    }

    /// Writes the 3D recording and says where.
    pub(crate) fn recording(&self) -> anyhow::Result<PathBuf> {
        let path = self.session.computed("recording.rrd");
        self.output("view", path, |path| {
            let strokes = self.strokes()?;
            let spinner = progress::spinner("3D recording");
            let keypoints = self.cameras().iter().map(|c| self.keypoints(c)).collect::<anyhow::Result<Vec<_>>>()?;
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
                    vertical: self.rig()?.vertical,
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
        files.extend([self.rig_file(), self.clock_file(), self.lift_file(), self.strokes_file()]);
        files.iter().map(|file| Ok(read_computed::<serde_json::Value>(file)?.provenance)).collect()
    }

    /// Makes an output file unless the one that is there was made from the same inputs; a small file beside the others
    /// (`<stage>-made.json`) remembers from what.
    fn output(
        &self,
        stage: &str,
        path: PathBuf,
        make: impl FnOnce(&std::path::Path) -> anyhow::Result<()>,
    ) -> anyhow::Result<PathBuf> {
        self.strokes()?;
        let mut inputs = vec![self.strokes_file(), self.tracks_file(), self.rig_file(), self.clock_file()];
        for camera in self.cameras() {
            inputs.push(self.lens(camera)?.file);
            inputs.push(self.points_file(camera));
            inputs.push(self.given(&camera.footage, "the footage")?);
        }
        let provenance = self.hashes.provenance(
            stage,
            &self.session.folder,
            &inputs,
            json!({ "session": self.session.description }),
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
