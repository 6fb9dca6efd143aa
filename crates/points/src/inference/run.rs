//! Takes a clip through the models: decoding on one thread, networks on all.

use std::path::Path;
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};

use midline_media::{MediaError, Picture, PictureFormat};
use midline_session::description::PlayerMark;
use midline_session::footage::Footage;
use midline_session::keypoints::{Keypoint, KeypointFrame, Keypoints};
use rayon::prelude::*;

use super::boxes::the_player;
use super::manifest::Crop;
use super::part_file::{PartFile, Row};
use super::player_box::{PlayerBox, bounds};
use super::region::{BoxPx, Region};
use super::{InferenceError, Model};

/// Frames that go through the networks together, all with the player's box from the frames before them. A number of its
/// own, so that results do not depend on how many threads there are.
const GROUP: usize = 8;
/// Groups that are decoded ahead.
const AHEAD: usize = 2;
/// A point farther outside the picture than this share of its longer side was not seen.
const OUTSIDE_SHARE: f64 = 0.1;
/// Without a detector: side of the first look around a mark, as a share of the picture's shorter side.
const FIRST_LOOK_SHARE: f64 = 0.7;
/// Looks that make a box of a first guess.
const LOOKS: usize = 3;

/// The clip that is looked at.
#[derive(Debug, Clone, Copy)]
pub struct Clip<'a> {
    /// The file.
    pub path: &'a Path,
    /// What it holds.
    pub footage: &'a Footage,
    /// The camera's name.
    pub camera: &'a str,
    /// Where the player is, in some frames; pixels of the shown picture.
    pub player: &'a [PlayerMark],
}

/// Finds the points of every frame of a clip with one or more models.
///
/// Models with `crop = "box"` see the player: where the points of the last half second were; at the start, after the player
/// was lost and in marked frames what `detector` finds, else the surroundings of the mark, else the whole picture.
/// Coordinates are rounded to a thousandth of a pixel, scores to a ten-thousandth.
///
/// `part` is a file of results so far: a run that was interrupted goes on from there when `key` (what the run is made
/// from) is the same; remove it when the result is kept. `progress` is told how many frames are done.
///
/// # Errors
/// When models do not fit together, the footage cannot be decoded, a network fails or gives what is not a number, nothing is
/// found, or `part` cannot be written.
pub fn infer(
    clip: Clip<'_>,
    models: &[Model],
    detector: Option<&Model>,
    part: &Path,
    key: &str,
    progress: &dyn Fn(usize),
) -> Result<Keypoints, InferenceError> {
    let names = names_of(models, detector)?;
    let (mut part, mut rows) = PartFile::open(part, key, names.len(), GROUP)?;
    let search = Search { clip, models, detector };
    let pts = &clip.footage.frame_pts_seconds;
    let mut player = PlayerBox::default();
    for (row, seconds) in rows.iter().zip(pts) {
        search.remember(&mut player, *seconds, row);
    }
    progress(rows.len());
    std::thread::scope(|scope| -> Result<(), InferenceError> {
        let (send, receive) = sync_channel(AHEAD);
        let first = rows.len();
        if first < pts.len() {
            scope.spawn(move || decode(clip, first, &send));
        } else {
            drop(send);
        }
        // On an error the receiver goes, the decoder's next group is refused, and its thread ends.
        groups(receive, |group| {
            for row in search.group(&group, &mut player)? {
                part.add(rows.len(), &row)?;
                rows.push(row);
            }
            part.flush()?;
            progress(rows.len());
            Ok(())
        })
    })?;
    keypoints(clip, models, names, rows)
}

/// Names of all points, each once.
fn names_of(models: &[Model], detector: Option<&Model>) -> Result<Vec<String>, InferenceError> {
    let mut names: Vec<String> = Vec::new();
    for model in models {
        if model.is_detector() {
            return Err(InferenceError::OtherKind {
                path: model.path().to_owned(),
                reason: "this is a detector of boxes; give it as --detector, and a model that finds points".to_owned(),
            });
        }
        for name in model.names() {
            if names.iter().any(|n| n == name) {
                return Err(InferenceError::RepeatedName { path: model.path().to_owned(), name: name.to_owned() });
            }
            names.push(name.to_owned());
        }
    }
    match detector {
        Some(other) if !other.is_detector() => Err(InferenceError::OtherKind {
            path: other.path().to_owned(),
            reason: "a detector has a head of kind \"boxes\"; give this model as --model".to_owned(),
        }),
        _ => Ok(names),
    }
}

type Decoded = Result<Vec<Picture>, MediaError>;

/// Sends the frames from `first` on in groups.
fn decode(clip: Clip<'_>, first: usize, send: &SyncSender<Decoded>) {
    let pictures = match midline_media::pictures(clip.path, clip.footage, PictureFormat::Rgb, 1) {
        Ok(pictures) => pictures,
        Err(wrong) => {
            // Nobody who listens any more needs to know.
            let _ = send.send(Err(wrong));
            return;
        }
    };
    let mut wanted = pictures.filter(|item| item.as_ref().map_or(true, |p| p.frame_index >= first));
    loop {
        let group: Decoded = wanted.by_ref().take(GROUP).collect();
        let over = group.as_ref().map_or(true, |g| g.len() < GROUP);
        let empty = group.as_ref().is_ok_and(Vec::is_empty);
        if (!empty && send.send(group).is_err()) || over {
            return;
        }
    }
}

fn groups(
    receive: Receiver<Decoded>,
    mut take: impl FnMut(Vec<Picture>) -> Result<(), InferenceError>,
) -> Result<(), InferenceError> {
    for group in receive {
        take(group?)?;
    }
    Ok(())
}

