//! CSV tables that users write: which file is of which wheel, and studies of a gauge.
#![no_main]

use std::io::Write as _;

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| {
    let Some((first, rest)) = bytes.split_first() else {
        return;
    };
    let Ok(mut file) = tempfile::NamedTempFile::new() else {
        return;
    };
    if file.write_all(rest).is_err() {
        return;
    }
    if first % 2 == 0 {
        let _ = fourtap::tasks::wheels_table::read_table(file.path());
    } else {
        let _ = fourtap::tasks::study_gauge::study_gauge(file.path(), None);
    }
});
