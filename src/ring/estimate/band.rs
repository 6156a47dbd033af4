//! One narrow band of the taps: which, cut out, what disturbs it, and lines as its poles.

use super::candidates::Candidate;
use super::echo::{BandLine, Disturbance, Echo};
use super::phasor::C64;
use super::polish::Lines;
use super::refine::Fit;
use super::windows::Windows;
use super::zoom::{Slope, Zoom};

/// The share is measured on one realisation of an echo: what is told from it is told with the
/// upper side of its scatter, 3 dB.
pub const CAUTION: f64 = 2.0;

/// A group of candidates that share a band.
pub struct Group {
    /// Lowest frequency in Hz.
    pub low_hz: f64,
    /// Highest frequency in Hz.
    pub high_hz: f64,
    /// Decay rate that its band follows, in 1/s.
    pub decay_per_s: f64,
    /// Power of its strongest candidate over the noise.
    pub strength: f64,
    /// How many candidates it holds.
    pub count: usize,
}

impl Group {
    /// Rate of its band: the cost among echo goes with a high power of the samples.
    fn band_rate_hz(&self, in_echo: bool) -> f64 {
        let per_decay = if in_echo { 20.0 } else { 30.0 };
        (per_decay * self.decay_per_s).max(150.0)
    }
}

pub fn groups(candidates: &[Candidate]) -> Vec<Group> {
    let mut out: Vec<Group> = Vec::new();
    for c in candidates {
        if let Some(g) = out.last_mut() {
            let decay = g.decay_per_s.max(c.decay_per_s);
            let alike = decay < 4.0 * g.decay_per_s.min(c.decay_per_s);
            if alike && c.freq_hz - g.low_hz < 0.2 * (30.0 * decay).max(150.0) {
                g.high_hz = c.freq_hz;
                g.decay_per_s = decay;
                g.strength = g.strength.max(c.strength);
                g.count += 1;
                continue;
            }
        }
        out.push(Group {
            low_hz: c.freq_hz,
            high_hz: c.freq_hz,
            decay_per_s: c.decay_per_s,
            strength: c.strength,
            count: 1,
        });
    }
    out.sort_by(|a, b| b.strength.total_cmp(&a.strength));
    out
}

/// Decimation for a wanted band rate: a power of two, at least 4.
fn step_for(rate_hz: f64, band_rate_hz: f64) -> usize {
    let mut step = 4;
    while rate_hz / (2.0 * step as f64) >= band_rate_hz && step < 4096 {
        step *= 2;
    }
    step
}

/// The signals of the taps in one band.
pub struct CutBand {
    /// How it was cut out.
    pub zoom: Zoom,
    /// Complex samples per tap, all of one length.
    pub taps: Vec<Vec<C64>>,
    /// Variance of the noise per sample.
    pub noise: f64,
}

/// Most band samples of a fit; among echo fewer, since the cost grows with their cube there
/// and the echo leaves nothing to learn from the late ones.
const MOST_SAMPLES: usize = 420;

const MOST_IN_ECHO: usize = 96;

pub fn cut_band(left: &[Vec<f64>], w: &Windows<'_>, group: &Group, in_echo: bool) -> CutBand {
    let taps = left.len();
    let span = group.high_hz - group.low_hz;
    let mut step = step_for(w.rate_hz, group.band_rate_hz(in_echo).max(5.0 * span));
    let shortest = left.iter().map(Vec::len).min().unwrap_or(0);
    // At least 48 samples must come out of the band.
    while step > 4 && shortest < step * (48 + 14) {
        step /= 2;
    }
    let (most, slope) = if in_echo {
        (MOST_IN_ECHO, Slope::Early)
    } else {
        (MOST_SAMPLES, Slope::Steep)
    };
    let zoom = Zoom::new(0.5 * (group.low_hz + group.high_hz), w.rate_hz, step, slope);
    let raw: Vec<Vec<C64>> = left.iter().map(|x| zoom.apply(x, most)).collect();
    let noise: f64 = w
        .noise
        .iter()
        .map(|s| s.mean(group.low_hz - 50.0, group.high_hz + 50.0))
        .sum::<f64>()
        / taps as f64
        * zoom.noise_gain;
    let taps = trimmed(raw, noise);
    let count: usize = taps.iter().map(Vec::len).sum();
    let mean = taps.iter().flatten().map(|v| v.norm_sqr()).sum::<f64>() / count.max(1) as f64;
    CutBand {
        zoom,
        taps,
        noise: noise + 1e-6 * mean,
    }
}

