//! The room's echo in one band, as noise that dies away with the room.
//!
//! What the room adds to a sound x is its response h, after the direct sound, convolved with x.
//! Seen from one narrow band h is complex Gaussian noise that dies away, `E|h[k]|^2 = q r^k`
//! (Polack's model of a diffuse tail). Where x is a sum of damped lines `a_j z_j^n` from the
//! strike on, its echo is the output of a small linear system that h drives: each line has one
//! state, `u_j[n] = z_j u_j[n-1] + a_j h[n]`, and the echo is their sum. Fits are made in
//! coordinates in which noise and echo together are white (generalised least squares); the
//! innovations of the Kalman filter of that system are such coordinates (Kailath 1968; from
//! memory), and cost a few multiplications a sample where a triangular matrix costs its length.

use super::phasor::C64;
use crate::signal::wide::widely;

/// Echo of a room: how much and how long.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Echo {
    /// Energy of the echo over that of the direct sound.
    pub share: f64,
    /// Decay rate of its amplitude in 1/s.
    pub decay_per_s: f64,
}

/// A line in a band: its pole `ln z` per band sample and its amplitude at the window's first.
#[derive(Debug, Clone, Copy)]
pub struct BandLine {
    /// `ln z` per band sample.
    pub log: C64,
    /// Amplitude at the window's first sample.
    pub amplitude: C64,
}

/// What a band holds beside the lines that are being fitted.
#[derive(Debug, Clone)]
pub struct Disturbance {
    /// Variance of the noise per band sample.
    pub noise: f64,
    /// Echo; its decay in 1/(band sample) of the amplitude.
    pub echo: Option<Echo>,
    /// Lines of other clusters that sound in this band, per tap.
    pub others: Vec<Vec<BandLine>>,
    /// Band samples from the strike to the window's first.
    pub lead: usize,
    /// Energy in the band of the strike itself, per tap: it echoes too.
    pub strikes: Vec<f64>,
    /// How many of the taps were heard by the same microphone as each.
    pub alike: Vec<usize>,
}

/// Turns noise of a known covariance into white noise of variance 1.
pub struct Whitener {
    /// One over the standard deviation of each innovation; the last holds for all that follow.
    scale: Vec<f64>,
    /// Poles of the echoing lines.
    poles: Vec<C64>,
    /// What an innovation adds to the state of each line at the next sample: `[sample][line]`.
    gains: Vec<C64>,
}

/// An echo below this share of the noise's variance is not counted: it would change a weight by
/// half of that.
const FAINT: f64 = 0.01;

impl Whitener {
    fn plain(noise: f64) -> Self {
        Self {
            scale: vec![1.0 / noise.max(1e-300).sqrt()],
            poles: Vec::new(),
            gains: Vec::new(),
        }
    }

    /// What every sample is multiplied by, when there is no echo: nothing but noise.
    pub fn plain_scale(&self) -> Option<f64> {
        let scale = self.scale.first().copied();
        scale.filter(|_| self.poles.is_empty())
    }

    /// Turns columns of `len` samples each, one after the other, into white coordinates.
    pub fn apply(&self, columns: &mut [C64], len: usize) {
        if self.poles.is_empty() {
            for v in columns {
                *v *= self.scale[0];
            }
            return;
        }
        filter_all(self, columns, len);
    }

    #[inline(always)]
    fn filter_all(&self, columns: &mut [C64], len: usize) {
        let mut fours = columns.chunks_exact_mut(4 * len);
        for four in &mut fours {
            self.filter_columns::<4>(four, len);
        }
        for one in fours.into_remainder().chunks_exact_mut(len) {
            self.filter_columns::<1>(one, len);
        }
    }

    /// `N` columns side by side, which the processor does in the time of one or two.
    #[inline(always)]
    fn filter_columns<const N: usize>(&self, columns: &mut [C64], len: usize) {
        let lines = self.poles.len();
        let mut state = vec![([0.0; N], [0.0; N]); lines];
        for n in 0..len.min(self.scale.len()) {
            let (mut re, mut im) = ([0.0; N], [0.0; N]);
            for c in 0..N {
                let v = columns[c * len + n];
                (re[c], im[c]) = (v.re, v.im);
            }
            for (x, y) in &state {
                for c in 0..N {
                    re[c] -= x[c];
                    im[c] -= y[c];
                }
            }
            let gains = &self.gains[n * lines..(n + 1) * lines];
            for j in 0..lines {
                let (z, g) = (self.poles[j], gains[j]);
                let (x, y) = &mut state[j];
                for c in 0..N {
                    let (a, b) = (x[c], y[c]);
                    x[c] = z.re * a - z.im * b + (g.re * re[c] - g.im * im[c]);
                    y[c] = z.re * b + z.im * a + (g.re * im[c] + g.im * re[c]);
                }
            }
            let scale = self.scale[n];
            for c in 0..N {
                columns[c * len + n] = C64::new(re[c] * scale, im[c] * scale);
            }
        }
    }

