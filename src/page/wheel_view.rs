//! The wheels: list, one wheel with its history, adding and marking.

use std::sync::Arc;

use axum::extract::{Form, Path, Query, State};
use axum::response::{IntoResponse as _, Redirect, Response};
use maud::{Markup, html};
use serde::Deserialize;

use crate::page::fault::Fault;
use crate::page::form::{filled, refused};
use crate::page::frame::{Nav, encoded, frame, framed, outcome_mark, time, wheel_link, wheel_path};
use crate::page::home_view::soundings_table;
use crate::page::sounding_view::svg;
use crate::page::state::{Page, apart};
use crate::page::words::capital;
use crate::reading::turn_plan::TurnPlan;
use crate::record::baseline::BaselineKind;
use crate::record::sounding::SoundingRecord;
use crate::record::wheel::label::LabelWritten;
use crate::record::wheel::{Size, WheelRecord, WheelState};
use crate::report::text::TextStyle;
use crate::report::text::wheel_modes::wheel_modes_text;
use crate::store::settings::ShownUnits;
use crate::tasks::build_baseline::{BuildOf, BuildSettings, BuildSounding, build_baseline};
use crate::tasks::clock::now;
use crate::tasks::draw_trend::trend_of;
use crate::tasks::expect_modes::expected_modes;
use crate::tasks::keep_wheels::{
    NewWheel, WheelEdit, add_wheel, edit_wheel, newest_of_each, show_wheel,
};
use crate::tasks::mount_wheel::mounting;
use crate::tasks::reread_sounding::kept_sounds;
use crate::tasks::wheel_states::{StateAsked, change_state, standing};

/// Wheels that are listed at once.
const MOST: usize = 200;
/// Poisson's ratio that the expected tones are computed with, as `wheel modes` does.
const POISSON: f64 = 0.2;

/// What is searched for.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub(super) struct Search {
    q: String,
    state: String,
    outcome: String,
}

/// The list.
pub(super) async fn list(
    State(page): State<Arc<Page>>,
    Query(search): Query<Search>,
) -> Result<Markup, Fault> {
    apart(&page, move |page| {
        let store = page.store()?;
        let newest = newest_of_each(&store)?;
        let wheels = store.wheels()?;
        let all = wheels.len();
        let found: Vec<_> = wheels
            .into_iter()
            .map(|w| {
                let outcome = newest.get(&w.id.to_lowercase()).cloned();
                (w, outcome)
            })
            .filter(|(w, o)| search.holds(w, o.as_ref().map(|o| o.1.as_str())))
            .collect();
        let main = html! {
            div.row.between {
                h1 { "Wheels" }
                div.row {
                    a.button href="/baselines" { "Baselines" }
                    a.button.main href="/wheels/new" { "Add a wheel" }
                }
            }
            form.panel.fields role="search" method="get" action="/wheels" {
                div { label for="q" { "Search" }
                    input #q type="search" name="q" value=(search.q) placeholder="id, lot, marking, bond" autocomplete="off"; }
                div { label for="state" { "State" }
                    select #state name="state" {
                        option value="" { "any" }
                        @for state in WheelState::ALL.map(WheelState::words) {
                            option value=(state) selected[search.state == state] { (state) }
                        }
                    } }
                div { label for="outcome" { "Newest outcome" }
                    select #outcome name="outcome" {
                        option value="" { "any" }
                        @for outcome in ["rings clear", "rings, not compared", "sounds dead", "sound it again", "none"] {
                            option value=(outcome) selected[search.outcome == outcome] { (outcome) }
                        }
                    } }
                div.end { button type="submit" { "Show" } }
            }
            p.small { (found.len()) " of " (all) " wheels" @if found.len() > MOST { ", the first " (MOST) " are listed" } }
            div.scroll tabindex="0" role="region" aria-label="Wheels" {
                table {
                    thead { tr {
                        th scope="col" { "Wheel" } th scope="col" { "Size" } th scope="col" { "Bond" }
                        th scope="col" { "Maximum speed" } th scope="col" { "Lot" }
                        th scope="col" { "State" } th scope="col" { "Newest sounding" }
                    } }
                    tbody {
                        @for (wheel, newest) in found.iter().take(MOST) {
                            tr {
                                th scope="row" { (wheel_link(&wheel.id)) }
                                td { (wheel.size.written()) }
                                td { (wheel.bond.name()) }
                                td { (wheel.max_speed.as_ref().map_or("not known", |m| m.written.as_str())) }
                                td { (wheel.lot.as_deref().unwrap_or("–")) }
                                td { (wheel.state.words()) }
                                td { @match newest {
                                    Some((number, outcome)) => { a href={ "/soundings/" (number) } { (outcome_mark(outcome)) } }
                                    None => { "none" }
                                } }
                            }
                        }
                    }
                }
            }
        };
        Ok(frame("Wheels", Nav::Wheels, &main))
    })
    .await
}

