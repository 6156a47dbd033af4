//! A spectrum with the modes found in it and those of the baseline.

use crate::report::picture::axes::{Plot, range, ticks};
use crate::report::picture::canvas::{
    Canvas, Drawn, FOOT_PX, Frame, MARGIN_PX, TOP_PX, compose, pen,
};
use crate::report::picture::{PictureError, WIDTH_PX, labels, style};
use crate::ring::mode::Refusal;
use crate::units::amplitude_db;

/// What the picture of a spectrum shows.
#[derive(Debug, Clone, Copy)]
pub struct Spectrum<'a> {
    /// Of what, for the line under the title: wheel, tap, day.
    pub subject: &'a str,
    /// Frequency in Hz and amplitude as a share of full scale, in rising frequency. Any
    /// number; more than the picture is wide are merged to their largest.
    pub lines: &'a [(f64, f64)],
    /// The accepted modes.
    pub modes: &'a [ModeMark],
    /// The modes of the baseline, empty when there is none.
    pub baseline: &'a [BaselineMark],
    /// Lines that were fitted but not accepted.
    pub refused: &'a [RefusedMark],
}

/// How a mode stands to the baseline.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ModeHeld {
    /// Held against nothing.
    NotCompared,
    /// Within the baseline's limits.
    Within,
    /// Outside its limits, or without a mode of the baseline to belong to.
    Outside,
}

/// A mode in a spectrum.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ModeMark {
    /// Frequency in Hz.
    pub freq_hz: f64,
    /// Amplitude at the strike as a share of full scale.
    pub amplitude: f64,
    /// Decay time T60 in seconds, where known.
    pub ring_time_s: Option<f64>,
    /// Nodal diameters and nodal circles, where known.
    pub label: Option<(u32, u32)>,
    /// How it stands to the baseline.
    pub held: ModeHeld,
}

/// A mode of the baseline with its limits.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BaselineMark {
    /// Frequency in Hz.
    pub freq_hz: f64,
    /// Lower and upper limit in Hz.
    pub limits_hz: (f64, f64),
    /// True when this sounding has a mode that belongs to it.
    pub found: bool,
}

/// A refused line in a spectrum.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RefusedMark {
    /// Frequency in Hz.
    pub freq_hz: f64,
    /// Why it was refused.
    pub why: Refusal,
}

const HEIGHT_PX: f64 = 560.0;
/// Height of the two-line mode labels and their leaders.
const LABELS_PX: f64 = 52.0;
const ROW_PX: f64 = 24.0;
/// Most that is shown below the strongest line, in dB.
const DEPTH_DB: f64 = 90.0;
/// Highest frequency shown, in kHz.
const HIGHEST_KHZ: f64 = 16.0;
const COLUMNS: usize = 1600;

/// A spectrum in dB with its modes labelled; below it, on the same axis, a row each for the
/// modes, for the baseline with its limits, and for refused lines.
///
/// The axis is linear, because a wheel's modes are spread over it nearly evenly; it ends
/// at 16 kHz, or lower when all that is marked lies in the lower part. When labels would
/// collide, the strongest modes keep theirs, and the picture says how many.
///
/// A mode's mark stands at its amplitude at the strike, above the line of a spectrum that
/// was taken over the whole decay.
///
/// # Errors
/// [`PictureError`] when the drawing library fails; no input is refused.
pub fn spectrum_picture(input: &Spectrum<'_>) -> Result<String, PictureError> {
    let plot = plot(input);
    let curve = curve(input.lines, &plot);
    let rows = Rows::of(&plot);
    let frame = Frame {
        title: "Spectrum and modes",
        subject: input.subject,
        description: describe(input, &plot),
        height_px: HEIGHT_PX,
    };
    compose(&frame, "", |canvas| {
        for mark in shown(input.baseline, &plot, |b| b.freq_hz) {
            let (from, to) = limits_px(&plot, mark);
            canvas.block((from, plot.top), (to, rows.bottom), style::PALE_BLUE)?;
        }
        plot.y_axis(canvas, 45.0, 11.5)?;
        canvas.line(&curve, style::INK, 1.1)?;
        if curve.len() < 2 && input.modes.is_empty() {
            plot.empty(canvas, "no spectrum")?;
        }
        mode_marks(canvas, &plot, input.modes)?;
        rows.draw(canvas, &plot, input)?;
        let foot = Plot {
            bottom: rows.bottom,
            ..plot
        };
        foot.x_axis(canvas, 90.0, 11.5)?;
        key(
            canvas,
            (plot.left, rows.bottom + 31.0),
            !input.baseline.is_empty(),
        )?;
        canvas.text(
            (plot.right, rows.bottom + 31.0),
            "frequency in kHz",
            pen(12.0, style::INK).right(),
        )?;
        let middle = 0.5 * (plot.top + plot.bottom);
        canvas.text(
            (plot.left - 48.0, middle),
            "level in dB of full scale",
            pen(12.0, style::INK).centre().upright(),
        )
    })
}

