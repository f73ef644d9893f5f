//! The folder of a joint's files. A file under its final name is complete, all files together stay
//! within a size limit, and files that are not this joint's own are never touched. Files on request
//! have a quota of their own, so that requests never push out more than that of the faults' files.
//!
//! A file is written under a temporary name in the same folder, synced, and renamed. It is locked
//! while it is written, which distinguishes the leftover of a killed process from a file that
//! another process is writing: the system drops the lock of a process that has ended.

use std::fs::{self, File, OpenOptions};
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{SystemTime, UNIX_EPOCH};

use nix::fcntl::{Flock, FlockArg};

/// Suffix of an incomplete file.
pub const PART: &str = ".part";
const END: &str = ".csv";
/// Maximum length of the cause in a file name, bytes.
const LONGEST: usize = 40;
/// The cause of a file on request.
pub const REQUEST: &str = "request";
/// Share of the size limit that files on request take together, 1 of so many.
const REQUESTS: u64 = 4;
/// Bytes written between two checks of the size limit.
const CHUNK: usize = 256 * 1024;

/// The reason why a file could not be kept: one sentence.
#[derive(Clone, Debug, thiserror::Error)]
pub enum KeepError {
    /// The system's error with a file or folder, or the size limit.
    #[error("{}: {source}", path.display())]
    Path {
        /// Path of the file or folder.
        path: PathBuf,
        /// The error.
        source: Arc<io::Error>,
    },
    /// All names for a time and a cause are taken.
    #[error("{}: no name like {stem} is free", folder.display())]
    NoName {
        /// The folder.
        folder: PathBuf,
        /// The beginning of the names.
        stem: String,
    },
}

impl KeepError {
    /// Returns the function that names `path` in an error of the system.
    fn of(path: &Path) -> impl Fn(io::Error) -> Self + Copy {
        move |source| Self::Path {
            path: path.to_path_buf(),
            source: Arc::new(source),
        }
    }
}

/// A single file needs more room than the size limit, MB.
#[derive(Debug, thiserror::Error)]
#[error(
    "one file alone takes more than {}incidents.disk_limit, {limit} MB; accepted: more room",
    if *.requested { "a quarter of " } else { "" }
)]
struct TooLarge {
    limit: f64,
    requested: bool,
}

/// Store for the files of one joint.
#[derive(Clone, Debug)]
pub struct RecordingStore {
    folder: PathBuf,
    /// The node's name as in file names.
    node: String,
    /// Maximum size of all files together, bytes.
    limit: u64,
}

/// Returns a time in UTC as in file names and in heads: `20260318T074500.250Z` and
/// `2026-03-18T07:45:00.250Z` (ISO 8601).
pub fn utc_words(time: SystemTime) -> (String, String) {
    let since = time.duration_since(UNIX_EPOCH).unwrap_or_default();
    let (days, second) = (since.as_secs() / 86400, since.as_secs() % 86400);
    let (h, m, s) = (second / 3600, second / 60 % 60, second % 60);
    let ms = since.subsec_millis();
    // Converts days to a date of the Gregorian calendar, in eras of 400 years that begin on 1 March
    // (common practice, no source).
    let days = days + 719_468;
    let (era, day) = (days / 146_097, days % 146_097);
    let year = (day - day / 1460 + day / 36_524 - day / 146_096) / 365;
    let day = day - (365 * year + year / 4 - year / 100);
    let month = (5 * day + 2) / 153;
    let day = day - (153 * month + 2) / 5 + 1;
    let month = if month < 10 { month + 3 } else { month - 9 };
    let year = era * 400 + year + u64::from(month <= 2);
    (
        format!("{year:04}{month:02}{day:02}T{h:02}{m:02}{s:02}.{ms:03}Z"),
        format!("{year:04}-{month:02}-{day:02}T{h:02}:{m:02}:{s:02}.{ms:03}Z"),
    )
}

/// Returns a node's name as in file names. Node names contain neither dots nor dashes.
fn flat(node: &str) -> String {
    node.trim_start_matches('/').replace('/', ".")
}

/// Returns true if `name` is that of a complete file of the node `flat`, as [`RecordingStore`]
/// forms them.
pub fn own_name(name: &str, flat: &str) -> bool {
    let middle = name
        .strip_prefix(flat)
        .and_then(|rest| rest.strip_prefix('-'))
        .and_then(|rest| rest.strip_suffix(END));
    let Some((stamp, cause)) = middle.and_then(|m| m.split_once('-')) else {
        return false;
    };
    let pattern = "dddddddd.dddddd.dddd";
    let stamp_fits = stamp.len() == pattern.len()
        && stamp.bytes().enumerate().all(|(i, c)| match i {
            8 => c == b'T',
            15 => c == b'.',
            19 => c == b'Z',
            _ => c.is_ascii_digit(),
        });
    let cause_fits = |c: u8| c.is_ascii_lowercase() || c.is_ascii_digit() || c == b'_' || c == b'-';
    stamp_fits && !cause.is_empty() && cause.bytes().all(cause_fits)
}

