//! What all plots share: the frame that turns a drawing into an accessible SVG, axes, dashed lines.

use std::ops::Range;

use plotters::chart::ChartContext;
use plotters::coord::Shift;
use plotters::coord::types::RangedCoordf64;
use plotters::prelude::*;
use serde::Serialize;

use crate::ReportError;
use crate::palette::{GRID, INK, LineStyle, QUIET};

/// Drawings are made this much larger than they are shown: the backend rounds to whole pixels.
pub(crate) const FINE: u32 = 3;

/// A plot in two axes.
pub(crate) type Chart<'a, 'b> = ChartContext<'a, SVGBackend<'b>, Cartesian2d<RangedCoordf64, RangedCoordf64>>;

/// A finished plot with its text alternative.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub(crate) struct Plot {
    /// Identifier in the page.
    pub(crate) id: String,
    pub(crate) title: String,
    /// What a person who cannot see the plot needs to know.
    pub(crate) description: String,
    pub(crate) view_box: String,
    /// SVG elements; the backend has escaped their text.
    pub(crate) drawing: String,
}

/// Size of a plot in the page's units and the space that its axes take.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Frame {
    pub(crate) width: u32,
    pub(crate) height: u32,
    pub(crate) x_label: &'static str,
    /// Names at 0, 1, 2 … along the horizontal axis in place of numbers; none for numbers.
    pub(crate) x_names: &'static [&'static str],
}

impl Frame {
    const MARGIN: u32 = 8;
    const X_LABELS: u32 = 40;
    const Y_LABELS: u32 = 50;

    /// Width and height of the area inside the axes.
    pub(crate) fn inside(self) -> [f64; 2] {
        [
            f64::from(self.width - Self::Y_LABELS - 2 * Self::MARGIN),
            f64::from(self.height - Self::X_LABELS - 2 * Self::MARGIN),
        ]
    }

    /// Axes with few grid lines over the ranges; `y_label` stands along the vertical axis.
    pub(crate) fn chart<'a, 'b>(
        self,
        area: &'a DrawingArea<SVGBackend<'b>, Shift>,
        x: Range<f64>,
        y: Range<f64>,
        y_label: &str,
    ) -> Result<Chart<'a, 'b>, String> {
        let mut chart = ChartBuilder::on(area)
            .margin(Self::MARGIN * FINE)
            .x_label_area_size(Self::X_LABELS * FINE)
            .y_label_area_size(Self::Y_LABELS * FINE)
            .build_cartesian_2d(x.clone(), y.clone())
            .map_err(|e| e.to_string())?;
        let [width, height] = self.inside();
        chart
            .configure_mesh()
            .x_labels(if self.x_names.is_empty() { (width / 60.0) as usize } else { self.x_names.len() })
            .y_labels((height / 45.0) as usize)
            .max_light_lines(0)
            .bold_line_style(GRID.stroke_width(FINE))
            .axis_style(QUIET.stroke_width(FINE))
            .label_style(font(11, QUIET))
            .axis_desc_style(font(12, INK))
            .x_label_formatter(&|v| self.x_tick(*v, x.end - x.start))
            .y_label_formatter(&|v| tick(*v, y.end - y.start))
            .x_desc(self.x_label)
            .y_desc(y_label)
            .draw()
            .map_err(|e| e.to_string())?;
        Ok(chart)
    }

    fn x_tick(self, value: f64, range: f64) -> String {
        if self.x_names.is_empty() {
            return tick(value, range);
        }
        let place = value.round();
        let name = self.x_names.get(place as usize).filter(|_| place >= 0.0 && (value - place).abs() < 1e-6);
        name.map_or_else(String::new, |name| (*name).to_owned())
    }

