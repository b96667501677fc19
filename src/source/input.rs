//! An input that can be read twice.

use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};

use super::held::patiently;
use super::sniff::{HEAD, sniff};
use crate::error::{Error, Result};

/// A file, or a stream spooled to an anonymous temporary file; sniffed, and standing at its start.
#[derive(Debug)]
pub struct Input {
    file: File,
    len: u64,
    path: Option<PathBuf>,
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
            if !metadata.is_file() {
                file = spool(&mut file)?;
            }
            Self::checked(file, Some(path.to_owned()))
        };
        open().map_err(with_path)
    }

    /// Spools `stream`, e.g. standard input, to a temporary file that has no name and leaves nothing behind.
    ///
    /// # Errors
    /// When it cannot be read or stored, or is not plain G-code text.
    pub fn spooled(stream: &mut dyn Read) -> Result<Self> {
        Self::checked(spool(stream)?, None)
    }

    fn checked(mut file: File, path: Option<PathBuf>) -> Result<Self> {
        let reading = |e| Error::io("read the file", e);
        let mut head = Vec::with_capacity(HEAD);
        file.rewind().map_err(reading)?;
        (&mut file).take(HEAD as u64).read_to_end(&mut head).map_err(reading)?;
        sniff(&head)?;
        let len = file.seek(SeekFrom::End(0)).map_err(reading)?;
        file.rewind().map_err(reading)?;
        Ok(Self { file, len, path })
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

fn spool(stream: &mut dyn Read) -> Result<File> {
    let mut file = tempfile::tempfile().map_err(|e| Error::io("make a temporary file", e))?;
    io::copy(stream, &mut file).map_err(|e| Error::io("store the input in a temporary file", e))?;
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
