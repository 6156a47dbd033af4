//! Teaching: the page for a class, and the blind ear test.

use std::sync::Arc;

use axum::Json;
use axum::extract::{Form, Path, Query, State};
use axum::http::{HeaderMap, header};
use axum::response::{Html, IntoResponse as _, Redirect, Response};
use maud::{Markup, html};
use serde::Deserialize;

use crate::page::fault::Fault;
use crate::page::frame::{Nav, encoded, frame, framed};
use crate::page::guard::CLASS_POLICY;
use crate::page::sounding_view;
use crate::page::state::{Page, apart};
use crate::page::upload::{DONE, refusal};
use crate::reading::Heard;
use crate::report::text::ear::{EAR_NOTE, ear_results_text, ear_round_text};
use crate::tasks::clock::now;
use crate::tasks::ear_test::{EarTest, USUAL_TRIALS, keep_ear_test, kept_ear_tests};
use crate::tasks::make_demo::INVENTED;
use crate::tasks::print_training::training_paper;
use crate::tasks::teach_demo::make_page;
use crate::units::SampleRate;

/// Rate of the sounds of the ear test in Hz.
const RATE_HZ: u32 = 48_000;

/// What there is.
pub(super) async fn home(State(page): State<Arc<Page>>) -> Result<Markup, Fault> {
    apart(&page, |page| {
        let mut rounds = kept_ear_tests(&page.store()?, None)?;
        let records: Vec<_> = rounds.iter().map(|k| k.record.clone()).collect();
        let results = ear_results_text(&records);
        let mut trainees: Vec<String> = Vec::new();
        for record in &records {
            if !trainees.iter().any(|t| t.eq_ignore_ascii_case(&record.trainee)) {
                trainees.push(record.trainee.clone());
            }
        }
        rounds.reverse();
        let main = html! {
            h1 { "Teach" }
            section.panel {
                h2 { "Ring and thud, side by side" }
                p { "Made-up sounds of sound and damaged wheels, with waveform, spectrum over time and decay: how a crack grows, what bond, damp and holding do, why turns matter." }
                p.small { "The first time it takes some seconds to be made." }
                div.row {
                    a.button.main href="/teach/class" { "Open the page for the class" }
                    a.button href="/teach/recordings" { "Recordings to demonstrate with" }
                }
            }
            section.panel {
                h2 { "Blind ear test" }
                p { (EAR_NOTE) }
                form method="post" action="/teach/ear" {
                    div.fields {
                        div { label for="trainee" { "Who listens *" } input #trainee name="trainee" required maxlength="80" autocomplete="off"; }
                        div { label for="trials" { "Sounds" } input #trials name="trials" type="number" min="4" max="400" value=(USUAL_TRIALS); }
                    }
                    button.main type="submit" { "Begin a round" }
                }
            }
            section {
                h2 { "Rounds" }
                @if rounds.is_empty() { p { "None yet." } } @else {
                    div.row { @for name in &trainees { a.button href={ "/teach/training?trainee=" (encoded(name)) } { "Record of training of " (name) } } }
                    pre { (results) }
                }
                @for kept in rounds.iter().take(30) {
                    details {
                        summary { (kept.record.trainee) ", round " (kept.record.round) ", " (kept.at.get(..10).unwrap_or("")) @if !kept.record.complete { ", broken off" } }
                        pre { (ear_round_text(&kept.record)) }
                    }
                }
            }
        };
        Ok(frame("Teach", Nav::Teach, &main))
    })
    .await
}

/// The page for a class, made when it is first wanted and anew when the program is.
pub(super) async fn class(State(page): State<Arc<Page>>) -> Result<Response, Fault> {
    apart(&page, |page| {
        let failed = |e: &dyn std::fmt::Display| Fault::failed(e.to_string());
        let folder = tempfile::tempdir().map_err(|e| failed(&e))?;
        let made = page.class.get_or_make(|| {
            let made = make_page(folder.path(), page.store().ok().as_ref(), |_| {});
            let made = made.map_err(|e| failed(&e))?;
            std::fs::read_to_string(&made.page).map_err(|e| failed(&e))
        })?;
        let headers = [(header::CONTENT_SECURITY_POLICY, CLASS_POLICY)];
        Ok((headers, Html(made)).into_response())
    })
    .await
}

/// Recordings to demonstrate with, each made when the list is first wanted.
pub(super) async fn recordings(State(page): State<Arc<Page>>) -> Result<Markup, Fault> {
    apart(&page, |page| {
        let made = page.demo.all()?;
        let main = html! {
            p.crumbs { a href="/teach" { "Teach" } " / recordings" }
            h1 { "Recordings to demonstrate with" }
            p.notice { (INVENTED) }
            div.scroll tabindex="0" role="region" aria-label="Recordings" {
                table {
                    thead { tr { th scope="col" { "File" } th scope="col" { "What is heard" } th scope="col" { "What is true of it" } th scope="col" { "Listen" } th scope="col" { "Save" } } }
                    tbody { @for (k, one) in made.iter().enumerate() {
                        @let name = one.0.file.display().to_string();
                        @let to = format!("/teach/recordings/{k}");
                        tr {
                            th scope="row" { (name) } td.words { (one.0.about) } td.words { (one.0.must_give.words()) }
                            td { audio controls preload="none" src=(to) aria-label={ "Made-up sound: " (name) } {} }
                            td { a.button href=(to) download=(name.replace(['/', '\\'], "-")) { "Save" } }
                        }
                    } }
                }
            }
        };
        Ok(frame("Recordings to demonstrate with", Nav::Teach, &main))
    })
    .await
}

/// One of them.
pub(super) async fn recording(
    State(page): State<Arc<Page>>,
    Path(place): Path<usize>,
    headers: HeaderMap,
) -> Result<Response, Fault> {
    apart(&page, move |page| {
        let made = page.demo.all()?;
        let one = made.get(place);
        let one = one.ok_or_else(|| Fault::not_found("There is no such recording."))?;
        Ok(sounding_view::sound(&one.1, &headers))
    })
    .await
}

/// Whose.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub(super) struct Whose {
    trainee: String,
}

/// The record of training of one trainee, to print.
pub(super) async fn training(
    State(page): State<Arc<Page>>,
    Query(whose): Query<Whose>,
) -> Result<Response, Fault> {
    apart(&page, move |page| {
        let kept = kept_ear_tests(&page.store()?, Some(whose.trainee.trim()))?;
        let paper = training_paper(&kept, &now());
        let none = || Fault::not_found("No ear test of this trainee is kept.");
        Ok(sounding_view::paper_page(&paper.ok_or_else(none)?))
    })
    .await
}

/// Who listens to how many sounds.
#[derive(Debug, Deserialize)]
pub(super) struct Begin {
    trainee: String,
    trials: u32,
}

/// Begins a round.
pub(super) async fn begin(
    State(page): State<Arc<Page>>,
    Form(form): Form<Begin>,
) -> Result<Redirect, Fault> {
    apart(&page, move |page| {
        let before = kept_ear_tests(&page.store()?, Some(form.trainee.trim()))?;
        let last = before.iter().map(|k| k.record.round).max().unwrap_or(0);
        let seed = jiff::Timestamp::now().as_nanosecond() as u64;
        let rate = SampleRate::new(RATE_HZ).map_err(|e| Fault::failed(e.to_string()))?;
        let test = EarTest::new(&form.trainee, last + 1, seed, form.trials, rate);
        let test = test.map_err(|e| Fault::refused(e.to_string()))?;
        Ok(Redirect::to(&format!(
            "/teach/ear/{}",
            page.ears.begin(test)
        )))
    })
    .await
}

/// The test.
pub(super) async fn ear(
    State(page): State<Arc<Page>>,
    Path(test): Path<u64>,
) -> Result<Markup, Fault> {
    let (trainee, (number, of)) = page
        .ears
        .with(test, |t| (t.trainee().to_owned(), t.place()))?;
    let main = html! {
        h1 { "Ear test of " (trainee) }
        p.small { "Made-up sound, blind: half of the wheels are damaged. Nothing plays by itself. " (EAR_NOTE) }
        div #test .bench data-test=(test) {
            p.order { "Sound " span #place { (number) } " of " (of) }
            audio #sound preload="none" src={ "/teach/ear/" (test) "/sound.wav?n=" (number) } {}
            div.ear {
                button.key #play type="button" { kbd { "p" } span { "Play" } }
                button.key type="button" data-said="ring" disabled { kbd { "r" } span { "It rang" } }
                button.key type="button" data-said="thud" disabled { kbd { "t" } span { "A thud" } }
                button.key type="button" data-said="unsure" disabled { kbd { "u" } span { "Not sure" } }
            }
            p #told role="status" aria-live="polite" { "Play the sound first." }
            pre #result hidden {}
            div.row {
                button #stop type="button" { "Stop here, and keep what was answered" }
                a.button href="/teach" { "Back" }
            }
        }
    };
    Ok(framed("Ear test", Nav::Teach, &main, &["ear.js"]))
}

/// The present sound.
pub(super) async fn sound(
    State(page): State<Arc<Page>>,
    Path(test): Path<u64>,
    headers: HeaderMap,
) -> Result<Response, Fault> {
    apart(&page, move |page| {
        let wav = page.ears.with(test, EarTest::wav)?;
        let wav = wav.map_err(|e| Fault::failed(e.to_string()))?;
        let wav = wav.ok_or_else(|| Fault::not_found("The round is over."))?;
        Ok(sounding_view::sound(&wav, &headers))
    })
    .await
}

/// It was played.
pub(super) async fn played(State(page): State<Arc<Page>>, Path(test): Path<u64>) -> Response {
    match page.ears.with(test, EarTest::played) {
        Ok(()) => DONE.into_response(),
        Err(fault) => refusal(&fault),
    }
}

/// What was said of it: `ring`, `thud` or `unsure`; `stop` ends the round.
#[derive(Debug, Deserialize)]
pub(super) struct Said {
    said: String,
}

/// Takes an answer; at the end the round is kept and its result told.
pub(super) async fn answer(
    State(page): State<Arc<Page>>,
    Path(test): Path<u64>,
    Json(said): Json<Said>,
) -> Response {
    let done = apart(&page, move |page| {
        if said.said != "stop" {
            let unknown = || Fault::refused("write ring, thud or unsure");
            let heard = Heard::parse(&said.said).ok_or_else(unknown)?;
            if !page.ears.with(test, |t| t.was_played())? {
                return Err(Fault::refused("play the sound first"));
            }
            page.ears.with(test, |t| t.answer(heard))?;
        }
        let (is_over, place) = page.ears.with(test, |t| (t.is_over(), t.place()))?;
        if !is_over && said.said != "stop" {
            return Ok(serde_json::json!({ "place": place.0, "over": false }));
        }
        let record = page.ears.with(test, |t| t.record())?;
        keep_ear_test(&mut page.store()?, &record, &now())?;
        page.ears.end(test);
        Ok(serde_json::json!({ "over": true, "text": ear_round_text(&record) }))
    });
    match done.await {
        Ok(told) => Json(told).into_response(),
        Err(fault) => refusal(&fault),
    }
}
