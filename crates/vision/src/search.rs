//! Finding a board in one picture.

use midline_session::board::{Board, BoardView};
use opencv::calib3d::{
    CALIB_CB_ADAPTIVE_THRESH, CALIB_CB_FAST_CHECK, CALIB_CB_NORMALIZE_IMAGE, find_chessboard_corners,
};
use opencv::core::{Mat, Point2f, Size, ToInputArray, Vector};
use opencv::imgproc::{INTER_AREA, resize};

use crate::crossings::has_crossings;
use crate::edge_width::{REACH, edge_width_px, edges_of};
use crate::numbering::{Grid, numbered};
use crate::refinement::Refinement;
use crate::{Grey, VisionError, marked_board};

/// Longer sides in pixels to which the picture is reduced for the search, in turn: most boards are found in the small one;
/// the larger one is for boards far away.
const SEARCH_SIDES_PX: [u32; 2] = [640, 1280];
/// Share of the board's corners that must show as crossings before the search begins; OpenCV's own fast rejection lets
/// textured pictures through, on which the search costs most of a second.
const LEAST_CROSSINGS: f64 = 0.5;
/// Half the window of the sub-pixel refinement as a share of the distance to the nearest corner: the window is a square that
/// must not reach another corner's edges on a tilted board. On OpenCV's sample pairs, 0.25, 0.3 and 0.4 leave 0.174, 0.172
/// and 0.230 px (left) and 0.177, 0.174 and 0.380 px (right) after calibration.
const WINDOW_SHARE: f64 = 0.3;
/// Bounds of half that window in pixels.
const WINDOW_PX: [f64; 2] = [3.0, 15.0];
/// Share of the distance to the nearest corner by which the refinement may move a corner before it is not believed.
const FARTHEST_MOVE: f64 = 0.3;

/// A board found in a picture.
#[derive(Debug, Clone, PartialEq)]
pub struct FoundBoard {
    /// Corners in the order of [`Board::corners_m`] or of `corner_ids`, display orientation, pixels.
    pub corners_px: Vec<[f64; 2]>,
    /// Which corner of [`Board::corners_m`] each one is, ascending; `None` = all of them. Only boards with markers can be
    /// found in part.
    pub corner_ids: Option<Vec<usize>>,
    /// Median width of the black-to-white transitions in pixels (10 % to 90 %); `None` when the picture has too little
    /// contrast to tell.
    pub edge_width_px: Option<f64>,
}

impl FoundBoard {
    /// The sighting of the board in a frame of a clip.
    #[must_use]
    pub fn into_view(self, frame_index: usize, pts_seconds: f64) -> BoardView {
        BoardView {
            frame_index,
            pts_seconds,
            corners_px: self.corners_px,
            edge_width_px: self.edge_width_px,
            corner_ids: self.corner_ids,
        }
    }
}

/// Finds a checkerboard with all its inner corners, or a ChArUco board with those that are seen; `None` when it is not there,
/// a checkerboard is not whole, or it is too small or blurred.
///
/// For a checkerboard, the search (OpenCV's, after a count of crossings and its own fast rejection) runs on a reduced picture, the sub-pixel
/// refinement (Förstner & Gülch 1987, as OpenCV's `cornerSubPix`) on the full one. The numbering is made unambiguous from
/// the squares' colours where the board allows it: see the crate's conventions.
///
/// # Errors
/// When the picture's size does not fit its bytes, the board has fewer than 3 × 3 inner corners, its markers are not known,
/// or OpenCV fails.
pub fn find_board(board: &Board, picture: &Grey) -> Result<Option<FoundBoard>, VisionError> {
    match &board.markers {
        Some(markers) => marked_board::find(board, markers, picture),
        None => find_checkerboard(board, picture),
    }
}

