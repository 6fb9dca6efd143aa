//! A borrowed grey picture.

use opencv::boxed_ref::BoxedRef;
use opencv::core::Mat;

use crate::VisionError;

/// A grey picture: 8 bit, rows top to bottom without padding, display orientation.
#[derive(Debug, Clone, Copy)]
pub struct Grey<'a> {
    /// Width × height bytes.
    pub pixels: &'a [u8],
    /// Width and height in pixels.
    pub size_px: [u32; 2],
}

impl<'a> Grey<'a> {
    /// The picture as an OpenCV matrix over the same bytes.
    pub(crate) fn as_mat(&self) -> Result<BoxedRef<'a, Mat>, VisionError> {
        let [width, height] = self.size_px;
        let bytes = self.pixels.len();
        let wrong = VisionError::PictureSize { width, height, bytes };
        if u64::from(width) * u64::from(height) != bytes as u64 || bytes == 0 {
            return Err(wrong);
        }
        let (Ok(columns), Ok(rows)) = (i32::try_from(width), i32::try_from(height)) else { return Err(wrong) };
        Mat::new_rows_cols_with_data(rows, columns, self.pixels).map_err(VisionError::opencv("taking over a picture"))
    }

    /// Whether a point is at least `rim_px` inside the outermost pixel centres.
    pub(crate) fn contains(&self, px: [f64; 2], rim_px: f64) -> bool {
        (0..2).all(|axis| px[axis] >= rim_px && px[axis] <= f64::from(self.size_px[axis]) - 1.0 - rim_px)
    }

    /// Grey value at a point, bilinear between pixel centres; `None` outside the outermost pixel centres.
    pub(crate) fn at(&self, px: [f64; 2]) -> Option<f64> {
        let [width, height] = self.size_px.map(|side| side as usize);
        let [x, y] = px;
        if !(x >= 0.0 && y >= 0.0 && x <= (width - 1) as f64 && y <= (height - 1) as f64) {
            return None;
        }
        let (left, top) = ((x as usize).min(width.saturating_sub(2)), (y as usize).min(height.saturating_sub(2)));
        let (fx, fy) = (x - left as f64, y - top as f64);
        let pixel = |column: usize, row: usize| {
            self.pixels.get(row.min(height - 1) * width + column.min(width - 1)).map(|&value| f64::from(value))
        };
        let upper = pixel(left, top)? * (1.0 - fx) + pixel(left + 1, top)? * fx;
        let lower = pixel(left, top + 1)? * (1.0 - fx) + pixel(left + 1, top + 1)? * fx;
        Some(upper * (1.0 - fy) + lower * fy)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_between_pixels_are_interpolated_and_outside_there_are_none() {
        let grey = Grey { pixels: &[0, 10, 20, 40, 50, 60], size_px: [3, 2] };
        assert_eq!(grey.at([0.0, 0.0]), Some(0.0));
        assert_eq!(grey.at([2.0, 1.0]), Some(60.0));
        assert_eq!(grey.at([0.5, 0.5]), Some(25.0));
        assert_eq!(grey.at([2.1, 0.0]), None);
        assert_eq!(grey.at([f64::NAN, 0.0]), None);
    }

    #[test]
    fn a_size_that_does_not_fit_is_refused() {
        assert!(matches!(
            Grey { pixels: &[0; 5], size_px: [3, 2] }.as_mat(),
            Err(VisionError::PictureSize { bytes: 5, .. })
        ));
        assert!(Grey { pixels: &[], size_px: [0, 0] }.as_mat().is_err());
    }
}
