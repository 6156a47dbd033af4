//! A recording that was dropped on the page: bounded, written to a temporary file, read as
//! untrusted, and kept as a sounding.

use std::io::Write as _;
use std::path::PathBuf;
use std::sync::Arc;

use axum::Json;
use axum::body::Body;
use axum::extract::{Query, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse as _, Response};
use serde::Deserialize;
use tempfile::TempDir;
use tokio_stream::StreamExt as _;

use crate::audio::Input;
use crate::page::fault::Fault;
use crate::page::file_names::plain_name;
use crate::page::sound_view::plan_of;
use crate::page::state::{Page, apart};
use crate::reading::Heard;
use crate::tasks::build_baseline::behind_wheel;
use crate::tasks::clock::now;
use crate::tasks::keep_sounding::keep_sounding;
use crate::tasks::read_soundings::{ReadSettings, read_sounding};

/// Most bytes of a recording: an hour at 32 kHz in 16 bits, or 20 minutes at 96 kHz.
pub(super) const MOST_BYTES: u64 = 230 << 20;

/// What is said of a recording.
#[derive(Debug, Deserialize)]
#[serde(default)]
#[derive(Default)]
pub(super) struct About {
    wheel: String,
    name: String,
    plan: String,
    heard: String,
    by: String,
}

/// A refusal as the scripts of the page read it.
pub(super) fn refusal(fault: &Fault) -> Response {
    let body = serde_json::json!({ "error": fault.words() });
    (fault.status(), Json(body)).into_response()
}

/// Takes a recording in, reads and keeps it; answers with its number.
pub(super) async fn recording(
    State(page): State<Arc<Page>>,
    Query(about): Query<About>,
    body: Body,
) -> Response {
    let taken = async {
        let (folder, path) = taken_in(&page, &about.name, body).await?;
        apart(&page, move |page| {
            let number = read_and_keep(page, &about, path);
            drop(folder);
            number
        })
        .await
    };
    match taken.await {
        Ok(number) => Json(serde_json::json!({ "number": number })).into_response(),
        Err(fault) => refusal(&fault),
    }
}

/// Writes what comes into a folder of its own, under a name that is only a name.
///
/// # Errors
/// [`Fault`] when it is too long or cannot be written.
pub(super) async fn taken_in(
    page: &Arc<Page>,
    name: &str,
    body: Body,
) -> Result<(TempDir, PathBuf), Fault> {
    let failed = |e: std::io::Error| Fault::failed(format!("the recording cannot be written: {e}"));
    let Ok(_permit) = page.uploads.try_acquire() else {
        return Err(Fault::busy(
            "two recordings are coming in already: try again in a moment",
        ));
    };
    let folder = tempfile::tempdir().map_err(failed)?;
    let path = folder.path().join(plain_name(name));
    let mut file = std::fs::File::create_new(&path).map_err(failed)?;
    let mut bytes = 0_u64;
    let mut chunks = body.into_data_stream();
    while let Some(chunk) = chunks.next().await {
        let chunk = chunk.map_err(|_| Fault::refused("the recording broke off on its way"))?;
        bytes += chunk.len() as u64;
        if bytes > MOST_BYTES {
            return Err(Fault::refused(format!(
                "the recording is longer than {} MB: cut it to the taps, or read it with fourtap read",
                MOST_BYTES >> 20
            )));
        }
        file.write_all(&chunk).map_err(failed)?;
    }
    if bytes == 0 {
        return Err(Fault::refused("the recording is empty"));
    }
    Ok((folder, path))
}

fn read_and_keep(page: &Page, about: &About, path: PathBuf) -> Result<u64, Fault> {
    let mut store = page.store()?;
    let wheel = about.wheel.trim();
    let wheel = match wheel {
        "" => None,
        id => Some(
            store
                .wheel(id)?
                .ok_or_else(|| Fault::not_found(format!("there is no wheel \"{id}\"")))?
                .id,
        ),
    };
    let words = about
        .heard
        .split([',', ' '])
        .map(str::trim)
        .filter(|w| !w.is_empty());
    let heard = words
        .map(|w| {
            Heard::parse(w).ok_or_else(|| {
                Fault::refused(format!(
                    "\"{w}\" is no word of the ear: write ring, thud or unsure, one for each tap"
                ))
            })
        })
        .collect::<Result<Vec<_>, _>>()?;
    let behind = behind_wheel(Some(&store), wheel.as_deref(), None);
    let behind = behind.map_err(|e| Fault::failed(e.to_string()))?;
    let settings = ReadSettings {
        wheel,
        turn_plan: plan_of(&about.plan)?,
        heard,
        body: behind.body(),
        baseline: behind.baseline,
        at_best: behind.at_best,
        notes: behind.notes,
        ..ReadSettings::default()
    };
    let name = path.file_name().unwrap_or_default().to_string_lossy();
    let input = Input::Named {
        path: path.clone(),
        name: name.to_string(),
    };
    let read = read_sounding(&[input], &settings);
    let mut record = read.map_err(|e| Fault::refused(e.to_string()))?.record;
    if record.taps.is_empty() {
        let why = record.warnings.join("; ");
        return Err(Fault::refused(format!("no tap was heard in {name}: {why}")));
    }
    record.by = page.remember_by(&about.by).or_else(|| page.by());
    Ok(keep_sounding(&mut store, &record, &[path], &now())?.number)
}

/// Status of an answer without content.
pub(super) const DONE: StatusCode = StatusCode::NO_CONTENT;
