//! Calibration boards in a clip: where they are held, and their picture.

use midline_geometry::{Camera, RigidTransform, rotation_from_vector};
use midline_session::board::Board;
use nalgebra::{Matrix3, Point3, Rotation3, Translation3, UnitQuaternion, Vector2, Vector3};
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};

use crate::SynthError;
use crate::canvas::Canvas;
use crate::curves::ease;
use crate::phone::Phone;
use crate::scene::Rays;

/// Where a board is held still, one after another, and how long it rests and moves.
#[derive(Debug, Clone)]
pub(crate) struct Holding {
    /// Poses: `frame_from_board`, in the camera's frame for a lens clip and in the court's for a shared one.
    pub(crate) poses: Vec<RigidTransform>,
    /// When the first pose is taken up, seconds.
    pub(crate) start_seconds: f64,
    pub(crate) rest_seconds: f64,
    pub(crate) move_seconds: f64,
}

impl Holding {
    /// The pose at a time, and whether the board rests.
    pub(crate) fn at(&self, seconds: f64) -> (RigidTransform, bool) {
        let period = self.rest_seconds + self.move_seconds;
        let since = (seconds - self.start_seconds).max(0.0);
        let index = ((since / period) as usize).min(self.poses.len() - 1);
        let into = since - index as f64 * period;
        let here = self.poses[index];
        if into <= self.rest_seconds || index + 1 == self.poses.len() {
            return (here, true);
        }
        let share = ease((into - self.rest_seconds) / self.move_seconds);
        (here.lerp_slerp(&self.poses[index + 1], share), false)
    }

    /// Start and end of the rest at each pose, seconds.
    pub(crate) fn rests(&self) -> Vec<[f64; 2]> {
        let period = self.rest_seconds + self.move_seconds;
        (0..self.poses.len())
            .map(|i| {
                let start = self.start_seconds + i as f64 * period;
                [start, start + self.rest_seconds]
            })
            .collect()
    }

    pub(crate) fn end_seconds(&self) -> f64 {
        self.start_seconds + self.poses.len() as f64 * (self.rest_seconds + self.move_seconds) - self.move_seconds
    }
}

/// The board's centre in its own frame.
fn centre_of(board: &Board) -> Vector3<f64> {
    let [across, down] = board.inner_corners.map(|n| 0.5 * (n as f64 - 1.0) * board.square_m);
    Vector3::new(across, down, 0.0)
}

/// The pose of a board whose centre is at `centre` with the given rotation `frame_from_board`.
fn posed(board: &Board, centre: Vector3<f64>, rotation: UnitQuaternion<f64>) -> RigidTransform {
    RigidTransform::from_parts(Translation3::from(centre - rotation * centre_of(board)), rotation)
}

/// Corners of the printed squares and of the sheet with its white margin, board frame.
fn outlines(board: &Board) -> [[Point3<f64>; 4]; 2] {
    let [across, down] = board.inner_corners.map(|n| n as f64);
    [0.0, MARGIN_SQUARES].map(|margin| {
        let [left, top] = [-1.0 - margin, -1.0 - margin];
        let [right, bottom] = [across + margin, down + margin];
        [[left, top], [right, top], [right, bottom], [left, bottom]]
            .map(|[x, y]| Point3::new(x * board.square_m, y * board.square_m, 0.0))
    })
}

/// White margin around the printed squares, in squares.
const MARGIN_SQUARES: f64 = 0.7;

/// How far all squares stay from the picture's edge in a lens clip, so that some white is seen around them.
const EDGE_PX: f64 = 14.0;

