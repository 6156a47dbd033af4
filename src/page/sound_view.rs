//! Sounding a wheel: what is asked first, and the large view while it is taken.

use std::convert::Infallible;
use std::path::Path;
use std::sync::Arc;

use axum::extract::{Form, Json, Query, State};
use axum::http::StatusCode;
use axum::response::sse::{Event, KeepAlive, Sse};
use axum::response::{IntoResponse as _, Redirect, Response};
use maud::{Markup, html};
use serde::Deserialize;
use tokio_stream::wrappers::WatchStream;
use tokio_stream::{Stream, StreamExt as _};

use crate::page::bench::Begin;
use crate::page::fault::Fault;
use crate::page::form::filled;
use crate::page::frame::{Nav, encoded, framed, outcome_mark, time, wheel_link};
use crate::page::state::{Page, apart};
use crate::page::wheel_view::facts;
use crate::page::words::{capital, temp_words};
use crate::reading::turn_plan::TurnPlan;
use crate::record::wheel::WheelRecord;
use crate::store::Store;
use crate::store::settings::SaidTemperature;
use crate::tasks::broken_off::left_behind;
use crate::tasks::clock::{is_within, now};
use crate::tasks::keep_wheels::show_wheel;
use crate::tasks::ready_to_sound::{READY, misfit, ready_questions, ready_to_sound};
use crate::tasks::take_sounding::Word;

/// What was said of the temperature holds for so many seconds, a working day.
const TEMPERATURE_HOLDS_S: i64 = 12 * 3600;

/// Which wheel is to be sounded, on which grinder.
#[derive(Debug, Deserialize)]
pub(super) struct Wanted {
    #[serde(default)]
    wheel: String,
    #[serde(default)]
    grinder: String,
}

/// What is asked before the first tap. A wheel that is not known is to be added first.
pub(super) async fn prepare(
    State(page): State<Arc<Page>>,
    Query(wanted): Query<Wanted>,
) -> Result<Response, Fault> {
    let id = wanted.wheel.trim().to_owned();
    apart(&page, move |page| {
        let store = page.store()?;
        let Some(wheel) = store.wheel(&id)? else {
            let to = format!("/wheels/new?id={}&then=sound", encoded(&id));
            return Ok(Redirect::to(&to).into_response());
        };
        let main = prepared(page, &store, &wheel, wanted.grinder.trim())?;
        Ok(framed("Before the first tap", Nav::Sound, &main, &["upload.js"]).into_response())
    })
    .await
}

