//! `fourtap teach ear`: the ear test at the terminal. A key plays the sound; nothing plays by
//! itself.

use std::collections::BTreeMap;
use std::io::{BufRead as _, IsTerminal as _, Write as _};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use crossterm::event::{Event, KeyCode, KeyEventKind, KeyModifiers, read};
use crossterm::terminal::{disable_raw_mode, enable_raw_mode};
use fourtap::reading::Heard;
use fourtap::record::ear_test::EarTestRecord;
use fourtap::report::text::ear::{EAR_NOTE, ear_round_text};
use fourtap::tasks::clock::now;
use fourtap::tasks::ear_test::{EarError, EarTest, USUAL_TRIALS, keep_ear_test, kept_ear_tests};
use fourtap::units::SampleRate;

use crate::exit;
use crate::store_place::open;
use crate::tell::{complain, say};

/// What stands behind the help.
pub const HELP: &str = "\
Keys (a line each where there is no terminal): p play the sound, as often as you like; r it rang,
t it was a thud, u not sure; q stop: what was answered is kept.

Exit codes: 0 done, 2 wrong use, 3 a sound cannot be written, 4 no loudspeaker (play the sounds
yourself with --sounds), 5 the store.";

/// Arguments of `teach ear`.
#[derive(clap::Args)]
pub struct Ear {
    /// Who listens; several take turns, round by round
    #[arg(long, value_name = "NAME", required = true)]
    trainee: Vec<String>,
    /// Rounds for each
    #[arg(long, default_value_t = 1, value_parser = clap::value_parser!(u32).range(1..=50))]
    rounds: u32,
    /// Sounds in a round, 4 to 400
    #[arg(long, default_value_t = USUAL_TRIALS, value_parser = clap::value_parser!(u32).range(4..=400))]
    trials: u32,
    /// Number that order and sounds come from; else a new one each time
    #[arg(long)]
    seed: Option<u64>,
    /// Do not play: write each sound into this folder as ear-test.wav, for another player; p says
    /// that it was played
    #[arg(long, value_name = "DIR")]
    sounds: Option<PathBuf>,
    /// Print each round as a JSON object
    #[arg(long)]
    json: bool,
}

/// A record as a line of JSON.
pub fn say_json(record: &EarTestRecord) {
    match serde_json::to_string(record) {
        Ok(line) => say(&line),
        Err(error) => complain(&error.to_string()),
    }
}

/// Runs it.
///
/// # Errors
/// The exit code, after the error was told.
pub fn run(ear: &Ear, place: Option<&Path>) -> Result<ExitCode, ExitCode> {
    let outlet = Outlet::find(ear.sounds.as_deref())?;
    let mut store = open(place)?;
    let mut rounds = BTreeMap::new();
    for kept in kept_ear_tests(&store, None).map_err(|e| failed(&e.into()))? {
        let last = rounds
            .entry(kept.record.trainee.to_lowercase())
            .or_insert(0);
        *last = kept.record.round.max(*last);
    }
    let mut seed = ear.seed.unwrap_or_else(seed_of_the_clock);
    complain(&format!(
        "made-up sound, blind: half of the wheels are damaged. {EAR_NOTE}"
    ));
    for _ in 0..ear.rounds {
        for trainee in &ear.trainee {
            let last = rounds.entry(trainee.trim().to_lowercase()).or_insert(0);
            *last += 1;
            let mut test = EarTest::new(trainee, *last, seed, ear.trials, outlet.rate())
                .map_err(|e| failed(&e))?;
            seed = seed.wrapping_add(1);
            complain(&format!("{}, round {}", test.trainee(), last));
            let went_on = listen(&mut test, &outlet);
            // What was answered is kept whatever stopped it.
            let record = test.record();
            let kept = keep_ear_test(&mut store, &record, &now()).map_err(|e| failed(&e.into()))?;
            if let Some(kept) = kept {
                if ear.json {
                    say_json(&kept.record);
                } else {
                    say(ear_round_text(&kept.record).trim_end());
                }
                complain(&format!("kept as record {}", kept.number));
            }
            if !went_on? {
                return Ok(ExitCode::SUCCESS);
            }
        }
    }
    Ok(ExitCode::SUCCESS)
}

/// A number that nobody chose: millionths of a second of the clock, below 2^32.
fn seed_of_the_clock() -> u64 {
    (jiff::Timestamp::now().as_microsecond().unsigned_abs()) & 0xffff_ffff
}

