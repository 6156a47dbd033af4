//! The report on a lot as a page to print, with its charts.

use crate::audio::folder::natural_order;
use crate::quality::lot_figures::individuals;
use crate::reading::Reading;
use crate::reading::matching::{Line, common_shift};
use crate::record::baseline::BaselineKind;
use crate::record::lot::{LotRecord, LotReportRecord, LotWheelRecord};
use crate::report::paper::{Block, Paper, Sheet};
use crate::report::picture::{
    ChartPoint, ControlChart, LotDistribution, PictureError, ToneAndMass, control_chart,
    lot_distribution, tone_and_mass,
};
use crate::report::text::CAUTIONS;
use crate::store::Store;
use crate::tasks::decide_lot::{ReportError, WIDEST_SHIFT, places_of};
use crate::tasks::report_lot::report_lot;

/// Lots of a specification that are charted, the newest ones.
const MOST_LOTS: usize = 20;
/// Wheels in the table of the page; the table of `--csv` has all.
const MOST_WHEELS: usize = 300;

/// A chart of a lot.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LotChart {
    /// Its short name, for addresses.
    pub name: &'static str,
    /// The drawing.
    pub svg: String,
    /// The same in words.
    pub alt: String,
}

/// The report with its charts.
///
/// # Errors
/// [`ReportError`].
pub fn lot_paper(store: &Store, lot: &str) -> Result<Paper, ReportError> {
    let report = report_lot(store, lot)?;
    let charts = lot_charts(store, &report)?;
    let mut blocks = vec![
        Block::Large(report.decision.to_uppercase()),
        Block::List(report.because.clone()),
        Block::Cautions(vec![capital(&report.caution)]),
        Block::Facts(facts(&report)),
    ];
    if !report.shifts.is_empty() {
        blocks.push(Block::Heading("The lot as a whole".to_owned()));
        blocks.push(shifts(&report));
        blocks.push(Block::Small(
            "Wheels that sound dead are left out here. The intervals hold together with 95 %."
                .to_owned(),
        ));
    }
    blocks.push(Block::Heading("Charts".to_owned()));
    blocks.extend(charts.into_iter().map(|c| Block::Chart {
        svg: c.svg,
        alt: c.alt,
    }));
    blocks.push(Block::Heading("Wheels".to_owned()));
    blocks.push(Block::Small(format!("Odd wheels: {}.", report.odd_rule)));
    blocks.push(wheels(&report));
    if report.wheels.len() > MOST_WHEELS {
        blocks.push(Block::Small(format!(
            "and {} more; fourtap lot report {lot} --csv FILE lists all",
            report.wheels.len() - MOST_WHEELS
        )));
    }
    blocks.push(Block::Cautions(
        CAUTIONS.iter().map(|c| (*c).to_owned()).collect(),
    ));
    Ok(Paper {
        title: format!("Lot {lot}"),
        sheet: Sheet::Page,
        blocks,
    })
}

