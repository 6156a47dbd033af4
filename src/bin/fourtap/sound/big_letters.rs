//! The outcome in letters that can be read from some metres away.

use fourtap::reading::Outcome;

/// Rows of a letter.
const ROWS: usize = 5;

/// The outcome, line by line; each line at most 72 columns wide.
pub fn big(outcome: Outcome) -> Vec<String> {
    let rows: &[&str] = match outcome {
        Outcome::RingsClear => &["RINGS CLEAR"],
        Outcome::RingsNotCompared => &["RINGS,", "NOT COMPARED"],
        Outcome::SoundsDead => &["SOUNDS DEAD"],
        Outcome::SoundItAgain => &["SOUND IT", "AGAIN"],
    };
    let mut lines = Vec::new();
    for words in rows {
        for row in 0..ROWS {
            let line: String = words
                .chars()
                .map(|c| format!("{:6}", letter(c)[row]))
                .collect();
            lines.push(line.trim_end().to_owned());
        }
        lines.push(String::new());
    }
    lines
}

/// The letters that outcomes are made of.
fn letter(c: char) -> [&'static str; ROWS] {
    match c {
        'A' => [" ### ", "#   #", "#####", "#   #", "#   #"],
        'C' => [" ####", "#    ", "#    ", "#    ", " ####"],
        'D' => ["#### ", "#   #", "#   #", "#   #", "#### "],
        'E' => ["#####", "#    ", "###  ", "#    ", "#####"],
        'G' => [" ####", "#    ", "#  ##", "#   #", " ####"],
        'I' => [" ### ", "  #  ", "  #  ", "  #  ", " ### "],
        'L' => ["#    ", "#    ", "#    ", "#    ", "#####"],
        'M' => ["#   #", "## ##", "# # #", "#   #", "#   #"],
        'N' => ["#   #", "##  #", "# # #", "#  ##", "#   #"],
        'O' => [" ### ", "#   #", "#   #", "#   #", " ### "],
        'P' => ["#### ", "#   #", "#### ", "#    ", "#    "],
        'R' => ["#### ", "#   #", "#### ", "#  # ", "#   #"],
        'S' => [" ####", "#    ", " ### ", "    #", "#### "],
        'T' => ["#####", "  #  ", "  #  ", "  #  ", "  #  "],
        'U' => ["#   #", "#   #", "#   #", "#   #", " ### "],
        ',' => ["", "", "", " #", "#"],
        _ => [""; ROWS],
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_letter_of_every_outcome_is_drawn_and_fits() {
        for outcome in [
            Outcome::RingsClear,
            Outcome::RingsNotCompared,
            Outcome::SoundsDead,
            Outcome::SoundItAgain,
        ] {
            for c in outcome.words().to_uppercase().chars().filter(|c| *c != ' ') {
                assert_ne!(letter(c), [""; ROWS], "{c}");
            }
            assert!(big(outcome).iter().all(|l| l.chars().count() <= 72));
        }
    }
}
