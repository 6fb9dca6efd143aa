//! One stroke made ready for trials: everything that does not change with the noise is computed once.

use midline_session::calibration::Vertical;
use rand::Rng;

use crate::bounce::Bounce;
use crate::contact_time::Contact;
use crate::edge_speed::EdgeSpeed;
use crate::grid::{GRID, Grid};
use crate::input::{StrokeInput, dominant_side};
use crate::phases;
use crate::samples::{Sample, between};
use crate::series::Series;
use crate::smoothing::{SmoothedPoint, SmoothingSettings, State, normal_vector};
use crate::spots::Spot;
use crate::view::{SEGMENTS, Setting, StrokeView, frame_at};
use rand_distr::{Distribution, StandardNormal};

/// A window of fewer samples than this on each side of an instant is made longer.
const LEAST_FRAMES_PER_SIDE: f64 = 3.0;

/// Over how much time the tip's speed changes over from the window around the instant to the last stretch before contact.
const CHANGE_OVER_SECONDS: f64 = 0.02;

/// A stroke's smoothed points and what is known about its contact.
pub(crate) struct StrokeModel {
    pub(crate) setting: Setting,
    pub(crate) contact: Contact,
    pub(crate) bounce: Bounce,
    /// Per point of [`Spot::ALL`].
    pub(crate) points: Vec<Option<SmoothedPoint>>,
    /// Time around contact whose samples are left out, seconds.
    pub(crate) margin_seconds: f64,
    edge: Option<EdgeSpeed>,
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
    ) -> Self {
        let grid = GRID;
        let margin_seconds = frame_seconds + contact.sd_seconds;
        let points: Vec<Option<SmoothedPoint>> = Spot::ALL
            .into_iter()
            .zip(samples)
            .map(|(spot, samples)| {
                let own = between(samples, limits_seconds[0], limits_seconds[1]);
                let around = between(own, contact.seconds - 1.0, contact.seconds + 0.3);
                let settings = SmoothingSettings {
                    half_window_seconds: spot.half_window_seconds().max(LEAST_FRAMES_PER_SIDE * frame_seconds),
                    misfit_allowance_m: spot.misfit_allowance_m(),
                    margin_seconds,
                    frame_seconds,
                };
                (around.len() >= 10).then(|| SmoothedPoint::new(own, contact.seconds, &grid, &settings))
            })
            .collect();
        let tip = points.get(Spot::RacketTip.index()).and_then(Option::as_ref);
        let edge = tip.and_then(|tip| EdgeSpeed::new(tip, margin_seconds + 2.0 * frame_seconds));
        let velocity_sds: Vec<Series> =
            points.iter().map(|p| p.as_ref().map_or_else(Vec::new, SmoothedPoint::velocity_sds)).collect();
        let none = vec![None; grid.len];
        let tip_sds = velocity_sds.get(Spot::RacketTip.index()).filter(|s| !s.is_empty()).unwrap_or(&none);
        let tip_speed_sds = changed_over(&grid, tip_sds, edge.as_ref(), EdgeSpeed::sd);
        let setting = Setting {
            handedness: input.handedness,
            side: dominant_side(input.handedness),
            z_is_up: input.vertical == Vertical::ZUp,
            frame_seconds,
            clock_sd_seconds: input.clock_sd_seconds,
            present: std::array::from_fn(|i| points.get(i).is_some_and(Option::is_some)),
            velocity_sds,
            tip_speed_sds,
        };
        Self { setting, contact, bounce, points, margin_seconds, edge, grid }
    }

    /// The stroke as measured.
    pub(crate) fn measured(&self) -> StrokeView<'_> {
        let bounce = self.bounce.as_ref().map(|b| b.seconds - self.contact.seconds).map_err(|because| *because);
        let ball = self.contact.ball.as_ref().map(|kink| kink.position);
        self.view(SmoothedPoint::positions, 0.0, [0.0; SEGMENTS], bounce, ball)
    }

    /// The stroke with further noise of the size that the covariances and the standard deviations of the instants say.
    pub(crate) fn trial(&self, random: &mut impl Rng) -> StrokeView<'_> {
        let mut normal = |sd: f64| -> f64 {
            let z: f64 = StandardNormal.sample(random);
            z * sd
        };
        let shift = normal(self.contact.sd_seconds);
        // A peak between two frames is found to about the standard deviation of a uniform distribution over their spacing.
        let resolution = (self.setting.frame_seconds / 12.0_f64.sqrt()).hypot(self.setting.clock_sd_seconds);
        let segments = std::array::from_fn(|_| normal(resolution));
        let bounce = match &self.bounce {
            Ok(bounce) => Ok(bounce.seconds - self.contact.seconds + normal(bounce.sd_seconds)),
            Err(because) => Err(*because),
        };
        let ball = self.contact.ball.as_ref().map(|kink| match kink.covariance.cholesky() {
            Some(root) => kink.position + root.l() * normal_vector(random),
            None => kink.position,
        });
        self.view(|point| point.noisy_positions(random), shift, segments, bounce, ball)
    }

    fn view(
        &self,
        mut positions: impl FnMut(&SmoothedPoint) -> Vec<nalgebra::Vector3<f64>>,
        contact_shift: f64,
        segment_shifts: [f64; SEGMENTS],
        bounce: Result<f64, &'static str>,
        ball_at_contact: Option<nalgebra::Vector3<f64>>,
    ) -> StrokeView<'_> {
        let mut edge_motion = None;
        let mut points: Vec<Vec<Option<State>>> = Vec::with_capacity(self.points.len());
        for (i, point) in self.points.iter().enumerate() {
            let Some(point) = point else {
                points.push(Vec::new());
                continue;
            };
            let positions = positions(point);
            if i == Spot::RacketTip.index() {
                edge_motion = self.edge.as_ref().and_then(|edge| edge.motion(&positions));
            }
            points.push(point.states(&positions));
        }
        let tip = &points[Spot::RacketTip.index()];
        let plain: Series =
            (0..self.grid.len).map(|k| tip.get(k).copied().flatten().map(|s| s.velocity.norm())).collect();
        let tip_speed = match edge_motion {
            Some(motion) => changed_over(&self.grid, &plain, self.edge.as_ref(), |_, t| motion.speed(t)),
            None => plain,
        };
        let mut view = StrokeView {
            setting: &self.setting,
            grid: &self.grid,
            frames: (0..self.grid.len).map(|k| frame_at(&points, k, self.setting.handedness)).collect(),
            points,
            contact_shift,
            segment_shifts,
            ball_at_contact,
            bounce,
            tip_speed,
            tip_speed_at_contact: edge_motion.map(|motion| motion.speed(contact_shift)),
            phases: None,
        };
        view.phases = Some(phases::find(&view));
        view
    }
}

/// The series up to the middle of the last stretch before contact, then gradually what the stretch says.
fn changed_over(
    grid: &Grid,
    series: &[Option<f64>],
    edge: Option<&EdgeSpeed>,
    of_stretch: impl Fn(&EdgeSpeed, f64) -> f64,
) -> Series {
    let Some(edge) = edge else {
        return series.to_vec();
    };
    series
        .iter()
        .enumerate()
        .map(|(k, value)| {
            let seconds = grid.seconds(k as f64);
            let share = ((seconds - edge.middle_seconds()) / CHANGE_OVER_SECONDS).clamp(0.0, 1.0);
            if k > grid.contact || share <= 0.0 {
                return *value;
            }
            let stretch = of_stretch(edge, seconds);
            if share >= 1.0 { Some(stretch) } else { value.map(|value| value + share * (stretch - value)) }
        })
        .collect()
}
