//! Instants of a stroke found from the motion, with their definitions.
//!
//! Hand motion is taken relative to the trunk (middle between shoulders and hips), so that running does not count, and along
//! the hitting direction: the mean direction of that motion in the last 50 ms before contact, made square to the trunk's long
//! axis. "Backward" is against it. Instants are given without what the smoothing does to them, as far as smoothing once more
//! tells (twicing, Tukey 1977). Neither gravity nor the court is needed, except for the racket drop.

use nalgebra::Vector3;

use crate::series::{self, Series, fall_backward, fall_forward, greatest, negated};
use crate::spots::Spot;
use crate::view::StrokeView;

/// An instant that the motion shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Phase {
    TakeBackStart,
    TakeBackFastest,
    TakeBackEnd,
    ShoulderTurnStart,
    FarthestAcross,
    DropTop,
    DropBottom,
    ForwardStart,
    TrunkOpening,
    FollowThroughEnd,
}

impl Phase {
    pub(crate) const COUNT: usize = 10;

    /// How the instant is defined.
    pub(crate) fn definition(self) -> &'static str {
        match self {
            Self::TakeBackStart => {
                "going back in time from the fastest backward motion of the racket hand (relative to the trunk, against the hitting direction): where that speed was last below 20 % of its peak for 50 ms"
            }
            Self::TakeBackFastest => {
                "fastest backward motion of the racket hand relative to the trunk, against the hitting direction"
            }
            Self::TakeBackEnd => {
                "after the fastest backward motion of the racket hand: where that speed first falls below 20 % of its peak for 30 ms"
            }
            Self::ShoulderTurnStart => {
                "going back in time from the fastest backward turn of the shoulder line (about the trunk's long axis at contact): where that turning speed was last below 20 % of its peak for 50 ms"
            }
            Self::FarthestAcross => {
                "the racket tip is farthest to the other side of the midline plane between the end of the take-back and contact"
            }
            Self::DropTop => {
                "going back in time from the fastest downward motion of the racket tip before the bottom of the drop: where that speed was last below 20 % of its peak for 30 ms"
            }
            Self::DropBottom => {
                "lowest racket tip between the fastest backward motion of the hand and contact, at least 0.15 m below the top of the drop"
            }
            Self::ForwardStart => {
                "going back in time from contact: where the forward speed of the racket hand relative to the trunk was last below 20 % of its peak for 30 ms"
            }
            Self::TrunkOpening => {
                "going back in time from the fastest forward turn of the shoulder line in the last 0.35 s before contact: where that turning speed was last below 20 % of its peak for 30 ms"
            }
            Self::FollowThroughEnd => {
                "after contact: where the speed of the racket hand relative to the trunk first falls below 20 % of its mean speed in the last 50 ms before contact for 30 ms"
            }
        }
    }
}

/// A found instant in seconds to contact (on the grid), or why it is missing.
pub(crate) type Instant = Result<f64, &'static str>;

/// An instant that the analyst set: the phase, seconds to contact, standard deviation in seconds.
pub(crate) type SetPhase = (Phase, f64, f64);

/// All instants of a stroke.
#[derive(Debug, Clone)]
pub(crate) struct Phases {
    used: [Instant; Phase::COUNT],
    /// What the motion shows, also where the analyst set another instant.
    found: [Instant; Phase::COUNT],
    is_set: [bool; Phase::COUNT],
}

impl Phases {
    /// Set instants stand from the start, so that what is searched from them follows them.
    fn new(set: &[(Phase, f64)]) -> Self {
        let none = [Err("it was not looked for"); Phase::COUNT];
        let mut phases = Self { used: none, found: none, is_set: [false; Phase::COUNT] };
        for (phase, seconds) in set {
            phases.used[*phase as usize] = Ok(*seconds);
            phases.is_set[*phase as usize] = true;
        }
        phases
    }

    pub(crate) fn get(&self, phase: Phase) -> Instant {
        self.used[phase as usize]
    }

    pub(crate) fn found(&self, phase: Phase) -> Instant {
        self.found[phase as usize]
    }

    /// What the smoothing did to each instant, seconds, from the same instants after smoothing once more; 0 where either is missing, or where
    /// they lie so far apart that another motion was taken.
    pub(crate) fn smoothing(&self, again: &Phases) -> [f64; Phase::COUNT] {
        const FARTHEST_SECONDS: f64 = 0.03;
        std::array::from_fn(|phase| match (self.found[phase], again.found[phase]) {
            (Ok(seconds), Ok(again)) if (again - seconds).abs() < FARTHEST_SECONDS => again - seconds,
            _ => 0.0,
        })
    }

    /// The instants without what the smoothing did to them.
    pub(crate) fn without(mut self, smoothing: &[f64; Phase::COUNT]) -> Self {
        for (phase, by) in smoothing.iter().enumerate() {
            self.found[phase] = self.found[phase].map(|seconds| seconds - by);
            if !self.is_set[phase] {
                self.used[phase] = self.found[phase];
            }
        }
        self
    }

