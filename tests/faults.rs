//! Faults from outside, through the built program: damaged stores and recordings, odd folders and
//! names, clocks and locks. Nothing panics, hangs, or clears a wheel on what is damaged or cut.
#![allow(clippy::print_stdout)] // tells what was skipped and why

use std::ffi::OsStr;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use std::time::{Duration, Instant};

use fourtap::audio::{Input, Recording, Source as _};
use fourtap::record::sounding::SoundingRecord;
use fourtap::store::Store;
use rand::{Rng as _, SeedableRng as _};

fn taps(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("fixtures/taps")
        .join(name)
}

fn run(args: &[&OsStr]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_fourtap"))
        .args(args)
        .stdin(Stdio::null())
        .output()
        .unwrap()
}

fn with_store(store: &Path, args: &[&str]) -> Output {
    let mut all: Vec<&OsStr> = args.iter().map(OsStr::new).collect();
    all.extend([OsStr::new("--store"), store.as_os_str()]);
    run(&all)
}

/// What it said; it must not have panicked (101), or been ended by a signal.
fn said(output: &Output) -> String {
    let err = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(output.status.code().is_some_and(|c| c != 101), "{err}");
    assert!(!err.contains("panicked"), "{err}");
    err
}

fn code(output: &Output) -> i32 {
    let _ = said(output);
    output.status.code().unwrap()
}

fn v3(folder: &Path) {
    let stores = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/stores");
    let name = "sound/80/80bbaccb45104fdf95fe30f3e5d1a84fda1c7676bd4d111e357daa318a45916a.wav";
    std::fs::create_dir_all(folder.join("sound/80")).unwrap();
    std::fs::copy(stores.join("v2").join(name), folder.join(name)).unwrap();
    std::fs::copy(stores.join("v3/fourtap.db"), folder.join("fourtap.db")).unwrap();
}

#[test]
fn flipped_bytes_of_the_database_are_found_or_hurt_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let whole = folder.path().join("whole");
    v3(&whole);
    drop(Store::open(&whole).unwrap());
    let bytes = std::fs::read(whole.join("fourtap.db")).unwrap();
    let list = with_store(&whole, &["records", "list"]).stdout;
    let shown = with_store(&whole, &["wheel", "show", "HL-1", "--json"]).stdout;
    let mut chance = rand_chacha::ChaCha8Rng::seed_from_u64(11);
    let (mut found, mut hidden) = (0, 0);
    for page in 0..bytes.len() / 4096 {
        let mut damaged = bytes.clone();
        let at = page * 4096 + chance.random_range(0..4096 - 16);
        for byte in &mut damaged[at..at + 16] {
            *byte ^= chance.random_range(1..=255u8);
        }
        let place = folder.path().join(format!("page {page}"));
        v3(&place);
        std::fs::write(place.join("fourtap.db"), damaged).unwrap();
        let verified = with_store(&place, &["records", "verify"]);
        match code(&verified) {
            0 => {
                hidden += 1;
                // The records are what they were; wheels stand outside the chain.
                let again = with_store(&place, &["records", "list"]);
                assert_eq!(again.stdout, list, "page {page}");
            }
            5 => found += 1,
            other => panic!("page {page}: exit code {other}: {}", said(&verified)),
        }
        let show = with_store(&place, &["wheel", "show", "HL-1", "--json"]);
        assert!(matches!(code(&show), 0 | 5), "page {page}: {}", said(&show));
        if code(&show) == 0 && show.stdout != shown {
            println!("page {page}: another text of the wheel, not noticed");
        }
    }
    println!(
        "{found} of {} damaged pages were found, {hidden} lay in unused places",
        found + hidden
    );
    assert!(found > hidden);
}

