//! Numbers as people read them: units of daily use and no more digits than the interval carries.

use midline_session::strokes::shown_unit;
use serde::Serialize;

/// A value and its interval in the unit of showing.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub(crate) struct Shown {
    pub(crate) value: String,
    pub(crate) low: String,
    pub(crate) high: String,
    /// Empty for a pure number; else with the space before it that the SI Brochure (9th ed., 5.4.3) asks for, which the
    /// degree of arc does not get.
    pub(crate) suffix: String,
    /// The value as it came, SI.
    pub(crate) exact: f64,
    /// The interval as it came, SI.
    pub(crate) interval: [f64; 2],
}

impl Shown {
    /// `None` when a number is not finite.
    pub(crate) fn of(value: f64, interval: [f64; 2], si_unit: &str) -> Option<Self> {
        let (factor, unit) = shown_unit(si_unit);
        let [low, high] = interval;
        if ![value, low, high].iter().all(|x| x.is_finite()) {
            return None;
        }
        let decimals = decimals_for((high - low).abs() * factor / 2.0, value * factor);
        let text = |x: f64| number(x * factor, decimals);
        Some(Self {
            value: text(value),
            low: text(low),
            high: text(high),
            suffix: suffix(unit),
            exact: value,
            interval,
        })
    }
}

fn suffix(unit: &str) -> String {
    match unit {
        "" | "°" => unit.to_owned(),
        _ => format!(" {unit}"),
    }
}

/// Decimal places at which the half width of an interval has one significant digit, or two when the first is 1 or 2.
/// Without a width the value gets three significant digits.
fn decimals_for(half_width: f64, value: f64) -> usize {
    let places = |size: f64, digits: f64| (digits - 1.0 - size.log10().floor()).clamp(0.0, 9.0) as usize;
    if half_width > 0.0 {
        let first_digits = half_width / 10f64.powf(half_width.log10().floor());
        // 2.999… from rounding in binary is a 3, lest one column of equals shows different digits.
        places(half_width, if first_digits < 3.0 - 1e-9 { 2.0 } else { 1.0 })
    } else if value.abs() > 0.0 {
        places(value.abs(), 3.0)
    } else {
        0
    }
}

/// A number with a true minus sign and without a negative zero.
pub(crate) fn number(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    match text.strip_prefix('-') {
        Some(digits) if digits.chars().any(|c| c.is_ascii_digit() && c != '0') => format!("\u{2212}{digits}"),
        Some(digits) => digits.to_owned(),
        None => text,
    }
}

/// A value that has a standard deviation, both rounded to the latter.
pub(crate) fn with_sd(value: f64, sd: Option<f64>, unit: &str) -> String {
    let suffix = suffix(unit);
    match sd.filter(|sd| sd.is_finite() && *sd > 0.0) {
        Some(sd) => {
            let decimals = decimals_for(sd, value);
            format!("{} ± {}{suffix}", number(value, decimals), number(sd, decimals))
        }
        None => format!("{}{suffix} (no standard deviation)", number(value, decimals_for(0.0, value))),
    }
}

/// A size without an interval of its own (a spread, a limit), from SI to the unit of showing, rounded as an uncertainty is.
pub(crate) fn size(value: f64, si_unit: &str) -> String {
    let (factor, unit) = shown_unit(si_unit);
    let value = value * factor;
    format!("{}{}", number(value, decimals_for(value.abs(), value)), suffix(unit))
}

/// A share as a percentage; what is counted may be none or all.
pub(crate) fn percent(share: f64) -> String {
    if share > 0.995 && share < 1.0 {
        "> 99 %".to_owned()
    } else if share > 0.0 && share < 0.005 {
        "< 1 %".to_owned()
    } else {
        format!("{} %", number(share * 100.0, 0))
    }
}

/// A probability as a percentage; never claims the certainty that a finite computation does not have.
pub(crate) fn probability(p: f64) -> String {
    percent(p.clamp(1e-9, 1.0 - 1e-9))
}

