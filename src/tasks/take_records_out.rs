//! Records for other programs: JSON lines with their hashes, and a table of taps.

use crate::record::fit::FitRecord;
use crate::record::mounting::MountingRecord;
use crate::record::sounding::SoundingRecord;
use crate::record::wheel_state::WheelStateRecord;
use crate::store::records::KeptText;

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
