//! Undoes left-right swaps, then removes what cannot be where it is said to be.

use midline_session::footage::Footage;
use midline_session::keypoints::Keypoints;

use crate::{frozen, jumps, swaps};

/// What the cleaning found, one number per name of the set.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Cleaning {
    /// Sightings removed because they were frozen.
    pub frozen: Vec<usize>,
    /// Frames in which left and right were exchanged.
    pub swapped: Vec<usize>,
    /// Sightings removed because they jumped.
    pub jumped: Vec<usize>,
}

/// Cleans the keypoints of one camera in place, in this order:
///
/// 1. Frozen points: exactly equal coordinates in three or more frames in a row (all but the first sighting go), unless
///    the coordinates are rounded to quarter pixels or coarser, or the point rests before and after.
/// 2. Left-right swaps: of the whole body, then of each left-right pair by itself, in single frames or runs, undone
///    where this makes the paths clearly smoother. What most frames of a stretch say counts as right: a player whose
///    sides are exchanged throughout stays exchanged.
/// 3. Gross jumps: up to three sightings in a row that stray from the path by more than 1 % of the picture's longer
///    side and seven standard deviations of what is usual around them. Fast and curved motion and sudden turns (bounce,
///    contact) are kept; so are stray sightings at either end of a path. Sightings more than 0.1 s apart are not
///    compared.
///
/// Each says in `remarks` how often, and the result says it by point. Frames left without a point are dropped. Points are never moved.
pub fn clean(keypoints: &mut Keypoints, footage: &Footage) -> Cleaning {
    let longer_side_px = f64::from(footage.size_px[0].max(footage.size_px[1]));
    let names = keypoints.names.clone();
    for frame in &mut keypoints.frames {
        frame.points.resize(names.len(), None); // one entry per name, also when whoever built it left some out
    }
    let by_name =
        |keypoints: &mut Keypoints, remove: fn(&mut Keypoints, usize, f64) -> usize| -> Vec<(String, usize)> {
            names.iter().enumerate().map(|(c, name)| (name.clone(), remove(keypoints, c, longer_side_px))).collect()
        };
    let frozen = by_name(keypoints, frozen::remove);
    let pairs = swaps::pairs(&names);
    let mut swapped = Vec::new();
    let mut swapped_of = vec![0; names.len()];
    let mut count = |pairs: &[swaps::Pair], frames: usize| {
        for (left, right) in pairs {
            swapped_of[*left] += frames;
            swapped_of[*right] += frames;
        }
        frames
    };
    if pairs.len() > 1 {
        let all: Vec<swaps::Pair> = pairs.iter().map(|(_, pair)| *pair).collect();
        let frames = swaps::undo(keypoints, &all, longer_side_px);
        swapped.push(("whole body".to_owned(), count(&all, frames)));
    }
    for (part, pair) in pairs {
        let frames = swaps::undo(keypoints, &[pair], longer_side_px);
        swapped.push((part, count(&[pair], frames)));
    }
    let jumped = by_name(keypoints, jumps::remove);
    keypoints.frames.retain(|f| f.points.iter().any(Option::is_some));
    let remarks = [
        remark("frozen points were removed", &frozen),
        remark("left-right swaps were undone (frames)", &swapped),
        remark("points that jumped were removed", &jumped),
    ];
    keypoints.remarks.extend(remarks.into_iter().flatten());
    let counts = |by_name: Vec<(String, usize)>| by_name.into_iter().map(|(_, count)| count).collect();
    Cleaning { frozen: counts(frozen), swapped: swapped_of, jumped: counts(jumped) }
}

/// `3 points that jumped were removed: nose 2, ball 1.`; `None` when there were none.
fn remark(what: &str, counts: &[(String, usize)]) -> Option<String> {
    let total: usize = counts.iter().map(|(_, n)| n).sum();
    let parts: Vec<String> = counts.iter().filter(|(_, n)| *n > 0).map(|(name, n)| format!("{name} {n}")).collect();
    (total > 0).then(|| format!("{total} {what}: {}.", parts.join(", ")))
}

#[cfg(test)]
mod tests {
    use midline_session::keypoints::Keypoint;
    use rand::rngs::StdRng;
    use rand::seq::IteratorRandom;
    use rand::{RngExt, SeedableRng};

    use super::*;
    use crate::test_motion::{BOUNCE_SECONDS, CONTACT_SECONDS, detected, footage, place_px};

