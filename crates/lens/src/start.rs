//! A lens to start from.

use midline_geometry::{Intrinsics, LensModel};
use nalgebra::{Matrix3, SMatrix, SVector, Vector2, Vector3};

use crate::homography::homography;
use crate::pose::{pose_from_homography, pose_from_view, squared_error_px};
use crate::problem::{LensState, ViewCorners};
use crate::settings::{Aspect, LensSettings};

/// Focal lengths tried when the closed forms fail, as multiples of the picture's longer side: 90° to 20° of view.
const FOCAL_GUESSES: [f64; 6] = [0.5, 0.7, 1.0, 1.4, 2.0, 2.8];
/// Bounds of a believable focal length, as multiples of the picture's longer side.
const BELIEVABLE_FOCAL: [f64; 2] = [0.2, 20.0];

/// A lens without distortion, and poses.
///
/// Candidates are Zhang's closed form, the same with the principal point at the centre of the picture (two focal lengths, then
/// one), and a few guesses; the one with the least reprojection error of its poses wins. Closed forms fail with strong
/// distortion or views that are nearly parallel; the guesses make sure of a start.
pub(crate) fn start(views: &[&ViewCorners], size_px: [u32; 2], settings: &LensSettings) -> Option<LensState> {
    let centre = picture_centre_px(size_px);
    let longer = f64::from(size_px[0].max(size_px[1]));
    let homographies: Vec<Option<Matrix3<f64>>> = views
        .iter()
        .map(|view| {
            let plane: Vec<Vector2<f64>> = view.board_m.iter().map(|p| p.coords.xy()).collect();
            homography(&plane, &view.corners_px.iter().map(|&px| px.into()).collect::<Vec<_>>())
        })
        .collect();
    let known: Vec<Matrix3<f64>> = homographies.iter().flatten().copied().collect();
    let closed = [zhang(&known, centre, longer), centred(&known, centre, false), centred(&known, centre, true)];
    let guesses = FOCAL_GUESSES.map(|multiple| Some(([multiple * longer; 2], centre)));
    closed
        .into_iter()
        .chain(guesses)
        .flatten()
        .filter_map(|(focal, point)| {
            let lens =
                conforming(focal, if settings.principal_point_free { point } else { centre }, size_px, settings)?;
            with_poses(lens, views, &homographies)
        })
        .min_by(|(a, _), (b, _)| a.total_cmp(b))
        .map(|(_, state)| state)
}

/// The middle of the picture, between the centres of its outermost pixels.
pub(crate) fn picture_centre_px(size_px: [u32; 2]) -> [f64; 2] {
    size_px.map(|side| (f64::from(side) - 1.0) / 2.0)
}

/// A lens with the settings' aspect ratio; `None` for what no lens is.
fn conforming(focal: [f64; 2], centre_px: [f64; 2], size_px: [u32; 2], settings: &LensSettings) -> Option<Intrinsics> {
    let focal_px = match settings.aspect {
        Aspect::Free => focal,
        Aspect::Fixed(ratio) => {
            let fy = (focal[0] * focal[1] / ratio).sqrt();
            [ratio * fy, fy]
        }
    };
    let longer = f64::from(size_px[0].max(size_px[1]));
    let believable = focal_px.iter().all(|f| (BELIEVABLE_FOCAL[0] * longer..BELIEVABLE_FOCAL[1] * longer).contains(f))
        && (0..2).all(|axis| (0.0..f64::from(size_px[axis])).contains(&centre_px[axis]));
    believable.then(|| Intrinsics { focal_px, centre_px, model: settings.model.undistorted(), size_px })
}

