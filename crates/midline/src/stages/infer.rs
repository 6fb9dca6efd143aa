//! Keypoints from pictures, with networks that the user brings.

use std::path::{Path, PathBuf};

use anyhow::Context;
use midline_points::PointsForm;
use midline_points::inference::{Clip, Model, infer};
use midline_session::description::{CameraDescription, PixelCentre, PointsRotation};
use midline_session::keypoints::default_names;
use midline_session::{Computed, hash_file, read_computed, write_computed};
use serde::{Deserialize, Serialize};
use serde_json::json;

use super::Stages;
use crate::progress;

/// What a keypoint file was made by, kept beside the other results.
#[derive(Debug, Serialize, Deserialize)]
struct Found {
    /// Hash of the keypoint file, so that one that a person changed is known and never overwritten.
    keypoints: String,
    /// Name and licence of each model.
    models: Vec<[String; 2]>,
    /// Frames in which something was found.
    frames: usize,
}

impl Stages {
    /// Makes the keypoint file of every camera with models; files that are up to date are left alone, and so is what a person
    /// made.
    pub(crate) fn find_points(&self, models: &[PathBuf], detector: Option<&Path>) -> anyhow::Result<()> {
        let opened = models.iter().map(|path| Model::open(path)).collect::<Result<Vec<_>, _>>()?;
        let finder = detector.map(Model::open).transpose()?;
        for camera in self.cameras() {
            self.check_reading(camera, &opened)?;
        }
        let networks: Vec<PathBuf> = models
            .iter()
            .map(PathBuf::as_path)
            .chain(detector)
            .flat_map(|path| [path.to_owned(), path.with_extension("toml")])
            .collect();
        for camera in self.cameras() {
            self.find_points_of(camera, &opened, finder.as_ref(), &networks)
                .with_context(|| format!("camera \"{}\"", camera.name))?;
        }
        Ok(())
    }

    fn find_points_of(
        &self,
        camera: &CameraDescription,
        models: &[Model],
        detector: Option<&Model>,
        networks: &[PathBuf],
    ) -> anyhow::Result<()> {
        let footage = self.footage(camera)?;
        let clip = self.session.path(&camera.footage);
        let mut inputs = networks.to_vec();
        inputs.extend([clip.clone(), self.session.computed(&format!("media-{}.json", camera.name))]);
        let player = &camera.points_reading.player;
        let settings = json!({ "models": models.len(), "detector": detector.is_some(), "player": player });
        let provenance = self.hashes.provenance("inference", &self.session.folder, &inputs, settings)?;
        let output = self.session.path(&camera.points);
        let record = self.session.computed(&format!("found-{}.json", camera.name));
        if output.is_file() {
            let kept = read_computed::<Found>(&record).ok();
            let ours = kept.filter(|kept| hash_file(&output).is_ok_and(|hash| hash == kept.result.keypoints));
            match ours {
                Some(kept) if kept.provenance == provenance => return Ok(()),
                Some(_) => {}
                None => anyhow::bail!(
                    "{}: this file was not made by a model, or was changed since, and is not overwritten; move it away or \
                     give `points` another name in session.toml",
                    output.display()
                ),
            }
        }
        let bar = progress::bar(footage.frame_pts_seconds.len(), &format!("points, {}", camera.name));
        let part = self.session.computed(&format!("found-{}.part", camera.name));
        let clip = Clip { path: &clip, footage: &footage, camera: &camera.name, player };
        let key = serde_json::to_string(&provenance)?;
        let keypoints = infer(clip, models, detector, &part, &key, &|done| bar.set_position(done as u64))?;
        bar.finish_and_clear();
        let form = match output.extension().and_then(|e| e.to_str()) {
            Some("csv") => PointsForm::TidyCsv,
            _ => PointsForm::CocoDataset,
        };
        midline_points::write(&output, form, &keypoints, footage.size_px)?;
        self.hashes.forget(&output);
        let found = Found {
            keypoints: hash_file(&output)?,
            models: models.iter().map(|m| [m.manifest().name.clone(), m.manifest().licence.clone()]).collect(),
            frames: keypoints.frames.len(),
        };
        write_computed(&record, &Computed { provenance, result: found })?;
        std::fs::remove_file(&part).with_context(|| format!("{}: removing the results so far", part.display()))
    }

    /// A file that a model makes is in this program's conventions; a session that says otherwise would read it wrongly.
    fn check_reading(&self, camera: &CameraDescription, models: &[Model]) -> anyhow::Result<()> {
        let reading = &camera.points_reading;
        let session = self.session.folder.join("session.toml");
        anyhow::ensure!(
            reading.pixel_centre == PixelCentre::Integer && reading.rotation == PointsRotation::Shown,
            "{}: camera \"{}\" says pixel_centre or rotation under points_reading; leave them out with a model, whose points \
             come in pixels of the shown picture, centres at integers",
            session.display(),
            camera.name
        );
        for (model, name) in models.iter().flat_map(|m| m.names().map(move |name| (m, name))) {
            anyhow::ensure!(
                reading.names.is_some() || default_names().iter().any(|known| known == name),
                "{}: \"{name}\" is none of {}; leave it out in the manifest (\"\"), or map it under points_reading of camera \
                 \"{}\" in {}",
                model.path().with_extension("toml").display(),
                default_names().join(", "),
                camera.name,
                session.display()
            );
        }
        Ok(())
    }
}
