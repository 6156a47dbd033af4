//! Does this wheel go on this grinder: each rule with its figures, and what the eye answers.

use std::sync::Arc;

use axum::extract::{Form, Query, State};
use maud::{Markup, html};
use serde::Deserialize;

use crate::page::fault::Fault;
use crate::page::frame::{Nav, frame};
use crate::page::home_view::datalist;
use crate::page::state::{Page, apart};
use crate::reading::fit_rules::EYE_QUESTIONS;
use crate::record::fit::FitRecord;
use crate::store::{Store, StoreError};
use crate::tasks::check_fit::{FitAsked, check_fit};
use crate::tasks::clock::now;
use crate::tasks::wheel_states::standing;

/// What is held against what.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub(super) struct Wanted {
    wheel: String,
    grinder: String,
}

fn checked(
    store: &Store,
    wanted: &Wanted,
    answers: &[(String, bool)],
    by: Option<&str>,
) -> Result<Option<FitRecord>, Fault> {
    let (wheel, grinder) = (wanted.wheel.trim(), wanted.grinder.trim());
    if wheel.is_empty() || grinder.is_empty() {
        return Ok(None);
    }
    let missing = || StoreError::NoWheel {
        id: wheel.to_owned(),
    };
    let wheel = store.wheel(wheel)?.ok_or_else(missing)?;
    let grinder = store.grinder(grinder)?;
    let standing = standing(store, &wheel)?;
    Ok(Some(check_fit(&FitAsked {
        wheel: &wheel,
        is_wheel_kept: true,
        standing: &standing,
        grinder: &grinder,
        is_grinder_kept: true,
        answers,
        by,
        at: &now(),
    })))
}

/// The view; nothing is kept by looking.
pub(super) async fn show(
    State(page): State<Arc<Page>>,
    Query(wanted): Query<Wanted>,
) -> Result<Markup, Fault> {
    apart(&page, move |page| {
        let store = page.store()?;
        let fit = checked(&store, &wanted, &[], None)?;
        view(page, &store, &wanted, fit.as_ref(), None)
    })
    .await
}

fn view(
    page: &Page,
    store: &Store,
    wanted: &Wanted,
    fit: Option<&FitRecord>,
    kept: Option<u64>,
) -> Result<Markup, Fault> {
    let grinders = store.grinders()?;
    let main = html! {
        h1 { "Does it fit?" }
        form.panel method="get" action="/fit" {
            div.fields {
                div { label for="wheel" { "Wheel" } input #wheel name="wheel" list="wheels" value=(wanted.wheel) required autocomplete="off"; (datalist(&store.wheels()?)) }
                div { label for="grinder" { "Grinder" }
                    select #grinder name="grinder" required {
                        @for g in &grinders { option value=(g.id) selected[g.id.eq_ignore_ascii_case(&wanted.grinder)] { (g.id) ", " (g.kind) } }
                    } }
                div.end { button type="submit" { "Look" } }
            }
            @if grinders.is_empty() { p.notice { "No grinder is known yet. " a href="/grinders" { "Add one" } } }
        }
        @if let Some(fit) = fit {
            @let class = match fit.result.as_str() { "fits" => "ring", "does not fit" => "dead", _ => "" };
            p.outcome-large class=(class) role="status" { (fit.result.to_uppercase()) }
            @if let Some(number) = kept { p { "Kept as record " (number) "." } }
            div.scroll tabindex="0" role="region" aria-label="Rules" {
                table {
                    thead { tr { th scope="col" { "Rule" } th scope="col" { "Result" } th scope="col" { "Because" } th scope="col" { "Source" } } }
                    tbody { @for rule in &fit.rules {
                        tr {
                            th scope="row" { (rule.rule) }
                            td { @if rule.result == "does not fit" { strong { "✕ " (rule.result) } } @else { (rule.result) } }
                            td.words { (rule.because) }
                            td.words.small { (rule.source) }
                        }
                    } }
                }
            }
            form.panel method="post" action="/fit" {
                input type="hidden" name="wheel" value=(wanted.wheel);
                input type="hidden" name="grinder" value=(wanted.grinder);
                fieldset {
                    legend { "What only the eye can answer" }
                    div.questions { @for q in EYE_QUESTIONS {
                        fieldset.question {
                            legend { (q.question) }
                            @for (value, words) in [("yes", "yes"), ("no", "no"), ("", "not answered")] {
                                label.choice {
                                    input type="radio" name=(q.key) value=(value) checked[value.is_empty()];
                                    span { (words) }
                                }
                            }
                            p.small { (q.source) }
                        }
                    } }
                }
                label for="by" { "Who answers" }
                input #by name="by" value=(page.by().unwrap_or_default()) maxlength="80";
                button.main type="submit" { "Keep it" }
            }
        }
    };
    Ok(frame("Does it fit?", Nav::Wheels, &main))
}

/// Keeps the fit with the answers: the fields named like the questions.
pub(super) async fn keep(
    State(page): State<Arc<Page>>,
    Form(fields): Form<Vec<(String, String)>>,
) -> Result<Markup, Fault> {
    apart(&page, move |page| {
        let one = |name: &str| {
            let found = fields.iter().find(|f| f.0 == name);
            found.map_or(String::new(), |f| f.1.trim().to_owned())
        };
        let wanted = Wanted {
            wheel: one("wheel"),
            grinder: one("grinder"),
        };
        let answers: Vec<(String, bool)> = EYE_QUESTIONS
            .iter()
            .filter_map(|q| match one(q.key).as_str() {
                "yes" => Some((q.key.to_owned(), true)),
                "no" => Some((q.key.to_owned(), false)),
                _ => None,
            })
            .collect();
        let by = page.remember_by(&one("by"));
        let mut store = page.store()?;
        let fit = checked(&store, &wanted, &answers, by.as_deref())?;
        let fit = fit.ok_or_else(|| Fault::refused("Say which wheel and which grinder."))?;
        let number = store.keep(&fit, &fit.at)?.number;
        view(page, &store, &wanted, Some(&fit), Some(number))
    })
    .await
}
