//! Words that several views write alike.

use crate::store::settings::ShownUnits;

/// With a large first letter.
pub(super) fn capital(words: &str) -> String {
    let mut letters = words.chars();
    let first = letters.next().map(|c| c.to_uppercase().collect::<String>());
    format!("{}{}", first.unwrap_or_default(), letters.as_str())
}

/// A temperature in the units that are shown, as it can be read back.
pub(super) fn temp_words(temp_c: f64, units: ShownUnits) -> String {
    match units {
        ShownUnits::Metric => format!("{temp_c:.0} C"),
        ShownUnits::Inch => format!("{:.0} F", 1.8 * temp_c + 32.0),
    }
}
