//! Writes WAV files.
//!
//! The file appears under its name only when it is complete: it is written beside it under
//! another name and renamed.

use std::fs::File;
use std::io::BufWriter;
use std::path::{Path, PathBuf};

use hound::{SampleFormat, WavSpec, WavWriter};
use tempfile::NamedTempFile;

use super::AudioError;
use crate::units::SampleRate;

/// How samples are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SampleKind {
    /// 16-bit integer.
    Int16,
    /// 24-bit integer.
    Int24,
    /// 32-bit float.
    Float32,
}

impl SampleKind {
    fn bits(self) -> u16 {
        match self {
            Self::Int16 => 16,
            Self::Int24 => 24,
            Self::Float32 => 32,
        }
    }
}

/// What became of the samples.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Written {
    /// Frames in the file.
    pub frames: u64,
    /// Samples beyond full scale, written as full scale (integer kinds only).
    pub clipped: u64,
    /// Samples that were no numbers, written as 0.
    pub no_numbers: u64,
}

/// A WAV file in the making. Dropped before [`WavOut::finish`], it leaves nothing behind.
pub struct WavOut {
    path: PathBuf,
    name: String,
    kind: SampleKind,
    channels: u16,
    samples: u64,
    temporary: NamedTempFile,
    writer: WavWriter<BufWriter<File>>,
    written: Written,
}

impl std::fmt::Debug for WavOut {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("WavOut")
            .field("path", &self.path)
            .field("written", &self.written)
            .finish_non_exhaustive()
    }
}

/// Bytes of sound that fit into a WAV file, with room for its header.
const MOST_BYTES: u64 = 0xFFFF_FFFF - 4096;

impl WavOut {
    /// Begins a file. An older file of that name is replaced only by [`WavOut::finish`].
    ///
    /// # Errors
    /// [`AudioError`] for 0 channels or when the folder cannot be written to.
    pub fn create(
        path: &Path,
        rate: SampleRate,
        channels: u16,
        kind: SampleKind,
    ) -> Result<Self, AudioError> {
        let name = path.display().to_string();
        if channels == 0 {
            return Err(AudioError::new(
                &name,
                None,
                "a WAV file needs at least one channel",
                "give it a channel",
            ));
        }
        let folder = path
            .parent()
            .filter(|p| !p.as_os_str().is_empty())
            .unwrap_or(Path::new("."));
        let cannot = |e: String| cannot_write(&name, &e);
        let temporary = named_file(folder).map_err(|e| cannot(e.to_string()))?;
        let spec = WavSpec {
            channels,
            sample_rate: rate.get(),
            bits_per_sample: kind.bits(),
            sample_format: if kind == SampleKind::Float32 {
                SampleFormat::Float
            } else {
                SampleFormat::Int
            },
        };
        let file = temporary.reopen().map_err(|e| cannot(e.to_string()))?;
        let writer =
            WavWriter::new(BufWriter::new(file), spec).map_err(|e| cannot(e.to_string()))?;
        let written = Written {
            frames: 0,
            clipped: 0,
            no_numbers: 0,
        };
        Ok(Self {
            path: path.to_owned(),
            name,
            kind,
            channels,
            samples: 0,
            temporary,
            writer,
            written,
        })
    }

    /// Adds samples, channel after channel within a frame, full scale 1. Integer kinds round to
    /// the nearest step without dither.
    ///
    /// # Errors
    /// [`AudioError`] when the disk is full or the file would pass 4 GiB.
    pub fn write(&mut self, interleaved: &[f64]) -> Result<(), AudioError> {
        let bytes = (self.samples + interleaved.len() as u64) * u64::from(self.kind.bits() / 8);
        if bytes > MOST_BYTES {
            return Err(AudioError::new(
                &self.name,
                None,
                "a WAV file cannot be longer than 4 GiB",
                "write it in parts",
            ));
        }
        for &x in interleaved {
            self.write_one(x)
                .map_err(|e| cannot_write(&self.name, &e.to_string()))?;
        }
        self.samples += interleaved.len() as u64;
        Ok(())
    }

    fn write_one(&mut self, x: f64) -> hound::Result<()> {
        let x = if x.is_finite() {
            x
        } else {
            self.written.no_numbers += 1;
            0.0
        };
        if self.kind == SampleKind::Float32 {
            // Beyond the range of f32 the cast gives infinity, which no reader wants.
            return self
                .writer
                .write_sample(x.clamp(-f64::from(f32::MAX), f64::from(f32::MAX)) as f32);
        }
        let full = f64::from(1 << (self.kind.bits() - 1));
        let value = (x * full).round();
        if value < -full || value > full - 1.0 {
            self.written.clipped += 1;
        }
        self.writer
            .write_sample(value.clamp(-full, full - 1.0) as i32)
    }

    /// Completes the file and gives it its name.
    ///
    /// # Errors
    /// [`AudioError`] when the last frame lacks channels, or the file cannot be completed.
    pub fn finish(self) -> Result<Written, AudioError> {
        let Self {
            path,
            name,
            channels,
            samples,
            temporary,
            writer,
            mut written,
            ..
        } = self;
        if samples % u64::from(channels) != 0 {
            let what = "the last frame lacks samples of some channels";
            return Err(AudioError::new(&name, None, what, "write whole frames"));
        }
        written.frames = samples / u64::from(channels);
        writer
            .finalize()
            .map_err(|e| cannot_write(&name, &e.to_string()))?;
        temporary
            .as_file()
            .sync_all()
            .map_err(|e| cannot_write(&name, &e.to_string()))?;
        temporary
            .persist(&path)
            .map_err(|e| cannot_write(&name, &e.error.to_string()))?;
        Ok(written)
    }
}

/// Writes one channel as a WAV file.
///
/// # Errors
/// As [`WavOut::create`], [`WavOut::write`] and [`WavOut::finish`].
pub fn write_mono(
    path: &Path,
    rate: SampleRate,
    samples: &[f64],
    kind: SampleKind,
) -> Result<Written, AudioError> {
    let mut out = WavOut::create(path, rate, 1, kind)?;
    out.write(samples)?;
    out.finish()
}

fn cannot_write(name: &str, why: &str) -> AudioError {
    AudioError::new(
        name,
        None,
        format!("cannot be written: {why}"),
        "check that the folder is there and may be written to, and that the disk has room",
    )
}

/// A temporary file in `folder` with the permissions that a new file of the user would have.
fn named_file(folder: &Path) -> std::io::Result<NamedTempFile> {
    let mut builder = tempfile::Builder::new();
    builder.prefix(".fourtap-");
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        builder
            .permissions(std::fs::Permissions::from_mode(0o666))
            .tempfile_in(folder)
    }
    #[cfg(not(unix))]
    builder.tempfile_in(folder)
}
