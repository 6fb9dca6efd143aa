//! Linear model with random intercepts for players and for sessions within players, by restricted maximum likelihood.
//!
//! `y = X β + player + session + stroke`. The restricted likelihood (Patterson & Thompson 1971) is profiled over β and the strokes'
//! variance, as in Bates et al. 2015 (J Stat Softw 67:1), and minimised over the two variance ratios. Nested intercepts have a closed
//! form, so that one evaluation costs as much as there are sessions, not strokes. A variance of zero is a result, not a failure.
//!
//! Intervals and p use Student's t with between-within degrees of freedom (Schluchter & Elashoff 1990): a column that is
//! constant within players has those of the players, one that is constant within sessions those of the sessions, and so on.

use argmin::core::{CostFunction, Executor, State};
use argmin::solver::brent::BrentOpt;
use nalgebra::{DMatrix, DVector};
use serde::Serialize;
use statrs::distribution::{ContinuousCDF, FisherSnedecor, StudentsT};

use crate::CohortError;

/// One observation with its place in the nesting.
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    /// The player; rows of one player need not stand together.
    pub player: usize,
    /// The session, numbered within the player or over all.
    pub session: usize,
    /// The observation.
    pub y: f64,
    /// Columns of the design beyond the intercept.
    pub x: Vec<f64>,
}

/// Which intercepts are random.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Levels {
    /// Players only.
    Players,
    /// Players, and sessions within players.
    PlayersAndSessions,
}

/// One fixed effect.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Coefficient {
    /// Estimate.
    pub value: f64,
    /// Standard error.
    pub standard_error: f64,
    /// Degrees of freedom; 0 when none are left: then there is no interval and no p.
    pub df: usize,
    /// 95 % interval.
    pub interval_95: Option<[f64; 2]>,
    /// Two-sided p of no effect.
    pub p: Option<f64>,
}

/// A fitted model.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct MixedModel {
    /// Intercept, then the columns of the design.
    pub coefficients: Vec<Coefficient>,
    /// Standard deviation between players.
    pub sd_players: f64,
    /// Standard deviation between sessions of a player; `None` when it was not asked for.
    pub sd_sessions: Option<f64>,
    /// Standard deviation between strokes of a session.
    pub sd_strokes: f64,
    /// -2 × the restricted log likelihood at the optimum.
    pub reml: f64,
    /// Numbers of players, sessions and observations.
    pub n: [usize; 3],
    /// Covariance of the coefficients, in their order.
    pub covariance: Vec<Vec<f64>>,
}

/// Test that several coefficients are all zero.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Joint {
    /// F statistic (Wald).
    pub f: f64,
    /// Degrees of freedom of the coefficients and of what is left; the smallest among the coefficients.
    pub df: [usize; 2],
    /// p of none of them having an effect.
    pub p: f64,
}

impl MixedModel {
    /// Tests that the coefficients at these places are all zero; `None` when their covariance cannot carry it or no degrees of
    /// freedom are left.
    #[must_use]
    pub fn joint(&self, places: &[usize]) -> Option<Joint> {
        let df = places.iter().map(|k| self.coefficients.get(*k).map(|c| c.df)).min()??;
        let beta = DVector::from_iterator(places.len(), places.iter().map(|k| self.coefficients[*k].value));
        let covariance = DMatrix::from_fn(places.len(), places.len(), |i, j| self.covariance[places[i]][places[j]]);
        let f = beta.dot(&covariance.cholesky()?.solve(&beta)) / places.len() as f64;
        let distribution = FisherSnedecor::new(places.len() as f64, df as f64).ok()?;
        (df > 0).then(|| Joint { f, df: [places.len(), df], p: distribution.sf(f) })
    }
}

/// Sums of one session from which every evaluation is made.
struct Session {
    n: f64,
    x: DVector<f64>,
    y: f64,
    xx: DMatrix<f64>,
    xy: DVector<f64>,
}

struct Sums {
    /// Sessions of each player.
    players: Vec<Vec<Session>>,
    yy: f64,
    n: usize,
    columns: usize,
}

/// What one evaluation gives.
struct Profile {
    reml: f64,
    beta: DVector<f64>,
    /// (X' V⁻¹ X)⁻¹ for unit variance between strokes.
    shape: DMatrix<f64>,
    variance: f64,
}

