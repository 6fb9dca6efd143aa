//! Coloured discs on the joints, and the network that finds them.
//!
//! The network is not trained: its weights are the discs' colours. It makes a heat map per point from how near each pixel's
//! colour is to the point's, averages it over a disc's width, and cuts off what is too weak, so that what it says about a
//! picture is in the picture: a disc that another one covers is found beside its middle or not at all.

use midline_session::keypoints::default_names;

use crate::onnx::{Attribute, Graph};

/// Radius of a disc in the shown picture, px.
pub(crate) const RADIUS_PX: f64 = 5.5;
/// Names of the network's files.
pub(crate) const NETWORK: [&str; 2] = ["discs.onnx", "discs.toml"];

/// Points with a disc and its colour (red, green, blue): corners and edges of the colour cube, 127 apart at least and far
/// from the colours of court and clothes. Eyes and ears have none: at this size their discs would cover each other.
pub(crate) const DISCS: [(&str, [u8; 3]); 17] = [
    ("nose", [255, 255, 128]),
    ("left_shoulder", [255, 0, 0]),
    ("right_shoulder", [0, 255, 0]),
    ("left_elbow", [0, 0, 255]),
    ("right_elbow", [255, 255, 0]),
    ("left_wrist", [255, 0, 255]),
    ("right_wrist", [0, 255, 255]),
    ("left_hip", [255, 0, 128]),
    ("right_hip", [128, 0, 255]),
    ("left_knee", [128, 255, 0]),
    ("right_knee", [0, 255, 128]),
    ("left_ankle", [0, 128, 255]),
    ("right_ankle", [0, 0, 128]),
    ("racket_butt", [128, 0, 128]),
    ("racket_throat", [255, 128, 255]),
    ("racket_tip", [128, 255, 255]),
    ("ball", [128, 255, 128]),
];

/// Column of each disc's point in the default set.
pub(crate) fn columns() -> Vec<usize> {
    let names = default_names();
    DISCS.iter().filter_map(|(name, _)| names.iter().position(|n| n == name)).collect()
}

/// Side of the network's input, px.
const INPUT_PX: usize = 384;
/// Colours farther than this (of 255) from a disc's are not the disc's.
const COLOUR_REACH: f32 = 75.0;
/// Share of a disc's area that must be seen around a cell.
const CUT_OFF: f32 = 0.3;

/// The network as an ONNX file.
pub(crate) fn network() -> Vec<u8> {
    let points = DISCS.len();
    let reach = (COLOUR_REACH / 255.0).powi(2);
    let colours: Vec<[f32; 3]> = DISCS.iter().map(|(_, colour)| colour.map(|c| f32::from(c) / 255.0)).collect();
    // 1 − |x − c|² / r², split into what is linear in x² and in x.
    let squares = vec![-1.0 / reach; 3 * points];
    let products: Vec<f32> = colours.iter().flatten().map(|c| 2.0 * c / reach).collect();
    let rest: Vec<f32> = colours.iter().map(|c| 1.0 - c.iter().map(|v| v * v).sum::<f32>() / reach).collect();
    let (side, half) = (Some(INPUT_PX), Some(INPUT_PX / 2));
    Graph::default()
        .input("picture", &[None, Some(3), side, side])
        .constant("squares", &[points, 3, 1, 1], &squares)
        .constant("products", &[points, 3, 1, 1], &products)
        .constant("rest", &[points], &rest)
        .constant("less", &[1], &[-CUT_OFF])
        .constant("more", &[1], &[1.0 / (1.0 - CUT_OFF)])
        .node("Mul", &["picture", "picture"], "squared", &[])
        .node("Conv", &["squared", "squares"], "by_squares", &[])
        .node("Conv", &["picture", "products", "rest"], "by_products", &[])
        .node("Add", &["by_squares", "by_products"], "nearness", &[])
        .node("Relu", &["nearness"], "alike", &[])
        .node(
            "AveragePool",
            &["alike"],
            "around",
            &[
                ("kernel_shape", Attribute::Ints(&[5, 5])),
                ("strides", Attribute::Ints(&[2, 2])),
                ("pads", Attribute::Ints(&[2, 2, 2, 2])),
                ("count_include_pad", Attribute::Int(1)),
            ],
        )
        .node("Add", &["around", "less"], "strong", &[])
        .node("Relu", &["strong"], "cut", &[])
        .node("Mul", &["cut", "more"], "heat", &[])
        .output("heat", &[None, Some(points), half, half])
        .encoded()
}

/// Its manifest.
pub(crate) fn manifest() -> String {
    let names: Vec<String> = DISCS.iter().map(|(name, _)| format!("\"{name}\"")).collect();
    format!(
        "# What `midline points SESSION --model discs.onnx` must know of the network beside it.\n\
         schema = 1\n\
         name = \"coloured discs\"\n\
         licence = \"MIT OR Apache-2.0\"\n\
         source = \"made by midline's demo; its weights are the discs' colours\"\n\
         names = [{}]\n\n\
         [input]\n\
         width = {INPUT_PX}\n\
         height = {INPUT_PX}\n\
         layout = \"nchw\"\n\
         colours = \"rgb\"\n\
         mean = [0.0]\n\
         std = [255.0]\n\
         crop = \"box\"\n\
         box_padding = 1.3\n\n\
         [head]\n\
         kind = \"heat-map\"\n\
         output = \"heat\"\n\
         # Cell k looks at input pixels around 2 k.\n\
         pixel_centre = \"integer\"\n\
         refinement = \"centroid\"\n\
         window_cells = 4\n\
         least_score = 0.35\n",
        names.join(", ")
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_disc_has_a_point_and_a_colour_of_its_own() {
        assert_eq!(columns().len(), DISCS.len());
        for (index, (name, a)) in DISCS.iter().enumerate() {
            for (_, b) in &DISCS[..index] {
                let squared: f32 = a.iter().zip(b).map(|(a, b)| (f32::from(*a) - f32::from(*b)).powi(2)).sum();
                // A colour halfway between two belongs to neither.
                assert!(squared.sqrt() > 1.5 * COLOUR_REACH, "{name}");
            }
        }
    }
}
