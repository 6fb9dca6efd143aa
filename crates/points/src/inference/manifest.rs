//! What a person says about a network, in TOML beside it.

use std::path::Path;

use serde::{Deserialize, Serialize};

use super::InferenceError;

/// Version of the manifest that this program reads.
const SCHEMA: u32 = 1;

/// Largest side of a network's input and largest batch: beyond these a number is a mistake, and memory is at stake.
const LARGEST_SIDE: usize = 4096;
const LARGEST_BATCH: usize = 64;

/// The manifest of a network.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Manifest {
    /// Version of the format.
    pub schema: u32,
    /// What the network is called.
    pub name: String,
    /// Licence of its weights, kept with what it finds.
    pub licence: String,
    /// Where it comes from, free text.
    #[serde(default)]
    pub source: String,
    /// Names of the points in the order of the outputs, `""` for a point to be left out; empty for a detector.
    #[serde(default)]
    pub names: Vec<String>,
    /// How a picture goes in.
    pub input: Input,
    /// How points come out.
    pub head: Head,
}

/// How a picture goes into a network.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Input {
    /// Width in pixels.
    pub width: usize,
    /// Height in pixels.
    pub height: usize,
    /// Order of the axes.
    #[serde(default)]
    pub layout: Layout,
    /// Order of the colours.
    #[serde(default)]
    pub colours: Colours,
    /// Taken off every value of 0 to 255, one number or one per colour in the order of `colours`.
    #[serde(default = "zero")]
    pub mean: Vec<f32>,
    /// Divides what is left.
    #[serde(default = "one")]
    pub std: Vec<f32>,
    /// Which part of the picture the network sees.
    pub crop: Crop,
    /// With `crop = "box"`: by how much the player's box is enlarged.
    #[serde(default = "usual_padding")]
    pub box_padding: f64,
    /// With `crop = "letterbox"`: where the picture lies when it does not fill the input.
    #[serde(default)]
    pub anchor: Anchor,
    /// Brightness of 0 to 255 beyond the picture's edge.
    #[serde(default)]
    pub fill: f32,
    /// Pictures per run, when the network was exported with a fixed number other than 1.
    #[serde(default = "usual_batch")]
    pub batch: usize,
}

fn zero() -> Vec<f32> {
    vec![0.0]
}

fn one() -> Vec<f32> {
    vec![1.0]
}

fn usual_padding() -> f64 {
    1.25
}

fn usual_batch() -> usize {
    1
}

/// Order of the input's axes.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Layout {
    /// Picture, colour, row, column.
    #[default]
    Nchw,
    /// Picture, row, column, colour.
    Nhwc,
}

/// Order of the colours.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Colours {
    /// Red, green, blue.
    #[default]
    Rgb,
    /// Blue, green, red.
    Bgr,
    /// Brightness only (ITU-R BT.601 weights).
    Grey,
}

impl Colours {
    /// Numbers per pixel.
    #[must_use]
    pub fn channels(self) -> usize {
        match self {
            Self::Rgb | Self::Bgr => 3,
            Self::Grey => 1,
        }
    }
}

/// Which part of the picture a network sees.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Crop {
    /// The whole picture.
    Letterbox,
    /// The player's box.
    Box,
}

/// Where a whole picture lies in an input of another shape.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Anchor {
    /// In the middle.
    #[default]
    Centre,
    /// In the top-left corner.
    Corner,
}