    /// Logarithm of the determinant of the covariance over `len` samples.
    pub fn log_det(&self, len: usize) -> f64 {
        if self.poles.is_empty() {
            return -2.0 * len as f64 * self.scale[0].ln();
        }
        self.scale.iter().take(len).map(|s| -2.0 * s.ln()).sum()
    }
}

widely!(fn filter_all(white: &Whitener, columns: &mut [C64], len: usize) = Whitener::filter_all);

impl Disturbance {
    /// The whitener of tap `t` over `len` samples when the lines `logs` with `amplitudes` (at
    /// the window's first sample) sound in it.
    pub fn whitener(&self, t: usize, len: usize, logs: &[C64], amplitudes: &[C64]) -> Whitener {
        let Some(echo) = self.echo else {
            return Whitener::plain(self.noise);
        };
        let keep = (-2.0 * echo.decay_per_s).exp();
        // Taps that one microphone hears may well have one and the same echo: then they tell no
        // more of it than one of them does, and each is given the weight of its share.
        let per_sample = echo.share * (1.0 - keep) * self.alike[t] as f64;
        let strike = per_sample * self.strikes[t];
        let own = logs.iter().zip(amplitudes);
        let own = own.map(|(log, amplitude)| BandLine {
            log: *log,
            amplitude: *amplitude,
        });
        let (mut poles, mut strengths) = (Vec::new(), Vec::new());
        for line in own.chain(self.others[t].iter().copied()) {
            // Back to the strike; a fast line is not followed far back: it grows there.
            let back = (self.lead as f64).min(2.0 / -line.log.re.min(-1e-9));
            let at_strike = line.amplitude
                * C64::from_polar((-line.log.re * back).exp(), -line.log.im * self.lead as f64);
            let longest = keep.max((2.0 * line.log.re).exp()).min(1.0 - 1e-6);
            let most = per_sample * at_strike.norm_sqr() / (1.0 - longest);
            if most > FAINT * self.noise {
                poles.push(line.log.exp());
                strengths.push(at_strike);
            }
        }
        if poles.is_empty() && strike < FAINT * self.noise {
            return Whitener::plain(self.noise);
        }
        if poles.is_empty() {
            // A state that nothing drives carries the strike's echo, which is white.
            poles.push(C64::new(0.0, 0.0));
            strengths.push(C64::new(0.0, 0.0));
        }
        self.filter(&poles, &strengths, len, (keep, per_sample, strike))
    }

    /// The Kalman filter of the echo of lines with `poles` and `strengths` (amplitudes at the
    /// strike); `drive`: what is kept a sample, variance of the response at the strike, and of
    /// the strike's own echo.
    fn filter(
        &self,
        poles: &[C64],
        strengths: &[C64],
        len: usize,
        drive: (f64, f64, f64),
    ) -> Whitener {
        let lines = poles.len();
        let (keep, per_sample, strike) = drive;
        let mut out = Whitener {
            scale: Vec::with_capacity(len),
            poles: poles.to_vec(),
            gains: Vec::with_capacity(len * lines),
        };
        // Covariance of the states before the sample is heard, row by row.
        let mut p = vec![C64::new(0.0, 0.0); lines * lines];
        let mut seen = vec![C64::new(0.0, 0.0); lines];
        let mut fresh = 1.0;
        for n in 0..self.lead + len {
            for (j, row) in p.chunks_exact_mut(lines).enumerate() {
                for (k, v) in row.iter_mut().enumerate() {
                    *v += strengths[j] * strengths[k].conj() * (per_sample * fresh);
                }
            }
            if n >= self.lead {
                // What each state has in common with the sum that is heard.
                let mut variance = self.noise + strike * fresh;
                for (s, row) in seen.iter_mut().zip(p.chunks_exact(lines)) {
                    *s = row.iter().sum();
                    variance += s.re;
                }
                let variance = variance.max(self.noise).max(1e-300);
                out.scale.push(1.0 / variance.sqrt());
                for (z, s) in poles.iter().zip(&seen) {
                    out.gains.push(z * s / variance);
                }
                for (j, row) in p.chunks_exact_mut(lines).enumerate() {
                    for (k, v) in row.iter_mut().enumerate() {
                        *v -= seen[j] * seen[k].conj() / variance;
                    }
                }
            }
            for (j, row) in p.chunks_exact_mut(lines).enumerate() {
                for (k, v) in row.iter_mut().enumerate() {
                    *v *= poles[j] * poles[k].conj();
                }
            }
            fresh *= keep;
        }
        out
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use nalgebra::DMatrix;
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};

