//! The methods paragraph, ready for a paper.

use crate::findings::Findings;

/// What was done, with all numbers that a reader needs to do it again.
pub(super) fn paragraph(findings: &Findings) -> String {
    let [players, sessions, strokes] = findings.n;
    let asked = &findings.asked;
    let criteria = &asked.criteria;
    format!(
        "The table holds {strokes} strokes of {players} players in {sessions} sessions. {kind}Strokes were left out when the time of contact was unknown or known \
         no better than {:.0} ms (standard deviation), when less than {:.0} % of the curves' instants could be measured, or when the measure in question \
         could not be measured; players with fewer than {} strokes left were left out (counts at every step are given per measure). The player \
         was the sampling unit throughout. Means over players and differences between groups are given with 95 % intervals of a studentised \
         hierarchical bootstrap ({} replicates; players, sessions within players and strokes within sessions drawn with replacement). Groups were \
         compared by linear models with random intercepts for players and for sessions within players, fitted by restricted maximum \
         likelihood, with Wald F tests and between-within degrees of freedom; {} tests of measures were adjusted together (Holm 1979). Effect \
         sizes are Hedges' g of the players' means with intervals from the noncentral t distribution. Reliability rests on first and last \
         sessions: intraclass correlations after Shrout and Fleiss (1979), standard error of measurement and minimal detectable change at 95 % after \
         Weir (2005), mean difference and 95 % limits of agreement with their intervals after Bland and Altman (1986, 1999). A player's change was tested against the median change of all players with a scale from the median absolute \
         deviation; {} tests were adjusted together (Holm). Curves were normalised in time from the start of the take-back (0 %) to contact (100 %) at 101 \
         instants, averaged by player, and compared by two-sample t fields with thresholds from random-field theory (two-sided, 5 %; Friston et al. 1994, \
         Worsley et al. 2004, Pataky 2016); p of the whole curve was adjusted over {} comparisons (Holm). Style groups were formed by Ward's \
         method on the scores of the first four functional principal components of the players' mean curves ({}), their number by the mean \
         silhouette, their stability by the mean Jaccard agreement over 200 bootstrap draws of players (Hennig 2007). Computed by midline {} with seed {}.",
        1000.0 * criteria.contact_sd_seconds,
        100.0 * criteria.curve_share,
        criteria.strokes_per_player,
        asked.replicates,
        findings.tests[0],
        findings.tests[2],
        findings.tests[1],
        super::channel_words(&asked.style_channel),
        env!("CARGO_PKG_VERSION"),
        asked.seed,
        kind =
            criteria.kind.as_ref().map_or(String::new(), |kind| format!("Only strokes of the kind {kind} were used. ")),
    )
}
