//! The report in a browser, as the coach and the player open it, and its numbers against the table of measures.

#![allow(clippy::expect_used, clippy::unwrap_used, clippy::panic)] // tests may

use std::collections::BTreeMap;
use std::path::Path;

use arrow::array::{Array, AsArray};
use arrow::datatypes::{Float64Type, UInt32Type};
use midline_tests::academy::{academy, copied_session, midline};
use midline_tests::browser::{Browser, DESKTOP, PHONE, pdf_pages};
use midline_tests::html_faults;
use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;
use serde::Deserialize;

fn nothing() -> Vec<String> {
    Vec::new()
}

#[test]
fn the_report_opens_in_a_browser_on_desk_and_phone_and_prints() {
    let report = academy().join("p07-first/midline/report.html");
    let mut browser = Browser::start();
    let mut page = browser.open_file(&report, DESKTOP);
    assert_eq!(page.complaints(), nothing());
    assert_eq!(page.requests().len(), 1, "only the page itself: {:?}", page.requests());
    let headings = page.evaluate("[...document.querySelectorAll('h2')].map(h => h.innerText)");
    assert_eq!(headings, serde_json::json!(["For the player", "For the analyst", "Quality", "Versions and settings"]));
    assert_eq!(page.accessibility_faults(), nothing());
    let pages = pdf_pages(&page.pdf());
    assert!((4..=20).contains(&pages), "{pages} printed pages");
    page.resize(PHONE);
    assert_eq!(page.scrolls_sideways_by(), 0.0);
    assert_eq!(page.accessibility_faults(), nothing());
    assert_eq!(html_faults(&report), nothing());
}

/// One row of the table of measures: value with its interval, or the reason why there is none.
#[derive(Debug, Clone)]
struct Row {
    unit: String,
    n: u32,
    outcome: Result<[f64; 3], String>,
}

/// Rows of `measures.parquet` by measure and stroke; no stroke: over all.
fn table(path: &Path) -> BTreeMap<(String, Option<u32>), Row> {
    let file = std::fs::File::open(path).unwrap();
    let mut rows = BTreeMap::new();
    for batch in ParquetRecordBatchReaderBuilder::try_new(file).unwrap().build().unwrap() {
        let batch = batch.unwrap();
        let text = |name: &str| batch.column_by_name(name).unwrap().as_string::<i32>().clone();
        let count = |name: &str| batch.column_by_name(name).unwrap().as_primitive::<UInt32Type>().clone();
        let number = |name: &str| batch.column_by_name(name).unwrap().as_primitive::<Float64Type>().clone();
        let (id, unit, because) = (text("id"), text("unit"), text("because"));
        let (stroke, n) = (count("stroke"), count("n"));
        let numbers = ["value", "low_95", "high_95"].map(number);
        for i in 0..batch.num_rows() {
            let measured = numbers.iter().all(|column| column.is_valid(i));
            let outcome = measured.then(|| numbers.each_ref().map(|column| column.value(i)));
            let row = Row {
                unit: unit.value(i).to_owned(),
                n: n.value(i),
                outcome: outcome.ok_or_else(|| because.value(i).to_owned()),
            };
            let key = (id.value(i).to_owned(), stroke.is_valid(i).then(|| stroke.value(i)));
            assert!(rows.insert(key, row).is_none(), "{} twice", id.value(i));
        }
    }
    rows
}

/// One cell of the page's tables of measures.
#[derive(Debug, Deserialize)]
struct Cell {
    measure: String,
    stroke: Option<u32>,
    /// The number beside the text that people read.
    exact: Option<String>,
    /// Value, low and high as written, with signs and units.
    texts: Vec<String>,
    unit: String,
    n: Option<u32>,
    reason: Option<String>,
}

/// Reads every cell of both tables of measures off the page.
const CELLS: &str = r"(() => {
    const reason = (cell) => {
        const link = cell.querySelector('a');
        return link ? document.querySelector(link.getAttribute('href')).textContent : null;
    };
    const words = (cell) => cell.querySelector('data')?.textContent ?? '';
    const ends = (text) => text.replace(/[()]/g, '').trim().split(' to ');
    const over = [...document.querySelectorAll('tr[id^=measure-]')].map((row) => {
        const [value, interval, unit, n] = row.querySelectorAll('td');
        return {
            measure: row.dataset.measure, stroke: null, exact: value.querySelector('data')?.value ?? null,
            texts: [words(value), ...ends(interval.textContent)], unit: unit.textContent,
            n: Number(n.textContent), reason: reason(value),
        };
    });
    const single = [...document.querySelectorAll('td[data-stroke]')].map((cell) => ({
        measure: cell.parentElement.dataset.measure, stroke: Number(cell.dataset.stroke),
        exact: cell.querySelector('data')?.value ?? null,
        texts: [words(cell), ...ends(cell.querySelector('.interval')?.textContent ?? '')],
        unit: words(cell).replace(/^[\u2212\d.]+\s*/u, ''), n: null, reason: reason(cell),
    }));
    return JSON.stringify([...over, ...single]);
})()";

/// The number at the start of a text of the page, and its decimal places.
fn read(text: &str) -> (f64, i32) {
    let text = text.trim().replace('\u{2212}', "-");
    let end = text.find(|c: char| !(c.is_ascii_digit() || c == '-' || c == '.')).unwrap_or(text.len());
    let number = &text[..end];
    let decimals = number.split_once('.').map_or(0, |(_, decimals)| decimals.len());
    (number.parse().unwrap_or_else(|_| panic!("no number in {text:?}")), decimals as i32)
}

