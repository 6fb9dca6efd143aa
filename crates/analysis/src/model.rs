//! One stroke made ready for trials: everything that does not change with the noise is computed once.

use midline_session::calibration::Vertical;
use nalgebra::Vector3;
use rand::{Rng, RngExt};
use rand_distr::{Distribution, StandardNormal};

use crate::bounce::Bounce;
use crate::contact_time::Contact;
use crate::dip::{self, DipFound, DipSight, Sight};
use crate::dip_course::DipCourse;
use crate::edge_speed::EdgeSpeed;
use crate::grid::{GRID, Grid};
use crate::input::{StrokeInput, dominant_side};
use crate::lifted_course::{CalibrationDraw, LiftedCourse, motion_of};
use crate::phases::{self, Phase, SetPhase};
use crate::samples::{Sample, between};
use crate::series::Series;
use crate::smoothing::{Draw, SmoothedPoint, SmoothingSettings, State, neighbours_correlation, normal_vector};
use crate::spots::{ALIKE, Spot};
use crate::swings::median;
use crate::view::{SEGMENTS, Setting, StrokeView, frame_at, picture_frame_at};

/// How much the tip's speed just before contact by [`EdgeSpeed`] counts where there is the lift's as well. Both carry on what they saw to
/// contact, each in its own way: of the demo's nine strokes the lift's is 2.2 m/s off (rms; up to 4.8 too fast), the other's 2.5 (up to
/// 5.8 too slow), their mean 1.3. Equal weights of such forecasts are hard to beat (Bates & Granger 1969, The combination of forecasts).
const SHARE_BESIDE_LIFT: f64 = 0.5;

/// A stroke's smoothed points and what is known about its contact.
pub(crate) struct StrokeModel {
    pub(crate) setting: Setting,
    pub(crate) contact: Contact,
    pub(crate) bounce: Bounce,
    pub(crate) set_phases: Vec<SetPhase>,
    /// Per point of [`Spot::ALL`].
    pub(crate) points: Vec<Option<SmoothedPoint>>,
    /// Time around contact whose samples are left out, seconds.
    pub(crate) margin_seconds: f64,
    edge: Option<EdgeSpeed>,
    /// How much `edge` counts against the tip's own course just before contact.
    edge_share: f64,
    /// Acceleration of the tip just before contact, m/s², where the lift says how it moves.
    tip_acceleration: Option<Vector3<f64>>,
    /// The tip's speed around a clear dip.
    dip_course: Option<DipCourse>,
    /// What the smoothing of samples alone does to each instant, seconds.
    smoothing: [f64; Phase::COUNT],
    grid: Grid,
}

impl StrokeModel {
    /// `samples` per point of [`Spot::ALL`]; only those between the two times (session clock) belong to this stroke.
    pub(crate) fn new(
        input: &StrokeInput,
        frame_seconds: f64,
        samples: &[Vec<Sample>],
        limits_seconds: [f64; 2],
        contact: Contact,
        bounce: Bounce,
        set_phases: Vec<SetPhase>,
    ) -> Self {
        let grid = GRID;
        let margin_seconds = frame_seconds + contact.sd_seconds;
        let settings_of = |spot: Spot, correlation: f64| SmoothingSettings {
            screening_seconds: spot.screening_seconds(),
            misfit_allowance_m: spot.misfit_allowance_m(),
            prior: spot.prior(),
            margin_seconds: if spot.feels_impact() { margin_seconds } else { 0.0 },
            frame_seconds,
            correlation,
        };
        let own = |spot: Spot| {
            let own = between(samples.get(spot.index())?, limits_seconds[0], limits_seconds[1]);
            let around = between(own, contact.seconds - 1.0, contact.seconds + 0.3);
            (around.len() >= 10).then_some(own)
        };
        // All points are interpolated alike; a cubic misses a racket more than a body.
        let correlation = median(
            Spot::ALL
                .into_iter()
                .filter_map(|spot| neighbours_correlation(own(spot)?, contact.seconds, &grid, &settings_of(spot, 0.0)))
                .collect(),
        );
        let motion = motion_of(input.motions, contact.seconds);
        let mut points: Vec<Option<SmoothedPoint>> = vec![None; Spot::ALL.len()];
        for group in ALIKE {
            let (seen, of_group): (Vec<Spot>, Vec<_>) =
                group.iter().filter_map(|spot| Some((*spot, (own(*spot)?, settings_of(*spot, correlation))))).unzip();
            for (spot, point) in seen.into_iter().zip(SmoothedPoint::alike(&of_group, contact.seconds, &grid)) {
                let course =
                    motion.and_then(|motion| LiftedCourse::new(motion, spot, input.handedness, contact.seconds, &grid));
                points[spot.index()] = Some(point.with_course(course));
            }
        }
        let point = |spot: Spot| points.get(spot.index()).and_then(Option::as_ref);
        let tip_acceleration =
            point(Spot::RacketTip).and_then(SmoothedPoint::lifted).and_then(LiftedCourse::acceleration_at_contact);
        // In a picture the racket is no rigid body.
        let edge = point(Spot::RacketButt)
            .zip(point(Spot::RacketTip))
            .filter(|_| !input.one_camera)
            .and_then(|(butt, tip)| EdgeSpeed::new(butt, tip, &grid, margin_seconds + 2.0 * frame_seconds));
        let velocity_sds: Vec<Series> =
            points.iter().map(|p| p.as_ref().map_or_else(Vec::new, SmoothedPoint::velocity_sds)).collect();
        let none = vec![None; grid.len];
        let tip_sds = velocity_sds.get(Spot::RacketTip.index()).filter(|s| !s.is_empty()).unwrap_or(&none);
        let edge_share = if tip_acceleration.is_some() { SHARE_BESIDE_LIFT } else { 1.0 };
        let tip_speed_sds = match &edge {
            Some(edge) => changed_over(&grid, tip_sds, |t| edge_share * edge.share(t), |k| edge.speed_sd(k)),
            None => tip_sds.clone(),
        };
        let setting = Setting {
            handedness: input.handedness,
            side: dominant_side(input.handedness),
            z_is_up: input.vertical == Vertical::ZUp,
            one_camera: input.one_camera,
            picture_scale_sd_share: input.picture_scale_sd_share,
            frame_seconds,
            clock_sd_seconds: input.clock_sd_seconds,
            is_lifted: motion.is_some(),
            present: std::array::from_fn(|i| points.get(i).is_some_and(Option::is_some)),
            velocity_sds,
            tip_speed_sds,
            dip: None,
        };
        let smoothing = [0.0; Phase::COUNT];
        let mut model = Self {
            setting,
            contact,
            bounce,
            set_phases,
            points,
            margin_seconds,
            edge,
            edge_share,
            tip_acceleration,
            dip_course: None,
            smoothing,
            grid,
        };
        model.look_for_dip();
        // The lift's course is not smoothed by what is known here; how it may be off stands in the intervals only.
        if motion.is_none()
            && let (Some(once), Some(again)) = (model.measured().phases, model.smoothed_again().phases)
        {
            model.smoothing = once.smoothing(&again);
        }
        model
    }

