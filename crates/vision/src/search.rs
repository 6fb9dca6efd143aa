//! Finding a board in one picture.

use midline_session::board::{Board, BoardView};
use opencv::calib3d::{CALIB_CB_ADAPTIVE_THRESH, CALIB_CB_NORMALIZE_IMAGE, find_chessboard_corners};
use opencv::core::{Mat, Point2f, Rect, Size, ToInputArray, Vector};
use opencv::imgproc::{INTER_AREA, resize};
use opencv::prelude::*;

use crate::crossings::crossings;
use crate::edge_width::{REACH, edge_width_px, edges_of};
use crate::lattice::{Lattice, lattices};
use crate::numbering::{Grid, numbered};
use crate::refinement::Refinement;
use crate::{Grey, VisionError, marked_board};

/// Longer sides in pixels to which the picture is reduced to look for a lattice, in turn: most boards show in the small one;
/// the larger one is for boards far away.
const LATTICE_SIDES_PX: [u32; 2] = [640, 1280];
/// Share of the board's corners that a lattice must have before OpenCV's search begins there; on a textured picture that
/// search costs seconds.
const LEAST_CROSSINGS: f64 = 0.3;
/// Lattices searched in one picture, the largest first.
const MOST_LATTICES: usize = 3;
/// Side of a square in pixels to which the surroundings of a lattice are reduced for OpenCV's search, in turn; never enlarged.
const SEARCH_SQUARES_PX: [f64; 2] = [24.0, 48.0];
/// What is searched around a lattice: a part of the longest edge, for the outer squares and the white around them, and, where
/// the lattice lacks corners, a share of its own extent.
const AROUND_EDGES: f64 = 2.6;
const AROUND_EXTENT: f64 = 0.7;
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
/// A checkerboard is searched by OpenCV where crossings of squares form a lattice in a reduced picture, and nowhere else; the
/// sub-pixel refinement (Förstner & Gülch 1987, as OpenCV's `cornerSubPix`) runs on the full picture. The numbering is made unambiguous from
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
    let wanted = (board.corner_count() as f64 * LEAST_CROSSINGS).ceil() as usize;
    let mut looked = 0;
    for side in LATTICE_SIDES_PX {
        let side = side.min(longer_side);
        if side == looked {
            break;
        }
        looked = side;
        let promising = lattices_at(&full, picture.size_px, side)?;
        let mut places: Vec<(Area, f64)> = Vec::new();
        for lattice in promising.iter().filter(|lattice| lattice.crossings >= wanted).take(MOST_LATTICES) {
            for square_px in SEARCH_SQUARES_PX {
                let area = Area::around(lattice, board.corner_count(), picture.size_px);
                places.push((area, (square_px / lattice.edge_px).min(1.0)));
            }
        }
        // What OpenCV makes of a picture depends on what else is in it: where a lattice is, the whole gets a chance, too.
        if !places.is_empty() {
            places.push((Area::whole(picture.size_px), f64::from(side) / f64::from(longer_side)));
        }
        for (area, ratio) in places {
            let Some(corners_px) = search(&full, &area, ratio, pattern)? else { continue };
            let Some(refined) = refined(&full, Grid { across, down, corners_px })? else { continue };
            if let Some(grid) = numbered(&refined, picture) {
                let edge_width_px = edge_width_px(edges_of(&grid), REACH, picture);
                return Ok(Some(FoundBoard { corners_px: grid.corners_px, corner_ids: None, edge_width_px }));
            }
        }
    }
    Ok(None)
}

