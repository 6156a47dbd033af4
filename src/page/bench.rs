//! The sounding that is being taken, on a thread of its own: words of the person go in, what is to
//! be seen comes out, for every page that is open.

use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use std::time::Duration;

use serde::Serialize;
use tokio::sync::watch;

use crate::page::fault::Fault;
use crate::page::locks::locked;
use crate::reading::Outcome;
use crate::reading::turn_plan::TurnPlan;
use crate::record::live_log::LiveStep;
use crate::report::text::next_steps;
use crate::store::Store;
use crate::tasks::broken_off::BrokenOff;
use crate::tasks::clock::now;
use crate::tasks::keep_sounding::keep_sounding;
use crate::tasks::level_meter::LevelMeter;
use crate::tasks::live_sounding::EarAsked;
use crate::tasks::open_source::{Opened, open_wanted};
use crate::tasks::read_soundings::ReadSettings;
use crate::tasks::ready_to_sound::{misfit, ready_records, ready_to_sound};
use crate::tasks::take_sounding::{
    Ended, TakeSettings, TakingSounding, Wait, Word, instruction, metered, turned_deg,
};

/// Between two pictures of the level: some 30 a second.
const LEVEL_BEAT: Duration = Duration::from_millis(33);
/// Between two looks at words and sound.
const BEAT: Duration = Duration::from_millis(25);
/// Sentences that are shown of what was said.
const SAID: usize = 12;
/// Lowest level of the row of peaks, in dB of full scale.
const FLOOR_DB: f64 = -80.0;

/// What is asked for by the person who begins.
#[derive(Debug, Default)]
pub(super) struct Begin {
    /// Id of the wheel, which is in the store.
    pub(super) wheel: Option<String>,
    /// Id of the grinder.
    pub(super) grinder: Option<String>,
    /// Answers to what is asked before the first tap.
    pub(super) answers: Vec<(String, bool)>,
    /// Where the taps fall.
    pub(super) turn_plan: TurnPlan,
    /// In degrees Celsius.
    pub(super) temp_c: Option<f64>,
    /// True when the ear is asked after the last tap.
    pub(super) is_ear_asked_afterwards: bool,
    /// Who sounds it.
    pub(super) by: Option<String>,
    /// One to go on with.
    pub(super) before: Option<BrokenOff>,
}

/// A tap spot as it is drawn.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub(super) struct SpotShown {
    deg: f64,
    is_struck: bool,
    heard: Option<&'static str>,
    reading: Option<&'static str>,
    ring_time_s: Option<f64>,
    why: Option<String>,
}

/// What a sounding ended with, as it is shown.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub(super) struct EndShown {
    outcome: &'static str,
    summary: String,
    steps: Vec<&'static str>,
    /// Its number in the store; none when it could not be kept.
    number: Option<u64>,
    /// What became of it.
    kept: String,
    can_go_on: bool,
}

/// All that is to be seen, but for the level.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub(super) struct Shown {
    /// `idle`, `taking` or `over`.
    phase: &'static str,
    wheel: Option<String>,
    source: String,
    plan: &'static str,
    spots: Vec<SpotShown>,
    next: Option<usize>,
    asking: Option<usize>,
    /// What to do now, in few words.
    order: String,
    turned_deg: f64,
    /// `checking`, `paused`, `no sound` or empty.
    wait: &'static str,
    said: Vec<String>,
    end: Option<EndShown>,
}

impl Default for Shown {
    fn default() -> Self {
        Self {
            phase: "idle",
            wheel: None,
            source: String::new(),
            plan: TurnPlan::default().name(),
            spots: Vec::new(),
            next: None,
            asking: None,
            order: String::new(),
            turned_deg: 0.0,
            wait: "",
            said: Vec::new(),
            end: None,
        }
    }
}

/// The place where a sounding is taken.
#[derive(Debug)]
pub(super) struct Bench {
    running: Mutex<Option<Running>>,
    view: watch::Sender<Arc<String>>,
    level: watch::Sender<Arc<String>>,
}

#[derive(Debug)]
struct Running {
    words: Sender<Word>,
    thread: JoinHandle<()>,
}

impl Default for Bench {
    fn default() -> Self {
        Self {
            running: Mutex::new(None),
            view: watch::Sender::new(Arc::new(json(&Shown::default()))),
            level: watch::Sender::new(Arc::new("{}".to_owned())),
        }
    }
}

impl Bench {
    /// True while a sounding is being taken.
    pub(super) fn is_busy(&self) -> bool {
        let running = locked(&self.running);
        running.as_ref().is_some_and(|r| !r.thread.is_finished())
    }

    /// What is to be seen, as it changes, as JSON.
    pub(super) fn views(&self) -> watch::Receiver<Arc<String>> {
        self.view.subscribe()
    }

    /// The level, as it changes, as JSON.
    pub(super) fn levels(&self) -> watch::Receiver<Arc<String>> {
        self.level.subscribe()
    }

