//! Opens what a live sounding listens to: a microphone, or a recording fed as if live.

use std::path::Path;

use crate::audio::as_if_live::AsIfLive;
use crate::audio::{AudioError, Input, Recording, Source};

/// A source with its name for people.
pub type Opened = (Box<dyn Source + Send>, String);

/// A recording, its best channel, as fast as it would have come in.
///
/// # Errors
/// [`AudioError`] when it cannot be read.
pub fn open_recording(path: &Path) -> Result<Opened, AudioError> {
    let recording = Recording::open(&Input::Path(path.to_owned()))?;
    let channel = if recording.channels > 1 {
        recording.survey()?.best
    } else {
        0
    };
    let player = recording.play(channel)?;
    Ok((Box::new(AsIfLive::new(player)), recording.name))
}

/// A microphone by a part of its name or by its id, else the system's default.
///
/// # Errors
/// [`AudioError`] when there is none or it cannot be opened.
#[cfg(feature = "microphone")]
pub fn open_microphone(name: Option<&str>) -> Result<Opened, AudioError> {
    use crate::audio::microphone::{MicrophoneStream, find_device};

    let device = find_device(name)?;
    let stream = MicrophoneStream::open(&device)?;
    Ok((Box::new(stream), device.name))
}

/// This build has none.
///
/// # Errors
/// Always.
#[cfg(not(feature = "microphone"))]
pub fn open_microphone(name: Option<&str>) -> Result<Opened, AudioError> {
    Err(AudioError::new(
        name.unwrap_or("microphone"),
        None,
        "this build has no microphones",
        "build it with the feature microphone, or read a recording",
    ))
}

/// The microphone named, else the one that is remembered, else the default, and a sentence when
/// the remembered one is not there.
///
/// # Errors
/// [`AudioError`] as [`open_microphone`].
pub fn open_wanted(
    named: Option<&str>,
    remembered: Option<&str>,
) -> Result<(Opened, Option<String>), AudioError> {
    match (named, remembered) {
        (Some(name), _) => Ok((open_microphone(Some(name))?, None)),
        (None, None) => Ok((open_microphone(None)?, None)),
        (None, Some(name)) => match open_microphone(Some(name)) {
            Ok(opened) => Ok((opened, None)),
            Err(error) => {
                let words = format!("{error}; the default is taken instead");
                Ok((open_microphone(None)?, Some(words)))
            }
        },
    }
}

/// Id of the microphone after the one of a name, in the order of the list; the first after the
/// last, or when that one is gone.
///
/// # Errors
/// [`AudioError`] when there is none.
#[cfg(feature = "microphone")]
pub fn next_microphone(name: &str) -> Result<String, AudioError> {
    let devices = crate::audio::microphone::input_devices()?;
    let at = devices.iter().position(|d| d.name == name || d.id == name);
    let next = at.map_or(0, |k| (k + 1) % devices.len());
    match devices.get(next) {
        Some(device) => Ok(device.id.clone()),
        None => open_microphone(None).map(|opened| opened.1),
    }
}

/// This build has none.
///
/// # Errors
/// Always.
#[cfg(not(feature = "microphone"))]
pub fn next_microphone(name: &str) -> Result<String, AudioError> {
    open_microphone(Some(name)).map(|opened| opened.1)
}
