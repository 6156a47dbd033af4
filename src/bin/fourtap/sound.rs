//! `fourtap sound`.

mod big_letters;
mod face;
mod hand;
mod options;

use std::io::{IsTerminal as _, Write};
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use fourtap::audio::AudioError;
use fourtap::reading::Outcome;
use fourtap::record::live_log::LiveStep;
use fourtap::report::text::{TextStyle, sounding_text};
use fourtap::store::live_logs::LiveLog;
use fourtap::store::settings::SaidTemperature;
use fourtap::store::{Store, StoreError};
use fourtap::tasks::broken_off::{BrokenOff, left_behind, newest_broken_off};
use fourtap::tasks::build_baseline::BuildError;
use fourtap::tasks::clock::{is_within, now};
use fourtap::tasks::keep_sounding::keep_sounding;
use fourtap::tasks::keep_wheels::show_wheel;
use fourtap::tasks::live_sounding::EarAsked;
use fourtap::tasks::open_source::{Opened, open_recording, open_wanted};
use fourtap::tasks::read_soundings::{ReadSettings, ReadSounding};
use fourtap::tasks::ready_to_sound::{READY, misfit, ready_records, ready_to_sound};
use fourtap::tasks::take_sounding::{
    Ended, TakeSettings, TakingSounding, Trouble, Wait, instruction, metered,
};

use crate::exit;
use crate::fit::ask_each;
use crate::read::clapped;
use crate::store_place::open;
use crate::tell::{complain, say};
use big_letters::big;
use face::{SpotView, View, screen};
use hand::Hand;
pub use options::Sound;

/// Between two looks at keys and sound.
const BEAT: Duration = Duration::from_millis(40);
/// A temperature is asked for once a day: what was said holds for so many seconds, a working day.
const TEMPERATURE_HOLDS_S: i64 = 12 * 3600;
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
        Some(newest(&folder, args.wheel.as_deref())?)
    } else {
        tell_left_behind(&folder, args.keep.is_some());
        None
    };
    let mut wheel = None;
    if let Some(id) = before.as_ref().map_or(&args.wheel, |b| &b.wheel) {
        let shown = show_wheel(&store, id).map_err(|e| {
            complain(&e.to_string());
            complain(&format!(
                "add it first: fourtap wheel add {id} --size … --bond …"
            ));
            ExitCode::from(exit::STORE)
        })?;
        wheel = Some(shown.wheel.id);
    }
    let mut first_words = Vec::new();
    if let (Some(wheel), Some(grinder)) = (&wheel, &args.grinder) {
        first_words = misfit(&store, wheel, grinder).map_err(|e| store_failed(&e))?;
        if is_at_a_terminal() {
            // Before any question, and before the screen comes.
            first_words.iter().for_each(|w| complain(w));
        }
    }
    let mut answers = args.ready.clone();
    if !args.resume && args.from.is_none() && is_at_a_terminal() {
        ask_each(&READY, &mut answers);
    }
    let ready = ready_to_sound(Some(&store), wheel.as_deref(), &answers);
    let ready = ready.map_err(|e| {
        complain(&e.to_string());
        ExitCode::from(match e {
            BuildError::Store(_) => exit::STORE,
            _ => exit::INPUT,
        })
    })?;
    first_words.extend(ready.words);
    let temp_c = match &before {
        Some(before) => before.temp_c,
        None => args.temp.or_else(|| temperature_of_today(args, &store)),
    };
    let clap = args.clap.as_deref().map(clapped).transpose();
    let clap = clap.map_err(|(words, code)| {
        complain(&words);
        ExitCode::from(code)
    })?;
    let body = ready.behind.body();
    let mut notes = ready.behind.notes;
    notes.extend(clap.as_ref().map(|c| c.1.clone()));
    let read = ReadSettings {
        wheel,
        room_time_s: clap.map(|c| c.0),
        body,
        turn_plan: before
            .as_ref()
            .map_or(args.turn_plan.turn_plan(), |b| b.turn_plan),
        baseline: ready.behind.baseline,
        at_best: ready.behind.at_best,
        notes,
        temp_c,
        ..ReadSettings::default()
    };
    let opened = first_source(args, &store)?;
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
    let hand = Hand::new(args.plain);
    let has_screen = hand.has_screen();
    let alarm = move |words: &str| {
        if has_screen {
            hand::alarm(words);
        } else {
            complain(words);
        }
    };
    let taking = TakingSounding::new(TakeSettings {
        read,
        ear,
        folder,
        from: args.from.clone(),
        alarm: Arc::new(alarm),
        does_alarm_stay: !has_screen,
        do_takes_stay: args.keep.is_some(),
    });
    let mut session = Session {
        hand,
        taking,
        told: 0,
        prompted: String::new(),
    };
    for words in &first_words {
        session.taking.tell(words);
    }
    if let Some(before) = &before {
        session.resume(before)?;
    }
    session.taking.begin(opened);
    session.go(&interrupted);
    let ended = session.end();
    let Some(mut read) = ended.read else {
        complain("no tap was heard, so that nothing is kept in the store");
        let code = ended
            .trouble
            .map_or(exit::of(Outcome::SoundItAgain), code_of);
        return Ok(ExitCode::from(code));
    };
    read.record.by.clone_from(&args.by);
    read.record.ready = ready_records(&answers);
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

fn code_of(trouble: Trouble) -> u8 {
    match trouble {
        Trouble::Input => exit::INPUT,
        Trouble::Device => exit::DEVICE,
        Trouble::Store => exit::STORE,
    }
}

