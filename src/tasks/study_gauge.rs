//! A gauge study from a table: how good the measurement is, and who agrees with whom.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use crate::quality::agreement::{Counted, TwoJudges};
use crate::quality::gauge::{GaugeStudy, NoStudy};
use crate::reading::Heard;
use crate::record::gauge::{
    AgreementRecord, FORMAT, GaugeFigureRecord, GaugeRecord, PersonFigureRecord, ShareRecord,
    VERSION,
};
use crate::record::sounding::SoundingRecord;
use crate::store::{Store, StoreError};

/// Confidence of all intervals.
const CONFIDENCE: f64 = 0.95;
/// Columns with numbers: name in the table, figure, unit.
const FIGURES: [(&str, &str, &str); 3] = [
    ("tone_hz", "tone", "Hz"),
    ("ring_time_s", "ring time", "s"),
    ("decision", "decision", ""),
];
/// The judge that is no person.
const TOOL: &str = "the tool";
/// What is known of the wheels.
const KNOWN: &str = "the known state";

/// Why there is no study.
#[derive(Debug, thiserror::Error)]
pub enum GaugeError {
    /// The table.
    #[error("{table}{}: {what}; {remedy}", line.map(|l| format!(", line {l}")).unwrap_or_default())]
    Table {
        /// Its path.
        table: String,
        /// Line, counted from 1.
        line: Option<u64>,
        /// What is wrong.
        what: String,
        /// What to do.
        remedy: &'static str,
    },
    /// The store, for rows that name a sounding.
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// A row of the table.
#[derive(Debug, Default, Clone)]
struct Row {
    wheel: String,
    person: String,
    values: [Option<f64>; 3],
    ear_thud: Option<bool>,
    tool_thud: Option<bool>,
    damaged: Option<bool>,
}

/// Reads the table and evaluates it. Its columns: `person` and `wheel`, and of `tone_hz`,
/// `ring_time_s`, `decision`, `heard` (ring, thud, unsure), `reading` (clear ring, dull thud,
/// unclear, or an outcome) and `state` (sound, damaged) at least one. A column `sounding` with the
/// number of a kept sounding stands in for wheel, figures, heard and reading.
///
/// # Errors
/// [`GaugeError`] with the line; for a sounding that is not kept.
pub fn study_gauge(table: &Path, store: Option<&Store>) -> Result<GaugeRecord, GaugeError> {
    let rows = read_rows(table, store)?;
    Ok(evaluated(&rows))
}

fn evaluated(rows: &[Row]) -> GaugeRecord {
    let people: BTreeSet<&str> = rows.iter().map(|r| r.person.as_str()).collect();
    let wheels: BTreeSet<&str> = rows.iter().map(|r| r.wheel.as_str()).collect();
    let mut record = GaugeRecord {
        format: FORMAT.to_owned(),
        version: VERSION,
        wheels: wheels.len(),
        people: people.iter().map(|p| (*p).to_owned()).collect(),
        rows: rows.len(),
        verdict: String::new(),
        figures: Vec::new(),
        agreements: agreements(rows),
        improve: Vec::new(),
        warnings: Vec::new(),
    };
    for (k, (_, name, unit)) in FIGURES.iter().enumerate() {
        if rows.iter().all(|r| r.values[k].is_none()) {
            continue;
        }
        match figure(rows, k) {
            Ok(found) => record.figures.push(figure_record(found, name, unit)),
            Err(why) => record.warnings.push(format!("{name}: {why}")),
        }
    }
    judge(&mut record);
    record
}

/// The crossed study of one column.
struct Figure {
    study: GaugeStudy,
    repeats: usize,
    wheel_ids: Vec<String>,
    by_person: Vec<PersonFigureRecord>,
}

fn figure(rows: &[Row], k: usize) -> Result<Figure, NoStudy> {
    let mut cells: BTreeMap<&str, BTreeMap<&str, Vec<f64>>> = BTreeMap::new();
    let people: BTreeSet<&str> = rows.iter().map(|r| r.person.as_str()).collect();
    for row in rows {
        let cell = cells.entry(&row.wheel).or_default();
        for person in &people {
            cell.entry(person).or_default();
        }
        // A hole in the table makes the cell too short, and the study is refused.
        if let (Some(v), Some(c)) = (row.values[k], cell.get_mut(row.person.as_str())) {
            c.push(v);
        }
    }
    let crossed: Vec<Vec<Vec<f64>>> = cells
        .values()
        .map(|c| c.values().cloned().collect())
        .collect();
    let by_person = people.iter().enumerate().map(|(k, person)| {
        let own = || crossed.iter().filter_map(|wheel| wheel.get(k));
        let lowest = |v: &[f64]| v.iter().copied().fold(f64::INFINITY, f64::min);
        let highest = |v: &[f64]| v.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        PersonFigureRecord {
            person: (*person).to_owned(),
            means: own()
                .map(|v| v.iter().sum::<f64>() / v.len() as f64)
                .collect(),
            ranges: own().map(|v| (lowest(v), highest(v))).collect(),
        }
    });
    Ok(Figure {
        study: GaugeStudy::of(&crossed)?,
        repeats: crossed.iter().flatten().map(Vec::len).max().unwrap_or(0),
        by_person: by_person.collect(),
        wheel_ids: cells.keys().map(|w| (*w).to_owned()).collect(),
    })
}

fn figure_record(found: Figure, name: &str, unit: &str) -> GaugeFigureRecord {
    let s = &found.study;
    let percent = 100.0 * s.gauge_share();
    // Limits of common practice, from memory: 10 % and 30 % of the spread, 5 categories.
    let verdict = if percent <= 10.0 && s.categories() >= 5 {
        GOOD
    } else if percent <= 30.0 {
        CARE
    } else {
        BAD
    };
    GaugeFigureRecord {
        figure: name.to_owned(),
        unit: unit.to_owned(),
        repeats: found.repeats,
        repeatability: s.repeatability,
        repeatability_interval: s.repeatability_interval,
        reproducibility: s.reproducibility,
        interaction: s.interaction,
        interaction_p: s.interaction_p,
        pooled: s.pooled,
        gauge: s.gauge,
        wheels: s.wheels,
        total: s.total,
        gauge_percent: percent,
        categories: s.categories(),
        verdict: verdict.to_owned(),
        wheel_ids: found.wheel_ids,
        by_person: found.by_person,
    }
}

const GOOD: &str = "good enough";
const CARE: &str = "usable with care";
const BAD: &str = "not good enough";
const OPEN: &str = "not decided";

/// Ears with each other (the same wheel, the same repeat), each ear and the tool with the known
/// state, each ear with the tool (the same row).
fn agreements(rows: &[Row]) -> Vec<AgreementRecord> {
    let mut made: Vec<AgreementRecord> = Vec::new();
    let mut by_person: BTreeMap<&str, BTreeMap<&str, Vec<bool>>> = BTreeMap::new();
    for row in rows {
        if let Some(thud) = row.ear_thud {
            let wheels = by_person.entry(&row.person).or_default();
            wheels.entry(&row.wheel).or_default().push(thud);
        }
    }
    let people: Vec<&&str> = by_person.keys().collect();
    for (k, a) in people.iter().enumerate() {
        for b in &people[k + 1..] {
            let mut judges = TwoJudges::default();
            for (wheel, first) in &by_person[**a] {
                let second = by_person[**b].get(wheel).map_or(&[][..], Vec::as_slice);
                first
                    .iter()
                    .zip(second)
                    .for_each(|(x, y)| judges.count(*x, *y));
            }
            made.extend(agreement(a, b, judges, false));
        }
    }
    let pairs = |of: &dyn Fn(&Row) -> Option<(bool, bool)>| {
        let mut judges = TwoJudges::default();
        rows.iter()
            .filter_map(of)
            .for_each(|(a, b)| judges.count(a, b));
        judges
    };
    for person in &people {
        let mine = |r: &Row| r.person.as_str() == **person;
        let tool = pairs(&|r| Some((r.ear_thud?, r.tool_thud?)).filter(|_| mine(r)));
        made.extend(agreement(person, TOOL, tool, false));
        let known = pairs(&|r| Some((r.damaged?, r.ear_thud?)).filter(|_| mine(r)));
        made.extend(agreement(KNOWN, person, known, true));
    }
    let known = pairs(&|r| Some((r.damaged?, r.tool_thud?)));
    made.extend(agreement(KNOWN, TOOL, known, true));
    made
}

/// None without cases.
fn agreement(a: &str, b: &str, judges: TwoJudges, known: bool) -> Option<AgreementRecord> {
    let cases = judges.cases();
    if cases == 0 {
        return None;
    }
    let kappa = judges.kappa(CONFIDENCE);
    let share = |c: Counted| ShareRecord {
        hits: c.hits,
        trials: c.trials,
        interval: (c.interval.low, c.interval.high),
    };
    Some(AgreementRecord {
        first: a.to_owned(),
        second: b.to_owned(),
        both_thud: judges.both,
        first_only: judges.first_only,
        second_only: judges.second_only,
        both_ring: judges.neither,
        agree: f64::from(judges.both + judges.neither) / f64::from(cases),
        kappa: kappa.map(|k| k.kappa),
        kappa_interval: kappa.map(|k| k.interval),
        misses: judges.misses(CONFIDENCE).ok().filter(|_| known).map(share),
        false_alarms: judges
            .false_alarms(CONFIDENCE)
            .ok()
            .filter(|_| known)
            .map(share),
    })
}

/// The verdict, and what to improve.
fn judge(record: &mut GaugeRecord) {
    let mut improve = Vec::new();
    for f in &record.figures {
        if f.verdict == GOOD {
            continue;
        }
        let figure = &f.figure;
        if f.repeatability >= f.reproducibility {
            improve.push(format!(
                "{figure}: most of the spread comes from one and the same person sounding a wheel again: hold and strike it alike each time, the microphone at the same place, less noise and echo; more taps"
            ));
        } else if f.interaction > 0.5 * f.reproducibility {
            improve.push(format!(
                "{figure}: people differ from wheel to wheel: agree on how to hold and strike each kind of wheel"
            ));
        } else {
            improve.push(format!(
                "{figure}: people differ from one another on all wheels: show them the same way to hold and strike, and study again"
            ));
        }
        if f.wheels < f.gauge {
            improve.push(format!(
                "{figure}: the wheels of the study hardly differ, so that the gauge looks worse than it may be: take wheels that span what comes in, damaged ones among them"
            ));
        }
    }
    let mut missed = false;
    for a in &record.agreements {
        if let Some(m) = a.misses {
            missed |= m.hits > 0;
            if m.hits > 0 {
                improve.push(format!(
                    "{}: passed {} of {} damaged wheels; these matter most: train, and let nobody overrule a thud",
                    a.second, m.hits, m.trials
                ));
            } else if m.interval.1 > 0.1 {
                improve.push(format!(
                    "{}: no damaged wheel was passed, but of only {} tries: up to {:.0} % may be missed; use more damaged wheels",
                    a.second,
                    m.trials,
                    100.0 * m.interval.1
                ));
            }
        } else if a.kappa_interval.is_some_and(|i| i.0 < 0.4) {
            improve.push(format!(
                "{} and {}: agreement is weak or not shown by so few cases (kappa from {:.2}): let both listen to the same wheels together",
                a.first,
                a.second,
                a.kappa_interval.map_or(f64::NAN, |i| i.0)
            ));
        }
    }
    let any = |w: &str| record.figures.iter().any(|f| f.verdict == w);
    let nothing = record.figures.is_empty() && record.agreements.is_empty();
    record.verdict = if any(BAD) || missed {
        BAD
    } else if nothing || !record.warnings.is_empty() {
        OPEN
    } else if any(CARE) || !improve.is_empty() {
        CARE
    } else {
        GOOD
    }
    .to_owned();
    record.improve = improve;
}

fn read_rows(table: &Path, store: Option<&Store>) -> Result<Vec<Row>, GaugeError> {
    let error = |line: Option<u64>, what: String, remedy: &'static str| GaugeError::Table {
        table: table.display().to_string(),
        line,
        what,
        remedy,
    };
    let text = std::fs::read_to_string(table).map_err(|e| {
        let what = format!("the table cannot be read: {e}");
        error(None, what, "check the path, and save it as UTF-8")
    })?;
    let text = text.strip_prefix('\u{feff}').unwrap_or(&text);
    let head = text.lines().next().unwrap_or("");
    let delimiter = if head.contains(',') { b',' } else { b';' };
    let mut csv = csv::ReaderBuilder::new()
        .delimiter(delimiter)
        .trim(csv::Trim::All)
        .from_reader(text.as_bytes());
    let bad = |e: csv::Error| {
        let line = e.position().map(csv::Position::line);
        error(
            line,
            e.to_string(),
            "give each row as many fields as the first line",
        )
    };
    let head = csv.headers().map_err(bad)?.clone();
    const KNOWN_COLUMNS: [&str; 10] = [
        "wheel",
        "person",
        "repeat",
        "sounding",
        "heard",
        "reading",
        "state",
        "tone_hz",
        "ring_time_s",
        "decision",
    ];
    if let Some(other) = head.iter().find(|h| !KNOWN_COLUMNS.contains(h)) {
        let what = format!("the column \"{other}\" is not known");
        return Err(error(
            Some(1),
            what,
            "use wheel, person, repeat, sounding, heard, reading, state, tone_hz, ring_time_s, decision",
        ));
    }
    let column = |name: &str| head.iter().position(|h| h == name);
    for needed in ["wheel", "person"] {
        let spare = needed == "wheel" && column("sounding").is_some();
        if column(needed).is_none() && !spare {
            let what = format!("there is no column {needed}");
            return Err(error(Some(1), what, "name the columns in the first line"));
        }
    }
    let mut rows = Vec::new();
    for record in csv.records() {
        let record = record.map_err(bad)?;
        let line = record.position().map(csv::Position::line);
        let cell = |name: &str| {
            let text = column(name).and_then(|k| record.get(k)).unwrap_or("");
            (!text.is_empty()).then_some(text)
        };
        let mut row = Row::default();
        if let Some(number) = cell("sounding") {
            let no_number = || {
                error(
                    line,
                    format!("\"{number}\" is no number of a sounding"),
                    "see wheel show",
                )
            };
            let number: u64 = number.parse().map_err(|_| no_number())?;
            let store = store.ok_or_else(|| {
                error(
                    line,
                    "a sounding is named, but there is no store".to_owned(),
                    "name the store with --store",
                )
            })?;
            row = of_sounding(&store.kept::<SoundingRecord>(number)?.record);
        }
        if let Some(wheel) = cell("wheel") {
            row.wheel = wheel.to_owned();
        }
        row.person = cell("person").unwrap_or("").to_owned();
        if row.wheel.is_empty() || row.person.is_empty() {
            return Err(error(
                line,
                "wheel or person is empty".to_owned(),
                "fill both in",
            ));
        }
        for (k, (name, _, _)) in FIGURES.iter().enumerate() {
            if let Some(text) = cell(name) {
                let value = text.parse::<f64>().ok().filter(|v| v.is_finite());
                let what = || {
                    error(
                        line,
                        format!("{name}: \"{text}\" is no number"),
                        "write it like 812.4",
                    )
                };
                row.values[k] = Some(value.ok_or_else(what)?);
            }
        }
        if let Some(word) = cell("heard") {
            let heard = Heard::parse(word).ok_or_else(|| {
                error(
                    line,
                    format!("heard: \"{word}\" is not known"),
                    "use ring, thud or unsure",
                )
            })?;
            row.ear_thud = Some(heard != Heard::Ring);
        }
        if let Some(word) = cell("reading") {
            row.tool_thud = Some(match word {
                "clear ring" | "rings clear" => false,
                "dull thud"
                | "unclear"
                | "sounds dead"
                | "sound it again"
                | "rings, not compared" => true,
                _ => {
                    return Err(error(
                        line,
                        format!("reading: \"{word}\" is not known"),
                        "use clear ring, dull thud or unclear",
                    ));
                }
            });
        }
        if let Some(word) = cell("state") {
            row.damaged = Some(match word {
                "sound" => false,
                "damaged" => true,
                _ => {
                    return Err(error(
                        line,
                        format!("state: \"{word}\" is not known"),
                        "use sound or damaged",
                    ));
                }
            });
        }
        rows.push(row);
    }
    if rows.is_empty() {
        return Err(error(
            None,
            "it has no rows".to_owned(),
            "write one row a sounding",
        ));
    }
    Ok(rows)
}

