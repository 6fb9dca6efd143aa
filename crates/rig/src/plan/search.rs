//! Better places, by Nelder & Mead's simplex from several starts.
//!
//! A place is judged by the root mean square error of racket tip and body joint over the zone. What two phones do not see
//! counts as half a metre of error, so that the search trades the zone's edges for accuracy as a person would; a bounce out
//! of view, too few court points and a place in the run-off area cost as much as some centimetres.

use argmin::core::{CostFunction, Executor, State};
use argmin::solver::neldermead::NelderMead;
use argmin_math::{ArgminAdd, ArgminMul, ArgminSub};
use midline_geometry::Camera;
use midline_session::court::Court;
use nalgebra::Point3;
use rayon::prelude::*;

use super::PlanError;
use super::coverage::{inside_run_off_m, outside_picture, sees};
use super::file::{Box3, Plan};
use super::forecast::{Kind, point_forecasts};
use super::place::{Stand, posted};

/// Error that counts for a point of the zone that two phones do not see, m, and what each picture width outside adds.
const UNSEEN_M: f64 = 0.5;
/// What it costs that none of the bounce area is in two pictures, m.
const BOUNCE_M: f64 = 0.03;
/// What each phone with too few court points costs, m, and how many are enough.
const COURT_M: f64 = 0.02;
const ENOUGH_COURT_POINTS: usize = 5;
/// What a place in the run-off area costs, m, and what each metre inside adds.
const RUN_OFF_M: f64 = 0.05;
const RUN_OFF_PER_METRE: f64 = 0.05;
/// What each metre outside the allowed area costs.
const OUTSIDE_PER_METRE: f64 = 1.0;

/// Places tried along each side of a phone's area before the simplex starts, and rounds over the phones.
const COARSE: usize = 5;
const ROUNDS: usize = 2;
/// First edge of the simplex as a share of each side, and steps of the simplex.
const FIRST_EDGE: f64 = 0.12;
const STEPS: u64 = 160;
/// Spread of the costs at which the simplex has settled, m.
const SETTLED_M: f64 = 2e-5;
/// A phone stays where it was meant to stand if that costs less than this much more.
const WORTH_A_MOVE: f64 = 1.03;
/// Tripods are placed to this, m.
const PLACED_TO_M: f64 = 0.1;

/// A vector of unknowns as the optimiser moves it.
#[derive(Debug, Clone, PartialEq)]
struct Unknowns(Vec<f64>);

impl ArgminAdd<Self, Self> for Unknowns {
    fn add(&self, other: &Self) -> Self {
        Self(self.0.iter().zip(&other.0).map(|(a, b)| a + b).collect())
    }
}

impl ArgminSub<Self, Self> for Unknowns {
    fn sub(&self, other: &Self) -> Self {
        Self(self.0.iter().zip(&other.0).map(|(a, b)| a - b).collect())
    }
}

impl ArgminMul<f64, Self> for Unknowns {
    fn mul(&self, factor: &f64) -> Self {
        Self(self.0.iter().map(|a| a * factor).collect())
    }
}

/// One coordinate that may change.
#[derive(Debug, Clone, Copy)]
struct Free {
    phone: usize,
    axis: usize,
    range_m: [f64; 2],
}

struct Judge<'a> {
    plan: &'a Plan,
    court: &'a Court,
    start: &'a Stand,
    free: Vec<Free>,
}

impl<'a> Judge<'a> {
    fn new(plan: &'a Plan, court: &'a Court, start: &'a Stand) -> Self {
        let of_phone = |(phone, area): (usize, Option<Box3>)| {
            let ranges = area.map(|area| [area.x_m, area.y_m, area.z_m]).into_iter();
            ranges.flat_map(move |ranges| {
                ranges.into_iter().enumerate().filter(|(_, [from, to])| to > from).map(move |(axis, range_m)| Free {
                    phone,
                    axis,
                    range_m,
                })
            })
        };
        let free = plan.phones.iter().map(|p| p.may_stand).enumerate().flat_map(of_phone).collect();
        Self { plan, court, start, free }
    }