#[test]
fn a_recording_of_the_store_that_is_missing_or_altered_is_named() {
    let folder = tempfile::tempdir().unwrap();
    let store = folder.path();
    v3(store);
    let sound =
        store.join("sound/80/80bbaccb45104fdf95fe30f3e5d1a84fda1c7676bd4d111e357daa318a45916a.wav");
    let mut bytes = std::fs::read(&sound).unwrap();
    bytes[200_000] ^= 1;
    std::fs::remove_file(&sound).unwrap();
    let output = with_store(store, &["records", "verify"]);
    assert_eq!(code(&output), 5);
    assert!(String::from_utf8_lossy(&output.stdout).contains("is missing"));
    std::fs::write(&sound, bytes).unwrap();
    let output = with_store(store, &["records", "verify"]);
    assert_eq!(code(&output), 5);
    assert!(String::from_utf8_lossy(&output.stdout).contains("has changed"));
}

#[test]
fn a_clock_that_was_set_back_changes_no_order() {
    let folder = tempfile::tempdir().unwrap();
    let place = folder.path();
    v3(place);
    let mut store = Store::open(place).unwrap();
    let old = store.kept::<SoundingRecord>(1).unwrap().record;
    store.keep(&old, "2199-01-01T00:00:00Z").unwrap();
    drop(store);
    assert_eq!(
        code(&with_store(
            place,
            &["wheel", "dropped", "HL-1", "--note", "now"]
        )),
        0
    );
    assert_eq!(code(&with_store(place, &["records", "verify"])), 0);
    // What has the later time was kept before the drop, and does not answer it.
    let fit = with_store(place, &["fit", "--wheel", "HL-1", "--grinder", "G-2"]);
    assert_eq!(code(&fit), 13);
    assert!(String::from_utf8_lossy(&fit.stdout).contains("no sounding taken since"));
    let list = String::from_utf8(with_store(place, &["records", "list"]).stdout).unwrap();
    // In the order they were kept: the fit that was just asked for comes last.
    let lines: Vec<&str> = list.lines().rev().take(2).collect();
    assert!(
        lines[0].contains("fit on G-2") && lines[1].contains("dropped: now"),
        "{list}"
    );
    assert_eq!(
        code(&with_store(
            place,
            &["sheet", "5", "-o", place.join("s.html").to_str().unwrap()]
        )),
        0
    );
}

#[test]
fn a_locked_store_is_said_within_seconds() {
    let folder = tempfile::tempdir().unwrap();
    let place = folder.path();
    v3(place);
    drop(Store::open(place).unwrap());
    let other = rusqlite::Connection::open(place.join("fourtap.db")).unwrap();
    other.execute_batch("BEGIN EXCLUSIVE").unwrap();
    let start = Instant::now();
    let output = with_store(place, &["wheel", "dropped", "HL-1"]);
    assert_eq!(code(&output), 5);
    assert!(
        said(&output).contains("being written by another program"),
        "{}",
        said(&output)
    );
    assert!(start.elapsed() < Duration::from_secs(20));
    other.execute_batch("ROLLBACK").unwrap();
    assert_eq!(code(&with_store(place, &["wheel", "dropped", "HL-1"])), 0);
}

/// Outcomes of recordings held against the wheel's own baseline, in their order.
fn outcomes(store: &Path, files: &[PathBuf]) -> Vec<String> {
    let mut args = [
        "read",
        "--wheel",
        "HL-1",
        "--json",
        "--turn-plan",
        "quarter",
        "--apart",
    ]
    .map(OsStr::new)
    .to_vec();
    args.extend([OsStr::new("--store"), store.as_os_str()]);
    args.extend(files.iter().map(|f| f.as_os_str()));
    let output = run(&args);
    let _ = said(&output);
    let lines = String::from_utf8(output.stdout).unwrap();
    let read = |l: &str| serde_json::from_str::<SoundingRecord>(l).unwrap().outcome;
    lines.lines().map(read).collect()
}