/// What a kept sounding gives: its lowest tone, its ring time, the figure of its evidence that is
/// nearest its limit or farthest beyond (1 at the limit), the worst word of the ear, the outcome.
fn of_sounding(record: &SoundingRecord) -> Row {
    let tone = record
        .modes
        .iter()
        .map(|m| m.freq_hz)
        .min_by(f64::total_cmp);
    let times: Vec<f64> = record.taps.iter().filter_map(|t| t.ring_time_s).collect();
    let mean = times.iter().map(|t| t.ln()).sum::<f64>() / times.len().max(1) as f64;
    let ratio = |e: &crate::record::sounding::EvidenceRecord| {
        let limit = e.limit.filter(|l| *l != 0.0)?;
        let r = if e.limit_kind == "at most" {
            e.value / limit
        } else {
            limit / e.value
        };
        r.is_finite().then_some(r)
    };
    let heard: Vec<&str> = record
        .taps
        .iter()
        .filter_map(|t| t.heard.as_deref())
        .collect();
    Row {
        wheel: record.wheel.clone().unwrap_or_default(),
        values: [
            tone,
            (!times.is_empty()).then(|| mean.exp()),
            record
                .evidence
                .iter()
                .filter_map(ratio)
                .max_by(f64::total_cmp),
        ],
        ear_thud: (!heard.is_empty()).then(|| heard.iter().any(|h| *h != Heard::Ring.word())),
        tool_thud: Some(record.outcome != "rings clear"),
        ..Row::default()
    }
}