    const RATES_HZ: [f64; 4] = [30.0, 60.0, 120.0, 240.0];
    const SEEDS: std::ops::Range<u64> = 0..12;

    fn count(keypoints: &Keypoints) -> usize {
        keypoints.frames.iter().map(|f| f.points.iter().flatten().count()).sum()
    }

    /// Sightings whose left and right were exchanged, and sightings lost, against the same keypoints before.
    fn exchanged_and_lost(before: &Keypoints, after: &Keypoints) -> (usize, Vec<(f64, usize)>) {
        let (mut exchanged, mut lost) = (0, Vec::new());
        let pairs = swaps::pairs(&before.names);
        for frame in &before.frames {
            let now = after.frames.iter().find(|f| f.frame_index == frame.frame_index);
            let now = |column: usize| now.and_then(|f| f.points[column]);
            for (_, (l, r)) in &pairs {
                exchanged += usize::from(frame.points[*l].is_some() && now(*r) == frame.points[*l]);
            }
            let all = frame.points.iter().enumerate().filter(|(_, p)| p.is_some());
            lost.extend(all.filter(|(c, _)| now(*c).is_none()).map(|(c, _)| (frame.pts_seconds, c)));
        }
        (exchanged, lost)
    }

    #[test]
    fn the_simulated_racket_tip_is_as_fast_as_it_claims() {
        let speed = |t: f64| {
            let [a, b] = [t - 5e-4, t + 5e-4].map(|t| place_px(t)[19].unwrap());
            (a[0] - b[0]).hypot(a[1] - b[1]) / 1e-3 / crate::test_motion::PX_PER_M
        };
        let peak = (0..2000).map(|i| speed(f64::from(i) * 1e-3)).fold(0.0, f64::max);
        assert!((22.0..36.0).contains(&peak), "{peak} m/s in the picture plane");
    }

    /// False alarms on clean motion with fast racket and ball, over 12 repetitions at four frame rates and two noises.
    #[test]
    fn fast_clean_motion_is_left_alone() {
        for noise_px in [1.0, 3.0] {
            for rate_hz in RATES_HZ {
                let footage = footage(2.2, rate_hz);
                let (mut points, mut exchanged, mut lost) = (0, 0, Vec::new());
                for seed in SEEDS {
                    let before = detected(&footage, noise_px, seed);
                    let mut after = before.clone();
                    clean(&mut after, &footage);
                    let (e, l) = exchanged_and_lost(&before, &after);
                    points += count(&before);
                    exchanged += e;
                    lost.extend(l);
                }
                let near = |at: f64| lost.iter().filter(|(t, c)| (t - at).abs() < 0.1 && *c >= 17).count();
                println!(
                    "{noise_px} px {rate_hz:3.0} Hz: {points} points, {exchanged} falsely exchanged, {} falsely \
                     removed, of these racket and ball within 0.1 s of contact {}, of bounce {}",
                    lost.len(),
                    near(CONTACT_SECONDS),
                    near(BOUNCE_SECONDS)
                );
                assert!(lost.len() * 5000 <= points, "{lost:?}");
                assert!(exchanged * 10_000 <= points);
            }
        }
    }

    /// Gross errors of 60 to 400 px, alone and in runs of up to three that agree with each other.
    #[test]
    fn gross_errors_are_found() {
        for rate_hz in RATES_HZ {
            let footage = footage(2.2, rate_hz);
            let (mut planted, mut found, mut others) = (0, 0, 0);
            for seed in SEEDS {
                let mut random = StdRng::seed_from_u64(seed + 1000);
                let mut keypoints = detected(&footage, 1.5, seed);
                let mut wrong: Vec<(usize, usize)> = Vec::new();
                for column in 0..keypoints.names.len() - 1 {
                    // Away from the ends of the clip, where a jump cannot be told from the path.
                    let start = random.random_range(8..keypoints.frames.len() - 8);
                    let angle = random.random_range(0.0..std::f64::consts::TAU);
                    let size = random.random_range(60.0..400.0);
                    for frame in start..start + random.random_range(1..=3) {
                        if let Some(point) = &mut keypoints.frames[frame].points[column] {
                            point.px = [point.px[0] + size * angle.cos(), point.px[1] + size * angle.sin()];
                            wrong.push((keypoints.frames[frame].frame_index, column));
                        }
                    }
                }
                let before = keypoints.clone();
                clean(&mut keypoints, &footage);
                let (_, lost) = exchanged_and_lost(&before, &keypoints);
                let hit = |w: &&(usize, usize)| lost.contains(&(footage.frame_pts_seconds[w.0], w.1));
                let hits = wrong.iter().filter(hit).count();
                planted += wrong.len();
                found += hits;
                others += lost.len() - hits;
                assert!(keypoints.remarks.iter().any(|r| r.contains("points that jumped were removed")));
            }
            println!("{rate_hz:3.0} Hz: {found} of {planted} gross errors found, {others} others removed");
            assert!(found * 100 >= planted * 95);
            assert!(others * 100 <= planted);
        }
    }

