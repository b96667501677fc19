//! Where the profile is looked for.

use std::ffi::OsString;
use std::fmt;
use std::io::{ErrorKind as Io, Read};
use std::path::{Path, PathBuf};

use super::load::{Assignment, LONGEST};
use super::{Profile, fault::Source};
use crate::error::{Error, ErrorKind, Excerpt, ProfileFault, Result, is_utf16};

/// Name of a profile that lies beside a G-code file or beside the program.
const FILE_NAME: &str = "meltwright.toml";
/// Environment variable that names a profile.
const VARIABLE: &str = "MELTWRIGHT_PROFILE";

/// Where programs of the system keep the settings of a user.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum System {
    /// `%APPDATA%`.
    Windows,
    /// `~/Library/Application Support`.
    MacOs,
    /// `$XDG_CONFIG_HOME`, else `~/.config`.
    #[default]
    Other,
}

/// What the search depends on besides its arguments. Empty variables count as unset.
#[derive(Debug, Clone, Default)]
pub struct Env {
    /// `MELTWRIGHT_PROFILE`.
    pub profile: Option<OsString>,
    /// `XDG_CONFIG_HOME`.
    pub xdg_config_home: Option<OsString>,
    /// `HOME`.
    pub home: Option<OsString>,
    /// `APPDATA`.
    pub appdata: Option<OsString>,
    /// Path of the running program.
    pub executable: Option<PathBuf>,
    /// Kind of system.
    pub system: System,
}

impl Env {
    /// The environment of the running process.
    pub fn from_process() -> Self {
        let system = if cfg!(windows) {
            System::Windows
        } else if cfg!(target_os = "macos") {
            System::MacOs
        } else {
            System::Other
        };
        Self {
            profile: std::env::var_os(VARIABLE),
            xdg_config_home: std::env::var_os("XDG_CONFIG_HOME"),
            home: std::env::var_os("HOME"),
            appdata: std::env::var_os("APPDATA"),
            executable: std::env::current_exe().ok(),
            system,
        }
    }

    /// The user's own profile, whether or not it exists; `None` if the environment does not tell where it would be.
    pub fn user_profile(&self) -> Option<PathBuf> {
        let home = || set(&self.home).map(PathBuf::from);
        let folder = match self.system {
            System::Windows => set(&self.appdata).map(PathBuf::from),
            System::MacOs => home().map(|home| home.join("Library").join("Application Support")),
            // Relative paths in this variable are to be ignored, says its specification.
            System::Other => set(&self.xdg_config_home)
                .map(PathBuf::from)
                .filter(|folder| folder.is_absolute())
                .or_else(|| home().map(|home| home.join(".config"))),
        };
        folder.map(|folder| folder.join("meltwright").join("profile.toml"))
    }
}

/// The profile that applies, and why.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Found {
    /// Named on the command line.
    Explicit(PathBuf),
    /// Named by the environment variable.
    Variable(PathBuf),
    /// Beside the G-code file.
    BesideGcode(PathBuf),
    /// In the current folder, where no file is worked on.
    Here(PathBuf),
    /// Beside the program.
    BesideProgram(PathBuf),
    /// In the user's configuration folder.
    User(PathBuf),
    /// None found: the embedded defaults.
    Embedded,
}

/// Finds the profile: the explicit path, the environment variable, beside the G-code file (without one, in the current
/// folder), beside the program, the user's configuration folder, else the embedded defaults. The first that exists wins.
///
/// # Errors
/// [`ErrorKind::Usage`] if a path was named and there is no file.
pub fn find(explicit: Option<&Path>, gcode: Option<&Path>, env: &Env) -> Result<Found> {
    if let Some(path) = explicit {
        return match missing(path) {
            None => Ok(Found::Explicit(path.to_owned())),
            Some(reason) => Err(Error::usage(
                format!("the profile `{}` {reason}", path.display()),
                "check the path; `profile new` writes an annotated profile to start from",
            )),
        };
    }
    if let Some(path) = set(&env.profile).map(PathBuf::from) {
        return match missing(&path) {
            None => Ok(Found::Variable(path)),
            Some(reason) => Err(Error::usage(
                format!("the profile `{}`, named by {VARIABLE}, {reason}", path.display()),
                "correct the variable, or unset it to use the profile beside the file or the defaults",
            )),
        };
    }
    let beside = |path: &Path| path.with_file_name(FILE_NAME);
    let candidates = [
        Some(gcode.map_or(Found::Here(FILE_NAME.into()), |path| Found::BesideGcode(beside(path)))),
        env.executable.as_deref().map(|path| Found::BesideProgram(beside(path))),
        env.user_profile().map(Found::User),
    ];
    let exists = |found: &Found| found.path().is_some_and(|path| missing(path).is_none());
    Ok(candidates.into_iter().flatten().find(exists).unwrap_or(Found::Embedded))
}

