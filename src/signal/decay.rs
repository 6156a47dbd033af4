//! Decay by backward integration with noise compensation.
//!
//! The energy still to come, `E(t) = integral of x^2 from t on` (Schroeder 1965), falls
//! smoothly where the level itself jitters. Noise left in it bends it (a T30 needs 56 dB
//! for 1 %), cutting it off bends it the other way. So: find where the decay meets the noise
//! (the knee, iterated as Lundeby and others 1995), subtract the noise before it, and put the
//! energy that an exponential has behind it, `p(t1) / (2 delta)`, in place of what was cut.

use crate::units::{SampleRate, power_db};

/// Between which levels, in dB re its start, the line is fitted to the backward integral.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LineRange {
    /// Level at which the fit starts, 0 or below.
    pub from_db: f64,
    /// Level at which it ends, below `from_db`.
    pub to_db: f64,
    /// How far the start of the decay must stand over the noise, or over the level at the
    /// record's end, in dB.
    pub needs_db: f64,
}

impl LineRange {
    /// 0 to -10 dB (the early decay of ISO 3382). Needs 20 dB.
    pub const EDT: Self = Self {
        from_db: 0.0,
        to_db: -10.0,
        needs_db: 20.0,
    };
    /// -5 to -15 dB. Needs 25 dB.
    pub const T10: Self = Self {
        from_db: -5.0,
        to_db: -15.0,
        needs_db: 25.0,
    };
    /// -5 to -25 dB (ISO 3382). Needs 35 dB, the noise 10 dB below the lower limit.
    pub const T20: Self = Self {
        from_db: -5.0,
        to_db: -25.0,
        needs_db: 35.0,
    };
    /// -5 to -35 dB (ISO 3382). Needs 45 dB.
    pub const T30: Self = Self {
        from_db: -5.0,
        to_db: -35.0,
        needs_db: 45.0,
    };
}

/// What is known of the noise under a decay.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Noise {
    /// Its mean square, from a stretch before the sound. When the end of the decay is
    /// quieter (an earlier sound may have rung on before this one), the end is believed,
    /// unless it is quieter by over 40 dB: then a gate has closed.
    Measured(f64),
    /// Nothing: it is taken from the last tenth of the decay (more of a short one), less what the decay itself has
    /// there.
    Unknown,
}

/// Why no line can be laid through a decay.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum NoLine {
    /// The decay does not stand far enough over the noise, or the record ends too early.
    Range {
        /// What there is in dB, at least 0.
        range_db: f64,
        /// What the range needs in dB.
        needed_db: f64,
    },
    /// Nothing decays: silence, or the level does not fall.
    NoDecay,
}

/// A line through the backward integral.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DecayLine {
    /// Decay time T60 in seconds, 60 dB over the slope.
    pub ring_time_s: f64,
    /// Standard error in seconds, from how the energies of separate stretches of the fitted
    /// time scatter about their own line. An estimate good to a factor of about 2; infinite
    /// when fewer than four stretches fit.
    pub ring_time_std_s: f64,
    /// Rms distance of the integral from the line in dB.
    pub rms_db: f64,
    /// Slope of the second half of the fitted time over that of the first: below 1 where the
    /// decay gets slower (several decays added), above 1 where it gets faster (beating).
    pub bend: f64,
    /// Levels in dB re the start of the integral between which the line was fitted.
    pub fitted_db: (f64, f64),
    /// Times in seconds from the start between which the line was fitted.
    pub fitted_s: (f64, f64),
}

/// A decay with its noise taken out.
#[derive(Debug, Clone, PartialEq)]
pub struct Decay {
    rate: SampleRate,
    smooth: usize,
    /// Squared samples less the noise, up to the knee.
    power: Vec<f64>,
    /// Level of the backward integral in dB re its start; ends where it is no longer positive.
    level_db: Vec<f64>,
    noise_power: f64,
    range_db: f64,
}

/// The tail of a decay as an exponential: `power` at sample 0 falling by `per_sample` (a
/// natural logarithm, positive) per sample.
#[derive(Debug, Clone, Copy)]
struct Tail {
    power: f64,
    per_sample: f64,
}

impl Tail {
    fn at(&self, sample: f64) -> f64 {
        self.power * (-self.per_sample * sample).exp()
    }

    /// Sum of all samples' power from `sample` on.
    fn sum_from(&self, sample: f64) -> f64 {
        -self.at(sample) / (-self.per_sample).exp_m1()
    }

    /// First sample at which it has fallen to `power`; infinite for 0.
    fn reaches(&self, power: f64) -> f64 {
        (self.power / power).ln() / self.per_sample
    }
}