    fn set(&mut self, phase: Phase, instant: Instant) {
        self.found[phase as usize] = instant;
        if !self.is_set[phase as usize] {
            self.used[phase as usize] = instant;
        }
    }
}

/// A motion has begun, or ended, at this share of its peak speed. A share of the peak is the usual way (5 to 20 % are in use); which one is a
/// convention of this program. The lower the share, the slower its crossing and the more of its time is noise: at a tenth the
/// top of the drop was found to 12 ms only with 8 mm of noise at 240 frames per second.
const ONSET_SHARE: f64 = 0.2;

const LONGEST_TAKE_BACK_SECONDS: f64 = 1.6;
const LEAST_BACKWARD_SPEED: f64 = 0.5;
const LEAST_TURN_RATE: f64 = 0.5;
const LEAST_DROP_M: f64 = 0.15;

/// Finds all instants.
pub(crate) fn find(view: &StrokeView) -> Phases {
    let mut phases = Phases::new(&view.set_phases);
    hand_phases(view, &mut phases);
    shoulder_phases(view, &mut phases);
    drop_phases(view, &mut phases);
    phases
}

fn instants(view: &StrokeView, seconds: f64) -> usize {
    (seconds / view.grid.step).round() as usize
}

fn hand_phases(view: &StrokeView, phases: &mut Phases) {
    const NOT_SEEN: &str = "the racket hand or the trunk was not seen without gaps over the stroke";
    let grid = view.grid;
    let velocity = view.hand_velocity();
    let last = grid.contact - instants(view, 0.05)..=grid.contact;
    let near: Vec<Vector3<f64>> = velocity.get(last).unwrap_or(&[]).iter().flatten().copied().collect();
    let up = view.frames.get(grid.contact).copied().flatten().map(|f| f.up);
    let direction = up.and_then(|up| {
        let mean = near.iter().sum::<Vector3<f64>>() / near.len().max(1) as f64;
        (mean - up * mean.dot(&up)).try_normalize(0.5)
    });
    let Some(direction) = direction else {
        for phase in [Phase::TakeBackStart, Phase::TakeBackFastest, Phase::TakeBackEnd, Phase::ForwardStart] {
            phases.set(phase, Err("the racket hand or the trunk was not seen just before contact"));
        }
        phases.set(Phase::FollowThroughEnd, Err("the racket hand or the trunk was not seen just before contact"));
        return;
    };
    let forward: Series = velocity.iter().map(|v| v.map(|v| v.dot(&direction))).collect();
    let first = grid.index(-LONGEST_TAKE_BACK_SECONDS);

    let start = greatest(&forward, grid.index(-0.2)..=grid.contact).and_then(|(fastest, speed)| {
        fall_backward(&forward, fastest, ONSET_SHARE * speed, instants(view, 0.03), first)
    });
    phases.set(Phase::ForwardStart, start.map(|k| grid.seconds(k)).ok_or(NOT_SEEN));

    let backward = negated(&forward);
    let start = phases.get(Phase::ForwardStart).ok();
    let fastest = start.map_or(Err(NOT_SEEN), |start| {
        greatest(&backward, first..=grid.index(start))
            .filter(|(_, speed)| *speed > LEAST_BACKWARD_SPEED)
            .ok_or("the racket hand does not go back before contact")
    });
    match fastest {
        Ok((fastest, speed)) => {
            let floor = ONSET_SHARE * speed;
            let begin = fall_backward(&backward, fastest, floor, instants(view, 0.05), 0);
            let end = fall_forward(&backward, fastest, floor, instants(view, 0.03), grid.contact);
            phases.set(Phase::TakeBackFastest, Ok(grid.seconds(fastest as f64)));
            phases.set(Phase::TakeBackStart, begin.map(|k| grid.seconds(k)).ok_or(NOT_SEEN));
            phases.set(Phase::TakeBackEnd, end.map(|k| grid.seconds(k)).ok_or(NOT_SEEN));
        }
        Err(because) => {
            for phase in [Phase::TakeBackStart, Phase::TakeBackFastest, Phase::TakeBackEnd] {
                phases.set(phase, Err(because));
            }
        }
    }

    let speed: Series = velocity.iter().map(|v| v.map(|v| v.norm())).collect();
    let before_contact = near.iter().map(Vector3::norm).sum::<f64>() / near.len().max(1) as f64;
    let rest = Some(ONSET_SHARE * before_contact).and_then(|floor| {
        let from = (grid.contact + 1..grid.len).find(|k| speed.get(*k).copied().flatten().is_some())?;
        fall_forward(&speed, from, floor, instants(view, 0.03), grid.len - 1)
    });
    phases.set(
        Phase::FollowThroughEnd,
        rest.map(|k| grid.seconds(k)).ok_or("the racket hand was not seen coming to rest after contact"),
    );
}

