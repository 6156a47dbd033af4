//! Headers of WAV, RF64 and BW64: the fuzzer writes what comes after the magic.
#![no_main]

use std::io::Cursor;
use std::sync::Once;

use fourtap::audio::{Recording, Source as _};

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| {
    // As in audio.rs: what a decoder of others panics at is caught and refused.
    static HOOK: Once = Once::new();
    HOOK.call_once(|| std::panic::set_hook(Box::new(|_| {})));
    let Some((first, rest)) = bytes.split_first() else {
        return;
    };
    let magic: &[u8] = match first % 3 {
        0 => b"RIFF",
        1 => b"RF64",
        _ => b"BW64",
    };
    let mut file = magic.to_vec();
    file.extend(rest.iter().take(4));
    file.resize(8, 0);
    file.extend(b"WAVE");
    file.extend(rest.iter().skip(4));
    let Ok(recording) = Recording::from_reader("any", Cursor::new(&file)) else {
        return;
    };
    let mut frames = 0usize;
    if let Ok(mut player) = recording.play(0) {
        while let Ok(Some(chunk)) = player.next_chunk() {
            assert!(chunk.samples.iter().all(|x| x.is_finite()));
            frames += chunk.samples.len();
        }
    }
    assert!(frames <= 4 * file.len(), "{frames} frames of {} bytes", file.len());
    let _ = &recording.damage;
});
