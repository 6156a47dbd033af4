//! `fourtap sound`.

mod big_letters;
mod broken_off;
mod face;
mod hand;

use std::io::{IsTerminal as _, Write};
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use fourtap::audio::as_if_live::AsIfLive;
use fourtap::audio::take_file::TakeFile;
use fourtap::audio::{AudioError, Chunk, Input, Recording, Source};
use fourtap::reading::{Outcome, Reading};
use fourtap::record::live_log::{FORMAT, LiveStep, VERSION};
use fourtap::record::sounding::ReadyRecord;
use fourtap::report::text::{TextStyle, sounding_text};
use fourtap::store::live_logs::LiveLog;
use fourtap::store::settings::SaidTemperature;
use fourtap::store::{Store, StoreError};
use fourtap::tasks::check_fit::{FitAsked, check_fit};
use fourtap::tasks::input_check::InputCheck;
use fourtap::tasks::keep_sounding::keep_sounding;
use fourtap::tasks::keep_wheels::show_wheel;
use fourtap::tasks::live_sounding::{EarAsked, LiveEvent, LiveSounding};
use fourtap::tasks::read_soundings::{ReadSettings, ReadSounding};
use fourtap::tasks::resume_sounding::resume;
use fourtap::tasks::take_in::{Came, TakeIn, described};
use fourtap::tasks::wheel_states::last_drop;
use fourtap::units::amplitude_db;

use crate::args::Sound;
use crate::baseline::behind;
use crate::exit;
use crate::fit::ask_each;
use crate::read::plan;
use crate::store_place::{is_within, now, open};
use crate::tell::{complain, say};
use big_letters::big;
use broken_off::BrokenOff;
use face::{SpotView, View, instruction, screen};
use hand::{Hand, Word};

/// What is asked before the first tap.
const READY: [&str; 3] = ["power", "seen", "dry"];
/// Between two looks at keys and sound.
const BEAT: Duration = Duration::from_millis(40);
/// A temperature is asked for once a day: what was said holds for so many seconds, a working day.
const TEMPERATURE_HOLDS_S: i64 = 12 * 3600;
/// How long the meter holds a peak.
const HOLD: Duration = Duration::from_secs(2);

/// Takes a sounding; the outcome is the exit code.
pub fn run(args: &Sound, place: Option<&Path>) -> ExitCode {
    match sound(args, place) {
        Ok(code) | Err(code) => code,
    }
}

