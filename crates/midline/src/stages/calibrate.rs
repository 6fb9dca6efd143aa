//! Lens and clock.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use anyhow::Context;
use midline_clock::{BoardClip, CameraSound, CameraView, ClockCamera, ClockError, Flashes};
use midline_geometry::{ReadOut, ScanDirection};
use midline_lens::ClipSettings;
use midline_rig::{FilmedBoard, SharedSighting};
use midline_session::board::Board;
use midline_session::calibration::{CalibratedCamera, ClockCalibration, LensCalibration, RigCalibration};
use midline_session::description::{CameraDescription, LensSource};
use midline_session::footage::{Brightness, SoundTrack};
use serde_json::json;

use super::see::{SEARCHED_PER_SECOND, Sightings};
use super::{NotMeasurable, Stages};
use crate::progress;

/// Bands of the sensor's rows in which a flash is looked for.
const FLASH_BANDS: usize = 32;

/// A lens with the file that it stands in.
pub(crate) struct LensInUse {
    pub(crate) lens: LensCalibration,
    pub(crate) file: PathBuf,
}

/// The board that the cameras saw together.
pub(super) struct SharedBoard<'a> {
    pub(super) board: &'a Board,
    pub(super) sightings: Vec<SharedSighting>,
    /// Standard deviation of the clock between the clips.
    pub(super) clock_sd_seconds: f64,
    /// The kept files that the sightings come from.
    pub(super) files: Vec<PathBuf>,
}

/// With fewer boards at rest the boards that were carried about count too, for which the clips are searched this often.
const ENOUGH_AT_REST: usize = 6;
const CARRIED_SEARCHED_PER_SECOND: f64 = 30.0;

/// No clock from sound is surer than this, seconds.
const LEAST_CLOCK_SD_SECONDS: f64 = 1e-4;

impl Stages {
    /// The lens stage of one camera.
    pub(crate) fn lens(&self, camera: &CameraDescription) -> anyhow::Result<LensInUse> {
        let footage = self.footage(camera)?;
        let in_use = match &camera.lens {
            LensSource::File { file, of_two } => {
                let file = self.given(file, &format!("the lens file of camera \"{}\"", camera.name))?;
                let lens = Self::lens_from_file(camera, &file, *of_two, footage.size_px)?;
                LensInUse { lens, file }
            }
            LensSource::Clip { clip, board } => {
                let board = self.known_board(board)?;
                let (sightings, boards) =
                    self.sightings(&format!("{}-lens", camera.name), clip, board, SEARCHED_PER_SECOND)?;
                // The board was filmed with the same phone and mode as the strokes, so that it is read alike.
                let settings =
                    ClipSettings { read_out: Self::read_out(camera, &sightings.footage), ..ClipSettings::default() };
                let provenance = self.hashes.provenance(
                    "lens",
                    &self.session.folder,
                    &[boards],
                    json!({ "board": board, "lens": format!("{settings:?}") }),
                )?;
                let file = self.session.computed(&format!("lens-{}.json", camera.name));
                let lens = self.hashes.kept(&file, provenance, || {
                    let spinner = progress::spinner(&format!("lens, {}", camera.name));
                    let size_px = sightings.footage.size_px;
                    let views = &sightings.views;
                    let lens = midline_lens::calibrate_clip(&camera.name, board, views, size_px, &settings)
                        .with_context(|| format!("lens of camera \"{}\" from {}", camera.name, clip.display()))?;
                    spinner.finish_and_clear();
                    Ok(lens)
                })?;
                LensInUse { lens, file }
            }
        };
        let filmed = in_use.lens.intrinsics.size_px;
        anyhow::ensure!(
            filmed == footage.size_px || [filmed[1], filmed[0]] != footage.size_px,
            "camera \"{}\": the lens was calibrated for pictures of {} × {} px, but the footage is turned by a quarter ({} × {} px); film \
             the board with the phone held as for the strokes",
            camera.name,
            filmed[0],
            filmed[1],
            footage.size_px[0],
            footage.size_px[1],
        );
        anyhow::ensure!(
            filmed == footage.size_px,
            "camera \"{}\": the lens was calibrated for pictures of {} × {} px, the footage has {} × {} px; film the board with the \
             same resolution, zoom, stabilisation and orientation as the strokes",
            camera.name,
            filmed[0],
            filmed[1],
            footage.size_px[0],
            footage.size_px[1],
        );
        Ok(in_use)
    }

