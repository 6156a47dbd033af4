//! Live sound of one device, one channel of it, with what was lost marked.

use std::collections::VecDeque;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, TrySendError, sync_channel};
use std::time::{Duration, Instant, SystemTime};

use cpal::traits::{DeviceTrait, StreamTrait};
use cpal::{Data, SampleFormat};

use super::{InputDevice, PATIENCE, TOO_FAST, device_of_id, hush};
use crate::audio::{AudioError, Chunk, Source, zero_what_is_no_number};
use crate::units::SampleRate;

/// A stream that is silent for so long has stalled, even if no error came: sound daemons that
/// die, and devices that are pulled out, often say nothing.
const STALL: Duration = Duration::from_millis(1500);
/// Buffers that may wait: some 20 s of the smallest ones seen (5 ms).
const MOST_WAITING: usize = 4096;
/// Sound that is looked at before a channel is chosen, in seconds.
const CHOOSE_S: f64 = 0.4;
/// Sound behind the clock by this much, and for as long, was lost without a word, in seconds.
const BEHIND_S: f64 = 0.5;
/// How long that is watched before it is believed: late sound comes in bursts.
const BELIEVE: Duration = Duration::from_secs(1);
/// The clock is compared anew after so long, so that its drift does not add up.
const ANCHOR: Duration = Duration::from_secs(60);
/// Clocks of devices agree far better; 44.1 kHz taken for 48 kHz is 8 % off.
const MOST_RATE_ERROR: f64 = 0.05;

/// One buffer of the device.
struct Buffer {
    interleaved: Vec<f64>,
    lost_before: u64,
}

/// A buffer, or why there are no more.
type Came = Result<Buffer, String>;

/// The live sound of one channel of an input device.
///
/// Dropping it never waits: closing a stream whose sound daemon died can hang for ever, so its
/// own thread does that.
#[derive(Debug)]
pub struct MicrophoneStream {
    name: String,
    rate: SampleRate,
    channels: usize,
    channel: Option<usize>,
    receiver: Receiver<Came>,
    _end: SyncSender<()>,
    /// What came before the channel was chosen.
    first: VecDeque<Buffer>,
    first_frames: usize,
    clock: Option<Clock>,
}

impl std::fmt::Debug for Buffer {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "Buffer of {} samples", self.interleaved.len())
    }
}

impl MicrophoneStream {
    /// Opens a device at the rate and in the sample format that it offers by itself.
    ///
    /// # Errors
    /// [`AudioError`] when the device cannot deliver. That it delivers nothing shows with the
    /// first chunk.
    pub fn open(device: &InputDevice) -> Result<Self, AudioError> {
        let refuse = |what: String| refused(&device.name, what);
        let config = device.config.as_ref().map_err(|why| refuse(why.clone()))?;
        let rate = SampleRate::new(config.rate_hz).map_err(|e| refuse(e.to_string()))?;
        let (sender, receiver) = sync_channel(MOST_WAITING);
        let (end, ended) = sync_channel::<()>(1);
        let (id, wanted_hz) = (device.id.clone(), config.rate_hz);
        std::thread::spawn(move || {
            if let Err(why) = run(&id, wanted_hz, &sender, &ended) {
                let _ = sender.try_send(Err(why));
            }
        });
        Ok(Self {
            name: device.name.clone(),
            rate,
            channels: usize::from(config.channels.max(1)),
            channel: None,
            receiver,
            _end: end,
            first: VecDeque::new(),
            first_frames: 0,
            clock: None,
        })
    }

    /// Name of the device.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// The next buffer, watched by the clock.
    fn receive(&mut self) -> Result<Buffer, AudioError> {
        let wait = if self.clock.is_some() {
            STALL
        } else {
            PATIENCE
        };
        let mut buffer = match self.receiver.recv_timeout(wait) {
            Ok(Ok(buffer)) => buffer,
            Ok(Err(why)) => return Err(refused(&self.name, why)),
            Err(RecvTimeoutError::Timeout) => {
                let what = format!("delivers nothing for {} s", wait.as_secs_f64());
                return Err(refused(&self.name, what));
            }
            Err(RecvTimeoutError::Disconnected) => {
                return Err(refused(&self.name, "stopped by itself".to_owned()));
            }
        };
        let frames = (buffer.interleaved.len() / self.channels) as u64;
        let clock = self.clock.get_or_insert_with(Clock::new);
        buffer.lost_before += clock
            .count(frames + buffer.lost_before, self.rate, Now::get())
            .map_err(|what| refused(&self.name, what))?;
        Ok(buffer)
    }

    /// Listens until the loudest channel is known. A device may offer two of which one is empty.
    fn choose(&mut self) -> Result<usize, AudioError> {
        while self.first_frames < self.rate.samples(CHOOSE_S) {
            let buffer = self.receive()?;
            self.first_frames += buffer.interleaved.len() / self.channels;
            self.first.push_back(buffer);
        }
        let all = self.first.iter().map(|b| b.interleaved.as_slice());
        Ok(loudest(all, self.channels))
    }
}

