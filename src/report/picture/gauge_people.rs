//! What each person of a gauge study found, wheel by wheel.

use crate::report::picture::axes::{Plot, range};
use crate::report::picture::canvas::{FOOT_PX, Frame, MARGIN_PX, TOP_PX, compose, pen};
use crate::report::picture::{PictureError, WIDTH_PX, style};

/// One person's findings.
#[derive(Debug, Clone, PartialEq)]
pub struct PersonFindings {
    /// Who.
    pub person: String,
    /// Mean of each wheel.
    pub means: Vec<f64>,
    /// Smallest and largest repeat of each wheel.
    pub ranges: Vec<(f64, f64)>,
}

/// A figure of a study.
#[derive(Debug, Clone, Copy)]
pub struct GaugePeople<'a> {
    /// Name of the figure with its unit.
    pub figure: &'a str,
    /// Of what, for the line under the title.
    pub subject: &'a str,
    /// The wheels.
    pub wheels: &'a [String],
    /// The people; each has a value for each wheel.
    pub people: &'a [PersonFindings],
}

/// People that are drawn; a letter stands for each.
const MOST_PEOPLE: usize = 12;
const PLOT_PX: f64 = 250.0;
const KEY_ROW_PX: f64 = 22.0;
const LETTER_PX: f64 = 8.0;

/// Lines of people over the wheels: where they run together the people agree; where one runs above
/// the others, that person measures high; where they cross, people differ from wheel to wheel. The
/// bar behind a letter reaches from the smallest repeat to the largest.
///
/// # Errors
/// [`PictureError`] when the drawing library fails; no input is refused.
pub fn gauge_people(input: &GaugePeople<'_>) -> Result<String, PictureError> {
    let people = &input.people[..input.people.len().min(MOST_PEOPLE)];
    let description: Vec<String> = people
        .iter()
        .map(|p| {
            let mean = p.means.iter().sum::<f64>() / p.means.len().max(1) as f64;
            format!("{}: mean {}.", p.person, style::number(mean, 3))
        })
        .collect();
    let title = format!("{}, by person", input.figure);
    let key_rows = people.len().div_ceil(3).max(1) as f64;
    let top = TOP_PX + key_rows * KEY_ROW_PX + 12.0;
    let frame = Frame {
        title: &title,
        subject: input.subject,
        description: description.join(" "),
        height_px: top + PLOT_PX + 44.0 + FOOT_PX,
    };
    compose(&frame, "", |canvas| {
        let width = f64::from(WIDTH_PX) - 2.0 * MARGIN_PX;
        for (k, person) in people.iter().enumerate() {
            let at = (
                MARGIN_PX + (k % 3) as f64 * width / 3.0,
                TOP_PX + 6.0 + (k / 3) as f64 * KEY_ROW_PX,
            );
            let (colour, letter) = look(k);
            canvas.disc((at.0 + LETTER_PX, at.1), LETTER_PX, colour)?;
            let mark = pen(10.5, style::PAPER).bold().centre();
            canvas.text((at.0 + LETTER_PX, at.1), &letter, mark)?;
            let words = pen(12.0, style::INK);
            let name = canvas.fit(&person.person, words, width / 3.0 - 36.0);
            canvas.text((at.0 + 24.0, at.1), &name, words)?;
        }
        let values = people
            .iter()
            .flat_map(|p| p.means.iter().copied().chain(ends(&p.ranges)));
        let (low, high) = range(values).unwrap_or((0.0, 1.0));
        let spare = (0.08 * (high - low)).max(1e-9 * high.abs()).max(1e-12);
        let plot = Plot {
            left: MARGIN_PX + 76.0,
            right: f64::from(WIDTH_PX) - MARGIN_PX,
            top,
            bottom: top + PLOT_PX,
            x: (-0.5, input.wheels.len().max(1) as f64 - 0.5),
            y: (low - spare, high + spare),
        };
        plot.y_axis(canvas, 40.0, 11.5)?;
        let middle = 0.5 * (plot.top + plot.bottom);
        let name = pen(12.0, style::INK).centre().upright();
        canvas.text((plot.left - 64.0, middle), input.figure, name)?;
        // People stand side by side at each wheel, so that none hides another.
        let room = (plot.right - plot.left) / input.wheels.len().max(1) as f64;
        let step = (2.2 * LETTER_PX).min(0.8 * room / people.len().max(1) as f64);
        for (k, person) in people.iter().enumerate() {
            let (colour, letter) = look(k);
            let aside = (k as f64 - 0.5 * (people.len() as f64 - 1.0)) * step;
            let at = |wheel: usize, v: f64| (plot.x_px(wheel as f64) + aside, plot.y_px(v));
            let drawable = |v: &&f64| style::drawable(**v);
            let curve: Vec<(f64, f64)> = person
                .means
                .iter()
                .enumerate()
                .filter(|(_, v)| drawable(v))
                .map(|(w, v)| at(w, *v))
                .collect();
            canvas.line(&curve, colour, 1.0)?;
            for (w, (low, high)) in person.ranges.iter().enumerate() {
                if style::drawable(*low) && style::drawable(*high) {
                    canvas.line(&[at(w, *low), at(w, *high)], colour, 3.0)?;
                }
            }
            let radius = LETTER_PX.min(0.5 * step.max(7.0));
            for centre in curve {
                canvas.disc(centre, radius, colour)?;
                let mark = pen(1.3 * radius, style::PAPER).bold().centre();
                canvas.text(centre, &letter, mark)?;
            }
        }
        let words = pen(11.0, style::GREY).centre();
        for (w, wheel) in input.wheels.iter().enumerate() {
            let name = canvas.fit(wheel, words, (room - 6.0).max(18.0));
            canvas.text((plot.x_px(w as f64), plot.bottom + 14.0), &name, words)?;
        }
        Ok(())
    })
}

fn ends(ranges: &[(f64, f64)]) -> impl Iterator<Item = f64> {
    ranges.iter().flat_map(|r| [r.0, r.1])
}

/// The letter says who; the colours only help the eye along a line.
fn look(person: usize) -> (plotters::style::RGBColor, String) {
    let colours = [style::BLUE, style::ORANGE, style::GREY, style::INK];
    let letter = char::from(b'A' + (person % 26) as u8).to_string();
    (colours[person % colours.len()], letter)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn people_are_told_by_letters_and_nothing_breaks_it() {
        let person = |name: &str, off: f64| PersonFindings {
            person: name.to_owned(),
            means: vec![1.0 + off, 2.0 + off, f64::NAN],
            ranges: vec![(0.9, 1.1), (f64::NAN, 2.0), (1.0, 1.0)],
        };
        let wheels = ["W1", "W2", "<W3>"].map(str::to_owned);
        let people = [person("Ana & Bo", 0.0), person("Cy", 0.1)];
        let svg = gauge_people(&GaugePeople {
            figure: "ring time in s",
            subject: "a study",
            wheels: &wheels,
            people: &people,
        });
        let svg = svg.unwrap();
        assert!(svg.contains("Ana &amp; Bo") && svg.contains("&lt;W3&gt;"));
        assert!(svg.contains(">\nA\n<") || svg.contains(">A<"), "{svg}");
        let empty = GaugePeople {
            figure: "",
            subject: "",
            wheels: &[],
            people: &[],
        };
        assert!(gauge_people(&empty).unwrap().contains("</svg>"));
    }
}
