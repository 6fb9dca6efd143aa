//! Lenses that another program calibrated, taken over with how far to trust them.

use midline_geometry::Intrinsics;
use nalgebra::{Vector2, Vector3};

use crate::calibration::LensCalibration;

/// Standard deviation of the focal lengths as a share of them, when the file says nothing. Source: OpenCV's two published
/// calibrations of one camera (`left_intrinsics.yml` and `intrinsics.yml` of its samples, two models) differ by 0.2 %; a new
/// focus or another day can change more, and this is twice that, rounded up.
pub const FOCAL_ALLOWANCE: f64 = 0.005;
/// Standard deviation of the principal point as a share of the picture's longer side. The same two differ by 6.5 and 5.1 px of
/// 640, which is 0.01.
pub const CENTRE_ALLOWANCE: f64 = 0.01;
/// How far each coefficient by itself moves a point at the edge of the picture, as a share of its longer side (1 standard
/// deviation). A choice, without a source: 2 px in a picture of 1920.
pub const EDGE_ALLOWANCE: f64 = 0.001;

/// What another program's file says about its lens.
#[derive(Debug, Clone, PartialEq)]
pub struct OutsideLens {
    /// The lens.
    pub intrinsics: Intrinsics,
    /// Whether the file says the picture's size; if not, that of the footage was taken.
    pub size_is_in_file: bool,
    /// Root mean square reprojection error, px.
    pub rms_px: Option<f64>,
    /// What it says about its uncertainty.
    pub uncertainty: OutsideUncertainty,
}

/// What another program's file says about the uncertainty of its lens; parameters in the order of
/// [`Intrinsics::parameters`].
#[derive(Debug, Clone, PartialEq)]
pub enum OutsideUncertainty {
    /// The whole covariance.
    Covariance(Vec<Vec<f64>>),
    /// Standard deviations; 0 for a parameter held fixed.
    Deviations(Vec<f64>),
    /// Nothing.
    None,
}

impl OutsideLens {
    /// The lens as one of a session's cameras. Where the file says nothing about its uncertainty, the allowances of this
    /// module stand in for it, and `advice` says so: a lens is never taken for exact.
    #[must_use]
    pub fn into_calibration(self, camera: &str) -> LensCalibration {
        let Self { intrinsics, size_is_in_file, rms_px, uncertainty } = self;
        let mut advice = Vec::new();
        if !size_is_in_file {
            let [width, height] = intrinsics.size_px;
            advice.push(format!(
                "The lens file does not say the picture's size; {width} × {height} px of the footage was taken for it."
            ));
        }
        let said = match uncertainty {
            OutsideUncertainty::Covariance(covariance) => Some(covariance),
            OutsideUncertainty::Deviations(deviations) => {
                advice.push(
                    "The lens file gives standard deviations but no covariance; its parameters are taken for independent, \
                     which as a rule overstates how uncertain the lens is as a whole."
                        .to_owned(),
                );
                Some(diagonal(&deviations))
            }
            OutsideUncertainty::None => None,
        };
        let said = said.filter(|covariance| (0..covariance.len()).any(|i| covariance[i][i] > 0.0));
        let covariance = said.unwrap_or_else(|| {
            advice.push(format!(
                "The lens file says nothing about its uncertainty; allowed for (1 sd): focal lengths {:.1} %, principal point \
                 {:.1} % of the picture's longer side, each coefficient {:.1} % of it at the picture's edge. Film a board with \
                 this phone to do better.",
                FOCAL_ALLOWANCE * 100.0,
                CENTRE_ALLOWANCE * 100.0,
                EDGE_ALLOWANCE * 100.0
            ));
            diagonal(&allowance(&intrinsics))
        });
        let standard_deviations = (0..covariance.len())
            .map(|i| Some(covariance[i][i]).filter(|variance| *variance > 0.0).map(f64::sqrt))
            .collect();
        LensCalibration {
            camera: camera.to_owned(),
            intrinsics,
            parameter_names: intrinsics.parameter_names(),
            standard_deviations,
            covariance,
            rms_px: rms_px.unwrap_or(f64::NAN),
            held_out_rms_px: None,
            quality: None,
            views: Vec::new(),
            coverage: 0.0,
            advice,
        }
    }
}

