//! One sounding with its pictures and sounds; two of them over each other; papers.

use std::sync::Arc;

use axum::extract::{Path, Query, State};
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{Html, IntoResponse as _, Response};
use maud::{Markup, html};
use serde::Deserialize;

use crate::page::fault::Fault;
use crate::page::frame::{Nav, frame, outcome_mark, reading_mark, time, wheel_link};
use crate::page::guard::PAPER_POLICY;
use crate::page::state::{Page, apart};
use crate::page::words::{capital, temp_words};
use crate::record::sounding::SoundingRecord;
use crate::report::paper;
use crate::report::picture::{Face, face_picture};
use crate::report::text::{next_steps, outcome_of};
use crate::store::records::Kept;
use crate::store::settings::ShownUnits;
use crate::tasks::build_baseline::behind_wheel;
use crate::tasks::draw_sounding::face_taps;
use crate::tasks::print_papers;
use crate::tasks::reread_sounding::reread;
use crate::tasks::show_sounding::{ShownSounding, overlay};

/// One sounding.
pub(super) async fn show(
    State(page): State<Arc<Page>>,
    Path(number): Path<u64>,
) -> Result<Markup, Fault> {
    apart(&page, move |page| {
        let store = page.store()?;
        let kept: Kept<SoundingRecord> = store.kept(number)?;
        let main = shown(&kept, store.shown_units());
        Ok(frame(&format!("Sounding {number}"), Nav::Records, &main))
    })
    .await
}

fn shown(kept: &Kept<SoundingRecord>, units: ShownUnits) -> Markup {
    let record = &kept.record;
    let number = kept.number;
    let steps = outcome_of(&record.outcome).map_or(&[][..], next_steps);
    let is_heard = record.taps.iter().any(|t| t.heard.is_some());
    let base = format!("/soundings/{number}");
    html! {
        p.crumbs { a href="/records" { "Records" } " / " "sounding " (number) }
        h1 { "Sounding " (number) @if let Some(id) = &record.wheel { " of wheel " (wheel_link(id)) } }
        p.outcome-large { (outcome_mark(&record.outcome)) }
        p.summary { (capital(&record.summary)) "." }
        @if !is_heard { p.notice { "No ear's word stands beside these readings." } }
        div.row {
            a.button href={ (base) "/sheet" } { "Sheet to print" }
            a.button href={ (base) "/reread" } { "Read it again" }
            @if record.outcome == "sounds dead" { a.button.dead href={ (base) "/tag" } { "Tag to print" } }
        }
        @if !steps.is_empty() {
            section { h2 { "What to do" } ul { @for step in steps { li { (step) } } } }
        }
        dl.facts {
            div { dt { "Kept" } dd { (time(&kept.at)) " UTC" } }
            div { dt { "By" } dd { (record.by.as_deref().unwrap_or("not said")) } }
            div { dt { "Footing" } dd { (record.footing) } }
            div { dt { "Turn plan" } dd { (record.turn_plan) } }
            div { dt { "Temperature" } dd { (record.temp_c.map_or("not known".to_owned(), |t| temp_words(t, units))) } }
            @for q in &record.ready { div { dt { (capital(&q.question)) } dd { (q.answer) } } }
        }
        section {
            h2 { "Taps" }
            div.taps {
                @for (k, tap) in record.taps.iter().enumerate() {
                    article.panel {
                        h3 { "Tap " (k + 1) @if let Some(deg) = tap.spot_deg { ", spot at " (format!("{deg:.0}")) "°" } }
                        p { (reading_mark(&tap.reading)) " " "the ear: " strong { (tap.heard.as_deref().unwrap_or("not asked")) } }
                        ul { @for reason in &tap.reasons { li { (reason) } } }
                        p { @match tap.ring_time_s {
                            Some(t) => { "Rings " strong { (format!("{t:.2} s")) } @if let Some(sd) = tap.ring_time_std_s { " ± " (format!("{sd:.3} s")) } }
                            None => { "No ring time." }
                        } }
                        audio controls preload="none" src={ (base) "/tap/" (k + 1) "/sound.wav" } aria-label={ "Tap " (k + 1) } {}
                        details {
                            summary { "Decay and spectrum over time" }
                            img loading="lazy" src={ (base) "/tap/" (k + 1) "/decay.svg" } alt={ "Decay of tap " (k + 1) " in bands; ring time " (tap.ring_time_s.map_or("none".to_owned(), |t| format!("{t:.2} s"))) };
                            img loading="lazy" src={ (base) "/tap/" (k + 1) "/over-time.svg" } alt={ "Spectrum over time of tap " (k + 1) };
                        }
                    }
                }
            }
        }
        section {
            h2 { "Pictures" }
            p.small { "Drawn from the kept sound, as the present method sees it." }
            img src={ (base) "/face.svg" } alt="The wheel's face with the tap spots; the taps above say the same";
            img loading="lazy" src={ (base) "/spectrum.svg" } alt=(spectrum_words(record));
            @for k in 0..record.files.len() {
                img loading="lazy" src={ (base) "/waveform/" (k + 1) ".svg" } alt={ "Waveform of recording " (k + 1) " with its taps" };
            }
        }
        @if !record.modes.is_empty() {
            section {
                h2 { "Tones of all taps together" }
                div.scroll tabindex="0" role="region" aria-label="Tones" {
                    table {
                        thead { tr { @for head in ["Hz", "± Hz", "rings s", "± s", "level dB"] { th.number scope="col" { (head) } } } }
                        tbody { @for m in &record.modes { tr {
                            td.number { (format!("{:.1}", m.freq_hz)) } td.number { (format!("{:.2}", m.freq_std_hz)) }
                            td.number { (format!("{:.3}", m.ring_time_s)) } td.number { (format!("{:.3}", m.ring_time_std_s)) }
                            td.number { (format!("{:.0}", m.level_db)) }
                        } } }
                    }
                }
            }
        }
        @if !record.evidence.is_empty() {
            section {
                h2 { "Evidence" }
                ul { @for e in &record.evidence { li { (crate::report::text::evidence_words(e)) } } }
            }
        }
        @if !record.warnings.is_empty() || !record.hints.is_empty() {
            section {
                h2 { "What else to know" }
                ul { @for w in record.warnings.iter().chain(&record.hints) { li { (w) } } }
            }
        }
        p.small { "Hash " code { (kept.hash) } "; " (record.made_by.program) " " (record.made_by.version) ", method " (record.made_by.method) "." }
    }
}

