//! The look of all pictures: colours, shapes of readings, fonts, numbers.
//!
//! Two colours carry readings, blue and orange, told apart by every common kind of colour
//! vision and by their lightness in a grey print; shape and word always stand beside them.

use std::sync::OnceLock;

use plotters::style::{FontStyle, RGBColor, register_font};

use crate::reading::Reading;
use crate::report::picture::PictureError;

/// The font family as it stands in the SVG. The first is built in.
pub const FAMILY: &str = "DejaVu Sans, Verdana, sans-serif";
/// The regular face, DejaVu Sans 2.37 (licence in `font/LICENCE.txt`).
pub const REGULAR: &[u8] = include_bytes!("../font/DejaVuSans.ttf");
/// The bold face, DejaVu Sans Bold 2.37.
pub const BOLD: &[u8] = include_bytes!("../font/DejaVuSans-Bold.ttf");

/// Text and strong lines.
pub const INK: RGBColor = RGBColor(0x1b, 0x20, 0x26);
/// Lesser text, still 6:1 on white.
pub const GREY: RGBColor = RGBColor(0x56, 0x60, 0x6a);
/// Curves that are only background to a mark.
pub const STONE: RGBColor = RGBColor(0x8a, 0x93, 0x9c);
/// Grid and hairlines.
pub const HAIR: RGBColor = RGBColor(0xdd, 0xe1, 0xe5);
/// Surfaces.
pub const WASH: RGBColor = RGBColor(0xf2, 0xf4, 0xf6);
/// Paper.
pub const PAPER: RGBColor = RGBColor(0xff, 0xff, 0xff);
/// What rings.
pub const BLUE: RGBColor = RGBColor(0x0b, 0x5c, 0xad);
/// A light blue for ranges.
pub const PALE_BLUE: RGBColor = RGBColor(0xd3, 0xe3, 0xf3);
/// What sounds dead or lies outside.
pub const ORANGE: RGBColor = RGBColor(0xc4, 0x53, 0x00);

/// The line at the foot of every picture.
pub const FOOTER: &str =
    "An aid to your own ring test: a clear ring does not show that a wheel is free of defects.";

/// Colour of a reading.
pub fn reading_colour(reading: Option<Reading>) -> RGBColor {
    match reading {
        Some(Reading::ClearRing) => BLUE,
        Some(Reading::DullThud) => ORANGE,
        Some(Reading::Unclear) | None => GREY,
    }
}

/// Words of a reading, `not read` for none.
pub fn reading_words(reading: Option<Reading>) -> &'static str {
    reading.map_or("not read", Reading::words)
}

/// Makes the built-in fonts known to the drawing library, once.
pub fn register_fonts() -> Result<(), PictureError> {
    static DONE: OnceLock<bool> = OnceLock::new();
    let done = DONE.get_or_init(|| {
        register_font(FAMILY, FontStyle::Normal, REGULAR).is_ok()
            && register_font(FAMILY, FontStyle::Bold, BOLD).is_ok()
    });
    if *done {
        Ok(())
    } else {
        Err(PictureError::Font)
    }
}

/// A number with a fixed count of decimals, a true minus sign, and a narrow space between
/// groups of three digits from 1 000 on. `–` for what is not finite.
pub fn number(value: f64, decimals: usize) -> String {
    if !value.is_finite() {
        return "–".to_owned();
    }
    let plain = format!("{:.decimals$}", value.abs());
    let (whole, part) = plain.split_once('.').unwrap_or((&plain, ""));
    let mut grouped = String::new();
    for (i, digit) in whole.chars().enumerate() {
        if i > 0 && (whole.len() - i) % 3 == 0 {
            grouped.push('\u{202f}');
        }
        grouped.push(digit);
    }
    if !part.is_empty() {
        grouped.push('.');
        grouped.push_str(part);
    }
    let zero = plain.chars().all(|c| c == '0' || c == '.');
    if value < 0.0 && !zero {
        grouped.insert(0, '−');
    }
    grouped
}

/// A frequency with its unit.
pub fn hertz(freq_hz: f64) -> String {
    format!("{} Hz", number(freq_hz, 0))
}

/// A decay time in seconds, to two significant figures or the hundredth.
pub fn seconds(time_s: f64) -> String {
    let decimals = match time_s.abs() {
        t if t < 0.0995 => 3,
        t if t < 9.995 => 2,
        _ => 1,
    };
    format!("{} s", number(time_s, decimals))
}

/// A band in Hz, or in kHz from 1 kHz on.
pub fn band(from_hz: f64, to_hz: f64) -> String {
    if to_hz < 1000.0 {
        format!("{}–{} Hz", number(from_hz, 0), number(to_hz, 0))
    } else {
        format!(
            "{}–{} kHz",
            number(from_hz / 1000.0, 2),
            number(to_hz / 1000.0, 2)
        )
    }
}

/// True for a number that can be drawn: finite, and not so large that sums overflow.
pub fn drawable(value: f64) -> bool {
    value.is_finite() && value.abs() <= 1e12
}

/// Text without the control characters that XML forbids.
pub fn clean(text: &str) -> String {
    text.chars()
        .map(|c| if c.is_control() { ' ' } else { c })
        .filter(|c| !matches!(c, '\u{fffe}' | '\u{ffff}'))
        .collect()
}

/// Text as it may stand in XML.
pub fn escape(text: &str) -> String {
    clean(text)
        .replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
        .replace('"', "&quot;")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_grouped_and_signed() {
        assert_eq!(number(2060.4, 0), "2\u{202f}060");
        assert_eq!(number(-1234567.25, 1), "−1\u{202f}234\u{202f}567.2");
        assert_eq!(number(-0.001, 2), "0.00");
        assert_eq!(number(f64::NAN, 2), "–");
        assert_eq!(seconds(0.0512), "0.051 s");
        assert_eq!(seconds(0.846), "0.85 s");
        assert_eq!(seconds(12.34), "12.3 s");
    }

    #[test]
    fn text_is_fit_for_xml() {
        assert_eq!(escape("a<b>&\"\u{1}\n"), "a&lt;b&gt;&amp;&quot;  ");
    }
}
