//! What the lines say of each tap: ring fraction, ring time, loudness.

use crate::signal::fft::forward;

use super::echo::Echo;
use super::phasor::C64;
use super::polish::Lines;
use super::windows::Windows;
use super::{Solved, Window};
use crate::ring::mode::Mode;

/// Band in which the ring fraction is taken, in Hz: what is below is the bench, not the wheel.
const FRACTION_FROM_HZ: f64 = 100.0;

/// Ring fraction, ring time and level of each tap.
pub fn per_tap(
    out: &mut Solved,
    usable: &[Window<'_>],
    w: &Windows<'_>,
    lines: &Lines,
    (accepted, rings): (&[bool], &[bool]),
    modes: &[Mode],
) {
    for (t, win) in usable.iter().enumerate() {
        let left = lines.residual(win.samples, t, &|k| rings[k]);
        out.ring_fractions[win.index] = ring_fraction(win, w, t, &left, out.echo);
        let rung: Vec<(usize, f64)> = (0..modes.len())
            .filter(|k| accepted[*k])
            .map(|k| {
                (
                    k,
                    modes[k].tap_amplitudes[t].powi(2) / (4.0 * modes[k].decay_per_s),
                )
            })
            .collect();
        let total: f64 = rung.iter().map(|(_, e)| e).sum();
        if total > 0.0 {
            let mean: f64 = rung
                .iter()
                .map(|(k, e)| e * modes[*k].ring_time_s())
                .sum::<f64>()
                / total;
            // First order: E_k falls with delta_k as T60 does, so a mode's own error enters through both.
            let variance: f64 = rung
                .iter()
                .map(|(k, e)| {
                    let m = &modes[*k];
                    let slope = e * (2.0 * m.ring_time_s() - mean) / total / m.decay_per_s;
                    (slope * m.decay_std_per_s).powi(2)
                })
                .sum();
            out.ring_times_s[win.index] = Some((mean, variance.sqrt()));
        }
        let power: f64 = rung
            .iter()
            .map(|(k, _)| modes[*k].tap_amplitudes[t].powi(2) / 2.0)
            .sum();
        let top = 12_000f64.min(0.45 * w.rate_hz);
        let floor = w.noise[t].mean(300.0, top) * (top - 300.0) / (w.rate_hz / 2.0);
        let loudest = power.max(early_power(win, 300.0, top));
        out.over_noise_db[win.index] =
            (loudest > 0.0).then(|| 10.0 * (loudest / floor.max(1e-30)).log10());
    }
}

/// Mean power of the first 20 ms in a band: how loud a tap was, whether it rings or not.
fn early_power(win: &Window<'_>, from_hz: f64, to_hz: f64) -> f64 {
    let rate = win.take.clip.rate();
    let x = win
        .take
        .clip
        .slice(win.take.strike, win.take.strike + rate.samples(0.020));
    let len = x.len().next_power_of_two().max(64);
    let Some((spectrum, used)) = flat_spectrum(x, len) else {
        return 0.0;
    };
    let bin_hz = rate.hz() / len as f64;
    let bins = spectrum.iter().enumerate().filter(|(k, _)| {
        let f = *k as f64 * bin_hz;
        f >= from_hz && f <= to_hz
    });
    // Parseval: both halves of the spectrum, over the number of samples.
    bins.map(|(_, v)| 2.0 * v.norm_sqr()).sum::<f64>() / (len as f64 * used.max(1.0))
}

/// The energy after the strike that is tones, over all of it less the noise and less what the
/// room is expected to echo of the strike and of the tones. At least a tenth of the energy
/// counts, however much the echo may be: tones that are less are no ring.
fn ring_fraction(
    win: &Window<'_>,
    w: &Windows<'_>,
    t: usize,
    left: &[f64],
    echo: Option<Echo>,
) -> Option<f64> {
    let rate = win.take.clip.rate();
    let skip = (win.take.strike + rate.samples(0.005)).saturating_sub(win.start);
    let span = rate
        .samples(0.100)
        .min(win.samples.len().saturating_sub(skip));
    if rate.seconds(span) < 0.030 {
        return None;
    }
    let len = span.next_power_of_two();
    let bin_hz = rate.hz() / len as f64;
    let (from, to) = (
        (FRACTION_FROM_HZ / bin_hz) as usize,
        (w.band_hz.1 / bin_hz) as usize,
    );
    let band = |x: &[f64]| -> Option<f64> {
        let (s, _) = flat_spectrum(&x[skip..skip + span], len)?;
        Some(
            s[from.min(s.len())..to.min(s.len())]
                .iter()
                .map(|v| v.norm_sqr())
                .sum(),
        )
    };
    let total = band(win.samples)?;
    let rest = band(left)?;
    let noise = noise_energy(win, w, t, span, len, from, to);
    let signal = total - noise;
    if signal <= 0.05 * total {
        return None;
    }
    let tones = (signal - (rest - noise).max(0.0)).max(0.0);
    let echoed = echo.map_or(0.0, |e| {
        let early = win
            .take
            .clip
            .slice(win.take.strike, win.take.strike + rate.samples(0.005));
        let struck = flat_spectrum(early, len).map_or(0.0, |(s, _)| {
            let inside = &s[from.min(s.len())..to.min(s.len())];
            inside.iter().map(|v| v.norm_sqr()).sum::<f64>()
        });
        let heard = -(-2.0 * e.decay_per_s * rate.seconds(span)).exp_m1();
        e.share * (struck + tones) * heard
    });
    let own = (signal - echoed).max(tones).max(0.1 * signal);
    Some((tones / own).clamp(0.0, 1.0))
}

/// Spectrum without taper (energies are wanted, not lines).
fn flat_spectrum(x: &[f64], len: usize) -> Option<(Vec<C64>, f64)> {
    let fft = forward(len);
    let mut input = fft.make_input_vec();
    let mut output = fft.make_output_vec();
    let used = x.len().min(len);
    input[..used].copy_from_slice(&x[..used]);
    fft.process(&mut input, &mut output).ok()?;
    Some((output, used as f64))
}

/// Energy of the background in the band over `span` samples: measured in the quiet part, with
/// its steady tones; where there is none, from the noise density. A former ring that still
/// sounds in the quiet part must not count: the quietest piece is taken.
fn noise_energy(
    win: &Window<'_>,
    w: &Windows<'_>,
    t: usize,
    span: usize,
    len: usize,
    from: usize,
    to: usize,
) -> f64 {
    let density = w.noise[t].mean(FRACTION_FROM_HZ, w.band_hz.1)
        * span as f64
        * (to.saturating_sub(from)) as f64;
    let quiet = win
        .take
        .clip
        .slice(win.take.quiet.start, win.take.quiet.end);
    if quiet.len() < span {
        return density;
    }
    let measured = quiet
        .chunks_exact(span)
        .filter_map(|x| flat_spectrum(x, len))
        .map(|(s, _)| {
            s[from.min(s.len())..to.min(s.len())]
                .iter()
                .map(|v| v.norm_sqr())
                .sum::<f64>()
        })
        .fold(f64::INFINITY, f64::min);
    if measured.is_finite() {
        measured
    } else {
        density
    }
}