/// The lattices in the picture reduced to the longer side `side`, in pixels of the full picture.
fn lattices_at(full: &impl ToInputArray, size_px: [u32; 2], side: u32) -> Result<Vec<Lattice>, VisionError> {
    let ratio = f64::from(side) / f64::from(size_px[0].max(size_px[1]));
    let reduced_size = size_px.map(|length| (f64::from(length) * ratio).round().max(1.0));
    let reduced = reduced(full, reduced_size)?;
    let pixels = reduced.data_bytes().map_err(VisionError::opencv("reading a reduced picture"))?;
    let picture = Grey { pixels, size_px: reduced_size.map(|length| length as u32) };
    let enlarge = [0, 1].map(|axis| f64::from(size_px[axis]) / reduced_size[axis]);
    // Pixel centres are at integer coordinates in both pictures, so that the outer edges, at -½, coincide.
    let place = |px: [f64; 2]| [0, 1].map(|axis| (px[axis] + 0.5) * enlarge[axis] - 0.5);
    let found = lattices(&picture, &crossings(&picture)).into_iter();
    Ok(found
        .map(|lattice| Lattice {
            least_px: place(lattice.least_px),
            largest_px: place(lattice.largest_px),
            edge_px: lattice.edge_px * enlarge[0],
            longest_edge_px: lattice.longest_edge_px * enlarge[0],
            ..lattice
        })
        .collect())
}

/// A copy of a picture with another size.
fn reduced(picture: &impl ToInputArray, size: [f64; 2]) -> Result<Mat, VisionError> {
    let mut reduced = Mat::default();
    resize(picture, &mut reduced, Size::new(size[0] as i32, size[1] as i32), 0.0, 0.0, INTER_AREA)
        .map_err(VisionError::opencv("reducing a picture"))?;
    Ok(reduced)
}

/// A part of the picture, in whole pixels.
struct Area {
    start_px: [i32; 2],
    size_px: [i32; 2],
}

impl Area {
    fn whole(size_px: [u32; 2]) -> Self {
        Self { start_px: [0, 0], size_px: size_px.map(|side| i32::try_from(side).unwrap_or(i32::MAX)) }
    }

    /// Where the whole board must be of which a lattice has been seen.
    fn around(lattice: &Lattice, corner_count: usize, size_px: [u32; 2]) -> Self {
        let extent = [0, 1].map(|axis| lattice.largest_px[axis] - lattice.least_px[axis]);
        let beyond = if lattice.crossings < corner_count { AROUND_EXTENT * extent[0].max(extent[1]) } else { 0.0 };
        let around = AROUND_EDGES * lattice.longest_edge_px + beyond;
        let last = size_px.map(|side| f64::from(side) - 1.0);
        let start_px = [0, 1].map(|axis| (lattice.least_px[axis] - around).floor().clamp(0.0, last[axis]) as i32);
        let end_px = [0, 1].map(|axis| (lattice.largest_px[axis] + around).ceil().clamp(0.0, last[axis]) as i32);
        Self { start_px, size_px: [0, 1].map(|axis| end_px[axis] - start_px[axis] + 1) }
    }
}

/// OpenCV's search in a part of the picture, reduced by a ratio; corners in pixels of the full picture.
fn search(
    full: &impl MatTraitConst,
    area: &Area,
    ratio: f64,
    pattern: Size,
) -> Result<Option<Vec<[f64; 2]>>, VisionError> {
    let ([left, top], [width, height]) = (area.start_px, area.size_px);
    let part = Mat::roi(full, Rect::new(left, top, width, height))
        .map_err(VisionError::opencv("taking a part of a picture"))?;
    let reduced_size = area.size_px.map(|side| (f64::from(side) * ratio).round().max(1.0));
    let reduced = reduced(&part, reduced_size)?;
    let flags = CALIB_CB_ADAPTIVE_THRESH + CALIB_CB_NORMALIZE_IMAGE;
    let mut corners = Vector::<Point2f>::new();
    let found = find_chessboard_corners(&reduced, pattern, &mut corners, flags)
        .map_err(VisionError::opencv("searching for a checkerboard"))?;
    if !found {
        return Ok(None);
    }
    let place = |value: f32, axis: usize| {
        let share = f64::from(area.size_px[axis]) / reduced_size[axis];
        (f64::from(value) + 0.5) * share - 0.5 + f64::from(area.start_px[axis])
    };
    Ok(Some(corners.iter().map(|corner| [place(corner.x, 0), place(corner.y, 1)]).collect()))
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
