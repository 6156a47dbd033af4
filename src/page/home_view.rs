//! The start: which wheel is to be sounded.

use std::path::Path;
use std::sync::Arc;

use axum::extract::State;
use maud::{Markup, html};

use crate::page::fault::Fault;
use crate::page::frame::{Nav, framed, outcome_mark, time, wheel_link};
use crate::page::state::{Page, apart};
use crate::page::words::capital;
use crate::record::sounding::SoundingRecord;
use crate::record::wheel::{WheelRecord, WheelState};
use crate::store::records::Kept;
use crate::tasks::broken_off::left_behind;

/// Soundings in the list.
const NEWEST: u64 = 8;

/// The view.
pub(super) async fn home(State(page): State<Arc<Page>>) -> Result<Markup, Fault> {
    let is_busy = page.bench.is_busy();
    apart(&page, move |page| {
        let store = page.store()?;
        let newest = store.newest_kept(NEWEST)?;
        let broken = if is_busy {
            Vec::new()
        } else {
            let folder = store.folder().unwrap_or(Path::new(".")).join("takes");
            left_behind(&folder, false).broken_off
        };
        let wheels = store.wheels()?;
        let main = html! {
            h1 { "Sound a wheel" }
            @if is_busy {
                p.notice.strong {
                    "A sounding is being taken. " a.button href="/sound" { "Go to it" }
                }
            }
            @for one in &broken {
                div.notice {
                    p { (capital(&one.name())) " " (if one.kept_as().is_some() { "was stopped." } else { "was cut off." }) }
                    form method="post" action="/sound/resume" {
                        input type="hidden" name="log" value=(one.log.file_name().unwrap_or_default().to_string_lossy());
                        button type="submit" { "Go on with it" }
                    }
                }
            }
            form.large.panel method="get" action="/sound/prepare" {
                label for="wheel" { "Which wheel?" }
                div.row {
                    input #wheel name="wheel" list="wheels" required autocomplete="off" autofocus
                        autocapitalize="off" spellcheck="false"
                        aria-describedby="wheel-help";
                    button.main type="submit" { "Go on" }
                }
                p #wheel-help .small { "Type its id, or read its bar code. A wheel that is not known yet is added in one step." }
                (datalist(&wheels))
            }
            section {
                h2 { "Newest soundings" }
                @if newest.is_empty() {
                    p { "Nothing is kept yet." }
                } @else {
                    (soundings_table(&newest, true))
                }
            }
        };
        Ok(framed("Sound a wheel", Nav::Sound, &main, &[]))
    })
    .await
}

/// The wheels that can be sounded, to choose from while typing.
pub(super) fn datalist(wheels: &[WheelRecord]) -> Markup {
    let usable = wheels.iter().filter(|w| w.state != WheelState::Retired);
    html! {
        datalist #wheels {
            @for wheel in usable { option value=(wheel.id) { (wheel.size.written()) } }
        }
    }
}

/// A table of soundings.
pub(super) fn soundings_table(soundings: &[Kept<SoundingRecord>], with_wheel: bool) -> Markup {
    html! {
        div.scroll tabindex="0" role="region" aria-label="Soundings" {
            table {
                thead { tr {
                    th scope="col" { "No." }
                    th scope="col" { "Kept (UTC)" }
                    @if with_wheel { th scope="col" { "Wheel" } }
                    th scope="col" { "Outcome" }
                    th scope="col" { "Taps" }
                    th scope="col" { "In one sentence" }
                } }
                tbody {
                    @for kept in soundings {
                        tr {
                            td { a href={ "/soundings/" (kept.number) } { (kept.number) } }
                            td { (time(&kept.at)) }
                            @if with_wheel {
                                td { @if let Some(id) = &kept.record.wheel { (wheel_link(id)) } @else { "no id" } }
                            }
                            td { (outcome_mark(&kept.record.outcome)) }
                            td { (kept.record.taps.len()) }
                            td.words { (kept.record.summary) }
                        }
                    }
                }
            }
        }
    }
}
