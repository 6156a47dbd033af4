//! First guesses: peaks of falling-taper spectra over several window lengths.

use crate::signal::fft::forward;

use super::phasor::{C64, hann, looked_for, powers, weighted_sum};
use crate::signal::noise_density::NoiseDensity;

/// A guess of one mode.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Candidate {
    /// Frequency in Hz.
    pub freq_hz: f64,
    /// Rough decay rate in 1/s.
    pub decay_per_s: f64,
    /// Power over the noise.
    pub strength: f64,
}

/// Lengths of the analysis windows in seconds.
const WINDOWS_S: [f64; 4] = [0.0213, 0.0853, 0.341, 1.365];

/// Peaks of the taps' signals, summed in power, that stand over the noise, over their
/// neighbours and over the local background. `skirts` gives the power (per bin frequency and
/// window in seconds) below which a peak is only what fitted lines leave.
pub fn find(
    taps: &[&[f64]],
    noise: &[NoiseDensity],
    rate_hz: f64,
    band_hz: (f64, f64),
    skirts: &dyn Fn(f64) -> f64,
) -> Vec<Candidate> {
    let mut found: Vec<Candidate> = Vec::new();
    let mut lengths: Vec<usize> = Vec::new();
    for seconds in WINDOWS_S {
        let len = ((seconds * rate_hz) as usize).next_power_of_two();
        let usable = taps.iter().filter(|t| t.len() >= len / 2).count();
        if (usable > 0 || lengths.is_empty()) && !lengths.contains(&len) {
            lengths.push(len);
        }
    }
    for len in lengths {
        for c in peaks_of(taps, noise, rate_hz, band_hz, len, skirts) {
            merge(&mut found, c, rate_hz / len as f64);
        }
    }
    found.sort_by(|a, b| a.freq_hz.total_cmp(&b.freq_hz));
    found
}

fn merge(found: &mut Vec<Candidate>, c: Candidate, bin_hz: f64) {
    let near = |o: &Candidate| {
        let width = o.decay_per_s.max(c.decay_per_s) / std::f64::consts::PI;
        (o.freq_hz - c.freq_hz).abs() < width.max(bin_hz)
    };
    match found.iter_mut().find(|o| near(o)) {
        Some(o) if c.strength > o.strength => *o = c,
        Some(_) => {}
        None => found.push(c),
    }
}

/// Spectrum of one tap with the falling half-cosine taper, normalised to 1 for noise alone.
fn tapered(x: &[f64], len: usize) -> Option<(Vec<C64>, f64)> {
    let used = x.len().min(len);
    let fft = forward(len);
    let mut input = fft.make_input_vec();
    let mut gain = 0.0;
    let half_turn = C64::new(0.0, std::f64::consts::PI / used.max(1) as f64);
    let half_turn = powers(C64::new(0.0, 0.0), half_turn, used);
    for ((out, x), v) in input.iter_mut().zip(x).zip(half_turn) {
        let w = 0.5 * (1.0 + v.re);
        *out = x * w;
        gain += w * w;
    }
    let mut output = fft.make_output_vec();
    fft.process(&mut input, &mut output).ok()?;
    Some((output, gain))
}

fn peaks_of(
    taps: &[&[f64]],
    noise: &[NoiseDensity],
    rate_hz: f64,
    band_hz: (f64, f64),
    len: usize,
    skirts: &dyn Fn(f64) -> f64,
) -> Vec<Candidate> {
    let bin_hz = rate_hz / len as f64;
    let bins = len / 2 + 1;
    let mut power = vec![0.0; bins];
    let mut raw = vec![0.0; bins];
    let mut used = 0.0;
    for (x, s) in taps.iter().zip(noise) {
        let Some((spectrum, gain)) = tapered(x, len) else {
            continue;
        };
        used += 1.0;
        for (k, v) in spectrum.iter().enumerate() {
            power[k] += v.norm_sqr() / (gain * s.at(k as f64 * bin_hz));
            raw[k] += v.norm_sqr() / (gain * rate_hz);
        }
    }
    if used == 0.0 {
        return Vec::new();
    }
    for p in &mut power {
        *p /= used;
    }
    let limit = 1.0 + (bins as f64 / 1e-3).ln() / f64::sqrt(used);
    let over_background = (25.0 / f64::powf(used, 0.75)).max(8.0);
    let from = ((band_hz.0 / bin_hz) as usize).max(2);
    let to = ((band_hz.1 / bin_hz) as usize).min(bins - 2);
    let halves = Halves::of(taps, len);
    (from..to.max(from))
        .filter(|k| {
            let k = *k;
            power[k] > limit
                && power[k] >= power[k - 1]
                && power[k] > power[k + 1]
                && prominent(&power, k, limit)
                && power[k] > over_background * background(&power, k)
                && raw[k] > skirts(k as f64 * bin_hz)
        })
        .map(|k| guess(&halves, &power, k, bin_hz, rate_hz))
        .collect()
}

