//! Lots: plan, progress, report.

use std::sync::Arc;

use axum::Json;
use axum::body::Body;
use axum::extract::{Form, Path, Query, State};
use axum::response::{IntoResponse as _, Redirect, Response};
use maud::{Markup, html};
use serde::Deserialize;

use crate::page::fault::Fault;
use crate::page::form::{filled, refused};
use crate::page::frame::{Nav, encoded, frame, framed, outcome_mark, wheel_link};
use crate::page::sound_view::{plan_choice, plan_of};
use crate::page::sounding_view::{paper_page, svg};
use crate::page::state::{Page, apart};
use crate::page::upload::{refusal, taken_in};
use crate::page::words::capital;
use crate::quality::sampling::Inspection;
use crate::reading::turn_plan::TurnPlan;
use crate::record::lot::{LotRecord, LotReportRecord, LotWheelRecord};
use crate::record::lot_plan::{CAUTION, LotPlanRecord};
use crate::tasks::clock::now;
use crate::tasks::decide_lot::lot_of;
use crate::tasks::keep_lots::{NewLot, add_lot};
use crate::tasks::plan_lot::plan_lot;
use crate::tasks::print_lot::{lot_charts, lot_paper};
use crate::tasks::report_lot::report_lot;
use crate::units::parse_mass_kg;

const LEVELS: [&str; 7] = ["I", "II", "III", "S-1", "S-2", "S-3", "S-4"];
const AQLS: [&str; 10] = [
    "0.10", "0.15", "0.25", "0.40", "0.65", "1.0", "1.5", "2.5", "4.0", "6.5",
];

/// What the form says of a lot.
#[derive(Debug, Clone, Deserialize)]
#[serde(default)]
pub(super) struct LotForm {
    lot: String,
    number: u32,
    size: String,
    bond: String,
    specification: String,
    mass: String,
    level: String,
    aql: String,
    inspection: String,
}

impl Default for LotForm {
    fn default() -> Self {
        Self {
            lot: String::new(),
            number: 0,
            size: String::new(),
            bond: "vitrified".to_owned(),
            specification: String::new(),
            mass: String::new(),
            level: "II".to_owned(),
            aql: "0.65".to_owned(),
            inspection: "normal".to_owned(),
        }
    }
}

impl LotForm {
    fn inspection(&self) -> Inspection {
        Inspection::parse(&self.inspection).unwrap_or(Inspection::Normal)
    }
}

/// The list, the planning, and the form for a new lot.
pub(super) async fn list(
    State(page): State<Arc<Page>>,
    Query(form): Query<LotForm>,
) -> Result<Markup, Fault> {
    apart(&page, move |page| listed(page, &form, None)).await
}

