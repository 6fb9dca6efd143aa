//! What is in the files: footage, boards, keypoints.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use anyhow::Context;
use indicatif::ParallelProgressIterator;
use midline_media::PictureFormat;
use midline_points::Reading;
use midline_points::quality::Quality;
use midline_session::Provenance;
use midline_session::board::{Board, BoardView};
use midline_session::description::CameraDescription;
use midline_session::footage::{Footage, Particulars};
use midline_session::keypoints::Keypoints;
use midline_session::marks::{self, CameraMarks};
use midline_vision::Grey;
use rayon::iter::{IntoParallelRefIterator, ParallelIterator};
use serde::{Deserialize, Serialize};
use serde_json::json;

use super::Stages;
use crate::progress;

/// A footage file with what else its container tells.
#[derive(Debug, Serialize)]
pub(crate) struct Described {
    #[serde(flatten)]
    pub(crate) footage: Footage,
    pub(crate) particulars: Particulars,
}

/// Board sightings in one clip.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(crate) struct Sightings {
    /// The clip.
    pub(crate) footage: Footage,
    /// Frames in which the board was searched.
    pub(crate) frames_searched: usize,
    /// Where it was found.
    pub(crate) views: Vec<BoardView>,
}

/// Frames per second of a board clip that are searched: hand-held boards do not move enough in between to matter.
pub(super) const SEARCHED_PER_SECOND: f64 = 10.0;

/// Pictures held in memory at a time while they are searched in parallel.
const BATCH: usize = 16;

impl Stages {
    /// The media stage of one camera.
    pub(crate) fn footage(&self, camera: &CameraDescription) -> anyhow::Result<Footage> {
        let path = self.given(&camera.footage, &format!("the footage of camera \"{}\"", camera.name))?;
        let provenance =
            self.hashes.provenance("media", &self.session.folder, std::slice::from_ref(&path), json!({}))?;
        let output = self.session.computed(&format!("media-{}.json", camera.name));
        self.hashes.kept(&output, provenance, || {
            midline_media::inspect(&path).with_context(|| format!("footage of camera \"{}\"", camera.name))
        })
    }

    /// What the footage of every camera holds, by the camera's name.
    pub(crate) fn described_footage(&self) -> anyhow::Result<BTreeMap<String, Described>> {
        self.cameras()
            .iter()
            .map(|camera| {
                let footage = self.footage(camera)?;
                let particulars = midline_media::particulars(&self.session.path(&camera.footage))?;
                Ok((camera.name.clone(), Described { footage, particulars }))
            })
            .collect()
    }

    /// Board sightings in a clip, searched so many times per second; `label` names the kept file.
    pub(crate) fn sightings(
        &self,
        label: &str,
        clip: &Path,
        board: &Board,
        searched_per_second: f64,
    ) -> anyhow::Result<(Sightings, PathBuf)> {
        let path = self.given(clip, &format!("the board clip {label}"))?;
        let settings = json!({ "board": board, "searched_per_second": searched_per_second });
        let provenance =
            self.hashes.provenance("boards", &self.session.folder, std::slice::from_ref(&path), settings)?;
        let output = self.session.computed(&format!("boards-{label}.json"));
        let found = self.hashes.kept(&output, provenance, || search(&path, label, board, searched_per_second))?;
        Ok((found, output))
    }

    /// The points stage of one camera: imported and cleaned.
    pub(crate) fn keypoints(&self, camera: &CameraDescription) -> anyhow::Result<Keypoints> {
        let steadiness = self.steadiness(camera)?;
        // Only this camera's points: a mark elsewhere, or of the court, asks for nothing here.
        let marks = self.marks.camera(&camera.name);
        let provenance = self.points_provenance("points", camera, Some((self.steady_file(camera), &marks)))?;
        self.hashes.kept(&self.points_file(camera), provenance, || {
            let (mut keypoints, footage) = self.imported(camera)?;
            midline_points::clean(&mut keypoints, &footage);
            let marks_file = self.session.folder.join(marks::FILE_NAME);
            midline_points::lay_marks_over(&mut keypoints, &marks, &footage, &marks_file)?;
            steadiness.leave_out(&mut keypoints);
            Ok(keypoints)
        })
    }