impl Search {
    fn holds(&self, wheel: &WheelRecord, outcome: Option<&str>) -> bool {
        let words = self.q.trim().to_lowercase();
        let label = &wheel.label;
        let texts = [
            Some(wheel.id.as_str()),
            wheel.lot.as_deref(),
            wheel.specification.as_deref(),
            label.marking.as_deref(),
            label.serial.as_deref(),
            Some(wheel.bond.name()),
            Some(wheel.size.written()),
        ];
        let in_texts = texts
            .into_iter()
            .flatten()
            .any(|t| t.to_lowercase().contains(&words));
        let in_state = self.state.is_empty() || wheel.state.words() == self.state;
        let in_outcome = match self.outcome.as_str() {
            "" => true,
            "none" => outcome.is_none(),
            wanted => outcome == Some(wanted),
        };
        in_texts && in_state && in_outcome
    }
}

/// What is known of a wheel, as names with values.
pub(super) fn facts(wheel: &WheelRecord, units: ShownUnits) -> Markup {
    let label = &wheel.label;
    let size = &wheel.size;
    let speed = wheel.max_speed.as_ref().map(|m| {
        let metres = crate::record::wheel::speed::rim_m_per_s(size.diameter_mm(), m.rpm);
        format!("{} (rim {metres:.0} m/s)", m.written)
    });
    let size = size_words(size, units);
    let facts = [
        ("Size", Some(size)),
        ("Bond", Some(wheel.bond.name().to_owned())),
        (
            "Maximum speed",
            Some(speed.unwrap_or_else(|| "not known".to_owned())),
        ),
        ("State", Some(wheel.state.words().to_owned())),
        ("Shape", label.shape.map(|s| format!("type {s}"))),
        ("Marking", label.marking.clone()),
        ("Serial number", label.serial.clone()),
        ("Purpose", label.purpose.clone()),
        ("Made", label.made.clone()),
        ("Last month of use", label.expires.clone()),
        ("Received", label.received.clone()),
        ("Mass", label.mass_kg.map(|m| format!("{m} kg"))),
        ("Specification", wheel.specification.clone()),
        ("Lot", wheel.lot.clone()),
    ];
    html! {
        dl.facts {
            @for (name, value) in facts {
                @if let Some(value) = value {
                    div { dt { (name) } dd { (value) } }
                }
            }
        }
    }
}

/// A size as it was written, and in the units that are shown where those are others.
fn size_words(size: &Size, units: ShownUnits) -> String {
    let written = size.written();
    let mm = [size.diameter_mm(), size.thickness_mm(), size.hole_mm()];
    match (units, written.ends_with("in")) {
        (ShownUnits::Metric, true) => {
            format!("{written} ({:.1} × {:.1} × {:.1} mm)", mm[0], mm[1], mm[2])
        }
        (ShownUnits::Metric, false) => format!("{written} mm"),
        (ShownUnits::Inch, true) => written.to_owned(),
        (ShownUnits::Inch, false) => {
            let [d, t, h] = mm.map(|l| l / 25.4);
            format!("{written} mm ({d:.3} × {t:.3} × {h:.3} in)")
        }
    }
}

