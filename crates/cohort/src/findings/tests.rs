//! The made-up cohort's effects are found, and none that are not there.

use std::sync::Arc;

use object_store::memory::InMemory;

use super::*;
use crate::demo;
use crate::query::Limits;
use crate::store::{MeasuredSession, Store};

fn found_in(sessions: Vec<MeasuredSession>, asked: &Asked) -> Findings {
    tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build().unwrap().block_on(async {
        let store = Store::in_objects(Arc::new(InMemory::new()), "memory").await.unwrap();
        for session in sessions {
            store.add(&session, false).await.unwrap();
        }
        let queries = Queries::of(&store, Limits::default()).await.unwrap();
        find(&queries, asked).await.unwrap()
    })
}

#[test]
fn groups_that_are_empty_or_too_small_are_left_out_with_the_reason() {
    let mut sessions: Vec<MeasuredSession> = demo::sessions(1).into_iter().take(8).collect();
    for session in &mut sessions {
        session.level = None;
        session.age_group = (session.player == "P01").then(|| "14-16".to_owned());
    }
    // One stroke of the last session is of another kind.
    sessions[7].strokes.answers.kinds[0].kind = midline_session::strokes::StrokeKind::Serve;
    let asked = Asked { replicates: 199, ..Asked::default() };
    let found = found_in(sessions.clone(), &asked);
    assert_eq!(found.measures.len(), demo::EFFECTS.len());
    assert!(
        found.measures.iter().all(|m| m.factors.is_empty() && m.repeatability.is_none()),
        "four players in no groups"
    );
    let pooled = found.remarks.iter().find(|r| r.contains("several kinds")).unwrap();
    assert!(pooled.contains("47 forehand, 1 serve"), "{pooled}");
    assert!(found.channels.iter().all(|c| c.groups.is_empty() && c.findings.is_empty()));
    assert!(crate::report::page(&found).unwrap().contains("No channel has two groups of at least three players"));

    // One player, and criteria that nobody meets.
    let alone = found_in(sessions.iter().take(2).cloned().collect(), &asked);
    let criteria = Criteria { kind: Some("volley".to_owned()), ..Criteria::default() };
    let nobody = found_in(sessions, &Asked { criteria, ..asked });
    for found in [alone, nobody] {
        assert!(found.measures.is_empty());
        assert!(found.remarks.iter().all(|r| r.contains("at least")), "{:?}", found.remarks);
        let page = crate::report::page(&found).unwrap();
        assert!(page.contains("Remarks") && page.contains("tip-speed-contact"));
    }
}

#[test]
fn the_made_up_effects_are_found_and_no_others() {
    let found = found_in(demo::sessions(1), &Asked { replicates: 499, ..Asked::default() });
    assert_eq!(found.n, [40, 80, 480]);
    assert_eq!(found.remarks, Vec::<String>::new());
    for measure in &found.measures {
        let truth = demo::EFFECTS.iter().find(|e| e.measure == measure.measure).unwrap();
        for factor in &measure.factors {
            let there = match factor.factor {
                Factor::Style => truth.of_style.iter().any(|e| *e != truth.of_style[0]),
                Factor::Level => truth.of_level[0] != truth.of_level[1],
                Factor::AgeGroup => false,
            };
            println!(
                "{} by {}: p adjusted {:.4}, there: {there}",
                measure.measure,
                factor.factor.word(),
                factor.p_adjusted
            );
            assert_eq!(factor.p_adjusted < 0.05, there, "{} by {}", measure.measure, factor.factor.word());
            for pair in factor.pairs.iter().filter(|_| there) {
                let of = |group: &String| {
                    let style = demo::STYLES.iter().position(|s| s == group).map_or(0.0, |k| truth.of_style[k]);
                    style + demo::LEVELS.iter().position(|l| l == group).map_or(0.0, |k| truth.of_level[k])
                };
                let true_difference = of(&pair.groups[0]) - of(&pair.groups[1]);
                let off = (pair.difference.estimate - true_difference).abs() / pair.difference.standard_error;
                assert!(off < 4.0, "{} {:?}: {off} standard errors off", measure.measure, pair.groups);
            }
        }
        let repeated = measure.repeatability.as_ref().unwrap();
        let limits = &repeated.agreement;
        let inside =
            repeated.changes.iter().filter(|c| (limits.lower.value..=limits.upper.value).contains(&c.change)).count();
        assert!((36..40).contains(&inside) || inside == 40, "{}: {inside} of 40 within the limits", measure.measure);
        // Where the spread lies.
        let spread = &measure.spread;
        assert!((spread.sd_strokes / truth.sds[2] - 1.0).abs() < 0.15, "{}: {spread:?}", measure.measure);
        let changed: Vec<&str> = measure
            .repeatability
            .as_ref()
            .unwrap()
            .changes
            .iter()
            .filter(|c| c.p_adjusted < 0.05)
            .map(|c| c.player.1.as_str())
            .collect();
        let truly: Vec<&str> = demo::CHANGED.iter().filter(|c| c.1 == measure.measure).map(|c| c.0).collect();
        assert_eq!(changed, truly, "{}", measure.measure);
    }
    for channel in &found.channels {
        for finding in &channel.findings {
            let there = matches!(
                (channel.channel.as_str(), finding.factor),
                ("racket-tip-speed", Factor::Level) | ("racket-tip-lateral", Factor::Style)
            );
            println!("{} {:?}: p adjusted {:.4}, there: {there}", channel.channel, finding.groups, finding.p_adjusted);
            assert_eq!(finding.p_adjusted < 0.05, there, "{} {:?}", channel.channel, finding.groups);
        }
    }
    let styles = found.styles.unwrap();
    assert_eq!(styles.groups, 3, "{:?}", styles.silhouettes);
    assert!(found.style_agreement.unwrap() > 0.8, "{:?}", found.style_agreement);
}
