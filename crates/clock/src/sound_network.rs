//! The clocks of several cameras from the offsets between all pairs that share sound: pairs close loops, and a camera that
//! overlaps with the reference only through another one is joined through it.

use midline_solver::{LeastSquares, Options, minimise};
use nalgebra::{DMatrix, DVector, Matrix2};

use crate::line::Line;

/// Sums around a loop that are still agreement, besides what the pairs' scatter allows, seconds: sounds of different places
/// travel differently (2 m of path).
const LOOP_SECONDS: f64 = 0.006;
/// Standard deviations of a sum around a loop that are still agreement.
const LOOP_SDS: f64 = 3.0;

/// Two cameras' common sound: `first pts = second pts + line(second pts)`.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Link {
    pub(crate) first: usize,
    pub(crate) second: usize,
    pub(crate) line: Line,
    /// Standard deviation of what the pair's sounds have in common, seconds: the difference of their travel.
    pub(crate) common_sd_seconds: f64,
}

impl Link {
    fn first_pts(&self, second_pts: f64) -> f64 {
        second_pts + self.line.at(second_pts)
    }

    fn level_variance(&self) -> f64 {
        self.line.covariance[0][0] + self.common_sd_seconds.powi(2)
    }
}

/// One camera's clock against the first: session time of its presentation time 0, rate, and their covariance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Joined {
    pub(crate) offset_seconds: f64,
    pub(crate) rate: f64,
    pub(crate) covariance: [[f64; 2]; 2],
}

/// The clocks of `cameras` cameras against camera 0; `None` for those that no chain of links joins to it.
///
/// Weighted least squares over all links. Where loops contradict by more than the links' standard deviations, these are taken to
/// be as much too small.
pub(crate) fn joined(cameras: usize, links: &[Link]) -> Vec<Option<Joined>> {
    let starts = chained(cameras, links);
    let reached: Vec<usize> = (1..cameras).filter(|camera| starts[*camera].is_some()).collect();
    let column = |camera: usize| reached.iter().position(|c| *c == camera).map(|place| 2 * place);
    let network = Network {
        links: links.iter().filter(|l| starts[l.first].is_some()).copied().collect(),
        columns: (0..cameras).map(column).collect(),
        // Offset and rate are hardly correlated where the sounds were heard.
        centres: (0..cameras).map(|camera| centre(links, camera)).collect(),
    };
    let start: Vec<[f64; 2]> = starts
        .iter()
        .zip(&network.centres)
        .map(|(clock, centre)| clock.map_or([0.0, 1.0], |[offset, rate]| [offset + rate * centre, rate]))
        .collect();
    let reference = Joined { offset_seconds: 0.0, rate: 1.0, covariance: [[0.0; 2]; 2] };
    let mut found = vec![None; cameras];
    if let Some(first) = found.first_mut() {
        *first = Some(reference);
    }
    let columns: Vec<usize> = (0..2 * reached.len()).collect();
    let Ok(solution) = minimise(&network, start, &Options::default()) else { return found };
    let Ok(covariance) = solution.covariance_of(&columns) else { return found };
    let inflation = solution.residual_sd().map_or(1.0, |sd| sd * sd).max(1.0);
    for camera in reached {
        let Some(first) = network.columns[camera] else { continue };
        let ([middle, rate], centre) = (solution.state[camera], network.centres[camera]);
        let mut own = covariance.fixed_view::<2, 2>(first, first) * inflation;
        // What the pairs' sounds have in common is the camera's own and closes around every loop: no loop makes it smaller.
        let of_camera = network.links.iter().filter(|l| l.first == camera || l.second == camera);
        own[(0, 0)] = of_camera.map(Link::level_variance).fold(f64::INFINITY, f64::min).max(own[(0, 0)]);
        // From the middle of the sounds back to presentation time 0.
        let back = Matrix2::new(1.0, -centre, 0.0, 1.0);
        let own = back * own * back.transpose();
        found[camera] = Some(Joined {
            offset_seconds: middle - rate * centre,
            rate,
            covariance: [[own[(0, 0)], own[(0, 1)]], [own[(1, 0)], own[(1, 1)]]],
        });
    }
    found
}

