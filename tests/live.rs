//! Live soundings: from recordings as if live, at a virtual microphone, and in a terminal.
#![allow(clippy::print_stdout)] // tells what was skipped and why

use std::io::{BufRead, BufReader, Read, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::time::{Duration, Instant};

use fourtap::audio::as_if_live::AsIfLive;
use fourtap::audio::take_file::TakeFile;
use fourtap::audio::{AudioError, Chunk, Input, Recording, Source};
use fourtap::reading::{Heard, Outcome, Reading};
use fourtap::store::Store;
use fourtap::tasks::live_sounding::{EarAsked, LiveEvent, LiveSounding};
use fourtap::tasks::read_soundings::{ReadSettings, read_sounding};
use fourtap::tasks::take_in::{Came, TakeIn};
use fourtap::units::SampleRate;

use crate::virtual_mic::VirtualMic;

const RINGS: &str = "fixtures/taps/hl1-monday.wav";
const DEAD: &str = "fixtures/taps/hl3-dead.wav";

fn fixture(name: &str) -> Input {
    Input::Path(Path::new(env!("CARGO_MANIFEST_DIR")).join(name))
}

/// Plays a fixture into a sounding as fast as it goes; gives what happened, answering `ear` for
/// each tap as soon as it is asked.
fn play(live: &mut LiveSounding, name: &str, ear: Option<Heard>) -> Vec<LiveEvent> {
    let recording = Recording::open(&fixture(name)).unwrap();
    let mut source = AsIfLive::at_once(recording.play(0).unwrap());
    let mut events = live.begin_part(name, source.rate());
    let answered = |live: &mut LiveSounding, new: Vec<LiveEvent>| {
        let mut new = new;
        while let (Some(heard), Some(_)) = (ear, live.asking()) {
            new.extend(live.answer(heard));
        }
        new
    };
    let mut longest = Duration::ZERO;
    while let Some(chunk) = source.next_chunk().unwrap() {
        let begin = Instant::now();
        let new = live.hear(&chunk);
        longest = longest.max(begin.elapsed());
        events.extend(answered(live, new));
    }
    println!("{name}: the longest wait from a chunk to what it says: {longest:?}");
    let new = live.end_part();
    events.extend(answered(live, new));
    events
}

fn live() -> LiveSounding {
    LiveSounding::new(ReadSettings::default(), EarAsked::EachTap)
}

fn readings(events: &[LiveEvent]) -> Vec<Reading> {
    let read = events.iter().filter_map(|e| match e {
        LiveEvent::Read { reading, .. } => Some(*reading),
        _ => None,
    });
    read.collect()
}

#[test]
fn as_if_live_reads_as_from_the_file() {
    for (name, outcome) in [
        (RINGS, Outcome::RingsNotCompared),
        (DEAD, Outcome::SoundsDead),
    ] {
        let mut sounding = live();
        let events = play(&mut sounding, name, Some(Heard::Ring));
        assert!(sounding.is_complete(), "{name}: {events:?}");
        assert_eq!(readings(&events).len(), 4, "{name}");
        let read = sounding.finish(Vec::new());
        let settings = ReadSettings {
            heard: vec![Heard::Ring; 4],
            ..ReadSettings::default()
        };
        let from_file = read_sounding(&[fixture(name)], &settings).unwrap();
        assert_eq!(read.outcome, outcome, "{name}");
        // The same samples by the same way: exactly the same, but for the name of the file.
        assert_eq!(read.record.summary, from_file.record.summary);
        assert_eq!(read.record.modes, from_file.record.modes);
        for (mut a, b) in read.record.taps.into_iter().zip(from_file.record.taps) {
            a.file.clone_from(&b.file);
            assert_eq!(a, b, "{name}");
        }
    }
}

#[test]
fn no_reading_comes_before_the_ears_word() {
    let mut sounding = live();
    let events = play(&mut sounding, RINGS, None);
    assert_eq!(readings(&events), []);
    for spot in 0..4 {
        assert_eq!(sounding.asking(), Some(spot));
        assert_eq!(sounding.at(spot), Some((None, None)));
        let events = sounding.answer(Heard::Ring);
        assert_eq!(readings(&events), [Reading::ClearRing]);
        assert_eq!(
            sounding.at(spot),
            Some((Some(Heard::Ring), Some(Reading::ClearRing)))
        );
    }
    assert!(sounding.is_complete());

    // Asked afterwards: nothing before the last word, then all.
    let mut after = LiveSounding::new(ReadSettings::default(), EarAsked::Afterwards);
    assert_eq!(readings(&play(&mut after, RINGS, None)), []);
    for _ in 0..3 {
        assert_eq!(after.answer(Heard::Ring), []);
    }
    assert_eq!(readings(&after.answer(Heard::Unsure)).len(), 4);
    assert_eq!(after.finish(Vec::new()).outcome, Outcome::SoundItAgain);
}

#[test]
fn a_heard_thud_is_final_even_when_the_spot_is_struck_again() {
    let mut sounding = live();
    play(&mut sounding, RINGS, None);
    sounding.answer(Heard::Thud);
    for _ in 0..3 {
        sounding.answer(Heard::Ring);
    }
    assert!(matches!(
        sounding.redo(0)[..],
        [LiveEvent::Again { spot: 0, .. }]
    ));
    assert_eq!(sounding.next_spot(), Some(0));
    let events = play(&mut sounding, RINGS, Some(Heard::Ring));
    // The first tap of the second playing takes the open spot, the others are one too many.
    assert_eq!(readings(&events), [Reading::ClearRing]);
    let passed = events.iter();
    let passed = passed.filter(|e| matches!(e, LiveEvent::PassedOver { .. }));
    assert_eq!(passed.count(), 3);
    let read = sounding.finish(Vec::new());
    assert_eq!(read.outcome, Outcome::SoundsDead, "{}", read.record.summary);
    assert_eq!(read.record.taps.len(), 5);
    assert!(
        read.record
            .warnings
            .iter()
            .any(|w| w.contains("struck again"))
    );
}

#[test]
fn a_ring_that_is_struck_again_is_replaced_and_a_measured_thud_is_not() {
    let mut rings = live();
    play(&mut rings, RINGS, Some(Heard::Ring));
    rings.redo(2);
    play(&mut rings, RINGS, Some(Heard::Ring));
    let read = rings.finish(Vec::new());
    assert_eq!(read.outcome, Outcome::RingsNotCompared);
    let spots: Vec<_> = read.record.taps.iter().map(|t| t.spot_deg).collect();
    // In the order of the taps: the third spot of the plan came last.
    assert_eq!(spots, [Some(315.0), Some(45.0), Some(0.0), Some(270.0)]);

    let mut dead = live();
    play(&mut dead, DEAD, Some(Heard::Ring));
    (0..4).for_each(|spot| drop(dead.redo(spot)));
    play(&mut dead, RINGS, Some(Heard::Ring));
    assert_eq!(dead.finish(Vec::new()).outcome, Outcome::SoundsDead);
}

#[test]
fn what_was_no_tap_is_taken_away_only_before_the_ears_word() {
    let mut sounding = live();
    play(&mut sounding, DEAD, None);
    for spot in (0..4).rev() {
        assert!(matches!(sounding.no_tap()[..], [LiveEvent::Again { spot: s, .. }] if s == spot));
    }
    play(&mut sounding, RINGS, Some(Heard::Ring));
    assert!(matches!(
        sounding.no_tap()[..],
        [LiveEvent::PassedOver { .. }]
    ));
    let read = sounding.finish(Vec::new());
    assert_eq!(read.outcome, Outcome::RingsNotCompared);
    let warnings = read.record.warnings.iter();
    assert_eq!(warnings.filter(|w| w.contains("was no tap")).count(), 4);
}

#[test]
fn a_flawed_tap_is_asked_for_again_with_the_reason_at_most_twice() {
    // Every tap is cut after 30 ms by lost sound: too short to read.
    let recording = Recording::open(&fixture(RINGS)).unwrap();
    let mut player = recording.play(0).unwrap();
    let mut samples = Vec::new();
    while let Some(chunk) = player.next_chunk().unwrap() {
        samples.extend(chunk.samples);
    }
    let whole = read_sounding(&[fixture(RINGS)], &ReadSettings::default()).unwrap();
    let rate = recording.rate;
    let mut sounding = live();
    sounding.begin_part("cut", rate);
    let mut events = Vec::new();
    for tap in &whole.record.taps {
        let strike = rate.samples(tap.time_s);
        let (from, to) = (strike - rate.samples(0.4), strike + rate.samples(0.03));
        for (piece, lost) in [
            (&samples[from..to], 4_800),
            (&samples[..rate.samples(0.3)], 4_800),
        ] {
            events.extend(sounding.hear(&Chunk {
                samples: piece.to_vec(),
                lost_before: lost,
            }));
            while sounding.asking().is_some() {
                events.extend(sounding.answer(Heard::Ring));
            }
        }
    }
    let again: Vec<_> = events
        .iter()
        .filter_map(|e| match e {
            LiveEvent::Again { spot, why } => Some((*spot, why.clone())),
            _ => None,
        })
        .collect();
    assert!(again.len() >= 2, "{events:?}");
    assert!(again[..2].iter().all(|(spot, _)| *spot == 0), "{again:?}");
    assert!(again[0].1.contains(';'), "the remedy: {again:?}");
    assert!(readings(&events).iter().all(|r| *r == Reading::Unclear));
    assert_eq!(sounding.finish(Vec::new()).outcome, Outcome::SoundItAgain);
}

/// A source that breaks off after some chunks of 100 ms.
struct Breaks(usize);

impl Source for Breaks {
    fn rate(&self) -> SampleRate {
        SampleRate::new(8_000).unwrap()
    }

    fn next_chunk(&mut self) -> Result<Option<Chunk>, AudioError> {
        if self.0 == 0 {
            return Err(AudioError::new("broken", None, "is gone", "plug it in"));
        }
        self.0 -= 1;
        std::thread::sleep(Duration::from_millis(2));
        Ok(Some(Chunk {
            samples: vec![0.25; 800],
            lost_before: 0,
        }))
    }
}

#[test]
fn what_came_before_a_source_broke_is_on_the_disk() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("take.wav");
    let take = TakeFile::create(&path, SampleRate::new(8_000).unwrap()).unwrap();
    let input = TakeIn::start(Box::new(Breaks(25)), Some(take), |_| {}, |_| {});
    let mut frames = 0;
    let error = loop {
        match input.next(Duration::from_secs(5)).unwrap() {
            Came::Sound(chunk) => frames += chunk.samples.len(),
            Came::Failed(error) => break error,
            Came::Ended => panic!("it broke, it did not end"),
        }
    };
    assert!(error.to_string().contains("plug it in"));
    assert_eq!(frames, 20_000);
    assert_eq!(input.finish().1.unwrap(), 20_000);
    let recording = Recording::open(&Input::Path(path)).unwrap();
    assert_eq!(recording.frames, Some(20_000));
}

