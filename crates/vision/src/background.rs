//! Whether a tripod still stands as it did: how the background of one picture lies against that of another.
//!
//! Small patches with texture in two directions are followed from the reference into the picture (Lucas & Kanade 1981, from coarse
//! to fine), and a shift, turn and scale is fitted to all of them under a loss that lets go of patches that moved by
//! themselves: the player, the ball, leaves.

use midline_solver::{LeastSquares, Loss, Options, minimise};
use nalgebra::{DMatrix, DVector, Matrix2, Vector2};

use crate::Grey;

/// Side of the cells of which each gives at most one patch, as a share of the picture's longer side.
const CELL_SHARE: f64 = 1.0 / 28.0;
/// Half the side of a patch, px of each level.
const HALF_PX: i32 = 5;
/// Least of the smaller eigenvalue of a patch's mean gradient products, grey values² per px².
const LEAST_TEXTURE: f64 = 12.0;
/// Levels, each with half the size of the one before.
const LEVELS: usize = 3;
/// How far the coarsest search looks, px of that level.
const COARSE_REACH: i32 = 16;
/// Steps of a patch on one level, and the step that ends them, px.
const STEPS: usize = 12;
const SETTLED_PX: f64 = 0.01;
/// A patch that looks this different after all is not the same thing, mean absolute grey values.
const LARGEST_DIFFERENCE: f64 = 14.0;
/// Scatter of a followed patch that is usual, px.
const PATCH_SD_PX: f64 = 0.1;
/// Fewest patches that agree, and their least share of all followed.
const FEWEST_PATCHES: usize = 12;
const LEAST_SHARE: f64 = 0.4;
/// A patch agrees when it is this near to where the fit puts it, px.
const AGREES_PX: f64 = 1.0;

/// How the background of a picture lies against the reference.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BackgroundShift {
    /// Shift in the middle of the picture, px right and down.
    pub middle_px: [f64; 2],
    /// Turn about the middle, radians, positive from right to down.
    pub turn_radians: f64,
    /// Scale less 1.
    pub grown: f64,
    /// The largest shift of the picture's four corners, px.
    pub corner_px: f64,
    /// Standard deviation of the shift in the middle, px, from how far the patches scatter.
    pub sd_px: f64,
    /// Patches that agree.
    pub patches: usize,
}

/// A picture's background, ready to be compared.
#[derive(Debug, Clone)]
pub struct Background {
    levels: Vec<Level>,
    patches: Vec<Vector2<f64>>,
}

#[derive(Debug, Clone)]
struct Level {
    pixels: Vec<u8>,
    size_px: [u32; 2],
}

impl Level {
    fn grey(&self) -> Grey<'_> {
        Grey { pixels: &self.pixels, size_px: self.size_px }
    }

    /// The same at half the size: means of four pixels.
    fn halved(&self) -> Self {
        let [width, height] = self.size_px.map(|side| (side / 2) as usize);
        let row = self.size_px[0] as usize;
        let mean = |index: usize| {
            let corner = 2 * (index / width) * row + 2 * (index % width);
            let four = [corner, corner + 1, corner + row, corner + row + 1].map(|i| u16::from(self.pixels[i]));
            ((four.iter().sum::<u16>() + 2) / 4) as u8
        };
        Self { pixels: (0..width * height).map(mean).collect(), size_px: [width as u32, height as u32] }
    }
}

fn levels(picture: &Grey) -> Option<Vec<Level>> {
    let [width, height] = picture.size_px;
    if picture.pixels.len() as u64 != u64::from(width) * u64::from(height) || width.min(height) < 128 {
        return None;
    }
    let mut levels = vec![Level { pixels: picture.pixels.to_vec(), size_px: picture.size_px }];
    while levels.len() < LEVELS {
        levels.push(levels[levels.len() - 1].halved());
    }
    Some(levels)
}

/// A pixel of a level in the pixels of the level of half the size, whose centres lie between four of this.
fn coarser(px: Vector2<f64>) -> Vector2<f64> {
    (px.add_scalar(0.5) / 2.0).add_scalar(-0.5)
}

fn gradient(grey: &Grey, px: Vector2<f64>) -> Option<Vector2<f64>> {
    let at = |x: f64, y: f64| grey.at([px.x + x, px.y + y]);
    Some(Vector2::new((at(1.0, 0.0)? - at(-1.0, 0.0)?) / 2.0, (at(0.0, 1.0)? - at(0.0, -1.0)?) / 2.0))
}

/// Offsets of a patch's pixels.
fn patch() -> impl Iterator<Item = Vector2<f64>> {
    (-HALF_PX..=HALF_PX).flat_map(|y| (-HALF_PX..=HALF_PX).map(move |x| Vector2::new(f64::from(x), f64::from(y))))
}

