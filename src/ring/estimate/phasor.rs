//! Powers of one number, without a sine for each.

use nalgebra::Complex;

/// A complex number.
pub type C64 = Complex<f64>;

/// A power is computed anew after that many, so that rounding does not pile up.
const ANEW: usize = 256;

/// `exp(a + q n)` for n from 0 to `count - 1`.
pub fn powers(a: C64, q: C64, count: usize) -> impl Iterator<Item = C64> {
    let z = q.exp();
    let mut v = C64::new(1.0, 0.0);
    (0..count).map(move |n| {
        if n % ANEW == 0 {
            v = (a + q * n as f64).exp();
        }
        let out = v;
        v = C64::new(v.re * z.re - v.im * z.im, v.re * z.im + v.im * z.re);
        out
    })
}

/// The Hann weight of each of `count` samples, symmetric about their middle.
pub fn hann(count: usize) -> impl Iterator<Item = f64> {
    let step = C64::new(0.0, std::f64::consts::TAU / count.max(1) as f64);
    powers(step * 0.5, step, count).map(|v| 0.5 - 0.5 * v.re)
}
