//! A live sounding with all that belongs to it: where the sound comes from, its take on the disk,
//! the log by which it can be gone on with, the level, and what the person says. The faces (the
//! terminal, the page) hand words in and draw what is to be seen; they hear nothing themselves.

use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use crate::audio::take_file::TakeFile;
use crate::audio::{AudioError, Chunk};
use crate::reading::turn_plan::TurnPlan;
use crate::reading::{Heard, Reading};
use crate::record::live_log::{FORMAT, LiveStep, VERSION};
use crate::store::live_logs::LiveLog;
use crate::tasks::broken_off::{BrokenOff, remove_broken_off};
use crate::tasks::clock::now;
use crate::tasks::input_check::InputCheck;
use crate::tasks::level_meter::LevelMeter;
use crate::tasks::live_sounding::{EarAsked, LiveEvent, LiveSounding};
use crate::tasks::open_source::{Opened, next_microphone, open_microphone, open_recording};
use crate::tasks::read_soundings::{ReadSettings, ReadSounding};
use crate::tasks::resume_sounding::resume;
use crate::tasks::take_in::{Came, TakeIn, described};
use crate::units::SampleRate;

/// What a person can say.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Word {
    /// What the ear heard.
    Heard(Heard),
    /// Strike this spot again, counted from 0; none is the last one.
    Redo(Option<usize>),
    /// That was no tap.
    NoTap,
    /// Pause, or go on.
    Pause,
    /// Stop and read what is there.
    Stop,
    /// Try the microphone again.
    Retry,
    /// Take this microphone; with an empty name, after a fault, the next one there is.
    Microphone(String),
}

/// Why no taps are being taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Wait {
    /// They are.
    No,
    /// The person paused.
    Paused,
    /// The source failed or was found unfit, and another may be taken.
    ForSource,
    /// Nothing more comes.
    Over,
}

/// What stood in the way of a sounding without a tap.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Trouble {
    /// The recording that was to be heard.
    Input,
    /// The device.
    Device,
    /// The folder for takes.
    Store,
}

/// How a sounding is taken.
pub struct TakeSettings {
    /// How its taps are read.
    pub read: ReadSettings,
    /// When the ear is asked.
    pub ear: EarAsked,
    /// Folder for the take and the log, which must be there.
    pub folder: PathBuf,
    /// The recording that is fed as if live; none for microphones.
    pub from: Option<PathBuf>,
    /// Tells at once, from another thread, that the sound broke off.
    pub alarm: Arc<dyn Fn(&str) + Send + Sync>,
    /// True when what `alarm` tells stays before the person; else it is said again.
    pub does_alarm_stay: bool,
    /// True when takes stay in their folder, also those without a tap.
    pub do_takes_stay: bool,
}

/// What a sounding ends with.
#[derive(Debug)]
pub struct Ended {
    /// The sounding, if it has a tap.
    pub read: Option<ReadSounding>,
    /// Its takes, one for each of the record's files.
    pub takes: Vec<PathBuf>,
    /// The log of one that was broken off and can be gone on with.
    pub log: Option<LiveLog>,
    /// What stood in the way, if there is no tap.
    pub trouble: Option<Trouble>,
    /// All that was said.
    pub said: Vec<String>,
}

/// A sounding that is being taken.
pub struct TakingSounding {
    live: LiveSounding,
    input: Option<TakeIn>,
    check: Option<InputCheck>,
    wait: Wait,
    folder: PathBuf,
    from: Option<PathBuf>,
    alarm: Arc<dyn Fn(&str) + Send + Sync>,
    does_alarm_stay: bool,
    do_takes_stay: bool,
    /// Name of the microphone or file.
    source: String,
    takes: Vec<PathBuf>,
    /// What happened, on the disk; none when it cannot be written.
    log: Option<LiveLog>,
    /// Frames of the part at hand that were heard, lost ones included.
    at_frame: u64,
    is_stopped: bool,
    wheel: Option<String>,
    meter: Arc<Mutex<LevelMeter>>,
    said: Vec<String>,
    fatal: Option<Trouble>,
}

