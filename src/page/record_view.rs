//! The records: list, one of them, check of the chain, export, bringing in, and making room.

use std::sync::Arc;

use axum::Json;
use axum::body::Body;
use axum::extract::{Form, Path, Query, State};
use axum::http::header;
use axum::response::{IntoResponse as _, Redirect, Response};
use maud::{Markup, html};
use serde::Deserialize;

use crate::page::fault::Fault;
use crate::page::file_names::plain_name;
use crate::page::form::filled;
use crate::page::frame::{Nav, frame, framed, time, wheel_link};
use crate::page::state::{Page, apart};
use crate::page::upload::{refusal, taken_in};
use crate::record::sounding;
use crate::store::carry_over::Import;
use crate::tasks::bring_records_in::{ImportError, bring_in, read_export};
use crate::tasks::clock::now;
use crate::tasks::prune_sounds::{PruneAsked, PrunePlan, plan_pruning, prune};
use crate::tasks::take_records_out::{csv_of_soundings, export_lines, kind_words};

/// Records on a page.
const MOST: u64 = 100;

/// Which part of the list.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub(super) struct Part {
    from: u64,
}

/// The list, newest first.
pub(super) async fn list(
    State(page): State<Arc<Page>>,
    Query(part): Query<Part>,
) -> Result<Markup, Fault> {
    apart(&page, move |page| {
        let store = page.store()?;
        let all = store.number_of_records()?;
        let from = part.from.min(all);
        let shown = store.newest_texts(None, from, MOST)?;
        let end = (from + MOST).min(all);
        let main = html! {
            div.row.between {
                h1 { "Records" }
                div.row {
                    a.button href="/records/verify" { "Check them all" }
                    a.button href="/records/export.jsonl" download { "Export as JSON lines" }
                    a.button href="/records/soundings.csv" download { "Soundings as CSV" }
                    a.button href="/records/room" { "Bring in, make room" }
                }
            }
            @if all == 0 { p { "Nothing is kept yet." } } @else {
                p.small { (from + 1) " to " (end) " of " (all) }
                div.scroll tabindex="0" role="region" aria-label="Records" {
                    table {
                        thead { tr { th scope="col" { "No." } th scope="col" { "Kept (UTC)" } th scope="col" { "Wheel" } th scope="col" { "What" } } }
                        tbody { @for kept in &shown {
                            tr {
                                td { a href={ (if kept.kind == sounding::FORMAT { "/soundings/" } else { "/records/" }) (kept.number) } { (kept.number) } }
                                td { (time(&kept.at)) }
                                td { @if let Some(id) = &kept.wheel { (wheel_link(id)) } @else { "–" } }
                                td.words { (kind_words(kept)) }
                            }
                        } }
                    }
                }
                div.row {
                    @if from > 0 { a.button href={ "/records?from=" (from.saturating_sub(MOST)) } { "Newer" } }
                    @if end < all { a.button href={ "/records?from=" (end) } { "Older" } }
                }
            }
        };
        Ok(frame("Records", Nav::Records, &main))
    })
    .await
}

/// One record as it is kept.
pub(super) async fn show(
    State(page): State<Arc<Page>>,
    Path(number): Path<u64>,
) -> Result<Markup, Fault> {
    apart(&page, move |page| {
        let kept = page.store()?.text_of_record(number)?;
        let value: Option<serde_json::Value> = serde_json::from_str(&kept.text).ok();
        let text = value.and_then(|v| serde_json::to_string_pretty(&v).ok());
        let main = html! {
            p.crumbs { a href="/records" { "Records" } " / " (number) }
            h1 { "Record " (number) }
            p { (kind_words(&kept)) ", kept " (time(&kept.at)) @if let Some(id) = &kept.wheel { ", wheel " (wheel_link(id)) } "." }
            p.small { "Hash " code { (kept.hash) } }
            pre { (text.unwrap_or(kept.text)) }
        };
        Ok(frame(&format!("Record {number}"), Nav::Records, &main))
    })
    .await
}

/// Which sound is to go, as the form says it.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub(super) struct Pruning {
    before: String,
    wheel: String,
    dead_too: Option<String>,
    baselines_too: Option<String>,
    note: String,
    by: String,
}

