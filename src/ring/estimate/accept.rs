//! Which fitted lines count as modes, and how far the room spoils them.

use crate::ring::mode::{Mode, Refusal};
use crate::units::{quality, ring_time_s};

use super::phasor::C64;
use super::polish::Lines;

/// A line whose decay has a standard deviation over this share of it is refused.
pub const LOOSE: f64 = 0.30;

/// What the tests of one line need to know.
pub struct Circumstances<'a> {
    /// All lines as modes, in the order of `lines`.
    pub modes: &'a [Mode],
    /// The lines.
    pub lines: &'a Lines,
    /// Amplitude of a steady tone at each line's frequency in the quiet part (per line).
    pub steady: &'a [f64],
    /// Share of unexplained power, see [`misfit`]; 0 where the fit itself counted the echo, so
    /// that each line has already been shown to be more than echo.
    pub eps: f64,
    /// Largest sample in the first 50 ms of any tap.
    pub largest: f64,
    /// Band of accepted frequencies in Hz.
    pub band_hz: (f64, f64),
}

/// Tests every line; `None` for an accepted mode.
pub fn refusals(c: &Circumstances<'_>) -> Vec<Option<Refusal>> {
    let mut out: Vec<Option<Refusal>> = (0..c.modes.len()).map(|k| alone(c, k)).collect();
    for k in 0..c.modes.len() {
        if out[k].is_none() && weak(c, &out, k) {
            out[k] = Some(Refusal::Weak);
        }
    }
    for (k, why) in out.iter_mut().enumerate() {
        if why.is_none() && room(c, k) {
            *why = Some(Refusal::Room);
        }
    }
    out
}

fn alone(c: &Circumstances<'_>, k: usize) -> Option<Refusal> {
    let m = &c.modes[k];
    let t60 = ring_time_s(m.decay_per_s);
    let in_range = m.decay_per_s > 0.05
        && (0.005..=60.0).contains(&t60)
        && quality(m.freq_hz, m.decay_per_s) >= 8.0
        && m.freq_hz >= c.band_hz.0
        && m.freq_hz <= c.band_hz.1;
    if !in_range {
        return Some(Refusal::Range);
    }
    if c.steady[k] > 0.5 * m.amplitude {
        return Some(Refusal::Steady);
    }
    if m.amplitude > 20.0 * c.largest {
        return Some(Refusal::Cancel);
    }
    let loose = m.decay_std_per_s > LOOSE * m.decay_per_s || !m.decay_std_per_s.is_finite();
    loose.then_some(Refusal::Loose)
}

fn weak(c: &Circumstances<'_>, refused: &[Option<Refusal>], k: usize) -> bool {
    let share = if c.eps > 1e-3 { 1e-3 } else { 1e-4 };
    let m = &c.modes[k];
    let energy = 10f64.powf(m.energy_db / 10.0);
    c.modes
        .iter()
        .zip(refused)
        .enumerate()
        .any(|(o, (n, why))| {
            let reach = 12.0 * n.decay_per_s.max(m.decay_per_s) / std::f64::consts::TAU;
            o != k
                && why.is_none()
                && (n.freq_hz - m.freq_hz).abs() < reach
                && energy < share * 10f64.powf(n.energy_db / 10.0)
        })
}

/// A line inside the skirts of others, weaker than what the room makes of them, and no longer
/// than the room's own decay.
fn room(c: &Circumstances<'_>, k: usize) -> bool {
    let s = c.lines.logs[k];
    let own = power(c.lines, k) / (s.re * s.re);
    let skirts: f64 = (0..c.lines.logs.len())
        .filter(|o| *o != k)
        .map(|o| {
            let gap = c.lines.logs[o].im - s.im;
            power(c.lines, o) / (c.lines.logs[o].re.powi(2) + gap * gap)
        })
        .sum();
    ring_time_s(c.modes[k].decay_per_s) < 0.9 && own < (10.0 * c.eps).min(0.3) * skirts
}

fn power(lines: &Lines, k: usize) -> f64 {
    lines.amplitudes.iter().map(|a| a[k].norm_sqr()).sum()
}

/// The noise near the lines is known to this share of it, a decibel.
const NOISE_KNOWN: f64 = 0.25;

