//! How well a measurement repeats: intraclass correlation, standard error of measurement, minimal detectable change, and
//! limits of agreement between two ways of measuring.
//!
//! Works on plain numbers in the caller's unit; what the numbers are is not its business.

use midline_signal::{chi_squared_quantile, fisher_quantile, student_factor};

/// Why a table or a pair of series has no reliability.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum ReliabilityError {
    /// Too few rows or columns.
    #[error("{subjects} subjects with {ratings} ratings each; at least {LEAST} of both are needed")]
    TooFew {
        /// Rows.
        subjects: usize,
        /// Entries in the first row.
        ratings: usize,
    },
    /// A row is longer or shorter than the first.
    #[error(
        "subject {subject} (counted from 0) has {found} ratings, the first one {expected}; leave out what is incomplete"
    )]
    Ragged {
        /// Index of the row.
        subject: usize,
        /// Its entries.
        found: usize,
        /// Entries of the first row.
        expected: usize,
    },
    /// A number that is not finite.
    #[error("rating {rating} of subject {subject} (both counted from 0) is not a finite number")]
    NotFinite {
        /// Index of the row.
        subject: usize,
        /// Index in the row.
        rating: usize,
    },
    /// Everything is equal: there is no variance to compare with.
    #[error("the ratings do not vary, so that nothing can be said about their reliability")]
    NoSpread,
    /// The two series of a comparison differ in length.
    #[error("{first} values in the first series, {second} in the second; pairs are needed")]
    Unpaired {
        /// Length of the first.
        first: usize,
        /// Length of the second.
        second: usize,
    },
}

const LEAST: usize = 2;
const CONFIDENCE: f64 = 0.95;
/// Two-sided 95 % point of the normal distribution.
const NORMAL_95: f64 = 1.959_963_984_540_054;

/// A number with its 95 % interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WithInterval {
    /// The estimate.
    pub value: f64,
    /// 95 % interval, `[low, high]`.
    pub interval_95: [f64; 2],
}

/// Mean squares of a table of subjects × ratings (analysis of variance, one rating per cell).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MeanSquares {
    /// Number of subjects, n.
    pub subjects: usize,
    /// Ratings of each, k.
    pub ratings: usize,
    /// Between subjects, n - 1 degrees of freedom.
    pub between_subjects: f64,
    /// Within subjects, n (k - 1) degrees of freedom.
    pub within_subjects: f64,
    /// Between ratings (raters, days, sessions), k - 1 degrees of freedom.
    pub between_ratings: f64,
    /// What is left, (n - 1)(k - 1) degrees of freedom.
    pub residual: f64,
}

/// The six intraclass correlations of Shrout & Fleiss 1979 (Psychological Bulletin 86:420), named as there: the first number is
/// the model, the second whether one rating or the mean of all k is used. The intervals rest on F quantiles, as given there.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Intraclass {
    /// (1,1): each subject rated by others; one rating.
    pub icc_1_1: WithInterval,
    /// (2,1): the same raters, drawn from many, agreement; one rating.
    pub icc_2_1: WithInterval,
    /// (3,1): these raters only, consistency; one rating.
    pub icc_3_1: WithInterval,
    /// (1,k): as (1,1), mean of all ratings.
    pub icc_1_k: WithInterval,
    /// (2,k): as (2,1), mean of all ratings.
    pub icc_2_k: WithInterval,
    /// (3,k): as (3,1), mean of all ratings.
    pub icc_3_k: WithInterval,
}

/// Standard error of measurement and the change that it hides, in the caller's unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MeasurementError {
    /// Standard error of measurement of one rating; interval from the chi-squared distribution.
    pub sem: WithInterval,
    /// Minimal detectable change between two single ratings at 95 %: 1.96 √2 · SEM.
    pub minimal_detectable_change: WithInterval,
}

/// Which differences between ratings count as errors of measurement.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ErrorKind {
    /// All that differs within a subject: the root of the mean square within subjects.
    Agreement,
    /// What is left after a shift common to all subjects: the root of the residual mean square (Weir 2005, J Strength Cond
    /// Res 19:231).
    Consistency,
}