impl Pruning {
    fn asked(&self) -> PruneAsked {
        PruneAsked {
            before: self.before.trim().to_owned(),
            wheel: filled(&self.wheel).map(str::to_owned),
            dead_too: self.dead_too.is_some(),
            baselines_too: self.baselines_too.is_some(),
        }
    }
}

/// Bringing records in, and making room: what would go is shown before anything does.
pub(super) async fn room(
    State(page): State<Arc<Page>>,
    Query(form): Query<Pruning>,
) -> Result<Markup, Fault> {
    apart(&page, move |page| {
        let plan = if form.before.trim().is_empty() {
            None
        } else {
            Some(plan_pruning(&page.store()?, &form.asked())?)
        };
        let main = html! {
            p.crumbs { a href="/records" { "Records" } " / bring in, make room" }
            h1 { "Bring in, make room" }
            section.panel {
                h2 { "Bring in records of another store" }
                p { "A file of JSON lines that " em { "Export as JSON lines" } " or fourtap records export wrote. All of it comes in, or nothing: each line is checked against its hash." }
                form.upload data-table="/records/import" {
                    div.drop {
                        label for="export" { "Drop the file here, or choose it" }
                        input #export type="file" accept=".jsonl,.json,application/jsonl" required;
                    }
                    button.main type="submit" { "Bring it in" }
                    p.status role="status" aria-live="polite" {}
                    pre.result hidden {}
                    div.pictures {}
                }
            }
            section.panel {
                h2 { "Remove the sound of old soundings" }
                p { "Records and their figures stay for ever; only sound goes, and what goes cannot be read again." }
                form method="get" action="/records/room" {
                    div.fields {
                        div { label for="before" { "Kept before (year-month-day) *" } input #before name="before" required pattern="[0-9]{4}-[0-9]{2}-[0-9]{2}" placeholder="2026-01-31" value=(form.before) autocomplete="off"; }
                        div { label for="wheel" { "Of this wheel only" } input #wheel name="wheel" value=(form.wheel) autocomplete="off"; }
                    }
                    label.tick.choice { input type="checkbox" name="dead_too" value="1" checked[form.dead_too.is_some()]; span { "Also of wheels that sound dead or are marked" } }
                    label.tick.choice { input type="checkbox" name="baselines_too" value="1" checked[form.baselines_too.is_some()]; span { "Also what a baseline was built from" } }
                    button type="submit" { "Show what would go" }
                }
                @if let Some(plan) = &plan { (plan_view(plan, &form)) }
            }
        };
        Ok(framed("Bring in, make room", Nav::Records, &main, &["upload.js"]))
    })
    .await
}

fn plan_view(plan: &PrunePlan, form: &Pruning) -> Markup {
    let mb = |bytes: u64| format!("{:.1} MB", bytes as f64 / 1e6);
    html! {
        h3 { (plan.recordings.len()) " recordings would go, " (mb(plan.bytes())) }
        ul { @for one in plan.recordings.iter().take(MOST as usize) {
            li { (one.name) " (" (mb(one.bytes)) "), sounding " @for n in &one.soundings { a href={ "/soundings/" (n) } { (n) } " " } }
        } }
        @if plan.recordings.len() > MOST as usize { p { "and more" } }
        @if plan.kept_of_dead > 0 { p { (plan.kept_of_dead) " of dead or marked wheels stay." } }
        @if plan.kept_of_baselines > 0 { p { (plan.kept_of_baselines) " of baselines stay." } }
        @if !plan.recordings.is_empty() {
            form method="post" action="/records/prune" {
                input type="hidden" name="before" value=(form.before);
                input type="hidden" name="wheel" value=(form.wheel);
                @if form.dead_too.is_some() { input type="hidden" name="dead_too" value="1"; }
                @if form.baselines_too.is_some() { input type="hidden" name="baselines_too" value="1"; }
                div.fields {
                    div { label for="by" { "Who removes it *" } input #by name="by" required maxlength="80" autocomplete="off"; }
                    div { label for="note" { "Why" } input #note name="note" maxlength="200" autocomplete="off"; }
                }
                button type="submit" { "Remove their sound for ever" }
            }
        }
    }
}

/// Removes the sound of what was shown; it is kept as a record who did and what went.
pub(super) async fn remove(
    State(page): State<Arc<Page>>,
    Form(form): Form<Pruning>,
) -> Result<Redirect, Fault> {
    apart(&page, move |page| {
        if form.before.trim().is_empty() {
            return Err(Fault::refused("say before which day"));
        }
        let some = |t: &str| filled(t).map(str::to_owned);
        let by = some(&form.by).ok_or_else(|| Fault::refused("say who removes it"))?;
        let mut store = page.store()?;
        let plan = plan_pruning(&store, &form.asked())?;
        if plan.recordings.is_empty() {
            return Err(Fault::refused("there is nothing to remove"));
        }
        let (before, note) = (form.before.trim(), some(&form.note));
        let kept = prune(
            &mut store,
            &plan,
            before,
            Some(&by),
            note.as_deref(),
            &now(),
        )?;
        Ok(Redirect::to(&format!("/records/{}", kept.number)))
    })
    .await
}

/// How the file is called.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub(super) struct Named {
    name: String,
}

/// Brings the records of another store in: all of them, or nothing.
pub(super) async fn import(
    State(page): State<Arc<Page>>,
    Query(named): Query<Named>,
    body: Body,
) -> Response {
    let brought = async {
        let (folder, path) = taken_in(&page, &named.name, body).await?;
        apart(&page, move |page| {
            let name = plain_name(&named.name);
            let text = std::fs::read_to_string(&path);
            drop(folder);
            let text = text.map_err(|_| Fault::refused(format!("{name}: it is no text")))?;
            let refused = |e: ImportError| Fault::refused(e.to_string());
            let parts = read_export(&text, &name).map_err(refused)?;
            if parts.is_empty() {
                return Err(Fault::refused(format!("{name}: there is nothing in it")));
            }
            let (at, by) = (now(), page.by());
            let import = Import {
                source: &name,
                by: by.as_deref(),
                at: &at,
                is_part: false,
            };
            bring_in(&mut page.store()?, &parts, &import, None).map_err(refused)
        })
        .await
    };
    match brought.await {
        Ok(done) => {
            let text = format!(
                "Brought in: {} wheels, {} grinders, {} baselines, {} records; there already: {}.\nThe last record of the file has the hash {}.",
                done.wheels,
                done.grinders,
                done.baselines,
                done.records,
                done.there_already,
                done.end
            );
            Json(serde_json::json!({ "text": text, "pictures": [] })).into_response()
        }
        Err(fault) => refusal(&fault),
    }
}

/// Checks the chain and the recordings.
pub(super) async fn verify(State(page): State<Arc<Page>>) -> Result<Markup, Fault> {
    apart(&page, |page| {
        let store = page.store()?;
        let found = store.verify()?;
        let sounds = store.verify_sounds()?;
        let wrong: Vec<String> = found
            .wrong
            .iter()
            .cloned()
            .chain(sounds.iter().map(ToString::to_string))
            .collect();
        let main = html! {
            p.crumbs { a href="/records" { "Records" } " / check" }
            h1 { "Check of the records" }
            p { (found.records) " records are as they were kept." }
            @if !found.end.is_empty() { p.small { "The last of them has the hash " code { (found.end) } "." } }
            @if wrong.is_empty() { p { "All recordings are as they were kept." } }
            @else { div.notice.dead role="alert" { p.huge { "WRONG" } ul { @for w in &wrong { li { (w) } } } } }
        };
        Ok(frame("Check of the records", Nav::Records, &main))
    })
    .await
}

/// All records, one JSON object a line.
pub(super) async fn json_lines(State(page): State<Arc<Page>>) -> Result<Response, Fault> {
    let lines = apart(&page, |page| {
        let lines = export_lines(&page.store()?, None)?;
        Ok(lines.into_iter().map(|l| l + "\n").collect::<String>())
    });
    let kind = [(header::CONTENT_TYPE, "application/jsonl; charset=utf-8")];
    Ok((kind, lines.await?).into_response())
}

/// The soundings as a table.
pub(super) async fn csv(State(page): State<Arc<Page>>) -> Result<Response, Fault> {
    let table = apart(&page, |page| {
        Ok(csv_of_soundings(
            &page.store()?.texts_of_records(None, None)?,
        ))
    });
    let kind = [(header::CONTENT_TYPE, "text/csv; charset=utf-8")];
    Ok((kind, table.await?).into_response())
}