    pub(crate) fn lenses(&self) -> anyhow::Result<Vec<LensInUse>> {
        self.cameras().iter().map(|camera| self.lens(camera)).collect()
    }

    /// Writes lenses into OpenCV calibration files; each of `wanted` is `CAMERA=FILE`.
    pub(crate) fn write_lens_files(&self, wanted: &[String]) -> anyhow::Result<()> {
        for wanted in wanted {
            let parts = wanted.split_once('=').filter(|(name, file)| !name.is_empty() && !file.is_empty());
            let (name, file) = parts.with_context(|| {
                format!("--to-opencv {wanted}: write the camera's name, = and the file, such as left=left.yml")
            })?;
            let camera = self.cameras().iter().find(|camera| camera.name == name).with_context(|| {
                let names: Vec<&str> = self.cameras().iter().map(|camera| camera.name.as_str()).collect();
                format!("--to-opencv {wanted}: no camera named \"{name}\"; there are: {}", names.join(", "))
            })?;
            let board = match &camera.lens {
                LensSource::Clip { board, .. } => self.session.board(board),
                LensSource::File { .. } => None,
            };
            midline_vision::write_lens_file(Path::new(file), &self.lens(camera)?.lens, board)?;
            eprintln!("{file}: lens of camera \"{name}\"");
        }
        Ok(())
    }

    /// Court points of a camera: those of the description with those marked on the pictures laid over them.
    pub(super) fn court_points(&self, camera: &CameraDescription) -> BTreeMap<String, [f64; 2]> {
        self.marks.camera(&camera.name).court_over(&camera.court_points)
    }

