//! Progress bars on standard error; silent when that is not a terminal.

use std::time::Duration;

use indicatif::{ProgressBar, ProgressStyle};

/// A bar for work of known length.
pub(crate) fn bar(length: usize, what: &str) -> ProgressBar {
    let bar = ProgressBar::new(length as u64);
    if let Ok(style) = ProgressStyle::with_template("{msg:32} {wide_bar} {pos}/{len} {eta}") {
        bar.set_style(style);
    }
    bar.set_message(what.to_owned());
    bar
}

/// A sign of life for work of unknown length.
pub(crate) fn spinner(what: &str) -> ProgressBar {
    let spinner = ProgressBar::new_spinner();
    spinner.set_message(what.to_owned());
    spinner.enable_steady_tick(Duration::from_millis(120));
    spinner
}
