//! Sound on its way in: written to disk first, then handed on. On a thread of its own, so that
//! neither the screen nor the analysis can hold it up.

use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::thread::JoinHandle;
use std::time::Duration;

use crate::audio::take_file::TakeFile;
use crate::audio::{AudioError, Chunk, Input, Recording, Source};
use crate::record::sounding::FileRecord;

/// What a pause or a long loss counts for on the time axis, in seconds: a file need not hold the
/// zeros of a whole lunch break.
const LONGEST_GAP_S: f64 = 1.0;

/// What comes in.
#[derive(Debug)]
pub enum Came {
    /// Sound, already in the take.
    Sound(Chunk),
    /// The source has ended by itself.
    Ended,
    /// The source failed, or the take cannot be written any more.
    Failed(AudioError),
}

/// A source that is being taken in.
#[derive(Debug)]
pub struct TakeIn {
    receiver: Receiver<Came>,
    stop: Arc<AtomicBool>,
    paused: Arc<AtomicBool>,
    thread: JoinHandle<Result<u64, AudioError>>,
}

impl TakeIn {
    /// Begins. Every chunk goes into `take`, where there is one, before it is handed on. `overhear`
    /// is shown each chunk as it comes. A failure is handed on behind the sound before it, and told
    /// at once by `alarm`. Both are called from the thread that takes the sound in: the analysis of
    /// what waits can take seconds, and a level must not stand still meanwhile.
    pub fn start(
        source: Box<dyn Source + Send>,
        take: Option<TakeFile>,
        overhear: impl Fn(&Chunk) + Send + 'static,
        alarm: impl Fn(&AudioError) + Send + 'static,
    ) -> Self {
        let (sender, receiver) = channel();
        let stop = Arc::new(AtomicBool::new(false));
        let paused = Arc::new(AtomicBool::new(false));
        let flags = (Arc::clone(&stop), Arc::clone(&paused));
        let fail = move |sender: &Sender<Came>, error: AudioError| {
            alarm(&error);
            let _ = sender.send(Came::Failed(error));
        };
        let thread = std::thread::spawn(move || {
            let outlets = Outlets {
                overhear: &overhear,
                sender: &sender,
            };
            run(source, take, &outlets, &fail, &flags.0, &flags.1)
        });
        Self {
            receiver,
            stop,
            paused,
            thread,
        }
    }

    /// While paused, sound is neither written nor handed on; the pause counts as a gap.
    pub fn pause(&self, paused: bool) {
        self.paused.store(paused, Ordering::Relaxed);
    }

    /// What came next, waiting at most `wait`; none when nothing did.
    pub fn next(&self, wait: Duration) -> Option<Came> {
        match self.receiver.recv_timeout(wait) {
            Ok(came) => Some(came),
            Err(RecvTimeoutError::Timeout) => None,
            Err(RecvTimeoutError::Disconnected) => Some(Came::Ended),
        }
    }

    /// Ends it, completes the take, and gives what had come but was not asked for yet.
    ///
    /// # Errors
    /// [`AudioError`] when the take could not be completed; what was saved stays readable.
    pub fn finish(self) -> (Vec<Chunk>, Result<u64, AudioError>) {
        self.stop.store(true, Ordering::Relaxed);
        let Self {
            receiver, thread, ..
        } = self;
        // The sender is gone when the thread ends, and with it the last of these.
        let rest = receiver.iter().filter_map(|came| match came {
            Came::Sound(chunk) => Some(chunk),
            _ => None,
        });
        let rest = rest.collect();
        let done = thread.join().unwrap_or_else(|_| {
            let what = "the thread that takes sound in has failed";
            let remedy = "what was saved of the take stays readable";
            Err(AudioError::new("microphone", None, what, remedy))
        });
        (rest, done)
    }
}

/// Where sound goes besides the take.
struct Outlets<'a> {
    overhear: &'a dyn Fn(&Chunk),
    sender: &'a Sender<Came>,
}

fn run(
    mut source: Box<dyn Source + Send>,
    mut take: Option<TakeFile>,
    outlets: &Outlets<'_>,
    fail: &impl Fn(&Sender<Came>, AudioError),
    stop: &AtomicBool,
    paused: &AtomicBool,
) -> Result<u64, AudioError> {
    let sender = outlets.sender;
    let longest = source.rate().samples(LONGEST_GAP_S) as u64;
    let mut lost = 0;
    while !stop.load(Ordering::Relaxed) {
        let mut chunk = match source.next_chunk() {
            Ok(Some(chunk)) => chunk,
            Ok(None) => {
                let _ = sender.send(Came::Ended);
                break;
            }
            Err(error) => {
                fail(sender, error);
                break;
            }
        };
        lost += chunk.lost_before;
        if paused.load(Ordering::Relaxed) {
            lost += chunk.samples.len() as u64;
            continue;
        }
        chunk.lost_before = std::mem::take(&mut lost).min(longest);
        if let Some(Err(error)) = take.as_mut().map(|t| t.write(&chunk)) {
            fail(sender, error.clone());
            return Err(error);
        }
        (outlets.overhear)(&chunk);
        if sender.send(Came::Sound(chunk)).is_err() {
            break;
        }
    }
    take.map_or(Ok(0), TakeFile::finish)
}

/// A take as the record describes it; none when there is no sound in it.
///
/// # Errors
/// [`AudioError`] when it cannot be read.
pub fn described(path: &Path) -> Result<Option<FileRecord>, AudioError> {
    let take = Recording::open(&Input::Path(path.to_owned()))?;
    let frames = take.frames.unwrap_or(0);
    Ok((frames > 0).then(|| FileRecord {
        name: path
            .file_name()
            .unwrap_or_default()
            .to_string_lossy()
            .into_owned(),
        blake3: take.blake3.clone(),
        kind: take.kind.clone(),
        lossy: take.lossy,
        rate_hz: take.rate.get(),
        channels: take.channels,
        second_channel: None,
        channel: 1,
        length_s: frames as f64 / take.rate.hz(),
        automatic_gain: false,
    }))
}