impl Source for MicrophoneStream {
    fn rate(&self) -> SampleRate {
        self.rate
    }

    fn next_chunk(&mut self) -> Result<Option<Chunk>, AudioError> {
        let channel = match self.channel {
            Some(channel) => channel,
            None => {
                let chosen = self.choose()?;
                *self.channel.insert(chosen)
            }
        };
        let buffer = match self.first.pop_front() {
            Some(buffer) => buffer,
            None => self.receive()?,
        };
        let frames = buffer.interleaved.chunks_exact(self.channels);
        let mut samples: Vec<f64> = frames.map(|f| f[channel]).collect();
        zero_what_is_no_number(&mut samples);
        Ok(Some(Chunk {
            samples,
            lost_before: buffer.lost_before,
        }))
    }
}

/// The channel with the most power about its mean; of equals the first.
fn loudest<'a>(buffers: impl Iterator<Item = &'a [f64]>, channels: usize) -> usize {
    let mut sums = vec![(0.0, 0.0); channels];
    let mut frames = 0.0;
    for frame in buffers.flat_map(|b| b.chunks_exact(channels)) {
        frames += 1.0;
        for (sum, x) in sums.iter_mut().zip(frame) {
            *sum = (sum.0 + x, sum.1 + x * x);
        }
    }
    let power = |s: (f64, f64)| s.1 - s.0 * s.0 / f64::max(frames, 1.0);
    let mut best = 0;
    for k in 1..channels {
        // A copy of the same channel differs by rounding at most.
        if power(sums[k]) > 1.01 * power(sums[best]) {
            best = k;
        }
    }
    best
}

fn refused(name: &str, what: String) -> AudioError {
    AudioError::new(
        name,
        None,
        what,
        "check its plug, its switch, its permission and whether another program holds it",
    )
}

/// The time by both clocks: only the second goes on while the machine sleeps.
#[derive(Debug, Clone, Copy)]
struct Now {
    running: Instant,
    wall: SystemTime,
}

impl Now {
    fn get() -> Self {
        Self {
            running: Instant::now(),
            wall: SystemTime::now(),
        }
    }
}

/// Holds the sound that came against the clock.
#[derive(Debug)]
struct Clock {
    start: Now,
    last: Now,
    /// Frames since `start`, lost ones included.
    frames: u64,
    /// Since when the sound is behind.
    behind: Option<Instant>,
}

impl Clock {
    fn new() -> Self {
        let now = Now::get();
        Self {
            start: now,
            last: now,
            frames: 0,
            behind: None,
        }
    }

    /// Counts frames that came until `now`; gives the frames that were lost without a word.
    fn count(&mut self, frames: u64, rate: SampleRate, now: Now) -> Result<u64, String> {
        self.frames += frames;
        let elapsed = now.running.duration_since(self.start.running);
        let came_s = self.frames as f64 / rate.hz();
        if came_s > TOO_FAST * elapsed.as_secs_f64() + 2.0 {
            return Err("delivers far faster than its rate: it is no microphone".to_owned());
        }
        let slept = now
            .wall
            .duration_since(self.last.wall)
            .unwrap_or_default()
            .saturating_sub(now.running.duration_since(self.last.running));
        self.last = now;
        if slept > Duration::from_secs(2) {
            self.restart(now);
            return Ok((slept.as_secs_f64() * rate.hz()) as u64);
        }
        let missing_s = elapsed.as_secs_f64() - came_s;
        if missing_s < BEHIND_S {
            self.behind = None;
        } else if now
            .running
            .duration_since(*self.behind.get_or_insert(now.running))
            >= BELIEVE
        {
            self.restart(now);
            return Ok((missing_s * rate.hz()) as u64);
        }
        if elapsed >= ANCHOR {
            let off = came_s / elapsed.as_secs_f64() - 1.0;
            if off.abs() > MOST_RATE_ERROR {
                return Err(format!(
                    "delivers {:.0} samples a second where it says {}: every tone would be off",
                    (1.0 + off) * rate.hz(),
                    rate.get()
                ));
            }
            self.restart(now);
        }
        Ok(0)
    }

    fn restart(&mut self, now: Now) {
        self.start = now;
        self.frames = 0;
        self.behind = None;
    }
}

