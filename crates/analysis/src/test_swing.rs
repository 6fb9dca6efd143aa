//! Made-up strokes from smooth known curves, for tests: a chain of turning segments whose every place is known at any time.
//!
//! A right-hander's forehand in the court frame, contact at t = 0. Every angle is a sum of soft steps (normal distribution
//! functions), so that turning speeds are sums of bells with known centres: hip line 75 ms and shoulder line 57 ms before
//! contact, as Landlinger et al. 2010 (J Sports Sci Med 9:643) report for pelvis and trunk. After contact arm and racket run slower.

use std::collections::BTreeMap;

use midline_session::calibration::Vertical;
use midline_session::description::Handedness;
use midline_session::motion::StrokeMotion;
use midline_session::tracks::{Point3d, Tracks};
use midline_signal::normal_probability;
use nalgebra::{Isometry3, Matrix3, Point3, Vector3};
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use rand_distr::{Distribution, StandardNormal};

use crate::body_frame::{BodyFrame, TrunkJoints};
use crate::input::{SoundImpact, StrokeInput};
use crate::kink::GRAVITY_M_S2;
use crate::spots::Spot;

/// A slowing of the whole motion: speed times `1 - share` at its centre.
#[derive(Clone, Copy)]
pub(crate) struct Slowing {
    pub(crate) centre: f64,
    pub(crate) sd: f64,
    pub(crate) share: f64,
}

#[derive(Clone, Copy)]
pub(crate) struct TestSwing {
    /// How far the racket turns back, rad: 6.3 takes it to the midline, 4.0 leaves it on the hitting side.
    pub(crate) racket_turn: f64,
    /// Centre and standard deviation of the bell of the racket's forward turning speed, seconds.
    pub(crate) racket_centre: f64,
    pub(crate) racket_sd: f64,
    /// How far the shoulders open, rad: 2.0 brings the dominant shoulder in front by contact, 1.3 does not.
    pub(crate) shoulder_opening: f64,
    /// Elevation of the upper arm, rad: lower brings hand and racket nearer to the body.
    pub(crate) arm_elevation: f64,
    /// How far the upper arm comes forward, rad.
    pub(crate) arm_turn: f64,
    /// Middle of the racket drop, seconds.
    pub(crate) drop_centre: f64,
    /// Factor of arm and racket speed after contact.
    pub(crate) after: f64,
    pub(crate) slowing: Option<Slowing>,
}

impl Default for TestSwing {
    /// A racket that goes to the midline, 30 m/s at contact.
    fn default() -> Self {
        Self {
            racket_turn: 6.3,
            racket_centre: 0.0,
            racket_sd: 0.11,
            shoulder_opening: 2.0,
            arm_elevation: -0.9,
            arm_turn: 2.6,
            drop_centre: -0.2,
            after: 0.6,
            slowing: None,
        }
    }
}

impl TestSwing {
    /// A racket that stays on the hitting side, 24 m/s at contact.
    pub(crate) fn on_hitting_side() -> Self {
        Self { racket_turn: 4.0, racket_sd: 0.08, ..Self::default() }
    }

    /// A swing of its own for every seed, 19 to 32 m/s at contact.
    pub(crate) fn varied(seed: u64) -> Self {
        let mut random = StdRng::seed_from_u64(seed);
        let mut between = |low: f64, high: f64| random.random_range(low..high);
        let racket_turn = between(3.3, 6.3);
        Self {
            racket_turn,
            racket_centre: between(-0.025, 0.02),
            racket_sd: 0.055 + 0.0095 * (racket_turn - 1.0) + between(-0.01, 0.01),
            shoulder_opening: between(1.4, 2.2),
            arm_turn: between(2.2, 2.9),
            drop_centre: between(-0.26, -0.17),
            ..Self::default()
        }
    }
}

pub(crate) const BOUNCE_SECONDS: f64 = -0.62;

fn step(t: f64, centre: f64, sd: f64) -> f64 {
    let z = (t - centre) / sd;
    if z.abs() < 8.0 { normal_probability(z) } else { f64::from(z > 0.0) }
}

fn direction(azimuth: f64, elevation: f64) -> Vector3<f64> {
    Vector3::new(elevation.cos() * azimuth.cos(), elevation.cos() * azimuth.sin(), elevation.sin())
}

