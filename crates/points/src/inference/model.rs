//! A network with its manifest, held against each other.

use std::path::{Path, PathBuf};

use midline_media::Picture;
use midline_session::keypoints::Keypoint;

use super::boxes::{Rows, Somebody};
use super::heads::{Cells, Found};
use super::manifest::{Head, Layout, Manifest};
use super::region::Region;
use super::{InferenceError, Network, Tensor};

/// A network that is ready to run.
pub struct Model {
    path: PathBuf,
    manifest: Manifest,
    network: Box<dyn Network>,
    /// Which outputs the head reads, in its order.
    outputs: Vec<usize>,
}

/// `2 x 3 x 64 x 48`.
pub(crate) fn shape_text(shape: &[usize]) -> String {
    shape.iter().map(ToString::to_string).collect::<Vec<_>>().join(" x ")
}

impl Model {
    /// Opens `model.onnx` with the manifest `model.toml` beside it, and runs it once on a grey picture to see that its outputs
    /// have the shapes that the manifest asks for.
    ///
    /// # Errors
    /// When a file is missing or malformed, the runtime cannot use the model, or model and manifest contradict each other.
    pub fn open(path: &Path) -> Result<Self, InferenceError> {
        let manifest = Manifest::read(&path.with_extension("toml"))?;
        let network = open_network(path, &input_shape(&manifest))?;
        Self::with_network(path, manifest, network)
    }

    /// The same with a network from another runtime; `path` stands in messages.
    ///
    /// # Errors
    /// As for [`Model::open`].
    pub fn with_network(path: &Path, manifest: Manifest, network: Box<dyn Network>) -> Result<Self, InferenceError> {
        let outputs = chosen_outputs(path, &manifest.head, network.output_names())?;
        let model = Self { path: path.to_owned(), manifest, network, outputs };
        let shape = input_shape(&model.manifest);
        let grey = Tensor { values: vec![0.0; shape.iter().product()], shape };
        let outputs = model.run(grey)?;
        model.fits(&outputs)?;
        Ok(model)
    }

    /// The file.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// What the manifest says.
    #[must_use]
    pub fn manifest(&self) -> &Manifest {
        &self.manifest
    }

    /// Whether it finds boxes, not points.
    #[must_use]
    pub fn is_detector(&self) -> bool {
        matches!(self.manifest.head, Head::Boxes { .. })
    }

    /// Names of the points that it finds and that are not left out.
    pub fn names(&self) -> impl Iterator<Item = &str> {
        self.manifest.names.iter().map(String::as_str).filter(|name| !name.is_empty())
    }

    /// Points in one picture, in the order of [`Model::names`]; `player` is the player's box (left, top, right, bottom, px), of
    /// which models with `crop = "box"` see the surroundings, and without which they see the whole picture.
    ///
    /// # Errors
    /// When the network fails or gives what is not a number.
    pub fn find(&self, picture: &Picture, player: Option<[f64; 4]>) -> Result<Vec<Option<Keypoint>>, InferenceError> {
        let region = Region::of(&self.manifest.input, picture.size_px, player);
        Ok(self.points(&[(picture, region)])?.pop().unwrap_or_default())
    }

    /// Boxes around the people in one picture (left, top, right, bottom, px) with their scores, of a detector.
    ///
    /// # Errors
    /// As for [`Model::find`].
    pub fn find_people(&self, picture: &Picture) -> Result<Vec<([f64; 4], f64)>, InferenceError> {
        let people = self.people(picture, Region::of(&self.manifest.input, picture.size_px, None))?;
        Ok(people.into_iter().map(|somebody| (somebody.around, somebody.score)).collect())
    }

    /// Points in pictures that are seen through regions, in the order of [`Model::names`]; up to `batch` at once.
    pub(crate) fn points(&self, seen: &[(&Picture, Region)]) -> Result<Vec<Vec<Option<Keypoint>>>, InferenceError> {
        let outputs = self.seen(seen)?;
        let per_picture = |index: usize, region: &Region| -> Vec<Option<Keypoint>> {
            (0..self.manifest.names.len())
                .filter(|point| !self.manifest.names[*point].is_empty())
                .map(|point| {
                    let (found, score) = self.found(&outputs, index, point)?;
                    let px = region.picture_from_input(found.input_px);
                    (score >= self.manifest.head.least_score()).then_some(Keypoint { px, score })
                })
                .collect()
        };
        Ok(seen.iter().enumerate().map(|(index, (_, region))| per_picture(index, region)).collect())
    }