fn spectrum_words(record: &SoundingRecord) -> String {
    let tones: Vec<String> = record
        .modes
        .iter()
        .take(8)
        .map(|m| format!("{:.0} Hz", m.freq_hz))
        .collect();
    if tones.is_empty() {
        "Spectrum without tones".to_owned()
    } else {
        format!("Spectrum with the tones {}", tones.join(", "))
    }
}

async fn seen(page: &Arc<Page>, number: u64) -> Result<Arc<ShownSounding>, Fault> {
    apart(page, move |page| {
        let store = page.store()?;
        let kept = store.kept(number)?;
        page.cache.show(&store, &kept)
    })
    .await
}

/// A picture, which may do nothing but show itself.
///
/// # Errors
/// [`Fault`] when there is none.
pub(super) fn svg(picture: Option<String>) -> Result<Response, Fault> {
    let picture = picture.ok_or_else(|| Fault::not_found("There is no such picture."))?;
    let headers = [
        (header::CONTENT_TYPE, "image/svg+xml"),
        (header::CONTENT_SECURITY_POLICY, PAPER_POLICY),
    ];
    Ok((headers, picture).into_response())
}

/// The spectrum of a sounding.
pub(super) async fn spectrum(
    State(page): State<Arc<Page>>,
    Path(number): Path<u64>,
) -> Result<Response, Fault> {
    svg(seen(&page, number).await?.spectrum.clone())
}

/// The wheel's face as the record has it.
pub(super) async fn face(
    State(page): State<Arc<Page>>,
    Path(number): Path<u64>,
) -> Result<Response, Fault> {
    let kept: Kept<SoundingRecord> =
        apart(&page, move |page| Ok(page.store()?.kept(number)?)).await?;
    let record = &kept.record;
    let taps = face_taps(record);
    let of = record
        .wheel
        .as_ref()
        .map_or("a wheel without an id".to_owned(), |w| format!("wheel {w}"));
    let picture = face_picture(&Face {
        subject: &format!("Sounding {number}, {of}"),
        hole_share: None,
        taps: &taps,
    });
    svg(picture.ok())
}

