//! Draws the player, the racket and the ball into a frame: every point at the instant at which its own row is exposed.

use midline_geometry::Camera;
use nalgebra::{Point3, Vector2, Vector3};

use crate::ball::BALL_RADIUS;
use crate::canvas::{Canvas, Capsule, Colour};
use crate::phone::Phone;
use crate::player::{DOMINANT, Figure, OTHER};
use crate::stroke::{RACKET_LENGTH, THROAT_FROM_BUTT};

/// Moments of the exposure that fast parts are averaged over.
const EXPOSURES: usize = 3;
/// Spacing of the instants between which the movement is interpolated, seconds.
const STEP: f64 = 0.001;
const SHOULDERS: usize = 5;
const ELBOWS: usize = 7;
const WRISTS: usize = 9;
const HIPS: usize = 11;
const KNEES: usize = 13;
const ANKLES: usize = 15;
const TOES: usize = 17;
const BUTT: usize = 19;
const TIP: usize = 21;
const FACE: usize = 22;
const GAZE: usize = 23;
const BALL: usize = 24;
const POINTS: usize = 25;

/// Stands for no ball.
const NO_BALL: Point3<f64> = Point3::new(0.0, 0.0, -50.0);

/// Everything drawn at one instant, as points; directions are points one metre away from where they start.
type Points = [Point3<f64>; POINTS];

fn points_of(figure: &Figure, ball: Option<Point3<f64>>) -> Points {
    let mut points = [figure.head; POINTS];
    points[1] = figure.nose;
    points[2..4].copy_from_slice(&figure.eyes);
    for (at, pair) in [
        (SHOULDERS, figure.shoulders),
        (ELBOWS, figure.elbows),
        (WRISTS, figure.wrists),
        (HIPS, figure.hips),
        (KNEES, figure.knees),
        (ANKLES, figure.ankles),
        (TOES, figure.toes),
    ] {
        points[at..at + 2].copy_from_slice(&pair);
    }
    points[BUTT] = figure.butt;
    points[BUTT + 1] = figure.throat;
    points[TIP] = figure.tip;
    points[FACE] = figure.tip + figure.face;
    points[GAZE] = figure.head + figure.gaze;
    points[BALL] = ball.unwrap_or(NO_BALL);
    points
}

/// The movement around one frame, sampled finely enough to interpolate.
struct Moments {
    start_seconds: f64,
    points: Vec<Points>,
}

impl Moments {
    fn at(&self, session_seconds: f64) -> Points {
        let place = ((session_seconds - self.start_seconds) / STEP).clamp(0.0, self.points.len() as f64 - 1.001);
        let (low, share) = (place.floor() as usize, place.fract());
        let (a, b) = (&self.points[low], &self.points[low + 1]);
        std::array::from_fn(|i| a[i] + (b[i] - a[i]) * share)
    }
}

/// A rounded rod in space: its two ends and the radius at each, metres.
type Rod = ([Point3<f64>; 2], [f64; 2]);

/// The rods of a part at an instant of the movement.
type Rods = Box<dyn Fn(&Points) -> Vec<Rod>>;

/// One thing to draw: rods in space, each as two points of the interpolated movement with radii.
struct Part {
    /// For sorting: a point in the middle.
    middle: Point3<f64>,
    colour: Colour,
    opacity: f32,
    fast: bool,
    rods: Rods,
    /// Drawn lighter on the side of the sun, to look round.
    round: bool,
    /// Added to the depth by which the parts are sorted, metres.
    behind: f64,
}

/// A camera that draws frames of a movement.
pub(crate) struct Painter<'a> {
    pub(crate) phone: &'a Phone,
    pub(crate) camera: &'a Camera,
    /// Shirt.
    pub(crate) shirt: Colour,
}

/// From where the sun shines, for shadows on the ground.
const TO_SUN: [f64; 3] = [0.45, -0.55, 1.1];

