//! The contact between a tapping handle and the wheel.

use std::f64::consts::PI;

use rustfft::num_complex::Complex64;

/// Force of a tap over time, unit area: a squared half sine that leans forward,
/// `c sin^2(pi t / T) exp(-2.5 t / T)` from 0 to T. Handles press on faster than they let go, and a
/// pulse without the lean would leave single frequencies out altogether.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TapPulse {
    contact_s: f64,
}

/// How much the pulse leans forward.
const LEAN: f64 = 2.5;

impl TapPulse {
    /// A contact of so many seconds, kept within 0.05 to 5 ms. A hard plastic handle on a
    /// vitrified wheel is taken as 0.3 ms, wood as 0.4 ms, a soft mallet as 1 to 2 ms (assumed).
    pub fn new(contact_s: f64) -> Self {
        let contact_s = if contact_s.is_finite() {
            contact_s
        } else {
            0.4e-3
        };
        Self {
            contact_s: contact_s.clamp(0.05e-3, 5e-3),
        }
    }

    /// Length of the contact in seconds.
    pub fn contact_s(self) -> f64 {
        self.contact_s
    }

    /// Force in 1/s at `t` seconds after the first touch.
    pub fn force(self, t: f64) -> f64 {
        if (0.0..=self.contact_s).contains(&t) {
            let lean = (-LEAN * t / self.contact_s).exp();
            lean * (PI * t / self.contact_s).sin().powi(2) / self.area()
        } else {
            0.0
        }
    }

    /// `integral of sin^2(pi t / T) exp(-LEAN t / T)` over the contact, in seconds.
    fn area(self) -> f64 {
        let turn = 2.0 * PI;
        let fall = 1.0 - (-LEAN).exp();
        0.5 * self.contact_s * fall * (1.0 / LEAN - LEAN / (LEAN * LEAN + turn * turn))
    }

    /// The click of the contact itself: one period of a sine over the contact.
    pub fn click(self, t: f64) -> f64 {
        if (0.0..=self.contact_s).contains(&t) {
            (2.0 * PI * t / self.contact_s).sin()
        } else {
            0.0
        }
    }

    /// `integral over the whole contact of force(u) exp(-pole u) du`: what the contact makes of
    /// an impulse response `exp(pole t)`.
    pub fn spectrum(self, pole: Complex64) -> Complex64 {
        self.spectrum_until(pole, self.contact_s)
    }

    /// The same integral from 0 to `t`.
    pub fn spectrum_until(self, pole: Complex64, t: f64) -> Complex64 {
        let t = t.clamp(0.0, self.contact_s);
        let turn = Complex64::new(0.0, 2.0 * PI / self.contact_s);
        let base = -pole - LEAN / self.contact_s;
        let swing = integral(base + turn, t) + integral(base - turn, t);
        (integral(base, t) * 0.5 - swing * 0.25) / self.area()
    }
}

/// `integral of exp(a u) du` from 0 to t.
fn integral(a: Complex64, t: f64) -> Complex64 {
    let x = a * t;
    if x.norm() < 1e-3 {
        return (Complex64::new(1.0, 0.0) + x * 0.5 + x * x / 6.0 + x * x * x / 24.0) * t;
    }
    (x.exp() - 1.0) / a
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spectrum_agrees_with_a_sum() {
        let pulse = TapPulse::new(0.7e-3);
        for pole in [
            Complex64::new(-20.0, 2.0 * PI * 3000.0),
            Complex64::new(-0.01, 2.0 * PI / 0.7e-3),
            Complex64::new(-400.0, 10.0),
        ] {
            for until in [0.2e-3, 0.7e-3] {
                let steps = 20_000;
                let h = until / f64::from(steps);
                let sum: Complex64 = (0..steps)
                    .map(|k| (f64::from(k) + 0.5) * h)
                    .map(|u| pulse.force(u) * (-pole * u).exp() * h)
                    .sum();
                assert!((sum - pulse.spectrum_until(pole, until)).norm() < 1e-6);
            }
        }
        assert!((pulse.spectrum(Complex64::new(-1e-9, 0.0)).re - 1.0).abs() < 1e-9);
    }

    #[test]
    fn a_contact_is_kept_within_its_bounds() {
        for (asked, given) in [
            (1e-3, 1e-3),
            (1e-6, 0.05e-3),
            (1.0, 5e-3),
            (f64::NAN, 0.4e-3),
        ] {
            assert_eq!(TapPulse::new(asked).contact_s(), given);
        }
    }

    /// A period of a sine over the contact, and nothing outside.
    #[test]
    fn a_click_is_one_period() {
        let pulse = TapPulse::new(0.8e-3);
        for (t, size) in [
            (-1e-9, 0.0),
            (0.2e-3, 1.0),
            (0.4e-3, 0.0),
            (0.6e-3, -1.0),
            (0.7e-3, -0.5f64.sqrt()),
            (0.801e-3, 0.0),
        ] {
            assert!((pulse.click(t) - size).abs() < 1e-9, "{t}");
        }
    }

    /// `(e^(a t) - 1) / a` without loss for real and for imaginary a.
    #[test]
    fn the_integral_of_a_slow_exponential_is_exact() {
        for x in [1e-9, 1e-4, 0.999e-3, 1.001e-3, 0.5] {
            let t = 3.0;
            let a = x / t;
            let real = integral(Complex64::new(a, 0.0), t);
            assert!((real - x.exp_m1() / a).norm() < 1e-12, "{x}");
            let turning = integral(Complex64::new(0.0, a), t);
            let truth = Complex64::new(x.sin(), 2.0 * (0.5 * x).sin().powi(2)) / a;
            assert!((turning - truth).norm() < 1e-12, "{x}");
        }
    }
}
