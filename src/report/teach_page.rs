//! The page that a trainer puts on the wall: one HTML file with sounds and pictures inside, that
//! asks nothing of any network.

use std::fmt::Write as _;

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;

use crate::report::picture::style::escape;

/// A sound with its pictures.
#[derive(Debug, Clone, PartialEq)]
pub struct Exhibit {
    /// Its name.
    pub name: String,
    /// What it is, in one or two sentences.
    pub about: String,
    /// How fourtap reads it, in a sentence.
    pub read: String,
    /// True for sound computed by the model; false for a recording.
    pub is_made_up: bool,
    /// The sound as a WAV file.
    pub wav: Vec<u8>,
    /// Waveform as SVG.
    pub waveform: String,
    /// Spectrum over time as SVG.
    pub over_time: String,
    /// Decay as SVG.
    pub decay: String,
}

/// A part of the page.
#[derive(Debug, Clone, PartialEq)]
pub struct Section {
    /// Name within the page: letters and hyphens.
    pub id: &'static str,
    /// Heading.
    pub heading: &'static str,
    /// What to listen for.
    pub about: &'static str,
    /// How its exhibits stand.
    pub layout: Layout,
    /// Its exhibits.
    pub exhibits: Vec<Exhibit>,
}

/// How exhibits stand.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Layout {
    /// Large, all pictures open.
    Pair,
    /// One at a time, by a dial with this name.
    Dial(&'static str),
    /// As many in a row as fit.
    Row,
}

/// A tap of a turn plan and how it strikes the two tones of a pair.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TurnStep {
    /// Where the tap falls in the room, degrees clockwise from the top.
    pub place_deg: f64,
    /// How far the wheel is turned by then, degrees clockwise.
    pub turned_deg: f64,
    /// Spot on the wheel, degrees clockwise from its mark.
    pub spot_deg: f64,
    /// Strength, 0 to 1, with which it strikes the tone that the crack lowers.
    pub at_crack: f64,
    /// The same for the other tone of the pair.
    pub other: f64,
}

/// A turn plan against a crack.
#[derive(Debug, Clone, PartialEq)]
pub struct TurnShow {
    /// Name of the plan.
    pub plan: &'static str,
    /// The plan in words.
    pub words: &'static str,
    /// Its taps.
    pub steps: Vec<TurnStep>,
}

/// The whole page. `made_up` is the label of everything made up; `crack_deg` the place of the
/// crack in the turning wheel.
pub fn teach_page(
    sections: &[Section],
    turns: &[TurnShow],
    crack_deg: f64,
    made_up: &str,
    cautions: &[&str],
) -> String {
    let mut page = String::with_capacity(16 << 20);
    let links: String = sections
        .iter()
        .map(|s| format!("<li><a href=\"#{}\">{}</a></li>", s.id, escape(s.heading)))
        .collect();
    let _ = write!(
        page,
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
         <title>Ring and thud</title>\n<link rel=\"icon\" href=\"data:,\">\n<style>\n{}</style>\n</head>\n<body>\n<header>\n\
         <h1>Ring and thud</h1>\n<p>What a tap on an abrasive wheel sounds like: sound wheels, damaged wheels, \
         and what else changes the sound. Press play to hear one; nothing plays by itself.</p>\n\
         <p class=\"made\">{}</p>\n{}\n\
         <nav aria-label=\"Parts of this page\"><ul>{links}<li><a href=\"#turns\">Why the wheel is turned</a></li></ul></nav>\n\
         </header>\n<main>\n",
        include_str!("teach_page.css"),
        escape(made_up),
        cautions_box(cautions),
    );
    for section in sections {
        put_section(&mut page, section);
    }
    put_turns(&mut page, turns, crack_deg);
    let _ = write!(
        page,
        "</main>\n<footer>{}</footer>\n<script>\n{}</script>\n</body>\n</html>\n",
        cautions_box(cautions),
        include_str!("teach_page.js"),
    );
    page
}

fn cautions_box(cautions: &[&str]) -> String {
    let lines: String = cautions.iter().fold(String::new(), |mut all, c| {
        let _ = write!(all, "<li>{}</li>", escape(c));
        all
    });
    format!("<ul class=\"cautions\">{lines}</ul>")
}

fn put_section(page: &mut String, section: &Section) {
    let (class, dial) = match section.layout {
        Layout::Pair => ("cards pair", String::new()),
        Layout::Dial(name) => ("cards", format!(" data-dial=\"{}\"", escape(name))),
        Layout::Row => ("cards", String::new()),
    };
    let id = section.id;
    let _ = write!(
        page,
        "<section aria-labelledby=\"{id}\">\n<h2 id=\"{id}\">{}</h2>\n<p>{}</p>\n<div class=\"{class}\" id=\"{id}-cards\"{dial}>\n",
        escape(section.heading),
        escape(section.about),
    );
    let open = !matches!(section.layout, Layout::Row);
    for exhibit in &section.exhibits {
        put_exhibit(page, exhibit, open);
    }
    page.push_str("</div>\n</section>\n");
}

