//! Goes on with a live sounding that was stopped or cut off: its takes are heard again, and what
//! the person said is said at the same places.

use std::collections::VecDeque;
use std::path::{Path, PathBuf};

use crate::audio::{AudioError, Chunk, Input, Recording, Source};
use crate::reading::Heard;
use crate::record::live_log::LiveStep;
use crate::tasks::live_sounding::LiveSounding;

/// Hears the takes in `folder` and obeys the steps of the log; gives the paths of the takes.
/// What happened then is not told again.
///
/// # Errors
/// [`AudioError`] when a take is not there or cannot be read.
pub fn resume(
    live: &mut LiveSounding,
    steps: &[LiveStep],
    folder: &Path,
) -> Result<Vec<PathBuf>, AudioError> {
    let mut takes = Vec::new();
    let mut part: Option<Part> = None;
    for (k, step) in steps.iter().enumerate() {
        match step {
            LiveStep::Begun { .. } | LiveStep::Lost { .. } => {}
            LiveStep::Part { take } => {
                if let Some(mut before) = part.take() {
                    before.hear_until(live, u64::MAX)?;
                }
                // Only the name: a log must not lead to other folders.
                let name = Path::new(take).file_name().unwrap_or_default();
                let path = folder.join(name);
                part = Some(Part::begin(live, &path, lost_in_part(&steps[k + 1..]))?);
                takes.push(path);
            }
            LiveStep::Heard { at_frame, heard } => {
                hear(live, &mut part, *at_frame)?;
                if let Some(word) = Heard::parse(heard) {
                    let _ = live.answer(word);
                }
            }
            LiveStep::Redone { at_frame, spot } => {
                hear(live, &mut part, *at_frame)?;
                let _ = live.redo(*spot);
            }
            LiveStep::NoTap { at_frame } => {
                hear(live, &mut part, *at_frame)?;
                let _ = live.no_tap();
            }
            LiveStep::Note { sentence } => live.note(sentence.clone()),
            LiveStep::Kept { number } => {
                live.note(format!("goes on from sounding {number}, which was stopped"));
            }
        }
    }
    hear(live, &mut part, u64::MAX)?;
    let _ = live.end_part();
    Ok(takes)
}

/// The stretches that were lost in the part whose steps come first: frames before, and how many.
fn lost_in_part(steps: &[LiveStep]) -> VecDeque<(u64, u64)> {
    let inside = steps
        .iter()
        .take_while(|s| !matches!(s, LiveStep::Part { .. }));
    let lost = inside.filter_map(|s| match s {
        LiveStep::Lost { at_frame, frames } => Some((*at_frame, *frames)),
        _ => None,
    });
    lost.collect()
}

fn hear(live: &mut LiveSounding, part: &mut Option<Part>, until: u64) -> Result<(), AudioError> {
    part.as_mut().map_or(Ok(()), |p| p.hear_until(live, until))
}

/// A take that is heard again.
struct Part {
    player: Box<dyn Source>,
    /// Sound that was read and not heard yet.
    waiting: VecDeque<f64>,
    /// Frames heard.
    at: u64,
    lost: VecDeque<(u64, u64)>,
    is_over: bool,
}

impl Part {
    fn begin(
        live: &mut LiveSounding,
        path: &Path,
        lost: VecDeque<(u64, u64)>,
    ) -> Result<Self, AudioError> {
        let recording = Recording::open(&Input::Path(path.to_owned()))?;
        let player = recording.play(0)?;
        let name = path.file_name().unwrap_or_default().to_string_lossy();
        let _ = live.begin_part(&name, player.rate());
        Ok(Self {
            player: Box::new(player),
            waiting: VecDeque::new(),
            at: 0,
            lost,
            is_over: false,
        })
    }

    /// Hears the take up to this frame, or to its end where that comes before.
    fn hear_until(&mut self, live: &mut LiveSounding, until: u64) -> Result<(), AudioError> {
        while self.at < until {
            let mut lost_before = 0;
            if let Some((at, frames)) = self.lost.front().copied()
                && at <= self.at
            {
                self.lost.pop_front();
                lost_before = frames;
                self.skip(frames)?;
            }
            let next_loss = self.lost.front().map_or(u64::MAX, |l| l.0);
            let wanted = until.min(next_loss).saturating_sub(self.at);
            let samples = self.take(wanted)?;
            if samples.is_empty() && lost_before == 0 {
                if self.is_over {
                    return Ok(());
                }
                continue;
            }
            self.at += samples.len() as u64;
            let _ = live.hear(&Chunk {
                samples,
                lost_before,
            });
        }
        Ok(())
    }

    fn skip(&mut self, frames: u64) -> Result<(), AudioError> {
        let mut left = frames;
        while left > 0 && !self.is_over {
            left -= self.take(left)?.len() as u64;
        }
        self.at += frames;
        Ok(())
    }

    /// At most so many of the next samples; none at the end.
    fn take(&mut self, most: u64) -> Result<Vec<f64>, AudioError> {
        if self.waiting.is_empty() && !self.is_over {
            match self.player.next_chunk()? {
                Some(chunk) => self.waiting.extend(chunk.samples),
                None => self.is_over = true,
            }
        }
        let many = usize::try_from(most)
            .unwrap_or(usize::MAX)
            .min(self.waiting.len());
        Ok(self.waiting.drain(..many).collect())
    }
}
