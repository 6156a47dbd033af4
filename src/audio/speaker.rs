//! The loudspeaker: plays a clip on the system's usual output, and waits until it is over.

use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::mpsc::sync_channel;
use std::time::Duration;

use cpal::SampleFormat;
use cpal::traits::{DeviceTrait, HostTrait, StreamTrait};

use super::AudioError;
use super::microphone::hush;
use crate::signal::clip::Clip;
use crate::units::SampleRate;

/// Longest that a device may take beyond the clip's own length.
const PATIENCE: Duration = Duration::from_secs(3);
/// Silence behind the clip, so that nothing of it stays in the device's buffer, in seconds.
const AFTER_S: f64 = 0.3;

/// The usual output.
pub struct Speaker {
    device: cpal::Device,
    config: cpal::StreamConfig,
    format: SampleFormat,
    rate: SampleRate,
}

impl Speaker {
    /// Finds it.
    ///
    /// # Errors
    /// [`AudioError`] when there is none, or none that takes what this program can give.
    pub fn usual() -> Result<Self, AudioError> {
        let _quiet = hush();
        let device = cpal::default_host()
            .default_output_device()
            .ok_or_else(|| refused("there is none"))?;
        let config = device
            .default_output_config()
            .map_err(|e| refused(&e.to_string()))?;
        let format = config.sample_format();
        if !matches!(format, SampleFormat::F32 | SampleFormat::I16) {
            return Err(refused(&format!("it wants samples of the kind {format}")));
        }
        let rate = SampleRate::new(config.sample_rate()).map_err(|e| refused(&e.to_string()))?;
        Ok(Self {
            device,
            config: config.config(),
            format,
            rate,
        })
    }

    /// The rate that clips must have.
    pub fn rate(&self) -> SampleRate {
        self.rate
    }

    /// Plays a clip to its end, the same on all channels.
    ///
    /// # Errors
    /// [`AudioError`] for a clip of another rate, or when the device does not play it.
    pub fn play(&self, clip: &Clip) -> Result<(), AudioError> {
        if clip.rate() != self.rate {
            return Err(refused("it plays at another rate"));
        }
        match self.format {
            SampleFormat::F32 => self.play_as(clip, |s| s as f32),
            _ => self.play_as(clip, |s| (s.clamp(-1.0, 1.0) * 32_767.0).round() as i16),
        }
    }

    fn play_as<T: cpal::SizedSample + Send + 'static>(
        &self,
        clip: &Clip,
        make: fn(f64) -> T,
    ) -> Result<(), AudioError> {
        let _quiet = hush();
        let samples = clip.samples().to_vec();
        let end = samples.len() + self.rate.samples(AFTER_S);
        let channels = usize::from(self.config.channels).max(1);
        let at = Arc::new(AtomicUsize::new(0));
        let (sender, ended) = sync_channel::<Result<(), String>>(1);
        let fault = sender.clone();
        let stream = self
            .device
            .build_output_stream(
                self.config,
                move |out: &mut [T], _: &cpal::OutputCallbackInfo| {
                    for frame in out.chunks_mut(channels) {
                        let k = at.fetch_add(1, Ordering::Relaxed);
                        let value = make(samples.get(k).copied().unwrap_or(0.0));
                        frame.fill(value);
                        if k == end {
                            let _ = sender.try_send(Ok(()));
                        }
                    }
                },
                move |error: cpal::Error| {
                    if error.kind() != cpal::ErrorKind::Xrun {
                        let _ = fault.try_send(Err(error.to_string()));
                    }
                },
                None,
            )
            .map_err(|e| refused(&e.to_string()))?;
        stream.play().map_err(|e| refused(&e.to_string()))?;
        let wait = Duration::from_secs_f64(clip.duration_s() + AFTER_S) + PATIENCE;
        match ended.recv_timeout(wait) {
            Ok(Ok(())) => Ok(()),
            Ok(Err(why)) => Err(refused(&why)),
            Err(_) => Err(refused("it does not play")),
        }
    }
}

fn refused(what: &str) -> AudioError {
    AudioError::new(
        "the loudspeaker",
        None,
        what.trim_end_matches('.'),
        "choose an output in the system's sound settings, or play the sounds yourself: --sounds DIR",
    )
}