/// By how much the offsets around every loop of three cameras fail to close, with the standard deviation of that, seconds, and
/// whether that is too much.
pub(crate) fn loops(cameras: usize, links: &[Link]) -> Vec<([usize; 3], f64, f64, bool)> {
    let link = |a: usize, b: usize| links.iter().find(|l| (l.first, l.second) == (a, b));
    let mut loops = Vec::new();
    for a in 0..cameras {
        for b in a + 1..cameras {
            for c in b + 1..cameras {
                let (Some(ab), Some(bc), Some(ac)) = (link(a, b), link(b, c), link(a, c)) else { continue };
                let pts = ac.line.centre;
                let gap = ab.first_pts(bc.first_pts(pts)) - ac.first_pts(pts);
                let variance = |link: &Link, pts: f64| {
                    link.line.covariance[0][0] + (pts - link.line.centre).powi(2) * link.line.covariance[1][1]
                };
                let sd = (variance(ab, bc.first_pts(pts)) + variance(bc, pts) + variance(ac, pts)).sqrt();
                loops.push(([a, b, c], gap, sd, gap.abs() > LOOP_SECONDS + LOOP_SDS * sd));
            }
        }
    }
    loops
}

/// Offset and rate of every camera through the links, each from one that has it already.
fn chained(cameras: usize, links: &[Link]) -> Vec<Option<[f64; 2]>> {
    let mut clocks = vec![None; cameras];
    if let Some(first) = clocks.first_mut() {
        *first = Some([0.0, 1.0]);
    }
    for _ in 1..cameras {
        for link in links {
            // first pts = shift + slope · second pts.
            let (shift, slope) = (link.line.at(0.0), 1.0 + link.line.slope);
            match (clocks[link.first], clocks[link.second]) {
                (Some([offset, rate]), None) => clocks[link.second] = Some([offset + rate * shift, rate * slope]),
                (None, Some([offset, rate])) => {
                    clocks[link.first] = Some([offset - rate * shift / slope, rate / slope])
                }
                _ => {}
            }
        }
    }
    clocks
}

/// The mean presentation time of the sounds that a camera shares.
fn centre(links: &[Link], camera: usize) -> f64 {
    let own: Vec<f64> = links
        .iter()
        .filter_map(|l| match camera {
            c if c == l.second => Some(l.line.centre),
            c if c == l.first => Some(l.first_pts(l.line.centre)),
            _ => None,
        })
        .collect();
    own.iter().sum::<f64>() / own.len().max(1) as f64
}

/// Links as a least-squares problem: both clocks of a link agree in the middle of its sounds, and in their rates.
struct Network {
    links: Vec<Link>,
    /// First column of each camera; `None` for the reference.
    columns: Vec<Option<usize>>,
    centres: Vec<f64>,
}

impl LeastSquares for Network {
    /// Session time at its centre, and rate, of each camera.
    type State = Vec<[f64; 2]>;

    fn tangent_dim(&self) -> usize {
        2 * self.columns.iter().flatten().count()
    }

    fn block_count(&self) -> usize {
        self.links.len()
    }

    fn block_rows(&self, _block: usize) -> usize {
        2
    }

    fn block_columns(&self, block: usize) -> Vec<usize> {
        let link = self.links[block];
        [link.first, link.second].into_iter().filter_map(|c| self.columns[c]).flat_map(|c| [c, c + 1]).collect()
    }

    fn evaluate(
        &self,
        state: &Vec<[f64; 2]>,
        block: usize,
        residual: &mut DVector<f64>,
        jacobian: Option<&mut DMatrix<f64>>,
    ) -> bool {
        let link = self.links[block];
        let second_pts = link.line.centre;
        let since = [link.first_pts(second_pts) - self.centres[link.first], second_pts - self.centres[link.second]];
        let [first, second] = [state[link.first], state[link.second]];
        let weights = [link.level_variance().sqrt().recip(), link.line.covariance[1][1].sqrt().recip()];
        let slope = 1.0 + link.line.slope;
        residual[0] = weights[0] * (first[0] + first[1] * since[0] - second[0] - second[1] * since[1]);
        residual[1] = weights[1] * (first[1] * slope - second[1]);
        let Some(jacobian) = jacobian else { return true };
        let mut column = 0;
        for (camera, since, sign, by_rate) in [(link.first, since[0], 1.0, slope), (link.second, since[1], -1.0, -1.0)]
        {
            if self.columns[camera].is_some() {
                jacobian[(0, column)] = weights[0] * sign;
                jacobian[(0, column + 1)] = weights[0] * sign * since;
                jacobian[(1, column + 1)] = weights[1] * by_rate;
                column += 2;
            }
        }
        true
    }

