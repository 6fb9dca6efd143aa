//! The place: a court with its lines, the net, the fence around it and the sky, seen through a phone's lens.

use midline_geometry::RigidTransform;
use midline_session::court::Court;
use nalgebra::{Point3, Vector2, Vector3};

use crate::SynthError;
use crate::canvas::Canvas;
use crate::phone::{Phone, STORED_SIZE_PX};

/// Rays of a phone's stored pixels: undistorted normalised coordinates of every pixel centre.
///
/// One row and one column more than the picture on each side, so that a place between pixels can be interpolated.
#[derive(Debug, Clone)]
pub(crate) struct Rays {
    columns: usize,
    rays: Vec<[f32; 2]>,
}

impl Rays {
    /// The rays of a phone.
    ///
    /// # Errors
    /// When the lens cannot be inverted somewhere in the picture: a defect of the scenario.
    pub(crate) fn of(phone: &Phone) -> Result<Self, SynthError> {
        let [width, height] = STORED_SIZE_PX.map(|s| s as usize);
        let columns = width + 2;
        let mut rays = Vec::with_capacity(columns * (height + 2));
        for y in 0..height + 2 {
            for x in 0..columns {
                let stored = Vector2::new(x as f64 - 1.0, y as f64 - 1.0);
                let ray = phone
                    .intrinsics
                    .normalised_from_px(phone.display_from_stored(stored))
                    .map_err(|e| SynthError::Scenario { reason: format!("lens of \"{}\": {e}", phone.name) })?;
                rays.push([ray.x as f32, ray.y as f32]);
            }
        }
        Ok(Self { columns, rays })
    }

    /// The ray of a pixel's centre.
    pub(crate) fn of_pixel(&self, x: usize, y: usize) -> [f32; 2] {
        self.rays[(y + 1) * self.columns + x + 1]
    }

    /// The ray `(x/z, y/z)` at a place in the stored picture, bilinear between pixel centres.
    pub(crate) fn at(&self, x: f32, y: f32) -> [f32; 2] {
        let (column, row) = ((x + 1.0).floor().max(0.0), (y + 1.0).floor().max(0.0));
        let (fx, fy) = (x + 1.0 - column, y + 1.0 - row);
        let corner = (row as usize * self.columns + column as usize).min(self.rays.len() - self.columns - 2);
        let [a, b, c, d] = [corner, corner + 1, corner + self.columns, corner + self.columns + 1].map(|i| self.rays[i]);
        std::array::from_fn(|i| (a[i] * (1.0 - fx) + b[i] * fx) * (1.0 - fy) + (c[i] * (1.0 - fx) + d[i] * fx) * fy)
    }
}

/// Samples per pixel and axis where two things meet.
const SAMPLES: usize = 4;
/// Distance of the fence from the court's centre line and where it stands beyond the baselines, metres.
const FENCE_X: f64 = 10.6;
const FENCE_Y: [f64; 2] = [-10.4, 30.2];
const FENCE_HEIGHT: f64 = 3.2;
const NET_Y: f64 = 11.885;

/// The empty place as one phone on its tripod sees it.
#[derive(Debug, Clone)]
pub(crate) struct View {
    pub(crate) rays: Rays,
    /// In stored orientation.
    pub(crate) picture: Canvas,
}

impl View {
    /// Renders the place. What lies on the ground is averaged over each pixel's footprint; where two things meet in the
    /// picture, the pixel is sampled several times.
    ///
    /// # Errors
    /// When the lens cannot be inverted somewhere in the picture.
    pub(crate) fn of(phone: &Phone, camera_from_world: &RigidTransform, court: &Court) -> Result<Self, SynthError> {
        let rays = Rays::of(phone)?;
        let [width, height] = STORED_SIZE_PX.map(|s| s as usize);
        let place = Place {
            eye: camera_from_world.inverse_transform_point(&Point3::origin()),
            lines: court.lines_m.values().copied().collect(),
            net_top: &court.net_top_m,
        };
        let world_from_camera = camera_from_world.rotation.inverse();
        let direction = |x: f32, y: f32| {
            let [u, v] = rays.at(x, y);
            world_from_camera * Vector3::new(f64::from(u), f64::from(v), 1.0)
        };
        let look =
            |x: f32, y: f32, size: f32| place.look(&[direction(x, y), direction(x + size, y), direction(x, y + size)]);
        let seen: Vec<(Thing, [f32; 3])> =
            (0..width * height).map(|i| look((i % width) as f32, (i / width) as f32, 1.0)).collect();
        let pixels: Vec<[f32; 3]> = (0..width * height)
            .map(|i| {
                let (x, y) = (i % width, i / width);
                // Two pixels around, so that a post thinner than a pixel is not lost between samples.
                let alike = |dx: isize, dy: isize| {
                    let (nx, ny) =
                        (x.saturating_add_signed(dx).min(width - 1), y.saturating_add_signed(dy).min(height - 1));
                    seen[ny * width + nx].0 == seen[i].0
                };
                if [-2, -1, 1, 2].iter().all(|d| alike(*d, 0) && alike(0, *d)) {
                    return seen[i].1;
                }
                let mut sum = [0.0; 3];
                for sample in 0..SAMPLES * SAMPLES {
                    let offset = |i: usize| (i as f32 + 0.5) / SAMPLES as f32 - 0.5;
                    let size = 1.0 / SAMPLES as f32;
                    let (_, colour) =
                        look(x as f32 + offset(sample % SAMPLES), y as f32 + offset(sample / SAMPLES), size);
                    for channel in 0..3 {
                        sum[channel] += colour[channel] / (SAMPLES * SAMPLES) as f32;
                    }
                }
                sum
            })
            .collect();
        let mut picture = Canvas::new(width, height);
        picture.fill_from_rgb(&pixels);
        Ok(Self { rays, picture })
    }
}