fn sound(args: &Sound, place: Option<&Path>) -> Result<ExitCode, ExitCode> {
    let mut store = open(place)?;
    let folder = takes_folder(args, &store)?;
    let before = if args.resume {
        Some(broken_off::newest(&folder, args.wheel.as_deref())?)
    } else {
        broken_off::tell(&folder, args.keep.is_some());
        None
    };
    let (mut wheel, mut first_words) = (None, Vec::new());
    let wheel_id = before.as_ref().map_or(&args.wheel, |b| &b.wheel);
    if let Some(id) = wheel_id {
        let shown = show_wheel(&store, id).map_err(|e| {
            complain(&e.to_string());
            complain(&format!(
                "add it first: fourtap wheel add {id} --size … --bond …"
            ));
            ExitCode::from(exit::STORE)
        })?;
        let hints = shown.hints.iter();
        first_words.extend(hints.map(|h| format!("{} ({})", h.sentence, h.source)));
        wheel = Some(shown.wheel.id);
    }
    if let (Some(wheel), Some(grinder)) = (&wheel, &args.grinder) {
        misfit(&store, wheel, grinder, &mut first_words)?;
    }
    let mut ready = args.ready.clone();
    if !args.resume && args.from.is_none() && is_at_a_terminal() {
        ask_each(&READY, &mut ready);
    }
    let mut behind = behind(wheel.as_deref(), None, place)?;
    if ready.iter().any(|r| r.0 == "seen" && !r.1) {
        let why = "damage was seen on the wheel: whatever it rings, it is not to be used before a qualified person has decided";
        first_words.push(why.to_uppercase());
        if behind
            .at_best
            .as_ref()
            .is_none_or(|b| b.0 > Outcome::SoundItAgain)
        {
            behind.at_best = Some((Outcome::SoundItAgain, why.to_owned()));
        }
    }
    first_words.extend(behind.notes.iter().cloned());
    let temp_c = match &before {
        Some(before) => before.temp_c,
        None => args.temp.or_else(|| temperature_of_today(args, &store)),
    };
    let settings = ReadSettings {
        wheel: wheel.clone(),
        turn_plan: before
            .as_ref()
            .map_or(plan(args.turn_plan), |b| b.turn_plan),
        baseline: behind.baseline,
        at_best: behind.at_best,
        notes: behind.notes,
        temp_c,
        ..ReadSettings::default()
    };
    let (source, name) = first_source(args, &store)?;
    let interrupted = Arc::new(AtomicBool::new(false));
    let flag = Arc::clone(&interrupted);
    // Without it Ctrl-C would end the program; what is finished would only be in the take.
    if let Err(error) = ctrlc::set_handler(move || flag.store(true, Ordering::Relaxed)) {
        complain(&format!("Ctrl-C ends at once and keeps nothing: {error}"));
    }
    let is_afterwards = before
        .as_ref()
        .map_or(args.heard_after, |b| b.is_ear_asked_afterwards);
    let ear = if is_afterwards {
        EarAsked::Afterwards
    } else {
        EarAsked::EachTap
    };
    let mut session = Session {
        args,
        hand: Hand::new(args.plain),
        live: LiveSounding::new(settings, ear),
        input: None,
        check: None,
        wait: Wait::No,
        folder,
        source: String::new(),
        takes: Vec::new(),
        log: None,
        at_frame: 0,
        is_stopped: false,
        wheel,
        meter: Meter::default(),
        said: Vec::new(),
        prompted: String::new(),
        fatal: None,
    };
    for words in &first_words {
        session.tell(words);
    }
    if let Some(before) = &before {
        session.resume(before)?;
    }
    session.begin(source, name);
    session.go(&interrupted);
    let ended = session.end();
    let Some(mut read) = ended.read else {
        complain("no tap was heard, so that nothing is kept in the store");
        return Ok(ExitCode::from(
            ended
                .fatal
                .unwrap_or(exit::of(fourtap::reading::Outcome::SoundItAgain)),
        ));
    };
    read.record.by.clone_from(&args.by);
    read.record.ready = ready_records(&ready);
    tell_outcome(&read, args.json);
    keep(
        &mut store,
        &read,
        &ended.takes,
        ended.log,
        args.keep.is_some(),
    )?;
    Ok(ExitCode::from(exit::of(read.outcome)))
}

/// Keeps the sounding. The takes go from their passing place once it is kept, unless there is a
/// log, by which one that was stopped can be gone on with.
fn keep(
    store: &mut Store,
    read: &ReadSounding,
    takes: &[PathBuf],
    log: Option<LiveLog>,
    takes_stay: bool,
) -> Result<(), ExitCode> {
    match keep_sounding(store, &read.record, takes, &now()) {
        Ok(kept) => {
            complain(&format!("kept as sounding {} of the store", kept.number));
            if let Some(mut log) = log {
                let number = kept.number;
                if let Err(error) = log.add(&LiveStep::Kept { number }) {
                    complain(&error.to_string());
                }
                complain("fourtap sound --resume goes on with it");
            } else if !takes_stay {
                takes.iter().for_each(|t| drop(std::fs::remove_file(t)));
            }
            Ok(())
        }
        Err(error) => {
            complain(&format!("NOT kept: {error}"));
            for take in takes {
                complain(&format!("its sound is in {}", take.display()));
            }
            Err(ExitCode::from(exit::STORE))
        }
    }
}