#[test]
fn a_cut_or_changing_recording_clears_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name);
    let store = at("store");
    let days = [taps("hl1-monday.wav"), taps("hl1-tuesday.wav")];
    let add = [
        "wheel",
        "add",
        "HL-1",
        "--size",
        "200x20x32",
        "--bond",
        "vitrified",
    ];
    assert_eq!(code(&with_store(&store, &add)), 0);
    let mut build = vec!["baseline", "build", "--wheel", "HL-1"];
    build.extend(days.iter().map(|d| d.to_str().unwrap()));
    assert_eq!(code(&with_store(&store, &build)), 0);
    let whole = std::fs::read(taps("hl1-friday.wav")).unwrap();
    let mut files = vec![taps("hl1-friday.wav")];
    for percent in [60, 80, 90, 95, 97, 99] {
        let path = at(&format!("cut-{percent}.wav"));
        std::fs::write(&path, &whole[..whole.len() * percent / 100]).unwrap();
        files.push(path);
    }
    // A header that says nothing of the length, of a recorder that was not stopped in order.
    let data = whole.windows(4).position(|w| w == b"data").unwrap();
    for (name, size) in [("never-stopped.wav", 0u32), ("longer.wav", 4_000_000)] {
        let mut bytes = whole.clone();
        bytes[data + 4..data + 8].copy_from_slice(&size.to_le_bytes());
        std::fs::write(at(name), bytes).unwrap();
        files.push(at(name));
    }
    let found = outcomes(&store, &files);
    assert_eq!(found.len(), files.len());
    assert_eq!(found[0], "rings clear");
    for (outcome, file) in found.iter().zip(&files).skip(1) {
        assert_ne!(outcome, "rings clear", "{}", file.display());
    }
    // A file that grows or is overwritten while it is read.
    let growing = at("growing.wav");
    std::fs::write(&growing, &whole).unwrap();
    let stop = std::sync::atomic::AtomicBool::new(false);
    let found = std::thread::scope(|scope| {
        scope.spawn(|| {
            while !stop.load(std::sync::atomic::Ordering::Relaxed) {
                use std::io::Write as _;
                let mut file = std::fs::OpenOptions::new()
                    .append(true)
                    .open(&growing)
                    .unwrap();
                file.write_all(&[0; 2]).unwrap();
                std::thread::sleep(Duration::from_millis(5));
            }
        });
        let found = outcomes(&store, std::slice::from_ref(&growing));
        stop.store(true, std::sync::atomic::Ordering::Relaxed);
        found
    });
    assert_eq!(found, ["sound it again"]);
}

#[cfg(unix)]
#[test]
fn odd_names_links_pipes_and_depths_are_read_or_refused() {
    use std::os::unix::ffi::OsStrExt as _;
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name);
    // A name that is not UTF-8.
    let odd = folder.path().join(OsStr::from_bytes(b"odd\xff.wav"));
    std::fs::copy(taps("hl3-dead.wav"), &odd).unwrap();
    let json = run(&[OsStr::new("read"), OsStr::new("--json"), odd.as_os_str()]);
    assert_eq!(code(&json), 10);
    serde_json::from_slice::<SoundingRecord>(&json.stdout).unwrap();
    // Links: to itself, to the folder above, to a recording.
    let links = at("links");
    std::fs::create_dir_all(links.join("in")).unwrap();
    std::os::unix::fs::symlink("self.wav", links.join("self.wav")).unwrap();
    std::os::unix::fs::symlink("..", links.join("in/up")).unwrap();
    std::os::unix::fs::symlink(taps("hl3-dead.wav"), links.join("link.wav")).unwrap();
    assert_eq!(code(&run(&[OsStr::new("read"), links.as_os_str()])), 10);
    let own = links.join("self.wav");
    let output = run(&[OsStr::new("read"), own.as_os_str()]);
    assert_eq!(code(&output), 3);
    // A pipe in a folder is passed over, not waited for.
    let made = Command::new("mkfifo").arg(links.join("pipe.wav")).status();
    if made.is_ok_and(|s| s.success()) {
        let start = Instant::now();
        assert_eq!(code(&run(&[OsStr::new("read"), links.as_os_str()])), 10);
        assert!(start.elapsed() < Duration::from_secs(30));
    }
    // A pipe by name is read to its end.
    let pipe = at("pipe.wav");
    let made = Command::new("mkfifo").arg(&pipe).status();
    if made.is_ok_and(|s| s.success()) {
        let to = pipe.clone();
        let feeding = std::thread::spawn(move || {
            std::fs::write(to, std::fs::read(taps("hl3-dead.wav")).unwrap())
        });
        assert_eq!(code(&run(&[OsStr::new("read"), pipe.as_os_str()])), 10);
        feeding.join().unwrap().unwrap();
    }
    // Folders in folders, a thousand deep.
    let deep = at("deep");
    let mut path = deep.clone();
    for _ in 0..1000 {
        path.push("d");
    }
    std::fs::create_dir_all(&path).unwrap();
    assert_eq!(code(&run(&[OsStr::new("read"), deep.as_os_str()])), 3);
}

