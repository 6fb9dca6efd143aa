//! The report in a browser, as the coach and the player open it.

use midline_tests::academy::academy;
use midline_tests::browser::{Browser, DESKTOP, PHONE, pdf_pages};
use midline_tests::html_faults;

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