impl TakingSounding {
    /// Nothing is heard yet; see [`Self::begin`].
    pub fn new(settings: TakeSettings) -> Self {
        Self {
            wheel: settings.read.wheel.clone(),
            live: LiveSounding::new(settings.read, settings.ear),
            input: None,
            check: None,
            wait: Wait::No,
            folder: settings.folder,
            from: settings.from,
            alarm: settings.alarm,
            does_alarm_stay: settings.does_alarm_stay,
            do_takes_stay: settings.do_takes_stay,
            source: String::new(),
            takes: Vec::new(),
            log: None,
            at_frame: 0,
            is_stopped: false,
            meter: Arc::default(),
            said: Vec::new(),
            fatal: None,
        }
    }

    /// Hears again what was heard before it was broken off.
    ///
    /// # Errors
    /// What is in the way, and whether it is a take or the store.
    pub fn resume(&mut self, before: &BrokenOff) -> Result<(), (Trouble, String)> {
        let takes = resume(&mut self.live, &before.steps, &self.folder);
        self.takes = takes.map_err(|e| (Trouble::Input, e.to_string()))?;
        let log = LiveLog::go_on(&before.log).map_err(|e| (Trouble::Store, e.to_string()))?;
        self.log = Some(log);
        let spots = self.live.turn_plan().spots_deg().len();
        let struck = (0..spots).filter(|s| self.live.at(*s).is_some()).count();
        let of = before.wheel.as_deref().unwrap_or("the wheel");
        self.tell(&format!(
            "going on with the sounding of {of} that began {}: {struck} of {spots} spots are struck",
            before.at
        ));
        Ok(())
    }

    /// The sounding so far.
    pub fn live(&self) -> &LiveSounding {
        &self.live
    }

    /// Name of the microphone or file that is heard.
    pub fn source(&self) -> &str {
        &self.source
    }

    /// Id of the wheel.
    pub fn wheel(&self) -> Option<&str> {
        self.wheel.as_deref()
    }

    /// The level of what comes in, which goes on while taps are analysed.
    pub fn meter(&self) -> &Arc<Mutex<LevelMeter>> {
        &self.meter
    }

    /// Why no taps are being taken.
    pub fn waits(&self) -> Wait {
        self.wait
    }

    /// True while the room is listened to, before the first tap.
    pub fn is_checking(&self) -> bool {
        self.check.is_some()
    }

    /// What was said, oldest first.
    pub fn said(&self) -> &[String] {
        &self.said
    }

    /// True when nothing is left to be taken: the person stopped it, it is whole, or all that
    /// there is was taken and the ear has spoken.
    pub fn is_over(&self) -> bool {
        self.is_stopped
            || self.live.is_complete()
            || (self.wait == Wait::Over && self.live.asking().is_none())
    }

