//! `fourtap lot` from outside.

use std::path::Path;
use std::process::{Command, Output};

use fourtap::record::lot_plan::{CAUTION, LotPlanRecord};

fn lot(store: &Path, args: &[&str]) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_fourtap"));
    command.arg("--store").arg(store).arg("lot").args(args);
    command.output().unwrap()
}

#[test]
fn a_plan_says_on_every_line_what_sampling_is_not() {
    let folder = tempfile::tempdir().unwrap();
    let out = lot(folder.path(), &["plan", "200", "--aql", "1.0"]);
    let text = String::from_utf8(out.stdout).unwrap();
    assert!(out.status.success());
    let lines: Vec<&str> = text.lines().collect();
    assert!(lines.len() > 10);
    for pair in lines.chunks(2) {
        assert!(pair.len() == 2 && pair[1].contains(CAUTION), "{pair:?}");
    }
    assert!(text.contains("Draw 50 wheels") && text.contains("at most 1 bad, reject with 2"));
    let out = lot(
        folder.path(),
        &[
            "plan",
            "1000",
            "--aql",
            "1",
            "--inspection",
            "reduced",
            "--json",
        ],
    );
    let plan: LotPlanRecord = serde_json::from_slice(&out.stdout).unwrap();
    // MIL-STD-105E, letter J, reduced, AQL 1.0: 32, 1, 3.
    assert_eq!((plan.sample, plan.accept, plan.reject), (32, 1, 3));
    assert_eq!(plan.caution, CAUTION);
    // scipy.stats.hypergeom(1000, 50, 32).cdf(2)
    let c = plan.characteristic.iter().find(|c| c.bad == 50).unwrap();
    assert!((c.accepted - 0.788_077).abs() < 1e-6, "{}", c.accepted);
    for args in [
        &["plan", "1"][..],
        &["plan", "50", "--aql", "3"],
        &["plan", "50", "--level", "IV"],
        &["plan", "50", "--inspection", "lax"],
    ] {
        assert_eq!(lot(folder.path(), args).status.code(), Some(2), "{args:?}");
    }
}
