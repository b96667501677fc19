//! Puts a finished file in the place of another, or leaves everything as it was.
//!
//! The bytes go to a temporary file in the folder of the target, which is moved over the target only when it is
//! complete. Dropping a [`Replacement`] without [`Replacement::commit`] removes the temporary file.

use std::fs::{self, File, Metadata};
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::time::Duration;

use tempfile::NamedTempFile;

use crate::error::{Error, Result};

/// Links followed before a chain of them is taken for a loop, as most systems do.
const MAX_LINKS: usize = 40;

/// How often and how long to wait for a target that another program holds open (Windows).
const HELD_RETRIES: u32 = 20;
const HELD_PAUSE: Duration = Duration::from_millis(100);

/// The new content of a file, not yet in its place.
///
/// Links to the target stay links; permissions are kept, owner and group where the system allows it. Further
/// names of the same file (hard links) keep the old content.
#[derive(Debug)]
pub struct Replacement {
    /// The target as the caller named it, for messages.
    named: PathBuf,
    to: To,
}

#[derive(Debug)]
enum To {
    /// A sibling of `target` that is moved over it; `old` describes what is there already.
    Sibling { temporary: NamedTempFile, target: PathBuf, old: Option<Box<Metadata>> },
    /// Not a regular file (a device, a pipe): written straight through, never replaced.
    Through(File),
}

impl Replacement {
    /// Starts a new content for `path`, which need not exist yet.
    ///
    /// # Errors
    /// When `path` is a folder, its folder does not exist or cannot be written to.
    pub fn for_target(path: &Path) -> Result<Self> {
        let start = || -> Result<To> {
            let target = resolve(path).map_err(|e| Error::io("follow the link", e))?;
            let old = match fs::metadata(&target) {
                Ok(old) => Some(Box::new(old)),
                Err(e) if e.kind() == io::ErrorKind::NotFound => None,
                Err(e) => return Err(Error::io("look at the file to write", e)),
            };
            match &old {
                Some(old) if old.is_dir() => {
                    let folder = io::Error::new(io::ErrorKind::IsADirectory, "it is a folder");
                    return Err(Error::io("write the file", folder));
                }
                Some(old) if !old.is_file() => {
                    let file = File::options()
                        .write(true)
                        .open(&target)
                        .map_err(|e| Error::io("open the file to write", e))?;
                    return Ok(To::Through(file));
                }
                _ => {}
            }
            let temporary =
                sibling(&target, old.is_none()).map_err(|e| Error::io("make a temporary file beside the target", e))?;
            Ok(To::Sibling { temporary, target, old })
        };
        let to = start().map_err(|error| error.in_file(path))?;
        Ok(Self { named: path.to_owned(), to })
    }

    /// Puts the new content in its place. A file that replaces another is safe on the disk before it does.
    ///
    /// # Errors
    /// When the target cannot be replaced; it is as it was then.
    pub fn commit(self) -> Result<()> {
        let finish = || -> Result<()> {
            match self.to {
                To::Through(mut file) => file.flush().map_err(|e| Error::io("write the file", e)),
                To::Sibling { mut temporary, target, old } => {
                    temporary.flush().map_err(|e| Error::io("write the temporary file", e))?;
                    if let Some(old) = &old {
                        keep_owner(temporary.path(), old);
                        fs::set_permissions(temporary.path(), old.permissions())
                            .map_err(|e| Error::io("keep the permissions of the file", e))?;
                        temporary.as_file().sync_all().map_err(|e| Error::io("store the temporary file safely", e))?;
                    }
                    move_over(temporary, &target).map_err(|e| Error::io("replace the file", e))?;
                    if old.is_some() {
                        sync_folder(&target);
                    }
                    Ok(())
                }
            }
        };
        finish().map_err(|error| error.in_file(&self.named))
    }
}

