//! The text of a sampling plan.

use crate::record::lot_plan::LotPlanRecord;

/// The plan in lines; each says that sampling replaces no ring test.
pub fn lot_plan_text(plan: &LotPlanRecord) -> String {
    plan_lines(plan)
        .into_iter()
        .map(|line| format!("{line}\n    ({})\n", plan.caution))
        .collect()
}

/// What the plan says, without the caution.
pub fn plan_lines(plan: &LotPlanRecord) -> Vec<String> {
    let mut lines = vec![
        format!(
            "Lot of {}, level {}, AQL {} %, {} inspection: letter {}, plan {}.",
            plan.lot_size,
            plan.level,
            plan.aql,
            plan.inspection,
            plan.code_letter,
            plan.plan_letter
        ),
        if plan.sample >= plan.lot_size {
            format!("Sound all {} wheels.", plan.lot_size)
        } else {
            format!("Draw {} wheels at random and sound them.", plan.sample)
        },
        format!(
            "Accept with at most {} bad, reject with {} or more.",
            plan.accept, plan.reject
        ),
    ];
    if plan.reject > plan.accept + 1 {
        lines.push("Between the two: accept, and inspect the next lot normally.".to_owned());
    }
    lines.push("A wheel that does not read clear never counts as good.".to_owned());
    let accepted: Vec<String> = plan
        .characteristic
        .iter()
        .map(|c| format!("{} bad: {}", c.bad, percent(c.accepted)))
        .collect();
    if !accepted.is_empty() {
        lines.push(format!(
            "How often a lot is accepted, by its bad wheels: {}.",
            accepted.join(", ")
        ));
    }
    if let Some((p95, p50, p10)) = plan.accepted_percent {
        lines.push(format!(
            "Of a large supply with {p95:.2} % bad wheels 95 % of lots are accepted, with {p50:.2} % half of them, with {p10:.2} % still 10 %."
        ));
    }
    lines.extend(plan.switching.iter().map(|w| format!("Switch {w}.")));
    lines.push(format!("From {}.", plan.source));
    lines
}

/// A chance in percent that never rounds to a certainty it is not.
pub fn percent(share: f64) -> String {
    let p = 100.0 * share;
    if p >= 99.95 && share < 1.0 - 1e-9 {
        "over 99.9 %".to_owned()
    } else if p < 0.05 && share > 1e-12 {
        "under 0.1 %".to_owned()
    } else {
        format!("{p:.1} %")
    }
}