/// Returns true if `name` is that of a file on request; see [`own_name`].
fn is_requested(name: &str, flat: &str) -> bool {
    let cause = name
        .get(flat.len() + 1..)
        .and_then(|rest| rest.split_once('-'));
    cause.is_some_and(|(_, cause)| {
        let number = cause
            .strip_prefix(REQUEST)
            .and_then(|c| c.strip_suffix(END));
        number.is_some_and(|n| n.is_empty() || n.starts_with('-'))
    })
}

/// One of this joint's own files.
struct Own {
    path: PathBuf,
    bytes: u64,
    requested: bool,
}

impl RecordingStore {
    /// Returns a store in `folder` for the files of `node` (its full name) with at most `limit`
    /// bytes.
    pub fn new(folder: PathBuf, node: &str, limit: u64) -> Self {
        Self {
            folder,
            node: flat(node),
            limit,
        }
    }

    /// Returns the folder.
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// Creates the folder if it is missing and removes the leftovers of killed processes. Returns
    /// the number of files removed.
    ///
    /// # Errors
    /// The system's error, with the path.
    pub fn open(&self) -> Result<usize, KeepError> {
        let _turn = self.turn()?;
        self.clean().map_err(KeepError::of(&self.folder))
    }

    /// Locks the folder until the result is dropped. Without the lock, a file that another writer
    /// has created but not yet locked would look like a leftover.
    fn turn(&self) -> Result<Flock<File>, KeepError> {
        let refused = KeepError::of(&self.folder);
        fs::create_dir_all(&self.folder).map_err(refused)?;
        let folder = File::open(&self.folder).map_err(refused)?;
        Flock::lock(folder, FlockArg::LockExclusive).map_err(|(_, e)| refused(io::Error::from(e)))
    }

    fn clean(&self) -> io::Result<usize> {
        let mut removed = 0;
        for entry in fs::read_dir(&self.folder)? {
            let entry = entry?;
            let name = entry.file_name();
            let whole = name.to_str().and_then(|n| n.strip_suffix(PART));
            let own = whole.is_some_and(|whole| own_name(whole, &self.node));
            if !own || !entry.file_type()?.is_file() {
                continue;
            }
            let path = entry.path();
            let Ok(file) = File::open(&path) else {
                continue;
            };
            // The process that writes the file holds the lock.
            if Flock::lock(file, FlockArg::LockExclusiveNonblock).is_ok()
                && fs::remove_file(&path).is_ok()
            {
                removed += 1;
            }
        }
        Ok(removed)
    }

    /// Returns this joint's complete files, oldest first.
    fn own(&self) -> io::Result<Vec<Own>> {
        let mut own = Vec::new();
        for entry in fs::read_dir(&self.folder)? {
            let entry = entry?;
            let name = entry.file_name();
            let is_own = name.to_str().is_some_and(|n| own_name(n, &self.node));
            if is_own && entry.file_type()?.is_file() {
                let requested = name.to_str().is_some_and(|n| is_requested(n, &self.node));
                own.push(Own {
                    path: entry.path(),
                    bytes: entry.metadata()?.len(),
                    requested,
                });
            }
        }
        // Names with times sort by time.
        own.sort_by(|a, b| a.path.cmp(&b.path));
        Ok(own)
    }

    /// Returns the number of complete files and their total size, bytes.
    ///
    /// # Errors
    /// The system's error.
    pub fn usage(&self) -> io::Result<(usize, u64)> {
        let own = self.own()?;
        Ok((own.len(), own.iter().map(|o| o.bytes).sum()))
    }

    /// Writes a file named after the time and the cause; `write` produces its content. The oldest
    /// files of this joint are removed if the size limit requires it, those on request first.
    /// Returns the path.
    ///
    /// # Errors
    /// One sentence; no file or part of it is left then.
    pub fn keep(
        &self,
        cause: &str,
        now: SystemTime,
        write: impl FnOnce(&mut dyn Write) -> io::Result<()>,
    ) -> Result<PathBuf, KeepError> {
        let turn = self.turn()?;
        self.clean().map_err(KeepError::of(&self.folder))?;
        let (path, part, file) = self.begin(cause, now)?;
        drop(turn);
        let kept = self
            .fill(file, cause == REQUEST, write)
            // The file stays locked until it has its final name.
            .and_then(|_locked| fs::rename(&part, &path));
        if let Err(e) = kept {
            // The first error is reported; a leftover is removed with the next file.
            let _ = fs::remove_file(&part);
            return Err(KeepError::of(&path)(e));
        }
        // The folder is synced, so that the rename itself reaches the disk.
        let synced = File::open(&self.folder).and_then(|f| f.sync_all());
        synced.map_err(KeepError::of(&self.folder))?;
        Ok(path)
    }