fn tell_outcome(read: &ReadSounding, json: bool) {
    if json {
        match serde_json::to_string(&read.record) {
            Ok(line) => say(&line),
            Err(error) => complain(&error.to_string()),
        }
        return;
    }
    let is_terminal = std::io::stdout().is_terminal();
    if is_terminal {
        big(read.outcome).iter().for_each(|line| say(line));
    }
    let colour = is_terminal && std::env::var_os("NO_COLOR").is_none();
    say(&sounding_text(
        &read.record,
        &TextStyle { colour, width: 80 },
    ));
}

/// Where takes are written.
fn takes_folder(args: &Sound, store: &Store) -> Result<PathBuf, ExitCode> {
    let passing = store.folder().unwrap_or(Path::new(".")).join("takes");
    let folder = args.keep.clone().unwrap_or(passing);
    std::fs::create_dir_all(&folder).map_err(|e| {
        complain(&format!(
            "{}: the folder cannot be made: {e}; check the path and its rights",
            folder.display()
        ));
        ExitCode::from(exit::STORE)
    })?;
    Ok(folder)
}

/// Says first and large when the wheel does not go on the grinder.
fn misfit(
    store: &Store,
    wheel: &str,
    grinder: &str,
    words: &mut Vec<String>,
) -> Result<(), ExitCode> {
    let failed = |e: StoreError| {
        complain(&e.to_string());
        ExitCode::from(exit::STORE)
    };
    let grinder = store.grinder(grinder).map_err(failed)?;
    let Some(wheel) = store.wheel(wheel).map_err(failed)? else {
        return Ok(());
    };
    let drop = last_drop(store, &wheel).map_err(failed)?;
    let fit = check_fit(&FitAsked {
        wheel: &wheel,
        is_wheel_kept: true,
        drop: drop.as_ref(),
        grinder: &grinder,
        is_grinder_kept: true,
        answers: &[],
        by: None,
        at: &now(),
    });
    for rule in fit.rules.iter().filter(|r| r.result == "does not fit") {
        words.push(format!(
            "DOES NOT FIT {}: {}: {}",
            grinder.id, rule.rule, rule.because
        ));
    }
    if fit.result == "does not fit" {
        words.push("do not mount it on this grinder, whatever it rings".to_owned());
        if is_at_a_terminal() {
            // Before any question, and before the screen comes.
            words.iter().for_each(|w| complain(w));
        }
    }
    Ok(())
}

/// What is asked before the first tap, as it is kept.
fn ready_records(ready: &[(String, bool)]) -> Vec<ReadyRecord> {
    let record = |key: &str| {
        let answer = ready.iter().rev().find(|r| r.0 == key).map(|r| r.1);
        ReadyRecord {
            question: key.to_owned(),
            answer: match answer {
                Some(true) => "yes",
                Some(false) => "no",
                None => "not answered",
            }
            .to_owned(),
        }
    };
    READY.iter().map(|key| record(key)).collect()
}

fn is_at_a_terminal() -> bool {
    std::io::stdin().is_terminal() && std::io::stderr().is_terminal()
}

/// The temperature in degrees Celsius as it was said in the last hours, else as it is said now on
/// a terminal; what `--temp` says is remembered.
fn temperature_of_today(args: &Sound, store: &Store) -> Option<f64> {
    if args.temp.is_some() || args.from.is_some() {
        if args.from.is_none() {
            remember_temperature(store, args.temp);
        }
        return args.temp;
    }
    let said = store
        .remembered_temperature()
        .filter(|s| is_within(&s.at, TEMPERATURE_HOLDS_S));
    if let Some(said) = said {
        if let Some(temp_c) = said.temp_c {
            complain(&format!(
                "{temp_c} C, as was said at {}; --temp 21C says otherwise",
                said.at
            ));
        }
        return said.temp_c;
    }
    if !is_at_a_terminal() {
        return None;
    }
    let temp_c = asked_temperature();
    remember_temperature(store, temp_c);
    temp_c
}

fn remember_temperature(store: &Store, temp_c: Option<f64>) {
    let said = SaidTemperature { temp_c, at: now() };
    if let Err(error) = store.remember_temperature(said) {
        complain(&format!("the temperature is not remembered: {error}"));
    }
}