impl CutBand {
    /// A line's pole and gain in the band.
    fn seen(&self, log: C64) -> (C64, C64) {
        let step = self.zoom.step as f64;
        let centred = log - C64::new(0.0, self.zoom.centre);
        (centred * step, self.zoom.gain(log) * 0.5)
    }

    /// What disturbs a fit in the band: noise, and the echo of its own lines and of `others`.
    pub fn disturbance(&self, w: &Windows<'_>, echo: Option<Echo>, others: &Lines) -> Disturbance {
        let step = self.zoom.step;
        let mut sounding: Vec<Vec<BandLine>> = vec![Vec::new(); self.taps.len()];
        if echo.is_some() {
            for (k, log) in others.logs.iter().enumerate() {
                let (s, gain) = self.seen(*log);
                if gain.norm() < 1e-4 {
                    continue;
                }
                for (lines, a) in sounding.iter_mut().zip(&others.amplitudes) {
                    lines.push(BandLine {
                        log: s,
                        amplitude: a[k] * gain,
                    });
                }
            }
        }
        Disturbance {
            noise: self.noise,
            echo: echo.map(|e| Echo {
                share: CAUTION * e.share,
                decay_per_s: e.decay_per_s * step as f64 / w.rate_hz,
            }),
            others: sounding,
            lead: w.lead.iter().max().copied().unwrap_or(0) / step,
            alike: w.alike.clone(),
            strikes: w
                .strikes
                .iter()
                .map(|x| self.strike_energy(x, echo.is_some()))
                .collect(),
        }
    }

    /// Energy that the strike `x` has in the band: its energy density at the centre and a
    /// quarter of the band's rate on either side, in the units of squared band samples.
    fn strike_energy(&self, x: &[f64], wanted: bool) -> f64 {
        if !wanted {
            return 0.0;
        }
        let quarter = 0.25 * std::f64::consts::TAU / self.zoom.step as f64;
        let density = |omega: f64| -> f64 {
            let turn = C64::from_polar(1.0, -omega);
            let (mut v, mut sum) = (C64::new(1.0, 0.0), C64::new(0.0, 0.0));
            for s in x {
                sum += v * *s;
                v *= turn;
            }
            sum.norm_sqr()
        };
        let centre = self.zoom.centre;
        let mean = (density(centre) + density(centre - quarter) + density(centre + quarter)) / 3.0;
        mean * self.zoom.noise_gain / self.zoom.step as f64
    }

    /// Lines `which` as poles of the band.
    pub fn as_fit(&self, lines: &Lines, which: &[usize]) -> Fit {
        let seen: Vec<(C64, C64)> = which.iter().map(|k| self.seen(lines.logs[*k])).collect();
        Fit {
            logs: seen.iter().map(|(s, _)| *s).collect(),
            amplitudes: lines
                .amplitudes
                .iter()
                .map(|a| {
                    which
                        .iter()
                        .zip(&seen)
                        .map(|(k, (_, g))| a[*k] * g)
                        .collect()
                })
                .collect(),
            cost: 0.0,
            score: 0.0,
            variance: Vec::new(),
        }
    }

    /// Poles of the band as lines.
    pub fn as_lines(&self, w: &Windows<'_>, fit: &Fit) -> Lines {
        let mut out = Lines::none(w.taps.len());
        for (k, s) in fit.logs.iter().enumerate() {
            let log = s / self.zoom.step as f64 + C64::new(0.0, self.zoom.centre);
            let gain = self.zoom.gain(log) * 0.5;
            out.logs.push(log);
            for (t, c) in out.amplitudes.iter_mut().enumerate() {
                c.push(fit.amplitudes[t][k] / gain);
            }
        }
        out
    }
}

/// Band samples that must be quiet for a sound to be over, and how loud they may be on average, over
/// the noise. A pair of two half-power widths and more sounds up again within 60; one that begins in
/// step passes at first for a single line that decays up to four times as fast, and its band is as
/// much too wide.
const QUIET: [(usize, f64); 4] = [(12, 1.6), (60, 1.3), (120, 1.25), (240, 1.2)];