/// One wheel.
pub(super) async fn show(
    State(page): State<Arc<Page>>,
    Path(id): Path<String>,
) -> Result<Markup, Fault> {
    apart(&page, move |page| {
        let store = page.store()?;
        let shown = show_wheel(&store, &id).map_err(|_| missing(&id))?;
        let wheel = &shown.wheel;
        let here = wheel_path(&wheel.id);
        let mut soundings = shown.soundings.clone();
        soundings.reverse();
        let in_use = shown.baselines.iter().rev().find(|b| b.retired.is_none());
        let grinders = store.grinders()?;
        let dead = standing(&store, wheel)?.dead;
        let main = html! {
            p.crumbs { a href="/wheels" { "Wheels" } " / " (wheel.id) }
            div.row.between {
                h1 { "Wheel " (wheel.id) }
                div.row {
                    a.button.main href={ "/sound/prepare?wheel=" (encoded(&wheel.id)) } { "Sound it" }
                    a.button href={ "/fit?wheel=" (encoded(&wheel.id)) } { "Does it fit?" }
                    a.button href={ (here) "/after" } { "On mounting" }
                    a.button href={ (here) "/modes" } { "Expected tones" }
                }
            }
            @if wheel.state != WheelState::InStore {
                p.notice.dead { "It is marked as " strong { (wheel.state.words()) } "." }
            }
            @if let Some(dead) = &dead { p.notice.dead { (capital(&dead.words())) "." } }
            @if let Some(drop) = &shown.drop { p.notice { (capital(&drop.words())) "." } }
            (facts(wheel, store.shown_units()))
            @for hint in &shown.hints { p.notice { (hint.sentence) " (" (hint.source) ")" } }
            section {
                h2 { "Soundings" }
                @if soundings.is_empty() {
                    p { "None yet." }
                } @else {
                    (soundings_table(&soundings, false))
                }
                @if soundings.len() > 1 {
                    img loading="lazy" src={ (here) "/trend.svg" } alt="Tones, ring time and split over the soundings; the table above says the outcomes";
                    form.row method="get" action="/compare" {
                        label for="a" { "Lay two over each other:" }
                        select #a name="a" { @for s in &soundings { option value=(s.number) { (s.number) " · " (s.at.get(..10).unwrap_or("")) } } }
                        select #b name="b" aria-label="the second" { @for (k, s) in soundings.iter().enumerate() { option value=(s.number) selected[k + 1 == soundings.len()] { (s.number) " · " (s.at.get(..10).unwrap_or("")) } } }
                        button type="submit" { "Show" }
                    }
                }
            }
            section {
                h2 { "Baseline" }
                @match in_use {
                    Some(b) => {
                        p { "Version " (b.record.baseline_version) " of " (b.record.soundings.len()) " soundings, built " (time(&b.record.built_at)) "."
                            @if b.record.unconfirmed { " Nothing stood behind its first sounding: it shows what has changed since, not that the wheel was sound then." } }
                        details {
                            summary { "Take this baseline out of use" }
                            form.row method="post" action={ (here) "/baseline/retire" } {
                                label for="baseline-why" { "Why" }
                                input #baseline-why name="note" required maxlength="200";
                                button type="submit" { "Take it out of use" }
                            }
                        }
                    }
                    None => p { "It has none of its own yet." }
                }
                @if !soundings.is_empty() && wheel.state.is_usable() {
                    details {
                        summary { "Build a baseline from its soundings" }
                        form method="post" action={ (here) "/baseline" } {
                            p.small { "Choose soundings of days on which the wheel was sound beyond doubt. A baseline in use is kept beside the new one." }
                            @for s in &soundings {
                                @let rings = s.record.outcome.starts_with("rings");
                                label.choice {
                                    input type="checkbox" name="sounding" value=(s.number) checked[rings] disabled[!rings];
                                    span { (s.number) ", " (s.at.get(..10).unwrap_or("")) ", " (s.record.outcome) }
                                }
                            }
                            button type="submit" { "Build it" }
                        }
                    }
                }
            }
            section {
                h2 { "History" }
                ul.plain {
                    @for e in shown.events.iter().rev() {
                        li { (time(&e.at)) " " strong { (e.state) } @if let Some(note) = &e.note { ": " (note) } }
                    }
                }
            }
            section.panel {
                h2 { "What became of it" }
                div.row {
                    form.row method="post" action={ (here) "/state" } {
                        input type="hidden" name="to" value="dropped";
                        label for="drop-note" { "It was dropped:" }
                        input #drop-note name="note" maxlength="200" placeholder="how";
                        button.dead type="submit" { "Mark it as dropped" }
                    }
                }
                details {
                    summary { "Mounted, set aside, tagged out, retired, destroyed, or back in store" }
                    form method="post" action={ (here) "/state" } {
                        div.fields {
                            div { label for="to" { "It is now" } select #to name="to" {
                                @for state in WheelState::ALL.map(WheelState::words) { option value=(state) selected[wheel.state.words() == state] { (state) } }
                            } }
                            div { label for="on" { "On grinder, if mounted" } select #on name="grinder" {
                                option value="" { "–" }
                                @for g in &grinders { option value=(g.id) { (g.id) } }
                            } }
                            div { label for="state-note" { "Why" } input #state-note name="note" maxlength="200"; }
                            div { label for="state-by" { "Who says so" } input #state-by name="by" value=(page.by().unwrap_or_default()) maxlength="80"; }
                        }
                        button type="submit" { "Keep it" }
                    }
                }
                a.button href={ (here) "/edit" } { "Edit" }
            }
        };
        Ok(frame(&format!("Wheel {}", wheel.id), Nav::Wheels, &main))
    })
    .await
}