/// Asks about all sounds; false when the person stopped.
fn listen(test: &mut EarTest, outlet: &Outlet) -> Result<bool, ExitCode> {
    while !test.is_over() {
        let (number, all) = test.place();
        let hint = if test.was_played() {
            "r, t, u; p again"
        } else {
            "p plays"
        };
        let _ = write!(
            std::io::stderr(),
            "fourtap: sound {number} of {all} ({hint}, q stops) "
        );
        let _ = std::io::stderr().flush();
        match key() {
            Some('p' | ' ') => {
                outlet.give(test)?;
                test.played();
            }
            Some(word @ ('r' | 't' | 'u')) if test.was_played() => test.answer(match word {
                'r' => Heard::Ring,
                't' => Heard::Thud,
                _ => Heard::Unsure,
            }),
            Some('r' | 't' | 'u') => complain("play it first: p"),
            Some('q') | None => return Ok(false),
            Some(_) => complain("p play, r it rang, t it was a thud, u not sure, q stop"),
        }
    }
    Ok(true)
}

/// One key, or the first letter of a line where there is no terminal; none when nothing more
/// comes.
fn key() -> Option<char> {
    if !std::io::stdin().is_terminal() || enable_raw_mode().is_err() {
        let mut line = String::new();
        let got = std::io::stdin().lock().read_line(&mut line).ok()?;
        let _ = writeln!(std::io::stderr());
        return (got > 0).then(|| {
            line.trim()
                .chars()
                .next()
                .unwrap_or('?')
                .to_ascii_lowercase()
        });
    }
    let pressed = loop {
        match read() {
            Ok(Event::Key(k)) if k.kind == KeyEventKind::Press => match k.code {
                KeyCode::Char('c' | 'd') if k.modifiers.contains(KeyModifiers::CONTROL) => {
                    break None;
                }
                KeyCode::Char(c) => break Some(c.to_ascii_lowercase()),
                _ => break Some('?'),
            },
            Ok(_) => {}
            Err(_) => break None,
        }
    };
    let _ = disable_raw_mode();
    let _ = writeln!(std::io::stderr());
    pressed
}

/// Where the sound goes.
enum Outlet {
    /// The loudspeaker.
    #[cfg(feature = "microphone")]
    Speaker(fourtap::audio::speaker::Speaker),
    /// A file.
    File(PathBuf, SampleRate),
}

impl Outlet {
    fn find(folder: Option<&Path>) -> Result<Self, ExitCode> {
        let Some(folder) = folder else {
            return Self::speaker();
        };
        let told = |why: String| {
            complain(&why);
            ExitCode::from(exit::INPUT)
        };
        let rate = SampleRate::new(48_000).map_err(|e| told(e.to_string()))?;
        std::fs::create_dir_all(folder)
            .map_err(|e| told(format!("{} cannot be made: {e}", folder.display())))?;
        Ok(Self::File(folder.join("ear-test.wav"), rate))
    }

    #[cfg(feature = "microphone")]
    fn speaker() -> Result<Self, ExitCode> {
        let speaker = fourtap::audio::speaker::Speaker::usual();
        speaker.map(Self::Speaker).map_err(|error| {
            complain(&error.to_string());
            ExitCode::from(exit::DEVICE)
        })
    }

    #[cfg(not(feature = "microphone"))]
    fn speaker() -> Result<Self, ExitCode> {
        complain("this program was built without sound; play the sounds yourself: --sounds DIR");
        Err(ExitCode::from(exit::DEVICE))
    }

    fn rate(&self) -> SampleRate {
        match self {
            #[cfg(feature = "microphone")]
            Self::Speaker(speaker) => speaker.rate(),
            Self::File(_, rate) => *rate,
        }
    }

    /// Plays or writes the present sound.
    fn give(&self, test: &mut EarTest) -> Result<(), ExitCode> {
        match self {
            #[cfg(feature = "microphone")]
            Self::Speaker(speaker) => {
                let clip = test.sound().map_err(|e| failed(&e))?;
                clip.map_or(Ok(()), |clip| speaker.play(clip))
                    .map_err(|error| {
                        complain(&error.to_string());
                        ExitCode::from(exit::DEVICE)
                    })
            }
            Self::File(path, _) => {
                let bytes = test.wav().map_err(|e| failed(&e))?.unwrap_or_default();
                std::fs::write(path, bytes).map_err(|e| {
                    complain(&format!("{} cannot be written: {e}", path.display()));
                    ExitCode::from(exit::INPUT)
                })?;
                complain(&format!("{}: play it", path.display()));
                Ok(())
            }
        }
    }
}

fn failed(error: &EarError) -> ExitCode {
    complain(&error.to_string());
    ExitCode::from(match error {
        EarError::Store(_) => exit::STORE,
        EarError::NoName | EarError::Trials(_) => exit::USE,
        EarError::Scene(_) | EarError::Wav(_) => exit::INPUT,
    })
}