/// The models at work on a clip.
struct Search<'a> {
    clip: Clip<'a>,
    models: &'a [Model],
    detector: Option<&'a Model>,
}

impl Search<'_> {
    /// The rows of a group of frames.
    fn group(&self, pictures: &[Picture], player: &mut PlayerBox) -> Result<Vec<Row>, InferenceError> {
        let Some(first) = pictures.first() else { return Ok(Vec::new()) };
        let around = self.player_in(pictures, first, player)?;
        let mut rows: Vec<Row> = vec![Vec::new(); pictures.len()];
        for model in self.models {
            let input = &model.manifest().input;
            let region = Region::of(input, first.size_px, around);
            let found: Vec<Vec<Row>> = pictures
                .par_chunks(input.batch)
                .map(|batch| model.points(&batch.iter().map(|picture| (picture, region)).collect::<Vec<_>>()))
                .collect::<Vec<_>>() // all of them, so that the first error is that of the first frame
                .into_iter()
                .collect::<Result<_, _>>()?;
            for (row, found) in rows.iter_mut().zip(found.into_iter().flatten()) {
                row.extend(found.into_iter().map(|point| point.and_then(|p| kept(p, first.size_px))));
            }
        }
        for (row, picture) in rows.iter().zip(pictures) {
            self.remember(player, picture.pts_seconds, row);
        }
        Ok(rows)
    }

    /// The player's box for a group of frames.
    fn player_in(
        &self,
        pictures: &[Picture],
        first: &Picture,
        player: &mut PlayerBox,
    ) -> Result<Option<BoxPx>, InferenceError> {
        if !self.models.iter().any(|m| m.manifest().input.crop == Crop::Box) {
            return Ok(None);
        }
        let marked = pictures.iter().find_map(|picture| {
            let mark = self.clip.player.iter().find(|m| m.frame == picture.frame_index)?;
            Some((picture, mark.px))
        });
        let last = player.at(first.pts_seconds);
        match (marked, last) {
            (Some((picture, mark)), last) => {
                let found = self.look(picture, Some(mark), last)?;
                if found.is_some() {
                    player.forget();
                }
                Ok(found.or(last))
            }
            (None, Some(last)) => Ok(Some(last)),
            (None, None) => self.look(first, None, None),
        }
    }

    /// Looks for the player in one picture.
    fn look(
        &self,
        picture: &Picture,
        mark: Option<[f64; 2]>,
        last: Option<BoxPx>,
    ) -> Result<Option<BoxPx>, InferenceError> {
        if let Some(detector) = self.detector {
            let region = Region::of(&detector.manifest().input, picture.size_px, None);
            return Ok(the_player(&detector.people(picture, region)?, mark, last));
        }
        let Some(model) = self.models.iter().find(|m| m.manifest().input.crop == Crop::Box) else { return Ok(None) };
        let shorter = f64::from(picture.size_px[0].min(picture.size_px[1]));
        let half = 0.5 * FIRST_LOOK_SHARE * shorter;
        let mut around = mark.map(|[x, y]| [x - half, y - half, x + half, y + half]);
        for _ in 0..LOOKS {
            let region = Region::of(&model.manifest().input, picture.size_px, around);
            let found = model.points(&[(picture, region)])?.pop().unwrap_or_default();
            let of = found.len();
            let Some(next) = bounds(&found, of) else { return Ok(around) };
            around = Some(next);
        }
        Ok(around)
    }

    /// Takes the points of the models that see the player's box into the player's box.
    fn remember(&self, player: &mut PlayerBox, pts_seconds: f64, row: &Row) {
        let mut start = 0;
        let mut of_player: Row = Vec::new();
        for model in self.models {
            let count = model.names().count();
            if model.manifest().input.crop == Crop::Box {
                of_player.extend(row.iter().skip(start).take(count).copied());
            }
            start += count;
        }
        player.see(pts_seconds, &of_player, of_player.len());
    }
}

/// A point as it is kept: rounded, and only when it is in the picture or just outside.
fn kept(point: Keypoint, size_px: [u32; 2]) -> Option<Keypoint> {
    let longer = f64::from(size_px[0].max(size_px[1]));
    let inside = |axis: usize| {
        let margin = OUTSIDE_SHARE * longer;
        (-margin..=f64::from(size_px[axis]) - 1.0 + margin).contains(&point.px[axis])
    };
    let rounded = |value: f64, parts: f64| (value * parts).round() / parts;
    (inside(0) && inside(1))
        .then(|| Keypoint { px: point.px.map(|c| rounded(c, 1e3)), score: rounded(point.score, 1e4) })
}

fn keypoints(
    clip: Clip<'_>,
    models: &[Model],
    names: Vec<String>,
    rows: Vec<Row>,
) -> Result<Keypoints, InferenceError> {
    let frames_seen = rows.len();
    let frames: Vec<KeypointFrame> = rows
        .into_iter()
        .zip(&clip.footage.frame_pts_seconds)
        .enumerate()
        .map(|(frame_index, (points, pts))| KeypointFrame { frame_index, pts_seconds: *pts, points })
        .filter(|frame| frame.points.iter().any(Option::is_some))
        .collect();
    if frames.is_empty() {
        let paths: Vec<String> = models.iter().map(|m| m.path().display().to_string()).collect();
        return Err(InferenceError::NothingFound {
            footage: clip.path.to_owned(),
            models: paths.join(" and "),
            frames: frames_seen,
        });
    }
    let remarks = models
        .iter()
        .map(|model| {
            let manifest = model.manifest();
            format!("Found by the model \"{}\" (licence of its weights: {}).", manifest.name, manifest.licence)
        })
        .collect();
    Ok(Keypoints { camera: clip.camera.to_owned(), names, frames, remarks })
}
