//! A made-up cohort with known effects, written straight as measures and curves (no footage).
//!
//! 40 players in three styles and two levels, two sessions each, six strokes a session. What is true is in [`EFFECTS`]; everything else
//! has no effect of style or level. The numbers are made up; they serve to see whether the statistics find what is there and nothing else.

use midline_session::Provenance;
use midline_session::description::Handedness;
use midline_session::strokes::{
    Answers, Curve, Event, EventKind, KindOfStroke, Measure, Outcome, Stroke, StrokeKind, Strokes,
};
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use rand_distr::{Distribution, StandardNormal};
use serde::Serialize;

use crate::store::MeasuredSession;

/// Players of the made-up cohort.
pub const PLAYERS: usize = 40;

/// Its study.
pub const STUDY: &str = "saltmarsh-made-up";

/// Its styles, as codes.
pub const STYLES: [&str; 3] = ["across", "in-line", "hitting-side"];

/// Its levels.
pub const LEVELS: [&str; 2] = ["club", "county"];

/// Players whose second session truly differs, with the measure and by how much (in its unit).
pub const CHANGED: [(&str, &str, f64); 2] =
    [("P05", "take-back-minus-bounce-hand", -0.16), ("P22", "take-back-minus-bounce-hand", -0.16)];

/// A made-up measure: where it lies, how it spreads, and what truly moves it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Effect {
    /// Identifier of the measure.
    pub measure: &'static str,
    /// Name for people.
    pub name: &'static str,
    /// Its unit.
    pub unit: &'static str,
    /// Mean over players without any effect.
    pub mean: f64,
    /// Standard deviation between players, between sessions of a player, between strokes of a session.
    pub sds: [f64; 3],
    /// Added for each style of [`STYLES`].
    pub of_style: [f64; 3],
    /// Added for each level of [`LEVELS`].
    pub of_level: [f64; 2],
}

const NONE: [f64; 3] = [0.0; 3];

/// What is true of the measures.
pub const EFFECTS: [Effect; 7] = [
    Effect {
        measure: "tip-speed-contact",
        name: "racket-tip speed at contact",
        unit: "m/s",
        mean: 27.0,
        sds: [1.6, 0.5, 1.2],
        of_style: NONE,
        of_level: [0.0, 3.2],
    },
    Effect {
        measure: "tip-farthest-across",
        name: "racket tip farthest across",
        unit: "m",
        mean: 0.0,
        sds: [0.05, 0.02, 0.03],
        of_style: [-0.24, 0.0, 0.24],
        of_level: [0.0; 2],
    },
    Effect {
        measure: "trunk-opening-minus-drop-top",
        name: "opening of the trunk after the top of the drop",
        unit: "s",
        mean: 0.09,
        sds: [0.025, 0.008, 0.02],
        of_style: [-0.06, 0.0, 0.05],
        of_level: [0.0; 2],
    },
    Effect {
        measure: "take-back-minus-bounce-hand",
        name: "take-back start after the bounce (hand)",
        unit: "s",
        mean: -0.02,
        sds: [0.05, 0.015, 0.03],
        of_style: NONE,
        of_level: [0.09, 0.0],
    },
    Effect {
        measure: "contact-mid-shoulder-front",
        name: "contact in front of mid-shoulder",
        unit: "m",
        mean: 0.46,
        sds: [0.06, 0.02, 0.04],
        of_style: NONE,
        of_level: [0.0; 2],
    },
    Effect {
        measure: "separation-contact",
        name: "separation of shoulders and hips at contact",
        unit: "rad",
        mean: 0.22,
        sds: [0.09, 0.03, 0.05],
        of_style: NONE,
        of_level: [0.0; 2],
    },
    Effect {
        measure: "forward-start-to-contact",
        name: "forward swing to contact",
        unit: "s",
        mean: 0.17,
        sds: [0.02, 0.006, 0.012],
        of_style: NONE,
        of_level: [0.0; 2],
    },
];

/// A session's share of the measure, drawn anew for every player or session.
struct Draws([Vec<f64>; 2]);

