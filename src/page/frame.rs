//! What stands around every view: head, the ways to the other views, cautions.

use maud::{DOCTYPE, Markup, html};

use crate::report::text::CAUTIONS;

/// The view that is open.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Nav {
    /// Sounding a wheel.
    Sound,
    /// The wheels.
    Wheels,
    /// The grinders.
    Grinders,
    /// The lots.
    Lots,
    /// Teaching.
    Teach,
    /// The records.
    Records,
    /// Settings.
    Settings,
    /// None of them.
    None,
}

const WAYS: [(Nav, &str, &str); 7] = [
    (Nav::Sound, "/", "Sound a wheel"),
    (Nav::Wheels, "/wheels", "Wheels"),
    (Nav::Grinders, "/grinders", "Grinders"),
    (Nav::Lots, "/lots", "Lots"),
    (Nav::Teach, "/teach", "Teach"),
    (Nav::Records, "/records", "Records"),
    (Nav::Settings, "/settings", "Settings"),
];

/// A whole page.
pub(super) fn frame(title: &str, open: Nav, main: &Markup) -> Markup {
    framed(title, open, main, &[])
}

/// A whole page with these scripts of ours.
pub(super) fn framed(title: &str, open: Nav, main: &Markup, scripts: &[&str]) -> Markup {
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                title { (title) " · fourtap" }
                link rel="icon" href="/assets/icon.svg" type="image/svg+xml";
                link rel="stylesheet" href="/assets/bench.css";
                script src="/assets/page.js" defer {}
                @for script in scripts {
                    script src={ "/assets/" (script) } defer {}
                }
            }
            body {
                a.skip href="#main" { "To the content" }
                header.top {
                    a.mark href="/" {
                        svg viewBox="0 0 40 40" width="34" height="34" aria-hidden="true" {
                            circle cx="20" cy="20" r="16" fill="none" stroke="currentColor" stroke-width="3" {}
                            circle cx="20" cy="20" r="4.5" fill="none" stroke="currentColor" stroke-width="3" {}
                            path d="M9 9l6 6M31 9l-6 6M9 31l6-6M31 31l-6-6" stroke="currentColor" stroke-width="3" stroke-linecap="round" {}
                        }
                        span { "fourtap" }
                    }
                    nav aria-label="Views" {
                        ul {
                            @for (way, href, words) in WAYS {
                                li {
                                    a href=(href) aria-current=[(way == open).then_some("page")] { (words) }
                                }
                            }
                        }
                    }
                }
                main id="main" tabindex="-1" { (main) }
                footer.foot {
                    details {
                        summary { "An aid to your own ring test, never a replacement" }
                        ul {
                            @for caution in CAUTIONS { li { (caution) } }
                        }
                    }
                }
            }
        }
    }
}

/// A link to a wheel.
pub(super) fn wheel_link(id: &str) -> Markup {
    html! { a href=(wheel_path(id)) { (id) } }
}

/// The address of a wheel's view.
pub(super) fn wheel_path(id: &str) -> String {
    format!("/wheels/{}", encoded(id))
}

/// A word as a part of an address.
pub(super) fn encoded(word: &str) -> String {
    let mut out = String::with_capacity(word.len());
    for byte in word.bytes() {
        if byte.is_ascii_alphanumeric() || b"-_.".contains(&byte) {
            out.push(char::from(byte));
        } else {
            out.push_str(&format!("%{byte:02X}"));
        }
    }
    out
}

/// The mark of an outcome: a shape and the word, so that colour says nothing alone.
pub(super) fn outcome_mark(outcome: &str) -> Markup {
    let (class, sign) = match outcome {
        "rings clear" => ("mark-ring", "○"),
        "sounds dead" => ("mark-dead", "✕"),
        "rings, not compared" => ("mark-open", "◌"),
        _ => ("mark-again", "?"),
    };
    html! { span class={ "outcome " (class) } { span.sign aria-hidden="true" { (sign) } (outcome) } }
}

/// The mark of a reading.
pub(super) fn reading_mark(reading: &str) -> Markup {
    let (class, sign) = match reading {
        "clear ring" => ("mark-ring", "○"),
        "dull thud" => ("mark-dead", "✕"),
        _ => ("mark-again", "?"),
    };
    html! { span class={ "outcome " (class) } { span.sign aria-hidden="true" { (sign) } (reading) } }
}

/// A time as people read it, `2026-11-26 20:31` UTC, with the exact one behind it.
pub(super) fn time(at: &str) -> Markup {
    let short = at.get(..16).unwrap_or(at).replace('T', " ");
    html! { time datetime=(at) title=(at) { (short) } }
}
