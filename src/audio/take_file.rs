//! Sound on its way in, written as it comes, so that a crash leaves a readable file.

use std::fs::File;
use std::io::BufWriter;
use std::path::{Path, PathBuf};

use hound::{SampleFormat, WavSpec, WavWriter};

use super::{AudioError, Chunk};
use crate::units::SampleRate;

/// Frames that fit into a WAV file of one channel with 4 bytes each, with room for its header.
const MOST_FRAMES: u64 = (0xFFFF_FFFF - 4096) / 4;

/// A WAV file of one channel (32-bit float, exact for what microphones deliver) whose header is
/// right after every second of sound.
pub struct TakeFile {
    path: PathBuf,
    writer: WavWriter<BufWriter<File>>,
    /// The same file, to wait for the disk.
    disk: File,
    rate: SampleRate,
    frames: u64,
    unsaved: u64,
}

impl std::fmt::Debug for TakeFile {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("TakeFile")
            .field("path", &self.path)
            .field("frames", &self.frames)
            .finish_non_exhaustive()
    }
}

impl TakeFile {
    /// Begins a file, which must not be there yet.
    ///
    /// # Errors
    /// [`AudioError`] when it is there or cannot be made.
    pub fn create(path: &Path, rate: SampleRate) -> Result<Self, AudioError> {
        let cannot = |e: String| cannot_write(path, &e);
        let file = File::create_new(path).map_err(|e| cannot(e.to_string()))?;
        let disk = file.try_clone().map_err(|e| cannot(e.to_string()))?;
        let spec = WavSpec {
            channels: 1,
            sample_rate: rate.get(),
            bits_per_sample: 32,
            sample_format: SampleFormat::Float,
        };
        let writer =
            WavWriter::new(BufWriter::new(file), spec).map_err(|e| cannot(e.to_string()))?;
        let mut take = Self {
            path: path.to_owned(),
            writer,
            disk,
            rate,
            frames: 0,
            unsaved: 0,
        };
        take.save()?;
        Ok(take)
    }

    /// Where it is.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Adds sound; frames that were lost are written as zeros, so that times stay right.
    ///
    /// # Errors
    /// [`AudioError`] when the disk is full or the file would pass 4 GiB (six hours at 48 kHz).
    /// What was written before stays readable.
    pub fn write(&mut self, chunk: &Chunk) -> Result<(), AudioError> {
        let more = chunk.lost_before + chunk.samples.len() as u64;
        if self.frames + more > MOST_FRAMES {
            let what = "a WAV file cannot be longer than 4 GiB";
            let name = self.path.display().to_string();
            return Err(AudioError::new(&name, None, what, "begin a new sounding"));
        }
        let lost = std::iter::repeat_n(0.0, usize::try_from(chunk.lost_before).unwrap_or(0));
        for x in lost.chain(chunk.samples.iter().copied()) {
            self.writer
                .write_sample(x as f32)
                .map_err(|e| cannot_write(&self.path, &e.to_string()))?;
        }
        self.frames += more;
        self.unsaved += more;
        if self.unsaved >= u64::from(self.rate.get()) {
            self.save()?;
        }
        Ok(())
    }

    /// Puts the header right and waits for the disk.
    fn save(&mut self) -> Result<(), AudioError> {
        self.unsaved = 0;
        let failed = |e: String| cannot_write(&self.path, &e);
        self.writer.flush().map_err(|e| failed(e.to_string()))?;
        self.disk.sync_data().map_err(|e| failed(e.to_string()))
    }

    /// Completes the file and gives its length in frames.
    ///
    /// # Errors
    /// [`AudioError`] when the disk fails.
    pub fn finish(mut self) -> Result<u64, AudioError> {
        self.save()?;
        let path = self.path;
        let ended = self.writer.finalize();
        ended.map_err(|e| cannot_write(&path, &e.to_string()))?;
        Ok(self.frames)
    }
}

fn cannot_write(path: &Path, why: &str) -> AudioError {
    AudioError::new(
        &path.display().to_string(),
        None,
        format!("cannot be written: {why}"),
        "check that the folder is there and may be written to, and that the disk has room",
    )
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::audio::{Input, Recording, Source};

    #[test]
    fn a_take_is_readable_while_it_is_being_written() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("take.wav");
        let rate = SampleRate::new(8_000).unwrap();
        let mut take = TakeFile::create(&path, rate).unwrap();
        assert!(TakeFile::create(&path, rate).is_err(), "never overwritten");
        let samples: Vec<f64> = (0..1_000).map(|i| f64::from(i) / 1_024.0).collect();
        for k in 0..20 {
            let chunk = Chunk {
                samples: samples.clone(),
                lost_before: if k == 1 { 500 } else { 0 },
            };
            take.write(&chunk).unwrap();
        }
        // As a crash would leave it: 20 500 frames went in, the last whole second is there.
        let recording = Recording::open(&Input::Path(path.clone())).unwrap();
        let frames = recording.frames.unwrap();
        assert!((12_500..=20_500).contains(&frames), "{frames}");
        let mut player = recording.play(0).unwrap();
        let mut read = Vec::new();
        while let Some(chunk) = player.next_chunk().unwrap() {
            read.extend(chunk.samples);
        }
        assert_eq!(read[..1_000], samples[..]);
        assert!(read[1_000..1_500].iter().all(|x| *x == 0.0));
        assert_eq!(read[1_500..2_500], samples[..]);
        assert_eq!(take.finish().unwrap(), 20_500);
        let whole = Recording::open(&Input::Path(path)).unwrap();
        assert_eq!((whole.frames, whole.damage.len()), (Some(20_500), 0));
    }
}