impl Write for Replacement {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        match &mut self.to {
            To::Sibling { temporary, .. } => temporary.write(bytes),
            To::Through(file) => file.write(bytes),
        }
    }

    fn flush(&mut self) -> io::Result<()> {
        match &mut self.to {
            To::Sibling { temporary, .. } => temporary.flush(),
            To::Through(file) => file.flush(),
        }
    }
}

/// Follows links to the file they mean, which need not exist.
fn resolve(path: &Path) -> io::Result<PathBuf> {
    let mut path = path.to_owned();
    for _ in 0..MAX_LINKS {
        match fs::read_link(&path) {
            // A relative link counts from the folder it stands in; joining an absolute one replaces all.
            Ok(to) => path = folder_of(&path).join(to),
            Err(_) => return Ok(path),
        }
    }
    Err(io::Error::other("too many links in a row"))
}

fn folder_of(path: &Path) -> &Path {
    match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    }
}

fn sibling(target: &Path, new: bool) -> io::Result<NamedTempFile> {
    let mut builder = tempfile::Builder::new();
    builder.prefix(".meltwright-").suffix(".tmp");
    // Temporary files are private; a new file gets what the user's mask leaves of read and write for all.
    #[cfg(unix)]
    if new {
        use std::os::unix::fs::PermissionsExt;
        builder.permissions(fs::Permissions::from_mode(0o666));
    }
    #[cfg(not(unix))]
    let _ = new;
    builder.tempfile_in(folder_of(target))
}

/// Only a privileged user may give files away; for everybody else this does nothing.
fn keep_owner(temporary: &Path, old: &Metadata) {
    #[cfg(unix)]
    {
        use std::os::unix::fs::{MetadataExt, chown};
        if chown(temporary, Some(old.uid()), Some(old.gid())).is_err() {
            // The group alone may be allowed.
            let _ = chown(temporary, None, Some(old.gid()));
        }
    }
    #[cfg(not(unix))]
    let _ = (temporary, old);
}

/// Moves the temporary file over the target; where another program holds the target, waits for it a while.
fn move_over(mut temporary: NamedTempFile, target: &Path) -> io::Result<()> {
    let mut retries = if cfg!(windows) { HELD_RETRIES } else { 0 };
    loop {
        match temporary.persist(target) {
            Ok(_) => return Ok(()),
            Err(failure) if retries == 0 => return Err(failure.error),
            Err(failure) => {
                retries -= 1;
                temporary = failure.file;
                std::thread::sleep(HELD_PAUSE);
            }
        }
    }
}

