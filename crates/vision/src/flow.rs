//! Optical flow: where the patch around a point of one picture is in another picture of the same camera.
//!
//! Pyramidal Lucas-Kanade in its inverse compositional form (Lucas & Kanade 1981; Bouguet 2000, "Pyramidal implementation of
//! the Lucas Kanade feature tracker"; Baker & Matthews 2004, "Lucas-Kanade 20 years on"): the patch is turned and scaled as it is told, and only its place is found. The
//! camera stands on a tripod: pixels that show the resting background count for nothing, so that a thin racket is not
//! held back by the fence behind it. OpenCV's own is not among the modules that the binding generator is asked for.

use crate::Grey;

/// What to follow.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FlowRequest {
    /// Where the point is in the first picture, px.
    pub from_px: [f64; 2],
    /// Where it may be in the second, px.
    pub guess_px: [f64; 2],
    /// How the patch turns (rad, clockwise as seen, y down) and grows from the first picture to the second.
    pub turn: f64,
    /// See `turn`.
    pub growth: f64,
}

/// Where a patch was found.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Flow {
    /// Where the point is in the second picture, px.
    pub px: [f64; 2],
    /// Root mean square difference of the grey values that count.
    pub rms_grey: f64,
    /// Standard deviation of the place in its worse direction that this difference explains, px (pixels taken as independent).
    pub sd_px: f64,
    /// Share of the patch that moves against the background.
    pub moving_share: f64,
}

/// Half the side of the patch, px, at every level of the pyramid.
const HALF_PATCH: i32 = 10;

/// Levels of the pyramid: the coarsest is a quarter of the picture's size.
const LEVELS: usize = 3;

/// Steps per level before giving up.
const MOST_STEPS: usize = 25;

/// A step shorter than this ends a level, px.
const SETTLED_PX: f64 = 0.01;

/// Steps that never get shorter than this are no answer at the finest level, px.
const SWINGING_PX: f64 = 0.15;

/// Grey values from the background at which a pixel starts to count, and counts fully.
const MOVING_GREYS: [f64; 2] = [8.0, 24.0];

/// Least share of the patch that must move against the background.
const LEAST_MOVING_SHARE: f64 = 0.04;

/// A difference of more than this many times the usual one counts less (Huber 1964).
const ROBUST_SDS: f64 = 2.0;

/// Part of a picture as numbers, at one level of the pyramid.
struct Plane {
    width: usize,
    height: usize,
    values: Vec<f32>,
}

impl Plane {
    /// `None` outside the outermost pixel centres.
    fn at(&self, x: f64, y: f64) -> Option<f64> {
        if !(x >= 0.0 && y >= 0.0 && x <= (self.width - 1) as f64 && y <= (self.height - 1) as f64) {
            return None;
        }
        let (left, top) = ((x as usize).min(self.width - 2), (y as usize).min(self.height - 2));
        let (fx, fy) = (x - left as f64, y - top as f64);
        let row = |row: usize| {
            let at = row * self.width + left;
            f64::from(self.values[at]) * (1.0 - fx) + f64::from(self.values[at + 1]) * fx
        };
        Some(row(top) * (1.0 - fy) + row(top + 1) * fy)
    }

    /// Half the size after smoothing with the binomial filter 1 4 6 4 1; pixel `i` is pixel `2 i` of this one.
    fn halved(&self) -> Self {
        let tap = [1.0f32, 4.0, 6.0, 4.0, 1.0].map(|v| v / 16.0);
        let clamped = |i: usize, k: usize, end: usize| (i * 2 + k).saturating_sub(2).min(end - 1);
        let (width, height) = (self.width.div_ceil(2), self.height.div_ceil(2));
        let mut across = vec![0.0; width * self.height];
        for y in 0..self.height {
            for x in 0..width {
                across[y * width + x] =
                    (0..5).map(|k| tap[k] * self.values[y * self.width + clamped(x, k, self.width)]).sum();
            }
        }
        let mut values = vec![0.0; width * height];
        for y in 0..height {
            for x in 0..width {
                values[y * width + x] = (0..5).map(|k| tap[k] * across[clamped(y, k, self.height) * width + x]).sum();
            }
        }
        Self { width, height, values }
    }
}

