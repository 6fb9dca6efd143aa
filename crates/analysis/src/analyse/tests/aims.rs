//! What is aimed at on simulated strokes: 1 px of noise, 240 frames per second, swings of their own (`MIDLINE_TRIALS` of them, from the
//! seed `MIDLINE_FIRST_SEED` on; limits and constants were set with the first hundreds, so that others tell more).
//!
//! The footage is that of the symmetric pair of the first design: 1 px at 10 m and 1500 px focal length, two views that meet at 90°. Its
//! first-order errors (lateral Zσ/(f√2 cos θ/2), depth Zσ/(f√2 sin θ/2), vertical Zσ/(f√2)) are 6.667, 6.667 and 4.714 mm.

use rayon::prelude::*;

use super::*;
use crate::grid::GRID;
use crate::phases;
use crate::smoothing::State;
use crate::test_film::{CONTACT_SECONDS, Filming, filmed};
use crate::view::{SEGMENTS, Setting, StrokeView, frame_at};

const HORIZONTAL_NOISE_M: f64 = 10.0 / 1500.0;

fn recording(seed: u64) -> Recording {
    let noise_shape = [1.0, 1.0, std::f64::consts::FRAC_1_SQRT_2];
    Recording { seed, noise_m: HORIZONTAL_NOISE_M, noise_shape, rate_hz: 240.0, ..Recording::default() }
}

/// Half the interval from which on the motion hardly defines when the racket is farthest across, seconds.
const LOOSE_SECONDS: f64 = 0.02;

fn slower(seed: u64) -> Recording {
    Recording { seed, noise_m: 0.012, rate_hz: 120.0, ..Recording::default() }
}

/// How many swings are simulated.
fn swings_asked(usual: usize) -> usize {
    std::env::var("MIDLINE_TRIALS").ok().and_then(|n| n.parse().ok()).unwrap_or(usual)
}

/// The seed of the first.
fn first_seed() -> u64 {
    std::env::var("MIDLINE_FIRST_SEED").ok().and_then(|n| n.parse().ok()).unwrap_or(0)
}

/// The settings of a stroke that was seen in full.
fn exact_setting() -> Setting {
    Setting {
        handedness: Handedness::Right,
        side: 1.0,
        z_is_up: true,
        one_camera: false,
        picture_scale_sd_share: None,
        frame_seconds: 1.0 / 240.0,
        clock_sd_seconds: 0.0,
        is_lifted: false,
        present: [true; Spot::ALL.len()],
        velocity_sds: Vec::new(),
        tip_speed_sds: Vec::new(),
        dip: None,
    }
}

/// The exact curves as the definitions of phases and measures see them.
fn exact_view<'a>(swing: &TestSwing, setting: &'a Setting) -> StrokeView<'a> {
    let grid = &GRID;
    let h = 1e-5;
    let points: Vec<Vec<Option<State>>> = Spot::ALL
        .into_iter()
        .map(|spot| {
            (0..grid.len)
                .map(|k| {
                    let t = grid.seconds(k as f64);
                    let at = |n: f64| swing.place(spot, t + n * h);
                    let velocity = if k == grid.contact {
                        (at(0.0) * 3.0 - at(-1.0) * 4.0 + at(-2.0)) / (2.0 * h)
                    } else {
                        (at(1.0) - at(-1.0)) / (2.0 * h)
                    };
                    Some(State { position: at(0.0), velocity })
                })
                .collect()
        })
        .collect();
    let tip_speed: Vec<Option<f64>> =
        points[Spot::RacketTip.index()].iter().map(|s| s.map(|s| s.velocity.norm())).collect();
    let mut view = StrokeView {
        setting,
        grid,
        frames: (0..grid.len).map(|k| frame_at(&points, k, Handedness::Right)).collect(),
        points,
        contact_shift: 0.0,
        peak_draws: [0.0; SEGMENTS],
        picture_metre: 1.0,
        ball_at_contact: Some(swing.ball(0.0)),
        bounce: Ok(BOUNCE_SECONDS),
        tip_speed_at_contact: tip_speed[grid.contact],
        tip_speed,
        phases: None,
        set_phases: Vec::new(),
    };
    view.phases = Some(phases::find(&view));
    view
}