/// Makes the move itself safe. The new content is in place already, so a refusal changes nothing.
fn sync_folder(target: &Path) {
    if cfg!(unix)
        && let Ok(folder) = File::open(folder_of(target))
    {
        let _ = folder.sync_all();
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::fs::{read_dir, read_to_string, write};

    fn replace(path: &Path, content: &str) -> Result<()> {
        let mut replacement = Replacement::for_target(path)?;
        replacement.write_all(content.as_bytes()).map_err(|e| Error::io("write", e))?;
        replacement.commit()
    }

    fn names(folder: &Path) -> Vec<String> {
        let mut names: Vec<_> =
            read_dir(folder).unwrap().map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect();
        names.sort();
        names
    }

    #[test]
    fn replaces_and_leaves_nothing_behind() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("pads.gcode");
        write(&path, "old").unwrap();
        replace(&path, "new").unwrap();
        assert_eq!(read_to_string(&path).unwrap(), "new");
        assert_eq!(names(folder.path()), ["pads.gcode"]);
    }

    #[test]
    fn dropped_before_commit_leaves_the_original() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("pads.gcode");
        write(&path, "old").unwrap();
        let mut replacement = Replacement::for_target(&path).unwrap();
        replacement.write_all(b"half").unwrap();
        assert_eq!(names(folder.path()).len(), 2);
        drop(replacement);
        assert_eq!(read_to_string(&path).unwrap(), "old");
        assert_eq!(names(folder.path()), ["pads.gcode"]);
    }

    #[test]
    fn a_folder_is_no_target() {
        let folder = tempfile::tempdir().unwrap();
        let error = Replacement::for_target(folder.path()).unwrap_err();
        assert_eq!(error.file(), Some(folder.path()));
        assert!(names(folder.path()).is_empty());
    }

    #[test]
    fn a_target_that_became_a_folder_is_left() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("pads.gcode");
        write(&path, "old").unwrap();
        let mut replacement = Replacement::for_target(&path).unwrap();
        replacement.write_all(b"new").unwrap();
        fs::remove_file(&path).unwrap();
        fs::create_dir(&path).unwrap();
        write(path.join("inside"), "kept").unwrap();
        assert!(replacement.commit().is_err());
        assert_eq!(names(folder.path()), ["pads.gcode"]);
        assert_eq!(read_to_string(path.join("inside")).unwrap(), "kept");
    }

    #[test]
    fn a_missing_folder_is_said_before_any_work() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("gone").join("pads.gcode");
        let error = Replacement::for_target(&path).unwrap_err();
        assert!(error.to_string().contains("temporary file beside"));
    }

    #[cfg(unix)]
    mod unix {
        use super::*;
        use std::os::unix::fs::{MetadataExt, PermissionsExt, symlink};

        fn mode(path: &Path) -> u32 {
            fs::metadata(path).unwrap().mode() & 0o7777
        }

        #[test]
        fn permissions_are_kept() {
            let folder = tempfile::tempdir().unwrap();
            let path = folder.path().join("pads.gcode");
            for wanted in [0o640, 0o755, 0o600] {
                write(&path, "old").unwrap();
                fs::set_permissions(&path, fs::Permissions::from_mode(wanted)).unwrap();
                replace(&path, "new").unwrap();
                assert_eq!(mode(&path), wanted);
            }
        }

        #[test]
        fn a_new_file_follows_the_mask() {
            let folder = tempfile::tempdir().unwrap();
            let (plain, ours) = (folder.path().join("plain"), folder.path().join("ours"));
            write(&plain, "").unwrap();
            replace(&ours, "").unwrap();
            assert_eq!(mode(&ours), mode(&plain));
        }

        #[test]
        fn links_stay_links() {
            let folder = tempfile::tempdir().unwrap();
            let inner = folder.path().join("inner");
            fs::create_dir(&inner).unwrap();
            write(inner.join("pads.gcode"), "old").unwrap();
            symlink("pads.gcode", inner.join("one")).unwrap();
            let two = folder.path().join("two");
            symlink("inner/one", &two).unwrap();
            replace(&two, "new").unwrap();
            assert_eq!(read_to_string(inner.join("pads.gcode")).unwrap(), "new");
            assert!(fs::symlink_metadata(&two).unwrap().is_symlink());
            assert!(fs::symlink_metadata(inner.join("one")).unwrap().is_symlink());
        }

        #[test]
        fn a_link_to_nothing_makes_its_target() {
            let folder = tempfile::tempdir().unwrap();
            let link = folder.path().join("link");
            symlink("pads.gcode", &link).unwrap();
            replace(&link, "new").unwrap();
            assert!(fs::symlink_metadata(&link).unwrap().is_symlink());
            assert_eq!(read_to_string(folder.path().join("pads.gcode")).unwrap(), "new");
        }

        #[test]
        fn links_in_a_circle_are_refused() {
            let folder = tempfile::tempdir().unwrap();
            let (a, b) = (folder.path().join("a"), folder.path().join("b"));
            symlink(&b, &a).unwrap();
            symlink(&a, &b).unwrap();
            assert!(Replacement::for_target(&a).is_err());
        }

        #[test]
        fn devices_are_written_through() {
            replace(Path::new("/dev/null"), "gone").unwrap();
            assert!(!fs::metadata("/dev/null").unwrap().is_file());
        }
    }
}
