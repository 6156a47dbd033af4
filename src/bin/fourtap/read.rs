//! `fourtap read`.

use std::collections::BTreeMap;
use std::collections::btree_map::Entry;
use std::fs::File;
use std::io::{BufReader, IsTerminal};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::ValueEnum;
use fourtap::audio::{AudioError, Input};
use fourtap::reading::{Damping, Heard, Outcome};
use fourtap::record::wheel::Bond;
use fourtap::report::text::{TextStyle, sounding_text};
use fourtap::tasks::build_baseline::Behind;
use fourtap::tasks::draw_sounding::{DrawError, apart_names, draw_sounding, make_folder};
use fourtap::tasks::in_order::in_order;
use fourtap::tasks::lot_peers::{LotPeers, Peer};
use fourtap::tasks::name_soundings::{Grouping, paths_of_list, short_name, soundings_in};
use fourtap::tasks::plate_findings::WheelBody;
use fourtap::tasks::read_soundings::{ReadSettings, ReadSounding, read_and_show, read_sounding};
use fourtap::tasks::room_clap::room_time_s;
use fourtap::tasks::wheels_table::read_table;

use crate::baseline::behind;
use crate::exit;
use crate::plan::Plan;
use crate::progress::Progress;
use crate::tell::{complain, said};

/// Arguments of `read`.
#[derive(clap::Args)]
pub struct Read {
    /// Recordings, folders of recordings, or - for standard input
    ///
    /// Each recording is one sounding. A folder in which every recording holds at most one tap,
    /// and two or more hold one, is one sounding: one file per tap, in the order of the names.
    #[arg(required_unless_present_any = ["files_from", "wheels"])]
    pub files: Vec<PathBuf>,
    /// More recordings and folders from a list, one path a line; - is standard input
    #[arg(long, value_name = "LIST")]
    pub files_from: Option<PathBuf>,
    /// All recordings are taps of one sounding (one file per tap)
    #[arg(long, conflicts_with = "apart")]
    pub together: bool,
    /// Each recording is a sounding of its own, also in a folder with one file per tap
    #[arg(long)]
    pub apart: bool,
    /// Which file belongs to which wheel: a CSV table with the columns file and wheel, and if
    /// wanted session, spot_deg, heard and temp_c; files of one wheel and session are one sounding
    #[arg(
        long,
        value_name = "TABLE",
        conflicts_with_all = ["files", "files_from", "together", "apart", "wheel", "heard"]
    )]
    pub wheels: Option<PathBuf>,
    /// Id of the wheel: its newest baseline in the store is what the taps are held against
    #[arg(long, value_name = "ID")]
    pub wheel: Option<String>,
    /// Name of a specification: its baseline is what wheels without one of their own are held
    /// against
    #[arg(long, value_name = "NAME")]
    pub specification: Option<String>,
    /// Wheels with neither an own baseline nor one of their specification are held against the
    /// other wheels of this run: 4 or more of one lot, each sounding another wheel
    #[arg(long)]
    pub lot_peers: bool,
    /// Bond of wheels that the store does not know, for --lot-peers
    #[arg(long, requires = "lot_peers", default_value = "unknown")]
    pub bond: String,
    /// Measured size of the wheel, for the labels of its modes; else that of --wheel in the store
    #[arg(long, value_name = "SIZE", value_parser = fourtap::record::wheel::Size::parse, conflicts_with = "wheels")]
    pub size: Option<fourtap::record::wheel::Size>,
    /// Mass of the wheel, for its modulus of elasticity: 1.4kg, 1400g, 3.1lb
    #[arg(long, value_name = "MASS", value_parser = fourtap::units::parse_mass_kg, conflicts_with = "wheels")]
    pub mass: Option<f64>,
    /// Temperature of the wheel: 21C, 70F
    #[arg(long, value_name = "TEMP", value_parser = fourtap::units::parse_temp_c, allow_hyphen_values = true)]
    pub temp: Option<f64>,
    /// Recording of a hand clap in the same place: how long the room sounds on
    #[arg(long, value_name = "FILE")]
    pub clap: Option<PathBuf>,
    /// Where the taps fell
    #[arg(long, value_enum, default_value = "rule")]
    pub turn_plan: Plan,
    /// What the ear heard, tap by tap: ring, thud or unsure
    #[arg(long, value_enum, value_delimiter = ',')]
    pub heard: Vec<Word>,
    /// Draw each sounding into this folder, as SVG and PNG; the folder is made
    #[arg(long, value_name = "DIR")]
    pub pictures: Option<PathBuf>,
    /// Print one JSON object per sounding
    #[arg(long)]
    pub json: bool,
}

