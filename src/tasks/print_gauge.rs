//! A gauge study as a page to print: is the gauge good enough, and what to improve.

use crate::record::gauge::GaugeRecord;
use crate::report::paper::{Block, Paper, Sheet};
use crate::report::picture::{
    GaugePeople, GaugeShares, PersonFindings, gauge_people, gauge_shares,
};
use crate::report::text::CAUTIONS;
use crate::report::text::gauge::{agreement_line, figure_lines, verdict_words};

/// The charts of a study, each with its words for those who do not see it: what the scatter of each
/// figure is made of, and each figure by person. A chart that cannot be drawn is left out.
pub fn gauge_charts(record: &GaugeRecord, table: &str) -> Vec<(String, String)> {
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
    let mut charts = Vec::new();
    if shares.is_empty() {
        return charts;
    }
    if let Ok(svg) = gauge_shares(&shares, table) {
        let alt = "What the scatter of each figure is made of; the lines above say the same";
        charts.push((svg, alt.to_owned()));
    }
    for f in &record.figures {
        let people: Vec<PersonFindings> = f
            .by_person
            .iter()
            .map(|p| PersonFindings {
                person: p.person.clone(),
                means: p.means.clone(),
                ranges: p.ranges.clone(),
            })
            .collect();
        let figure = match f.unit.as_str() {
            "" => f.figure.clone(),
            unit => format!("{} in {unit}", f.figure),
        };
        let drawn = gauge_people(&GaugePeople {
            figure: &figure,
            subject: table,
            wheels: &f.wheel_ids,
            people: &people,
        });
        if let Ok(svg) = drawn {
            let alt = format!("{figure} by person, wheel by wheel, with the range of the repeats");
            charts.push((svg, alt));
        }
    }
    charts
}

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
    if !record.figures.is_empty() {
        blocks.push(Block::Heading("Figures".to_owned()));
        let lines = record.figures.iter().flat_map(figure_lines);
        blocks.push(Block::List(lines.map(|l| l.trim().to_owned()).collect()));
        let charts = gauge_charts(record, table).into_iter();
        blocks.extend(charts.map(|(svg, alt)| Block::Picture { svg, alt }));
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