/// Agreement of two ways of measuring the same things: Bland & Altman 1986 (Lancet i:307), in the caller's unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Agreement {
    /// Number of pairs.
    pub n: usize,
    /// Mean of first minus second, with Student's interval.
    pub bias: WithInterval,
    /// Standard deviation of the differences.
    pub sd: f64,
    /// Lower 95 % limit of agreement, bias - 1.96 sd, and its interval.
    pub lower_limit: WithInterval,
    /// Upper 95 % limit of agreement, bias + 1.96 sd, and its interval.
    pub upper_limit: WithInterval,
}

impl MeanSquares {
    /// Of a table `ratings[subject][rating]`.
    ///
    /// # Errors
    /// Fewer than two subjects or ratings, rows of different lengths, numbers that are not finite, no spread at all.
    pub fn new(ratings: &[Vec<f64>]) -> Result<Self, ReliabilityError> {
        let (subjects, columns) = (ratings.len(), ratings.first().map_or(0, Vec::len));
        if subjects < LEAST || columns < LEAST {
            return Err(ReliabilityError::TooFew { subjects, ratings: columns });
        }
        for (subject, row) in ratings.iter().enumerate() {
            if row.len() != columns {
                return Err(ReliabilityError::Ragged { subject, found: row.len(), expected: columns });
            }
            if let Some(rating) = row.iter().position(|v| !v.is_finite()) {
                return Err(ReliabilityError::NotFinite { subject, rating });
            }
        }
        let (n, k) = (subjects as f64, columns as f64);
        let grand = ratings.iter().flatten().sum::<f64>() / (n * k);
        let of_subject: Vec<f64> = ratings.iter().map(|row| row.iter().sum::<f64>() / k).collect();
        let of_rating: Vec<f64> =
            (0..columns).map(|j| ratings.iter().filter_map(|row| row.get(j)).sum::<f64>() / n).collect();
        let squares = |means: &[f64]| means.iter().map(|m| (m - grand).powi(2)).sum::<f64>();
        let (mut within, mut left) = (0.0, 0.0);
        for (row, subject) in ratings.iter().zip(&of_subject) {
            for (value, rating) in row.iter().zip(&of_rating) {
                within += (value - subject).powi(2);
                left += (value - subject - rating + grand).powi(2);
            }
        }
        if squares(&of_subject) + within <= 0.0 {
            return Err(ReliabilityError::NoSpread);
        }
        Ok(Self {
            subjects,
            ratings: columns,
            between_subjects: k * squares(&of_subject) / (n - 1.0),
            within_subjects: within / (n * (k - 1.0)),
            between_ratings: n * squares(&of_rating) / (k - 1.0),
            residual: left / ((n - 1.0) * (k - 1.0)),
        })
    }

    /// All six intraclass correlations.
    #[must_use]
    pub fn intraclass(&self) -> Intraclass {
        let (n, k) = (self.subjects as f64, self.ratings as f64);
        let (bms, jms, ems) = (self.between_subjects, self.between_ratings, self.residual);
        let of_k = |rho: f64| k * rho / (1.0 + (k - 1.0) * rho);
        let mean_of =
            |one: WithInterval| WithInterval { value: of_k(one.value), interval_95: one.interval_95.map(of_k) };
        let one_way = self.from_ratio(self.within_subjects, n * (k - 1.0));
        let consistency = self.from_ratio(ems, (n - 1.0) * (k - 1.0));
        let rho = (bms - ems) / (bms + (k - 1.0) * ems + k * (jms - ems) / n);
        let agreement = WithInterval { value: rho, interval_95: self.agreement_interval(rho) };
        Intraclass {
            icc_1_1: one_way,
            icc_2_1: agreement,
            icc_3_1: consistency,
            icc_1_k: mean_of(one_way),
            icc_2_k: mean_of(agreement),
            icc_3_k: mean_of(consistency),
        }
    }