/// The charts of a lot: its wheels by tone and by ring time, beside their specification, against
/// their mass where they were weighed, and the lots of the specification.
///
/// # Errors
/// [`ReportError`] when the store cannot be read. A chart that cannot be drawn is left out.
pub fn lot_charts(store: &Store, report: &LotReportRecord) -> Result<Vec<LotChart>, ReportError> {
    let lot = &report.lot.lot;
    let against = report.lot.specification.as_deref();
    let subject = match against {
        Some(name) => format!("lot {lot}, tones against the specification {name}"),
        None => format!("lot {lot}, tones against each other"),
    };
    let mut charts = Vec::new();
    let mut add = |name, svg: Result<String, PictureError>, alt: &str| {
        if let Ok(svg) = svg {
            let alt = alt.to_owned();
            charts.push(LotChart { name, svg, alt });
        }
    };
    let mut ordered: Vec<&LotWheelRecord> = report.wheels.iter().collect();
    ordered.sort_by(|a, b| natural_order(&a.wheel, &b.wheel));
    add(
        "tones",
        wheels_chart(
            "Wheels by tone",
            &subject,
            "tones, percent",
            &ordered,
            |w| w.tone_percent,
        ),
        "The wheels of the lot by their tones, one after the other, with limits",
    );
    let rings = format!("lot {lot}");
    add(
        "ring-times",
        wheels_chart(
            "Wheels by ring time",
            &rings,
            "ring time in s",
            &ordered,
            |w| w.ring_time_s,
        ),
        "The wheels of the lot by their ring times, one after the other, with limits",
    );
    let values: Vec<(f64, Reading)> = ordered
        .iter()
        .filter_map(|w| Some((w.tone_percent?, shape(&w.counts_as))))
        .collect();
    let baseline = baseline_tones(store, &report.lot)?;
    add(
        "distribution",
        lot_distribution(&LotDistribution {
            subject: &subject,
            figure: "tones, percent",
            lot: &values,
            baseline: &baseline,
        }),
        "The tones of the lot beside those of the wheels that the specification rests on",
    );
    let mut weighed = Vec::new();
    for wheel in &ordered {
        let mass_kg = store.wheel(&wheel.wheel)?.and_then(|w| w.label.mass_kg);
        if let (Some(mass_kg), Some(tone)) = (mass_kg, wheel.tone_percent) {
            weighed.push((mass_kg, tone, shape(&wheel.counts_as)));
        }
    }
    if !weighed.is_empty() {
        add(
            "mass",
            tone_and_mass(&ToneAndMass {
                subject: &subject,
                wheels: &weighed,
            }),
            "The tones of the lot against the mass of its wheels",
        );
    }
    let lots = lots_chart(store, report)?;
    if let Some(svg) = lots {
        add(
            "lots",
            svg,
            "The mean shift of the tones of the lots of this specification, with intervals",
        );
    }
    Ok(charts)
}

/// The shape of a wheel that counts as this.
fn shape(counts_as: &str) -> Reading {
    match counts_as {
        "good" => Reading::ClearRing,
        "bad" => Reading::DullThud,
        _ => Reading::Unclear,
    }
}

/// Limits rest on the wheels that are not bad.
fn wheels_chart(
    title: &str,
    subject: &str,
    figure: &str,
    wheels: &[&LotWheelRecord],
    value: impl Fn(&LotWheelRecord) -> Option<f64>,
) -> Result<String, PictureError> {
    let points: Vec<ChartPoint> = wheels
        .iter()
        .map(|w| ChartPoint {
            name: w.wheel.clone(),
            value: value(w),
            interval: None,
            reading: shape(&w.counts_as),
        })
        .collect();
    let kept: Vec<f64> = wheels
        .iter()
        .filter(|w| w.counts_as != "bad")
        .filter_map(|w| value(w))
        .collect();
    control_chart(&ControlChart {
        title,
        subject,
        figure,
        points: &points,
        order: "in the order of their names",
        limits: individuals(&kept),
    })
}

/// Tones of the wheels that the specification's baseline was built from, in percent.
fn baseline_tones(store: &Store, lot: &LotRecord) -> Result<Vec<f64>, ReportError> {
    let Some(name) = &lot.specification else {
        return Ok(Vec::new());
    };
    let baseline = store.baseline(BaselineKind::Specification, name)?;
    let Some((statistics, soundings)) = baseline.and_then(|b| Some((b.statistics?, b.soundings)))
    else {
        return Ok(Vec::new());
    };
    let places = places_of(&statistics);
    let tone = |modes: &[crate::record::sounding::ModeRecord]| {
        let lines: Vec<Line> = modes.iter().map(Line::from).collect();
        let found = common_shift(&lines, &places, WIDEST_SHIFT).filter(|s| !s.at_limit)?;
        Some(100.0 * found.shift.exp_m1())
    };
    Ok(soundings.iter().filter_map(|s| tone(&s.modes)).collect())
}