impl Sums {
    /// `ratios`: variances between players and between sessions over that between strokes.
    fn profile(&self, ratios: [f64; 2]) -> Option<Profile> {
        let [of_players, of_sessions] = ratios;
        let p = self.columns;
        let mut a = DMatrix::zeros(p, p);
        let mut b = DVector::zeros(p);
        let mut yy = self.yy;
        let mut log_det = 0.0;
        for sessions in &self.players {
            let (mut weight, mut u, mut v) = (0.0, DVector::zeros(p), 0.0);
            for session in sessions {
                let grown = 1.0 + of_sessions * session.n;
                let c = of_sessions / grown;
                a += &session.xx;
                a.ger(-c, &session.x, &session.x, 1.0);
                b += &session.xy;
                b.axpy(-c * session.y, &session.x, 1.0);
                yy -= c * session.y * session.y;
                weight += session.n / grown;
                u.axpy(1.0 / grown, &session.x, 1.0);
                v += session.y / grown;
                log_det += grown.ln();
            }
            let grown = 1.0 + of_players * weight;
            let d = of_players / grown;
            a.ger(-d, &u, &u, 1.0);
            b.axpy(-d * v, &u, 1.0);
            yy -= d * v * v;
            log_det += grown.ln();
        }
        let factor = a.cholesky()?;
        let beta = factor.solve(&b);
        let free = (self.n - p) as f64;
        let variance = ((yy - beta.dot(&b)) / free).max(f64::MIN_POSITIVE);
        let log_det_x = 2.0 * factor.l_dirty().diagonal().iter().take(p).map(|d| d.ln()).sum::<f64>();
        let reml = free * ((2.0 * std::f64::consts::PI * variance).ln() + 1.0) + log_det + log_det_x;
        Some(Profile { reml, beta, shape: factor.inverse(), variance })
    }
}

/// A function of one share in [0, 1).
struct OfShare<F>(F);

impl<F: Fn(f64) -> f64> CostFunction for OfShare<F> {
    type Param = f64;
    type Output = f64;

    fn cost(&self, share: &f64) -> Result<f64, argmin::core::Error> {
        Ok((self.0)(*share))
    }
}

/// Shares of the variance are searched up to here.
const LARGEST_SHARE: f64 = 1.0 - 1e-6;

/// The smallest value over a share and where it is: Brent's method around the best of a coarse sweep; an end counts as well, so that a
/// variance of exactly zero can be the answer.
fn smallest(of: impl Fn(f64) -> f64) -> (f64, f64) {
    const SWEEP: usize = 8;
    let at = |k: usize| LARGEST_SHARE * k as f64 / SWEEP as f64;
    let swept: Vec<f64> = (0..=SWEEP).map(|k| of(at(k))).collect();
    let best = (0..=SWEEP).min_by(|a, b| swept[*a].total_cmp(&swept[*b])).unwrap_or(0);
    let (low, high) = (at(best.saturating_sub(1)), at((best + 1).min(SWEEP)));
    let solver = BrentOpt::new(low, high).set_tolerance(1e-11, 1e-13);
    let found = Executor::new(OfShare(&of), solver).configure(|s| s.max_iters(80)).run().ok();
    let inner = found.and_then(|r| Some((*r.state().get_best_param()?, r.state().get_best_cost())));
    [(at(best), swept[best])]
        .into_iter()
        .chain(inner)
        .min_by(|a, b| a.1.total_cmp(&b.1))
        .unwrap_or((0.0, f64::INFINITY))
}

fn ratio(share: f64) -> f64 {
    share / (1.0 - share)
}

