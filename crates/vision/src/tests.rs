//! Finding drawn boards whose corners are known.

use std::f64::consts::FRAC_PI_2;

use midline_session::board::Board;

use crate::drawn_board::{Drawing, blurred, board};
use crate::{FoundBoard, Grey, VisionError, find_board};

const SIZE: [u32; 2] = [800, 600];

fn find(board: &Board, drawing: &Drawing) -> Option<FoundBoard> {
    find_board(board, &Grey { pixels: &drawing.render(board), size_px: drawing.size_px }).unwrap()
}

fn worst_error_px(found: &FoundBoard, truth: &[[f64; 2]]) -> f64 {
    assert_eq!(found.corners_px.len(), truth.len());
    found.corners_px.iter().zip(truth).map(|(a, b)| (a[0] - b[0]).hypot(a[1] - b[1])).fold(0.0, f64::max)
}

#[test]
fn the_first_corner_is_the_same_physical_one_in_every_turn() {
    for board in [board(7, 4), board(4, 7), board(6, 5)] {
        for quarter in 0..4 {
            for lean in [0.0, 0.2] {
                let turn = FRAC_PI_2 * f64::from(quarter) + lean;
                let drawing = Drawing::new(&board, [402.3, 297.8], 44.0, turn, [0.012, -0.02], SIZE);
                let found = find(&board, &drawing).unwrap();
                let error = worst_error_px(&found, &drawing.corners_px(&board));
                assert!(error < 0.1, "{:?}, {turn:.2} rad: {error:.3} px", board.inner_corners);
            }
        }
    }
}

#[test]
fn a_board_far_away_in_a_large_picture_is_found_and_refined_at_full_size() {
    let board = board(7, 4);
    let drawing = Drawing::new(&board, [1300.4, 520.9], 22.0, 0.3, [0.004, 0.01], [1920, 1080]);
    let found = find(&board, &drawing).unwrap();
    let error = worst_error_px(&found, &drawing.corners_px(&board));
    assert!(error < 0.1, "{error:.3} px");
}

#[test]
fn a_board_whose_turns_look_alike_starts_at_the_top_left_and_is_never_mirrored() {
    for (board, turn) in [(board(5, 5), 0.1), (board(4, 4), 1.7), (board(6, 4), 3.0), (board(7, 5), 0.2)] {
        let drawing = Drawing::new(&board, [400.0, 300.0], 50.0, turn, [0.01, 0.0], SIZE);
        let found = find(&board, &drawing).unwrap();
        let [across, down] = board.inner_corners;
        let at = |column: usize, row: usize| found.corners_px[row * across + column];
        let (o, x, y) = (at(0, 0), at(across - 1, 0), at(0, down - 1));
        let cross = (x[0] - o[0]) * (y[1] - o[1]) - (x[1] - o[1]) * (y[0] - o[0]);
        assert!(cross > 0.0);
        // It is one of the corners of the true grid, of all those that the colours allow the nearest to the top left.
        let last = at(across - 1, down - 1);
        assert!(o[0] + o[1] <= last[0] + last[1]);
        let truth = drawing.corners_px(&board);
        assert!(found.corners_px.iter().all(|p| truth.iter().any(|q| (p[0] - q[0]).hypot(p[1] - q[1]) < 0.1)));
    }
}

#[test]
fn the_edge_width_follows_the_blur() {
    let board = board(7, 4);
    let drawing = Drawing::new(&board, [401.0, 301.0], 55.0, 0.15, [0.01, 0.01], SIZE);
    let pixels = drawing.render(&board);
    for sigma in [2.0, 3.5] {
        let picture = Grey { pixels: &blurred(&pixels, SIZE, sigma), size_px: SIZE };
        let found = find_board(&board, &picture).unwrap().unwrap();
        let error = worst_error_px(&found, &drawing.corners_px(&board));
        assert!(error < 0.15, "{error:.3} px");
        // 10 % to 90 % of a Gaussian edge; the pixel's own square and the interpolation add a little.
        let width = found.edge_width_px.unwrap();
        assert!((width / (2.563 * sigma) - 1.0).abs() < 0.1, "{sigma}: {width}");
    }
    let sharp = find(&board, &drawing).unwrap().edge_width_px.unwrap();
    assert!(sharp < 1.6, "{sharp}");
}

#[test]
fn no_board_is_found_where_there_is_none() {
    let small = board(7, 4);
    let size = [640, 480];
    let nothing: Vec<u8> = (0..640 * 480).map(|i: usize| (100 + (i % 640) / 8 + (i * 7919 % 31)) as u8).collect();
    assert_eq!(find_board(&small, &Grey { pixels: &nothing, size_px: size }).unwrap(), None);
    // A net: thin dark lines that cross like a grid but without squares in turn black and white.
    let net: Vec<u8> =
        (0..640 * 480).map(|i: usize| if (i % 640) % 40 < 6 || (i / 640) % 40 < 6 { 30 } else { 200 }).collect();
    assert_eq!(find_board(&small, &Grey { pixels: &net, size_px: size }).unwrap(), None);
    // Half a board.
    let drawing = Drawing::new(&small, [20.0, 240.0], 50.0, 0.0, [0.0, 0.0], size);
    assert_eq!(find(&small, &drawing), None);
}

#[test]
fn what_cannot_be_searched_is_refused() {
    let picture = Grey { pixels: &[0; 12], size_px: [4, 4] };
    assert!(matches!(find_board(&board(7, 4), &picture), Err(VisionError::PictureSize { bytes: 12, .. })));
    let picture = Grey { pixels: &[0; 16], size_px: [4, 4] };
    let error = find_board(&board(7, 2), &picture).unwrap_err();
    assert!(error.to_string().contains("7 × 2 inner corners"), "{error}");
    assert_eq!(find_board(&board(7, 4), &picture).unwrap(), None);
}