    /// Echoes drawn after the model itself, with noise, are white with variance 1 in the
    /// whitener's coordinates. The mean of n squared magnitudes of complex Gaussian numbers scatters
    /// by 1/sqrt(n): 200 echoes of 60 samples by 0.9 %; four of those are allowed.
    #[test]
    fn echo_and_noise_become_white() {
        let (len, lead, share, noise) = (60usize, 4usize, 0.05, 1e-4);
        let echo = Echo {
            share,
            decay_per_s: 0.04,
        };
        let (log, amplitude) = (C64::new(-0.06, 0.7), C64::new(0.8, -0.3));
        let around = Disturbance {
            noise,
            echo: Some(echo),
            others: vec![Vec::new()],
            lead,
            strikes: vec![0.0],
            alike: vec![1],
        };
        let white = around.whitener(0, len, &[log], &[amplitude]);
        let keep = (-2.0 * echo.decay_per_s).exp();
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(11);
        let mut drawn = |variance: f64| {
            let std = (0.5 * variance).sqrt();
            let (a, b): (f64, f64) = (
                StandardNormal.sample(&mut rng),
                StandardNormal.sample(&mut rng),
            );
            C64::new(std * a, std * b)
        };
        let x: Vec<C64> = (0..lead + len)
            .map(|n| amplitude * (log * (n as f64 - lead as f64)).exp())
            .collect();
        let mut sum = 0.0;
        for _ in 0..200 {
            let h: Vec<C64> = (0..lead + len)
                .map(|k| drawn(share * (1.0 - keep) * keep.powi(k as i32)))
                .collect();
            let heard: Vec<C64> = (lead..lead + len)
                .map(|n| (0..=n).map(|k| h[k] * x[n - k]).sum::<C64>() + drawn(noise))
                .collect();
            let mut column = heard;
            white.apply(&mut column, len);
            sum += column.iter().map(|v| v.norm_sqr()).sum::<f64>();
        }
        let mean = sum / (200 * len) as f64;
        assert!((mean - 1.0).abs() < 0.036, "{mean}");
    }

    /// The filter gives what the triangle of the whole covariance matrix gives, which follows
    /// from its upper left neighbour: `K[n][m] = q x[n] conj(x[m]) + r K[n-1][m-1]`.
    #[test]
    fn the_filter_agrees_with_the_whole_matrix() {
        let (len, lead, share, noise) = (80usize, 5usize, 0.2, 1e-3);
        let echo = Echo {
            share,
            decay_per_s: 0.03,
        };
        let own = [
            (C64::new(-0.05, 0.6), C64::new(0.9, 0.4)),
            (C64::new(-0.02, 0.65), C64::new(-0.5, 0.7)),
        ];
        let other = BandLine {
            log: C64::new(-0.11, -1.1),
            amplitude: C64::new(0.3, 0.1),
        };
        let around = Disturbance {
            noise,
            echo: Some(echo),
            others: vec![vec![other], vec![other]],
            lead,
            strikes: vec![0.0, 0.02],
            alike: vec![2, 2],
        };
        let logs = own.map(|l| l.0);
        let amplitudes = own.map(|l| l.1);
        let white = around.whitener(1, len, &logs, &amplitudes);

        let all = own.into_iter().chain([(other.log, other.amplitude)]);
        let mut x = vec![C64::new(0.0, 0.0); lead + len];
        for (log, amplitude) in all {
            for (n, out) in x.iter_mut().enumerate() {
                *out += amplitude * (log * (n as f64 - lead as f64)).exp();
            }
        }
        let keep = (-2.0 * echo.decay_per_s).exp();
        let q = share * (1.0 - keep) * 2.0;
        let mut k = DMatrix::<C64>::zeros(lead + len, lead + len);
        for n in 0..lead + len {
            for m in 0..lead + len {
                let before = if n > 0 && m > 0 {
                    k[(n - 1, m - 1)] * keep
                } else {
                    C64::new(0.0, 0.0)
                };
                k[(n, m)] = before + x[n] * x[m].conj() * q;
            }
        }
        let mut k = k.view((lead, lead), (len, len)).into_owned();
        for n in 0..len {
            let strike = q * 0.02 * keep.powi((lead + n) as i32);
            k[(n, n)] += C64::new(noise + strike, 0.0);
        }
        let lower = nalgebra::Cholesky::new(k).unwrap().unpack();
        let heard = DMatrix::from_fn(len, 1, |n, _| {
            C64::new(
                (0.3 * n as f64).sin(),
                (0.7 * n as f64).cos() / (n as f64 + 1.0),
            )
        });
        let solved = lower.solve_lower_triangular(&heard).unwrap();
        // Five columns, so that both ways through the filter are taken.
        let mut filtered = heard.as_slice().repeat(5);
        white.apply(&mut filtered, len);
        for (n, v) in filtered.iter().enumerate() {
            // The two differ by rounding only.
            assert!((solved[n % len].norm() - v.norm()).abs() < 1e-8 * solved.norm());
        }
        let log_det: f64 = (0..len).map(|n| 2.0 * lower[(n, n)].re.ln()).sum();
        assert!((log_det - white.log_det(len)).abs() < 1e-9 * log_det.abs());
    }