fn describe(input: &Spectrum<'_>, plot: &Plot) -> String {
    let mut words = format!(
        "Level over frequency from 0 to {} kHz with {} modes.",
        style::number(plot.x.1, 0),
        input.modes.len()
    );
    for mode in shown(input.modes, plot, |m| m.freq_hz).take(32) {
        words.push_str(&format!(" {}", style::hertz(mode.freq_hz)));
        if let Some((n, s)) = mode.label {
            words.push_str(&format!(", nodal diameters {n}, circles {s},"));
        }
        if let Some(time) = mode.ring_time_s {
            words.push_str(&format!(" rings {}", style::seconds(time)));
        }
        words.push_str(match mode.held {
            ModeHeld::NotCompared => ".",
            ModeHeld::Within => ", within the baseline's limits.",
            ModeHeld::Outside => ", outside the baseline's limits.",
        });
    }
    let missing = input.baseline.iter().filter(|b| !b.found).count();
    if !input.baseline.is_empty() {
        words.push_str(&format!(
            " The baseline has {} modes, {missing} of them not found.",
            input.baseline.len()
        ));
    }
    if !input.refused.is_empty() {
        words.push_str(&format!(" {} lines were refused.", input.refused.len()));
    }
    words
}

fn shown<'a, T>(
    marks: &'a [T],
    plot: &Plot,
    freq_hz: impl Fn(&T) -> f64 + 'a,
) -> impl Iterator<Item = &'a T> {
    let plot = *plot;
    marks
        .iter()
        .filter(move |m| plot.holds_x(freq_hz(m) / 1000.0))
}

fn plot(input: &Spectrum<'_>) -> Plot {
    let marked = input
        .modes
        .iter()
        .map(|m| m.freq_hz)
        .chain(input.baseline.iter().map(|b| b.freq_hz))
        .chain(input.refused.iter().map(|r| r.freq_hz));
    let highest = range(marked).map_or(HIGHEST_KHZ, |(_, hi)| hi / 1000.0);
    let end = [2.0, 4.0, 8.0, 12.0]
        .into_iter()
        .find(|end| highest * 1.1 <= *end)
        .unwrap_or(HIGHEST_KHZ);
    let levels = input
        .lines
        .iter()
        .filter(|l| l.0 >= 0.0 && l.0 <= 1000.0 * end)
        .map(|l| l.1)
        .chain(input.modes.iter().map(|m| m.amplitude))
        .map(amplitude_db);
    let (low, high) = range(levels).unwrap_or((-60.0, 0.0));
    let high = high.clamp(-300.0, 300.0);
    let low = low.clamp(high - DEPTH_DB, high - 20.0);
    Plot {
        left: MARGIN_PX + 62.0,
        top: TOP_PX + LABELS_PX,
        right: f64::from(WIDTH_PX) - MARGIN_PX,
        bottom: HEIGHT_PX - FOOT_PX - 44.0 - 3.0 * ROW_PX,
        x: (0.0, end),
        y: (low - 1.0, high + 3.0),
    }
}

/// The curve in px: the largest line of each column.
fn curve(lines: &[(f64, f64)], plot: &Plot) -> Vec<(f64, f64)> {
    let mut columns = vec![f64::NEG_INFINITY; COLUMNS + 1];
    let mut few = Vec::new();
    for &(freq_hz, amplitude) in lines {
        let (khz, level) = (freq_hz / 1000.0, amplitude_db(amplitude));
        if !plot.holds_x(khz) || level.is_nan() {
            continue;
        }
        let part = (khz - plot.x.0) / (plot.x.1 - plot.x.0);
        let column = ((part * COLUMNS as f64) as usize).min(COLUMNS);
        columns[column] = columns[column].max(level);
        if few.len() < COLUMNS {
            few.push((plot.x_px(khz), plot.y_px(level)));
        }
    }
    if few.len() < COLUMNS {
        return few;
    }
    let width = (plot.right - plot.left) / COLUMNS as f64;
    columns
        .iter()
        .enumerate()
        .filter(|(_, level)| level.is_finite())
        .map(|(i, level)| (plot.left + width * i as f64, plot.y_px(*level)))
        .collect()
}

