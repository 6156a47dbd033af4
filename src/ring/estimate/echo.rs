//! The room's echo in one band, as noise that dies away with the room.
//!
//! What the room adds to a sound x is its response h, after the direct sound, convolved with x.
//! Seen from one narrow band h is complex Gaussian noise that dies away, `E|h[k]|^2 = q r^k`
//! (Polack's model of a diffuse tail), so the echo has the covariance
//! `K[n][m] = q sum_k r^k x[n-k] conj(x[m-k])`, which follows from its upper left neighbour:
//! `K[n][m] = q x[n] conj(x[m]) + r K[n-1][m-1]`. Fits are made in coordinates in which noise
//! and echo together are white (generalised least squares).

use nalgebra::{Cholesky, DMatrix};

use super::zoom::C64;

/// Echo of a room: how much and how long.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Echo {
    /// Energy of the echo over that of the direct sound.
    pub share: f64,
    /// Decay rate of its amplitude in 1/s.
    pub decay_per_s: f64,
}

/// What a band holds beside the lines that are being fitted.
#[derive(Debug, Clone)]
pub struct Disturbance {
    /// Variance of the noise per band sample.
    pub noise: f64,
    /// Echo; its decay in 1/(band sample) of the amplitude.
    pub echo: Option<Echo>,
    /// Lines of other clusters that sound in this band, per tap, from the strike on.
    pub others: Vec<Vec<C64>>,
    /// Band samples in `others` before the window's first.
    pub lead: usize,
    /// Energy in the band of the strike itself, per tap: it echoes too.
    pub strikes: Vec<f64>,
}

/// Turns noise of a known covariance into white noise of variance 1.
pub enum Whitener {
    /// White noise already: one over its standard deviation.
    Scale(f64),
    /// Lower Cholesky factor of the covariance.
    Lower(Box<DMatrix<C64>>),
}

impl Whitener {
    /// The matrix, column by column, in white coordinates.
    pub fn apply(&self, mut m: DMatrix<C64>) -> DMatrix<C64> {
        match self {
            Self::Scale(s) => m.scale_mut(*s),
            Self::Lower(l) => {
                for mut column in m.column_iter_mut() {
                    let values = column.as_mut_slice();
                    for j in 0..values.len() {
                        let v = values[j] / l[(j, j)].re;
                        values[j] = v;
                        let below = &l.column(j).data.into_slice()[j + 1..];
                        for (x, c) in values[j + 1..].iter_mut().zip(below) {
                            x.re -= c.re * v.re - c.im * v.im;
                            x.im -= c.re * v.im + c.im * v.re;
                        }
                    }
                }
            }
        }
        m
    }

    /// Logarithm of the determinant of the covariance over `len` samples.
    pub fn log_det(&self, len: usize) -> f64 {
        match self {
            Self::Scale(s) => -2.0 * len as f64 * s.ln(),
            Self::Lower(l) => (0..l.nrows()).map(|k| 2.0 * l[(k, k)].re.ln()).sum(),
        }
    }
}

impl Disturbance {
    /// The whitener of tap `t` when the lines `logs` with `amplitudes` (at the window's first
    /// sample) sound in it.
    pub fn whitener(&self, t: usize, len: usize, logs: &[C64], amplitudes: &[C64]) -> Whitener {
        let plain = Whitener::Scale(1.0 / self.noise.max(1e-300).sqrt());
        let Some(echo) = self.echo else {
            return plain;
        };
        let mut x = self.others[t].clone();
        x.resize(self.lead + len, C64::new(0.0, 0.0));
        for (s, c) in logs.iter().zip(amplitudes) {
            // Back to the strike, but a fast line is not followed far back: it grows there.
            let back = (self.lead as f64).min(2.0 / -s.re.min(-1e-9)) as usize;
            let z = s.exp();
            let mut v = c * (-s * back as f64).exp();
            for out in &mut x[self.lead - back..] {
                *out += v;
                v *= z;
            }
        }
        let keep = (-2.0 * echo.decay_per_s).exp();
        // Taps of one place may well have one and the same echo: then they tell no more of it
        // than one of them does, and each is given the weight of its share.
        let per_sample = echo.share * (1.0 - keep) * self.others.len() as f64;
        let size = x.len();
        let mut k = DMatrix::<C64>::zeros(len, len);
        for gap in 0..len {
            let mut v = C64::new(0.0, 0.0);
            for m in 0..size - gap {
                v = v * keep + x[m + gap] * x[m].conj() * per_sample;
                if m >= self.lead {
                    k[(m - self.lead + gap, m - self.lead)] = v;
                }
            }
        }
        let strike = per_sample * self.strikes[t];
        for n in 0..len {
            let echoed = strike * keep.powi((self.lead + n) as i32);
            k[(n, n)] = C64::new(k[(n, n)].re + self.noise + echoed, 0.0);
        }
        match Cholesky::new(k) {
            Some(c) => Whitener::Lower(Box::new(c.unpack())),
            None => plain,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
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
            others: vec![vec![C64::new(0.0, 0.0); lead + len]],
            lead,
            strikes: vec![0.0],
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
            let column = DMatrix::from_column_slice(len, 1, &heard);
            sum += white.apply(column).norm_squared();
        }
        let mean = sum / (200 * len) as f64;
        assert!((mean - 1.0).abs() < 0.036, "{mean}");
    }
}