/// Poses for a lens clip: all over the picture and into its corners, near and far, tilted up to 40°.
///
/// For every planned place the best of many seeded random poses is taken: all squares in the picture, the board as near
/// to the place as possible.
///
/// # Errors
/// When no pose fits: a defect of the scenario.
pub(crate) fn lens_poses(phone: &Phone, board: &Board, seed: u64) -> Result<Vec<RigidTransform>, SynthError> {
    let mut random = StdRng::seed_from_u64(seed);
    let [width, height] = phone.intrinsics.size_px.map(f64::from);
    let camera = Camera {
        intrinsics: phone.intrinsics,
        camera_from_world: RigidTransform::identity(),
        read_out: phone.read_out(),
    };
    // Place in the picture (shares of width and height), tilt in degrees, size of the board as a share of the picture.
    let plan: [([f64; 2], f64, f64); 17] = [
        ([0.5, 0.5], 0.0, 0.85),
        ([0.0, 0.0], 12.0, 0.50),
        ([1.0, 0.0], 25.0, 0.52),
        ([1.0, 1.0], 18.0, 0.48),
        ([0.0, 1.0], 30.0, 0.52),
        ([0.5, 0.3], 38.0, 0.70),
        ([0.2, 0.5], 32.0, 0.55),
        ([0.8, 0.5], 35.0, 0.55),
        ([0.5, 0.7], 36.0, 0.62),
        ([0.0, 0.0], 35.0, 0.42),
        ([1.0, 0.0], 8.0, 0.40),
        ([1.0, 1.0], 34.0, 0.45),
        ([0.0, 1.0], 6.0, 0.40),
        ([0.5, 0.0], 20.0, 0.45),
        ([0.5, 1.0], 22.0, 0.45),
        ([0.35, 0.5], 40.0, 0.80),
        ([0.6, 0.45], 26.0, 0.35),
    ];
    let extent = board.square_m * (board.inner_corners[0].max(board.inner_corners[1]) as f64 + 1.0);
    plan.iter()
        .map(|(place, tilt, size)| {
            let distance = phone.intrinsics.focal_px[0] * extent / (size * width.min(1.25 * height));
            let aim = Vector2::new(place[0] * (width - 1.0), place[1] * (height - 1.0));
            let mut best: Option<(f64, RigidTransform)> = None;
            for _ in 0..1500 {
                let px =
                    Vector2::new(random.random_range(0.05..0.95) * width, random.random_range(0.05..0.95) * height);
                let direction = random.random_range(0.0..std::f64::consts::TAU);
                let roll = random.random_range(-0.25..0.25_f64);
                let Ok(ray) = phone.intrinsics.normalised_from_px(px) else { continue };
                let centre = Vector3::new(ray.x, ray.y, 1.0).normalize() * distance;
                // Tilt is counted from facing the camera.
                let facing = UnitQuaternion::rotation_between(&Vector3::z(), &centre).unwrap_or_default();
                let tilted =
                    rotation_from_vector(Vector3::new(direction.cos(), direction.sin(), 0.0) * tilt.to_radians());
                let pose = posed(board, centre, facing * tilted * rotation_from_vector(Vector3::z() * roll));
                let [squares, _] = outlines(board);
                let corners: Option<Vec<Vector2<f64>>> = squares.iter().map(|c| camera.project(&(pose * c))).collect();
                let Some(corners) = corners else { continue };
                let inside = |p: &Vector2<f64>| {
                    (EDGE_PX..width - 1.0 - EDGE_PX).contains(&p.x) && (EDGE_PX..height - 1.0 - EDGE_PX).contains(&p.y)
                };
                if !corners.iter().all(inside) {
                    continue;
                }
                let central = place.iter().all(|s| *s > 0.0 && *s < 1.0);
                let gap = if central {
                    (px - aim).norm()
                } else {
                    corners.iter().map(|c| (c - aim).norm()).fold(f64::INFINITY, f64::min)
                };
                if best.as_ref().is_none_or(|(least, _)| gap < *least) {
                    best = Some((gap, pose));
                }
            }
            best.map(|(_, pose)| pose).ok_or_else(|| SynthError::Scenario {
                reason: format!("no pose of board \"{}\" fits the picture of \"{}\"", board.name, phone.name),
            })
        })
        .collect()
}

