//! A board on a sheet of paper, true to scale, as SVG.
//!
//! # Conventions
//!
//! - Millimetres on the sheet, origin at its top left, x right, y down.
//! - What must be true to scale is one path of black rectangles and the rulers' lines; text is for people.

use std::fmt::Write;

use midline_session::board::Board;

use crate::VisionError;
use crate::markers::{MARKER_LAYOUT, marker_cells, marker_squares};

/// Paper on all sides that most printers leave white.
const MARGIN_MM: f64 = 7.0;
/// White between the board and anything else: the search needs the outermost squares to stand free.
const FREE_MM: f64 = 6.0;
/// Height of a ruler with its figures.
const RULER_MM: f64 = 8.0;
/// Distance of two lines of text.
const LINE_MM: f64 = 3.4;
/// Height of the text.
const TEXT_MM: f64 = 2.7;
/// Lines of text under the board.
const LINES: usize = 6;
/// Widest line of text on the left side; the block for session.toml stands right of it.
const LEFT_TEXT_MM: f64 = 134.0;
/// Narrowest sheet that holds both.
const NARROWEST_MM: f64 = 230.0;
/// Decimals of what is written, in millimetres.
const DECIMALS: usize = 4;

/// A sheet of paper.
#[derive(Debug, Clone, PartialEq)]
pub struct Paper {
    /// Name as people know it.
    pub name: String,
    /// Width and height, the longer side first.
    pub size_mm: [f64; 2],
}

impl Paper {
    /// A4 (ISO 216), lying.
    #[must_use]
    pub fn a4() -> Self {
        Self { name: "A4".to_owned(), size_mm: [297.0, 210.0] }
    }

    /// A3 (ISO 216), lying.
    #[must_use]
    pub fn a3() -> Self {
        Self { name: "A3".to_owned(), size_mm: [420.0, 297.0] }
    }

    /// Paper of another size; a sheet that stands is laid.
    #[must_use]
    pub fn custom([a, b]: [f64; 2]) -> Self {
        Self { name: format!("{} × {} mm", a.max(b), a.min(b)), size_mm: [a.max(b), a.min(b)] }
    }

    /// Width and height left for the board.
    #[must_use]
    pub fn room_mm(&self) -> [f64; 2] {
        let [width, height] = self.size_mm;
        // Right of the board and above it the margin is white enough.
        let beside = 2.0 * MARGIN_MM + FREE_MM + RULER_MM;
        [width - beside, height - beside - LINES as f64 * LINE_MM]
    }

    /// Side of the largest square in whole millimetres with which a board of that many inner corners fits.
    #[must_use]
    pub fn largest_square_mm(&self, inner_corners: [usize; 2]) -> f64 {
        let room = self.room_mm();
        (0..2).map(|axis| room[axis] / (inner_corners[axis] + 1) as f64).fold(f64::INFINITY, f64::min).floor().max(0.0)
    }
}