/// The waveform of a recording, `1.svg` for the first.
pub(super) async fn waveform(
    State(page): State<Arc<Page>>,
    Path((number, file)): Path<(u64, String)>,
) -> Result<Response, Fault> {
    let k = file
        .strip_suffix(".svg")
        .and_then(|n| n.parse::<usize>().ok());
    let shown = seen(&page, number).await?;
    svg(k
        .and_then(|k| shown.waveforms.get(k.checked_sub(1)?))
        .cloned())
}

/// A picture or the sound of a tap.
pub(super) async fn tap(
    State(page): State<Arc<Page>>,
    Path((number, tap, what)): Path<(u64, usize, String)>,
    headers: HeaderMap,
) -> Result<Response, Fault> {
    let shown = seen(&page, number).await?;
    let none = || Fault::not_found("There is no such tap.");
    let tap = tap
        .checked_sub(1)
        .and_then(|k| shown.taps.get(k))
        .ok_or_else(none)?;
    match what.as_str() {
        "decay.svg" => svg(tap.decay.clone()),
        "over-time.svg" => svg(tap.over_time.clone()),
        "sound.wav" => Ok(sound(tap.wav.as_deref().ok_or_else(none)?, &headers)),
        _ => Err(none()),
    }
}

/// A sound, or the part of it that is asked for: players seek by ranges.
pub(super) fn sound(bytes: &[u8], headers: &HeaderMap) -> Response {
    let kind = (header::CONTENT_TYPE, "audio/wav".to_owned());
    let all = bytes.len();
    let range = headers.get(header::RANGE).and_then(|r| r.to_str().ok());
    let range = range.and_then(|r| r.strip_prefix("bytes=")?.split_once('-'));
    let Some((from, to)) = range else {
        let headers = [kind, (header::ACCEPT_RANGES, "bytes".to_owned())];
        return (headers, bytes.to_vec()).into_response();
    };
    let (from, to) = match (from.parse::<usize>(), to.parse::<usize>()) {
        (Ok(from), Ok(to)) => (from, to.saturating_add(1).min(all)),
        (Ok(from), Err(_)) => (from, all),
        // The last so many bytes.
        (Err(_), Ok(many)) => (all.saturating_sub(many), all),
        (Err(_), Err(_)) => (all, all),
    };
    let Some(part) = bytes.get(from..to).filter(|p| !p.is_empty()) else {
        let headers = [(header::CONTENT_RANGE, format!("bytes */{all}"))];
        return (StatusCode::RANGE_NOT_SATISFIABLE, headers).into_response();
    };
    let headers = [
        kind,
        (header::ACCEPT_RANGES, "bytes".to_owned()),
        (
            header::CONTENT_RANGE,
            format!("bytes {from}-{}/{all}", to - 1),
        ),
    ];
    (StatusCode::PARTIAL_CONTENT, headers, part.to_vec()).into_response()
}

/// A page to print, which may do nothing but show itself.
pub(super) fn paper_page(paper: &paper::Paper) -> Response {
    let headers = [(header::CONTENT_SECURITY_POLICY, PAPER_POLICY)];
    (headers, Html(paper::html(paper))).into_response()
}

/// The sheet of a sounding.
pub(super) async fn sheet(
    State(page): State<Arc<Page>>,
    Path(number): Path<u64>,
) -> Result<Response, Fault> {
    apart(&page, move |page| {
        let store = page.store()?;
        let paper = print_papers::sheet(&store, &store.kept(number)?);
        Ok(paper_page(
            &paper.map_err(|e| Fault::failed(e.to_string()))?,
        ))
    })
    .await
}

/// The tag of a wheel that sounds dead.
pub(super) async fn tag(
    State(page): State<Arc<Page>>,
    Path(number): Path<u64>,
) -> Result<Response, Fault> {
    apart(&page, move |page| {
        let paper = print_papers::tag(&page.store()?.kept(number)?);
        Ok(paper_page(
            &paper.map_err(|e| Fault::refused(e.to_string()))?,
        ))
    })
    .await
}

