//! What remains to do on mounting a wheel, as a list to tick.

use crate::record::fit::FitRecord;
use crate::record::mounting::{FORMAT, MountingRecord, MountingStep, VERSION};
use crate::record::sounding::SoundingRecord;
use crate::store::{Store, StoreError};
use crate::tasks::wheel_states::{OpenDead, against_use, standing};

/// The steps: key, what to do, where it comes from.
pub const STEPS: [(&str, &str, &str); 8] = [
    (
        "power",
        "The grinder is cut off from its power until the guard is back on",
        "common practice",
    ),
    (
        "surfaces",
        "Spindle, flanges and the wheel's sides are clean, flat and free of burrs; the flanges match",
        "29 CFR 1910.215(c), (d)(3) and 1910.243(c)(5); (d)(3) from memory",
    ),
    (
        "blotters",
        "A blotter lies between each flange and the wheel where the wheel wants one",
        "29 CFR 1910.215(c)(6), number from memory; WAC 296-307-19012",
    ),
    (
        "free",
        "The wheel went on freely, and the nut is only as tight as it must be",
        "29 CFR 1910.243(c)(5) and 1926.303(c)(8)",
    ),
    (
        "guard",
        "The guard is back on, set and tight; on a bench grinder the work rest is within 1/8 in. and the tongue within 1/4 in.",
        "29 CFR 1910.215(a)(4), (b)(9), 1910.243(c)",
    ),
    (
        "turn",
        "The wheel turns by hand without touching anything",
        "common practice",
    ),
    (
        "protection",
        "Eyes and face are protected, and what else the work wants is on",
        "29 CFR 1926.303(c)(9)",
    ),
    (
        "run-up",
        "It ran up under the guard, nobody in its plane: 30 s hand-held, 1 min on a stationary machine, or as the maker says",
        "time: usual in European guidance, from memory; standing aside: OSHA training text",
    ),
];

/// The list for a wheel with these ticks, and what the store knows against mounting it. `at` is
/// RFC 3339.
///
/// # Errors
/// [`StoreError::NoWheel`] when the wheel is not there.
pub fn mounting(
    store: &Store,
    wheel: &str,
    grinder: Option<&str>,
    ticks: &[String],
    by: Option<&str>,
    at: &str,
) -> Result<MountingRecord, StoreError> {
    let missing = || StoreError::NoWheel {
        id: wheel.to_owned(),
    };
    let wheel = store.wheel(wheel)?.ok_or_else(missing)?;
    let mut against = Vec::new();
    against.extend(against_use(&wheel).map(str::to_owned));
    let standing = standing(store, &wheel)?;
    let drop = standing.drop.filter(|d| d.answer.is_none());
    against.extend(drop.map(|d| d.words()));
    let dead = standing.dead;
    against.extend(dead.as_ref().map(OpenDead::words));
    match store.all_kept::<SoundingRecord>(Some(&wheel.id))?.pop() {
        None => against.push("no sounding of it is kept".to_owned()),
        // Said already.
        Some(s) if dead.is_some_and(|d| d.number == s.number) => {}
        Some(s) if matches!(s.record.outcome.as_str(), "sounds dead" | "sound it again") => {
            against.push(format!(
                "its newest sounding ({}) reads \"{}\"",
                s.number, s.record.outcome
            ));
        }
        Some(_) => {}
    }
    let fits = store.all_kept::<FitRecord>(Some(&wheel.id))?;
    let on = |f: &FitRecord| {
        grinder.is_none_or(|g| {
            f.grinder
                .as_deref()
                .is_some_and(|k| k.eq_ignore_ascii_case(g))
        })
    };
    match fits.iter().rev().find(|f| on(&f.record)) {
        None => against.push("it was not held against this grinder: fourtap fit".to_owned()),
        Some(f) if f.record.result != "fits" => against.push(format!(
            "its newest fit (record {}) says \"{}\"",
            f.number, f.record.result
        )),
        Some(_) => {}
    }
    let is_ticked = |key: &str| ticks.iter().any(|t| t == key || t == "all");
    let steps = STEPS.iter().map(|(key, what, source)| MountingStep {
        key: (*key).to_owned(),
        what: (*what).to_owned(),
        source: (*source).to_owned(),
        ticked: is_ticked(key),
    });
    Ok(MountingRecord {
        format: FORMAT.to_owned(),
        version: VERSION,
        wheel: wheel.id.clone(),
        grinder: grinder.map(str::to_owned),
        at: at.to_owned(),
        by: by.map(str::to_owned),
        against,
        steps: steps.collect(),
    })
}

/// True for the key of a step, and for `all`.
pub fn is_step(key: &str) -> bool {
    key == "all" || STEPS.iter().any(|s| s.0 == key)
}
