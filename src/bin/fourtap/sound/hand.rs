//! What the person says by keys or lines, and where the screen is drawn.

use std::io::{BufRead, IsTerminal, Write};
use std::sync::mpsc::{Receiver, TryRecvError, channel};
use std::time::Duration;

use crossterm::event::{Event, KeyCode, KeyEventKind, KeyModifiers, poll, read};
use crossterm::{cursor, execute, queue, terminal};
use fourtap::reading::Heard;
use fourtap::tasks::take_sounding::Word;

/// The word of a line.
pub fn word_of(line: &str) -> Option<Word> {
    let line = line.trim();
    if let Some(name) = line.strip_prefix("m ") {
        return Some(Word::Microphone(name.trim().to_owned()));
    }
    Some(match line.to_lowercase().as_str() {
        "" => Word::Retry,
        "m" => Word::Microphone(String::new()),
        "r" | "ring" => Word::Heard(Heard::Ring),
        "t" | "thud" => Word::Heard(Heard::Thud),
        "u" | "unsure" => Word::Heard(Heard::Unsure),
        "x" => Word::Redo(None),
        "n" => Word::NoTap,
        "p" => Word::Pause,
        "q" => Word::Stop,
        digit => Word::Redo(Some(digit.parse::<usize>().ok()?.checked_sub(1)?)),
    })
}

/// Where words come from.
pub enum Hand {
    /// Keys on a terminal with a screen, which is given back when this is dropped.
    Screen,
    /// Lines of standard input.
    Lines {
        /// The lines.
        lines: Receiver<String>,
        /// A word that was read and has to wait until it is asked for.
        kept: Option<Word>,
        /// True when the lines were written beforehand: words then wait for their taps.
        is_script: bool,
        /// True when no more come.
        is_over: bool,
    },
}

impl Hand {
    /// A screen where there is one and it is wanted, else lines.
    pub fn new(plain: bool) -> Self {
        let is_terminal = std::io::stdin().is_terminal();
        if !plain && is_terminal && std::io::stderr().is_terminal() && open_screen().is_ok() {
            return Self::Screen;
        }
        let (sender, lines) = channel();
        std::thread::spawn(move || {
            for line in std::io::stdin().lock().lines().map_while(Result::ok) {
                if sender.send(line).is_err() {
                    break;
                }
            }
        });
        Self::Lines {
            lines,
            kept: None,
            is_script: !is_terminal,
            is_over: false,
        }
    }

    /// Nobody: gives the screen back.
    pub fn gone() -> Self {
        Self::Lines {
            lines: channel().1,
            kept: None,
            is_script: true,
            is_over: true,
        }
    }

    /// True with a screen.
    pub fn has_screen(&self) -> bool {
        matches!(self, Self::Screen)
    }

    /// True when nothing more can be said.
    pub fn is_over(&self) -> bool {
        matches!(
            self,
            Self::Lines {
                kept: None,
                is_over: true,
                ..
            }
        )
    }

    /// The next word, if there is one; never waits. Words for the ear that were written beforehand
    /// stay until `asked`.
    pub fn next(&mut self, asked: bool) -> Option<Word> {
        let Self::Lines {
            lines,
            kept,
            is_script,
            is_over,
        } = self
        else {
            return key();
        };
        if kept.is_none() {
            match lines.try_recv() {
                Ok(line) => *kept = word_of(&line),
                Err(TryRecvError::Empty) => return None,
                Err(TryRecvError::Disconnected) => {
                    *is_over = true;
                    return None;
                }
            }
        }
        if *is_script && !asked && matches!(kept, Some(Word::Heard(_))) {
            return None;
        }
        kept.take()
    }
}

impl Drop for Hand {
    fn drop(&mut self) {
        if self.has_screen() {
            close_screen();
        }
    }
}

fn open_screen() -> std::io::Result<()> {
    terminal::enable_raw_mode()?;
    // A fault must not leave the terminal without echo.
    let before = std::panic::take_hook();
    std::panic::set_hook(Box::new(move |info| {
        close_screen();
        before(info);
    }));
    execute!(
        std::io::stderr(),
        terminal::EnterAlternateScreen,
        cursor::Hide
    )
}

fn close_screen() {
    let _ = execute!(
        std::io::stderr(),
        cursor::Show,
        terminal::LeaveAlternateScreen
    );
    let _ = terminal::disable_raw_mode();
}

/// Columns and rows of the screen.
pub fn size() -> (usize, usize) {
    let (columns, rows) = terminal::size().unwrap_or((80, 24));
    (usize::from(columns.max(40)), usize::from(rows.max(10)))
}

/// Draws all lines anew.
pub fn draw(lines: &[String]) {
    let mut out = Vec::new();
    for (row, line) in lines.iter().enumerate() {
        let row = u16::try_from(row).unwrap_or(u16::MAX);
        let _ = queue!(out, cursor::MoveTo(0, row));
        out.extend_from_slice(line.as_bytes());
        let _ = queue!(out, terminal::Clear(terminal::ClearType::UntilNewLine));
    }
    let _ = queue!(out, terminal::Clear(terminal::ClearType::FromCursorDown));
    let mut err = std::io::stderr().lock();
    let _ = err.write_all(&out).and_then(|()| err.flush());
}

/// Writes over the first line at once, with the bell, without waiting for the next drawing.
pub fn alarm(words: &str) {
    let line: String = words.chars().take(size().0).collect();
    let mut out = Vec::new();
    let _ = queue!(out, cursor::MoveTo(0, 0));
    out.extend_from_slice(line.as_bytes());
    out.push(0x07);
    let _ = queue!(out, terminal::Clear(terminal::ClearType::UntilNewLine));
    let mut err = std::io::stderr().lock();
    let _ = err.write_all(&out).and_then(|()| err.flush());
}

fn key() -> Option<Word> {
    while poll(Duration::ZERO).unwrap_or(false) {
        let Ok(Event::Key(key)) = read() else {
            continue;
        };
        if key.kind == KeyEventKind::Release {
            continue;
        }
        match key.code {
            KeyCode::Char('c') if key.modifiers.contains(KeyModifiers::CONTROL) => {
                return Some(Word::Stop);
            }
            KeyCode::Enter => return Some(Word::Retry),
            KeyCode::Char(c) => {
                if let Some(word) = word_of(&c.to_string()) {
                    return Some(word);
                }
            }
            _ => {}
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_are_short_and_nothing_else_is_taken() {
        assert_eq!(word_of(" R "), Some(Word::Heard(Heard::Ring)));
        assert_eq!(word_of("thud"), Some(Word::Heard(Heard::Thud)));
        assert_eq!(word_of("3"), Some(Word::Redo(Some(2))));
        assert_eq!(
            word_of("m Desk Mic"),
            Some(Word::Microphone("Desk Mic".to_owned()))
        );
        assert_eq!(word_of(""), Some(Word::Retry));
        for none in ["0", "rr", "ja", "-1"] {
            assert_eq!(word_of(none), None, "{none}");
        }
    }
}
