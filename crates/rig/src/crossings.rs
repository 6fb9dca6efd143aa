//! Crossings of the court lines on which pixels were marked: starts for a camera whose court points are too few.

use midline_geometry::Intrinsics;
use nalgebra::{Matrix2, Point3, Vector2, Vector3};

use crate::court_pose::FEWEST_POINTS;
use crate::input::{CourtPoints, Observed, OnLine};

/// Lines that meet at less than this in the picture have no crossing worth using, as a sine.
const LEAST_SINE: f64 = 0.1;

/// How far outside the picture a crossing may lie, as a share of its size.
const OUTSIDE_SHARE: f64 = 0.5;

/// Shortest stretch of a line that is extended to a crossing, px, and how many of its own lengths a crossing may be away.
const LEAST_STRETCH_PX: f64 = 60.0;
const FARTHEST_STRETCHES: f64 = 1.5;

/// A line of the court with where it is in the undistorted picture.
struct Fitted<'a> {
    on: &'a OnLine,
    centre: Vector2<f64>,
    direction: Vector2<f64>,
    /// Length of the stretch that the points cover.
    length: f64,
}

/// The marked points; where they are too few, with the crossings of the marked lines.
pub(crate) fn with_crossings(intrinsics: &Intrinsics, points: &CourtPoints, lines: &[OnLine]) -> CourtPoints {
    let mut all = points.clone();
    if points.names.len() >= FEWEST_POINTS {
        return all;
    }
    let mut fitted: Vec<Fitted> = Vec::new();
    for on in lines {
        if fitted.iter().any(|f| f.on.ends == on.ends) {
            continue;
        }
        let same = lines.iter().filter(|other| other.ends == on.ends);
        let seen: Vec<Vector2<f64>> = same.filter_map(|p| intrinsics.normalised_from_px(p.px).ok()).collect();
        let long = |f: &Fitted| f.length * intrinsics.focal_px[0] >= LEAST_STRETCH_PX;
        fitted.extend(fit(on, &seen).filter(long));
    }
    let [width, height] = intrinsics.size_px.map(f64::from);
    let inside = |value: f64, size: f64| (-OUTSIDE_SHARE * size..(1.0 + OUTSIDE_SHARE) * size).contains(&value);
    for (index, a) in fitted.iter().enumerate() {
        for b in &fitted[..index] {
            let Some(point) = on_court(a.on, b.on) else { continue };
            if (a.direction.perp(&b.direction)).abs() < LEAST_SINE {
                continue;
            }
            let Some(seen) = meet(&a.centre, &a.direction, &b.centre, &b.direction) else { continue };
            let near = |line: &Fitted| (seen - line.centre).norm() <= FARTHEST_STRETCHES * line.length;
            if !(near(a) && near(b)) {
                continue;
            }
            let Some(px) = intrinsics.project(&Vector3::new(seen.x, seen.y, 1.0)) else { continue };
            if inside(px.x, width) && inside(px.y, height) {
                all.names.push(format!("crossing of {} and {}", b.on.line, a.on.line));
                all.observed.push(Observed { point, px });
            }
        }
    }
    all
}

/// Total least squares; `None` for fewer than two points.
fn fit<'a>(on: &'a OnLine, seen: &[Vector2<f64>]) -> Option<Fitted<'a>> {
    if seen.len() < 2 {
        return None;
    }
    let centre = seen.iter().sum::<Vector2<f64>>() / seen.len() as f64;
    let scatter: Matrix2<f64> = seen.iter().map(|p| (p - centre) * (p - centre).transpose()).sum();
    let eigen = scatter.symmetric_eigen();
    let longest = eigen.eigenvalues.imax();
    let direction = eigen.eigenvectors.column(longest).into_owned();
    let along = |p: &Vector2<f64>| (p - centre).dot(&direction);
    let (least, most) = seen.iter().map(along).fold((0.0_f64, 0.0_f64), |(l, m), a| (l.min(a), m.max(a)));
    (most - least > 1e-6).then_some(Fitted { on, centre, direction, length: most - least })
}

fn on_court(a: &OnLine, b: &OnLine) -> Option<Point3<f64>> {
    let [first, second] = [a, b].map(|on| (on.ends[0].coords.xy(), on.direction().xy()));
    let met = meet(&first.0, &first.1, &second.0, &second.1)?;
    Some(Point3::new(met.x, met.y, 0.0))
}

/// Where two lines of the plane meet; `None` when they are parallel.
fn meet(a: &Vector2<f64>, along_a: &Vector2<f64>, b: &Vector2<f64>, along_b: &Vector2<f64>) -> Option<Vector2<f64>> {
    let sine = along_a.perp(along_b);
    (sine.abs() > 1e-6).then(|| a + along_a * ((b - a).perp(along_b) / sine))
}
