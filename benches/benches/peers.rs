//! Speed claims as ratios against OpenCV in the same run: intrinsics of one camera, and points from two views.
//!
//! Both sides of a comparison get the same simulated corners or points and must come to the same result, else the run
//! fails. OpenCV's functions are those of `midline_vision::reference`, whose stopping rules let them converge; the
//! version is that of the installed library, and versions differ much. Our intrinsics come with their covariance and
//! with the error of views left out of the fit, for which the fit is repeated five times; `calibrateCamera` gives
//! deviations only.
//!
//! Our points are those of least reprojection error, with covariance and the checks that refuse a point which is not one.
//! `triangulatePoints` gives the least algebraic error by a singular value decomposition, without covariance or checks. With
//! distortion its pixels go through `undistortPoints`, which here iterates until it has converged, as ours does. The five iterations
//! of its default take some 0.1 µs a pixel instead, nearly exact in the middle of the picture and not in its corners: the second
//! ratio is one between converged results, not what its default would give.

use std::error::Error;
use std::thread::available_parallelism;

use midline_benches::scene::{NOISE_PX, PHONE, SIZE_PX, board, board_views, seen_points, two_cameras};
use midline_benches::timing::{Comparison, compare, compare_once};
use midline_geometry::{Camera, Intrinsics, LensModel};
use midline_lens::{LensSettings, calibrate};
use midline_session::board::BoardView;
use midline_triangulation::{Pair, Triangulated, TriangulationError};
use midline_vision::reference::{LensFlags, calibrate_camera, triangulate_points, undistort_points};
use nalgebra::{Matrix3, Matrix3x4, Point3, Vector3};

type Outcome<T> = Result<T, Box<dyn Error>>;

const POINTS: usize = 20_000;

fn main() -> Outcome<()> {
    let cores = available_parallelism().map_or(1, usize::from);
    let built = if cfg!(debug_assertions) { "with debug assertions" } else { "optimised" };
    println!("{} {}, {cores} cores, built {built}", std::env::consts::OS, std::env::consts::ARCH);
    println!("{:<42} {:>10} {:>11} {:>7} {:>14} {:>5}", "work", "ours", "OpenCV", "ratio", "(least, most)", "aim");
    points("20 000 points of two views, no distortion", Intrinsics { model: LensModel::Pinhole, ..PHONE })?;
    points("20 000 points of two views, distorted", PHONE)?;
    if std::env::args().any(|argument| argument == "--points") {
        return Ok(());
    }
    intrinsics(80, 5, 20.0)?;
    // Minutes of OpenCV's time, so only when asked for: `cargo bench … -- --large`.
    if std::env::args().any(|argument| argument == "--large") {
        intrinsics(320, 1, 80.0)?;
    }
    growth()
}

fn print(work: &str, found: &Comparison, aim: f64, agreement: &str) {
    let ms = |d: std::time::Duration| format!("{:.2} ms", d.as_secs_f64() * 1e3);
    let spread = format!("({:.1}, {:.1})", found.spread[0], found.spread[1]);
    let [ours, peer] = [ms(found.ours), ms(found.peer)];
    let verdict = if found.ratio() >= aim { "reached" } else { "missed" };
    println!("{work:<42} {ours:>10} {peer:>11} {:>6.1}x {spread:>14} {aim:>4.0}x {verdict}", found.ratio());
    println!("    median of {} turns; {agreement}", found.turns);
}

/// Views of 54 corners, Brown-Conrady with all parameters free.
fn intrinsics(count: usize, turns: usize, aim: f64) -> Outcome<()> {
    let (board, views) = (board(), board_views(count, 1));
    let corners: Vec<Vec<[f64; 2]>> = views.iter().map(|v| v.corners_px.clone()).collect();
    let settings = LensSettings { corner_sd_px: NOISE_PX, ..LensSettings::default() };
    let ours = || -> Outcome<_> { Ok(calibrate("phone", &board, &views, SIZE_PX, &settings)?) };
    let peer = || -> Outcome<_> { Ok(calibrate_camera(&board, &corners, SIZE_PX, LensFlags::default())?) };
    let found = if turns == 1 { compare_once(ours, peer)? } else { compare(turns, ours, peer)? };
    let (a, b) = (ours()?, peer()?);
    let apart = farthest_px(&a.intrinsics, &b.intrinsics);
    if apart > 0.01 {
        return Err(format!("the two lenses differ by {apart:.4} px inside the picture").into());
    }
    let agreement =
        format!("lenses at most {apart:.5} px apart in the picture, rms {:.5} and {:.5} px", a.rms_px, b.rms_px);
    print(&format!("intrinsics, {count} views of 54 corners"), &found, aim, &agreement);
    Ok(())
}

