//! Courts as data: named points and painted lines in the court frame.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

/// A court model. Points are where a person clicks: the outer corner of each line crossing, tops and feet of the net posts.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Court {
    /// Name by which a session refers to it.
    pub name: String,
    /// Where the dimensions come from.
    pub source: String,
    /// Named points in the court frame, metres.
    pub points_m: BTreeMap<String, [f64; 3]>,
    /// Painted lines: two opposite corners of each rectangle on the ground, `[x0, y0, x1, y1]` in metres.
    pub lines_m: BTreeMap<String, [f64; 4]>,
    /// Net band from post to post as a polyline of its upper edge, metres.
    pub net_top_m: Vec<[f64; 3]>,
    /// Room to be kept free around the court, where the model states it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub run_off: Option<RunOff>,
}

/// Room around the court that a running player needs.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RunOff {
    /// Behind the baselines, metres.
    pub behind_m: f64,
    /// Beside the outermost sidelines, metres.
    pub beside_m: f64,
    /// Who recommends it.
    pub source: String,
}

impl Court {
    /// The tennis court of the ITF Rules of Tennis, from `calib/court/itf-tennis.toml`.
    ///
    /// # Errors
    /// Never for the file that is built in; the signature says that it is parsed.
    pub fn itf_tennis() -> Result<Self, toml::de::Error> {
        toml::from_str(include_str!("../../../calib/court/itf-tennis.toml"))
    }

    /// The rectangle around everything painted, `[x0, y0, x1, y1]` in metres.
    #[must_use]
    pub fn outline_m(&self) -> [f64; 4] {
        self.lines_m.values().fold(
            [f64::INFINITY, f64::INFINITY, f64::NEG_INFINITY, f64::NEG_INFINITY],
            |[x0, y0, x1, y1], line| {
                [x0.min(line[0]), y0.min(line[1]), x1.max(line[2]), y1.max(line[3])]
            },
        )
    }

    /// The outline with the run-off around it; `None` where the model states none.
    #[must_use]
    pub fn run_off_outline_m(&self) -> Option<[f64; 4]> {
        let run_off = self.run_off.as_ref()?;
        let [x0, y0, x1, y1] = self.outline_m();
        let (beside, behind) = (run_off.beside_m, run_off.behind_m);
        Some([x0 - beside, y0 - behind, x1 + beside, y1 + behind])
    }

    /// The court of that name among those built in.
    #[must_use]
    pub fn by_name(name: &str) -> Option<Self> {
        Self::itf_tennis().ok().filter(|court| court.name == name)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn distance(court: &Court, a: &str, b: &str) -> f64 {
        let (a, b) = (court.points_m[a], court.points_m[b]);
        (0..3).map(|i| (a[i] - b[i]).powi(2)).sum::<f64>().sqrt()
    }

    #[test]
    fn dimensions_are_those_of_the_itf_rules() {
        // ITF Rules of Tennis 2024, rule 1 (The Court): length 23.77 m, width 8.23 m singles and 10.97 m doubles, service
        // line 6.40 m from the net, posts 0.914 m outside the doubles court, net 1.07 m at the posts and 0.914 m at the
        // strap; measurements to the outside of the lines. Numbers from memory of the rules.
        let court = Court::itf_tennis().unwrap();
        let close = |a: f64, b: f64| assert!((a - b).abs() < 1e-9, "{a} {b}");
        close(distance(&court, "near-baseline-singles-left", "near-baseline-singles-right"), 8.23);
        close(distance(&court, "near-baseline-doubles-left", "near-baseline-doubles-right"), 10.97);
        close(distance(&court, "near-baseline-doubles-left", "far-baseline-doubles-left"), 23.77);
        close(distance(&court, "near-service-singles-left", "far-service-singles-left"), 12.80);
        close(court.points_m["net-post-left-top"][2], 1.07);
        close(court.points_m["net-strap-top"][2], 0.914);
        close(court.points_m["net-post-right-top"][0], 10.97 / 2.0 + 0.914);
        // Half-court diagonals, published for court layout: 14.4564 m (singles) and 16.1739 m (doubles).
        let diagonal = |kind: &str| {
            let corner = court.points_m[&format!("near-baseline-{kind}-left")];
            let net = [-corner[0], 11.885];
            ((net[0] - corner[0]).powi(2) + (net[1] - corner[1]).powi(2)).sqrt()
        };
        assert!((diagonal("singles") - 14.4564).abs() < 1e-4);
        assert!((diagonal("doubles") - 16.1739).abs() < 1e-4);
    }
}
