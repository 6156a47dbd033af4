//! A page to print: blocks in, one self-contained HTML file out, without script and without
//! anything from elsewhere.

use std::fmt::Write as _;

use crate::report::picture::style::clean;

/// A page.
#[derive(Debug, Clone, PartialEq)]
pub struct Paper {
    /// Its title.
    pub title: String,
    /// The size of the sheet.
    pub sheet: Sheet,
    /// What stands on it, from top to bottom.
    pub blocks: Vec<Block>,
}

/// Sizes of sheets.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sheet {
    /// A whole page, A4 or Letter as the printer has it.
    Page,
    /// A tag of a quarter of a page.
    Tag,
}

/// A part of a page.
#[derive(Debug, Clone, PartialEq)]
pub enum Block {
    /// Words to be read from three metres.
    Large(String),
    /// A heading.
    Heading(String),
    /// A paragraph.
    Text(String),
    /// A paragraph in small print.
    Small(String),
    /// Names with their values.
    Facts(Vec<(String, String)>),
    /// A table.
    Table {
        /// The heads of its columns.
        head: Vec<String>,
        /// Its rows.
        rows: Vec<Vec<String>>,
    },
    /// A list.
    List(Vec<String>),
    /// Things to tick, and whether each is ticked.
    Ticks(Vec<(bool, String)>),
    /// A picture, side by side with those that follow it.
    Picture {
        /// The drawing.
        svg: String,
        /// The same in words.
        alt: String,
    },
    /// A picture over the whole width.
    Chart {
        /// The drawing.
        svg: String,
        /// The same in words.
        alt: String,
    },
    /// Cautions, in a frame.
    Cautions(Vec<String>),
}

/// Black on white on every screen, as it is printed; grey lines, no colour that means anything.
const STYLE: &str = "\
:root{color-scheme:light}*{box-sizing:border-box}\
body{margin:0 auto;padding:10mm;max-width:210mm;background:#fff;color:#111;\
font:9.5pt/1.3 'DejaVu Sans','Segoe UI',Roboto,Helvetica,Arial,sans-serif}\
body.tag{max-width:105mm;padding:6mm;border:1.2mm solid #111}\
h1{font-size:12pt;margin:0 0 2mm}h2{font-size:10.5pt;margin:2mm 0 .6mm;border-bottom:.3mm solid #777}\
p{margin:1mm 0}.large{font-size:27pt;line-height:1.1;font-weight:700;margin:2mm 0}\
.tag .large{font-size:34pt}\
dl{display:grid;grid-template-columns:max-content 1fr max-content 1fr;gap:.4mm 3mm;margin:1mm 0}\
.tag dl{grid-template-columns:max-content 1fr}\
dt{color:#444}dd{margin:0;font-weight:600;overflow-wrap:anywhere}\
table{border-collapse:collapse;width:100%;font-size:9pt}\
th,td{border:.2mm solid #999;padding:.4mm 1.2mm;text-align:left;vertical-align:top}\
th:not(:last-child),td:not(:last-child){white-space:nowrap}.small{font-size:7.5pt;color:#333;\
overflow-wrap:anywhere}.cautions p{margin:.3mm 0}\
th{background:#eee}ul{margin:1mm 0;padding-left:5mm}ul.ticks{list-style:none;padding:0}\
.pictures{display:flex;flex-wrap:wrap;gap:2mm}.pictures img{flex:1 1 70mm;min-width:0;max-width:100%;\
max-height:58mm;object-fit:contain}img.chart{display:block;width:100%;margin:1mm 0}\
.cautions{border:.4mm solid #111;padding:1mm 3mm;margin-top:2mm;font-size:8.5pt}\
@page{margin:9mm}@media print{body{padding:0;max-width:none}body.tag{max-width:105mm;padding:6mm}\
tr,img,.cautions{break-inside:avoid}}\
@media(max-width:600px){body{padding:4mm}dl{grid-template-columns:max-content 1fr}}";

/// The page as one HTML file.
pub fn html(paper: &Paper) -> String {
    let class = match paper.sheet {
        Sheet::Page => "page",
        Sheet::Tag => "tag",
    };
    let title = escaped(&paper.title);
    let mut out = format!(
        "<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width\">\n\
         <meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; \
         img-src data:; style-src 'unsafe-inline'\">\n\
         <title>{title}</title>\n<style>{STYLE}</style>\n</head>\n<body class=\"{class}\">\n<main>\n\
         <h1>{title}</h1>\n"
    );
    let mut blocks = paper.blocks.iter().peekable();
    while let Some(block) = blocks.next() {
        if let Block::Picture { .. } = block {
            out.push_str("<div class=\"pictures\">\n");
            put(&mut out, block);
            while let Some(next @ Block::Picture { .. }) = blocks.peek() {
                put(&mut out, next);
                blocks.next();
            }
            out.push_str("</div>\n");
        } else {
            put(&mut out, block);
        }
    }
    out.push_str("</main>\n</body>\n</html>\n");
    out
}