/// Poses for a shared clip: near the hitting zone, facing between the cameras, tilted and turned a little each time.
pub(crate) fn shared_poses(board: &Board, cameras: &[Point3<f64>; 2], mirrored: bool) -> Vec<RigidTransform> {
    let side = if mirrored { -1.0 } else { 1.0 };
    let plan: [([f64; 3], [f64; 2]); 8] = [
        ([0.7, 0.2, 1.2], [0.0, 0.0]),
        ([0.1, 0.6, 1.5], [5.0, 9.0]),
        ([1.2, 0.8, 1.0], [-8.0, -12.0]),
        ([0.3, -0.6, 0.9], [7.0, -10.0]),
        ([0.9, -0.4, 1.6], [-9.0, 12.0]),
        ([0.5, 1.4, 1.1], [5.0, 8.0]),
        ([1.4, 0.1, 1.4], [-4.0, 16.0]),
        ([-0.3, 0.1, 1.3], [10.0, -6.0]),
    ];
    plan.iter()
        .map(|([x, y, z], [turn, tilt])| {
            let centre = Point3::new(side * x, *y, *z);
            let toward: Vector3<f64> = cameras.iter().map(|c| (c - centre).normalize()).sum();
            let level = Vector3::new(toward.x, toward.y, 0.0).normalize();
            let turned = rotation_from_vector(Vector3::z() * turn.to_radians()) * level;
            let sideways = Vector3::z().cross(&turned);
            let facing = rotation_from_vector(sideways * -tilt.to_radians()) * turned;
            // Board axes: z into the board, y down the sheet.
            let into = -facing;
            let across = (-Vector3::z()).cross(&into).normalize();
            let down = into.cross(&across);
            let rotation =
                UnitQuaternion::from_rotation_matrix(&Rotation3::from_matrix_unchecked(Matrix3::from_columns(&[
                    across, down, into,
                ])));
            posed(board, centre.coords, rotation)
        })
        .collect()
}

/// Luma of the printed sheet.
const BLACK: f32 = 34.0;
const WHITE: f32 = 214.0;

/// How a sharp lens and the pixel's own area spread a point: standard deviation in pixels.
const SPREAD_PX: f32 = 0.55;

/// Draws the board at several poses, averaged (motion blur), over `canvas`.
pub(crate) fn draw(
    canvas: &mut Canvas,
    phone: &Phone,
    rays: &Rays,
    board: &Board,
    camera_from_board: &[RigidTransform],
) {
    let [width, height] = canvas.size();
    let camera = Camera {
        intrinsics: phone.intrinsics,
        camera_from_world: RigidTransform::identity(),
        read_out: phone.read_out(),
    };
    let [_, sheet] = outlines(board);
    let sheets: Vec<Sheet> = camera_from_board.iter().filter_map(|pose| Sheet::seen(board, pose)).collect();
    let mut bounds = [f64::INFINITY, f64::INFINITY, f64::NEG_INFINITY, f64::NEG_INFINITY];
    for pose in camera_from_board {
        // Points along the edges: the lens bends them outward.
        for side in 0..4 {
            for step in 0..8 {
                let at = sheet[side] + (sheet[(side + 1) % 4] - sheet[side]) * (f64::from(step) / 8.0);
                if let Some(px) = camera.project(&(pose * at)).map(|px| phone.stored_from_display(px)) {
                    bounds = [bounds[0].min(px.x), bounds[1].min(px.y), bounds[2].max(px.x), bounds[3].max(px.y)];
                }
            }
        }
    }
    let clip = |v: f64, limit: usize| v.clamp(0.0, limit as f64) as usize;
    let rows = clip(bounds[1] - 3.0, height)..clip(bounds[3] + 4.0, height);
    for y in rows {
        for x in clip(bounds[0] - 3.0, width)..clip(bounds[2] + 4.0, width) {
            let below = f32::from(canvas.luma(x, y));
            let luma = sheets.iter().map(|s| s.luma(rays, x, y, below)).sum::<f32>() / sheets.len() as f32;
            if (luma - below).abs() > 0.25 {
                canvas.set_grey(x, y, luma.round() as u8);
            }
        }
    }
}

