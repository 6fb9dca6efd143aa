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
    let mut drawing = Drawing { rgb, size_px: camera.intrinsics.size_px };
    for [x0, y0, x1, y1] in court.lines_m.values().copied() {
        let corners = [[x0, y0], [x1, y0], [x1, y1], [x0, y1]].map(|[x, y]| Point3::new(x, y, 0.0));
        for index in 0..4 {
            drawing.edge(camera, &corners[index], &corners[(index + 1) % 4], EDGE);
        }
    }
    for pair in court.net_top_m.windows(2) {
        drawing.edge(camera, &Point3::from(pair[0]), &Point3::from(pair[1]), NET);
    }
    for px in marked.values() {
        drawing.cross(Vector2::from(*px));
    }
}

/// A picture in colour.
#[derive(Debug, Clone, PartialEq)]
pub struct Sheet {
    /// 3 bytes per pixel, rows top to bottom.
    pub rgb: Vec<u8>,
    /// Width and height, px.
    pub size_px: [u32; 2],
}

/// Times by which a cut-out is enlarged, half its side in the picture, px, and the rim around it on the sheet.
const ENLARGED: u32 = 6;
const CUT_PX: i64 = 20;
const RIM_PX: u32 = 4;
/// Colour of the rim.
const RIM: [u8; 3] = [32, 32, 32];

/// The picture with the court drawn into it, and below it enlarged cut-outs around visible court points, spread over the
/// picture, in which thin lines show whether the drawn edges lie on the paint's. `rgb` as for [`draw_court`].
#[must_use]
pub fn court_sheet(rgb: &[u8], camera: &Camera, court: &Court, marked: &BTreeMap<String, [f64; 2]>) -> Sheet {
    let [width, height] = camera.intrinsics.size_px;
    let side = (2 * CUT_PX as u32 + 1) * ENLARGED;
    let across = (width / (side + RIM_PX)).max(1);
    let places = spread_places(camera, court, (2 * across) as usize);
    let rows = (places.len() as u32).div_ceil(across);
    let mut sheet = Sheet { rgb: rgb.to_vec(), size_px: [width, height + rows * (side + RIM_PX)] };
    draw_court(&mut sheet.rgb, camera, court, marked);
    let whole = 3 * width as usize * sheet.size_px[1] as usize;
    sheet.rgb.extend(RIM.iter().copied().cycle().take(whole.saturating_sub(sheet.rgb.len())));
    for (number, place) in places.iter().enumerate() {
        let number = number as u32;
        let corner = [(number % across) * (side + RIM_PX), height + RIM_PX + (number / across) * (side + RIM_PX)];
        enlarge(rgb, &mut sheet, camera, court, *place, corner);
    }
    sheet
}

/// Visible points of the ground, the ones farthest from those already taken first, in the order of the picture.
fn spread_places(camera: &Camera, court: &Court, most: usize) -> Vec<Vector2<f64>> {
    let [width, height] = camera.intrinsics.size_px.map(f64::from);
    let rim = CUT_PX as f64;
    let visible: Vec<Vector2<f64>> = court
        .points_m
        .values()
        .filter(|point| point[2] == 0.0)
        .filter_map(|point| camera.project(&Point3::from(*point)))
        .filter(|px| (rim..width - rim).contains(&px.x) && (rim..height - rim).contains(&px.y))
        .collect();
    let mut taken: Vec<Vector2<f64>> = Vec::new();
    while taken.len() < most {
        let apart = |px: &Vector2<f64>| taken.iter().map(|other| (px - other).norm()).fold(f64::INFINITY, f64::min);
        let next = visible.iter().map(|px| (*px, apart(px))).max_by(|a, b| a.1.total_cmp(&b.1));
        let Some((px, _)) = next.filter(|(_, apart)| *apart > rim) else { break };
        taken.push(px);
    }
    taken.sort_by(|a, b| a.x.total_cmp(&b.x).then(a.y.total_cmp(&b.y)));
    taken
}