#[test]
fn a_pause_is_a_gap_and_not_on_the_disk() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("take.wav");
    let take = TakeFile::create(&path, SampleRate::new(8_000).unwrap()).unwrap();
    let input = TakeIn::start(Box::new(Breaks(2_000)), Some(take), |_| {}, |_| {});
    assert!(matches!(
        input.next(Duration::from_secs(5)),
        Some(Came::Sound(_))
    ));
    input.pause(true);
    std::thread::sleep(Duration::from_millis(300));
    while matches!(input.next(Duration::from_millis(20)), Some(Came::Sound(_))) {}
    input.pause(false);
    let Some(Came::Sound(first)) = input.next(Duration::from_secs(5)) else {
        panic!("it goes on");
    };
    // Over 100 chunks were left out, and the pause counts as one second.
    assert_eq!(first.lost_before, 8_000);
    let (_, frames) = input.finish();
    assert!(frames.unwrap() < 2_000 * 800);
}

/// A running `fourtap sound` in lines, as a person would use it.
struct Person {
    child: Child,
    stdin: Option<ChildStdin>,
    lines: Receiver<String>,
    told: Vec<String>,
}

impl Person {
    fn begins(store: &Path, args: &[&str], mic: Option<&VirtualMic>) -> Self {
        let mut command = Command::new(env!("CARGO_BIN_EXE_fourtap"));
        command
            .arg("sound")
            .args(args)
            .arg("--store")
            .arg(store)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped());
        if let Some(mic) = mic {
            command.envs(mic.environment());
        }
        let mut child = command.spawn().unwrap();
        let stderr = BufReader::new(child.stderr.take().unwrap());
        let (sender, lines) = channel();
        std::thread::spawn(move || {
            for line in stderr.lines().map_while(Result::ok) {
                let _ = sender.send(line);
            }
        });
        Self {
            stdin: child.stdin.take(),
            child,
            lines,
            told: Vec::new(),
        }
    }

    /// Waits until something is said; gives how long that took.
    fn hears(&mut self, words: &str) -> Duration {
        let begin = Instant::now();
        loop {
            let left = Duration::from_secs(60).saturating_sub(begin.elapsed());
            let Ok(line) = self.lines.recv_timeout(left) else {
                panic!("never said: {words}\n{}", self.told.join("\n"));
            };
            self.told.push(line.clone());
            if line.contains(words) {
                return begin.elapsed();
            }
        }
    }

    fn says(&mut self, line: &str) {
        writeln!(self.stdin.as_mut().unwrap(), "{line}").unwrap();
    }

    /// Hears four taps and says what the ear heard.
    fn answers(&mut self, words: [&str; 4]) {
        for (k, word) in words.iter().enumerate() {
            self.hears(&format!("what did you hear at spot {}", k + 1));
            self.says(word);
        }
    }

    /// The exit code, what was printed, all that was said.
    fn ends(mut self) -> (i32, String, String) {
        self.stdin = None;
        let mut out = String::new();
        let mut stdout = self.child.stdout.take().unwrap();
        stdout.read_to_string(&mut out).unwrap();
        let code = self.child.wait().unwrap().code();
        let begin = Instant::now();
        while let Ok(line) = self.lines.recv_timeout(Duration::from_secs(2)) {
            self.told.push(line);
            assert!(begin.elapsed() < Duration::from_secs(10));
        }
        (code.unwrap_or(-1), out, self.told.join("\n"))
    }
}