/// A plain number with a given count of decimals, or a dash.
pub(crate) fn or_dash(value: Option<f64>, decimals: usize, unit: &str) -> String {
    value
        .filter(|v| v.is_finite())
        .map_or_else(|| "–".to_owned(), |v| format!("{}{}", number(v, decimals), suffix(unit)))
}

/// `1 stroke`, `2 strokes`.
pub(crate) fn counted(n: usize, what: &str) -> String {
    format!("{n} {what}{}", if n == 1 { "" } else { "s" })
}

/// `Stroke 2`, `Strokes 1, 3 and 4`.
pub(crate) fn stroke_numbers(numbers: &[usize]) -> String {
    let texts: Vec<String> = numbers.iter().map(ToString::to_string).collect();
    format!("Stroke{} {}", if texts.len() == 1 { "" } else { "s" }, listed(&texts))
}

/// `1`, `1 and 2`, `1, 2 and 5`.
pub(crate) fn listed(items: &[String]) -> String {
    match items {
        [] => String::new(),
        [one] => one.clone(),
        [head @ .., last] => format!("{} and {last}", head.join(", ")),
    }
}

#[cfg(test)]
mod tests {
    use std::f64::consts::PI;

    use super::*;
    use proptest::prelude::*;

    #[test]
    fn digits_follow_the_interval() {
        // JCGM 100:2008, H.1 and 7.2.2: m = 100.021 47 g with U = 0.000 79 g, here with the one-digit rule for 7.
        let shown = Shown::of(100.021_47, [100.021_47 - 0.000_79, 100.021_47 + 0.000_79], "g").unwrap();
        assert_eq!((shown.value.as_str(), shown.suffix.as_str()), ("100.0215", " g"));
        let shown = Shown::of(0.1234, [0.1084, 0.1384], "m").unwrap();
        assert_eq!([&shown.value, &shown.low, &shown.high].map(String::as_str), ["12.3", "10.8", "13.8"]);
        let shown = Shown::of(-PI / 4.0, [-PI / 4.0 - 0.1, -PI / 4.0 + 0.1], "rad").unwrap();
        assert_eq!((shown.value.as_str(), shown.suffix.as_str()), ("\u{2212}45", "°"));
        let shown = Shown::of(0.075, [0.067, 0.083], "s").unwrap();
        assert_eq!((shown.value.as_str(), shown.suffix.as_str()), ("75", " ms"));
        assert_eq!(Shown::of(f64::NAN, [0.0, 1.0], "m"), None);
    }

    #[test]
    fn a_size_is_rounded_as_an_uncertainty() {
        assert_eq!(
            [size(0.0234, "m"), size(0.0051, "s"), size(0.25, "share"), size(0.0, "m")],
            ["2.3 cm", "5 ms", "25 %", "0 cm"]
        );
    }

    #[test]
    fn no_negative_zero_and_no_false_certainty() {
        assert_eq!(number(-0.004, 2), "0.00");
        assert_eq!(number(-0.006, 2), "\u{2212}0.01");
        assert_eq!([probability(1.0), probability(0.0), probability(0.42)], ["> 99 %", "< 1 %", "42 %"]);
        assert_eq!([percent(0.999), percent(0.001), percent(0.5), percent(1.0)], ["> 99 %", "< 1 %", "50 %", "100 %"]);
        assert_eq!(listed(&["1".into(), "2".into(), "5".into()]), "1, 2 and 5");
    }

    proptest! {
        #[test]
        fn what_is_shown_is_within_a_tenth_of_the_half_width(value in -1e3..1e3f64, half in 1e-4..1e3f64) {
            let shown = Shown::of(value, [value - half, value + half], "m/s").unwrap();
            let back: f64 = shown.value.replace('\u{2212}', "-").parse().unwrap();
            // One digit of 3 or more: half a unit in its place is at most a sixth of it; whole numbers from there on.
            prop_assert!((back - value).abs() <= (half / 6.0).min(0.5) + 1e-9, "{} for {value} ± {half}", shown.value);
        }
    }
}
