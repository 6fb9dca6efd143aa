//! The court's painted lines in a picture, to a fraction of a pixel.
//!
//! From a camera that stands about right, every line is projected and looked for along profiles across it: a bar that is
//! lighter (or, for a whole line, darker) than what is beside it and about as wide as expected. A bar that could be another
//! line is left alone, and so is what the net's band may hide. A fit of two blurred edges then says where the line is: where
//! it is wide, both its edges; where it is not much wider than the blur, its middle alone, because how wide a thin bar is cannot be
//! told from how light it is, so that its edges would come out where the fit supposes them.

use midline_geometry::{Intrinsics, RigidTransform};
use midline_session::court::{Court, LineEdge};
use nalgebra::{Matrix3, Point3, Vector2, Vector3};

use crate::Grey;
use crate::paint::{Paint, Profile, fit};

/// A place on a line of the court, as it is seen.
#[derive(Debug, Clone, PartialEq)]
pub struct SeenLine {
    /// Name of the painted line in the court model.
    pub line: String,
    /// What was measured: one of its edges, or its middle where it is too thin to tell them apart.
    pub edge: LineEdge,
    /// Where, px.
    pub px: [f64; 2],
    /// Standard deviation across the line against neighbouring places, px; what all places of a line in a picture have in common
    /// comes on top.
    pub sd_px: f64,
}

/// Distance of places along a line, px, and most places on one line.
const SPACING_PX: f64 = 8.0;
const MOST_PLACES: usize = 60;
/// Half the stretch along the line over which a profile is averaged, px.
const AVERAGED_PX: i32 = 3;
/// Distance of the values of a profile, px.
const STEP_PX: f64 = 0.5;
/// What a profile shows on both sides of the line for the fit, px.
const FLANK_PX: f64 = 6.0;
/// Lines narrower than this cannot be told from the ground's grain, px.
const NARROWEST_PX: f64 = 0.4;
/// Edges are told apart where a line is this many times as wide as its edges' blur, the blur taken for no less than this, px. On the
/// demo, whose blur is that of the pixels, edges of lines 0.5 to 1.5 px wide came out 0.1 to 0.17 px too far outside.
const BLURS_APART: f64 = 4.0;
const LEAST_BLUR_PX: f64 = 0.75;
/// Room kept to the border of the picture, px.
const RIM_PX: f64 = 2.0;
/// Least contrast, grey values, and in multiples of what the fit leaves.
const LEAST_CONTRAST: f64 = 8.0;
const LEAST_CONTRAST_TO_NOISE: f64 = 4.0;
/// A second bar this strong against the best leaves the question open.
const RIVAL_SHARE: f64 = 0.6;
/// Largest standard deviation of a place that is used, px.
const LARGEST_SD_PX: f64 = 0.7;
/// Places of a line farther from their neighbours' median than this are left out: px, and in median deviations.
const OFF_LINE_PX: f64 = 0.6;
const OFF_LINE_DEVIATIONS: f64 = 5.0;
/// Neighbours on each side that a place is held against.
const NEIGHBOURS: usize = 4;
/// Height of the net's band below its upper edge, and half the width of the strap, metres; both with a little room.
const BAND_M: f64 = 0.09;
const STRAP_M: f64 = 0.06;

/// Looks for the lines of a court within `reach_px` of where they are expected.
///
/// # Errors
/// None: an empty list where nothing is found, such as for pixels that do not fit the picture's size.
#[must_use]
pub fn court_lines(
    picture: &Grey,
    intrinsics: &Intrinsics,
    camera_from_court: &RigidTransform,
    court: &Court,
    reach_px: f64,
) -> Vec<SeenLine> {
    let Some(view) = View::new(picture, intrinsics, camera_from_court, court) else { return Vec::new() };
    let mut seen = Vec::new();
    for name in court.lines_m.keys() {
        let places = view.places(name);
        let found = consistent(view.found(&places, reach_px));
        for ((place, paint), scatter_px) in found.iter().zip(scatter_px(&found)) {
            seen.extend(edges(place, paint).iter().filter_map(|&edge| {
                let (across, own_sd_px) = paint.edge_px(side(edge));
                let sd_px = own_sd_px.max(scatter_px);
                let px = (place.middle_px + place.across * across).into();
                (sd_px < LARGEST_SD_PX).then(|| SeenLine { line: name.clone(), edge, px, sd_px })
            }));
        }
    }
    seen
}