/// Share of the power near the strong lines that the model leaves unexplained: the median over
/// bins where the model stands 20 dB over the noise, for all lines and for the locally dominant
/// ones; the smaller of that of the dominant lines and 15 times that of all. 0 where what is left is
/// no more than noise.
pub fn misfit(model: &[C64], left: &[C64], noise: &[f64]) -> f64 {
    let mut all = Vec::new();
    let mut dominant = Vec::new();
    let mut over_noise = 0.0;
    for k in 3..model.len().saturating_sub(3) {
        let p = model[k].norm_sqr();
        if p < 100.0 * noise[k] {
            continue;
        }
        let rest = left[k].norm_sqr();
        let ratio = (rest - noise[k]).max(0.0) / p;
        all.push(ratio);
        over_noise += rest / noise[k].max(1e-300);
        let top = (k - 3..=k + 3).all(|o| model[o].norm_sqr() <= p);
        if top {
            dominant.push(ratio);
        }
    }
    if all.is_empty() {
        return 0.0;
    }
    // The window makes neighbouring bins alike: half of them count.
    let count = all.len() as f64;
    if over_noise / count < 1.0 + NOISE_KNOWN.max(3.0 / (0.5 * count).sqrt()) {
        return 0.0;
    }
    let whole = median(&mut all);
    if dominant.is_empty() {
        whole
    } else {
        median(&mut dominant).min(15.0 * whole)
    }
}

fn median(values: &mut [f64]) -> f64 {
    let mid = values.len() / 2;
    *values.select_nth_unstable_by(mid, f64::total_cmp).1
}

#[cfg(test)]
mod tests {
    use super::super::made::lines;
    use super::*;
    use std::f64::consts::{PI, TAU};

    fn mode(freq_hz: f64, decay_per_s: f64) -> Mode {
        Mode {
            decay_per_s,
            decay_std_per_s: 0.01 * decay_per_s,
            amplitude: 0.5,
            energy_db: 60.0,
            tap_amplitudes: vec![0.5],
            ..Mode::made_up(freq_hz)
        }
    }

    /// What is said of modes whose lines are far from each other's skirts.
    fn said(modes: &[Mode], steady: f64, eps: f64) -> Vec<Option<Refusal>> {
        let rate_hz = 48_000.0;
        let one = [C64::new(0.5, 0.0)];
        let made: Vec<(C64, &[C64])> = modes
            .iter()
            .map(|m| {
                let s = C64::new(-m.decay_per_s, TAU * m.freq_hz) / rate_hz;
                (s, one.as_slice())
            })
            .collect();
        refusals(&Circumstances {
            modes,
            lines: &lines(&made),
            steady: &vec![steady; modes.len()],
            eps,
            largest: 0.5,
            band_hz: (200.0, 16_000.0),
        })
    }

    fn of_one(m: Mode) -> Option<Refusal> {
        said(&[m], 0.0, 0.0)[0]
    }

    /// Each bound from both sides, all the others being kept.
    #[test]
    fn a_line_out_of_range_is_refused() {
        let range = Some(Refusal::Range);
        for (freq_hz, decay_per_s, expected) in [
            (1000.0, 5.0, None),
            (200.0, 5.0, None),
            (199.9, 5.0, range),
            (16_000.0, 5.0, None),
            (16_000.1, 5.0, range),
            // T60 of 60 s and of 5 ms.
            (1000.0, 6.9077 / 59.9, None),
            (1000.0, 6.9077 / 60.1, range),
            (12_000.0, 6.9077 / 0.00501, None),
            (12_000.0, 6.9077 / 0.00499, range),
            // A quality of 8.
            (400.0, PI * 400.0 / 8.01, None),
            (400.0, PI * 400.0 / 7.99, range),
            (1000.0, 0.04, range),
        ] {
            assert_eq!(
                of_one(mode(freq_hz, decay_per_s)),
                expected,
                "{freq_hz} {decay_per_s}"
            );
        }
    }

    #[test]
    fn a_steady_tone_a_cancelling_line_and_a_loose_one_are_refused() {
        let m = || mode(1000.0, 5.0);
        assert_eq!(said(&[m()], 0.249, 0.0)[0], None);
        assert_eq!(said(&[m()], 0.251, 0.0)[0], Some(Refusal::Steady));
        let loud = |amplitude: f64| of_one(Mode { amplitude, ..m() });
        assert_eq!(loud(9.9), None);
        assert_eq!(loud(10.1), Some(Refusal::Cancel));
        let unsure = |decay_std_per_s: f64| {
            of_one(Mode {
                decay_std_per_s,
                ..m()
            })
        };
        assert_eq!(unsure(1.49), None);
        for std in [1.51, f64::INFINITY, f64::NAN] {
            assert_eq!(unsure(std), Some(Refusal::Loose), "{std}");
        }
    }