/// How points come out of a network.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Head {
    /// One map per point; the point is where the map is highest. Shape: pictures × points × rows × columns.
    HeatMap {
        /// Name of the output; the only one when absent.
        output: Option<String>,
        /// Where cells lie on the input.
        pixel_centre: Alignment,
        /// How the place between cells is found.
        #[serde(default)]
        refinement: Refinement,
        /// With `refinement = "centroid"`: cells on each side of the peak that count.
        #[serde(default = "usual_window")]
        window_cells: usize,
        /// What makes a score of 0 to 1 of the values.
        #[serde(default)]
        activation: Activation,
        /// Points of a lower score were not found.
        #[serde(default = "usual_least_score")]
        least_score: f64,
    },
    /// One row of cells per point and axis, finer than the input by the split ratio (Li et al. 2022, "SimCC"). Shapes:
    /// pictures × points × width · split ratio, and the same with the height.
    Simcc {
        /// Name of the output across; the first one when absent.
        x_output: Option<String>,
        /// Name of the output down; the second one when absent.
        y_output: Option<String>,
        /// Cells per input pixel.
        split_ratio: f64,
        /// Where cells lie on the input.
        pixel_centre: Alignment,
        /// How the place between cells is found.
        #[serde(default)]
        refinement: Refinement,
        /// With `refinement = "centroid"`: cells on each side of the peak that count.
        #[serde(default = "usual_window")]
        window_cells: usize,
        /// What makes a score of 0 to 1 of the values.
        #[serde(default)]
        activation: Activation,
        /// Points of a lower score were not found.
        #[serde(default = "usual_least_score")]
        least_score: f64,
    },
    /// The coordinates themselves. Shape: pictures × points × 2 (x, y) or × 3 (x, y, score).
    Regression {
        /// Name of the output; the only one, or the first, when absent.
        output: Option<String>,
        /// Name of an output of pictures × points with the scores.
        scores_output: Option<String>,
        /// In what the coordinates are.
        unit: Unit,
        /// Where pixels lie on the coordinates.
        pixel_centre: Alignment,
        /// What makes a score of 0 to 1 of the values.
        #[serde(default)]
        activation: Activation,
        /// Points of a lower score were not found.
        #[serde(default = "usual_least_score")]
        least_score: f64,
    },
    /// A detector: boxes around people. Shape: pictures × boxes × columns, or pictures × columns × boxes.
    Boxes {
        /// Name of the output; the only one when absent.
        output: Option<String>,
        /// What the columns hold: `x1 y1 x2 y2` or `cx cy w h`, `score` (several are multiplied), `class`, `-` for what is
        /// not read, `...` at the end for whatever follows.
        columns: Vec<String>,
        /// Whether the boxes are the last axis.
        #[serde(default)]
        boxes_last: bool,
        /// In what the coordinates are.
        unit: Unit,
        /// The class of people, where there is a column `class`.
        #[serde(default)]
        class: f64,
        /// Boxes of a lower score do not count.
        #[serde(default = "usual_least_score")]
        least_score: f64,
    },
}

fn usual_window() -> usize {
    2
}

fn usual_least_score() -> f64 {
    0.3
}

impl Head {
    /// Points or boxes of a lower score were not found.
    #[must_use]
    pub fn least_score(&self) -> f64 {
        match self {
            Self::HeatMap { least_score, .. }
            | Self::Simcc { least_score, .. }
            | Self::Regression { least_score, .. }
            | Self::Boxes { least_score, .. } => *least_score,
        }
    }
}

/// Where cells lie on an input of `n` pixels (`cells` of them): the convention that the network was trained with.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Alignment {
    /// Cell 0 at the centre of pixel 0, then one every `n / cells` pixels.
    Integer,
    /// Cells cover the input edge to edge, each centred on its share: `(cell + 1/2) n / cells − 1/2`.
    Half,
    /// First and last cell at the centres of the first and last pixel (Huang et al. 2020, "The devil is in the details").
    Corners,
}

/// How the place between cells is found.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Refinement {
    /// The highest cell.
    None,
    /// Vertex of the parabola through the logarithms of the highest cell and its neighbours, by axis: exact for a normal
    /// distribution along the axes (the diagonal case of Zhang et al. 2020, "Distribution-aware coordinate representation").
    #[default]
    LogParabola,
    /// Mean place of the cells around the peak, weighted by their values, the window following its own centre.
    Centroid,
}