#[test]
fn a_folder_of_ten_times_the_files_takes_about_ten_times_as_long() {
    let folder = tempfile::tempdir().unwrap();
    let read = |files: std::ops::Range<usize>| {
        let all = files.end;
        for k in files {
            let bytes: &[u8] = if k % 2 == 0 { b"" } else { b"RIFF" };
            std::fs::write(folder.path().join(format!("{k}.wav")), bytes).unwrap();
        }
        let start = Instant::now();
        let output = run(&[OsStr::new("read"), folder.path().as_os_str()]);
        assert_eq!(code(&output), 3);
        assert_eq!(said(&output).lines().count(), all);
        start.elapsed().as_secs_f64()
    };
    let some = read(0..10_000);
    let many = read(10_000..100_000);
    // Other work on the machine may come in between: three times is allowed for that.
    assert!(many < 30.0 * some, "{some} s, {many} s");
}

/// Frames that come out of bytes; none when they are refused.
fn frames_of(bytes: &[u8]) -> Option<u64> {
    let recording = Recording::from_reader("any", std::io::Cursor::new(bytes)).ok()?;
    let mut frames = 0;
    let mut player = recording.play(0).ok()?;
    while let Ok(Some(chunk)) = player.next_chunk() {
        assert!(chunk.samples.iter().all(|x| x.is_finite()));
        frames += chunk.lost_before + chunk.samples.len() as u64;
    }
    Some(frames)
}

#[test]
fn every_format_cut_at_every_hundredth_survives() {
    let folder = tempfile::tempdir().unwrap();
    let mut all = vec![(
        "wav".to_owned(),
        std::fs::read(taps("hl3-dead.wav")).unwrap(),
    )];
    let codings: [(&str, &[&str]); 6] = [
        ("flac", &[]),
        ("ogg", &["-c:a", "libvorbis"]),
        ("mp3", &[]),
        ("m4a", &["-c:a", "aac"]),
        ("aiff", &[]),
        ("caf", &["-c:a", "alac"]),
    ];
    for (ending, options) in codings {
        let path = folder.path().join(format!("x.{ending}"));
        let made = Command::new("ffmpeg")
            .args(["-v", "error", "-i"])
            .arg(taps("hl3-dead.wav"))
            .args(options)
            .arg(&path)
            .output();
        if made.is_ok_and(|o| o.status.success()) {
            all.push((ending.to_owned(), std::fs::read(path).unwrap()));
        } else {
            println!("skipped: no ffmpeg that makes {ending}");
        }
    }
    for (name, bytes) in &all {
        let whole = frames_of(bytes).unwrap();
        for percent in 0..100 {
            let cut = &bytes[..bytes.len() * percent / 100];
            // A coding may pad its last packet.
            let frames = frames_of(cut).unwrap_or(0);
            assert!(
                frames <= whole + 8192,
                "{name} at {percent} %: {frames} of {whole}"
            );
        }
    }
}