    /// 40 dB, or 30 dB where the room is heard, within 12 half widths of the broader line.
    #[test]
    fn a_weak_line_beside_a_strong_one_is_refused() {
        let reach = 12.0 * 5.0 / TAU;
        let both = |gap_hz: f64, below_db: f64, eps: f64| {
            let strong = mode(1000.0, 5.0);
            let weak = Mode {
                energy_db: 60.0 - below_db,
                ..mode(1000.0 + gap_hz, 0.5)
            };
            // The other way round the strong one's reach counts as well.
            let turned = said(&[weak.clone(), strong.clone()], 0.0, eps);
            let out = said(&[strong, weak], 0.0, eps);
            assert_eq!((turned[0], turned[1]), (out[1], out[0]));
            assert_eq!(out[0], None);
            out[1]
        };
        let weak = Some(Refusal::Weak);
        assert_eq!(both(0.99 * reach, 40.1, 0.0), weak);
        assert_eq!(both(-0.99 * reach, 40.1, 0.0), weak);
        assert_eq!(both(0.99 * reach, 39.9, 0.0), None);
        assert_eq!(both(1.01 * reach, 80.0, 0.0), None);
        assert_eq!(both(0.99 * reach, 30.1, 0.0011), weak);
        assert_eq!(both(0.99 * reach, 29.9, 0.0011), None);
        assert_eq!(both(0.99 * reach, 39.9, 0.0009), None);
        // A strong line that is no mode makes no other weak.
        let steady = Mode {
            amplitude: 1e-9,
            ..mode(1000.0, 5.0)
        };
        let weak = Mode {
            energy_db: 1.0,
            ..mode(1001.0, 5.0)
        };
        assert_eq!(
            said(&[steady, weak], 0.1, 0.0),
            [Some(Refusal::Steady), None]
        );
    }

    /// A line's peak is `P / d^2`, the skirt of the other there `P' / (d'^2 + gap^2)`, powers
    /// summed over the taps; the room makes of that ten times its share, and no more than 0.3.
    #[test]
    fn a_line_in_the_skirts_of_another_may_be_echo() {
        let rate_hz = 48_000.0;
        let room = Some(Refusal::Room);
        let of = |eps: f64, share: f64, decay_per_s: f64, gap_hz: f64| {
            let (strong, weak) = (mode(1000.0, 20.0), mode(1000.0 + gap_hz, decay_per_s));
            let gap = TAU * gap_hz;
            let skirt = (0.8 * 0.8 + 0.6 * 0.6) / (20.0 * 20.0 + gap * gap);
            let a = (share * skirt).sqrt() * decay_per_s;
            let log = |m: &Mode| C64::new(-m.decay_per_s, TAU * m.freq_hz) / rate_hz;
            let modes = [strong, weak];
            let lines = lines(&[
                (log(&modes[0]), &[C64::new(0.8, 0.0), C64::new(0.0, -0.6)]),
                (
                    log(&modes[1]),
                    &[C64::new(0.6 * a, 0.0), C64::new(0.0, 0.8 * a)],
                ),
            ]);
            let out = refusals(&Circumstances {
                modes: &modes,
                lines: &lines,
                steady: &[0.0, 0.0],
                eps,
                largest: 0.5,
                band_hz: (200.0, 16_000.0),
            });
            assert_eq!(out[0], None);
            out[1]
        };
        assert_eq!(of(0.01, 0.099, 10.0, 4.0), room);
        assert_eq!(of(0.01, 0.101, 10.0, 4.0), None);
        assert_eq!(of(0.01, 0.099, 10.0, -40.0), room);
        assert_eq!(of(0.01, 0.101, 10.0, -40.0), None);
        assert_eq!(of(0.2, 0.299, 10.0, 4.0), room);
        assert_eq!(of(0.2, 0.301, 10.0, 4.0), None);
        assert_eq!(of(0.0, 1e-6, 10.0, 4.0), None);
        // Longer than any room rings: 0.9 s.
        assert_eq!(of(0.01, 0.05, 6.9077 / 0.899, 4.0), room);
        assert_eq!(of(0.01, 0.05, 6.9077 / 0.901, 4.0), None);
    }

    fn spectrum(powers: impl IntoIterator<Item = f64>) -> Vec<C64> {
        // Turned, so that both parts count.
        let turned = |p: f64| C64::from_polar(p.sqrt(), 0.9);
        powers.into_iter().map(turned).collect()
    }