    /// Standard error of measurement and minimal detectable change.
    #[must_use]
    pub fn measurement_error(&self, kind: ErrorKind) -> MeasurementError {
        let (n, k) = (self.subjects as f64, self.ratings as f64);
        let (variance, degrees) = match kind {
            ErrorKind::Agreement => (self.within_subjects, n * (k - 1.0)),
            ErrorKind::Consistency => (self.residual, (n - 1.0) * (k - 1.0)),
        };
        let bound = |p: f64| chi_squared_quantile(p, degrees).map_or(f64::NAN, |q| (variance * degrees / q).sqrt());
        let tail = (1.0 - CONFIDENCE) / 2.0;
        let sem = WithInterval { value: variance.sqrt(), interval_95: [bound(1.0 - tail), bound(tail)] };
        let change = |sem: f64| NORMAL_95 * std::f64::consts::SQRT_2 * sem;
        MeasurementError {
            sem,
            minimal_detectable_change: WithInterval {
                value: change(sem.value),
                interval_95: sem.interval_95.map(change),
            },
        }
    }

    /// (F - 1) / (F + k - 1) for the F of subjects over an error term, and the same for the bounds of F. Without any error
    /// all three are 1.
    fn from_ratio(&self, error: f64, error_degrees: f64) -> WithInterval {
        let (n, k) = (self.subjects as f64, self.ratings as f64);
        let quantile = |a: f64, b: f64| upper_quantile(a, b);
        let icc = |factor: f64| {
            let between = self.between_subjects * factor;
            (between - error) / (between + (k - 1.0) * error)
        };
        WithInterval {
            value: icc(1.0),
            interval_95: [icc(1.0 / quantile(n - 1.0, error_degrees)), icc(quantile(error_degrees, n - 1.0))],
        }
    }

    /// Interval of (2,1): Shrout & Fleiss 1979, page 424, with Satterthwaite's degrees of freedom.
    fn agreement_interval(&self, rho: f64) -> [f64; 2] {
        let (n, k) = (self.subjects as f64, self.ratings as f64);
        let (bms, jms, ems) = (self.between_subjects, self.between_ratings, self.residual);
        // The ratio of the two mean squares, multiplied through by the residual so that a residual of zero does no harm.
        let by_rating = k * rho * jms;
        let by_rest = (n * (1.0 + (k - 1.0) * rho) - k * rho) * ems;
        let degrees =
            (k - 1.0) * (n - 1.0) * (by_rating + by_rest).powi(2) / ((n - 1.0) * by_rating.powi(2) + by_rest.powi(2));
        let degrees = if degrees.is_finite() && degrees > 0.0 { degrees } else { (k - 1.0) * (n - 1.0) };
        let (over, under) = (upper_quantile(n - 1.0, degrees), upper_quantile(degrees, n - 1.0));
        let rest = k * jms + (k * n - k - n) * ems;
        [n * (bms - over * ems) / (over * rest + n * bms), n * (under * bms - ems) / (rest + n * under * bms)]
    }
}

fn upper_quantile(above: f64, below: f64) -> f64 {
    fisher_quantile(0.5 + CONFIDENCE / 2.0, above, below).unwrap_or(f64::NAN)
}

