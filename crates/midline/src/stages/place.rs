//! Where the cameras stand: the rig stage.

use std::collections::BTreeMap;
use std::path::PathBuf;

use anyhow::Context;
use midline_geometry::{Camera, RigidTransform};
use midline_media::PictureFormat;
use midline_rig::{LinePoint, OnPictures, PlayerSettings, RigInput, RigSettings};
use midline_session::calibration::{LensCalibration, RigCalibration, World};
use midline_session::court::{Court, LineEdge};
use midline_session::description::{CameraDescription, RoughPlace};
use midline_session::steadiness::Steadiness;
use midline_session::write_atomically;
use midline_vision::{Grey, SeenLine};
use nalgebra::{Point3, Vector3};
use serde_json::json;

use super::Stages;
use super::calibrate::SharedBoard;
use crate::progress;

/// Frames of the footage whose median shows the place without the player.
const FRAMES_OF_REFERENCE: usize = 11;

/// All that the cameras' places are solved from.
struct Evidence<'a> {
    lenses: Vec<LensCalibration>,
    shared: Option<SharedBoard<'a>>,
    marks: Vec<BTreeMap<String, [f64; 2]>>,
    lines: Vec<Vec<LinePoint>>,
    starts: Vec<Option<RigidTransform>>,
    court: Option<Court>,
    settings: RigSettings,
    steady: Vec<Steadiness>,
    /// What it was read from.
    files: Vec<PathBuf>,
    /// What a person said.
    told: serde_json::Value,
}

impl Evidence<'_> {
    fn input(&self) -> RigInput<'_> {
        RigInput {
            lenses: &self.lenses,
            boards: self.shared.as_ref().map(|shared| (shared.board, shared.sightings.as_slice())),
            court: self.court.as_ref().map(|court| (court, self.marks.as_slice())),
            lines: &self.lines,
        }
    }
}

impl Stages {
    /// The rig stage.
    pub(crate) fn rig(&self) -> anyhow::Result<RigCalibration> {
        let evidence = self.evidence()?;
        let provenance = self.hashes.provenance("rig", &self.session.folder, &evidence.files, evidence.told.clone())?;
        self.hashes.kept(&self.rig_file(), provenance, || {
            let spinner = progress::spinner("rig");
            let mut rig = self.solved_rig(&evidence)?.rig;
            rig.remarks.extend(evidence.steady.into_iter().flat_map(|steady| steady.remarks));
            spinner.finish_and_clear();
            Ok(rig)
        })
    }

    /// The rig that everything in 3D rests on: that of the rig stage, refined with the player's points where the session asks for it.
    pub(crate) fn rig_in_use(&self) -> anyhow::Result<RigCalibration> {
        if !self.refines_rig() {
            return self.rig();
        }
        let evidence = self.evidence()?;
        let (clock, cameras) = (self.clock()?, self.calibrated_on(&self.rig()?)?);
        let keypoints = self.cameras().iter().map(|c| self.keypoints(c)).collect::<anyhow::Result<Vec<_>>>()?;
        let settings = PlayerSettings::default();
        let mut files = evidence.files.clone();
        files.extend([self.rig_file(), self.clock_file()]);
        files.extend(self.cameras().iter().map(|camera| self.points_file(camera)));
        let told = json!({ "rig": evidence.told, "points": format!("{settings:?}") });
        let provenance = self.hashes.provenance("rig-refined", &self.session.folder, &files, told)?;
        self.hashes.kept(&self.rig_file_in_use(), provenance, || {
            let spinner = progress::spinner("rig, with the player's points");
            let found = self.solved_rig(&evidence)?;
            let points = midline_rig::player_points(&cameras, &keypoints, &settings);
            let input = RigInput { lines: &found.lines, ..evidence.input() };
            let refined = midline_rig::refine(&input, &evidence.settings, &points, false)
                .context("the cameras' places with the player's points")?;
            let mut rig = refined.rig;
            rig.remarks.push(format!(
                "The same points set the clock (to {:.2} ms) and are lifted into 3D; what they get wrong in all three is counted in none.",
                1000.0 * clock.cameras.iter().map(|own| own.covariance[0][0].max(0.0).sqrt()).fold(0.0, f64::max)
            ));
            rig.remarks.extend(evidence.steady.into_iter().flat_map(|steady| steady.remarks));
            spinner.finish_and_clear();
            Ok(rig)
        })
    }

