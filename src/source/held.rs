//! Files that another program holds open for the moment.

use std::io;
use std::thread::sleep;
use std::time::Duration;

/// How often and how long to wait: two seconds in all, more than a scanner or an index takes to look at a new file.
const RETRIES: u32 = 20;
const PAUSE: Duration = Duration::from_millis(100);

/// The system's numbers on Windows for a file shared with nobody and for a locked part of it (from memory).
#[cfg(windows)]
const SHARING_VIOLATION: i32 = 32;
#[cfg(windows)]
const LOCK_VIOLATION: i32 = 33;

/// Whether an error says that another program holds the file.
fn is_held(error: &io::Error) -> bool {
    #[cfg(windows)]
    if matches!(error.raw_os_error(), Some(SHARING_VIOLATION | LOCK_VIOLATION)) {
        return true;
    }
    matches!(error.kind(), io::ErrorKind::ResourceBusy | io::ErrorKind::ExecutableFileBusy)
}

/// Whether it is worth trying again. Windows also denies access to a file that is held while it is replaced.
fn may_pass(error: &io::Error) -> bool {
    is_held(error) || cfg!(windows) && error.kind() == io::ErrorKind::PermissionDenied
}

/// Tries again for a while where another program holds the file.
///
/// # Errors
/// The last one of `attempt`; one of kind [`io::ErrorKind::ResourceBusy`] where the file is held.
pub fn patiently<T>(attempt: impl FnMut() -> io::Result<T>) -> io::Result<T> {
    patiently_with(attempt, may_pass, || sleep(PAUSE))
}

fn patiently_with<T>(
    mut attempt: impl FnMut() -> io::Result<T>,
    may_pass: impl Fn(&io::Error) -> bool,
    mut pause: impl FnMut(),
) -> io::Result<T> {
    let mut left = RETRIES;
    loop {
        match attempt() {
            Err(error) if left > 0 && may_pass(&error) => {
                left -= 1;
                pause();
            }
            Err(error) if is_held(&error) => {
                let why = format!("another program holds it ({error})");
                return Err(io::Error::new(io::ErrorKind::ResourceBusy, why));
            }
            done => return done,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::ErrorKind;

    fn tried(kind: ErrorKind, refusals: u32) -> (io::Result<()>, u32) {
        let (mut left, mut pauses) = (refusals, 0);
        let attempt = || match left {
            0 => Ok(()),
            _ => {
                left -= 1;
                Err(io::Error::from(kind))
            }
        };
        let done = patiently_with(attempt, may_pass, || pauses += 1);
        (done, pauses)
    }

    #[test]
    fn waits_for_another_program_but_not_for_ever() {
        assert!(matches!(tried(ErrorKind::ResourceBusy, 3), (Ok(()), 3)));
        assert!(matches!(tried(ErrorKind::ExecutableFileBusy, RETRIES), (Ok(()), RETRIES)));
        let (outcome, pauses) = tried(ErrorKind::ExecutableFileBusy, u32::MAX);
        let error = outcome.unwrap_err();
        assert_eq!((error.kind(), pauses), (ErrorKind::ResourceBusy, RETRIES));
        assert!(error.to_string().starts_with("another program holds it"), "{error}");
    }

    #[test]
    fn other_refusals_are_final() {
        for kind in [ErrorKind::NotFound, ErrorKind::StorageFull, ErrorKind::ReadOnlyFilesystem] {
            let (outcome, pauses) = tried(kind, 1);
            assert_eq!((outcome.unwrap_err().kind(), pauses), (kind, 0));
        }
    }

    #[cfg(unix)]
    #[test]
    fn numbers_of_the_system() {
        // EBUSY and ETXTBSY have these numbers on Linux, macOS and the BSDs.
        for number in [16, 26] {
            assert!(is_held(&io::Error::from_raw_os_error(number)));
        }
        assert!(!is_held(&io::Error::from_raw_os_error(13)));
    }

    #[cfg(windows)]
    #[test]
    fn numbers_of_the_system() {
        for number in [SHARING_VIOLATION, LOCK_VIOLATION] {
            assert!(is_held(&io::Error::from_raw_os_error(number)));
        }
        assert!(!is_held(&io::Error::from_raw_os_error(5)));
    }
}