/// The surroundings of a point, at all levels.
struct Surroundings {
    /// Pixel of the picture at (0, 0) of the finest level.
    origin: [f64; 2],
    levels: Vec<Plane>,
}

impl Surroundings {
    /// What lies within `reach` of a pixel; `None` when too little of it is in the picture.
    fn cut(picture: &Grey, px: [f64; 2], reach: i64) -> Option<Self> {
        let [width, height] = picture.size_px.map(i64::from);
        if picture.pixels.len() as i64 != width * height || !px.iter().all(|v| v.is_finite() && v.abs() < 1e6) {
            return None;
        }
        // Even corners, so that all levels of all pictures lie alike.
        let even = |v: i64| v & !3;
        let (left, top) = (even((px[0] as i64 - reach).max(0)), even((px[1] as i64 - reach).max(0)));
        let (right, bottom) = ((px[0] as i64 + reach).min(width - 1), (px[1] as i64 + reach).min(height - 1));
        if right - left < 8 || bottom - top < 8 {
            return None;
        }
        let values = (top..=bottom)
            .flat_map(|y| picture.pixels[(y * width + left) as usize..=(y * width + right) as usize].iter())
            .map(|v| f32::from(*v))
            .collect();
        let first = Plane { width: (right - left + 1) as usize, height: (bottom - top + 1) as usize, values };
        let mut levels = vec![first];
        for _ in 1..LEVELS {
            let next = levels.last()?.halved();
            if next.width < 4 || next.height < 4 {
                break;
            }
            levels.push(next);
        }
        Some(Self { origin: [left as f64, top as f64], levels })
    }

    fn at(&self, level: usize, px: [f64; 2]) -> Option<f64> {
        let shrunk = f64::from(1u32 << level);
        self.levels.get(level)?.at((px[0] - self.origin[0]) / shrunk, (px[1] - self.origin[1]) / shrunk)
    }
}

/// One pixel of the patch.
struct Sample {
    /// From the point, px of the first picture.
    offset: [f64; 2],
    grey: f64,
    /// Change of the grey value per pixel of the first picture.
    slope: [f64; 2],
    weight: f64,
}

/// Follows a point from one picture to another. `background` is what the camera sees when nothing moves (see
/// [`crate::median_picture`]); without it the whole patch counts.
///
/// `None` when the patch leaves the picture, does not stand out from the background, has no structure, or is not found.
#[must_use]
pub fn follow_patch(first: &Grey, second: &Grey, background: Option<&Grey>, request: &FlowRequest) -> Option<Flow> {
    let coarsest = i64::from(HALF_PATCH) << (LEVELS - 1);
    let around_first = Surroundings::cut(first, request.from_px, coarsest + 8)?;
    let around_second = Surroundings::cut(second, request.guess_px, 3 * coarsest)?;
    let resting = match background {
        Some(background) => Some(Surroundings::cut(background, request.from_px, coarsest + 8)?),
        None => None,
    };
    let mut px = request.guess_px;
    let mut found = None;
    for level in (0..LEVELS).rev() {
        let Some((samples, moving_share)) = patch(&around_first, resting.as_ref(), request.from_px, level) else {
            // A coarse patch may reach beyond the picture; the finest must not.
            if level == 0 {
                return None;
            }
            continue;
        };
        match settle(&samples, &around_second, level, px, request, moving_share) {
            Some(flow) => {
                px = flow.px;
                found = Some(flow);
            }
            None if level == 0 => return None,
            None => {}
        }
    }
    found
}