fn side(edge: LineEdge) -> f64 {
    match edge {
        LineEdge::Low => -1.0,
        LineEdge::Middle => 0.0,
        LineEdge::High => 1.0,
    }
}

/// What can be measured at a place.
fn edges(place: &Place, paint: &Paint) -> &'static [LineEdge] {
    let apart = place.width_px.min(paint.width_px) > BLURS_APART * paint.blur_px.max(LEAST_BLUR_PX);
    // Of a line whose middle the rules fix, the edges tell no more.
    if apart && place.edge != LineEdge::Middle { &[LineEdge::Low, LineEdge::High] } else { &[LineEdge::Middle] }
}

/// For each place of a line how far the middles around it scatter about a parabola along the line, px: the fit of one profile knows its
/// own noise, not what the grid of pixels makes of a line that is thinner than they are. 0 for few places.
fn scatter_px(found: &[(Place, Paint)]) -> Vec<f64> {
    const LEAST: usize = 2 * NEIGHBOURS;
    let count = found.len();
    if count < LEAST {
        return vec![0.0; count];
    }
    let at = |index: usize| 2.0 * index as f64 / (count - 1) as f64 - 1.0;
    let powers = |index: usize| Vector3::new(1.0, at(index), at(index).powi(2));
    let (mut normal, mut right) = (Matrix3::zeros(), Vector3::zeros());
    for (index, (_, paint)) in found.iter().enumerate() {
        normal += powers(index) * powers(index).transpose();
        right += powers(index) * paint.centre_px;
    }
    let Some(factor) = normal.cholesky() else { return vec![0.0; count] };
    let parabola = factor.solve(&right);
    let squares: Vec<f64> =
        found.iter().enumerate().map(|(i, (_, p))| (p.centre_px - parabola.dot(&powers(i))).powi(2)).collect();
    (0..count)
        .map(|index| {
            let around = &squares[index.saturating_sub(NEIGHBOURS)..(index + NEIGHBOURS + 1).min(count)];
            (around.iter().sum::<f64>() / around.len() as f64).sqrt()
        })
        .collect()
}

/// The median of pictures of one size and form, byte by byte: what moves is gone where it covers less than half of them.
/// `None` without pictures or when their sizes differ.
#[must_use]
pub fn median_picture(pictures: &[&[u8]]) -> Option<Vec<u8>> {
    let length = pictures.first()?.len();
    if pictures.iter().any(|picture| picture.len() != length) {
        return None;
    }
    let mut column = vec![0_u8; pictures.len()];
    let mut median = |index: usize| {
        for (value, picture) in column.iter_mut().zip(pictures) {
            *value = picture[index];
        }
        let middle = column.len() / 2;
        *column.select_nth_unstable(middle).1
    };
    Some((0..length).map(&mut median).collect())
}

/// A place on a line where it is looked for.
#[derive(Debug, Clone)]
struct Place {
    /// The edge whose place the rules fix.
    edge: LineEdge,
    middle_px: Vector2<f64>,
    /// Unit vector from the low edge to the high edge in the picture, across the line.
    across: Vector2<f64>,
    width_px: f64,
    /// Distances across, px, of other painted things nearby.
    others_px: Vec<f64>,
}

struct View<'a> {
    picture: &'a Grey<'a>,
    intrinsics: &'a Intrinsics,
    camera_from_court: &'a RigidTransform,
    court: &'a Court,
    eye: Point3<f64>,
    /// Largest tangent of the angle to the axis that the picture shows: beyond, a lens polynomial may fold back.
    widest: f64,
}