/// Cuts the band signals, all at the same place, where their smoothed energy has fallen to 1.6
/// times the noise and does not rise again: a pair that beats falls silent in between.
fn trimmed(raw: Vec<Vec<C64>>, noise: f64) -> Vec<Vec<C64>> {
    let shortest = raw.iter().map(Vec::len).min().unwrap_or(0);
    let (span, _) = QUIET[0];
    let mut end = shortest;
    let mean = |m: usize, over: usize| -> f64 {
        let to = (m + over).min(shortest);
        raw.iter()
            .map(|y| y[m..to].iter().map(|v| v.norm_sqr()).sum::<f64>())
            .sum::<f64>()
            / (raw.len() * (to - m).max(1)) as f64
    };
    let mut m = 24;
    while m + span < shortest {
        if QUIET
            .iter()
            .all(|&(over, most)| mean(m, over) < most * noise)
        {
            end = m + span;
            break;
        }
        m += span / 2;
    }
    let end = end.max(48).min(shortest);
    raw.into_iter()
        .map(|mut y| {
            y.truncate(end);
            y
        })
        .collect()
}

/// The band of a cluster follows its fastest line; among echo, where the samples of a fit are
/// few, the mean by energy, so that a faint fast line does not cut short what parts a pair.
pub fn group_of(lines: &Lines, cluster: &[usize], rate_hz: f64, in_echo: bool) -> Group {
    let hz = rate_hz / std::f64::consts::TAU;
    let freq = |k: &usize| lines.logs[*k].im * hz;
    let decay = |k: &usize| -lines.logs[*k].re * rate_hz;
    let decay_per_s = if in_echo {
        let energy = |k: &usize| {
            let sum: f64 = lines.amplitudes.iter().map(|a| a[*k].norm_sqr()).sum();
            sum / decay(k).max(1e-6)
        };
        let total: f64 = cluster.iter().map(energy).sum();
        let weighted: f64 = cluster.iter().map(|k| energy(k) * decay(k)).sum();
        (weighted / total.max(1e-300)).max(0.5)
    } else {
        cluster.iter().map(decay).fold(0.5, f64::max)
    };
    Group {
        low_hz: cluster.iter().map(freq).fold(f64::INFINITY, f64::min),
        high_hz: cluster.iter().map(freq).fold(0.0, f64::max),
        decay_per_s,
        strength: 0.0,
        count: cluster.len(),
    }
}

#[cfg(test)]
mod tests {
    use super::super::made::{circular_noise, group, lines, log, noise, tones, windows};
    use super::*;
    use crate::signal::noise_density::NoiseDensity;

    const RATE: f64 = 48_000.0;

    fn candidate(freq_hz: f64, decay_per_s: f64, strength: f64) -> Candidate {
        Candidate {
            freq_hz,
            decay_per_s,
            strength,
        }
    }

    fn echo() -> Echo {
        Echo {
            share: 0.02,
            decay_per_s: 17.0,
        }
    }

    #[test]
    fn near_candidates_of_like_decay_share_a_band() {
        // A fifth of the band's rate: 0.2 x 30 x 10.
        let found = groups(&[
            candidate(1000.0, 5.0, 30.0),
            candidate(1059.9, 10.0, 70.0),
            candidate(1119.9, 2.6, 50.0),
            candidate(2000.0, 10.0, 60.0),
        ]);
        // Strongest first; 1119.9 lies too far from the first of its group.
        let low: Vec<f64> = found.iter().map(|g| g.low_hz).collect();
        assert_eq!(low, [1000.0, 2000.0, 1119.9]);
        let g = &found[0];
        assert_eq!((g.high_hz, g.decay_per_s), (1059.9, 10.0));
        assert_eq!((g.strength, g.count), (70.0, 2));
        assert_eq!(found[1].count, 1);
        let count = |gap_hz: f64, a: f64, b: f64| {
            groups(&[
                candidate(1000.0, a, 1.0),
                candidate(1000.0 + gap_hz, b, 1.0),
            ])
            .len()
        };
        assert_eq!((count(59.0, 10.0, 5.0), count(61.0, 10.0, 5.0)), (1, 2));
        assert_eq!((count(59.0, 5.0, 10.0), count(61.0, 5.0, 10.0)), (1, 2));
        // Slow ones: a fifth of 150 Hz.
        assert_eq!((count(29.0, 1.0, 1.0), count(31.0, 1.0, 1.0)), (1, 2));
        // Decays four times as fast are no longer alike.
        assert_eq!((count(5.0, 10.0, 2.6), count(5.0, 10.0, 2.4)), (1, 2));
        assert_eq!((count(5.0, 2.6, 10.0), count(5.0, 2.4, 10.0)), (1, 2));
        assert!(groups(&[]).is_empty());
    }

