//! JSON: soundings, baselines, wheels, and exports that are brought into a store.
#![no_main]

use fourtap::reading::Damping;
use fourtap::record::baseline::BaselineRecord;
use fourtap::record::kinds::check_record;
use fourtap::record::live_log::LiveStep;
use fourtap::record::sounding::SoundingRecord;
use fourtap::record::wheel::WheelRecord;
use fourtap::store::Store;
use fourtap::store::carry_over::Import;
use fourtap::tasks::bring_records_in::{bring_in, read_export};

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| {
    let Some((first, rest)) = bytes.split_first() else {
        return;
    };
    let Ok(text) = std::str::from_utf8(rest) else {
        return;
    };
    match first % 5 {
        0 => {
            if let Ok(record) = serde_json::from_str::<SoundingRecord>(text) {
                let style = fourtap::report::text::TextStyle { colour: false, width: 80 };
                let _ = fourtap::report::text::sounding_text(&record, &style);
            }
        }
        1 => {
            if let Ok(record) = serde_json::from_str::<BaselineRecord>(text) {
                let _ = record.compared(Damping::Low);
            }
        }
        2 => {
            let _ = serde_json::from_str::<WheelRecord>(text);
            let _ = serde_json::from_str::<LiveStep>(text);
            let _ = check_record("fourtap.fit", text);
        }
        _ => {
            let Ok(parts) = read_export(text, "any") else {
                return;
            };
            let Ok(mut store) = Store::in_memory() else {
                return;
            };
            let import = Import {
                source: "any",
                by: None,
                at: "2026-01-02T03:04:05Z",
                is_part: first % 5 == 4,
            };
            if bring_in(&mut store, &parts, &import, None).is_ok() {
                let found = store.verify();
                assert!(found.is_ok_and(|f| f.wrong.is_none()));
            }
        }
    }
});