impl Painter<'_> {
    /// Draws the figure and ball into `canvas`.
    ///
    /// `row_zero_seconds` is the session time of the frame's first row; `movement` gives figure and ball at an instant.
    pub(crate) fn draw(
        &self,
        canvas: &mut Canvas,
        row_zero_seconds: f64,
        movement: &dyn Fn(f64) -> (Figure, Option<Point3<f64>>),
    ) {
        let start = row_zero_seconds - STEP;
        let count = ((self.phone.read_out_seconds + 2.0 * STEP) / STEP).ceil() as usize + 2;
        let points = (0..count)
            .map(|i| {
                let (figure, ball) = movement(start + i as f64 * STEP);
                points_of(&figure, ball)
            })
            .collect();
        let moments = Moments { start_seconds: start, points };
        let guide = moments.at(row_zero_seconds + 0.5 * self.phone.read_out_seconds);
        let ball_in_the_air = moments.points.iter().all(|p| p[BALL].z > NO_BALL.z);
        let mut parts = self.parts(&guide, ball_in_the_air);
        self.shadow(canvas, &parts, &moments, row_zero_seconds);
        let depth = |part: &Part| (self.camera.camera_from_world * part.middle).z + part.behind;
        parts.sort_by(|a, b| depth(b).total_cmp(&depth(a)));
        for part in &parts {
            self.paint(canvas, part, &moments, row_zero_seconds);
        }
    }

    /// Displayed pixel and depth of a point; `None` when it is not well in front of the camera.
    fn project(&self, point: &Point3<f64>) -> Option<(Vector2<f64>, f64)> {
        let depth = (self.camera.camera_from_world * point).z;
        Some((self.camera.project(point).filter(|_| depth > 0.3)?, depth))
    }

    /// The rods of a part as the rows see them at one moment of their exposure: each end at its own row's time, by
    /// interpolation between the part's first and last row.
    fn capsules(&self, part: &Part, moments: &Moments, row_zero_seconds: f64, shift_seconds: f64) -> Vec<Capsule> {
        let focal = 0.5 * (self.phone.intrinsics.focal_px[0] + self.phone.intrinsics.focal_px[1]);
        let read_out = self.phone.read_out_seconds;
        let row_delay = |px: Vector2<f64>| self.camera.row_delay_seconds(px).clamp(0.0, read_out);
        let at = |delay: f64| (part.rods)(&moments.at(row_zero_seconds + delay + shift_seconds));
        let first_guess = at(0.5 * read_out);
        let delays: Vec<f64> = first_guess
            .iter()
            .flat_map(|(ends, _)| ends)
            .filter_map(|end| self.project(end).map(|(px, _)| row_delay(px)))
            .collect();
        let earliest = delays.iter().copied().fold(read_out, f64::min);
        let latest = delays.iter().copied().fold(0.0, f64::max).max(earliest + 1e-6);
        let (early, late) = (at(earliest), at(latest));
        let seen = |a: Point3<f64>, b: Point3<f64>| {
            let mut share = 0.5;
            for _ in 0..2 {
                let (px, _) = self.project(&(a + (b - a) * share))?;
                share = (row_delay(px) - earliest) / (latest - earliest);
            }
            self.project(&(a + (b - a) * share))
        };
        early
            .iter()
            .zip(&late)
            .filter_map(|((a, radii), (b, _))| {
                let ((start, start_depth), (end, end_depth)) = (seen(a[0], b[0])?, seen(a[1], b[1])?);
                Some(Capsule {
                    ends: [self.phone.stored_from_display(start), self.phone.stored_from_display(end)],
                    radii: [(radii[0] * focal / start_depth).max(0.45), (radii[1] * focal / end_depth).max(0.45)],
                })
            })
            .collect()
    }

    fn paint(&self, canvas: &mut Canvas, part: &Part, moments: &Moments, row_zero_seconds: f64) {
        let count = if part.fast { EXPOSURES } else { 1 };
        let exposures: Vec<Vec<Capsule>> = (0..count)
            .map(|i| {
                let shift = ((i as f64 + 0.5) / count as f64 - 0.5) * self.phone.exposure_seconds;
                self.capsules(part, moments, row_zero_seconds, shift)
            })
            .collect();
        canvas.paint(&exposures, part.colour, part.opacity, 1.2);
        if part.round {
            let up = self.phone.stored_from_display(Vector2::new(-0.35, -0.35))
                - self.phone.stored_from_display(Vector2::zeros());
            let middle = &exposures[exposures.len() / 2];
            let lit = middle
                .iter()
                .map(|c| Capsule {
                    ends: [c.ends[0] + up * c.radii[0], c.ends[1] + up * c.radii[1]],
                    radii: c.radii.map(|r| 0.35 * r),
                })
                .collect();
            let radius = middle.first().map_or(1.0, |c| c.radii[0]);
            canvas.paint(&[lit], Colour::rgb(255.0, 250.0, 235.0), 0.16, (0.8 * radius).max(1.0));
        }
    }

    fn shadow(&self, canvas: &mut Canvas, parts: &[Part], moments: &Moments, row_zero_seconds: f64) {
        let sun = Vector3::from(TO_SUN);
        let on_ground = |p: Point3<f64>| p - sun * (p.z / sun.z);
        let guide = moments.at(row_zero_seconds + 0.5 * self.phone.read_out_seconds);
        let focal = self.phone.intrinsics.focal_px[0];
        let mut capsules = Vec::new();
        for part in parts.iter().filter(|p| p.opacity > 0.9) {
            for (ends, radii) in (part.rods)(&guide) {
                let flat = ends.map(on_ground);
                let px = flat.map(|p| {
                    let depth = (self.camera.camera_from_world * p).z;
                    self.camera.project(&p).filter(|_| depth > 0.5).map(|px| (px, depth))
                });
                if let [Some((a, da)), Some((b, db))] = px {
                    capsules.push(Capsule {
                        ends: [self.phone.stored_from_display(a), self.phone.stored_from_display(b)],
                        radii: [0.75 * radii[0] * focal / da, 0.75 * radii[1] * focal / db],
                    });
                }
            }
        }
        canvas.paint(&[capsules], Colour::rgb(12.0, 20.0, 26.0), 0.42, 2.0);
    }

    fn parts(&self, guide: &Points, ball_in_the_air: bool) -> Vec<Part> {
        let skin = Colour::rgb(198.0, 148.0, 116.0);
        let shorts = Colour::rgb(40.0, 46.0, 66.0);
        let shoe = Colour::rgb(232.0, 232.0, 228.0);
        let cap = Colour::rgb(240.0, 240.0, 240.0);
        let hair = Colour::rgb(70.0, 50.0, 36.0);
        let mut parts = Vec::new();
        let mut limb = |a: usize, b: usize, from: f64, to: f64, radii: [f64; 2], colour: Colour, fast: bool| {
            let between = move |p: &Points, share: f64| p[a] + (p[b] - p[a]) * share;
            parts.push(Part {
                middle: between(guide, 0.5 * (from + to)),
                colour,
                opacity: 1.0,
                fast,
                rods: Box::new(move |p| vec![([between(p, from), between(p, to)], radii)]),
                round: true,
                behind: 0.0,
            });
        };
        for side in [OTHER, DOMINANT] {
            let racket_arm = side == DOMINANT;
            limb(KNEES + side, ANKLES + side, 0.0, 1.0, [0.056, 0.038], skin, false);
            limb(HIPS + side, KNEES + side, 0.55, 1.0, [0.072, 0.058], skin, false);
            limb(HIPS + side, KNEES + side, 0.0, 0.62, [0.098, 0.09], shorts, false);
            limb(ANKLES + side, ANKLES + side, 0.0, 1.0, [0.044, 0.044], shoe, false);
            limb(ANKLES + side, TOES + side, 0.1, 1.0, [0.046, 0.036], shoe, false);
            limb(SHOULDERS + side, ELBOWS + side, 0.35, 1.0, [0.046, 0.038], skin, racket_arm);
            limb(SHOULDERS + side, ELBOWS + side, 0.0, 0.5, [0.066, 0.056], self.shirt, racket_arm);
            limb(ELBOWS + side, WRISTS + side, 0.0, 1.0, [0.039, 0.028], skin, racket_arm);
        }
        limb(WRISTS + DOMINANT, BUTT, 0.2, 0.7, [0.036, 0.036], skin, true);
        limb(WRISTS + OTHER, ELBOWS + OTHER, -0.22, -0.08, [0.034, 0.034], skin, false);
        let trunk = Point3::from(
            (guide[SHOULDERS].coords + guide[SHOULDERS + 1].coords + guide[HIPS].coords + guide[HIPS + 1].coords)
                * 0.25,
        );
        // The shirt hangs over the shorts, wherever the hips are.
        parts.push(Part {
            middle: trunk,
            colour: shorts,
            opacity: 1.0,
            fast: false,
            rods: Box::new(|p| vec![([p[HIPS], p[HIPS + 1]], [0.105; 2])]),
            round: false,
            behind: 0.001,
        });
        parts.push(Part {
            middle: trunk,
            colour: self.shirt,
            opacity: 1.0,
            fast: false,
            rods: Box::new(torso),
            round: false,
            behind: 0.0,
        });
        parts.extend(head(guide, skin, hair, cap));
        parts.extend(racket(guide));
        if ball_in_the_air {
            parts.push(Part {
                middle: guide[BALL],
                colour: Colour::rgb(214.0, 232.0, 60.0),
                opacity: 1.0,
                fast: true,
                rods: Box::new(|p| vec![([p[BALL], p[BALL]], [BALL_RADIUS; 2])]),
                round: false,
                behind: 0.0,
            });
        }
        parts
    }
}

