//! Lists the input devices of this machine, listens whether they deliver, and streams from one.
//! Nothing is kept here.

mod stream;

use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, sync_channel};
use std::time::{Duration, Instant};

use cpal::traits::{DeviceTrait, HostTrait, StreamTrait};
use cpal::{Data, SampleFormat};

pub use stream::MicrophoneStream;

use super::AudioError;
use crate::units::amplitude_db;

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
    let _quiet = hush();
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

/// The input device of a name (its id, its name, or a part of its name that no other has; capitals
/// do not matter), or with none the default.
///
/// # Errors
/// [`AudioError`] that lists what is there when the name fits none or several.
pub fn find_device(wanted: Option<&str>) -> Result<InputDevice, AudioError> {
    choose(input_devices()?, wanted)
}

fn choose(devices: Vec<InputDevice>, wanted: Option<&str>) -> Result<InputDevice, AudioError> {
    let there: Vec<String> = devices.iter().map(|d| format!("\"{}\"", d.name)).collect();
    let refuse = |what: &str| {
        let remedy = if there.is_empty() {
            "there is no microphone at all: plug one in, or allow this program to use it".to_owned()
        } else {
            format!("name one of these: {}", there.join(", "))
        };
        AudioError::new(wanted.unwrap_or("microphone"), None, what, remedy)
    };
    let Some(wanted) = wanted else {
        let default = devices.iter().position(|d| d.is_default).unwrap_or(0);
        return devices
            .into_iter()
            .nth(default)
            .ok_or_else(|| refuse("no input device"));
    };
    let low = wanted.to_lowercase();
    let exact = devices
        .iter()
        .position(|d| d.id == wanted || d.name.to_lowercase() == low);
    let parts: Vec<usize> = (0..devices.len())
        .filter(|k| devices[*k].name.to_lowercase().contains(&low))
        .collect();
    match (exact, parts.as_slice()) {
        (Some(k), _) | (None, &[k]) => Ok(devices[k].clone()),
        (None, []) => Err(refuse("no microphone of this name")),
        (None, _) => Err(refuse("more than one microphone has this in its name")),
    }
}

/// While the result lives, the sound library's complaints about devices that it probes on this
/// thread do not reach standard error.
#[cfg(target_os = "linux")]
pub(super) fn hush() -> impl Sized {
    alsa::Output::local_error_handler()
}

/// Nothing to keep quiet here.
#[cfg(not(target_os = "linux"))]
pub(super) fn hush() -> impl Sized {}

/// How long a device may take until its first samples; through sound daemons up to 1.5 s were seen.
const PATIENCE: Duration = Duration::from_secs(4);
/// Frames per second over the stated rate from which a device does not run by a clock.
const TOO_FAST: f64 = 3.0;

/// What a device delivered while it was listened to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct InputLevel {
    /// Root mean square of all channels in dB of full scale; none when all was zero.
    pub level_db: Option<f64>,
    /// Largest sample in dB of full scale; none when all was zero.
    pub peak_db: Option<f64>,
    /// Seconds of sound that came, by the stated rate.
    pub heard_s: f64,
}

/// Sums of one buffer, or why there are no more.
type Came = Result<Sums, String>;

#[derive(Debug, Clone, Copy, Default)]
struct Sums {
    samples: u64,
    sum_sq: f64,
    peak: f64,
}

/// Listens to a device of [`input_devices`] for `length` and tells the level. Nothing is kept.
///
/// A zero level means that the device delivers, but only digital silence: a switch, a missing
/// permission, or no microphone in the socket.
///
/// # Errors
/// [`AudioError`] when the device cannot be opened, delivers nothing within 4 s, fails, or
/// delivers far faster than its rate (then it is no microphone).
pub fn listen_briefly(device: &InputDevice, length: Duration) -> Result<InputLevel, AudioError> {
    let refuse = |what: String| {
        AudioError::new(
            &device.name,
            None,
            what,
            "check its plug, its switch and whether another program holds it",
        )
    };
    let config = device.config.as_ref().map_err(|why| refuse(why.clone()))?;
    let (sender, receiver) = sync_channel(256);
    let id = device.id.clone();
    // The thread owns the stream: closing one whose sound daemon died can hang for ever, and
    // then only this thread hangs, which ends with the program.
    let (end, ended) = sync_channel::<()>(1);
    std::thread::spawn(move || {
        if let Err(why) = stream(&id, &sender, &ended) {
            let _ = sender.try_send(Err(why));
        }
    });
    let came = gathered(&receiver, length).map_err(refuse);
    let _ = end.try_send(());
    let (sums, took) = came?;
    let per_s = f64::from(config.rate_hz) * f64::from(config.channels.max(1));
    let heard_s = sums.samples as f64 / per_s;
    if heard_s > TOO_FAST * took.as_secs_f64().max(0.2) {
        return Err(refuse(
            "delivers far faster than its rate: it is no microphone".to_owned(),
        ));
    }
    let rms = (sums.sum_sq / sums.samples.max(1) as f64).sqrt();
    let db = |v: f64| (v > 0.0).then(|| amplitude_db(v));
    Ok(InputLevel {
        level_db: db(rms),
        peak_db: db(sums.peak),
        heard_s,
    })
}