fn scaled(colour: [f32; 3], factor: f32) -> [f32; 3] {
    colour.map(|c| (c * factor).clamp(0.0, 255.0))
}

fn mixed(a: [f32; 3], b: [f32; 3], share: f32) -> [f32; 3] {
    std::array::from_fn(|i| a[i] + (b[i] - a[i]) * share)
}

/// What a pixel shows, to find where two things meet.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Thing {
    Sky,
    Trees,
    Ground,
    Fence,
    FencePost,
    NetBand,
    /// The mesh and what is seen through it.
    BehindNet,
}

/// The place, looked at from one point.
struct Place<'a> {
    eye: Point3<f64>,
    lines: Vec<[f64; 4]>,
    net_top: &'a [[f64; 3]],
}

impl Place<'_> {
    /// Thing and colour (red, green, blue of 0 to 255) in a direction; the other two directions are one pixel to the
    /// right and one pixel below and span its footprint.
    fn look(&self, directions: &[Vector3<f64>; 3]) -> (Thing, [f32; 3]) {
        let [direction, ..] = directions;
        let eye = &self.eye;
        let (mut nearest, (mut thing, mut colour)) = (f64::INFINITY, sky(direction));
        if direction.z < -1e-9 {
            nearest = -eye.z / direction.z;
            thing = Thing::Ground;
            colour = self.ground(directions);
        }
        let mut wall = |distance: f64, along: f64, height: f64| {
            if distance > 1e-6 && distance < nearest && (0.0..FENCE_HEIGHT).contains(&height) {
                nearest = distance;
                (thing, colour) = fence(along, height);
            }
        };
        for x in [-FENCE_X, FENCE_X] {
            let distance = (x - eye.x) / direction.x;
            let at = eye + direction * distance;
            if at.y > FENCE_Y[0] && at.y < FENCE_Y[1] {
                wall(distance, at.y, at.z);
            }
        }
        for y in FENCE_Y {
            let distance = (y - eye.y) / direction.y;
            let at = eye + direction * distance;
            if at.x.abs() < FENCE_X {
                wall(distance, at.x, at.z);
            }
        }
        let distance = (NET_Y - eye.y) / direction.y;
        if distance > 1e-6 && distance < nearest {
            let at = eye + direction * distance;
            if let Some((net, cover)) = net(at.x, at.z, self.net_top) {
                thing = if cover < 1.0 { Thing::BehindNet } else { Thing::NetBand };
                colour = mixed(colour, net, cover);
            }
        }
        (thing, colour)
    }

    fn ground(&self, directions: &[Vector3<f64>; 3]) -> [f32; 3] {
        let [at, right, below] = directions.map(|d| self.eye - d * (self.eye.z / d.z.min(-1e-9)));
        let (x, y) = (at.x, at.y);
        // The lines lie along the axes, so that a footprint's share on a line is a product of two overlaps.
        let reach =
            [0, 1].map(|axis| 0.5 * ((right[axis] - at[axis]).abs() + (below[axis] - at[axis]).abs()).clamp(1e-6, 5.0));
        let overlap = |from: f64, to: f64, at: f64, reach: f64| {
            (((at + reach).min(to) - (at - reach).max(from)) / (2.0 * reach)).clamp(0.0, 1.0)
        };
        let share = |[x0, y0, x1, y1]: [f64; 4]| overlap(x0, x1, x, reach[0]) * overlap(y0, y1, y, reach[1]);
        let painted = self.lines.iter().map(|l| share(*l)).fold(0.0, f64::max) as f32;
        let inside = share([-5.485, 0.0, 5.485, 23.77]) as f32;
        let paved = share([-FENCE_X, FENCE_Y[0], FENCE_X, FENCE_Y[1]]) as f32;
        let rough = mixed([112.0, 134.0, 84.0], [74.0, 122.0, 92.0], paved);
        let plain = mixed(mixed(rough, [58.0, 96.0, 140.0], inside), [236.0, 238.0, 234.0], painted);
        // Grain finer than a pixel would only flicker.
        let fine = (1.0 - 12.0 * reach[0].max(reach[1])).clamp(0.0, 1.0) as f32;
        scaled(plain, 0.95 + 0.05 * grain(x * 1.3, y * 1.3) + 0.04 * fine * grain(x * 11.0, y * 11.0))
    }
}

