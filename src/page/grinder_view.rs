//! The grinders.

use std::sync::Arc;

use axum::extract::{Form, Path, State};
use axum::response::{IntoResponse as _, Redirect, Response};
use maud::{Markup, html};
use serde::Deserialize;

use crate::page::fault::Fault;
use crate::page::frame::{Nav, encoded, frame};
use crate::page::state::{Page, apart};
use crate::record::grinder::GrinderRecord;
use crate::tasks::clock::now;
use crate::tasks::keep_grinders::{GrinderWritten, add_grinder, grinder_facts, retire_grinder};

/// What the form says of a grinder.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub(super) struct GrinderForm {
    id: String,
    kind: String,
    speed: String,
    max_diameter: String,
    max_thickness: String,
    spindle: String,
    flange: String,
    guard: String,
}

/// The list with the form for a new one.
pub(super) async fn list(State(page): State<Arc<Page>>) -> Result<Markup, Fault> {
    apart(&page, |page| {
        Ok(listed(
            &page.store()?.grinders()?,
            &GrinderForm::default(),
            None,
        ))
    })
    .await
}

fn listed(grinders: &[GrinderRecord], form: &GrinderForm, wrong: Option<&str>) -> Markup {
    let field = |name: &str, label: &str, value: &str, help: &str, is_needed: bool| {
        html! {
            div {
                label for=(name) { (label) @if is_needed { " *" } }
                input id=(name) name=(name) value=(value) required[is_needed] placeholder=(help) autocomplete="off";
            }
        }
    };
    let main = html! {
        h1 { "Grinders" }
        @if grinders.is_empty() { p { "None yet." } }
        div.taps {
            @for grinder in grinders {
                article.panel {
                    h2 { (grinder.id) }
                    @if grinder.retired_at.is_some() { p.notice { "out of use" } } @else {
                        details {
                            summary { "Take it out of use" }
                            form.row method="post" action={ "/grinders/" (encoded(&grinder.id)) "/retire" } {
                                input name="note" maxlength="200" placeholder="why" aria-label={ "Why " (grinder.id) " goes out of use" };
                                button type="submit" { "Retire it" }
                            }
                        }
                    }
                    dl.facts {
                        @for (name, value) in grinder_facts(grinder) { div { dt { (name) } dd { (value) } } }
                    }
                }
            }
        }
        h2 { "Add a grinder" }
        @if let Some(words) = wrong { p.notice.dead role="alert" { (words) } }
        form.panel method="post" action="/grinders" {
            div.fields {
                (field("id", "Id", &form.id, "G-2", true))
                (field("kind", "Kind", &form.kind, "right-angle, bench, surface", true))
                (field("speed", "Rated speed", &form.speed, "2950rpm", true))
                (field("max_diameter", "Greatest wheel diameter", &form.max_diameter, "200 or 8in", false))
                (field("max_thickness", "Greatest wheel thickness", &form.max_thickness, "25", false))
                (field("spindle", "Spindle or seat of the flange", &form.spindle, "32 or 5/8in", false))
                (field("flange", "Flanges", &form.flange, "75", false))
                (field("guard", "Guard is for wheels up to", &form.guard, "200; 0 without a guard", false))
            }
            button.main type="submit" { "Add it" }
        }
    };
    frame("Grinders", Nav::Grinders, &main)
}

/// Adds one.
pub(super) async fn add(
    State(page): State<Arc<Page>>,
    Form(form): Form<GrinderForm>,
) -> Result<Response, Fault> {
    apart(&page, move |page| {
        let some = |t: &str| Some(t.trim().to_owned()).filter(|t| !t.is_empty());
        let written = GrinderWritten {
            kind: some(&form.kind),
            speed: some(&form.speed),
            max_diameter: some(&form.max_diameter),
            max_thickness: some(&form.max_thickness),
            spindle: some(&form.spindle),
            flange: some(&form.flange),
            guard: some(&form.guard),
        };
        let mut store = page.store()?;
        match add_grinder(&mut store, form.id.trim(), &written, &now()) {
            Ok(_) => Ok(Redirect::to("/grinders").into_response()),
            Err(error) => {
                let page = listed(&store.grinders()?, &form, Some(&error.to_string()));
                Ok((axum::http::StatusCode::UNPROCESSABLE_ENTITY, page).into_response())
            }
        }
    })
    .await
}

/// Why.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub(super) struct Why {
    note: String,
}

/// Takes one out of use.
pub(super) async fn retire(
    State(page): State<Arc<Page>>,
    Path(id): Path<String>,
    Form(why): Form<Why>,
) -> Result<Redirect, Fault> {
    apart(&page, move |page| {
        let note = Some(why.note.trim()).filter(|n| !n.is_empty());
        let retired = retire_grinder(&mut page.store()?, &id, &now(), note);
        retired.map_err(|e| Fault::refused(e.to_string()))?;
        Ok(Redirect::to("/grinders"))
    })
    .await
}