    fn unknowns(&self, stand: &Stand) -> Unknowns {
        Unknowns(self.free.iter().map(|f| stand[f.phone][f.axis].clamp(f.range_m[0], f.range_m[1])).collect())
    }

    /// The stand, held inside the allowed areas, and how far outside the unknowns are.
    fn stand(&self, unknowns: &Unknowns) -> (Stand, f64) {
        let mut stand = self.start.clone();
        for (place, phone) in stand.iter_mut().zip(&self.plan.phones) {
            // What is not free has one allowed value.
            if let Some(area) = phone.may_stand {
                for (value, range) in place.iter_mut().zip([area.x_m, area.y_m, area.z_m]) {
                    *value = value.clamp(range[0], range[1]);
                }
            }
        }
        let mut outside = 0.0;
        for (free, value) in self.free.iter().zip(&unknowns.0) {
            let held = value.clamp(free.range_m[0], free.range_m[1]);
            outside += (value - held).abs();
            stand[free.phone][free.axis] = held;
        }
        (stand, outside)
    }

    /// What a stand costs, in metres of error.
    fn cost_of(&self, stand: &Stand) -> f64 {
        let cameras = posted(self.plan, stand);
        let mut cost = self.error_m(&cameras);
        let bounce = self.plan.bounce.grid(3);
        cost += BOUNCE_M * mean(&bounce, |p| second_least(&cameras, |c| outside_picture(c, p)).min(1.0).sqrt());
        for (camera, place) in cameras.iter().zip(stand) {
            let court = self.court.points_m.values().filter(|p| sees(camera, &Point3::from(**p))).count();
            if self.plan.shared_board.is_none() && court < ENOUGH_COURT_POINTS {
                cost += COURT_M * (ENOUGH_COURT_POINTS - court) as f64 / ENOUGH_COURT_POINTS as f64;
            }
            if let Some(inside) = inside_run_off_m(self.court, place) {
                cost += RUN_OFF_M + RUN_OFF_PER_METRE * inside;
            }
        }
        cost
    }

    fn error_m(&self, cameras: &[Camera]) -> f64 {
        let points = point_forecasts(self.plan, self.court, cameras);
        let squared = |point: &super::PointForecast| {
            let outside = second_least(cameras, |c| outside_picture(c, &point.position_m));
            let unseen = (UNSEEN_M * (1.0 + outside)).powi(2);
            let of = |kind| point.of(kind).map_or(unseen, |e| e.covariance_m2.trace().min(unseen));
            (of(Kind::Body) + of(Kind::Racket)) / 2.0
        };
        mean(&points, squared).sqrt()
    }

    /// The best of a few places for one phone after the other.
    fn coarse(&self, from: &Unknowns) -> Unknowns {
        let mut best = from.clone();
        for _ in 0..ROUNDS {
            for phone in 0..self.plan.phones.len() {
                let own: Vec<usize> = (0..self.free.len()).filter(|&i| self.free[i].phone == phone).collect();
                let ground: Vec<usize> = own.iter().copied().filter(|&i| self.free[i].axis < 2).collect();
                let count = COARSE.pow(ground.len() as u32);
                let tried: Vec<(f64, Unknowns)> = (0..count)
                    .into_par_iter()
                    .map(|index| {
                        let mut unknowns = best.clone();
                        for (digit, &i) in ground.iter().enumerate() {
                            let share = (index / COARSE.pow(digit as u32) % COARSE) as f64 / (COARSE - 1) as f64;
                            let [from, to] = self.free[i].range_m;
                            unknowns.0[i] = from + (to - from) * share;
                        }
                        (self.cost_of(&self.stand(&unknowns).0), unknowns)
                    })
                    .collect();
                let here = self.cost_of(&self.stand(&best).0);
                // The first of equals.
                let found = tried.into_iter().reduce(|a, b| if b.0 < a.0 { b } else { a });
                if let Some((cost, unknowns)) = found
                    && cost < here
                {
                    best = unknowns;
                }
            }
        }
        best
    }