/// The sessions of the made-up cohort. The same seed gives the same cohort.
#[must_use]
pub fn sessions(seed: u64) -> Vec<MeasuredSession> {
    let mut all = Vec::with_capacity(2 * PLAYERS);
    for player in 0..PLAYERS {
        let mut random = StdRng::seed_from_u64(seed.wrapping_mul(1_000_003).wrapping_add(player as u64));
        let (style, level) = (player % STYLES.len(), (player / STYLES.len()) % LEVELS.len());
        let code = format!("P{:02}", player + 1);
        let of_player = CurveDraw::new(&mut random, 1.0);
        let player_part: Vec<f64> = EFFECTS.iter().map(|e| e.sds[0] * normal(&mut random)).collect();
        for visit in 0..2 {
            let session_part: Vec<f64> = EFFECTS.iter().map(|e| e.sds[1] * normal(&mut random)).collect();
            let draws = Draws([player_part.clone(), session_part]);
            let strokes = (1..=6)
                .map(|number| stroke(&mut random, number, &code, visit, style, level, &draws, &of_player))
                .collect();
            let kinds = (1..=6)
                .map(|stroke| KindOfStroke { stroke, kind: StrokeKind::Forehand, because: "made up".to_owned() })
                .collect();
            all.push(MeasuredSession {
                study: STUDY.to_owned(),
                player: code.clone(),
                session: format!("visit-{}", visit + 1),
                handedness: if player % 8 == 5 { Handedness::Left } else { Handedness::Right },
                level: Some(LEVELS[level].to_owned()),
                age_group: Some(["14-16", "17-20"][player % 2].to_owned()),
                recorded: Some(format!("2026-{:02}-{:02}", 4 + 2 * visit, 1 + player % 28)),
                strokes: Strokes {
                    strokes,
                    over_strokes: Vec::new(),
                    remarks: Vec::new(),
                    answers: Answers { kinds, ..Answers::default() },
                },
                provenance: Provenance {
                    schema: midline_session::SCHEMA_VERSION,
                    program: env!("CARGO_PKG_VERSION").to_owned(),
                    stage: "made-up cohort".to_owned(),
                    inputs: std::collections::BTreeMap::new(),
                    settings: serde_json::json!({ "seed": seed }),
                },
            });
        }
    }
    all
}

fn normal(random: &mut StdRng) -> f64 {
    StandardNormal.sample(random)
}

#[expect(clippy::too_many_arguments, reason = "what a made-up stroke depends on")]
fn stroke(
    random: &mut StdRng,
    number: usize,
    code: &str,
    visit: usize,
    style: usize,
    level: usize,
    draws: &Draws,
    of_player: &CurveDraw,
) -> Stroke {
    let mut measures = Vec::with_capacity(EFFECTS.len());
    for (index, effect) in EFFECTS.iter().enumerate() {
        let changed: f64 = CHANGED
            .iter()
            .filter(|(who, what, _)| visit == 1 && *who == code && *what == effect.measure)
            .map(|(_, _, by)| by)
            .sum();
        let value = effect.mean
            + effect.of_style[style]
            + effect.of_level[level]
            + draws.0[0][index]
            + draws.0[1][index]
            + changed
            + effect.sds[2] * normal(random);
        // Measuring noise is part of the spread between strokes.
        let half = 1.96 * 0.4 * effect.sds[2];
        // About one stroke in 25 could not be measured.
        let outcome = if random.random::<f64>() < 0.04 {
            Outcome::NotMeasurable { because: "made up: a point was hidden".to_owned() }
        } else {
            Outcome::Measured { value, interval_95: [value - half, value + half] }
        };
        measures.push(Measure {
            id: effect.measure.to_owned(),
            name: effect.name.to_owned(),
            unit: effect.unit.to_owned(),
            definition: "made up".to_owned(),
            n: 1,
            outcome,
        });
    }
    let take_back = -0.95 + 0.04 * normal(random);
    let own = of_player.and(CurveDraw::new(random, 0.5));
    let contact = 2.0 + 3.0 * number as f64;
    // A few strokes with a contact that is hardly known, for the exclusions.
    let contact_sd = if random.random::<f64>() < 0.03 { 0.02 } else { 0.0015 };
    let event = |kind: EventKind, to_contact: f64, sd_seconds: f64| Event {
        kind,
        session_seconds: contact + to_contact,
        sd_seconds,
        source: "made up".to_owned(),
        definition: "made up".to_owned(),
    };
    let style_words = ["Across: made up", "In line: made up", "Hitting side: made up"][style];
    Stroke {
        number,
        events: vec![event(EventKind::TakeBackStart, take_back, 0.01), event(EventKind::Contact, 0.0, contact_sd)],
        measures,
        curves: curves(take_back, style, level, &own),
        paths: Vec::new(),
        statements: Vec::new(),
        style: style_words.to_owned(),
    }
}