impl<'a> View<'a> {
    fn new(
        picture: &'a Grey<'a>,
        intrinsics: &'a Intrinsics,
        camera_from_court: &'a RigidTransform,
        court: &'a Court,
    ) -> Option<Self> {
        let [width, height] = picture.size_px;
        if picture.pixels.len() as u64 != u64::from(width) * u64::from(height) || intrinsics.size_px != picture.size_px
        {
            return None;
        }
        let [right, bottom] = picture.size_px.map(|side| f64::from(side) - 1.0);
        let corners = [[0.0, 0.0], [right, 0.0], [0.0, bottom], [right, bottom]];
        let widest = corners
            .iter()
            .filter_map(|px| Some(intrinsics.normalised_from_px(Vector2::from(*px)).ok()?.norm()))
            .fold(0.0, f64::max);
        let eye = camera_from_court.inverse_transform_point(&Point3::origin());
        Some(Self { picture, intrinsics, camera_from_court, court, eye, widest })
    }

    fn project(&self, point: &Point3<f64>) -> Option<Vector2<f64>> {
        let seen = (self.camera_from_court * point).coords;
        if seen.z <= 0.0 || seen.x.hypot(seen.y) > 1.02 * self.widest * seen.z {
            return None;
        }
        self.intrinsics.project(&seen).filter(|px| self.picture.contains((*px).into(), RIM_PX))
    }

    /// The places of a line that the picture shows, in order along it.
    fn places(&self, name: &str) -> Vec<Place> {
        let ends = |edge| self.court.line_ends_m(name, edge).map(|ends| ends.map(Point3::from));
        let (Some(edge), Some(middle), Some(low), Some(high)) =
            (self.court.measured_edge(name), ends(LineEdge::Middle), ends(LineEdge::Low), ends(LineEdge::High))
        else {
            return Vec::new();
        };
        let at = |[from, to]: &[Point3<f64>; 2], share: f64| from + (to - from) * share;
        // A coarse walk in equal steps of the court, then places in about equal steps of the picture.
        const COARSE: usize = 400;
        let walk: Vec<(f64, Vector2<f64>)> = (0..=COARSE)
            .map(|i| (i as f64 + 0.5) / (COARSE as f64 + 1.0))
            .filter_map(|share| Some((share, self.project(&at(&middle, share))?)))
            .collect();
        let length: f64 = walk.windows(2).map(|w| (w[1].1 - w[0].1).norm()).sum();
        let spacing = SPACING_PX.max(length / MOST_PLACES as f64);
        let mut places = Vec::new();
        let mut gone = spacing / 2.0;
        for pair in walk.windows(2) {
            let step = (pair[1].1 - pair[0].1).norm();
            let mut next = spacing - gone;
            while next <= step {
                let share = pair[0].0 + (pair[1].0 - pair[0].0) * next / step;
                let along_m = at(&middle, (share + 1e-4).min(1.0)) - at(&middle, share);
                places.extend(self.place(
                    name,
                    edge,
                    [at(&low, share), at(&middle, share), at(&high, share)],
                    &along_m.normalize(),
                ));
                next += spacing;
            }
            gone = step - (next - spacing);
        }
        places
    }

    fn place(&self, name: &str, edge: LineEdge, points: [Point3<f64>; 3], along_m: &Vector3<f64>) -> Option<Place> {
        let [low, middle, high] = points.each_ref().map(|p| self.project(p));
        let (low_px, middle_px, high_px) = (low?, middle?, high?);
        let tangent = (self.project(&(points[1] + along_m * 0.02))? - middle_px).try_normalize(1e-6)?;
        let turned = Vector2::new(-tangent.y, tangent.x);
        let across = if turned.dot(&(high_px - low_px)) < 0.0 { -turned } else { turned };
        let width_px = across.dot(&(high_px - low_px));
        if width_px < NARROWEST_PX || self.hidden_by_net(&points[1]) {
            return None;
        }
        let others_px = self.others(name, &middle_px, &across);
        Some(Place { edge, middle_px, across, width_px, others_px })
    }

