//! Starts of the joint solution: every consistent choice among the poses that single views leave open.
//!
//! Each view of a board fits up to two poses, so each shared sighting proposes up to four relative poses of its two
//! cameras. A proposal is scored by how well it explains all sightings that the two cameras share (a robust sum of
//! reprojection errors), and the best few that differ are kept. A spanning tree with the most shared sightings on its edges
//! then places all cameras; every combination of kept proposals is one hypothesis.

use midline_geometry::RigidTransform;
use rayon::prelude::*;

use crate::RigError;
use crate::bundle::RigState;
use crate::input::{Checked, Observed};
use crate::planar_pose::planar_minima;
use crate::pose_problem::Minimum;

/// Reprojection error at which a corner loses most of its pull on a score, px.
const SCORE_SCALE_PX: f64 = 3.0;

/// Corners used for a score.
const SCORED_CORNERS: usize = 12;

/// Sightings that propose relative poses for a pair of cameras; all are used to score them.
const MOST_PROPOSERS: usize = 20;

/// Proposals kept for an edge.
const MOST_PROPOSALS: usize = 4;

/// Hypotheses solved.
const MOST_HYPOTHESES: usize = 64;

/// The poses that each board view fits, `[sighting][camera]`, as positions in `sightings`.
pub(crate) struct BoardMinima(Vec<Vec<Option<Vec<Minimum>>>>);

impl BoardMinima {
    pub(crate) fn new(checked: &Checked) -> Result<Self, RigError> {
        let of_view = |sighting: usize, camera: usize, view: &Option<Vec<Observed>>| {
            let Some(observed) = view else { return Ok(None) };
            let minima = planar_minima(&checked.intrinsics[camera], observed, checked.settings.corner_sd_px);
            if minima.is_empty() {
                return Err(RigError::NoBoardPose {
                    sighting: checked.sighting_indices[sighting],
                    camera: checked.names[camera].to_owned(),
                });
            }
            Ok(Some(minima))
        };
        let all = checked.sightings.par_iter().enumerate().map(|(sighting, seen)| {
            seen.views.iter().enumerate().map(|(camera, view)| of_view(sighting, camera, view)).collect()
        });
        Ok(Self(all.collect::<Result<_, _>>()?))
    }

    fn of(&self, sighting: usize, camera: usize) -> &[Minimum] {
        self.0[sighting][camera].as_deref().unwrap_or_default()
    }
}

/// Robust sum over corners of the reprojection error of a board in a camera; large for a board behind it.
fn score(checked: &Checked, camera: usize, observed: &[Observed], camera_from_board: &RigidTransform) -> f64 {
    let step = (observed.len() / SCORED_CORNERS).max(1);
    observed
        .iter()
        .step_by(step)
        .map(|o| {
            let px = checked.intrinsics[camera].project(&(camera_from_board * o.point).coords);
            px.map_or(20.0, |px| ((px - o.px).norm_squared() / SCORE_SCALE_PX.powi(2)).ln_1p())
        })
        .sum()
}

/// Where the board of a sighting is in the world, and how well that explains all its views.
fn best_board(
    checked: &Checked,
    minima: &BoardMinima,
    sighting: usize,
    cameras: &[(usize, RigidTransform)],
) -> Option<(RigidTransform, f64)> {
    let proposals = cameras.iter().flat_map(|(camera, camera_from_world)| {
        let world_from_camera = camera_from_world.inverse();
        minima.of(sighting, *camera).iter().map(move |m| world_from_camera * m.camera_from_object)
    });
    let scored = proposals.map(|world_from_board| {
        let total: f64 = cameras
            .iter()
            .filter_map(|(camera, camera_from_world)| {
                let observed = checked.sightings[sighting].views[*camera].as_deref()?;
                Some(score(checked, *camera, observed, &(camera_from_world * world_from_board)))
            })
            .sum();
        (world_from_board, total)
    });
    scored.min_by(|a, b| a.1.total_cmp(&b.1))
}

/// The best few poses `b_from_a` that differ.
fn relative_poses(
    checked: &Checked,
    minima: &BoardMinima,
    shared: &[usize],
    [a, b]: [usize; 2],
) -> Vec<RigidTransform> {
    let step = shared.len().div_ceil(MOST_PROPOSERS).max(1);
    let proposals = shared.iter().step_by(step).flat_map(|&sighting| {
        minima.of(sighting, a).iter().flat_map(move |in_a| {
            let board_from_a = in_a.camera_from_object.inverse();
            minima.of(sighting, b).iter().map(move |in_b| in_b.camera_from_object * board_from_a)
        })
    });
    let mut scored: Vec<(RigidTransform, f64)> = proposals
        .collect::<Vec<_>>()
        .into_par_iter()
        .map(|b_from_a| {
            let cameras = [(a, RigidTransform::identity()), (b, b_from_a)];
            let total = shared.iter().filter_map(|&s| Some(best_board(checked, minima, s, &cameras)?.1)).sum();
            (b_from_a, total)
        })
        .collect();
    scored.sort_by(|x, y| x.1.total_cmp(&y.1));
    let mut kept: Vec<RigidTransform> = Vec::new();
    for (proposal, _) in scored {
        let near = |k: &RigidTransform| {
            let apart = (k.translation.vector - proposal.translation.vector).norm();
            k.rotation.angle_to(&proposal.rotation) < 0.1 && apart < 0.1 * proposal.translation.vector.norm()
        };
        if kept.len() < MOST_PROPOSALS && !kept.iter().any(near) {
            kept.push(proposal);
        }
    }
    kept
}

