//! Keeps what a stage computed and recomputes it only when an input, a setting or the program changed.

use std::cell::RefCell;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use anyhow::Context;
use midline_session::{Computed, Provenance, SCHEMA_VERSION, hash_file, read_computed, write_computed};
use serde::Serialize;
use serde::de::DeserializeOwned;

/// Hashes of input files, each computed once per run.
#[derive(Default)]
pub(crate) struct Hashes(RefCell<BTreeMap<PathBuf, String>>);

impl Hashes {
    /// The hash of a file.
    pub(crate) fn of(&self, path: &Path) -> anyhow::Result<String> {
        if let Some(hash) = self.0.borrow().get(path) {
            return Ok(hash.clone());
        }
        let hash = hash_file(path)?;
        self.0.borrow_mut().insert(path.to_owned(), hash.clone());
        Ok(hash)
    }

    /// To be called when a file was written.
    pub(crate) fn forget(&self, path: &Path) {
        self.0.borrow_mut().remove(path);
    }

    /// The provenance of a stage's result. Inputs are named relative to the session's folder.
    pub(crate) fn provenance(
        &self,
        stage: &str,
        folder: &Path,
        inputs: &[PathBuf],
        settings: serde_json::Value,
    ) -> anyhow::Result<Provenance> {
        let inputs = inputs
            .iter()
            .map(|path| {
                let name = path.strip_prefix(folder).unwrap_or(path);
                Ok((name.display().to_string(), self.of(path)?))
            })
            .collect::<anyhow::Result<_>>()?;
        Ok(Provenance {
            schema: SCHEMA_VERSION,
            program: env!("CARGO_PKG_VERSION").to_owned(),
            stage: stage.to_owned(),
            inputs,
            settings,
        })
    }

    /// The result in `path` if it is up to date, else what `compute` gives, which is then kept there.
    pub(crate) fn kept<T: Serialize + DeserializeOwned>(
        &self,
        path: &Path,
        provenance: Provenance,
        compute: impl FnOnce() -> anyhow::Result<T>,
    ) -> anyhow::Result<T> {
        // A file that cannot be read, whatever the reason, is made anew: it holds nothing that a person wrote.
        if let Ok(kept) = read_computed::<T>(path)
            && kept.provenance == provenance
        {
            return Ok(kept.result);
        }
        let stage = provenance.stage.clone();
        let computed = Computed { provenance, result: compute()? };
        write_computed(path, &computed).with_context(|| format!("stage {stage}: keeping its result"))?;
        self.forget(path);
        Ok(computed.result)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::cell::Cell;

    #[test]
    fn a_stage_runs_again_only_when_an_input_or_a_setting_changed() {
        let folder = tempfile::tempdir().unwrap();
        let (input, output) = (folder.path().join("in.txt"), folder.path().join("midline/out.json"));
        std::fs::write(&input, "one").unwrap();
        let runs = Cell::new(0);
        let run = |setting: i32| {
            let hashes = Hashes::default();
            let provenance = hashes
                .provenance("test", folder.path(), std::slice::from_ref(&input), serde_json::json!(setting))
                .unwrap();
            hashes
                .kept(&output, provenance, || {
                    runs.set(runs.get() + 1);
                    Ok(runs.get())
                })
                .unwrap()
        };
        assert_eq!((run(1), run(1)), (1, 1));
        assert_eq!(run(2), 2);
        std::fs::write(&input, "two").unwrap();
        assert_eq!(run(2), 3);
        std::fs::write(&output, "{ cut off").unwrap();
        assert_eq!(run(2), 4);
    }
}
