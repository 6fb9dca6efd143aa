//! The place: a court with its lines, the net, the fence around it and the sky, seen through a phone's lens.

use midline_geometry::{Camera, RigidTransform};
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

    /// The ray `(x/z, y/z)` at a place in the stored picture, bilinear between pixel centres.
    pub(crate) fn at(&self, x: f32, y: f32) -> [f32; 2] {
        let (column, row) = ((x + 1.0).floor().max(0.0), (y + 1.0).floor().max(0.0));
        let (fx, fy) = (x + 1.0 - column, y + 1.0 - row);
        let corner = (row as usize * self.columns + column as usize).min(self.rays.len() - self.columns - 2);
        let [a, b, c, d] = [corner, corner + 1, corner + self.columns, corner + self.columns + 1].map(|i| self.rays[i]);
        std::array::from_fn(|i| (a[i] * (1.0 - fx) + b[i] * fx) * (1.0 - fy) + (c[i] * (1.0 - fx) + d[i] * fx) * fy)
    }
}

/// Samples per pixel and axis.
const SAMPLES: usize = 3;
/// Distance of the fence from the court's centre line and where it stands beyond the baselines, metres.
const FENCE_X: f64 = 10.6;
const FENCE_Y: [f64; 2] = [-10.4, 30.2];
const FENCE_HEIGHT: f64 = 3.2;
const NET_Y: f64 = 11.885;

/// Renders the empty place as a phone sees it, in stored orientation.
pub(crate) fn background(phone: &Phone, rays: &Rays, camera_from_world: &RigidTransform, court: &Court) -> Canvas {
    let [width, height] = STORED_SIZE_PX.map(|s| s as usize);
    let camera = Camera { intrinsics: phone.intrinsics, camera_from_world: *camera_from_world, read_out: phone.read_out() };
    let eye = camera.centre_world();
    let world_from_camera = camera_from_world.rotation.inverse();
    let lines: Vec<[f64; 4]> = court.lines_m.values().copied().collect();
    let mut pixels = Vec::with_capacity(width * height);
    for y in 0..height {
        for x in 0..width {
            let mut sum = [0.0; 3];
            for sample in 0..SAMPLES * SAMPLES {
                let offset = |i: usize| (i as f32 + 0.5) / SAMPLES as f32 - 0.5;
                let [u, v] = rays.at(x as f32 + offset(sample % SAMPLES), y as f32 + offset(sample / SAMPLES));
                let direction = world_from_camera * Vector3::new(f64::from(u), f64::from(v), 1.0);
                let colour = look(&eye, &direction, &lines, court);
                for channel in 0..3 {
                    sum[channel] += colour[channel] / (SAMPLES * SAMPLES) as f32;
                }
            }
            pixels.push(sum);
        }
    }
    let mut canvas = Canvas::new(width, height);
    canvas.fill_from_rgb(&pixels);
    canvas
}

fn scaled(colour: [f32; 3], factor: f32) -> [f32; 3] {
    colour.map(|c| (c * factor).clamp(0.0, 255.0))
}

fn mixed(a: [f32; 3], b: [f32; 3], share: f32) -> [f32; 3] {
    std::array::from_fn(|i| a[i] + (b[i] - a[i]) * share)
}

/// Colour seen from a point in a direction: red, green, blue of 0 to 255.
fn look(eye: &Point3<f64>, direction: &Vector3<f64>, lines: &[[f64; 4]], court: &Court) -> [f32; 3] {
    let (mut nearest, mut colour) = (f64::INFINITY, sky(direction));
    if direction.z < -1e-9 {
        nearest = -eye.z / direction.z;
        let at = eye + direction * nearest;
        colour = ground(at.x, at.y, lines);
    }
    let mut wall = |distance: f64, along: f64, height: f64| {
        if distance > 1e-6 && distance < nearest && (0.0..FENCE_HEIGHT).contains(&height) {
            nearest = distance;
            colour = fence(along, height);
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
        if let Some((net, cover)) = net(at.x, at.z, &court.net_top_m) {
            colour = mixed(colour, net, cover);
        }
    }
    colour
}

fn sky(direction: &Vector3<f64>) -> [f32; 3] {
    let up = (direction.z / direction.norm()).clamp(0.0, 1.0) as f32;
    let azimuth = direction.x.atan2(direction.y);
    // A line of trees above the fence.
    let trees = 0.055 + 0.02 * (azimuth * 7.0).sin() + 0.012 * (azimuth * 23.0 + 1.0).sin() + 0.006 * (azimuth * 61.0).sin();
    if f64::from(up) < trees {
        return scaled([66.0, 88.0, 62.0], 0.9 + 0.2 * grain(azimuth * 60.0, f64::from(up) * 300.0));
    }
    mixed([214.0, 224.0, 232.0], [134.0, 172.0, 214.0], (up * 2.2).min(1.0))
}

fn ground(x: f64, y: f64, lines: &[[f64; 4]]) -> [f32; 3] {
    let grainy = |colour, fine: f64| scaled(colour, 0.95 + 0.05 * grain(x * 1.3, y * 1.3) + 0.04 * grain(x * fine, y * fine));
    if lines.iter().any(|l| x >= l[0] && x <= l[2] && y >= l[1] && y <= l[3]) {
        return grainy([236.0, 238.0, 234.0], 9.0);
    }
    let inside = x.abs() < 5.485 && (0.0..23.77).contains(&y);
    let paved = x.abs() < FENCE_X && (FENCE_Y[0]..FENCE_Y[1]).contains(&y);
    if inside {
        grainy([58.0, 96.0, 140.0], 11.0)
    } else if paved {
        grainy([74.0, 122.0, 92.0], 11.0)
    } else {
        grainy([112.0, 134.0, 84.0], 5.0)
    }
}

fn fence(along: f64, height: f64) -> [f32; 3] {
    let post = (along / 3.0 - (along / 3.0).round()).abs() * 3.0 < 0.035;
    let rail = height > FENCE_HEIGHT - 0.05 || (height - 1.1).abs() < 0.02;
    if post || rail {
        [104.0, 112.0, 108.0]
    } else {
        scaled([44.0, 74.0, 60.0], 0.9 + 0.12 * grain(along * 0.8, height * 2.0))
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
        let mut h = (column as i64 + dx).wrapping_mul(0x9E37_79B9).wrapping_add((row as i64 + dy).wrapping_mul(0x85EB_CA6B));
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
    use crate::phone::{FENCE, GATE, Place};

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
        let place = Place { centre: [8.0, -1.5, 1.9], target: [0.3, 1.5, 0.9], roll: 0.01 };
        let rays = Rays::of(&FENCE).unwrap();
        let camera = FENCE.camera(&place);
        let picture = background(&FENCE, &rays, &camera.camera_from_world, &court);
        // Across the near singles line, 1 m from the baseline: white on the line, dark beside it.
        let luma = |x: f64| {
            let px = FENCE.stored_from_display(camera.project(&Point3::new(x, 1.0, 0.0)).unwrap());
            picture.luma(px.x.round() as usize, px.y.round() as usize)
        };
        assert!(luma(-4.09) > 150, "{}", luma(-4.09));
        assert!(luma(-3.9) < 120 && luma(-4.3) < 120);
    }
}
