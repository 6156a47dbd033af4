//! Specifications: the baselines of wheels of one marking, built from wheels known to be good.

use std::collections::BTreeMap;
use std::sync::Arc;

use axum::extract::{Form, State};
use axum::response::Redirect;
use maud::{Markup, html};

use crate::page::fault::Fault;
use crate::page::frame::{Nav, frame, outcome_mark, time, wheel_link};
use crate::page::state::{Page, apart};
use crate::reading::turn_plan::TurnPlan;
use crate::record::baseline::BaselineKind;
use crate::record::sounding::SoundingRecord;
use crate::record::wheel::WheelRecord;
use crate::tasks::build_baseline::{BuildOf, BuildSettings, BuildSounding, build_baseline};
use crate::tasks::clock::now;
use crate::tasks::reread_sounding::kept_sounds;

/// The list, each with the wheels that name it.
pub(super) async fn list(State(page): State<Arc<Page>>) -> Result<Markup, Fault> {
    apart(&page, |page| {
        let store = page.store()?;
        let mut named: BTreeMap<String, Vec<WheelRecord>> = BTreeMap::new();
        for wheel in store.wheels()? {
            if let Some(name) = wheel.specification.clone() {
                named.entry(name).or_default().push(wheel);
            }
        }
        let newest: BTreeMap<String, (u64, String)> = store
            .newest_outcomes()?
            .into_iter()
            .map(|(wheel, number, outcome)| (wheel.to_lowercase(), (number, outcome)))
            .collect();
        let mut shown = Vec::new();
        for (name, wheels) in named {
            let baseline = store.baseline(BaselineKind::Specification, &name)?;
            shown.push((name, wheels, baseline));
        }
        let main = html! {
            p.crumbs { a href="/lots" { "Lots" } " / specifications" }
            div.row.between {
                h1 { "Specifications" }
                a.button href="/baselines" { "All baselines" }
            }
            p { "What wheels of one marking, maker and size sound like when they are good. A wheel names its specification on its own view." }
            @if shown.is_empty() { p.notice { "No wheel names a specification yet." } }
            @for (name, wheels, baseline) in &shown {
                section.panel {
                    h2 { (name) }
                    @match baseline {
                        Some(b) => p { "Baseline version " (b.baseline_version) " of " (b.soundings.len()) " wheels, built " (time(&b.built_at)) "." },
                        None => p { "It has no baseline yet." },
                    }
                    details {
                        summary { "Build its baseline from wheels known to be good" }
                        form method="post" action="/specifications" {
                            input type="hidden" name="name" value=(name);
                            p.small { "Three wheels at least, better ten; the newest sounding of each is taken. Choose only wheels that are good beyond doubt. An older version stays." }
                            @for wheel in wheels {
                                @let found = newest.get(&wheel.id.to_lowercase());
                                @let rings = found.is_some_and(|f| f.1.starts_with("rings")) && wheel.state.is_usable();
                                label.tick.choice {
                                    input type="checkbox" name="sounding" value=(found.map_or(0, |f| f.0)) disabled[!rings];
                                    span { (wheel_link(&wheel.id)) " " @match found { Some(f) => (outcome_mark(&f.1)), None => "not sounded yet" } }
                                }
                            }
                            button type="submit" { "Build it" }
                        }
                    }
                }
            }
        };
        Ok(frame("Specifications", Nav::Lots, &main))
    })
    .await
}

/// Builds one from the soundings that are ticked.
pub(super) async fn build(
    State(page): State<Arc<Page>>,
    Form(fields): Form<Vec<(String, String)>>,
) -> Result<Redirect, Fault> {
    apart(&page, move |page| {
        let mut store = page.store()?;
        let name = fields.iter().find(|f| f.0 == "name").map(|f| f.1.clone());
        let name = name.ok_or_else(|| Fault::refused("say which specification"))?;
        let ticked = fields.iter().filter(|f| f.0 == "sounding");
        let mut soundings = Vec::new();
        let (mut plan, mut bond) = (TurnPlan::default(), None);
        for number in ticked.filter_map(|f| f.1.parse::<u64>().ok()) {
            let kept = store.kept::<SoundingRecord>(number)?;
            let wheel = match &kept.record.wheel {
                Some(id) => store.wheel(id)?,
                None => None,
            };
            let of_it = wheel.filter(|w| w.specification.as_deref() == Some(name.as_str()));
            let wheel = of_it.ok_or_else(|| {
                Fault::refused(format!(
                    "sounding {number} is of no wheel of this specification"
                ))
            })?;
            if *bond.get_or_insert(wheel.bond) != wheel.bond {
                return Err(Fault::refused("these wheels do not have one bond"));
            }
            plan = TurnPlan::parse(&kept.record.turn_plan).unwrap_or_default();
            soundings.push(BuildSounding {
                inputs: kept_sounds(&store, &kept).map_err(|e| Fault::refused(e.to_string()))?,
                wheel: Some(wheel.id),
                temp_c: kept.record.temp_c,
                ..BuildSounding::default()
            });
        }
        let bond = bond.ok_or_else(|| Fault::refused("choose wheels first"))?;
        let settings = BuildSettings {
            of: BuildOf::Specification { name, bond },
            turn_plan: plan,
            built_at: now(),
        };
        let built = build_baseline(&mut store, &soundings, &settings);
        built.map_err(|e| Fault::refused(e.to_string()))?;
        Ok(Redirect::to("/specifications"))
    })
    .await
}