fn missing(id: &str) -> Fault {
    Fault::not_found(format!("There is no wheel \"{id}\" in this store."))
}

/// What a form says of a wheel.
#[derive(Debug, Clone, Default, Deserialize)]
#[serde(default)]
pub(super) struct WheelForm {
    id: String,
    size: String,
    bond: String,
    max_speed: String,
    specification: String,
    lot: String,
    serial: String,
    shape: String,
    marking: String,
    rim_speed: String,
    purpose: String,
    made: String,
    expires: String,
    received: String,
    mass: String,
    then: String,
}

impl WheelForm {
    fn of(wheel: &WheelRecord) -> Self {
        let label = &wheel.label;
        let text = |o: &Option<String>| o.clone().unwrap_or_default();
        Self {
            id: wheel.id.clone(),
            size: wheel.size.written().to_owned(),
            bond: wheel.bond.name().to_owned(),
            max_speed: wheel
                .max_speed
                .as_ref()
                .map_or(String::new(), |m| m.written.clone()),
            specification: text(&wheel.specification),
            lot: text(&wheel.lot),
            serial: text(&label.serial),
            shape: label.shape.map_or(String::new(), |s| s.to_string()),
            marking: text(&label.marking),
            rim_speed: text(&label.rim_speed),
            purpose: text(&label.purpose),
            made: text(&label.made),
            expires: text(&label.expires),
            received: text(&label.received),
            mass: label.mass_kg.map_or(String::new(), |m| format!("{m}kg")),
            then: String::new(),
        }
    }

    /// The label; with `all`, fields that are empty take their part away.
    fn label(&self, all: bool) -> LabelWritten {
        let some = |t: &str| Some(t.trim().to_owned()).filter(|t| all || !t.is_empty());
        LabelWritten {
            serial: some(&self.serial),
            shape: some(&self.shape),
            marking: some(&self.marking),
            rim_speed: some(&self.rim_speed),
            purpose: some(&self.purpose),
            made: some(&self.made),
            expires: some(&self.expires),
            received: some(&self.received),
            mass: some(&self.mass),
        }
    }

