//! The demo academy, written and run once for all end-to-end tests.

use std::fs::File;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

/// The target folder that this test runs from.
fn target() -> PathBuf {
    let test = std::env::current_exe().expect("a test knows its own path");
    test.ancestors().nth(2).expect("tests lie in <target>/<profile>/deps").to_owned()
}

/// The built program. `./x test` builds it; so does `cargo build --workspace`.
#[must_use]
pub fn program() -> PathBuf {
    let program = target().join("midline");
    assert!(program.is_file(), "{} is missing: run `cargo build --workspace` first", program.display());
    program
}

/// Runs the program and returns what it printed and how it ended.
#[must_use]
pub fn midline(arguments: &[&str]) -> Output {
    Command::new(program()).args(arguments).output().expect("the program starts")
}

/// The demo academy with all its sessions run, made by the present program; other tests wait while one makes it.
#[must_use]
pub fn academy() -> PathBuf {
    let base = target().join("end-to-end");
    std::fs::create_dir_all(&base).expect("the target folder can be written");
    let lock = File::create(base.join("lock")).expect("the target folder can be written");
    lock.lock().expect("the lock file can be locked");
    let made_by = midline_session::hash_file(&program()).expect("the program can be read");
    let academy = base.join(&made_by[..16]);
    if !academy.join("made").is_file() {
        for old in std::fs::read_dir(&base).expect("the folder can be read").flatten() {
            if old.path().is_dir() {
                std::fs::remove_dir_all(old.path()).expect("an old academy can be removed");
            }
        }
        let output = midline(&["demo", "--run", &academy.join("academy").display().to_string()]);
        assert!(output.status.success(), "midline demo --run: {}", String::from_utf8_lossy(&output.stderr));
        std::fs::write(academy.join("made"), "").expect("the target folder can be written");
    }
    academy.join("academy")
}

/// A copy of a session with what was computed of it, in a temporary folder. Footage is linked, not copied.
#[must_use]
pub fn copied_session(name: &str) -> (tempfile::TempDir, PathBuf) {
    fn copy(from: &Path, to: &Path) {
        std::fs::create_dir_all(to).expect("a temporary folder can be written");
        for entry in std::fs::read_dir(from).expect("the session can be read").flatten() {
            let (source, goal) = (entry.path(), to.join(entry.file_name()));
            if source.is_dir() {
                copy(&source, &goal);
            } else if source.extension().is_some_and(|e| e == "mp4") {
                std::os::unix::fs::symlink(&source, &goal).expect("a link can be made");
            } else {
                std::fs::copy(&source, &goal).expect("a file can be copied");
            }
        }
    }
    let folder = tempfile::tempdir().expect("a temporary folder can be made");
    let session = folder.path().join(name);
    copy(&academy().join(name), &session);
    // Other sessions take the lens files of the first, which stands beside them.
    let lenses = folder.path().join("p07-first/midline");
    if name != "p07-first" {
        std::fs::create_dir_all(&lenses).expect("a temporary folder can be written");
        for camera in ["fence", "gate"] {
            let file = format!("lens-{camera}.json");
            std::fs::copy(academy().join("p07-first/midline").join(&file), lenses.join(&file))
                .expect("a lens file can be copied");
        }
    }
    (folder, session)
}