/// Adds up what comes from the first buffer on, for `length`; also how long that took.
fn gathered(receiver: &Receiver<Came>, length: Duration) -> Result<(Sums, Duration), String> {
    let mut total = match receiver.recv_timeout(PATIENCE) {
        Ok(came) => came?,
        Err(_) => return Err(format!("delivers nothing within {} s", PATIENCE.as_secs())),
    };
    let start = Instant::now();
    while let Some(left) = length.checked_sub(start.elapsed()) {
        match receiver.recv_timeout(left) {
            Ok(came) => {
                let sums = came?;
                total.samples += sums.samples;
                total.sum_sq += sums.sum_sq;
                total.peak = total.peak.max(sums.peak);
            }
            Err(RecvTimeoutError::Timeout) => break,
            Err(RecvTimeoutError::Disconnected) => return Err("stopped by itself".to_owned()),
        }
    }
    Ok((total, start.elapsed()))
}

/// Runs a stream until `ended` says so.
fn stream(id: &str, sender: &SyncSender<Came>, ended: &Receiver<()>) -> Result<(), String> {
    let _quiet = hush();
    let device = device_of_id(id)?;
    let config = device.default_input_config().map_err(|e| e.to_string())?;
    let format = config.sample_format();
    if sums_of_format(format).is_none() {
        return Err(format!("delivers {format} samples, which are not read"));
    }
    let (data, fault) = (sender.clone(), sender.clone());
    let stream = device
        .build_input_stream_raw(
            config.config(),
            format,
            move |samples: &Data, _: &cpal::InputCallbackInfo| {
                if let Some(sums) = sums_of_format(format).map(|sum| sum(samples)) {
                    let _ = data.try_send(Ok(sums));
                }
            },
            // An overrun loses frames, which a level can bear; all else ends the stream. The
            // callback may be called without end, so a full queue drops it.
            move |error: cpal::Error| {
                if error.kind() != cpal::ErrorKind::Xrun {
                    let _ = fault.try_send(Err(error.to_string()));
                }
            },
            None,
        )
        .map_err(|e| e.to_string())?;
    stream.play().map_err(|e| e.to_string())?;
    let _ = ended.recv();
    Ok(())
}

/// The device of an id of [`input_devices`].
fn device_of_id(id: &str) -> Result<cpal::Device, String> {
    let host = cpal::default_host();
    let others = host.devices().map_err(|e| e.to_string())?;
    host.default_input_device()
        .into_iter()
        .chain(others)
        .find(|d| d.id().is_ok_and(|found| found.to_string() == id))
        .ok_or_else(|| "is gone".to_owned())
}

/// How buffers of a sample format are summed; none for formats that are not read.
fn sums_of_format(format: SampleFormat) -> Option<fn(&Data) -> Sums> {
    match format {
        SampleFormat::F32 => Some(sums_of::<f32>),
        SampleFormat::F64 => Some(sums_of::<f64>),
        SampleFormat::I8 => Some(sums_of::<i8>),
        SampleFormat::I16 => Some(sums_of::<i16>),
        SampleFormat::I32 => Some(sums_of::<i32>),
        SampleFormat::U8 => Some(sums_of::<u8>),
        SampleFormat::U16 => Some(sums_of::<u16>),
        _ => None,
    }
}

fn sums_of<T>(data: &Data) -> Sums
where
    T: cpal::SizedSample,
    f64: cpal::FromSample<T>,
{
    let mut sums = Sums::default();
    for sample in data.as_slice::<T>().unwrap_or(&[]) {
        let x = <f64 as cpal::FromSample<T>>::from_sample_(*sample);
        if x.is_finite() {
            sums.samples += 1;
            sums.sum_sq += x * x;
            sums.peak = sums.peak.max(x.abs());
        }
    }
    sums
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
#[allow(clippy::unwrap_used)]
mod tests {
    use super::{InputDevice, choose, is_pseudo};

    fn device(name: &str, id: &str, is_default: bool) -> InputDevice {
        InputDevice {
            name: name.to_owned(),
            id: id.to_owned(),
            is_default,
            config: Err("not asked".to_owned()),
        }
    }

    #[test]
    fn a_device_is_chosen_by_id_name_or_a_part_that_no_other_has() {
        let all = || {
            vec![
                device("Built-in", "alsa:hw:0", false),
                device("Desk one", "alsa:hw:1", true),
                device("Desk two", "alsa:hw:2", false),
                device("Desk", "alsa:hw:3", false),
            ]
        };
        let chosen = |wanted| {
            choose(all(), wanted)
                .map(|d| d.id)
                .map_err(|e| e.to_string())
        };
        assert_eq!(chosen(None).as_deref(), Ok("alsa:hw:1"));
        assert_eq!(chosen(Some("alsa:hw:0")).as_deref(), Ok("alsa:hw:0"));
        assert_eq!(chosen(Some("DESK TWO")).as_deref(), Ok("alsa:hw:2"));
        assert_eq!(chosen(Some("built")).as_deref(), Ok("alsa:hw:0"));
        assert_eq!(
            chosen(Some("desk")).as_deref(),
            Ok("alsa:hw:3"),
            "the whole name"
        );
        let many = chosen(Some("esk")).unwrap_err();
        assert!(
            many.contains("more than one") && many.contains("Desk two"),
            "{many}"
        );
        let none = chosen(Some("Attic")).unwrap_err();
        assert!(
            none.contains("Attic") && none.contains("Built-in"),
            "{none}"
        );
        let bare = choose(Vec::new(), None).unwrap_err().to_string();
        assert!(bare.contains("plug one in"), "{bare}");
    }

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
