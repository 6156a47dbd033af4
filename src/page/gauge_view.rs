//! How good the measurement itself is, from a table of several people's soundings.

use std::sync::Arc;

use axum::Json;
use axum::body::Body;
use axum::extract::{Query, State};
use axum::response::{IntoResponse as _, Response};
use maud::{Markup, html};
use serde::Deserialize;

use crate::page::fault::Fault;
use crate::page::file_names::plain_name;
use crate::page::frame::{Nav, framed};
use crate::page::state::{Page, apart};
use crate::page::upload::{refusal, taken_in};
use crate::report::text::gauge::gauge_text;
use crate::tasks::print_gauge::gauge_charts;
use crate::tasks::study_gauge::study_gauge;

/// Most bytes of a table.
const MOST_BYTES: u64 = 8 << 20;

/// The view.
pub(super) async fn show() -> Markup {
    let main = html! {
        p.crumbs { a href="/lots" { "Lots" } " / the gauge" }
        h1 { "How good is the gauge" }
        p { "Several people sound the same wheels several times, in mixed order, and write down what they find. The study says what share of the scatter is the measurement's own, and who agrees with whom." }
        p.small { "A table (CSV) with the columns wheel, person and repeat, and at least one of tone_hz, ring_time_s, decision, heard, reading and state; or a column sounding with the number of a kept sounding instead. All columns stand in docs/record-format.md." }
        form.upload.panel data-table="/gauge/study" {
            div.drop {
                label for="table" { "Drop the table here, or choose it" }
                input #table type="file" accept=".csv,text/csv" required;
            }
            button.main type="submit" { "Study it" }
            p.status role="status" aria-live="polite" {}
            pre.result hidden {}
            div.pictures {}
        }
    };
    framed("The gauge", Nav::Lots, &main, &["upload.js"])
}

/// How the table is called.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub(super) struct Named {
    name: String,
}

/// Studies a table; nothing is kept.
pub(super) async fn study(
    State(page): State<Arc<Page>>,
    Query(named): Query<Named>,
    body: Body,
) -> Response {
    let studied = async {
        let (folder, path) = taken_in(&page, &named.name, body).await?;
        apart(&page, move |page| {
            let long = std::fs::metadata(&path).is_ok_and(|m| m.len() > MOST_BYTES);
            if long {
                return Err(Fault::refused("the table is longer than 8 MB"));
            }
            let studied = study_gauge(&path, Some(&page.store()?));
            let passing = format!("{}/", folder.path().display());
            let name = plain_name(&named.name);
            studied
                .map(|record| (gauge_text(&record), gauge_charts(&record, &name)))
                .map_err(|e| Fault::refused(e.to_string().replace(&passing, "")))
        })
        .await
    };
    match studied.await {
        Ok((text, charts)) => {
            let pictures: Vec<_> = charts
                .into_iter()
                .map(|(svg, alt)| serde_json::json!({ "svg": svg, "alt": alt }))
                .collect();
            Json(serde_json::json!({ "text": text, "pictures": pictures })).into_response()
        }
        Err(fault) => refusal(&fault),
    }
}