/// Errors of one swing by name, each with whether its 95 % interval holds the truth and half the interval's width; whether a
/// dip was claimed, and whether it was said that there is none.
fn measure(swing: &TestSwing, recorded: &Recorded) -> (Vec<(String, f64, bool, f64)>, bool, Verdict) {
    let stroke = only_stroke(recorded);
    let mut errors = Vec::new();
    let setting = exact_setting();
    let exact = exact_view(swing, &setting);
    let found = exact.phases.as_ref().unwrap();
    let truths = EVENTS.map(|(phase, kind)| (kind, found.get(phase).ok())).into_iter();
    for (kind, truth) in truths.chain([(EventKind::Contact, Some(0.0)), (EventKind::Bounce, Some(BOUNCE_SECONDS))]) {
        let (Some(event), Some(truth)) = (stroke.event(kind), truth) else { continue };
        let error = event.session_seconds - CONTACT_SECONDS - truth;
        let half = 1.96 * event.sd_seconds;
        // A racket that hardly turns back at its farthest place does not say when it is there; the interval must say so.
        let hardly = if kind == EventKind::FarthestAcross && half > LOOSE_SECONDS { ", hardly defined" } else { "" };
        errors.push((format!("event: {}{hardly}", kind.label()), error, error.abs() < half, half));
    }
    let values = measured(&stroke);
    for kind in measures::all() {
        let (Some((value, [low, high])), Ok(truth)) = (values.get(&kind.id), kind.value(&exact)) else { continue };
        // A measure that is exact by its nature (a duration of 0, a count) has no interval to speak of.
        errors.push((kind.id, value - truth, (*low..=*high).contains(&truth), (high - low) / 2.0));
    }
    (errors, values["tip-speed-dip-depth"].0 > 0.0, statement(&stroke, "speed-rises-without-dip").verdict)
}

/// Errors of clean swings by what they are of, printed. No dip is claimed, and little is refused.
fn errors_of_clean_swings(n: usize, recorded: impl Fn(&TestSwing, u64) -> Recorded + Sync) -> BTreeMap<String, Errors> {
    let swings: Vec<(u64, TestSwing)> = (first_seed()..)
        .map(|seed| (seed, TestSwing::varied(seed)))
        .filter(|(_, swing)| true_dip(swing).0 < 0.03)
        .take(n)
        .collect();
    let results: Vec<_> = swings.par_iter().map(|(seed, swing)| measure(swing, &recorded(swing, *seed))).collect();
    let mut errors: BTreeMap<String, Errors> = BTreeMap::new();
    let mut halves: BTreeMap<&str, f64> = BTreeMap::new();
    for (id, error, inside, half) in results.iter().flat_map(|(errors, ..)| errors) {
        errors.entry(id.clone()).or_default().0.push((*error, *inside));
        *halves.entry(id).or_default() += half;
    }
    println!(
        "{:45} {:>4} {:>9} {:>9} {:>9} {:>8} {:>10}",
        "", "n", "mean off", "rms", "± stated", "covered", "rms/stated"
    );
    for (id, list) in &errors {
        let count = list.0.len();
        let half = halves[id.as_str()] / count as f64;
        let (rms, times) = (list.rms(), 1.96 * list.rms() / half);
        println!("{id:45} {count:4} {:9.4} {rms:9.4} {half:9.4} {:8.3} {times:10.2}", list.mean(), list.covered());
    }
    let claimed = results.iter().filter(|(_, dip, _)| *dip).count();
    let said = |verdict| results.iter().filter(|(.., v)| *v == verdict).count();
    let (confirmed, denied) = (said(Verdict::Holds), said(Verdict::DoesNotHold));
    println!("dips claimed: {claimed} of {n}; rise confirmed {confirmed}, denied {denied}");
    assert_eq!((claimed, denied), (0, 0));
    // Seen: three quarters or more at 240 frames per second, 38 and 39 of 60 at 120; in the others no dip of 50 ms has room, or one may be hidden.
    assert!(confirmed * 2 >= n, "a rise without a dip is confirmed in {confirmed} of {n}");
    for (id, list) in &errors {
        // The racket of some swings does not go across the body, and of most the order cannot be told.
        let may_be_refused = id.contains("across") || *id == "segment-order";
        // A bounce is not guessed where slow frames hardly show it.
        let least_percent = if id.contains("bounce") { 90 } else { 96 };
        let enough = list.0.len() * 100 >= least_percent * n;
        assert!(may_be_refused || enough, "{id} was measured in {} of {n} swings", list.0.len());
    }
    // Claimed only where it is clear: seen in 2 of 500, wrong in both.
    let wrong = errors.get("segment-order").map_or(0, |list| list.0.iter().filter(|(_, inside)| !inside).count());
    assert!(wrong * 50 <= n, "{wrong} wrong orders claimed in {n}");
    errors
}