    fn simplex(&self, start: &Unknowns) -> Result<(f64, Unknowns), PlanError> {
        let failed = |e: argmin::core::Error| PlanError::Search { reason: e.to_string() };
        let corner = |index: usize| {
            let [from, to] = self.free[index].range_m;
            let mut moved = start.clone();
            // Inward, so that the simplex starts inside.
            let inward = if start.0[index] > (from + to) / 2.0 { -1.0 } else { 1.0 };
            moved.0[index] += inward * FIRST_EDGE * (to - from);
            moved
        };
        let corners = std::iter::once(start.clone()).chain((0..self.free.len()).map(corner)).collect();
        let solver = NelderMead::new(corners).with_sd_tolerance(SETTLED_M).map_err(failed)?;
        let run =
            Executor::new(Judged(self), solver).configure(|s| s.max_iters(STEPS)).timer(false).run().map_err(failed)?;
        let state = run.state();
        let best = state.get_best_param().cloned().unwrap_or_else(|| start.clone());
        Ok((state.get_best_cost(), best))
    }
}

struct Judged<'a>(&'a Judge<'a>);

impl CostFunction for Judged<'_> {
    type Param = Unknowns;
    type Output = f64;

    fn cost(&self, unknowns: &Unknowns) -> Result<f64, argmin::core::Error> {
        let (stand, outside) = self.0.stand(unknowns);
        Ok(self.0.cost_of(&stand) + OUTSIDE_PER_METRE * outside)
    }
}

fn mean<T>(items: &[T], of: impl Fn(&T) -> f64) -> f64 {
    items.iter().map(of).sum::<f64>() / items.len().max(1) as f64
}

/// The second smallest value: what the second-best phone makes of it.
fn second_least(cameras: &[Camera], of: impl Fn(&Camera) -> f64) -> f64 {
    let mut values: Vec<f64> = cameras.iter().map(of).collect();
    values.sort_by(f64::total_cmp);
    values.get(1).copied().unwrap_or(2.0)
}

/// Leaves each phone where it was meant to stand if its move hardly helps: a person carries tripods.
fn stay_where_that_costs_little(judge: &Judge, stand: &mut Stand) {
    for phone in 0..stand.len() {
        let mut stayed = stand.clone();
        stayed[phone] = judge.start[phone];
        let allowed = judge.stand(&judge.unknowns(&stayed)).0 == stayed;
        if allowed && judge.cost_of(&stayed) <= WORTH_A_MOVE * judge.cost_of(stand) {
            *stand = stayed;
        }
    }
}

/// The best places found within the plan's areas, to a tenth of a metre; the given ones where nothing is much better or
/// nothing may change. The same on every run and with any number of threads.
///
/// # Errors
/// [`PlanError::Search`] when the optimiser gives up.
pub fn search(plan: &Plan, start: &Stand) -> Result<Stand, PlanError> {
    let court = plan
        .court_model()
        .ok_or_else(|| PlanError::Malformed { line: None, reason: format!("no court model \"{}\"", plan.court) })?;
    let judge = Judge::new(plan, &court, start);
    if judge.free.is_empty() {
        return Ok(start.clone());
    }
    let given = judge.unknowns(start);
    let middle = Unknowns(judge.free.iter().map(|f| (f.range_m[0] + f.range_m[1]) / 2.0).collect());
    let starts = [judge.coarse(&given), judge.coarse(&middle), given];
    let found: Vec<(f64, Unknowns)> = starts.par_iter().map(|start| judge.simplex(start)).collect::<Result<_, _>>()?;
    let best = found.into_iter().reduce(|a, b| if b.0 < a.0 { b } else { a });
    let Some((_, unknowns)) = best else { return Ok(start.clone()) };
    let mut stand = judge.stand(&unknowns).0;
    for free in &judge.free {
        let value = &mut stand[free.phone][free.axis];
        let rounded = (*value / PLACED_TO_M).round() * PLACED_TO_M;
        *value = rounded.clamp(free.range_m[0], free.range_m[1]);
    }
    stay_where_that_costs_little(&judge, &mut stand);
    let better = judge.cost_of(&stand) < judge.cost_of(start) || judge.stand(&judge.unknowns(start)).0 != *start;
    Ok(if better { stand } else { start.clone() })
}
