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
