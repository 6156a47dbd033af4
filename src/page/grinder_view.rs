//! The grinders.

use std::sync::Arc;

use axum::extract::{Form, Path, State};
use axum::response::{IntoResponse as _, Redirect, Response};
use maud::{Markup, html};
use serde::Deserialize;

use crate::page::fault::Fault;
use crate::page::form::{filled, refused};
use crate::page::frame::{Nav, encoded, frame, time};
use crate::page::state::{Page, apart};
use crate::record::grinder::GrinderRecord;
use crate::record::wheel::size::Measure;
use crate::store::Store;
use crate::tasks::clock::now;
use crate::tasks::keep_grinders::{
    GrinderWritten, add_grinder, edit_grinder, grinder_facts, retire_grinder,
};

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

impl GrinderForm {
    fn of(grinder: &GrinderRecord) -> Self {
        let length =
            |l: &Option<Measure>| l.as_ref().map_or(String::new(), |l| l.written().to_owned());
        Self {
            id: grinder.id.clone(),
            kind: grinder.kind.clone(),
            speed: grinder.rated_speed.written.clone(),
            max_diameter: length(&grinder.max_diameter),
            max_thickness: length(&grinder.max_thickness),
            spindle: length(&grinder.spindle),
            flange: length(&grinder.flange),
            guard: length(&grinder.guard),
        }
    }

    fn written(&self) -> GrinderWritten {
        let some = |t: &str| filled(t).map(str::to_owned);
        GrinderWritten {
            kind: some(&self.kind),
            speed: some(&self.speed),
            max_diameter: some(&self.max_diameter),
            max_thickness: some(&self.max_thickness),
            spindle: some(&self.spindle),
            flange: some(&self.flange),
            guard: some(&self.guard),
        }
    }

    fn figures(&self) -> Markup {
        let field = |name: &str, label: &str, value: &str, help: &str, is_needed: bool| {
            html! {
                div {
                    label for=(name) { (label) @if is_needed { " *" } }
                    input id=(name) name=(name) value=(value) required[is_needed] placeholder=(help) autocomplete="off";
                }
            }
        };
        html! {
            (field("kind", "Kind", &self.kind, "right-angle, bench, surface", true))
            (field("speed", "Rated speed", &self.speed, "2950rpm", true))
            (field("max_diameter", "Greatest wheel diameter", &self.max_diameter, "200 or 8in", false))
            (field("max_thickness", "Greatest wheel thickness", &self.max_thickness, "25", false))
            (field("spindle", "Spindle or seat of the flange", &self.spindle, "32 or 5/8in", false))
            (field("flange", "Flanges", &self.flange, "75", false))
            (field("guard", "Guard is for wheels up to", &self.guard, "200; 0 without a guard", false))
        }
    }
}

fn listed(grinders: &[GrinderRecord], form: &GrinderForm, wrong: Option<&str>) -> Markup {
    let main = html! {
        h1 { "Grinders" }
        @if grinders.is_empty() { p { "None yet." } }
        div.taps {
            @for grinder in grinders {
                article.panel {
                    h2 { a href={ "/grinders/" (encoded(&grinder.id)) } { (grinder.id) } }
                    @if grinder.retired_at.is_some() { p.notice { "out of use" } }
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
                div {
                    label for="id" { "Id *" }
                    input #id name="id" value=(form.id) required placeholder="G-2" autocomplete="off";
                }
                (form.figures())
            }
            button.main type="submit" { "Add it" }
        }
    };
    frame("Grinders", Nav::Grinders, &main)
}

/// One grinder: its figures to correct, its history, and its end.
pub(super) async fn show(
    State(page): State<Arc<Page>>,
    Path(id): Path<String>,
) -> Result<Markup, Fault> {
    apart(&page, move |page| {
        let store = page.store()?;
        let grinder = store.grinder(&id)?;
        shown(&store, &grinder, &GrinderForm::of(&grinder), None)
    })
    .await
}

fn shown(
    store: &Store,
    grinder: &GrinderRecord,
    form: &GrinderForm,
    wrong: Option<&str>,
) -> Result<Markup, Fault> {
    let events = store.grinder_events(&grinder.id)?;
    let here = format!("/grinders/{}", encoded(&grinder.id));
    let main = html! {
        p.crumbs { a href="/grinders" { "Grinders" } " / " (grinder.id) }
        h1 { "Grinder " (grinder.id) }
        @if grinder.retired_at.is_some() { p.notice { "out of use" } }
        dl.facts {
            @for (name, value) in grinder_facts(grinder) { div { dt { (name) } dd { (value) } } }
        }
        h2 { "Correct it" }
        @if let Some(words) = wrong { p.notice.dead role="alert" { (words) } }
        form.panel method="post" action={ (here) "/edit" } {
            div.fields { (form.figures()) }
            p.small { "What it was before stays in its history." }
            button.main type="submit" { "Keep the changes" }
        }
        h2 { "History" }
        ul { @for (at, what) in &events { li { (time(at)) " " (what) } } }
        @if grinder.retired_at.is_none() {
            details {
                summary { "Take it out of use" }
                form.row method="post" action={ (here) "/retire" } {
                    input name="note" maxlength="200" placeholder="why" aria-label={ "Why " (grinder.id) " goes out of use" };
                    button type="submit" { "Retire it" }
                }
            }
        }
    };
    Ok(frame(
        &format!("Grinder {}", grinder.id),
        Nav::Grinders,
        &main,
    ))
}

/// Corrects one; an empty field leaves its figure as it was.
pub(super) async fn edit(
    State(page): State<Arc<Page>>,
    Path(id): Path<String>,
    Form(form): Form<GrinderForm>,
) -> Result<Response, Fault> {
    apart(&page, move |page| {
        let mut store = page.store()?;
        match edit_grinder(&mut store, &id, &form.written(), &now()) {
            Ok(grinder) => {
                let to = format!("/grinders/{}", encoded(&grinder.id));
                Ok(Redirect::to(&to).into_response())
            }
            Err(error) => {
                let grinder = store.grinder(&id)?;
                let page = shown(&store, &grinder, &form, Some(&error.to_string()))?;
                Ok(refused(page))
            }
        }
    })
    .await
}

/// Adds one.
pub(super) async fn add(
    State(page): State<Arc<Page>>,
    Form(form): Form<GrinderForm>,
) -> Result<Response, Fault> {
    apart(&page, move |page| {
        let mut store = page.store()?;
        match add_grinder(&mut store, form.id.trim(), &form.written(), &now()) {
            Ok(_) => Ok(Redirect::to("/grinders").into_response()),
            Err(error) => {
                let page = listed(&store.grinders()?, &form, Some(&error.to_string()));
                Ok(refused(page))
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
        let note = filled(&why.note);
        let retired = retire_grinder(&mut page.store()?, &id, &now(), note);
        retired.map_err(|e| Fault::refused(e.to_string()))?;
        Ok(Redirect::to("/grinders"))
    })
    .await
}