/// Aimed at: 93 to 97 %. Seen in 150 other swings: instants 90 to 98 %, measures 84 % (how far the hand goes across, at 120 per second) to
/// 100 %, most of them 93 to 98 %.
fn held_by_their_intervals(errors: &BTreeMap<String, Errors>, most: f64) {
    let by_nature_exact = |id: &str| id.contains("behind-body") || id.contains("dip") || id == "segment-order";
    let all = errors.iter().filter(|(id, _)| !by_nature_exact(id)).flat_map(|(_, list)| &list.0);
    let inside = all.clone().filter(|(_, inside)| *inside).count() as f64 / all.count() as f64;
    println!("all together: {inside:.3} inside");
    assert!((0.93..=most).contains(&inside), "{inside:.3} of all lie in their intervals");
    // A share of fewer than ten says nothing.
    for (id, list) in errors.iter().filter(|(id, list)| !by_nature_exact(id) && list.0.len() >= 10) {
        assert!(list.covered() >= 0.8, "{id} is covered in {:.3}", list.covered());
    }
}

/// Aimed at: contact 1 ms, other events 4 ms, racket 15 mm, shoulders 2°, in the mean (rms). Reached but for the take-back's start by
/// the shoulders: the noise of two points 0.4 m apart leaves 4.1 ms in 300 filmed swings and 5.1 ms where points alone are recorded. In 500 others those that hardly turn back put the racket farthest across 4.8 ms off.
fn held_against_the_aims(errors: &BTreeMap<String, Errors>, shoulders_seconds: f64, across_seconds: f64) {
    for (id, most_rms) in [
        ("event: contact", 0.001),
        ("event: bounce", 0.001),
        ("event: take-back start", 0.004),
        ("event: end of take-back", 0.004),
        ("event: forward-swing start", 0.003),
        ("event: bottom of the racket drop", 0.003),
        ("event: end of follow-through", 0.004),
        ("event: top of the racket drop", 0.004),
        ("event: trunk opening", 0.004),
        ("event: take-back start (shoulders)", shoulders_seconds),
        ("event: racket farthest across", across_seconds),
        ("tip-farthest-across", 0.015),
        ("shoulder-alignment-contact", 2.0_f64.to_radians()),
        ("racket-peak-rate", 3.0),
    ] {
        assert!(errors[id].rms() < most_rms, "{id} {}", errors[id].rms());
    }
    let hardly = errors.get("event: racket farthest across, hardly defined").map_or(0, |list| list.0.len());
    assert!(hardly * 20 <= errors["event: contact"].0.len(), "{hardly} farthest places are hardly defined");
    let ids = ["tip-farthest-across", "dominant-shoulder-ahead", "contact-mid-shoulder-side", "tip-speed-contact"];
    for id in ids {
        assert!(errors[id].covered() >= 0.85, "{id} {}", errors[id].covered());
    }
    let together = ids.iter().map(|id| errors[*id].covered()).sum::<f64>() / ids.len() as f64;
    assert!((0.92..=0.99).contains(&together), "{together:.3} of these lie in their intervals");
}

/// As the program does it: two cameras' pictures, lifted in continuous time. The lift's velocities are held in 97 % here, so what
/// follows from them is held in 97.1 to 97.9 %.
#[test]
fn filmed_swings_meet_the_aims_and_every_interval_is_held_against_the_truth() {
    let film = |swing: &TestSwing, seed| filmed(swing, &Filming { rate_hz: 240.0, noise_px: 1.0, seed });
    let errors = errors_of_clean_swings(swings_asked(60), film);
    held_by_their_intervals(&errors, 0.985);
    // The racket farthest across: 2.7 and 3.2 ms in two hundreds of swings, 5.1 in these with one that hardly turns back.
    held_against_the_aims(&errors, 0.005, 0.006);
    // 0.83 m/s in 100 swings; by the lift alone 1.06.
    assert!(errors["tip-speed-contact"].rms() < 1.0, "{}", errors["tip-speed-contact"].rms());
}