/// A WAV file of silence with holes instead of bytes.
fn sparse(path: &Path, head: &[u8], length: u64) {
    std::fs::write(path, head).unwrap();
    let file = std::fs::OpenOptions::new().write(true).open(path).unwrap();
    file.set_len(length).unwrap();
}

fn wav_head(rate: u32, size: u32, is_rf64: bool, bytes: u64) -> Vec<u8> {
    let mut head = if is_rf64 {
        b"RF64".to_vec()
    } else {
        b"RIFF".to_vec()
    };
    head.extend(u32::MAX.to_le_bytes());
    head.extend(b"WAVE");
    if is_rf64 {
        head.extend(b"ds64");
        head.extend(28u32.to_le_bytes());
        for value in [bytes + 72, bytes, bytes / 2] {
            head.extend(value.to_le_bytes());
        }
        head.extend(0u32.to_le_bytes());
    }
    head.extend(b"fmt ");
    head.extend(16u32.to_le_bytes());
    head.extend([1, 0, 1, 0]);
    head.extend(rate.to_le_bytes());
    head.extend((2 * rate).to_le_bytes());
    head.extend([2, 0, 16, 0]);
    head.extend(b"data");
    head.extend(size.to_le_bytes());
    head
}

/// Largest memory in kB that a run of the program took; none where it cannot be measured.
fn peak_kb(path: &Path) -> Option<u64> {
    let output = Command::new("/usr/bin/time")
        .args(["-f", "%M", env!("CARGO_BIN_EXE_fourtap"), "read"])
        .arg(path)
        .stdin(Stdio::null())
        .output()
        .ok()?;
    assert_eq!(code(&output), 11, "{}", said(&output));
    said(&output).lines().last()?.trim().parse().ok()
}

#[test]
fn memory_does_not_grow_with_the_length() {
    let folder = tempfile::tempdir().unwrap();
    let mut peaks = Vec::new();
    for seconds in [5u64, 40] {
        let bytes = seconds * 2 * 192_000;
        let path = folder.path().join(format!("{seconds}.wav"));
        let head = wav_head(192_000, u32::MAX, false, bytes);
        sparse(&path, &head, head.len() as u64 + bytes);
        peaks.extend(peak_kb(&path));
    }
    let [short, long] = peaks[..] else {
        println!("skipped: no /usr/bin/time");
        return;
    };
    println!("{short} kB for 5 s, {long} kB for 40 s at 192 kHz");
    assert!(long < short + 20_000, "{short} kB, {long} kB");
}

#[test]
#[ignore = "minutes: 4 GiB and an hour at 192 kHz"]
fn four_gib_and_an_hour_at_192_khz_are_read_in_little_memory() {
    let folder = tempfile::tempdir().unwrap();
    let cases = [
        ("4gib.wav", 48_000, u32::MAX, false, (4u64 << 30) + 1000),
        ("4gib-rf64.wav", 48_000, u32::MAX, true, (4u64 << 30) + 1000),
        (
            "hour.wav",
            192_000,
            3600 * 2 * 192_000,
            false,
            3600 * 2 * 192_000,
        ),
    ];
    for (name, rate, size, is_rf64, bytes) in cases {
        let path = folder.path().join(name);
        let head = wav_head(rate, size, is_rf64, bytes);
        sparse(&path, &head, head.len() as u64 + bytes);
        let recording = Recording::open(&Input::Path(path.clone())).unwrap();
        assert_eq!(recording.frames, Some(bytes / 2), "{name}");
        let start = Instant::now();
        let peak = peak_kb(&path);
        println!(
            "{name}: {peak:?} kB, {:.0} s",
            start.elapsed().as_secs_f64()
        );
        assert!(peak.is_none_or(|p| p < 150_000), "{name}: {peak:?} kB");
    }
}
