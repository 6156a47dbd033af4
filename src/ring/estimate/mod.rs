//! The modes of one or more taps: the one entry point is [`solve`].
//!
//! Chain: clean window and noise -> candidates in falling-taper spectra -> bands -> subspace
//! poles with order -> refinement in the band -> subtract, zoom, look again -> all lines
//! together on the raw samples -> tests per line -> modes with standard deviations.
//! `docs/method.md` gives the formulas and their sources.

mod accept;
mod band;
mod candidates;
mod columns;
mod echo;
mod echo_search;
mod lines;
#[cfg(test)]
mod made;
mod phasor;
mod polish;
mod refine;
mod spare;
mod subspace;
mod tap_figures;
mod windows;
mod zoom;

use crate::signal::fft::forward;

use crate::ring::mode::{Mode, Refusal, RefusedLine};
use crate::ring::take::TapTake;
use crate::signal::noise_density::{FLOOR_VARIANCE, NoiseDensity};

pub use echo::Echo;

use accept::{Circumstances, misfit, refusals};
use lines::{search, settle_in_echo};
use phasor::{C64, hann, looked_for, weighted_sum};
use polish::{Lines, polish};
use spare::without_spare;
use tap_figures::per_tap;
use windows::{Windows, cut_windows, weights};

/// Shortest clean decay from which modes are read, in seconds.
pub const SHORTEST_S: f64 = 0.040;
/// Lowest frequency that is taken for a mode, in Hz.
pub const LOWEST_HZ: f64 = 200.0;
/// Highest frequency that is taken for a mode, in Hz (or 0.45 of the sample rate).
pub const HIGHEST_HZ: f64 = 16_000.0;

/// What is known of the room before a solve.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Room {
    /// Nothing: the taps tell.
    Unknown,
    /// How fast its echo dies away, as rate of the amplitude in 1/s; how much there is the taps
    /// tell.
    Decay(f64),
    /// Its echo, or that it shows none.
    Known(Option<Echo>),
}

/// Rounds of the last refinement of all lines: two or three where lines stand apart, more where broad
/// ones overlap.
const MOST_ROUNDS: usize = 12;
/// From so many lines on there are only [`FEW_ROUNDS`].
const MANY_LINES: usize = 32;
const FEW_ROUNDS: usize = 3;

/// A contact is over after that many seconds.
const STRIKE_S: f64 = 0.003;

/// What [`solve`] found.
#[derive(Debug, Clone, PartialEq)]
pub struct Solved {
    /// Accepted modes by rising frequency.
    pub modes: Vec<Mode>,
    /// Fitted lines that were not accepted.
    pub refused: Vec<RefusedLine>,
    /// Share of the strong lines' power that damped tones do not explain.
    pub room_misfit: f64,
    /// The room's echo, where the taps show one.
    pub echo: Option<Echo>,
    /// True when the search was stopped at too many lines.
    pub crowded: bool,
    /// Per tap: share of the energy from 5 to 105 ms that the accepted modes explain.
    pub ring_fractions: Vec<Option<f64>>,
    /// Per tap: energy-weighted ring time of the accepted modes in s and its standard deviation.
    pub ring_times_s: Vec<Option<(f64, f64)>>,
    /// Per tap: level over the noise in 0.3 to 12 kHz, in dB: of the modes' sum at the strike or
    /// of the first 20 ms, whichever is louder.
    pub over_noise_db: Vec<Option<f64>>,
}

/// Solves taps of one wheel together: shared frequencies and decays, amplitudes per tap.
///
/// Takes with less than 40 ms of clean decay add nothing: their per-tap figures are `None`.
/// The free decay is taken from 3 ms after the strike (the contact must be over); for wheels
/// whose longest ring is under 80 ms from 1 ms after it, when both starts agree on the decays.
pub fn solve(takes: &[&TapTake]) -> Solved {
    solve_in(takes, Room::Unknown)
}

/// [`solve`] in a room that is known already.
///
/// The echo is measured on the loudest tap alone, so what [`solve`] said of that tap by itself
/// holds for all of them together and need not be found again.
pub fn solve_in(takes: &[&TapTake], room: Room) -> Solved {
    let late = solve_from(takes, 0.003, room);
    let longest = late.modes.iter().map(Mode::ring_time_s).fold(0.0, f64::max);
    if longest >= 0.080 {
        return late;
    }
    // The room is the same; among the samples added the strike itself would pass for an echo.
    let early = solve_from(takes, 0.001, Room::Known(late.echo));
    if agrees(&early, &late) { early } else { late }
}