    /// Looks for a dip of the tip's speed; where there is one, the speed is read off a curve that may have it.
    fn look_for_dip(&mut self) {
        let view = self.measured();
        let (from, usual) = (view.phase_index(Phase::TakeBackEnd), view.tip_speed.clone());
        let Some(tip) = &self.points[Spot::RacketTip.index()] else { return };
        let Ok(range) = from.map(|from| from..=self.grid.contact) else { return };
        let usual = [usual.as_slice(), self.setting.tip_speed_sds.as_slice()];
        let Some(sight) = Sight::new(tip, usual, &self.grid, range, self.setting.frame_seconds) else { return };
        let dip = sight.clearest();
        let hidden = sight.hidden(dip::REFERENCE_SHARE * view.tip_speed_at_contact.unwrap_or_default());
        let largest_hidden_m_s = sight.largest_hidden(0.05);
        self.dip_course = dip
            .filter(DipFound::is_clear)
            .and_then(|dip| DipCourse::new(tip, view.states(Spot::RacketTip), &self.grid, dip.around_seconds));
        self.setting.dip = Some(DipSight { clearest: dip, largest_hidden_m_s, hidden });
    }

    /// The stroke as measured.
    pub(crate) fn measured(&self) -> StrokeView<'_> {
        self.without_noise(self.points.iter().map(|p| p.as_ref().map(SmoothedPoint::measured)).collect())
    }

    /// The stroke as measured, smoothed once more: how it differs tells what the smoothing does.
    pub(crate) fn smoothed_again(&self) -> StrokeView<'_> {
        self.without_noise(self.points.iter().map(|p| Some(p.as_ref()?.smoothed_again(&self.grid))).collect())
    }

    fn without_noise(&self, points: Vec<Option<Draw>>) -> StrokeView<'_> {
        self.view(Draws {
            points,
            racket_beyond: [Vector3::zeros(); 2],
            edge_share: self.edge_share,
            dip_speeds: self.dip_course.as_ref().map(DipCourse::likeliest),
            contact_shift: 0.0,
            peak_draws: [0.0; SEGMENTS],
            picture_metre: 1.0,
            bounce: self.bounce.as_ref().map(|b| b.seconds - self.contact.seconds).map_err(|because| *because),
            ball_at_contact: self.contact.ball.as_ref().map(|kink| kink.position),
            set_phases: self.set_phases.iter().map(|(phase, seconds, _)| (*phase, *seconds)).collect(),
        })
    }

    /// The stroke with further noise of the size that the covariances and the standard deviations of the instants say.
    pub(crate) fn trial(&self, random: &mut impl Rng) -> StrokeView<'_> {
        // The samples themselves serve the last stretch of the racket only.
        let ends = [Spot::RacketButt, Spot::RacketTip];
        let calibration = CalibrationDraw::new(random);
        let points = Spot::ALL
            .into_iter()
            .zip(&self.points)
            .map(|(spot, point)| Some(point.as_ref()?.drawn(random, ends.contains(&spot), &calibration)))
            .collect();
        let racket_beyond = [normal_vector(random), normal_vector(random)];
        // One course or the other, as likely as it counts.
        let edge_share = if random.random_bool(self.edge_share) { 1.0 } else { 0.0 };
        let dip_speeds = self.dip_course.as_ref().map(|course| course.drawn(random));
        let ball_at_contact = self.contact.ball.as_ref().map(|kink| match kink.covariance.cholesky() {
            Some(root) => kink.position + root.l() * normal_vector(random),
            None => kink.position,
        });
        let mut normal = |sd: f64| -> f64 {
            let z: f64 = StandardNormal.sample(random);
            z * sd
        };
        self.view(Draws {
            points,
            racket_beyond,
            edge_share,
            dip_speeds,
            contact_shift: normal(self.contact.sd_seconds),
            peak_draws: std::array::from_fn(|_| normal(1.0)),
            picture_metre: 1.0 + normal(self.setting.picture_scale_sd_share.unwrap_or(0.0)),
            bounce: match &self.bounce {
                Ok(bounce) => Ok(bounce.seconds - self.contact.seconds + normal(bounce.sd_seconds)),
                Err(because) => Err(*because),
            },
            ball_at_contact,
            set_phases: self.set_phases.iter().map(|(phase, seconds, sd)| (*phase, seconds + normal(*sd))).collect(),
        })
    }

    fn view(&self, draws: Draws) -> StrokeView<'_> {
        let draw = |spot: Spot| draws.points.get(spot.index()).and_then(Option::as_ref);
        let motion = self
            .edge
            .as_ref()
            .and_then(|edge| edge.motion(draw(Spot::RacketButt)?, draw(Spot::RacketTip)?, draws.racket_beyond));
        let points: Vec<Vec<Option<State>>> =
            draws.points.iter().map(|draw| draw.as_ref().map_or_else(Vec::new, |draw| draw.states.clone())).collect();
        let tip = &points[Spot::RacketTip.index()];
        let plain: Series =
            (0..self.grid.len).map(|k| tip.get(k).copied().flatten().map(|s| s.velocity.norm())).collect();
        let plain = match self.dip_course.as_ref().zip(draws.dip_speeds) {
            Some((course, speeds)) => course.over(plain, &speeds),
            None => plain,
        };
        let at_contact = tip.get(self.grid.contact).copied().flatten();
        let shift = self.tip_acceleration.unwrap_or_default() * draws.contact_shift;
        let plain_at_contact = at_contact.map(|tip| (tip.velocity + shift).norm());
        let (tip_speed, tip_speed_at_contact) = match (&self.edge, &motion) {
            (Some(edge), Some(motion)) => {
                let (share, own) = (draws.edge_share, motion.speed_at(draws.contact_shift));
                (
                    changed_over(&self.grid, &plain, |t| share * edge.share(t), |k| motion.speed_on_grid(k)),
                    Some(plain_at_contact.map_or(own, |plain| plain + share * (own - plain))),
                )
            }
            _ => (plain, plain_at_contact),
        };
        let mut view = StrokeView {
            setting: &self.setting,
            grid: &self.grid,
            frames: (0..self.grid.len)
                .map(|k| match self.setting.one_camera {
                    true => picture_frame_at(&points, k),
                    false => frame_at(&points, k, self.setting.handedness),
                })
                .collect(),
            points,
            contact_shift: draws.contact_shift,
            peak_draws: draws.peak_draws,
            picture_metre: draws.picture_metre,
            ball_at_contact: draws.ball_at_contact,
            bounce: draws.bounce,
            tip_speed,
            tip_speed_at_contact,
            phases: None,
            set_phases: draws.set_phases,
        };
        view.phases = Some(phases::find(&view).without(&self.smoothing));
        view
    }
}

