//! Colours on a dark ground. Sides and things differ in lightness as well as in hue, for colour-blind eyes.

/// Red, green, blue, opacity.
pub(crate) type Rgba = [u8; 4];

/// Limbs of the racket side.
pub(crate) const DOMINANT: Rgba = [255, 176, 48, 255];
/// Limbs of the other side.
pub(crate) const OTHER: Rgba = [64, 140, 214, 255];
/// Trunk, head, and whatever has no side.
pub(crate) const TRUNK: Rgba = [176, 182, 190, 255];
/// Racket.
pub(crate) const RACKET: Rgba = [250, 250, 250, 255];
/// Trail of the racket tip.
pub(crate) const TRAIL: Rgba = [226, 104, 148, 255];
/// Tracks drawn back into the pictures.
pub(crate) const REPROJECTED: Rgba = [120, 255, 214, 255];
/// Strokes of the earlier session.
pub(crate) const BEFORE: Rgba = [150, 156, 166, 255];
/// Ball.
pub(crate) const BALL: Rgba = [226, 240, 96, 255];
/// Uncertainty.
pub(crate) const UNCERTAINTY: Rgba = [250, 250, 250, 70];
/// Midline plane.
pub(crate) const MIDLINE: Rgba = [226, 104, 148, 36];
/// Frontal plane.
pub(crate) const FRONTAL: Rgba = [64, 140, 214, 30];
/// Painted lines and net.
pub(crate) const COURT: Rgba = [150, 168, 158, 255];
/// Camera frusta.
pub(crate) const CAMERA: Rgba = [150, 150, 158, 255];
/// Ground of the 3D views.
pub(crate) const GROUND: Rgba = [24, 28, 34, 255];

/// Strokes in order.
const STROKES: [Rgba; 6] = [
    [255, 176, 48, 255],
    [92, 164, 232, 255],
    [226, 104, 148, 255],
    [222, 236, 150, 255],
    [40, 170, 140, 255],
    [186, 160, 255, 255],
];

/// Colour of the stroke at a place in the order of time.
pub(crate) fn stroke(index: usize) -> Rgba {
    STROKES[index % STROKES.len()]
}