    /// People in a picture, boxes in its pixels.
    pub(crate) fn people(&self, picture: &Picture, region: Region) -> Result<Vec<Somebody>, InferenceError> {
        let outputs = self.seen(&[(picture, region)])?;
        let Some((rows, boxes_last)) = self.rows() else { return Ok(Vec::new()) };
        let (shape, values) = (&outputs[0].shape, &outputs[0].values);
        let (count, width) = if boxes_last { (shape[2], shape[1]) } else { (shape[1], shape[2]) };
        let at = |row: usize, column: usize| {
            f64::from(values[if boxes_last { column * count + row } else { row * width + column }])
        };
        Ok((0..count)
            .filter_map(|row| rows.read(&(0..width).map(|column| at(row, column)).collect::<Vec<f64>>()))
            .map(|somebody| {
                let [left, top, right, bottom] = somebody.around;
                // Boxes are measured from the input's edge, pixels from their centres.
                let [left, top] = region.picture_from_input([left - 0.5, top - 0.5]);
                let [right, bottom] = region.picture_from_input([right - 0.5, bottom - 0.5]);
                Somebody { around: [left, top, right, bottom], score: somebody.score }
            })
            .collect())
    }

    fn rows(&self) -> Option<(Rows<'_>, bool)> {
        let Head::Boxes { columns, boxes_last, unit, class, least_score, .. } = &self.manifest.head else {
            return None;
        };
        let input_px = [self.manifest.input.width, self.manifest.input.height];
        Some((Rows { columns, unit: *unit, class: *class, least_score: *least_score, input_px }, *boxes_last))
    }

    /// The outputs for pictures, checked to be numbers.
    fn seen(&self, seen: &[(&Picture, Region)]) -> Result<Vec<Tensor>, InferenceError> {
        let shape = input_shape(&self.manifest);
        let mut values = Vec::with_capacity(shape.iter().product());
        for (picture, region) in seen {
            values.extend(region.numbers(picture, &self.manifest.input));
        }
        // A batch that is not full is filled up; what comes out for the rest is not read.
        values.resize(shape.iter().product(), 0.0);
        let outputs = self.run(Tensor { shape, values })?;
        self.fits(&outputs)?;
        for (output, index) in outputs.iter().zip(&self.outputs) {
            let one = output.values.len() / self.manifest.input.batch.max(1);
            for (values, (picture, _)) in output.values.chunks(one.max(1)).zip(seen) {
                if values.iter().any(|v| !v.is_finite()) {
                    return Err(InferenceError::NotFinite {
                        path: self.path.clone(),
                        output: self.network.output_names().get(*index).cloned().unwrap_or_default(),
                        frame: picture.frame_index,
                    });
                }
            }
        }
        Ok(outputs)
    }

    /// The outputs that the head reads.
    fn run(&self, input: Tensor) -> Result<Vec<Tensor>, InferenceError> {
        let unusable = |reason: String| InferenceError::Unusable { path: self.path.clone(), reason };
        let all = self.network.run(input).map_err(unusable)?;
        let pick = |index: &usize| {
            all.get(*index).cloned().ok_or_else(|| unusable(format!("output {} did not come", index + 1)))
        };
        self.outputs.iter().map(pick).collect()
    }

    /// Holds the outputs' shapes against the head.
    fn fits(&self, outputs: &[Tensor]) -> Result<(), InferenceError> {
        let (batch, points) = (self.manifest.input.batch, self.manifest.names.len());
        let (width, height) = (self.manifest.input.width, self.manifest.input.height);
        let wrong = |index: usize, said: String| {
            let name = self.outputs.get(index).and_then(|i| self.network.output_names().get(*i));
            Err(InferenceError::Shape {
                path: self.path.clone(),
                what: format!("the output \"{}\"", name.cloned().unwrap_or_default()),
                found: outputs.get(index).map(|o| shape_text(&o.shape)).unwrap_or_default(),
                said,
            })
        };
        let shape = |index: usize| outputs.get(index).map(|o| o.shape.as_slice()).unwrap_or_default();
        match &self.manifest.head {
            Head::HeatMap { .. } => match shape(0) {
                [b, p, rows, columns] if [*b, *p] == [batch, points] && *rows > 0 && *columns > 0 => Ok(()),
                _ => wrong(0, format!("{batch} x {points} x rows x columns ({points} names)")),
            },
            Head::Simcc { split_ratio, .. } => {
                for (index, side) in [width, height].into_iter().enumerate() {
                    let cells = (side as f64 * split_ratio).round() as usize;
                    if shape(index) != [batch, points, cells] {
                        return wrong(
                            index,
                            format!(
                                "{batch} x {points} x {cells} ({points} names, {side} px, split ratio {split_ratio})"
                            ),
                        );
                    }
                }
                Ok(())
            }
            Head::Regression { .. } => {
                match shape(0) {
                    [b, p, 2 | 3] if [*b, *p] == [batch, points] => {}
                    [b, flat] if *b == batch && (*flat == 2 * points || *flat == 3 * points) => {}
                    _ => return wrong(0, format!("{batch} x {points} x 2 or 3 ({points} names)")),
                }
                match outputs.get(1).map(|o| o.values.len()) {
                    Some(scores) if scores != batch * points => wrong(1, format!("{batch} x {points} scores")),
                    _ => Ok(()),
                }
            }
            Head::Boxes { .. } => {
                let Some((rows, boxes_last)) = self.rows() else { return Ok(()) };
                let open_end = rows.columns.last().is_some_and(|c| c == "...");
                let columns = match (shape(0), boxes_last) {
                    ([1, _, columns], false) | ([1, columns, _], true) => *columns,
                    _ => return wrong(0, "1 x boxes x columns, or 1 x columns x boxes with boxes_last".to_owned()),
                };
                let named = rows.named();
                if columns == named || (open_end && columns > named) {
                    return Ok(());
                }
                wrong(0, format!("{named} columns{}", if open_end { " or more" } else { "" }))
            }
        }
    }