    /// Boards that several cameras saw at the same time, at rest and in motion; `None` where the session names no shared board.
    pub(super) fn shared_board(&self) -> anyhow::Result<Option<SharedBoard<'_>>> {
        let Some(shared) = &self.session.description.shared_board else { return Ok(None) };
        let board = self.known_board(&shared.board)?;
        let clips: Vec<(&CameraDescription, &PathBuf)> =
            self.cameras().iter().filter_map(|camera| Some((camera, shared.clips.get(&camera.name)?))).collect();
        let mut files = Vec::new();
        let mut search = |label: &str, searched_per_second: f64| -> anyhow::Result<Vec<Sightings>> {
            let of_clip = |(camera, clip): &(&CameraDescription, &PathBuf)| {
                let label = format!("{}-{label}", camera.name);
                let (sightings, file) = self.sightings(&label, clip, board, searched_per_second)?;
                files.push(file);
                Ok(sightings)
            };
            clips.iter().map(of_clip).collect()
        };
        let found = search("shared", SEARCHED_PER_SECOND)?;
        let names: Vec<&str> = clips.iter().map(|(camera, _)| camera.name.as_str()).collect();
        let sounds = clips
            .iter()
            .map(|(camera, clip)| {
                let path = self.given(clip, &format!("a clip of camera \"{}\"", camera.name))?;
                Ok(midline_media::sound(&path)?)
            })
            .collect::<anyhow::Result<Vec<Option<SoundTrack>>>>()?;
        let clock = self.shared_board_clock(board, &names, &found, &sounds)?;
        let filmed = |found: &[Sightings]| -> Vec<FilmedBoard> {
            let of_camera = |camera: &CameraDescription| {
                let index = names.iter().position(|name| *name == camera.name);
                let known = index.zip(clock.camera(&camera.name));
                known.map_or_else(FilmedBoard::default, |(index, clock)| FilmedBoard {
                    views: (found[index].views.iter())
                        .map(|view| (clock.session_seconds(view.pts_seconds), view.clone()))
                        .collect(),
                    read_out: Self::read_out(camera, &found[index].footage),
                    size_px: found[index].footage.size_px,
                })
            };
            self.cameras().iter().map(of_camera).collect()
        };
        let at_rest: Vec<_> = filmed(&found).into_iter().map(|own| own.views).collect();
        let mut sightings = midline_rig::pair_sightings(&at_rest);
        if sightings.len() < ENOUGH_AT_REST {
            let found = search("shared-carried", CARRIED_SEARCHED_PER_SECOND)?;
            sightings.extend(midline_rig::moving_sightings(&filmed(&found)));
        }
        anyhow::ensure!(
            !sightings.is_empty(),
            "the shared-board clips hold no moment at which the board rested or was carried slowly in the pictures of two cameras; hold it \
             still for half a second in each place, where both cameras see all of it"
        );
        let late = |(index, name): (usize, &&str)| {
            let middle = found[index].footage.duration_seconds().unwrap_or_default() / 2.0;
            clock.camera(name).map_or(0.0, |own| own.sd_seconds(middle))
        };
        let clock_sd_seconds = names.iter().enumerate().map(late).fold(LEAST_CLOCK_SD_SECONDS, f64::max);
        Ok(Some(SharedBoard { board, sightings, clock_sd_seconds, files }))
    }

    /// The clock of the shared-board clips: from their sound, else from the motion of the board.
    fn shared_board_clock(
        &self,
        board: &Board,
        names: &[&str],
        found: &[Sightings],
        sounds: &[Option<SoundTrack>],
    ) -> anyhow::Result<ClockCalibration> {
        let heard: Vec<CameraSound> = names
            .iter()
            .zip(sounds)
            .filter_map(|(camera, track)| Some(CameraSound { camera, track: track.as_ref()? }))
            .collect();
        let by_sound = (heard.len() == names.len()).then(|| midline_clock::from_sound(&heard));
        let told = match by_sound {
            Some(Err(
                error @ (ClockError::NoCommonSound { .. } | ClockError::Silent { .. } | ClockError::TooShort { .. }),
            )) => Some(error),
            Some(clock) => return clock.context("clock of the shared-board clips"),
            None => None,
        };
        let lenses = names
            .iter()
            .map(|name| {
                let camera = self.cameras().iter().find(|camera| camera.name == *name);
                self.lens(camera.with_context(|| format!("no camera named \"{name}\""))?)
            })
            .collect::<anyhow::Result<Vec<_>>>()?;
        let clips: Vec<BoardClip> = (0..names.len())
            .map(|index| BoardClip {
                camera: names[index],
                intrinsics: &lenses[index].lens.intrinsics,
                read_out: ReadOut {
                    seconds: 0.0,
                    direction: ScanDirection::after_turning(found[index].footage.quarter_turns_clockwise),
                },
                views: &found[index].views,
            })
            .collect();
        midline_clock::from_boards(board, &clips).map_err(|error| {
            let told = told.map_or_else(String::new, |told| format!("{told}; "));
            NotMeasurable(format!("clock of the shared-board clips: {told}{error}")).into()
        })
    }

    /// The clock stage: sound, motion and what else was seen compared.
    pub(crate) fn clock(&self) -> anyhow::Result<ClockCalibration> {
        let recording = &self.session.description.session;
        let (air_celsius, flash) = (recording.air_celsius, recording.flash);
        self.refuse_same_footage()?;
        let rig = self.rig()?;
        let (mut inputs, mut lenses, mut read_outs, mut keypoints) =
            (vec![self.rig_file()], Vec::new(), Vec::new(), Vec::new());
        for camera in self.cameras() {
            let in_use = self.lens(camera)?;
            inputs.push(in_use.file);
            lenses.push(in_use.lens);
            read_outs.push(Self::read_out(camera, &self.footage(camera)?));
            keypoints.push(self.keypoints(camera)?);
            inputs.push(self.points_file(camera));
            inputs.push(self.given(&camera.footage, "the footage")?);
        }
        let provenance = self.hashes.provenance(
            "clock",
            &self.session.folder,
            &inputs,
            json!({ "read_outs": read_outs, "air_celsius": air_celsius, "flash": flash }),
        )?;
        self.hashes.kept(&self.clock_file(), provenance, || {
            let spinner = progress::spinner("clock");
            let names: Vec<&str> = self.cameras().iter().map(|c| c.name.as_str()).collect();
            let sounds = self
                .cameras()
                .iter()
                .map(|c| Ok(midline_media::sound(&self.given(&c.footage, "the footage")?)?))
                .collect::<anyhow::Result<Vec<Option<SoundTrack>>>>()?;
            let brightness = self
                .cameras()
                .iter()
                .filter(|_| flash)
                .map(|c| {
                    let path = self.given(&c.footage, "the footage")?;
                    Ok(midline_media::brightness(&path, &self.footage(c)?, FLASH_BANDS)?)
                })
                .collect::<anyhow::Result<Vec<Brightness>>>()?;
            let cameras: Vec<ClockCamera> = (0..names.len())
                .map(|index| ClockCamera {
                    name: names[index],
                    sound: sounds[index].as_ref(),
                    flashes: brightness.get(index).map(|brightness| Flashes {
                        brightness,
                        read_out_seconds: Some(read_outs[index].seconds).filter(|seconds| *seconds > 0.0),
                    }),
                    view: rig.cameras.iter().find(|pose| pose.name == names[index]).map(|pose| CameraView {
                        lens: &lenses[index],
                        pose,
                        read_out: read_outs[index],
                        read_out_known: read_outs[index].seconds > 0.0,
                        keypoints: &keypoints[index],
                    }),
                })
                .collect();
            let clock = midline_clock::session_clock(&cameras, Some(&rig), air_celsius).map_err(|error| {
                if error.is_not_measurable() {
                    NotMeasurable(error.to_string()).into()
                } else {
                    anyhow::Error::new(error).context("one clock for all cameras")
                }
            })?;
            spinner.finish_and_clear();
            Ok(clock)
        })
    }

    /// Refuses one file given to two cameras, before anything is computed of it.
    pub(crate) fn refuse_same_footage(&self) -> anyhow::Result<()> {
        for (index, first) in self.cameras().iter().enumerate() {
            for second in &self.cameras()[index + 1..] {
                let files = [first, second].map(|camera| self.given(&camera.footage, "the footage"));
                let [a, b] = files;
                let (a, b) = (a?, b?);
                // Files of other lengths differ; the hash of long ones takes a while.
                let length = |path: &Path| std::fs::metadata(path).map(|m| m.len()).ok();
                anyhow::ensure!(
                    length(&a) != length(&b) || self.hashes.of(&a)? != self.hashes.of(&b)?,
                    "cameras \"{}\" and \"{}\" were given the same file ({} and {}); give each camera its own footage in session.toml",
                    first.name,
                    second.name,
                    a.display(),
                    b.display()
                );
            }
        }
        Ok(())
    }

    pub(crate) fn clock_file(&self) -> PathBuf {
        self.session.computed("clock.json")
    }

    /// Lens, pose, read-out and clock of every camera.
    pub(crate) fn calibrated(&self) -> anyhow::Result<Vec<CalibratedCamera>> {
        self.calibrated_on(&self.rig_in_use()?)
    }

    /// [`Self::calibrated`] with the poses of a rig.
    pub(super) fn calibrated_on(&self, rig: &RigCalibration) -> anyhow::Result<Vec<CalibratedCamera>> {
        let clock = self.clock()?;
        self.cameras()
            .iter()
            .map(|camera| {
                let mut read_out = Self::read_out(camera, &self.footage(camera)?);
                read_out.seconds = clock.read_out_seconds(&camera.name).unwrap_or(read_out.seconds);
                CalibratedCamera::join(&self.lens(camera)?.lens, rig, &clock, read_out).with_context(|| {
                    format!("camera \"{}\" has no place in the rig or no clock; mark court points for it or film the shared board with it", camera.name)
                })
            })
            .collect()
    }

    fn known_board(&self, name: &str) -> anyhow::Result<&Board> {
        self.session.board(name).with_context(|| format!("session.toml: no board named \"{name}\""))
    }

    pub(super) fn sound_of(&self, clip: &Path, camera: &str) -> anyhow::Result<SoundTrack> {
        let path = self.given(clip, &format!("a clip of camera \"{camera}\""))?;
        midline_media::sound(&path)?
            .with_context(|| format!("{}: no sound; film with the microphone on", path.display()))
    }
}
