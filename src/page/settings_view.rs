//! Settings: the microphone, the store, the clock.

use std::sync::Arc;

use axum::extract::{Form, State};
use axum::response::Redirect;
use maud::{Markup, html};
use serde::Deserialize;

use crate::page::fault::Fault;
use crate::page::frame::{Nav, frame};
use crate::page::state::{Page, apart};
use crate::store::settings::ShownUnits;
use crate::tasks::clock::now;

/// A microphone to choose from: name, and rate or what is wrong.
struct Choice {
    name: String,
    about: String,
    is_default: bool,
}

#[cfg(feature = "microphone")]
fn choices() -> Result<Vec<Choice>, String> {
    let devices = crate::audio::microphone::input_devices().map_err(|e| e.to_string())?;
    let choice = |d: crate::audio::microphone::InputDevice| Choice {
        about: match &d.config {
            Ok(c) => format!("{} Hz, {} channels, {}", c.rate_hz, c.channels, c.format),
            Err(why) => format!("cannot be used: {why}"),
        },
        name: d.name,
        is_default: d.is_default,
    };
    Ok(devices.into_iter().map(choice).collect())
}

#[cfg(not(feature = "microphone"))]
fn choices() -> Result<Vec<Choice>, String> {
    Err("this build has no microphones; recordings can be read".to_owned())
}

/// The view.
pub(super) async fn show(State(page): State<Arc<Page>>) -> Result<Markup, Fault> {
    apart(&page, |page| {
        let store = page.store()?;
        let remembered = store.remembered_microphone();
        let choices = choices();
        let units = store.shown_units();
        let main = html! {
            h1 { "Settings" }
            form.panel method="post" action="/settings" {
                fieldset {
                    legend { "Microphone of this machine" }
                    @match &choices {
                        Err(why) => p.notice { (why) },
                        Ok(choices) => {
                            @if choices.is_empty() { p.notice { "There is none: plug one in, or drop recordings on the page." } }
                            label.choice { input type="radio" name="microphone" value="" checked[remembered.is_none()]; span { "the system's default" } }
                            @for c in choices {
                                label.choice {
                                    input type="radio" name="microphone" value=(c.name) checked[remembered.as_ref() == Some(&c.name)];
                                    span { (c.name) @if c.is_default { " (default)" } br; span.small { (c.about) } }
                                }
                            }
                        }
                    }
                }
                fieldset {
                    legend { "Units that are shown" }
                    @for (value, words, is_set) in [("metric", "mm and °C", units == ShownUnits::Metric), ("inch", "inches and °F", units == ShownUnits::Inch)] {
                        label.choice { input type="radio" name="units" value=(value) checked[is_set]; span { (words) } }
                    }
                }
                button.main type="submit" { "Keep" }
            }
            section.panel {
                h2 { "What is where" }
                dl.facts {
                    div { dt { "Store" } dd { (page.folder.display()) } }
                    div { dt { "Program" } dd { "fourtap " (env!("CARGO_PKG_VERSION")) } }
                    div { dt { "Time of this machine" } dd { (now()) " UTC" } }
                }
                p.small { "Days are written year-month-day, times in UTC. Sizes are shown as they were written too." }
                p.small { "This page is served on this machine only and calls nothing outside." }
            }
        };
        Ok(frame("Settings", Nav::Settings, &main))
    })
    .await
}

/// What was chosen.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub(super) struct Chosen {
    microphone: String,
    units: String,
}

/// Remembers it.
pub(super) async fn change(
    State(page): State<Arc<Page>>,
    Form(chosen): Form<Chosen>,
) -> Result<Redirect, Fault> {
    apart(&page, move |page| {
        let name = chosen.microphone.trim();
        let store = page.store()?;
        store.show_units(if chosen.units == "inch" {
            ShownUnits::Inch
        } else {
            ShownUnits::Metric
        })?;
        if name.is_empty() {
            store.forget_microphone()?;
        } else {
            store.remember_microphone(name)?;
        }
        Ok(Redirect::to("/settings"))
    })
    .await
}