    /// Where a point is on the input of one picture of the batch, and its score.
    fn found(&self, outputs: &[Tensor], picture: usize, point: usize) -> Option<(Found, f64)> {
        let (width, height) = (self.manifest.input.width, self.manifest.input.height);
        let points = self.manifest.names.len();
        // The stretch of an output that belongs to the point; every output starts with pictures × points.
        let part = |output: usize| -> Option<&[f32]> {
            let tensor = outputs.get(output)?;
            let each = tensor.values.len() / (self.manifest.input.batch * points);
            let start = (picture * points + point) * each;
            tensor.values.get(start..start + each)
        };
        match &self.manifest.head {
            Head::HeatMap { pixel_centre, refinement, window_cells, activation, .. } => {
                let &[_, _, rows, columns] = outputs.first()?.shape.as_slice() else { return None };
                let cells = Cells { alignment: *pixel_centre, refinement: *refinement, window: *window_cells };
                let found = cells.in_map(part(0)?, [columns, rows], [width, height])?;
                Some((found, activation.score(found.value)))
            }
            Head::Simcc { pixel_centre, refinement, window_cells, activation, .. } => {
                let cells = Cells { alignment: *pixel_centre, refinement: *refinement, window: *window_cells };
                let ((x, a), (y, b)) = (cells.on_axis(part(0)?, width)?, cells.on_axis(part(1)?, height)?);
                let value = a.min(b);
                Some((Found { input_px: [x, y], value }, activation.score(value)))
            }
            Head::Regression { pixel_centre, unit, activation, .. } => {
                let numbers = part(0)?;
                let (x, y) = (f64::from(*numbers.first()?), f64::from(*numbers.get(1)?));
                let input_px = [
                    pixel_centre.px_from_coordinate(x, *unit, width),
                    pixel_centre.px_from_coordinate(y, *unit, height),
                ];
                let value = part(1).and_then(|scores| scores.first()).or_else(|| numbers.get(2)).map(|v| f64::from(*v));
                let score = value.map_or(1.0, |v| activation.score(v));
                Some((Found { input_px, value: value.unwrap_or(1.0) }, score))
            }
            Head::Boxes { .. } => None,
        }
    }
}

/// Shape of the input that the manifest makes.
fn input_shape(manifest: &Manifest) -> Vec<usize> {
    let input = &manifest.input;
    let channels = input.colours.channels();
    match input.layout {
        Layout::Nchw => vec![input.batch, channels, input.height, input.width],
        Layout::Nhwc => vec![input.batch, input.height, input.width, channels],
    }
}

/// Which outputs a head reads.
fn chosen_outputs(path: &Path, head: &Head, names: &[String]) -> Result<Vec<usize>, InferenceError> {
    let other = |reason: String| InferenceError::OtherKind { path: path.to_owned(), reason };
    let choose = |name: &Option<String>, usual: usize| match name {
        Some(name) => names
            .iter()
            .position(|n| n == name)
            .ok_or_else(|| other(format!("the model has no output \"{name}\"; it has: {}", names.join(", ")))),
        None if usual < names.len() => Ok(usual),
        None => Err(other(format!(
            "the head reads {} outputs, the model has {}: {}; check `kind` in the manifest",
            usual + 1,
            names.len(),
            names.join(", ")
        ))),
    };
    match head {
        Head::HeatMap { output, .. } | Head::Boxes { output, .. } => Ok(vec![choose(output, 0)?]),
        Head::Simcc { x_output, y_output, .. } => Ok(vec![choose(x_output, 0)?, choose(y_output, 1)?]),
        Head::Regression { output, scores_output, .. } => {
            let mut chosen = vec![choose(output, 0)?];
            if scores_output.is_some() {
                chosen.push(choose(scores_output, 1)?);
            }
            Ok(chosen)
        }
    }
}

#[cfg(feature = "tract")]
fn open_network(path: &Path, input_shape: &[usize]) -> Result<Box<dyn Network>, InferenceError> {
    super::tract_network::open(path, input_shape)
}

#[cfg(not(feature = "tract"))]
fn open_network(path: &Path, _input_shape: &[usize]) -> Result<Box<dyn Network>, InferenceError> {
    Err(InferenceError::NoRuntime { path: path.to_owned() })
}