/// Averaging times that the end of a decay should have to tell its noise.
const END_SMOOTHS: usize = 10;
/// Nothing is looked for this far (-200 dB) below the start: there is only rounding.
const ROUNDING: f64 = 1e-20;
/// An end this much below the noise before the sound is a gate or a coder's silence.
const GATED: f64 = 1e-4;
/// Blocks per 10 dB of decay when its end is looked at.
const BLOCKS_PER_10_DB: f64 = 5.0;
/// Rounds of knee, noise and slope; they settle in three or four.
const ROUNDS: usize = 6;
/// The slope before the knee is taken from this far over the noise ...
const OVER_NOISE_DB: f64 = 8.0;
/// ... up to this much higher.
const SLOPE_SPAN_DB: f64 = 20.0;

impl Decay {
    /// Looks for the knee of a decay that starts with the first sample.
    ///
    /// `smooth_s` is the time over which the power must be averaged to mean something: one
    /// over the bandwidth of the signal, or a few periods of its lowest tone. Samples of one
    /// band, mean 0.
    ///
    /// # Errors
    /// [`NoLine::NoDecay`] for silence, or where nothing falls; [`NoLine::Range`] when
    /// less than 10 dB stand over the noise.
    pub fn of(
        samples: &[f64],
        rate: SampleRate,
        smooth_s: f64,
        noise: Noise,
    ) -> Result<Self, NoLine> {
        // Exact zeros at the end are a gate or padding, not a quiet end.
        let end = samples.iter().rposition(|v| *v != 0.0).map_or(0, |i| i + 1);
        let mut power: Vec<f64> = samples[..end].iter().map(|v| v * v).collect();
        let smooth = rate.samples(smooth_s).max(1);
        let (tail, noise_power, knee) = settle(&power, smooth, noise)?;
        power.truncate(knee);
        let top = blocks(&power, smooth.min(knee)).fold(0.0, |m: f64, b| m.max(b.1));
        // Where the record ends before the decay meets the noise, the decay itself is the limit.
        let floor = noise_power.max(tail.at(knee as f64));
        let range_db = power_db(((top - noise_power) / floor).max(1.0));
        for p in &mut power {
            *p -= noise_power;
        }
        let level_db = backward_levels(&power, tail.sum_from(knee as f64));
        Ok(Self {
            rate,
            smooth,
            power,
            level_db,
            noise_power,
            range_db,
        })
    }

    /// Mean square of the noise that was subtracted: next to nothing (200 dB below the start)
    /// where the record ends before the decay meets it.
    pub fn noise_power(&self) -> f64 {
        self.noise_power
    }

    /// Highest level of the decay over the noise, or over its own level at the record's end
    /// where no noise shows, in dB.
    pub fn range_db(&self) -> f64 {
        self.range_db
    }

    /// At most `points` (seconds from the start, dB re the start) of the backward integral.
    pub fn curve(&self, points: usize) -> Vec<(f64, f64)> {
        let step = self.level_db.len().div_ceil(points.max(1)).max(1);
        let every = self.level_db.iter().enumerate().step_by(step);
        every
            .map(|(i, level)| (self.rate.seconds(i), *level))
            .collect()
    }

    /// Lays a least-squares line through the integral in the given range.
    ///
    /// # Errors
    /// [`NoLine::Range`] when the decay has less than the range needs; [`NoLine::NoDecay`]
    /// when the line does not fall or has fewer than 3 samples.
    pub fn line(&self, range: LineRange) -> Result<DecayLine, NoLine> {
        let too_short = NoLine::Range {
            range_db: self.range_db,
            needed_db: range.needs_db,
        };
        if self.range_db < range.needs_db {
            return Err(too_short);
        }
        let reach = |db: f64| self.level_db.iter().position(|level| *level <= db);
        let (Some(from), Some(to)) = (reach(range.from_db), reach(range.to_db)) else {
            return Err(too_short);
        };
        if to < from + 3 {
            return Err(NoLine::NoDecay);
        }
        let points = |a: usize, b: usize| (a..=b).map(|i| (i as f64, self.level_db[i]));
        let whole = line_through(points(from, to)).ok_or(NoLine::NoDecay)?;
        if whole.slope >= 0.0 {
            return Err(NoLine::NoDecay);
        }
        let middle = usize::midpoint(from, to);
        let bend = match (
            line_through(points(from, middle)),
            line_through(points(middle, to)),
        ) {
            (Some(first), Some(second)) if first.slope < 0.0 => second.slope / first.slope,
            _ => 1.0,
        };
        let ring_time_s = -60.0 / (whole.slope * self.rate.hz());
        Ok(DecayLine {
            ring_time_s,
            ring_time_std_s: ring_time_s * self.relative_std(from, to),
            rms_db: whole.rms,
            bend,
            fitted_db: (self.level_db[from], self.level_db[to]),
            fitted_s: (self.rate.seconds(from), self.rate.seconds(to)),
        })
    }

