//! Writes networks as ONNX files: as much of the format (onnx.proto3 of the ONNX specification, IR version 8) and of protocol
//! buffers' wire format as small generated networks need.

/// Operator set that the files ask for.
const OPERATOR_SET: u64 = 13;
const FLOAT: u64 = 1;
const INT64: u64 = 7;

/// An attribute of a node.
#[derive(Debug, Clone, Copy)]
pub enum Attribute<'a> {
    /// A whole number.
    Int(i64),
    /// Several whole numbers.
    Ints(&'a [i64]),
    /// A number.
    Float(f32),
}

/// A network in the making: one input, nodes in the order in which they run, outputs.
#[derive(Debug, Clone, Default)]
pub struct Graph {
    nodes: Vec<Vec<u8>>,
    constants: Vec<Vec<u8>>,
    inputs: Vec<Vec<u8>>,
    outputs: Vec<Vec<u8>>,
}

/// A message in protocol buffers' wire format.
#[derive(Default)]
struct Message(Vec<u8>);

impl Message {
    fn varint(&mut self, mut value: u64) {
        while value >= 0x80 {
            self.0.push((value & 0x7F) as u8 | 0x80);
            value >>= 7;
        }
        self.0.push(value as u8);
    }

    fn number(mut self, field: u64, value: u64) -> Self {
        self.varint(field << 3);
        self.varint(value);
        self
    }

    fn float(mut self, field: u64, value: f32) -> Self {
        self.varint(field << 3 | 5);
        self.0.extend(value.to_le_bytes());
        self
    }

    fn bytes(mut self, field: u64, content: &[u8]) -> Self {
        self.varint(field << 3 | 2);
        self.varint(content.len() as u64);
        self.0.extend(content);
        self
    }

    fn text(self, field: u64, content: &str) -> Self {
        self.bytes(field, content.as_bytes())
    }
}

impl Graph {
    /// Adds an input or output of 32-bit floats; `None` for a length that is left open.
    fn value(name: &str, shape: &[Option<usize>]) -> Vec<u8> {
        let dimensions = shape.iter().fold(Message::default(), |message, side| {
            let dimension = match side {
                Some(side) => Message::default().number(1, *side as u64),
                None => Message::default().text(2, "n"),
            };
            message.bytes(1, &dimension.0)
        });
        let tensor = Message::default().number(1, FLOAT).bytes(2, &dimensions.0);
        let of_type = Message::default().bytes(1, &tensor.0);
        Message::default().text(1, name).bytes(2, &of_type.0).0
    }

    /// Declares the input.
    #[must_use]
    pub fn input(mut self, name: &str, shape: &[Option<usize>]) -> Self {
        self.inputs.push(Self::value(name, shape));
        self
    }

    /// Declares an output, which a node makes.
    #[must_use]
    pub fn output(mut self, name: &str, shape: &[Option<usize>]) -> Self {
        self.outputs.push(Self::value(name, shape));
        self
    }

    /// Adds numbers that nodes can read; as many as the shape asks for.
    #[must_use]
    pub fn constant(mut self, name: &str, shape: &[usize], values: &[f32]) -> Self {
        let raw: Vec<u8> = values.iter().flat_map(|v| v.to_le_bytes()).collect();
        self.constants.push(Self::tensor(name, shape, FLOAT, &raw));
        self
    }

    /// Adds whole numbers that nodes can read, such as a shape.
    #[must_use]
    pub fn integers(mut self, name: &str, values: &[i64]) -> Self {
        let raw: Vec<u8> = values.iter().flat_map(|v| v.to_le_bytes()).collect();
        self.constants.push(Self::tensor(name, &[values.len()], INT64, &raw));
        self
    }

    fn tensor(name: &str, shape: &[usize], of: u64, raw: &[u8]) -> Vec<u8> {
        let dimensions = shape.iter().fold(Message::default(), |message, side| message.number(1, *side as u64));
        dimensions.number(2, of).text(8, name).bytes(9, raw).0
    }

    /// Adds a node.
    #[must_use]
    pub fn node(mut self, operator: &str, inputs: &[&str], output: &str, attributes: &[(&str, Attribute)]) -> Self {
        let mut node = inputs.iter().fold(Message::default(), |message, input| message.text(1, input));
        node = node.text(2, output).text(3, output).text(4, operator);
        for (name, attribute) in attributes {
            let message = Message::default().text(1, name);
            let message = match attribute {
                Attribute::Float(value) => message.float(2, *value).number(20, 1),
                Attribute::Int(value) => message.number(3, *value as u64).number(20, 2),
                Attribute::Ints(values) => {
                    values.iter().fold(message, |message, value| message.number(8, *value as u64)).number(20, 7)
                }
            };
            node = node.bytes(5, &message.0);
        }
        self.nodes.push(node.0);
        self
    }

    /// The file's content.
    #[must_use]
    pub fn encoded(&self) -> Vec<u8> {
        let mut graph = Message::default();
        for (field, parts) in [(1, &self.nodes), (5, &self.constants), (11, &self.inputs), (12, &self.outputs)] {
            graph = parts.iter().fold(graph, |message, part| message.bytes(field, part));
        }
        let graph = graph.text(2, "made by midline's demo");
        let operators = Message::default().text(1, "").number(2, OPERATOR_SET);
        Message::default().number(1, 8).text(2, "midline").bytes(7, &graph.0).bytes(8, &operators.0).0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_wire_format_is_that_of_its_published_examples() {
        // Protocol Buffers documentation, "Encoding": a = 150 in field 1 is 08 96 01; "testing" in field 2 is 12 07 74 65 73
        // 74 69 6e 67; a nested message with a = 150 in field 3 is 1a 03 08 96 01. From memory of that page.
        let simple = Message::default().number(1, 150);
        assert_eq!(simple.0, [0x08, 0x96, 0x01]);
        let text = Message::default().text(2, "testing");
        assert_eq!(text.0, [0x12, 0x07, 0x74, 0x65, 0x73, 0x74, 0x69, 0x6E, 0x67]);
        assert_eq!(Message::default().bytes(3, &simple.0).0, [0x1A, 0x03, 0x08, 0x96, 0x01]);
    }
}