/// Phones that take 120 frames per second, a detector that errs by 2 px.
#[test]
fn intervals_hold_in_slow_film() {
    let film = |swing: &TestSwing, seed| filmed(swing, &Filming { rate_hz: 120.0, noise_px: 2.0, seed });
    let errors = errors_of_clean_swings(swings_asked(40), film);
    held_by_their_intervals(&errors, 0.985);
    // 1.2 m/s in 100 swings; by the lift alone 2.0.
    assert!(errors["tip-speed-contact"].rms() < 1.6, "{}", errors["tip-speed-contact"].rms());
}

/// Where there is no lift in continuous time.
#[test]
fn points_alone_meet_the_aims_and_every_interval_is_held_against_the_truth() {
    let errors = errors_of_clean_swings(swings_asked(100), |swing, seed| record(swing, &recording(seed)));
    held_by_their_intervals(&errors, 0.975);
    held_against_the_aims(&errors, 0.006, 0.004);
}

/// Found by the demo's footage: the smoothing of slower frames begins sudden motions some 10 ms early, and intervals that count noise alone
/// held the truth of half of the shoulders' turns.
#[test]
fn intervals_hold_what_the_smoothing_of_slow_frames_does() {
    let errors = errors_of_clean_swings(swings_asked(60), |swing, seed| record(swing, &slower(seed)));
    held_by_their_intervals(&errors, 0.975);
}

/// Found by the demo's footage: points per instant lie between frames and share their noise, which counts for more in a smooth course
/// than it looks like from sample to sample.
#[test]
fn intervals_hold_noise_that_neighbouring_instants_share() {
    let sharing = |seed| Recording { correlation: 0.35, ..slower(seed) };
    let errors = errors_of_clean_swings(swings_asked(60), |swing, seed| record(swing, &sharing(seed)));
    held_by_their_intervals(&errors, 0.975);
}

/// Nearest rising sequence by pooling neighbours that fall (pool-adjacent-violators; Barlow et al. 1972).
fn pooled(values: &[f64]) -> Vec<f64> {
    let mut blocks: Vec<(f64, usize)> = Vec::new();
    for value in values {
        blocks.push((*value, 1));
        while let [.., (a, n), (b, m)] = blocks[..]
            && a > b
        {
            blocks.truncate(blocks.len() - 2);
            blocks.push(((a * n as f64 + b * m as f64) / (n + m) as f64, n + m));
        }
    }
    blocks.into_iter().flat_map(|(v, n)| std::iter::repeat_n(v, n)).collect()
}

/// How likely any test with 1 % of false alarms can find the dip at most (Neyman & Pearson 1933), from the tip's samples: the
/// distance, in standard deviations of the noise, to the nearest course whose speed falls at most at first and then rises.
fn best_power(swing: &TestSwing) -> f64 {
    let dt = 1.0 / 240.0;
    let speeds: Vec<f64> = (-96..0).map(|i| swing.speed_before(Spot::RacketTip, (f64::from(i) + 0.5) * dt)).collect();
    let n = speeds.len();
    // The noise of a sample along the tip's course.
    let noise = |i: usize| {
        let t = (i as f64 - 96.0) * dt;
        let along = (swing.place(Spot::RacketTip, t) - swing.place(Spot::RacketTip, t - 1e-5)).normalize();
        along.component_mul(&Vector3::from(recording(0).noise_shape)).norm() * HORIZONTAL_NOISE_M
    };
    let lowest = (0..n / 2).min_by(|a, b| speeds[*a].total_cmp(&speeds[*b])).unwrap();
    // Projected gradient with momentum on ∑ (s - s₀)², s the distances at the samples; where the curve starts is free.
    let gap = |v: &[f64]| {
        let mut passed = vec![0.0];
        for (v, truth) in v.iter().zip(&speeds) {
            passed.push(passed.last().unwrap() + (v - truth) * dt);
        }
        let mean = passed.iter().sum::<f64>() / passed.len() as f64;
        passed.into_iter().map(|s| s - mean).collect::<Vec<f64>>()
    };
    let dip_free = |v: Vec<f64>| {
        let mut falling: Vec<f64> = v[..lowest].iter().map(|v| -v).collect();
        falling = pooled(&falling).into_iter().map(|v| -v).collect();
        [falling, pooled(&v[lowest..])].concat()
    };
    let step = (std::f64::consts::PI / (n as f64 + 1.0) / dt).powi(2);
    let (mut v, mut ahead) = (dip_free(speeds.clone()), dip_free(speeds.clone()));
    for i in 0..4000 {
        let off = gap(&ahead);
        let mut tail = 0.0;
        let mut gradient = vec![0.0; n];
        for k in (0..n).rev() {
            tail += off[k + 1];
            gradient[k] = tail * dt;
        }
        let next = dip_free(ahead.iter().zip(&gradient).map(|(v, g)| v - step * g).collect());
        let momentum = f64::from(i) / (f64::from(i) + 3.0);
        ahead = next.iter().zip(&v).map(|(a, b)| a + momentum * (a - b)).collect();
        v = next;
    }
    let distance = gap(&v).iter().enumerate().map(|(i, s)| (s / noise(i)).powi(2)).sum::<f64>().sqrt();
    // 1 % of a normal distribution lies above 2.326 standard deviations.
    midline_signal::normal_probability(distance - 2.326)
}

