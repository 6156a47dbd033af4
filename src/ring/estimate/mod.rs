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
    let w = together(&usable, &noise, rate_hz);
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
    // The Fisher matrix is weighted with one over the mean noise of each tap; what counts is the
    // noise at the line.
    let over_noise = |omega: f64| {
        let freq_hz = omega.abs() * w.rate_hz / std::f64::consts::TAU;
        let taps = w.noise.iter().zip(&weights);
        let over_mean: f64 = taps.map(|(n, weight)| n.at(freq_hz) * weight).sum();
        weights.len() as f64 / over_mean
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

/// The windows with what the search must know of each.
fn together<'a>(usable: &[Window<'a>], noise: &'a [NoiseDensity], rate_hz: f64) -> Windows<'a> {
    let alike = |w: &Window<'_>| {
        let same = |o: &&Window<'_>| o.take.microphone == w.take.microphone;
        usable.iter().filter(same).count()
    };
    let strike = |w: &Window<'a>| {
        let end = w.take.strike + w.take.clip.rate().samples(STRIKE_S);
        w.take.clip.slice(w.take.strike, end.min(w.start))
    };
    Windows {
        taps: usable.iter().map(|w| w.samples).collect(),
        lead: usable.iter().map(|w| w.start - w.take.strike).collect(),
        alike: usable.iter().map(alike).collect(),
        strikes: usable.iter().map(strike).collect(),
        noise,
        rate_hz,
        band_hz: (0.5 * LOWEST_HZ, HIGHEST_HZ.min(0.45 * rate_hz)),
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

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::made::{
        STRIKE, lines as made_lines, log, noise, take, tones, windows as made_windows,
    };
    use super::*;
    use crate::signal::clip::Clip;
    use crate::units::SampleRate;
    use std::f64::consts::TAU;

    const HZ: u32 = 16_000;
    const RATE: f64 = 16_000.0;

    /// Tones from the strike on, in noise all over.
    fn ringing(of: &[(C64, C64)], len: usize, variance: f64, seed: u64) -> TapTake {
        let mut x = noise(variance, STRIKE + len, seed);
        x[STRIKE..]
            .iter_mut()
            .zip(tones(of, len))
            .for_each(|(x, t)| *x += t);
        take(x)
    }

    fn one(of: f64) -> C64 {
        C64::new(of, 0.0)
    }

    fn mode(freq_hz: f64, decay_per_s: f64, energy_db: f64) -> Mode {
        Mode {
            decay_per_s,
            decay_std_per_s: 0.03,
            amplitude: 0.5,
            energy_db,
            tap_amplitudes: vec![0.5],
            ..Mode::made_up(freq_hz)
        }
    }

    fn solved(modes: Vec<Mode>) -> Solved {
        Solved {
            modes,
            refused: Vec::new(),
            room_misfit: 0.0,
            echo: None,
            crowded: false,
            ring_fractions: Vec::new(),
            ring_times_s: Vec::new(),
            over_noise_db: Vec::new(),
        }
    }

    /// From the end of the contact, or of the last disturbance, on; with 40 ms at least.
    #[test]
    fn a_window_begins_when_the_contact_is_over() {
        let whole = take(vec![0.1; STRIKE + 1600]);
        let later = TapTake {
            decay: STRIKE + 200..STRIKE + 1500,
            ..whole.clone()
        };
        // 48 samples of contact and 640 of decay are just enough.
        let short = TapTake {
            decay: STRIKE..STRIKE + 48 + 639,
            ..whole.clone()
        };
        let enough = TapTake {
            decay: STRIKE..STRIKE + 48 + 640,
            ..whole.clone()
        };
        let takes = [&whole, &short, &later, &enough];
        let found = windows(&takes, 0.003);
        let seen: Vec<_> = found
            .iter()
            .map(|w| (w.index, w.start, w.samples.len()))
            .collect();
        assert_eq!(
            seen,
            [
                (0, STRIKE + 48, 1552),
                (2, STRIKE + 200, 1300),
                (3, STRIKE + 48, 640)
            ]
        );
    }

    #[test]
    fn the_loudest_tap_has_the_most_energy_in_its_decay() {
        let with = |level: f64, from: usize| {
            let mut x = vec![0.0; STRIKE + 1600];
            x[from..].fill(level);
            take(x)
        };
        let mut bang = vec![0.01; STRIKE + 1600];
        // The strike itself and what was before do not count.
        bang[..STRIKE + 40].fill(9.0);
        let (a, b, c) = (with(0.1, STRIKE), with(-0.2, STRIKE), take(bang));
        assert_eq!(loudest(&[&a, &b, &c]), Some(1));
        let short = take(vec![1.0; STRIKE + 100]);
        assert_eq!(loudest(&[&short, &a]), Some(1));
        assert_eq!(loudest(&[&short]), None);
    }

    #[test]
    fn early_windows_agree_when_they_hold_the_strongest_modes() {
        let late = || vec![mode(1000.0, 10.0, 60.0), mode(2000.0, 10.0, 50.0)];
        let with = |early: Vec<Mode>| agrees(&solved(early), &solved(late()));
        assert!(with(late()));
        assert!(!with(late()[..1].to_vec()));
        let moved = |hz: f64, decay: f64| {
            let mut all = late();
            all[1].freq_hz += hz;
            all[1].decay_per_s += decay;
            all
        };
        // Half a half-power width, and five deviations of the difference.
        let (width, std) = (10.0 / std::f64::consts::PI, 0.03 * 2f64.sqrt());
        for sign in [-1.0, 1.0] {
            assert!(with(moved(sign * 0.49 * width, 0.0)));
            assert!(!with(moved(sign * 0.51 * width, 0.0)));
            assert!(with(moved(0.0, sign * 4.9 * std)));
            assert!(!with(moved(0.0, sign * 5.1 * std)));
        }
        let mut more = moved(0.0, 0.0);
        more.push(mode(3000.0, 10.0, 70.0));
        assert!(with(more));
        // Only the four strongest are asked for.
        let five = |weak_hz: f64| -> Vec<Mode> {
            let strong = (1..5).map(|k| mode(1000.0 * f64::from(k), 10.0, 60.0));
            std::iter::once(mode(weak_hz, 10.0, 20.0))
                .chain(strong)
                .collect()
        };
        assert!(agrees(&solved(five(600.0)), &solved(five(700.0))));
        let strong = |hz: f64| -> Vec<Mode> {
            let mut all = five(700.0);
            all[0] = mode(hz, 10.0, 90.0);
            all
        };
        assert!(!agrees(&solved(strong(600.0)), &solved(strong(700.0))));
        assert!(agrees(&solved(vec![]), &solved(vec![])));
    }

    /// From the quiet part when it is long enough, else from the end of the decay.
    #[test]
    fn noise_is_taken_before_the_strike_or_at_the_end() {
        let mut x = noise(1e-4, STRIKE, 1);
        x.extend(vec![1.0; 4000]);
        x.extend(noise(1e-2, 2400, 2));
        let take = take(x);
        // Five percent of scatter for 4000 samples is plenty; a dozen for 800.
        let of = |quiet: std::ops::Range<usize>| {
            let take = TapTake {
                quiet,
                ..take.clone()
            };
            noise_of(&take).mean(500.0, 7000.0)
        };
        assert!((of(0..3900) / 1e-4 - 1.0).abs() < 0.15);
        assert!((of(0..800) / 1e-4 - 1.0).abs() < 0.3);
        assert!((of(0..799) / 1e-2 - 1.0).abs() < 0.2);
        assert!((of(0..0) / 1e-2 - 1.0).abs() < 0.2);
        let silent = super::tests::take(vec![0.0; STRIKE + 100]);
        assert_eq!(noise_of(&silent).at(1000.0), FLOOR_VARIANCE);
    }

    #[test]
    fn the_largest_early_sample_is_within_50_ms() {
        let mut x = vec![0.0; STRIKE + 1600];
        (x[STRIKE - 1], x[STRIKE + 799], x[STRIKE + 800]) = (7.0, -0.5, 8.0);
        let take = take(x);
        let window = windows(&[&take], 0.003);
        assert_eq!(largest_early(&window[0]), 0.5);
    }

    #[test]
    fn a_steady_tone_has_its_amplitude_before_the_strike() {
        let with = |a: f64, quiet: std::ops::Range<usize>| {
            let mut x = tones(&[(log(1234.0, 0.0, RATE), C64::from_polar(a, 0.7))], STRIKE);
            x.extend(vec![0.5; 1600]);
            TapTake { quiet, ..take(x) }
        };
        let (loud, soft) = (with(0.3, 0..3900), with(0.2, 0..3900));
        let (short, enough) = (with(0.3, 0..799), with(0.3, 0..800));
        let of = |takes: &[&TapTake], hz: f64| steady_amplitude(&windows(takes, 0.003), hz);
        // The image's side lobes are 1e-6 of it and less.
        assert!((of(&[&loud], 1234.0) - 0.3).abs() < 1e-4);
        assert!((of(&[&loud, &soft], 1234.0) - 0.2).abs() < 1e-4);
        assert!(of(&[&loud], 1334.0) < 1e-3);
        assert!((of(&[&enough], 1234.0) - 0.3).abs() < 1e-4);
        assert_eq!(of(&[&short], 1234.0), 0.0);
        assert_eq!(of(&[], 1234.0), 1e9);
    }

    /// The bound of a lone line, `16 d^3 S / |c|^2`, with the noise at the line, not that of the whole
    /// band; over two taps powers add up.
    #[test]
    fn in_noise_a_line_is_as_sure_as_the_noise_around_it_allows() {
        let mut dark = noise(1e-6, 8192, 9);
        for n in 1..dark.len() {
            dark[n] += 0.9 * dark[n - 1];
        }
        let falls = || NoiseDensity::of(&dark, SampleRate::new(HZ).unwrap()).unwrap();
        let density = [falls(), falls()];
        assert!(density[0].at(600.0) > 10.0 * density[0].at(5000.0));
        let d = 10.0 / RATE;
        for freq_hz in [600.0, 5000.0] {
            let c = [C64::new(0.5, 0.1), C64::new(-0.2, 0.3)];
            let s = log(freq_hz, 10.0, RATE);
            let taps = c.map(|c| tones(&[(s, c)], 12_000));
            let w = made_windows(&taps, &density, RATE);
            let mut start = made_lines(&[(s, &c)]);
            start.logs[0] += C64::new(0.05, -0.1) / RATE;
            let cut = cut_windows(&w.taps, &start);
            let found = in_noise(&w, &cut, start);
            assert!((found.lines.logs[0] - s).norm() < 1e-9);
            let bound = 16.0 * d.powi(3) * density[0].at(freq_hz) / (0.26 + 0.13);
            // Sums for integrals, and seven time constants for all.
            let (re, im) = found.variance[0];
            assert!((re / bound - 1.0).abs() < 0.01, "{}", re / bound);
            assert!((im / bound - 1.0).abs() < 0.01, "{}", im / bound);
        }
    }

    /// Each tap tells by its own noise.
    #[test]
    fn a_tap_among_more_noise_tells_less() {
        let density = [NoiseDensity::white(1e-6), NoiseDensity::white(1.6e-5)];
        let c = [C64::new(0.5, 0.1), C64::new(-0.2, 0.3)];
        let s = log(1500.0, 10.0, RATE);
        let taps = c.map(|c| tones(&[(s, c)], 12_000));
        let w = made_windows(&taps, &density, RATE);
        let start = made_lines(&[(s, &c)]);
        let cut = cut_windows(&w.taps, &start);
        let (re, im) = in_noise(&w, &cut, start).variance[0];
        let bound = 16.0 * (10.0 / RATE).powi(3) / (0.26 / 1e-6 + 0.13 / 1.6e-5);
        assert!((re / bound - 1.0).abs() < 0.01, "{}", re / bound);
        assert!((im / bound - 1.0).abs() < 0.01, "{}", im / bound);
    }

    /// A damped line fitted with two: one is taken out.
    #[test]
    fn a_line_too_many_is_taken_out_in_noise() {
        let (s, variance) = (log(800.0, 60.0, RATE), 1e-8);
        let tap: Vec<f64> = tones(&[(s, one(0.4))], 4000)
            .iter()
            .zip(noise(variance, 4000, 8))
            .map(|(a, b)| a + b)
            .collect();
        let (taps, density) = ([tap], [NoiseDensity::white(variance)]);
        let w = made_windows(&taps, &density, RATE);
        let other = s + C64::new(-15.0, 60.0) / RATE;
        let start = made_lines(&[(s, &[one(0.4)]), (other, &[one(1e-4)])]);
        let cut = cut_windows(&w.taps, &start);
        assert_eq!(in_noise(&w, &cut, start).lines.logs.len(), 1);
    }

    /// The strike is what is heard until the window, 5 ms at most; taps of one microphone are alike.
    #[test]
    fn windows_go_together_with_their_strikes() {
        let x: Vec<f64> = (0..STRIKE + 1600).map(|n| n as f64).collect();
        let first = take(x);
        let mut second = first.clone();
        second.microphone = 1;
        second.decay = STRIKE + 200..STRIKE + 1500;
        let third = first.clone();
        let takes = [&first, &second, &third];
        let usable = windows(&takes, 0.003);
        let density = vec![NoiseDensity::white(1e-6); 3];
        let w = together(&usable, &density, RATE);
        assert_eq!(w.lead, [48, 200, 48]);
        assert_eq!(w.alike, [2, 1, 2]);
        let seen: Vec<_> = w.strikes.iter().map(|s| (s[0] as usize, s.len())).collect();
        let most = (STRIKE_S * RATE) as usize;
        assert_eq!(seen, [(STRIKE, 48), (STRIKE, most.min(200)), (STRIKE, 48)]);
        assert_eq!(w.taps[1].len(), 1300);
        assert_eq!(w.band_hz, (100.0, 7200.0));
        assert_eq!(together(&usable, &density, 96_000.0).band_hz.1, HIGHEST_HZ);
    }

    /// Figures of a line that was fitted 3 ms (5 ms) after the strike.
    #[test]
    fn modes_state_what_the_lines_are_at_the_strike() {
        let takes = [
            take(vec![0.0; STRIKE + 8000]),
            take(vec![0.0; STRIKE + 8000]),
        ];
        let later = TapTake {
            decay: STRIKE + 80..STRIKE + 8000,
            ..takes[1].clone()
        };
        let usable = windows(&[&takes[0], &later], 0.003);
        let density = [NoiseDensity::white(1e-6), NoiseDensity::white(4e-6)];
        let taps: Vec<Vec<f64>> = usable.iter().map(|w| w.samples.to_vec()).collect();
        let w = made_windows(&taps, &density, RATE);
        let s = log(1000.0, 10.0, RATE);
        let at_strike = [C64::from_polar(0.5, 0.4), C64::from_polar(0.7, -2.0)];
        let later_by = |n: f64| (s * n).exp();
        let c = [at_strike[0] * later_by(48.0), at_strike[1] * later_by(80.0)];
        let settled = Settled {
            lines: made_lines(&[(s, &c)]),
            variance: vec![(1e-12, 4e-12)],
        };
        let cut: [&[f64]; 2] = [&taps[0][..4000], &taps[1][..4000]];
        let of = |eps: f64| to_modes(&usable, &w, &settled, eps, &cut).remove(0);
        let m = of(0.0);
        let near = |a: f64, b: f64| assert!((a / b - 1.0).abs() < 1e-9, "{a} {b}");
        near(m.freq_hz, 1000.0);
        near(m.decay_per_s, 10.0);
        near(m.decay_std_per_s, 1e-6 * RATE);
        near(m.freq_std_hz, 2e-6 * RATE / TAU);
        near(m.amplitude, 0.7);
        near(m.phase_rad, -2.0);
        near(m.tap_amplitudes[0], 0.5);
        near(m.tap_amplitudes[1], 0.7);
        near(m.fitted_s.0, 0.003);
        near(m.fitted_s.1, 0.003 + 0.25);
        // Energy over the noise, by plain sums; a cosine's square turns twice as fast.
        let plain: f64 = c
            .iter()
            .zip([1e-6, 4e-6])
            .map(|(c, s2)| tones(&[(s, *c)], 12_000).iter().map(|v| v * v).sum::<f64>() / s2)
            .sum();
        assert!((m.energy_db - 10.0 * plain.log10()).abs() < 0.05);
        // Phase of a tone whose pole is not known: |c|^2 / (2 S) (M0 - M1^2 / M2), plain sums.
        let moment = |p: i32| -> f64 {
            (0..20_000)
                .map(|n| f64::from(n).powi(p) * (2.0 * s.re * f64::from(n)).exp())
                .sum()
        };
        let left = moment(0) - moment(1).powi(2) / moment(2);
        let power = c[0].norm_sqr() / 1e-6 + c[1].norm_sqr() / 4e-6;
        let std = (0.5 * power * left).powf(-0.5);
        assert!(
            (m.phase_std_rad / std - 1.0).abs() < 0.01,
            "{}",
            m.phase_std_rad / std
        );
        // A room that leaves one part in 10^8 adds a ten-thousandth of the decay to each.
        let m = of(1e-8);
        near(m.decay_std_per_s, (1e-6 * RATE).hypot(1e-3));
        near(m.freq_std_hz, (2e-6 * RATE).hypot(1e-3) / TAU);
    }

    #[test]
    fn spectra_under_a_hann_window_are_those_of_the_definition() {
        let x = noise(1.0, 100, 3);
        for used in [100, 64, 40] {
            let (spectrum, gain) = hann_spectrum(&x[..used], 64).unwrap();
            let used = used.min(64);
            let hann = |n: usize| (0.5 * TAU * (n as f64 + 0.5) / used as f64).sin().powi(2);
            for k in [0, 5, 32] {
                let one = |n: usize| C64::from_polar(x[n] * hann(n), -TAU * (k * n) as f64 / 64.0);
                let truth: C64 = (0..used).map(one).sum();
                assert!((spectrum[k] - truth).norm() < 1e-12);
            }
            let truth: f64 = (0..used).map(|n| hann(n).powi(2)).sum();
            assert!((gain / truth - 1.0).abs() < 1e-12);
        }
    }

    /// Lines that are too soft by a share leave that of themselves; the worst tap counts.
    #[test]
    fn the_rooms_misfit_is_the_share_that_the_worst_tap_leaves() {
        let density = [NoiseDensity::white(1e-9), NoiseDensity::white(1e-9)];
        let s = log(1000.0, 10.0, RATE);
        let c = [one(0.5), one(0.4)];
        let taps = c.map(|c| tones(&[(s, c)], 8000));
        let w = made_windows(&taps, &density, RATE);
        for worst in [0, 1] {
            let mut less = made_lines(&[(s, &c)]);
            less.amplitudes[worst][0] *= 0.8;
            less.amplitudes[1 - worst][0] *= 0.95;
            let found = room_misfit(&w, &less);
            assert!((found - 0.25f64.powi(2)).abs() < 1e-3, "{found}");
        }
        assert_eq!(room_misfit(&w, &made_lines(&[(s, &c)])), 0.0);
        // What comes after 0.34 s does not count.
        let mut late = taps.clone();
        late[0][5440..].fill(0.3);
        let w = made_windows(&late, &density, RATE);
        assert_eq!(room_misfit(&w, &made_lines(&[(s, &c)])), 0.0);
        // A thousand times the noise of the line's bins would be left of it: it is no more.
        let loud = [NoiseDensity::white(1.0), NoiseDensity::white(1.0)];
        let mut less = made_lines(&[(s, &c)]);
        less.amplitudes[0][0] *= 0.8;
        assert_eq!(room_misfit(&made_windows(&taps, &loud, RATE), &less), 0.0);
        // It is the noise around the line that counts, not that elsewhere.
        let around = |inside: f64, outside: f64| {
            let at = |k: i32| {
                if (8..13).contains(&k) {
                    inside
                } else {
                    outside
                }
            };
            NoiseDensity::made_up(100.0, (0..80).map(at).collect())
        };
        let near = || around(1.0, 1e-9);
        let far = || around(1e-9, 1.0);
        let of = |density: &[NoiseDensity]| room_misfit(&made_windows(&taps, density, RATE), &less);
        assert_eq!(of(&[near(), near()]), 0.0);
        assert!((of(&[far(), far()]) - 0.25f64.powi(2)).abs() < 1e-3);
        // Left are 4 % of the line's strongest bins: it counts while the noise is below that.
        let used = 5440;
        let (top, gain) = hann_spectrum(&taps[0][..used], 8192).unwrap();
        let top = top.iter().map(|v| v.norm_sqr()).fold(0.0, f64::max);
        let with = |share: f64| {
            let white = || NoiseDensity::white(share * top / gain);
            of(&[white(), white()])
        };
        assert!(with(1e-4) > 0.03 && with(0.02) == 0.0);
    }

    /// Two taps of two modes and of a steady hum: the modes within five of their own deviations, the
    /// hum refused, the figures of the taps those of the modes.
    #[test]
    fn two_taps_are_solved_together() {
        let truth = [(1000.0, 10.0), (3300.0, 15.0)];
        let c = [[0.5, 0.2], [0.3, 0.4]];
        let variance = 1e-8;
        let takes: Vec<TapTake> = (0..2)
            .map(|t| {
                let of: Vec<(C64, C64)> = truth
                    .iter()
                    .zip(c[t])
                    .map(|((f, d), a)| (log(*f, *d, RATE), C64::from_polar(a, 0.3 + t as f64)))
                    .collect();
                let mut x = noise(variance, STRIKE + 8000, 30 + t as u64);
                x[STRIKE..]
                    .iter_mut()
                    .zip(tones(&of, 8000))
                    .for_each(|(x, v)| *x += v);
                let hum = tones(&[(log(5000.0, 0.0, RATE), one(0.02))], STRIKE + 8000);
                x.iter_mut().zip(hum).for_each(|(x, v)| *x += v);
                take(x)
            })
            .collect();
        // In between one that is too short, and one at another rate.
        let short = take(vec![0.0; STRIKE + 300]);
        let other_rate = TapTake {
            clip: Clip::new(vec![0.1; STRIKE + 8000], SampleRate::new(48_000).unwrap()),
            ..takes[0].clone()
        };
        let found = solve_in(
            &[&takes[0], &short, &takes[1], &other_rate],
            Room::Known(None),
        );
        assert_eq!(found.modes.len(), 2, "{:?}", found.modes);
        for (k, (m, (f, d))) in found.modes.iter().zip(truth).enumerate() {
            assert!(
                (m.freq_hz - f).abs() < 5.0 * m.freq_std_hz,
                "{} {}",
                m.freq_hz,
                m.freq_std_hz
            );
            assert!((m.decay_per_s - d).abs() < 5.0 * m.decay_std_per_s);
            // The stated deviation is the bound's: both taps' powers, and the noise around.
            let at_start = (-2.0 * d * 0.003f64).exp() * (c[0][k].powi(2) + c[1][k].powi(2));
            let bound = (16.0 * (d / RATE).powi(3) * variance / at_start).sqrt() * RATE;
            assert!(
                (m.decay_std_per_s / bound - 1.0).abs() < 0.3,
                "{}",
                m.decay_std_per_s / bound
            );
            for (t, a) in m.tap_amplitudes.iter().enumerate() {
                assert!((a - c[t][k]).abs() < 5e-3, "{a}");
            }
            assert!((m.fitted_s.0 - 0.003).abs() < 1e-9);
        }
        let is_hum = |r: &RefusedLine| (r.line.freq_hz - 5000.0).abs() < 1.0;
        assert!(found.refused.iter().any(is_hum), "{:?}", found.refused);
        for (t, place) in [(0, 0), (1, 2)] {
            // Strike amplitudes squared over four times the decay; hum apart nothing else.
            let energy = [0, 1].map(|k| c[t][k].powi(2) / (4.0 * truth[k].1));
            let rings = [0, 1].map(|k| 6.907_755 / truth[k].1);
            let mean = (energy[0] * rings[0] + energy[1] * rings[1]) / (energy[0] + energy[1]);
            assert!((found.ring_times_s[place].unwrap().0 / mean - 1.0).abs() < 5e-3);
            assert!(found.ring_fractions[place].unwrap() > 0.98);
            assert!(found.over_noise_db[place].unwrap() > 40.0);
        }
        for place in [1, 3] {
            assert!(found.ring_times_s[place].is_none() && found.ring_fractions[place].is_none());
            assert!(found.over_noise_db[place].is_none());
        }
        assert!(found.echo.is_none() && !found.crowded && found.room_misfit < 1e-3);
    }

    /// T60 of 60 ms is read from 1 ms on, T60 of 100 ms from 3 ms on.
    #[test]
    fn short_rings_are_read_from_an_early_start() {
        for (ring_s, start_s) in [(0.060, 0.001), (0.100, 0.003)] {
            let of = [(log(1500.0, 6.907_755 / ring_s, RATE), C64::new(0.5, 0.2))];
            let take = ringing(&of, 4000, 1e-8, 4);
            let found = solve_in(&[&take], Room::Known(None));
            assert_eq!(found.modes.len(), 1);
            assert!((found.modes[0].fitted_s.0 - start_s).abs() < 1e-9);
            assert!((found.modes[0].ring_time_s() / ring_s - 1.0).abs() < 0.01);
        }
        // With a contact of 2.5 ms the early start would read it as ring: the late one stays.
        let mut take = ringing(&[(log(1500.0, 115.0, RATE), one(0.5))], 4000, 1e-8, 5);
        let mut x = take.clip.samples().to_vec();
        for (n, v) in x[STRIKE..STRIKE + 40].iter_mut().enumerate() {
            *v += 3.0 * (std::f64::consts::PI * n as f64 / 40.0).sin();
        }
        take.clip = Clip::new(x, SampleRate::new(HZ).unwrap());
        let found = solve_in(&[&take], Room::Known(None));
        assert!((found.modes[0].fitted_s.0 - 0.003).abs() < 1e-9);
    }

    #[test]
    fn without_a_decay_nothing_is_found() {
        let short = take(vec![0.3; STRIKE + 600]);
        let found = solve(&[&short]);
        assert!(found.modes.is_empty() && found.refused.is_empty());
        assert_eq!(
            (found.ring_times_s[0], found.ring_fractions[0]),
            (None, None)
        );
        assert_eq!(found.over_noise_db, [None]);
        assert!(solve(&[]).modes.is_empty());
    }
}