/// The lots of the specification, oldest first; none with fewer than two.
fn lots_chart(
    store: &Store,
    report: &LotReportRecord,
) -> Result<Option<Result<String, PictureError>>, ReportError> {
    let Some(name) = &report.lot.specification else {
        return Ok(None);
    };
    let mut lots: Vec<String> = Vec::new();
    for kept in store.all_kept::<LotRecord>(None)? {
        let lot = kept.record;
        if lot.specification.as_ref() == Some(name) {
            lots.retain(|l| *l != lot.lot);
            lots.push(lot.lot);
        }
    }
    let lots = &lots[lots.len().saturating_sub(MOST_LOTS)..];
    if lots.len() < 2 {
        return Ok(None);
    }
    let mut points = Vec::new();
    for lot in lots {
        let other = report_lot(store, lot)?;
        let tone = other.shifts.iter().find(|s| s.figure == "tone");
        points.push(ChartPoint {
            name: lot.clone(),
            value: tone.and_then(|t| t.percent),
            interval: tone.and_then(|t| t.interval),
            reading: match other.decision.as_str() {
                "accept" => Reading::ClearRing,
                "reject" => Reading::DullThud,
                _ => Reading::Unclear,
            },
        });
    }
    let means: Vec<f64> = points.iter().filter_map(|p| p.value).collect();
    let subject = format!("mean shift of the tones of each lot against {name}");
    Ok(Some(control_chart(&ControlChart {
        title: "Lots of the specification",
        subject: &subject,
        figure: "tones, percent",
        points: &points,
        order: "in the order they were added",
        limits: individuals(&means),
    })))
}

fn facts(report: &LotReportRecord) -> Vec<(String, String)> {
    let lot = &report.lot;
    let fact = |name: &str, value: String| (name.to_owned(), value);
    vec![
        fact("wheels in the lot", lot.lot_size.to_string()),
        fact("size", lot.size.clone()),
        fact("bond", lot.bond.clone()),
        fact(
            "specification",
            lot.specification
                .clone()
                .unwrap_or_else(|| "none".to_owned()),
        ),
        fact(
            "inspection",
            format!("level {}, AQL {} %, {}", lot.level, lot.aql, lot.inspection),
        ),
        fact("sample", report.sample.to_string()),
        fact("accept up to", format!("{} bad", report.accept)),
        fact("reject from", format!("{} bad", report.reject)),
        fact(
            "good, bad, unclear",
            format!("{}, {}, {}", report.good, report.bad, report.unclear),
        ),
        fact(
            "trouble beyond the sample",
            report.trouble_outside.to_string(),
        ),
    ]
}

fn shifts(report: &LotReportRecord) -> Block {
    let head = ["figure", "against", "shift", "interval", "spread", "wheels"];
    let rows = report.shifts.iter().map(|s| {
        vec![
            s.figure.clone(),
            s.against.clone(),
            s.percent.map_or("-".to_owned(), |p| format!("{p:+.2} %")),
            s.interval
                .map_or("-".to_owned(), |i| format!("{:+.2} to {:+.2} %", i.0, i.1)),
            format!("{:.2} %", s.spread_percent),
            s.wheels.to_string(),
        ]
    });
    Block::Table {
        head: head.map(str::to_owned).to_vec(),
        rows: rows.collect(),
    }
}

/// Those that are not good come first, as in the report.
fn wheels(report: &LotReportRecord) -> Block {
    let head = [
        "wheel",
        "sample",
        "counts as",
        "outcome",
        "tones",
        "rings",
        "because",
    ];
    let row = |w: &LotWheelRecord| {
        vec![
            w.wheel.clone(),
            if w.in_sample { "drawn" } else { "" }.to_owned(),
            w.counts_as.clone(),
            w.outcome.clone(),
            w.tone_percent
                .map_or("-".to_owned(), |t| format!("{t:+.2} %")),
            w.ring_time_s
                .map_or("-".to_owned(), |t| format!("{t:.2} s")),
            w.because.join("; "),
        ]
    };
    Block::Table {
        head: head.map(str::to_owned).to_vec(),
        rows: report.wheels.iter().take(MOST_WHEELS).map(row).collect(),
    }
}

fn capital(words: &str) -> String {
    let mut letters = words.chars();
    let first = letters.next().map(|c| c.to_uppercase().collect::<String>());
    format!("{}{}.", first.unwrap_or_default(), letters.as_str())
}
