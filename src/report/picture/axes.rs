//! A plot's rectangle with its two axes.

use crate::report::picture::canvas::{Canvas, Drawn, pen};
use crate::report::picture::style;

/// A rectangle in px with the ranges of its axes. Ranges are finite and not empty.
#[derive(Clone, Copy)]
pub struct Plot {
    /// Left edge in px.
    pub left: f64,
    /// Top edge in px.
    pub top: f64,
    /// Right edge in px.
    pub right: f64,
    /// Bottom edge in px.
    pub bottom: f64,
    /// From left to right.
    pub x: (f64, f64),
    /// From bottom to top.
    pub y: (f64, f64),
}

impl Plot {
    /// Position of a value on the x axis in px, kept inside the plot.
    pub fn x_px(&self, value: f64) -> f64 {
        let part = ((value - self.x.0) / (self.x.1 - self.x.0)).clamp(0.0, 1.0);
        self.left + part * (self.right - self.left)
    }

    /// Position of a value on the y axis in px, kept inside the plot.
    pub fn y_px(&self, value: f64) -> f64 {
        let part = ((value - self.y.0) / (self.y.1 - self.y.0)).clamp(0.0, 1.0);
        self.bottom - part * (self.bottom - self.top)
    }

    /// True for values on the x axis.
    pub fn holds_x(&self, value: f64) -> bool {
        value >= self.x.0 && value <= self.x.1
    }

    /// Horizontal grid lines with their numbers at the left; `every` is the wanted distance
    /// of lines in px.
    pub fn y_axis(&self, canvas: &Canvas<'_>, every: f64, size: f64) -> Drawn {
        let count = ((self.bottom - self.top) / every).max(2.0);
        for (value, label) in ticks(self.y, count) {
            let y = self.y_px(value);
            canvas.line(&[(self.left, y), (self.right, y)], style::HAIR, 1.0)?;
            let numbers = pen(size, style::GREY).right();
            canvas.text((self.left - 7.0, y), &label, numbers)?;
        }
        Ok(())
    }

    /// Ticks with their numbers at the bottom.
    pub fn x_axis(&self, canvas: &Canvas<'_>, every: f64, size: f64) -> Drawn {
        let count = ((self.right - self.left) / every).max(2.0);
        for (value, label) in ticks(self.x, count) {
            let x = self.x_px(value);
            canvas.line(
                &[(x, self.bottom), (x, self.bottom + 4.0)],
                style::GREY,
                1.0,
            )?;
            let numbers = pen(size, style::GREY).centre();
            canvas.text((x, self.bottom + 6.0 + 0.7 * size), &label, numbers)?;
        }
        canvas.line(
            &[(self.left, self.bottom), (self.right, self.bottom)],
            style::GREY,
            1.0,
        )
    }

    /// Names of the axes: y upright at the left, x under the numbers at the right.
    pub fn names(&self, canvas: &Canvas<'_>, x_name: &str, y_name: &str) -> Drawn {
        let name = pen(12.0, style::INK);
        canvas.text((self.right, self.bottom + 31.0), x_name, name.right())?;
        let middle = 0.5 * (self.top + self.bottom);
        canvas.text((self.left - 48.0, middle), y_name, name.centre().upright())
    }

    /// A sentence in the middle of a plot that has nothing else to show.
    pub fn empty(&self, canvas: &Canvas<'_>, words: &str) -> Drawn {
        let middle = (
            0.5 * (self.left + self.right),
            0.5 * (self.top + self.bottom),
        );
        canvas.text(middle, words, pen(14.0, style::GREY).centre())
    }
}

/// Range of the drawable values, none when there are none.
pub fn range(values: impl Iterator<Item = f64>) -> Option<(f64, f64)> {
    values
        .filter(|v| style::drawable(*v))
        .fold(None, |range, v| match range {
            None => Some((v, v)),
            Some((lo, hi)) => Some((f64::min(lo, v), f64::max(hi, v))),
        })
}

/// A step of 1, 2 or 5 times a power of ten that divides a span into about `count` parts.
pub fn nice_step(span: f64, count: f64) -> f64 {
    let raw = span / count.max(1.0);
    if !(raw.is_finite() && raw > 0.0) {
        return 1.0;
    }
    let power = 10f64.powf(raw.log10().floor());
    let factor = [1.0, 2.0, 5.0, 10.0]
        .into_iter()
        .find(|f| f * power >= raw * (1.0 - 1e-9))
        .unwrap_or(10.0);
    factor * power
}

/// Round values inside a range with their labels.
pub fn ticks(range: (f64, f64), count: f64) -> Vec<(f64, String)> {
    let step = nice_step(range.1 - range.0, count);
    let decimals = (-(step.log10() + 1e-9).floor()).clamp(0.0, 9.0) as usize;
    let first = (range.0 / step - 1e-6).ceil();
    let last = (range.1 / step + 1e-6).floor();
    // The step makes about `count` of them; the cap holds against rounding of huge values.
    let many = (last - first).clamp(0.0, 50.0) as usize;
    (0..=many)
        .map(|i| (first + i as f64) * step)
        .filter(|v| last >= first && v.is_finite())
        .map(|v| (v, style::number(v, decimals)))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_round_and_inside() {
        let labels = |lo, hi, n| {
            ticks((lo, hi), n)
                .into_iter()
                .map(|t| t.1)
                .collect::<Vec<_>>()
        };
        assert_eq!(
            labels(0.0, 1.0, 5.0),
            ["0.0", "0.2", "0.4", "0.6", "0.8", "1.0"]
        );
        assert_eq!(labels(-80.0, 3.0, 4.0), ["−50", "0"]);
        assert_eq!(
            labels(0.0, 16.0, 8.0),
            ["0", "2", "4", "6", "8", "10", "12", "14", "16"]
        );
        assert!(ticks((0.0, 1e300), 5.0).len() < 60);
        assert!(ticks((1e12, 1e12), 5.0).len() < 60);
    }

    #[test]
    fn a_range_ignores_what_cannot_be_drawn() {
        assert_eq!(
            range([f64::NAN, 2.0, f64::INFINITY, -1.0].into_iter()),
            Some((-1.0, 2.0))
        );
        assert_eq!(range([f64::NAN].into_iter()), None);
    }
}