impl TestSwing {
    /// Place of a point at a time to contact, metres, court frame. At exactly 0 both sides agree.
    pub(crate) fn place(&self, spot: Spot, seconds: f64) -> Vector3<f64> {
        self.pose(seconds)[spot.index()]
    }

    /// Places of all points, in the order of [`Spot::ALL`].
    fn pose(&self, seconds: f64) -> [Vector3<f64>; Spot::ALL.len()] {
        let t = self.slowed(seconds);
        // What the ball slows down.
        let h = if t > 0.0 { self.after * t } else { t };
        let pelvis = Vector3::new(0.5, -0.4 + 0.3 * t, 0.95);
        let chest = pelvis + Vector3::new(0.0, 0.04, 0.48);
        let hips = 0.9 * step(t, -0.61, 0.13) - 1.2 * step(t, -0.075, 0.065);
        let shoulders = 1.3 * step(t, -0.61, 0.13) - self.shoulder_opening * step(t, -0.057, 0.065);
        let line = |angle: f64, half: f64| Vector3::new(angle.cos() * half, -angle.sin() * half, 0.0);
        let dominant_shoulder = chest + line(shoulders, 0.2);
        let other_shoulder = chest - line(shoulders, 0.2);
        let upper_arm = 0.6 - 1.6 * step(t, -0.58, 0.10) + self.arm_turn * step(h, -0.045, 0.075);
        let forearm = 1.9 - 2.8 * step(t, -0.58, 0.10) + 2.8 * step(h, -0.02, 0.075);
        let racket = 1.6 - self.racket_turn * step(t, -0.55, 0.10)
            + (2.0 * self.racket_turn - 2.6) * step(h, self.racket_centre, self.racket_sd);
        let lift = 0.8 - 1.3 * step(t, self.drop_centre, 0.09) + 0.6 * step(h, -0.07, 0.06) + 0.7 * step(h, 0.12, 0.08);
        let elbow = dominant_shoulder + direction(upper_arm, self.arm_elevation) * 0.30;
        let wrist = elbow + direction(forearm, -0.3) * 0.27;
        let other_elbow = other_shoulder + direction(2.0 - shoulders, -0.5) * 0.30;
        let along_racket = direction(racket, lift);
        Spot::ALL.map(|spot| match spot {
            Spot::DominantShoulder => dominant_shoulder,
            Spot::OtherShoulder => other_shoulder,
            Spot::DominantHip => pelvis + line(hips, 0.15),
            Spot::OtherHip => pelvis - line(hips, 0.15),
            Spot::DominantElbow => elbow,
            Spot::DominantWrist => wrist,
            Spot::OtherElbow => other_elbow,
            Spot::OtherWrist => other_elbow + direction(2.4 - shoulders, 0.2) * 0.27,
            Spot::DominantAnkle => Vector3::new(0.75, -0.55, 0.08),
            Spot::OtherAnkle => Vector3::new(0.3, -0.05, 0.08),
            Spot::RacketButt => wrist - along_racket * 0.05,
            Spot::RacketThroat => wrist + along_racket * 0.30,
            Spot::RacketTip => wrist + along_racket * 0.63,
        })
    }

    fn slowed(&self, seconds: f64) -> f64 {
        match self.slowing {
            None => seconds,
            Some(s) => {
                let area = s.share * s.sd * std::f64::consts::TAU.sqrt();
                seconds - area * (step(seconds, s.centre, s.sd) - step(0.0, s.centre, s.sd))
            }
        }
    }

    /// Speed of a point just before `seconds`, m/s.
    pub(crate) fn speed_before(&self, spot: Spot, seconds: f64) -> f64 {
        let h = 1e-5;
        // Second-order one-sided difference.
        let [a, b, c] = [0.0, 1.0, 2.0].map(|n| self.place(spot, seconds - n * h));
        ((a * 3.0 - b * 4.0 + c) / (2.0 * h)).norm()
    }

    pub(crate) fn frame(&self, seconds: f64) -> BodyFrame {
        let joints = TrunkJoints {
            dominant_shoulder: self.place(Spot::DominantShoulder, seconds),
            other_shoulder: self.place(Spot::OtherShoulder, seconds),
            dominant_hip: self.place(Spot::DominantHip, seconds),
            other_hip: self.place(Spot::OtherHip, seconds),
        };
        BodyFrame::from_joints(&joints, Handedness::Right).unwrap()
    }