impl Background {
    /// The background of a reference picture; `None` for one that is too small, whose pixels do not fit its size, or that has
    /// too little texture.
    #[must_use]
    pub fn new(reference: &Grey) -> Option<Self> {
        let levels = levels(reference)?;
        let [width, height] = reference.size_px.map(|side| side as usize);
        let cell = ((width.max(height) as f64 * CELL_SHARE) as usize).max(16);
        let rim = (HALF_PX as usize + 2) << 1;
        let mut patches = Vec::new();
        for top in (rim..height - rim - cell / 2).step_by(cell) {
            for left in (rim..width - rim - cell / 2).step_by(cell) {
                let within = (top..(top + cell).min(height - rim)).step_by(3).flat_map(|y| {
                    (left..(left + cell).min(width - rim)).step_by(3).map(move |x| Vector2::new(x as f64, y as f64))
                });
                let best = within
                    .filter_map(|px| Some((px, texture(reference, px)?)))
                    .max_by(|a, b| a.1.total_cmp(&b.1))
                    .filter(|(_, texture)| *texture > LEAST_TEXTURE);
                patches.extend(best.map(|(px, _)| px));
            }
        }
        (patches.len() >= FEWEST_PATCHES).then_some(Self { levels, patches })
    }

    /// How the same background lies in another picture of the same size; `None` when it is not found there.
    #[must_use]
    pub fn shift_in(&self, picture: &Grey) -> Option<BackgroundShift> {
        if picture.size_px != self.levels[0].size_px {
            return None;
        }
        let other = levels(picture)?;
        let start = self.coarse_shift(&other);
        let followed: Vec<(Vector2<f64>, Vector2<f64>)> =
            self.patches.iter().filter_map(|px| Some((*px, self.followed(&other, *px, start)?))).collect();
        self.fitted(&followed)
    }

    /// Whole-pixel shift on the coarsest level that leaves the least median difference, in full pixels.
    fn coarse_shift(&self, other: &[Level]) -> Vector2<f64> {
        let last = LEVELS - 1;
        let (own, other) = (self.levels[last].grey(), other[last].grey());
        let points: Vec<Vector2<f64>> =
            self.patches.iter().map(|px| (0..last).fold(*px, |px, _| coarser(px)).map(f64::round)).collect();
        let mut best = (f64::INFINITY, Vector2::zeros());
        for dy in -COARSE_REACH..=COARSE_REACH {
            for dx in -COARSE_REACH..=COARSE_REACH {
                let shift = Vector2::new(f64::from(dx), f64::from(dy));
                let around = [[0.0, 0.0], [2.0, 0.0], [-2.0, 0.0], [0.0, 2.0], [0.0, -2.0]].map(Vector2::from);
                let mut differences: Vec<f64> = points
                    .iter()
                    .filter_map(|px| {
                        let difference = |offset: &Vector2<f64>| {
                            Some((own.at((px + offset).into())? - other.at((px + offset + shift).into())?).abs())
                        };
                        around.iter().map(difference).sum::<Option<f64>>()
                    })
                    .collect();
                if 2 * differences.len() < points.len() {
                    continue;
                }
                differences.sort_by(f64::total_cmp);
                let median = differences[differences.len() / 2] + 1e-3 * shift.norm();
                if median < best.0 {
                    best = (median, shift);
                }
            }
        }
        best.1 * f64::from(1 << last)
    }

    /// Where a patch is in the other picture.
    fn followed(&self, other: &[Level], px: Vector2<f64>, start: Vector2<f64>) -> Option<Vector2<f64>> {
        let mut shift = start / f64::from(1 << (LEVELS - 1));
        // Fine detail is only comparable once the coarse one lies right; the coarsest level has served the start.
        for level in (0..LEVELS - 1).rev() {
            shift *= 2.0;
            let (own, other) = (self.levels[level].grey(), other[level].grey());
            let here = (0..level).fold(px, |px, _| coarser(px));
            let mut normal = Matrix2::zeros();
            let mut template = Vec::new();
            for offset in patch() {
                let slope = gradient(&own, here + offset)?;
                template.push((offset, own.at((here + offset).into())?, slope));
                normal += slope * slope.transpose();
            }
            let inverse = normal.try_inverse()?;
            let mut last = f64::INFINITY;
            for _ in 0..STEPS {
                let mut right = Vector2::zeros();
                let mut difference = 0.0;
                for (offset, value, slope) in &template {
                    let off = value - other.at((here + offset + shift).into())?;
                    right += slope * off;
                    difference += off.abs();
                }
                last = difference / template.len() as f64;
                let step = inverse * right;
                shift += step;
                if step.norm() < SETTLED_PX {
                    break;
                }
            }
            if level == 0 && last > LARGEST_DIFFERENCE {
                return None;
            }
        }
        Some(px + shift)
    }