    /// Only the horizontal axis, for rows that carry their own names.
    pub(crate) fn bare_chart<'a, 'b>(
        self,
        area: &'a DrawingArea<SVGBackend<'b>, Shift>,
        x: Range<f64>,
        y: Range<f64>,
    ) -> Result<Chart<'a, 'b>, String> {
        let mut chart = ChartBuilder::on(area)
            .margin(Self::MARGIN * FINE)
            .x_label_area_size(Self::X_LABELS * FINE)
            .build_cartesian_2d(x.clone(), y)
            .map_err(|e| e.to_string())?;
        chart
            .configure_mesh()
            .disable_y_axis()
            .disable_y_mesh()
            .x_labels((self.inside()[0] / 60.0) as usize)
            .max_light_lines(0)
            .bold_line_style(GRID.stroke_width(FINE))
            .axis_style(QUIET.stroke_width(FINE))
            .label_style(font(11, QUIET))
            .axis_desc_style(font(12, INK))
            .x_label_formatter(&|v| tick(*v, x.end - x.start))
            .x_desc(self.x_label)
            .draw()
            .map_err(|e| e.to_string())?;
        Ok(chart)
    }

    /// Runs a drawing and wraps it.
    pub(crate) fn plot(
        self,
        id: &str,
        title: &str,
        description: String,
        draw: impl FnOnce(&DrawingArea<SVGBackend<'_>, Shift>) -> Result<(), String>,
    ) -> Result<Plot, ReportError> {
        let failed = |reason: String| ReportError::Plot { plot: title.to_owned(), reason };
        let mut svg = String::new();
        {
            let area = SVGBackend::with_string(&mut svg, (self.width * FINE, self.height * FINE)).into_drawing_area();
            draw(&area).map_err(failed)?;
            area.present().map_err(|e| failed(e.to_string()))?;
        }
        // The page writes its own opening tag: role, title and description belong inside it.
        let inner = svg
            .find('>')
            .and_then(|from| Some(svg.get(from + 1..svg.rfind("</svg>")?)?.trim().to_owned()))
            .ok_or_else(|| failed("the backend wrote no SVG element".to_owned()))?;
        Ok(Plot {
            id: id.to_owned(),
            title: title.to_owned(),
            description,
            view_box: format!("0 0 {} {}", self.width * FINE, self.height * FINE),
            drawing: inner,
        })
    }
}

/// A tick's number with as many decimals as the range asks for, true minus sign.
fn tick(value: f64, range: f64) -> String {
    let decimals = if range > 5.0 { 0 } else { 1 };
    crate::numbers::number(value, if range > 0.5 { decimals } else { 2 })
}

/// A unit as it stands along an axis, where signs alone are hard to see.
pub(crate) fn axis_words(unit: &str) -> &str {
    match unit {
        "°" => "degrees",
        "°/s" => "degrees per second",
        other => other,
    }
}

pub(crate) fn font(size: u32, colour: RGBColor) -> TextStyle<'static> {
    let style = TextStyle::from(("sans-serif", size * FINE).into_font());
    TextStyle { color: colour.to_backend_color(), ..style }
}

/// Draws a polyline in a series' style; fewer than two points draw nothing.
pub(crate) fn draw_line(
    chart: &mut Chart<'_, '_>,
    points: &[(f64, f64)],
    style: LineStyle,
    width: f64,
) -> Result<(), String> {
    if points.len() < 2 {
        return Ok(());
    }
    let stroke = style.colour.stroke_width((width * f64::from(FINE)).round() as u32);
    let points = points.iter().copied();
    match style.dash {
        None => chart.draw_series(LineSeries::new(points, stroke)).map(drop),
        Some((length, gap)) => {
            chart.draw_series(DashedLineSeries::new(points, length * FINE, gap * FINE, stroke)).map(drop)
        }
    }
    .map_err(|e| e.to_string())
}

/// Smallest and largest of the finite values.
pub(crate) fn extent(values: impl IntoIterator<Item = f64>) -> Option<[f64; 2]> {
    values.into_iter().filter(|v| v.is_finite()).fold(None, |extent, v| {
        let [low, high] = extent.unwrap_or([v, v]);
        Some([v.min(low), v.max(high)])
    })
}

/// A range that holds all values with a share of air at either end, never empty.
pub(crate) fn range_of(values: impl IntoIterator<Item = f64>, air: f64) -> Option<Range<f64>> {
    let [low, high] = extent(values)?;
    let pad = ((high - low) * air).max(1e-3 * (1.0 + high.abs().max(low.abs())));
    Some(low - pad..high + pad)
}
