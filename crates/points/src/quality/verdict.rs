//! From the table to one word per camera, with its reasons. The limits are our own.

use midline_session::keypoints::RACKET;
use serde::{Deserialize, Serialize};

use super::{LONG_RUN_SECONDS, PointQuality, ScoreCalibration, decides};

/// What the keypoints of a camera are worth, all in all.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PointsVerdict {
    /// Nothing stands against measuring with them.
    Usable,
    /// Some results will be refused or wide.
    WithCare,
    /// The body is not seen well enough to measure anything.
    NotUsable,
}

impl PointsVerdict {
    /// The verdict in words.
    #[must_use]
    pub fn label(self) -> &'static str {
        match self {
            Self::Usable => "usable",
            Self::WithCare => "usable with care",
            Self::NotUsable => "not usable",
        }
    }
}

/// The body's frame: without these nothing is measured.
const BODY_FRAME: [&str; 4] = ["left_shoulder", "right_shoulder", "left_hip", "right_hip"];
/// Shares found below which the body's frame is unusable, and below which any point asks for care.
const FOUND_LEAST: f64 = 0.5;
const FOUND_CARE: f64 = 0.85;
/// Shares of faulty sightings from which a point asks for care, and from which the camera is unusable when half its points
/// are so.
const FAULTY_CARE: f64 = 0.03;
const FAULTY_MOST: f64 = 0.2;
/// Share of steps that are too fast from which a point asks for care.
const TOO_FAST_CARE: f64 = 0.005;
/// Rank correlation above which scores are said to mean little.
const WEAK_CORRELATION: f64 = -0.05;

pub(crate) fn judge(
    points: &[PointQuality],
    scores: &ScoreCalibration,
    looked_at: usize,
) -> (PointsVerdict, Vec<String>) {
    let mut found: Vec<(PointsVerdict, String)> = Vec::new();
    let mut say = |verdict, reason: String| found.push((verdict, reason));
    let percent = |share: f64| format!("{:.0} %", 100.0 * share);
    for name in BODY_FRAME {
        match points.iter().find(|p| p.name == name) {
            None => say(PointsVerdict::NotUsable, format!("{name} is not in the file; the body's axes rest on it")),
            Some(p) if p.found_share < FOUND_LEAST => {
                say(
                    PointsVerdict::NotUsable,
                    format!(
                        "{name} is found in {} of the frames only; the body's axes rest on it",
                        percent(p.found_share)
                    ),
                );
            }
            Some(_) => {}
        }
    }
    for name in RACKET {
        if !points.iter().any(|p| p.name == name && p.found > 0) {
            say(PointsVerdict::WithCare, format!("{name} is not there; what needs it will be refused"));
        }
    }
    let judged: Vec<&PointQuality> = points.iter().filter(|p| decides(&p.name) && p.found > 0).collect();
    let mut list = |what: &str, advice: &str, pick: &dyn Fn(&PointQuality) -> Option<String>| {
        let named: Vec<String> = judged.iter().filter_map(|p| Some(format!("{} {}", p.name, pick(p)?))).collect();
        if !named.is_empty() {
            say(PointsVerdict::WithCare, format!("{what}: {}; {advice}", named.join(", ")));
        }
    };
    list("seldom found", "their measures will be few", &|p| {
        (p.found_share < FOUND_CARE).then(|| percent(p.found_share))
    });
    let longest = format!("missing for longer than {LONG_RUN_SECONDS} s at a stretch");
    list(&longest, "strokes in these gaps are refused", &|p| {
        (p.long_gaps > 0).then(|| format!("{} times, up to {:.2} s", p.long_gaps, p.longest_gap_seconds))
    });
    let faulty = |p: &PointQuality| (p.frozen + p.jumped) as f64 / (p.found + p.frozen + p.jumped).max(1) as f64;
    list("often frozen or jumping", "they were removed; look at the detector", &|p| {
        (faulty(p) > FAULTY_CARE).then(|| percent(faulty(p)))
    });
    let swapped = |p: &PointQuality| p.swapped as f64 / p.found.max(1) as f64;
    list("left and right often exchanged", "that was undone, as far as paths tell; look at a few frames", &|p| {
        (swapped(p) > FAULTY_CARE).then(|| percent(swapped(p)))
    });
    list("still faster than a body moves", "look at these frames", &|p| {
        let too_fast = p.too_fast? as f64 / p.found.max(1) as f64;
        (too_fast > TOO_FAST_CARE)
            .then(|| format!("{} steps, up to {:.0} m/s", p.too_fast.unwrap_or(0), p.fastest_mps.unwrap_or(0.0)))
    });
    if judged.iter().filter(|p| faulty(p) > FAULTY_MOST).count() * 2 > judged.len() {
        say(
            PointsVerdict::NotUsable,
            format!("more than half of the points are faulty in over {}", percent(FAULTY_MOST)),
        );
    }
    if looked_at == 0 {
        say(PointsVerdict::NotUsable, "no frame has points".to_owned());
    }
    let verdict = found.iter().map(|(v, _)| *v).max().unwrap_or(PointsVerdict::Usable);
    found.sort_by(|a, b| b.0.cmp(&a.0)); // stable: the gravest first
    let mut reasons: Vec<String> = found.into_iter().map(|(_, reason)| reason).collect();
    match scores.rank_correlation {
        None => reasons.push("scores tell nothing: all are equal, or there are too few points".to_owned()),
        Some(rho) if rho > WEAK_CORRELATION => reasons.push(format!(
            "scores tell little about how good a point is (rank correlation with its distance from the path {rho:+.2}, n = \
             {}); they are not used as weights",
            scores.n
        )),
        Some(_) => {}
    }
    (verdict, reasons)
}