impl Drop for Person {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

#[test]
fn a_sounding_is_kept_with_its_sound_and_what_the_ear_heard() {
    let folder = tempfile::tempdir().unwrap();
    let store = folder.path().join("store");
    let added = Command::new(env!("CARGO_BIN_EXE_fourtap"))
        .args([
            "wheel",
            "add",
            "W-104",
            "--size",
            "200x20x32",
            "--bond",
            "vitrified",
            "--store",
        ])
        .arg(&store)
        .status();
    assert!(added.unwrap().success());
    let mut person = Person::begins(
        &store,
        &["--from", RINGS, "--wheel", "W-104", "--json"],
        None,
    );
    person.answers(["r", "ring", "u", "r"]);
    let (code, out, told) = person.ends();
    assert_eq!(code, 11, "an unsure ear: {told}");
    assert!(told.contains("kept as sounding 1"), "{told}");
    let store = Store::open_existing(&store).unwrap();
    let kept = store
        .kept::<fourtap::record::sounding::SoundingRecord>(1)
        .unwrap();
    assert_eq!(kept.record.wheel.as_deref(), Some("W-104"));
    let printed: fourtap::record::sounding::SoundingRecord = serde_json::from_str(&out).unwrap();
    assert_eq!(printed.files, kept.record.files);
    let heard: Vec<_> = printed.taps.iter().map(|t| t.heard.as_deref()).collect();
    assert_eq!(
        heard,
        [Some("ring"), Some("ring"), Some("unsure"), Some("ring")]
    );
    assert_eq!(store.verify().unwrap().wrong, None);
    assert!(store.verify_sounds().unwrap().is_empty());
    // The sound that was kept reads as the live sounding did.
    let sound = store.sound(&printed.files[0].blake3).unwrap().unwrap();
    let again = read_sounding(
        &[Input::Path(sound.path.unwrap())],
        &ReadSettings::default(),
    );
    let again = again.unwrap().record;
    for (a, b) in printed.taps.iter().zip(&again.taps) {
        assert_eq!((a.time_s, a.ring_time_s), (b.time_s, b.ring_time_s));
    }
    let takes = std::fs::read_dir(store.folder().unwrap().join("takes")).unwrap();
    assert_eq!(takes.count(), 0, "the passing take is gone");
}

#[test]
fn a_wheel_that_is_not_in_the_store_is_refused_before_the_first_tap() {
    let folder = tempfile::tempdir().unwrap();
    let person = Person::begins(folder.path(), &["--from", RINGS, "--wheel", "W-9"], None);
    let (code, out, told) = person.ends();
    assert_eq!((code, out.as_str()), (5, ""), "{told}");
    assert!(told.contains("fourtap wheel add W-9"), "{told}");
}

#[test]
#[cfg(unix)]
fn an_interrupt_loses_no_finished_tap_and_a_kill_leaves_a_readable_take() {
    for signal in ["-INT", "-KILL"] {
        let folder = tempfile::tempdir().unwrap();
        let mut person = Person::begins(folder.path(), &["--from", RINGS, "--json"], None);
        person.hears("what did you hear at spot 1");
        person.says("r");
        person.hears("what did you hear at spot 2");
        let id = person.child.id().to_string();
        assert!(
            Command::new("kill")
                .args([signal, &id])
                .status()
                .unwrap()
                .success()
        );
        let (code, out, told) = person.ends();
        if signal == "-INT" {
            assert_eq!(code, 11, "{told}");
            assert!(told.contains("kept as sounding 1"), "{told}");
            let record: serde_json::Value = serde_json::from_str(&out).unwrap();
            assert!(record["taps"].as_array().unwrap().len() >= 2, "{out}");
            assert_eq!(record["taps"][0]["heard"], "ring");
            continue;
        }
        let takes: Vec<PathBuf> = std::fs::read_dir(folder.path().join("takes"))
            .unwrap()
            .map(|e| e.unwrap().path())
            .filter(|p| p.extension().is_some_and(|e| e == "wav"))
            .collect();
        assert_eq!(takes.len(), 1);
        let read = read_sounding(&[Input::Path(takes[0].clone())], &ReadSettings::default());
        assert!(!read.unwrap().record.taps.is_empty());
        // The next run tells of it.
        let next = Person::begins(folder.path(), &["--from", "gone.wav"], None);
        let (code, _, told) = next.ends();
        assert_eq!(code, 3, "{told}");
        assert!(
            told.contains("was cut off") && told.contains("fourtap sound --resume"),
            "{told}"
        );
    }
}

/// Says ring to whatever is asked, until the sounding is kept.
fn rings_to_the_end(mut person: Person) -> (i32, serde_json::Value, String) {
    while let Ok(line) = person.lines.recv_timeout(Duration::from_secs(60)) {
        let (asked, kept) = (line.contains("what did you hear"), line.contains("kept as"));
        person.told.push(line);
        if asked {
            person.says("r");
        }
        if kept {
            break;
        }
    }
    let (code, out, told) = person.ends();
    (code, serde_json::from_str(&out).unwrap(), told)
}

#[test]
#[cfg(unix)]
fn a_sounding_that_was_stopped_or_killed_is_gone_on_with() {
    for end in ["q", "-KILL"] {
        let folder = tempfile::tempdir().unwrap();
        let from = ["--from", RINGS, "--json", "--turn-plan", "quarter"];
        let mut person = Person::begins(folder.path(), &from, None);
        person.hears("what did you hear at spot 1");
        person.says("u");
        person.hears("what did you hear at spot 2");
        person.says("r");
        person.hears("spot 2: you heard ring");
        if end == "q" {
            person.says("q");
        } else {
            // More than a second, so that the second tap is on the disk.
            person.hears("heard the tap at spot 3");
            let id = person.child.id().to_string();
            Command::new("kill").args([end, &id]).status().unwrap();
        }
        let (code, _, told) = person.ends();
        assert_eq!(code, if end == "q" { 11 } else { -1 }, "{told}");

        let takes = folder.path().join("takes");
        let again = ["--from", RINGS, "--json", "--resume"];
        let (code, record, told) = rings_to_the_end(Person::begins(folder.path(), &again, None));
        // The ear was unsure of the first tap, before the break.
        assert_eq!(code, 11, "{told}");
        assert!(told.contains("of 4 spots are struck"), "{told}");
        assert_eq!(record["turn_plan"], "quarter");
        let files = record["files"].as_array().unwrap();
        assert_eq!(files.len(), 2, "{told}");
        let taps = record["taps"].as_array().unwrap();
        assert_eq!(taps.len(), 4, "{told}");
        let words: Vec<_> = taps.iter().map(|t| t["heard"].as_str().unwrap()).collect();
        assert_eq!(words, ["unsure", "ring", "ring", "ring"]);
        assert_eq!(taps[0]["file"], files[0]["name"]);
        assert_eq!(taps[3]["file"], files[1]["name"]);
        let warnings = record["warnings"].to_string();
        assert_eq!(
            warnings.contains("goes on from sounding 1"),
            end == "q",
            "{warnings}"
        );
        let left: Vec<_> = std::fs::read_dir(&takes).unwrap().collect();
        assert_eq!(left.len(), 0, "nothing is left in passing: {told}");
        let store = Store::open_existing(folder.path()).unwrap();
        assert_eq!(store.verify().unwrap().wrong, None);
        assert!(store.verify_sounds().unwrap().is_empty());

        let none = Person::begins(folder.path(), &again, None);
        let (code, _, told) = none.ends();
        assert_eq!(code, 2, "{told}");
        assert!(told.contains("no sounding to go on with"), "{told}");
    }
}

fn samples_of(name: &str) -> Vec<f64> {
    let recording = Recording::open(&fixture(name)).unwrap();
    let mut player = recording.play(0).unwrap();
    let mut samples = Vec::new();
    while let Some(chunk) = player.next_chunk().unwrap() {
        samples.extend(chunk.samples);
    }
    samples
}

fn or_skip(mic: Result<VirtualMic, String>) -> Option<VirtualMic> {
    if !cfg!(all(target_os = "linux", feature = "microphone")) {
        println!("skipped: virtual microphones are tried on Linux with the feature microphone");
        return None;
    }
    mic.map_err(|why| println!("skipped: {why}")).ok()
}

#[test]
fn at_a_virtual_microphone_the_figures_are_those_of_the_file() {
    let Some(mic) = or_skip(VirtualMic::on_a_pipe(samples_of(RINGS), false)) else {
        return;
    };
    let folder = tempfile::tempdir().unwrap();
    let mut person = Person::begins(folder.path(), &["--json"], Some(&mic));
    person.hears("ready");
    mic.play();
    person.answers(["r", "r", "r", "r"]);
    let (code, out, told) = person.ends();
    assert_eq!(code, 12, "{told}");
    let live: fourtap::record::sounding::SoundingRecord = serde_json::from_str(&out).unwrap();
    let file = read_sounding(&[fixture(RINGS)], &ReadSettings::default());
    let file = file.unwrap().record;
    assert_eq!((live.taps.len(), file.taps.len()), (4, 4), "{told}");
    for (a, b) in live.taps.iter().zip(&file.taps) {
        assert_eq!(a.reading, b.reading);
        // The sound is the same sample by sample but for the rounding to 32-bit floats (-150 dB);
        // only the quiet before the first tap differs, and with it what is known of the noise.
        let (ring_a, ring_b) = (a.ring_time_s.unwrap(), b.ring_time_s.unwrap());
        assert!(
            (ring_a / ring_b - 1.0).abs() < 1e-3,
            "{ring_a} s, {ring_b} s"
        );
        for m in b.modes.iter().filter(|m| m.energy_db > 40.0) {
            let same = |o: &&fourtap::record::sounding::ModeRecord| {
                (o.freq_hz / m.freq_hz - 1.0).abs() < 1e-5
            };
            assert!(a.modes.iter().any(|o| same(&o)), "{} Hz", m.freq_hz);
        }
    }
    let between = |r: &fourtap::record::sounding::SoundingRecord| {
        r.taps
            .windows(2)
            .map(|t| t[1].time_s - t[0].time_s)
            .collect::<Vec<_>>()
    };
    for (a, b) in between(&live).into_iter().zip(between(&file)) {
        assert!(
            (a - b).abs() < 1e-4,
            "no sample is lost between taps: {a} s, {b} s"
        );
    }
}

#[test]
fn a_silent_microphone_and_a_wrong_name_are_told_with_the_cause() {
    let Some(mic) = or_skip(VirtualMic::on_a_pipe(Vec::new(), true)) else {
        return;
    };
    let folder = tempfile::tempdir().unwrap();
    let (code, _, told) = Person::begins(folder.path(), &[], Some(&mic)).ends();
    assert_eq!(code, 4, "{told}");
    assert!(
        told.contains("only zeros") && told.contains("muted"),
        "{told}"
    );
    let wrong = ["--mic", "Attic"];
    let (code, _, told) = Person::begins(folder.path(), &wrong, Some(&mic)).ends();
    assert_eq!(code, 4, "{told}");
    assert!(
        told.contains("no microphone of this name") && told.contains("Attic"),
        "{told}"
    );
}

#[test]
fn a_microphone_that_is_pulled_out_is_noticed_and_the_taps_stay() {
    let Some(mic) = or_skip(VirtualMic::of_a_daemon(samples_of(RINGS))) else {
        return;
    };
    let folder = tempfile::tempdir().unwrap();
    let mut person = Person::begins(folder.path(), &["--json"], Some(&mic));
    person.hears("ready");
    mic.play();
    person.hears("what did you hear at spot 1");
    person.says("r");
    person.hears("what did you hear at spot 2");
    person.says("r");
    let pulled = Instant::now();
    mic.unplug();
    // Two seconds, and what a busy machine may take to get to it; no tap is analysed before that.
    person.hears("the sound broke off");
    let took = pulled.elapsed();
    assert!(took < Duration::from_secs(3), "{took:?}");
    person.hears("the taps so far are kept");
    println!("the loss was told after {took:?}");
    let (code, out, told) = person.ends();
    assert_eq!(code, 11, "{told}");
    assert!(told.contains("kept as sounding 1"), "{told}");
    let record: serde_json::Value = serde_json::from_str(&out).unwrap();
    assert!(record["taps"].as_array().unwrap().len() >= 2, "{out}");
}

#[test]
fn a_sounding_goes_on_with_another_microphone() {
    let sound = samples_of(RINGS);
    // The spare one stands elsewhere, and hears the taps later.
    let hiss = |i: u64| 2e-4 * ((i * 7_919 % 10_007) as f64 / 5_003.5 - 1.0);
    let mut later: Vec<f64> = (0..48_000 * 12).map(hiss).collect();
    later.extend(&sound);
    let Some(mic) = or_skip(VirtualMic::two_of_a_daemon(sound, later)) else {
        return;
    };
    let folder = tempfile::tempdir().unwrap();
    let mut person = Person::begins(folder.path(), &["--json", "--mic", "Bench"], Some(&mic));
    person.hears("ready");
    mic.play();
    person.hears("what did you hear at spot 1");
    person.says("r");
    person.hears("spot 1: you heard ring");
    person.says("m Spare");
    person.hears("Spare, 48000 Hz");
    let (code, record, told) = rings_to_the_end(person);
    assert_eq!(code, 12, "{told}");
    let taps = record["taps"].as_array().unwrap();
    assert_eq!(taps.len(), 4, "{told}");
    let files = record["files"].as_array().unwrap();
    assert_eq!(files.len(), 2, "{told}");
    assert_eq!(taps[0]["file"], files[0]["name"]);
    assert_eq!(taps[3]["file"], files[1]["name"]);
}

#[test]
#[cfg(unix)]
fn the_temperature_is_asked_for_once_a_day_at_a_terminal() {
    let Some(mic) = or_skip(VirtualMic::on_a_pipe(Vec::new(), false)) else {
        return;
    };
    let socket = format!("fourtap-temp-{}", std::process::id());
    let folder = tempfile::tempdir().unwrap();
    let mut environment = String::new();
    for (name, value) in mic.environment() {
        environment.push_str(&format!("{name}='{value}' "));
    }
    let program = env!("CARGO_BIN_EXE_fourtap");
    let store = folder.path().display();
    let command = format!(
        "{environment} {program} sound --plain --store {store}; echo code=$?; \
         {environment} {program} sound --plain --store {store}; echo code=$?; sleep 60"
    );
    let size = ["-x", "80", "-y", "24", &command];
    let begun = tmux(&socket, &[&["new-session", "-d"][..], &size].concat());
    if begun.is_none() {
        println!("skipped: tmux is not installed");
        return;
    }
    let waits = |words: &str, times: usize| {
        let begin = Instant::now();
        loop {
            let shown = tmux(&socket, &["capture-pane", "-p", "-S", "-200"]).unwrap_or_default();
            if shown.matches(words).count() >= times {
                return shown;
            }
            if begin.elapsed() > Duration::from_secs(60) {
                tmux(&socket, &["kill-server"]);
                panic!("never shown: {words}\n{shown}");
            }
            std::thread::sleep(Duration::from_millis(50));
        }
    };
    let keys = |text: &str| {
        tmux(&socket, &["send-keys", text, "Enter"]);
    };
    // What is asked before the first tap; only Enter is no answer.
    for question in ["cut off from its power?", "looked at closely", "stored dry"] {
        waits(question, 1);
        keys("y");
    }
    waits("How warm is it here?", 1);
    keys("warm");
    waits("How warm is it here?", 2);
    keys("68F");
    waits("ready", 1);
    keys("q");
    waits("code=11", 1);
    for question in ["cut off from its power?", "looked at closely", "stored dry"] {
        waits(question, 2);
        keys("");
    }
    let shown = waits("20 C, as was said", 1);
    assert_eq!(shown.matches("How warm").count(), 2, "{shown}");
    waits("ready", 2);
    keys("q");
    waits("code=11", 2);
    tmux(&socket, &["kill-server"]);
}

/// What stands on the screen of a terminal session.
#[cfg(unix)]
fn tmux(socket: &str, args: &[&str]) -> Option<String> {
    let out = Command::new("tmux")
        .args(["-L", socket])
        .args(args)
        .output()
        .ok()?;
    Some(String::from_utf8_lossy(&out.stdout).into_owned())
}

#[test]
#[cfg(unix)]
fn a_person_at_a_terminal_takes_a_sounding_by_keys() {
    let socket = format!("fourtap-{}", std::process::id());
    let folder = tempfile::tempdir().unwrap();
    let command = format!(
        "cd {}; {} sound --from {RINGS} --store {}; echo code=$?; stty -a | grep -q ' echo ' && echo echo-is-on; sleep 60",
        env!("CARGO_MANIFEST_DIR"),
        env!("CARGO_BIN_EXE_fourtap"),
        folder.path().display()
    );
    let begun = tmux(
        &socket,
        &["new-session", "-d", "-x", "80", "-y", "24", &command],
    );
    if begun.is_none() {
        println!("skipped: tmux is not installed");
        return;
    }
    let screen = || tmux(&socket, &["capture-pane", "-p", "-S", "-200"]).unwrap_or_default();
    let waits = |words: &str| {
        let begin = Instant::now();
        loop {
            let shown = screen();
            if shown.contains(words) {
                return shown;
            }
            if begin.elapsed() > Duration::from_secs(60) {
                tmux(&socket, &["kill-server"]);
                panic!("never shown: {words}\n{shown}");
            }
            std::thread::sleep(Duration::from_millis(50));
        }
    };
    for spot in 1..=4 {
        let shown = waits(&format!("WHAT DID YOU HEAR AT SPOT {spot}?"));
        assert!(
            !shown.contains(&format!("O{spot}")),
            "the ear comes first:\n{shown}"
        );
        assert!(shown.lines().all(|l| l.chars().count() <= 80), "{shown}");
        tmux(&socket, &["send-keys", "r"]);
    }
    let end = waits("code=");
    // The terminal is as it was: echo is on again.
    waits("echo-is-on");
    tmux(&socket, &["kill-server"]);
    assert!(end.contains("code=12"), "{end}");
    assert!(
        end.contains("RINGS, NOT COMPARED") && end.contains("kept as sounding 1"),
        "{end}"
    );
}
