//! The recordings in a folder.

use std::cmp::Ordering;
use std::path::{Path, PathBuf};

use super::AudioError;

/// Endings of file names that are taken for recordings.
const ENDINGS: [&str; 20] = [
    "wav", "wave", "bwf", "rf64", "flac", "mp3", "ogg", "oga", "m4a", "mp4", "m4b", "aac", "3gp",
    "aif", "aiff", "aifc", "caf", "mka", "mkv", "webm",
];

/// All recordings in a folder, in natural order of their names (`tap2` before `tap10`), and what
/// was passed over: other files, hidden files and folders. Folders within are not entered.
///
/// # Errors
/// [`AudioError`] when the folder is not there, is no folder or cannot be read.
pub fn recordings_in(folder: &Path) -> Result<(Vec<PathBuf>, Vec<PathBuf>), AudioError> {
    let name = folder.display().to_string();
    let refuse = |e: std::io::Error| match e.kind() {
        std::io::ErrorKind::NotFound => {
            AudioError::new(&name, None, "there is no such folder", "check the path")
        }
        std::io::ErrorKind::NotADirectory => {
            AudioError::new(&name, None, "is no folder", "name it as a recording")
        }
        _ => AudioError::new(
            &name,
            None,
            format!("the folder cannot be read: {e}"),
            "check its permissions",
        ),
    };
    let mut recordings = Vec::new();
    let mut passed_over = Vec::new();
    for entry in std::fs::read_dir(folder).map_err(refuse)? {
        let path = entry.map_err(refuse)?.path();
        if is_recording(&path) {
            recordings.push(path)
        } else {
            passed_over.push(path)
        }
    }
    recordings.sort_by(|a, b| natural_order(&a.to_string_lossy(), &b.to_string_lossy()));
    passed_over.sort_by(|a, b| natural_order(&a.to_string_lossy(), &b.to_string_lossy()));
    Ok((recordings, passed_over))
}

fn is_recording(path: &Path) -> bool {
    let hidden = path
        .file_name()
        .is_none_or(|n| n.to_string_lossy().starts_with('.'));
    let ending = path
        .extension()
        .map(|e| e.to_string_lossy().to_ascii_lowercase());
    !hidden && path.is_file() && ending.is_some_and(|e| ENDINGS.contains(&e.as_str()))
}

/// Orders names as people do: runs of digits by their number, letters without regard to case.
pub fn natural_order(a: &str, b: &str) -> Ordering {
    let (mut x, mut y) = (a.chars().peekable(), b.chars().peekable());
    loop {
        let order = match (x.peek().copied(), y.peek().copied()) {
            (None, None) => return a.cmp(b),
            (None, _) => return Ordering::Less,
            (_, None) => return Ordering::Greater,
            (Some(c), Some(d)) if c.is_ascii_digit() && d.is_ascii_digit() => {
                let (m, n) = (number(&mut x), number(&mut y));
                m.len().cmp(&n.len()).then(m.cmp(&n))
            }
            (Some(c), Some(d)) => {
                x.next();
                y.next();
                c.to_lowercase().cmp(d.to_lowercase())
            }
        };
        if order != Ordering::Equal {
            return order;
        }
    }
}

/// A run of digits without its leading zeros.
fn number(chars: &mut std::iter::Peekable<std::str::Chars<'_>>) -> String {
    let mut digits = String::new();
    while let Some(c) = chars.next_if(char::is_ascii_digit) {
        if c != '0' || !digits.is_empty() {
            digits.push(c);
        }
    }
    digits
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_ordered_as_people_count() {
        let mut names = vec!["tap10.wav", "Tap2.wav", "tap1.wav", "tap02b.wav", "a.wav"];
        names.sort_by(|a, b| natural_order(a, b));
        assert_eq!(
            names,
            ["a.wav", "tap1.wav", "Tap2.wav", "tap02b.wav", "tap10.wav"]
        );
    }
}
