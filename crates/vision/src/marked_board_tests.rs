//! Finding drawn ChArUco boards, whole and in part, whose corners are known.

use std::f64::consts::{FRAC_PI_2, PI};

use midline_session::board::{Board, Markers};

use crate::drawn_board::{Drawing, blurred, board, marked_board, noisy};
use crate::{FoundBoard, Grey, VisionError, find_board};

const SIZE: [u32; 2] = [800, 600];

fn find_in(board: &Board, pixels: &[u8], size_px: [u32; 2]) -> Option<FoundBoard> {
    find_board(board, &Grey { pixels, size_px }).unwrap()
}

/// Number of corners, and the largest distance of one from the true place of its number, px.
fn against(truth: &[[f64; 2]], found: &FoundBoard) -> (usize, f64) {
    let ids: Vec<usize> = found.corner_ids.clone().unwrap_or_else(|| (0..truth.len()).collect());
    assert_eq!(ids.len(), found.corners_px.len());
    assert!(ids.windows(2).all(|pair| pair[0] < pair[1]));
    let error = |(id, px): (&usize, &[f64; 2])| (px[0] - truth[*id][0]).hypot(px[1] - truth[*id][1]);
    (ids.len(), ids.iter().zip(&found.corners_px).map(error).fold(0.0, f64::max))
}

#[test]
fn every_corner_has_its_number_in_every_turn() {
    // Two of these boards look the same after a half turn but for the markers.
    for board in [marked_board(7, 4, "4x4_50"), marked_board(6, 4, "5x5_100"), marked_board(8, 6, "6x6_250")] {
        for quarter in 0..4 {
            for lean in [0.0, 0.3] {
                let turn = FRAC_PI_2 * f64::from(quarter) + lean;
                let drawing = Drawing::new(&board, [402.3, 297.8], 52.0, turn, [0.012, -0.02], SIZE);
                let found = find_in(&board, &drawing.render(&board), SIZE).unwrap();
                let (count, error) = against(&drawing.corners_px(&board), &found);
                let inside = drawing.corners_px(&board).iter().filter(|c| inside(**c, SIZE)).count();
                assert!(error < 0.15, "{:?}, {turn:.2} rad: {error:.3} px", board.inner_corners);
                assert!(count * 10 >= inside * 9, "{:?}, {turn:.2} rad: {count} of {inside}", board.inner_corners);
            }
        }
    }
}

fn inside([x, y]: [f64; 2], size_px: [u32; 2]) -> bool {
    x > 0.0 && y > 0.0 && x < f64::from(size_px[0]) && y < f64::from(size_px[1])
}

#[test]
fn what_is_seen_of_a_board_that_leaves_the_picture_is_found() {
    let board = marked_board(8, 6, "4x4_50");
    for (centre, turn) in [([120.0, 300.0], 0.2), ([700.0, 520.0], -2.5), ([400.0, 30.0], PI)] {
        let drawing = Drawing::new(&board, centre, 50.0, turn, [0.01, 0.004], SIZE);
        let found = find_in(&board, &drawing.render(&board), SIZE).unwrap();
        let truth = drawing.corners_px(&board);
        let well_inside = truth.iter().filter(|c| inside([c[0] - 50.0, c[1] - 50.0], [700, 500])).count();
        let (count, error) = against(&truth, &found);
        assert!(found.corner_ids.is_some() && error < 0.15, "{centre:?}: {count} corners, {error:.3} px");
        assert!(count >= well_inside, "{centre:?}: {count} of {well_inside}");
    }
}

#[test]
fn corners_behind_something_are_left_out_and_the_others_stay_right() {
    let board = marked_board(8, 6, "4x4_50");
    let drawing = Drawing::new(&board, [400.0, 300.0], 55.0, 0.25, [0.01, -0.01], SIZE);
    let truth = drawing.corners_px(&board);
    // An upright bar as wide as a forearm in front of the board, of several greys.
    for grey in [10, 90, 200] {
        let mut pixels = drawing.render(&board);
        for (index, pixel) in pixels.iter_mut().enumerate() {
            if (330..430).contains(&(index % 800)) {
                *pixel = grey;
            }
        }
        let found = find_in(&board, &pixels, SIZE).unwrap();
        let (count, error) = against(&truth, &found);
        assert!(error < 0.2 && count >= 24, "grey {grey}: {count} corners, {error:.3} px");
        assert!(found.corners_px.iter().all(|px| !(328.0..432.0).contains(&px[0])), "grey {grey}");
    }
    // The left half of the picture covered.
    let mut pixels = drawing.render(&board);
    pixels.iter_mut().enumerate().filter(|(index, _)| index % 800 < 400).for_each(|(_, pixel)| *pixel = 128);
    let (count, error) = against(&truth, &find_in(&board, &pixels, SIZE).unwrap());
    assert!(error < 0.2 && count >= 16, "{count} corners, {error:.3} px");
}

#[test]
fn noise_and_blur_cost_accuracy_but_no_board() {
    let board = marked_board(7, 4, "4x4_50");
    let drawing = Drawing::new(&board, [401.0, 301.0], 60.0, 0.15, [0.01, 0.015], SIZE);
    let truth = drawing.corners_px(&board);
    for (sigma_px, noise, most_px) in [(0.0, 8.0, 0.2), (1.5, 4.0, 0.3), (2.5, 2.0, 0.4)] {
        let pixels = noisy(&blurred(&drawing.render(&board), SIZE, sigma_px), noise);
        let found = find_in(&board, &pixels, SIZE).unwrap();
        let (count, error) = against(&truth, &found);
        println!(
            "blur {sigma_px} px, noise {noise}: {count} corners, {error:.3} px, edges {:?} px",
            found.edge_width_px
        );
        assert!(count >= 25 && error < most_px, "blur {sigma_px} px: {count} corners, {error:.3} px");
        // 10 % to 90 % of a Gaussian edge, as long as the white rim is wider than the edge.
        if sigma_px > 0.0 && sigma_px < 2.0 {
            let width = found.edge_width_px.unwrap();
            assert!((width / (2.563 * sigma_px) - 1.0).abs() < 0.25, "{width}");
        }
    }
}

#[test]
fn a_small_board_in_a_large_picture_is_found() {
    let (board, size) = (marked_board(7, 4, "4x4_50"), [1920, 1080]);
    let drawing = Drawing::new(&board, [1300.4, 520.9], 26.0, 0.3, [0.004, 0.01], size);
    let found = find_in(&board, &drawing.render(&board), size).unwrap();
    let (count, error) = against(&drawing.corners_px(&board), &found);
    assert!(count >= 26 && error < 0.25, "{count} corners, {error:.3} px");
}

#[test]
fn another_board_and_no_board_are_not_found() {
    let wanted = marked_board(7, 4, "4x4_50");
    for other in [board(7, 4), marked_board(7, 4, "6x6_250")] {
        let drawing = Drawing::new(&other, [400.0, 300.0], 60.0, 0.1, [0.01, 0.0], SIZE);
        assert_eq!(find_in(&wanted, &drawing.render(&other), SIZE), None);
    }
    let unknown = Board { markers: Some(Markers { dictionary: "9x9_50".into(), side_m: 0.02 }), ..board(7, 4) };
    let error = find_board(&unknown, &Grey { pixels: &[0; 16], size_px: [4, 4] }).unwrap_err();
    assert!(matches!(error, VisionError::Dictionary { .. }), "{error}");
}