    /// What the keypoints of one camera are worth.
    pub(crate) fn points_quality(&self, camera: &CameraDescription) -> anyhow::Result<Quality> {
        let provenance = self.points_provenance("points-quality", camera, None)?;
        let output = self.session.computed(&format!("quality-{}.json", camera.name));
        self.hashes.kept(&output, provenance, || {
            let (raw, footage) = self.imported(camera)?;
            let mut cleaned = raw.clone();
            let cleaning = midline_points::clean(&mut cleaned, &footage);
            Ok(midline_points::quality::quality(&raw, &cleaned, &cleaning, &footage))
        })
    }

    /// The keypoints as the file has them, in this program's conventions.
    fn imported(&self, camera: &CameraDescription) -> anyhow::Result<(Keypoints, Footage)> {
        let footage = self.footage(camera)?;
        let described = &camera.points_reading;
        let names = described.names.as_ref().map(|names| self.given_names(camera, names)).transpose()?;
        let reading = Reading::of(described, names.as_deref())?;
        let path = self.given_points(camera)?;
        Ok((midline_points::import_as(&path, &camera.name, &footage, &reading)?, footage))
    }

    fn given_points(&self, camera: &CameraDescription) -> anyhow::Result<PathBuf> {
        self.given(&camera.points, &format!("the keypoints of camera \"{}\"", camera.name))
    }

    fn given_names(&self, camera: &CameraDescription, names: &Path) -> anyhow::Result<PathBuf> {
        self.given(names, &format!("the mapping of names of camera \"{}\"", camera.name))
    }

    fn points_provenance(
        &self,
        stage: &str,
        camera: &CameraDescription,
        cleaned: Option<(PathBuf, &CameraMarks)>,
    ) -> anyhow::Result<Provenance> {
        self.footage(camera)?;
        let media = self.session.computed(&format!("media-{}.json", camera.name));
        let mut inputs = vec![self.given_points(camera)?, media];
        if let Some(names) = &camera.points_reading.names {
            inputs.push(self.given_names(camera, names)?);
        }
        let reading = &camera.points_reading;
        let mut settings = serde_json::Map::new();
        if !reading.is_default() {
            settings.insert("reading".into(), json!(reading));
        }
        if let Some((steady, marks)) = cleaned {
            inputs.push(steady);
            settings.insert("marked".into(), json!({ "points": marks.points, "carried": marks.carried }));
        }
        let settings = serde_json::Value::Object(settings);
        self.hashes.provenance(stage, &self.session.folder, &inputs, settings)
    }

    pub(crate) fn points_file(&self, camera: &CameraDescription) -> PathBuf {
        self.session.computed(&format!("points-{}.json", camera.name))
    }
}

fn search(path: &Path, label: &str, board: &Board, searched_per_second: f64) -> anyhow::Result<Sightings> {
    let footage = midline_media::inspect(path)?;
    let spacing = footage.median_spacing_seconds().unwrap_or(1.0 / 30.0);
    let every = ((1.0 / searched_per_second / spacing).round() as usize).max(1);
    let frames_searched = footage.frame_pts_seconds.len().div_ceil(every);
    let bar = progress::bar(frames_searched, &format!("board, {label}"));
    let mut pictures = midline_media::pictures(path, &footage, PictureFormat::Gray, every)?;
    let mut views = Vec::new();
    loop {
        let batch: Vec<_> = pictures.by_ref().take(BATCH).collect::<Result<_, _>>()?;
        if batch.is_empty() {
            break;
        }
        let found: Vec<Option<BoardView>> = batch
            .par_iter()
            .progress_with(bar.clone())
            .map(|picture| {
                let grey = Grey { pixels: &picture.pixels, size_px: picture.size_px };
                let board = midline_vision::find_board(board, &grey)?;
                Ok(board.map(|found| found.into_view(picture.frame_index, picture.pts_seconds)))
            })
            .collect::<anyhow::Result<_>>()?;
        views.extend(found.into_iter().flatten());
    }
    bar.finish_and_clear();
    anyhow::ensure!(
        !views.is_empty(),
        "{}: board \"{}\" ({} × {} inner corners{}) was not found in any of {frames_searched} frames searched; check {} in \
         session.toml, and that {} is in the picture, lit and not blurred",
        path.display(),
        board.name,
        board.inner_corners[0],
        board.inner_corners[1],
        board.markers.as_ref().map_or(String::new(), |markers| format!(", markers {}", markers.dictionary)),
        if board.markers.is_some() { "inner_corners, the markers' dictionary and side_m" } else { "inner_corners" },
        if board.markers.is_some() { "a good part of the board" } else { "the whole board" },
    );
    Ok(Sightings { footage, frames_searched, views })
}
