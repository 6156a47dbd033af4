//! Soundings that were stopped or cut off, and how to go on with one.

use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::time::{Duration, SystemTime};

use fourtap::reading::turn_plan::TurnPlan;
use fourtap::record::live_log::LiveStep;
use fourtap::store::live_logs::{is_under_way, live_logs, read_live_log};

use crate::exit;
use crate::tell::complain;

/// So long one that was stopped and kept can be gone on with; its takes are in the store.
const KEPT_FOR: Duration = Duration::from_secs(24 * 3600);

/// A sounding that was broken off.
#[derive(Debug)]
pub struct BrokenOff {
    /// Its log.
    pub log: PathBuf,
    /// Its steps.
    pub steps: Vec<LiveStep>,
    /// When it began, RFC 3339.
    pub at: String,
    /// Its wheel.
    pub wheel: Option<String>,
    /// Its turn plan.
    pub turn_plan: TurnPlan,
    /// Temperature of the wheel in degrees Celsius.
    pub temp_c: Option<f64>,
    /// True when the ear is asked after the last tap.
    pub is_ear_asked_afterwards: bool,
}

impl BrokenOff {
    /// From its log; none when that cannot be read.
    fn read(log: &Path) -> Option<Self> {
        let steps = read_live_log(log)
            .map_err(|e| complain(&e.to_string()))
            .ok()?;
        let Some(LiveStep::Begun {
            at,
            wheel,
            turn_plan,
            temp_c,
            ear_asked_afterwards,
            ..
        }) = steps.first().cloned()
        else {
            return None;
        };
        Some(Self {
            log: log.to_owned(),
            steps,
            at,
            wheel,
            turn_plan: TurnPlan::parse(&turn_plan).ok()?,
            temp_c,
            is_ear_asked_afterwards: ear_asked_afterwards,
        })
    }

    /// The record it was kept as when it was stopped; none when it was cut off.
    fn kept_as(&self) -> Option<u64> {
        self.steps.iter().rev().find_map(|s| match s {
            LiveStep::Kept { number } => Some(*number),
            _ => None,
        })
    }

    fn takes(&self) -> impl Iterator<Item = PathBuf> {
        let folder = self.log.parent().unwrap_or(Path::new(".")).to_owned();
        self.steps.iter().filter_map(move |s| match s {
            LiveStep::Part { take } => Some(folder.join(Path::new(take).file_name()?)),
            _ => None,
        })
    }

    fn name(&self) -> String {
        let wheel = self.wheel.as_ref();
        let of = wheel.map_or(String::new(), |w| format!(" of wheel {w}"));
        format!("the sounding{of} that began {}", self.at)
    }
}

/// The newest sounding that was broken off (of this wheel) in the folder.
///
/// # Errors
/// The exit code, after it was said that there is none, or that it cannot be read.
pub fn newest(folder: &Path, wheel: Option<&str>) -> Result<BrokenOff, ExitCode> {
    let logs = live_logs(folder).into_iter().rev();
    let mut found = logs
        .filter(|l| !is_under_way(l))
        .filter_map(|l| BrokenOff::read(&l));
    let found = found.find(|b| wheel.is_none_or(|w| b.wheel.as_deref() == Some(w)));
    found.ok_or_else(|| {
        let of = wheel.map_or(String::new(), |w| format!(" of wheel {w}"));
        complain(&format!(
            "{}: there is no sounding{of} to go on with; begin one without --resume",
            folder.display()
        ));
        ExitCode::from(exit::USE)
    })
}

/// Says what was broken off. One that was kept a day ago is cleared away, with its takes unless
/// they are to stay: its sound is in the store.
pub fn tell(folder: &Path, takes_stay: bool) {
    let mut known = Vec::new();
    for log in live_logs(folder) {
        if is_under_way(&log) {
            complain(&format!(
                "another program is taking a sounding just now: {}",
                log.display()
            ));
            known.extend(BrokenOff::read(&log).iter().flat_map(BrokenOff::takes));
            continue;
        }
        let Some(broken) = BrokenOff::read(&log) else {
            continue;
        };
        known.extend(broken.takes());
        let how = match broken.kept_as() {
            Some(_) if is_old(&log) => {
                remove(&log, broken.takes().filter(|t| !takes_stay && t.exists()));
                continue;
            }
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
    if takes_stay {
        return;
    }
    for entry in std::fs::read_dir(folder).into_iter().flatten().flatten() {
        let path = entry.path();
        if path.extension().is_some_and(|e| e == "wav") && !known.contains(&path) {
            complain(&format!(
                "a take was left behind: fourtap read {}",
                path.display()
            ));
        }
    }
}

/// Takes a log and its takes away.
pub fn remove(log: &Path, takes: impl Iterator<Item = PathBuf>) {
    for path in takes.chain([log.to_owned()]) {
        if let Err(error) = std::fs::remove_file(&path) {
            complain(&format!(
                "{}: cannot be taken away: {error}",
                path.display()
            ));
        }
    }
}

fn is_old(log: &Path) -> bool {
    let changed = std::fs::metadata(log).and_then(|m| m.modified());
    let age = changed.map(|c| SystemTime::now().duration_since(c).unwrap_or_default());
    age.is_ok_and(|a| a > KEPT_FOR)
}
