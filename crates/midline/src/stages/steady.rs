//! Whether each tripod stood still: the background of frames all over the footage against that of the first.

use std::path::PathBuf;

use anyhow::Context;
use midline_media::{Picture, PictureFormat};
use midline_session::description::CameraDescription;
use midline_session::steadiness::Steadiness;
use midline_vision::{Background, Grey};
use serde_json::json;

use super::Stages;
use crate::progress;

impl Stages {
    /// How still a camera stood.
    pub(crate) fn steadiness(&self, camera: &CameraDescription) -> anyhow::Result<Steadiness> {
        let path = self.given(&camera.footage, &format!("the footage of camera \"{}\"", camera.name))?;
        let provenance =
            self.hashes.provenance("steady", &self.session.folder, std::slice::from_ref(&path), json!({}))?;
        self.hashes.kept(&self.steady_file(camera), provenance, || {
            let spinner = progress::spinner(&format!("does the tripod stand still, {}", camera.name));
            let footage = self.footage(camera)?;
            let pts = &footage.frame_pts_seconds;
            let decode = |frames: &[usize]| midline_media::pictures_at(&path, &footage, PictureFormat::Gray, frames);
            let frames = midline_rig::frames_to_compare(pts);
            let pictures = decode(&frames)?;
            let background = pictures.first().and_then(|first| Background::new(&grey(first)));
            let shift_px = |picture: &Picture| Some(background.as_ref()?.shift_in(&grey(picture))?.corner_px);
            let compared: Vec<(usize, Option<f64>)> =
                pictures.iter().map(|picture| (picture.frame_index, shift_px(picture))).collect();
            let found = midline_rig::standing(&camera.name, pts, footage.size_px, &compared, |frame| {
                let picture = decode(&[frame])?;
                Ok::<_, anyhow::Error>(picture.first().and_then(shift_px))
            })
            .with_context(|| format!("comparing the background of camera \"{}\"", camera.name))?;
            spinner.finish_and_clear();
            Ok(found)
        })
    }

    pub(crate) fn steady_file(&self, camera: &CameraDescription) -> PathBuf {
        self.session.computed(&format!("steady-{}.json", camera.name))
    }
}

fn grey(picture: &Picture) -> Grey<'_> {
    Grey { pixels: &picture.pixels, size_px: picture.size_px }
}