/// Runs a stream until the other end of `ended` is gone.
fn run(
    id: &str,
    wanted_hz: u32,
    sender: &SyncSender<Came>,
    ended: &Receiver<()>,
) -> Result<(), String> {
    let _quiet = hush();
    let device = device_of_id(id)?;
    let config = device.default_input_config().map_err(|e| e.to_string())?;
    if config.sample_rate() != wanted_hz {
        return Err(format!("now offers {} Hz", config.sample_rate()));
    }
    let format = config.sample_format();
    let read = samples_of_format(format)
        .ok_or_else(|| format!("delivers {format} samples, which are not read"))?;
    let channels = u64::from(config.channels().max(1));
    let (data, fault) = (sender.clone(), sender.clone());
    let overrun = Arc::new(AtomicBool::new(false));
    let was_overrun = Arc::clone(&overrun);
    let mut lost = 0u64;
    let stream = device
        .build_input_stream_raw(
            config.config(),
            format,
            move |samples: &Data, _: &cpal::InputCallbackInfo| {
                // How much an overrun lost is not said: one frame stands for it.
                lost += u64::from(was_overrun.swap(false, Ordering::Relaxed));
                let interleaved = read(samples);
                let frames = interleaved.len() as u64 / channels;
                let buffer = Buffer {
                    interleaved,
                    lost_before: lost,
                };
                match data.try_send(Ok(buffer)) {
                    Err(TrySendError::Full(_)) => lost += frames,
                    _ => lost = 0,
                }
            },
            // It may be called without end, so a full queue drops what it says.
            move |error: cpal::Error| {
                if error.kind() == cpal::ErrorKind::Xrun {
                    overrun.store(true, Ordering::Relaxed);
                } else {
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

/// How buffers of a sample format become numbers, full scale 1.
fn samples_of_format(format: SampleFormat) -> Option<fn(&Data) -> Vec<f64>> {
    match format {
        SampleFormat::F32 => Some(samples_of::<f32>),
        SampleFormat::F64 => Some(samples_of::<f64>),
        SampleFormat::I8 => Some(samples_of::<i8>),
        SampleFormat::I16 => Some(samples_of::<i16>),
        SampleFormat::I24 => Some(samples_of::<cpal::I24>),
        SampleFormat::I32 => Some(samples_of::<i32>),
        SampleFormat::I64 => Some(samples_of::<i64>),
        SampleFormat::U8 => Some(samples_of::<u8>),
        SampleFormat::U16 => Some(samples_of::<u16>),
        SampleFormat::U24 => Some(samples_of::<cpal::U24>),
        SampleFormat::U32 => Some(samples_of::<u32>),
        SampleFormat::U64 => Some(samples_of::<u64>),
        _ => None,
    }
}

fn samples_of<T>(data: &Data) -> Vec<f64>
where
    T: cpal::SizedSample,
    f64: cpal::FromSample<T>,
{
    let samples = data.as_slice::<T>().unwrap_or(&[]).iter();
    samples
        .map(|s| <f64 as cpal::FromSample<T>>::from_sample_(*s))
        .collect()
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn later(start: Now, running_s: f64, wall_s: f64) -> Now {
        Now {
            running: start.running + Duration::from_secs_f64(running_s),
            wall: start.wall + Duration::from_secs_f64(wall_s),
        }
    }

    #[test]
    fn the_loudest_channel_is_taken_and_of_copies_the_first() {
        let right = [0.0, 0.1, 0.0, -0.1, 0.0, 0.1];
        assert_eq!(loudest([&right[..]].into_iter(), 2), 1);
        let both = [0.1, 0.1, -0.1, -0.1];
        assert_eq!(loudest([&both[..]].into_iter(), 2), 0);
        // A constant offset is no sound.
        let offset = [0.5, 0.1, 0.5, -0.1];
        assert_eq!(loudest([&offset[..]].into_iter(), 2), 1);
    }

    #[test]
    fn silent_losses_sleep_and_wrong_rates_are_seen_by_the_clock() {
        let rate = SampleRate::new(48_000).unwrap();
        let mut clock = Clock::new();
        let start = clock.start;
        let at = |s: f64| later(start, s, s);
        // In time, late by less than the limit, a burst that catches up: nothing is lost.
        assert_eq!(clock.count(48_000, rate, at(1.0)), Ok(0));
        assert_eq!(clock.count(0, rate, at(1.8)), Ok(0));
        assert_eq!(clock.count(48_000, rate, at(2.0)), Ok(0));
        // Nine tenths of a second are missing and stay so for a second.
        assert_eq!(clock.count(4_800, rate, at(3.0)), Ok(0));
        let lost = clock.count(48_000, rate, at(4.01)).unwrap();
        assert!((43_000..45_000).contains(&lost), "{lost}");
        // Ten seconds of sleep, of which only the clock on the wall knows.
        let lost = clock.count(480, rate, later(start, 4.02, 14.02)).unwrap();
        assert!((470_000..490_000).contains(&lost), "{lost}");
        let mut fast = Clock::new();
        assert!(
            fast.count(48_000 * 30, rate, later(fast.start, 1.0, 1.0))
                .is_err()
        );
        let mut off = Clock::new();
        let start = off.start;
        for s in 1..60 {
            let came = off.count(52_245, rate, later(start, f64::from(s), f64::from(s)));
            assert_eq!(came, Ok(0));
        }
        let end = off.count(52_245, rate, later(start, 60.0, 60.0));
        assert!(end.unwrap_err().contains("52245"));
    }
}
