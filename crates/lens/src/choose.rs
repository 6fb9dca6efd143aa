//! Choosing the views that are worth calibrating with.

use midline_session::board::BoardView;
use nalgebra::Vector2;

/// Sightings further apart than this say nothing about how still the board was, in seconds.
const NEIGHBOUR_SECONDS: f64 = 0.25;
/// Exposure assumed to turn motion into smear, in seconds; common indoors.
const EXPOSURE_SECONDS: f64 = 1.0 / 60.0;
/// A view may be this many times as blurred as the sharpest tenth.
const BLUR_ALLOWED: f64 = 1.5;
/// Smear in pixels that is always let through.
const SMEAR_ALLOWED_PX: f64 = 0.5;
/// Distance to the views chosen, in units of [`Place`], below which a view adds nothing.
const SAME_PLACE: f64 = 0.04;

/// Where and how a board is seen, each entry about 0 to 1 over what is useful: middle of the board as a share of the picture,
/// logarithm of its size, two entries for its shape and two for how its corners crowd toward the far side.
type Place = [f64; 7];

/// Indices of at most `most` views, in ascending order: sharp, still (little motion to the sightings before and after), and
/// spread over places, sizes and tilts.
///
/// Blurred and moving views are put aside first, then the views are chosen one by one, each as far as possible from those
/// chosen (Gonzalez 1985), the sharpest first. Fewer come back when the rest would only repeat what is there. Views with
/// fewer than four corners, or not finite, are never chosen.
#[must_use]
pub fn choose_views(views: &[BoardView], size_px: [u32; 2], most: usize) -> Vec<usize> {
    let candidates: Vec<Candidate> = views
        .iter()
        .enumerate()
        .filter_map(|(index, view)| {
            Some(Candidate {
                index,
                place: place(view, size_px)?,
                edge_px: view.edge_width_px,
                smear_px: smear_px(views, index),
            })
        })
        .collect();
    let sharp = tenth(candidates.iter().filter_map(|c| c.edge_px).collect());
    let still = tenth(candidates.iter().filter_map(|c| c.smear_px).collect()).map(|t| t.max(SMEAR_ALLOWED_PX));
    let good: Vec<Candidate> =
        candidates.into_iter().filter(|c| within(c.edge_px, sharp) && within(c.smear_px, still)).collect();
    let Some(first) = (0..good.len()).min_by(|&a, &b| good[a].blur_px().total_cmp(&good[b].blur_px())) else {
        return Vec::new();
    };
    let mut chosen = Vec::new();
    let mut nearest: Vec<f64> = vec![f64::INFINITY; good.len()];
    let mut next = Some(first);
    while let Some(pick) = next.filter(|_| chosen.len() < most) {
        chosen.push(good[pick].index);
        for (distance, candidate) in nearest.iter_mut().zip(&good) {
            *distance = distance.min(separation(&candidate.place, &good[pick].place));
        }
        next = (0..good.len())
            .max_by(|&a, &b| nearest[a].total_cmp(&nearest[b]))
            .filter(|&farthest| nearest[farthest] > SAME_PLACE);
    }
    chosen.sort_unstable();
    chosen
}

struct Candidate {
    index: usize,
    place: Place,
    edge_px: Option<f64>,
    smear_px: Option<f64>,
}

impl Candidate {
    fn blur_px(&self) -> f64 {
        self.edge_px.unwrap_or(0.0) + self.smear_px.unwrap_or(0.0)
    }
}

fn within(value: Option<f64>, best: Option<f64>) -> bool {
    match (value, best) {
        (Some(value), Some(best)) => value <= BLUR_ALLOWED * best,
        _ => true,
    }
}

/// The value that a tenth of the values do not exceed.
fn tenth(mut values: Vec<f64>) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 10).copied()
}

