//! Where the cameras stand: the rig stage.

use std::collections::BTreeMap;
use std::path::PathBuf;

use anyhow::Context;
use midline_geometry::{Camera, RigidTransform};
use midline_media::PictureFormat;
use midline_rig::{LinePoint, RigInput, RigSettings};
use midline_session::calibration::{LensCalibration, RigCalibration, World};
use midline_session::court::{Court, LineEdge};
use midline_session::description::{CameraDescription, RoughPlace};
use midline_session::steadiness::Steadiness;
use midline_session::write_atomically;
use midline_vision::{Grey, SeenLine};
use nalgebra::{Point3, Vector3};
use serde_json::json;

use super::Stages;
use crate::progress;

/// Frames of the footage whose median shows the place without the player.
const FRAMES_OF_REFERENCE: usize = 11;

impl Stages {
    /// The rig stage.
    pub(crate) fn rig(&self) -> anyhow::Result<RigCalibration> {
        let lenses = self.lenses()?;
        let (shared, board_files) = self.shared_sightings()?;
        let marks: Vec<BTreeMap<String, [f64; 2]>> = self.cameras().iter().map(|c| self.court_points(c)).collect();
        let lines: Vec<Vec<LinePoint>> = self.cameras().iter().map(line_points).collect();
        let starts: Vec<Option<RigidTransform>> =
            self.cameras().iter().map(|c| c.rough_place.as_ref().map(rough_pose)).collect();
        let court = self.session.court();
        let mut settings = RigSettings::default();
        if let Some(sd_px) = self.session.description.court.as_ref().and_then(|court| court.marks_sd_px) {
            settings.click_sd_px = sd_px;
        }
        let steady = self.cameras().iter().map(|c| self.steadiness(c)).collect::<anyhow::Result<Vec<_>>>()?;
        let mut inputs: Vec<PathBuf> = lenses.iter().map(|l| l.file.clone()).chain(board_files).collect();
        inputs.extend(self.cameras().iter().map(|camera| self.steady_file(camera)));
        if court.is_some() {
            for camera in self.cameras() {
                inputs.push(self.given(&camera.footage, "the footage")?);
            }
        }
        let provenance = self.hashes.provenance(
            "rig",
            &self.session.folder,
            &inputs,
            json!({
                "court": court,
                "court_points": marks,
                "court_lines": self.cameras().iter().map(|c| &c.court_lines).collect::<Vec<_>>(),
                "rough_places": self.cameras().iter().map(|c| c.rough_place).collect::<Vec<_>>(),
                "marks_sd_px": settings.click_sd_px,
                "board": shared.as_ref().map(|(board, _)| board),
            }),
        )?;
        let lenses: Vec<LensCalibration> = lenses.into_iter().map(|l| l.lens).collect();
        self.hashes.kept(&self.rig_file(), provenance, || {
            let spinner = progress::spinner("rig");
            let input = RigInput {
                lenses: &lenses,
                boards: shared.as_ref().map(|(board, sightings)| (*board, sightings.as_slice())),
                court: court.as_ref().map(|court| (court, marks.as_slice())),
                lines: &lines,
            };
            let mut rig = match &court {
                Some(court) => self.rig_on_court(&input, &settings, &starts, court, &steady),
                None => Ok(midline_rig::solve_with(&input, &settings).context("where the cameras stand")?),
            }?;
            rig.remarks.extend(steady.into_iter().flat_map(|steady| steady.remarks));
            spinner.finish_and_clear();
            Ok(rig)
        })
    }

