//! The pictures of one camera, by frame: as JPEG for the browser and as grey values for optical flow.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use image::codecs::jpeg::JpegEncoder;
use image::{ExtendedColorType, ImageEncoder};
use midline_media::{Picture, PictureFormat};
use midline_session::footage::Footage;
use midline_vision::{Grey, median_picture};
use rayon::prelude::*;

use crate::DeskError;

/// Frames that are decoded in one go: starting a decoder takes as long as some hundred frames.
const CHUNK: usize = 48;

/// Memory for encoded pictures of one camera.
const JPEG_BYTES: usize = 160 << 20;

/// Memory for grey pictures of one camera.
const GREY_BYTES: usize = 384 << 20;

/// Frames from which the resting background is taken.
const BACKGROUND_FRAMES: usize = 15;

/// Enough to see a racket's rim clearly.
const JPEG_QUALITY: u8 = 90;

/// Least recently used entries go first.
struct Kept<T> {
    entries: BTreeMap<usize, (u64, Arc<T>)>,
    clock: u64,
    bytes: usize,
    most_bytes: usize,
}

impl<T: AsRef<[u8]>> Kept<T> {
    fn new(most_bytes: usize) -> Self {
        Self { entries: BTreeMap::new(), clock: 0, bytes: 0, most_bytes }
    }

    fn get(&mut self, frame: usize) -> Option<Arc<T>> {
        self.clock += 1;
        let (used, entry) = self.entries.get_mut(&frame)?;
        *used = self.clock;
        Some(Arc::clone(entry))
    }

    fn put(&mut self, frame: usize, entry: T) -> Arc<T> {
        self.clock += 1;
        self.bytes += entry.as_ref().len();
        let entry = Arc::new(entry);
        if let Some((_, old)) = self.entries.insert(frame, (self.clock, Arc::clone(&entry))) {
            self.bytes -= old.as_ref().as_ref().len();
        }
        while self.bytes > self.most_bytes && self.entries.len() > 1 {
            let Some(oldest) = self.entries.iter().min_by_key(|(_, (used, _))| *used).map(|(frame, _)| *frame) else {
                break;
            };
            if let Some((_, gone)) = self.entries.remove(&oldest) {
                self.bytes -= gone.as_ref().as_ref().len();
            }
        }
        entry
    }
}

/// The footage of one camera.
pub(crate) struct Film {
    pub(crate) camera: String,
    pub(crate) footage: Footage,
    path: PathBuf,
    jpegs: Mutex<Kept<Vec<u8>>>,
    greys: Mutex<Kept<Vec<u8>>>,
    background: Mutex<Option<Arc<Vec<u8>>>>,
    /// One decoder at a time: two requests for neighbours decode once.
    decoding: Mutex<()>,
}