fn shoulder_phases(view: &StrokeView, phases: &mut Phases) {
    if view.setting.one_camera {
        phases.set(Phase::TrunkOpening, Err("one camera does not show how the shoulder line turns"));
        phases.set(Phase::ShoulderTurnStart, Err("one camera does not show how the shoulder line turns"));
        return;
    }
    const NOT_SEEN: &str = "the shoulders were not seen without gaps over the stroke";
    let grid = view.grid;
    let Some(rate) = view.shoulder_turn_rate() else {
        phases.set(Phase::TrunkOpening, Err("the trunk was not seen at contact"));
        phases.set(Phase::ShoulderTurnStart, Err("the trunk was not seen at contact"));
        return;
    };
    let first = grid.index(-LONGEST_TAKE_BACK_SECONDS);
    let opening = greatest(&rate, grid.index(-0.35)..=grid.contact).ok_or(NOT_SEEN).and_then(|(fastest, speed)| {
        if speed < LEAST_TURN_RATE {
            return Err("the shoulder line does not turn forward before contact");
        }
        fall_backward(&rate, fastest, ONSET_SHARE * speed, instants(view, 0.03), first).ok_or(NOT_SEEN)
    });
    phases.set(Phase::TrunkOpening, opening.map(|k| grid.seconds(k)));
    let backward = negated(&rate);
    let turn = phases.get(Phase::TrunkOpening).and_then(|opening| {
        let (fastest, speed) = greatest(&backward, first..=grid.index(opening)).ok_or(NOT_SEEN)?;
        if speed < LEAST_TURN_RATE {
            return Err("the shoulder line does not turn back before contact");
        }
        fall_backward(&backward, fastest, ONSET_SHARE * speed, instants(view, 0.05), 0).ok_or(NOT_SEEN)
    });
    phases.set(Phase::ShoulderTurnStart, turn.map(|k| grid.seconds(k)));
}

fn drop_phases(view: &StrokeView, phases: &mut Phases) {
    let grid = view.grid;
    let from = match phases.get(Phase::TakeBackFastest) {
        Ok(seconds) => grid.index(seconds),
        Err(because) => {
            for phase in [Phase::FarthestAcross, Phase::DropTop, Phase::DropBottom] {
                phases.set(phase, Err(because));
            }
            return;
        }
    };
    if view.setting.one_camera {
        phases.set(Phase::FarthestAcross, Err("one camera does not show on which side of the body the racket is"));
        return drop_of_racket(view, phases, from);
    }
    let across = lowest(&view.body_coordinate(Spot::RacketTip, 0), from, grid.contact)
        .ok_or("the racket tip or the trunk was not seen")
        .and_then(|k| {
            let inside = k > from as f64 && k < grid.contact as f64;
            inside
                .then(|| grid.seconds(k))
                .ok_or("the racket tip is nearest to the midline at the end of what is searched")
        });
    phases.set(Phase::FarthestAcross, across);

    drop_of_racket(view, phases, from);
}

/// In one picture its vertical stands for the vertical.
fn drop_of_racket(view: &StrokeView, phases: &mut Phases, from: usize) {
    let grid = view.grid;
    if !view.setting.z_is_up && !view.setting.one_camera {
        phases.set(Phase::DropTop, Err("the vertical is not known (no court points were marked)"));
        phases.set(Phase::DropBottom, Err("the vertical is not known (no court points were marked)"));
        return;
    }
    let height: Series = view.states(Spot::RacketTip).iter().map(|s| s.map(|s| s.position.z)).collect();
    let downward: Series = view.states(Spot::RacketTip).iter().map(|s| s.map(|s| -s.velocity.z)).collect();
    let drop = lowest(&height, from, grid.contact).and_then(|bottom| {
        let start = phases.get(Phase::TakeBackStart).map_or(from, |seconds| grid.index(seconds));
        let (fastest, speed) = greatest(&downward, start..=bottom.floor() as usize)?;
        let top = fall_backward(&downward, fastest, ONSET_SHARE * speed, instants(view, 0.03), 0)?;
        Some((top, bottom, series::value_at(&height, top)? - series::value_at(&height, bottom)?))
    });
    match drop {
        Some((top, bottom, depth)) if depth >= LEAST_DROP_M => {
            phases.set(Phase::DropTop, Ok(grid.seconds(top)));
            phases.set(Phase::DropBottom, Ok(grid.seconds(bottom)));
        }
        found => {
            let because = if found.is_some() {
                "the racket does not drop by 0.15 m or more"
            } else {
                "the racket tip was not seen without gaps before contact"
            };
            phases.set(Phase::DropTop, Err(because));
            phases.set(Phase::DropBottom, Err(because));
        }
    }
}

/// Place of the least value, refined by the parabola through its neighbours.
fn lowest(series: &[Option<f64>], from: usize, to: usize) -> Option<f64> {
    let (k, deepest) = greatest(&negated(series), from..=to)?;
    let neighbours = || Some((-series.get(k.checked_sub(1)?).copied()??, -series.get(k + 1).copied()??));
    let inside = k > from && k < to;
    Some(match neighbours().filter(|_| inside) {
        Some((a, b)) if a + b < 2.0 * deepest => k as f64 + 0.5 * (a - b) / (a - 2.0 * deepest + b),
        _ => k as f64,
    })
}