    #[test]
    fn a_band_is_at_least_as_wide_as_is_wanted_and_less_than_twice() {
        for wanted in [150.0, 187.4, 187.6, 700.0, 3000.0, 5999.0] {
            let step = step_for(RATE, wanted);
            assert!(step.is_power_of_two());
            let rate = RATE / step as f64;
            assert!(rate >= wanted && rate < 2.0 * wanted, "{wanted} {rate}");
        }
        // Just what is wanted is enough; four at least, 4096 at most.
        assert_eq!(step_for(RATE, 750.0), 64);
        assert_eq!(step_for(RATE, 40_000.0), 4);
        assert_eq!(step_for(RATE, 0.1), 4096);
    }

    /// Levels that rise evenly: their mean is that in the middle, 50 Hz beyond the group's ends.
    #[test]
    fn a_bands_noise_is_that_around_its_group() {
        let taps = [vec![0.0; 8000]];
        let rising = NoiseDensity::made_up(100.0, (0..200).map(f64::from).collect());
        let density = [rising];
        let w = windows(&taps, &density, RATE);
        let band = cut_band(&taps, &w, &group(1000.0, 1100.0, 10.0), false);
        assert!((band.noise / band.zoom.noise_gain - 10.5).abs() < 1e-9);
        // A bend below the group raises the mean of its lower end only.
        let mut bent: Vec<f64> = vec![1.0; 2000];
        bent[94..=95].fill(18.0);
        let density = [NoiseDensity::made_up(10.0, bent)];
        let w = windows(&taps, &density, RATE);
        let band = cut_band(&taps, &w, &group(1000.0, 1100.0, 10.0), false);
        // 17 places, 12.5 Hz apart, of which that at 950 Hz lies in it.
        let noise = band.noise / band.zoom.noise_gain;
        assert!((noise - 2.0).abs() < 1e-9, "{noise}");
    }

    /// Two unit samples `lag` apart have the energy density 2 + 2 cos(lag omega).
    #[test]
    fn the_energy_of_a_strike_is_that_of_its_spectrum() {
        let taps = [vec![0.0; 8000]];
        let density = [NoiseDensity::white(1e-9)];
        let w = windows(&taps, &density, RATE);
        let band = cut_band(&taps, &w, &group(1500.0, 1520.0, 30.0), true);
        let step = band.zoom.step as f64;
        for lag in [1, 7, 40] {
            let mut x = vec![0.0; lag + 1];
            (x[0], x[lag]) = (1.0, 1.0);
            let of = |omega: f64| 2.0 + 2.0 * (lag as f64 * omega).cos();
            let quarter = 0.25 * std::f64::consts::TAU / step;
            let centre = band.zoom.centre;
            let mean = (of(centre - quarter) + of(centre) + of(centre + quarter)) / 3.0;
            let truth = mean * band.zoom.noise_gain / step;
            let found = band.strike_energy(&x, true);
            assert!((found / truth - 1.0).abs() < 1e-9, "{lag} {found} {truth}");
            assert_eq!(band.strike_energy(&x, false), 0.0);
        }
    }

    #[test]
    fn a_bands_rate_follows_its_decay() {
        assert_eq!(group(1.0, 2.0, 10.0).band_rate_hz(false), 300.0);
        assert_eq!(group(1.0, 2.0, 10.0).band_rate_hz(true), 200.0);
        assert_eq!(group(1.0, 2.0, 1.0).band_rate_hz(false), 150.0);
    }

    /// Band samples of one line whose amplitude falls to `level` at `from` and stays there.
    fn falls(from: usize, level: f64, len: usize) -> Vec<C64> {
        let size = |m: usize| if m < from { 100.0 } else { level };
        (0..len)
            .map(|m| C64::from_polar(size(m), m as f64))
            .collect()
    }