fn prepared(
    page: &Page,
    store: &Store,
    wheel: &WheelRecord,
    grinder: &str,
) -> Result<Markup, Fault> {
    let shown = show_wheel(store, &wheel.id).map_err(|e| Fault::failed(e.to_string()))?;
    let ready = ready_to_sound(Some(store), Some(&wheel.id), &[]);
    let ready = ready.map_err(|e| Fault::failed(e.to_string()))?;
    let misfit = if grinder.is_empty() {
        Vec::new()
    } else {
        misfit(store, &wheel.id, grinder)?
    };
    let grinders: Vec<_> = store
        .grinders()?
        .into_iter()
        .filter(|g| g.retired_at.is_none())
        .collect();
    let temp = store
        .remembered_temperature()
        .filter(|s| is_within(&s.at, TEMPERATURE_HOLDS_S))
        .and_then(|s| s.temp_c);
    let against = format!("DOES NOT FIT {grinder}: ");
    let is_compared = ready.behind.baseline.is_some();
    Ok(html! {
        p.crumbs { a href="/" { "Sound a wheel" } " / " (wheel_link(&wheel.id)) }
        h1 { "Wheel " (wheel.id) }
        @if !misfit.is_empty() {
            div.notice.dead role="alert" {
                p.huge { "DOES NOT FIT " (grinder) }
                ul { @for words in &misfit { li { (capital(words.strip_prefix(&against).unwrap_or(words))) } } }
            }
        }
        (facts(wheel, store.shown_units()))
        @for words in &ready.words { p.notice { (capital(words)) "." } }
        @if is_compared {
            p { "Its taps are held against a baseline." }
        }
        @if let Some(last) = shown.soundings.last() {
            p { "Last sounding: " (outcome_mark(&last.record.outcome)) " " (time(&last.at)) " "
                a href={ "/soundings/" (last.number) } { "look at it" } }
        }
        form.panel method="get" action="/sound/prepare" {
            input type="hidden" name="wheel" value=(wheel.id);
            label for="on" { "On which grinder will it go?" }
            div.row {
                select #on name="grinder" {
                    option value="" selected[grinder.is_empty()] { "not said" }
                    @for g in &grinders {
                        option value=(g.id) selected[g.id.eq_ignore_ascii_case(grinder)] { (g.id) ", " (g.kind) }
                    }
                }
                button type="submit" { "Does it fit?" }
            }
            @if !grinder.is_empty() && misfit.is_empty() {
                p { "No figure speaks against " (grinder) ". "
                    a href={ "/fit?wheel=" (encoded(&wheel.id)) "&grinder=" (encoded(grinder)) } { "All rules, and what the eye answers" } }
            }
        }
        form.panel method="post" action="/sound/begin" {
            input type="hidden" name="wheel" value=(wheel.id);
            input type="hidden" name="grinder" value=(grinder);
            fieldset {
                legend { "Answer by eye, before any tap" }
                div.questions { @for q in ready_questions() {
                    fieldset.question {
                        legend { (q.question) }
                        @for (value, words) in [("yes", "yes"), ("no", "no"), ("", "not answered")] {
                            label.choice {
                                input type="radio" name=(q.key) value=(value) checked[value.is_empty()];
                                span { (words) }
                            }
                        }
                    }
                } }
            }
            div.fields {
                div {
                    label for="by" { "Who sounds it" }
                    input #by name="by" value=(page.by().unwrap_or_default()) autocomplete="name" maxlength="80";
                }
                div {
                    label for="temp" { "How warm is it here?" }
                    input #temp name="temp" value=(temp.map_or(String::new(), |t| temp_words(t, store.shown_units())))
                        placeholder="21 C or 70 F" autocomplete="off";
                }
                div {
                    label for="plan" { "Turn plan" }
                    (plan_choice("plan", TurnPlan::default()))
                }
                div {
                    label for="ear" { "The ear is asked" }
                    select #ear name="ear" {
                        option value="each" { "after each tap" }
                        option value="after" { "after the last tap" }
                    }
                }
            }
            p.small { "Hold the wheel free on a finger or a wooden pin, mark at the top. Tap with a non-metallic handle near the rim, where the page shows it. The ear comes first: the reading of a tap is shown after your own word." }
            button.main type="submit" { "Begin with the microphone" }
        }
        details.panel {
            summary { "Or read a recording" }
            (upload_form(&wheel.id))
        }
    })
}

/// A choice of turn plans.
pub(super) fn plan_choice(name: &str, chosen: TurnPlan) -> Markup {
    let about = |plan: TurnPlan| match plan {
        TurnPlan::Rule => "rule: two taps, turn 45°, two taps",
        TurnPlan::Quarter => "quarter: a tap each 90°",
        TurnPlan::Spread => "spread: a tap each 112.5°",
    };
    html! {
        select id=(name) name=(name) {
            @for plan in TurnPlan::ALL {
                option value=(plan.name()) selected[plan == chosen] { (about(plan)) }
            }
        }
    }
}

