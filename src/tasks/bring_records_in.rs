//! Brings in what `records export` took out of a store.

use serde_json::Value;

use crate::record::baseline::BaselineRecord;
use crate::record::grinder::GrinderRecord;
use crate::record::kinds::check_record;
use crate::record::wheel::{WheelRecord, WheelState, check_id};
use crate::store::carry_over::{BroughtIn, Carried, CarriedBaseline, Import};
use crate::store::records::KeptText;
use crate::store::wheels::WheelEvent;
use crate::store::{Store, StoreError};
use crate::tasks::take_records_out::check_of;

/// Why records cannot be brought in.
#[derive(Debug, thiserror::Error)]
pub enum ImportError {
    /// A line that is damaged, altered, or against what is here.
    #[error(
        "{source_name}, line {line}: {why}; nothing was brought in: take the records out of their store again with fourtap records export"
    )]
    Line {
        /// Name of the file.
        source_name: String,
        /// The line, counted from 1.
        line: usize,
        /// What is wrong.
        why: String,
    },
    /// It ends with another record than it should.
    #[error(
        "{source_name} ends with the record of the hash {found}, not {wanted}: a part is missing, or it is another file; nothing was brought in"
    )]
    End {
        /// Name of the file.
        source_name: String,
        /// Hash of its last record.
        found: String,
        /// The hash asked for.
        wanted: String,
    },
    /// The store.
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// Reads an export; each part with its line, counted from 1.
///
/// # Errors
/// [`ImportError::Line`] for the first line that is no part of an export. Hashes of records are
/// checked when they are brought in.
pub fn read_export(text: &str, name: &str) -> Result<Vec<(usize, Carried)>, ImportError> {
    let mut parts = Vec::new();
    for (k, line) in text.lines().enumerate() {
        let part = part_of(line).map_err(|why| ImportError::Line {
            source_name: name.to_owned(),
            line: k + 1,
            why,
        })?;
        parts.push((k + 1, part));
    }
    Ok(parts)
}

/// Brings the parts of an export into the store: all of them, or nothing. With `end` the last
/// record must have this hash.
///
/// # Errors
/// [`ImportError`] with the line.
pub fn bring_in(
    store: &mut Store,
    parts: &[(usize, Carried)],
    import: &Import<'_>,
    end: Option<&str>,
) -> Result<BroughtIn, ImportError> {
    if let Some(wanted) = end {
        let last = parts.iter().rev().find_map(|(_, p)| match p {
            Carried::Record(r) => Some(r.hash.clone()),
            _ => None,
        });
        if last.as_deref() != Some(wanted) {
            return Err(ImportError::End {
                source_name: import.source.to_owned(),
                found: last.unwrap_or_else(|| "none".to_owned()),
                wanted: wanted.to_owned(),
            });
        }
    }
    store.bring_in(parts, import).map_err(|e| match e {
        StoreError::Refused { line, why } => ImportError::Line {
            source_name: import.source.to_owned(),
            line,
            why,
        },
        other => other.into(),
    })
}

fn part_of(line: &str) -> Result<Carried, String> {
    let value: Value = serde_json::from_str(line).map_err(|e| format!("it is no JSON: {e}"))?;
    let kind = text(&value, "kind")?;
    match kind.as_str() {
        "fourtap.wheel" => {
            checked(&value)?;
            let wheel: WheelRecord = record(&value)?;
            check_id(&wheel.id).map_err(|e| e.to_string())?;
            let events = list(&value, "events")?;
            let events: Result<Vec<_>, String> = events.iter().map(wheel_event).collect();
            Ok(Carried::Wheel(Box::new(wheel), events?))
        }
        "fourtap.grinder" => {
            checked(&value)?;
            let grinder: GrinderRecord = record(&value)?;
            check_id(&grinder.id).map_err(|e| e.to_string())?;
            let events = list(&value, "events")?;
            let events: Result<Vec<_>, String> = events
                .iter()
                .map(|e| Ok((text(e, "at")?, text(e, "what")?)))
                .collect();
            Ok(Carried::Grinder(Box::new(grinder), events?))
        }
        "fourtap.baseline" => {
            checked(&value)?;
            let _: BaselineRecord = record(&value)?;
            let soundings = list(&value, "soundings")?;
            let retired = text_or_null(&value, "retired_at")?;
            let why = text_or_null(&value, "retired_why")?;
            Ok(Carried::Baseline(Box::new(CarriedBaseline {
                record: value["record"].to_string(),
                soundings: soundings.iter().map(Value::to_string).collect(),
                hash: text(&value, "hash")?,
                retired: retired.map(|at| (at, why.unwrap_or_default())),
            })))
        }
        _ => {
            let number = value["number"].as_u64().ok_or("it has no number")?;
            let kept = KeptText {
                number,
                at: text(&value, "at")?,
                wheel: text_or_null(&value, "wheel")?,
                text: value["record"].to_string(),
                previous: text(&value, "previous")?,
                hash: text(&value, "hash")?,
                kind,
            };
            let wheel = check_record(&kept.kind, &kept.text)?;
            if wheel != kept.wheel {
                return Err("it is listed under another wheel than its own".to_owned());
            }
            Ok(Carried::Record(kept))
        }
    }
}

fn checked(value: &Value) -> Result<(), String> {
    let found = text(value, "check")?;
    (check_of(value) == found)
        .then_some(())
        .ok_or_else(|| "it was changed since it was taken out".to_owned())
}

fn record<R: serde::de::DeserializeOwned>(value: &Value) -> Result<R, String> {
    serde_json::from_value(value["record"].clone()).map_err(|e| format!("its record: {e}"))
}

fn wheel_event(value: &Value) -> Result<WheelEvent, String> {
    let state = text(value, "state")?;
    WheelState::parse(&state).ok_or_else(|| format!("there is no state \"{state}\""))?;
    Ok(WheelEvent {
        at: text(value, "at")?,
        state,
        note: text_or_null(value, "note")?,
        by: text_or_null(value, "by")?,
        grinder: text_or_null(value, "grinder")?,
        record: value["record"].as_u64(),
    })
}

fn text(value: &Value, field: &str) -> Result<String, String> {
    let found = value[field].as_str().map(str::to_owned);
    found.ok_or_else(|| format!("its field \"{field}\" is missing or no text"))
}

fn text_or_null(value: &Value, field: &str) -> Result<Option<String>, String> {
    match &value[field] {
        Value::Null => Ok(None),
        Value::String(s) => Ok(Some(s.clone())),
        _ => Err(format!("its field \"{field}\" is no text")),
    }
}

fn list<'a>(value: &'a Value, field: &str) -> Result<&'a Vec<Value>, String> {
    let found = value[field].as_array();
    found.ok_or_else(|| format!("its field \"{field}\" is missing or no list"))
}