/// The SVG of a board on paper, with a ruler along both sides, what to measure, and the block for `session.toml`.
///
/// # Errors
/// When the board is not sound (see [`Board::fault`]), does not fit on the paper (with the numbers), or its markers cannot be
/// drawn.
pub fn board_page(board: &Board, paper: &Paper) -> Result<String, VisionError> {
    if let Some(reason) = board.fault() {
        return Err(VisionError::Page { reason });
    }
    let square = board.square_m * 1e3;
    let size = board.squares().map(|n| n as f64 * square);
    let room = paper.room_mm();
    if paper.size_mm[0] < NARROWEST_MM || size[0] > room[0] || size[1] > room[1] {
        let largest = paper.largest_square_mm(board.inner_corners);
        return Err(VisionError::Page {
            reason: format!(
                "board \"{}\" is {:.1} × {:.1} mm ({} × {} squares of {square} mm), and {} leaves {:.1} × {:.1} mm beside rulers \
                 and text; {}",
                board.name,
                size[0],
                size[1],
                board.squares()[0],
                board.squares()[1],
                paper.name,
                room[0],
                room[1],
                if largest >= 1.0 && paper.size_mm[0] >= NARROWEST_MM {
                    format!("squares of {largest} mm fit, or take larger paper or fewer corners")
                } else {
                    format!("take paper at least {NARROWEST_MM} mm wide, larger, or fewer corners")
                }
            ),
        });
    }
    let origin = [MARGIN_MM + RULER_MM + FREE_MM + (room[0] - size[0]) / 2.0, MARGIN_MM + (room[1] - size[1]) / 2.0];
    let mut svg = String::new();
    let [width, height] = paper.size_mm;
    // Writing into a string never fails.
    let _ = writeln!(
        svg,
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{width}mm\" height=\"{height}mm\" viewBox=\"0 0 {width} {height}\">\n\
         <title>{}</title>\n\
         <desc>midline {}, marker layout {MARKER_LAYOUT}: squares counted from the top left, the \
         first one black; markers 0, 1, 2 … in the white squares row by row</desc>\n\
         <style>@page {{ size: {width}mm {height}mm; margin: 0 }} text {{ font-family: sans-serif; font-size: {TEXT_MM}px }} \
         .figure {{ font-size: 2.2px; text-anchor: middle }} .block {{ font-family: monospace }}</style>\n\
         <rect width=\"{width}\" height=\"{height}\" fill=\"white\"/>\n\
         <path id=\"board\" fill=\"black\" d=\"{}\"/>\n\
         <path id=\"rulers\" fill=\"none\" stroke=\"black\" stroke-width=\"0.15\" d=\"{}\"/>",
        escaped(&format!("Board {} on {}", board.name, paper.name)),
        env!("CARGO_PKG_VERSION"),
        black(board, origin)?,
        ruler_lines(origin, size),
    );
    figures(&mut svg, origin, size);
    words(&mut svg, board, paper, [origin[0], height - MARGIN_MM - LINES as f64 * LINE_MM]);
    svg.push_str("</svg>\n");
    Ok(svg)
}

/// The ready `[[board]]` block of a board for `session.toml`.
#[must_use]
pub fn board_block(board: &Board) -> String {
    let metres = |value: f64| (value * 1e6).round() / 1e6;
    let markers = board.markers.as_ref().map_or(String::new(), |markers| {
        format!("markers = {{ dictionary = \"{}\", side_m = {} }}\n", markers.dictionary, metres(markers.side_m))
    });
    format!(
        "[[board]]\nname = \"{}\"\ninner_corners = [{}, {}]\nsquare_m = {}\n{markers}",
        board.name,
        board.inner_corners[0],
        board.inner_corners[1],
        metres(board.square_m)
    )
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}

/// A rectangle as part of a path.
fn rectangle(path: &mut String, [x, y]: [f64; 2], [width, height]: [f64; 2]) {
    let _ = write!(path, "M{x:.DECIMALS$} {y:.DECIMALS$}h{width:.DECIMALS$}v{height:.DECIMALS$}h-{width:.DECIMALS$}z");
}

/// Everything black on the board, as one path: in one path, cells that touch leave no hair line between them.
fn black(board: &Board, origin: [f64; 2]) -> Result<String, VisionError> {
    let square = board.square_m * 1e3;
    let [across, down] = board.squares();
    let corner = |column: usize, row: usize| [origin[0] + column as f64 * square, origin[1] + row as f64 * square];
    let mut path = String::new();
    for row in 0..down {
        for column in (row % 2..across).step_by(2) {
            rectangle(&mut path, corner(column, row), [square; 2]);
        }
    }
    let Some(markers) = &board.markers else { return Ok(path) };
    let side = markers.side_m * 1e3;
    for (cells, [column, row]) in marker_cells(board)?.iter().zip(marker_squares(board)) {
        let [left, top] = corner(column, row).map(|start| start + (square - side) / 2.0);
        let cell = side / cells.side as f64;
        for line in 0..cells.side {
            let mut at = 0;
            while at < cells.side {
                let run = (at..cells.side).take_while(|&column| cells.is_black(column, line)).count();
                if run > 0 {
                    let start = [left + at as f64 * cell, top + line as f64 * cell];
                    rectangle(&mut path, start, [run as f64 * cell, cell]);
                }
                at += run.max(1);
            }
        }
    }
    Ok(path)
}