    /// Standard error of the slope over the slope, from separate stretches of the fitted time:
    /// neighbouring points of the integral share nearly all of their energy and say nothing.
    fn relative_std(&self, from: usize, to: usize) -> f64 {
        let span = to - from;
        let len = (span / 16).max(2 * self.smooth).max(1);
        let energies = blocks(&self.power[from..to.min(self.power.len())], len)
            .filter(|b| b.1 > 0.0)
            .map(|(at, power)| (at, power.ln()));
        match line_through(energies) {
            Some(line) if line.count >= 4.0 && line.slope < 0.0 => {
                line.slope_std() / line.slope.abs()
            }
            _ => f64::INFINITY,
        }
    }
}

/// Backward integral of a stretch without any compensation, in dB re its start: what a plain
/// sum gives. For comparison; [`Decay`] is what measures.
pub fn plain_levels_db(samples: &[f64]) -> Vec<f64> {
    let power: Vec<f64> = samples.iter().map(|v| v * v).collect();
    backward_levels(&power, 0.0)
}

/// Knee, tail and noise, each from the others, until they stand still.
fn settle(power: &[f64], smooth: usize, noise: Noise) -> Result<(Tail, f64, usize), NoLine> {
    let len = power.len();
    if len < 8 {
        return Err(NoLine::NoDecay);
    }
    let smooth = smooth.clamp(1, len / 4);
    let end_start = len - end_len(len, smooth);
    let end_mean = mean(&power[end_start..]);
    let known = match noise {
        Noise::Measured(n) if n.is_finite() && n >= 0.0 => Some(n),
        _ => None,
    };
    // What the end allows: all of it noise at first, then what the decay leaves of it.
    let believed = |unknown: f64, most: f64| {
        known.map_or(
            unknown,
            |n| if end_mean < GATED * n { n } else { n.min(most) },
        )
    };
    let mut floor = believed(end_mean, end_mean);
    let top = blocks(power, smooth).fold(0.0, |m: f64, b| m.max(b.1));
    floor = floor.max(ROUNDING * top);
    let mut block = smooth;
    let mut knee = len;
    let mut tail = late_slope(power, block, floor, len)?;
    for _ in 0..ROUNDS {
        let own = (tail.sum_from(end_start as f64) - tail.sum_from(len as f64))
            / (len - end_start) as f64;
        let rest = end_mean - own;
        // Where the end is mostly the decay itself, what is left over says nothing.
        let doubt = 0.2 * end_mean;
        floor =
            believed(if rest > doubt { rest } else { 0.0 }, rest.max(doubt)).max(ROUNDING * top);
        let meets = tail.reaches(floor);
        let new_knee = if meets < len as f64 {
            meets.max(1.0) as usize
        } else {
            len
        };
        let per_10_db = std::f64::consts::LN_10 / tail.per_sample;
        block = smooth
            .max((per_10_db / BLOCKS_PER_10_DB) as usize)
            .min(len / 4);
        tail = late_slope(power, block, floor, new_knee)?;
        let moved = new_knee.abs_diff(knee);
        knee = new_knee;
        if moved <= block / 8 {
            break;
        }
    }
    let meets = tail.reaches(floor);
    if meets < len as f64 {
        knee = meets.max(1.0) as usize;
    }
    Ok((tail, floor, knee.clamp(1, len)))
}

/// Samples at the end of a decay that tell its noise: a tenth, and enough to mean something
/// where a third has so many.
fn end_len(len: usize, smooth: usize) -> usize {
    (len / 10).max((END_SMOOTHS * smooth).min(len / 3)).max(1)
}

