//! Whatever bytes as a recording: opened, surveyed, played.
#![no_main]

use std::io::Cursor;
use std::sync::Once;

use fourtap::audio::{Recording, Source as _};

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| {
    // A panic within a decoder is caught and becomes a refusal (`audio/coded.rs`); the fuzzer's own
    // hook would end the run before. One that is not caught still ends it.
    static HOOK: Once = Once::new();
    HOOK.call_once(|| std::panic::set_hook(Box::new(|_| {})));
    let Ok(recording) = Recording::from_reader("any", Cursor::new(bytes)) else {
        return;
    };
    if let Ok(survey) = recording.survey() {
        assert!(survey.best < recording.channels);
    }
    let mut frames = 0usize;
    if let Ok(mut player) = recording.play(recording.channels - 1) {
        while let Ok(Some(chunk)) = player.next_chunk() {
            assert!(chunk.samples.iter().all(|x| x.is_finite()));
            frames += chunk.samples.len();
        }
    }
    // Sound does not come from nowhere: a byte holds at most a silent FLAC frame's share.
    assert!(frames <= 16_000 * (bytes.len() + 64), "{frames} frames");
});