/// The plane of a board as a camera sees it.
struct Sheet {
    /// Squares from the first inner corner, from normalised picture coordinates.
    squares_from_ray: Matrix3<f32>,
    /// Inner corners across and down.
    corners: [f32; 2],
    /// How much of the light reaches it, by its tilt.
    light: f32,
}

impl Sheet {
    fn seen(board: &Board, pose: &RigidTransform) -> Option<Self> {
        let rotation = pose.rotation.to_rotation_matrix();
        let m = rotation.matrix();
        let s = board.square_m;
        let ray_from_squares = Matrix3::from_columns(&[m.column(0) * s, m.column(1) * s, pose.translation.vector]);
        let facing = m.column(2).dot(&pose.translation.vector.normalize()).clamp(0.0, 1.0);
        Some(Self {
            squares_from_ray: ray_from_squares.try_inverse()?.cast::<f32>(),
            corners: board.inner_corners.map(|n| n as f32),
            light: 0.82 + 0.18 * facing as f32,
        })
    }

    fn place(&self, [u, v]: [f32; 2]) -> [f32; 2] {
        let m = &self.squares_from_ray;
        let w = m[(2, 0)] * u + m[(2, 1)] * v + m[(2, 2)];
        [(m[(0, 0)] * u + m[(0, 1)] * v + m[(0, 2)]) / w, (m[(1, 0)] * u + m[(1, 1)] * v + m[(1, 2)]) / w]
    }

    /// Luma of a stored pixel over the picture below.
    ///
    /// Edges are spread by the error function of their distance; a corner is the product of its two edges' profiles,
    /// exact where the edges cross at right angles and symmetric about the corner elsewhere.
    fn luma(&self, rays: &Rays, x: usize, y: usize, below: f32) -> f32 {
        let here = self.place(rays.of_pixel(x, y));
        let (right, down) = (self.place(rays.of_pixel(x + 1, y)), self.place(rays.of_pixel(x, y + 1)));
        let spread: [f32; 2] =
            std::array::from_fn(|axis| SPREAD_PX * (right[axis] - here[axis]).hypot(down[axis] - here[axis]).max(1e-9));
        let within = |axis: usize, margin: f32| {
            step((here[axis] + 1.0 + margin) / spread[axis])
                * step((self.corners[axis] + margin - here[axis]) / spread[axis])
        };
        let cover = within(0, MARGIN_SQUARES as f32) * within(1, MARGIN_SQUARES as f32);
        if cover < 1e-3 {
            return below;
        }
        // Plus and minus one in turn along an axis, with edges at the inner corners' lines.
        let stripes = |axis: usize| {
            let edge = here[axis].round().clamp(0.0, self.corners[axis] - 1.0);
            let side = 2.0 * step((here[axis] - edge) / spread[axis]) - 1.0;
            if (edge as i32) % 2 == 0 { side } else { -side }
        };
        let dark = 0.5 * (1.0 + stripes(0) * stripes(1)) * within(0, 0.0) * within(1, 0.0);
        let printed = self.light * (WHITE + (BLACK - WHITE) * dark);
        below + (printed - below) * cover
    }
}