    fn around(noise: f64, echo: Option<Echo>, lead: usize) -> Disturbance {
        Disturbance {
            noise,
            echo,
            others: vec![Vec::new()],
            lead,
            strikes: vec![0.0],
            alike: vec![1],
        }
    }

    const ECHO: Echo = Echo {
        share: 0.1,
        decay_per_s: 0.05,
    };

    /// Covariance of what is heard, straight from the model: the response of each age, convolved.
    fn covariance(
        lines: &[(C64, C64)],
        (lead, len): (usize, usize),
        (noise, strike): (f64, f64),
        response: impl Fn(usize) -> f64,
    ) -> DMatrix<C64> {
        let at = |n: usize| -> C64 {
            let one = |(s, a): &(C64, C64)| a * (s * (n as f64 - lead as f64)).exp();
            lines.iter().map(one).sum()
        };
        DMatrix::from_fn(len, len, |i, j| {
            let (n, m) = (lead + i, lead + j);
            let ages = 0..=n.min(m);
            let mut sum: C64 = ages
                .map(|k| at(n - k) * at(m - k).conj() * response(k))
                .sum();
            if i == j {
                sum += C64::new(noise + strike * response(n), 0.0);
            }
            sum
        })
    }

    /// What the whitener does to columns, against the inverse of the covariance: products of white
    /// columns are those weighted with it.
    fn weighs_as(white: &Whitener, whole: &DMatrix<C64>, precision: f64) {
        let len = whole.nrows();
        let x = DMatrix::from_fn(len, 6, |n, k| {
            C64::new(
                (0.3 * ((k + 1) * n) as f64).sin(),
                (0.7 * n as f64 + k as f64).cos(),
            )
        });
        let truth = x.adjoint() * nalgebra::Cholesky::new(whole.clone()).unwrap().solve(&x);
        let mut columns = x.as_slice().to_vec();
        white.apply(&mut columns, len);
        let found = DMatrix::from_column_slice(len, 6, &columns);
        let found = found.adjoint() * &found;
        assert!((found - &truth).norm() < precision * truth.norm());
        let log_det = nalgebra::Cholesky::new(whole.clone()).unwrap().l();
        let log_det: f64 = (0..len).map(|n| 2.0 * log_det[(n, n)].re.ln()).sum();
        assert!((white.log_det(len) - log_det).abs() < precision * log_det.abs());
    }

    #[test]
    fn without_echo_only_the_scale_changes() {
        let white =
            around(4.0, None, 3).whitener(0, 9, &[C64::new(-0.1, 0.2)], &[C64::new(1.0, 0.0)]);
        assert_eq!(white.plain_scale(), Some(0.5));
        let mut columns = vec![C64::new(3.0, -1.0); 9];
        white.apply(&mut columns, 9);
        assert!(
            columns
                .iter()
                .all(|v| (v - C64::new(1.5, -0.5)).norm() < 1e-15)
        );
        assert!((white.log_det(9) - 9.0 * 4f64.ln()).abs() < 1e-12);
    }

