//! Puts a finished file in the place of another, or leaves everything as it was.
//!
//! The bytes go to a temporary file in the folder of the target, which is moved over the target only when it is
//! complete. Dropping a [`Replacement`] without [`Replacement::commit`] removes the temporary file. A process that is
//! killed cannot do that: what it leaves is removed by a later run in the same folder.
//!
//! Network drives may refuse parts of that. Where a file cannot be moved over another one, the old one is set aside
//! under a name of its own until the new one is in its place: whatever happens, one of the two is there in full. Where
//! the drive cannot be told to store the bytes for good, its word is taken. Where it keeps permissions its own way, that
//! is no failure as long as they are those of the old file.

use std::fs::{self, File, Metadata};
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use tempfile::{NamedTempFile, TempPath};

use super::held::patiently;
use super::leftover::{self, PREFIX, RANDOM, SUFFIX};
use super::stamp::Stamp;
use crate::error::{Error, ErrorKind, Result};

/// Links followed before a chain of them is taken for a loop, as most systems do.
const MAX_LINKS: usize = 40;

/// Behind the name of a file that is set aside while it is replaced.
const ASIDE: &str = ".meltwright-original";

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
    /// When `path` is a folder or write-protected, its folder does not exist or cannot be written to.
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
                // Moving another file over it would get round the protection on some systems only.
                Some(old) if old.permissions().readonly() => {
                    let protected = io::Error::new(io::ErrorKind::PermissionDenied, "the file is write-protected");
                    return Err(Error::io("write the file", protected));
                }
                _ => {}
            }
            leftover::remove(folder_of(&target));
            let temporary = sibling(&target, old.is_none())
                .map_err(|e| Error::io("make a temporary file beside the target", told(e)))?;
            Ok(To::Sibling { temporary, target, old })
        };
        let to = start().map_err(|error| error.in_file(path))?;
        Ok(Self { named: path.to_owned(), to })
    }

    /// Puts the new content in its place. A file that replaces another is safe on the disk before it does.
    ///
    /// # Errors
    /// When the target cannot be replaced; it is as it was then. [`ErrorKind::Changed`] when another program wrote to it,
    /// replaced or removed it since [`Replacement::for_target`].
    pub fn commit(self) -> Result<()> {
        let finish = || -> Result<()> {
            match self.to {
                To::Through(mut file) => file.flush().map_err(|e| Error::io("write the file", e)),
                To::Sibling { mut temporary, target, old } => {
                    temporary.flush().map_err(|e| Error::io("write the temporary file", e))?;
                    if let Some(old) = &old {
                        // The new content was made from the old one, or meant to replace it and nothing newer.
                        let now = fs::metadata(&target).ok().map(|now| Stamp::of(&now));
                        if now != Some(Stamp::of(old)) {
                            return Err(Error::new(ErrorKind::Changed));
                        }
                        let permissions = permissions(old, keep_owner(temporary.path(), old));
                        keep_permissions(temporary.path(), &permissions)
                            .map_err(|e| Error::io("keep the permissions of the file", e))?;
                        stored(temporary.as_file().sync_all())
                            .map_err(|e| Error::io("store the temporary file safely", e))?;
                    }
                    move_over(temporary.into_temp_path(), &target, &mut persist)
                        .map_err(|e| Error::io("replace the file", e))?;
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
    builder.prefix(PREFIX).suffix(SUFFIX).rand_bytes(RANDOM);
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

/// The usual refusals without the passing name of the temporary file.
fn told(refusal: io::Error) -> io::Error {
    let why = match refusal.kind() {
        io::ErrorKind::NotFound => "its folder does not exist",
        io::ErrorKind::NotADirectory => "its folder is none",
        io::ErrorKind::PermissionDenied => "its folder may not be written to",
        io::ErrorKind::ReadOnlyFilesystem => "its drive may not be written to",
        io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => "its drive is full",
        _ => return refusal,
    };
    io::Error::new(refusal.kind(), why)
}

/// Only a privileged user may give files away. Says whether owner and group are those of the old file.
fn keep_owner(temporary: &Path, old: &Metadata) -> bool {
    #[cfg(unix)]
    {
        use std::os::unix::fs::{MetadataExt, chown};
        let is_kept = chown(temporary, Some(old.uid()), Some(old.gid())).is_ok();
        if !is_kept {
            // The group alone may be allowed.
            let _ = chown(temporary, None, Some(old.gid()));
        }
        is_kept
    }
    #[cfg(not(unix))]
    {
        let _ = (temporary, old);
        true
    }
}

/// The permissions of the old file; of another owner's, none that lend the rights of an owner or a group.
fn permissions(old: &Metadata, owner_is_kept: bool) -> fs::Permissions {
    let permissions = old.permissions();
    #[cfg(unix)]
    if !owner_is_kept {
        use std::os::unix::fs::PermissionsExt;
        return fs::Permissions::from_mode(permissions.mode() & !0o6000);
    }
    let _ = owner_is_kept;
    permissions
}

/// Some drives have one set of permissions for all files and refuse to be told.
fn keep_permissions(temporary: &Path, wanted: &fs::Permissions) -> io::Result<()> {
    fs::set_permissions(temporary, wanted.clone()).or_else(|refusal| match fs::metadata(temporary) {
        Ok(new) if new.permissions() == *wanted => Ok(()),
        _ => Err(refusal),
    })
}

/// Some drives cannot be told to store bytes for good; that they are full or failing is no such case.
fn stored(outcome: io::Result<()>) -> io::Result<()> {
    match outcome {
        Err(e) if matches!(e.kind(), io::ErrorKind::Unsupported | io::ErrorKind::InvalidInput) => Ok(()),
        other => other,
    }
}

/// Moves a file over another; a file that could not be moved is given back.
type Move<'a> = &'a mut dyn FnMut(TempPath, &Path) -> Result<(), (TempPath, io::Error)>;

fn persist(temporary: TempPath, target: &Path) -> Result<(), (TempPath, io::Error)> {
    temporary.persist(target).map_err(|refusal| (refusal.path, refusal.error))
}

/// Moves the temporary file over the target. Where another program holds the target, waits for it a while; where the
/// drive moves no file over another, sets the target aside first.
fn move_over(temporary: TempPath, target: &Path, over: Move<'_>) -> io::Result<()> {
    let mut waiting = Some(temporary);
    let moved = patiently(|| match waiting.take().map(|temporary| over(temporary, target)) {
        Some(Err((temporary, error))) => {
            waiting = Some(temporary);
            Err(error)
        }
        _ => Ok(()),
    });
    match (moved, waiting) {
        (Err(error), Some(temporary)) if moves_onto_nothing_only(&error) => by_way_of_aside(temporary, target, over),
        (outcome, _) => outcome,
    }
}

/// Whether the drive may still move a file to a name that is free.
fn moves_onto_nothing_only(error: &io::Error) -> bool {
    use io::ErrorKind::{AlreadyExists, CrossesDevices, Unsupported};
    matches!(error.kind(), AlreadyExists | CrossesDevices | Unsupported)
}

/// The old file keeps all its bytes under another name until the new one is in its place.
fn by_way_of_aside(temporary: TempPath, target: &Path, over: Move<'_>) -> io::Result<()> {
    let mut aside = target.to_owned();
    aside.as_mut_os_string().push(ASIDE);
    if aside.symlink_metadata().is_ok() {
        let why = format!("{} is left over from an interrupted run; move it away first", aside.display());
        return Err(io::Error::new(io::ErrorKind::AlreadyExists, why));
    }
    fs::rename(target, &aside)?;
    match over(temporary, target) {
        Ok(()) => {
            // The new content is in place; that the old one stays beside it is no failure.
            let _ = fs::remove_file(&aside);
            Ok(())
        }
        Err((_, refusal)) => match fs::rename(&aside, target) {
            Ok(()) => Err(refusal),
            Err(_) => Err(io::Error::new(refusal.kind(), format!("{refusal}; the old file is {}", aside.display()))),
        },
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
    fn a_target_that_was_changed_meanwhile_is_left() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("pads.gcode");
        write(&path, "old").unwrap();
        let mut replacement = Replacement::for_target(&path).unwrap();
        replacement.write_all(b"new").unwrap();
        write(&path, "exported again").unwrap();
        let error = replacement.commit().unwrap_err();
        assert!(matches!(error.kind(), ErrorKind::Changed));
        assert_eq!(error.file(), Some(path.as_path()));
        assert_eq!(read_to_string(&path).unwrap(), "exported again");
        assert_eq!(names(folder.path()), ["pads.gcode"]);
    }

    #[test]
    fn a_missing_folder_is_said_before_any_work() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("gone").join("pads.gcode");
        let error = Replacement::for_target(&path).unwrap_err();
        assert!(error.to_string().contains("temporary file beside"));
    }

    /// A drive that moves a file only to a name that is free, as often as it is told to.
    fn only_onto_nothing(mut moves: u32) -> impl FnMut(TempPath, &Path) -> Result<(), (TempPath, io::Error)> {
        move |temporary, target| {
            if target.exists() {
                return Err((temporary, io::ErrorKind::AlreadyExists.into()));
            }
            if moves == 0 {
                return Err((temporary, io::ErrorKind::TimedOut.into()));
            }
            moves -= 1;
            persist(temporary, target)
        }
    }

    fn moved_by_such_a_drive(path: &Path, moves: u32) -> io::Result<()> {
        let mut temporary = sibling(path, false).unwrap();
        temporary.write_all(b"new").unwrap();
        move_over(temporary.into_temp_path(), path, &mut only_onto_nothing(moves))
    }

    #[test]
    fn a_drive_that_moves_nothing_over_another_file() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("pads.gcode");
        write(&path, "old").unwrap();
        moved_by_such_a_drive(&path, 1).unwrap();
        assert_eq!(read_to_string(&path).unwrap(), "new");
        assert_eq!(names(folder.path()), ["pads.gcode"]);
    }

    #[test]
    fn such_a_drive_that_fails_midway_gives_the_original_back() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("pads.gcode");
        write(&path, "old").unwrap();
        assert_eq!(moved_by_such_a_drive(&path, 0).unwrap_err().kind(), io::ErrorKind::TimedOut);
        assert_eq!(read_to_string(&path).unwrap(), "old");
        assert_eq!(names(folder.path()), ["pads.gcode"]);
    }

    #[test]
    fn an_original_set_aside_earlier_is_never_written_over() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("pads.gcode");
        let aside = folder.path().join(format!("pads.gcode{ASIDE}"));
        write(&path, "half").unwrap();
        write(&aside, "whole").unwrap();
        let error = moved_by_such_a_drive(&path, 1).unwrap_err();
        assert!(error.to_string().contains(ASIDE), "{error}");
        assert_eq!((read_to_string(&path).unwrap(), read_to_string(&aside).unwrap()), ("half".into(), "whole".into()));
        assert_eq!(names(folder.path()).len(), 2);
    }

    #[test]
    fn a_drive_without_safe_storage_is_trusted_and_a_full_one_is_not() {
        for kind in [io::ErrorKind::Unsupported, io::ErrorKind::InvalidInput] {
            assert!(stored(Err(kind.into())).is_ok());
        }
        for kind in [io::ErrorKind::StorageFull, io::ErrorKind::QuotaExceeded, io::ErrorKind::Other] {
            assert_eq!(stored(Err(kind.into())).unwrap_err().kind(), kind);
        }
    }

    #[test]
    fn a_write_protected_file_is_left() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("pads.gcode");
        write(&path, "old").unwrap();
        let mut permissions = fs::metadata(&path).unwrap().permissions();
        permissions.set_readonly(true);
        fs::set_permissions(&path, permissions).unwrap();
        let error = replace(&path, "new").unwrap_err();
        assert!(error.to_string().contains("write-protected"), "{error}");
        assert_eq!(read_to_string(&path).unwrap(), "old");
        assert_eq!(names(folder.path()), ["pads.gcode"]);
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