    /// Whether the net's band or strap, or its upper edge, lies before a point of the ground.
    fn hidden_by_net(&self, point: &Point3<f64>) -> bool {
        self.court.net_top_m.windows(2).any(|pair| {
            let [a, b] = [Point3::from(pair[0]), Point3::from(pair[1])];
            let sight = point - self.eye;
            // The net hangs in the vertical plane through its ends.
            let normal = (b - a).cross(&Vector3::z());
            let towards = sight.dot(&normal);
            if towards.abs() < 1e-9 {
                return false;
            }
            let share = (a - self.eye).dot(&normal) / towards;
            if !(0.0..1.0).contains(&share) {
                return false;
            }
            let at = self.eye + sight * share;
            let along = (at - a).xy().dot(&(b - a).xy()) / (b - a).xy().norm_squared();
            let top = a.z + (b.z - a.z) * along;
            let band = (top - at.z).abs() < BAND_M;
            let strap = at.x.hypot(at.y - a.y) < STRAP_M || [a, b].iter().any(|end| (at - end).xy().norm() < STRAP_M);
            (-0.02..=1.02).contains(&along) && at.z < top + BAND_M && (band || strap)
        })
    }

    /// Where other lines and the net's upper edge cross the profile, px.
    fn others(&self, name: &str, middle_px: &Vector2<f64>, across: &Vector2<f64>) -> Vec<f64> {
        let mut found = Vec::new();
        let mut meet = |from: &Point3<f64>, to: &Point3<f64>| {
            // In pieces, since the lens bends what is straight.
            const PIECES: usize = 40;
            let points = (0..=PIECES).map(|i| self.project(&(from + (to - from) * (i as f64 / PIECES as f64))));
            let points: Vec<Option<Vector2<f64>>> = points.collect();
            for pair in points.windows(2) {
                let [Some(a), Some(b)] = pair else { continue };
                let along = Vector2::new(across.y, -across.x);
                let (from, to) = ((a - middle_px).dot(&along), (b - middle_px).dot(&along));
                if (from > 0.0) != (to > 0.0) {
                    let share = from / (from - to);
                    found.push((a + (b - a) * share - middle_px).dot(across));
                }
            }
        };
        for other in self.court.lines_m.keys().filter(|other| *other != name) {
            if let Some([from, to]) = self.court.line_ends_m(other, LineEdge::Middle) {
                meet(&Point3::from(from), &Point3::from(to));
            }
        }
        for pair in self.court.net_top_m.windows(2) {
            let lower = |p: [f64; 3]| Point3::new(p[0], p[1], p[2] - BAND_M / 2.0);
            meet(&lower(pair[0]), &lower(pair[1]));
        }
        found
    }

    /// Grey values across a place, averaged along the line; `None` where the profile leaves the picture.
    fn profile(&self, place: &Place, from_px: f64, to_px: f64) -> Option<Profile> {
        let along = Vector2::new(place.across.y, -place.across.x);
        let count = ((to_px - from_px) / STEP_PX).round() as usize;
        let value = |index: usize| {
            let at = place.middle_px + place.across * (from_px + STEP_PX * index as f64);
            let mut sum = 0.0;
            for offset in -AVERAGED_PX..=AVERAGED_PX {
                sum += self.picture.at((at + along * f64::from(offset)).into())?;
            }
            Some(sum / f64::from(2 * AVERAGED_PX + 1))
        };
        let values = (0..=count).map(value).collect::<Option<Vec<f64>>>()?;
        Some(Profile { start_px: from_px, step_px: STEP_PX, values })
    }

