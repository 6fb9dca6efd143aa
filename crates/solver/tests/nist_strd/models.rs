//! The 27 regression functions, as the files state them, with their derivatives by hand.

use std::f64::consts::PI;

/// A regression function: the value at the parameters `b` and the predictors `x`; writes the derivatives by the
/// parameters.
pub(crate) type Model = fn(b: &[f64], x: &[f64], slopes: &mut [f64]) -> f64;

/// Name of the data set and its model, in the order of the alphabet.
pub(crate) const MODELS: [(&str, Model); 27] = [
    ("Bennett5", shifted_power),
    ("BoxBOD", saturation),
    ("Chwirut1", decay_over_line),
    ("Chwirut2", decay_over_line),
    ("DanWood", power),
    ("ENSO", three_cycles),
    ("Eckerle4", normalised_peak),
    ("Gauss1", two_peaks),
    ("Gauss2", two_peaks),
    ("Gauss3", two_peaks),
    ("Hahn1", rational::<4>),
    ("Kirby2", rational::<3>),
    ("Lanczos1", three_decays),
    ("Lanczos2", three_decays),
    ("Lanczos3", three_decays),
    ("MGH09", kowalik_osborne),
    ("MGH10", shifted_reciprocal_exponential),
    ("MGH17", two_decays_and_floor),
    ("Misra1a", saturation),
    ("Misra1b", misra1b),
    ("Misra1c", misra1c),
    ("Misra1d", misra1d),
    ("Nelson", log_strength),
    ("Rat42", logistic),
    ("Rat43", generalised_logistic),
    ("Roszman1", quantum_defect),
    ("Thurber", rational::<4>),
];

/// `b1 (b2 + x)^(-1/b3)`
fn shifted_power(b: &[f64], x: &[f64], slopes: &mut [f64]) -> f64 {
    let base = b[1] + x[0];
    let shape = base.powf(-1.0 / b[2]);
    let value = b[0] * shape;
    slopes.copy_from_slice(&[shape, -value / (b[2] * base), value * base.ln() / (b[2] * b[2])]);
    value
}

/// `b1 (1 - exp(-b2 x))`
fn saturation(b: &[f64], x: &[f64], slopes: &mut [f64]) -> f64 {
    let exponent = -b[1] * x[0];
    let share = -exponent.exp_m1();
    slopes.copy_from_slice(&[share, b[0] * x[0] * exponent.exp()]);
    b[0] * share
}

/// `exp(-b1 x) / (b2 + b3 x)`
fn decay_over_line(b: &[f64], x: &[f64], slopes: &mut [f64]) -> f64 {
    let line = b[1] + b[2] * x[0];
    let value = (-b[0] * x[0]).exp() / line;
    slopes.copy_from_slice(&[-x[0] * value, -value / line, -x[0] * value / line]);
    value
}

/// `b1 x^b2`
fn power(b: &[f64], x: &[f64], slopes: &mut [f64]) -> f64 {
    let shape = x[0].powf(b[1]);
    slopes.copy_from_slice(&[shape, b[0] * shape * x[0].ln()]);
    b[0] * shape
}

/// `b1` and three cycles of the periods 12, `b4` and `b7`, each with a cosine and a sine
fn three_cycles(b: &[f64], x: &[f64], slopes: &mut [f64]) -> f64 {
    let year = (2.0 * PI * x[0] / 12.0).sin_cos();
    slopes[..3].copy_from_slice(&[1.0, year.1, year.0]);
    let mut value = b[0] + b[1] * year.1 + b[2] * year.0;
    for first in [3, 6] {
        let (period, cosine, sine) = (b[first], b[first + 1], b[first + 2]);
        let angle = 2.0 * PI * x[0] / period;
        slopes[first] = (cosine * angle.sin() - sine * angle.cos()) * angle / period;
        slopes[first + 1] = angle.cos();
        slopes[first + 2] = angle.sin();
        value += cosine * angle.cos() + sine * angle.sin();
    }
    value
}

/// `(b1/b2) exp(-½ ((x - b3)/b2)²)`
fn normalised_peak(b: &[f64], x: &[f64], slopes: &mut [f64]) -> f64 {
    let z = (x[0] - b[2]) / b[1];
    let shape = (-0.5 * z * z).exp() / b[1];
    let value = b[0] * shape;
    slopes.copy_from_slice(&[shape, value * (z * z - 1.0) / b[1], value * z / b[1]]);
    value
}

/// `b1 exp(-b2 x) + b3 exp(-(x - b4)²/b5²) + b6 exp(-(x - b7)²/b8²)`
fn two_peaks(b: &[f64], x: &[f64], slopes: &mut [f64]) -> f64 {
    let mut value = decay(&b[..2], x[0], &mut slopes[..2]);
    for first in [2, 5] {
        let (height, width) = (b[first], b[first + 2]);
        let z = (x[0] - b[first + 1]) / width;
        let shape = (-z * z).exp();
        let by_centre = 2.0 * height * shape * z / width;
        slopes[first..first + 3].copy_from_slice(&[shape, by_centre, by_centre * z]);
        value += height * shape;
    }
    value
}

/// A polynomial with `N` coefficients over one whose first coefficient is 1 and which has `N - 1` more
fn rational<const N: usize>(b: &[f64], x: &[f64], slopes: &mut [f64]) -> f64 {
    let polynomial = |coefficients: &[f64]| coefficients.iter().rev().fold(0.0, |sum, c| sum * x[0] + c);
    let below = 1.0 + x[0] * polynomial(&b[N..]);
    let value = polynomial(&b[..N]) / below;
    let mut term = 1.0 / below;
    for i in 0..N {
        slopes[i] = term;
        if i > 0 {
            slopes[N - 1 + i] = -value * term;
        }
        term *= x[0];
    }
    value
}