/// Smear during an exposure, px: mean motion of the corners to the sighting before or after, the larger of both; `None`
/// without neighbours in time.
fn smear_px(views: &[BoardView], index: usize) -> Option<f64> {
    let speeds = neighbours(views, index).filter_map(|there| {
        let moved: Vec<f64> =
            velocities_between(&views[index], there).into_iter().flatten().map(|v| v.norm()).collect();
        (!moved.is_empty()).then(|| moved.iter().sum::<f64>() / moved.len() as f64)
    });
    speeds.reduce(f64::max).map(|speed| speed * EXPOSURE_SECONDS)
}

/// Velocity of each corner of a view, px/s: the mean of those from the sighting before and to the sighting after, or one of
/// them; `None` for a corner that neither has.
pub(crate) fn velocities_px_per_second(views: &[BoardView], index: usize) -> Vec<Option<Vector2<f64>>> {
    let here = &views[index];
    let mut sums = vec![(Vector2::zeros(), 0_u32); here.corners_px.len()];
    for there in neighbours(views, index) {
        for ((sum, count), velocity) in sums.iter_mut().zip(velocities_between(here, there)) {
            if let Some(velocity) = velocity {
                *sum += velocity;
                *count += 1;
            }
        }
    }
    sums.into_iter().map(|(sum, count)| (count > 0).then(|| sum / f64::from(count))).collect()
}

/// The sightings next in time, near enough to tell motion.
fn neighbours(views: &[BoardView], index: usize) -> impl Iterator<Item = &BoardView> {
    let here = views[index].pts_seconds;
    let near = move |view: &&BoardView| {
        let seconds = (view.pts_seconds - here).abs();
        seconds > 0.0 && seconds <= NEIGHBOUR_SECONDS
    };
    let before = index.checked_sub(1).and_then(|before| views.get(before));
    before.into_iter().chain(views.get(index + 1)).filter(near)
}

/// Velocity of each corner of `here`, px/s, from the same corner in another sighting.
fn velocities_between(here: &BoardView, there: &BoardView) -> Vec<Option<Vector2<f64>>> {
    let seconds = there.pts_seconds - here.pts_seconds;
    let mut others = there.corner_indices().zip(&there.corners_px).peekable();
    here.corner_indices()
        .zip(&here.corners_px)
        .map(|(corner, a)| {
            while others.next_if(|(other, _)| *other < corner).is_some() {}
            let (_, b) = others.next_if(|(other, _)| *other == corner)?;
            Some((Vector2::from(*b) - Vector2::from(*a)) / seconds)
        })
        .collect()
}

/// The place of a view from the moments of its corners: a tilted board is seen shortened and with its corners crowded toward
/// the far side.
fn place(view: &BoardView, size_px: [u32; 2]) -> Option<Place> {
    let corners = &view.corners_px;
    if corners.len() < 4 || corners.iter().flatten().any(|v| !v.is_finite()) {
        return None;
    }
    let count = corners.len() as f64;
    let mean = |f: &dyn Fn(f64, f64) -> f64| corners.iter().map(|c| f(c[0], c[1])).sum::<f64>() / count;
    let (x, y) = (mean(&|x, _| x), mean(&|_, y| y));
    let (sxx, syy) = (mean(&|u, _| (u - x).powi(2)), mean(&|_, v| (v - y).powi(2)));
    let sxy = mean(&|u, v| (u - x) * (v - y));
    let area = (sxx * syy - sxy * sxy).max(0.0).sqrt();
    if area <= 0.0 {
        return None;
    }
    let [width, height] = size_px.map(f64::from);
    Some([
        x / width,
        y / height,
        // A factor of four in size counts like the width of the picture.
        (area / (width * height)).ln() / 16f64.ln(),
        // The two components of the shape of the scatter: a tilt of 45° about an axis changes them by about 0.35.
        (sxx - syy) / (sxx + syy),
        2.0 * sxy / (sxx + syy),
        // Skewness tells a tilt to one side from the same tilt to the other.
        mean(&|u, _| (u - x).powi(3)) / sxx.powf(1.5),
        mean(&|_, v| (v - y).powi(3)) / syy.powf(1.5),
    ])
}

fn separation(a: &Place, b: &Place) -> f64 {
    a.iter().zip(b).map(|(u, v)| (u - v).powi(2)).sum::<f64>().sqrt()
}