    /// One line of this band, one of another cluster, the strike, and two taps of one microphone.
    #[test]
    fn echo_of_lines_and_strike_weighs_as_its_covariance() {
        let own = (C64::new(-0.08, 0.9), C64::new(0.7, -0.2));
        let other = (C64::new(-0.15, -0.5), C64::new(0.1, 0.4));
        let (lead, len, noise, strike) = (4, 30, 0.01, 0.6);
        let keep = (-2.0 * ECHO.decay_per_s).exp();
        for alike in [1, 2] {
            let made = Disturbance {
                others: vec![vec![BandLine {
                    log: other.0,
                    amplitude: other.1,
                }]],
                strikes: vec![strike],
                alike: vec![alike],
                ..around(noise, Some(ECHO), lead)
            };
            let response =
                |k: usize| ECHO.share * (1.0 - keep) * alike as f64 * keep.powi(k as i32);
            let whole = covariance(&[own, other], (lead, len), (noise, strike), response);
            let white = made.whitener(0, len, &[own.0], &[own.1]);
            assert!(white.plain_scale().is_none());
            weighs_as(&white, &whole, 1e-9);
        }
    }

    /// A strike that no line follows: its echo alone makes the first samples count less.
    #[test]
    fn the_echo_of_a_lone_strike_is_white_and_dies_away() {
        let (lead, len, noise) = (2, 12, 0.01);
        let keep = (-2.0 * ECHO.decay_per_s).exp();
        let per_sample = ECHO.share * (1.0 - keep);
        let of = |strike: f64| {
            let made = Disturbance {
                strikes: vec![strike],
                ..around(noise, Some(ECHO), lead)
            };
            made.whitener(0, len, &[], &[])
        };
        let whole = covariance(&[], (lead, len), (noise, 3.0), |k| {
            per_sample * keep.powi(k as i32)
        });
        weighs_as(&of(3.0), &whole, 1e-12);
        // Below a hundredth of the noise it is not counted.
        let faint = FAINT * noise / per_sample;
        assert!(of(0.99 * faint).plain_scale().is_some());
        assert!(of(1.01 * faint).plain_scale().is_none());
    }

    /// The echo of a lone line rises no higher than `q |a|^2 / (1 - longest)`, `longest` being what
    /// room or line keep of their power in a sample.
    #[test]
    fn a_line_whose_echo_is_faint_is_not_counted() {
        let keep = (-2.0 * ECHO.decay_per_s).exp();
        let per_sample = ECHO.share * (1.0 - keep);
        let lead = 5;
        for log in [C64::new(-0.2, 0.4), C64::new(-0.01, 0.4)] {
            let longest = keep.max((2.0 * log.re).exp());
            let most = per_sample / (1.0 - longest);
            // The amplitude is that at the window's first sample, five after the strike.
            let at_strike = |a: f64| a * (-log.re * lead as f64).exp();
            for (share, counted) in [(0.99, false), (1.01, true)] {
                let a = (share * FAINT * 1e-4 / most).sqrt() / at_strike(1.0);
                let made = around(1e-4, Some(ECHO), lead);
                let white = made.whitener(0, 20, &[log], &[C64::new(0.0, a)]);
                assert_eq!(white.plain_scale().is_none(), counted, "{log} {share}");
            }
        }
    }

    /// A line that dies within a sample is followed back for two of its time constants only: its
    /// phase is that at the strike, its size `e^2` times that of the window's start.
    #[test]
    fn a_fast_line_is_not_followed_far_back() {
        let (log, a) = (C64::new(-1.0, 0.4), C64::new(0.5, 0.1));
        let (lead, len, noise) = (6, 12, 1e-3);
        let keep = (-2.0 * ECHO.decay_per_s).exp();
        let white = around(noise, Some(ECHO), lead).whitener(0, len, &[log], &[a]);
        // A line that is e^2 loud at the strike is at the window's start e^(2 - 6) of that.
        let followed = a * (2.0f64 - 6.0).exp();
        let response = |k: usize| ECHO.share * (1.0 - keep) * keep.powi(k as i32);
        let whole = covariance(&[(log, followed)], (lead, len), (noise, 0.0), response);
        weighs_as(&white, &whole, 1e-9);
    }
}
