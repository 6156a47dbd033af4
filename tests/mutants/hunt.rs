//! Runs the tests against each planted mutant, those that reach it and killed the most before first,
//! until one fails.

use std::collections::{BTreeMap, HashMap, HashSet};
use std::fs::{self, OpenOptions};
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::Mutex;
use std::time::{Duration, Instant};

use serde_json::{Value, json};

type Outcome<T> = Result<T, Box<dyn std::error::Error>>;

struct Test {
    program: PathBuf,
    name: String,
    seconds: f64,
    reaches: HashSet<u32>,
}

struct Mutant {
    id: u32,
    file: String,
    text: String,
}

/// Kills by test and file, by which the tests of the next mutant are put in order.
type Kills = HashMap<(usize, String), f64>;

/// Hunts for `seconds`; a mutant is given up as surviving when the tests that were tried on it took
/// `cap` seconds. What was found is added to `tree/mutants.found`, a line a mutant, and mutants
/// that stand there are passed over, so that a hunt can be gone on with.
pub fn hunt(tree: &Path, seconds: f64, cap: f64) -> Outcome<()> {
    let begun = Instant::now();
    let tests = tests(tree)?;
    let found = tree.join("mutants.found");
    let done: HashSet<u32> = fs::read_to_string(&found)
        .unwrap_or_default()
        .lines()
        .filter_map(|l| l.split('\t').next()?.parse().ok())
        .collect();
    let mut left = mutants(tree)?;
    left.retain(|m| !done.contains(&m.id));
    // In an order that has nothing to do with their places, so that a hunt cut short is a sample.
    left.sort_by_key(|m| m.id.wrapping_mul(2_654_435_761));
    let only = std::env::var("MUTANT_FILES").unwrap_or_default();
    if !only.is_empty() {
        left.retain(|m| only.split(',').any(|o| m.file.contains(o)));
    }
    left.reverse();
    eprintln!(
        "{} tests, {} mutants done, {} left",
        tests.len(),
        done.len(),
        left.len()
    );
    let left = Mutex::new(left);
    let kills: Mutex<Kills> = Mutex::new(HashMap::new());
    let file = Mutex::new(OpenOptions::new().create(true).append(true).open(&found)?);
    std::thread::scope(|scope| {
        for _ in 0..std::thread::available_parallelism().map_or(1, usize::from) {
            scope.spawn(|| {
                while begun.elapsed().as_secs_f64() < seconds {
                    let Some(mutant) = left.lock().ok().and_then(|mut l| l.pop()) else {
                        break;
                    };
                    let said = try_one(tree, &tests, &mutant, cap, &kills);
                    if let Ok(mut file) = file.lock() {
                        let _ = writeln!(file, "{}\t{said}\t{}", mutant.id, mutant.text);
                    }
                }
            });
        }
    });
    summary(&found)
}

fn try_one(tree: &Path, tests: &[Test], mutant: &Mutant, cap: f64, kills: &Mutex<Kills>) -> String {
    let mut order: Vec<(f64, usize)> = {
        let kills = kills.lock().unwrap_or_else(|e| e.into_inner());
        let worth = |(at, test): (usize, &Test)| {
            let killed = kills
                .get(&(at, mutant.file.clone()))
                .copied()
                .unwrap_or(0.0);
            (-(killed + 0.2) / (test.seconds + 0.02), at)
        };
        tests
            .iter()
            .enumerate()
            .filter(|(_, t)| t.reaches.contains(&mutant.id))
            .map(worth)
            .collect()
    };
    order.sort_by(|a, b| a.0.total_cmp(&b.0));
    if order.is_empty() {
        return "unreached".into();
    }
    let (mut spent, mut tried) = (0.0, 0);
    for (_, at) in &order {
        let test = &tests[*at];
        if spent > 0.0 && spent + test.seconds > cap {
            continue;
        }
        let begun = Instant::now();
        let passed = run(
            tree,
            test,
            "MUTANT",
            &mutant.id.to_string(),
            10.0 + 8.0 * test.seconds,
        );
        spent += begun.elapsed().as_secs_f64();
        tried += 1;
        if !passed {
            if let Ok(mut kills) = kills.lock() {
                *kills.entry((*at, mutant.file.clone())).or_insert(0.0) += 1.0;
            }
            return format!("killed by {}", test.name);
        }
    }
    format!("survived {tried} of {} tests", order.len())
}

/// Runs one test with a variable set; false when it fails or takes longer than `limit` seconds.
fn run(tree: &Path, test: &Test, variable: &str, value: &str, limit: f64) -> bool {
    let child = Command::new(&test.program)
        .current_dir(tree)
        .args(["--exact", &test.name, "--test-threads=1"])
        .env(variable, value)
        .env("CARGO_MANIFEST_DIR", tree)
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn();
    let Ok(mut child) = child else {
        return true;
    };
    let end = Instant::now() + Duration::from_secs_f64(limit);
    loop {
        match child.try_wait() {
            Ok(Some(status)) => return status.success(),
            Ok(None) if Instant::now() < end => std::thread::sleep(Duration::from_millis(2)),
            _ => {
                let _ = child.kill();
                let _ = child.wait();
                return false;
            }
        }
    }
}