    fn fields(&self, is_new: bool) -> Markup {
        let field = |name: &str, label: &str, value: &str, help: &str, is_needed: bool| {
            html! {
                div {
                    label for=(name) { (label) @if is_needed { " *" } }
                    input id=(name) name=(name) value=(value) required[is_needed] autocomplete="off"
                        aria-describedby=[(!help.is_empty()).then(|| format!("{name}-help"))];
                    @if !help.is_empty() { p.small id={ (name) "-help" } { (help) } }
                }
            }
        };
        let bonds = [
            "vitrified",
            "resinoid",
            "rubber",
            "shellac",
            "silicate",
            "metal",
            "unknown",
        ];
        html! {
            div.fields {
                @if is_new { (field("id", "Id", &self.id, "letters, digits, -, _ or .", true)) }
                (field("size", "Diameter × thickness × hole", &self.size, "200x20x32 in mm, or 4-1/2x1/4x7/8in", true))
                div {
                    label for="bond" { "Bond *" }
                    select #bond name="bond" {
                        @for bond in bonds { option value=(bond) selected[self.bond == bond] { (bond) } }
                    }
                }
                (field("max_speed", "Maximum speed", &self.max_speed, "3350rpm, 35m/s or 6900sfpm, as marked", false))
            }
            details open[!is_new] {
                summary { "What else the label says" }
                div.fields {
                    (field("marking", "Marking", &self.marking, "as ISO 525 writes it", false))
                    (field("shape", "Shape number", &self.shape, "1 straight, 27 depressed centre", false))
                    (field("rim_speed", "Rim speed", &self.rim_speed, "35m/s or 6900sfpm", false))
                    (field("serial", "Serial number", &self.serial, "", false))
                    (field("purpose", "Purpose", &self.purpose, "", false))
                    (field("made", "Month of manufacture", &self.made, "2026-03", false))
                    (field("expires", "Last month of use", &self.expires, "2029-03", false))
                    (field("received", "Received", &self.received, "2026-11-02", false))
                    (field("mass", "Mass", &self.mass, "1.35kg", false))
                    (field("specification", "Specification", &self.specification, "", false))
                    (field("lot", "Lot", &self.lot, "", false))
                }
            }
        }
    }
}

/// The form for a new wheel.
pub(super) async fn new(Query(form): Query<WheelForm>) -> Markup {
    new_form(&form, None)
}

fn new_form(form: &WheelForm, wrong: Option<&str>) -> Markup {
    let main = html! {
        h1 { "Add a wheel" }
        @if form.then == "sound" && wrong.is_none() {
            p.notice { "The wheel \"" (form.id) "\" is not known yet. Read size, bond and speed from its label." }
        }
        @if let Some(words) = wrong { p.notice.dead role="alert" { (words) } }
        form.panel method="post" action="/wheels" {
            (form.fields(true))
            input type="hidden" name="then" value=(form.then);
            button.main type="submit" { "Add it" }
        }
    };
    framed("Add a wheel", Nav::Wheels, &main, &[])
}

/// Adds one.
pub(super) async fn add(
    State(page): State<Arc<Page>>,
    Form(form): Form<WheelForm>,
) -> Result<Response, Fault> {
    apart(&page, move |page| {
        let some = |t: &str| filled(t).map(str::to_owned);
        let new = NewWheel {
            id: form.id.trim().to_owned(),
            size: form.size.trim().to_owned(),
            bond: form.bond.trim().to_owned(),
            max_speed: some(&form.max_speed),
            specification: some(&form.specification),
            lot: some(&form.lot),
            label: form.label(false),
        };
        match add_wheel(&mut page.store()?, &new, &now()) {
            Ok(kept) if form.then == "sound" => {
                let to = format!("/sound/prepare?wheel={}", encoded(&kept.wheel.id));
                Ok(Redirect::to(&to).into_response())
            }
            Ok(kept) => Ok(Redirect::to(&wheel_path(&kept.wheel.id)).into_response()),
            Err(error) => {
                let page = new_form(&form, Some(&error.to_string()));
                Ok(refused(page))
            }
        }
    })
    .await
}