fn sky(direction: &Vector3<f64>) -> (Thing, [f32; 3]) {
    let up = (direction.z / direction.norm()).clamp(0.0, 1.0) as f32;
    let azimuth = direction.x.atan2(direction.y);
    // A line of trees above the fence.
    let trees =
        0.055 + 0.02 * (azimuth * 7.0).sin() + 0.012 * (azimuth * 23.0 + 1.0).sin() + 0.006 * (azimuth * 61.0).sin();
    if f64::from(up) < trees {
        return (Thing::Trees, scaled([66.0, 88.0, 62.0], 0.9 + 0.2 * grain(azimuth * 60.0, f64::from(up) * 300.0)));
    }
    (Thing::Sky, mixed([214.0, 224.0, 232.0], [134.0, 172.0, 214.0], (up * 2.2).min(1.0)))
}

fn fence(along: f64, height: f64) -> (Thing, [f32; 3]) {
    let post = (along / 3.0 - (along / 3.0).round()).abs() * 3.0 < 0.035;
    let rail = height > FENCE_HEIGHT - 0.05 || (height - 1.1).abs() < 0.02;
    if post || rail {
        (Thing::FencePost, [104.0, 112.0, 108.0])
    } else {
        (Thing::Fence, scaled([44.0, 74.0, 60.0], 0.9 + 0.12 * grain(along * 0.8, height * 2.0)))
    }
}

/// Colour and cover of the net at a place in its plane; `None` beside and above it.
fn net(x: f64, z: f64, top: &[[f64; 3]]) -> Option<([f32; 3], f32)> {
    let post = top.first().zip(top.last()).is_some_and(|(a, b)| (x - a[0]).abs() < 0.04 || (x - b[0]).abs() < 0.04);
    if post && (0.0..1.07).contains(&z) {
        return Some(([46.0, 50.0, 52.0], 1.0));
    }
    let edge = top.windows(2).find(|w| (w[0][0]..=w[1][0]).contains(&x)).map(|w| {
        let share = (x - w[0][0]) / (w[1][0] - w[0][0]);
        w[0][2] + share * (w[1][2] - w[0][2])
    })?;
    if !(0.02..=edge).contains(&z) {
        return None;
    }
    let strap = x.abs() < 0.025;
    if z > edge - 0.06 || strap { Some(([238.0, 238.0, 236.0], 1.0)) } else { Some(([26.0, 30.0, 30.0], 0.42)) }
}

/// Smooth noise of 0 to 1 with features of about one unit.
fn grain(x: f64, y: f64) -> f32 {
    let (column, row) = (x.floor(), y.floor());
    let (fx, fy) = ((x - column) as f32, (y - row) as f32);
    let corner = |dx: i64, dy: i64| {
        let mut h =
            (column as i64 + dx).wrapping_mul(0x9E37_79B9).wrapping_add((row as i64 + dy).wrapping_mul(0x85EB_CA6B));
        h = (h ^ (h >> 13)).wrapping_mul(0xC2B2_AE35);
        h ^= h >> 16;
        (h & 0xFFFF) as f32 / 65535.0
    };
    let blend = |t: f32| t * t * (3.0 - 2.0 * t);
    let (u, v) = (blend(fx), blend(fy));
    let top = corner(0, 0) + (corner(1, 0) - corner(0, 0)) * u;
    let bottom = corner(0, 1) + (corner(1, 1) - corner(0, 1)) * u;
    top + (bottom - top) * v
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::phone::{FENCE, GATE, Place as Standing};

    #[test]
    fn interpolated_rays_are_those_of_the_lens() {
        for phone in [FENCE, GATE] {
            let rays = Rays::of(&phone).unwrap();
            for stored in [[3.3, 5.8], [640.25, 360.5], [1278.6, 718.9], [0.0, 719.0]] {
                let exact =
                    phone.intrinsics.normalised_from_px(phone.display_from_stored(Vector2::from(stored))).unwrap();
                let [x, y] = rays.at(stored[0] as f32, stored[1] as f32);
                let off = (Vector2::new(f64::from(x), f64::from(y)) - exact).norm();
                assert!(off * 1000.0 < 1e-3, "{off}");
            }
        }
    }

    #[test]
    fn a_line_is_painted_where_the_lens_projects_it() {
        let court = Court::itf_tennis().unwrap();
        let place = Standing { centre: [8.0, -1.5, 1.9], target: [0.3, 1.5, 0.9], roll: 0.01 };
        let camera = FENCE.camera(&place);
        let picture = View::of(&FENCE, &camera.camera_from_world, &court).unwrap().picture;
        // Across the near singles line, 1 m from the baseline: white on the line, dark beside it.
        let luma = |x: f64| {
            let px = FENCE.stored_from_display(camera.project(&Point3::new(x, 1.0, 0.0)).unwrap());
            picture.luma(px.x.round() as usize, px.y.round() as usize)
        };
        assert!(luma(-4.09) > 150, "{}", luma(-4.09));
        assert!(luma(-3.9) < 120 && luma(-4.3) < 120);
    }
}