/// `b1 exp(-b2 x)`
fn decay(b: &[f64], x: f64, slopes: &mut [f64]) -> f64 {
    let shape = (-b[1] * x).exp();
    slopes.copy_from_slice(&[shape, -x * b[0] * shape]);
    b[0] * shape
}

/// `b1 exp(-b2 x) + b3 exp(-b4 x) + b5 exp(-b6 x)`
fn three_decays(b: &[f64], x: &[f64], slopes: &mut [f64]) -> f64 {
    b.chunks(2).zip(slopes.chunks_mut(2)).map(|(b, slopes)| decay(b, x[0], slopes)).sum()
}

/// `b1 (x² + b2 x) / (x² + b3 x + b4)`
fn kowalik_osborne(b: &[f64], x: &[f64], slopes: &mut [f64]) -> f64 {
    let x = x[0];
    let below = x * x + x * b[2] + b[3];
    let shape = (x * x + x * b[1]) / below;
    let value = b[0] * shape;
    slopes.copy_from_slice(&[shape, b[0] * x / below, -value * x / below, -value / below]);
    value
}

/// `b1 exp(b2 / (x + b3))`
fn shifted_reciprocal_exponential(b: &[f64], x: &[f64], slopes: &mut [f64]) -> f64 {
    let below = x[0] + b[2];
    let shape = (b[1] / below).exp();
    let value = b[0] * shape;
    slopes.copy_from_slice(&[shape, value / below, -value * b[1] / (below * below)]);
    value
}

/// `b1 + b2 exp(-b4 x) + b3 exp(-b5 x)`
fn two_decays_and_floor(b: &[f64], x: &[f64], slopes: &mut [f64]) -> f64 {
    slopes[0] = 1.0;
    let mut value = b[0];
    for i in [1, 2] {
        let mut of_decay = [0.0; 2];
        value += decay(&[b[i], b[i + 2]], x[0], &mut of_decay);
        [slopes[i], slopes[i + 2]] = of_decay;
    }
    value
}

/// `b1 (1 - (1 + b2 x/2)⁻²)`
fn misra1b(b: &[f64], x: &[f64], slopes: &mut [f64]) -> f64 {
    let base = 1.0 + 0.5 * b[1] * x[0];
    let share = 1.0 - base.powi(-2);
    slopes.copy_from_slice(&[share, b[0] * x[0] * base.powi(-3)]);
    b[0] * share
}

/// `b1 (1 - (1 + 2 b2 x)^-½)`
fn misra1c(b: &[f64], x: &[f64], slopes: &mut [f64]) -> f64 {
    let base = 1.0 + 2.0 * b[1] * x[0];
    let share = 1.0 - base.powf(-0.5);
    slopes.copy_from_slice(&[share, b[0] * x[0] * base.powf(-1.5)]);
    b[0] * share
}

/// `b1 b2 x (1 + b2 x)⁻¹`
fn misra1d(b: &[f64], x: &[f64], slopes: &mut [f64]) -> f64 {
    let base = 1.0 + b[1] * x[0];
    let share = b[1] * x[0] / base;
    slopes.copy_from_slice(&[share, b[0] * x[0] / (base * base)]);
    b[0] * share
}

/// `b1 - b2 x1 exp(-b3 x2)`, of the logarithm of the response
fn log_strength(b: &[f64], x: &[f64], slopes: &mut [f64]) -> f64 {
    let ageing = x[0] * (-b[2] * x[1]).exp();
    slopes.copy_from_slice(&[1.0, -ageing, b[1] * x[1] * ageing]);
    b[0] - b[1] * ageing
}

/// `b1 / (1 + exp(b2 - b3 x))`
fn logistic(b: &[f64], x: &[f64], slopes: &mut [f64]) -> f64 {
    let growth = (b[1] - b[2] * x[0]).exp();
    let share = 1.0 / (1.0 + growth);
    let by_exponent = -b[0] * growth * share * share;
    slopes.copy_from_slice(&[share, by_exponent, -x[0] * by_exponent]);
    b[0] * share
}

/// `b1 / (1 + exp(b2 - b3 x))^(1/b4)`
fn generalised_logistic(b: &[f64], x: &[f64], slopes: &mut [f64]) -> f64 {
    let growth = (b[1] - b[2] * x[0]).exp();
    let share = (1.0 + growth).powf(-1.0 / b[3]);
    let value = b[0] * share;
    let by_exponent = -value * growth / ((1.0 + growth) * b[3]);
    slopes.copy_from_slice(&[share, by_exponent, -x[0] * by_exponent, value * growth.ln_1p() / (b[3] * b[3])]);
    value
}

/// `b1 - b2 x - arctan(b3/(x - b4))/π`, the arctangent of the quotient: between -π/2 and π/2
fn quantum_defect(b: &[f64], x: &[f64], slopes: &mut [f64]) -> f64 {
    let distance = x[0] - b[3];
    let squares = PI * (distance * distance + b[2] * b[2]);
    slopes.copy_from_slice(&[1.0, -x[0], -distance / squares, -b[2] / squares]);
    b[0] - b[1] * x[0] - (b[2] / distance).atan() / PI
}
