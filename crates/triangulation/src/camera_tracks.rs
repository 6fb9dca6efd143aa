//! One camera's points on the session clock.

use midline_session::calibration::CalibratedCamera;
use midline_session::keypoints::Keypoints;
use midline_session::lift_quality::ScoreCurve;
use nalgebra::Vector2;

use crate::calibration_error::{CalibratedView, ViewSource};
use crate::interpolation::{Interpolated, Series};
use crate::point::View;

/// The points of one camera, each as a series in time.
#[derive(Debug, Clone)]
pub(crate) struct CameraTracks<'a> {
    pub(crate) camera: &'a CalibratedCamera,
    /// Index in the rig.
    pub(crate) index: usize,
    /// The points, with sides put right as they are found exchanged.
    pub(crate) keypoints: Keypoints,
    /// One per output name; `None` where the camera's set lacks it.
    series: Vec<Option<Series>>,
    names: Vec<String>,
    /// Noise by score, one per output name.
    noise: Vec<ScoreCurve>,
}

impl<'a> CameraTracks<'a> {
    pub(crate) fn new(
        camera: &'a CalibratedCamera,
        index: usize,
        keypoints: Keypoints,
        names: &[String],
        assumed: &ScoreCurve,
    ) -> Self {
        let noise = vec![*assumed; names.len()];
        let mut tracks =
            Self { camera, index, keypoints, series: Vec::new(), names: names.to_vec(), noise: Vec::new() };
        tracks.set_noise(noise);
        tracks
    }

    /// Takes these standard deviations by score, one per output name.
    pub(crate) fn set_noise(&mut self, noise: Vec<ScoreCurve>) {
        self.noise = noise;
        self.series = (0..self.names.len()).map(|name| self.series_of(name)).collect();
    }

    fn series_of(&self, name: usize) -> Option<Series> {
        let column = self.keypoints.column(&self.names[name])?;
        Some(Series::new(self.camera, &self.keypoints, column, &self.noise[name]))
    }

    /// First and last instant at which any point is seen.
    pub(crate) fn span_seconds(&self) -> Option<[f64; 2]> {
        let spans = self.series.iter().flatten().filter_map(Series::span_seconds);
        spans.reduce(|a, b| [a[0].min(b[0]), a[1].max(b[1])])
    }

    /// A point at an instant, by interpolation.
    pub(crate) fn at(&self, name: usize, seconds: f64) -> Option<Interpolated> {
        self.series[name].as_ref()?.at(seconds)
    }

    /// The same as a view.
    pub(crate) fn seen_at(&self, name: usize, seconds: f64) -> Option<CalibratedView<'a>> {
        let at = self.at(name, seconds)?;
        Some(self.view(at.px, at.sd_px, at.velocity_px_per_second, seconds))
    }

    /// A point of one frame as it was detected, with the instant at which it was seen.
    pub(crate) fn detected(&self, name: usize, frame: usize) -> Option<(f64, CalibratedView<'a>)> {
        let frame = &self.keypoints.frames[frame];
        let column = self.keypoints.column(&self.names[name])?;
        let point = frame.points.get(column).copied().flatten()?;
        let seconds = self.camera.seen_at_seconds(frame.pts_seconds, point.px);
        let around = self.at(name, seconds)?;
        Some((seconds, self.view(point.px.into(), around.sd_px, around.velocity_px_per_second, seconds)))
    }

    /// Exchanges two names in some frames.
    pub(crate) fn exchange(&mut self, pair: [usize; 2], frames: &[usize]) {
        let [Some(left), Some(right)] = pair.map(|name| self.keypoints.column(&self.names[name])) else { return };
        for &frame in frames {
            self.keypoints.frames[frame].points.swap(left, right);
        }
        for name in pair {
            self.series[name] = self.series_of(name);
        }
    }

    fn view(
        &self,
        px: Vector2<f64>,
        sd_px: f64,
        velocity_px_per_second: Vector2<f64>,
        seconds: f64,
    ) -> CalibratedView<'a> {
        let clock = &self.camera.clock;
        CalibratedView {
            view: View { camera: &self.camera.camera, px, sd_px },
            source: ViewSource {
                camera: self.index,
                velocity_px_per_second,
                clock_sd_seconds: clock.sd_seconds(clock.pts_seconds(seconds)),
            },
        }
    }
}
