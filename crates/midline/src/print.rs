//! The report as a PDF, printed by an installed Chromium.

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use anyhow::Context;

/// Names under which browsers of the family are installed.
const BROWSERS: [&str; 5] = ["chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome"];

/// Prints a page beside itself and says where. The page fetches nothing and runs nothing.
pub(crate) fn pdf(page: &Path) -> anyhow::Result<PathBuf> {
    let page = page.canonicalize().with_context(|| format!("{}: finding the page", page.display()))?;
    let path = page.with_extension("pdf");
    let folder = tempfile::tempdir().context("making a temporary folder for the browser")?;
    let printed = folder.path().join("report.pdf");
    for browser in BROWSERS {
        let mut command = Command::new(browser);
        command
            .args(["--headless", "--disable-gpu", "--no-first-run", "--disable-background-networking"])
            .args(["--disable-extensions", "--disable-dev-shm-usage", "--no-pdf-header-footer"])
            .arg(format!("--user-data-dir={}", folder.path().join("profile").display()))
            .arg(format!("--print-to-pdf={}", printed.display()));
        if is_root() {
            command.arg("--no-sandbox"); // Chromium refuses to start as root with it
        }
        command.arg(&page).stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null());
        let ended = match command.status() {
            Ok(status) => status,
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => continue,
            Err(error) => return Err(error).with_context(|| format!("starting {browser} to print the report")),
        };
        anyhow::ensure!(
            ended.success() && printed.is_file(),
            "{}: {browser} printed no PDF ({ended}); open the page in a browser and print it from there",
            page.display()
        );
        let content = std::fs::read(&printed).with_context(|| format!("{}: reading the PDF", printed.display()))?;
        midline_session::write_atomically(&path, &content)?;
        return Ok(path);
    }
    anyhow::bail!(
        "{}: no Chromium to print it with; install one (Debian: chromium), or open the page in a browser and print it from there",
        page.display()
    )
}

#[cfg(unix)]
fn is_root() -> bool {
    use std::os::unix::fs::MetadataExt;
    std::fs::metadata("/proc/self").is_ok_and(|own| own.uid() == 0)
}

#[cfg(not(unix))]
fn is_root() -> bool {
    false
}
