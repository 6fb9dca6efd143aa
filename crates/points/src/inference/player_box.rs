//! Where the player was, from the points found in the frames before.

use std::collections::VecDeque;

use midline_session::keypoints::Keypoint;

use super::region::BoxPx;

/// The box holds what was found in this time: within it a racket goes around the player, so that the box is not left by the
/// fastest part of a swing.
const REMEMBERED_SECONDS: f64 = 0.5;

/// With fewer points than this (or than a model has) a box says nothing about a person.
const LEAST_POINTS: usize = 3;

/// Boxes of the last frames.
#[derive(Debug, Default)]
pub(crate) struct PlayerBox {
    /// Presentation time and box, in the order of time.
    seen: VecDeque<(f64, BoxPx)>,
}

impl PlayerBox {
    /// The player's box for frames from `now_seconds` on; `None` when the player was not found lately.
    pub(crate) fn at(&self, now_seconds: f64) -> Option<BoxPx> {
        let lately = self.seen.iter().filter(|(seconds, _)| now_seconds - seconds <= REMEMBERED_SECONDS);
        lately.map(|(_, around)| *around).reduce(union)
    }

    /// Takes the points of a frame, of a model that has `of` of them.
    pub(crate) fn see(&mut self, pts_seconds: f64, points: &[Option<Keypoint>], of: usize) {
        if let Some(around) = bounds(points, of) {
            self.seen.push_back((pts_seconds, around));
        }
        while self.seen.front().is_some_and(|(seconds, _)| pts_seconds - seconds > REMEMBERED_SECONDS) {
            self.seen.pop_front();
        }
    }

    /// Forgets everything: somebody said where the player is.
    pub(crate) fn forget(&mut self) {
        self.seen.clear();
    }
}

fn union(a: BoxPx, b: BoxPx) -> BoxPx {
    [a[0].min(b[0]), a[1].min(b[1]), a[2].max(b[2]), a[3].max(b[3])]
}

/// Box around the points that were found, if they are enough.
pub(crate) fn bounds(points: &[Option<Keypoint>], of: usize) -> Option<BoxPx> {
    let found = points.iter().flatten();
    if found.clone().count() < LEAST_POINTS.min(of) {
        return None;
    }
    found.map(|p| [p.px[0], p.px[1], p.px[0], p.px[1]]).reduce(union)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn points(places: &[[f64; 2]]) -> Vec<Option<Keypoint>> {
        places.iter().map(|px| Some(Keypoint { px: *px, score: 1.0 })).collect()
    }

    #[test]
    fn the_box_remembers_half_a_second_and_then_forgets() {
        let mut player = PlayerBox::default();
        assert_eq!(player.at(0.0), None);
        player.see(0.0, &points(&[[10.0, 20.0], [30.0, 40.0], [20.0, 90.0]]), 17);
        player.see(0.1, &points(&[[110.0, 20.0], [130.0, 40.0], [120.0, 95.0]]), 17);
        assert_eq!(player.at(0.2), Some([10.0, 20.0, 130.0, 95.0]));
        assert_eq!(player.at(0.55), Some([110.0, 20.0, 130.0, 95.0]));
        assert_eq!(player.at(0.7), None);
        // Two points of 17 are not a person; two of a ball's one and a racket's two are all there is.
        player.see(0.7, &points(&[[1.0, 2.0], [3.0, 4.0]]), 17);
        assert_eq!(player.at(0.7), None);
        player.see(0.7, &points(&[[1.0, 2.0], [3.0, 4.0]]), 2);
        assert_eq!(player.at(0.7), Some([1.0, 2.0, 3.0, 4.0]));
    }
}