/// The shirt: rods from the shoulder line to the hip line.
fn torso(p: &Points) -> Vec<Rod> {
    let shoulder = |share: f64| p[SHOULDERS] + (p[SHOULDERS + 1] - p[SHOULDERS]) * share;
    let hip = |share: f64| p[HIPS] + (p[HIPS + 1] - p[HIPS]) * share;
    let mut rods: Vec<_> = [0.06, 0.28, 0.5, 0.72, 0.94]
        .into_iter()
        .map(|share| ([shoulder(share), hip(0.05 + 0.9 * share)], [0.085, 0.105]))
        .collect();
    rods.push(([shoulder(0.0), shoulder(1.0)], [0.07, 0.07]));
    rods
}

fn head(guide: &Points, skin: Colour, hair: Colour, cap: Colour) -> Vec<Part> {
    let mut parts = Vec::new();
    let mut ball = |ahead: [f64; 2], up: [f64; 2], radii: [f64; 2], colour: Colour, round: bool| {
        let place = move |p: &Points, i: usize| p[0] + (p[GAZE] - p[0]) * ahead[i] + Vector3::z() * up[i];
        parts.push(Part {
            middle: Point3::from((place(guide, 0).coords + place(guide, 1).coords) * 0.5),
            colour,
            opacity: 1.0,
            fast: false,
            rods: Box::new(move |p| vec![([place(p, 0), place(p, 1)], radii)]),
            round,
            behind: 0.0,
        });
    };
    ball([-0.02, -0.03], [-0.24, -0.12], [0.062, 0.056], skin, true);
    ball([0.012, 0.02], [0.02, -0.05], [0.092, 0.078], skin, true);
    ball([-0.035, -0.03], [0.03, -0.04], [0.088, 0.072], hair, false);
    ball([0.0, -0.01], [0.05, 0.055], [0.092, 0.088], cap, true);
    ball([0.09, 0.155], [0.055, 0.05], [0.03, 0.022], cap, false);
    for eye in [2, 3] {
        parts.push(Part {
            middle: guide[eye] + (guide[GAZE] - guide[0]) * 0.03,
            colour: Colour::rgb(40.0, 30.0, 30.0),
            opacity: 0.8,
            fast: false,
            rods: Box::new(move |p| vec![([p[eye], p[eye]], [0.009; 2])]),
            round: false,
            behind: 0.0,
        });
    }
    parts
}