/// The form that changes a wheel.
pub(super) async fn edit_form(
    State(page): State<Arc<Page>>,
    Path(id): Path<String>,
) -> Result<Markup, Fault> {
    apart(&page, move |page| {
        let wheel = page.store()?.wheel(&id)?.ok_or_else(|| missing(&id))?;
        Ok(edit_page(&wheel.id, &WheelForm::of(&wheel), None))
    })
    .await
}

fn edit_page(id: &str, form: &WheelForm, wrong: Option<&str>) -> Markup {
    let main = html! {
        p.crumbs { a href="/wheels" { "Wheels" } " / " (wheel_link(id)) " / edit" }
        h1 { "Edit wheel " (id) }
        @if let Some(words) = wrong { p.notice.dead role="alert" { (words) } }
        form.panel method="post" action={ (wheel_path(id)) "/edit" } {
            (form.fields(false))
            p.small { "What it was before stays in its history." }
            button.main type="submit" { "Keep the changes" }
        }
    };
    frame(&format!("Edit wheel {id}"), Nav::Wheels, &main)
}

/// Changes one.
pub(super) async fn edit(
    State(page): State<Arc<Page>>,
    Path(id): Path<String>,
    Form(form): Form<WheelForm>,
) -> Result<Response, Fault> {
    apart(&page, move |page| {
        let edit = WheelEdit {
            size: Some(form.size.trim().to_owned()),
            bond: Some(form.bond.trim().to_owned()),
            max_speed: Some(form.max_speed.trim().to_owned()),
            specification: Some(form.specification.trim().to_owned()),
            lot: Some(form.lot.trim().to_owned()),
            label: form.label(true),
        };
        match edit_wheel(&mut page.store()?, &id, &edit, &now()) {
            Ok(wheel) => Ok(Redirect::to(&wheel_path(&wheel.id)).into_response()),
            Err(error) => {
                let page = edit_page(&id, &form, Some(&error.to_string()));
                Ok(refused(page))
            }
        }
    })
    .await
}

/// A note.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub(super) struct Note {
    note: String,
}

impl Note {
    fn text(&self) -> Option<&str> {
        filled(&self.note)
    }
}

/// What became of a wheel.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub(super) struct Became {
    to: String,
    note: String,
    by: String,
    grinder: String,
}

/// Changes the state of one.
pub(super) async fn state(
    State(page): State<Arc<Page>>,
    Path(id): Path<String>,
    Form(became): Form<Became>,
) -> Result<Redirect, Fault> {
    apart(&page, move |page| {
        let unknown = || Fault::refused("say what became of the wheel");
        let to = WheelState::parse(&became.to).ok_or_else(unknown)?;
        let at = now();
        let mut store = page.store()?;
        let by = page.remember_by(&became.by);
        let grinder = filled(&became.grinder);
        let against = if to == WheelState::Mounted {
            let which = || Fault::refused("say on which grinder it is");
            let grinder = grinder.ok_or_else(which)?;
            mounting(&store, &id, Some(grinder), &[], by.as_deref(), &at)?.against
        } else {
            Vec::new()
        };
        let asked = StateAsked {
            to,
            grinder: grinder.filter(|_| to == WheelState::Mounted),
            by: by.as_deref(),
            note: filled(&became.note),
            at: &at,
            against: &against,
        };
        let wheel = change_state(&mut store, &id, &asked);
        let wheel = wheel.map_err(|e| Fault::refused(e.to_string()))?;
        Ok(Redirect::to(&wheel_path(&wheel.id)))
    })
    .await
}

