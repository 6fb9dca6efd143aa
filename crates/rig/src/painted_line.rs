//! What may differ between a painted line and the court model, and between the line and its pictures.
//!
//! Hundreds of places of one line share these few errors, so that each is one unknown of the solution. Without them the places
//! would be taken to average out what they all have in common.

use std::collections::BTreeMap;

use midline_session::court::LineEdge;
use nalgebra::{Point3, Vector3};

use crate::input::{OnLine, RigSettings};

/// Unknowns of the paint itself, before those of its pictures: where its two ends lie, and how wide it is.
const OF_PAINT: usize = 3;

/// A line that was measured in pictures.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct PaintedLine {
    pub(crate) name: String,
    /// Half its width in the model, metres.
    half_width_m: f64,
    /// The edges that were measured, with the camera; in order.
    pictures: Vec<(usize, LineEdge)>,
}

/// Which unknowns of a painted line a place on it depends on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct OfPaint {
    /// Place in the list of painted lines.
    pub(crate) line: usize,
    /// Place in the line's pictures.
    picture: usize,
    /// How many half widths of the paint lie between the edge whose place the rules fix and the one that was measured; positive
    /// from the low edge to the high one.
    half_widths: f64,
}

/// Kinds of unknowns of a painted line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Unknown {
    /// Of the paint on the ground, metres.
    Paint,
    /// Of one edge in one picture, px.
    Picture,
}

/// The unknowns of one painted line: how far its two ends lie beside their places and how much wider than in the model half of
/// it is (metres, positive from the low edge to the high one), then how far beside itself each measured edge appears in its
/// picture (px across the line's direction).
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct PaintState(Vec<f64>);

impl PaintedLine {
    /// All measured lines, in order of their names.
    pub(crate) fn all<'a>(lines: impl Iterator<Item = (usize, &'a OnLine)>) -> Vec<Self> {
        let mut found: BTreeMap<&str, Self> = BTreeMap::new();
        for (camera, on) in lines.filter(|(_, on)| on.measured) {
            let own = found.entry(&on.line).or_insert_with(|| Self {
                name: on.line.clone(),
                half_width_m: on.half_width_m,
                pictures: Vec::new(),
            });
            if !own.pictures.contains(&(camera, on.edge)) {
                own.pictures.push((camera, on.edge));
            }
        }
        found.into_values().collect()
    }

    /// What a measured place depends on; `None` for one that was not measured.
    pub(crate) fn of(all: &[Self], camera: usize, on: &OnLine) -> Option<OfPaint> {
        if !on.measured {
            return None;
        }
        let line = all.binary_search_by(|own| own.name.as_str().cmp(&on.line)).ok()?;
        let picture = all[line].pictures.iter().position(|own| *own == (camera, on.edge))?;
        Some(OfPaint { line, picture, half_widths: on.half_widths })
    }

    /// Number of unknowns.
    pub(crate) fn size(&self) -> usize {
        OF_PAINT + self.pictures.len()
    }

    /// What is known beforehand of an unknown: its kind and standard deviation (m or px) about 0.
    pub(crate) fn known(&self, index: usize, settings: &RigSettings) -> (Unknown, f64) {
        match index {
            0 | 1 => (Unknown::Paint, settings.paint_sd_m),
            2 => (Unknown::Paint, settings.paint_width_share_sd * self.half_width_m),
            _ => (Unknown::Picture, settings.edge_sd_px),
        }
    }

    /// Everything as in the model.
    pub(crate) fn state(&self) -> PaintState {
        PaintState(vec![0.0; self.size()])
    }
}

impl PaintState {
    pub(crate) fn value(&self, index: usize) -> f64 {
        self.0[index]
    }

    /// The state after a step.
    pub(crate) fn stepped(&self, delta: &[f64]) -> Self {
        Self(self.0.iter().zip(delta).map(|(value, step)| value + step).collect())
    }
}

impl OfPaint {
    /// Both ends of the measured edge as painted, from its ends in the model; `across` is the unit vector from the low edge to the high
    /// one.
    pub(crate) fn ends(&self, state: &PaintState, model: [Point3<f64>; 2], across: &Vector3<f64>) -> [Point3<f64>; 2] {
        let wider_m = self.half_widths * state.0[2];
        [0, 1].map(|end| model[end] + across * (state.0[end] + wider_m))
    }

    /// How far beside itself the edge appears in its picture, px.
    pub(crate) fn apparent_px(&self, state: &PaintState) -> f64 {
        state.0[OF_PAINT + self.picture]
    }

    /// By how much a place at a share of the line's length moves across the line with each unknown of the paint.
    pub(crate) fn by_paint(&self, share: f64) -> [f64; OF_PAINT] {
        [1.0 - share, share, self.half_widths]
    }

    /// Place of the picture's unknown among the line's.
    pub(crate) fn picture_index(&self) -> usize {
        OF_PAINT + self.picture
    }
}