/// Asks until it is a temperature or left open.
fn asked_temperature() -> Option<f64> {
    loop {
        let _ = write!(
            std::io::stderr(),
            "How warm is it here? 21C or 70F; Enter if you do not know: "
        );
        let mut line = String::new();
        if std::io::stdin().read_line(&mut line).is_err() || line.trim().is_empty() {
            return None;
        }
        match fourtap::units::parse_temp_c(line.trim()) {
            Ok(temp_c) => return Some(temp_c),
            Err(error) => complain(&error.to_string()),
        }
    }
}

type Opened = (Box<dyn Source + Send>, String);

fn first_source(args: &Sound, store: &Store) -> Result<Opened, ExitCode> {
    if let Some(path) = &args.from {
        return from_recording(path).map_err(|e| {
            complain(&e.to_string());
            ExitCode::from(exit::INPUT)
        });
    }
    let remembered = store.remembered_microphone();
    let opened = match (&args.mic, remembered) {
        (Some(name), _) => microphone(Some(name)),
        (None, Some(name)) => microphone(Some(&name)).or_else(|error| {
            complain(&format!("{error}; the default is taken instead"));
            microphone(None)
        }),
        (None, None) => microphone(None),
    };
    let opened = opened.map_err(|error| {
        complain(&error.to_string());
        ExitCode::from(exit::DEVICE)
    })?;
    if args.mic.is_some()
        && let Err(error) = store.remember_microphone(&opened.1)
    {
        complain(&format!("the microphone is not remembered: {error}"));
    }
    Ok(opened)
}

fn from_recording(path: &Path) -> Result<Opened, AudioError> {
    let recording = Recording::open(&Input::Path(path.to_owned()))?;
    let channel = if recording.channels > 1 {
        recording.survey()?.best
    } else {
        0
    };
    let player = recording.play(channel)?;
    Ok((Box::new(AsIfLive::new(player)), recording.name))
}

#[cfg(feature = "microphone")]
fn microphone(name: Option<&str>) -> Result<Opened, AudioError> {
    use fourtap::audio::microphone::{MicrophoneStream, find_device};

    let device = find_device(name)?;
    let stream = MicrophoneStream::open(&device)?;
    Ok((Box::new(stream), device.name))
}

/// Id of the microphone after the one of a name, in the order of the list; the first after the
/// last, or when that one is gone.
#[cfg(feature = "microphone")]
fn next_microphone(name: &str) -> Result<String, AudioError> {
    let devices = fourtap::audio::microphone::input_devices()?;
    let at = devices.iter().position(|d| d.name == name || d.id == name);
    let next = at.map_or(0, |k| (k + 1) % devices.len());
    match devices.get(next) {
        Some(device) => Ok(device.id.clone()),
        None => microphone(None).map(|opened| opened.1),
    }
}

#[cfg(not(feature = "microphone"))]
fn next_microphone(name: &str) -> Result<String, AudioError> {
    microphone(Some(name)).map(|opened| opened.1)
}

#[cfg(not(feature = "microphone"))]
fn microphone(name: Option<&str>) -> Result<Opened, AudioError> {
    Err(AudioError::new(
        name.unwrap_or("microphone"),
        None,
        "this build has no microphones",
        "build it with the feature microphone, or use --from FILE",
    ))
}

/// Why no taps are being taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Wait {
    No,
    /// The person paused.
    Paused,
    /// The source failed or was found unfit, and another may be taken.
    ForSource,
    /// Nothing more comes.
    Over,
}

/// Largest sample now and of the last seconds.
#[derive(Debug, Default)]
struct Meter {
    now: f64,
    held: f64,
    since: Option<Instant>,
}

impl Meter {
    fn hear(&mut self, chunk: &Chunk) {
        self.now = chunk.samples.iter().fold(0.0, |m: f64, x| m.max(x.abs()));
        if self.now >= self.held || self.since.is_none_or(|s| s.elapsed() > HOLD) {
            (self.held, self.since) = (self.now, Some(Instant::now()));
        }
    }

    fn level_db(&self) -> (f64, f64) {
        (amplitude_db(self.now), amplitude_db(self.held))
    }
}

