//! What is written goes over nothing that is read, and over nothing else that is written.

use std::path::{Path, PathBuf};

use meltwright::error::{Error, ErrorKind, Result};

/// A file that a command writes beside the G-code.
#[derive(Clone, Copy, Debug)]
pub struct Written<'a> {
    what: &'static str,
    path: &'a Path,
    /// Of an option that names another file.
    example: &'static str,
}

impl<'a> Written<'a> {
    /// JSON.
    pub fn json(path: Option<&'a Path>) -> Option<Self> {
        Self::new("JSON", path, "--json account.json")
    }

    /// A picture.
    pub fn plot(path: Option<&'a Path>) -> Option<Self> {
        Self::new("plot", path, "--plot plot.svg")
    }

    /// Any file; none where it goes to a stream or is not asked for. `example`: an option that names another one.
    pub fn new(what: &'static str, path: Option<&'a Path>, example: &'static str) -> Option<Self> {
        path.filter(|path| !is_dash(path)).map(|path| Self { what, path, example })
    }
}

/// Whether all that is `written` goes to files of their own, none of which is `read`.
///
/// # Errors
/// [`ErrorKind::Usage`] for the first that does not.
pub fn check<'a>(
    written: impl IntoIterator<Item = Option<Written<'a>>>,
    read: impl IntoIterator<Item = &'a Path>,
) -> Result<()> {
    let written: Vec<_> = written.into_iter().flatten().map(|one| (one, Identity::of(one.path))).collect();
    let over = |one: &Written<'_>, file: &Path| Err(written_over(file, one.what, one.example));
    for (index, (one, identity)) in written.iter().enumerate() {
        if let Some((other, _)) = written.iter().take(index).find(|(_, before)| before == identity) {
            return over(one, other.path);
        }
    }
    if written.is_empty() {
        return Ok(());
    }
    for file in read {
        let of_file = Identity::of(file);
        if let Some((one, _)) = written.iter().find(|(_, identity)| *identity == of_file) {
            return over(one, file);
        }
    }
    Ok(())
}

/// What is written would go over a file. `example`: of an option that names another one.
pub fn written_over(file: &Path, what: &str, example: &str) -> Error {
    Error::new(ErrorKind::Usage {
        what: format!("the {what} would be written over {}", file.display()),
        help: format!("name another file, for example {example}"),
    })
}

/// Whether a path stands for a stream of the process.
pub fn is_dash(path: &Path) -> bool {
    path.as_os_str() == "-"
}

/// Whether two paths lead to one file.
pub fn is_same_file(one: &Path, other: &Path) -> bool {
    Identity::of(one) == Identity::of(other)
}

/// What tells a file from others, whatever it is called.
#[derive(Debug, PartialEq, Eq, Hash)]
pub enum Identity {
    /// Device and number of a file that is there.
    #[cfg(unix)]
    Inode(u64, u64),
    /// The path behind all links.
    Path(PathBuf),
}

impl Identity {
    /// Of the file at a path, whether it is there or not.
    pub fn of(path: &Path) -> Self {
        #[cfg(unix)]
        {
            use std::os::unix::fs::MetadataExt;
            if let Ok(found) = path.metadata()
                && found.is_file()
            {
                return Self::Inode(found.dev(), found.ino());
            }
        }
        Self::Path(behind_links(path))
    }
}

/// The path behind all links; of a file that does not exist yet, that of its folder and its name.
pub fn behind_links(path: &Path) -> PathBuf {
    let in_folder = || {
        let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
        Some(folder.canonicalize().ok()?.join(path.file_name()?))
    };
    path.canonicalize().ok().or_else(in_folder).unwrap_or_else(|| path.to_owned())
}
