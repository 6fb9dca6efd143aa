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
    /// How many of the radial coefficients k1, k2, k3 of the Brown-Conrady model are estimated; the rest is 0.
    pub radial_terms: usize,
    /// Whether the board may be bent: its height over the flat board, quadratic across it, is estimated (three numbers for
    /// all views). Needs views with much tilt.
    pub board_may_bend: bool,
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
            radial_terms: 3,
            board_may_bend: false,
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

    /// The parameters of a lens that are estimated.
    pub(crate) fn free_parameters(&self, lens: &Intrinsics) -> FreeParameters {
        let mut columns = match self.aspect {
            Aspect::Free => vec![vec![(0, 1.0)], vec![(1, 1.0)]],
            Aspect::Fixed(ratio) => vec![vec![(0, ratio), (1, 1.0)]],
        };
        let radial_terms = if self.model == LensModelChoice::BrownConrady { self.radial_terms } else { usize::MAX };
        for (index, name) in lens.parameter_names().iter().enumerate().skip(2) {
            let free = match name.as_str() {
                "cx" | "cy" => self.principal_point_free,
                "p1" | "p2" => self.tangential_free,
                "k1" => radial_terms >= 1,
                "k2" => radial_terms >= 2,
                "k3" => radial_terms >= 3,
                _ => true,
            };
            if free {
                columns.push(vec![(index, 1.0)]);
            }
        }
        FreeParameters::new(lens.parameter_count(), columns)
    }
}

/// ∂(parameters of the lens)/∂(free parameters).
#[derive(Debug, Clone)]
pub(crate) struct FreeParameters {
    columns: Vec<Vec<(usize, f64)>>,
    matrix: DMatrix<f64>,
}

impl FreeParameters {
    fn new(parameters: usize, columns: Vec<Vec<(usize, f64)>>) -> Self {
        let mut matrix = DMatrix::zeros(parameters, columns.len());
        for (column, entries) in columns.iter().enumerate() {
            entries.iter().for_each(|&(parameter, factor)| matrix[(parameter, column)] = factor);
        }
        Self { columns, matrix }
    }

    pub(crate) fn count(&self) -> usize {
        self.columns.len()
    }

    /// The entries that are not 0, column by column.
    pub(crate) fn columns(&self) -> &[Vec<(usize, f64)>] {
        &self.columns
    }

    /// All entries, parameters × free parameters.
    pub(crate) fn matrix(&self) -> &DMatrix<f64> {
        &self.matrix
    }

    /// Whether a parameter is held fixed.
    pub(crate) fn holds(&self, parameter: usize) -> bool {
        self.matrix.row(parameter).iter().all(|&entry| entry == 0.0)
    }
}
