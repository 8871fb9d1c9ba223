//! Secrets from files; never shown.
//!
//! A setting names the file of a secret and never holds the secret itself. A relative name starts
//! in the folder that the service manager hands over (`$CREDENTIALS_DIRECTORY`), if there is one;
//! the caller reads that variable and passes it on. Files that everybody on the machine may read or
//! write are refused: a login that anybody can read guards no valve.

use super::problem::{Locate, Problem, Severity, dotted};
use super::schema::Settings;
use std::fmt;
use std::fs::{File, Metadata};
use std::io::Read;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};

/// Largest secret, in bytes.
const SECRET_MAX_BYTES: u64 = 64 * 1024;

/// A secret. Shows itself only when asked by [`Secret::expose`].
#[derive(Clone, PartialEq, Eq)]
pub struct Secret(String);

impl Secret {
    /// Wraps a secret that did not come from a file, as tests have them.
    pub fn new(secret: impl Into<String>) -> Self {
        Self(secret.into())
    }

    /// The secret itself, for the one call that needs it.
    pub fn expose(&self) -> &str {
        &self.0
    }
}

impl fmt::Debug for Secret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Secret(…)")
    }
}

impl fmt::Display for Secret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("…")
    }
}

/// Why a secret cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum SecretError {
    /// The file cannot be read.
    #[error("{file} cannot be read: {error}")]
    Unreadable {
        /// Which file.
        file: PathBuf,
        /// Why.
        error: std::io::Error,
    },
    /// Everybody on the machine may read or write it.
    #[error("everybody on this machine may read or write {file} (mode {mode:04o})")]
    Open {
        /// Which file.
        file: PathBuf,
        /// Its permission bits.
        mode: u32,
    },
    /// It holds nothing, no text, or far too much.
    #[error("{file} {what}")]
    NoSecret {
        /// Which file.
        file: PathBuf,
        /// What it is instead.
        what: &'static str,
    },
}

impl SecretError {
    fn todo(&self) -> String {
        match self {
            Self::Unreadable { .. } => {
                "create the file, or let the daemon's user read it; a relative name starts in \
                 $CREDENTIALS_DIRECTORY where that is set"
                    .into()
            }
            Self::Open { file, .. } => {
                format!("chmod 0400 {}, owned by the daemon's user", file.display())
            }
            Self::NoSecret { .. } => "write the secret alone into the file".into(),
        }
    }
}

/// Where a file of the settings lies: a relative name starts in the credentials folder.
pub fn locate_file(file: &Path, credentials: Option<&Path>) -> PathBuf {
    match credentials {
        Some(folder) if file.is_relative() => folder.join(file),
        _ => file.to_owned(),
    }
}

/// Reads a secret; one trailing newline is dropped, any other space belongs to it.
///
/// # Errors
/// [`SecretError`] when the file cannot be read, may be read by everybody, or holds no secret.
pub fn read(file: &Path, credentials: Option<&Path>) -> Result<Secret, SecretError> {
    let file = locate_file(file, credentials);
    let mut opened = open_closed(&file)?;
    let mut text = String::new();
    let no_secret = |what| SecretError::NoSecret { file: file.clone(), what };
    match (&mut opened).take(SECRET_MAX_BYTES + 1).read_to_string(&mut text) {
        Ok(_) => {}
        Err(error) if error.kind() == std::io::ErrorKind::InvalidData => {
            return Err(no_secret("is not UTF-8 text"));
        }
        Err(error) => return Err(SecretError::Unreadable { file, error }),
    }
    if text.len() as u64 > SECRET_MAX_BYTES {
        return Err(no_secret("is longer than 64 KiB"));
    }
    if let Some(rest) = text.strip_suffix('\n') {
        let length = rest.strip_suffix('\r').unwrap_or(rest).len();
        text.truncate(length);
    }
    if text.is_empty() { Err(no_secret("is empty")) } else { Ok(Secret(text)) }
}

/// Opens a file that not everybody may touch. The rights are those of the opened file, so that it
/// cannot be exchanged in between.
fn open_closed(file: &Path) -> Result<File, SecretError> {
    let unreadable = |error| SecretError::Unreadable { file: file.to_owned(), error };
    let opened = File::open(file).map_err(unreadable)?;
    let metadata: Metadata = opened.metadata().map_err(unreadable)?;
    let mode = metadata.permissions().mode() & 0o7777;
    if mode & 0o006 != 0 {
        return Err(SecretError::Open { file: file.to_owned(), mode });
    }
    Ok(opened)
}

