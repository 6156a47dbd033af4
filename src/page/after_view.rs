//! What remains to do on mounting a wheel, to tick.

use std::sync::Arc;

use axum::extract::{Form, Path, Query, State};
use maud::{Markup, html};
use serde::Deserialize;

use crate::page::fault::Fault;
use crate::page::form::filled;
use crate::page::frame::{Nav, frame, wheel_link, wheel_path};
use crate::page::state::{Page, apart};
use crate::record::mounting::MountingRecord;
use crate::store::Store;
use crate::tasks::clock::now;
use crate::tasks::mount_wheel::{STEPS, mounting};

/// On which grinder.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub(super) struct On {
    grinder: String,
}

/// The list.
pub(super) async fn show(
    State(page): State<Arc<Page>>,
    Path(id): Path<String>,
    Query(on): Query<On>,
) -> Result<Markup, Fault> {
    apart(&page, move |page| {
        let store = page.store()?;
        let grinder = filled(&on.grinder);
        let record = mounting(&store, &id, grinder, &[], None, &now())?;
        view(page, &store, &record, None)
    })
    .await
}

fn view(
    page: &Page,
    store: &Store,
    record: &MountingRecord,
    kept: Option<u64>,
) -> Result<Markup, Fault> {
    let grinders = store.grinders()?;
    let on = record.grinder.as_deref().unwrap_or("");
    let here = format!("{}/after", wheel_path(&record.wheel));
    let main = html! {
        p.crumbs { a href="/wheels" { "Wheels" } " / " (wheel_link(&record.wheel)) " / on mounting" }
        h1 { "On mounting " (record.wheel) }
        form.row method="get" action=(here) {
            label for="grinder" { "On grinder" }
            select #grinder name="grinder" {
                option value="" { "not said" }
                @for g in &grinders { option value=(g.id) selected[g.id.eq_ignore_ascii_case(on)] { (g.id) } }
            }
            button type="submit" { "Look" }
        }
        @if !record.against.is_empty() {
            div.notice.dead role="alert" {
                p.huge { "DO NOT MOUNT IT" }
                ul { @for why in &record.against { li { (why) } } }
            }
        }
        @if let Some(number) = kept { p.notice role="status" { "Kept as record " (number) "." } }
        form.panel method="post" action=(here) {
            input type="hidden" name="grinder" value=(on);
            fieldset {
                legend { "What was done" }
                @for step in &record.steps {
                    label.choice.tick {
                        input type="checkbox" name=(step.key) value="done" checked[step.ticked];
                        span { (step.what) br; span.small { (step.source) } }
                    }
                }
            }
            label for="by" { "Who ticks *" }
            input #by name="by" value=(page.by().unwrap_or_default()) required maxlength="80";
            button.main type="submit" { "Keep the ticks" }
        }
        p.small { "Local codes and the makers' instructions go before this list; a qualified person decides." }
    };
    Ok(frame("On mounting", Nav::Wheels, &main))
}

/// Keeps the ticks.
pub(super) async fn tick(
    State(page): State<Arc<Page>>,
    Path(id): Path<String>,
    Form(fields): Form<Vec<(String, String)>>,
) -> Result<Markup, Fault> {
    apart(&page, move |page| {
        let one = |name: &str| {
            let found = fields.iter().find(|f| f.0 == name);
            found.map_or("", |f| f.1.trim())
        };
        let ticks: Vec<String> = STEPS
            .iter()
            .filter(|s| one(s.0) == "done")
            .map(|s| s.0.to_owned())
            .collect();
        let by = page
            .remember_by(one("by"))
            .ok_or_else(|| Fault::refused("Say who ticks."))?;
        let grinder = filled(one("grinder"));
        let mut store = page.store()?;
        let record = mounting(&store, &id, grinder, &ticks, Some(&by), &now())?;
        let number = store.keep(&record, &record.at)?.number;
        view(page, &store, &record, Some(number))
    })
    .await
}