fn prominent(power: &[f64], k: usize, limit: f64) -> bool {
    let lowest = |a: usize, b: usize| power[a..b].iter().copied().fold(f64::INFINITY, f64::min);
    let left = lowest(k.saturating_sub(7), k);
    let right = lowest(k + 1, (k + 8).min(power.len()));
    power[k].sqrt() - left.max(right).sqrt() > 0.8 * limit.sqrt()
}

fn background(power: &[f64], k: usize) -> f64 {
    let from = k.saturating_sub(40).max(1);
    let mut near: Vec<f64> = power[from..(k + 41).min(power.len())].to_vec();
    let mid = near.len() / 2;
    *near.select_nth_unstable_by(mid, f64::total_cmp).1
}

/// Frequency by a parabola through the logs of three bins, decay from the amplitudes of two
/// half windows.
fn guess(halves: &Halves<'_>, power: &[f64], k: usize, bin_hz: f64, rate_hz: f64) -> Candidate {
    let (a, b, c) = (power[k - 1].ln(), power[k].ln(), power[k + 1].ln());
    let bend = a - 2.0 * b + c;
    let offset = if bend < -1e-12 {
        (0.5 * (a - c) / bend).clamp(-0.5, 0.5)
    } else {
        0.0
    };
    let freq_hz = (k as f64 + offset) * bin_hz;
    let w = std::f64::consts::TAU * freq_hz / rate_hz;
    let (early, late) = halves.energies(w);
    let span_s = halves.weights.len() as f64 / rate_hz;
    // Silence in one half is a decay beyond the bounds, not none.
    let decay = 0.5 * (early.max(1e-300) / late.max(1e-300)).ln() / span_s;
    Candidate {
        freq_hz,
        decay_per_s: decay.clamp(0.5, 5.0 / span_s),
        strength: power[k],
    }
}

/// The taps in two halves of one length, and its weights.
struct Halves<'a> {
    taps: &'a [&'a [f64]],
    weights: Vec<f64>,
}

impl<'a> Halves<'a> {
    /// Halves of the first `len` samples, or of as many as the shortest tap has.
    fn of(taps: &'a [&'a [f64]], len: usize) -> Self {
        let shortest = taps.iter().map(|x| x.len()).min().unwrap_or(0);
        Self {
            taps,
            weights: hann((len / 2).min(shortest / 2).max(1)),
        }
    }

    /// Energies of a tone turning by `w` a sample in the first and the second half of all taps.
    fn energies(&self, w: f64) -> (f64, f64) {
        let half = self.weights.len();
        let tone = looked_for(w, &self.weights);
        let (mut early, mut late) = (0.0, 0.0);
        for x in self.taps {
            early += weighted_sum(&tone, &x[..half]).norm_sqr();
            late += weighted_sum(&tone, &x[half..2 * half]).norm_sqr();
        }
        (early, late)
    }
}

#[cfg(test)]
mod tests {
    use super::super::made::{log, noise, tones};
    use super::*;
    use std::f64::consts::{PI, TAU};

    const RATE: f64 = 8000.0;
    const BAND: (f64, f64) = (100.0, 3600.0);

    fn quiet() -> NoiseDensity {
        NoiseDensity::white(1e-6)
    }

