//! Baselines: the list of all, one held against another, and one of a specification taken out of
//! use.

use std::sync::Arc;

use axum::extract::{Form, Query, State};
use axum::response::Redirect;
use maud::{Markup, html};
use serde::Deserialize;

use crate::page::fault::Fault;
use crate::page::form::filled;
use crate::page::frame::{Nav, frame, time, wheel_link};
use crate::page::state::{Page, apart};
use crate::record::baseline::BaselineKind;
use crate::report::text::TextStyle;
use crate::report::text::baseline::{baseline_text, difference_text};
use crate::store::Store;
use crate::store::baselines::KeptBaseline;
use crate::tasks::clock::now;
use crate::tasks::compare_baselines::compare_baselines;
use crate::tasks::find_baseline::{baseline_of, written_baseline};

const STYLE: TextStyle = TextStyle {
    colour: false,
    width: 80,
};

/// Which two, as `NAME:VERSION`, of wheels or of specifications.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub(super) struct Two {
    kind: String,
    first: String,
    second: String,
}

fn kind_of(word: &str) -> BaselineKind {
    if word == BaselineKind::Specification.word() {
        BaselineKind::Specification
    } else {
        BaselineKind::Wheel
    }
}

/// The list, and the difference of two when two are named.
pub(super) async fn show(
    State(page): State<Arc<Page>>,
    Query(two): Query<Two>,
) -> Result<Markup, Fault> {
    apart(&page, move |page| {
        let store = page.store()?;
        let kinds = [BaselineKind::Wheel, BaselineKind::Specification];
        let difference = if two.first.is_empty() || two.second.is_empty() {
            None
        } else {
            Some(compared(&store, &two)?)
        };
        let mut lists = Vec::new();
        for kind in kinds {
            lists.push((kind, store.all_baselines(kind)?));
        }
        let main = html! {
            h1 { "Baselines" }
            p { "What wheels, and the wheels of a specification, showed when they were good. A version is never replaced: a later one stands beside it." }
            @if let Some(text) = &difference {
                section.panel { h2 { "One against the other" } pre { (text) } }
            }
            @for (kind, list) in &lists {
                section.panel {
                    h2 { @match kind { BaselineKind::Wheel => "Of wheels", BaselineKind::Specification => "Of specifications" } }
                    @if list.is_empty() { p { "None yet." } } @else {
                        @if list.len() > 1 { (choice(*kind, list, &two)) }
                        (table(*kind, list))
                    }
                }
            }
        };
        Ok(frame("Baselines", Nav::Wheels, &main))
    })
    .await
}

fn choice(kind: BaselineKind, list: &[KeptBaseline], two: &Two) -> Markup {
    let word = kind.word();
    let select = |name: &str, label: &str, chosen: &str| {
        let id = format!("{word}-{name}");
        html! {
            div {
                label for=(id) { (label) }
                select id=(id) name=(name) {
                    @for b in list {
                        @let written = format!("{}:{}", b.record.of, b.record.baseline_version);
                        option value=(written) selected[written == chosen] { (b.record.of) ", version " (b.record.baseline_version) }
                    }
                }
            }
        }
    };
    let (first, second) = if kind_of(&two.kind) == kind {
        (two.first.as_str(), two.second.as_str())
    } else {
        ("", "")
    };
    html! {
        form method="get" action="/baselines" {
            input type="hidden" name="kind" value=(word);
            div.fields { (select("first", "Limits of", first)) (select("second", "Means of", second)) }
            button type="submit" { "Hold one against the other" }
        }
    }
}

fn table(kind: BaselineKind, list: &[KeptBaseline]) -> Markup {
    html! {
        div.scroll tabindex="0" role="region" aria-label={ "Baselines, " (kind.word()) } {
            table {
                thead { tr { th scope="col" { "Of" } th.number scope="col" { "Version" } th scope="col" { "Built (UTC)" } th.number scope="col" { "Soundings" } th scope="col" { "State" } th scope="col" { "In words" } } }
                tbody { @for b in list { tr {
                    th scope="row" { @match kind { BaselineKind::Wheel => (wheel_link(&b.record.of)), BaselineKind::Specification => (b.record.of) } }
                    td.number { (b.record.baseline_version) }
                    td { (time(&b.record.built_at)) }
                    td.number { (b.record.soundings.len()) }
                    td.words { @match &b.retired { Some((_, why)) => { "out of use: " (why) }, None => { "in use" @if b.record.unconfirmed { ", unconfirmed" } } } }
                    td {
                        details {
                            summary { "Show" }
                            pre { (baseline_text(&b.record, &[], &STYLE)) }
                            @if kind == BaselineKind::Specification && b.retired.is_none() {
                                form.row method="post" action="/baselines/retire" {
                                    input type="hidden" name="name" value=(b.record.of);
                                    input type="hidden" name="version" value=(b.record.baseline_version);
                                    input name="note" required maxlength="200" placeholder="why" aria-label={ "Why version " (b.record.baseline_version) " of " (b.record.of) " goes out of use" };
                                    button type="submit" { "Take it out of use" }
                                }
                            }
                        }
                    }
                } } }
            }
        }
    }
}

fn compared(store: &Store, two: &Two) -> Result<String, Fault> {
    let kind = kind_of(&two.kind);
    let one = |written: &str| {
        written_baseline(store, kind, written).map_err(|e| Fault::refused(e.to_string()))
    };
    let ((first, bond), (second, _)) = (one(&two.first)?, one(&two.second)?);
    let difference = compare_baselines(&first, &second, bond.damping());
    let difference = difference.map_err(|e| Fault::refused(e.to_string()))?;
    Ok(difference_text(&difference, &STYLE))
}

/// Which version of a specification's baseline goes out of use.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub(super) struct OutOfUse {
    name: String,
    version: u32,
    note: String,
}

/// Takes one out of use.
pub(super) async fn retire(
    State(page): State<Arc<Page>>,
    Form(out): Form<OutOfUse>,
) -> Result<Redirect, Fault> {
    apart(&page, move |page| {
        let mut store = page.store()?;
        let why = filled(&out.note);
        let why = why.ok_or_else(|| Fault::refused("say why"))?;
        let kind = BaselineKind::Specification;
        let found = baseline_of(&store, kind, &out.name, Some(out.version));
        found.map_err(|e| Fault::refused(e.to_string()))?;
        store.retire_baseline(kind, &out.name, out.version, &now(), why)?;
        Ok(Redirect::to("/baselines"))
    })
    .await
}
