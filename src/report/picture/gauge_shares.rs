//! What the scatter of a gauge study is made of, figure by figure.

use crate::report::picture::canvas::{FOOT_PX, Frame, MARGIN_PX, TOP_PX, compose, pen};
use crate::report::picture::{PictureError, WIDTH_PX, style};

/// The parts of one figure's scatter as standard deviations, in any one unit.
#[derive(Debug, Clone, PartialEq)]
pub struct GaugeShares {
    /// Name of the figure.
    pub figure: String,
    /// One person again and again.
    pub repeatability: f64,
    /// From person to person.
    pub reproducibility: f64,
    /// From wheel to wheel.
    pub wheels: f64,
}

const ROW_PX: f64 = 58.0;
const BAR_PX: f64 = 26.0;
/// A part narrower than this has no room for its share.
const LEAST_PX: f64 = 44.0;

/// A bar for each figure: how much of its variance comes from one person's repeats, from the
/// people, and from the wheels, which is what is to be measured.
///
/// # Errors
/// [`PictureError`] when the drawing library fails; no input is refused.
pub fn gauge_shares(figures: &[GaugeShares], subject: &str) -> Result<String, PictureError> {
    let rows = figures.len().max(1) as f64;
    let description: Vec<String> = figures
        .iter()
        .map(|f| {
            let [a, b, c] = shares(f).map(|s| style::number(100.0 * s, 0));
            format!("{}: repeats {a} %, people {b} %, wheels {c} %.", f.figure)
        })
        .collect();
    let frame = Frame {
        title: "What the scatter is made of",
        subject,
        description: description.join(" "),
        height_px: TOP_PX + 30.0 + rows * ROW_PX + 16.0 + FOOT_PX,
    };
    let parts = [
        ("same person again", style::ORANGE),
        ("other people", style::STONE),
        ("wheels", style::BLUE),
    ];
    compose(&frame, "", |canvas| {
        let mut x = MARGIN_PX;
        for (name, colour) in parts {
            canvas.block((x, TOP_PX + 2.0), (x + 14.0, TOP_PX + 16.0), colour)?;
            let words = pen(12.0, style::INK);
            canvas.text((x + 20.0, TOP_PX + 9.0), name, words)?;
            x += 20.0 + canvas.width(name, words) + 24.0;
        }
        if figures.is_empty() {
            let words = pen(13.0, style::GREY);
            return canvas.text((MARGIN_PX, TOP_PX + 50.0), "no figure was studied", words);
        }
        let (left, right) = (MARGIN_PX, f64::from(WIDTH_PX) - MARGIN_PX);
        for (k, figure) in figures.iter().enumerate() {
            let top = TOP_PX + 44.0 + k as f64 * ROW_PX;
            canvas.text((left, top), &figure.figure, pen(13.0, style::INK).bold())?;
            let mut from = left;
            for (share, (_, colour)) in shares(figure).into_iter().zip(parts) {
                let to = (from + share * (right - left)).min(right);
                let (upper, lower) = (top + 10.0, top + 10.0 + BAR_PX);
                canvas.block((from, upper), (to, lower), colour)?;
                // Hairlines part what a grey print would run together.
                canvas.line(&[(to, upper), (to, lower)], style::PAPER, 1.5)?;
                if to - from >= LEAST_PX {
                    let words = format!("{} %", style::number(100.0 * share, 0));
                    let at = (0.5 * (from + to), top + 10.0 + 0.5 * BAR_PX);
                    canvas.text(at, &words, pen(12.0, style::PAPER).bold().centre())?;
                }
                from = to;
            }
        }
        Ok(())
    })
}

/// Shares of the variance; all zero when there is none.
fn shares(f: &GaugeShares) -> [f64; 3] {
    let squares = [f.repeatability, f.reproducibility, f.wheels]
        .map(|s| if style::drawable(s) { s * s } else { 0.0 });
    let all: f64 = squares.iter().sum();
    if all > 0.0 {
        squares.map(|s| s / all)
    } else {
        [0.0; 3]
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn shares_are_those_of_the_variance() {
        let figure = GaugeShares {
            figure: "<tone>".to_owned(),
            repeatability: 3.0,
            reproducibility: 0.0,
            wheels: 4.0,
        };
        assert_eq!(shares(&figure), [9.0 / 25.0, 0.0, 16.0 / 25.0]);
        let svg = gauge_shares(&[figure], "a study").unwrap();
        assert!(svg.contains("36 %") && svg.contains("64 %") && !svg.contains("<tone>"));
        let empty = GaugeShares {
            figure: String::new(),
            repeatability: f64::NAN,
            reproducibility: 0.0,
            wheels: 0.0,
        };
        assert!(gauge_shares(&[empty], "").unwrap().contains("</svg>"));
        assert!(gauge_shares(&[], "").unwrap().contains("no figure"));
    }
}