    /// The ball: falls freely, bounces, is met between throat and tip, flies off.
    pub(crate) fn ball(&self, seconds: f64) -> Vector3<f64> {
        let met = (self.place(Spot::RacketThroat, 0.0) + self.place(Spot::RacketTip, 0.0)) / 2.0;
        let fall = |t: f64| Vector3::new(0.0, 0.0, -0.5 * GRAVITY_M_S2 * t * t);
        if seconds >= 0.0 {
            return met + Vector3::new(-1.5, 31.0, 4.0) * seconds + fall(seconds);
        }
        // Upward speed that puts the ball on the ground at the bounce.
        let b = BOUNCE_SECONDS;
        let rise = (0.033 - met.z + 0.5 * GRAVITY_M_S2 * b * b) / b;
        let incoming = Vector3::new(0.8, -16.0, rise);
        if seconds >= b {
            return met + incoming * seconds + fall(seconds);
        }
        let ground = met + incoming * b + fall(b);
        ground + Vector3::new(0.8, -21.0, -6.5) * (seconds - b) + fall(seconds - b)
    }
}

/// How a stroke is recorded.
#[derive(Clone)]
pub(crate) struct Recording {
    pub(crate) rate_hz: f64,
    pub(crate) noise_m: f64,
    /// Standard deviation of the noise along court x, y and z as a multiple of that.
    pub(crate) noise_shape: [f64; 3],
    /// Correlation of the noise of neighbouring instants, up to 0.5: points per instant share the frames that they lie between.
    pub(crate) correlation: f64,
    pub(crate) seed: u64,
    pub(crate) contact_seconds: f64,
    pub(crate) sound_sd_seconds: Option<f64>,
    /// Names that are not in the tracks.
    pub(crate) without: Vec<&'static str>,
    /// Share of points that are missing at random.
    pub(crate) missing: f64,
    /// Share of points that are off by 0.3 m.
    pub(crate) outliers: f64,
    /// The world instead of the court frame.
    pub(crate) world_from_court: Isometry3<f64>,
    /// The player and everything else seen in a mirror (x turned): a left-hander.
    pub(crate) mirrored: bool,
    pub(crate) from_seconds: f64,
    pub(crate) to_seconds: f64,
}

impl Default for Recording {
    fn default() -> Self {
        Self {
            rate_hz: 120.0,
            noise_m: 0.010,
            noise_shape: [1.0; 3],
            correlation: 0.0,
            seed: 1,
            contact_seconds: 12.345,
            sound_sd_seconds: Some(0.001),
            without: Vec::new(),
            missing: 0.0,
            outliers: 0.0,
            world_from_court: Isometry3::identity(),
            mirrored: false,
            from_seconds: -1.7,
            to_seconds: 0.9,
        }
    }
}

/// What the analysis gets.
pub(crate) struct Recorded {
    pub(crate) tracks: Tracks,
    /// Of the lift in continuous time; empty where points were recorded and not pictures.
    pub(crate) motions: Vec<StrokeMotion>,
    pub(crate) impacts: Vec<SoundImpact>,
    pub(crate) rates_hz: Vec<f64>,
    pub(crate) handedness: Handedness,
}

impl Recorded {
    pub(crate) fn input(&self) -> StrokeInput<'_> {
        StrokeInput {
            motions: &self.motions,
            tracks: &self.tracks,
            handedness: self.handedness,
            impacts: &self.impacts,
            frame_rates_hz: &self.rates_hz,
            clock_sd_seconds: 0.0005,
            vertical: Vertical::ZUp,
            one_camera: false,
            picture_scale_sd_share: None,
            set_events: &[],
            marked_events: &[],
            suspicions: &[],
        }
    }

    /// Another recording of the same session, later.
    pub(crate) fn followed_by(mut self, later: Self) -> Self {
        assert_eq!(self.tracks.names, later.tracks.names);
        self.tracks.session_seconds.extend(later.tracks.session_seconds);
        self.tracks.points.extend(later.tracks.points);
        self.impacts.extend(later.impacts);
        self
    }
}

/// What is heard of a stroke: bounce, contact and another player.
pub(crate) fn sounds(contact_seconds: f64, sd_seconds: f64, random: &mut StdRng) -> Vec<SoundImpact> {
    let heard = |seconds: f64| {
        let z: f64 = StandardNormal.sample(random);
        SoundImpact { session_seconds: contact_seconds + seconds + sd_seconds * z, sd_seconds }
    };
    [BOUNCE_SECONDS, 0.0, 0.41].map(heard).to_vec()
}