/// Smooth random parts of the four curves: weights of a few bumps.
struct CurveDraw([[f64; CurveDraw::BUMPS]; 4]);

impl CurveDraw {
    const BUMPS: usize = 8;

    fn new(random: &mut StdRng, scale: f64) -> Self {
        Self(std::array::from_fn(|_| std::array::from_fn(|_| scale * normal(random))))
    }

    fn and(&self, other: Self) -> Self {
        Self(std::array::from_fn(|c| std::array::from_fn(|b| self.0[c][b] + other.0[c][b])))
    }

    fn at(&self, channel: usize, share: f64) -> f64 {
        let step = 1.0 / (Self::BUMPS - 1) as f64;
        (0..Self::BUMPS)
            .map(|b| self.0[channel][b] * (-0.5 * ((share - b as f64 * step) / (0.7 * step)).powi(2)).exp())
            .sum()
    }
}

/// Channels of the made-up curves: identifier, name, unit, and standard deviation between players.
pub const CHANNELS: [(&str, &str, &str, f64); 4] = [
    ("racket-tip-speed", "racket-tip speed", "m/s", 1.2),
    ("racket-tip-lateral", "racket tip to the midline plane", "m", 0.04),
    ("shoulder-alignment", "alignment of the shoulder line", "rad", 0.08),
    ("hip-alignment", "alignment of the hip line", "rad", 0.08),
];

fn curves(take_back: f64, style: usize, level: usize, own: &CurveDraw) -> Vec<Curve> {
    let times: Vec<f64> = (0..=120).map(|k| -1.0 + 0.01 * f64::from(k)).collect();
    CHANNELS
        .iter()
        .enumerate()
        .map(|(channel, (id, name, unit, sd))| {
            let value = |t: &f64| {
                let share = 1.0 - t / take_back;
                let bump = |middle: f64, width: f64| (-0.5 * ((share - middle) / width).powi(2)).exp();
                let shape = match channel {
                    // The racket gains speed late; the higher level gains more, from about 85 % on.
                    0 => 2.0 + 6.0 * bump(0.35, 0.15) + 24.0 * bump(1.02, 0.12) + [0.0, 3.4][level] * bump(1.0, 0.05),
                    // Styles part in the drop.
                    1 => 0.25 + [-0.45, -0.1, 0.25][style] * bump(0.68, 0.16),
                    2 => 1.4 * bump(0.4, 0.25) + 0.2,
                    _ => 0.9 * bump(0.45, 0.25) + 0.1,
                };
                Some(shape + sd * own.at(channel, share))
            };
            Curve {
                id: (*id).to_owned(),
                name: (*name).to_owned(),
                unit: (*unit).to_owned(),
                definition: "made up".to_owned(),
                values: times.iter().map(value).collect(),
                sds: vec![Some(0.1 * sd); times.len()],
                seconds_to_contact: times.clone(),
            }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_cohort_is_the_same_from_the_same_seed_and_balanced() {
        let cohort = sessions(1);
        assert_eq!(cohort.len(), 80);
        assert_eq!(cohort, sessions(1));
        assert_ne!(cohort, sessions(2));
        let of = |style: &str, level: &str| {
            cohort
                .iter()
                .filter(|s| s.level.as_deref() == Some(level) && s.session == "visit-1")
                .filter(|s| s.strokes.strokes[0].style.to_lowercase().replace(' ', "-").starts_with(style))
                .count()
        };
        for style in STYLES {
            for level in LEVELS {
                assert!((6..=8).contains(&of(style, level)), "{style} {level}: {}", of(style, level));
            }
        }
    }
}