fn put_exhibit(page: &mut String, exhibit: &Exhibit, open: bool) {
    let name = escape(&exhibit.name);
    let (kind, player) = if exhibit.is_made_up {
        ("Made-up sound", format!("Made-up sound: {name}"))
    } else {
        ("Recorded", format!("Recording: {name}"))
    };
    let label = format!("<p class=\"made\">{kind}</p>");
    let _ = write!(
        page,
        "<article class=\"card\">\n<h3>{name}</h3>\n{label}\n<p>{}</p>\n\
         <audio controls preload=\"none\" aria-label=\"{player}\" src=\"data:audio/wav;base64,{}\"></audio>\n\
         <p class=\"read\">{}</p>\n",
        escape(&exhibit.about),
        STANDARD.encode(&exhibit.wav),
        escape(&exhibit.read),
    );
    put_picture(
        page,
        &exhibit.over_time,
        &format!("Spectrum over time of: {name}. {}", escape(&exhibit.read)),
    );
    let state = if open { " open" } else { "" };
    let _ = writeln!(
        page,
        "<details{state}><summary>Waveform and decay of: {name}</summary>"
    );
    put_picture(page, &exhibit.waveform, &format!("Waveform of: {name}"));
    put_picture(
        page,
        &exhibit.decay,
        &format!("Decay by octave bands of: {name}"),
    );
    page.push_str("</details>\n</article>\n");
}

/// `alt` is escaped already.
fn put_picture(page: &mut String, svg: &str, alt: &str) {
    let _ = writeln!(
        page,
        "<figure><img loading=\"lazy\" alt=\"{alt}\" src=\"data:image/svg+xml;base64,{}\"></figure>",
        STANDARD.encode(svg),
    );
}

fn put_turns(page: &mut String, turns: &[TurnShow], crack_deg: f64) {
    page.push_str(
        "<section aria-labelledby=\"turns\">\n<h2 id=\"turns\">Why the wheel is turned, and how far</h2>\n\
         <p>The lowest tone of a wheel is a pair: two tones of one height, each with four still lines. A crack lowers \
         one of the two, the one that bends most at the crack, and leaves the other. A tap on a still line of a tone does \
         not strike it. So a plan whose taps all fall on still lines of the lowered tone hears only the other one, \
         which is as clear as before.</p>\n<div class=\"turning\">\n<div>\n",
    );
    put_wheel(page, crack_deg);
    for show in turns {
        let _ = writeln!(
            page,
            "<button type=\"button\" data-plan=\"{0}\" hidden>Show the {0} plan</button>",
            show.plan
        );
    }
    page.push_str("<p role=\"status\"></p>\n</div>\n<div class=\"scroll\">\n");
    for show in turns {
        let _ = write!(
            page,
            "<table>\n<caption>Plan {}: {}</caption>\n<thead><tr><th scope=\"col\">Tap</th><th scope=\"col\">Spot on the wheel</th>\
             <th scope=\"col\">Strikes the lowered tone</th><th scope=\"col\">Strikes its twin</th></tr></thead>\n<tbody>\n",
            show.plan,
            escape(show.words)
        );
        for (k, step) in show.steps.iter().enumerate() {
            let words = format!(
                "Plan {}, tap {}, spot {:.0}°: strikes the lowered tone with {:.0} % and its twin with {:.0} % of the full strength.",
                show.plan,
                k + 1,
                step.spot_deg,
                100.0 * step.at_crack,
                100.0 * step.other
            );
            let _ = writeln!(
                page,
                "<tr data-of=\"{}\" data-turn=\"{}\" data-place=\"{}\" data-words=\"{words}\"><td>{}</td><td>{:.0}°</td><td>{:.0} %</td><td>{:.0} %</td></tr>",
                show.plan,
                step.turned_deg,
                step.place_deg,
                k + 1,
                step.spot_deg,
                100.0 * step.at_crack,
                100.0 * step.other
            );
        }
        let heard = show.steps.iter().any(|s| s.at_crack > 0.1);
        let verdict = if heard {
            "At least one tap strikes the lowered tone: the change can show."
        } else {
            "No tap strikes the lowered tone: the change does not show."
        };
        let _ = write!(
            page,
            "</tbody>\n</table>\n<p class=\"read\">{verdict}</p>\n"
        );
    }
    page.push_str("</div>\n</div>\n</section>\n");
}

/// The wheel's face with the crack, the still lines of the lowered tone, and the hammer.
fn put_wheel(page: &mut String, crack_deg: f64) {
    let _ = write!(
        page,
        "<svg viewBox=\"-130 -140 260 270\" role=\"img\" aria-labelledby=\"face-title\">\n\
         <title id=\"face-title\">Face of a wheel with a crack at {crack_deg:.0} degrees and, dashed, the still lines of the tone that the crack lowers; the table says what each tap strikes</title>\n\
         <g class=\"wheel\">\n<circle r=\"100\" fill=\"none\" stroke=\"currentColor\" stroke-width=\"3\"/>\n\
         <circle r=\"16\" fill=\"none\" stroke=\"currentColor\" stroke-width=\"2\"/>\n"
    );
    for k in 0..4 {
        let still = crack_deg + 45.0 + 90.0 * f64::from(k);
        let _ = writeln!(
            page,
            "<line y1=\"-20\" y2=\"-97\" transform=\"rotate({still})\" stroke=\"var(--blue)\" stroke-width=\"2\" stroke-dasharray=\"6 5\"/>"
        );
    }
    let _ = write!(
        page,
        "<path d=\"M0 -99 l4 -0 l-6 14 l5 12 l-4 14\" transform=\"rotate({crack_deg})\" fill=\"none\" stroke=\"var(--orange)\" stroke-width=\"4\"/>\n\
         <text transform=\"rotate({crack_deg}) translate(12 -66)\" font-size=\"13\" fill=\"currentColor\">crack</text>\n\
         <path d=\"M0 -90 l-5 9 h10 z\" fill=\"currentColor\"/>\n<text y=\"-64\" font-size=\"12\" text-anchor=\"middle\" fill=\"currentColor\">mark</text>\n</g>\n\
         <g class=\"hammer\"><path d=\"M0 -104 l-8 -20 h16 z\" fill=\"currentColor\"/></g>\n</svg>\n"
    );
}
