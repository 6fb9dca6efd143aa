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
    /// Which edge of a line the court is measured to, where it is not the one away from the middle of the court.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub measured_edges: BTreeMap<String, LineEdge>,
    /// Room to be kept free around the court, where the model states it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub run_off: Option<RunOff>,
}

/// Which straight line of a painted line is meant.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum LineEdge {
    /// The middle of the paint.
    Middle,
    /// The long edge at the smaller coordinate: left, or nearer to the near baseline.
    Low,
    /// The long edge at the larger coordinate.
    High,
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

    /// Both ends of the long middle or of a long edge of a painted line, metres; `None` for an unknown name.
    #[must_use]
    pub fn line_ends_m(&self, name: &str, edge: LineEdge) -> Option<[[f64; 3]; 2]> {
        let [x0, y0, x1, y1] = *self.lines_m.get(name)?;
        let at = |low: f64, high: f64| match edge {
            LineEdge::Middle => (low + high) / 2.0,
            LineEdge::Low => low,
            LineEdge::High => high,
        };
        Some(if x1 - x0 > y1 - y0 {
            [[x0, at(y0, y1), 0.0], [x1, at(y0, y1), 0.0]]
        } else {
            [[at(x0, x1), y0, 0.0], [at(x0, x1), y1, 0.0]]
        })
    }

    /// The edge of a line whose place the rules fix, whatever the width of the paint: what `measured_edges` says, else the edge
    /// away from the middle of the court, else (for lines through the middle) the middle. `None` for an unknown name.
    #[must_use]
    pub fn measured_edge(&self, name: &str) -> Option<LineEdge> {
        let [x0, y0, x1, y1] = *self.lines_m.get(name)?;
        if let Some(edge) = self.measured_edges.get(name) {
            return Some(*edge);
        }
        let [left, near, right, far] = self.outline_m();
        let from_middle = if x1 - x0 > y1 - y0 {
            (y0 + y1) / 2.0 - (near + far) / 2.0
        } else {
            (x0 + x1) / 2.0 - (left + right) / 2.0
        };
        Some(match from_middle {
            m if m < -1e-6 => LineEdge::Low,
            m if m > 1e-6 => LineEdge::High,
            _ => LineEdge::Middle,
        })
    }

    /// The rectangle around everything painted, `[x0, y0, x1, y1]` in metres.
    #[must_use]
    pub fn outline_m(&self) -> [f64; 4] {
        self.lines_m
            .values()
            .fold([f64::INFINITY, f64::INFINITY, f64::NEG_INFINITY, f64::NEG_INFINITY], |[x0, y0, x1, y1], line| {
                [x0.min(line[0]), y0.min(line[1]), x1.max(line[2]), y1.max(line[3])]
            })
    }

    /// The outline with the run-off around it; `None` where the model states none.
    #[must_use]
    pub fn run_off_outline_m(&self) -> Option<[f64; 4]> {
        let run_off = self.run_off.as_ref()?;
        let [x0, y0, x1, y1] = self.outline_m();
        let (beside, behind) = (run_off.beside_m, run_off.behind_m);
        Some([x0 - beside, y0 - behind, x1 + beside, y1 + behind])
    }

    /// The courts that are built in, from `calib/court/`.
    #[must_use]
    pub fn all() -> Vec<Self> {
        let files = [
            include_str!("../../../calib/court/itf-tennis.toml"),
            include_str!("../../../calib/court/bwf-badminton.toml"),
            include_str!("../../../calib/court/padel.toml"),
        ];
        files.iter().filter_map(|text| toml::from_str(text).ok()).collect()
    }

    /// The court of that name among those built in.
    #[must_use]
    pub fn by_name(name: &str) -> Option<Self> {
        Self::all().into_iter().find(|court| court.name == name)
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
        // ITF Rules of Tennis 2015, rule 1 (The Court): length 23.77 m, width 8.23 m singles and 10.97 m doubles, service
        // line 6.40 m from the net, centres of the posts 0.914 m outside the doubles court, net 1.07 m at the posts and
        // 0.914 m at the strap; measurements to the outside of the lines; lines 2.5 to 5 cm wide, centre service line and
        // centre mark 5 cm, baselines up to 10 cm; centre mark 10 cm long, drawn inside the court.
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
        for (name, [x0, y0, x1, y1]) in &court.lines_m {
            let width = (x1 - x0).min(y1 - y0);
            let allowed = match name.as_str() {
                name if name.contains("baseline") => 0.025..=0.1 + 1e-9,
                name if name.starts_with("centre") || name.contains("mark") => 0.05 - 1e-9..=0.05 + 1e-9,
                _ => 0.025..=0.05 + 1e-9,
            };
            assert!(allowed.contains(&width), "{name}: {width}");
        }
        let [x0, y0, x1, y1] = court.lines_m["near-centre-mark"];
        close(y0, court.lines_m["near-baseline"][3]);
        close(y1 - y0, 0.1);
        close(x0, -x1);
    }

    /// Ranges that ITF accepts in a court test (ITF Technical Booklet 2015, table 5, method ITF CS 04/02), metres.
    #[test]
    fn dimensions_lie_in_the_ranges_of_a_court_test() {
        let court = Court::itf_tennis().unwrap();
        for (a, b, range) in [
            ("near-baseline-doubles-left", "near-baseline-doubles-right", 10.96..=10.98),
            ("near-baseline-doubles-left", "near-baseline-singles-left", 1.37..=1.38),
            ("near-baseline-singles-left", "near-baseline-centre-mark", 4.11..=4.12),
            ("near-service-singles-left", "near-service-singles-right", 8.22..=8.24),
            ("near-service-singles-left", "near-service-centre", 4.11..=4.12),
            ("near-baseline-doubles-left", "far-baseline-doubles-left", 23.75..=23.80),
            ("near-service-centre", "far-service-centre", 12.79..=12.81),
            ("net-post-left-foot", "net-post-right-foot", 12.78..=12.82),
            ("near-baseline-doubles-left", "far-baseline-doubles-right", 26.16..=26.21),
        ] {
            assert!(range.contains(&distance(&court, a, b)), "{a} to {b}: {}", distance(&court, a, b));
        }
        let net_y = court.points_m["net-strap-top"][1];
        assert!((11.87..=11.91).contains(&net_y));
        assert!((6.38..=6.42).contains(&(net_y - court.points_m["near-service-centre"][1])));
        let run_off = court.run_off.as_ref().unwrap();
        assert_eq!((run_off.behind_m, run_off.beside_m), (5.48, 3.05));
    }

    /// Lines and points are two tables of one court: every crossing lies on the outer edges of painted lines, the other half is
    /// the mirror image, and the edges of a line are what its name says.
    #[test]
    fn lines_and_points_agree() {
        let court = Court::itf_tennis().unwrap();
        for (name, [x, y, z]) in &court.points_m {
            if name.starts_with("net") {
                continue;
            }
            assert_eq!(*z, 0.0);
            let on = |value: f64, low: usize, high: usize| {
                court.lines_m.values().any(|l| (l[low] - value).abs() < 1e-9 || (l[high] - value).abs() < 1e-9)
            };
            assert!(on(*y, 1, 3) && (on(*x, 0, 2) || *x == 0.0), "{name}");
            let other = name.replace("near-", "FAR-").replace("far-", "near-").replace("FAR-", "far-");
            assert!((court.points_m[&other][1] - (23.77 - y)).abs() < 1e-9, "{name}");
        }
        assert_eq!(court.line_ends_m("near-baseline", LineEdge::Low), Some([[-5.485, 0.0, 0.0], [5.485, 0.0, 0.0]]));
        let [from, to] = court.line_ends_m("centre-service-line", LineEdge::Middle).unwrap();
        assert_eq!((from[0], to[0], from[1], to[1]), (0.0, 0.0, 5.485, 18.285));
        assert_eq!(court.line_ends_m("tramline", LineEdge::Middle), None);
        for (line, edge) in [
            ("near-baseline", LineEdge::Low),
            ("far-baseline", LineEdge::High),
            ("near-service-line", LineEdge::Low),
            ("singles-sideline-right", LineEdge::High),
            ("centre-service-line", LineEdge::Middle),
            ("near-centre-mark", LineEdge::Middle),
        ] {
            assert_eq!(court.measured_edge(line), Some(edge), "{line}");
        }
    }

    /// Lengths of the badminton court: BWF Laws of Badminton, law 1, and the diagonals of the full court that its diagram A gives to
    /// check a layout by: 14.723 m (doubles) and 14.366 m (singles), from memory.
    #[test]
    fn dimensions_are_those_of_the_bwf_laws() {
        let court = Court::by_name("bwf-badminton").unwrap();
        let close = |a: f64, b: f64| assert!((a - b).abs() < 1e-9, "{a} {b}");
        close(distance(&court, "near-back-left", "near-back-right"), 6.10);
        close(distance(&court, "near-back-singles-left", "near-back-singles-right"), 5.18);
        close(distance(&court, "near-back-left", "far-back-left"), 13.40);
        close(distance(&court, "near-short-service-left", "far-short-service-left"), 2.0 * 1.98);
        assert!((distance(&court, "near-back-left", "far-back-right") - 14.723).abs() < 1e-3);
        assert!((distance(&court, "near-back-singles-left", "far-back-singles-right") - 14.366).abs() < 1e-3);
        close(court.points_m["net-post-left-top"][2], 1.55);
        close(court.points_m["net-middle-top"][2], 1.524);
        assert!(court.lines_m.values().all(|[x0, y0, x1, y1]| ((x1 - x0).min(y1 - y0) - 0.04).abs() < 1e-9));
        assert_eq!(court.measured_edge("near-short-service-line"), Some(LineEdge::High));
        assert_eq!(court.measured_edge("near-long-service-line"), Some(LineEdge::Low));
    }

    /// Lengths of the padel court: FIP regulations, the court.
    #[test]
    fn dimensions_are_those_of_the_fip_regulations() {
        let court = Court::by_name("padel").unwrap();
        let close = |a: f64, b: f64| assert!((a - b).abs() < 1e-9, "{a} {b}");
        close(distance(&court, "near-wall-left", "near-wall-right"), 10.0);
        close(distance(&court, "near-wall-left", "far-wall-left"), 20.0);
        close(distance(&court, "near-service-centre", "far-service-centre"), 2.0 * 6.95);
        close(distance(&court, "near-service-centre", "near-centre-end"), 0.20);
        close(court.points_m["net-strap-top"][2], 0.88);
        close(court.points_m["net-end-left-top"][2], 0.92);
        assert!(court.lines_m.values().all(|[x0, y0, x1, y1]| ((x1 - x0).min(y1 - y0) - 0.05).abs() < 1e-9));
    }

    #[test]
    fn every_court_is_read_and_is_one_with_its_mirror_image() {
        let courts = Court::all();
        assert_eq!(courts.len(), 3);
        for court in &courts {
            for (name, line) in &court.lines_m {
                let [x0, y0, x1, y1] = *line;
                assert!(x0 < x1 && y0 < y1, "{} {name}", court.name);
                let mirrored = |l: &[f64; 4]| (0..4).all(|i| (l[i] - [-x1, y0, -x0, y1][i]).abs() < 1e-9);
                assert!(court.lines_m.values().any(mirrored), "{} {name}", court.name);
                assert!(court.measured_edge(name).is_some());
            }
            assert!(court.measured_edges.keys().all(|name| court.lines_m.contains_key(name)), "{}", court.name);
            let net = [court.net_top_m[0], court.net_top_m[2]];
            assert!(net[0][2] > court.net_top_m[1][2] && (net[0][0] + net[1][0]).abs() < 1e-9);
        }
        assert!(Court::by_name("itf-tennis").is_some() && Court::by_name("lawn").is_none());
    }
}