fn listed(page: &Page, form: &LotForm, wrong: Option<&str>) -> Result<Markup, Fault> {
    let mut lots: Vec<LotRecord> = Vec::new();
    for kept in page.store()?.all_kept::<LotRecord>(None)?.into_iter().rev() {
        if !lots.iter().any(|l| l.lot == kept.record.lot) {
            lots.push(kept.record);
        }
    }
    let plan =
        (form.number > 0).then(|| plan_lot(form.number, &form.level, &form.aql, form.inspection()));
    let main = html! {
        div.row.between {
            h1 { "Lots" }
            div.row { a.button href="/specifications" { "Specifications" } a.button href="/gauge" { "How good is the gauge" } }
        }
        p.notice { (capital(CAUTION)) "." }
        @if lots.is_empty() { p { "None yet." } } @else {
            div.scroll tabindex="0" role="region" aria-label="Lots" {
                table {
                    thead { tr { th scope="col" { "Lot" } th scope="col" { "Wheels" } th scope="col" { "Size" } th scope="col" { "Bond" } th scope="col" { "Specification" } th scope="col" { "Plan" } } }
                    tbody { @for lot in &lots { tr {
                        th scope="row" { a href={ "/lots/" (encoded(&lot.lot)) } { (lot.lot) } }
                        td.number { (lot.lot_size) } td { (lot.size) } td { (lot.bond) }
                        td { (lot.specification.as_deref().unwrap_or("–")) }
                        td { "level " (lot.level) ", AQL " (lot.aql) " %, " (lot.inspection) }
                    } } }
                }
            }
        }
        h2 { "Plan or add a lot" }
        @if let Some(words) = wrong { p.notice.dead role="alert" { (words) } }
        form.panel method="post" action="/lots" {
            div.fields {
                div { label for="number" { "Wheels in the lot *" } input #number name="number" type="number" min="2" max="10000000" required value=[(form.number > 0).then_some(form.number)]; }
                div { label for="level" { "Inspection level" } select #level name="level" { @for l in LEVELS { option value=(l) selected[form.level == l] { (l) } } } }
                div { label for="aql" { "AQL, percent nonconforming" } select #aql name="aql" { @for a in AQLS { option value=(a) selected[form.aql == a] { (a) } } } }
                div { label for="inspection" { "Inspection" } select #inspection name="inspection" { @for i in ["normal", "tightened", "reduced"] { option value=(i) selected[form.inspection == i] { (i) } } } }
            }
            button type="submit" formmethod="get" formnovalidate { "Only show the plan" }
            div.fields {
                div { label for="lot" { "Name of the lot *" } input #lot name="lot" value=(form.lot) required autocomplete="off"; }
                div { label for="size" { "Diameter × thickness × hole *" } input #size name="size" value=(form.size) placeholder="200x20x32" required autocomplete="off"; }
                div { label for="bond" { "Bond" } select #bond name="bond" { @for b in ["vitrified", "resinoid", "rubber", "shellac", "silicate", "metal", "unknown"] { option value=(b) selected[form.bond == b] { (b) } } } }
                div { label for="specification" { "Specification" } input #specification name="specification" value=(form.specification) autocomplete="off"; }
                div { label for="mass" { "What one wheel weighs" } input #mass name="mass" value=(form.mass) placeholder="1.35kg" autocomplete="off"; }
            }
            button.main type="submit" { "Add the lot" }
        }
        @match &plan {
            Some(Ok(plan)) => (plan_view(plan)),
            Some(Err(error)) => p.notice.dead role="alert" { (error.to_string()) },
            None => {},
        }
    };
    Ok(frame("Lots", Nav::Lots, &main))
}

fn plan_view(plan: &LotPlanRecord) -> Markup {
    html! {
        section.panel {
            h2 { "The plan" }
            p.summary { "Draw " strong { (plan.sample) } " of " (plan.lot_size) " wheels by chance. Accept with " strong { (plan.accept) } " bad or fewer, reject from " strong { (plan.reject) } " on." }
            div.scroll tabindex="0" role="region" aria-label="Operating characteristic" {
                table {
                    caption { "How often a lot with so many bad wheels would be accepted all the same" }
                    thead { tr { th.number scope="col" { "bad wheels in the lot" } th.number scope="col" { "accepted" } td {} } }
                    tbody { @for c in &plan.characteristic { tr {
                        td.number { (c.bad) } td.number { (format!("{:.1} %", 100.0 * c.accepted)) }
                        td { svg.share viewBox="0 0 100 8" aria-hidden="true" { rect width="100" height="8" fill="none" stroke="currentColor" {} rect width=(format!("{:.1}", 100.0 * c.accepted)) height="8" fill="currentColor" {} } }
                    } } }
                }
            }
            ul { @for s in &plan.switching { li { (s) } } }
            p.small { (plan.source) }
        }
    }
}

/// Adds a lot.
pub(super) async fn add(
    State(page): State<Arc<Page>>,
    Form(form): Form<LotForm>,
) -> Result<Response, Fault> {
    apart(&page, move |page| {
        let refused = |words: &str| -> Result<Response, Fault> {
            let page = listed(page, &form, Some(words))?;
            Ok(refused(page))
        };
        let mass_kg = match filled(&form.mass) {
            None => None,
            Some(words) => match parse_mass_kg(words) {
                Ok(kg) => Some(kg),
                Err(error) => return refused(&error.to_string()),
            },
        };
        let new = NewLot {
            mass_kg,
            lot: form.lot.clone(),
            lot_size: form.number,
            size: form.size.trim().to_owned(),
            bond: form.bond.clone(),
            specification: filled(&form.specification).map(str::to_owned),
            level: form.level.clone(),
            aql: form.aql.clone(),
            inspection: form.inspection(),
        };
        match add_lot(&mut page.store()?, &new, &now()) {
            Ok(_) => {
                let to = format!("/lots/{}", encoded(form.lot.trim()));
                Ok(Redirect::to(&to).into_response())
            }
            Err(error) => refused(&error.to_string()),
        }
    })
    .await
}

/// One lot with its report.
pub(super) async fn show(
    State(page): State<Arc<Page>>,
    Path(lot): Path<String>,
) -> Result<Markup, Fault> {
    apart(&page, move |page| {
        let report = report_lot(&page.store()?, &lot);
        let report = report.map_err(|e| Fault::not_found(e.to_string()))?;
        let run = page.lots.progress(&lot);
        let charts = if report.wheels.is_empty() {
            Vec::new()
        } else {
            lot_charts(&page.store()?, &report).map_err(|e| Fault::failed(e.to_string()))?
        };
        let here = format!("/lots/{}", encoded(&lot));
        let main = html! {
            p.crumbs { a href="/lots" { "Lots" } " / " (lot) }
            div.row.between {
                h1 { "Lot " (lot) }
                a.button href={ (here) "/report" } { "Report to print" }
            }
            (report_of(&report))
            @if !charts.is_empty() {
                h2 { "Charts" }
                @for chart in &charts { img loading="lazy" src={ (here) "/chart/" (chart.name) } alt=(chart.alt); }
            }
            section.panel {
                h2 { "Read recordings of its wheels" }
                form.upload data-lot=(here) data-reading[run.as_ref().is_some_and(|r| r.phase == "reading")] {
                    div.drop {
                        label for="files" { "Choose a folder with one folder a wheel, or with one recording a wheel" }
                        input #files type="file" multiple webkitdirectory;
                    }
                    div.fields {
                        div { label for="pattern" { "Pattern of the names, if files are named by wheel" } input #pattern name="pattern" placeholder="{wheel}_*" autocomplete="off"; }
                        div { label for="plan" { "Turn plan" } (plan_choice("plan", TurnPlan::default())) }
                    }
                    button.main type="submit" { "Read them all" }
                    progress #bar max="1" value="0" hidden aria-label="Progress" {}
                    p.status role="status" aria-live="polite" {}
                    ul.failed {}
                }
            }
        };
        Ok(framed(&format!("Lot {lot}"), Nav::Lots, &main, &["upload.js"]))
    })
    .await
}

/// A chart of a lot by its short name.
pub(super) async fn chart(
    State(page): State<Arc<Page>>,
    Path((lot, name)): Path<(String, String)>,
) -> Result<Response, Fault> {
    apart(&page, move |page| {
        let store = page.store()?;
        let report = report_lot(&store, &lot).map_err(|e| Fault::not_found(e.to_string()))?;
        let charts = lot_charts(&store, &report).map_err(|e| Fault::failed(e.to_string()))?;
        svg(charts.into_iter().find(|c| c.name == name).map(|c| c.svg))
    })
    .await
}

/// The report to print.
pub(super) async fn report(
    State(page): State<Arc<Page>>,
    Path(lot): Path<String>,
) -> Result<Response, Fault> {
    apart(&page, move |page| {
        let paper = lot_paper(&page.store()?, &lot);
        Ok(paper_page(
            &paper.map_err(|e| Fault::not_found(e.to_string()))?,
        ))
    })
    .await
}

fn report_of(report: &LotReportRecord) -> Markup {
    let class = match report.decision.as_str() {
        "accept" => "ring",
        "reject" => "dead",
        _ => "",
    };
    html! {
        p.outcome-large class=(class) { (report.decision.to_uppercase()) }
        ul { @for why in &report.because { li { (why) } } }
        p.notice { (capital(&report.caution)) "." }
        dl.facts {
            div { dt { "Sample" } dd { (report.sample) } } div { dt { "Good" } dd { (report.good) } }
            div { dt { "Bad" } dd { (report.bad) } } div { dt { "Unclear" } dd { (report.unclear) } }
            div { dt { "Accept up to" } dd { (report.accept) " bad" } } div { dt { "Reject from" } dd { (report.reject) " bad" } }
        }
        @if !report.shifts.is_empty() {
            h2 { "The lot as a whole" }
            div.scroll tabindex="0" role="region" aria-label="Shifts" {
                table {
                    thead { tr { th scope="col" { "Figure" } th scope="col" { "Against" } th.number scope="col" { "Shift" } th.number scope="col" { "Interval" } th.number scope="col" { "Spread" } th.number scope="col" { "Wheels" } } }
                    tbody { @for s in &report.shifts { tr {
                        th scope="row" { (s.figure) } td { (s.against) }
                        td.number { (s.percent.map_or("–".to_owned(), |p| format!("{p:+.2} %"))) }
                        td.number { (s.interval.map_or("–".to_owned(), |i| format!("{:+.2} to {:+.2} %", i.0, i.1))) }
                        td.number { (format!("{:.2} %", s.spread_percent)) } td.number { (s.wheels) }
                    } } }
                }
            }
        }
        @if !report.wheels.is_empty() {
        h2 { "Wheels" }
        @let usual = usual_footing(&report.wheels);
        @if let Some(footing) = usual { p.small { "Held against: " (footing) ", where nothing else is said." } }
        p.small { "Odd wheels: " (report.odd_rule) "." }
        div.scroll tabindex="0" role="region" aria-label="Wheels of the lot" {
            table {
                thead { tr { th scope="col" { "Wheel" } th scope="col" { "Sample" } th scope="col" { "Counts as" } th scope="col" { "Outcome" } th.number scope="col" { "Tones" } th.number scope="col" { "Rings" } th scope="col" { "Because" } } }
                tbody { @for w in &report.wheels { tr {
                    th scope="row" { (wheel_link(&w.wheel)) } td { @if w.in_sample { "drawn" } }
                    td { strong { (w.counts_as) } }
                    td { a href={ "/soundings/" (w.sounding) } { (outcome_mark(&w.outcome)) } @if Some(w.footing.as_str()) != usual { br; span.small { (w.footing) } } }
                    td.number { (w.tone_percent.map_or("–".to_owned(), |t| format!("{t:+.2} %"))) }
                    td.number { (w.ring_time_s.map_or("–".to_owned(), |t| format!("{t:.2} s"))) }
                    td.words { @for why in &w.because { (capital(why)) ". " } }
                } } }
            }
        }
        }
    }
}

/// What most wheels stand on.
fn usual_footing(wheels: &[LotWheelRecord]) -> Option<&str> {
    let number = |f: &str| wheels.iter().filter(|w| w.footing == f).count();
    let all = wheels.iter().map(|w| w.footing.as_str());
    all.max_by_key(|f| number(f))
}

/// What is said of a recording of a lot.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub(super) struct Named {
    name: String,
}

/// Takes a recording in; it waits until the run begins.
pub(super) async fn recording(
    State(page): State<Arc<Page>>,
    Path(lot): Path<String>,
    Query(named): Query<Named>,
    body: Body,
) -> Response {
    let taken = async {
        let lot = lot_named(&page, lot).await?.lot;
        let (folder, path) = taken_in(&page, &named.name, body).await?;
        apart(&page, move |page| {
            let many = page.lots.put(&lot, &named.name, &path);
            drop(folder);
            many
        })
        .await
    };
    match taken.await {
        Ok(recordings) => Json(serde_json::json!({ "recordings": recordings })).into_response(),
        Err(fault) => refusal(&fault),
    }
}

async fn lot_named(page: &Arc<Page>, lot: String) -> Result<LotRecord, Fault> {
    apart(page, move |page| {
        lot_of(&page.store()?, &lot).map_err(|e| Fault::not_found(e.to_string()))
    })
    .await
}

/// How the recordings are told to wheels.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub(super) struct How {
    pattern: String,
    plan: String,
}

/// Begins to read.
pub(super) async fn read(
    State(page): State<Arc<Page>>,
    Path(lot): Path<String>,
    Json(how): Json<How>,
) -> Response {
    let begun = async {
        let lot = lot_named(&page, lot).await?;
        apart(&page, move |page| {
            let pattern = filled(&how.pattern);
            if pattern.is_some_and(|p| p.matches("{wheel}").count() != 1) {
                return Err(Fault::refused(
                    "write {wheel} once in the pattern where the id stands, * for anything else",
                ));
            }
            page.lots
                .read(page.store()?, lot, pattern, plan_of(&how.plan)?)
        })
        .await
    };
    match begun.await {
        Ok(()) => crate::page::upload::DONE.into_response(),
        Err(fault) => refusal(&fault),
    }
}

/// How far it is.
pub(super) async fn progress(State(page): State<Arc<Page>>, Path(lot): Path<String>) -> Response {
    Json(page.lots.progress(&lot)).into_response()
}