    fn fitted(&self, followed: &[(Vector2<f64>, Vector2<f64>)]) -> Option<BackgroundShift> {
        if followed.len() < FEWEST_PATCHES {
            return None;
        }
        let [right, bottom] = self.levels[0].size_px.map(|side| f64::from(side) - 1.0);
        let middle = Vector2::new(right, bottom) / 2.0;
        let reach = middle.norm();
        let median = |axis: usize| {
            let mut shifts: Vec<f64> = followed.iter().map(|(from, to)| to[axis] - from[axis]).collect();
            shifts.sort_by(f64::total_cmp);
            shifts[shifts.len() / 2]
        };
        let fit = SimilarityFit { followed, middle, reach };
        let start = [median(0), median(1), 0.0, 0.0];
        let options = Options { loss: Loss::Cauchy(3.0), ..Options::default() };
        let solution = minimise(&fit, start, &options).ok()?;
        let errors: Vec<f64> = followed.iter().map(|pair| fit.error_px(&solution.state, pair).norm()).collect();
        let near: Vec<f64> = errors.into_iter().filter(|error| *error < AGREES_PX).collect();
        if near.len() < FEWEST_PATCHES || (near.len() as f64) < LEAST_SHARE * followed.len() as f64 {
            return None;
        }
        let scatter = (near.iter().map(|e| e * e).sum::<f64>() / (2 * near.len()) as f64).sqrt();
        let [x, y, turn, grown] = solution.state;
        let corners = [[-1.0, -1.0], [1.0, -1.0], [-1.0, 1.0], [1.0, 1.0]].map(|[u, v]| {
            let at = Vector2::new(u * middle.x, v * middle.y);
            fit.shift(&solution.state, at).norm()
        });
        Some(BackgroundShift {
            middle_px: [x, y],
            turn_radians: turn / reach,
            grown: grown / reach,
            corner_px: corners.into_iter().fold(0.0, f64::max),
            sd_px: scatter / (near.len() as f64).sqrt(),
            patches: near.len(),
        })
    }
}

/// Smaller eigenvalue of the mean products of a patch's gradients.
fn texture(grey: &Grey, px: Vector2<f64>) -> Option<f64> {
    let mut products = Matrix2::zeros();
    let mut count = 0.0;
    for offset in patch().step_by(2) {
        let slope = gradient(grey, px + offset)?;
        products += slope * slope.transpose();
        count += 1.0;
    }
    Some((products / count).symmetric_eigenvalues().min())
}

/// Shift x and y in the middle; turn and growth times the reach, so that all four are pixels.
struct SimilarityFit<'a> {
    followed: &'a [(Vector2<f64>, Vector2<f64>)],
    middle: Vector2<f64>,
    reach: f64,
}

impl SimilarityFit<'_> {
    fn shift(&self, [x, y, turn, grown]: &[f64; 4], at: Vector2<f64>) -> Vector2<f64> {
        Vector2::new(x + (grown * at.x - turn * at.y) / self.reach, y + (turn * at.x + grown * at.y) / self.reach)
    }

    fn error_px(&self, state: &[f64; 4], (from, to): &(Vector2<f64>, Vector2<f64>)) -> Vector2<f64> {
        self.shift(state, from - self.middle) - (to - from)
    }
}