    fn candidate(freq_hz: f64, decay_per_s: f64, strength: f64) -> Candidate {
        Candidate {
            freq_hz,
            decay_per_s,
            strength,
        }
    }

    /// Transform under the falling taper at bin `k` of `len`, and the taper's energy.
    fn plain(x: &[f64], k: usize, len: usize) -> (f64, f64) {
        let used = x.len().min(len);
        let taper = |n: usize| 0.5 * (1.0 + (PI * n as f64 / used as f64).cos());
        let turn = |n: usize| C64::from_polar(x[n] * taper(n), -TAU * (k * n) as f64 / len as f64);
        let sum: C64 = (0..used).map(turn).sum();
        let gain = (0..used).map(|n| taper(n).powi(2)).sum();
        (sum.norm_sqr(), gain)
    }

    /// Frequency of the top of a parabola through the logarithms at bins `k - 1` to `k + 1`.
    fn top_hz(x: &[f64], k: usize, len: usize) -> f64 {
        let [a, b, c] = [k - 1, k, k + 1].map(|k| plain(x, k, len).0.ln());
        (k as f64 + 0.5 * (a - c) / (a - 2.0 * b + c)) * RATE / len as f64
    }

    fn peaks(taps: &[Vec<f64>], len: usize, skirts: &dyn Fn(f64) -> f64) -> Vec<Candidate> {
        let views: Vec<&[f64]> = taps.iter().map(Vec::as_slice).collect();
        peaks_of(&views, &vec![quiet(); taps.len()], RATE, BAND, len, skirts)
    }

    #[test]
    fn of_two_guesses_of_one_line_the_stronger_stays() {
        let with = |c: Candidate| {
            let mut found = vec![candidate(1000.0, 10.0, 50.0), candidate(2000.0, 1.0, 50.0)];
            merge(&mut found, c, 2.0);
            found
        };
        // Within a half-power width of the broader one, or within a bin.
        let width = 10.0 / PI;
        let near = 1000.0 - 0.99 * width;
        assert_eq!(with(candidate(near, 1.0, 60.0))[0].freq_hz, near);
        assert_eq!(with(candidate(near, 1.0, 60.0)).len(), 2);
        assert_eq!(with(candidate(near, 1.0, 40.0))[0].freq_hz, 1000.0);
        assert_eq!(with(candidate(1000.0 + 1.01 * width, 1.0, 60.0)).len(), 3);
        assert_eq!(with(candidate(2001.9, 1.0, 60.0)).len(), 2);
        assert_eq!(with(candidate(2002.1, 1.0, 60.0)).len(), 3);
        assert_eq!(with(candidate(2003.0, 10.0, 60.0)).len(), 2);
    }

    #[test]
    fn tapered_spectra_are_those_of_the_definition() {
        let x = noise(1.0, 200, 3);
        for (used, len) in [(200, 128), (128, 128), (90, 128), (1, 128)] {
            let (spectrum, gain) = tapered(&x[..used], len).unwrap_or_default();
            assert_eq!(spectrum.len(), 65);
            for k in [1, 7, 31, 64] {
                let (power, energy) = plain(&x[..used], k, len);
                assert!((spectrum[k].norm_sqr() - power).abs() < 1e-11, "{used} {k}");
                assert!((gain / energy - 1.0).abs() < 1e-12);
            }
        }
    }

    /// Energy falls by `exp(-2 delta t)` from one half to the next; the image at minus the
    /// frequency shows through by less than a thousandth.
    #[test]
    fn decay_is_that_from_one_half_to_the_next() {
        let s = log(1000.0, 12.0, RATE);
        let x = tones(&[(s, C64::new(0.5, 0.2))], 700);
        let y = tones(&[(s, C64::new(-0.1, 0.9))], 900);
        let taps = [x.as_slice(), y.as_slice()];
        let halves = Halves::of(&taps, 512);
        assert_eq!(halves.weights.len(), 256);
        assert_eq!(Halves::of(&taps, 2048).weights.len(), 350);
        let (early, late) = halves.energies(s.im);
        let fall = (-2.0 * 12.0 * 256.0 / RATE).exp();
        assert!((late / early / fall - 1.0).abs() < 2e-3);
        // Early: the squared sums of both taps under a Hann window.
        let one = |x: &[f64]| -> f64 {
            let hann = |n: usize| (PI * (n as f64 + 0.5) / 256.0).sin().powi(2);
            let turn = |n: usize| C64::from_polar(x[n] * hann(n), -s.im * n as f64);
            (0..256).map(turn).sum::<C64>().norm_sqr()
        };
        assert!((early / (one(&x) + one(&y)) - 1.0).abs() < 1e-10);
    }

