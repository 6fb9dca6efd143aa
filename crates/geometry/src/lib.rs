//! Rotations, rigid transforms, camera models with analytic Jacobians, the time at which a picture row is seen, and the basis of
//! curves over time.
//!
//! # Conventions
//!
//! - Metres, seconds, radians, pixels; `f64` throughout.
//! - `b_from_a` takes coordinates in frame a to coordinates in frame b.
//! - Camera frame: x right, y down, z forward. Pixel centres at integer coordinates: the centre of the top-left pixel is
//!   (0, 0).
//! - Pictures are always in display orientation (the container's rotation applied). [`ReadOut`] therefore carries the
//!   direction in which the sensor's rows run in the displayed picture.
//! - A tangent step of a rigid transform is `(ω, τ)`: `R' = exp(ω) R`, `t' = t + τ` (see [`stepped`]).

mod camera;
mod lens_model;
mod readout;
mod spline_basis;
mod transform;

pub use camera::{Camera, PixelJacobians};
pub use lens_model::{ByLensParameters, Intrinsics, IntrinsicsError, LensModel, LensProjection, MOST_LENS_PARAMETERS};
pub use readout::{ReadOut, ScanDirection};
pub use spline_basis::{Moment, SplineBasis};
pub use transform::{RigidTransform, rotation_from_vector, skew, step_between, stepped, vector_from_rotation};