/// Records a stroke: one camera's frames are the instants, the other's lie between them and are interpolated, so that next to
/// contact a point mixes before and after.
pub(crate) fn record(swing: &TestSwing, recording: &Recording) -> Recorded {
    let mut random = StdRng::seed_from_u64(recording.seed);
    let handedness = if recording.mirrored { Handedness::Left } else { Handedness::Right };
    let mut names: Vec<(String, Option<Spot>)> =
        Spot::ALL.into_iter().map(|spot| (spot.track_name(handedness).to_owned(), Some(spot))).collect();
    names.push(("ball".to_owned(), None));
    names.retain(|(name, _)| !recording.without.contains(&name.as_str()));
    let frame = 1.0 / recording.rate_hz;
    let phase: f64 = random.random_range(0.0..1.0) * frame;
    let other_camera: f64 = random.random_range(0.0..1.0);
    let to_world = |p: Vector3<f64>| {
        let p = if recording.mirrored { Vector3::new(-p.x, p.y, p.z) } else { p };
        recording.world_from_court.transform_point(&Point3::from(p)).coords
    };
    let count = ((recording.to_seconds - recording.from_seconds) / frame) as usize;
    let sds_m = Vector3::from(recording.noise_shape) * recording.noise_m;
    let along = Matrix3::from_diagonal(&sds_m.component_mul(&sds_m));
    let turn = recording.world_from_court.rotation.to_rotation_matrix();
    let covariance_m2 = (turn * along * turn.inverse()).into();
    let mut tracks = Tracks { names: names.iter().map(|(n, _)| n.clone()).collect(), ..Tracks::default() };
    // Noise of one instant is a mean of two independent ones, each shared with a neighbour.
    let own_share = ((1.0 + 2.0 * recording.correlation).sqrt() + (1.0 - 2.0 * recording.correlation).sqrt()) / 2.0;
    let shared = (1.0 - own_share * own_share).max(0.0).sqrt();
    let mut before = vec![Vector3::zeros(); names.len()];
    for i in 0..count {
        let t = recording.from_seconds + phase + i as f64 * frame;
        let (a, b) = (t - other_camera * frame, t + (1.0 - other_camera) * frame);
        let crosses = a < 0.0 && b > 0.0;
        let poses = [t, a, b].map(|t| swing.pose(t));
        let balls = [t, a, b].map(|t| swing.ball(t));
        let row = names
            .iter()
            .zip(&mut before)
            .map(|((_, spot), before)| {
                let [now, earlier, later] =
                    [0, 1, 2].map(|i: usize| spot.map_or(balls[i], |spot| poses[i][spot.index()]));
                let seen = if crosses {
                    let interpolated = earlier * (1.0 - other_camera) + later * other_camera;
                    (now + interpolated) / 2.0
                } else {
                    now
                };
                let fresh = Vector3::from_fn(|axis, _| {
                    sds_m[axis] * <StandardNormal as Distribution<f64>>::sample(&StandardNormal, &mut random)
                });
                let noise = turn * (fresh * own_share + std::mem::replace(before, fresh) * shared);
                let gone = random.random_range(0.0..1.0) < recording.missing;
                let off = random.random_range(0.0..1.0) < recording.outliers;
                let seen = to_world(seen) + noise + if off { Vector3::new(0.2, -0.2, 0.1) } else { Vector3::zeros() };
                (!gone).then(|| Point3d { position_m: seen.into(), covariance_m2, reprojection_px: 0.6, views: 2 })
            })
            .collect();
        tracks.session_seconds.push(recording.contact_seconds + t);
        tracks.points.push(row);
    }
    let impacts =
        recording.sound_sd_seconds.map_or_else(Vec::new, |sd| sounds(recording.contact_seconds, sd, &mut random));
    Recorded { tracks, motions: Vec::new(), impacts, rates_hz: vec![recording.rate_hz, recording.rate_hz], handedness }
}

/// The measured values by identifier, with their intervals.
pub(crate) fn measured(stroke: &midline_session::strokes::Stroke) -> BTreeMap<String, (f64, [f64; 2])> {
    use midline_session::strokes::Outcome;
    stroke
        .measures
        .iter()
        .filter_map(|m| match m.outcome {
            Outcome::Measured { value, interval_95 } => Some((m.id.clone(), (value, interval_95))),
            Outcome::NotMeasurable { .. } => None,
        })
        .collect()
}