    /// The line at its places, where it is seen.
    fn found(&self, places: &[Place], reach_px: f64) -> Vec<(Place, Paint)> {
        let bars: Vec<(&Place, [Option<f64>; 2])> = places
            .iter()
            // Another painted thing within reach could be taken for this one.
            .filter(|place| place.others_px.iter().all(|other| other.abs() > 2.0 * reach_px.min(12.0) + place.width_px))
            .filter_map(|place| {
                let room = reach_px + place.width_px / 2.0 + FLANK_PX;
                let profile = self.profile(place, -room, room)?;
                Some((place, [1.0, -1.0].map(|sign| bar(&profile, place.width_px, reach_px, sign))))
            })
            .collect();
        // A line is light all along, or dark all along.
        let light = bars.iter().filter(|(_, found)| found[0].is_some()).count();
        let dark = bars.iter().filter(|(_, found)| found[1].is_some()).count();
        let (which, sign) = if light >= dark { (0, 1.0) } else { (1, -1.0) };
        bars.into_iter()
            .filter_map(|(place, found)| {
                let centre = found[which]?;
                let half = place.width_px / 2.0 + FLANK_PX;
                let paint = fit(&self.profile(place, centre - half, centre + half)?, centre, place.width_px)?;
                let contrast = sign * paint.contrast();
                let clear = contrast > LEAST_CONTRAST && contrast > LEAST_CONTRAST_TO_NOISE * paint.noise;
                let near = (paint.centre_px - centre).abs() < 1.0 + place.width_px / 2.0;
                (clear && near).then(|| (place.clone(), paint))
            })
            .collect()
    }
}

/// Middle of the one bar of about this width within reach; `None` without one, or where two could be meant.
fn bar(profile: &Profile, width_px: f64, reach_px: f64, sign: f64) -> Option<f64> {
    // Sums of the values up to each index make means over stretches cheap.
    let mut sums = vec![0.0];
    for value in &profile.values {
        sums.push(sums[sums.len() - 1] + value * sign);
    }
    let index = |px: f64| ((px - profile.start_px) / profile.step_px).round().max(0.0) as usize;
    let mean = |from: f64, to: f64| {
        let (from, to) = (index(from), index(to) + 1);
        (to < sums.len() && from < to).then(|| (sums[to] - sums[from]) / (to - from) as f64)
    };
    let half = (width_px / 2.0).max(0.5);
    let flank = width_px.clamp(1.5, FLANK_PX - 2.0);
    let score = |at: f64| -> Option<f64> {
        let inside = mean(at - 0.7 * half, at + 0.7 * half)?;
        let before = mean(at - half - 1.0 - flank, at - half - 1.0)?;
        let after = mean(at + half + 1.0, at + half + 1.0 + flank)?;
        Some(inside - before.max(after))
    };
    let count = (2.0 * reach_px / STEP_PX).floor() as usize;
    let scores: Vec<(f64, f64)> = (0..=count)
        .filter_map(|i| {
            let at = -reach_px + STEP_PX * i as f64;
            Some((at, score(at)?))
        })
        .collect();
    let (best_at, best) = scores.iter().copied().max_by(|a, b| a.1.total_cmp(&b.1))?;
    let rival = scores.iter().filter(|(at, _)| (at - best_at).abs() > width_px + 2.0).map(|s| s.1).fold(0.0, f64::max);
    // At the end of the reach it may go on rising.
    let inside = best_at.abs() < reach_px - STEP_PX / 2.0;
    (inside && best > LEAST_CONTRAST && rival < RIVAL_SHARE * best).then_some(best_at)
}

/// Places that lie on one line with their neighbours.
fn consistent(found: Vec<(Place, Paint)>) -> Vec<(Place, Paint)> {
    let offsets: Vec<f64> = found.iter().map(|(_, paint)| paint.centre_px).collect();
    let median = |mut values: Vec<f64>| {
        values.sort_by(f64::total_cmp);
        values.get(values.len() / 2).copied()
    };
    let off = |index: usize| {
        let around = index.saturating_sub(NEIGHBOURS)..(index + NEIGHBOURS + 1).min(offsets.len());
        let own = median(around.filter(|i| *i != index).map(|i| offsets[i]).collect())?;
        Some((offsets[index] - own).abs())
    };
    let offs: Vec<Option<f64>> = (0..offsets.len()).map(off).collect();
    let usual = median(offs.iter().flatten().copied().collect()).unwrap_or(0.0);
    let limit = OFF_LINE_PX.max(OFF_LINE_DEVIATIONS * usual);
    found.into_iter().zip(offs).filter(|(_, off)| off.is_some_and(|off| off <= limit)).map(|(found, _)| found).collect()
}