/// The pixels of the patch that count, and their share.
fn patch(
    around: &Surroundings,
    resting: Option<&Surroundings>,
    centre: [f64; 2],
    level: usize,
) -> Option<(Vec<Sample>, f64)> {
    let spacing = f64::from(1u32 << level);
    let mut samples = Vec::new();
    let (mut all, mut sum) = (0.0, 0.0);
    for row in -HALF_PATCH..=HALF_PATCH {
        for column in -HALF_PATCH..=HALF_PATCH {
            let offset = [f64::from(column) * spacing, f64::from(row) * spacing];
            let [x, y] = [centre[0] + offset[0], centre[1] + offset[1]];
            all += 1.0;
            let (Some(grey), Some(left), Some(right), Some(above), Some(below)) = (
                around.at(level, [x, y]),
                around.at(level, [x - spacing, y]),
                around.at(level, [x + spacing, y]),
                around.at(level, [x, y - spacing]),
                around.at(level, [x, y + spacing]),
            ) else {
                continue;
            };
            let moving = match resting {
                Some(resting) => {
                    let away = (grey - resting.at(level, [x, y])?).abs();
                    ((away - MOVING_GREYS[0]) / (MOVING_GREYS[1] - MOVING_GREYS[0])).clamp(0.0, 1.0)
                }
                None => 1.0,
            };
            let near = 1.0 - (f64::from(column * column + row * row) / f64::from(2 * HALF_PATCH * HALF_PATCH));
            sum += moving;
            if moving > 0.0 {
                let slope = [(right - left) / (2.0 * spacing), (below - above) / (2.0 * spacing)];
                samples.push(Sample { offset, grey, slope, weight: moving * near });
            }
        }
    }
    let share = sum / all;
    (share >= LEAST_MOVING_SHARE).then_some((samples, share))
}