/// One step of placing cameras: `camera` from an already placed one.
struct Edge {
    from: usize,
    camera: usize,
    choices: Vec<RigidTransform>,
}

/// The starts. `court` holds each camera's poses on the court, empty for a camera that is placed by boards; `sightings` are
/// those to use.
///
/// # Errors
/// When a camera cannot be placed.
pub(crate) fn hypotheses(
    checked: &Checked,
    minima: &BoardMinima,
    court: &[Vec<RigidTransform>],
    sightings: &[usize],
) -> Result<Vec<RigState>, RigError> {
    let cameras = checked.names.len();
    let sees = |sighting: usize, camera: usize| checked.sightings[sighting].views[camera].is_some();
    let mut roots: Vec<(usize, Vec<RigidTransform>)> =
        court.iter().cloned().enumerate().filter(|(_, poses)| !poses.is_empty()).collect();
    if roots.is_empty() {
        // Boards alone: the world is the first board, for the time being the first camera that sees it.
        let first = sightings.first().and_then(|&s| (0..cameras).find(|&camera| sees(s, camera)));
        roots.extend(first.map(|camera| (camera, vec![RigidTransform::identity()])));
    }
    let mut placed: Vec<usize> = roots.iter().map(|(camera, _)| *camera).collect();
    let mut edges: Vec<Edge> = Vec::new();
    loop {
        let shared = |a: usize, b: usize| -> Vec<usize> {
            sightings.iter().copied().filter(|&s| sees(s, a) && sees(s, b)).collect()
        };
        let open = (0..cameras).filter(|camera| !placed.contains(camera));
        let best = open
            .flat_map(|camera| placed.iter().map(move |&from| (from, camera)))
            .map(|(from, camera)| (shared(from, camera), from, camera))
            .filter(|(shared, ..)| !shared.is_empty())
            // The first of equals, so that the order of the cameras decides.
            .reduce(|a, b| if b.0.len() > a.0.len() { b } else { a });
        let Some((shared, from, camera)) = best else { break };
        edges.push(Edge { from, camera, choices: relative_poses(checked, minima, &shared, [from, camera]) });
        placed.push(camera);
    }
    if placed.len() < cameras {
        let missing: Vec<String> = (0..cameras)
            .filter(|camera| !placed.contains(camera))
            .map(|camera| format!("\"{}\"", checked.names[camera]))
            .collect();
        return Err(RigError::NotConnected { cameras: missing.join(", ") });
    }
    Ok(combinations(&mut roots, &mut edges)
        .into_iter()
        .filter_map(|choice| start(checked, minima, sightings, &roots, &edges, &choice))
        .collect())
}

/// All choices of one pose per root and edge, best first; the longest lists are cut until there are few enough.
fn combinations(roots: &mut [(usize, Vec<RigidTransform>)], edges: &mut [Edge]) -> Vec<Vec<usize>> {
    loop {
        let mut lists: Vec<&mut Vec<RigidTransform>> =
            roots.iter_mut().map(|(_, poses)| poses).chain(edges.iter_mut().map(|e| &mut e.choices)).collect();
        let product = lists.iter().fold(1usize, |product, list| product.saturating_mul(list.len()));
        if product <= MOST_HYPOTHESES {
            let mut all = vec![Vec::new()];
            for list in lists {
                all = all
                    .into_iter()
                    .flat_map(|choice| {
                        (0..list.len()).map(move |next| choice.iter().copied().chain([next]).collect::<Vec<usize>>())
                    })
                    .collect();
            }
            all.sort_by_key(|choice| choice.iter().sum::<usize>());
            return all;
        }
        if let Some(longest) = lists.iter_mut().max_by_key(|list| list.len()) {
            longest.pop();
        }
    }
}

fn start(
    checked: &Checked,
    minima: &BoardMinima,
    sightings: &[usize],
    roots: &[(usize, Vec<RigidTransform>)],
    edges: &[Edge],
    choice: &[usize],
) -> Option<RigState> {
    let mut cameras = vec![RigidTransform::identity(); checked.names.len()];
    for ((camera, poses), &chosen) in roots.iter().zip(choice) {
        cameras[*camera] = poses[chosen];
    }
    for (edge, &chosen) in edges.iter().zip(&choice[roots.len()..]) {
        cameras[edge.camera] = edge.choices[chosen] * cameras[edge.from];
    }
    let mut boards = Vec::with_capacity(sightings.len());
    for &sighting in sightings {
        let seeing: Vec<(usize, RigidTransform)> = (0..cameras.len())
            .filter(|&camera| checked.sightings[sighting].views[camera].is_some())
            .map(|camera| (camera, cameras[camera]))
            .collect();
        boards.push(best_board(checked, minima, sighting, &seeing)?.0);
    }
    if let (false, Some(&world_from_board)) = (checked.on_court(), boards.first()) {
        let board_from_world = world_from_board.inverse();
        cameras.iter_mut().for_each(|camera_from_world| *camera_from_world *= world_from_board);
        boards.iter_mut().for_each(|pose| *pose = board_from_world * *pose);
        // Exactly the world's origin, not up to rounding.
        boards[0] = RigidTransform::identity();
    }
    Some(RigState::new(checked, cameras, boards))
}