/// Half axes of the racket head's outline, metres.
const HEAD_HALF: [f64; 2] = [0.165, 0.127];

fn racket(guide: &Points) -> Vec<Part> {
    let frame = Colour::rgb(196.0, 44.0, 40.0);
    let along = |p: &Points, metres: f64| p[BUTT] + (p[TIP] - p[BUTT]) * (metres / RACKET_LENGTH);
    let sideways =
        |p: &Points| (p[TIP] - p[BUTT]).cross(&(p[FACE] - p[TIP])).try_normalize(1e-9).unwrap_or(Vector3::z());
    let rim = move |p: &Points, angle: f64| {
        let centre = RACKET_LENGTH - HEAD_HALF[0] - 0.006;
        along(p, centre + HEAD_HALF[0] * angle.cos()) + sideways(p) * (HEAD_HALF[1] * angle.sin())
    };
    let step = std::f64::consts::TAU / 24.0;
    let ring = move |p: &Points| -> Vec<Rod> {
        let mut rods: Vec<_> =
            (0..24).map(|i| ([rim(p, f64::from(i) * step), rim(p, f64::from(i + 1) * step)], [0.010; 2])).collect();
        for side in [-1.0, 1.0] {
            rods.push(([along(p, THROAT_FROM_BUTT - 0.08), rim(p, std::f64::consts::PI - side * 0.75)], [0.011; 2]));
        }
        rods.push(([along(p, 0.19), along(p, THROAT_FROM_BUTT - 0.08)], [0.014, 0.014]));
        rods
    };
    let strings = move |p: &Points| -> Vec<Rod> {
        let cross = |shares: [f64; 2]| [rim(p, shares[0]), rim(p, shares[1])];
        let mut rods = Vec::new();
        for i in 1..8 {
            let angle = f64::from(i) * std::f64::consts::PI / 8.0;
            rods.push((cross([angle, -angle]), [0.0012; 2]));
            let turned = angle - std::f64::consts::FRAC_PI_2;
            rods.push((cross([turned, std::f64::consts::PI - turned]), [0.0012; 2]));
        }
        rods
    };
    let part =
        |middle, colour, opacity, rods| Part { middle, colour, opacity, fast: true, rods, round: false, behind: 0.0 };
    vec![
        part(along(guide, 0.5), Colour::rgb(225.0, 225.0, 215.0), 0.4, Box::new(strings)),
        part(along(guide, 0.5), frame, 1.0, Box::new(ring)),
        part(
            along(guide, 0.1),
            Colour::rgb(34.0, 34.0, 36.0),
            1.0,
            Box::new(move |p: &Points| vec![([along(p, 0.0), along(p, 0.19)], [0.017, 0.016])]),
        ),
    ]
}