fn settle(
    samples: &[Sample],
    second: &Surroundings,
    level: usize,
    start: [f64; 2],
    request: &FlowRequest,
    moving_share: f64,
) -> Option<Flow> {
    let (sin, cos) = request.turn.sin_cos();
    let turned = |v: [f64; 2]| [request.growth * (cos * v[0] - sin * v[1]), request.growth * (sin * v[0] + cos * v[1])];
    let mut px = start;
    let mut scale = f64::INFINITY;
    for step in 0..MOST_STEPS {
        let (mut xx, mut xy, mut yy, mut x, mut y) = (0.0, 0.0, 0.0, 0.0, 0.0);
        let (mut squares, mut weights, mut seen) = (0.0, 0.0, 0.0);
        for sample in samples {
            let [dx, dy] = turned(sample.offset);
            let Some(grey) = second.at(level, [px[0] + dx, px[1] + dy]) else { continue };
            let error = grey - sample.grey;
            let away = (error / scale).abs();
            let weight = sample.weight * if away > ROBUST_SDS { ROBUST_SDS / away } else { 1.0 };
            let [sx, sy] = sample.slope;
            xx += weight * sx * sx;
            xy += weight * sx * sy;
            yy += weight * sy * sy;
            x += weight * sx * error;
            y += weight * sy * error;
            squares += weight * error * error;
            weights += weight;
            seen += sample.weight;
        }
        let whole: f64 = samples.iter().map(|s| s.weight).sum();
        let (determinant, trace) = (xx * yy - xy * xy, xx + yy);
        let least = 0.5 * (trace - (trace * trace - 4.0 * determinant).max(0.0).sqrt());
        // Grey values per pixel that a patch must change by in its flattest direction.
        if seen < 0.7 * whole || weights <= 0.0 || least / weights < 0.5 {
            return None;
        }
        let rms_grey = (squares / weights).sqrt();
        scale = rms_grey.max(1.0);
        let inward = [(yy * x - xy * y) / determinant, (xx * y - xy * x) / determinant];
        let moved = turned(inward);
        let length = moved[0].hypot(moved[1]);
        px = [px[0] - moved[0], px[1] - moved[1]];
        let farthest = 2.0 * f64::from(HALF_PATCH << level);
        if (px[0] - start[0]).hypot(px[1] - start[1]) > farthest {
            return None;
        }
        // Weights that swing between steps leave a coarse place, which is good enough for the next level, or the last hundredths.
        let swinging = step + 1 == MOST_STEPS && (level > 0 || length < SWINGING_PX);
        if length < SETTLED_PX * f64::from(1u32 << level) || swinging {
            let sd_px = rms_grey.max(1.0) / least.sqrt() * request.growth;
            return Some(Flow { px, rms_grey, sd_px, moving_share });
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const SIZE: [u32; 2] = [240, 200];

    /// A smooth texture around a moving centre, over a background that stays.
    fn drawn(place: impl Fn(f64, f64) -> [f64; 2], inside: impl Fn(f64, f64) -> bool) -> Vec<u8> {
        let texture = |u: f64, v: f64| {
            128.0
                + 34.0 * (0.21 * u + 0.9).sin() * (0.17 * v).cos()
                + 30.0 * (0.13 * v + 0.33 * u).sin()
                + 22.0 * (0.41 * v - 0.11 * u + 2.0).cos()
        };
        let fence = |x: f64, y: f64| 90.0 + 60.0 * (0.35 * x).sin() * (0.31 * y).sin();
        (0..SIZE[1])
            .flat_map(|y| (0..SIZE[0]).map(move |x| (f64::from(x), f64::from(y))))
            .map(|(x, y)| {
                let [u, v] = place(x, y);
                (if inside(u, v) { texture(u, v) } else { fence(x, y) }).round().clamp(0.0, 255.0) as u8
            })
            .collect()
    }

    fn picture(pixels: &[u8]) -> Grey<'_> {
        Grey { pixels, size_px: SIZE }
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(24))]
        /// The shift of a drawn texture is known exactly; grey values are rounded to whole numbers.
        #[test]
        fn a_known_motion_is_found(dx in -30.0..30.0f64, dy in -25.0..25.0f64, turn in -0.25..0.25f64, growth in 0.9..1.1f64) {
            let first = drawn(|x, y| [x - 110.0, y - 100.0], |_, _| true);
            let (sin, cos) = turn.sin_cos();
            let second = drawn(|x, y| {
                let [ax, ay] = [x - 110.0 - dx, y - 100.0 - dy];
                [(cos * ax + sin * ay) / growth, (-sin * ax + cos * ay) / growth]
            }, |_, _| true);
            // A guess half a patch off, as a carried motion gives.
            let request = FlowRequest { from_px: [110.0, 100.0], guess_px: [110.0 + dx * 0.8, 100.0 + dy * 0.8], turn, growth };
            let flow = follow_patch(&picture(&first), &picture(&second), None, &request).unwrap();
            let error = (flow.px[0] - 110.0 - dx).hypot(flow.px[1] - 100.0 - dy);
            prop_assert!(error < 0.05, "{} px off: {:?}", error, flow);
        }
    }

    #[test]
    fn a_small_thing_before_a_fence_is_followed_with_the_background_and_lost_without() {
        let small = |u: f64, v: f64| u.hypot(v) < 7.0;
        let never = |_: f64, _: f64| false;
        let at = |cx: f64, cy: f64| drawn(move |x, y| [x - cx, y - cy], small);
        let (first, second, fence) = (at(100.0, 90.0), at(112.5, 95.25), drawn(|x, y| [x, y], never));
        let request = FlowRequest { from_px: [100.0, 90.0], guess_px: [109.0, 93.0], turn: 0.0, growth: 1.0 };
        let with = follow_patch(&picture(&first), &picture(&second), Some(&picture(&fence)), &request).unwrap();
        let error = |flow: &Flow| (flow.px[0] - 112.5).hypot(flow.px[1] - 95.25);
        let without = follow_patch(&picture(&first), &picture(&second), None, &request);
        println!("with background {:.3} px off, without {:?}", error(&with), without.as_ref().map(error));
        assert!(error(&with) < 0.4, "{with:?}");
        assert!(without.is_none_or(|flow| error(&flow) > 2.0));
    }

    #[test]
    fn what_cannot_be_followed_is_none() {
        let flat = vec![100u8; (SIZE[0] * SIZE[1]) as usize];
        let textured = drawn(|x, y| [x, y], |_, _| true);
        let ask = |first: &[u8], second: &[u8], from_px: [f64; 2], guess_px: [f64; 2]| {
            let request = FlowRequest { from_px, guess_px, turn: 0.0, growth: 1.0 };
            follow_patch(&picture(first), &picture(second), None, &request)
        };
        assert!(ask(&flat, &flat, [100.0, 100.0], [100.0, 100.0]).is_none(), "no structure");
        assert!(ask(&textured, &textured, [-50.0, 20.0], [100.0, 100.0]).is_none(), "outside");
        assert!(ask(&textured, &textured, [100.0, 20.0], [f64::NAN, 100.0]).is_none(), "not a number");
        assert!(ask(&textured[1..], &textured, [100.0, 20.0], [100.0, 20.0]).is_none(), "wrong size");
        let request = FlowRequest { from_px: [100.0, 100.0], guess_px: [100.0, 100.0], turn: 0.0, growth: 1.0 };
        let still = follow_patch(&picture(&textured), &picture(&textured), Some(&picture(&textured)), &request);
        assert!(still.is_none(), "nothing moves");
    }
}