/// Bias and limits of agreement of pairs. Intervals of the limits: Bland & Altman 1999 (Stat Methods Med Res 8:135), standard
/// error `sd · √(1/n + 1.96² / (2 (n - 1)))`.
///
/// # Errors
/// Fewer than two pairs, series of different lengths, or numbers that are not finite.
pub fn agreement(first: &[f64], second: &[f64]) -> Result<Agreement, ReliabilityError> {
    if first.len() != second.len() {
        return Err(ReliabilityError::Unpaired { first: first.len(), second: second.len() });
    }
    let n = first.len();
    let too_few = ReliabilityError::TooFew { subjects: n, ratings: 2 };
    let Some(factor) = n.checked_sub(1).and_then(|degrees| student_factor(degrees, CONFIDENCE)) else {
        return Err(too_few);
    };
    for (rating, series) in [first, second].into_iter().enumerate() {
        if let Some(subject) = series.iter().position(|v| !v.is_finite()) {
            return Err(ReliabilityError::NotFinite { subject, rating });
        }
    }
    let count = n as f64;
    let differences: Vec<f64> = first.iter().zip(second).map(|(a, b)| a - b).collect();
    let bias = differences.iter().sum::<f64>() / count;
    let sd = (differences.iter().map(|d| (d - bias).powi(2)).sum::<f64>() / (count - 1.0)).sqrt();
    let with = |value: f64, standard_error: f64| WithInterval {
        value,
        interval_95: [value - factor * standard_error, value + factor * standard_error],
    };
    let of_limit = sd * (1.0 / count + NORMAL_95 * NORMAL_95 / (2.0 * (count - 1.0))).sqrt();
    Ok(Agreement {
        n,
        bias: with(bias, sd / count.sqrt()),
        sd,
        lower_limit: with(bias - NORMAL_95 * sd, of_limit),
        upper_limit: with(bias + NORMAL_95 * sd, of_limit),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Shrout & Fleiss 1979, table 2: six targets, four judges.
    fn shrout_fleiss() -> Vec<Vec<f64>> {
        [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]
            .map(|row| row.map(f64::from).to_vec())
            .to_vec()
    }

    #[test]
    fn table_of_shrout_and_fleiss() {
        let squares = MeanSquares::new(&shrout_fleiss()).unwrap();
        // Their table 3: 11.24, 6.26, 32.49, 1.02.
        for (found, expected) in [
            (squares.between_subjects, 11.24),
            (squares.within_subjects, 6.26),
            (squares.between_ratings, 32.49),
            (squares.residual, 1.02),
        ] {
            assert!((found - expected).abs() < 0.006, "{squares:?}");
        }
        let icc = squares.intraclass();
        // Their table 4 to two digits (.17 .29 .71 .44 .62 .91); the further digits and the intervals are those that statistics
        // packages print for this table (from memory).
        for (found, expected, low, high) in [
            (icc.icc_1_1, 0.1657, -0.133, 0.723),
            (icc.icc_2_1, 0.2898, 0.019, 0.761),
            (icc.icc_3_1, 0.7148, 0.342, 0.946),
            (icc.icc_1_k, 0.4428, -0.884, 0.913),
            (icc.icc_2_k, 0.6201, 0.071, 0.927),
            (icc.icc_3_k, 0.9093, 0.676, 0.986),
        ] {
            assert!((found.value - expected).abs() < 6e-5, "{found:?}");
            assert!((found.interval_95[0] - low).abs() < 6e-4, "{found:?}");
            assert!((found.interval_95[1] - high).abs() < 6e-4, "{found:?}");
        }
    }

    #[test]
    fn measurement_error_is_the_root_of_the_mean_square() {
        let squares = MeanSquares::new(&shrout_fleiss()).unwrap();
        let error = squares.measurement_error(ErrorKind::Consistency);
        assert!((error.sem.value - squares.residual.sqrt()).abs() < 1e-12);
        // 1.96 √2 = 2.77 (Weir 2005, J Strength Cond Res 19:231).
        assert!((error.minimal_detectable_change.value / error.sem.value - 2.7718).abs() < 1e-4);
        // 15 degrees of freedom: chi-squared 27.488 and 6.262 (NIST e-Handbook 1.3.6.7.4, from memory).
        let ends = [27.488, 6.262].map(|q: f64| (squares.residual * 15.0 / q).sqrt());
        assert!((error.sem.interval_95[0] - ends[0]).abs() < 1e-4 && (error.sem.interval_95[1] - ends[1]).abs() < 1e-4);
        let all = squares.measurement_error(ErrorKind::Agreement);
        assert!((all.sem.value - squares.within_subjects.sqrt()).abs() < 1e-12);
    }

    #[test]
    fn peak_flow_meters_of_bland_and_altman() {
        // Bland & Altman 1986, table: first readings of the two meters, litres per minute.
        let large: [f64; 17] = [
            494.0, 395.0, 516.0, 434.0, 476.0, 557.0, 413.0, 442.0, 650.0, 433.0, 417.0, 656.0, 267.0, 478.0, 178.0,
            423.0, 427.0,
        ];
        let mini: [f64; 17] = [
            512.0, 430.0, 520.0, 428.0, 500.0, 600.0, 364.0, 380.0, 658.0, 445.0, 432.0, 626.0, 260.0, 477.0, 259.0,
            350.0, 451.0,
        ];
        let found = agreement(&large, &mini).unwrap();
        assert!((found.bias.value + 2.1).abs() < 0.05 && (found.sd - 38.8).abs() < 0.05, "{found:?}");
        // Their interval of the bias: -22.0 to 17.8.
        assert!((found.bias.interval_95[0] + 22.0).abs() < 0.15 && (found.bias.interval_95[1] - 17.8).abs() < 0.15);
        // Their limits are bias ± 2 sd (-79.7 and 75.5), with intervals of ± 34.6; here 1.96 and the sharper standard error.
        assert!((found.upper_limit.value - (75.5 - 0.04 * 38.8)).abs() < 0.15, "{found:?}");
        assert!((found.lower_limit.value + (79.7 - 0.04 * 38.8)).abs() < 0.15, "{found:?}");
        let half = found.upper_limit.interval_95[1] - found.upper_limit.value;
        assert!((half - 34.6).abs() < 0.4, "{half}");
    }

    #[test]
    fn what_has_no_reliability_is_refused() {
        assert_eq!(MeanSquares::new(&[]), Err(ReliabilityError::TooFew { subjects: 0, ratings: 0 }));
        assert_eq!(
            MeanSquares::new(&[vec![1.0, 2.0], vec![1.0]]),
            Err(ReliabilityError::Ragged { subject: 1, found: 1, expected: 2 })
        );
        assert_eq!(
            MeanSquares::new(&[vec![1.0, 2.0], vec![f64::NAN, 1.0]]),
            Err(ReliabilityError::NotFinite { subject: 1, rating: 0 })
        );
        assert_eq!(MeanSquares::new(&[vec![3.0; 2], vec![3.0; 2]]), Err(ReliabilityError::NoSpread));
        assert_eq!(agreement(&[1.0], &[2.0, 3.0]), Err(ReliabilityError::Unpaired { first: 1, second: 2 }));
        assert_eq!(agreement(&[1.0], &[2.0]), Err(ReliabilityError::TooFew { subjects: 1, ratings: 2 }));
    }

    #[test]
    fn ratings_without_error_have_correlation_one() {
        let table: Vec<Vec<f64>> = (0..4).map(|i| vec![f64::from(i); 3]).collect();
        let icc = MeanSquares::new(&table).unwrap().intraclass();
        for form in [icc.icc_1_1, icc.icc_2_1, icc.icc_3_1, icc.icc_1_k, icc.icc_2_k, icc.icc_3_k] {
            assert!((form.value - 1.0).abs() < 1e-12 && form.interval_95.iter().all(|b| (b - 1.0).abs() < 1e-12));
        }
    }

    proptest! {
        #[test]
        fn unit_and_shift_do_not_matter(
            table in prop::collection::vec(prop::collection::vec(-5.0..5.0f64, 3), 4..9),
            factor in 0.01..100.0f64,
            shift in -10.0..10.0f64,
        ) {
            let plain = MeanSquares::new(&table).unwrap().intraclass();
            let other: Vec<Vec<f64>> = table.iter().map(|r| r.iter().map(|v| v * factor + shift).collect()).collect();
            let other = MeanSquares::new(&other).unwrap().intraclass();
            for (a, b) in [(plain.icc_1_1, other.icc_1_1), (plain.icc_2_1, other.icc_2_1), (plain.icc_3_k, other.icc_3_k)] {
                prop_assert!((a.value - b.value).abs() < 1e-6 * (1.0 + a.value.abs()));
            }
            prop_assert!(plain.icc_3_1.interval_95[0] <= plain.icc_3_1.value);
            prop_assert!(plain.icc_3_1.value <= plain.icc_3_1.interval_95[1]);
        }
    }
}