/// How the time of ours grows from 100 to 1000 views; ten times is linear. OpenCV's is left out, it takes too long here.
fn growth() -> Outcome<()> {
    let (board, settings) = (board(), LensSettings { corner_sd_px: NOISE_PX, ..LensSettings::default() });
    let [few, many] = [100, 1000].map(|count| board_views(count, 1));
    let run = |views: &[BoardView]| -> Outcome<_> { Ok(calibrate("phone", &board, views, SIZE_PX, &settings)?) };
    let found = compare(3, || run(&few), || run(&many))?;
    let ms = [found.ours, found.peer].map(|d| d.as_secs_f64() * 1e3);
    println!(
        "intrinsics, from 100 to 1000 views: {:.0} ms to {:.0} ms, {:.1}-fold; aim 10-fold",
        ms[0],
        ms[1],
        found.ratio()
    );
    Ok(())
}

/// Largest distance between the pixels of the same ray over a grid of rays that fill the picture.
fn farthest_px(a: &Intrinsics, b: &Intrinsics) -> f64 {
    let grid = |side: u32| (0..=16).map(move |i| f64::from(side) * f64::from(i) / 16.0);
    let pixels = grid(SIZE_PX[0]).flat_map(|x| grid(SIZE_PX[1]).map(move |y| [x, y]));
    pixels
        .filter_map(|px| {
            let ray = a.normalised_from_px(px.into()).ok()?;
            let ray = Vector3::new(ray.x, ray.y, 1.0);
            Some((a.project(&ray)? - b.project(&ray)?).norm())
        })
        .fold(0.0, f64::max)
}

/// Points of two views on one thread.
fn points(work: &str, lens: Intrinsics) -> Outcome<()> {
    let cameras = two_cameras(lens);
    let seen = seen_points(&cameras, POINTS, 2);
    let mut list = Vec::new();
    let ours_again = || -> Outcome<_> {
        ours(&cameras, &seen.px, &mut list);
        Ok(())
    };
    let peer = || peer(&cameras, &seen.px);
    let found = compare(9, ours_again, peer)?;
    let (a, b) = (list.into_iter().collect::<Result<Vec<_>, _>>()?, peer()?);
    // The peer minimises an algebraic error, so that the two differ by a part of their common error.
    let sd = rms(a.iter().map(|p| p.covariance.trace().sqrt()));
    let apart = rms(a.iter().zip(&b).filter_map(|(a, b)| Some((a.position - (*b)?).norm())));
    let error = rms(a.iter().zip(&seen.truth).map(|(a, truth)| (a.position - truth).norm()));
    if apart > sd || b.iter().any(Option::is_none) {
        return Err(format!("the two sets of points differ by {:.3} mm", apart * 1e3).into());
    }
    let [apart, error, sd] = [apart, error, sd].map(|m| m * 1e3);
    let agreement = format!("points {apart:.4} mm apart (rms), error {error:.3} mm, predicted {sd:.3} mm");
    print(work, &found, 10.0, &agreement);
    Ok(())
}

/// Our list of points is used again in each turn; making OpenCV's anew is a few per cent of its time.
fn ours(cameras: &[Camera; 2], px: &[Vec<[f64; 2]>; 2], found: &mut Vec<Result<Triangulated, TriangulationError>>) {
    let pair = Pair::new([&cameras[0], &cameras[1]]);
    let seen = px[0].iter().zip(&px[1]).map(|(a, b)| ([(*a).into(), (*b).into()], [NOISE_PX; 2]));
    pair.triangulate_into(seen, found);
}

/// Undistorts where there is distortion; a lens without any goes into the projection matrix.
fn peer(cameras: &[Camera; 2], px: &[Vec<[f64; 2]>; 2]) -> Outcome<Vec<Option<Point3<f64>>>> {
    let pose =
        |camera: &Camera| -> Matrix3x4<f64> { camera.camera_from_world.to_matrix().fixed_view::<3, 4>(0, 0).into() };
    if cameras.iter().all(|c| c.intrinsics.model == LensModel::Pinhole) {
        let [a, b] = cameras.each_ref().map(|c| lens_matrix(&c.intrinsics) * pose(c));
        return Ok(triangulate_points([&a, &b], [&px[0], &px[1]])?);
    }
    let normalised = |i: usize| undistort_points(&px[i], &cameras[i].intrinsics);
    let [a, b] = cameras.each_ref().map(pose);
    Ok(triangulate_points([&a, &b], [&normalised(0)?, &normalised(1)?])?)
}

fn lens_matrix(lens: &Intrinsics) -> Matrix3<f64> {
    let ([fx, fy], [cx, cy]) = (lens.focal_px, lens.centre_px);
    Matrix3::new(fx, 0.0, cx, 0.0, fy, cy, 0.0, 0.0, 1.0)
}

fn rms(values: impl Iterator<Item = f64>) -> f64 {
    let (sum, count) = values.fold((0.0, 0.0), |(sum, count), v| (sum + v * v, count + 1.0));
    (sum / count).sqrt()
}