fn locked<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    // What is kept is whole at every instant, so a panic elsewhere does no harm to it.
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Film {
    pub(crate) fn new(camera: &str, path: PathBuf, footage: Footage) -> Self {
        Self {
            camera: camera.to_owned(),
            footage,
            path,
            jpegs: Mutex::new(Kept::new(JPEG_BYTES)),
            greys: Mutex::new(Kept::new(GREY_BYTES)),
            background: Mutex::new(None),
            decoding: Mutex::new(()),
        }
    }

    pub(crate) fn check_frame(&self, frame: usize) -> Result<f64, DeskError> {
        let times = &self.footage.frame_pts_seconds;
        times.get(frame).copied().ok_or_else(|| DeskError::NoSuchFrame {
            camera: self.camera.clone(),
            frame,
            count: times.len(),
        })
    }

    fn chunk_of(&self, frame: usize) -> Vec<usize> {
        let start = frame / CHUNK * CHUNK;
        (start..(start + CHUNK).min(self.footage.frame_pts_seconds.len())).collect()
    }

    fn decoded(&self, format: PictureFormat, frames: &[usize]) -> Result<Vec<Picture>, DeskError> {
        Ok(midline_media::pictures_at(&self.path, &self.footage, format, frames)?)
    }

    /// A frame as JPEG.
    pub(crate) fn jpeg(&self, frame: usize) -> Result<Arc<Vec<u8>>, DeskError> {
        self.check_frame(frame)?;
        if let Some(kept) = locked(&self.jpegs).get(frame) {
            return Ok(kept);
        }
        let one = locked(&self.decoding);
        if let Some(kept) = locked(&self.jpegs).get(frame) {
            return Ok(kept);
        }
        let pictures = self.decoded(PictureFormat::Rgb, &self.chunk_of(frame))?;
        // Before threads are asked for help that may be waiting for the decoder themselves.
        drop(one);
        let encoded: Vec<(usize, Vec<u8>)> = pictures
            .par_iter()
            .map(|picture| {
                let mut bytes = Vec::new();
                let [width, height] = picture.size_px;
                JpegEncoder::new_with_quality(&mut bytes, JPEG_QUALITY)
                    .write_image(&picture.pixels, width, height, ExtendedColorType::Rgb8)
                    .map(|()| (picture.frame_index, bytes))
                    .map_err(|source| DeskError::Jpeg {
                        camera: self.camera.clone(),
                        frame: picture.frame_index,
                        source,
                    })
            })
            .collect::<Result<_, _>>()?;
        let mut kept = locked(&self.jpegs);
        for (index, bytes) in encoded {
            kept.put(index, bytes);
        }
        drop(kept);
        locked(&self.jpegs).get(frame).ok_or_else(|| self.lost(frame))
    }

    /// A frame's grey values.
    pub(crate) fn grey(&self, frame: usize) -> Result<Arc<Vec<u8>>, DeskError> {
        self.check_frame(frame)?;
        if let Some(kept) = locked(&self.greys).get(frame) {
            return Ok(kept);
        }
        let _one = locked(&self.decoding);
        if let Some(kept) = locked(&self.greys).get(frame) {
            return Ok(kept);
        }
        let pictures = self.decoded(PictureFormat::Gray, &self.chunk_of(frame))?;
        let mut kept = locked(&self.greys);
        for picture in pictures {
            kept.put(picture.frame_index, picture.pixels);
        }
        drop(kept);
        locked(&self.greys).get(frame).ok_or_else(|| self.lost(frame))
    }

    /// What the camera sees when nothing moves.
    pub(crate) fn background(&self) -> Result<Arc<Vec<u8>>, DeskError> {
        let mut background = locked(&self.background);
        if let Some(known) = background.as_ref() {
            return Ok(Arc::clone(known));
        }
        let count = self.footage.frame_pts_seconds.len();
        let wanted: Vec<usize> =
            (0..BACKGROUND_FRAMES.min(count)).map(|i| i * count / BACKGROUND_FRAMES.min(count)).collect();
        let pictures = self.decoded(PictureFormat::Gray, &wanted)?;
        let pixels: Vec<&[u8]> = pictures.iter().map(|p| p.pixels.as_slice()).collect();
        let found = Arc::new(median_picture(&pixels).ok_or_else(|| self.lost(0))?);
        *background = Some(Arc::clone(&found));
        Ok(found)
    }

    /// The decoder delivered no picture for a frame that the container lists.
    fn lost(&self, frame: usize) -> DeskError {
        let count = self.footage.frame_pts_seconds.len();
        DeskError::NoSuchFrame { camera: self.camera.clone(), frame, count }
    }

    pub(crate) fn as_grey<'a>(&self, pixels: &'a [u8]) -> Grey<'a> {
        Grey { pixels, size_px: self.footage.size_px }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_least_recently_used_goes_first() {
        let mut kept: Kept<Vec<u8>> = Kept::new(10);
        for frame in 0..3 {
            kept.put(frame, vec![0; 4]);
        }
        assert!(kept.get(0).is_none() && kept.get(1).is_some());
        kept.put(3, vec![0; 4]);
        assert!(kept.get(2).is_none() && kept.get(1).is_some() && kept.get(3).is_some());
        assert_eq!(kept.bytes, 8);
        kept.put(3, vec![0; 6]);
        assert_eq!(kept.bytes, 10);
        kept.put(4, vec![0; 99]);
        assert_eq!(kept.entries.len(), 1, "one that is too large is kept as long as it is the last");
    }
}