/// A cut-out of the bare picture around a place, its pixels as squares, with the edges drawn over it as fine lines.
fn enlarge(rgb: &[u8], sheet: &mut Sheet, camera: &Camera, court: &Court, place: Vector2<f64>, corner: [u32; 2]) {
    let [width, height] = camera.intrinsics.size_px.map(i64::from);
    let first = [place.x.round() as i64 - CUT_PX, place.y.round() as i64 - CUT_PX];
    let side = 2 * CUT_PX + 1;
    let scale = i64::from(ENLARGED);
    let stride = sheet.size_px[0] as usize;
    let mut set = |x: i64, y: i64, colour: [u8; 3]| {
        if (0..side * scale).contains(&x) && (0..side * scale).contains(&y) {
            let at = 3 * ((corner[1] as usize + y as usize) * stride + corner[0] as usize + x as usize);
            if let Some(pixel) = sheet.rgb.get_mut(at..at + 3) {
                pixel.copy_from_slice(&colour);
            }
        }
    };
    for y in 0..side * scale {
        for x in 0..side * scale {
            let from = [first[0] + x / scale, first[1] + y / scale];
            if (0..width).contains(&from[0]) && (0..height).contains(&from[1]) {
                let at = 3 * (from[1] * width + from[0]) as usize;
                if let Some(&[r, g, b]) = rgb.get(at..at + 3) {
                    set(x, y, [r, g, b]);
                }
            }
        }
    }
    // Pixel centres are at integers; a pixel's square begins half a pixel before.
    let enlarged =
        |px: Vector2<f64>| [0, 1].map(|axis| ((px[axis] - first[axis] as f64 + 0.5) * scale as f64).floor() as i64);
    for [x0, y0, x1, y1] in court.lines_m.values().copied() {
        let corners = [[x0, y0], [x1, y0], [x1, y1], [x0, y1]].map(|[x, y]| Point3::new(x, y, 0.0));
        for index in 0..4 {
            for px in
                dots(camera, &corners[index], &corners[(index + 1) % 4], DOTS_PX / f64::from(ENLARGED), Some(place))
            {
                let [x, y] = enlarged(px);
                set(x, y, EDGE);
            }
        }
    }
}

/// Pixels of a straight edge in space, bent by the lens, `spacing_px` apart. What lies behind the camera or far outside the picture
/// is left out, and so is what lies far from a place, where one is given.
fn dots(
    camera: &Camera,
    from: &Point3<f64>,
    to: &Point3<f64>,
    spacing_px: f64,
    around: Option<Vector2<f64>>,
) -> Vec<Vector2<f64>> {
    // The length in the picture is not known where an end is behind the camera; a coarse walk bounds it.
    const COARSE: usize = 200;
    let [width, height] = camera.intrinsics.size_px.map(f64::from);
    // Beyond about the picture's size outside, a lens polynomial may fold back.
    let near = |px: &Vector2<f64>| (-width..2.0 * width).contains(&px.x) && (-height..2.0 * height).contains(&px.y);
    let at = |share: f64| camera.project(&(from + (to - from) * share)).filter(near);
    let coarse: Vec<_> = (0..=COARSE).map(|i| at(i as f64 / COARSE as f64)).collect();
    let mut dots: Vec<Vector2<f64>> = Vec::new();
    for (index, pair) in coarse.windows(2).enumerate() {
        let (Some(a), Some(b)) = (pair[0], pair[1]) else { continue };
        let reach = 2.0 * CUT_PX as f64 + (b - a).norm();
        if around.is_some_and(|place| (a - place).norm() > reach) {
            continue;
        }
        let steps = ((b - a).norm() / spacing_px).ceil().clamp(1.0, MOST_DOTS / COARSE as f64);
        let share = |step: f64| (index as f64 + step / steps) / COARSE as f64;
        dots.extend((0..steps as usize).filter_map(|step| at(share(step as f64))));
    }
    dots
}

struct Drawing<'a> {
    rgb: &'a mut [u8],
    size_px: [u32; 2],
}

impl Drawing<'_> {
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

    /// A straight edge in space, bent by the lens.
    fn edge(&mut self, camera: &Camera, from: &Point3<f64>, to: &Point3<f64>, colour: [u8; 3]) {
        for px in dots(camera, from, to, DOTS_PX, None) {
            self.dot(px.x.round() as i32, px.y.round() as i32, colour);
        }
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
        // The sheet shows the same picture above, and enlarged below it the place around the first point: the baseline's
        // outer edge at row 1040 = 20 pixels below the cut-out's first row, 6 times enlarged.
        let sheet = court_sheet(&vec![0; 3 * 1920 * 1080], &camera, &court, &marked);
        assert_eq!(sheet.rgb[..rgb.len()], rgb[..]);
        assert_eq!(sheet.rgb.len(), 3 * sheet.size_px[0] as usize * sheet.size_px[1] as usize);
        assert!(sheet.size_px[1] > 1080 + 240);
        let first = spread_places(&camera, &court, 14)[0];
        assert!((first.y - 1040.0).abs() < 600.0);
        let below = &sheet.rgb[rgb.len()..];
        assert!(below.chunks(3).filter(|pixel| **pixel == EDGE).count() > 500);
    }
}