    /// Says a word to the sounding that is being taken; false when there is none.
    pub(super) fn say(&self, word: Word) -> bool {
        let running = locked(&self.running);
        let running = running.as_ref().filter(|r| !r.thread.is_finished());
        running.is_some_and(|r| r.words.send(word).is_ok())
    }

    /// Stops what is being taken, and waits until it is kept.
    pub(super) fn close(&self) {
        let running = locked(&self.running).take();
        if let Some(running) = running {
            let _ = running.words.send(Word::Stop);
            let _ = running.thread.join();
        }
    }

    /// Begins a sounding.
    ///
    /// # Errors
    /// [`Fault`] when another is being taken, the store cannot be read, or no microphone opens.
    pub(super) fn begin(&self, mut store: Store, begin: Begin) -> Result<(), Fault> {
        let mut running = locked(&self.running);
        if running.as_ref().is_some_and(|r| !r.thread.is_finished()) {
            return Err(Fault::busy(
                "a sounding is being taken on this page already: finish or stop it first",
            ));
        }
        let prepared = prepare(&store, &begin)?;
        let (words, heard) = channel();
        let (view, level) = (self.view.clone(), self.level.clone());
        view.send_replace(Arc::new(json(&Shown {
            phase: "taking",
            wheel: begin.wheel.clone(),
            wait: "checking",
            order: "Opening the microphone".to_owned(),
            ..Shown::default()
        })));
        let thread = std::thread::spawn(move || {
            let outlets = Outlets { view, level };
            let shown = take(prepared, &heard, &begin, &mut store, &outlets);
            outlets.view.send_replace(Arc::new(json(&shown)));
        });
        *running = Some(Running { words, thread });
        Ok(())
    }
}

struct Prepared {
    taking: TakingSounding,
    opened: Opened,
}

struct Outlets {
    view: watch::Sender<Arc<String>>,
    level: watch::Sender<Arc<String>>,
}

fn takes_folder(store: &Store) -> Result<PathBuf, Fault> {
    let folder = store.folder().unwrap_or(Path::new(".")).join("takes");
    std::fs::create_dir_all(&folder).map_err(|e| {
        Fault::failed(format!(
            "{}: the folder cannot be made: {e}; check its rights",
            folder.display()
        ))
    })?;
    Ok(folder)
}

fn prepare(store: &Store, begin: &Begin) -> Result<Prepared, Fault> {
    let before = begin.before.as_ref();
    let folder = takes_folder(store)?;
    let wheel = begin.wheel.as_deref();
    let mut first = match (wheel, &begin.grinder) {
        (Some(wheel), Some(grinder)) => misfit(store, wheel, grinder)?,
        _ => Vec::new(),
    };
    let ready = ready_to_sound(Some(store), wheel, &begin.answers);
    let ready = ready.map_err(|e| Fault::refused(e.to_string()))?;
    first.extend(ready.words);
    let opened = open_wanted(None, store.remembered_microphone().as_deref());
    let (opened, instead) = opened.map_err(|e| Fault::refused(e.to_string()))?;
    first.extend(instead);
    let is_afterwards = before.map_or(begin.is_ear_asked_afterwards, |b| b.is_ear_asked_afterwards);
    let mut taking = TakingSounding::new(TakeSettings {
        read: ReadSettings {
            wheel: begin.wheel.clone(),
            turn_plan: before.map_or(begin.turn_plan, |b| b.turn_plan),
            body: ready.behind.body(),
            baseline: ready.behind.baseline,
            at_best: ready.behind.at_best,
            notes: ready.behind.notes,
            temp_c: before.map_or(begin.temp_c, |b| b.temp_c),
            ..ReadSettings::default()
        },
        ear: if is_afterwards {
            EarAsked::Afterwards
        } else {
            EarAsked::EachTap
        },
        folder,
        from: None,
        // The next look at the sound, some hundredths of a second later, says it.
        alarm: Arc::new(|_| {}),
        does_alarm_stay: false,
        do_takes_stay: false,
    });
    for words in &first {
        taking.tell(words);
    }
    if let Some(before) = before {
        taking.resume(before).map_err(|e| Fault::refused(e.1))?;
    }
    Ok(Prepared { taking, opened })
}

/// Takes the sounding to its end and keeps it.
fn take(
    prepared: Prepared,
    words: &Receiver<Word>,
    begin: &Begin,
    store: &mut Store,
    outlets: &Outlets,
) -> Shown {
    let Prepared { mut taking, opened } = prepared;
    taking.begin(opened);
    // Of its own, so that the level does not stand still while a tap is analysed.
    let is_over = Arc::new(AtomicBool::new(false));
    let (meter, level, stop) = (
        Arc::clone(taking.meter()),
        outlets.level.clone(),
        Arc::clone(&is_over),
    );
    let levels = std::thread::spawn(move || {
        while !stop.load(Ordering::Relaxed) {
            let shown = level_shown(&metered(&meter));
            level.send_replace(Arc::new(shown));
            std::thread::sleep(LEVEL_BEAT);
        }
    });
    let mut last = String::new();
    loop {
        while let Ok(word) = words.try_recv() {
            taking.obey(word);
        }
        if taking.is_over() {
            break;
        }
        taking.listen(BEAT);
        let view = json(&shown(&taking));
        if view != last {
            outlets.view.send_replace(Arc::new(view.clone()));
            last = view;
        }
    }
    let mut shown = shown(&taking);
    shown.order = "Reading all taps together".to_owned();
    (shown.next, shown.asking) = (None, None);
    outlets.view.send_replace(Arc::new(json(&shown)));
    is_over.store(true, Ordering::Relaxed);
    let _ = levels.join();
    outlets.level.send_replace(Arc::new("{}".to_owned()));
    end(taking.end(), shown, begin, store)
}