    #[test]
    fn a_guess_has_the_top_of_the_parabola_and_the_decay_of_the_halves() {
        let bin_hz = RATE / 512.0;
        for (place, decay, stated) in [
            (64.0, 12.0, 12.0),
            (64.3, 3.0, 3.0),
            (63.6, 30.0, 30.0),
            // What rises or falls faster than can be told is held.
            (64.1, -20.0, 0.5),
            (64.1, 400.0, 5.0 * RATE / 256.0),
        ] {
            // A bell is a parabola in its logarithm.
            let power: Vec<f64> = (0..257)
                .map(|k| 900.0 * (-0.7 * (f64::from(k) - place).powi(2)).exp())
                .collect();
            let x = tones(
                &[(log(place * bin_hz, decay, RATE), C64::new(0.5, 0.0))],
                512,
            );
            let taps = [x.as_slice()];
            let found = guess(&Halves::of(&taps, 512), &power, 64, bin_hz, RATE);
            assert!((found.freq_hz - place * bin_hz).abs() < 1e-9, "{place}");
            assert_eq!(found.strength, power[64]);
            // The image lets through less than a hundredth of it.
            assert!(
                (found.decay_per_s / stated - 1.0).abs() < 0.01,
                "{}",
                found.decay_per_s
            );
        }
        // No top, no halves: the middle of the bin, and the slowest decay that is told.
        let silent = [0.0; 512];
        let taps = [silent.as_slice()];
        let found = guess(&Halves::of(&taps, 512), &[2.0; 9], 4, bin_hz, RATE);
        assert_eq!((found.freq_hz, found.decay_per_s), (4.0 * bin_hz, 0.5));
        // A top beyond the bin's edge is held there.
        let found = guess(
            &Halves::of(&taps, 512),
            &[1.0, 1.0, 2.0, 2.0, 1.9],
            2,
            1.0,
            RATE,
        );
        assert_eq!(found.freq_hz, 2.5);
    }

    /// Amplitudes are compared, with the lowest of the seven bins on either side.
    #[test]
    fn a_prominent_peak_stands_over_a_dip_on_either_side() {
        let limit: f64 = 25.0;
        // 0.8 x 5 over a floor of 1: an amplitude of 5.
        let mut power = vec![1.0; 40];
        for (top, expected) in [(5.01, true), (4.99, false)] {
            power[20] = f64::powi(top, 2);
            assert_eq!(prominent(&power, 20, limit), expected);
        }
        power[20] = 5.01f64.powi(2);
        // A shelf of six bins hides nothing, one of seven does, on whichever side.
        for (from, to, expected) in [
            (14, 20, true),
            (13, 20, false),
            (21, 27, true),
            (21, 28, false),
        ] {
            let mut shelf = power.clone();
            shelf[from..to].fill(2.0);
            assert_eq!(prominent(&shelf, 20, limit), expected, "{from}");
        }
        // At the ends there are fewer bins.
        let mut end = vec![1.0; 5];
        end[2] = 30.0;
        assert!(prominent(&end, 2, limit));
    }

    #[test]
    fn the_background_is_the_median_of_forty_bins_on_either_side() {
        let power: Vec<f64> = (0..200).map(f64::from).collect();
        assert_eq!(background(&power, 100), 100.0);
        // From 1 to 51, the bin at zero not counted; from 150 to 199.
        assert_eq!(background(&power, 11), 26.0);
        assert_eq!(background(&power, 190), 175.0);
    }