    fn evidence(&self) -> anyhow::Result<Evidence<'_>> {
        let lenses = self.lenses()?;
        let shared = self.shared_board()?;
        let marks: Vec<BTreeMap<String, [f64; 2]>> = self.cameras().iter().map(|c| self.court_points(c)).collect();
        let court = self.session.court();
        let mut settings = RigSettings::default();
        if let Some(sd_px) = self.session.description.court.as_ref().and_then(|court| court.marks_sd_px) {
            settings.click_sd_px = sd_px;
        }
        if let Some(shared) = &shared {
            settings.board_clock_sd_seconds = shared.clock_sd_seconds;
        }
        let mut files: Vec<PathBuf> = lenses.iter().map(|l| l.file.clone()).collect();
        files.extend(shared.iter().flat_map(|shared| shared.files.iter().cloned()));
        files.extend(self.cameras().iter().map(|camera| self.steady_file(camera)));
        if court.is_some() {
            for camera in self.cameras() {
                files.push(self.given(&camera.footage, "the footage")?);
            }
        }
        let told = json!({
            "court": court,
            "court_points": marks,
            "court_lines": self.cameras().iter().map(|c| &c.court_lines).collect::<Vec<_>>(),
            "rough_places": self.cameras().iter().map(|c| c.rough_place).collect::<Vec<_>>(),
            "settings": format!("{settings:?}"),
            "board": shared.as_ref().map(|shared| shared.board),
        });
        Ok(Evidence {
            lenses: lenses.into_iter().map(|l| l.lens).collect(),
            shared,
            marks,
            lines: self.cameras().iter().map(line_points).collect(),
            starts: self.cameras().iter().map(|c| c.rough_place.as_ref().map(rough_pose)).collect(),
            court,
            settings,
            steady: self.cameras().iter().map(|c| self.steadiness(c)).collect::<anyhow::Result<Vec<_>>>()?,
            files,
            told,
        })
    }

    /// The rig from boards, marks and, on a court, the lines in the pictures, which are drawn over them.
    fn solved_rig(&self, evidence: &Evidence) -> anyhow::Result<OnPictures> {
        let Evidence { lenses, settings, starts, steady, .. } = evidence;
        let input = evidence.input();
        let Some(court) = &evidence.court else {
            let rig = midline_rig::solve_with(&input, settings).context("where the cameras stand")?;
            return Ok(OnPictures { rig, lines: Vec::new() });
        };
        let references = self
            .cameras()
            .iter()
            .zip(steady)
            .map(|(camera, steady)| self.reference_picture(camera, steady))
            .collect::<anyhow::Result<Vec<_>>>()?;
        let greys: Vec<image::GrayImage> = references.iter().map(image::imageops::grayscale).collect();
        let look = |camera: usize, pose: &RigidTransform, reach_px: f64| -> Vec<LinePoint> {
            let grey = Grey { pixels: greys[camera].as_raw(), size_px: greys[camera].dimensions().into() };
            let lens = &lenses[camera].intrinsics;
            midline_vision::court_lines(&grey, lens, pose, court, reach_px).into_iter().map(on_line).collect()
        };
        let found =
            midline_rig::solve_on_pictures(&input, settings, starts, look).context("where the cameras stand")?;
        if found.rig.world == World::Court {
            for (index, picture) in references.into_iter().enumerate() {
                self.court_picture(index, picture, &found.rig, lenses, court)?;
            }
        }
        Ok(found)
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

    /// The file of [`Self::rig_in_use`].
    pub(crate) fn rig_file_in_use(&self) -> PathBuf {
        if self.refines_rig() { self.session.computed("rig-refined.json") } else { self.rig_file() }
    }

    fn refines_rig(&self) -> bool {
        self.session.description.rig.refine_with_points
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