fn end(ended: Ended, mut shown: Shown, begin: &Begin, store: &mut Store) -> Shown {
    shown.phase = "over";
    shown.order.clear();
    shown.said = last_said(&ended.said);
    let Some(mut read) = ended.read else {
        shown.end = Some(EndShown {
            outcome: Outcome::SoundItAgain.words(),
            summary: "no tap was heard, so that nothing is kept in the store".to_owned(),
            steps: next_steps(Outcome::SoundItAgain).to_vec(),
            number: None,
            kept: "nothing was kept".to_owned(),
            can_go_on: false,
        });
        return shown;
    };
    read.record.by.clone_from(&begin.by);
    read.record.ready = ready_records(&begin.answers);
    let can_go_on = ended.log.is_some();
    let (number, kept) = match keep_sounding(store, &read.record, &ended.takes, &now()) {
        Ok(kept) => {
            let number = kept.number;
            match ended.log {
                Some(mut log) => drop(log.add(&LiveStep::Kept { number })),
                None => ended
                    .takes
                    .iter()
                    .for_each(|t| drop(std::fs::remove_file(t))),
            }
            (Some(number), format!("kept as sounding {number}"))
        }
        Err(error) => {
            let takes: Vec<String> = ended
                .takes
                .iter()
                .map(|t| t.display().to_string())
                .collect();
            let words = format!("NOT kept: {error}; its sound is in {}", takes.join(", "));
            (None, words)
        }
    };
    shown.end = Some(EndShown {
        outcome: read.outcome.words(),
        summary: read.record.summary.clone(),
        steps: next_steps(read.outcome).to_vec(),
        number,
        kept,
        can_go_on,
    });
    shown
}

fn last_said(said: &[String]) -> Vec<String> {
    said[said.len().saturating_sub(SAID)..].to_vec()
}

fn shown(taking: &TakingSounding) -> Shown {
    let live = taking.live();
    let plan = live.turn_plan();
    let (next, asking) = (live.next_spot(), live.asking());
    let spot = |k: usize| {
        let at = live.at(k);
        let why = live.why_at(k);
        SpotShown {
            deg: live.spot_deg(k),
            is_struck: at.is_some(),
            heard: at.and_then(|a| a.0).map(|h| h.word()),
            reading: at.and_then(|a| a.1).map(|r| r.words()),
            ring_time_s: why.and_then(|w| w.1),
            why: why.map(|w| w.0.to_owned()),
        }
    };
    let wait = match taking.waits() {
        Wait::Paused => "paused",
        Wait::ForSource => "no sound",
        Wait::No if taking.is_checking() => "checking",
        Wait::No | Wait::Over => "",
    };
    let order = match (wait, asking, next) {
        ("paused", ..) => "Paused".to_owned(),
        ("no sound", ..) => "No sound comes in".to_owned(),
        (_, Some(k), _) => format!("What did you hear at spot {}?", k + 1),
        ("checking", ..) => "Be quiet: listening to the room".to_owned(),
        (_, None, Some(k)) => instruction(plan, k, live.spot_deg(k)),
        (_, None, None) => "All spots are struck".to_owned(),
    };
    Shown {
        phase: "taking",
        wheel: taking.wheel().map(str::to_owned),
        source: taking.source().to_owned(),
        plan: plan.name(),
        spots: (0..plan.spots_deg().len()).map(spot).collect(),
        next,
        asking,
        order,
        turned_deg: turned_deg(plan, asking.or(next).unwrap_or(0)),
        wait,
        said: last_said(taking.said()),
        end: None,
    }
}

/// The level as it is drawn: now and held in dB of full scale, and the row of peaks, each from 0
/// at [`FLOOR_DB`] to 100 at full scale.
fn level_shown(meter: &LevelMeter) -> String {
    let (now_db, held_db) = meter.level_db();
    let place = |peak: f64| {
        let db = crate::units::amplitude_db(peak);
        (100.0 * (1.0 - db / FLOOR_DB)).clamp(0.0, 100.0).round() as u8
    };
    let row: Vec<u8> = meter.row().map(place).collect();
    let finite = |db: f64| db.is_finite().then_some((10.0 * db).round() / 10.0);
    serde_json::json!({ "now_db": finite(now_db), "held_db": finite(held_db), "row": row })
        .to_string()
}

fn json<T: Serialize>(value: &T) -> String {
    serde_json::to_string(value).unwrap_or_default()
}
