//! Soundings that were stopped or cut off, and how to go on with one.

use std::path::{Path, PathBuf};
use std::time::{Duration, SystemTime};

use crate::reading::turn_plan::TurnPlan;
use crate::record::live_log::LiveStep;
use crate::store::live_logs::{is_under_way, live_logs, read_live_log};

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
    /// From its log; none when there is nothing in it to go on with.
    fn read(log: &Path) -> Option<Self> {
        let steps = read_live_log(log).ok()?;
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
    pub fn kept_as(&self) -> Option<u64> {
        self.steps.iter().rev().find_map(|s| match s {
            LiveStep::Kept { number } => Some(*number),
            _ => None,
        })
    }

    /// The paths of its takes.
    pub fn takes(&self) -> impl Iterator<Item = PathBuf> {
        let folder = self.log.parent().unwrap_or(Path::new(".")).to_owned();
        self.steps.iter().filter_map(move |s| match s {
            LiveStep::Part { take } => Some(folder.join(Path::new(take).file_name()?)),
            _ => None,
        })
    }

    /// What it is called.
    pub fn name(&self) -> String {
        let wheel = self.wheel.as_ref();
        let of = wheel.map_or(String::new(), |w| format!(" of wheel {w}"));
        format!("the sounding{of} that began {}", self.at)
    }
}

/// The newest sounding that was broken off, and is not under way, in the folder: of this wheel, or
/// of any.
pub fn newest_broken_off(folder: &Path, wheel: Option<&str>) -> Option<BrokenOff> {
    let logs = live_logs(folder).into_iter().rev();
    let mut found = logs
        .filter(|l| !is_under_way(l))
        .filter_map(|l| BrokenOff::read(&l));
    found.find(|b| wheel.is_none_or(|w| b.wheel.as_deref() == Some(w)))
}

/// What lies in a folder of takes from soundings before.
#[derive(Debug, Default)]
pub struct LeftBehind {
    /// Logs of soundings that other programs are taking just now.
    pub under_way: Vec<PathBuf>,
    /// Soundings that can be gone on with.
    pub broken_off: Vec<BrokenOff>,
    /// Takes that no log tells of; a crash leaves them.
    pub takes: Vec<PathBuf>,
    /// What could not be cleared away, in sentences.
    pub faults: Vec<String>,
}

/// Looks what is there. A sounding that was stopped and kept a day ago is cleared away, with its
/// takes unless they are to stay: its sound is in the store.
pub fn left_behind(folder: &Path, do_takes_stay: bool) -> LeftBehind {
    let mut left = LeftBehind::default();
    let mut known = Vec::new();
    for log in live_logs(folder) {
        let broken = BrokenOff::read(&log);
        known.extend(broken.iter().flat_map(BrokenOff::takes));
        if is_under_way(&log) {
            left.under_way.push(log);
            continue;
        }
        let Some(broken) = broken else { continue };
        if broken.kept_as().is_some() && is_old(&log) {
            let takes = broken.takes().filter(|t| !do_takes_stay && t.exists());
            left.faults.extend(remove_broken_off(&log, takes));
        } else {
            left.broken_off.push(broken);
        }
    }
    if !do_takes_stay {
        let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
        let takes = entries.map(|e| e.path());
        let is_take = |p: &PathBuf| p.extension().is_some_and(|e| e == "wav");
        left.takes = takes.filter(|p| is_take(p) && !known.contains(p)).collect();
        left.takes.sort();
    }
    left
}

/// Takes a log and its takes away; what could not be, in sentences.
pub fn remove_broken_off(log: &Path, takes: impl Iterator<Item = PathBuf>) -> Vec<String> {
    let remove = |path: PathBuf| {
        let error = std::fs::remove_file(&path).err()?;
        Some(format!("{}: cannot be taken away: {error}", path.display()))
    };
    takes.chain([log.to_owned()]).filter_map(remove).collect()
}

fn is_old(log: &Path) -> bool {
    let changed = std::fs::metadata(log).and_then(|m| m.modified());
    let age = changed.map(|c| SystemTime::now().duration_since(c).unwrap_or_default());
    age.is_ok_and(|a| a > KEPT_FOR)
}