impl Found {
    /// Path of the file; `None` for the embedded defaults.
    pub fn path(&self) -> Option<&Path> {
        match self {
            Self::Explicit(path)
            | Self::Variable(path)
            | Self::BesideGcode(path)
            | Self::Here(path)
            | Self::BesideProgram(path)
            | Self::User(path) => Some(path),
            Self::Embedded => None,
        }
    }

    /// Reads the profile, with assignments from the command line laid over it.
    ///
    /// # Errors
    /// [`ErrorKind::Io`] if the file cannot be read; [`ErrorKind::Profile`] with every fault in it.
    pub fn load(&self, assignments: &[Assignment]) -> Result<Profile> {
        let Some(path) = self.path() else {
            return Profile::embedded_with(assignments);
        };
        let bytes = read_start(path).map_err(|source| Error::io("read the profile", source).in_file(path))?;
        if bytes.len() > LONGEST {
            // Refused for its length alone, so it does not matter that the last letter may be cut.
            return Profile::load_with(&String::from_utf8_lossy(&bytes), path, assignments);
        }
        if is_utf16(&bytes) {
            return Err(Error::new(ErrorKind::Profile(vec![utf16()])).in_file(path));
        }
        match String::from_utf8(bytes) {
            Ok(text) => Profile::load_with(&text, path, assignments),
            Err(error) => Err(Error::new(ErrorKind::Profile(vec![not_utf8(error)])).in_file(path)),
        }
    }
}

impl fmt::Display for Found {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Explicit(path) => write!(f, "{} (named on the command line)", path.display()),
            Self::Variable(path) => write!(f, "{} (named by {VARIABLE})", path.display()),
            Self::BesideGcode(path) => write!(f, "{} (beside the G-code file)", path.display()),
            Self::Here(path) => write!(f, "{} (in the current folder)", path.display()),
            Self::BesideProgram(path) => write!(f, "{} (beside the program)", path.display()),
            Self::User(path) => write!(f, "{} (in the user's configuration folder)", path.display()),
            Self::Embedded => f.write_str("embedded defaults (no profile found)"),
        }
    }
}

/// The bytes of a file, up to one more than a profile may have: a G-code file given by mistake is not read whole.
fn read_start(path: &Path) -> std::io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    std::fs::File::open(path)?.take(LONGEST as u64 + 1).read_to_end(&mut bytes)?;
    Ok(bytes)
}

/// A variable that is set and not empty.
fn set(variable: &Option<OsString>) -> Option<&OsString> {
    variable.as_ref().filter(|value| !value.is_empty())
}

/// Why there is no file at a path; `None` if there is one, even one that may turn out to be unreadable.
fn missing(path: &Path) -> Option<&'static str> {
    match std::fs::metadata(path) {
        Ok(found) if found.is_dir() => Some("is a folder, not a file"),
        Ok(_) => None,
        Err(error) if matches!(error.kind(), Io::NotFound | Io::NotADirectory | Io::InvalidInput) => {
            Some("does not exist")
        }
        Err(_) => None,
    }
}

/// The fault of a text whose every line would be one.
fn utf16() -> ProfileFault {
    ProfileFault {
        what: "the profile is UTF-16 text".to_owned(),
        excerpt: None,
        label: String::new(),
        help: Some("save the file as UTF-8 or plain ASCII text".to_owned()),
    }
}

/// The fault of a text that is not UTF-8, at the first byte that is not.
fn not_utf8(error: std::string::FromUtf8Error) -> ProfileFault {
    let good = error.utf8_error().valid_up_to();
    let bytes = error.into_bytes();
    let before = String::from_utf8_lossy(bytes.get(..good).unwrap_or(&[])).into_owned();
    let index = Source::new(&before).line_of(good);
    let line = bytes.split(|byte| *byte == b'\n').nth(index).unwrap_or(&[]);
    let column = good - before.rfind('\n').map_or(0, |end| end + 1);
    let label = "not UTF-8".to_owned();
    ProfileFault {
        what: "the profile is not UTF-8 text".to_owned(),
        excerpt: Some(Excerpt::new(index as u64 + 1, line, column, column + 1, &label)),
        label,
        help: Some("save the file as UTF-8, or replace the letter by a plain one".to_owned()),
    }
}