/// Place of the rulers: y of the lower one's edge, x of the left one's.
fn ruler_edges(origin: [f64; 2], size: [f64; 2]) -> [f64; 2] {
    [origin[0] - FREE_MM, origin[1] + size[1] + FREE_MM]
}

/// Whole millimetres of a ruler along a side of that length.
fn ruler_length(side: f64) -> usize {
    (side / 10.0).floor() as usize * 10
}

/// The rulers' lines: one under the board, one left of it, with a mark for each millimetre.
fn ruler_lines(origin: [f64; 2], size: [f64; 2]) -> String {
    let [left, below] = ruler_edges(origin, size);
    let lengths = size.map(ruler_length);
    let mut path = String::new();
    let _ = write!(path, "M{:.DECIMALS$} {below:.DECIMALS$}h{}", origin[0], lengths[0]);
    let _ = write!(path, "M{left:.DECIMALS$} {:.DECIMALS$}v{}", origin[1], lengths[1]);
    let mark = |mm: usize| match mm % 10 {
        0 => 3.0,
        5 => 2.2,
        _ => 1.4,
    };
    for mm in 0..=lengths[0] {
        let _ = write!(path, "M{:.DECIMALS$} {below:.DECIMALS$}v{}", origin[0] + mm as f64, mark(mm));
    }
    for mm in 0..=lengths[1] {
        let _ = write!(path, "M{left:.DECIMALS$} {:.DECIMALS$}h-{}", origin[1] + mm as f64, mark(mm));
    }
    path
}

fn figures(svg: &mut String, origin: [f64; 2], size: [f64; 2]) {
    let [left, below] = ruler_edges(origin, size);
    for mm in (0..=ruler_length(size[0])).step_by(50) {
        let _ = writeln!(
            svg,
            "<text class=\"figure\" x=\"{:.2}\" y=\"{:.2}\">{mm}</text>",
            origin[0] + mm as f64,
            below + 5.4
        );
    }
    for mm in (0..=ruler_length(size[1])).step_by(50) {
        let (x, y) = (left - 5.4, origin[1] + mm as f64 + 0.8);
        let _ = writeln!(svg, "<text class=\"figure\" x=\"{x:.2}\" y=\"{y:.2}\">{mm}</text>");
    }
}

/// What to do with the print, and the block for `session.toml`.
fn words(svg: &mut String, board: &Board, paper: &Paper, [x, y]: [f64; 2]) {
    let [wide, high] = board.squares().map(|n| n as f64 * board.square_m * 1e3);
    let measured = if board.markers.is_some() {
        "3. If it is off: square_m = measured width / 1000 / squares in a row; scale side_m likewise."
    } else {
        "3. If it is off: square_m = measured width / 1000 / squares in a row, in metres."
    };
    let left = [
        format!("Print on {} at 100 % (\"actual size\", no fit to page); rulers in mm.", paper.name),
        "1. Glue it to something flat and stiff; matt paper, no gloss. Keep the white around the squares.".to_owned(),
        format!("2. Measure: the squares must span {wide:.1} mm across and {high:.1} mm down, edge to edge."),
        measured.to_owned(),
        "4. Both directions must agree to 0.5 mm in 200, else print again.".to_owned(),
        format!(
            "midline {}, {} × {} squares, marker layout {MARKER_LAYOUT}. Right: for session.toml.",
            env!("CARGO_PKG_VERSION"),
            board.squares()[0],
            board.squares()[1]
        ),
    ];
    for (index, line) in left.iter().enumerate() {
        let y = y + (index + 1) as f64 * LINE_MM;
        let _ = writeln!(svg, "<text x=\"{:.2}\" y=\"{y:.2}\">{}</text>", MARGIN_MM, escaped(line));
    }
    let right = MARGIN_MM + LEFT_TEXT_MM + 4.0;
    for (index, line) in board_block(board).lines().enumerate() {
        let y = y + (index + 1) as f64 * LINE_MM;
        let _ = writeln!(
            svg,
            "<text class=\"block\" xml:space=\"preserve\" x=\"{:.2}\" y=\"{y:.2}\">{}</text>",
            x.max(right),
            escaped(line)
        );
    }
}