/// Fits the model. The intercept is always there.
///
/// # Errors
/// When there are fewer than two players or too few observations, a number is not finite, rows have different numbers of columns, or
/// the columns are not independent.
pub fn fit(rows: &[Row], levels: Levels) -> Result<MixedModel, CohortError> {
    let what = "mixed model";
    let columns = 1 + rows.first().map_or(0, |r| r.x.len());
    if rows.iter().any(|r| r.x.len() + 1 != columns) {
        return Err(CohortError::too_few(what, "rows have different numbers of columns"));
    }
    if rows.iter().any(|r| !r.y.is_finite() || r.x.iter().any(|x| !x.is_finite())) {
        return Err(CohortError::too_few(what, "an observation is not a finite number"));
    }
    if rows.len() <= columns {
        return Err(CohortError::too_few(what, format!("{} observations for {columns} coefficients", rows.len())));
    }
    // Around the mean, so that no digits are lost to a large intercept.
    let centre = rows.iter().map(|r| r.y).sum::<f64>() / rows.len() as f64;
    let mut grouped: std::collections::BTreeMap<usize, std::collections::BTreeMap<usize, Vec<&Row>>> =
        std::collections::BTreeMap::new();
    for row in rows {
        let session = if levels == Levels::Players { 0 } else { row.session };
        grouped.entry(row.player).or_default().entry(session).or_default().push(row);
    }
    if grouped.len() < 2 {
        return Err(CohortError::too_few(what, format!("{} player(s); at least two are needed", grouped.len())));
    }
    let design = |row: &Row| DVector::from_iterator(columns, std::iter::once(1.0).chain(row.x.iter().copied()));
    let sum_session = |rows: &Vec<&Row>| {
        let mut sums = Session {
            n: rows.len() as f64,
            x: DVector::zeros(columns),
            y: 0.0,
            xx: DMatrix::zeros(columns, columns),
            xy: DVector::zeros(columns),
        };
        for row in rows {
            let (x, y) = (design(row), row.y - centre);
            sums.y += y;
            sums.xx.ger(1.0, &x, &x, 1.0);
            sums.xy.axpy(y, &x, 1.0);
            sums.x += x;
        }
        sums
    };
    let crossed = rows.iter().map(design).fold(DMatrix::zeros(columns, columns), |sum, x| sum + &x * x.transpose());
    // Scaled to unit diagonal; a column of zeros or one that the others make up leaves an eigenvalue of zero.
    let scaled =
        DMatrix::from_fn(columns, columns, |i, j| crossed[(i, j)] / (crossed[(i, i)] * crossed[(j, j)]).sqrt());
    if scaled.iter().any(|v| !v.is_finite()) || scaled.symmetric_eigenvalues().min() < 1e-10 {
        return Err(CohortError::too_few(
            what,
            "the columns of the design are not independent (an empty or repeated group?)",
        ));
    }
    let players: Vec<Vec<Session>> = grouped.values().map(|s| s.values().map(sum_session).collect()).collect();
    let sums = Sums { players, yy: rows.iter().map(|r| (r.y - centre).powi(2)).sum(), n: rows.len(), columns };
    let reml = |ratios: [f64; 2]| sums.profile(ratios).map_or(f64::INFINITY, |p| p.reml);
    let ratios = match levels {
        Levels::Players => [ratio(smallest(|share| reml([ratio(share), 0.0])).0), 0.0],
        Levels::PlayersAndSessions => {
            let inner = |of_players: f64| smallest(|share| reml([ratio(of_players), ratio(share)]));
            let of_players = smallest(|share| inner(share).1).0;
            [ratio(of_players), ratio(inner(of_players).0)]
        }
    };
    let best =
        sums.profile(ratios).ok_or_else(|| CohortError::too_few(what, "the observations cannot carry the design"))?;
    let sessions = sums.players.iter().map(Vec::len).sum();
    let df = degrees_of_freedom(&grouped, columns, levels, rows.len());
    let coefficients = (0..columns)
        .map(|k| {
            let value = best.beta[k] + if k == 0 { centre } else { 0.0 };
            let standard_error = (best.variance * best.shape[(k, k)]).sqrt();
            let (interval_95, p) = by_t(value, standard_error, df[k]);
            Coefficient { value, standard_error, df: df[k], interval_95, p }
        })
        .collect();
    let sd = best.variance.sqrt();
    Ok(MixedModel {
        coefficients,
        sd_players: sd * ratios[0].sqrt(),
        sd_sessions: (levels == Levels::PlayersAndSessions).then(|| sd * ratios[1].sqrt()),
        sd_strokes: sd,
        reml: best.reml,
        n: [grouped.len(), sessions, rows.len()],
        covariance: (0..columns).map(|i| (0..columns).map(|j| best.variance * best.shape[(i, j)]).collect()).collect(),
    })
}

/// Interval and two-sided p of an estimate by Student's t.
pub(crate) fn by_t(value: f64, standard_error: f64, df: usize) -> (Option<[f64; 2]>, Option<f64>) {
    if df == 0 || standard_error <= 0.0 || !standard_error.is_finite() {
        return (None, None);
    }
    let Ok(t) = StudentsT::new(0.0, 1.0, df as f64) else { return (None, None) };
    let half = t.inverse_cdf(0.975) * standard_error;
    let p = 2.0 * t.cdf(-(value / standard_error).abs());
    (Some([value - half, value + half]), Some(p))
}