/// The squared error with the poses that the lens gives.
fn with_poses(
    lens: Intrinsics,
    views: &[&ViewCorners],
    homographies: &[Option<Matrix3<f64>>],
) -> Option<(f64, LensState)> {
    let ([fx, fy], [cx, cy]) = (lens.focal_px, lens.centre_px);
    let normalised_from_px = Matrix3::new(1.0 / fx, 0.0, -cx / fx, 0.0, 1.0 / fy, -cy / fy, 0.0, 0.0, 1.0);
    let (mut squared, mut camera_from_board) = (0.0, Vec::with_capacity(views.len()));
    for (view, homography) in views.iter().zip(homographies) {
        // Without distortion the homography to pixels is that to rays, and need not be found again.
        let pose = match lens.model {
            LensModel::Fisheye(_) => pose_from_view(&lens, view)?,
            _ => pose_from_homography(&(normalised_from_px * (*homography)?), &view.board_m)?,
        };
        squared += squared_error_px(&lens, &pose, view)?;
        camera_from_board.push(pose);
    }
    let state = LensState { lens, bend_m: Vector3::zeros(), change: Vector3::zeros(), camera_from_board };
    squared.is_finite().then_some((squared, state))
}

/// Zhang 2000, section 3.1, with the skew held at 0: focal lengths and principal point, in pixels.
fn zhang(homographies: &[Matrix3<f64>], centre: [f64; 2], longer: f64) -> Option<([f64; 2], [f64; 2])> {
    // Pixels are shifted and scaled so that the entries of B are of like size.
    let scale = 2.0 / longer;
    let to_unit = Matrix3::new(scale, 0.0, -scale * centre[0], 0.0, scale, -scale * centre[1], 0.0, 0.0, 1.0);
    // Unknowns B11 B22 B13 B23 B33.
    let mut squared = SMatrix::<f64, 5, 5>::zeros();
    for h in homographies {
        let unit = to_unit * h;
        let unit = unit / unit.norm();
        let row = |i: usize, j: usize| {
            let (a, b): (Vector3<f64>, Vector3<f64>) = (unit.column(i).into(), unit.column(j).into());
            SVector::<f64, 5>::new(a.x * b.x, a.y * b.y, a.z * b.x + a.x * b.z, a.z * b.y + a.y * b.z, a.z * b.z)
        };
        for constraint in [row(0, 1), row(0, 0) - row(1, 1)] {
            squared += constraint * constraint.transpose();
        }
    }
    let eigen = squared.symmetric_eigen();
    let b = eigen.eigenvectors.column(eigen.eigenvalues.imin()).into_owned();
    let (cx, cy) = (-b[2] / b[0], -b[3] / b[1]);
    let lambda = b[4] - b[2] * b[2] / b[0] - b[3] * b[3] / b[1];
    let (fx2, fy2) = (lambda / b[0], lambda / b[1]);
    (fx2 > 0.0 && fy2 > 0.0)
        .then(|| ([fx2.sqrt() / scale, fy2.sqrt() / scale], [cx / scale + centre[0], cy / scale + centre[1]]))
}

/// The same constraints with the principal point at the centre: linear in `1/fx²` and `1/fy²`, or in one `1/f²`.
fn centred(homographies: &[Matrix3<f64>], centre: [f64; 2], square: bool) -> Option<([f64; 2], [f64; 2])> {
    let to_centre = Matrix3::new(1.0, 0.0, -centre[0], 0.0, 1.0, -centre[1], 0.0, 0.0, 1.0);
    let mut normal = SMatrix::<f64, 2, 2>::zeros();
    let mut right = SVector::<f64, 2>::zeros();
    for h in homographies {
        let shifted = to_centre * h;
        // Entries of the first two rows are pixels times those of the third.
        let shifted = shifted / shifted.norm();
        let product = |i: usize, j: usize| {
            let (a, b): (Vector3<f64>, Vector3<f64>) = (shifted.column(i).into(), shifted.column(j).into());
            (SVector::<f64, 2>::new(a.x * b.x, a.y * b.y), a.z * b.z)
        };
        let ((p00, z00), (p11, z11), (p01, z01)) = (product(0, 0), product(1, 1), product(0, 1));
        for (row, value) in [(p01, -z01), (p00 - p11, z11 - z00)] {
            normal += row * row.transpose();
            right += row * value;
        }
    }
    let inverse_squares = if square {
        let total: f64 = normal.sum();
        SVector::<f64, 2>::repeat(right.sum() / total)
    } else {
        normal.try_inverse()? * right
    };
    inverse_squares
        .iter()
        .all(|v| v.is_finite() && *v > 0.0)
        .then(|| ([1.0 / inverse_squares[0].sqrt(), 1.0 / inverse_squares[1].sqrt()], centre))
}
