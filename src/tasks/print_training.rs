//! The ear tests of one trainee as a page to print: a record of training.

use crate::reading::ear_score::EarCounts;
use crate::record::ear_test::EarTestRecord;
use crate::report::paper::{Block, Paper, Sheet};
use crate::report::text::ear::{EAR_NOTE, beside_tool_rows, count_lines};
use crate::store::records::Kept;

/// The page of rounds of one trainee, oldest first; none without a round. `printed_at` is RFC 3339.
pub fn training_paper(rounds: &[Kept<EarTestRecord>], printed_at: &str) -> Option<Paper> {
    let first = rounds.first()?;
    let mut all = EarCounts::default();
    let mut rows = Vec::new();
    for kept in rounds {
        let record = &kept.record;
        let counts = record.counts();
        all = all.with(&counts);
        let (d, c) = counts.detection().map_or(("–".into(), "–".into()), |d| {
            (format!("{:.2}", d.d_prime), format!("{:.2}", d.bias_c))
        });
        let crack = record.threshold.map_or("–".to_owned(), |t| {
            format!("{:.0} % of the web", 100.0 * t)
        });
        let broken_off = if record.complete { "" } else { " (broken off)" };
        rows.push(vec![
            format!("{}{broken_off}", record.round),
            day(&kept.at),
            kept.number.to_string(),
            record.trials.len().to_string(),
            format!("{} of {}", counts.hits, counts.damaged()),
            format!("{} of {}", counts.false_alarms, counts.sound()),
            d,
            c,
            crack,
        ]);
    }
    let head = [
        "round",
        "day",
        "record",
        "sounds",
        "hits",
        "false alarms",
        "d'",
        "c",
        "smallest crack",
    ];
    let table = |head: &[&str], rows| Block::Table {
        head: head.iter().map(|h| (*h).to_owned()).collect(),
        rows,
    };
    let records: Vec<&EarTestRecord> = rounds.iter().map(|k| &k.record).collect();
    let fact = |name: &str, value: String| (name.to_owned(), value);
    let mut blocks = vec![
        Block::Facts(vec![
            fact("trainee", first.record.trainee.clone()),
            fact("rounds", rounds.len().to_string()),
            fact("printed", day(printed_at)),
            fact("sounds", first.record.sounds.clone()),
        ]),
        Block::Text(
            "A blind test: made-up taps on sound and on cracked wheels in random order, all equally loud; ring, thud or not sure.".to_owned(),
        ),
        Block::Heading("Rounds".to_owned()),
        table(&head, rows),
        Block::Heading("All rounds".to_owned()),
        Block::List(count_lines(&all)),
    ];
    let beside = beside_tool_rows(&records);
    if !beside.is_empty() {
        blocks.push(Block::Heading(
            "Ear and tool, by size of the crack".to_owned(),
        ));
        let head = [
            "crack, % of the web",
            "played",
            "ear heard",
            "tool did not pass",
            "only the tool",
            "only the ear",
        ];
        let rows = beside
            .into_iter()
            .map(|(crack, counts)| {
                let crack = std::iter::once(format!("{crack:.0}"));
                crack.chain(counts.map(|c| c.to_string())).collect()
            })
            .collect();
        blocks.push(table(&head, rows));
        blocks.push(Block::Small(
            "The tool read each single tap with nothing to compare it with.".to_owned(),
        ));
    }
    if let Some(last) = rounds.last() {
        blocks.push(Block::Small(format!(
            "How the damage was chosen: {}",
            last.record.procedure
        )));
    }
    blocks.push(Block::Facts(vec![
        fact("trainer", "____________________".to_owned()),
        fact("date", "____________________".to_owned()),
    ]));
    blocks.push(Block::Cautions(vec![EAR_NOTE.to_owned()]));
    Some(Paper {
        title: format!("Record of training: {}", first.record.trainee),
        sheet: Sheet::Page,
        blocks,
    })
}

fn day(at: &str) -> String {
    at.get(..10).unwrap_or(at).to_owned()
}