/// Place of the take with the most energy in its clean decay: the one that tells of the room.
/// None when no take has a decay long enough.
pub fn loudest(takes: &[&TapTake]) -> Option<usize> {
    let energy = |w: &Window<'_>| w.samples.iter().map(|v| v * v).sum::<f64>();
    windows(takes, 0.003)
        .iter()
        .max_by(|a, b| energy(a).total_cmp(&energy(b)))
        .map(|w| w.index)
}

/// True when the strongest modes of `late` are also in `early`, with the same decay within five
/// standard deviations: the contact was over at the early start.
fn agrees(early: &Solved, late: &Solved) -> bool {
    let mut strongest: Vec<&Mode> = late.modes.iter().collect();
    strongest.sort_by(|a, b| b.energy_db.total_cmp(&a.energy_db));
    if early.modes.len() < late.modes.len() {
        return false;
    }
    strongest.iter().take(4).all(|m| {
        early.modes.iter().any(|e| {
            let width = m.decay_per_s / std::f64::consts::PI;
            let std = m.decay_std_per_s.hypot(e.decay_std_per_s);
            (e.freq_hz - m.freq_hz).abs() < 0.5 * width
                && (e.decay_per_s - m.decay_per_s).abs() < 5.0 * std
        })
    })
}

/// One usable tap: its take, its window and its noise.
struct Window<'a> {
    index: usize,
    take: &'a TapTake,
    start: usize,
    samples: &'a [f64],
}

fn windows<'a>(takes: &[&'a TapTake], contact_s: f64) -> Vec<Window<'a>> {
    takes
        .iter()
        .enumerate()
        .filter_map(|(index, take)| {
            let rate = take.clip.rate();
            let start = (take.strike + rate.samples(contact_s)).max(take.decay.start);
            let samples = take.clip.slice(start, take.decay.end);
            (rate.seconds(samples.len()) >= SHORTEST_S).then_some(Window {
                index,
                take,
                start,
                samples,
            })
        })
        .collect()
}

fn noise_of(take: &TapTake) -> NoiseDensity {
    let rate = take.clip.rate();
    let quiet = take.clip.slice(take.quiet.start, take.quiet.end);
    let own = if quiet.len() >= 2048.min(rate.samples(0.05)) {
        quiet
    } else {
        let end = take.decay.end;
        take.clip.slice(end.saturating_sub(rate.samples(0.15)), end)
    };
    NoiseDensity::of(own, rate).unwrap_or_else(|| NoiseDensity::white(FLOOR_VARIANCE))
}