fn find_checkerboard(board: &Board, picture: &Grey) -> Result<Option<FoundBoard>, VisionError> {
    let [across, down] = board.inner_corners;
    let pattern = match (i32::try_from(across), i32::try_from(down)) {
        (Ok(columns), Ok(rows)) if columns >= 3 && rows >= 3 => Size::new(columns, rows),
        _ => return Err(VisionError::Board { name: board.name.clone(), across, down }),
    };
    let full = picture.as_mat()?;
    let longer_side = picture.size_px[0].max(picture.size_px[1]);
    let mut searched = 0;
    for side in SEARCH_SIDES_PX {
        let side = side.min(longer_side);
        if side == searched {
            break;
        }
        searched = side;
        let Some(corners_px) = search_reduced(&full, picture.size_px, side, pattern)? else { continue };
        let Some(refined) = refined(&full, Grid { across, down, corners_px })? else { continue };
        if let Some(grid) = numbered(&refined, picture) {
            let edge_width_px = edge_width_px(edges_of(&grid), REACH, picture);
            return Ok(Some(FoundBoard { corners_px: grid.corners_px, corner_ids: None, edge_width_px }));
        }
    }
    Ok(None)
}

/// Searches the picture reduced to the longer side `side`; corners in pixels of the full picture.
fn search_reduced(
    full: &impl ToInputArray,
    size_px: [u32; 2],
    side: u32,
    pattern: Size,
) -> Result<Option<Vec<[f64; 2]>>, VisionError> {
    let ratio = f64::from(side) / f64::from(size_px[0].max(size_px[1]));
    let reduced_size = size_px.map(|length| (f64::from(length) * ratio).round().max(1.0));
    let mut reduced = Mat::default();
    // At ratio 1 this copies; the search looks at the same bytes either way.
    resize(full, &mut reduced, Size::new(reduced_size[0] as i32, reduced_size[1] as i32), 0.0, 0.0, INTER_AREA)
        .map_err(VisionError::opencv("reducing a picture"))?;
    let wanted = (f64::from(pattern.width * pattern.height) * LEAST_CROSSINGS).ceil() as usize;
    if !has_crossings(&reduced, wanted)? {
        return Ok(None);
    }
    let flags = CALIB_CB_ADAPTIVE_THRESH + CALIB_CB_NORMALIZE_IMAGE + CALIB_CB_FAST_CHECK;
    let mut corners = Vector::<Point2f>::new();
    let found = find_chessboard_corners(&reduced, pattern, &mut corners, flags)
        .map_err(VisionError::opencv("searching for a checkerboard"))?;
    if !found {
        return Ok(None);
    }
    // Pixel centres are at integer coordinates in both pictures, so that the outer edges, at -½, coincide.
    let enlarge =
        |value: f32, axis: usize| (f64::from(value) + 0.5) * f64::from(size_px[axis]) / reduced_size[axis] - 0.5;
    Ok(Some(corners.iter().map(|corner| [enlarge(corner.x, 0), enlarge(corner.y, 1)]).collect()))
}

/// The corners refined in the full picture, each with a window that suits its neighbourhood; `None` when one runs away.
fn refined(full: &impl ToInputArray, grid: Grid) -> Result<Option<Grid>, VisionError> {
    let refinement = Refinement::of(full)?;
    let mut corners_px = Vec::with_capacity(grid.corners_px.len());
    for row in 0..grid.down {
        for column in 0..grid.across {
            let spacing = nearest_neighbour_px(&grid, column, row);
            let half = (WINDOW_SHARE * spacing).clamp(WINDOW_PX[0], WINDOW_PX[1]);
            match refinement.corner(grid.at(column, row), half, FARTHEST_MOVE * spacing)? {
                Some(corner) => corners_px.push(corner),
                None => return Ok(None),
            }
        }
    }
    Ok(Some(Grid { corners_px, ..grid }))
}

fn nearest_neighbour_px(grid: &Grid, column: usize, row: usize) -> f64 {
    let here = grid.at(column, row);
    let mut nearest = f64::INFINITY;
    let mut consider = |other: [f64; 2]| nearest = nearest.min((other[0] - here[0]).hypot(other[1] - here[1]));
    if column > 0 {
        consider(grid.at(column - 1, row));
    }
    if column + 1 < grid.across {
        consider(grid.at(column + 1, row));
    }
    if row > 0 {
        consider(grid.at(column, row - 1));
    }
    if row + 1 < grid.down {
        consider(grid.at(column, row + 1));
    }
    nearest
}