/// Where a recording is dropped.
fn upload_form(wheel: &str) -> Markup {
    html! {
        form.upload data-upload="/recordings" data-wheel=(wheel) {
            div.drop {
                label for="file" { "Drop a recording of all taps here, or choose one" }
                input #file type="file" required
                    accept="audio/*,.wav,.flac,.ogg,.mp3,.m4a,.aac,.caf,.aiff,.mkv,.webm";
            }
            div.fields {
                div { label for="file-plan" { "Turn plan" } (plan_choice("file-plan", TurnPlan::default())) }
                div {
                    label for="file-heard" { "What the ear heard, tap by tap" }
                    input #file-heard name="heard" placeholder="ring, ring, thud, ring" autocomplete="off";
                }
            }
            button type="submit" { "Read and keep it" }
            p.status role="status" aria-live="polite" {}
        }
    }
}

/// What the form before the first tap says.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub(super) struct BeginForm {
    wheel: String,
    grinder: String,
    power: String,
    seen: String,
    dry: String,
    by: String,
    temp: String,
    plan: String,
    ear: String,
}

/// Begins.
pub(super) async fn begin(
    State(page): State<Arc<Page>>,
    Form(form): Form<BeginForm>,
) -> Result<Redirect, Fault> {
    apart(&page, move |page| {
        let store = page.store()?;
        let id = form.wheel.trim();
        let missing = || Fault::not_found(format!("there is no wheel \"{id}\""));
        let wheel = store.wheel(id)?.ok_or_else(missing)?;
        let temp = form.temp.trim();
        let temp_c = match temp {
            "" => None,
            written => Some(
                crate::units::parse_temp_c(written).map_err(|e| Fault::refused(e.to_string()))?,
            ),
        };
        let _ = store.remember_temperature(SaidTemperature { temp_c, at: now() });
        let answer = |key: &str| match (key, &form) {
            ("power", f) => f.power.clone(),
            ("seen", f) => f.seen.clone(),
            (_, f) => f.dry.clone(),
        };
        let answers = READY.iter().filter_map(|key| match answer(key).as_str() {
            "yes" => Some(((*key).to_owned(), true)),
            "no" => Some(((*key).to_owned(), false)),
            _ => None,
        });
        let begin = Begin {
            wheel: Some(wheel.id),
            grinder: filled(&form.grinder).map(str::to_owned),
            answers: answers.collect(),
            turn_plan: plan_of(&form.plan)?,
            temp_c,
            is_ear_asked_afterwards: form.ear == "after",
            by: page.remember_by(&form.by),
            before: None,
        };
        page.bench.begin(store, begin)?;
        Ok(Redirect::to("/sound"))
    })
    .await
}

/// The turn plan of a name; an empty one is the usual.
///
/// # Errors
/// [`Fault`] for another name.
pub(super) fn plan_of(name: &str) -> Result<TurnPlan, Fault> {
    if name.is_empty() {
        return Ok(TurnPlan::default());
    }
    TurnPlan::parse(name).map_err(|e| Fault::refused(e.to_string()))
}

/// Which one is gone on with: the name of its log as the start shows it.
#[derive(Debug, Deserialize)]
pub(super) struct Resume {
    log: String,
}

/// Goes on with a sounding that was broken off.
pub(super) async fn resume(
    State(page): State<Arc<Page>>,
    Form(form): Form<Resume>,
) -> Result<Redirect, Fault> {
    apart(&page, move |page| {
        let store = page.store()?;
        let folder = store.folder().unwrap_or(Path::new(".")).join("takes");
        // Found among those that are there: the name of a request is never a path.
        let mut found = left_behind(&folder, false).broken_off.into_iter();
        let before = found.find(|b| b.log.file_name().is_some_and(|n| n == form.log.as_str()));
        let gone = || Fault::not_found("that sounding is not there any more");
        let before = before.ok_or_else(gone)?;
        let begin = Begin {
            wheel: before.wheel.clone(),
            by: page.by(),
            before: Some(before),
            ..Begin::default()
        };
        page.bench.begin(store, begin)?;
        Ok(Redirect::to("/sound"))
    })
    .await
}