    /// Returns a free name, its temporary name and the empty, locked file under the latter.
    fn begin(
        &self,
        cause: &str,
        now: SystemTime,
    ) -> Result<(PathBuf, PathBuf, Flock<File>), KeepError> {
        let word = |c: char| {
            let c = c.to_ascii_lowercase();
            if c.is_ascii_lowercase() || c.is_ascii_digit() {
                c
            } else {
                '_'
            }
        };
        let mut cause: String = cause.chars().map(word).take(LONGEST).collect();
        if cause.is_empty() {
            cause.push('_');
        }
        let stem = format!("{}-{}-{cause}", self.node, utc_words(now).0);
        for number in 1..1000 {
            let name = match number {
                1 => format!("{stem}{END}"),
                _ => format!("{stem}-{number}{END}"),
            };
            let (path, part) = (self.folder.join(&name), self.folder.join(name + PART));
            let mut options = OpenOptions::new();
            let file = match options.write(true).create_new(true).open(&part) {
                Ok(file) => file,
                Err(e) if e.kind() == io::ErrorKind::AlreadyExists => continue,
                Err(e) => return Err(KeepError::of(&part)(e)),
            };
            let file = Flock::lock(file, FlockArg::LockExclusiveNonblock)
                .map_err(|(_, e)| KeepError::of(&part)(e.into()))?;
            // The final name is taken only through the temporary one, so that no other writer can
            // take it from here on.
            match path.try_exists() {
                Ok(false) => return Ok((path, part, file)),
                _ => drop(fs::remove_file(&part)),
            }
        }
        let folder = self.folder.clone();
        Err(KeepError::NoName { folder, stem })
    }

    fn fill(
        &self,
        file: Flock<File>,
        requested: bool,
        write: impl FnOnce(&mut dyn Write) -> io::Result<()>,
    ) -> io::Result<Flock<File>> {
        let (requests, faults): (Vec<_>, Vec<_>) =
            self.own()?.into_iter().partition(|own| own.requested);
        let bytes = |own: &[Own]| own.iter().map(|o| o.bytes).sum();
        let mut bounded = Bounded {
            taken: bytes(&requests),
            taken_by_faults: bytes(&faults),
            requests: requests.into_iter(),
            faults: faults.into_iter(),
            limit: self.limit,
            requested,
            size: 0,
            file,
        };
        {
            let mut buffered = BufWriter::with_capacity(CHUNK, &mut bounded);
            write(&mut buffered)?;
            buffered.flush()?;
        }
        bounded.file.sync_all()?;
        Ok(bounded.file)
    }
}

/// A file that stays within the size limit together with existing ones, of which it removes the
/// oldest.
struct Bounded {
    file: Flock<File>,
    /// Complete files on request, and those of faults, the oldest first.
    requests: std::vec::IntoIter<Own>,
    faults: std::vec::IntoIter<Own>,
    /// Size of either, bytes.
    taken: u64,
    taken_by_faults: u64,
    limit: u64,
    /// This file is one on request.
    requested: bool,
    /// Size of this file, bytes.
    size: u64,
}

impl Write for Bounded {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let more = bytes.len() as u64;
        loop {
            let size = self.size + more;
            let over_quota = self.requested && self.taken + size > self.limit / REQUESTS;
            if !over_quota && self.taken + self.taken_by_faults + size <= self.limit {
                break;
            }
            let mut oldest = self.requests.next();
            if oldest.is_none() && !over_quota {
                oldest = self.faults.next();
            }
            let Some(oldest) = oldest else {
                return Err(io::Error::other(TooLarge {
                    limit: self.limit as f64 * 1e-6,
                    requested: self.requested,
                }));
            };
            match fs::remove_file(&oldest.path) {
                Ok(()) => {}
                Err(e) if e.kind() == io::ErrorKind::NotFound => {}
                Err(e) => return Err(io::Error::other(KeepError::of(&oldest.path)(e))),
            }
            match oldest.requested {
                true => self.taken -= oldest.bytes,
                false => self.taken_by_faults -= oldest.bytes,
            }
        }
        let written = self.file.write(bytes)?;
        self.size += written as u64;
        Ok(written)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.file.flush()
    }
}
