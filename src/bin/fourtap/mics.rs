//! `fourtap mics`.

use std::process::ExitCode;

use crate::exit;
use crate::tell::complain;

/// Lists the input devices and listens to each for a second.
#[cfg(feature = "microphone")]
pub fn run(json: bool) -> ExitCode {
    use fourtap::audio::microphone::{input_devices, listen_briefly};

    let devices = match input_devices() {
        Ok(devices) => devices,
        Err(error) => {
            complain(&error.to_string());
            return ExitCode::from(exit::DEVICE);
        }
    };
    let mut usable = 0;
    for device in &devices {
        let level = listen_briefly(device, std::time::Duration::from_secs(1));
        usable += usize::from(level.is_ok());
        tell(device, &level, json);
    }
    if usable == 0 {
        complain(
            "there is no microphone that can be used: plug one in or switch it on, allow this \
             program to use it, or read recordings of another device with fourtap read",
        );
        return ExitCode::from(exit::DEVICE);
    }
    ExitCode::SUCCESS
}

/// This build has no sound library.
#[cfg(not(feature = "microphone"))]
pub fn run(_json: bool) -> ExitCode {
    complain(
        "this build has no microphones: build it with the feature microphone, or read recordings \
         with fourtap read",
    );
    ExitCode::from(exit::DEVICE)
}

#[cfg(feature = "microphone")]
fn tell(
    device: &fourtap::audio::microphone::InputDevice,
    level: &Result<fourtap::audio::microphone::InputLevel, fourtap::audio::AudioError>,
    json: bool,
) {
    use crate::tell::say;

    let delivers = match level {
        Ok(level) if level.level_db.is_some() => "sound",
        Ok(_) => "only zeros",
        Err(_) => "nothing",
    };
    let config = device.config.as_ref().ok();
    let why = level.as_ref().err().map(|e| e.what.clone());
    let level_db = level.as_ref().ok().and_then(|l| l.level_db);
    if json {
        say(&serde_json::json!({
            "format": "fourtap.microphone",
            "version": 1,
            "id": device.id,
            "name": device.name,
            "is_default": device.is_default,
            "rate_hz": config.map(|c| c.rate_hz),
            "channels": config.map(|c| c.channels),
            "sample_format": config.map(|c| &c.format),
            "delivers": delivers,
            "level_db": level_db,
            "peak_db": level.as_ref().ok().and_then(|l| l.peak_db),
            "why_not": why,
        })
        .to_string());
        return;
    }
    let default = if device.is_default {
        ", the default"
    } else {
        ""
    };
    say(&format!("{} ({}{default})", device.name, device.id));
    if let Some(c) = config {
        let many = if c.channels == 1 {
            "channel"
        } else {
            "channels"
        };
        say(&format!(
            "  {} Hz, {} {many}, {}",
            c.rate_hz, c.channels, c.format
        ));
    }
    match (level_db, &why) {
        (Some(db), _) => say(&format!(
            "  delivers sound: {db:.0} dB of full scale over one second"
        )),
        (None, None) => say("  delivers only zeros: it is muted, or may not be used"),
        (None, Some(why)) => say(&format!("  cannot be used: {why}")),
    }
}