fn limits_px(plot: &Plot, mark: &BaselineMark) -> (f64, f64) {
    let at = plot.x_px(mark.freq_hz / 1000.0);
    let edge = |hz: f64| {
        if hz.is_finite() {
            plot.x_px(hz / 1000.0)
        } else {
            at
        }
    };
    // At least as wide as can be seen.
    (
        edge(mark.limits_hz.0).min(at - 2.5),
        edge(mark.limits_hz.1).max(at + 2.5),
    )
}

/// Blue disc, or an orange block for a mode outside the baseline's limits.
fn mode_shape(canvas: &Canvas<'_>, at: (f64, f64), r: f64, held: ModeHeld) -> Drawn {
    let (x, y) = at;
    if held == ModeHeld::Outside {
        canvas.block(
            (x - r - 1.0, y - r - 1.0),
            (x + r + 1.0, y + r + 1.0),
            style::PAPER,
        )?;
        canvas.block((x - r, y - r), (x + r, y + r), style::ORANGE)
    } else {
        canvas.disc(at, r + 1.0, style::PAPER)?;
        canvas.disc(at, r, style::BLUE)
    }
}

/// Second line of a label: nodal diameters and circles, and the decay time, where known.
fn under(mode: &ModeMark) -> Option<String> {
    let label = mode.label.map(|(n, s)| format!("({n},{s})"));
    let time = mode.ring_time_s.map(style::seconds);
    match (label, time) {
        (Some(label), Some(time)) => Some(format!("{label} {time}")),
        (label, time) => label.or(time),
    }
}

/// Marks at the modes' levels, and labels over the plot for as many as fit.
fn mode_marks(canvas: &Canvas<'_>, plot: &Plot, modes: &[ModeMark]) -> Drawn {
    const GAP_PX: f64 = 9.0;
    let name = pen(12.0, style::INK).bold().centre();
    let mut modes: Vec<&ModeMark> = shown(modes, plot, |m| m.freq_hz).collect();
    let level = |m: &ModeMark| {
        let db = amplitude_db(m.amplitude);
        if db.is_nan() { plot.y.0 } else { db }
    };
    modes.sort_by(|a, b| level(b).total_cmp(&level(a)));
    for mode in modes.iter().rev() {
        let at = (plot.x_px(mode.freq_hz / 1000.0), plot.y_px(level(mode)));
        mode_shape(canvas, at, 3.6, mode.held)?;
    }
    let lesser = pen(11.5, style::GREY).centre();
    let room = plot.right - MARGIN_PX;
    let mut used = 0.0;
    let mut labelled: Vec<(&ModeMark, f64)> = modes
        .iter()
        .map(|m| {
            let below = under(m).map_or(0.0, |words| canvas.width(&words, lesser));
            (*m, canvas.width(&style::hertz(m.freq_hz), name).max(below))
        })
        .take_while(|(_, width)| {
            used += width + GAP_PX;
            used <= room
        })
        .collect();
    labelled.sort_by(|a, b| a.0.freq_hz.total_cmp(&b.0.freq_hz));
    let wanted: Vec<_> = labelled
        .iter()
        .map(|(m, width)| (plot.x_px(m.freq_hz / 1000.0), *width))
        .collect();
    let lefts = labels::spread(&wanted, GAP_PX, MARGIN_PX, plot.right);
    for ((mode, width), left) in labelled.iter().zip(lefts) {
        let x = plot.x_px(mode.freq_hz / 1000.0);
        let middle = left + 0.5 * width;
        let y = plot.y_px(level(mode));
        let elbow = [(middle, plot.top - 19.0), (x, plot.top - 6.0), (x, y - 5.0)];
        canvas.line(&elbow, style::STONE, 0.8)?;
        canvas.text((middle, plot.top - 43.0), &style::hertz(mode.freq_hz), name)?;
        if let Some(words) = under(mode) {
            canvas.text((middle, plot.top - 28.0), &words, lesser)?;
        }
    }
    if labelled.len() < modes.len() {
        let note = format!(
            "the {} strongest of {} modes are named",
            labelled.len(),
            modes.len()
        );
        let at = (plot.right, TOP_PX - 18.0);
        canvas.text(at, &note, pen(11.5, style::GREY).right())?;
    }
    Ok(())
}

