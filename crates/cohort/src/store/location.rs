//! Where a store is: a folder, or a URL that `object_store` knows.

use std::fmt;
use std::path::{Path as FilePath, PathBuf};
use std::sync::Arc;

use object_store::ObjectStore;
use object_store::local::LocalFileSystem;
use object_store::path::Path;
use object_store::prefix::PrefixStore;

use crate::CohortError;

/// Where a store is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Location {
    /// A folder of this machine.
    Folder(PathBuf),
    /// A URL.
    Url(String),
    /// Somewhere that the caller made.
    Named(String),
}

impl fmt::Display for Location {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Folder(folder) => write!(f, "{}", folder.display()),
            Self::Url(url) => write!(f, "{url}"),
            Self::Named(name) => write!(f, "{name}"),
        }
    }
}

impl Location {
    pub(crate) fn named(name: &str) -> Self {
        Self::Named(name.to_owned())
    }

    /// A folder, `file:///…`, or another URL.
    pub(crate) fn parse(text: &str) -> Result<Self, CohortError> {
        match text.split_once("://") {
            None if text.is_empty() => {
                Err(CohortError::BadLocation { location: String::new(), reason: "give a folder or a URL".into() })
            }
            None => Ok(Self::Folder(PathBuf::from(text))),
            Some(("file", path)) => Ok(Self::Folder(PathBuf::from(path))),
            Some(_) => Ok(Self::Url(text.to_owned())),
        }
    }

    /// The objects at this place. A folder is made when `create` is set.
    pub(crate) fn objects(&self, create: bool) -> Result<Arc<dyn ObjectStore>, CohortError> {
        let bad = |reason: String| CohortError::BadLocation { location: self.to_string(), reason };
        match self {
            Self::Folder(folder) => {
                if create {
                    std::fs::create_dir_all(folder).map_err(|e| bad(format!("the folder cannot be made: {e}")))?;
                }
                if !folder.is_dir() {
                    return Err(bad("there is no such folder".into()));
                }
                let local = LocalFileSystem::new_with_prefix(folder).map_err(|e| bad(e.to_string()))?;
                Ok(Arc::new(local))
            }
            Self::Url(url) => {
                let parsed = url::Url::parse(url).map_err(|e| bad(e.to_string()))?;
                // Keys and regions come from the environment, under the names that the makers of the stores gave them.
                let settings = std::env::vars_os().filter_map(|(key, value)| {
                    Some((key.into_string().ok()?.to_lowercase(), value.into_string().ok()?))
                });
                let (objects, path) = object_store::parse_url_opts(&parsed, settings).map_err(|e| {
                    bad(format!(
                        "{e}; folders always work, other places need the cargo feature of midline-cohort for them"
                    ))
                })?;
                Ok(Arc::new(PrefixStore::new(Arc::<dyn ObjectStore>::from(objects), path)))
            }
            Self::Named(_) => Err(bad("was given as objects, not as a place".into())),
        }
    }

    /// The folder as a URL that ends in a slash, for engines that read it by themselves.
    #[cfg(feature = "cluster")]
    pub(crate) fn folder_url(&self) -> Result<url::Url, CohortError> {
        let bad = |reason: String| CohortError::BadLocation { location: self.to_string(), reason };
        let Self::Folder(folder) = self else {
            return Err(bad(
                "a cluster reads stores in folders only, which all its machines see under the same path".into()
            ));
        };
        let whole = folder.canonicalize().map_err(|e| bad(e.to_string()))?;
        url::Url::from_directory_path(&whole)
            .map_err(|()| bad(format!("{} cannot be written as a URL", whole.display())))
    }

    /// In a folder: has the system write a file and its name to disk, so that a record never outlives the files that it names.
    pub(crate) fn settle(&self, path: &Path) -> Result<(), CohortError> {
        let Self::Folder(folder) = self else { return Ok(()) };
        let file = folder.join(path.as_ref());
        let sync = |path: &FilePath| std::fs::File::open(path).and_then(|f| f.sync_all());
        sync(&file).and_then(|()| file.parent().map_or(Ok(()), sync)).map_err(|e| CohortError::BadLocation {
            location: self.to_string(),
            reason: format!("{path} could not be written to disk: {e}"),
        })
    }
}
