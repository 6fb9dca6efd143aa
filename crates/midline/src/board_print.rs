//! `midline lens --print-board`: a board to print.

use std::path::Path;

use midline_session::board::{Board, Markers};
use midline_session::write_atomically;

use crate::arguments::Print;

/// Side of a marker as a share of a square, when it is not given.
const MARKER_SHARE: f64 = 0.75;

/// Writes the page and prints the block for `session.toml`.
pub(crate) fn write(file: &Path, print: &Print) -> anyhow::Result<()> {
    anyhow::ensure!(
        file.extension().is_some_and(|extension| extension.eq_ignore_ascii_case("svg")),
        "{}: the board is written as SVG; give the file a name that ends in .svg",
        file.display()
    );
    let board = board(print)?;
    let page = midline_vision::board_page(&board, &print.paper)?;
    write_atomically(file, page.as_bytes())?;
    println!("{}", file.display());
    println!("Print it at 100 % (no fit to page), check the rulers, measure the squares; then in session.toml:\n");
    print!("{}", midline_vision::board_block(&board));
    Ok(())
}

fn board(print: &Print) -> anyhow::Result<Board> {
    let square_mm = print.square_mm.unwrap_or_else(|| print.paper.largest_square_mm(print.corners));
    // In whole tenths of a millimetre, so that the block in session.toml says it exactly.
    let side_mm = print.marker_mm.unwrap_or((square_mm * MARKER_SHARE * 10.0).round() / 10.0);
    let usable = |c: char| c.is_ascii_alphanumeric() || c == '-' || c == '_';
    anyhow::ensure!(
        !print.name.is_empty() && print.name.chars().all(usable),
        "--name \"{}\": use letters, digits, - and _ only",
        print.name
    );
    Ok(Board {
        name: print.name.clone(),
        inner_corners: print.corners,
        square_m: square_mm / 1e3,
        markers: print.markers.clone().map(|dictionary| Markers { dictionary, side_m: side_mm / 1e3 }),
    })
}