fn picture(out: &mut String, class: &str, svg: &str, alt: &str) -> std::fmt::Result {
    let (source, alt) = (data_of(svg), escaped(alt));
    writeln!(
        out,
        "<img{class} alt=\"{alt}\" src=\"data:image/svg+xml,{source}\">"
    )
}

fn put(out: &mut String, block: &Block) {
    // Writing into a string does not fail.
    let _ = match block {
        Block::Large(words) => writeln!(out, "<p class=\"large\">{}</p>", escaped(words)),
        Block::Heading(words) => writeln!(out, "<h2>{}</h2>", escaped(words)),
        Block::Text(words) => writeln!(out, "<p>{}</p>", escaped(words)),
        Block::Small(words) => writeln!(out, "<p class=\"small\">{}</p>", escaped(words)),
        Block::Facts(facts) => {
            let rows: String = facts
                .iter()
                .map(|(name, value)| {
                    format!("<dt>{}</dt><dd>{}</dd>", escaped(name), escaped(value))
                })
                .collect();
            writeln!(out, "<dl>{rows}</dl>")
        }
        Block::Table { head, rows } => {
            let row = |cells: &[String], tag: &str| {
                let scope = if tag == "th" { " scope=\"col\"" } else { "" };
                let cells: String = cells
                    .iter()
                    .map(|c| format!("<{tag}{scope}>{}</{tag}>", escaped(c)))
                    .collect();
                format!("<tr>{cells}</tr>")
            };
            let body: String = rows.iter().map(|r| row(r, "td")).collect();
            writeln!(
                out,
                "<table><thead>{}</thead><tbody>{body}</tbody></table>",
                row(head, "th")
            )
        }
        Block::List(items) => {
            let items: String = items
                .iter()
                .map(|i| format!("<li>{}</li>", escaped(i)))
                .collect();
            writeln!(out, "<ul>{items}</ul>")
        }
        Block::Ticks(items) => {
            let tick = |(is_ticked, words): &(bool, String)| {
                let (sign, said) = if *is_ticked {
                    ("&#9746;", "done: ")
                } else {
                    ("&#9744;", "to do: ")
                };
                format!(
                    "<li><span role=\"img\" aria-label=\"{said}\">{sign}</span> {}</li>",
                    escaped(words)
                )
            };
            let items: String = items.iter().map(tick).collect();
            writeln!(out, "<ul class=\"ticks\">{items}</ul>")
        }
        Block::Cautions(lines) => {
            let lines: String = lines
                .iter()
                .map(|l| format!("<p>{}</p>", escaped(l)))
                .collect();
            writeln!(out, "<div class=\"cautions\">{lines}</div>")
        }
        Block::Picture { svg, alt } => picture(out, "", svg, alt),
        Block::Chart { svg, alt } => picture(out, " class=\"chart\"", svg, alt),
    };
}

/// Text that cannot be taken for markup.
fn escaped(text: &str) -> String {
    clean(text)
        .replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
        .replace('"', "&quot;")
}

/// A drawing as the rest of a data URL.
fn data_of(svg: &str) -> String {
    let mut out = String::with_capacity(svg.len() + svg.len() / 4);
    for byte in svg.bytes() {
        match byte {
            b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' => out.push(char::from(byte)),
            b' ' | b'-' | b'.' | b',' | b'/' | b':' | b'=' | b';' | b'(' | b')' => {
                out.push(char::from(byte));
            }
            _ => {
                let _ = write!(out, "%{byte:02X}");
            }
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_a_person_wrote_becomes_markup() {
        let evil = "<script>alert(1)</script>\" onload=\"x";
        let paper = Paper {
            title: evil.to_owned(),
            sheet: Sheet::Page,
            blocks: vec![
                Block::Large(evil.to_owned()),
                Block::Heading(evil.to_owned()),
                Block::Text(evil.to_owned()),
                Block::Facts(vec![(evil.to_owned(), evil.to_owned())]),
                Block::Table {
                    head: vec![evil.to_owned()],
                    rows: vec![vec![evil.to_owned()]],
                },
                Block::List(vec![evil.to_owned()]),
                Block::Ticks(vec![(true, evil.to_owned())]),
                Block::Picture {
                    svg: evil.to_owned(),
                    alt: evil.to_owned(),
                },
                Block::Chart {
                    svg: evil.to_owned(),
                    alt: evil.to_owned(),
                },
                Block::Cautions(vec![evil.to_owned()]),
            ],
        };
        let page = html(&paper);
        assert!(
            !page.contains("<script") && !page.contains("\" onload"),
            "{page}"
        );
        // The title stands in the head and on the page.
        assert_eq!(page.matches("&lt;script&gt;").count(), 14, "{page}");
    }
}
