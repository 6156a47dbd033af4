//! Streams the samples of a WAV file whose header was checked.

use std::fs::File;
use std::io::{self, BufReader, Read, Seek, SeekFrom};
use std::path::Path;

use super::wav_header::{SampleForm, WavHeader};
use super::{Block, MOST_FRAMES, zero_what_is_no_number};

/// Samples held at a time over all channels; bounds the memory for files of many channels.
const MOST_SAMPLES: usize = 1 << 20;

/// Reads plain samples piece by piece.
#[derive(Debug)]
pub(crate) struct WavReader {
    file: BufReader<File>,
    header: WavHeader,
    left: u64,
    bytes: Vec<u8>,
    no_numbers: u64,
    short: u64,
}

impl WavReader {
    /// Opens the file again at its samples.
    pub(crate) fn open(path: &Path, header: &WavHeader) -> io::Result<Self> {
        let mut file = BufReader::new(File::open(path)?);
        file.seek(SeekFrom::Start(header.data_start))?;
        Ok(Self {
            file,
            header: header.clone(),
            left: header.frames,
            bytes: Vec::new(),
            no_numbers: 0,
            short: 0,
        })
    }

    /// The next frames of all channels; none at the end.
    pub(crate) fn next_block(&mut self) -> io::Result<Option<Block>> {
        let channels = self.header.channels as usize;
        let most = MOST_FRAMES.min(MOST_SAMPLES / channels).max(1) as u64;
        let frames = self.left.min(most);
        if frames == 0 {
            return Ok(None);
        }
        let block = channels * self.header.sample_bytes as usize;
        let wanted = frames * block as u64;
        self.bytes.clear();
        self.file
            .by_ref()
            .take(wanted)
            .read_to_end(&mut self.bytes)?;
        let got = self.bytes.len() / block;
        if (got as u64) < frames {
            // The file became shorter since its header was read.
            self.short = self.left - got as u64;
            self.left = 0;
        } else {
            self.left -= frames;
        }
        if got == 0 {
            return Ok(None);
        }
        let mut interleaved = Vec::with_capacity(got * channels);
        decode(&self.bytes[..got * block], &self.header, &mut interleaved);
        self.no_numbers += zero_what_is_no_number(&mut interleaved);
        Ok(Some(Block {
            interleaved,
            lost_before: 0,
        }))
    }

    /// Samples up to now that were no numbers.
    pub(crate) fn no_numbers(&self) -> u64 {
        self.no_numbers
    }

    /// What was found wrong with the samples up to now.
    pub(crate) fn damage(&self) -> Vec<String> {
        let mut notes = Vec::new();
        if self.no_numbers > 0 {
            notes.push(format!(
                "{} samples are not numbers (NaN or infinity); taken as 0",
                self.no_numbers
            ));
        }
        if self.short > 0 {
            notes.push(format!(
                "the file became shorter while it was read: {} frames are gone",
                self.short
            ));
        }
        notes
    }
}

/// Turns bytes into samples of full scale 1.
fn decode(bytes: &[u8], header: &WavHeader, out: &mut Vec<f64>) {
    let n = header.sample_bytes as usize;
    let samples = bytes.chunks_exact(n);
    match (header.form, n) {
        (SampleForm::Unsigned8, _) => {
            out.extend(samples.map(|s| (f64::from(s[0]) - 128.0) / 128.0));
        }
        (SampleForm::Float, 8) => {
            out.extend(
                samples
                    .map(|s| f64::from_le_bytes([s[0], s[1], s[2], s[3], s[4], s[5], s[6], s[7]])),
            );
        }
        (SampleForm::Float, _) => {
            out.extend(samples.map(|s| f64::from(f32::from_le_bytes([s[0], s[1], s[2], s[3]]))));
        }
        (SampleForm::LowInteger, _) => {
            out.extend(samples.map(|s| top_scaled(&s[..3])));
        }
        (SampleForm::Integer, _) => out.extend(samples.map(top_scaled)),
    }
}

/// A signed little-endian number of up to 4 bytes, its top bit worth the full scale.
fn top_scaled(s: &[u8]) -> f64 {
    let mut wide = [0u8; 4];
    wide[4 - s.len()..].copy_from_slice(s);
    f64::from(i32::from_le_bytes(wide)) / 2_147_483_648.0
}
