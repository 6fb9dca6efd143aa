//! A slowing: a bell (the normal distribution's) that is taken off a speed.

use midline_signal::normal_probability;

/// Where the bell stands and how wide it is.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Bell {
    pub(crate) centre_seconds: f64,
    /// Standard deviation; its width at half its height is 2.355 of these.
    pub(crate) width_seconds: f64,
}

impl Bell {
    /// Its height at a time, 1 at the centre.
    pub(crate) fn at(&self, seconds: f64) -> f64 {
        let z = (seconds - self.centre_seconds) / self.width_seconds;
        (-0.5 * z * z).exp()
    }

    /// Its area up to a time, seconds: how far one of 1 m/s sets a point back on its way, metres.
    pub(crate) fn until(&self, seconds: f64) -> f64 {
        let z = (seconds - self.centre_seconds) / self.width_seconds;
        self.width_seconds * std::f64::consts::TAU.sqrt() * normal_probability(z)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_area_grows_by_the_height() {
        let bell = Bell { centre_seconds: -0.1, width_seconds: 0.02 };
        for i in 0..20 {
            let t = -0.2 + 0.01 * f64::from(i);
            let growth = (bell.until(t + 1e-5) - bell.until(t - 1e-5)) / 2e-5;
            assert!((growth - bell.at(t)).abs() < 1e-6, "{t}");
        }
    }
}