    #[test]
    fn a_band_is_cut_where_it_stays_quiet() {
        let cut =
            |raw: Vec<Vec<C64>>| -> Vec<usize> { trimmed(raw, 4.0).iter().map(Vec::len).collect() };
        // Quiet from 100 on; looked at every six samples from 24: at 102 for the first time.
        assert_eq!(cut(vec![falls(100, 2.0, 400)]), [114]);
        assert_eq!(cut(vec![falls(102, 2.0, 400)]), [114]);
        assert_eq!(cut(vec![falls(103, 2.0, 400)]), [120]);
        // It is cut for all taps, when all together are quiet: their mean counts.
        assert_eq!(
            cut(vec![falls(60, 2.0, 400), falls(102, 2.0, 390)]),
            [114, 114]
        );
        let both = vec![falls(60, 0.0, 400), falls(60, 2.0 * 1.5f64.sqrt(), 400)];
        assert_eq!(cut(both), [72, 72]);
        // Twelve samples under 1.6 times the noise, 60 under 1.3, 120 under 1.25, 240 under 1.2.
        let level = |over: f64| (over * 4.0).sqrt();
        assert_eq!(cut(vec![falls(102, level(1.19), 400)]), [114]);
        assert_eq!(cut(vec![falls(102, level(1.21), 400)]), [400]);
        for (span, most) in [(12, 1.6), (60, 1.3), (120, 1.25), (240, 1.2)] {
            // Loud enough to be heard over the first `span` samples, silent afterwards.
            let heard = |share: f64| {
                let mut y = falls(102, level(share * most), 500);
                y[102 + span..].fill(C64::default());
                cut(vec![y])[0]
            };
            assert_eq!(heard(0.99), 114, "{span}");
            assert!(heard(1.01) > 114, "{span}");
        }
        // Sounding up again within 240 samples, it is not over.
        let mut beats = falls(102, 1.0, 500);
        beats[330..340].fill(C64::new(100.0, 0.0));
        assert!(cut(vec![beats])[0] > 330);
        // At least 48 samples, and no more than there are.
        assert_eq!(cut(vec![falls(0, 0.0, 400)]), [48]);
        assert_eq!(cut(vec![falls(0, 0.0, 30)]), [30]);
        assert_eq!(
            cut(vec![falls(500, 0.0, 37), falls(500, 0.0, 400)]),
            [37, 37]
        );
        assert!(cut(vec![]).is_empty());
    }

    #[test]
    fn noise_alone_is_cut_and_a_tone_is_not() {
        let noisy = trimmed(vec![circular_noise(1.0, 420, 3)], 1.0);
        assert!(noisy[0].len() < 200, "{}", noisy[0].len());
        let tone = vec![C64::new(3.0, 0.0); 420];
        assert_eq!(trimmed(vec![tone], 1.0)[0].len(), 420);
    }

    /// A lone line's band is one exponential with the gain that is stated, around the middle of its
    /// group, and its noise is that of the filter.
    #[test]
    fn a_cut_band_holds_its_line_and_its_noise() {
        for in_echo in [false, true] {
            let s = log(1010.0, 10.0, RATE);
            let c = [C64::new(0.5, 0.1), C64::new(-0.2, 0.3)];
            let taps = c.map(|c| tones(&[(s, c)], 40_000));
            let noise = [NoiseDensity::white(1e-12), NoiseDensity::white(3e-12)];
            let w = windows(&taps, &noise, RATE);
            let band = cut_band(&taps, &w, &group(990.0, 1020.0, 10.0), in_echo);
            // 300 Hz are wanted, among echo 200: 375 both times.
            let step = 128;
            assert_eq!(band.zoom.step, step);
            let centre = std::f64::consts::TAU * 1005.0 / RATE;
            assert!((band.zoom.centre - centre).abs() < 1e-15);
            let all = lines(&[(s, &c)]);
            let fit = band.as_fit(&all, &[0]);
            assert_eq!(band.taps[0].len(), band.taps[1].len());
            let count = if in_echo {
                MOST_IN_ECHO
            } else {
                40_000 / step - 13
            };
            assert_eq!(band.taps[0].len(), count);
            for (t, y) in band.taps.iter().enumerate() {
                for (m, v) in y.iter().enumerate() {
                    let truth = fit.amplitudes[t][0] * (fit.logs[0] * m as f64).exp();
                    // The image lies in the stop band: 80 dB down, 47 dB for the short filter.
                    let most = if in_echo { 2e-3 } else { 5e-5 };
                    assert!((v - truth).norm() < most, "{t} {m}");
                }
            }
            let back = band.as_lines(&w, &fit);
            assert!((back.logs[0] - s).norm() < 1e-15);
            for (a, c) in back.amplitudes.iter().zip(c) {
                assert!((a[0] - c).norm() < 1e-12);
            }
            // Noise of both taps' mean, and a millionth of what is heard.
            let heard: f64 = band.taps.iter().flatten().map(|v| v.norm_sqr()).sum();
            let mean = heard / (2 * count) as f64;
            let truth = 2e-12 * band.zoom.noise_gain + 1e-6 * mean;
            assert!((band.noise / truth - 1.0).abs() < 1e-9);
        }
    }

