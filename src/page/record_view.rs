//! The records: list, check of the chain, export.

use std::sync::Arc;

use axum::extract::{Query, State};
use axum::http::header;
use axum::response::{IntoResponse as _, Response};
use maud::{Markup, html};
use serde::Deserialize;

use crate::page::fault::Fault;
use crate::page::frame::{Nav, frame, time, wheel_link};
use crate::page::state::{Page, apart};
use crate::record::sounding;
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
                }
            }
            @if all == 0 { p { "Nothing is kept yet." } } @else {
                p.small { (from + 1) " to " (end) " of " (all) }
                div.scroll tabindex="0" role="region" aria-label="Records" {
                    table {
                        thead { tr { th scope="col" { "No." } th scope="col" { "Kept (UTC)" } th scope="col" { "Wheel" } th scope="col" { "What" } } }
                        tbody { @for kept in &shown {
                            tr {
                                td { @if kept.kind == sounding::FORMAT { a href={ "/soundings/" (kept.number) } { (kept.number) } } @else { (kept.number) } }
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