/// What was made of a swing with a dip.
struct DipTrial {
    is_claimed: bool,
    verdict: Verdict,
    /// Errors of depth and duration where it is claimed, each with whether its interval holds the truth.
    errors: [Option<(f64, bool)>; 2],
    true_seconds: f64,
    best_power: f64,
    /// The largest dip that may be hidden where none is claimed, as a share of the speed at contact.
    hidden: Option<f64>,
}

fn dip_trial(swing: &TestSwing, recorded: &Recorded) -> DipTrial {
    let stroke = only_stroke(recorded);
    let values = measured(&stroke);
    let setting = exact_setting();
    let exact = exact_view(swing, &setting);
    let truth = |id: &str| measures::all().into_iter().find(|kind| kind.id == id).unwrap().value(&exact).unwrap();
    let (depth, seconds) = (truth("tip-speed-dip-depth"), truth("tip-speed-dip-duration"));
    let is_claimed = values["tip-speed-dip-depth"].0 > 0.0;
    let error = |id: &str, truth: f64| {
        let (value, [low, high]) = values.get(id).filter(|_| is_claimed)?;
        Some((value - truth, (*low..=*high).contains(&truth)))
    };
    DipTrial {
        is_claimed,
        verdict: statement(&stroke, "speed-rises-without-dip").verdict,
        errors: [error("tip-speed-dip-depth", depth), error("tip-speed-dip-duration", seconds)],
        true_seconds: seconds,
        best_power: best_power(swing),
        hidden: values.get("tip-speed-dip-hidden").map(|(share, _)| *share),
    }
}

fn print_dips(what: &str, trials: &[DipTrial]) {
    let of = |kind: usize| Errors(trials.iter().filter_map(|t| t.errors[kind]).collect());
    let verdicts = |verdict| trials.iter().filter(|t| t.verdict == verdict).count();
    println!(
        "{what}: found {} of {} (no test finds more than {:.1}); rise denied {}, confirmed {}; lasts {:.4}; depth {:+.3} off, {:.3} rms, {:.2} inside; duration {:+.4} off, {:.4} rms, {:.2} inside; hidden {:.3}",
        trials.iter().filter(|t| t.is_claimed).count(),
        trials.len(),
        trials.iter().map(|t| t.best_power).sum::<f64>(),
        verdicts(Verdict::DoesNotHold),
        verdicts(Verdict::Holds),
        median(trials.iter().map(|t| t.true_seconds).collect()),
        of(0).mean(),
        of(0).rms(),
        of(0).covered(),
        of(1).mean(),
        of(1).rms(),
        of(1).covered(),
        median(trials.iter().filter_map(|t| t.hidden).collect()),
    );
}

#[test]
fn dips_are_found_as_often_as_the_noise_lets_them() {
    // Aimed at: every dip from 15 % and 15 ms on. What the noise lets any test find is printed beside it.
    let n = swings_asked(40) as u64;
    // Seen in 100: 32, 79, 99 and 100, of 48, 80, 100 and 100; the limits leave room for other noise.
    for (depth, sd, least) in [(0.15, 0.018, 0.15), (0.15, 0.030, 0.65), (0.25, 0.030, 0.95), (0.15, 0.062, 0.9)] {
        let trials: Vec<DipTrial> = (first_seed()..first_seed() + n)
            .into_par_iter()
            .map(|seed| {
                let swing = with_dip(seed, depth, -0.11, sd);
                dip_trial(&swing, &record(&swing, &recording(seed)))
            })
            .collect();
        print_dips(&format!("depth {depth} sd {sd}"), &trials);
        let hits = trials.iter().filter(|t| t.is_claimed).count();
        assert!(hits as f64 >= least * n as f64, "depth {depth} sd {sd}: {hits} of {n}");
    }
}

