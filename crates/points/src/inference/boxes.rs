//! From a detector's rows to the player's box.

use super::manifest::Unit;
use super::region::BoxPx;

/// Least overlap (intersection over union) with the player's last box for the same person.
const SAME_FROM_OVERLAP: f64 = 0.1;

/// What is wrong with a list of columns, if anything is.
pub(crate) fn columns_fault(columns: &[String]) -> Option<String> {
    let known = ["x1", "y1", "x2", "y2", "cx", "cy", "w", "h", "score", "class", "-"];
    let last = columns.len().saturating_sub(1);
    for (index, column) in columns.iter().enumerate() {
        let rest = column == "..." && index == last;
        if !rest && !known.contains(&column.as_str()) {
            return Some(format!("\"{column}\" is no column; there are: {}, and ... at the end", known.join(", ")));
        }
    }
    let has = |names: [&str; 4]| names.iter().all(|name| columns.iter().filter(|c| c == name).count() == 1);
    if !(has(["x1", "y1", "x2", "y2"]) || has(["cx", "cy", "w", "h"])) {
        return Some("`columns` must hold x1, y1, x2, y2 or cx, cy, w, h, once each".to_owned());
    }
    if !columns.iter().any(|c| c == "score") {
        return Some("`columns` must hold a score".to_owned());
    }
    None
}

/// How rows are read.
pub(crate) struct Rows<'a> {
    pub(crate) columns: &'a [String],
    pub(crate) unit: Unit,
    pub(crate) class: f64,
    pub(crate) least_score: f64,
    pub(crate) input_px: [usize; 2],
}

/// A box around somebody with its score; the box is in the coordinates that `place` gives.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Somebody {
    pub(crate) around: BoxPx,
    pub(crate) score: f64,
}

impl Rows<'_> {
    /// Number of columns that are named, without what follows.
    pub(crate) fn named(&self) -> usize {
        self.columns.iter().filter(|c| *c != "...").count()
    }

    /// The box of one row in input pixels measured from the input's edge; `None` when it does not count.
    pub(crate) fn read(&self, row: &[f64]) -> Option<Somebody> {
        let find = |name: &str| self.columns.iter().position(|c| c == name).and_then(|i| row.get(i)).copied();
        let scores = self.columns.iter().zip(row).filter(|(c, _)| *c == "score").map(|(_, v)| *v);
        let score: f64 = scores.product();
        if score < self.least_score || find("class").is_some_and(|class| (class - self.class).abs() > 0.5) {
            return None;
        }
        let [left, top, right, bottom] = match (find("x1"), find("y1"), find("x2"), find("y2")) {
            (Some(left), Some(top), Some(right), Some(bottom)) => [left, top, right, bottom],
            _ => {
                let (x, y, w, h) = (find("cx")?, find("cy")?, find("w")?, find("h")?);
                [x - 0.5 * w, y - 0.5 * h, x + 0.5 * w, y + 0.5 * h]
            }
        };
        let size = match self.unit {
            Unit::Px => [1.0, 1.0],
            Unit::Share => self.input_px.map(|side| side as f64),
        };
        let around = [left * size[0], top * size[1], right * size[0], bottom * size[1]];
        (around[2] > around[0] && around[3] > around[1]).then_some(Somebody { around, score })
    }
}

