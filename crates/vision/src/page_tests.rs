//! The printed page: its black is drawn from the file's own text and searched for the board.

use midline_session::board::{Board, Markers};

use crate::drawn_board::board;
use crate::{Grey, Paper, board_block, board_page, find_board};

/// Scale of the picture that is drawn of a page.
const PX_PER_MM: f64 = 4.0;

fn of_squares(mut board: Board, square_mm: f64) -> Board {
    board.square_m = square_mm / 1e3;
    board
}

fn marked(across: usize, down: usize, square_mm: f64) -> Board {
    let side_m = square_mm * 0.75 / 1e3;
    Board {
        markers: Some(Markers { dictionary: "4x4_50".into(), side_m }),
        ..of_squares(board(across, down), square_mm)
    }
}

/// The data of the path of that name.
fn path<'a>(svg: &'a str, id: &str) -> &'a str {
    let (_, rest) = svg.split_once(&format!("<path id=\"{id}\"")).unwrap();
    rest.split_once(" d=\"").unwrap().1.split_once('"').unwrap().0
}

/// The rectangles of a path, `x y width height`, mm.
fn rectangles(path: &str) -> Vec<[f64; 4]> {
    path.split('M')
        .skip(1)
        .map(|part| {
            let numbers: Vec<f64> = part
                .split(|c: char| !(c.is_ascii_digit() || c == '.' || c == '-'))
                .filter(|word| !word.is_empty())
                .map(|word| word.parse().unwrap())
                .collect();
            assert!(part.ends_with('z') && numbers.len() == 5 && (numbers[2] + numbers[4]).abs() < 1e-12, "{part}");
            [numbers[0], numbers[1], numbers[2], numbers[3]]
        })
        .collect()
}

/// The strokes of the rulers' path, `x y` and the signed length, whether it is upright.
fn strokes(path: &str) -> Vec<([f64; 2], f64, bool)> {
    path.split('M')
        .skip(1)
        .map(|part| {
            let upright = part.contains('v');
            let (start, length) = part.split_once(['h', 'v']).unwrap();
            let (x, y) = start.split_once(' ').unwrap();
            ([x.parse().unwrap(), y.parse().unwrap()], length.parse().unwrap(), upright)
        })
        .collect()
}

/// The page as a picture: black by the exact share of each pixel that is covered, rulers included.
fn picture(svg: &str, paper: &Paper) -> (Vec<u8>, [u32; 2]) {
    let size_px = paper.size_mm.map(|side| (side * PX_PER_MM).round() as u32);
    let [width, height] = size_px.map(|side| side as usize);
    let mut black = vec![0.0; width * height];
    let thin = 0.075;
    let lines = strokes(path(svg, "rulers")).into_iter().map(|([x, y], length, upright)| {
        let (from, to) = (length.min(0.0), length.max(0.0));
        if upright { [x - thin, y + from, 2.0 * thin, to - from] } else { [x + from, y - thin, to - from, 2.0 * thin] }
    });
    for [x, y, w, h] in rectangles(path(svg, "board")).into_iter().chain(lines) {
        let [left, top, right, bottom] = [x, y, x + w, y + h].map(|mm| mm * PX_PER_MM);
        for row in top as usize..(bottom.ceil() as usize).min(height) {
            let tall = bottom.min(row as f64 + 1.0) - top.max(row as f64);
            for column in left as usize..(right.ceil() as usize).min(width) {
                black[row * width + column] += tall * (right.min(column as f64 + 1.0) - left.max(column as f64));
            }
        }
    }
    assert!(black.iter().all(|share| *share < 1.0 + 1e-6), "two black shapes overlap");
    (black.iter().map(|share| (235.0 - 200.0 * share).round() as u8).collect(), size_px)
}