/// Reads a sounding again with the present method; nothing is rewritten.
pub(super) async fn again(
    State(page): State<Arc<Page>>,
    Path(number): Path<u64>,
) -> Result<Markup, Fault> {
    apart(&page, move |page| {
        let store = page.store()?;
        let kept: Kept<SoundingRecord> = store.kept(number)?;
        let behind = behind_wheel(Some(&store), kept.record.wheel.as_deref(), None);
        let behind = behind.map_err(|e| Fault::failed(e.to_string()))?;
        let again = reread(&store, &kept, behind.baseline, behind.at_best, behind.notes);
        let again = again.map_err(|e| Fault::not_found(e.to_string()))?;
        let main = html! {
            p.crumbs { a href="/records" { "Records" } " / " a href={ "/soundings/" (number) } { "sounding " (number) } " / read again" }
            h1 { "Sounding " (number) ", read again" }
            p { "Nothing was rewritten. It reads now: " (outcome_mark(&again.outcome_now)) }
            @if again.changes.is_empty() { p { "It reads as it read then." } } @else {
                div.scroll tabindex="0" role="region" aria-label="What changed" { table {
                    thead { tr { th scope="col" { "What" } th scope="col" { "Then" } th scope="col" { "Now" } } }
                    tbody { @for c in &again.changes { tr { th scope="row" { (c.what) } td { (c.then) } td { (c.now) } } } }
                } }
            }
            p.small { "Then: " (again.made_by_then.program) " " (again.made_by_then.version) ", method " (again.made_by_then.method) "; now: " (again.made_by_now.version) ", method " (again.made_by_now.method) "." }
        };
        Ok(frame("Read again", Nav::Records, &main))
    })
    .await
}

/// Two soundings.
#[derive(Debug, Deserialize)]
pub(super) struct Two {
    a: u64,
    b: u64,
}

/// Two soundings over each other.
pub(super) async fn compare(
    State(page): State<Arc<Page>>,
    Query(two): Query<Two>,
) -> Result<Markup, Fault> {
    apart(&page, move |page| {
        let store = page.store()?;
        let both: [Kept<SoundingRecord>; 2] = [store.kept(two.a)?, store.kept(two.b)?];
        let signs = ["line", "dashes"];
        let main = html! {
            h1 { "Two soundings over each other" }
            img src={ "/compare/overlay.svg?a=" (two.a) "&b=" (two.b) } alt={ "Spectra and decays of the soundings " (two.a) " and " (two.b) " over each other" };
            div.taps {
                @for (kept, sign) in both.iter().zip(signs) {
                    article.panel {
                        h2 { "Sounding " a href={ "/soundings/" (kept.number) } { (kept.number) } ", " (sign) }
                        p { (time(&kept.at)) @if let Some(id) = &kept.record.wheel { ", wheel " (wheel_link(id)) } }
                        p { (outcome_mark(&kept.record.outcome)) }
                        @for (k, tap) in kept.record.taps.iter().enumerate() {
                            p { "Tap " (k + 1) ": " (reading_mark(&tap.reading)) @if let Some(t) = tap.ring_time_s { ", " (format!("{t:.2} s")) } }
                            audio controls preload="none" src={ "/soundings/" (kept.number) "/tap/" (k + 1) "/sound.wav" } aria-label={ "Sounding " (kept.number) ", tap " (k + 1) } {}
                        }
                    }
                }
            }
        };
        Ok(frame("Two soundings", Nav::Records, &main))
    })
    .await
}

/// The picture of two.
pub(super) async fn overlay_svg(
    State(page): State<Arc<Page>>,
    Query(two): Query<Two>,
) -> Result<Response, Fault> {
    let (a, b) = (seen(&page, two.a).await?, seen(&page, two.b).await?);
    let names = (format!("sounding {}", two.a), format!("sounding {}", two.b));
    let picture = apart(&page, move |_| {
        Ok(overlay(&a, &b, (&names.0, &names.1)).ok())
    })
    .await?;
    svg(picture)
}
