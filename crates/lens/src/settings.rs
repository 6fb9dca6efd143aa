//! What is estimated.

use midline_geometry::{Intrinsics, LensModel};
use nalgebra::DMatrix;

use crate::LensError;

/// The family of lens model to estimate.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum LensModelChoice {
    /// No distortion.
    Pinhole,
    /// Brown-Conrady, `k1 k2 p1 p2 k3`.
    #[default]
    BrownConrady,
    /// The rational form with eight coefficients, for wide lenses with many views.
    Rational,
    /// The equidistant fisheye with four coefficients.
    Fisheye,
}

impl LensModelChoice {
    /// The model without distortion.
    pub(crate) fn undistorted(self) -> LensModel {
        match self {
            Self::Pinhole => LensModel::Pinhole,
            Self::BrownConrady => LensModel::BrownConrady([0.0; 5]),
            Self::Rational => LensModel::Rational([0.0; 8]),
            Self::Fisheye => LensModel::Fisheye([0.0; 4]),
        }
    }
}

/// The ratio fx / fy.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub enum Aspect {
    /// Estimated.
    #[default]
    Free,
    /// Held at this value: 1 for square pixels.
    Fixed(f64),
}

/// What is estimated and how good a corner is.
#[derive(Debug, Clone, PartialEq)]
pub struct LensSettings {
    /// Lens model.
    pub model: LensModelChoice,
    /// Ratio of the focal lengths.
    pub aspect: Aspect,
    /// Whether the principal point is estimated; else it is the centre of the picture.
    pub principal_point_free: bool,
    /// Whether the tangential coefficients p1 and p2 are estimated; else they are 0.
    pub tangential_free: bool,
    /// Standard deviation of a corner's coordinate in pixels, used to whiten the residuals. The reported deviations are
    /// scaled by the residuals found and do not depend on it.
    pub corner_sd_px: f64,
}

impl Default for LensSettings {
    fn default() -> Self {
        Self {
            model: LensModelChoice::BrownConrady,
            aspect: Aspect::Free,
            principal_point_free: true,
            tangential_free: true,
            corner_sd_px: 0.1,
        }
    }
}

impl LensSettings {
    pub(crate) fn check(&self) -> Result<(), LensError> {
        let positive = |value: f64| value.is_finite() && value > 0.0;
        if !positive(self.corner_sd_px) {
            return Err(LensError::Setting { name: "corner_sd_px", value: self.corner_sd_px });
        }
        match self.aspect {
            Aspect::Fixed(ratio) if !positive(ratio) => Err(LensError::Setting { name: "aspect", value: ratio }),
            _ => Ok(()),
        }
    }

    /// ∂(parameters of the lens)/∂(free parameters), parameter_count × free.
    pub(crate) fn free_directions(&self, lens: &Intrinsics) -> DMatrix<f64> {
        let count = lens.parameter_count();
        let direction = |entries: &[(usize, f64)]| {
            let mut column = vec![0.0; count];
            for &(index, value) in entries {
                column[index] = value;
            }
            column
        };
        let mut columns = match self.aspect {
            Aspect::Free => vec![direction(&[(0, 1.0)]), direction(&[(1, 1.0)])],
            Aspect::Fixed(ratio) => vec![direction(&[(0, ratio), (1, 1.0)])],
        };
        for (index, name) in lens.parameter_names().iter().enumerate().skip(2) {
            let free = match name.as_str() {
                "cx" | "cy" => self.principal_point_free,
                "p1" | "p2" => self.tangential_free,
                _ => true,
            };
            if free {
                columns.push(direction(&[(index, 1.0)]));
            }
        }
        DMatrix::from_vec(count, columns.len(), columns.concat())
    }
}
