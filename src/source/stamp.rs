//! Tells whether a file is still what it was.

use std::fs::Metadata;
use std::time::SystemTime;

/// What changes when another program writes to a file or puts another in its place.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stamp {
    len: u64,
    modified: Option<SystemTime>,
    place: Option<(u64, u64)>,
}

impl Stamp {
    /// Of a file as it is now.
    pub fn of(metadata: &Metadata) -> Self {
        Self { len: metadata.len(), modified: metadata.modified().ok(), place: place(metadata) }
    }

    /// Whether it is the same file, whatever it holds by now. Where the system does not tell, it is.
    pub fn is_same_file(&self, other: &Self) -> bool {
        self.place.zip(other.place).is_none_or(|(one, other)| one == other)
    }
}

#[cfg(unix)]
fn place(metadata: &Metadata) -> Option<(u64, u64)> {
    use std::os::unix::fs::MetadataExt;
    Some((metadata.dev(), metadata.ino()))
}

#[cfg(not(unix))]
fn place(_: &Metadata) -> Option<(u64, u64)> {
    None
}