/// Looks at every file that the settings name: secrets are there and closed to others, certificates
/// are there.
///
/// What only this user may not read is a warning: `check` is often run by a person and the daemon
/// by a user of its own.
pub fn check(settings: &Settings, credentials: Option<&Path>, locate: &dyn Locate) -> Vec<Problem> {
    let mut problems = Vec::new();
    let mut note = |path: &[&str], result: Result<(), SecretError>| {
        let Err(error) = result else { return };
        let denied = matches!(&error, SecretError::Unreadable { error, .. }
            if error.kind() == std::io::ErrorKind::PermissionDenied);
        let place = locate.locate(path);
        problems.push(Problem {
            severity: if denied { Severity::Warning } else { Severity::Error },
            file: place.file,
            line: place.line,
            key_path: dotted(path),
            what: error.to_string(),
            todo: error.todo(),
        });
    };
    let secret = |file: &Path| read(file, credentials).map(drop);
    let there = |file: &Path| {
        let file = locate_file(file, credentials);
        File::open(&file).map(drop).map_err(|error| SecretError::Unreadable { file, error })
    };
    if let Some(file) = &settings.broker.password_file {
        note(&["broker", "password_file"], secret(file));
    }
    if let Some(tls) = &settings.broker.tls {
        if !tls.ca_file.as_os_str().is_empty() {
            note(&["broker", "tls", "ca_file"], there(&tls.ca_file));
        }
        if let Some(file) = &tls.certificate_file {
            note(&["broker", "tls", "certificate_file"], there(file));
        }
        if let Some(file) = &tls.key_file {
            note(&["broker", "tls", "key_file"], secret(file));
        }
    }
    if let Some(file) = &settings.database.token_file {
        note(&["database", "token_file"], secret(file));
    }
    problems
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::settings::problem::Nowhere;
    use std::fs::{self, Permissions};

    fn write(folder: &Path, name: &str, content: &[u8], mode: u32) -> PathBuf {
        let file = folder.join(name);
        fs::write(&file, content).expect("writes");
        fs::set_permissions(&file, Permissions::from_mode(mode)).expect("sets rights");
        file
    }

    #[test]
    fn one_trailing_newline_is_dropped_and_nothing_else() {
        let folder = tempfile::tempdir().expect("folder");
        for (content, secret) in
            [("word\n", "word"), ("word", "word"), (" wo rd \n\n", " wo rd \n"), ("w\r\n", "w")]
        {
            write(folder.path(), "s", content.as_bytes(), 0o600);
            let read = read(Path::new("s"), Some(folder.path())).expect("reads");
            assert_eq!(read.expose(), secret);
        }
    }

    #[test]
    fn a_file_that_everybody_may_read_or_write_is_refused() {
        let folder = tempfile::tempdir().expect("folder");
        for (mode, closed) in
            [(0o600, true), (0o440, true), (0o644, false), (0o604, false), (0o602, false)]
        {
            let file = write(folder.path(), "s", b"x", mode);
            assert_eq!(read(&file, None).is_ok(), closed, "{mode:o}");
        }
    }

    #[test]
    fn what_is_empty_missing_or_no_text_is_refused() {
        let folder = tempfile::tempdir().expect("folder");
        for content in [&b""[..], b"\n", b"\xff\xfe"] {
            let file = write(folder.path(), "s", content, 0o600);
            assert!(matches!(read(&file, None), Err(SecretError::NoSecret { .. })));
        }
        let missing = read(Path::new("none"), Some(folder.path()));
        assert!(matches!(missing, Err(SecretError::Unreadable { .. })));
    }

    #[test]
    fn a_secret_does_not_show_itself() {
        let secret = Secret::new("hunter2");
        assert!(!format!("{secret:?}{secret}").contains("hunter2"));
    }

    #[test]
    fn an_absolute_name_does_not_start_in_the_credentials_folder() {
        let there = locate_file(Path::new("/etc/x"), Some(Path::new("/run/c")));
        assert_eq!(there, Path::new("/etc/x"));
        let there = locate_file(Path::new("x"), Some(Path::new("/run/c")));
        assert_eq!(there, Path::new("/run/c/x"));
    }

    #[test]
    fn every_file_of_the_settings_is_looked_at() {
        let folder = tempfile::tempdir().expect("folder");
        write(folder.path(), "open", b"x", 0o644);
        let mut settings = Settings::default();
        settings.broker.password_file = Some("open".into());
        settings.database.token_file = Some("missing".into());
        settings.broker.tls = Some(crate::settings::schema::Tls {
            ca_file: "open".into(),
            certificate_file: Some("missing".into()),
            key_file: Some("open".into()),
        });
        let found = check(&settings, Some(folder.path()), &Nowhere);
        let paths: Vec<&str> = found.iter().map(|p| p.key_path.as_str()).collect();
        assert_eq!(
            paths,
            [
                "broker.password_file",
                "broker.tls.certificate_file",
                "broker.tls.key_file",
                "database.token_file"
            ]
        );
    }
}