#[test]
fn the_printed_board_is_found_true_to_scale_with_its_corners_in_order() {
    for (board, paper) in [
        (of_squares(board(9, 6), 23.0), Paper::a4()),
        (of_squares(board(8, 5), 33.0), Paper::a3()),
        (marked(9, 6, 23.0), Paper::a4()),
        (marked(8, 6, 35.0), Paper::a3()),
        (marked(6, 4, 90.0), Paper::custom([600.0, 841.0])),
    ] {
        let svg = board_page(&board, &paper).unwrap();
        let (pixels, size_px) = picture(&svg, &paper);
        let found = find_board(&board, &Grey { pixels: &pixels, size_px }).unwrap().unwrap();
        assert_eq!(found.corner_ids, None, "{}: {} corners", paper.name, found.corners_px.len());
        assert_eq!(found.corners_px.len(), board.corner_count());
        let mm: Vec<[f64; 2]> = found.corners_px.iter().map(|px| px.map(|p| (p + 0.5) / PX_PER_MM)).collect();
        for (seen, corner) in mm.iter().zip(board.corners_m()) {
            let off = [seen[0] - mm[0][0] - corner.x * 1e3, seen[1] - mm[0][1] - corner.y * 1e3];
            assert!(off[0].hypot(off[1]) < 0.05, "{}: {off:?} mm", paper.name);
        }
        // The first corner is one square from the top left of the black, and everything stands on the paper.
        let all = rectangles(path(&svg, "board"));
        let first = all.iter().map(|r| [r[0], r[1]]).reduce(|a, b| [a[0].min(b[0]), a[1].min(b[1])]).unwrap();
        assert!((mm[0][0] - first[0] - board.square_m * 1e3).abs() < 0.05);
        let on_paper =
            |x: f64, y: f64| (7.0..paper.size_mm[0] - 7.0).contains(&x) && (7.0..paper.size_mm[1] - 7.0).contains(&y);
        assert!(all.iter().all(|[x, y, w, h]| on_paper(*x, *y) && on_paper(x + w, y + h)));
    }
}

#[test]
fn the_rulers_have_a_mark_for_every_millimetre_in_both_directions() {
    let board = of_squares(board(9, 6), 23.0);
    let lines = strokes(path(&board_page(&board, &Paper::a4()).unwrap(), "rulers"));
    for (axis, upright, length) in [(0, true, 230), (1, false, 160)] {
        let mut marks: Vec<f64> =
            lines.iter().filter(|(_, long, up)| *up == upright && long.abs() < 5.0).map(|(at, ..)| at[axis]).collect();
        marks.sort_by(f64::total_cmp);
        assert_eq!(marks.len(), length + 1);
        assert!(marks.windows(2).all(|pair| (pair[1] - pair[0] - 1.0).abs() < 1e-9));
    }
}

#[test]
fn what_does_not_fit_or_is_not_sound_is_refused_with_the_numbers() {
    let message = board_page(&of_squares(board(9, 6), 30.0), &Paper::a4()).unwrap_err().to_string();
    assert!(message.contains("300.0 × 210.0 mm") && message.contains("squares of 23 mm fit"), "{message}");
    assert!((Paper::a4().largest_square_mm([9, 6]) - 23.0).abs() < 1e-12);
    let message = board_page(&of_squares(board(9, 6), 10.0), &Paper::custom([120.0, 90.0])).unwrap_err().to_string();
    assert!(message.contains("at least 230 mm"), "{message}");
    let message = board_page(&marked(6, 5, 20.0), &Paper::a4()).unwrap_err().to_string();
    assert!(message.contains("odd number of rows"), "{message}");
}

#[test]
fn the_block_on_the_page_is_ready_for_a_session_file() {
    let wanted = marked(9, 6, 23.0);
    let block = board_block(&wanted);
    assert_eq!(
        block,
        "[[board]]\nname = \"test\"\ninner_corners = [9, 6]\nsquare_m = 0.023\nmarkers = { dictionary = \"4x4_50\", side_m = 0.01725 }\n"
    );
    let svg = board_page(&wanted, &Paper::a4()).unwrap();
    for line in block.lines() {
        assert!(svg.contains(&line.replace('"', "&quot;")), "{line}");
    }
    assert!(svg.contains("marker layout 1") && svg.contains("width=\"297mm\" height=\"210mm\""));
}
