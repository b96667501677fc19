//! An input that can be read twice.

use std::fs::{self, File};
use std::io::{self, Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};

use super::held::patiently;
use super::sniff::{HEAD, sniff};
use super::stamp::Stamp;
use crate::error::{Error, ErrorKind, Result};

/// A file, or a stream spooled to an anonymous temporary file; sniffed, and standing at its start.
#[derive(Debug)]
pub struct Input {
    file: File,
    len: u64,
    path: Option<PathBuf>,
    /// What the file was when it was opened; `None` where it was spooled.
    stamp: Option<Stamp>,
}

/// An anonymous temporary file that leaves nothing behind.
///
/// # Errors
/// When the system gives none.
pub fn scratch() -> Result<File> {
    tempfile::tempfile().map_err(|e| Error::io("make a temporary file", e))
}

impl Input {
    /// Opens `path`. What cannot seek (a pipe, a terminal) is spooled first.
    ///
    /// # Errors
    /// When it cannot be read or is not plain G-code text.
    pub fn open(path: &Path) -> Result<Self> {
        let with_path = |error: Error| error.in_file(path);
        let open = || -> Result<Self> {
            let mut file = patiently(|| File::open(path)).map_err(|e| Error::io("open the file", e))?;
            let metadata = file.metadata().map_err(|e| Error::io("look at the file", e))?;
            if metadata.is_dir() {
                let folder = io::Error::new(io::ErrorKind::IsADirectory, "it is a folder");
                return Err(Error::io("read the file", folder));
            }
            let is_file = metadata.is_file();
            if !is_file {
                file = spool(&mut file)?;
            }
            Self::checked(file, Some(path.to_owned()), is_file.then(|| Stamp::of(&metadata)))
        };
        open().map_err(with_path)
    }

    /// Spools `stream`, e.g. standard input, to a temporary file that has no name and leaves nothing behind.
    ///
    /// # Errors
    /// When it cannot be read or stored, or is not plain G-code text.
    pub fn spooled(stream: &mut dyn Read) -> Result<Self> {
        Self::checked(spool(stream)?, None, None)
    }

    /// Says whether all that was read from it belongs together: nobody wrote to the file since it was opened, or put
    /// another in its place.
    ///
    /// # Errors
    /// [`ErrorKind::Changed`], or when the system does not tell.
    pub fn check_unchanged(&self) -> Result<()> {
        let (Some(stamp), Some(path)) = (&self.stamp, &self.path) else { return Ok(()) };
        let now = self.file.metadata().map_err(|e| Error::io("look at the file", e).in_file(path))?;
        // A file that is gone by now was read to its end all the same.
        let in_place = fs::metadata(path).ok().map(|metadata| Stamp::of(&metadata));
        if Stamp::of(&now) != *stamp || in_place.is_some_and(|found| !found.is_same_file(stamp)) {
            return Err(Error::new(ErrorKind::Changed).in_file(path));
        }
        Ok(())
    }

    fn checked(mut file: File, path: Option<PathBuf>, stamp: Option<Stamp>) -> Result<Self> {
        let reading = |e| Error::io("read the file", e);
        let mut head = Vec::with_capacity(HEAD);
        file.rewind().map_err(reading)?;
        (&mut file).take(HEAD as u64).read_to_end(&mut head).map_err(reading)?;
        sniff(&head)?;
        let len = file.seek(SeekFrom::End(0)).map_err(reading)?;
        file.rewind().map_err(reading)?;
        Ok(Self { file, len, path, stamp })
    }

    /// Length, bytes.
    pub fn len(&self) -> u64 {
        self.len
    }

    /// Whether nothing is in it; an empty input is refused when opened, so this is false.
    pub fn is_empty(&self) -> bool {
        self.len == 0
    }

    /// The file it was opened from; `None` for a stream.
    pub fn path(&self) -> Option<&Path> {
        self.path.as_deref()
    }
}