fn store_failed(error: &StoreError) -> ExitCode {
    complain(&error.to_string());
    ExitCode::from(exit::STORE)
}

fn newest(folder: &Path, wheel: Option<&str>) -> Result<BrokenOff, ExitCode> {
    newest_broken_off(folder, wheel).ok_or_else(|| {
        let of = wheel.map_or(String::new(), |w| format!(" of wheel {w}"));
        complain(&format!(
            "{}: there is no sounding{of} to go on with; begin one without --resume",
            folder.display()
        ));
        ExitCode::from(exit::USE)
    })
}

/// Says what soundings before have left in the folder.
fn tell_left_behind(folder: &Path, do_takes_stay: bool) {
    let left = left_behind(folder, do_takes_stay);
    for log in &left.under_way {
        complain(&format!(
            "another program is taking a sounding just now: {}",
            log.display()
        ));
    }
    for broken in &left.broken_off {
        let how = match broken.kept_as() {
            Some(number) => format!("was stopped and kept as sounding {number}"),
            None => "was cut off".to_owned(),
        };
        let of = broken.wheel.as_ref();
        let of = of.map_or(String::new(), |w| format!(" --wheel {w}"));
        complain(&format!(
            "{} {how}; fourtap sound --resume{of} goes on with it",
            broken.name()
        ));
    }
    for take in &left.takes {
        complain(&format!(
            "a take was left behind: fourtap read {}",
            take.display()
        ));
    }
    left.faults.iter().for_each(|f| complain(f));
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

fn first_source(args: &Sound, store: &Store) -> Result<Opened, ExitCode> {
    if let Some(path) = &args.from {
        return open_recording(path).map_err(|e| {
            complain(&e.to_string());
            ExitCode::from(exit::INPUT)
        });
    }
    let opened = open_wanted(
        args.mic.as_deref(),
        store.remembered_microphone().as_deref(),
    );
    let (opened, instead) = opened.map_err(|error: AudioError| {
        complain(&error.to_string());
        ExitCode::from(exit::DEVICE)
    })?;
    instead.iter().for_each(|words| complain(words));
    if args.mic.is_some()
        && let Err(error) = store.remember_microphone(&opened.1)
    {
        complain(&format!("the microphone is not remembered: {error}"));
    }
    Ok(opened)
}

/// A sounding in a terminal.
struct Session {
    hand: Hand,
    taking: TakingSounding,
    /// Sentences that were told already.
    told: usize,
    /// What was asked for last in lines.
    prompted: String,
}

impl Session {
    /// Hears again what was heard before it was broken off.
    fn resume(&mut self, before: &BrokenOff) -> Result<(), ExitCode> {
        self.taking.resume(before).map_err(|(trouble, words)| {
            // Not while the screen is there, which would take the words with it.
            self.hand = Hand::gone();
            complain(&words);
            ExitCode::from(code_of(trouble))
        })
    }

    /// Until the sounding is whole or stopped.
    fn go(&mut self, interrupted: &AtomicBool) {
        loop {
            if interrupted.load(Ordering::Relaxed) {
                self.taking.stop();
            }
            let asked = |taking: &TakingSounding| taking.live().asking().is_some();
            while !self.taking.is_over() {
                let Some(word) = self.hand.next(asked(&self.taking)) else {
                    break;
                };
                self.taking.obey(word);
                self.tell();
            }
            let nothing_comes = matches!(self.taking.waits(), Wait::Over | Wait::ForSource);
            let is_silent = self.hand.is_over();
            if self.taking.is_over()
                || is_silent && (nothing_comes || self.taking.live().next_spot().is_none())
            {
                return;
            }
            self.tell();
            self.show();
            self.taking.listen(BEAT);
        }
    }

    /// In lines, what was said since; a screen shows it itself.
    fn tell(&mut self) {
        if !self.hand.has_screen() {
            let said = self.taking.said();
            said[self.told..].iter().for_each(|words| complain(words));
            self.told = said.len();
        }
    }

    fn show(&mut self) {
        let live = self.taking.live();
        let (next, asking) = (live.next_spot(), live.asking());
        let plan = live.turn_plan();
        if !self.hand.has_screen() {
            let prompt = match (asking, next, self.taking.waits()) {
                (Some(spot), ..) => {
                    format!(
                        "what did you hear at spot {}? r rang, t thud, u unsure",
                        spot + 1
                    )
                }
                (None, Some(spot), Wait::No) if !self.taking.is_checking() => format!(
                    "tap spot {}: {}",
                    spot + 1,
                    instruction(plan, spot, live.spot_deg(spot))
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
                deg: live.spot_deg(k),
                struck: live.at(k),
            })
            .collect();
        let view = View {
            wheel: self.taking.wheel(),
            source: self.taking.source(),
            plan,
            spots: &spots,
            next,
            asking,
            level_db: metered(self.taking.meter()).level_db(),
            state: self.taking.state_words(),
            said: self.taking.said(),
        };
        let (columns, rows) = hand::size();
        hand::draw(&screen(&view, columns, rows));
    }

    /// Closes all.
    fn end(self) -> Ended {
        let Self {
            hand, taking, told, ..
        } = self;
        let first = if hand.has_screen() { 0 } else { told };
        let ended = taking.end();
        drop(hand);
        // Gone with the screen, these would leave the person without the reason.
        ended.said[first..].iter().for_each(|words| complain(words));
        ended
    }
}