    /// Whole-body swaps and swaps of one pair, in runs of 1 to 8 frames.
    #[test]
    fn swaps_are_undone() {
        for rate_hz in RATES_HZ {
            let footage = footage(2.2, rate_hz);
            let (mut planted, mut left, mut clear, mut clear_left) = (0, 0, 0, 0);
            for seed in SEEDS {
                let mut random = StdRng::seed_from_u64(seed + 2000);
                let truth = detected(&footage, 1.5, seed);
                let mut keypoints = truth.clone();
                let pairs = swaps::pairs(&truth.names);
                let starts = (4..truth.frames.len() - 16).step_by(16).sample(&mut random, 3);
                for start in starts {
                    let all = random.random_bool(0.5);
                    let one = random.random_range(0..pairs.len());
                    for frame in start..start + random.random_range(1..=8) {
                        for (index, (_, (l, r))) in pairs.iter().enumerate() {
                            if all || index == one {
                                keypoints.frames[frame].points.swap(*l, *r);
                            }
                        }
                    }
                }
                let before = keypoints.clone();
                clean(&mut keypoints, &footage);
                for ((was, given), now) in truth.frames.iter().zip(&before.frames).zip(&keypoints.frames) {
                    for (_, (l, r)) in &pairs {
                        let (Some(a), Some(b)) = (was.points[*l], was.points[*r]) else { continue };
                        if given.points[*l] != Some(b) {
                            continue;
                        }
                        let undone = now.points[*l] != Some(b);
                        planted += 1;
                        left += usize::from(!undone);
                        if (a.px[0] - b.px[0]).hypot(a.px[1] - b.px[1]) > 20.0 {
                            clear += 1;
                            clear_left += usize::from(!undone);
                        }
                    }
                }
            }
            println!(
                "{rate_hz:3.0} Hz: {left} of {planted} planted swaps left, {clear_left} of {clear} where the sides are \
                 more than 20 px apart"
            );
            assert!(clear_left * 100 <= clear);
        }
    }

    #[test]
    fn frozen_points_go_and_resting_ones_stay() {
        let footage = footage(1.0, 60.0);
        let mut keypoints = detected(&footage, 0.0, 1);
        let column = keypoints.column("left_ankle").unwrap();
        let resting = keypoints.column("nose").unwrap();
        for frame in &mut keypoints.frames {
            frame.points[resting] = Some(Keypoint { px: [640.25, 400.5], score: 1.0 });
        }
        let held = Keypoint { px: [612.318, 655.1], score: 0.9 };
        for frame in 20..32 {
            keypoints.frames[frame].points[column] = Some(held);
        }
        let seen = keypoints.frames.iter().filter(|f| f.points[resting].is_some()).count();
        clean(&mut keypoints, &footage);
        assert!(keypoints.frames[21..32].iter().all(|f| f.points[column].is_none()));
        assert_eq!(keypoints.frames.iter().filter(|f| f.points[resting].is_some()).count(), seen);
        assert!(
            keypoints.remarks[0].starts_with("11 frozen points were removed: left_ankle 11"),
            "{:?}",
            keypoints.remarks
        );
    }

    #[test]
    fn a_clean_file_gets_no_remark_and_a_short_or_empty_one_is_no_fault() {
        let footage = footage(1.0, 60.0);
        let mut keypoints = detected(&footage, 1.0, 3);
        clean(&mut keypoints, &footage);
        assert!(keypoints.remarks.is_empty(), "{:?}", keypoints.remarks);
        keypoints.frames[4].points.truncate(3);
        clean(&mut keypoints, &footage);
        keypoints.frames.clear();
        clean(&mut keypoints, &footage);
        assert!(keypoints.frames.is_empty());
    }
}
