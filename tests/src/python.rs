//! Outside programs for reading our files, from PyPI in an environment of their own.

use std::fs::File;
use std::path::{Path, PathBuf};
use std::process::Command;

/// The Python of an environment with the packages of `tests/reference/reading_requirements.txt`, made when it is first needed;
/// other tests wait while one makes it.
///
/// # Panics
/// When it cannot be made, with pip's reason: a check must not be skipped silently.
#[must_use]
#[expect(clippy::panic, clippy::expect_used, reason = "a test without its reader has failed")]
pub fn python() -> PathBuf {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).parent().map_or_else(|| PathBuf::from("."), Path::to_owned);
    let requirements = root.join("tests/reference/reading_requirements.txt");
    let text = std::fs::read_to_string(&requirements).expect("the requirements can be read");
    let data = root.join(".data");
    std::fs::create_dir_all(&data).expect("the data folder can be made");
    let lock = File::create(data.join(".python.lock")).expect("the data folder can be written");
    lock.lock().expect("the lock file can be locked");
    let (environment, stamp) = (data.join("python"), data.join("python/made-from"));
    let python = environment.join("bin/python");
    if std::fs::read_to_string(&stamp).is_ok_and(|made| made == text) {
        return python;
    }
    if environment.exists() {
        std::fs::remove_dir_all(&environment).expect("the old environment can be removed");
    }
    let run = |command: &mut Command| match command.output() {
        Ok(output) if output.status.success() => {}
        Ok(output) => panic!("{command:?}: {}", String::from_utf8_lossy(&output.stderr)),
        Err(error) => panic!("{command:?}: {error}"),
    };
    run(Command::new("python3").args(["-m", "venv"]).arg(&environment));
    run(Command::new(&python)
        .args([
            "-m",
            "pip",
            "install",
            "--quiet",
            "--disable-pip-version-check",
            "--only-binary",
            ":all:",
            "--requirement",
        ])
        .arg(&requirements));
    std::fs::write(&stamp, text).expect("the environment can be written");
    python
}