fn diagonal(deviations: &[f64]) -> Vec<Vec<f64>> {
    (0..deviations.len())
        .map(|i| (0..deviations.len()).map(|j| if i == j { deviations[i] * deviations[i] } else { 0.0 }).collect())
        .collect()
}

/// Standard deviation of each parameter of a lens of which nothing is known but its values.
fn allowance(lens: &Intrinsics) -> Vec<f64> {
    let [width, height] = lens.size_px.map(f64::from);
    let longer = width.max(height);
    // The middles of the four edges: those of the longer side move most.
    let edges = [[0.0, height / 2.0], [width, height / 2.0], [width / 2.0, 0.0], [width / 2.0, height]];
    let jacobians: Vec<_> = edges
        .iter()
        .filter_map(|px| {
            let ray = lens.normalised_from_px(Vector2::from(*px)).ok()?;
            lens.project_with_jacobians(&Vector3::new(ray.x, ray.y, 1.0))
        })
        .collect();
    (0..lens.parameter_count())
        .map(|i| match i {
            0 | 1 => FOCAL_ALLOWANCE * lens.focal_px[i],
            2 | 3 => CENTRE_ALLOWANCE * longer,
            _ => {
                let most = jacobians.iter().map(|j| j.by_parameters.column(i).norm()).fold(0.0, f64::max);
                // Where no edge has a ray the coefficient is as uncertain as a pinhole's would be there, r = 1.
                EDGE_ALLOWANCE * longer / if most > 0.0 { most } else { lens.focal_px[0] }
            }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use midline_geometry::LensModel;

    use super::*;

    fn outside(uncertainty: OutsideUncertainty) -> OutsideLens {
        let intrinsics = Intrinsics {
            focal_px: [1500.0, 1498.0],
            centre_px: [960.0, 540.0],
            model: LensModel::BrownConrady([0.1, -0.2, 0.001, -0.001, 0.05]),
            size_px: [1920, 1080],
        };
        OutsideLens { intrinsics, size_is_in_file: true, rms_px: Some(0.3), uncertainty }
    }

    #[test]
    fn a_lens_without_uncertainty_gets_an_allowance_for_every_parameter_and_says_so() {
        let lens = outside(OutsideUncertainty::None).into_calibration("left");
        assert!(lens.standard_deviations.iter().all(|sd| sd.unwrap() > 0.0));
        assert!((lens.standard_deviations[0].unwrap() - 7.5).abs() < 1e-12);
        assert!((lens.standard_deviations[2].unwrap() - 19.2).abs() < 1e-12);
        assert!(lens.advice[0].contains("says nothing about its uncertainty"), "{:?}", lens.advice);
        // k1 by one deviation moves the middle of the left edge by 0.1 % of 1920.
        let ray = lens.intrinsics.normalised_from_px(Vector2::new(0.0, 540.0)).unwrap();
        let edge = Vector3::new(ray.x, ray.y, 1.0);
        let mut parameters = lens.intrinsics.parameters();
        parameters[4] += lens.standard_deviations[4].unwrap();
        let moved = lens.intrinsics.with_parameters(parameters.as_slice()).project(&edge).unwrap();
        assert!((moved - Vector2::new(0.0, 540.0)).norm() < 1.93 && (moved.x).abs() > 1.85, "{moved}");
        // Without any deviation above 0 there is nothing said either.
        let lens = outside(OutsideUncertainty::Deviations(vec![0.0; 9])).into_calibration("left");
        assert!(lens.standard_deviations.iter().all(|sd| sd.unwrap() > 0.0));
    }

    #[test]
    fn what_the_file_says_is_taken_over() {
        let deviations = vec![2.0, 2.0, 1.5, 1.0, 0.01, 0.02, 0.0, 0.0, 0.03];
        let lens = outside(OutsideUncertainty::Deviations(deviations)).into_calibration("left");
        assert_eq!(lens.standard_deviations[0], Some(2.0));
        assert_eq!(lens.standard_deviations[6], None);
        assert!(lens.advice[0].contains("no covariance"), "{:?}", lens.advice);
        let mut unsized_lens = outside(OutsideUncertainty::None);
        unsized_lens.size_is_in_file = false;
        assert!(unsized_lens.into_calibration("left").advice[0].contains("1920 × 1080"));
    }
}