type Grouped<'a> = std::collections::BTreeMap<usize, std::collections::BTreeMap<usize, Vec<&'a Row>>>;

/// Per column: units of the lowest level within which it is constant, less those above and the columns of that level.
fn degrees_of_freedom(grouped: &Grouped, columns: usize, levels: Levels, observations: usize) -> Vec<usize> {
    let constant = |rows: &mut dyn Iterator<Item = &&Row>, column: usize| {
        let mut values = rows.map(|r| r.x[column]);
        let first = values.next();
        values.all(|v| Some(v) == first)
    };
    // 0: varies between players only, 1: between sessions of a player, 2: within sessions.
    let level: Vec<usize> = (0..columns)
        .map(|k| {
            let Some(column) = k.checked_sub(1) else { return 0 };
            if grouped.values().all(|s| constant(&mut s.values().flatten(), column)) {
                0
            } else if levels == Levels::PlayersAndSessions
                && grouped.values().flat_map(|s| s.values()).all(|rows| constant(&mut rows.iter(), column))
            {
                1
            } else {
                2
            }
        })
        .collect();
    let sessions: usize = grouped.values().map(|s| s.len()).sum();
    let units = match levels {
        Levels::Players => [grouped.len(), grouped.len(), observations],
        Levels::PlayersAndSessions => [grouped.len(), sessions, observations],
    };
    level
        .iter()
        .map(|own| {
            let above = if *own == 0 { 0 } else { units[own - 1] };
            let columns = level.iter().filter(|l| *l == own).count();
            units[*own].saturating_sub(above).saturating_sub(columns)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn table(batches: &[&[&[f64]]]) -> Vec<Row> {
        let mut rows = Vec::new();
        for (player, sessions) in batches.iter().enumerate() {
            for (session, values) in sessions.iter().enumerate() {
                rows.extend(values.iter().map(|y| Row { player, session, y: *y, x: Vec::new() }));
            }
        }
        rows
    }

    fn near(found: f64, expected: f64, tolerance: f64) {
        assert!((found - expected).abs() < tolerance, "{found} instead of {expected}");
    }

    /// Dyestuff: Davies & Goldsmith 1972, Statistical Methods in Research and Production, table 6.3. Estimates: Bates et al. 2015 and the
    /// lme4 documentation (1527.5, 42.0006, 49.5101, REML criterion 319.6543).
    #[test]
    fn dyestuff() {
        let rows = table(&[
            &[&[1545.0, 1440.0, 1440.0, 1520.0, 1580.0]],
            &[&[1540.0, 1555.0, 1490.0, 1560.0, 1495.0]],
            &[&[1595.0, 1550.0, 1605.0, 1510.0, 1560.0]],
            &[&[1445.0, 1440.0, 1595.0, 1465.0, 1545.0]],
            &[&[1595.0, 1630.0, 1515.0, 1635.0, 1625.0]],
            &[&[1520.0, 1455.0, 1450.0, 1480.0, 1445.0]],
        ]);
        let model = fit(&rows, Levels::Players).unwrap();
        near(model.coefficients[0].value, 1527.5, 1e-6);
        near(model.sd_players, 42.0006, 6e-5);
        near(model.sd_strokes, 49.5101, 6e-5);
        near(model.reml, 319.6543, 6e-5);
        near(model.coefficients[0].standard_error, 19.3834, 6e-5);
        assert_eq!((model.n, model.coefficients[0].df), ([6, 6, 30], 5));
    }

    /// Dyestuff2: Box & Tiao 1973, Bayesian Inference in Statistical Analysis, section 5.1.2. The variance between batches is estimated as
    /// exactly zero (lme4 documentation: 5.6656, residual 3.7157).
    #[test]
    fn dyestuff2_is_singular_and_survives() {
        let rows = table(&[
            &[&[7.298, 3.846, 2.434, 9.566, 7.990]],
            &[&[5.220, 6.556, 0.608, 11.788, -0.892]],
            &[&[0.110, 10.386, 13.434, 5.510, 8.166]],
            &[&[2.212, 4.852, 7.092, 9.288, 4.980]],
            &[&[0.282, 9.014, 4.458, 9.446, 7.198]],
            &[&[1.722, 4.782, 8.106, 0.758, 3.758]],
        ]);
        for levels in [Levels::Players, Levels::PlayersAndSessions] {
            let model = fit(&rows, levels).unwrap();
            near(model.coefficients[0].value, 5.6656, 6e-5);
            near(model.sd_strokes, 3.7157, 6e-5);
            near(model.sd_players, 0.0, 1e-9);
        }
    }

    /// Pastes: Davies & Goldsmith 1972, table 6.4 (10 batches, 3 casks each, 2 tests). Estimates: lme4 documentation (60.0533; casks 2.904,
    /// batches 1.287, residual 0.823; REML criterion 246.99).
    #[test]
    fn pastes() {
        let strength: [[f64; 6]; 10] = [
            [62.8, 62.6, 60.1, 62.3, 62.7, 63.1],
            [60.0, 61.4, 57.5, 56.9, 61.1, 58.9],
            [58.7, 57.5, 63.9, 63.1, 65.4, 63.7],
            [57.1, 56.4, 56.9, 58.6, 64.7, 64.5],
            [55.1, 55.1, 54.7, 54.2, 58.8, 57.5],
            [63.4, 64.9, 59.3, 58.1, 60.5, 60.0],
            [62.5, 62.6, 61.0, 58.7, 56.9, 57.7],
            [59.2, 59.4, 65.2, 66.0, 64.8, 64.1],
            [54.8, 54.8, 64.0, 64.0, 57.7, 56.8],
            [58.3, 59.3, 59.2, 59.2, 58.9, 56.6],
        ];
        let mut rows = Vec::new();
        for (player, batch) in strength.iter().enumerate() {
            rows.extend(batch.iter().enumerate().map(|(k, y)| Row { player, session: k / 2, y: *y, x: Vec::new() }));
        }
        let model = fit(&rows, Levels::PlayersAndSessions).unwrap();
        near(model.coefficients[0].value, 60.0533, 6e-5);
        near(model.sd_sessions.unwrap(), 2.904, 6e-4);
        near(model.sd_players, 1.287, 6e-4);
        near(model.sd_strokes, 0.823, 6e-4);
        near(model.reml, 246.99, 6e-3);
    }

    /// In a balanced design without within-player columns the group's t is that of the players' means, with players - 2 degrees of freedom.
    #[test]
    fn a_balanced_group_effect_is_the_t_test_of_the_players_means() {
        let mut rows = Vec::new();
        let value = |player: usize, session: usize, k: usize| {
            ((player * 31 + session * 7 + k * 3) as f64 * 0.7).sin() + (player as f64 * 1.9).cos() * 3.0
        };
        let mut means = [Vec::new(), Vec::new()];
        for player in 0..12 {
            let mut own = Vec::new();
            for session in 0..2 {
                for k in 0..5 {
                    own.push(value(player, session, k));
                    rows.push(Row { player, session, y: value(player, session, k), x: vec![(player % 2) as f64] });
                }
            }
            means[player % 2].push(own.iter().sum::<f64>() / own.len() as f64);
        }
        let model = fit(&rows, Levels::PlayersAndSessions).unwrap();
        let mean = |v: &[f64]| v.iter().sum::<f64>() / v.len() as f64;
        let squares: f64 = means.iter().map(|m| m.iter().map(|x| (x - mean(m)).powi(2)).sum::<f64>()).sum();
        let t = (mean(&means[1]) - mean(&means[0])) / (squares / 10.0 / 3.0).sqrt();
        let group = model.coefficients[1];
        assert_eq!(group.df, 10);
        near(group.value / group.standard_error, t, 1e-6);
        let joint = model.joint(&[1]).unwrap();
        near(joint.f, t * t, 1e-5);
        near(joint.p, group.p.unwrap(), 1e-9);
    }

    #[test]
    fn what_cannot_be_fitted_says_why() {
        let row = |player: usize, y: f64, x: f64| Row { player, session: 0, y, x: vec![x] };
        let message = |rows: &[Row]| fit(rows, Levels::Players).unwrap_err().to_string();
        assert!(message(&[]).contains("0 observations"));
        assert!(message(&[row(1, 1.0, 0.0), row(1, 2.0, 1.0), row(1, 3.0, 0.0)]).contains("at least two"));
        assert!(message(&[row(1, 1.0, 1.0), row(2, 2.0, 1.0), row(3, 3.0, 1.0)]).contains("not independent"));
        assert!(message(&[row(1, f64::NAN, 1.0), row(2, 2.0, 0.0), row(3, 3.0, 1.0)]).contains("not a finite"));
    }
}
