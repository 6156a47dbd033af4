//! How well the motion of a made-up wheel sounds at the microphone.

use std::f64::consts::PI;

use super::wheel::{WheelModel, WheelTone};

/// Speed of sound in air at 20 degrees Celsius in m/s.
const AIR_M_S: f64 = 343.2;
/// Corner of the falling efficiency with which slow motion of a rim radiates; assumed.
const RIM_HZ: f64 = 1500.0;
/// Points on the radius for the face's integral.
const RINGS: usize = 64;
/// Points on the half circle for a Bessel function; their error falls faster than any power.
const POINTS: usize = 64;

/// What the microphone hears of a wheel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Radiation {
    /// A microphone close to the rim: velocity of the rim beside it, falling below 1.5 kHz.
    NearRim,
    /// A microphone some diameters away, in front of the face and off its axis: Rayleigh's
    /// integral over the face as in an endless wall (Lord Rayleigh, The Theory of Sound, vol. 2,
    /// section 278, from memory), far field,
    /// `p ~ k a integral W(r) J_n(k r sin angle) r dr cos n theta`. The back and the rim are left
    /// out, and so is the loss to the air, which counts with the bond's.
    Face {
        /// Angle from the wheel's axis in radians, 0 to pi/2.
        off_axis_rad: f64,
    },
}

impl Radiation {
    /// Sound at the microphone for a tone whose amplitude at the rim is 1, as a share of what the
    /// rim's velocity alone would give; may be negative.
    pub(super) fn share(self, tone: &WheelTone, wheel: &WheelModel) -> f64 {
        match self {
            Self::NearRim => {
                let x = tone.freq_hz / RIM_HZ;
                x / (1.0 + x * x).sqrt()
            }
            Self::Face { off_axis_rad } => {
                let ka = PI * wheel.diameter_m * tone.freq_hz / AIR_M_S;
                let bore = wheel.bore_m / wheel.diameter_m;
                let step = (1.0 - bore) / RINGS as f64;
                let sum: f64 = (0..RINGS)
                    .map(|k| bore + (k as f64 + 0.5) * step)
                    .map(|r| {
                        let across = bessel(tone.n, ka * r * off_axis_rad.sin());
                        tone.shape.deflection(r) * across * r * step
                    })
                    .sum();
                ka * sum
            }
        }
    }
}

/// `J_n(x)` by Bessel's integral `1/pi integral from 0 to pi of cos(n t - x sin t) dt`, by the
/// trapezoidal rule, exact to rounding for |x| + n up to about 50.
fn bessel(n: usize, x: f64) -> f64 {
    let value = |k: usize| {
        let t = PI * k as f64 / POINTS as f64;
        (n as f64 * t - x * t.sin()).cos()
    };
    let inner: f64 = (1..POINTS).map(value).sum();
    (inner + 0.5 * (value(0) + value(POINTS))) / POINTS as f64
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::ring::plate::Material;
    use crate::ring::synth::{BondLoss, Imperfection};

    fn wheel() -> WheelModel {
        let material = Material {
            youngs_pa: 45e9,
            density_kg_m3: 2300.0,
            poisson: 0.2,
        };
        let size_m = [0.2, 0.02, 0.032];
        WheelModel::sound(size_m, material, BondLoss::VITRIFIED, Imperfection::none())
    }

    /// Values of the tables of Abramowitz and Stegun, chapter 9 (from memory).
    #[test]
    fn bessel_functions_are_those_of_the_tables() {
        for (n, x, value) in [
            (0, 1.0, 0.765_197_69),
            (1, 1.0, 0.440_050_59),
            (2, 5.0, 0.046_565_12),
            (0, 2.404_825_56, 0.0),
            (3, 0.0, 0.0),
        ] {
            assert!((bessel(n, x) - value).abs() < 1e-7, "{n} {x}");
        }
    }

    #[test]
    fn patterns_are_silent_on_the_axis_and_slow_ones_radiate_less() {
        let wheel = wheel();
        let tones = wheel.tones(9000.0).unwrap();
        let of = |off_axis_rad: f64| -> Vec<f64> {
            let face = Radiation::Face { off_axis_rad };
            tones.iter().map(|t| face.share(t, &wheel)).collect()
        };
        // Lobes of opposite sign cancel on the axis, except where there are none (n = 0).
        for (tone, share) in tones.iter().zip(of(0.0)) {
            assert_eq!(share.abs() < 1e-12, tone.n > 0, "n = {}", tone.n);
        }
        assert!(of(0.8).iter().all(|s| s.is_finite() && s.abs() < 10.0));
    }

    // Off the axis by the power series of the Bessel functions and fine steps.
    #[test]
    fn lobes_are_heard_off_the_axis() {
        let wheel = wheel();
        let series = |n: usize, x: f64| -> f64 {
            let mut term = (1..=n).fold(1.0, |t, k| t * 0.5 * x / k as f64);
            let mut sum = 0.0;
            for m in 0..60 {
                sum += term;
                term *= -0.25 * x * x / ((m + 1) as f64 * (m + 1 + n) as f64);
            }
            sum
        };
        for off_axis_rad in [0.3f64, 1.2] {
            for tone in wheel.tones(9000.0).unwrap() {
                let ka = 2.0 * PI * tone.freq_hz * 0.1 / 343.2;
                let steps = 2000;
                let step = 0.84 / f64::from(steps);
                let sum: f64 = (0..steps)
                    .map(|k| 0.16 + (f64::from(k) + 0.5) * step)
                    .map(|r| {
                        let across = series(tone.n, ka * r * off_axis_rad.sin());
                        tone.shape.deflection(r) * across * r * step
                    })
                    .sum();
                let share = Radiation::Face { off_axis_rad }.share(&tone, &wheel);
                assert!((share - ka * sum).abs() < 1e-3 * ka, "{} {share}", tone.n);
            }
        }
    }

    // Beside the rim x/sqrt(1 + x^2) at 1, 2 and 1/2 times the corner; in front Rayleigh's integral on
    // the axis by Simpson's rule, whose error over 400 steps is far below the midpoint rule's 1e-4
    // over 64.
    #[test]
    fn shares_are_those_of_their_formulas() {
        let wheel = wheel();
        for mut tone in wheel.tones(9000.0).unwrap() {
            let face = Radiation::Face { off_axis_rad: 0.0 };
            let (from, to) = (0.16, 1.0);
            let step = (to - from) / 400.0;
            let of = |r: f64| tone.shape.deflection(r) * r;
            let sum: f64 = (0..=400)
                .map(|k| {
                    let weight = match k {
                        0 | 400 => 1.0,
                        k if k % 2 == 1 => 4.0,
                        _ => 2.0,
                    };
                    weight * of(from + step * f64::from(k)) * step / 3.0
                })
                .sum();
            // k a = 2 pi f a / c.
            let ka = 2.0 * PI * tone.freq_hz * 0.1 / 343.2;
            if tone.n == 0 {
                let share = face.share(&tone, &wheel);
                assert!((share - ka * sum).abs() < 1e-3 * ka, "{share} {}", ka * sum);
            }
            for (freq_hz, share) in [
                (1500.0, 0.5f64.sqrt()),
                (3000.0, 0.8f64.sqrt()),
                (750.0, 0.2f64.sqrt()),
            ] {
                tone.freq_hz = freq_hz;
                let near = Radiation::NearRim.share(&tone, &wheel);
                assert!((near - share).abs() < 1e-12, "{freq_hz}");
            }
        }
    }
}
