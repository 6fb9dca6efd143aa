//! HTML held against the specifications by the Nu Html Checker.

use std::collections::BTreeMap;
use std::path::Path;
use std::process::Command;

/// What the checker has against a page, each kind of fault once; empty when the page is valid.
///
/// # Panics
/// When the checker cannot be fetched or there is no Java runtime: a check must not be skipped silently.
#[must_use]
#[expect(clippy::expect_used, clippy::panic, reason = "a test without its checker has failed")]
pub fn html_faults(page: &Path) -> Vec<String> {
    let jar = crate::dataset("vnu-jar").join("build/dist/vnu.jar");
    let output = Command::new("java")
        .arg("-jar")
        .arg(jar)
        .args(["--format", "json", "--stdout", "--exit-zero-always"])
        .arg(page)
        .output()
        .unwrap_or_else(|e| {
            panic!("java could not be started ({e}); Debian: default-jre-headless, ./x test installs it")
        });
    let said: serde_json::Value = serde_json::from_slice(&output.stdout).expect("the checker writes JSON");
    let messages = said["messages"].as_array().cloned().unwrap_or_default();
    let told = messages.iter().filter(|m| m["type"] != "info" || m["subType"] == "warning");
    let mut faults: BTreeMap<String, (usize, String)> = BTreeMap::new();
    for message in told {
        let place = format!("first in line {}: {}", message["lastLine"], message["extract"]);
        faults.entry(message["message"].to_string()).or_insert((0, place)).0 += 1;
    }
    faults.into_iter().map(|(fault, (times, place))| format!("{fault}, {times} times, {place}")).collect()
}
