//! Outside data sets, fetched when they are first needed.

use std::path::{Path, PathBuf};
use std::process::Command;

/// The folder of an outside data set with a manifest under `datasets/`; `datasets/fetch` gets it the first time (it takes
/// turns when several tests ask at once) and checks it each time.
///
/// # Panics
/// When it cannot be had, with the script's reason: a check against outside data must not be skipped silently.
#[must_use]
#[expect(clippy::panic, reason = "a test without its data has failed")]
pub fn dataset(name: &str) -> PathBuf {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).parent().map_or_else(|| PathBuf::from("."), Path::to_owned);
    match Command::new(root.join("datasets/fetch")).arg(name).output() {
        Ok(output) if output.status.success() => root.join(".data").join(name),
        Ok(output) => panic!("{}", String::from_utf8_lossy(&output.stderr)),
        Err(error) => panic!("datasets/fetch could not be started: {error}"),
    }
}
