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

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::super::made::{STRIKE, log, noise, tones};
    use super::*;
    use crate::ring::take::TapTake;
    use crate::signal::clip::Clip;
    use crate::signal::noise_density::NoiseDensity;
    use crate::units::{LN_1000, SampleRate};
    use std::f64::consts::TAU;

    const RATE: f64 = 16_000.0;

    /// `after` from the strike on, over background `before` of any length.
    fn take(background: &[f64], after: &[f64]) -> TapTake {
        let mut x = vec![0.0; STRIKE + after.len()];
        x.iter_mut().zip(background).for_each(|(x, b)| *x = *b);
        x[STRIKE..].iter_mut().zip(after).for_each(|(x, a)| *x += a);
        super::super::made::take(x)
    }

    /// The window of a take, 3 ms after its strike.
    fn window(take: &TapTake) -> Window<'_> {
        let start = STRIKE + 48;
        Window {
            index: 0,
            take,
            start,
            samples: take.clip.slice(start, take.decay.end),
        }
    }

    fn with<T>(take: &TapTake, noise: f64, run: impl FnOnce(&Window<'_>, &Windows<'_>) -> T) -> T {
        let win = window(take);
        let noise = [NoiseDensity::white(noise)];
        let w = Windows {
            taps: vec![win.samples],
            lead: vec![48],
            alike: vec![1],
            strikes: vec![take.clip.slice(STRIKE, STRIKE + 48)],
            noise: &noise,
            rate_hz: RATE,
            band_hz: (100.0, 7200.0),
        };
        run(&win, &w)
    }

    fn mode(freq_hz: f64, decay_per_s: f64, amplitude: f64) -> Mode {
        Mode {
            decay_per_s,
            decay_std_per_s: 0.02 * decay_per_s,
            amplitude,
            energy_db: 60.0,
            tap_amplitudes: vec![amplitude],
            ..Mode::made_up(freq_hz)
        }
    }

    fn nothing(taps: usize) -> Solved {
        Solved {
            modes: Vec::new(),
            refused: Vec::new(),
            room_misfit: 0.0,
            echo: None,
            crowded: false,
            ring_fractions: vec![None; taps],
            ring_times_s: vec![None; taps],
            over_noise_db: vec![None; taps],
        }
    }

    #[test]
    fn flat_spectra_are_plain_transforms() {
        let x = noise(1.0, 100, 3);
        for used in [100, 64, 40] {
            let (spectrum, count) = flat_spectrum(&x[..used], 64).unwrap();
            assert_eq!((spectrum.len(), count), (33, used.min(64) as f64));
            for k in [0, 5, 32] {
                let one = |n: usize| C64::from_polar(x[n], -TAU * (k * n) as f64 / 64.0);
                let truth: C64 = (0..used.min(64)).map(one).sum();
                assert!((spectrum[k] - truth).norm() < 1e-12);
            }
        }
    }

    /// A steady tone has half the square of its amplitude; what is outside of the band, before the
    /// strike and after 20 ms does not count.
    #[test]
    fn early_power_is_the_mean_square_in_the_band() {
        let mut after = tones(&[(log(1000.0, 0.0, RATE), C64::new(0.3, 0.4))], 4000);
        after[320..].fill(9.0);
        let take = take(&vec![0.8; STRIKE], &after);
        let win = window(&take);
        // 20 periods in 320 samples; zeros up to 512 spread it over bins, all counted but some
        // percent far away.
        let power = early_power(&win, 300.0, 7200.0);
        assert!((power / 0.125 - 1.0).abs() < 0.03, "{power}");
        assert!(early_power(&win, 3000.0, 7200.0) < 0.05 * power);
        assert!(early_power(&win, 20.0, 400.0) < 0.05 * power);
        // A click has its energy, over 20 ms, in equal parts at all frequencies.
        let mut click = vec![0.0; 4000];
        click[7] = 0.5;
        let click = super::tests::take(&[], &click);
        let power = early_power(&window(&click), 1000.0, 5000.0);
        // 129 of 257 bins of 31.25 Hz, both edges included.
        let truth = 0.25 / 320.0 * 129.0 * 2.0 / 512.0;
        assert!((power / truth - 1.0).abs() < 1e-9, "{power} {truth}");
    }

    /// The rings' mean by energy; first-order spread against differences; level over the floor of
    /// the band.
    #[test]
    fn ring_time_and_level_are_those_of_the_accepted_modes() {
        let take = take(&[], &[0.0; 8000]);
        let modes = [
            mode(1000.0, 5.0, 0.4),
            mode(2000.0, 20.0, 0.8),
            mode(3000.0, 1.0, 7.0),
        ];
        let accepted = [true, true, false];
        let lines = Lines {
            logs: modes
                .iter()
                .map(|m| log(m.freq_hz, m.decay_per_s, RATE))
                .collect(),
            amplitudes: vec![vec![C64::new(0.0, 0.0); 3]],
        };
        let variance = 1e-6;
        let mut out = nothing(1);
        with(&take, variance, |win, w| {
            per_tap(
                &mut out,
                std::slice::from_ref(win),
                w,
                &lines,
                (&accepted, &accepted),
                &modes,
            );
        });
        let of = |a: f64, b: f64| {
            let energy = [0.16 / a, 0.64 / b];
            LN_1000 * (energy[0] / a + energy[1] / b) / (energy[0] + energy[1])
        };
        let (ring_s, std_s) = out.ring_times_s[0].unwrap();
        assert!((ring_s / of(5.0, 20.0) - 1.0).abs() < 1e-12);
        let h = 1e-5;
        let by_first = (of(5.0 + h, 20.0) - of(5.0 - h, 20.0)) / (2.0 * h) * 0.1;
        let by_second = (of(5.0, 20.0 + h) - of(5.0, 20.0 - h)) / (2.0 * h) * 0.4;
        assert!((std_s / by_first.hypot(by_second) - 1.0).abs() < 1e-6);
        // Squares of sines are halves; noise of that variance has its share of 8 kHz in the band.
        let floor = variance * (7200.0 - 300.0) / 8000.0;
        let truth = 10.0 * ((0.08 + 0.32) / floor).log10();
        assert!((out.over_noise_db[0].unwrap() - truth).abs() < 1e-9);
        assert_eq!(out.ring_fractions[0], None);

        // Without modes the strike itself tells how loud it was, and there is no ring time.
        let mut click = vec![0.0; 8000];
        click[7] = 0.5;
        let take = super::tests::take(&[], &click);
        let mut out = nothing(1);
        with(&take, variance, |win, w| {
            let none = [false; 3];
            per_tap(
                &mut out,
                std::slice::from_ref(win),
                w,
                &lines,
                (&none, &none),
                &modes,
            );
            let loud = 10.0 * (early_power(win, 300.0, 7200.0) / floor).log10();
            assert!((out.over_noise_db[0].unwrap() - loud).abs() < 1e-9);
        });
        assert_eq!(out.ring_times_s[0], None);
        // Silence is not loud at all.
        let take = super::tests::take(&[], &[0.0; 8000]);
        let mut out = nothing(1);
        with(&take, variance, |win, w| {
            let none = Lines::none(1);
            per_tap(
                &mut out,
                std::slice::from_ref(win),
                w,
                &none,
                (&[], &[]),
                &[],
            );
        });
        assert_eq!(out.over_noise_db[0], None);
    }

    /// At rates beyond 27 kHz the band ends at 12 kHz.
    #[test]
    fn the_level_is_taken_in_a_band_that_ends_at_12_khz() {
        let end = STRIKE + 8000;
        let take = TapTake {
            clip: Clip::new(vec![0.0; end], SampleRate::new(48_000).unwrap()),
            ..take(&[], &[0.0; 8000])
        };
        let mut out = nothing(1);
        let lines = Lines {
            logs: vec![log(1000.0, 5.0, 48_000.0)],
            amplitudes: vec![vec![C64::new(0.0, 0.0)]],
        };
        with(&take, 1e-6, |win, w| {
            let w = Windows {
                rate_hz: 48_000.0,
                taps: w.taps.clone(),
                lead: w.lead.clone(),
                alike: w.alike.clone(),
                strikes: w.strikes.clone(),
                noise: w.noise,
                band_hz: (100.0, 16_000.0),
            };
            let modes = [mode(1000.0, 5.0, 0.4)];
            per_tap(
                &mut out,
                std::slice::from_ref(win),
                &w,
                &lines,
                (&[true], &[true]),
                &modes,
            );
        });
        let truth = 10.0 * (0.08f64 / (1e-6 * 11_700.0 / 24_000.0)).log10();
        assert!((out.over_noise_db[0].unwrap() - truth).abs() < 1e-9);
    }

    fn energy(x: &[f64]) -> f64 {
        x.iter().map(|v| v * v).sum()
    }

    /// A tone and a hiss that dies as fast, one of them counted as rung: shares of their energy from
    /// 5 to 105 ms.
    #[test]
    fn the_ring_fraction_is_the_tones_share_of_the_energy() {
        let len = 8000;
        let tone = tones(&[(log(1000.0, 10.0, RATE), C64::new(0.3, 0.0))], len);
        let other = tones(&[(log(3000.0, 25.0, RATE), C64::new(0.0, 0.2))], len);
        let whole: Vec<f64> = tone.iter().zip(&other).map(|(a, b)| a + b).collect();
        let take = take(&[], &whole);
        let (from, to) = (80, 80 + 1600);
        let truth = energy(&tone[from..to]) / (energy(&tone[from..to]) + energy(&other[from..to]));
        let fraction = |left: &[f64], echo| {
            with(&take, 1e-15, |win, w| {
                ring_fraction(win, w, 0, &left[48..], echo)
            })
        };
        // Products of the two tones, and what leaks out of the band: below a percent.
        let found = fraction(&other, None).unwrap();
        assert!((found - truth).abs() < 0.01, "{found} {truth}");
        assert_eq!(fraction(&vec![0.0; len], None), Some(1.0));
        assert_eq!(fraction(&whole, None), Some(0.0));
        // More left than there was: no tones, not less than none.
        let twice: Vec<f64> = whole.iter().map(|v| 2.0 * v).collect();
        assert_eq!(fraction(&twice, None), Some(0.0));

        // What the room echoes of strike and tones within the span is not asked of them.
        let echo = Echo {
            share: 0.1,
            decay_per_s: 8.0,
        };
        let tones_energy = energy(&tone[from..to]);
        let total = tones_energy + energy(&other[from..to]);
        let struck = energy(&whole[..80]);
        let echoed = 0.1 * (struck + tones_energy) * (1.0 - (-1.6f64).exp());
        let truth = tones_energy / (total - echoed);
        let found = fraction(&other, Some(echo)).unwrap();
        assert!((found - truth).abs() < 0.01, "{found} {truth}");
        // A room that echoes all of it: never more than whole, ...
        let loud = Echo { share: 9.0, ..echo };
        assert_eq!(fraction(&other, Some(loud)), Some(1.0));
        // ... and of tones that are a little, no more than ten times their share.
        let mut faint = whole.clone();
        faint
            .iter_mut()
            .zip(&tone)
            .for_each(|(v, t)| *v -= 0.03 * t);
        let little = fraction(&faint, None).unwrap();
        let found = fraction(&faint, Some(Echo { share: 1e6, ..echo })).unwrap();
        assert!(
            little > 0.01 && (found - 10.0 * little).abs() < 1e-9,
            "{little} {found}"
        );
    }

    #[test]
    fn short_or_noisy_windows_have_no_ring_fraction() {
        let tone = tones(&[(log(1000.0, 10.0, RATE), C64::new(0.3, 0.0))], 8000);
        // From 5 ms on 30 ms are needed.
        let of = |len: usize| {
            let take = take(&[], &tone[..len]);
            let left = vec![0.0; len - 48];
            with(&take, 1e-15, |win, w| ring_fraction(win, w, 0, &left, None))
        };
        assert_eq!((of(80 + 479), of(80 + 480)), (None, Some(1.0)));
        // Less than a twentieth over the noise of the quiet part: none.
        let hiss = noise(1e-4, STRIKE + 8000, 8);
        let with_tone = |a: f64| {
            let tone: Vec<f64> = tone.iter().map(|v| v * a).collect();
            let take = take(&hiss, &tone);
            let left: Vec<f64> = hiss[STRIKE + 48..].to_vec();
            with(&take, 1e-4, |win, w| ring_fraction(win, w, 0, &left, None))
        };
        assert_eq!(with_tone(0.0), None);
        assert!(with_tone(1.0).unwrap() > 0.97);
        // Twice as loud as the noise, whose energy scatters by some percent: all of it is tone.
        assert!(with_tone(0.1).unwrap() > 0.8);
        // The twentieth itself, over a hum of whole periods.
        let hum = tones(
            &[(log(2000.0, 0.0, RATE), C64::new(0.3, 0.0))],
            STRIKE + 8000,
        );
        let over = |share: f64| {
            let size = 0.3 * (share / (1.0 - share)).sqrt();
            let tone = tones(&[(log(1000.0, 0.0, RATE), C64::new(size, 0.0))], 8000);
            let take = take(&hum, &tone);
            let left = hum[STRIKE + 48..].to_vec();
            with(&take, 1e-4, |win, w| ring_fraction(win, w, 0, &left, None))
        };
        assert_eq!((over(0.04), over(0.06).is_some()), (None, true));
    }

    #[test]
    fn what_lies_beyond_the_band_is_no_part_of_the_ring_fraction() {
        let tone = tones(&[(log(1000.0, 0.0, RATE), C64::new(0.3, 0.0))], 8000);
        for (other_hz, whole) in [(7600.0, true), (6800.0, false), (60.0, true)] {
            let other = tones(&[(log(other_hz, 0.0, RATE), C64::new(0.3, 0.0))], 8000);
            let both: Vec<f64> = tone.iter().zip(&other).map(|(a, b)| a + b).collect();
            let take = take(&[], &both);
            let fraction = with(&take, 1e-15, |win, w| {
                ring_fraction(win, w, 0, &other[48..], None)
            });
            let expected = if whole { 1.0 } else { 0.5 };
            let found = fraction.unwrap();
            assert!((found - expected).abs() < 0.03, "{other_hz}: {found}");
        }
    }

    /// The quietest piece of the quiet part; without one the density, over as many bins.
    #[test]
    fn background_is_measured_where_it_is_quietest() {
        let (span, len, from, to) = (1000, 1024, 100, 300);
        let mut background = noise(1e-2, STRIKE, 4);
        for v in &mut background[1000..2000] {
            *v *= 0.1;
        }
        let take = take(&background, &[0.0; 4000]);
        let of = |take: &TapTake| {
            with(take, 2e-3, |win, w| {
                noise_energy(win, w, 0, span, len, from, to)
            })
        };
        let (spectrum, _) = flat_spectrum(&background[1000..2000], len).unwrap();
        let quietest: f64 = spectrum[from..to].iter().map(|v| v.norm_sqr()).sum();
        assert!((of(&take) / quietest - 1.0).abs() < 1e-12);
        // White noise has its variance times the samples in every bin.
        let short = TapTake {
            quiet: 0..999,
            ..take.clone()
        };
        assert!((of(&short) / (2e-3 * 1000.0 * 200.0) - 1.0).abs() < 1e-12);
        let enough = TapTake {
            quiet: 1000..2000,
            ..take
        };
        assert!((of(&enough) / quietest - 1.0).abs() < 1e-12);
    }
}