struct Session<'a> {
    args: &'a Sound,
    hand: Hand,
    live: LiveSounding,
    input: Option<TakeIn>,
    check: Option<InputCheck>,
    wait: Wait,
    folder: PathBuf,
    /// Name of the microphone or file.
    source: String,
    takes: Vec<PathBuf>,
    /// What happened, on the disk; none when it cannot be written.
    log: Option<LiveLog>,
    /// Frames of the part at hand that were heard, lost ones included.
    at_frame: u64,
    /// True when the person stopped it, or its source failed.
    is_stopped: bool,
    wheel: Option<String>,
    meter: Meter,
    said: Vec<String>,
    /// What was asked for last in lines.
    prompted: String,
    /// The exit code if no tap is heard.
    fatal: Option<u8>,
}

/// What a session ends with.
struct Ended {
    /// The sounding, if it has a tap.
    read: Option<ReadSounding>,
    takes: Vec<PathBuf>,
    /// The log of one that was broken off and can be gone on with.
    log: Option<LiveLog>,
    /// The exit code if there is no tap.
    fatal: Option<u8>,
}

impl Session<'_> {
    /// Hears again what was heard before it was broken off.
    fn resume(&mut self, before: &BrokenOff) -> Result<(), ExitCode> {
        let heard = resume(&mut self.live, &before.steps, &self.folder);
        let log = LiveLog::go_on(&before.log).map_err(|e| e.to_string());
        match (heard, log) {
            (Ok(takes), Ok(log)) => {
                self.takes = takes;
                self.log = Some(log);
            }
            (Err(error), _) => return Err(self.refuse(&error.to_string(), exit::INPUT)),
            (_, Err(error)) => return Err(self.refuse(&error, exit::STORE)),
        }
        let spots = self.live.turn_plan().spots_deg().len();
        let struck = (0..spots).filter(|s| self.live.at(*s).is_some()).count();
        let of = before.wheel.as_deref().unwrap_or("the wheel");
        self.tell(&format!(
            "going on with the sounding of {of} that began {}: {struck} of {spots} spots are struck",
            before.at
        ));
        Ok(())
    }

    fn refuse(&mut self, words: &str, code: u8) -> ExitCode {
        // Not while the screen is there, which would take the words with it.
        self.hand = Hand::gone();
        complain(words);
        ExitCode::from(code)
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
    fn begin(&mut self, source: Box<dyn Source + Send>, name: String) {
        let rate = source.rate();
        let (path, take) = match self.new_take(rate) {
            Ok(made) => made,
            Err(error) => {
                self.tell(&error.to_string());
                self.fatal = Some(exit::STORE);
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
        self.tell_all(events);
        self.tell(&format!("{name}, {} Hz: listening to the room", rate.get()));
        self.source = name;
        self.check = Some(InputCheck::new(rate));
        let has_screen = self.hand.has_screen();
        let alarm = move |error: &AudioError| {
            let words = format!("the sound broke off: {error}");
            if has_screen {
                hand::alarm(&words);
            } else {
                complain(&words);
            }
        };
        self.input = Some(TakeIn::start(source, Some(take), alarm));
        self.wait = Wait::No;
    }

    fn new_take(
        &self,
        rate: fourtap::units::SampleRate,
    ) -> Result<(PathBuf, TakeFile), AudioError> {
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

    /// Until the sounding is whole or stopped.
    fn go(&mut self, interrupted: &AtomicBool) {
        loop {
            if interrupted.load(Ordering::Relaxed) {
                return self.stopped();
            }
            while let Some(word) = self.hand.next(self.live.asking().is_some()) {
                if word == Word::Stop {
                    return self.stopped();
                }
                self.obey(word);
            }
            if self.live.is_complete() {
                return;
            }
            let nothing_comes = matches!(self.wait, Wait::Over | Wait::ForSource);
            if self.hand.is_over() && (nothing_comes || self.live.next_spot().is_none()) {
                return;
            }
            // All that there is may be taken, and the ear has spoken.
            if self.wait == Wait::Over && self.live.asking().is_none() {
                return;
            }
            self.show();
            self.listen();
        }
    }

    fn stopped(&mut self) {
        self.tell("stopped: what is there is read and kept");
        self.is_stopped = true;
        self.live
            .note("the sounding was stopped by the person".to_owned());
    }

    fn listen(&mut self) {
        if self.input.is_none() {
            return std::thread::sleep(BEAT);
        }
        let start = Instant::now();
        // What has come meanwhile is taken at once, but keys are looked at again soon.
        while let Some(came) = self.input.as_ref().and_then(|i| i.next(BEAT)) {
            match came {
                Came::Sound(chunk) => {
                    self.meter.hear(&chunk);
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
                    self.fatal = Some(exit::DEVICE);
                    let words = format!("the sound broke off: {error}");
                    if self.hand.has_screen() {
                        self.said.push(words);
                    }
                    self.lose();
                }
            }
            if start.elapsed() > BEAT {
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
            self.fatal = Some(if self.args.from.is_some() {
                exit::INPUT
            } else {
                exit::DEVICE
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

    fn obey(&mut self, word: Word) {
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
            Word::Retry | Word::Microphone(_) | Word::Stop => Vec::new(),
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
        let opened = match (&self.args.from, name) {
            (Some(path), None) => from_recording(path),
            _ => microphone(Some(&wanted)),
        };
        match opened {
            Ok((source, name)) => {
                self.close_input();
                self.begin(source, name);
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

    fn tell(&mut self, words: &str) {
        if self.hand.has_screen() {
            self.said.push(words.to_owned());
        } else {
            complain(words);
        }
    }

    fn show(&mut self) {
        let (next, asking) = (self.live.next_spot(), self.live.asking());
        let plan = self.live.turn_plan();
        if !self.hand.has_screen() {
            let prompt = match (asking, next, self.wait) {
                (Some(spot), ..) => {
                    format!(
                        "what did you hear at spot {}? r rang, t thud, u unsure",
                        spot + 1
                    )
                }
                (None, Some(spot), Wait::No) if self.check.is_none() => format!(
                    "tap spot {}: {}",
                    spot + 1,
                    instruction(plan, spot, self.live.spot_deg(spot))
                ),
                _ => return,
            };
            if prompt != self.prompted {
                let _ = writeln!(std::io::stderr(), "{prompt}");
                self.prompted = prompt;
            }
            return;
        }
        let spots: Vec<SpotView> = (0..plan.spots_deg().len())
            .map(|k| SpotView {
                deg: self.live.spot_deg(k),
                struck: self.live.at(k),
            })
            .collect();
        let state = match self.wait {
            Wait::Paused => Some("paused: p goes on"),
            Wait::ForSource => {
                Some("no sound: Enter tries again, m takes the next microphone, q stops")
            }
            Wait::No if self.check.is_some() => Some("be quiet: listening to the room"),
            _ => None,
        };
        let view = View {
            wheel: self.wheel.as_deref(),
            source: &self.source,
            plan,
            spots: &spots,
            next,
            asking,
            level_db: self.meter.level_db(),
            state,
            said: &self.said,
        };
        let (columns, rows) = hand::size();
        hand::draw(&screen(&view, columns, rows));
    }

    /// Closes all.
    fn end(mut self) -> Ended {
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
            hand,
            live,
            fatal,
            said,
            log,
            ..
        } = self;
        drop(hand);
        // Gone with the screen, these would leave the person without the reason.
        said.iter().for_each(|words| complain(words));
        let has_taps = live.has_taps();
        let log = match log {
            Some(log) if !(has_taps && is_broken_off) => {
                broken_off::remove(log.path(), std::iter::empty());
                None
            }
            log => log,
        };
        if !has_taps && self.args.keep.is_none() {
            takes.iter().for_each(|t| drop(std::fs::remove_file(t)));
        }
        Ended {
            read: has_taps.then(|| live.finish(files)),
            takes,
            log,
            fatal,
        }
    }
}
