//! Lists the input devices of this machine. Nothing is recorded here.

use cpal::traits::{DeviceTrait, HostTrait};

use super::AudioError;

/// Devices of the sound library that are no microphones: sinks, converters, bridges.
const PSEUDO: [&str; 8] = [
    "null",
    "lavrate",
    "samplerate",
    "speex",
    "upmix",
    "vdownmix",
    "oss",
    "jack",
];

/// An input device.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct InputDevice {
    /// Name for people.
    pub name: String,
    /// Identity for storage, such as `alsa:default`; may move when devices are plugged in anew.
    pub id: String,
    /// True for the system's default input.
    pub is_default: bool,
    /// What the device would deliver by itself, or why it does not.
    pub config: Result<DeviceConfig, String>,
}

/// The form in which a device delivers.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DeviceConfig {
    /// Sample rate in Hz.
    pub rate_hz: u32,
    /// Channels.
    pub channels: u16,
    /// Sample format, such as `f32`.
    pub format: String,
}

/// All input devices but the pseudo devices, the default first. On a machine without sound the
/// list may be empty or hold a default device whose `config` tells why it does not work.
///
/// # Errors
/// [`AudioError`] when the sound system cannot be asked at all.
pub fn input_devices() -> Result<Vec<InputDevice>, AudioError> {
    let host = cpal::default_host();
    let default_id = host
        .default_input_device()
        .and_then(|d| d.id().ok())
        .map(|id| id.to_string());
    let devices = host.devices().map_err(|e| {
        AudioError::new(
            "microphone",
            None,
            format!("the sound system cannot be asked: {e}"),
            "check that a sound system runs, or work from recordings",
        )
    })?;
    let mut found: Vec<InputDevice> = Vec::new();
    for device in host.default_input_device().into_iter().chain(devices) {
        let Ok(id) = device.id().map(|id| id.to_string()) else {
            continue;
        };
        let is_default = default_id.as_deref() == Some(id.as_str());
        // The default device's direction is unknown to the library, so it is not asked for it.
        let is_input = is_default || device.supports_input();
        if is_pseudo(&id) || !is_input || found.iter().any(|d| d.id == id) {
            continue;
        }
        let name = device
            .description()
            .map_or_else(|_| id.clone(), |d| d.name().to_owned());
        let config = device
            .default_input_config()
            .map_err(|e| e.to_string())
            .map(|c| DeviceConfig {
                rate_hz: c.sample_rate(),
                channels: c.channels(),
                format: c.sample_format().to_string(),
            });
        found.push(InputDevice {
            name,
            id,
            is_default,
            config,
        });
    }
    Ok(found)
}

/// True for a device of the sound library that is no microphone. `id` is `host:device`.
fn is_pseudo(id: &str) -> bool {
    let device = id.split_once(':').map_or(id, |(_, device)| device);
    let stem: String = device
        .chars()
        .take_while(char::is_ascii_alphabetic)
        .collect();
    PSEUDO.contains(&stem.as_str()) || stem.starts_with("speex")
}

#[cfg(test)]
mod tests {
    use super::is_pseudo;

    #[test]
    fn pseudo_devices_are_told_from_microphones() {
        for id in [
            "alsa:null",
            "alsa:lavrate",
            "alsa:speexrate",
            "alsa:speex",
            "alsa:oss",
            "alsa:jack",
        ] {
            assert!(is_pseudo(id), "{id}");
        }
        for id in [
            "alsa:default",
            "alsa:hw:CARD=0,DEV=0",
            "alsa:pulse",
            "alsa:plughw:CARD=Mic",
        ] {
            assert!(!is_pseudo(id), "{id}");
        }
    }
}