    #[test]
    fn a_lone_tone_is_found_where_it_is() {
        for (freq_hz, decay) in [(333.0, 4.0), (1234.5, 15.0), (3003.0, 60.0)] {
            let clean = tones(&[(log(freq_hz, decay, RATE), C64::new(0.1, 0.05))], 6000);
            let tap: Vec<f64> = clean
                .iter()
                .zip(noise(1e-6, 6000, 4))
                .map(|(a, b)| a + b)
                .collect();
            let found = find(&[&tap], &[quiet()], RATE, BAND, &|_| 0.0);
            assert_eq!(found.len(), 1, "{found:?}");
            // The parabola errs by a few hundredths of a bin; the widest has 31 Hz.
            assert!(
                (found[0].freq_hz - freq_hz).abs() < 0.5,
                "{}",
                found[0].freq_hz
            );
            assert!(
                (found[0].decay_per_s / decay - 1.0).abs() < 0.1,
                "{}",
                found[0].decay_per_s
            );
        }
        // Out of the band there is none, nor in noise alone.
        let tap = tones(&[(log(3700.0, 15.0, RATE), C64::new(0.1, 0.0))], 6000);
        assert!(find(&[&tap], &[quiet()], RATE, BAND, &|_| 0.0).is_empty());
        for seed in 0..4 {
            let tap = noise(1e-6, 6000, 40 + seed);
            assert!(find(&[&tap], &[quiet()], RATE, BAND, &|_| 0.0).is_empty());
        }
    }

    #[test]
    fn candidates_rise_in_frequency_and_lie_in_the_band() {
        let made: Vec<(C64, C64)> = [2500.0, 700.0, 1500.0, 150.0, 60.0, 3800.0]
            .iter()
            .map(|f| (log(*f, 8.0, RATE), C64::new(0.1, 0.0)))
            .collect();
        let tap = tones(&made, 8000);
        let found = find(&[&tap], &[quiet()], RATE, BAND, &|_| 0.0);
        let hz: Vec<f64> = found.iter().map(|c| c.freq_hz.round()).collect();
        assert_eq!(hz, [150.0, 700.0, 1500.0, 2500.0]);
    }

    /// Of a tap of 300 samples only the shortest window, 256 at this rate, is asked; a tap that is
    /// shorter than half of that is still looked at.
    #[test]
    fn windows_much_longer_than_the_taps_are_not_asked() {
        let x = tones(&[(log(1010.0, 30.0, RATE), C64::new(0.3, 0.0))], 300);
        let found = find(&[&x], &[quiet()], RATE, BAND, &|_| 0.0);
        assert_eq!(found.len(), 1);
        assert!((found[0].freq_hz - top_hz(&x, 32, 256)).abs() < 1e-6);
        let found = find(&[&x[..100]], &[quiet()], RATE, BAND, &|_| 0.0);
        assert_eq!(found.len(), 1);
        assert!((found[0].freq_hz - top_hz(&x[..100], 32, 256)).abs() < 1e-6);
        // With 600 samples also that of 1024, which is finer.
        let x = tones(&[(log(1010.0, 3.0, RATE), C64::new(0.3, 0.0))], 600);
        let found = find(&[&x], &[quiet()], RATE, BAND, &|_| 0.0);
        assert!((found[0].freq_hz - top_hz(&x, 129, 1024)).abs() < 1e-6);
    }

