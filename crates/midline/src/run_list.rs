//! `midline run` over a list of sessions: one failure never stops the rest, and several processes may share a list.
//!
//! Each session is held by a lock on `midline/run.lock` while it is run. The system lets go of it when the process ends, however it ends, so
//! nothing has to be cleaned up. What was finished is up to date and costs little the next time.

use std::collections::{BTreeSet, VecDeque};
use std::fs::File;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

use anyhow::Context;

use crate::explain;
use crate::show;
use crate::stages::{NotMeasurable, Stages};

/// What became of a session.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Outcome {
    Done,
    /// Another process has it.
    Elsewhere,
    NotMeasurable,
    Failed,
}

/// Some sessions of a list could not be run; what and why was said when it happened.
#[derive(Debug, thiserror::Error)]
#[error(
    "{failed} of {all} sessions could not be run, see above; run the same command again when the causes are removed"
)]
struct SomeFailed {
    failed: usize,
    all: usize,
}

/// Runs the sessions that are named and those of the list, `jobs` at a time.
pub(crate) fn run(named: &[PathBuf], list: Option<&Path>, jobs: usize) -> anyhow::Result<()> {
    let sessions = all_of(named, list)?;
    anyhow::ensure!(
        !sessions.is_empty(),
        "no session is named: give session folders, or --list with one folder per line"
    );
    // One session alone says what is wrong with it in the usual way.
    if let [session] = sessions.as_slice() {
        return match run_one(session, &Mutex::new(()))? {
            Outcome::Elsewhere => {
                anyhow::bail!("{}: another midline is running this session; wait for it", session.display())
            }
            _ => Ok(()),
        };
    }
    let queue = Mutex::new(sessions.iter().collect::<VecDeque<_>>());
    let outcomes = Mutex::new(Vec::new());
    let speaking = Mutex::new(());
    std::thread::scope(|scope| {
        for _ in 0..jobs.min(sessions.len()) {
            scope.spawn(|| {
                loop {
                    let next = queue.lock().unwrap_or_else(PoisonError::into_inner).pop_front();
                    let Some(session) = next else { break };
                    let outcome = kept_apart(session, &speaking);
                    outcomes.lock().unwrap_or_else(PoisonError::into_inner).push(outcome);
                }
            });
        }
    });
    let outcomes = outcomes.into_inner().unwrap_or_else(PoisonError::into_inner);
    let count = |which: Outcome| outcomes.iter().filter(|o| **o == which).count();
    println!(
        "{} sessions: {} done, {} with another process, {} not measurable, {} failed",
        sessions.len(),
        count(Outcome::Done),
        count(Outcome::Elsewhere),
        count(Outcome::NotMeasurable),
        count(Outcome::Failed)
    );
    let (failed, not_measurable) = (count(Outcome::Failed), count(Outcome::NotMeasurable));
    if failed > 0 {
        return Err(SomeFailed { failed: failed + not_measurable, all: sessions.len() }.into());
    }
    if not_measurable > 0 {
        return Err(NotMeasurable(format!("{not_measurable} of {} sessions, see above", sessions.len())).into());
    }
    Ok(())
}

/// One session whose failure is said and counted but goes no further, not even when it panics.
fn kept_apart(session: &Path, speaking: &Mutex<()>) -> Outcome {
    let attempt = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| run_one(session, speaking)));
    match attempt {
        Ok(Ok(outcome)) => {
            if outcome == Outcome::Elsewhere {
                eprintln!("midline: {}: another process is running it, left to that", session.display());
            }
            outcome
        }
        Ok(Err(error)) => {
            eprintln!("midline: {}: {}", session.display(), explain(&error));
            if error.downcast_ref::<NotMeasurable>().is_some() { Outcome::NotMeasurable } else { Outcome::Failed }
        }
        Err(_) => {
            eprintln!("midline: {}: the program failed on this session; please report it", session.display());
            Outcome::Failed
        }
    }
}

fn run_one(session: &Path, speaking: &Mutex<()>) -> anyhow::Result<Outcome> {
    let stages = Stages::open(session)?;
    let file = stages.session.computed("run.lock");
    if let Some(folder) = file.parent() {
        std::fs::create_dir_all(folder).with_context(|| format!("{}: making the folder", folder.display()))?;
    }
    let lock = File::create(&file).with_context(|| format!("{}: making the lock file", file.display()))?;
    match lock.try_lock() {
        Ok(()) => {}
        Err(std::fs::TryLockError::WouldBlock) => return Ok(Outcome::Elsewhere),
        Err(std::fs::TryLockError::Error(error)) => {
            return Err(error).with_context(|| format!("{}: locking", file.display()));
        }
    }
    stages.everything()?;
    let _speaking = speaking.lock().unwrap_or_else(PoisonError::into_inner);
    show::summary(&stages)?;
    Ok(Outcome::Done)
}

/// The named sessions, then those of the list: one per line, relative to the list's folder, `#` begins a comment. Each counts once.
fn all_of(named: &[PathBuf], list: Option<&Path>) -> anyhow::Result<Vec<PathBuf>> {
    let mut sessions = named.to_vec();
    if let Some(list) = list {
        let text = std::fs::read_to_string(list).with_context(|| format!("{}: reading the list", list.display()))?;
        let folder = list.parent().unwrap_or(Path::new(""));
        sessions.extend(
            text.lines()
                .map(|line| line.split('#').next().unwrap_or_default().trim())
                .filter(|line| !line.is_empty())
                .map(|line| folder.join(line)),
        );
    }
    let mut seen = BTreeSet::new();
    sessions.retain(|session| seen.insert(session.canonicalize().unwrap_or_else(|_| session.clone())));
    Ok(sessions)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_list_is_relative_to_itself_and_counts_each_session_once() {
        let folder = tempfile::tempdir().unwrap();
        for name in ["one", "two"] {
            std::fs::create_dir(folder.path().join(name)).unwrap();
        }
        let list = folder.path().join("list.txt");
        std::fs::write(&list, "# spring\none\n\ntwo  # again\none\n").unwrap();
        let sessions = all_of(&[folder.path().join("two")], Some(&list)).unwrap();
        assert_eq!(sessions, [folder.path().join("two"), folder.path().join("one")]);
    }

    #[test]
    fn one_failure_does_not_stop_the_rest_and_a_held_session_is_left_alone() {
        let folder = tempfile::tempdir().unwrap();
        let session = |name: &str| folder.path().join(name);
        for name in ["held", "bare"] {
            crate::new::write(&session(name), "P01", crate::arguments::Hand::Right).unwrap();
        }
        let lock_file = session("held").join("midline/run.lock");
        std::fs::create_dir_all(lock_file.parent().unwrap()).unwrap();
        let lock = File::create(&lock_file).unwrap();
        lock.lock().unwrap();
        let speaking = Mutex::new(());
        assert_eq!(kept_apart(&session("missing"), &speaking), Outcome::Failed);
        assert_eq!(kept_apart(&session("bare"), &speaking), Outcome::Failed);
        assert_eq!(kept_apart(&session("held"), &speaking), Outcome::Elsewhere);
        let error = run(&[session("missing"), session("bare"), session("held")], None, 2).unwrap_err().to_string();
        assert!(error.contains("2 of 3 sessions"), "{error}");
        drop(lock);
        assert_eq!(kept_apart(&session("held"), &speaking), Outcome::Failed, "free again, and as bare as the other");
    }
}
