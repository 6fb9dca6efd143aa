//! Board search in 1080p frames of which a tenth have a board, against OpenCV's search of every whole frame.
//!
//! The peer is `findChessboardCorners` without its fast rejection and `cornerSubPix`; every board that it finds ours must find
//! with the same corners, and neither may find one where there is none. `-- --large` takes ten times as many frames.

use std::error::Error;
use std::time::Duration;

use midline_benches::clip::{Background, CORNERS, FRAME_PX, Frame, frames};
use midline_benches::timing::compare_once;
use midline_session::board::Board;
use midline_vision::reference::find_checkerboard;
use midline_vision::{Grey, find_board};

type Outcome<T> = Result<T, Box<dyn Error>>;
type Corners = Vec<[f64; 2]>;

const AIM: f64 = 10.0;
/// The corners of both lie within this of the truth. The peer's fixed window pulls corners on small tilted boards.
const APART_PX: f64 = 2.0;

fn main() -> Outcome<()> {
    let count = if std::env::args().any(|argument| argument == "--large") { 100 } else { 10 };
    let board = Board { name: "clip".to_owned(), inner_corners: CORNERS, square_m: 0.03, markers: None };
    let built = if cfg!(debug_assertions) { "with debug assertions" } else { "optimised" };
    println!("boards in a tenth of {count} frames of {} × {} px, built {built}", FRAME_PX[0], FRAME_PX[1]);
    println!(
        "{:<10} {:>12} {:>12} {:>7} {:>5}   boards: shown, ours, OpenCV's",
        "behind", "ours", "OpenCV", "ratio", "aim"
    );
    let mut total = [Duration::ZERO; 2];
    for (seed, background) in (1..).zip(Background::ALL) {
        let frames = frames(background, count, seed);
        let (mut ours, mut peers) = (Vec::new(), Vec::new());
        let found = compare_once(
            || -> Outcome<()> {
                ours = search(&frames, |grey| Ok(find_board(&board, grey)?.map(|found| found.corners_px)))?;
                Ok(())
            },
            || -> Outcome<()> {
                peers = search(&frames, |grey| Ok(find_checkerboard(grey, CORNERS)?))?;
                Ok(())
            },
        )?;
        total = [total[0] + found.ours, total[1] + found.peer];
        let boards = agreement(&frames, &ours, &peers)?;
        print(&format!("{background:?}"), [found.ours, found.peer], count, &boards);
    }
    print("all", total, count * Background::ALL.len(), "");
    Ok(())
}

fn print(what: &str, times: [Duration; 2], count: usize, boards: &str) {
    let [ours, peer] = times.map(|time| time.as_secs_f64() * 1e3 / count as f64);
    let ratio = peer / ours;
    let verdict = if ratio >= AIM { "reached" } else { "missed" };
    println!("{what:<10} {ours:>6.1} ms/fr {peer:>6.0} ms/fr {ratio:>6.1}x {AIM:>4.0}x   {verdict}   {boards}");
}

fn search(frames: &[Frame], mut find: impl FnMut(&Grey) -> Outcome<Option<Corners>>) -> Outcome<Vec<Option<Corners>>> {
    frames.iter().map(|frame| find(&Grey { pixels: &frame.pixels, size_px: FRAME_PX })).collect()
}

/// Counts the boards; fails where ours misses one of the peer's or the corners are wrong.
fn agreement(frames: &[Frame], ours: &[Option<Corners>], peers: &[Option<Corners>]) -> Outcome<String> {
    let mut worst = [0.0f64; 2];
    for (index, frame) in frames.iter().enumerate() {
        let found = [&ours[index], &peers[index]];
        if found[0].is_none() && found[1].is_some() {
            return Err(format!("frame {index}: the board that OpenCV finds is missed").into());
        }
        for (corners, worst) in found.into_iter().zip(&mut worst) {
            let Some(corners) = corners else { continue };
            let Some(truth) = &frame.board_px else { return Err(format!("frame {index}: there is no board").into()) };
            *worst = worst.max(farthest_px(corners, truth));
        }
    }
    if worst.iter().any(|&apart| apart > APART_PX) {
        return Err(
            format!("corners are up to {:.2} px (ours) and {:.2} px (OpenCV's) wrong", worst[0], worst[1]).into()
        );
    }
    let count = |found: &[Option<Corners>]| found.iter().flatten().count();
    let shown = frames.iter().filter(|frame| frame.board_px.is_some()).count();
    Ok(format!("{shown}, {}, {}; corners within {:.2} and {:.2} px", count(ours), count(peers), worst[0], worst[1]))
}

/// Largest distance of a true corner from the nearest one found: OpenCV may number from the other end.
fn farthest_px(found: &Corners, truth: &Corners) -> f64 {
    let nearest = |a: &[f64; 2]| found.iter().map(|b| (a[0] - b[0]).hypot(a[1] - b[1])).fold(f64::INFINITY, f64::min);
    truth.iter().map(nearest).fold(0.0, f64::max)
}
