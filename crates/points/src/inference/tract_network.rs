//! ONNX models through tract, a runtime in Rust.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;

use tract_onnx::pb::tensor_shape_proto::dimension::Value as Dimension;
use tract_onnx::pb::type_proto::Value as Type;
use tract_onnx::pb::{ModelProto, TypeProto};
use tract_onnx::prelude::*;

use super::{InferenceError, Network, Tensor};

/// ONNX's number for 32-bit floats (`TensorProto.DataType.FLOAT`).
const FLOAT: i32 = 1;

/// The runtime's reasons on one line.
fn said(error: TractError) -> String {
    format!("{error:#}")
}

struct TractNetwork {
    plan: Arc<TypedRunnableModel>,
    output_names: Vec<String>,
}

impl Network for TractNetwork {
    fn output_names(&self) -> &[String] {
        &self.output_names
    }

    fn run(&self, input: Tensor) -> Result<Vec<Tensor>, String> {
        let run = || -> Result<Vec<Tensor>, String> {
            let input = tract_onnx::prelude::Tensor::from_shape(&input.shape, &input.values).map_err(said)?;
            let outputs = self.plan.run(tvec!(input.into_tvalue())).map_err(said)?;
            outputs
                .iter()
                .map(|output| {
                    let floats = output.cast_to::<f32>().map_err(said)?;
                    let values = floats.to_plain_array_view::<f32>().map_err(said)?.iter().copied().collect();
                    Ok(Tensor { shape: output.shape().to_vec(), values })
                })
                .collect()
        };
        // tract may panic on operators that it half supports.
        catch_unwind(AssertUnwindSafe(run)).unwrap_or_else(|_| Err("the runtime broke off".to_owned()))
    }
}

/// Makes a model ready for inputs of one shape.
///
/// # Errors
/// When the file is no ONNX model, its input has another shape or is not of 32-bit floats, or tract lacks an operator.
pub(crate) fn open(path: &Path, input_shape: &[usize]) -> Result<Box<dyn Network>, InferenceError> {
    let unusable = |reason: String| InferenceError::Unusable { path: path.to_owned(), reason };
    let model = std::fs::read(path).map_err(InferenceError::io(path, "reading"))?;
    if model.is_empty() {
        return Err(unusable("the file is empty".to_owned()));
    }
    let framework = tract_onnx::onnx();
    let proto = framework
        .proto_model_for_read(&mut model.as_slice())
        .map_err(|e| unusable(format!("not an ONNX file ({e:#}); export the network as ONNX")))?;
    declared_input(path, &proto, input_shape)?;
    let folder = path.parent().and_then(Path::to_str).map(str::to_owned);
    let load = || -> Result<TractNetwork, String> {
        let parsed = framework.parse(&proto, folder.as_deref()).map_err(said)?;
        if !parsed.unresolved_inputs.is_empty() {
            return Err(format!("nothing in it gives {}", parsed.unresolved_inputs.join(", ")));
        }
        let shape: Vec<usize> = input_shape.to_vec();
        let fact = InferenceFact::dt_shape(f32::datum_type(), shape);
        let model = parsed.model.with_input_fact(0, fact).map_err(said)?;
        let outlets = model.output_outlets().map_err(said)?.to_vec();
        let label = |(index, outlet): (usize, &OutletId)| {
            model.outlet_label(*outlet).map_or_else(|| format!("output {}", index + 1), str::to_owned)
        };
        let output_names = outlets.iter().enumerate().map(label).collect();
        let plan = model.into_optimized().and_then(|model| model.into_runnable()).map_err(said)?;
        Ok(TractNetwork { plan, output_names })
    };
    let network = catch_unwind(AssertUnwindSafe(load)).unwrap_or_else(|_| Err("the runtime broke off".to_owned()));
    Ok(Box::new(network.map_err(unusable)?))
}

/// Holds the model's own statement about its input against the shape that the manifest makes.
fn declared_input(path: &Path, proto: &ModelProto, input_shape: &[usize]) -> Result<(), InferenceError> {
    let unusable = |reason: String| InferenceError::Unusable { path: path.to_owned(), reason };
    let graph = proto.graph.as_ref().ok_or_else(|| unusable("there is no graph in it".to_owned()))?;
    // Weights may be listed as inputs too.
    let inputs: Vec<_> =
        graph.input.iter().filter(|i| !graph.initializer.iter().any(|weights| weights.name == i.name)).collect();
    let [input] = inputs[..] else {
        let names: Vec<&str> = inputs.iter().map(|i| i.name.as_str()).collect();
        return Err(unusable(format!("it has {} inputs ({}); one picture goes in", names.len(), names.join(", "))));
    };
    let Some(TypeProto { value: Some(Type::TensorType(declared)), .. }) = &input.r#type else { return Ok(()) };
    if declared.elem_type != FLOAT && declared.elem_type != 0 {
        return Err(unusable(format!(
            "its input \"{}\" is not of 32-bit floats; export the model with float32 inputs",
            input.name
        )));
    }
    let Some(shape) = &declared.shape else { return Ok(()) };
    let fixed: Vec<Option<usize>> = shape
        .dim
        .iter()
        .map(|d| match d.value {
            Some(Dimension::DimValue(n)) if n > 0 => usize::try_from(n).ok(),
            _ => None,
        })
        .collect();
    let fits = fixed.len() == input_shape.len()
        && fixed.iter().zip(input_shape).all(|(fixed, wanted)| fixed.is_none_or(|fixed| fixed == *wanted));
    if fits {
        return Ok(());
    }
    let sides: Vec<String> = fixed.iter().map(|d| d.map_or("?".to_owned(), |n| n.to_string())).collect();
    Err(InferenceError::Shape {
        path: path.to_owned(),
        what: format!("the input \"{}\"", input.name),
        found: sides.join(" x "),
        said: super::model::shape_text(input_shape),
    })
}