/// Units of the page, from the SI Brochure (9th edition): 1 m = 100 cm, 1 s = 1000 ms, 1 rad = 180/π °, 1 = 100 %.
fn shown_in(unit: &str) -> (f64, &'static str) {
    match unit {
        "m" => (100.0, "cm"),
        "s" => (1000.0, "ms"),
        "rad" => (57.295_779_513_082_32, "°"),
        "rad/s" => (57.295_779_513_082_32, "°/s"),
        "share" => (100.0, "%"),
        "m/s" => (1.0, "m/s"),
        "1" => (1.0, ""),
        other => panic!("no unit of the measures: {other}"),
    }
}

/// The page reads `strokes.json`, whose reader may miss the last bit of a number.
fn same(a: f64, b: f64) -> bool {
    (a - b).abs() <= 2.0 * f64::EPSILON * b.abs()
}

#[test]
fn every_number_of_the_page_is_that_of_the_table_of_measures() {
    let folder = academy().join("p07-first/midline");
    let expected = table(&folder.join("measures.parquet"));
    let mut browser = Browser::start();
    let mut page = browser.open_file(&folder.join("report.html"), DESKTOP);
    let cells: Vec<Cell> = serde_json::from_str(page.evaluate(CELLS).as_str().unwrap()).unwrap();
    assert_eq!(cells.len(), expected.len(), "every row has its cell and every cell its row");
    let (mut numbers, mut reasons) = (0, 0);
    for cell in &cells {
        let row = &expected[&(cell.measure.clone(), cell.stroke)];
        if let Some(n) = cell.n {
            assert_eq!(n, row.n, "{cell:?}");
        }
        let values = match &row.outcome {
            Ok(values) => values,
            Err(because) => {
                let reason = cell.reason.as_deref().unwrap_or_default();
                assert!(reason.contains(because.trim_end_matches('.')), "{cell:?} {because}");
                reasons += 1;
                continue;
            }
        };
        let (factor, unit) = shown_in(&row.unit);
        let unit_in_table = if unit.is_empty() && cell.stroke.is_none() { "none" } else { unit };
        assert_eq!(cell.unit.trim(), unit_in_table, "{cell:?}");
        assert!(same(cell.exact.as_ref().unwrap().parse().unwrap(), values[0]), "{cell:?} {values:?}");
        assert_eq!(cell.texts.len(), 3, "{cell:?}");
        let half = (values[2] - values[1]) * factor / 2.0;
        for (text, value) in cell.texts.iter().zip(values) {
            let (seen, decimals) = read(text);
            let place = 10_f64.powi(-decimals);
            assert!((seen - value * factor).abs() <= place * (0.5 + 1e-9), "{text} for {}: {cell:?}", value * factor);
            // Rounded to what the interval carries, not to nothing.
            assert!(decimals == 0 || half == 0.0 || place <= half * (1.0 + 1e-9), "{cell:?}");
            numbers += 1;
        }
    }
    assert!(numbers > 3 * reasons && reasons > 0, "{numbers} numbers, {reasons} reasons");
    // What the player reads comes from the same table.
    let facts = page.evaluate("JSON.stringify([...document.querySelectorAll('#player data')].map(d => d.value))");
    let facts: Vec<String> = serde_json::from_str(facts.as_str().unwrap()).unwrap();
    assert!(!facts.is_empty());
    for fact in facts {
        let fact: f64 = fact.parse().unwrap();
        let known = expected
            .iter()
            .any(|((_, stroke), row)| stroke.is_none() && row.outcome.as_ref().is_ok_and(|v| same(v[0], fact)));
        assert!(known, "{fact}");
    }
}

#[test]
fn a_comparison_opens_on_a_phone_and_says_what_midline_compare_says() {
    let (_folder, session) = copied_session("p07-second");
    let before = academy().join("p07-first").display().to_string();
    let output = midline(&["report", &session.display().to_string(), "--before", &before]);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let report = session.join("midline/report-after-p07-first.html");
    let output = midline(&["compare", &before, &session.display().to_string(), "--json"]);
    let compared: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let mut browser = Browser::start();
    let mut page = browser.open_file(&report, PHONE);
    assert_eq!(page.complaints(), nothing());
    assert_eq!(page.scrolls_sideways_by(), 0.0);
    assert_eq!(page.accessibility_faults(), nothing());
    assert_eq!(html_faults(&report), nothing());
    let script = "JSON.stringify(Object.fromEntries([...document.querySelectorAll('.changes tr[data-measure]')].map(row => \
        [row.dataset.measure, [row.lastElementChild.textContent, row.lastElementChild.querySelector('data')?.value ?? null]])))";
    let rows = page.evaluate(script);
    let rows: BTreeMap<String, (String, Option<String>)> = serde_json::from_str(rows.as_str().unwrap()).unwrap();
    let measures = compared["measures"].as_array().unwrap();
    assert_eq!(rows.len(), measures.len());
    let mut changed = 0;
    for measure in measures {
        let (text, value) = &rows[measure["id"].as_str().unwrap()];
        let (words, numbers) = match &measure["change"] {
            change if change["changed"].is_object() => ("changed", &change["changed"]),
            change if change["no-detectable-change"].is_object() => {
                ("no detectable change", &change["no-detectable-change"])
            }
            _ => ("not compared", &serde_json::Value::Null),
        };
        assert!(text.trim().starts_with(words), "{measure}: {text}");
        let shown = value.as_ref().map(|v| v.parse::<f64>().unwrap());
        match (shown, numbers["value"].as_f64()) {
            (Some(shown), Some(value)) => assert!(same(shown, value), "{shown} {value} {text}"),
            (shown, value) => assert_eq!(shown, value, "{text}"),
        }
        changed += usize::from(words == "changed");
    }
    assert!(changed > 0, "the second visit of the demo's player differs from the first");
}