/// The exponential that the end of the decay before the noise follows, from blocks of at most a
/// quarter of it.
fn late_slope(power: &[f64], block: usize, floor: f64, knee: usize) -> Result<Tail, NoLine> {
    let all: Vec<(f64, f64)> = blocks(power, block)
        .map(|(at, p)| (at, p - floor))
        .collect();
    let mut first = 0;
    for (i, b) in all.iter().enumerate() {
        if b.1 > all[first].1 {
            first = i;
        }
    }
    let top = all[first].1;
    let range_db = power_db((top / floor).max(1.0));
    if top <= 0.0 {
        return Err(NoLine::NoDecay);
    }
    if range_db < 10.0 {
        return Err(NoLine::Range {
            range_db,
            needed_db: LineRange::EDT.needs_db,
        });
    }
    // Down to the last block of the first unbroken run over the limit; single dips (beats, noise)
    // do not break a run, two blocks in a row do.
    let limit = floor * 10_f64.powf(0.1 * OVER_NOISE_DB.min(0.5 * range_db));
    let in_reach = |b: &(f64, f64)| b.0 < knee as f64;
    let mut last = first;
    for (i, b) in all.iter().enumerate().skip(first) {
        if !in_reach(b) {
            break;
        }
        if b.1 > limit {
            last = i;
        } else if i > last + 1 {
            break;
        }
    }
    let highest = all[last].1 * 10_f64.powf(0.1 * SLOPE_SPAN_DB);
    let mut start = last;
    while start > first && all[start - 1].1 < highest {
        start -= 1;
    }
    // A steep decay may have few blocks: never fewer than three where there are so many.
    let start = start.min(last.saturating_sub(2)).max(first);
    let used = all[start..=last].iter().filter(|b| b.1 > 0.0);
    let line = line_through(used.clone().map(|b| (b.0, b.1.ln()))).ok_or(NoLine::NoDecay)?;
    if line.slope >= 0.0 {
        return Err(NoLine::NoDecay);
    }
    // The mean of a logarithm lies below the logarithm of the mean: the height is set by
    // the energy in the stretch, not by the line.
    let shape = Tail {
        power: 1.0,
        per_sample: -line.slope,
    };
    let (energy, unit) = all[start..=last]
        .iter()
        .fold((0.0, 0.0), |s, b| (s.0 + b.1, s.1 + shape.at(b.0)));
    // Mean over a block of an exponential against its value in the middle.
    let half = 0.5 * block as f64 * shape.per_sample;
    let over_middle = if half > 1e-6 { half.sinh() / half } else { 1.0 };
    Ok(Tail {
        power: energy / (unit * over_middle),
        per_sample: shape.per_sample,
    })
}

/// Middle (in samples) and mean of each full block.
fn blocks(power: &[f64], len: usize) -> impl Iterator<Item = (f64, f64)> + Clone + '_ {
    let len = len.max(1);
    power
        .chunks_exact(len)
        .enumerate()
        .map(move |(i, b)| ((i * len) as f64 + 0.5 * (len - 1) as f64, mean(b)))
}

fn mean(values: &[f64]) -> f64 {
    if values.is_empty() {
        0.0
    } else {
        values.iter().sum::<f64>() / values.len() as f64
    }
}

/// Levels in dB re the first of what is left from each sample on, with `beyond` after the end.
fn backward_levels(power: &[f64], beyond: f64) -> Vec<f64> {
    let mut sums = vec![0.0; power.len()];
    let mut sum = beyond;
    for (slot, p) in sums.iter_mut().zip(power).rev() {
        sum += p;
        *slot = sum;
    }
    let all = sum;
    sums.into_iter()
        .map_while(|s| (s > 0.0).then(|| power_db(s / all)))
        .collect()
}

/// A least-squares line.
struct Line {
    slope: f64,
    rms: f64,
    count: f64,
    /// Sum of squared distances of the abscissas from their mean.
    spread: f64,
}

impl Line {
    fn slope_std(&self) -> f64 {
        let freedom = (self.count - 2.0).max(1.0);
        self.rms * (self.count / (freedom * self.spread)).sqrt()
    }
}

