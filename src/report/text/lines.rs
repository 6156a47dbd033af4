//! Lines of a given width, wrapped at words.

use crate::report::picture::style::clean;
use crate::report::text::TextStyle;

/// How a line is set on a terminal with colours.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Paint {
    /// As it is.
    Plain,
    /// Bold.
    Bold,
    /// Bold blue: rings.
    Blue,
    /// Bold orange: dead.
    Orange,
}

impl Paint {
    fn code(self) -> Option<&'static str> {
        match self {
            Self::Plain => None,
            Self::Bold => Some("\u{1b}[1m"),
            // From the 256 colours, as the 16 basic ones have no orange.
            Self::Blue => Some("\u{1b}[1;38;5;33m"),
            Self::Orange => Some("\u{1b}[1;38;5;208m"),
        }
    }
}

const RESET: &str = "\u{1b}[0m";

/// Columns that a character takes: two for East Asian wide ones and pictographs.
fn columns(c: char) -> usize {
    match u32::from(c) {
        0x1100..=0x115f
        | 0x2e80..=0xa4cf
        | 0xac00..=0xd7a3
        | 0xf900..=0xfaff
        | 0xfe30..=0xfe6f
        | 0xff00..=0xff60
        | 0xffe0..=0xffe6
        | 0x1f300..=0x1faff
        | 0x20000..=0x3fffd => 2,
        _ => 1,
    }
}

/// Columns that a text takes.
pub fn width_of(text: &str) -> usize {
    text.chars().map(columns).sum()
}

/// Text without control characters, and without those that turn the direction of text.
fn tame(text: &str) -> String {
    clean(text)
        .chars()
        .filter(|c| !matches!(u32::from(*c), 0x200e..=0x200f | 0x202a..=0x202e | 0x2066..=0x2069))
        .collect()
}

/// Lines being written.
pub struct Lines {
    out: String,
    colour: bool,
    width: usize,
}

impl Lines {
    /// No lines yet.
    pub fn new(style: &TextStyle) -> Self {
        Self {
            out: String::new(),
            colour: style.colour,
            width: style.width.max(20),
        }
    }

    /// The text.
    pub fn finish(self) -> String {
        self.out
    }

    fn push(&mut self, line: &str, paint: Paint) {
        let line = line.trim_end();
        match paint.code().filter(|_| self.colour) {
            Some(code) => {
                self.out.push_str(code);
                self.out.push_str(line);
                self.out.push_str(RESET);
            }
            None => self.out.push_str(line),
        }
        self.out.push('\n');
    }

    /// An empty line.
    pub fn blank(&mut self) {
        self.push("", Paint::Plain);
    }

    /// A line of one sign over the whole width.
    pub fn rule(&mut self, sign: char, paint: Paint) {
        let line: String = std::iter::repeat_n(sign, self.width).collect();
        self.push(&line, paint);
    }

    /// A heading after an empty line.
    pub fn heading(&mut self, words: &str) {
        self.blank();
        self.wrapped("", words, Paint::Bold);
    }

    /// Words, wrapped.
    pub fn text(&mut self, words: &str) {
        self.wrapped("", words, Paint::Plain);
    }

    /// Words after a sign, wrapped so that they stand below each other.
    pub fn item(&mut self, sign: &str, words: &str, paint: Paint) {
        self.wrapped(&format!("{sign} "), words, paint);
    }

    /// A row of a table as it is, or wrapped as words where the terminal is too narrow.
    pub fn row(&mut self, row: &str, paint: Paint) {
        let row = tame(row);
        if width_of(row.trim_end()) <= self.width {
            self.push(&row, paint);
        } else {
            self.wrapped("", &row, paint);
        }
    }

    fn wrapped(&mut self, before: &str, words: &str, paint: Paint) {
        let indent = width_of(before).min(self.width / 2);
        let mut line = before.to_owned();
        let mut empty = true;
        for word in tame(words).split_whitespace() {
            let space = usize::from(!empty);
            if !empty && width_of(&line) + space + width_of(word) > self.width {
                self.push(&line, paint);
                line = " ".repeat(indent);
                empty = true;
            }
            if !empty {
                line.push(' ');
            }
            for c in word.chars() {
                // A word longer than a line, for example a path, is broken.
                if width_of(&line) + columns(c) > self.width {
                    self.push(&line, paint);
                    line = " ".repeat(indent);
                }
                line.push(c);
            }
            empty = false;
        }
        self.push(&line, paint);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn set(width: usize, words: &str) -> String {
        let mut lines = Lines::new(&TextStyle {
            colour: false,
            width,
        });
        lines.item("-", words, Paint::Blue);
        lines.finish()
    }

    #[test]
    fn words_wrap_below_each_other_and_long_ones_break() {
        assert_eq!(
            set(20, "one two three four five"),
            "- one two three four\n  five\n"
        );
        assert_eq!(
            set(20, "aaaaaaaaaaaaaaaaaaaaaaaaa b"),
            "- aaaaaaaaaaaaaaaaaa\n  aaaaaaa b\n"
        );
        assert_eq!(
            set(20, "研削砥石研削砥石研削"),
            "- 研削砥石研削砥石研\n  削\n"
        );
    }

    #[test]
    fn control_characters_do_not_reach_the_terminal() {
        let text = set(40, "a\u{1b}[2Jb\u{202e}c\rd");
        assert_eq!(text, "- a [2Jbc d\n");
    }
}