    #[test]
    fn noise_in_a_band_has_the_stated_variance() {
        let taps = vec![noise(1e-2, 60_000, 4), noise(1e-2, 60_000, 5)];
        let density = [NoiseDensity::white(1e-2), NoiseDensity::white(1e-2)];
        let w = windows(&taps, &density, RATE);
        let zoom = cut_band(&taps, &w, &group(3000.0, 3000.0, 100.0), false).zoom;
        let raw = zoom.apply(&taps[0], 4000);
        let mean = raw.iter().map(|v| v.norm_sqr()).sum::<f64>() / raw.len() as f64;
        // 4000 / 8 samples and more of 3 kHz each are about half independent: 5 % of scatter.
        let stated = 1e-2 * zoom.noise_gain;
        assert!((mean / stated - 1.0).abs() < 0.15, "{}", mean / stated);
    }

    #[test]
    fn a_band_is_wide_enough_for_its_group_and_its_window() {
        let step = |low: f64, high: f64, len: usize| {
            let taps = [vec![0.0; len], vec![0.0; len + 500]];
            let noise = [NoiseDensity::white(1e-9), NoiseDensity::white(1e-9)];
            let w = windows(&taps, &noise, RATE);
            cut_band(&taps, &w, &group(low, high, 1.0), false).zoom.step
        };
        // 150 Hz: 187.5. A group of 30 Hz fits, one of 38 Hz asks for 190 Hz.
        assert_eq!(step(1000.0, 1030.0, 40_000), 256);
        assert_eq!(step(1000.0, 1038.0, 40_000), 128);
        // 48 samples must come out of the shortest.
        assert_eq!(step(1000.0, 1030.0, 256 * 62), 256);
        assert_eq!(step(1000.0, 1030.0, 256 * 62 - 1), 128);
        assert_eq!(step(1000.0, 1030.0, 100), 4);
    }

    /// A strike's energy in the band against the band cut out of it: for a click anywhere it is
    /// the filter's, over the decimation; for a dull one the density varies over the band.
    #[test]
    fn a_strikes_energy_is_that_of_its_band_samples() {
        let taps = [vec![0.0; 9000]];
        let noise = [NoiseDensity::white(1e-9)];
        let w = windows(&taps, &noise, RATE);
        let band = cut_band(&taps, &w, &group(1000.0, 1000.0, 60.0), true);
        let cut = |strike: &[f64]| -> f64 {
            let mut x = vec![0.0; 4000];
            x[2000..2000 + strike.len()].copy_from_slice(strike);
            // Every place of the decimation, so that none is preferred.
            let each = (0..band.zoom.step).map(|k| {
                let y = band.zoom.apply(&x[k..], usize::MAX);
                y.iter().map(|v| v.norm_sqr()).sum::<f64>()
            });
            each.sum::<f64>() / band.zoom.step as f64
        };
        let mut click = vec![0.0; 40];
        click[17] = -0.3;
        let energy = band.strike_energy(&click, true);
        assert!((energy / cut(&click) - 1.0).abs() < 1e-9);
        assert!((energy - 0.09 * band.zoom.noise_gain / band.zoom.step as f64).abs() < 1e-12);
        // Half a sine of half a millisecond, whose density falls by a third from one end of the
        // band to the other.
        let half_sine = |n: i32| (std::f64::consts::PI * f64::from(n) / 24.0).sin();
        let dull: Vec<f64> = (0..24).map(half_sine).collect();
        let energy = band.strike_energy(&dull, true);
        // Three places stand for the whole band.
        assert!(
            (energy / cut(&dull) - 1.0).abs() < 0.25,
            "{}",
            energy / cut(&dull)
        );
        assert_eq!(band.strike_energy(&click, false), 0.0);
    }