/// Tones, ring time and split of a wheel over its soundings.
pub(super) async fn trend(
    State(page): State<Arc<Page>>,
    Path(id): Path<String>,
) -> Result<Response, Fault> {
    apart(&page, move |page| {
        let shown = show_wheel(&page.store()?, &id).map_err(|_| missing(&id))?;
        svg(trend_of(&shown).ok())
    })
    .await
}

/// Where the theory of the disc expects the wheel's modes.
pub(super) async fn modes(
    State(page): State<Arc<Page>>,
    Path(id): Path<String>,
) -> Result<Markup, Fault> {
    apart(&page, move |page| {
        let modes = expected_modes(&page.store()?, &id, None, POISSON);
        let modes = modes.map_err(|e| Fault::refused(e.to_string()))?;
        let style = TextStyle {
            colour: false,
            width: 90,
        };
        let main = html! {
            p.crumbs { a href="/wheels" { "Wheels" } " / " (wheel_link(&id)) " / expected tones" }
            h1 { "Where the tones of " (id) " are expected" }
            pre { (wheel_modes_text(&modes, &style)) }
        };
        Ok(frame("Expected tones", Nav::Wheels, &main))
    })
    .await
}

/// Takes its baseline out of use.
pub(super) async fn retire_baseline(
    State(page): State<Arc<Page>>,
    Path(id): Path<String>,
    Form(note): Form<Note>,
) -> Result<Redirect, Fault> {
    apart(&page, move |page| {
        let mut store = page.store()?;
        let why = note.text().ok_or_else(|| Fault::refused("say why"))?;
        let kept = store.baseline(BaselineKind::Wheel, &id)?;
        let kept = kept.ok_or_else(|| Fault::not_found("it has no baseline in use"))?;
        store.retire_baseline(
            BaselineKind::Wheel,
            &kept.of,
            kept.baseline_version,
            &now(),
            why,
        )?;
        Ok(Redirect::to(&wheel_path(&id)))
    })
    .await
}

/// Builds a baseline of the soundings whose boxes are ticked: `sounding=3&sounding=5`.
pub(super) async fn baseline(
    State(page): State<Arc<Page>>,
    Path(id): Path<String>,
    body: String,
) -> Result<Redirect, Fault> {
    let pairs = body.split('&').filter_map(|p| p.split_once('='));
    let numbers: Vec<u64> = pairs
        .filter(|(name, _)| *name == "sounding")
        .filter_map(|(_, value)| value.parse().ok())
        .collect();
    apart(&page, move |page| {
        let mut store = page.store()?;
        let wheel = store.wheel(&id)?.ok_or_else(|| missing(&id))?;
        let mut soundings = Vec::new();
        let mut plan = TurnPlan::default();
        for number in numbers {
            let kept = store.kept::<SoundingRecord>(number)?;
            let is_of_wheel = kept
                .record
                .wheel
                .as_deref()
                .is_some_and(|w| w.eq_ignore_ascii_case(&wheel.id));
            if !is_of_wheel {
                return Err(Fault::refused(format!(
                    "sounding {number} is not of this wheel"
                )));
            }
            plan = TurnPlan::parse(&kept.record.turn_plan).unwrap_or_default();
            let inputs = kept_sounds(&store, &kept).map_err(|e| Fault::refused(e.to_string()))?;
            soundings.push(BuildSounding {
                inputs,
                temp_c: kept.record.temp_c,
                ..BuildSounding::default()
            });
        }
        let settings = BuildSettings {
            of: BuildOf::Wheel(wheel.id.clone()),
            turn_plan: plan,
            built_at: now(),
        };
        let built = build_baseline(&mut store, &soundings, &settings);
        built.map_err(|e| Fault::refused(e.to_string()))?;
        Ok(Redirect::to(&wheel_path(&wheel.id)))
    })
    .await
}