/// What an ear can say.
#[derive(Clone, Copy, ValueEnum)]
pub enum Word {
    /// It rang
    Ring,
    /// It sounded dead
    Thud,
    /// Not sure
    Unsure,
}

/// A sounding to be read.
struct Job {
    inputs: Vec<Input>,
    settings: ReadSettings,
    /// Name of its pictures, unlike any other of this run.
    name: String,
    /// Specification and lot of the wheel, where the store knows them.
    lot: String,
    /// Kind of its bond.
    damping: Damping,
}

/// What became of one.
struct Done {
    read: Result<ReadSounding, AudioError>,
    drawn: Result<(), DrawError>,
}

/// Runs it: the worst outcome of all soundings is the exit code.
pub fn run(args: &Read, store: Option<&Path>) -> ExitCode {
    let mut jobs = match jobs(args, store) {
        Ok(jobs) => jobs,
        Err(code) => return code,
    };
    if let Some(Err(error)) = args.pictures.as_deref().map(make_folder) {
        complain(&error.to_string());
        return ExitCode::from(exit::INPUT);
    }
    let names: Vec<String> = jobs.iter().map(|j| j.name.clone()).collect();
    for (job, own) in jobs.iter_mut().zip(apart_names(&names)) {
        job.name = own;
    }
    let mut tally = Tally::default();
    let mut progress = Progress::new(jobs.len(), "soundings");
    in_order(
        &jobs,
        |_, job| work(job, args.pictures.as_deref()),
        |k, done| {
            progress.clear();
            let heard = tell(done, args.json, &mut tally);
            progress.show(k + 1, k + 1);
            heard
        },
    );
    progress.clear();
    if args.wheels.is_none() && !args.apart && tally.one_tap_each() {
        complain(
            "each recording holds at most one tap: if they are taps of one wheel, add --together \
             (or --apart to say that they are not)",
        );
    }
    tally.code()
}

/// What is to be read; else the exit code, the fault being told.
fn jobs(args: &Read, store: Option<&Path>) -> Result<Vec<Job>, ExitCode> {
    let mut jobs = named_jobs(args).map_err(|(words, code)| {
        complain(&words);
        ExitCode::from(code)
    })?;
    let mut known: BTreeMap<Option<String>, Behind> = BTreeMap::new();
    let mut bodies: BTreeMap<String, Result<WheelBody, String>> = BTreeMap::new();
    for job in &mut jobs {
        let wheel = job.settings.wheel.clone();
        let found = match known.entry(wheel) {
            Entry::Occupied(o) => o.into_mut(),
            Entry::Vacant(v) => {
                let found = behind(v.key().as_deref(), args.specification.as_deref(), store)?;
                v.insert(found)
            }
        };
        job.settings.baseline = found.baseline.clone();
        job.settings.at_best = found.at_best.clone();
        job.settings.notes.extend(found.notes.clone());
        if let Some(wheel) = &found.wheel {
            let part = |fact: &Option<String>| fact.clone().unwrap_or_default();
            job.lot = format!("{}\n{}", part(&wheel.specification), part(&wheel.lot));
            job.damping = wheel.bond.damping();
        }
        match args.size.as_ref().or(found.wheel.as_ref().map(|w| &w.size)) {
            Some(size) => {
                let kept = found.wheel.as_ref().and_then(|w| w.label.mass_kg);
                let mass_kg = args.mass.or(kept);
                let key = format!("{} {mass_kg:?}", size.written());
                let made = bodies.entry(key).or_insert_with(|| {
                    WheelBody::new(size, mass_kg).map_err(|e| {
                        format!("modes have no labels: {e}, and the theory is of flat discs")
                    })
                });
                match made {
                    Ok(body) => job.settings.body = Some(body.clone()),
                    Err(note) => job.settings.notes.push(note.clone()),
                }
            }
            None if args.mass.is_some() => job.settings.notes.push(
                "the mass is not used, as the size of the wheel is not known: add --size"
                    .to_owned(),
            ),
            None => {}
        }
    }
    if args.lot_peers {
        give_peers(&mut jobs);
    }
    Ok(jobs)
}

