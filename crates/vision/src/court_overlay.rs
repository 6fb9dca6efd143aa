//! The court as a solved camera sees it, drawn over its picture, so that anyone sees at a glance whether it fits.

use std::collections::BTreeMap;

use midline_geometry::Camera;
use midline_session::court::Court;
use nalgebra::{Point3, Vector2};

/// Edges of painted lines.
const EDGE: [u8; 3] = [255, 0, 160];
/// Upper edge of the net.
const NET: [u8; 3] = [0, 220, 255];
/// Where points were marked.
const MARK: [u8; 3] = [255, 235, 0];

/// Distance between drawn dots, px.
const DOTS_PX: f64 = 0.5;
/// Most dots of one edge.
const MOST_DOTS: f64 = 20_000.0;
/// Half the size of a cross at a marked point, px.
const CROSS_PX: i32 = 7;

/// Draws the edges of all painted lines, the net's upper edge, and crosses where points were marked. `rgb` holds 3 bytes per
/// pixel, rows top to bottom, as the camera's intrinsics say.
pub fn draw_court(rgb: &mut [u8], camera: &Camera, court: &Court, marked: &BTreeMap<String, [f64; 2]>) {
    let mut sheet = Sheet { rgb, size_px: camera.intrinsics.size_px };
    for [x0, y0, x1, y1] in court.lines_m.values().copied() {
        let corners = [[x0, y0], [x1, y0], [x1, y1], [x0, y1]].map(|[x, y]| Point3::new(x, y, 0.0));
        for index in 0..4 {
            sheet.edge(camera, &corners[index], &corners[(index + 1) % 4], EDGE);
        }
    }
    for pair in court.net_top_m.windows(2) {
        sheet.edge(camera, &Point3::from(pair[0]), &Point3::from(pair[1]), NET);
    }
    for px in marked.values() {
        sheet.cross(Vector2::from(*px));
    }
}

struct Sheet<'a> {
    rgb: &'a mut [u8],
    size_px: [u32; 2],
}

impl Sheet<'_> {
    fn dot(&mut self, x: i32, y: i32, colour: [u8; 3]) {
        let [width, height] = self.size_px;
        let (Ok(x), Ok(y)) = (u32::try_from(x), u32::try_from(y)) else { return };
        if x >= width || y >= height {
            return;
        }
        let at = 3 * (y as usize * width as usize + x as usize);
        if let Some(pixel) = self.rgb.get_mut(at..at + 3) {
            pixel.copy_from_slice(&colour);
        }
    }

    /// A straight edge in space, bent by the lens. What lies behind the camera or outside the picture is left out.
    fn edge(&mut self, camera: &Camera, from: &Point3<f64>, to: &Point3<f64>, colour: [u8; 3]) {
        // The length in the picture is not known where an end is behind the camera; a coarse walk bounds it.
        const COARSE: usize = 200;
        let at = |share: f64| camera.project(&(from + (to - from) * share)).filter(|px| self.near(px));
        let coarse: Vec<_> = (0..=COARSE).map(|i| at(i as f64 / COARSE as f64)).collect();
        let mut dots: Vec<Vector2<f64>> = Vec::new();
        for (index, pair) in coarse.windows(2).enumerate() {
            let (Some(a), Some(b)) = (pair[0], pair[1]) else { continue };
            let steps = ((b - a).norm() / DOTS_PX).ceil().clamp(1.0, MOST_DOTS / COARSE as f64);
            let share = |step: f64| (index as f64 + step / steps) / COARSE as f64;
            dots.extend((0..steps as usize).filter_map(|step| at(share(step as f64))));
        }
        for px in dots {
            self.dot(px.x.round() as i32, px.y.round() as i32, colour);
        }
    }

    /// Whether a pixel is in the picture or about its size away: beyond, a lens polynomial may fold back.
    fn near(&self, px: &Vector2<f64>) -> bool {
        let [width, height] = self.size_px.map(f64::from);
        (-width..2.0 * width).contains(&px.x) && (-height..2.0 * height).contains(&px.y)
    }

    fn cross(&mut self, px: Vector2<f64>) {
        let (x, y) = (px.x.round() as i32, px.y.round() as i32);
        for offset in (-CROSS_PX..=CROSS_PX).filter(|offset| offset.abs() > 1) {
            self.dot(x + offset, y, MARK);
            self.dot(x, y + offset, MARK);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use midline_geometry::{Intrinsics, LensModel, ReadOut, RigidTransform};
    use nalgebra::Vector3;

    /// A level pinhole 3 m above and 6 m behind the centre mark, f 1000 px, centre (960, 540): the ground point (x, y) is at
    /// 960 + 1000 x / (y + 6), 540 + 3000 / (y + 6); worked out by hand.
    #[test]
    fn edges_lie_where_the_court_is_seen() {
        let camera = Camera {
            intrinsics: Intrinsics {
                focal_px: [1000.0, 1000.0],
                centre_px: [960.0, 540.0],
                model: LensModel::Pinhole,
                size_px: [1920, 1080],
            },
            camera_from_world: RigidTransform::look_at_lh(
                &Point3::new(0.0, -6.0, 3.0),
                &Point3::new(0.0, 0.0, 3.0),
                &-Vector3::z(),
            ),
            read_out: ReadOut::default(),
        };
        let court = Court::itf_tennis().unwrap();
        let mut rgb = vec![0; 3 * 1920 * 1080];
        let marked = BTreeMap::from([("near-service-centre".to_owned(), [960.0, 801.2])]);
        draw_court(&mut rgb, &camera, &court, &marked);
        let colour = |x: usize, y: usize| -> [u8; 3] {
            let at = 3 * (y * 1920 + x);
            [rgb[at], rgb[at + 1], rgb[at + 2]]
        };
        // Outer edge of the baseline at y 0: row 1040; inner edge at 0.1 m: row 540 + 3000 / 6.1 = 1031.8.
        assert_eq!(colour(900, 1040), EDGE);
        assert_eq!(colour(900, 1032), EDGE);
        assert_eq!(colour(900, 1036), [0; 3]);
        // Middle of the net, 0.914 m high at 17.885 m: row 540 + 1000 · 2.086 / 17.885 = 656.6.
        assert_eq!(colour(960, 657), NET);
        // The cross leaves its middle free.
        assert_eq!(colour(965, 801), MARK);
        assert_ne!(colour(960, 801), MARK);
    }
}