/// Found by the demo's footage: a dip of 28 % over 67 ms was given as 21 % ("17 to 24 %") over 89 ms, because whatever smooths fills it.
#[test]
fn dips_in_film_are_as_deep_and_as_short_as_their_intervals_say() {
    let n = swings_asked(12) as u64;
    let mut errors = [const { Errors(Vec::new()) }; 2];
    for (depth, sd, rate_hz, noise_px) in
        [(0.15, 0.030, 240.0, 1.0), (0.25, 0.062, 240.0, 1.0), (0.3, 0.062, 120.0, 2.0)]
    {
        let trials: Vec<DipTrial> = (first_seed()..first_seed() + n)
            .into_par_iter()
            .map(|seed| {
                let swing = with_dip(seed, depth, -0.11, sd);
                dip_trial(&swing, &filmed(&swing, &Filming { rate_hz, noise_px, seed }))
            })
            .collect();
        print_dips(&format!("film of {rate_hz}/s, {noise_px} px, depth {depth} sd {sd}"), &trials);
        for (kind, errors) in errors.iter_mut().enumerate() {
            errors.0.extend(trials.iter().filter_map(|t| t.errors[kind]));
        }
    }
    // Seen in 120: 99 and 96 % inside, 3.6 % of the peak and 8 ms off (rms); in these 4.3 % and 10 ms.
    for (errors, most_rms) in errors.iter().zip([0.06, 0.013]) {
        assert!(errors.covered() >= 0.88 && errors.rms() < most_rms, "{} {}", errors.covered(), errors.rms());
    }
}

/// A dip just of the size that a stroke is said to be without: by 5 % of the speed at contact and a tenth of its peak, lasting 50 ms.
/// `None` where the swing has no room for it.
fn with_least_dip(seed: u64, centre: f64) -> Option<TestSwing> {
    [0.020, 0.026, 0.034, 0.044, 0.057, 0.074].into_iter().find_map(|sd| {
        let with = |share: f64| TestSwing { slowing: Some(Slowing { centre, sd, share }), ..TestSwing::varied(seed) };
        let seconds = |share: f64| {
            let first = GRID.index(centre - 0.15);
            let speed = |k: usize| with(share).speed_before(Spot::RacketTip, GRID.seconds(k as f64));
            let speeds: Vec<f64> = (first..=GRID.contact).map(speed).collect();
            let contact = *speeds.last()?;
            let fall = crate::dip::greatest_fall(&speeds, |_, _| true)?;
            (fall.size > (0.05 * contact).max(0.1 * fall.peak)).then(|| fall.seconds(&speeds, GRID.step))
        };
        let (mut low, mut high) = (0.0, 0.97);
        for _ in 0..9 {
            let middle = (low + high) / 2.0;
            if seconds(middle).is_some() { high = middle } else { low = middle }
        }
        seconds(high).filter(|seconds| *seconds >= 0.05).map(|_| with(high))
    })
}

/// Once a stroke whose dip the noise had hidden was said to have none, at a probability of 0.99: of dips of 15 % over 21 ms, every third.
#[test]
fn a_rise_is_not_confirmed_where_a_dip_may_be_hidden() {
    let n = swings_asked(16) as u64;
    for centre in [-0.16, -0.13, -0.10] {
        for recording in [recording, slower] {
            let trials: Vec<DipTrial> = (first_seed()..first_seed() + n)
                .into_par_iter()
                .filter_map(|seed| {
                    let swing = with_least_dip(seed, centre)?;
                    Some(dip_trial(&swing, &record(&swing, &recording(seed))))
                })
                .collect();
            print_dips(&format!("least dip at {centre}"), &trials);
            // Seen in 284: none. At 95 % one in 16 may.
            let confirmed = trials.iter().filter(|t| t.verdict == Verdict::Holds).count();
            assert!(confirmed * 12 <= trials.len() && trials.len() > 10, "{confirmed} of {}", trials.len());
        }
    }
}