/// Gives each wheel that nothing else stands behind the other wheels of its lot. All soundings
/// are read twice for that: what each is held against is known only when all were heard.
fn give_peers(jobs: &mut [Job]) {
    // A sounding without an id counts as a wheel of its own.
    let name = |k: usize, job: &Job| {
        let id = job.settings.wheel.clone();
        id.unwrap_or_else(|| format!("sounding {}", k + 1))
    };
    let mut all: Vec<Peer> = Vec::new();
    let read = |_: usize, job: &Job| {
        // What cannot be read is told when its turn comes; standard input cannot be read twice.
        if job.inputs.iter().any(|i| matches!(i, Input::StandardInput)) {
            return None;
        }
        let settings = ReadSettings {
            baseline: None,
            for_baseline: Some(job.damping),
            ..job.settings.clone()
        };
        Some(read_sounding(&job.inputs, &settings).ok()?.record)
    };
    let needed = jobs
        .first()
        .map_or(4, |j| j.settings.turn_plan.spots_deg().len());
    in_order(jobs, read, |k, record| {
        let job = &jobs[k];
        let of = |r| Peer::of(r, needed, (name(k, job), job.lot.clone()), job.damping);
        // A heard thud is final: such a wheel is no measure for others.
        let thud = job.settings.heard.contains(&Heard::Thud);
        all.extend(record.as_ref().filter(|_| !thud).and_then(of));
        true
    });
    let mut peers = LotPeers::new(&all);
    for (k, job) in jobs.iter_mut().enumerate() {
        if job.settings.baseline.is_some() {
            continue;
        }
        let found = peers.of(&name(k, job), &job.lot);
        let notes = &mut job.settings.notes;
        notes.retain(|n| !n.starts_with("nothing is compared"));
        if found.is_none() {
            notes.push(
                "nothing is compared: fewer than three other wheels of its lot rang clear in this run and go together".to_owned(),
            );
        }
        job.settings.baseline = found;
    }
}

/// What is named, before anything is known of the wheels; else what is wrong and the exit code.
fn named_jobs(args: &Read) -> Result<Vec<Job>, (String, u8)> {
    let turn_plan = args.turn_plan.turn_plan();
    let bond = Bond::parse(&args.bond).map_err(|e| (e.to_string(), exit::USE))?;
    let (lot, damping) = (String::new(), bond.damping());
    let room = match &args.clap {
        Some(path) => Some(clapped(path)?),
        None => None,
    };
    let room_time_s = room.as_ref().map(|r| r.0);
    let notes: Vec<String> = room.into_iter().map(|r| r.1).collect();
    if let Some(table) = &args.wheels {
        let rows = read_table(table).map_err(|e| (e.to_string(), exit::INPUT))?;
        let job = |row: fourtap::tasks::wheels_table::TableSounding| Job {
            name: format!("{} {}", row.wheel, row.session).trim().to_owned(),
            inputs: row.inputs,
            lot: lot.clone(),
            damping,
            settings: ReadSettings {
                wheel: Some(row.wheel),
                turn_plan,
                heard: row.heard,
                spots_deg: row.spots_deg,
                temp_c: row.temp_c.or(args.temp),
                room_time_s,
                notes: notes.clone(),
                ..ReadSettings::default()
            },
        };
        return Ok(rows.into_iter().map(job).collect());
    }
    let unreadable = |e: AudioError| (e.to_string(), exit::INPUT);
    let mut paths = args.files.clone();
    if let Some(list) = &args.files_from {
        paths.extend(listed(list).map_err(unreadable)?);
    }
    if paths.iter().filter(|p| p.as_os_str() == "-").count()
        + usize::from(args.files_from.as_deref() == Some(Path::new("-")))
        > 1
    {
        let words = "standard input (-) can be read once only: name it once";
        return Err((words.to_owned(), exit::USE));
    }
    let grouping = match (args.together, args.apart) {
        (true, _) => Grouping::Together,
        (_, true) => Grouping::Apart,
        _ => Grouping::ByFolder,
    };
    let named = soundings_in(&paths, grouping).map_err(unreadable)?;
    for path in &named.passed_over {
        let why = if path.is_dir() {
            "it is a folder within a folder"
        } else if path.is_file() {
            "its name is not that of a recording"
        } else {
            "it is no file"
        };
        complain(&format!("{}: passed over, {why}", path.display()));
    }
    for words in &named.decided {
        complain(words);
    }
    let settings = ReadSettings {
        wheel: args.wheel.clone(),
        turn_plan,
        heard: args.heard.iter().map(|w| heard(*w)).collect(),
        temp_c: args.temp,
        room_time_s,
        notes,
        ..ReadSettings::default()
    };
    let job = |inputs: Vec<Input>| Job {
        name: short_name(&inputs),
        inputs,
        settings: settings.clone(),
        lot: lot.clone(),
        damping,
    };
    Ok(named.soundings.into_iter().map(job).collect())
}

