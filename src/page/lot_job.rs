//! Lots whose recordings come in by the page and are read in the background. What was read is kept
//! at once, so that a run that breaks off is gone on with by giving the recordings again.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::{Arc, Mutex};
use std::time::Instant;

use serde::Serialize;
use tempfile::TempDir;

use crate::audio::{AudioError, Input};
use crate::page::fault::Fault;
use crate::page::file_names::plain_name;
use crate::page::locks::locked;
use crate::reading::turn_plan::TurnPlan;
use crate::record::lot::LotRecord;
use crate::store::Store;
use crate::tasks::clock::now;
use crate::tasks::read_lot::{LotEvent, lot_soundings, read_lot};

/// Most bytes that wait to be read.
const MOST_BYTES: u64 = 8 << 30;
/// Most recordings that wait.
const MOST_FILES: usize = 20_000;
/// Refusals that are told.
const MOST_TOLD: usize = 200;

/// How far a run is.
#[derive(Debug, Clone, Default, Serialize)]
pub(super) struct Progress {
    /// `waiting`, `reading` or `done`.
    pub(super) phase: &'static str,
    /// Recordings that came in.
    pub(super) recordings: usize,
    /// Wheels to be read.
    pub(super) wheels: usize,
    /// Wheels that are done.
    pub(super) done: usize,
    /// Seconds that are left, once that can be told.
    pub(super) left_s: Option<f64>,
    /// What could not be read, with the reason.
    pub(super) failed: Vec<String>,
}

#[derive(Debug)]
struct Job {
    folder: TempDir,
    bytes: u64,
    progress: Arc<Mutex<Progress>>,
}

/// The runs by lot.
#[derive(Debug, Default)]
pub(super) struct LotJobs {
    jobs: Mutex<BTreeMap<String, Job>>,
}

impl LotJobs {
    /// Puts a recording to those that wait. `name` is as the browser gives it: a file, or a file
    /// in a folder named like its wheel.
    ///
    /// # Errors
    /// [`Fault`] when too much waits, or it cannot be moved.
    pub(super) fn put(&self, lot: &str, name: &str, path: &PathBuf) -> Result<usize, Fault> {
        let failed =
            |e: std::io::Error| Fault::failed(format!("the recording cannot be kept: {e}"));
        let mut jobs = locked(&self.jobs);
        let has_ended = jobs
            .get(lot)
            .is_some_and(|j| locked(&j.progress).phase != "waiting");
        if has_ended {
            if jobs
                .get(lot)
                .is_some_and(|j| locked(&j.progress).phase == "reading")
            {
                return Err(Fault::busy(
                    "this lot is being read: wait until that is done",
                ));
            }
            jobs.remove(lot);
        }
        if !jobs.contains_key(lot) {
            let job = Job {
                folder: tempfile::tempdir().map_err(failed)?,
                bytes: 0,
                progress: Arc::new(Mutex::new(Progress {
                    phase: "waiting",
                    ..Progress::default()
                })),
            };
            jobs.insert(lot.to_owned(), job);
        }
        let Some(job) = jobs.get_mut(lot) else {
            return Err(Fault::failed("the run is gone"));
        };
        job.bytes += std::fs::metadata(path).map_or(0, |m| m.len());
        let mut progress = locked(&job.progress);
        if job.bytes > MOST_BYTES || progress.recordings >= MOST_FILES {
            return Err(Fault::refused(
                "too much for the page at once: read what is here first, or use fourtap lot read",
            ));
        }
        let mut parts = name.rsplit('/');
        let file = plain_name(parts.next().unwrap_or(""));
        let folder = match parts.next() {
            // The folder that was chosen holds the files themselves or one folder a wheel.
            Some(wheel) if parts.next().is_some() => job.folder.path().join(plain_name(wheel)),
            _ => job.folder.path().to_owned(),
        };
        std::fs::create_dir_all(&folder).map_err(failed)?;
        std::fs::copy(path, folder.join(file)).map_err(failed)?;
        progress.recordings += 1;
        Ok(progress.recordings)
    }

    /// How far the run of a lot is; none without one.
    pub(super) fn progress(&self, lot: &str) -> Option<Progress> {
        let jobs = locked(&self.jobs);
        jobs.get(lot).map(|j| locked(&j.progress).clone())
    }

    /// Begins to read what came in.
    ///
    /// # Errors
    /// [`Fault`] when nothing waits, or no recording is of a wheel.
    pub(super) fn read(
        &self,
        mut store: Store,
        lot: LotRecord,
        pattern: Option<&str>,
        plan: TurnPlan,
    ) -> Result<(), Fault> {
        let jobs = locked(&self.jobs);
        let job = jobs.get(&lot.lot);
        let waits = |j: &&Job| locked(&j.progress).phase == "waiting";
        let job = job
            .filter(waits)
            .ok_or_else(|| Fault::refused("choose recordings first"))?;
        let folder = job.folder.path().to_owned();
        let refused = |e: AudioError| Fault::refused(format!("{}; {}", e.what, e.remedy));
        let soundings = lot_soundings(std::slice::from_ref(&folder), pattern);
        let mut soundings = soundings.map_err(refused)?;
        // By the names they came in with, not those of a passing folder.
        for input in soundings.iter_mut().flat_map(|s| &mut s.inputs) {
            if let Input::Path(path) = input {
                let short = path.strip_prefix(&folder).unwrap_or(path);
                *input = Input::Named {
                    name: short.display().to_string(),
                    path: path.clone(),
                };
            }
        }
        let progress = Arc::clone(&job.progress);
        {
            let mut progress = locked(&progress);
            progress.phase = "reading";
            progress.wheels = soundings.len();
        }
        std::thread::spawn(move || {
            let start = Instant::now();
            let read = read_lot(
                &mut store,
                &lot,
                &soundings,
                plan,
                &now,
                &mut |done, event| {
                    let mut progress = locked(&progress);
                    progress.done = done;
                    let left = soundings.len().saturating_sub(done) as f64;
                    let each_s = start.elapsed().as_secs_f64() / done.max(1) as f64;
                    progress.left_s = Some((left * each_s).ceil());
                    if let LotEvent::Failed { wheel, why } = event
                        && progress.failed.len() < MOST_TOLD
                    {
                        progress.failed.push(format!("{wheel}: {why}"));
                    }
                    true
                },
            );
            let mut progress = locked(&progress);
            if let Err(error) = read {
                progress.failed.push(error.to_string());
            }
            progress.phase = "done";
            progress.left_s = None;
            // Its sound is in the store; the copies are not needed any more.
            let _ = std::fs::remove_dir_all(&folder);
        });
        Ok(())
    }
}