/// What the shapes mean.
fn key(canvas: &Canvas<'_>, at: (f64, f64), compared: bool) -> Drawn {
    let (mut x, y) = at;
    let words = pen(11.5, style::GREY);
    let mut next = |text: &str| {
        let place = x;
        x += 12.0 + canvas.width(text, words) + 18.0;
        place
    };
    let name = "mode, at its level at the strike";
    let x = next(name);
    mode_shape(canvas, (x + 4.0, y), 4.0, ModeHeld::NotCompared)?;
    canvas.text((x + 12.0, y), name, words)?;
    if compared {
        let name = "outside the baseline";
        let x = next(name);
        mode_shape(canvas, (x + 4.0, y), 4.0, ModeHeld::Outside)?;
        canvas.text((x + 12.0, y), name, words)?;
        let name = "in the baseline, not found";
        let x = next(name);
        canvas.frame((x + 1.0, y - 6.0), (x + 7.0, y + 6.0), style::ORANGE, 1.8)?;
        canvas.text((x + 12.0, y), name, words)?;
    }
    Ok(())
}

/// The rows under the curve.
struct Rows {
    modes: f64,
    baseline: f64,
    refused: f64,
    bottom: f64,
}

impl Rows {
    fn of(plot: &Plot) -> Self {
        let row = |n: f64| plot.bottom + (n + 0.5) * ROW_PX;
        Self {
            modes: row(0.0),
            baseline: row(1.0),
            refused: row(2.0),
            bottom: plot.bottom + 3.0 * ROW_PX,
        }
    }

    fn draw(&self, canvas: &Canvas<'_>, plot: &Plot, input: &Spectrum<'_>) -> Drawn {
        let names = pen(11.5, style::GREY).right();
        for (y, name, any) in [
            (self.modes, "modes", !input.modes.is_empty()),
            (self.baseline, "baseline", !input.baseline.is_empty()),
            (self.refused, "refused", !input.refused.is_empty()),
        ] {
            let top = y - 0.5 * ROW_PX;
            canvas.line(&[(plot.left, top), (plot.right, top)], style::HAIR, 1.0)?;
            canvas.text((plot.left - 7.0, y), name, names)?;
            if !any {
                canvas.text((plot.left + 8.0, y), "none", pen(11.5, style::GREY))?;
            }
        }
        for (value, _) in ticks(plot.x, 8.0) {
            let x = plot.x_px(value);
            let from = (x, plot.bottom);
            canvas.line(&[from, (x, self.bottom)], style::HAIR, 0.6)?;
        }
        for mark in shown(input.baseline, plot, |b| b.freq_hz) {
            self.baseline_bar(canvas, plot, mark)?;
        }
        for mode in shown(input.modes, plot, |m| m.freq_hz) {
            let x = plot.x_px(mode.freq_hz / 1000.0);
            mode_shape(canvas, (x, self.modes), 4.2, mode.held)?;
        }
        self.refused_marks(canvas, plot, input.refused)
    }

    /// A bar from limit to limit with a tick at the frequency: filled when found, an empty
    /// frame when not.
    fn baseline_bar(&self, canvas: &Canvas<'_>, plot: &Plot, mark: &BaselineMark) -> Drawn {
        const HALF_PX: f64 = 6.0;
        let (from, to) = limits_px(plot, mark);
        let (top, bottom) = (self.baseline - HALF_PX, self.baseline + HALF_PX);
        let x = plot.x_px(mark.freq_hz / 1000.0);
        if mark.found {
            canvas.block((from, top), (to, bottom), style::BLUE)?;
            canvas.line(&[(x, top), (x, bottom)], style::PAPER, 1.0)
        } else {
            canvas.block((from, top), (to, bottom), style::PAPER)?;
            canvas.frame((from, top), (to, bottom), style::ORANGE, 1.8)
        }
    }

    /// Crosses, with the reason beside each where there is room.
    fn refused_marks(&self, canvas: &Canvas<'_>, plot: &Plot, refused: &[RefusedMark]) -> Drawn {
        let words = pen(11.0, style::GREY);
        let mut refused: Vec<&RefusedMark> = shown(refused, plot, |r| r.freq_hz).collect();
        refused.sort_by(|a, b| a.freq_hz.total_cmp(&b.freq_hz));
        let xs: Vec<f64> = refused
            .iter()
            .map(|r| plot.x_px(r.freq_hz / 1000.0))
            .collect();
        for (i, (mark, x)) in refused.iter().zip(&xs).enumerate() {
            let (y, s) = (self.refused, 3.4);
            canvas.line(&[(x - s, y - s), (x + s, y + s)], style::GREY, 1.4)?;
            canvas.line(&[(x - s, y + s), (x + s, y - s)], style::GREY, 1.4)?;
            let end = x + 8.0 + canvas.width(mark.why.name(), words);
            let limit = xs.get(i + 1).map_or(plot.right, |next| next - 8.0);
            if end <= limit {
                canvas.text((x + 8.0, y), mark.why.name(), words)?;
            }
        }
        Ok(())
    }
}