    #[test]
    fn what_disturbs_a_band_is_in_its_own_samples() {
        let taps = [vec![0.0; 20_000], vec![0.0; 20_000]];
        let noise = [NoiseDensity::white(1e-6), NoiseDensity::white(1e-6)];
        let click = [0.5];
        let w = Windows {
            lead: vec![300, 560],
            alike: vec![2, 1],
            strikes: vec![&click, &click[..0]],
            ..windows(&taps, &noise, RATE)
        };
        let band = cut_band(&taps, &w, &group(1000.0, 1000.0, 10.0), true);
        let step = band.zoom.step;
        let inside = (
            log(1050.0, 12.0, RATE),
            [C64::new(0.3, 0.0), C64::new(0.0, 0.2)],
        );
        let outside = (
            log(9000.0, 12.0, RATE),
            [C64::new(0.3, 0.0), C64::new(0.0, 0.2)],
        );
        let others = lines(&[(inside.0, &inside.1), (outside.0, &outside.1)]);
        let around = band.disturbance(&w, Some(echo()), &others);
        let stated = around.echo.map_or((0.0, 0.0), |e| (e.share, e.decay_per_s));
        assert!((stated.0 - 0.04).abs() < 1e-15);
        assert!((stated.1 - 17.0 * step as f64 / RATE).abs() < 1e-15);
        assert_eq!(around.lead, 560 / step);
        assert_eq!(
            (around.noise, around.alike.as_slice()),
            (band.noise, [2, 1].as_slice())
        );
        let click_energy = 0.25 * band.zoom.noise_gain / step as f64;
        assert!((around.strikes[0] / click_energy - 1.0).abs() < 1e-12);
        assert_eq!(around.strikes[1], 0.0);
        for (t, seen) in around.others.iter().enumerate() {
            // What lies far outside is not heard in it.
            assert_eq!(seen.len(), 1);
            let y = band
                .zoom
                .apply(&tones(&[(inside.0, inside.1[t])], 20_000), 40);
            for (m, v) in y.iter().enumerate() {
                let truth = seen[0].amplitude * (seen[0].log * m as f64).exp();
                // The image: 47 dB down.
                assert!((v - truth).norm() < 1e-3, "{t} {m}");
            }
        }
        let calm = band.disturbance(&w, None, &others);
        assert!(calm.echo.is_none() && calm.others.iter().all(Vec::is_empty));
        assert_eq!(calm.strikes, [0.0, 0.0]);
    }

    #[test]
    fn a_cluster_follows_its_fastest_line_and_among_echo_its_energy() {
        let all = lines(&[
            (
                log(1000.0, 2.0, RATE),
                &[C64::new(0.6, 0.0), C64::new(0.0, 0.8)],
            ),
            (
                log(500.0, 90.0, RATE),
                &[C64::new(9.0, 0.0), C64::new(0.0, 9.0)],
            ),
            (
                log(1020.0, 40.0, RATE),
                &[C64::new(1.0, 0.0), C64::new(0.0, 1.0)],
            ),
        ]);
        let plain = group_of(&all, &[0, 2], RATE, false);
        assert!((plain.low_hz - 1000.0).abs() < 1e-9 && (plain.high_hz - 1020.0).abs() < 1e-9);
        assert!((plain.decay_per_s - 40.0).abs() < 1e-9);
        assert_eq!(plain.count, 2);
        // Energies 1/2 and 2/40: their mean of the decays is (1 + 2) / (0.5 + 0.05).
        let mean = group_of(&all, &[2, 0], RATE, true);
        assert!((mean.decay_per_s - 3.0 / 0.55).abs() < 1e-9);
        assert!((mean.low_hz - 1000.0).abs() < 1e-9 && (mean.high_hz - 1020.0).abs() < 1e-9);
        // What hardly decays is not followed for ever.
        let slow = lines(&[(log(1000.0, 0.1, RATE), &[C64::new(1.0, 0.0)])]);
        assert_eq!(group_of(&slow, &[0], RATE, false).decay_per_s, 0.5);
        assert_eq!(group_of(&slow, &[0], RATE, true).decay_per_s, 0.5);
    }
}
