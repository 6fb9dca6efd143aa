use midline_session::keypoints::{Keypoint, Keypoints};
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};

use super::*;
use crate::clean;
use crate::test_motion::{PX_PER_M, detected, footage};

fn judged(raw: &Keypoints, footage: &Footage) -> Quality {
    let mut cleaned = raw.clone();
    let cleaning = clean(&mut cleaned, footage);
    quality(raw, &cleaned, &cleaning, footage)
}

fn of<'a>(quality: &'a Quality, name: &str) -> &'a PointQuality {
    quality.points.iter().find(|p| p.name == name).unwrap()
}

#[test]
fn a_good_file_is_called_usable() {
    let footage = footage(2.2, 120.0);
    let quality = judged(&detected(&footage, 1.5, 4), &footage);
    assert_eq!(quality.verdict, PointsVerdict::Usable, "{:?}", quality.reasons);
    // The made-up figure's trunk is 0.5 m, as the ruler's.
    assert!((quality.px_per_m.unwrap() / PX_PER_M - 1.0).abs() < 0.06, "{:?}", quality.px_per_m);
    let hip = of(&quality, "left_hip");
    assert!((hip.noise_px.unwrap() - 1.5).abs() < 0.3, "{:?}", hip.noise_px);
    assert!((0.95..1.0).contains(&hip.found_share) && hip.long_gaps == 0);
    // About 30 m/s in space, somewhat less in the picture plane.
    let tip = of(&quality, "racket_tip").fastest_mps.unwrap();
    assert!((20.0..45.0).contains(&tip), "{tip}");
    assert!(quality.points.iter().all(|p| p.too_fast == Some(0)));
    // One score for all says nothing.
    assert_eq!(quality.scores.rank_correlation, None);
    assert!(quality.reasons.iter().any(|r| r.contains("scores tell nothing")));
}

#[test]
fn each_fault_is_counted_where_it_was_planted() {
    let footage = footage(2.2, 120.0);
    let mut raw = detected(&footage, 1.0, 5);
    let column = |name: &str| raw.names.iter().position(|n| n == name).unwrap();
    let (knee, wrist, ankle) = (column("left_knee"), column("left_wrist"), column("right_ankle"));
    let (left, right) = (column("left_elbow"), column("right_elbow"));
    // Missing for 0.25 s.
    for frame in 100..130 {
        raw.frames[frame].points[knee] = None;
    }
    // Frozen for 20 frames while the player steps.
    let held = Keypoint { px: [1013.318, 655.1], score: 0.9 };
    for frame in 60..80 {
        raw.frames[frame].points[ankle] = Some(held);
    }
    // Jumps, one frame each.
    for frame in (10..250).step_by(20) {
        if let Some(p) = &mut raw.frames[frame].points[wrist] {
            p.px[0] += 150.0;
        }
    }
    for frame in 200..212 {
        raw.frames[frame].points.swap(left, right);
    }
    let quality = judged(&raw, &footage);
    assert_eq!(quality.verdict, PointsVerdict::WithCare, "{:?}", quality.reasons);
    let missing = of(&quality, "left_knee");
    assert!(missing.long_gaps == 1 && (missing.longest_gap_seconds - 31.0 / 120.0).abs() < 0.03, "{missing:?}");
    assert!(of(&quality, "right_ankle").frozen >= 17, "{:?}", of(&quality, "right_ankle"));
    assert!((10..=13).contains(&of(&quality, "left_wrist").jumped), "{:?}", of(&quality, "left_wrist"));
    assert!((10..=13).contains(&of(&quality, "left_elbow").swapped), "{:?}", of(&quality, "left_elbow"));
    for words in ["left_knee 1 times, up to 0.2", "right_ankle", "left_wrist", "left_elbow"] {
        assert!(quality.reasons.iter().any(|r| r.contains(words)), "{words}: {:?}", quality.reasons);
    }
}

#[test]
fn without_the_bodys_frame_nothing_is_usable() {
    let footage = footage(1.0, 60.0);
    let mut raw = detected(&footage, 1.0, 6);
    let hip = raw.column("left_hip").unwrap();
    for frame in &mut raw.frames {
        frame.points[hip] = None;
    }
    let quality = judged(&raw, &footage);
    assert_eq!(quality.verdict, PointsVerdict::NotUsable);
    assert!(quality.reasons[0].contains("left_hip is found in 0 %"), "{:?}", quality.reasons);
    assert_eq!(of(&quality, "nose").too_fast, None);
}