    /// What is going on, if it is not the taking of taps.
    pub fn state_words(&self) -> Option<&'static str> {
        match self.wait {
            Wait::Paused => Some("paused: p goes on"),
            Wait::ForSource => {
                Some("no sound: Enter tries again, m takes the next microphone, q stops")
            }
            Wait::No if self.check.is_some() => Some("be quiet: listening to the room"),
            Wait::No | Wait::Over => None,
        }
    }

    /// Writes down what happened; without the disk the sounding goes on all the same.
    fn note_step(&mut self, step: &LiveStep) {
        let Some(log) = &mut self.log else { return };
        if let Err(error) = log.add(step) {
            self.log = None;
            self.tell(&format!(
                "the sounding cannot be gone on with later: {error}"
            ));
        }
    }

    /// Adds a sentence to the warnings of the record.
    fn note(&mut self, sentence: String) {
        self.note_step(&LiveStep::Note {
            sentence: sentence.clone(),
        });
        self.live.note(sentence);
    }

    /// The log of a sounding that begins with this take.
    fn begin_log(&mut self, take: &Path) {
        match LiveLog::begin(take) {
            Ok(log) => self.log = Some(log),
            Err(error) => return self.tell(&error.to_string()),
        }
        let begun = LiveStep::Begun {
            format: FORMAT.to_owned(),
            version: VERSION,
            at: now(),
            wheel: self.wheel.clone(),
            turn_plan: self.live.turn_plan().name().to_owned(),
            temp_c: self.live.temp_c(),
            ear_asked_afterwards: self.live.ear_asked() == EarAsked::Afterwards,
        };
        self.note_step(&begun);
    }

    /// Takes in a source; its sound goes to a new take.
    pub fn begin(&mut self, (source, name): Opened) {
        let rate = source.rate();
        let (path, take) = match self.new_take(rate) {
            Ok(made) => made,
            Err(error) => {
                self.tell(&error.to_string());
                self.fatal = Some(Trouble::Store);
                self.wait = Wait::ForSource;
                return;
            }
        };
        if self.log.is_none() && self.takes.is_empty() {
            self.begin_log(&path);
        }
        let part = path.file_name().unwrap_or_default().to_string_lossy();
        self.note_step(&LiveStep::Part {
            take: part.to_string(),
        });
        self.at_frame = 0;
        let events = self.live.begin_part(&part, rate);
        self.takes.push(path);
        *metered(&self.meter) = LevelMeter::new(rate);
        self.tell_all(events);
        self.tell(&format!("{name}, {} Hz: listening to the room", rate.get()));
        self.source = name;
        self.check = Some(InputCheck::new(rate));
        let meter = Arc::clone(&self.meter);
        let overhear = move |chunk: &Chunk| metered(&meter).hear(chunk);
        let tell = Arc::clone(&self.alarm);
        let alarm = move |error: &AudioError| tell(&format!("the sound broke off: {error}"));
        self.input = Some(TakeIn::start(source, Some(take), overhear, alarm));
        self.wait = Wait::No;
    }

    fn new_take(&self, rate: SampleRate) -> Result<(PathBuf, TakeFile), AudioError> {
        let stamp: String = now()
            .chars()
            .filter(|c| c.is_ascii_alphanumeric())
            .collect();
        let mut error = None;
        // Two soundings may begin in the same second.
        for k in 1..100 {
            let path = self.folder.join(format!("sounding-{stamp}-{k}.wav"));
            match TakeFile::create(&path, rate) {
                Ok(take) => return Ok((path, take)),
                Err(e) if path.exists() => error = Some(e),
                Err(e) => return Err(e),
            }
        }
        Err(error.unwrap_or_else(|| {
            let name = self.folder.display().to_string();
            AudioError::new(&name, None, "no take can be made", "check the folder")
        }))
    }

    /// The person stops it: what is there is read and kept.
    pub fn stop(&mut self) {
        self.tell("stopped: what is there is read and kept");
        self.is_stopped = true;
        self.live
            .note("the sounding was stopped by the person".to_owned());
    }

    /// Takes in what has come, for at most `beat` and the analysis of what it ends with.
    pub fn listen(&mut self, beat: Duration) {
        if self.input.is_none() {
            return std::thread::sleep(beat);
        }
        let start = Instant::now();
        // What has come meanwhile is taken at once, but keys are looked at again soon.
        while let Some(came) = self.input.as_ref().and_then(|i| i.next(beat)) {
            match came {
                Came::Sound(chunk) => {
                    self.look_at(&chunk);
                    self.hear(&chunk);
                }
                Came::Ended => {
                    self.close_input();
                    let events = self.live.end();
                    self.tell_all(events);
                    self.wait = Wait::Over;
                }
                Came::Failed(error) => {
                    let sentence = format!("the sound broke off: {error}");
                    self.note(sentence);
                    self.fatal = Some(Trouble::Device);
                    if !self.does_alarm_stay {
                        self.said.push(format!("the sound broke off: {error}"));
                    }
                    self.lose();
                }
            }
            if start.elapsed() > beat {
                break;
            }
        }
    }

    fn hear(&mut self, chunk: &Chunk) {
        if chunk.lost_before > 0 {
            self.note_step(&LiveStep::Lost {
                at_frame: self.at_frame,
                frames: chunk.lost_before,
            });
        }
        self.at_frame += chunk.lost_before + chunk.samples.len() as u64;
        let events = self.live.hear(chunk);
        self.tell_all(events);
    }

    /// Closes what failed; the taps so far stay.
    fn lose(&mut self) {
        self.close_input();
        let events = self.live.end_part();
        self.tell_all(events);
        self.wait = Wait::ForSource;
        self.tell(
            "the taps so far are kept: Enter tries again, m takes the next microphone there is, q \
             stops",
        );
    }

    fn close_input(&mut self) {
        let Some(input) = self.input.take() else {
            return;
        };
        let (rest, done) = input.finish();
        for chunk in rest {
            self.hear(&chunk);
        }
        if let Err(error) = done {
            self.tell(&error.to_string());
        }
    }

    /// Looks at the first sound of an input.
    fn look_at(&mut self, chunk: &Chunk) {
        let Some(found) = self.check.as_mut().and_then(|c| c.hear(chunk)) else {
            return;
        };
        self.check = None;
        for fault in &found.faults {
            self.tell(&fault.sentence);
            self.note(format!("before the first tap: {}", fault.sentence));
        }
        if found.faults.iter().any(|f| f.is_fatal) {
            self.fatal = Some(if self.from.is_some() {
                Trouble::Input
            } else {
                Trouble::Device
            });
            self.tell("no sounding can be taken like this");
            self.lose();
            return;
        }
        if let Some(noise_db) = found.noise_db {
            self.tell(&format!(
                "ready: quiet of {noise_db:.0} dB of full scale where wheels ring"
            ));
        }
    }

    /// Does what the person says.
    pub fn obey(&mut self, word: Word) {
        let events = match word {
            Word::Heard(heard) => {
                if self.live.asking().is_none() {
                    self.tell("no tap waits for your ear");
                }
                self.note_step(&LiveStep::Heard {
                    at_frame: self.at_frame,
                    heard: heard.word().to_owned(),
                });
                self.live.answer(heard)
            }
            Word::Redo(spot) => match spot.or_else(|| self.live.last_spot()) {
                Some(spot) => {
                    let at_frame = self.at_frame;
                    self.note_step(&LiveStep::Redone { at_frame, spot });
                    self.live.redo(spot)
                }
                None => Vec::new(),
            },
            Word::NoTap => {
                let at_frame = self.at_frame;
                self.note_step(&LiveStep::NoTap { at_frame });
                self.live.no_tap()
            }
            Word::Pause => {
                self.pause();
                Vec::new()
            }
            Word::Retry if self.wait == Wait::ForSource => {
                self.reopen(None);
                Vec::new()
            }
            Word::Microphone(name) if !name.is_empty() => {
                self.reopen(Some(&name));
                Vec::new()
            }
            // Not while one delivers: a slip of the finger must not cut a tap off.
            Word::Microphone(_) if self.wait == Wait::ForSource => {
                match next_microphone(&self.source) {
                    Ok(id) => {
                        self.reopen(Some(&id));
                        // If this one fails too, the one after it is next.
                        if self.wait == Wait::ForSource {
                            self.source = id;
                        }
                    }
                    Err(error) => self.tell(&error.to_string()),
                }
                Vec::new()
            }
            Word::Stop => {
                self.stop();
                Vec::new()
            }
            Word::Retry | Word::Microphone(_) => Vec::new(),
        };
        self.tell_all(events);
    }

    fn pause(&mut self) {
        let paused = match self.wait {
            Wait::No => true,
            Wait::Paused => false,
            Wait::ForSource | Wait::Over => return,
        };
        if let Some(input) = &self.input {
            input.pause(paused);
        }
        self.wait = if paused { Wait::Paused } else { Wait::No };
        self.tell(if paused {
            "paused: nothing is heard; p goes on"
        } else {
            "going on"
        });
    }

    /// Goes on with the same source, or with another microphone.
    fn reopen(&mut self, name: Option<&str>) {
        let wanted = name.map_or_else(|| self.source.clone(), str::to_owned);
        let opened = match (&self.from, name) {
            (Some(path), None) => open_recording(path),
            _ => open_microphone(Some(&wanted)),
        };
        match opened {
            Ok(opened) => {
                self.close_input();
                self.begin(opened);
            }
            Err(error) => self.tell(&error.to_string()),
        }
    }

    fn tell_all(&mut self, events: Vec<LiveEvent>) {
        for event in events {
            let words = match event {
                LiveEvent::Heard { spot } => format!("heard the tap at spot {}", spot + 1),
                LiveEvent::Again { spot, why } => format!("AGAIN spot {}: {why}", spot + 1),
                LiveEvent::PassedOver { why } | LiveEvent::InputDoubt { why } => why,
                LiveEvent::Read {
                    spot,
                    heard,
                    reading,
                    reason,
                    ..
                } => {
                    let sign = match reading {
                        Reading::ClearRing => "O",
                        Reading::DullThud => "X",
                        Reading::Unclear => "?",
                    };
                    let ear = heard.map_or("nothing", |h| h.word());
                    format!(
                        "{sign} spot {}: you heard {ear}; reads {}: {reason}",
                        spot + 1,
                        reading.words()
                    )
                }
            };
            self.tell(&words);
        }
    }

    /// Says something to the person.
    pub fn tell(&mut self, words: &str) {
        self.said.push(words.to_owned());
    }

    /// Closes all.
    pub fn end(mut self) -> Ended {
        let is_broken_off =
            !self.live.is_complete() && (self.is_stopped || self.wait == Wait::ForSource);
        self.close_input();
        let events = self.live.end();
        self.tell_all(events);
        let mut files = Vec::new();
        let mut takes = Vec::new();
        for path in std::mem::take(&mut self.takes) {
            match described(&path) {
                Ok(Some(file)) => {
                    files.push(file);
                    takes.push(path);
                }
                // Nothing came in before the source failed.
                Ok(None) => drop(std::fs::remove_file(&path)),
                Err(error) => self.tell(&error.to_string()),
            }
        }
        let Self {
            live,
            fatal,
            mut said,
            log,
            do_takes_stay,
            ..
        } = self;
        let has_taps = live.has_taps();
        let log = match log {
            Some(log) if !(has_taps && is_broken_off) => {
                said.extend(remove_broken_off(log.path(), std::iter::empty()));
                None
            }
            log => log,
        };
        if !has_taps && !do_takes_stay {
            takes.iter().for_each(|t| drop(std::fs::remove_file(t)));
        }
        Ended {
            read: has_taps.then(|| live.finish(files)),
            takes,
            log,
            trouble: fatal,
            said,
        }
    }
}

/// The meter behind its lock; what a failed thread left is still a level.
pub fn metered(meter: &Mutex<LevelMeter>) -> MutexGuard<'_, LevelMeter> {
    meter.lock().unwrap_or_else(PoisonError::into_inner)
}

/// What to do at a spot, in few words.
pub fn instruction(plan: TurnPlan, spot: usize, deg: f64) -> String {
    match (plan, spot) {
        (TurnPlan::Rule, 0) => "mark (M) at the top; tap 45° left of the top".to_owned(),
        (TurnPlan::Rule, 1) => "mark (M) at the top; tap 45° right of the top".to_owned(),
        (TurnPlan::Rule, 2) => "turn the wheel 45° clockwise; tap 45° left of the top".to_owned(),
        (TurnPlan::Rule, 3) => "wheel as it is; tap 45° right of the top".to_owned(),
        _ => format!("tap {deg}° clockwise from the mark (M)"),
    }
}

/// By how many degrees the wheel stands turned, clockwise, when this spot is struck: by the rule
/// it is turned after the second tap.
pub fn turned_deg(plan: TurnPlan, spot: usize) -> f64 {
    if plan == TurnPlan::Rule && spot >= 2 {
        45.0
    } else {
        0.0
    }
}
