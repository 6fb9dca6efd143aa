//! The pictures of one camera, by frame: as JPEG for the browser and as planes of brightness and colour for following.

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
use crate::racket::Plates;

/// Frames that are decoded in one go: starting a decoder takes as long as some hundred frames.
const CHUNK: usize = 48;

/// Memory for encoded pictures of one camera.
const JPEG_BYTES: usize = 160 << 20;

/// Memory for the planes of one camera's pictures: 200 frames of 1080p, a stroke.
const PLANES_BYTES: usize = 640 << 20;

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
    planes: Mutex<Kept<Vec<u8>>>,
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
            planes: Mutex::new(Kept::new(PLANES_BYTES)),
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

    /// A frame as planes: brightness, then both colour differences at half the size.
    pub(crate) fn planes(&self, frame: usize) -> Result<Arc<Vec<u8>>, DeskError> {
        self.check_frame(frame)?;
        if let Some(kept) = locked(&self.planes).get(frame) {
            return Ok(kept);
        }
        let _one = locked(&self.decoding);
        if let Some(kept) = locked(&self.planes).get(frame) {
            return Ok(kept);
        }
        let pictures = self.decoded(PictureFormat::Rgb, &self.chunk_of(frame))?;
        let mut kept = locked(&self.planes);
        for picture in pictures {
            kept.put(picture.frame_index, planes_of(&picture.pixels, picture.size_px));
        }
        drop(kept);
        locked(&self.planes).get(frame).ok_or_else(|| self.lost(frame))
    }

    /// Gets the planes of a stretch of frames ready in few goes of the decoder.
    pub(crate) fn prepare(&self, frames: [usize; 2]) -> Result<(), DeskError> {
        let _one = locked(&self.decoding);
        let kept = locked(&self.planes);
        let missing: Vec<usize> = (frames[0]..=frames[1]).filter(|f| !kept.entries.contains_key(f)).collect();
        drop(kept);
        for chunk in missing.chunks(CHUNK) {
            for picture in self.decoded(PictureFormat::Rgb, chunk)? {
                locked(&self.planes).put(picture.frame_index, planes_of(&picture.pixels, picture.size_px));
            }
        }
        Ok(())
    }

    /// What the camera sees when nothing moves, as planes.
    pub(crate) fn background(&self) -> Result<Arc<Vec<u8>>, DeskError> {
        let mut background = locked(&self.background);
        if let Some(known) = background.as_ref() {
            return Ok(Arc::clone(known));
        }
        let count = self.footage.frame_pts_seconds.len();
        let wanted: Vec<usize> =
            (0..BACKGROUND_FRAMES.min(count)).map(|i| i * count / BACKGROUND_FRAMES.min(count)).collect();
        let pictures = self.decoded(PictureFormat::Rgb, &wanted)?;
        let planes: Vec<Vec<u8>> = pictures.iter().map(|p| planes_of(&p.pixels, p.size_px)).collect();
        let pixels: Vec<&[u8]> = planes.iter().map(Vec::as_slice).collect();
        let found = Arc::new(median_picture(&pixels).ok_or_else(|| self.lost(0))?);
        *background = Some(Arc::clone(&found));
        Ok(found)
    }

    /// The decoder delivered no picture for a frame that the container lists.
    fn lost(&self, frame: usize) -> DeskError {
        let count = self.footage.frame_pts_seconds.len();
        DeskError::NoSuchFrame { camera: self.camera.clone(), frame, count }
    }

    /// The brightness of a frame's planes.
    pub(crate) fn as_grey<'a>(&self, planes: &'a [u8]) -> Grey<'a> {
        let [width, height] = self.footage.size_px.map(|s| s as usize);
        Grey { pixels: planes.get(..width * height).unwrap_or_default(), size_px: self.footage.size_px }
    }

    /// A frame's planes over those of the background.
    pub(crate) fn plates<'a>(&self, picture: &'a [u8], background: &'a [u8]) -> Plates<'a> {
        Plates { picture, background, size_px: self.footage.size_px }
    }
}

/// Brightness and colour differences (BT.601, full range, as in JPEG) of red, green and blue; the differences are means over four pixels,
/// as phones store them: one and a half bytes per pixel instead of three.
fn planes_of(rgb: &[u8], size_px: [u32; 2]) -> Vec<u8> {
    let [width, height] = size_px.map(|s| s as usize);
    let [half_width, half_height] = [width.div_ceil(2), height.div_ceil(2)];
    let mut planes = vec![0; width * height + 2 * half_width * half_height];
    let (brightness, rest) = planes.split_at_mut(width * height);
    let (blue, red) = rest.split_at_mut(half_width * half_height);
    for (out, pixel) in brightness.iter_mut().zip(rgb.chunks_exact(3)) {
        let [r, g, b] = [pixel[0], pixel[1], pixel[2]].map(u32::from);
        *out = ((19595 * r + 38470 * g + 7471 * b + 32768) >> 16) as u8;
    }
    for y in 0..half_height {
        for x in 0..half_width {
            let mut sums = [0_i32; 3];
            for (dx, dy) in [(0, 0), (1, 0), (0, 1), (1, 1)] {
                let at = 3 * ((2 * y + dy).min(height - 1) * width + (2 * x + dx).min(width - 1));
                for (sum, value) in sums.iter_mut().zip(&rgb[at..at + 3]) {
                    *sum += i32::from(*value);
                }
            }
            // Weights times 2^16, of sums of four; the difference of no colour is 128.
            let [r, g, b] = sums;
            let shifted = |weighted: i32| ((weighted + (128 << 18) + (1 << 17)) >> 18).clamp(0, 255) as u8;
            blue[y * half_width + x] = shifted(-11059 * r - 21709 * g + 32768 * b);
            red[y * half_width + x] = shifted(32768 * r - 27439 * g - 5329 * b);
        }
    }
    planes
}

#[cfg(test)]
mod tests {
    use super::*;

    /// JPEG File Interchange Format (ITU-T T.871): Y = 0.299 R + 0.587 G + 0.114 B, Cb and Cr the scaled differences, 128 for none.
    #[test]
    fn planes_are_brightness_and_colour_differences() {
        let three = [[255, 0, 0], [0, 0, 255], [90, 90, 90]];
        for (rgb, expected) in three.into_iter().zip([[76, 85, 255], [29, 255, 107], [90, 128, 128]]) {
            let planes = planes_of(&rgb.repeat(15), [5, 3]);
            assert_eq!(planes.len(), 15 + 6 + 6);
            assert!(planes[..15].iter().all(|v| *v == expected[0]), "{rgb:?} {planes:?}");
            assert!(planes[15..21].iter().all(|v| *v == expected[1]), "{rgb:?} {planes:?}");
            assert!(planes[21..].iter().all(|v| *v == expected[2]), "{rgb:?} {planes:?}");
        }
    }

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
