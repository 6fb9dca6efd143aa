//! What the program prints about keypoints: what they are worth, camera by camera and between the views.

use midline_points::quality::{LimbComparison, PointsVerdict, Quality, compare_views};
use serde::Serialize;

use crate::show::print_json;
use crate::stages::{NotMeasurable, Stages};

/// Keypoints of all cameras, judged.
#[derive(Serialize)]
struct Judged {
    cameras: Vec<Quality>,
    between_views: Vec<LimbComparison>,
}

fn judged(stages: &Stages) -> anyhow::Result<Judged> {
    let cameras = stages.cameras().iter().map(|c| stages.points_quality(c)).collect::<anyhow::Result<Vec<_>>>()?;
    let views: Vec<_> = cameras.iter().map(|q| (q.camera.as_str(), q.limbs.as_slice())).collect();
    let between_views = compare_views(&views);
    Ok(Judged { cameras, between_views })
}

/// Table and verdict of every camera, then what the views say about each other.
pub(crate) fn points(stages: &Stages, json: bool) -> anyhow::Result<()> {
    if json {
        let all = stages.cameras().iter().map(|c| stages.keypoints(c)).collect::<anyhow::Result<Vec<_>>>()?;
        return print_json(&all);
    }
    let judged = judged(stages)?;
    for (camera, quality) in stages.cameras().iter().zip(&judged.cameras) {
        verdict(quality);
        table(quality);
        scores(quality);
        for remark in stages.keypoints(camera)?.remarks {
            println!("  {remark}");
        }
    }
    between(&judged.between_views, true);
    Ok(())
}

/// The verdicts alone; an error with exit code 2 when a camera's points are not usable.
pub(crate) fn check(stages: &Stages, json: bool) -> anyhow::Result<()> {
    let judged = judged(stages)?;
    if json {
        print_json(&judged)?;
    } else {
        for quality in &judged.cameras {
            verdict(quality);
        }
        between(&judged.between_views, false);
    }
    let unusable: Vec<&str> =
        judged.cameras.iter().filter(|q| q.verdict == PointsVerdict::NotUsable).map(|q| q.camera.as_str()).collect();
    if unusable.is_empty() {
        return Ok(());
    }
    Err(NotMeasurable(format!("the keypoints of {} are not usable; see the reasons above", unusable.join(" and ")))
        .into())
}

fn verdict(quality: &Quality) {
    println!(
        "{}: keypoints {}; {} of {} frames have points or lie between such",
        quality.camera,
        quality.verdict.label(),
        quality.frames_looked_at,
        quality.frames
    );
    for reason in &quality.reasons {
        println!("  {reason}");
    }
}

fn table(quality: &Quality) {
    println!(
        "  {:16} {:>6} {:>7} {:>9} {:>9} {:>8} {:>7} {:>6} {:>9} {:>9}",
        "point", "found", "share", "gaps > .1", "longest s", "swapped", "frozen", "jumps", "too fast", "noise px"
    );
    let shown = |value: Option<String>| value.unwrap_or_else(|| "–".to_owned());
    for point in &quality.points {
        println!(
            "  {:16} {:>6} {:>6.1}% {:>9} {:>9.3} {:>8} {:>7} {:>6} {:>9} {:>9}",
            point.name,
            point.found,
            point.found_share * 100.0,
            point.long_gaps,
            point.longest_gap_seconds,
            point.swapped,
            point.frozen,
            point.jumped,
            shown(point.too_fast.map(|n| n.to_string())),
            shown(point.noise_px.map(|px| format!("{px:.2}"))),
        );
    }
}

fn scores(quality: &Quality) {
    let Some(rho) = quality.scores.rank_correlation else { return };
    println!(
        "  scores against distance from the path (1 is usual for the joint), rank correlation {rho:+.2}, n = {}:",
        quality.scores.n
    );
    for bin in &quality.scores.bins {
        println!(
            "    score {:.2} to {:.2}: typical {:.2}, worst twentieth {:.2} (n = {})",
            bin.from, bin.to, bin.typical, bin.worst, bin.n
        );
    }
}

/// Limb lengths between the views; all of them, or only contradictions.
fn between(comparisons: &[LimbComparison], all: bool) {
    let contradicting: Vec<&LimbComparison> = comparisons.iter().filter(|c| all || c.contradicts).collect();
    if contradicting.is_empty() {
        if !comparisons.is_empty() {
            println!("between the views: limb lengths agree");
        }
        return;
    }
    println!("between the views: longest seen length of each limb, in trunks");
    for limb in contradicting {
        let shares: Vec<String> = limb.of_trunk.iter().map(|(camera, share)| format!("{camera} {share:.2}")).collect();
        let said = if limb.contradicts {
            "; the views contradict each other: names mixed up, or not the same person"
        } else {
            ""
        };
        println!("  {:16} {}{said}", limb.name, shares.join(", "));
    }
}