/// Who of the people found is the player: the one under the mark, else the one where the player was, else the one whose box
/// and score are largest.
pub(crate) fn the_player(people: &[Somebody], mark: Option<[f64; 2]>, last: Option<BoxPx>) -> Option<BoxPx> {
    let largest_by = |weight: &dyn Fn(&Somebody) -> f64| {
        let weighed = people.iter().map(|p| (weight(p), p.around)).filter(|(weight, _)| *weight > 0.0);
        weighed.reduce(|best, next| if next.0 > best.0 { next } else { best }).map(|(_, around)| around)
    };
    if let Some([x, y]) = mark {
        return largest_by(&|p| {
            let [left, top, right, bottom] = p.around;
            let inside = (left..=right).contains(&x) && (top..=bottom).contains(&y);
            // Of several around the mark the one whose middle is nearest.
            let far = (0.5 * (left + right) - x).hypot(0.5 * (top + bottom) - y);
            if inside { 1.0 / (1.0 + far) } else { 0.0 }
        });
    }
    if let Some(last) = last {
        let overlaps = |p: &Somebody| Some(overlap(p.around, last)).filter(|o| *o >= SAME_FROM_OVERLAP).unwrap_or(0.0);
        if let Some(same) = largest_by(&overlaps) {
            return Some(same);
        }
    }
    largest_by(&|p| area(p.around) * p.score)
}

fn area([left, top, right, bottom]: BoxPx) -> f64 {
    (right - left).max(0.0) * (bottom - top).max(0.0)
}

fn overlap(a: BoxPx, b: BoxPx) -> f64 {
    let both = area([a[0].max(b[0]), a[1].max(b[1]), a[2].min(b[2]), a[3].min(b[3])]);
    both / (area(a) + area(b) - both).max(f64::MIN_POSITIVE)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn columns(text: &str) -> Vec<String> {
        text.split(' ').map(str::to_owned).collect()
    }

    #[test]
    fn rows_are_read_as_the_columns_say() {
        let read = |text: &str, unit, row: &[f64]| {
            let columns = columns(text);
            assert_eq!(columns_fault(&columns), None);
            Rows { columns: &columns, unit, class: 1.0, least_score: 0.25, input_px: [64, 32] }.read(row)
        };
        let corners = read("x1 y1 x2 y2 score class", Unit::Px, &[4.0, 2.0, 8.0, 12.0, 0.5, 1.0]).unwrap();
        assert_eq!(corners, Somebody { around: [4.0, 2.0, 8.0, 12.0], score: 0.5 });
        let centred = read("cx cy w h score - score ...", Unit::Share, &[0.5, 0.5, 0.25, 0.5, 0.5, 9.0, 0.8, 7.0]);
        assert_eq!(centred.unwrap(), Somebody { around: [24.0, 8.0, 40.0, 24.0], score: 0.4 });
        assert_eq!(read("x1 y1 x2 y2 score class", Unit::Px, &[4.0, 2.0, 8.0, 12.0, 0.5, 0.0]), None);
        assert_eq!(read("x1 y1 x2 y2 score", Unit::Px, &[4.0, 2.0, 8.0, 12.0, 0.2]), None);
        assert_eq!(read("x1 y1 x2 y2 score", Unit::Px, &[4.0, 2.0, 4.0, 12.0, 0.9]), None);
    }

    #[test]
    fn faulty_columns_are_said() {
        for (text, words) in [
            ("x1 y1 x2 score", "once each"),
            ("x1 y1 x2 y2", "score"),
            ("x1 y1 x2 y2 score ... class", "no column"),
            ("x1 y1 x2 y2 confidence", "\"confidence\""),
            ("cx cx cy w h score", "once each"),
        ] {
            let fault = columns_fault(&columns(text)).unwrap();
            assert!(fault.contains(words), "{text}: {fault}");
        }
    }

    #[test]
    fn the_marked_one_then_the_same_one_then_the_largest_one_is_the_player() {
        let near = Somebody { around: [0.0, 0.0, 100.0, 200.0], score: 0.9 };
        let far = Somebody { around: [300.0, 50.0, 340.0, 130.0], score: 0.95 };
        let people = [far, near];
        assert_eq!(the_player(&people, None, None), Some(near.around));
        assert_eq!(the_player(&people, None, Some([305.0, 55.0, 345.0, 130.0])), Some(far.around));
        assert_eq!(the_player(&people, Some([320.0, 90.0]), Some(near.around)), Some(far.around));
        assert_eq!(the_player(&people, Some([200.0, 90.0]), None), None);
        assert_eq!(the_player(&[], None, None), None);
    }
}