/// None for fewer than two points or for points above each other.
fn line_through(points: impl Iterator<Item = (f64, f64)> + Clone) -> Option<Line> {
    let (n, sx, sy) = points
        .clone()
        .fold((0.0, 0.0, 0.0), |s, p| (s.0 + 1.0, s.1 + p.0, s.2 + p.1));
    let (mx, my): (f64, f64) = (sx / n, sy / n);
    let (mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0);
    for (x, y) in points {
        let (dx, dy) = (x - mx, y - my);
        xx += dx * dx;
        xy += dx * dy;
        yy += dy * dy;
    }
    if !(n >= 2.0 && xx > 0.0) {
        return None;
    }
    let slope = xy / xx;
    let rms = ((yy - slope * xy).max(0.0) / n).sqrt();
    Some(Line {
        slope,
        rms,
        count: n,
        spread: xx,
    })
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    const RATE_HZ: u32 = 48_000;

    fn rate() -> SampleRate {
        SampleRate::new(RATE_HZ).unwrap()
    }

    /// Amplitude of a pure exponential, T60 in seconds.
    fn exponential(t60: f64, seconds: f64) -> Vec<f64> {
        let n = (seconds * f64::from(RATE_HZ)) as usize;
        (0..n)
            .map(|i| 10_f64.powf(-3.0 * i as f64 / f64::from(RATE_HZ) / t60))
            .collect()
    }

    /// The range fitted to a plain integral: 60 dB over the slope, in seconds.
    fn plain_t60(samples: &[f64], range: LineRange) -> f64 {
        let levels = plain_levels_db(samples);
        let from = levels.iter().position(|l| *l <= range.from_db).unwrap();
        let to = levels.iter().position(|l| *l <= range.to_db).unwrap();
        let line = line_through((from..=to).map(|i| (i as f64, levels[i]))).unwrap();
        -60.0 / (line.slope * f64::from(RATE_HZ))
    }

    // Errors in % of a plain backward integral cut off where the true decay has
    // reached a level: (level, T20, T30, EDT). From the closed form
    // E(t) = exp(-2 delta t) - exp(-2 delta t1) and a line fit, computed outside this crate.
    const CUT: [(f64, f64, f64, f64); 4] = [
        (-35.0, -1.560, -5.998, -0.114),
        (-40.0, -0.511, -2.423, -0.036),
        (-45.0, -0.163, -0.848, -0.011),
        (-55.0, -0.016, -0.089, -0.001),
    ];

    #[test]
    fn cutting_bends_the_plain_integral_and_not_the_compensated_one() {
        for (level, t20, t30, edt) in CUT {
            let x = exponential(1.0, -level / 60.0);
            for (range, percent) in [
                (LineRange::T20, t20),
                (LineRange::T30, t30),
                (LineRange::EDT, edt),
            ] {
                let off = 100.0 * (plain_t60(&x, range) - 1.0);
                assert!(
                    (off - percent).abs() < 0.01,
                    "{level} {range:?}: {off} {percent}"
                );
            }
            let decay = Decay::of(&x, rate(), 0.001, Noise::Unknown).unwrap();
            for range in [
                LineRange::T10,
                LineRange::T20,
                LineRange::T30,
                LineRange::EDT,
            ] {
                if range.needs_db < -level {
                    let line = decay.line(range).unwrap();
                    let off = 100.0 * (line.ring_time_s - 1.0);
                    assert!(off.abs() < 1e-6, "{level} {range:?}: {off} %");
                    assert!(
                        line.rms_db < 1e-3 && line.ring_time_std_s < 1e-3,
                        "{line:?}"
                    );
                }
            }
        }
    }

    // Errors in % of a plain integral with noise left in, record 1.5 T60 long:
    // (noise below the onset in dB, T20, T30, EDT). Closed form as above, a constant added.
    const NOISE: [(f64, f64, f64, f64); 5] = [
        (40.0, 10.44, 184.42, 0.66),
        (45.0, 2.71, 37.35, 0.21),
        (50.0, 0.81, 4.71, 0.07),
        (60.0, 0.08, 0.38, 0.01),
        (70.0, 0.01, 0.04, 0.00),
    ];

    #[test]
    fn noise_bends_the_plain_integral_and_not_the_compensated_one() {
        for (below, t20, t30, edt) in NOISE {
            let noise = 10_f64.powf(-0.1 * below);
            // Expected power of decay plus noise: amplitudes whose squares add up.
            let x: Vec<f64> = exponential(1.0, 1.5)
                .iter()
                .map(|v| (v * v + noise).sqrt())
                .collect();
            for (range, percent) in [
                (LineRange::T20, t20),
                (LineRange::T30, t30),
                (LineRange::EDT, edt),
            ] {
                let off = 100.0 * (plain_t60(&x, range) - 1.0);
                assert!(
                    (off - percent).abs() < 0.01 * percent.max(1.0),
                    "{below}: {off} {percent}"
                );
            }
            for noise in [Noise::Unknown, Noise::Measured(noise)] {
                let decay = Decay::of(&x, rate(), 0.001, noise).unwrap();
                for range in [
                    LineRange::T10,
                    LineRange::T20,
                    LineRange::T30,
                    LineRange::EDT,
                ] {
                    if range.needs_db < below {
                        let line = decay.line(range).unwrap();
                        let off = 100.0 * (line.ring_time_s - 1.0);
                        assert!(off.abs() < 1e-4, "{below} {range:?}: {off} %");
                    } else {
                        assert!(matches!(decay.line(range), Err(NoLine::Range { .. })));
                    }
                }
            }
        }
    }

    // Two equal tones in phase, each with T60 1 s, `df` Hz apart, far from the sample rate:
    // (df T60, EDT, T20, T30), plain integral of the squared envelope
    // exp(-2 delta t) cos^2(pi df t), computed outside this crate.
    const BEATS: [(f64, f64, f64, f64); 8] = [
        (0.0, 1.0, 1.0, 1.0),
        (0.5, 0.9487, 0.8962, 0.8692),
        (1.0, 0.8337, 0.6935, 0.6353),
        (2.0, 0.6287, 1.3377, 1.3035),
        (3.0, 0.5374, 1.3697, 1.0437),
        (5.0, 1.3623, 1.0837, 1.0301),
        (10.0, 1.0522, 1.0232, 1.0080),
        (30.0, 1.0122, 0.9984, 0.9993),
    ];

    #[test]
    fn beating_pairs_give_the_known_wrong_slopes_and_show_it() {
        for (df, edt, t20, t30) in BEATS {
            let x: Vec<f64> = exponential(1.0, 2.0)
                .iter()
                .enumerate()
                .map(|(i, v)| v * (std::f64::consts::PI * df * i as f64 / f64::from(RATE_HZ)).cos())
                .collect();
            for (range, ratio) in [
                (LineRange::EDT, edt),
                (LineRange::T20, t20),
                (LineRange::T30, t30),
            ] {
                let plain = plain_t60(&x, range);
                assert!(
                    (plain - ratio).abs() < 2e-3,
                    "{df} {range:?}: {plain} {ratio}"
                );
                let decay = Decay::of(&x, rate(), 0.005, Noise::Measured(0.0)).unwrap();
                let line = decay.line(range).unwrap();
                assert!(
                    (line.ring_time_s - ratio).abs() < 3e-3,
                    "{df} {range:?} {line:?}"
                );
                if (ratio - 1.0).abs() > 0.08 && range != LineRange::EDT {
                    assert!(line.rms_db > 1.0 || line.bend > 1.05, "{df} {line:?}");
                }
            }
        }
    }

    // 1 s at 0 dB plus 0.1 s at +10 dB: EDT 0.847, T20 0.9996, T30 0.9998 (as above).
    #[test]
    fn two_slopes_give_the_known_values() {
        let x: Vec<f64> = exponential(1.0, 1.5)
            .iter()
            .zip(exponential(0.1, 1.5))
            .map(|(a, b)| (a * a + 10.0 * b * b).sqrt())
            .collect();
        let decay = Decay::of(&x, rate(), 0.001, Noise::Unknown).unwrap();
        for (range, ratio) in [
            (LineRange::EDT, 0.847),
            (LineRange::T20, 0.9996),
            (LineRange::T30, 0.9998),
        ] {
            let line = decay.line(range).unwrap();
            assert!((line.ring_time_s - ratio).abs() < 6e-4, "{line:?}");
        }
    }

    fn gaussian(n: usize, seed: u64) -> Vec<f64> {
        use rand::SeedableRng;
        use rand_distr::{Distribution, StandardNormal};
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
        (0..n).map(|_| StandardNormal.sample(&mut rng)).collect()
    }

    // One tone in white noise: bias, scatter, and the scatter that is stated.
    #[test]
    fn the_stated_error_is_about_the_actual_one() {
        for (below, range) in [
            (35.0, LineRange::T10),
            (45.0, LineRange::T20),
            (55.0, LineRange::T30),
        ] {
            let noise = 10_f64.powf(-0.05 * below) / 2_f64.sqrt();
            let (mut sum, mut squares, mut stated) = (0.0, 0.0, 0.0);
            let rounds = 60;
            for seed in 0..rounds {
                let x: Vec<f64> = exponential(0.3, 0.8)
                    .iter()
                    .zip(gaussian(38_400, seed))
                    .enumerate()
                    .map(|(i, (v, g))| v * (0.3 * i as f64).sin() + noise * g)
                    .collect();
                let decay = Decay::of(&x, rate(), 0.002, Noise::Unknown).unwrap();
                let line = decay.line(range).unwrap();
                sum += line.ring_time_s - 0.3;
                squares += (line.ring_time_s - 0.3).powi(2);
                stated += line.ring_time_std_s;
            }
            let n = f64::from(rounds as u32);
            let (bias, actual, stated) = (sum / n, (squares / n).sqrt(), stated / n);
            assert!(bias.abs() < 0.01 * 0.3, "{below}: {bias}");
            assert!(
                (0.4..2.5).contains(&(stated / actual)),
                "{below}: {actual} {stated}"
            );
        }
    }

    /// An exponential of T60 1 s whose power has `noise` added, 1.5 s of it.
    fn in_noise(noise: f64) -> Vec<f64> {
        let x = exponential(1.0, 1.5);
        x.iter().map(|v| (v * v + noise).sqrt()).collect()
    }

    const ONE_SAMPLE_S: f64 = 1.0 / RATE_HZ as f64;

    #[test]
    fn noise_and_range_are_those_put_in() {
        for below in [20.0, 40.0] {
            let noise = 10_f64.powf(-0.1 * below);
            for known in [Noise::Unknown, Noise::Measured(noise)] {
                let decay = Decay::of(&in_noise(noise), rate(), ONE_SAMPLE_S, known).unwrap();
                let off = decay.noise_power() / noise - 1.0;
                assert!(off.abs() < 1e-3, "{below}: {off}");
                let range_db = decay.range_db();
                assert!((range_db - below).abs() < 0.01, "{below}: {range_db}");
            }
        }
    }

    /// Without noise the end of the record is the limit, and every sample counts.
    #[test]
    fn a_record_that_ends_early_has_the_range_to_its_end() {
        for level in [30.0, 40.0, 70.0] {
            let x = exponential(1.0, level / 60.0);
            for known in [Noise::Unknown, Noise::Measured(1e-12)] {
                let decay = Decay::of(&x, rate(), ONE_SAMPLE_S, known).unwrap();
                let range_db = decay.range_db();
                assert!((range_db - level).abs() < 0.01, "{level}: {range_db}");
                assert_eq!(decay.curve(usize::MAX).len(), x.len());
                let needs = |range: LineRange| decay.line(range).is_ok();
                assert_eq!(needs(LineRange::T10), level > 25.0);
                assert_eq!(needs(LineRange::T20), level > 35.0);
                assert_eq!(needs(LineRange::T30), level > 45.0);
            }
            // Zeros behind are no noise and no sound.
            let mut padded = x.clone();
            padded.extend([0.0; 5_000]);
            let of = |x: &[f64]| Decay::of(x, rate(), 0.001, Noise::Unknown).unwrap();
            assert_eq!(of(&padded), of(&x));
        }
    }

    #[test]
    fn gain_changes_nothing() {
        for noise in [0.0, 1e-5] {
            let x = in_noise(noise);
            let of = |gain: f64| {
                let x: Vec<f64> = x.iter().map(|v| v * gain).collect();
                let decay = Decay::of(&x, rate(), 0.001, Noise::Measured(noise * gain * gain));
                let decay = decay.unwrap();
                let line = decay.line(LineRange::T20).unwrap();
                (decay.range_db(), line.ring_time_s)
            };
            let one = of(1.0);
            for gain in [1e-9, 1e9] {
                let other = of(gain);
                assert!((other.0 - one.0).abs() < 1e-6, "{one:?} {other:?}");
                assert!((other.1 / one.1 - 1.0).abs() < 1e-9, "{one:?} {other:?}");
            }
        }
    }

    /// What is known of the noise counts where a gate has closed; a quieter end counts more.
    #[test]
    fn the_end_is_believed_unless_a_gate_has_closed() {
        let noise = 1e-4;
        let x = in_noise(noise);
        let of = |x: &[f64], known| Decay::of(x, rate(), 0.001, known).unwrap();
        let noise_of = |x: &[f64], known| of(x, known).noise_power() / noise;
        let louder = noise_of(&x, Noise::Measured(2.0 * noise));
        assert!((louder - 1.0).abs() < 0.01, "{louder}");
        let mut gated = x.clone();
        for v in &mut gated[60_000..] {
            *v *= 1e-3;
        }
        let known = noise_of(&gated, Noise::Measured(noise));
        assert!((known - 1.0).abs() < 1e-9, "{known}");
        let unknown = noise_of(&gated, Noise::Unknown);
        assert!(unknown < 0.01, "{unknown}");
        // What is no mean square is as good as unknown.
        for nonsense in [f64::NAN, f64::INFINITY, -1.0, -f64::INFINITY] {
            assert_eq!(of(&x, Noise::Measured(nonsense)), of(&x, Noise::Unknown));
        }
    }

    #[test]
    fn the_end_is_a_tenth_or_ten_averaging_times() {
        assert_eq!(end_len(1000, 1), 100);
        assert_eq!(end_len(1000, 20), 200);
        assert_eq!(end_len(1000, 50), 333);
        assert_eq!(end_len(2, 1), 1);
    }

    /// 20 dB of a T60 of 1 s are 16 000 samples: four stretches of twice the averaging time fit,
    /// or three. 10 dB far down are as many stretches as 10 dB at the start.
    #[test]
    fn fewer_than_four_stretches_tell_no_error() {
        let x = exponential(1.0, 1.5);
        let std_s = |smooth_s: f64, range: LineRange| {
            let decay = Decay::of(&x, rate(), smooth_s, Noise::Measured(0.0)).unwrap();
            decay.line(range).unwrap().ring_time_std_s
        };
        assert!(std_s(0.040, LineRange::T20) < 0.01);
        assert_eq!(std_s(0.045, LineRange::T20), f64::INFINITY);
        let far = LineRange {
            from_db: -50.0,
            to_db: -60.0,
            needs_db: 65.0,
        };
        assert!(std_s(0.001, far) < 0.01);
    }

    /// Blocks fall by `first` each, then, after a dip, by `second`.
    fn with_dip(first: f64, second: f64, dip: usize) -> Vec<f64> {
        let mut level = 0.0;
        let blocks = (0..80).map(|k| {
            level -= if k < 10 { first } else { second };
            if (10..10 + dip).contains(&k) {
                1e-9
            } else {
                f64::exp(level)
            }
        });
        blocks.flat_map(|p: f64| [p; 4]).collect()
    }

    #[test]
    fn one_dip_does_not_end_a_decay_and_two_do() {
        let slope = |dip: usize| {
            let tail = late_slope(&with_dip(0.4, 0.1, dip), 4, 1e-9, 320).unwrap();
            4.0 * tail.per_sample
        };
        for (dip, expected) in [(0, 0.1), (1, 0.1), (2, 0.4), (5, 0.4)] {
            let found = slope(dip);
            assert!((found - expected).abs() < 1e-3, "{dip}: {found}");
        }
    }

    #[test]
    fn what_does_not_decay_is_refused() {
        assert_eq!(
            Decay::of(&[0.0; 9_000], rate(), 0.01, Noise::Unknown),
            Err(NoLine::NoDecay)
        );
        assert_eq!(
            Decay::of(&[], rate(), 0.01, Noise::Measured(1.0)),
            Err(NoLine::NoDecay)
        );
        for seed in 0..20 {
            let noise = gaussian(20_000, seed);
            let refused = Decay::of(&noise, rate(), 0.002, Noise::Unknown);
            assert!(refused.is_err(), "{refused:?}");
            let refused = Decay::of(&noise, rate(), 0.002, Noise::Measured(1.0));
            assert!(refused.is_err(), "{refused:?}");
        }
        let rising: Vec<f64> = exponential(0.5, 1.0).into_iter().rev().collect();
        let tone: Vec<f64> = (0..40_000).map(|i| (0.3 * f64::from(i)).sin()).collect();
        for x in [rising, tone] {
            for noise in [
                Noise::Unknown,
                Noise::Measured(1e-9),
                Noise::Measured(f64::NAN),
            ] {
                let line = Decay::of(&x, rate(), 0.002, noise).and_then(|d| d.line(LineRange::T20));
                assert!(line.is_err(), "{line:?}");
            }
        }
    }

    // The first of Anscombe's four sets (1973; values from memory): slope 0.5001, its standard
    // error 0.1179, residual deviation 1.237 over 9 degrees of freedom.
    #[test]
    fn a_line_is_that_of_the_textbook() {
        let x = [10.0, 8.0, 13.0, 9.0, 11.0, 14.0, 6.0, 4.0, 12.0, 7.0, 5.0];
        let y = [
            8.04, 6.95, 7.58, 8.81, 8.33, 9.96, 7.24, 4.26, 10.84, 4.82, 5.68,
        ];
        let line = line_through(x.into_iter().zip(y)).unwrap();
        assert!((line.slope - 0.5001).abs() < 5e-5);
        assert!((line.slope_std() - 0.1179).abs() < 5e-5);
        assert!((line.rms - 1.237 * (9.0f64 / 11.0).sqrt()).abs() < 5e-4);
        assert!(line_through([(1.0, 2.0)].into_iter()).is_none());
        assert!(line_through([(1.0, 2.0), (1.0, 3.0)].into_iter()).is_none());
        assert!(line_through([(1.0, 2.0), (2.0, 3.0)].into_iter()).is_some());
    }

    #[test]
    fn blocks_stand_at_their_middles_and_whole_only() {
        let power = [1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0];
        let of = |len| blocks(&power, len).collect::<Vec<_>>();
        assert_eq!(of(3), [(1.0, 2.0), (4.0, 5.0)]);
        assert_eq!(of(2), [(0.5, 1.5), (2.5, 3.5), (4.5, 5.5)]);
        assert_eq!(of(0).len(), 7);
    }

    // sum p e^(-q n) from the knee on, and from any sample: the geometric series.
    #[test]
    fn the_tail_found_is_the_one_put_in() {
        for (per_sample, floor, len) in [(0.002, 1e-4, 6000), (0.01, 1e-5, 2000), (0.03, 0.0, 500)]
        {
            let power: Vec<f64> = (0..len)
                .map(|n| 3.0 * (-per_sample * f64::from(n)).exp() + floor)
                .collect();
            let (tail, found, knee) = settle(&power, 8, Noise::Measured(floor)).unwrap();
            assert!(
                (tail.per_sample / per_sample - 1.0).abs() < 1e-2,
                "{}",
                tail.per_sample
            );
            assert!((tail.power / 3.0 - 1.0).abs() < 2e-2, "{}", tail.power);
            if floor > 0.0 {
                assert!((found / floor - 1.0).abs() < 1e-2, "{found}");
                // Where the exponential is as loud as the noise: ln(3 / floor) / q.
                let meets = (3.0 / floor).ln() / per_sample;
                assert!((knee as f64 - meets).abs() < 0.02 * meets, "{knee} {meets}");
            } else {
                assert_eq!(knee, len as usize);
            }
            let from = 0.3 * f64::from(len);
            let sum = tail.power * (-tail.per_sample * from).exp() / -(-tail.per_sample).exp_m1();
            assert!(
                (tail.sum_from(from) / sum - 1.0).abs() < 0.02,
                "{}",
                tail.sum_from(from)
            );
        }
    }
}
