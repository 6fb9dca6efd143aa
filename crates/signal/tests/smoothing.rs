//! Smoothness that the data choose, held against generalised cross-validation of another library on published series.
//!
//! Series: NIST StRD Gauss1 to Gauss3 (`datasets/nist-strd.toml`), 250 samples each with noise of variance 6.25 as their files say, and
//! the certified parameters of the curve below it. Peer: scipy's cubic smoothing spline with generalised cross-validation (Woltring 1986 and Craven &
//! Wahba 1979 are its sources; values by `tests/reference/smoothing_values.py`). The series that movement science commonly takes, Pezzack, Norman & Winter 1977, is under
//! its publisher's permission and in no package.

#![allow(clippy::expect_used, clippy::unwrap_used, clippy::panic)] // tests may

use std::path::Path;
use std::process::Command;

use midline_signal::{ValueAndSlope, VaryingSpline};

/// Root mean square distance of scipy's spline and of its slope from the certified curve.
const PEER: [(&str, f64, f64); 3] =
    [("Gauss1", 0.741_706, 0.122_941), ("Gauss2", 0.556_872, 0.111_016), ("Gauss3", 0.527_765, 0.103_428)];

/// Noise of the series, as their files state it.
const VARIANCE: f64 = 6.25;

/// What a sample's number stands for, seconds.
const SPACING_SECONDS: f64 = 0.01;

struct Series {
    samples: Vec<f64>,
    /// Value and slope per sample of the certified curve.
    curve: Vec<ValueAndSlope>,
}

fn read(name: &str) -> Series {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("../..");
    let fetched = Command::new(root.join("datasets/fetch")).arg("nist-strd").output().expect("datasets/fetch starts");
    assert!(fetched.status.success(), "{}", String::from_utf8_lossy(&fetched.stderr));
    let text = std::fs::read_to_string(root.join(".data/nist-strd/NIST_STRD").join(format!("{name}.dat"))).unwrap();
    let b: Vec<f64> = text
        .lines()
        .filter(|line| line.trim_start().starts_with('b') && line.contains(" = "))
        .map(|line| line.split_whitespace().nth(4).unwrap().parse().unwrap())
        .collect();
    assert_eq!(b.len(), 8);
    let data = text.rsplit_once("Data:").unwrap().1.lines().skip(1);
    let rows = data.map(|line| line.split_whitespace().map(|cell| cell.parse().unwrap()).collect::<Vec<f64>>());
    let rows: Vec<Vec<f64>> = rows.filter(|row| row.len() == 2).collect();
    let at = |x: f64| {
        let decay = b[0] * (-b[1] * x).exp();
        let bell = |i: usize| b[i] * (-((x - b[i + 1]) / b[i + 2]).powi(2)).exp();
        let tilt = |i: usize| -bell(i) * 2.0 * (x - b[i + 1]) / b[i + 2].powi(2);
        ValueAndSlope { value: decay + bell(2) + bell(5), slope: -b[1] * decay + tilt(2) + tilt(5) }
    };
    Series { samples: rows.iter().map(|row| row[0]).collect(), curve: rows.iter().map(|row| at(row[1])).collect() }
}

#[test]
fn smoothness_by_likelihood_is_no_worse_than_cross_validation_and_its_slopes_are_better() {
    for (name, peer_value, peer_slope) in PEER {
        let Series { samples, curve } = read(name);
        assert_eq!(samples.len(), 250);
        let seconds: Vec<f64> = (0..samples.len()).map(|i| i as f64 * SPACING_SECONDS).collect();
        let variances = vec![VARIANCE; samples.len()];
        let intensity = |hz: f64| VaryingSpline::intensity(hz, VARIANCE * SPACING_SECONDS);
        let likelihood = |hz: f64| {
            VaryingSpline::log_likelihood(&seconds, &variances, |_| intensity(hz), &[&samples]).expect("usable")
        };
        let tried = (0..60).map(|i| 0.3 * 1.08_f64.powi(i));
        let hz = tried.max_by(|a, b| likelihood(*a).total_cmp(&likelihood(*b))).unwrap();
        let spline = VaryingSpline::new(&seconds, &variances, |_| intensity(hz), &seconds).unwrap();
        let found = spline.estimate(&samples).unwrap();
        let rms = |off: &dyn Fn(&ValueAndSlope, &ValueAndSlope) -> f64| {
            let squares: f64 = found.iter().zip(&curve).map(|(a, b)| off(a, b).powi(2)).sum();
            (squares / found.len() as f64).sqrt()
        };
        let value = rms(&|a, b| a.value - b.value);
        // The curve's slope is per sample.
        let slope = rms(&|a, b| a.slope * SPACING_SECONDS - b.slope);
        let inside = found.iter().zip(&curve).zip(spline.sds());
        let inside = inside.filter(|((a, b), sd)| (a.value - b.value).abs() < 1.96 * sd.value).count();
        println!(
            "{name}: {value:.3} (cross-validation {peer_value:.3}), slope {slope:.4} ({peer_slope:.4}) at {hz:.2} Hz; {inside} of 250 values in their 95 % interval"
        );
        assert!(value < 1.02 * peer_value && slope < 0.95 * peer_slope, "{name}: {value} {slope}");
    }
}