    fn step(&self, state: &Vec<[f64; 2]>, delta: &DVector<f64>) -> Vec<[f64; 2]> {
        let moved = |(clock, column): (&[f64; 2], &Option<usize>)| {
            column.map_or(*clock, |c| [clock[0] + delta[c], clock[1] + delta[c + 1]])
        };
        state.iter().zip(&self.columns).map(moved).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Offset and rate of each camera, and what a pair of them would find.
    const CLOCKS: [[f64; 2]; 4] = [[0.0, 1.0], [2.3, 1.0 + 2e-5], [-1.2, 1.0 - 3e-5], [5.0, 1.0 + 1e-5]];

    fn link(first: usize, second: usize, error: f64) -> Link {
        let ([a, ra], [b, rb]) = (CLOCKS[first], CLOCKS[second]);
        // first pts = (b + rb pts - a) / ra.
        let centre = 20.0;
        let slope = rb / ra - 1.0;
        let level = (b - a) / ra + slope * centre + error;
        Link {
            first,
            second,
            line: Line { centre, level, slope, covariance: [[1e-8, 0.0], [0.0, 1e-12]] },
            common_sd_seconds: 0.003,
        }
    }

    #[test]
    fn closed_loops_and_chains_give_every_clock_back() {
        // The fourth is joined through the third only.
        let links = [link(0, 1, 0.0), link(0, 2, 0.0), link(1, 2, 0.0), link(2, 3, 0.0)];
        let found = joined(5, &links);
        assert_eq!(found[4], None);
        for (camera, [offset, rate]) in CLOCKS.into_iter().enumerate() {
            let clock = found[camera].unwrap();
            assert!((clock.offset_seconds - offset).abs() < 1e-9 && (clock.rate - rate).abs() < 1e-12, "{clock:?}");
        }
        let at = |camera: usize| {
            let [[oo, or], [_, rr]] = found[camera].unwrap().covariance;
            (oo + 40.0 * or + 400.0 * rr).sqrt()
        };
        // Two ways to the second camera, one after the other to the fourth.
        assert!((at(1) - 0.003).abs() < 1e-5 && at(3) > 0.0035, "{} {}", at(1), at(3));
        assert!(loops(4, &links).iter().all(|(_, gap, _, wrong)| gap.abs() < 1e-9 && !wrong));
    }

    #[test]
    fn a_loop_that_does_not_close_is_told_and_widens_the_clocks() {
        let right = joined(3, &[link(0, 1, 0.0), link(0, 2, 0.0), link(1, 2, 0.0)]);
        let links = [link(0, 1, 0.0), link(0, 2, 0.0), link(1, 2, 0.040)];
        let found = loops(3, &links);
        assert_eq!(found.len(), 1);
        assert!((found[0].1 - 0.040).abs() < 1e-6 && found[0].3, "{found:?}");
        let wrong = joined(3, &links);
        let sd = |clocks: &[Option<Joined>]| clocks[1].unwrap().covariance[0][0].sqrt();
        assert!(sd(&wrong) > 2.0 * sd(&right));
        assert!((wrong[1].unwrap().offset_seconds - 2.3).abs() < 3.0 * sd(&wrong));
    }

    #[test]
    fn jacobians_match_differences() {
        let network = Network {
            links: vec![link(0, 1, 0.0), link(1, 2, 0.001)],
            columns: vec![None, Some(0), Some(2)],
            centres: vec![10.0, 12.0, 8.0],
        };
        let state = vec![[10.0, 1.0], [14.0, 1.001], [7.0, 0.999]];
        assert!(midline_solver::worst_jacobian_error(&network, &state) < 1e-6);
    }
}