/// What makes a score of 0 to 1 of a network's value.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Activation {
    /// The value as it is.
    #[default]
    None,
    /// `1 / (1 + exp(-value))`.
    Sigmoid,
}

impl Activation {
    /// The score of a value, 0 to 1.
    #[must_use]
    pub fn score(self, value: f64) -> f64 {
        match self {
            Self::None => value,
            Self::Sigmoid => 1.0 / (1.0 + (-value).exp()),
        }
        .clamp(0.0, 1.0)
    }
}

/// In what coordinates are.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Unit {
    /// Pixels of the input.
    Px,
    /// Shares of the input's width and height.
    Share,
}

impl Manifest {
    /// Reads a manifest.
    ///
    /// # Errors
    /// When the file is missing or malformed (with the line), of a newer schema, or contradicts itself.
    pub fn read(path: &Path) -> Result<Self, InferenceError> {
        let text = std::fs::read_to_string(path).map_err(|e| match e.kind() {
            std::io::ErrorKind::NotFound => InferenceError::NoManifest { path: path.to_owned() },
            _ => InferenceError::io(path, "reading")(e),
        })?;
        let line_at = |offset: usize| text.bytes().take(offset).filter(|b| *b == b'\n').count() + 1;
        let wrong =
            |line: Option<usize>, reason: String| InferenceError::Manifest { path: path.to_owned(), line, reason };
        let manifest: Self = toml::from_str(&text)
            .map_err(|e| wrong(e.span().map(|s| line_at(s.start)), e.message().trim().to_owned()))?;
        match manifest.fault() {
            Some((needle, reason)) => Err(wrong(text.find(needle).map(line_at), reason)),
            None => Ok(manifest),
        }
    }