    /// Strength is power over the noise at that frequency, the mean of the taps; what lies below
    /// the skirts, in squared units per Hz, is passed over.
    #[test]
    fn strength_is_power_over_the_local_noise() {
        // Noise that falls with frequency.
        let mut dark = noise(1.0, 8192, 9);
        for n in 1..dark.len() {
            dark[n] += 0.9 * dark[n - 1];
        }
        let rate = crate::units::SampleRate::new(8000);
        let falls = rate.ok().and_then(|rate| NoiseDensity::of(&dark, rate));
        let noises = [falls.unwrap_or_else(quiet), NoiseDensity::white(0.3)];
        assert!(noises[0].at(1000.0) > 4.0 * noises[0].at(3000.0));
        let taps = [(90.0, 1), (40.0, 2)].map(|(a, turn)| {
            let c = C64::from_polar(a, f64::from(turn));
            tones(&[(log(3000.0, 10.0, RATE), c)], 512)
        });
        let views: Vec<&[f64]> = taps.iter().map(Vec::as_slice).collect();
        let k = 192;
        let each = [0, 1].map(|t| {
            let (power, gain) = plain(&taps[t], k, 512);
            power / gain
        });
        let with = |skirt: f64| {
            peaks_of(&views, &noises, RATE, BAND, 512, &|f| {
                assert!((100.0..3600.0).contains(&f));
                if (f - 3000.0).abs() < 1e-9 {
                    skirt
                } else {
                    0.0
                }
            })
        };
        let strength = 0.5 * (each[0] / noises[0].at(3000.0) + each[1] / 0.3);
        let found = with(0.0);
        assert!((found[0].strength / strength - 1.0).abs() < 1e-9);
        let raw = (each[0] + each[1]) / RATE;
        assert_eq!(with(0.999 * raw).len(), 1);
        assert!(with(1.001 * raw).is_empty());
    }

    /// One chance in a thousand over all bins, the less over one the more taps there are.
    #[test]
    fn a_peak_must_stand_over_noise_and_background() {
        let len = 512;
        let bins = 257.0;
        let tone = |power: f64, taps: usize| -> Vec<Vec<f64>> {
            let one = tones(&[(log(1000.0, 0.1, RATE), C64::new(1.0, 0.0))], len);
            let (p, gain) = plain(&one, 64, len);
            let by = (power * 1e-6 * gain / p).sqrt();
            vec![one.iter().map(|v| v * by).collect(); taps]
        };
        for taps in [1, 4] {
            let limit = 1.0 + (bins / 1e-3f64).ln() / (taps as f64).sqrt();
            assert_eq!(peaks(&tone(1.01 * limit, taps), len, &|_| 0.0).len(), 1);
            assert!(peaks(&tone(0.99 * limit, taps), len, &|_| 0.0).is_empty());
        }
        // A click at the start has the same power at all frequencies. A tone's peak must stand 14.9
        // times over it with two taps, and 8 times with many.
        for (pairs, over) in [(1, 25.0 / 2f64.powf(0.75)), (6, 8.0)] {
            let (_, gain) = plain(&vec![0.0; len], 64, len);
            let mut click = vec![0.0; len];
            click[0] = (500.0 * 1e-6 * gain).sqrt();
            for (share, expected) in [(1.03, 1), (0.97, 0)] {
                let mut taps = tone(500.0 * (over - 1.0) * share, pairs);
                taps.extend(vec![click.clone(); pairs]);
                assert_eq!(
                    peaks(&taps, len, &|_| 0.0).len(),
                    expected,
                    "{pairs} {share}"
                );
            }
        }
    }

    /// A band beyond half the rate ends before the last bin; silence in the second half is the
    /// fastest decay that is told.
    #[test]
    fn the_last_bin_and_a_silent_half_are_no_trouble() {
        let high = tones(&[(log(3990.0, 8.0, RATE), C64::new(0.5, 0.2))], 6000);
        let all = find(&[&high], &[quiet()], RATE, (100.0, 0.7 * RATE), &|_| 0.0);
        assert!(all.iter().all(|c| c.freq_hz < 0.5 * RATE));
        let mut gated = tones(&[(log(1000.0, 8.0, RATE), C64::new(0.5, 0.2))], 6000);
        gated[2048..].fill(0.0);
        let views = [gated.as_slice()];
        let halves = Halves::of(&views, 4096);
        let span_s = halves.weights.len() as f64 / RATE;
        let mut power = vec![1.0; 2049];
        power[512] = 1e6;
        let found = guess(&halves, &power, 512, RATE / 4096.0, RATE);
        assert!((found.decay_per_s - 5.0 / span_s).abs() < 1e-9);
    }

    #[test]
    fn no_taps_no_peaks() {
        assert!(peaks(&[], 512, &|_| 0.0).is_empty());
        assert!(find(&[], &[], RATE, BAND, &|_| 0.0).is_empty());
        assert!(peaks(&[vec![0.0; 512]], 512, &|_| 0.0).is_empty());
    }
}