fn solve_from(takes: &[&TapTake], contact_s: f64, room: Room) -> Solved {
    let usable = windows(takes, contact_s);
    let mut out = Solved {
        modes: Vec::new(),
        refused: Vec::new(),
        room_misfit: 0.0,
        echo: None,
        crowded: false,
        ring_fractions: vec![None; takes.len()],
        ring_times_s: vec![None; takes.len()],
        over_noise_db: vec![None; takes.len()],
    };
    let Some(first) = usable.first() else {
        return out;
    };
    let rate_hz = first.take.clip.rate().hz();
    let usable: Vec<Window<'_>> = usable
        .into_iter()
        .filter(|w| w.take.clip.rate().hz() == rate_hz)
        .collect();
    let noise: Vec<NoiseDensity> = usable.iter().map(|w| noise_of(w.take)).collect();
    let w = Windows {
        taps: usable.iter().map(|w| w.samples).collect(),
        lead: usable.iter().map(|w| w.start - w.take.strike).collect(),
        alike: usable
            .iter()
            .map(|w| {
                let same = |o: &&Window<'_>| o.take.microphone == w.take.microphone;
                usable.iter().filter(same).count()
            })
            .collect(),
        strikes: usable
            .iter()
            .map(|w| {
                let end = (w.take.strike + w.take.clip.rate().samples(STRIKE_S)).min(w.start);
                w.take.clip.slice(w.take.strike, end)
            })
            .collect(),
        noise: &noise,
        rate_hz,
        band_hz: (LOWEST_HZ * 0.5, HIGHEST_HZ.min(0.45 * rate_hz)),
    };
    let found = search(&w, room);
    out.crowded = found.crowded;
    out.echo = found.echo;
    let cut = cut_windows(&w.taps, &found.lines);
    let settled = match found.echo {
        None => in_noise(&w, &cut, found.lines),
        Some(echo) => {
            let (lines, variance) = settle_in_echo(&w, &found.lines, echo);
            let variance = variance.into_iter().map(|v| (v, v)).collect();
            Settled { lines, variance }
        }
    };
    let eps = room_misfit(&w, &settled.lines);
    // Among echo the fit itself counts what the room does.
    let unmodelled = if found.echo.is_some() { 0.0 } else { eps };
    let modes = to_modes(&usable, &w, &settled, unmodelled, &cut);
    let steady: Vec<f64> = modes
        .iter()
        .map(|m| steady_amplitude(&usable, m.freq_hz))
        .collect();
    let largest = usable.iter().map(largest_early).fold(0.0, f64::max);
    let why = refusals(&Circumstances {
        modes: &modes,
        lines: &settled.lines,
        steady: &steady,
        eps: unmodelled,
        largest,
        band_hz: (LOWEST_HZ, w.band_hz.1),
    });
    out.room_misfit = found.echo.map_or(eps, |e| e.share);
    let accepted: Vec<bool> = why.iter().map(Option::is_none).collect();
    // Among echo a line can be sure and its decay not: it rings all the same.
    let rings: Vec<bool> = why
        .iter()
        .map(|why| match why {
            None => true,
            Some(Refusal::Loose) => found.echo.is_some(),
            Some(_) => false,
        })
        .collect();
    per_tap(
        &mut out,
        &usable,
        &w,
        &settled.lines,
        (&accepted, &rings),
        &modes,
    );
    for (mode, why) in modes.into_iter().zip(why) {
        match why {
            None => out.modes.push(mode),
            Some(why) => out.refused.push(RefusedLine { line: mode, why }),
        }
    }
    out.modes.sort_by(|a, b| a.freq_hz.total_cmp(&b.freq_hz));
    out
}

fn largest_early(w: &Window<'_>) -> f64 {
    let reach = w.take.clip.rate().samples(0.05);
    let s = w.take.clip.slice(w.take.strike, w.take.strike + reach);
    s.iter().fold(0.0, |m: f64, v| m.max(v.abs()))
}