    /// What the manifest contradicts itself in, with a word of the line on which that stands.
    fn fault(&self) -> Option<(&'static str, String)> {
        let Input { width, height, mean, std, batch, box_padding, colours, .. } = &self.input;
        if self.schema > SCHEMA {
            return Some(("schema", format!("schema {}, this program knows up to {SCHEMA}", self.schema)));
        }
        if [*width, *height].iter().any(|side| !(8..=LARGEST_SIDE).contains(side)) {
            return Some(("width", format!("an input of {width} x {height} px; sides are 8 to {LARGEST_SIDE} px")));
        }
        if !(1..=LARGEST_BATCH).contains(batch) {
            return Some(("batch", format!("batch = {batch}; 1 to {LARGEST_BATCH} pictures go in at once")));
        }
        if !(1.0..=4.0).contains(box_padding) {
            return Some(("box_padding", format!("box_padding = {box_padding}; boxes are enlarged by 1 to 4")));
        }
        for (what, values) in [("mean", mean), ("std", std)] {
            if ![1, colours.channels()].contains(&values.len()) {
                let count = colours.channels();
                return Some((
                    what,
                    format!("{what} has {} numbers; give one, or {count} for the colours", values.len()),
                ));
            }
        }
        if !mean.iter().chain(std).all(|v| v.is_finite()) || std.contains(&0.0) {
            return Some(("std", "mean and std must be finite, and std not 0".to_owned()));
        }
        if !(0.0..=1.0).contains(&self.head.least_score()) {
            return Some(("least_score", "least_score lies between 0 and 1".to_owned()));
        }
        if let Head::Boxes { columns, .. } = &self.head {
            if !self.names.is_empty() {
                return Some(("names", "a detector of boxes has no `names` of points; leave them out".to_owned()));
            }
            return super::boxes::columns_fault(columns).map(|reason| ("columns", reason));
        }
        if self.names.iter().all(String::is_empty) {
            return Some((
                "names",
                "`names` says no point; give one name per point in the order of the outputs".to_owned(),
            ));
        }
        let usable = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_';
        for (index, name) in self.names.iter().enumerate() {
            if !name.chars().all(usable) {
                let reason =
                    format!("\"{name}\" in `names` must be small letters, digits and _ only, such as left_wrist");
                return Some(("names", reason));
            }
            if !name.is_empty() && self.names[..index].contains(name) {
                return Some((
                    "names",
                    format!("\"{name}\" stands twice in `names`; use \"\" for a point to be left out"),
                ));
            }
        }
        match &self.head {
            Head::Simcc { split_ratio, .. } if !(0.1..=16.0).contains(split_ratio) => {
                Some(("split_ratio", format!("split_ratio = {split_ratio}; cells per pixel are 0.1 to 16")))
            }
            Head::HeatMap { window_cells, .. } | Head::Simcc { window_cells, .. } if *window_cells == 0 => {
                Some(("window_cells", "window_cells is 1 or more".to_owned()))
            }
            _ => None,
        }
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;

    pub(crate) const GOOD: &str = r#"schema = 1
name = "a body model"
licence = "Apache-2.0"
names = ["nose", "", "left_wrist"]
[input]
width = 48
height = 64
mean = [123.675, 116.28, 103.53]
std = [58.395, 57.12, 57.375]
crop = "box"
[head]
kind = "heat-map"
pixel_centre = "half"
"#;

    fn read(text: &str) -> Result<Manifest, InferenceError> {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("model.toml");
        std::fs::write(&path, text).unwrap();
        Manifest::read(&path)
    }

    #[test]
    fn a_manifest_is_read_with_its_defaults() {
        let manifest = read(GOOD).unwrap();
        assert_eq!(manifest.input.colours, Colours::Rgb);
        assert_eq!(manifest.input.batch, 1);
        assert!(matches!(manifest.head, Head::HeatMap { refinement: Refinement::LogParabola, .. }));
    }

    #[test]
    fn faults_of_a_manifest_are_named() {
        let simcc = "kind = \"simcc\"\nsplit_ratio = 2.0";
        for (from, to, words) in [
            ("heat-map", "magic", &["line 12", "unknown variant `magic`", "regression"][..]),
            ("schema = 1", "schema = 7", &["line 1", "knows up to 1"]),
            ("width = 48", "width = 0", &["line 6", "0 x 64"]),
            ("width = 48", "width = 480000", &["line 6", "480000"]),
            ("width = 48\n", "", &["width"]),
            ("crop = \"box\"", "crop = \"circle\"", &["line 10", "circle"]),
            ("58.395, ", "", &["line 9", "std has 2 numbers"]),
            ("58.395", "0.0", &["std not 0"]),
            ("\"nose\"", "\"left_wrist\"", &["line 4", "twice"]),
            ("\"nose\"", "\"Nose\"", &["line 4", "\"Nose\""]),
            ("\"nose\", \"\", \"left_wrist\"", "", &["line 4", "no point"]),
            ("pixel_centre = \"half\"", "pixel_centre = \"left\"", &["left"]),
            ("pixel_centre = \"half\"", "pixel_centre = \"half\"\nleast_score = 3.0", &["line 14", "between 0 and 1"]),
            ("pixel_centre = \"half\"", "pixel_centre = \"half\"\nsplit = 3.0", &["split"]),
            ("kind = \"heat-map\"", &simcc.replace("2.0", "0.0"), &["line 13", "split_ratio = 0"]),
        ] {
            assert!(GOOD.contains(from), "{from}");
            let message = read(&GOOD.replacen(from, to, 1)).expect_err(to).to_string();
            for word in words {
                assert!(message.contains(word), "\"{word}\" is not in: {message}");
            }
        }
        let folder = tempfile::tempdir().unwrap();
        let message = Manifest::read(&folder.path().join("model.toml")).unwrap_err().to_string();
        assert!(message.contains("model.toml") && message.contains("missing"), "{message}");
    }

    #[test]
    fn a_manifest_survives_its_own_writing() {
        let manifest = read(GOOD).unwrap();
        assert_eq!(read(&toml::to_string(&manifest).unwrap()).unwrap(), manifest);
    }
}