/// The room's decay time by the recording of a clap, and a note of it; else what is wrong and the
/// exit code.
pub fn clapped(path: &Path) -> Result<(f64, String), (String, u8)> {
    let time_s = room_time_s(&Input::Path(path.to_owned()));
    let time_s = time_s.map_err(|e| (e.to_string(), exit::INPUT))?;
    let name = path.display();
    let note = format!("the room sounds on for {time_s:.2} s (T60), by the clap in {name}");
    Ok((time_s, note))
}

fn heard(word: Word) -> Heard {
    match word {
        Word::Ring => Heard::Ring,
        Word::Thud => Heard::Thud,
        Word::Unsure => Heard::Unsure,
    }
}

/// The paths of a list; `-` is standard input.
fn listed(list: &Path) -> Result<Vec<PathBuf>, AudioError> {
    if list.as_os_str() == "-" {
        return paths_of_list("standard input", std::io::stdin().lock());
    }
    let name = list.display().to_string();
    let file = File::open(list).map_err(|e| {
        let what = format!("the list cannot be read: {e}");
        AudioError::new(&name, None, what, "check the path")
    })?;
    paths_of_list(&name, BufReader::new(file))
}

fn work(job: &Job, pictures: Option<&Path>) -> Done {
    let mut drawn = Ok(());
    let read = read_and_show(&job.inputs, &job.settings, &mut |seen| {
        if let Some(folder) = pictures {
            drawn = draw_sounding(seen, folder, &job.name);
        }
    });
    Done { read, drawn }
}

/// Prints a sounding; false when nobody takes what is printed any more.
fn tell(done: Done, json: bool, tally: &mut Tally) -> bool {
    if let Err(error) = done.drawn {
        tally.failed = true;
        complain(&error.to_string());
    }
    let read = match done.read {
        Ok(read) => read,
        Err(error) => {
            tally.failed = true;
            complain(&error.to_string());
            return true;
        }
    };
    tally.add(&read);
    if !json {
        let colour = std::io::stdout().is_terminal() && std::env::var_os("NO_COLOR").is_none();
        let style = TextStyle { colour, width: 80 };
        return said(&sounding_text(&read.record, &style));
    }
    match serde_json::to_string(&read.record) {
        Ok(line) => said(&line),
        Err(error) => {
            tally.failed = true;
            complain(&error.to_string());
            true
        }
    }
}

/// What the run came to.
#[derive(Default)]
struct Tally {
    worst: Option<Outcome>,
    failed: bool,
    /// Soundings of one recording with one tap, and with more.
    with_one: usize,
    with_more: usize,
    joined: bool,
}

impl Tally {
    fn add(&mut self, read: &ReadSounding) {
        self.worst = Some(self.worst.map_or(read.outcome, |w| read.outcome.min(w)));
        if read.record.files.len() != 1 {
            self.joined = true;
            return;
        }
        match read.record.taps.len() {
            0 => {}
            1 => self.with_one += 1,
            _ => self.with_more += 1,
        }
    }

    /// True when this looks like one file per tap.
    fn one_tap_each(&self) -> bool {
        !self.joined && self.with_more == 0 && self.with_one >= 2
    }

    /// A dead wheel must not hide behind a file that could not be read.
    fn code(&self) -> ExitCode {
        ExitCode::from(match self.worst {
            Some(Outcome::SoundsDead) => exit::of(Outcome::SoundsDead),
            Some(outcome) if !self.failed => exit::of(outcome),
            _ => exit::INPUT,
        })
    }
}