    #[test]
    fn the_misfit_is_what_is_left_over_the_noise() {
        let noise = vec![1e-4; 64];
        let of = |p: Vec<f64>, r: Vec<f64>| misfit(&spectrum(p), &spectrum(r), &noise);
        // All alike: all of them are on top.
        let even = of(vec![2.0; 64], vec![0.02; 64]);
        assert!((even - (0.02 - 1e-4) / 2.0).abs() < 1e-12, "{even}");
        // Bins that stand less than 20 dB over the noise do not count, nor do three at each end.
        for (powers, counted) in [(0.99e-2, false), (1.01e-2, true)] {
            let found = of(vec![powers; 64], vec![3e-3; 64]);
            let truth = if counted { 2.9e-3 / powers } else { 0.0 };
            assert!((found - truth).abs() < 1e-12, "{found} {truth}");
        }
        for (from, to) in [(0, 3), (61, 64)] {
            let inside = |k: usize| k >= from && k < to;
            let powers = (0..64).map(|k| if inside(k) { 1.0 } else { 0.0 }).collect();
            assert_eq!(of(powers, vec![0.5; 64]), 0.0);
        }
        for edge in [3, 60] {
            let powers = (0..64).map(|k| f64::from(u8::from(k == edge))).collect();
            assert!((of(powers, vec![0.5; 64]) - (0.5 - 1e-4)).abs() < 1e-12);
        }
    }

    /// On top of the line another share is left than on its skirts: that of the top counts, but
    /// no more than 15 times the middle of all.
    #[test]
    fn the_tops_of_strong_lines_count() {
        let noise = vec![1e-6; 64];
        let of = |top: f64| {
            // A line at 30, falling to both sides, so that no other bin is on top.
            let powers: Vec<f64> = (0..64)
                .map(|k: i32| 1.0 / f64::from(1 + (k - 30).pow(2)))
                .collect();
            let share = |k: usize| if k == 30 { top } else { 0.01 };
            let rest = powers.iter().enumerate().map(|(k, p)| share(k) * p + 1e-6);
            misfit(&spectrum(powers.iter().copied()), &spectrum(rest), &noise)
        };
        assert!((of(0.05) - 0.05).abs() < 1e-9);
        assert!((of(0.001) - 0.001).abs() < 1e-9);
        assert!((of(0.5) - 0.15).abs() < 1e-9);
        // A stronger one three bins away: then 30 is not on top; four away it is.
        for (place, tops) in [(33, 1), (34, 2), (27, 1), (26, 2)] {
            let mut powers = vec![1.0; 64];
            for (k, p) in powers.iter_mut().enumerate() {
                *p = 0.1 + 0.001 * k as f64;
            }
            powers[30] = 5.0;
            powers[place] = 10.0;
            // What the top at 30 leaves is told from what the other leaves.
            let share = |k: usize| match k {
                30 => 0.002,
                _ if k == place => 0.001,
                _ => 0.01,
            };
            let rest: Vec<f64> = powers
                .iter()
                .enumerate()
                .map(|(k, p)| share(k) * p + 1e-6)
                .collect();
            // Two tops: the upper of both is taken for their middle. The last bin but three is
            // on a slope that ends, so it is no top.
            let found = misfit(&spectrum(powers), &spectrum(rest), &noise);
            let truth = if tops == 2 { 0.002 } else { 0.001 };
            assert!((found - truth).abs() < 1e-9, "{place}: {found}");
        }
    }

    /// A decibel, or three standard deviations of a mean over half of the bins.
    #[test]
    fn what_is_no_more_than_noise_is_no_misfit() {
        let of = |count: usize, over: f64| {
            let powers = vec![1.0; count + 6];
            let rest = vec![over * 1e-4; count + 6];
            misfit(&spectrum(powers), &spectrum(rest), &vec![1e-4; count + 6])
        };
        for (count, limit) in [(10, 1.0 + 3.0 / 5.0f64.sqrt()), (1000, 1.25)] {
            assert_eq!(of(count, 0.999 * limit), 0.0);
            let over = 1.001 * limit;
            assert!((of(count, over) - (over - 1.0) * 1e-4).abs() < 1e-12);
        }
        assert_eq!(misfit(&[], &[], &[]), 0.0);
        // Less than the noise counts as nothing, not as less than nothing.
        let rest = (0..70).map(|k| if k < 30 { 1e-3 } else { 1e-5 });
        assert_eq!(
            misfit(&spectrum(vec![1.0; 70]), &spectrum(rest), &[1e-4; 70]),
            0.0
        );
    }

    #[test]
    fn the_median_is_the_middle_one() {
        assert_eq!(median(&mut [5.0, 1.0, 3.0]), 3.0);
        assert_eq!(median(&mut [7.0]), 7.0);
        assert_eq!(median(&mut [4.0, 1.0, 3.0, 2.0]), 3.0);
    }
}
