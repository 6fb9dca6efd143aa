//! What a runtime offers: numbers in, numbers out.

/// Numbers with a shape, rows last.
#[derive(Debug, Clone, PartialEq)]
pub struct Tensor {
    /// Length of each axis.
    pub shape: Vec<usize>,
    /// As many values as the shape asks for.
    pub values: Vec<f32>,
}

/// A network that a runtime has made ready for one shape of input.
pub trait Network: Send + Sync {
    /// Names of the outputs, in the order of [`Network::run`].
    fn output_names(&self) -> &[String];

    /// Runs one batch.
    ///
    /// # Errors
    /// What the runtime says.
    fn run(&self, input: Tensor) -> Result<Vec<Tensor>, String>;
}