    fn rig_on_court(
        &self,
        input: &RigInput,
        settings: &RigSettings,
        starts: &[Option<RigidTransform>],
        court: &Court,
        steady: &[Steadiness],
    ) -> anyhow::Result<RigCalibration> {
        let references = self
            .cameras()
            .iter()
            .zip(steady)
            .map(|(camera, steady)| self.reference_picture(camera, steady))
            .collect::<anyhow::Result<Vec<_>>>()?;
        let greys: Vec<image::GrayImage> = references.iter().map(image::imageops::grayscale).collect();
        let look = |camera: usize, pose: &RigidTransform, reach_px: f64| -> Vec<LinePoint> {
            let grey = Grey { pixels: greys[camera].as_raw(), size_px: greys[camera].dimensions().into() };
            let lens = &input.lenses[camera].intrinsics;
            midline_vision::court_lines(&grey, lens, pose, court, reach_px).into_iter().map(on_line).collect()
        };
        let found = midline_rig::solve_on_pictures(input, settings, starts, look).context("where the cameras stand")?;
        let rig = found.rig;
        if rig.world == World::Court {
            for (index, picture) in references.into_iter().enumerate() {
                self.court_picture(index, picture, &rig, input.lenses, court)?;
            }
        }
        Ok(rig)
    }

    /// The place without the player: the median of frames from all over the footage in which the camera stood as at the start.
    fn reference_picture(&self, camera: &CameraDescription, steady: &Steadiness) -> anyhow::Result<image::RgbImage> {
        let footage = self.footage(camera)?;
        let pts = &footage.frame_pts_seconds;
        let still: Vec<usize> = (0..pts.len()).filter(|frame| steady.stands_at(pts[*frame])).collect();
        let last = still.len().saturating_sub(1);
        let mut frames: Vec<usize> =
            (0..FRAMES_OF_REFERENCE).filter_map(|i| still.get(i * last / (FRAMES_OF_REFERENCE - 1)).copied()).collect();
        frames.dedup();
        let pictures =
            midline_media::pictures_at(&self.session.path(&camera.footage), &footage, PictureFormat::Rgb, &frames)?;
        let pixels: Vec<&[u8]> = pictures.iter().map(|picture| picture.pixels.as_slice()).collect();
        let [width, height] = footage.size_px;
        midline_vision::median_picture(&pixels)
            .and_then(|median| image::RgbImage::from_raw(width, height, median))
            .with_context(|| format!("{}: no frame to look for the court in", camera.footage.display()))
    }

    /// `rig-<camera>.png`: the court as solved, drawn over the place without the player.
    fn court_picture(
        &self,
        index: usize,
        picture: image::RgbImage,
        rig: &RigCalibration,
        lenses: &[LensCalibration],
        court: &Court,
    ) -> anyhow::Result<()> {
        let camera = &self.cameras()[index];
        let posed = Camera {
            intrinsics: lenses[index].intrinsics,
            camera_from_world: rig.cameras[index].camera_from_world,
            read_out: Self::read_out(camera, &self.footage(camera)?),
        };
        let sheet = midline_vision::court_sheet(picture.as_raw(), &posed, court, &self.court_points(camera));
        let [width, height] = sheet.size_px;
        let mut png = std::io::Cursor::new(Vec::new());
        image::write_buffer_with_format(
            &mut png,
            &sheet.rgb,
            width,
            height,
            image::ExtendedColorType::Rgb8,
            image::ImageFormat::Png,
        )?;
        Ok(write_atomically(&self.session.computed(&format!("rig-{}.png", camera.name)), &png.into_inner())?)
    }

    pub(crate) fn rig_file(&self) -> PathBuf {
        self.session.computed("rig.json")
    }
}

fn on_line(seen: SeenLine) -> LinePoint {
    LinePoint { line: seen.line, edge: seen.edge, px: seen.px, sd_px: Some(seen.sd_px) }
}

/// A camera about there, its picture upright.
fn rough_pose(place: &RoughPlace) -> RigidTransform {
    let [eye, target] = [place.stands_m, place.looks_at_m].map(Point3::from);
    // The camera's y axis points down.
    RigidTransform::look_at_lh(&eye, &target, &-Vector3::z())
}

/// The pixels that a person marked along the middle of painted lines.
fn line_points(camera: &CameraDescription) -> Vec<LinePoint> {
    let of_line = |(line, marked): (&String, &Vec<[f64; 2]>)| -> Vec<LinePoint> {
        marked.iter().map(|px| LinePoint { line: line.clone(), edge: LineEdge::Middle, px: *px, sd_px: None }).collect()
    };
    camera.court_lines.iter().flat_map(of_line).collect()
}