/// What is no G-code is refused before all of it is stored: a device may never end.
fn spool(stream: &mut dyn Read) -> Result<File> {
    let mut head = Vec::with_capacity(HEAD);
    stream.take(HEAD as u64).read_to_end(&mut head).map_err(|e| Error::io("read the input", e))?;
    sniff(&head)?;
    let mut file = tempfile::tempfile().map_err(|e| Error::io("make a temporary file", e))?;
    io::copy(&mut head.as_slice().chain(stream), &mut file)
        .map_err(|e| Error::io("store the input in a temporary file", e))?;
    Ok(file)
}

impl Read for Input {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        self.file.read(buffer)
    }
}

impl Seek for Input {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        self.file.seek(to)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::error::ErrorKind;

    #[test]
    fn a_stream_can_be_read_twice() {
        let mut input = Input::spooled(&mut &b"G28\nG1 X1\n"[..]).unwrap();
        assert_eq!((input.len(), input.path()), (10, None));
        for _ in 0..2 {
            let mut text = String::new();
            input.rewind().unwrap();
            input.read_to_string(&mut text).unwrap();
            assert_eq!(text, "G28\nG1 X1\n");
        }
    }

    #[test]
    fn a_file_stands_at_its_start() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("pads ø.gcode");
        std::fs::write(&path, "G28\n").unwrap();
        let mut input = Input::open(&path).unwrap();
        let mut text = String::new();
        input.read_to_string(&mut text).unwrap();
        assert_eq!((text.as_str(), input.len()), ("G28\n", 4));
        assert_eq!(input.path(), Some(path.as_path()));
    }

    #[test]
    fn an_endless_stream_of_no_gcode_is_refused_at_its_start() {
        let error = Input::spooled(&mut io::repeat(0)).unwrap_err();
        assert!(matches!(error.kind(), ErrorKind::NotGcode { .. }));
    }

    #[test]
    fn what_another_program_does_to_the_file_is_seen() {
        use std::io::Write;
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("pads.gcode");
        let open = || {
            std::fs::write(&path, "G28\nG1 X1\n").unwrap();
            Input::open(&path).unwrap()
        };
        let is_changed = |input: Input| match input.check_unchanged() {
            Ok(()) => false,
            Err(error) => matches!(error.kind(), ErrorKind::Changed) && error.file() == Some(&path),
        };
        assert!(!is_changed(open()));
        let input = open();
        File::options().append(true).open(&path).unwrap().write_all(b"G1 X2\n").unwrap();
        assert!(is_changed(input), "grown");
        let input = open();
        File::options().write(true).open(&path).unwrap().set_len(4).unwrap();
        assert!(is_changed(input), "cut short");
        let input = open();
        std::fs::remove_file(&path).unwrap();
        assert!(!is_changed(input), "gone");
        if cfg!(unix) {
            let input = open();
            std::fs::write(folder.path().join("other"), "G28\nG1 X1\n").unwrap();
            std::fs::rename(folder.path().join("other"), &path).unwrap();
            assert!(is_changed(input), "replaced");
        }
    }

    #[test]
    fn errors_name_the_file() {
        let folder = tempfile::tempdir().unwrap();
        let packed = folder.path().join("pads.gcode");
        std::fs::write(&packed, b"\x1f\x8b\x08").unwrap();
        let error = Input::open(&packed).unwrap_err();
        assert!(matches!(error.kind(), ErrorKind::NotGcode { .. }));
        assert_eq!(error.file(), Some(packed.as_path()));

        let missing = folder.path().join("none.gcode");
        let error = Input::open(&missing).unwrap_err();
        assert!(matches!(error.kind(), ErrorKind::Io { .. }));
        assert_eq!(error.file(), Some(missing.as_path()));

        let error = Input::open(folder.path()).unwrap_err();
        assert!(matches!(error.kind(), ErrorKind::Io { .. }));
    }
}
