//! The made-up cohort's effects are found, and none that are not there.

use std::sync::Arc;

use object_store::memory::InMemory;

use super::*;
use crate::demo;
use crate::query::Limits;
use crate::store::Store;

fn findings(seed: u64) -> Findings {
    tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build().unwrap().block_on(async {
        let store = Store::in_objects(Arc::new(InMemory::new()), "memory").await.unwrap();
        for session in demo::sessions(seed) {
            store.add(&session, false).await.unwrap();
        }
        let queries = Queries::of(&store, Limits::default()).await.unwrap();
        find(&queries, &Asked { replicates: 499, ..Asked::default() }).await.unwrap()
    })
}

#[test]
fn the_made_up_effects_are_found_and_no_others() {
    let found = findings(1);
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