/// Amplitude of a steady tone at `freq_hz` in the quiet part before the taps, the largest of
/// them; 0 where there is no quiet part long enough to tell.
///
/// The last part of the quiet stretch is taken, Hann-weighted. What still rings there from an
/// earlier tap is by then weaker than it was at its own strike.
fn steady_amplitude(usable: &[Window<'_>], freq_hz: f64) -> f64 {
    usable
        .iter()
        .map(|w| {
            let rate = w.take.clip.rate();
            let quiet = w.take.clip.slice(w.take.quiet.start, w.take.quiet.end);
            if rate.seconds(quiet.len()) < 0.05 {
                return 0.0;
            }
            let weights = hann(quiet.len());
            let gain: f64 = weights.iter().sum();
            let tone = looked_for(std::f64::consts::TAU * freq_hz / rate.hz(), &weights);
            2.0 * weighted_sum(&tone, quiet).norm() / gain.max(1.0)
        })
        // A steady tone sounds before every tap; a former ring before some.
        .fold(f64::INFINITY, f64::min)
        .min(1e9)
}

/// Lines with the variance of the real and imaginary part of each pole per sample.
struct Settled {
    lines: Lines,
    variance: Vec<(f64, f64)>,
}

/// All lines together on the raw samples, when noise is all that disturbs them.
fn in_noise(w: &Windows<'_>, cut: &[&[f64]], lines: Lines) -> Settled {
    let weights = weights(w);
    let reference: f64 = weights.len() as f64 / weights.iter().sum::<f64>();
    // The Fisher matrix is weighted with 1/S of each tap; what counts is S at the line.
    let over_noise = |omega: f64| {
        let freq_hz = omega.abs() * w.rate_hz / std::f64::consts::TAU;
        let local = w.noise.iter().map(|n| n.at(freq_hz)).sum::<f64>() / w.noise.len() as f64;
        reference / local
    };
    // So many lines are no wheel's: what a closer look would cost is not spent on them.
    let polished = if lines.logs.len() > MANY_LINES {
        polish(cut, lines, &weights, FEW_ROUNDS)
    } else {
        let polished = polish(cut, lines, &weights, MOST_ROUNDS);
        without_spare(cut, polished, &weights, over_noise)
    };
    let variance = polished
        .lines
        .logs
        .iter()
        .zip(polished.variance)
        .map(|(s, (re, im))| (re / over_noise(s.im), im / over_noise(s.im)))
        .collect();
    Settled {
        lines: polished.lines,
        variance,
    }
}

fn to_modes(
    usable: &[Window<'_>],
    w: &Windows<'_>,
    settled: &Settled,
    eps: f64,
    cut: &[&[f64]],
) -> Vec<Mode> {
    let rate_hz = w.rate_hz;
    let lines = &settled.lines;
    (0..lines.logs.len())
        .map(|k| {
            let s = lines.logs[k] * rate_hz;
            let decay = (-s.re).max(1e-6);
            let freq_hz = s.im.abs() / std::f64::consts::TAU;
            let room = eps.sqrt() * decay;
            let decay_std = settled.variance[k].0.sqrt() * rate_hz;
            let omega_std = settled.variance[k].1.sqrt() * rate_hz;
            let at_start: Vec<C64> = lines.amplitudes.iter().map(|a| a[k]).collect();
            let energy_ratio: f64 = at_start
                .iter()
                .zip(w.noise)
                .map(|(c, n)| c.norm_sqr() * rate_hz / (4.0 * decay * n.at(freq_hz)))
                .sum();
            // Back from the window's start to the strike.
            let at_strike: Vec<C64> = usable
                .iter()
                .zip(&at_start)
                .map(|(win, c)| c * (-s * ((win.start - win.take.strike) as f64 / rate_hz)).exp())
                .collect();
            let loudest = at_strike
                .iter()
                .copied()
                .max_by(|a, b| a.norm().total_cmp(&b.norm()))
                .unwrap_or_default();
            let first = &usable[0];
            let from = (first.start - first.take.strike) as f64 / rate_hz;
            let until = from + cut.first().map_or(0.0, |c| c.len() as f64 / rate_hz);
            Mode {
                freq_hz,
                freq_std_hz: omega_std.hypot(room) / std::f64::consts::TAU,
                decay_per_s: decay,
                decay_std_per_s: decay_std.hypot(room),
                amplitude: loudest.norm(),
                phase_rad: loudest.arg(),
                phase_std_rad: (2.0 / energy_ratio.max(1e-12)).sqrt(),
                energy_db: 10.0 * energy_ratio.max(1e-30).log10(),
                tap_amplitudes: at_strike.iter().map(|c| c.norm()).collect(),
                fitted_s: (from, until),
            }
        })
        .collect()
}

/// Spectrum of the first `len` samples under a Hann window, and its energy.
fn hann_spectrum(x: &[f64], len: usize) -> Option<(Vec<C64>, f64)> {
    let fft = forward(len);
    let mut input = fft.make_input_vec();
    let mut output = fft.make_output_vec();
    let used = x.len().min(len);
    let mut gain = 0.0;
    for ((out, x), h) in input.iter_mut().zip(x).zip(hann(used)) {
        *out = x * h;
        gain += h * h;
    }
    fft.process(&mut input, &mut output).ok()?;
    Some((output, gain))
}

fn room_misfit(w: &Windows<'_>, lines: &Lines) -> f64 {
    let mut worst: f64 = 0.0;
    for (t, x) in w.taps.iter().enumerate() {
        let used = x.len().min((0.34 * w.rate_hz) as usize);
        let len = used.next_power_of_two().max(64);
        let left = lines.residual(&x[..used], t, &|_| true);
        let model: Vec<f64> = x[..used].iter().zip(&left).map(|(a, b)| a - b).collect();
        let (Some((model, gain)), Some((left, _))) =
            (hann_spectrum(&model, len), hann_spectrum(&left, len))
        else {
            continue;
        };
        let bin_hz = w.rate_hz / len as f64;
        let noise: Vec<f64> = (0..model.len())
            .map(|k| gain * w.noise[t].at(k as f64 * bin_hz))
            .collect();
        worst = worst.max(misfit(&model, &left, &noise));
    }
    worst
}