#[test]
fn steps_that_no_knee_makes_are_counted() {
    let footage = footage(2.2, 120.0);
    let mut raw = detected(&footage, 1.0, 7);
    let knee = raw.column("right_knee").unwrap();
    // From one frame on the knee is 400 px elsewhere: no stray point, a wrong one.
    for frame in 130..raw.frames.len() {
        if let Some(p) = &mut raw.frames[frame].points[knee] {
            p.px[0] += 400.0;
        }
    }
    let quality = judged(&raw, &footage);
    let knee = of(&quality, "right_knee");
    assert_eq!(knee.too_fast, Some(1), "{knee:?}");
    assert!(knee.fastest_mps.unwrap() > 100.0);
}

#[test]
fn scores_that_fall_with_the_error_are_told_from_those_that_do_not() {
    let footage = footage(2.2, 120.0);
    let mut random = StdRng::seed_from_u64(3);
    let mut raw = detected(&footage, 0.3, 8);
    for point in raw.frames.iter_mut().flat_map(|f| f.points.iter_mut().flatten()) {
        let error = random.random_range(0.0..8.0);
        let angle: f64 = random.random_range(0.0..std::f64::consts::TAU);
        point.px = [point.px[0] + error * angle.cos(), point.px[1] + error * angle.sin()];
        point.score = 1.0 - error / 10.0;
    }
    let telling = judged(&raw, &footage).scores;
    assert!(telling.rank_correlation.unwrap() < -0.3, "{telling:?}");
    assert!(telling.bins[0].typical > 1.3 * telling.bins[4].typical, "{telling:?}");
    for point in raw.frames.iter_mut().flat_map(|f| f.points.iter_mut().flatten()) {
        point.score = random.random_range(0.2..1.0);
    }
    let quality = judged(&raw, &footage);
    assert!(quality.scores.rank_correlation.unwrap().abs() < 0.05);
    assert!(quality.reasons.iter().any(|r| r.contains("scores tell little")), "{:?}", quality.reasons);
}

#[test]
fn views_of_one_person_agree_and_mistaken_names_are_seen() {
    let footage = footage(2.2, 120.0);
    let raw = detected(&footage, 1.0, 9);
    let near = judged(&raw, &footage);
    // The same person at half the distance.
    let mut other = raw.clone();
    for point in other.frames.iter_mut().flat_map(|f| f.points.iter_mut().flatten()) {
        point.px = point.px.map(|c| 2.0 * c);
    }
    let far = judged(&other, &footage);
    let compared = compare_views(&[("a", &near.limbs), ("b", &far.limbs)]);
    assert!(compared.len() >= 8 && compared.iter().all(|c| !c.contradicts && c.ratio < 1.05), "{compared:?}");
    // Knees and ankles taken for each other in one view.
    for (a, b) in [("left_knee", "left_ankle"), ("right_knee", "right_ankle")] {
        let (a, b) = (raw.column(a).unwrap(), raw.column(b).unwrap());
        for frame in &mut other.frames {
            frame.points.swap(a, b);
        }
    }
    let mistaken = judged(&other, &footage);
    let compared = compare_views(&[("a", &near.limbs), ("b", &mistaken.limbs)]);
    let thigh = compared.iter().find(|c| c.name == "left thigh").unwrap();
    assert!(thigh.contradicts, "{thigh:?}");
    assert!(compare_views(&[("a", &near.limbs)]).is_empty());
}

#[test]
fn stretches_that_nobody_looked_at_are_no_gaps() {
    let footage = footage(2.2, 120.0);
    let mut raw = detected(&footage, 1.0, 10);
    raw.frames.retain(|f| !(60..160).contains(&f.frame_index));
    let quality = judged(&raw, &footage);
    assert_eq!(quality.frames_looked_at, 264 - 100);
    assert_eq!(of(&quality, "left_hip").long_gaps, 0);
    assert!(of(&quality, "left_hip").found_share > 0.9);
    let empty = Keypoints { frames: Vec::new(), ..raw };
    assert_eq!(judged(&empty, &footage).verdict, PointsVerdict::NotUsable);
}
