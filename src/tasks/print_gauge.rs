//! A gauge study as a page to print: is the gauge good enough, and what to improve.

use crate::record::gauge::GaugeRecord;
use crate::report::paper::{Block, Paper, Sheet};
use crate::report::picture::{GaugeShares, gauge_shares};
use crate::report::text::CAUTIONS;
use crate::report::text::gauge::{agreement_line, figure_lines, verdict_words};

/// The page. `table` names where the study comes from.
pub fn gauge_paper(record: &GaugeRecord, table: &str) -> Paper {
    let fact = |name: &str, value: String| (name.to_owned(), value);
    let mut blocks = vec![
        Block::Large(record.verdict.to_uppercase()),
        Block::Text(verdict_words(&record.verdict).to_owned()),
        Block::Facts(vec![
            fact("wheels", record.wheels.to_string()),
            fact("people", record.people.join(", ")),
            fact("soundings", record.rows.to_string()),
            fact("table", table.to_owned()),
        ]),
    ];
    if !record.improve.is_empty() {
        blocks.push(Block::Heading("What to improve".to_owned()));
        blocks.push(Block::List(record.improve.clone()));
    }
    let shares: Vec<GaugeShares> = record
        .figures
        .iter()
        .map(|f| GaugeShares {
            figure: f.figure.clone(),
            repeatability: f.repeatability,
            reproducibility: f.reproducibility,
            wheels: f.wheels,
        })
        .collect();
    if !shares.is_empty() {
        blocks.push(Block::Heading("Figures".to_owned()));
        let lines = record.figures.iter().flat_map(figure_lines);
        blocks.push(Block::List(lines.map(|l| l.trim().to_owned()).collect()));
        if let Ok(svg) = gauge_shares(&shares, table) {
            blocks.push(Block::Picture {
                svg,
                alt: "What the scatter of each figure is made of; the lines above say the same"
                    .to_owned(),
            });
        }
    }
    if !record.agreements.is_empty() {
        blocks.push(Block::Heading(
            "Who agrees with whom (unsure and unclear count as thud)".to_owned(),
        ));
        blocks.push(Block::List(
            record.agreements.iter().map(agreement_line).collect(),
        ));
    }
    if !record.warnings.is_empty() {
        blocks.push(Block::Heading("Not evaluated".to_owned()));
        blocks.push(Block::List(record.warnings.clone()));
    }
    blocks.push(Block::Cautions(
        CAUTIONS.iter().map(|c| (*c).to_owned()).collect(),
    ));
    Paper {
        title: "How good is the gauge".to_owned(),
        sheet: Sheet::Page,
        blocks,
    }
}