/// All tests with the switches they reach, from `tree/mutants.tests` or measured and put there.
fn tests(tree: &Path) -> Outcome<Vec<Test>> {
    let kept = tree.join("mutants.tests");
    if let Ok(text) = fs::read_to_string(&kept) {
        let listed: Vec<Value> = serde_json::from_str(&text)?;
        return Ok(listed.iter().map(from_json).collect());
    }
    let skipped = std::env::var("MUTANT_SKIP").unwrap_or_default();
    let mut names = Vec::new();
    for program in programs(tree)? {
        let said = Command::new(&program)
            .current_dir(tree)
            .args(["--list", "--format=terse"])
            .output()?;
        let ignored = Command::new(&program)
            .current_dir(tree)
            .args(["--list", "--format=terse", "--ignored"])
            .output()?;
        let ignored = String::from_utf8_lossy(&ignored.stdout).into_owned();
        let ignored: HashSet<&str> = ignored.lines().collect();
        for line in String::from_utf8_lossy(&said.stdout).lines() {
            let skip = skipped
                .split(',')
                .any(|s| !s.is_empty() && line.contains(s));
            if let Some(name) = line
                .strip_suffix(": test")
                .filter(|_| !skip && !ignored.contains(line))
            {
                names.push((program.clone(), name.to_owned()));
            }
        }
    }
    eprintln!("{} tests to trace", names.len());
    names.reverse();
    let names = Mutex::new(names);
    let traced = Mutex::new(Vec::new());
    std::thread::scope(|scope| {
        for worker in 0..std::thread::available_parallelism().map_or(1, usize::from) {
            let (names, traced) = (&names, &traced);
            scope.spawn(move || {
                while let Some((program, name)) = names.lock().ok().and_then(|mut n| n.pop()) {
                    if let Ok(left) = names.lock().map(|n| n.len())
                        && left % 20 == 0
                    {
                        eprintln!("{left} tests left to trace");
                    }
                    let to = std::env::temp_dir()
                        .join(format!("mutants-{}-{worker}", std::process::id()));
                    let _ = fs::remove_file(&to);
                    let mut test = Test {
                        program,
                        name,
                        seconds: 0.0,
                        reaches: HashSet::new(),
                    };
                    let begun = Instant::now();
                    let passed = run(tree, &test, "MUTANT_TRACE", &to.to_string_lossy(), 900.0);
                    test.seconds = begun.elapsed().as_secs_f64();
                    let bytes = fs::read(&to).unwrap_or_default();
                    test.reaches = bytes
                        .chunks_exact(4)
                        .map(|c| u32::from_le_bytes([c[0], c[1], c[2], c[3]]))
                        .collect();
                    if !passed {
                        eprintln!("left out, fails without a mutant: {}", test.name);
                    } else if !test.reaches.is_empty()
                        && let Ok(mut traced) = traced.lock()
                    {
                        traced.push(test);
                    }
                }
            });
        }
    });
    let tests = traced.into_inner().map_err(|e| e.to_string())?;
    let listed: Vec<Value> = tests
        .iter()
        .map(|t| json!({"program": t.program, "name": t.name, "seconds": t.seconds, "reaches": t.reaches}))
        .collect();
    fs::write(kept, serde_json::to_string(&listed)?)?;
    Ok(tests)
}

fn from_json(value: &Value) -> Test {
    let reaches = value["reaches"].as_array().into_iter().flatten();
    Test {
        program: PathBuf::from(value["program"].as_str().unwrap_or_default()),
        name: value["name"].as_str().unwrap_or_default().to_owned(),
        seconds: value["seconds"].as_f64().unwrap_or(1.0),
        reaches: reaches
            .filter_map(|r| r.as_u64().map(|r| r as u32))
            .collect(),
    }
}

/// The test programs of the planted copy, built.
fn programs(tree: &Path) -> Outcome<Vec<PathBuf>> {
    let said = Command::new("cargo")
        .current_dir(tree)
        .args(["test", "--locked", "--no-run", "--message-format=json"])
        .stderr(Stdio::inherit())
        .output()?;
    let text = String::from_utf8_lossy(&said.stdout).into_owned();
    let programs: Vec<PathBuf> = text
        .lines()
        .filter_map(|l| serde_json::from_str::<Value>(l).ok())
        .filter(|v| v["profile"]["test"] == true)
        .filter_map(|v| v["executable"].as_str().map(PathBuf::from))
        .collect();
    if !said.status.success() || programs.is_empty() {
        return Err("the planted copy does not build".into());
    }
    Ok(programs)
}

fn mutants(tree: &Path) -> Outcome<Vec<Mutant>> {
    let listed: Vec<Value> = serde_json::from_str(&fs::read_to_string(tree.join("mutants.json"))?)?;
    let word = |v: &Value, name: &str| v[name].as_str().unwrap_or_default().to_owned();
    Ok(listed
        .iter()
        .map(|v| Mutant {
            id: v["id"].as_u64().unwrap_or(0) as u32,
            file: word(v, "file"),
            text: format!(
                "{}:{} {}: {}",
                word(v, "file"),
                v["line"],
                word(v, "function"),
                word(v, "what")
            ),
        })
        .collect())
}

/// Counts what was found, by file.
fn summary(found: &Path) -> Outcome<()> {
    let mut counts: BTreeMap<String, [usize; 3]> = BTreeMap::new();
    for line in fs::read_to_string(found)?.lines() {
        let parts: Vec<&str> = line.split('\t').collect();
        if let [_, said, text] = parts.as_slice() {
            let which = if said.starts_with("killed") {
                0
            } else {
                1 + usize::from(*said == "unreached")
            };
            for name in [text.split(':').next().unwrap_or_default(), "all"] {
                counts.entry(name.to_owned()).or_default()[which] += 1;
            }
        }
    }
    println!("{:<48} killed survived unreached", "file");
    for (name, [killed, survived, unreached]) in counts {
        println!("{name:<48} {killed:>6} {survived:>8} {unreached:>9}");
    }
    Ok(())
}