/// Everything that is drawn for one view.
struct Draws {
    /// Per point of [`Spot::ALL`].
    points: Vec<Option<Draw>>,
    racket_beyond: [Vector3<f64>; 2],
    /// How much `edge` counts against the tip's own course just before contact.
    edge_share: f64,
    /// The tip's speeds around its dip.
    dip_speeds: Option<Vec<f64>>,
    contact_shift: f64,
    peak_draws: [f64; SEGMENTS],
    picture_metre: f64,
    bounce: Result<f64, &'static str>,
    ball_at_contact: Option<Vector3<f64>>,
    set_phases: Vec<(Phase, f64)>,
}

/// The series, and next to contact gradually (by `share_at` seconds to contact) what is known better there.
fn changed_over(
    grid: &Grid,
    series: &[Option<f64>],
    share_at: impl Fn(f64) -> f64,
    near_contact: impl Fn(usize) -> Option<f64>,
) -> Series {
    series
        .iter()
        .enumerate()
        .map(|(k, value)| {
            let share = share_at(grid.seconds(k as f64));
            if k > grid.contact || share <= 0.0 {
                return *value;
            }
            let near = near_contact(k)?;
            if share >= 1.0 { Some(near) } else { value.map(|value| value + share * (near - value)) }
        })
        .collect()
}
