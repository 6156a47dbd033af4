//! Which recordings make up which sounding: from paths, or from a list of paths.

use std::io::BufRead;
use std::path::{Path, PathBuf};

use crate::audio::{AudioError, Input, Recording, Source};
use crate::ring::listen::{Listener, is_stray};
use crate::tasks::in_order::in_order;
use crate::tasks::read_soundings::{bare, best_channel};

/// How recordings are put together.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Grouping {
    /// A folder of one file per tap is one sounding, every other recording is one of its own.
    #[default]
    ByFolder,
    /// All are one sounding.
    Together,
    /// Each is a sounding of its own.
    Apart,
}

/// The soundings that a list of paths names.
#[derive(Debug)]
pub struct NamedSoundings {
    /// The recordings of each sounding.
    pub soundings: Vec<Vec<Input>>,
    /// Files in the folders that do not look like recordings.
    pub passed_over: Vec<PathBuf>,
    /// What was decided by looking into folders, in sentences.
    pub decided: Vec<String>,
}

/// Each file is one sounding, `-` standard input, a folder each of its recordings; by
/// [`Grouping::ByFolder`] a folder in which no recording holds more than one tap, and two or
/// more hold one, is one sounding in natural order of the names.
///
/// Such a folder is listened to here and once more when it is read: what is kept of a tap in
/// between would be too much for a folder of thousands.
///
/// # Errors
/// [`AudioError`] when a folder cannot be read or holds no recording.
pub fn soundings_in(paths: &[PathBuf], grouping: Grouping) -> Result<NamedSoundings, AudioError> {
    let mut named = NamedSoundings {
        soundings: Vec::new(),
        passed_over: Vec::new(),
        decided: Vec::new(),
    };
    for path in paths {
        if path.as_os_str() == "-" {
            named.soundings.push(vec![Input::StandardInput]);
            continue;
        }
        if !path.is_dir() {
            named.soundings.push(vec![Input::Path(path.clone())]);
            continue;
        }
        let (found, other) = crate::audio::recordings_in(path)?;
        named.passed_over.extend(other);
        if found.is_empty() {
            return Err(AudioError::new(
                &path.display().to_string(),
                None,
                "there is no recording in this folder",
                "name a folder with recordings; folders within it are not entered",
            ));
        }
        let count = found.len();
        let inputs = found.into_iter().map(Input::Path);
        if grouping == Grouping::ByFolder && one_tap_each(&inputs.clone().collect::<Vec<_>>()) {
            named.decided.push(format!(
                "{}: {count} recordings with at most one tap each were taken as one sounding; --apart takes each by itself",
                path.display()
            ));
            named.soundings.push(inputs.collect());
        } else {
            named.soundings.extend(inputs.map(|i| vec![i]));
        }
    }
    if grouping == Grouping::Together {
        named.soundings = vec![named.soundings.into_iter().flatten().collect()];
    }
    Ok(named)
}

/// True when no recording holds more than one tap and at least two hold one. One that cannot be
/// read counts for nothing here: a sounding with it then fails, as it may hold a tap.
fn one_tap_each(recordings: &[Input]) -> bool {
    let (mut with_tap, mut most) = (0, 0);
    in_order(
        recordings,
        |_, input| taps_in(input).unwrap_or(0),
        |_, taps| {
            with_tap += usize::from(taps == 1);
            most = most.max(taps);
            most <= 1
        },
    );
    most <= 1 && with_tap >= 2
}

/// Number of taps in a recording, without measuring them.
fn taps_in(input: &Input) -> Result<usize, AudioError> {
    let recording = Recording::open(input)?;
    let channel = best_channel(&recording, &mut Vec::new())?;
    let mut player = recording.play(channel)?;
    let mut listener = Listener::new(recording.rate);
    let mut takes = Vec::new();
    // What was heard before a fault counts.
    while let Ok(Some(chunk)) = player.next_chunk() {
        let new = listener.push(&chunk.samples, chunk.lost_before);
        takes.extend(new.iter().map(bare));
    }
    takes.extend(listener.finish().0.iter().map(bare));
    Ok(takes.iter().filter(|t| !is_stray(t, &takes)).count())
}

/// The paths of a list, one a line; empty lines are left out. `name` is for the message.
///
/// # Errors
/// [`AudioError`] with the line that is no text.
pub fn paths_of_list(name: &str, list: impl BufRead) -> Result<Vec<PathBuf>, AudioError> {
    let mut paths = Vec::new();
    for (k, line) in list.lines().enumerate() {
        let line = line.map_err(|e| {
            AudioError::new(
                name,
                Some(format!("line {}", k + 1)),
                format!("the list cannot be read: {e}"),
                "write one path a line, in UTF-8",
            )
        })?;
        let path = line.trim_end_matches('\r');
        if !path.trim().is_empty() {
            paths.push(PathBuf::from(path));
        }
    }
    if paths.is_empty() {
        return Err(AudioError::new(
            name,
            None,
            "the list names no file",
            "write one path a line",
        ));
    }
    Ok(paths)
}

/// A short name of a sounding for files and titles: that of its recording without the ending,
/// or of the folder where there are several.
pub fn short_name(inputs: &[Input]) -> String {
    let path = match (inputs, inputs.first().and_then(Input::path)) {
        (_, None) => None,
        ([_], Some(path)) => path.file_stem(),
        (_, Some(path)) => path
            .parent()
            .filter(|p| *p != Path::new("."))
            .and_then(Path::file_name)
            .or_else(|| path.file_stem()),
    };
    path.map_or_else(
        || "sounding".to_owned(),
        |p| p.to_string_lossy().into_owned(),
    )
}