/// The normal distribution function (approximation of Page 1977, good to 2e-4).
fn step(x: f32) -> f32 {
    0.5 * (1.0 + (0.797_884_6 * x * (1.0 + 0.044_715 * x * x)).tanh())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::phone::{FENCE, GATE, Place, STORED_SIZE_PX};

    fn board(square_m: f64) -> Board {
        Board { name: "sheet".into(), inner_corners: [9, 6], square_m, markers: None }
    }

    #[test]
    fn lens_poses_reach_the_corners_of_the_picture_and_are_tilted() {
        for phone in [FENCE, GATE] {
            let board = board(0.05);
            let poses = lens_poses(&phone, &board, 4).unwrap();
            let [width, height] = phone.intrinsics.size_px.map(f64::from);
            let mut nearest = [f64::INFINITY; 4];
            let mut most_tilted: f64 = 0.0;
            for pose in &poses {
                for corner in board.corners_m() {
                    let px = phone.intrinsics.project(&(pose * corner).coords).unwrap();
                    assert!((0.0..width).contains(&px.x) && (0.0..height).contains(&px.y));
                    for (i, aim) in [[0.0, 0.0], [width, 0.0], [width, height], [0.0, height]].into_iter().enumerate() {
                        nearest[i] = nearest[i].min((px - Vector2::from(aim)).norm());
                    }
                }
                let centre = pose * Point3::from(centre_of(&board));
                most_tilted = most_tilted.max((pose.rotation * Vector3::z()).angle(&centre.coords).to_degrees());
            }
            println!(
                "{}: nearest inner corner to the picture's corners {nearest:.0?} px, most tilted {most_tilted:.0}°",
                phone.name
            );
            assert!(nearest.iter().all(|n| *n < 130.0), "{nearest:?}");
            assert!(most_tilted > 35.0);
        }
    }

    /// The corner near a pixel, from the picture alone: the point to which all grey-level gradients around it are at
    /// right angles (Förstner & Gülch 1987).
    fn corner_near(canvas: &Canvas, px: Vector2<f64>) -> Vector2<f64> {
        let mut corner = px;
        for _ in 0..5 {
            let (mut normal, mut right) = (nalgebra::Matrix2::zeros(), Vector2::zeros());
            for dy in -5..=5_i32 {
                for dx in -5..=5_i32 {
                    let (x, y) = ((corner.x.round() as i32 + dx) as usize, (corner.y.round() as i32 + dy) as usize);
                    let luma = |x: usize, y: usize| f64::from(canvas.luma(x, y));
                    let gradient = Vector2::new(luma(x + 1, y) - luma(x - 1, y), luma(x, y + 1) - luma(x, y - 1));
                    let outer = gradient * gradient.transpose();
                    normal += outer;
                    right += outer * Vector2::new(x as f64, y as f64);
                }
            }
            corner = normal.try_inverse().unwrap() * right;
        }
        corner
    }

    #[test]
    fn painted_corners_lie_where_the_lens_projects_them() {
        let board = board(0.05);
        for phone in [FENCE, GATE] {
            let rays = Rays::of(&phone).unwrap();
            for pose in [6, 11].map(|i: usize| lens_poses(&phone, &board, 4).unwrap()[i]) {
                let mut canvas = Canvas::new(STORED_SIZE_PX[0] as usize, STORED_SIZE_PX[1] as usize);
                draw(&mut canvas, &phone, &rays, &board, &[pose]);
                let (mut worst, mut squares): (f64, f64) = (0.0, 0.0);
                for corner in board.corners_m() {
                    let exact = phone.stored_from_display(phone.intrinsics.project(&(pose * corner).coords).unwrap());
                    let off = (corner_near(&canvas, exact) - exact).norm();
                    worst = worst.max(off);
                    squares += off * off;
                }
                let rms = (squares / board.corner_count() as f64).sqrt();
                println!("{}: painted corners are off by {rms:.3} px (rms), {worst:.3} px at worst", phone.name);
                assert!(rms < 0.03 && worst < 0.08, "{rms} {worst}");
            }
        }
    }

    #[test]
    fn shared_boards_face_both_cameras() {
        let places = [
            Place { centre: [8.0, -1.5, 1.9], target: [0.3, 1.5, 0.9], roll: 0.0 },
            Place { centre: [-1.5, -8.3, 2.0], target: [0.5, 1.0, 1.0], roll: 0.0 },
        ];
        let centres = places.map(|p| Point3::from(p.centre));
        for pose in shared_poses(&board(0.12), &centres, false) {
            let centre = pose * Point3::from(centre_of(&board(0.12)));
            for camera in centres {
                let angle = (-(pose.rotation * Vector3::z())).angle(&(camera - centre)).to_degrees();
                assert!(angle < 62.0, "{angle}");
            }
        }
    }
}
