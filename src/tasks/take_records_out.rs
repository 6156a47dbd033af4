//! Records for other programs: JSON lines with their hashes, and a table of taps.

use crate::record::fit::FitRecord;
use crate::record::import::ImportRecord;
use crate::record::mounting::MountingRecord;
use crate::record::pruning::PruningRecord;
use crate::record::sounding::SoundingRecord;
use crate::record::wheel_state::WheelStateRecord;
use crate::store::carry_over::Carried;
use crate::store::records::KeptText;
use crate::store::{Store, StoreError};
use serde_json::{Value, json};

/// The columns of the table, in their order.
pub const COLUMNS: [&str; 16] = [
    "number",
    "at",
    "wheel",
    "by",
    "outcome",
    "footing",
    "turn_plan",
    "temp_c",
    "tap",
    "file",
    "time_s",
    "spot_deg",
    "heard",
    "reading",
    "ring_time_s",
    "hash",
];

/// A record with its number, time and hashes, one JSON object.
pub fn json_line(kept: &KeptText) -> String {
    // A record that is no JSON any more is still taken out, as text.
    let record: serde_json::Value = serde_json::from_str(&kept.text)
        .unwrap_or_else(|_| serde_json::Value::String(kept.text.clone()));
    serde_json::json!({
        "number": kept.number,
        "at": kept.at,
        "kind": kept.kind,
        "wheel": kept.wheel,
        "previous": kept.previous,
        "hash": kept.hash,
        "record": record,
    })
    .to_string()
}

/// All that a store knows, or with a wheel what is of it, one JSON object a line: wheels,
/// grinders and baselines first, then the records.
///
/// # Errors
/// [`StoreError`] of the database.
pub fn export_lines(store: &Store, wheel: Option<&str>) -> Result<Vec<String>, StoreError> {
    Ok(store.carried(wheel)?.iter().map(carried_line).collect())
}

fn carried_line(part: &Carried) -> String {
    let read = |text: &str| -> Value {
        serde_json::from_str(text).unwrap_or_else(|_| Value::String(text.to_owned()))
    };
    let mut line = match part {
        Carried::Record(kept) => return json_line(kept),
        Carried::Wheel(wheel, events) => {
            let events = events.iter().map(|e| {
                json!({
                    "at": e.at, "state": e.state, "note": e.note,
                    "by": e.by, "grinder": e.grinder, "record": e.record,
                })
            });
            json!({
                "kind": crate::record::wheel::FORMAT,
                "at": wheel.added_at,
                "wheel": wheel.id,
                "events": events.collect::<Vec<_>>(),
                "record": serde_json::to_value(&**wheel).unwrap_or_default(),
            })
        }
        Carried::Grinder(grinder, events) => {
            let events = events
                .iter()
                .map(|(at, what)| json!({ "at": at, "what": what }));
            json!({
                "kind": crate::record::grinder::FORMAT,
                "at": grinder.added_at,
                "events": events.collect::<Vec<_>>(),
                "record": serde_json::to_value(&**grinder).unwrap_or_default(),
            })
        }
        Carried::Baseline(baseline) => {
            let (at, why) = baseline.retired.clone().unzip();
            let soundings = baseline.soundings.iter().map(|s| read(s));
            json!({
                "kind": crate::record::baseline::FORMAT,
                "retired_at": at,
                "retired_why": why,
                "soundings": soundings.collect::<Vec<_>>(),
                "hash": baseline.hash,
                "record": read(&baseline.record),
            })
        }
    };
    line["check"] = Value::String(check_of(&line));
    line.to_string()
}

/// Hash of a line of an export without its field `check`.
pub fn check_of(line: &Value) -> String {
    let mut line = line.clone();
    if let Some(fields) = line.as_object_mut() {
        fields.remove("check");
    }
    line.sort_all_objects();
    blake3::hash(line.to_string().as_bytes())
        .to_hex()
        .to_string()
}

/// What a record is, in few words.
pub fn kind_words(kept: &KeptText) -> String {
    let text = kept.text.as_str();
    match kept.kind.as_str() {
        crate::record::sounding::FORMAT => serde_json::from_str::<SoundingRecord>(text)
            .map(|r| format!("sounding: {}", r.outcome))
            .ok(),
        crate::record::fit::FORMAT => serde_json::from_str::<FitRecord>(text)
            .map(|r| {
                let grinder = r.grinder.unwrap_or_else(|| "a grinder".to_owned());
                format!("fit on {grinder}: {}", r.result)
            })
            .ok(),
        crate::record::mounting::FORMAT => serde_json::from_str::<MountingRecord>(text)
            .map(|r| {
                let ticked = r.steps.iter().filter(|s| s.ticked).count();
                format!("mounting: {ticked} of {} ticked", r.steps.len())
            })
            .ok(),
        crate::record::pruning::FORMAT => serde_json::from_str::<PruningRecord>(text)
            .map(|r| format!("audio of {} recordings pruned", r.recordings.len()))
            .ok(),
        crate::record::import::FORMAT => serde_json::from_str::<ImportRecord>(text)
            .map(|r| format!("{} records brought in from {}", r.records.len(), r.source))
            .ok(),
        crate::record::wheel_state::FORMAT => serde_json::from_str::<WheelStateRecord>(text)
            .map(|r| {
                let on = r.grinder.map_or(String::new(), |g| format!(" on {g}"));
                let note = r.note.map_or(String::new(), |n| format!(": {n}"));
                format!("{}{on}{note}", r.to.words())
            })
            .ok(),
        _ => None,
    }
    .unwrap_or_else(|| kept.kind.clone())
}

/// One row a tap of every sounding, a sounding without taps as one row; with a head.
pub fn csv_of_soundings(texts: &[KeptText]) -> String {
    let mut table = csv::Writer::from_writer(Vec::new());
    let mut write = |row: &[String]| {
        // Writing into memory does not fail, and all rows have as many columns.
        let _ = table.write_record(row);
    };
    write(&COLUMNS.map(str::to_owned));
    for kept in texts
        .iter()
        .filter(|k| k.kind == crate::record::sounding::FORMAT)
    {
        let Ok(record) = serde_json::from_str::<SoundingRecord>(&kept.text) else {
            continue;
        };
        let number = |v: Option<f64>| v.map_or(String::new(), |v| v.to_string());
        let start = [
            kept.number.to_string(),
            kept.at.clone(),
            record.wheel.clone().unwrap_or_default(),
            record.by.clone().unwrap_or_default(),
            record.outcome.clone(),
            record.footing.clone(),
            record.turn_plan.clone(),
            number(record.temp_c),
        ];
        let none = [const { String::new() }; 7];
        let mut taps: Vec<[String; 7]> = Vec::new();
        for (k, tap) in record.taps.iter().enumerate() {
            taps.push([
                (k + 1).to_string(),
                tap.file.clone(),
                tap.time_s.to_string(),
                number(tap.spot_deg),
                tap.heard.clone().unwrap_or_default(),
                tap.reading.clone(),
                number(tap.ring_time_s),
            ]);
        }
        if taps.is_empty() {
            taps.push(none);
        }
        for tap in taps {
            let row = [&start[..], &tap[..], std::slice::from_ref(&kept.hash)].concat();
            write(&row);
        }
    }
    let bytes = table.into_inner().unwrap_or_default();
    String::from_utf8(bytes).unwrap_or_default()
}