/// The large view.
pub(super) async fn live() -> Markup {
    let main = html! {
        h1.visually-hidden { "Sounding" }
        div #bench .bench data-phase="idle" {
            div.bench-head {
                p #bench-wheel .bench-wheel {}
                p #bench-source .small {}
            }
            div.bench-body {
                div.bench-face {
                    svg #face viewBox="-130 -130 260 260" role="img" aria-labelledby="face-words" {}
                    p #face-words .visually-hidden {}
                }
                div.bench-say {
                    p #order .order role="status" aria-live="assertive" { "Nothing is being sounded." }
                    p #newest .newest {}
                    div #ear .ear hidden {
                        button.key type="button" data-word="ring" { kbd { "r" } span { "It rang" } }
                        button.key type="button" data-word="thud" { kbd { "t" } span { "A thud" } }
                        button.key type="button" data-word="unsure" { kbd { "u" } span { "Not sure" } }
                    }
                    ol #readings .readings aria-label="Readings" {}
                    div #end hidden {
                        p #outcome .outcome-large tabindex="-1" {}
                        p #summary .summary {}
                        ul #steps {}
                        p #kept .small {}
                        div #end-ways .row {}
                    }
                }
            }
            div #level .level {
                canvas #wave width="640" height="64" aria-hidden="true" {}
                p.level-words { "Level " span #level-words { "–" } }
                div #meter .bar role="meter" aria-valuemin="-80" aria-valuemax="0" aria-valuenow="-80" aria-label="Level in dB of full scale" { i {} b {} }
            }
            div #ways .row.ways {
                button type="button" data-word="again" { kbd { "x" } " Strike the last one again" }
                button type="button" data-word="no-tap" { kbd { "n" } " That was no tap" }
                button type="button" data-word="pause" { kbd { "p" } " Pause" }
                button type="button" data-word="retry" hidden { kbd { "Enter" } " Try the microphone again" }
                button type="button" data-word="microphone" hidden { kbd { "m" } " Next microphone" }
                button type="button" data-word="stop" { kbd { "q" } " Stop, and keep what is there" }
            }
            details.said { summary { "What was said" } ul #said {} }
            noscript { p.notice { "This view needs JavaScript. The command fourtap sound does the same in a terminal." } }
        }
    };
    framed("Sounding", Nav::Sound, &main, &["sound.js"])
}

/// A word of the person.
#[derive(Debug, Deserialize)]
pub(super) struct Said {
    word: String,
    #[serde(default)]
    spot: Option<usize>,
}

/// Hands a word on.
pub(super) async fn word(State(page): State<Arc<Page>>, Json(said): Json<Said>) -> StatusCode {
    use crate::reading::Heard;
    let word = match said.word.as_str() {
        "ring" => Word::Heard(Heard::Ring),
        "thud" => Word::Heard(Heard::Thud),
        "unsure" => Word::Heard(Heard::Unsure),
        "again" => Word::Redo(said.spot),
        "no-tap" => Word::NoTap,
        "pause" => Word::Pause,
        "stop" => Word::Stop,
        "retry" => Word::Retry,
        "microphone" => Word::Microphone(String::new()),
        _ => return StatusCode::UNPROCESSABLE_ENTITY,
    };
    if page.bench.say(word) {
        StatusCode::NO_CONTENT
    } else {
        StatusCode::CONFLICT
    }
}

/// What is to be seen, as it comes: `view` when something changed, `level` some 30 times a second
/// while sound comes in.
pub(super) async fn events(
    State(page): State<Arc<Page>>,
) -> Sse<impl Stream<Item = Result<Event, Infallible>>> {
    let views =
        WatchStream::new(page.bench.views()).map(|v| Event::default().event("view").data(&*v));
    let levels =
        WatchStream::new(page.bench.levels()).map(|l| Event::default().event("level").data(&*l));
    Sse::new(views.merge(levels).map(Ok)).keep_alive(KeepAlive::default())
}