impl LeastSquares for SimilarityFit<'_> {
    type State = [f64; 4];

    fn tangent_dim(&self) -> usize {
        4
    }

    fn block_count(&self) -> usize {
        self.followed.len()
    }

    fn block_rows(&self, _block: usize) -> usize {
        2
    }

    fn block_columns(&self, _block: usize) -> Vec<usize> {
        (0..4).collect()
    }

    fn evaluate(
        &self,
        state: &[f64; 4],
        block: usize,
        residual: &mut DVector<f64>,
        jacobian: Option<&mut DMatrix<f64>>,
    ) -> bool {
        residual.copy_from(&(self.error_px(state, &self.followed[block]) / PATCH_SD_PX));
        if let Some(jacobian) = jacobian {
            let at = (self.followed[block].0 - self.middle) / self.reach;
            let rows = [[1.0, 0.0, -at.y, at.x], [0.0, 1.0, at.x, at.y]];
            for (row, values) in rows.iter().enumerate() {
                values.iter().enumerate().for_each(|(column, value)| jacobian[(row, column)] = value / PATCH_SD_PX);
            }
        }
        true
    }

    fn step(&self, state: &[f64; 4], delta: &DVector<f64>) -> [f64; 4] {
        std::array::from_fn(|i| state[i] + delta[i])
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{SeedableRng, rngs::StdRng};
    use rand_distr::{Distribution, StandardNormal};

    const SIZE: [u32; 2] = [480, 320];

    /// Smooth noise of -1 to 1 that does not repeat, with features of some 14 px.
    fn texture(at: Vector2<f64>) -> f64 {
        let (column, row) = ((at.x / 14.0).floor(), (at.y / 14.0).floor());
        let smooth = |t: f64| t * t * (3.0 - 2.0 * t);
        let (u, v) = (smooth(at.x / 14.0 - column), smooth(at.y / 14.0 - row));
        let corner = |dx: f64, dy: f64| {
            let mut bits = ((column + dx + 500.0) * 1009.0 + row + dy + 500.0) as u64;
            for factor in [0xBF58_476D_1CE4_E5B9, 0x94D0_49BB_1331_11EB] {
                bits = (bits ^ (bits >> 30)).wrapping_mul(factor);
                bits ^= bits >> 27;
            }
            (bits >> 40) as f64 / f64::from(1 << 23) - 1.0
        };
        let top = corner(0.0, 0.0) * (1.0 - u) + corner(1.0, 0.0) * u;
        let bottom = corner(0.0, 1.0) * (1.0 - u) + corner(1.0, 1.0) * u;
        top * (1.0 - v) + bottom * v
    }

    /// A smooth made-up place, seen after a turn about the middle and a shift, with noise and a disc that moves by itself.
    fn seen(shift: [f64; 2], turn: f64, disc: [f64; 2], seed: u64) -> Vec<u8> {
        let mut random = StdRng::seed_from_u64(seed);
        let middle = Vector2::new(479.0, 319.0) / 2.0;
        (0..SIZE[0] * SIZE[1])
            .map(|index| {
                let px = Vector2::new(f64::from(index % SIZE[0]), f64::from(index / SIZE[0]));
                let back = px - middle - Vector2::from(shift);
                let at =
                    Vector2::new(turn.cos() * back.x + turn.sin() * back.y, -turn.sin() * back.x + turn.cos() * back.y);
                let waves = texture(at);
                let own =
                    if (px - Vector2::from(disc)).norm() < 60.0 { 60.0 * (px.x * 0.3).sin() } else { 70.0 * waves };
                let noise: f64 = StandardNormal.sample(&mut random);
                (128.0 + own + 2.0 * noise).clamp(0.0, 255.0) as u8
            })
            .collect()
    }

    #[test]
    fn shift_and_turn_are_found_whatever_moves_in_front() {
        let reference = seen([0.0, 0.0], 0.0, [150.0, 200.0], 1);
        let background = Background::new(&Grey { pixels: &reference, size_px: SIZE }).unwrap();
        for (number, (shift, turn)) in
            [([0.0, 0.0], 0.0), ([0.3, -0.2], 0.0), ([5.4, 2.7], 0.004), ([-23.0, 11.5], -0.01)].into_iter().enumerate()
        {
            let pixels = seen(shift, turn, [330.0, 150.0], 2 + number as u64);
            let found = background.shift_in(&Grey { pixels: &pixels, size_px: SIZE }).unwrap();
            println!("{shift:?} {turn}: {found:?}");
            assert!(found.middle_px.iter().zip(shift).all(|(found, own)| (found - own).abs() < 0.05), "{found:?}");
            assert!((found.turn_radians - turn).abs() < 3e-4 && found.grown.abs() < 3e-4);
            assert!(found.sd_px < 0.05);
            assert!((found.corner_px > 1.0) == (number >= 2));
        }
    }

    #[test]
    fn another_place_and_an_empty_one_are_not_compared() {
        let reference = seen([0.0, 0.0], 0.0, [150.0, 200.0], 1);
        let background = Background::new(&Grey { pixels: &reference, size_px: SIZE }).unwrap();
        let mut random = StdRng::seed_from_u64(9);
        let noise: Vec<u8> = (0..SIZE[0] * SIZE[1])
            .map(|_| {
                let draw: f64 = StandardNormal.sample(&mut random);
                (128.0 + 40.0 * draw).clamp(0.0, 255.0) as u8
            })
            .collect();
        assert!(background.shift_in(&Grey { pixels: &noise, size_px: SIZE }).is_none());
        assert!(background.shift_in(&Grey { pixels: &noise[..320 * 240], size_px: [320, 240] }).is_none());
        assert!(Background::new(&Grey { pixels: &vec![90; 480 * 320], size_px: SIZE }).is_none());
    }
}
