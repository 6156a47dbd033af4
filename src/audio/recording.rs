//! Recordings as files or from standard input.

use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::SystemTime;

use tempfile::NamedTempFile;

use super::coded::CodedReader;
use super::mp4_boxes;
use super::survey::{Meters, Survey};
use super::wav_header::{self, HeaderFault, SampleForm, WavContent, WavHeader};
use super::wav_read::WavReader;
use super::{AudioError, Block, Chunk, MOST_FRAMES, Source};
use crate::units::SampleRate;

/// Most bytes taken from standard input or a pipe: some six hours of stereo at 96 kHz, 24 bits.
const MOST_SPOOLED_BYTES: u64 = 12 << 30;

/// Where a recording comes from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Input {
    /// A file (or a named pipe).
    Path(PathBuf),
    /// A file that goes by another name than its path: one that is kept under its hash, or that
    /// came in by the page.
    Named {
        /// Where it lies.
        path: PathBuf,
        /// What it is called, in records and errors.
        name: String,
    },
    /// Standard input, written `-` on the command line.
    StandardInput,
}

impl Input {
    /// Where it lies; none for standard input.
    pub fn path(&self) -> Option<&Path> {
        match self {
            Self::Path(path) | Self::Named { path, .. } => Some(path),
            Self::StandardInput => None,
        }
    }
}

/// A recording whose header was read and found good enough. Nothing is resampled or mixed.
#[derive(Debug, Clone)]
pub struct Recording {
    /// The path as given, or `standard input`.
    pub name: String,
    /// BLAKE3 of all bytes of the file, in hexadecimal.
    pub blake3: String,
    /// Container and coding, such as `WAV, 24-bit integer`.
    pub kind: String,
    /// True if the coding does not keep the samples as they were (MP3, AAC, Vorbis, ADPCM, ...).
    pub lossy: bool,
    /// Sample rate.
    pub rate: SampleRate,
    /// Channels, at least 1.
    pub channels: u32,
    /// Frames that are there (WAV) or announced (other kinds), where known.
    pub frames: Option<u64>,
    /// What was found wrong with the header.
    pub damage: Vec<String>,
    bytes: Bytes,
    wav: Option<WavHeader>,
    /// Length that a cut-off MP4 file announces.
    cut_from: Option<u64>,
    /// Length and time of change of a file before it was read; none of a stream.
    before: Option<(u64, Option<SystemTime>)>,
}

/// The place of a recording's bytes; a spooled one goes when nobody needs it any more.
#[derive(Debug, Clone)]
enum Bytes {
    File(PathBuf),
    Spooled(Arc<NamedTempFile>),
}

impl Bytes {
    fn path(&self) -> &Path {
        match self {
            Self::File(path) => path,
            Self::Spooled(file) => file.path(),
        }
    }
}

impl Recording {
    /// Opens a recording: reads all its bytes once for their hash, then the header.
    ///
    /// # Errors
    /// [`AudioError`] when it cannot be opened, is no sound, or is of a kind that is not read.
    pub fn open(input: &Input) -> Result<Self, AudioError> {
        let (path, name) = match input {
            Input::StandardInput => return Self::from_reader("standard input", io::stdin().lock()),
            Input::Path(path) => (path, path.display().to_string()),
            Input::Named { path, name } => (path, name.clone()),
        };
        let about = std::fs::metadata(path).map_err(|e| cannot_open(&name, &e))?;
        if about.is_dir() {
            return Err(AudioError::new(
                &name,
                None,
                "is a folder, not a recording",
                "name a recording in it",
            ));
        }
        let mut file = File::open(path).map_err(|e| cannot_open(&name, &e))?;
        if is_device(about.file_type()) {
            return Err(AudioError::new(
                &name,
                None,
                "is a device, not a recording",
                "name a recording; fourtap sound listens to microphones",
            ));
        }
        if !about.is_file() {
            return Self::from_reader(&name, file);
        }
        let mut hasher = blake3::Hasher::new();
        io::copy(&mut file, &mut hasher).map_err(|e| cannot_read(&name, &e))?;
        let mut recording = Self::inspect(
            name,
            hasher.finalize().to_hex().to_string(),
            Bytes::File(path.clone()),
        )?;
        recording.before = Some((about.len(), about.modified().ok()));
        Ok(recording)
    }

    /// True when the file is not the one any more that was opened: its length or its time of
    /// change differ, or it is gone. What was read of it belongs together only while it is false.
    pub fn has_changed(&self) -> bool {
        self.before.is_some_and(|before| {
            let now = std::fs::metadata(self.path());
            now.map_or(true, |now| (now.len(), now.modified().ok()) != before)
        })
    }

    /// Takes a recording from a stream by way of a temporary file, which is removed when the
    /// recording and all its players are gone.
    ///
    /// # Errors
    /// As [`Recording::open`]; also when the temporary file cannot be written.
    pub fn from_reader(name: &str, reader: impl Read) -> Result<Self, AudioError> {
        let spool = |e: io::Error| {
            AudioError::new(
                name,
                None,
                format!("cannot be kept in a temporary file: {e}"),
                "make room on the disk, or name the file itself",
            )
        };
        let mut file = NamedTempFile::new().map_err(spool)?;
        let mut hasher = blake3::Hasher::new();
        let mut reader = reader.take(MOST_SPOOLED_BYTES + 1);
        let mut buffer = vec![0u8; 1 << 16];
        let mut total = 0u64;
        loop {
            let n = match reader.read(&mut buffer) {
                Ok(0) => break,
                Ok(n) => n,
                Err(e) if e.kind() == io::ErrorKind::Interrupted => continue,
                Err(e) => return Err(cannot_read(name, &e)),
            };
            total += n as u64;
            hasher.update(&buffer[..n]);
            file.write_all(&buffer[..n]).map_err(spool)?;
        }
        if total > MOST_SPOOLED_BYTES {
            let what = format!("more than {} GiB came in", MOST_SPOOLED_BYTES >> 30);
            return Err(AudioError::new(
                name,
                None,
                what,
                "name the file itself, or cut it into parts",
            ));
        }
        file.flush().map_err(spool)?;
        let hash = hasher.finalize().to_hex().to_string();
        Self::inspect(name.to_owned(), hash, Bytes::Spooled(Arc::new(file)))
    }

    fn inspect(name: String, blake3: String, bytes: Bytes) -> Result<Self, AudioError> {
        let mut file = File::open(bytes.path()).map_err(|e| cannot_open(&name, &e))?;
        let length = file
            .seek(SeekFrom::End(0))
            .map_err(|e| cannot_read(&name, &e))?;
        file.seek(SeekFrom::Start(0))
            .map_err(|e| cannot_read(&name, &e))?;
        let mut head = Vec::new();
        Read::by_ref(&mut file)
            .take(4096)
            .read_to_end(&mut head)
            .map_err(|e| cannot_read(&name, &e))?;
        refuse_what_is_no_sound(&name, &head)?;
        if wav_header::begins_like_wav(&head) {
            let content =
                wav_header::read_header(&mut file, length).map_err(|f| header_fault(&name, f))?;
            match content {
                WavContent::Samples(header) => return Self::from_wav(name, blake3, bytes, header),
                WavContent::Compressed(tag) => refuse_tag(&name, tag)?,
            }
        }
        let mut damage = Vec::new();
        let cut_from = if mp4_boxes::begins_like_mp4(&head) {
            announced_mp4_end(&name, &mut file, length)?
        } else {
            None
        };
        if let Some(end) = cut_from {
            damage.push(format!(
                "cut off: the file announces {end} bytes, {length} are there"
            ));
        }
        let reader = CodedReader::open(bytes.path(), &name, cut_from)?;
        let info = reader.info().clone();
        Ok(Self {
            rate: checked_rate(&name, info.rate_hz, "sound track")?,
            name,
            blake3,
            kind: info.kind,
            lossy: info.lossy,
            channels: info.channels,
            frames: info.announced,
            damage,
            bytes,
            wav: None,
            cut_from,
            before: None,
        })
    }

    fn from_wav(
        name: String,
        blake3: String,
        bytes: Bytes,
        header: WavHeader,
    ) -> Result<Self, AudioError> {
        let rate = checked_rate(&name, header.rate_hz, "`fmt ` chunk")?;
        if header.frames == 0 {
            let place = Some(format!("byte {}", header.data_start));
            return Err(AudioError::new(
                &name,
                place,
                "the WAV file has no sound: not one frame after its header",
                "record it again",
            ));
        }
        let number = if header.form == SampleForm::Float {
            "float"
        } else {
            "integer"
        };
        Ok(Self {
            kind: format!("WAV, {}-bit {number}", header.bits),
            lossy: false,
            rate,
            channels: header.channels,
            frames: Some(header.frames),
            damage: header.damage.clone(),
            name,
            blake3,
            bytes,
            wav: Some(header),
            cut_from: None,
            before: None,
        })
    }

    /// Where its bytes are: the file itself, or the temporary file for standard input.
    pub fn path(&self) -> &Path {
        self.bytes.path()
    }

    /// Reads the recording once from end to end and finds the channel to listen to.
    ///
    /// # Errors
    /// [`AudioError`] when the file can no longer be read.
    pub fn survey(&self) -> Result<Survey, AudioError> {
        self.survey_with_progress(&mut |_| {})
    }

    /// As [`Recording::survey`], and tells after every stretch how much is done, from 0 to 1. Where
    /// the number of frames is not known, only the end is told.
    ///
    /// # Errors
    /// As [`Recording::survey`].
    pub fn survey_with_progress(
        &self,
        progress: &mut dyn FnMut(f64),
    ) -> Result<Survey, AudioError> {
        let mut frames = self.frames()?;
        let mut meters = Meters::new(self.rate.hz(), self.channels);
        let (mut count, mut lost) = (0u64, 0u64);
        while let Some(block) = frames.next_block(&self.name, self.rate, count)? {
            count += block.lost_before + (block.interleaved.len() / self.channels as usize) as u64;
            lost += block.lost_before;
            meters.take(&block.interleaved);
            if let Some(all) = self.frames.filter(|&all| count < all) {
                progress(count as f64 / all as f64);
            }
        }
        progress(1.0);
        let (channels, best, why) = meters.judge();
        let mut damage = self.damage.clone();
        damage.extend(frames.damage());
        Ok(Survey {
            frames: count,
            lost,
            no_numbers: frames.no_numbers(),
            best,
            why,
            channels,
            damage,
        })
    }

    /// Plays one channel, counted from 0.
    ///
    /// # Errors
    /// [`AudioError`] when there is no such channel or the file can no longer be read.
    pub fn play(&self, channel: u32) -> Result<Player, AudioError> {
        if channel >= self.channels {
            let what = format!(
                "there is no channel {}, it has {}",
                u64::from(channel) + 1,
                self.channels
            );
            let remedy = format!("choose a channel from 1 to {}", self.channels);
            return Err(AudioError::new(&self.name, None, what, remedy));
        }
        Ok(Player {
            frames: self.frames()?,
            name: self.name.clone(),
            rate: self.rate,
            channels: self.channels as usize,
            channel: channel as usize,
            position: 0,
            pending: Block::default(),
            taken: 0,
            header_damage: self.damage.clone(),
            _bytes: self.bytes.clone(),
        })
    }

    fn frames(&self) -> Result<Frames, AudioError> {
        match &self.wav {
            Some(header) => WavReader::open(self.path(), header)
                .map(Frames::Wav)
                .map_err(|e| cannot_open(&self.name, &e)),
            None => Ok(Frames::Coded(Box::new(CodedReader::open(
                self.path(),
                &self.name,
                self.cut_from,
            )?))),
        }
    }
}

/// Either reader.
#[derive(Debug)]
enum Frames {
    Wav(WavReader),
    Coded(Box<CodedReader>),
}

impl Frames {
    fn next_block(
        &mut self,
        name: &str,
        rate: SampleRate,
        at: u64,
    ) -> Result<Option<Block>, AudioError> {
        match self {
            Self::Coded(reader) => reader.next_block(),
            Self::Wav(reader) => reader.next_block().map_err(|e| {
                let place = Some(format!("at {:.3} s", at as f64 / rate.hz()));
                AudioError::new(
                    name,
                    place,
                    format!("reading failed: {e}"),
                    "check the disk or the connection and try again",
                )
            }),
        }
    }

    fn no_numbers(&self) -> u64 {
        match self {
            Self::Wav(reader) => reader.no_numbers(),
            Self::Coded(reader) => reader.no_numbers(),
        }
    }

    fn damage(&self) -> Vec<String> {
        match self {
            Self::Wav(reader) => reader.damage(),
            Self::Coded(reader) => reader.damage(),
        }
    }
}

/// One channel of a recording as a [`Source`].
#[derive(Debug)]
pub struct Player {
    frames: Frames,
    name: String,
    rate: SampleRate,
    channels: usize,
    channel: usize,
    position: u64,
    pending: Block,
    taken: usize,
    header_damage: Vec<String>,
    /// Keeps a spooled file alive.
    _bytes: Bytes,
}

impl Player {
    /// What was found wrong up to now, the header's faults first.
    pub fn damage(&self) -> Vec<String> {
        let mut damage = self.header_damage.clone();
        damage.extend(self.frames.damage());
        damage
    }
}

impl Source for Player {
    fn rate(&self) -> SampleRate {
        self.rate
    }

    fn next_chunk(&mut self) -> Result<Option<Chunk>, AudioError> {
        let mut lost_before = 0;
        if self.taken >= self.pending.interleaved.len() {
            let Some(block) = self
                .frames
                .next_block(&self.name, self.rate, self.position)?
            else {
                return Ok(None);
            };
            lost_before = block.lost_before;
            self.pending = block;
            self.taken = 0;
        }
        let rest = &self.pending.interleaved[self.taken..];
        let samples: Vec<f64> = rest
            .iter()
            .skip(self.channel)
            .step_by(self.channels)
            .take(MOST_FRAMES)
            .copied()
            .collect();
        self.taken += samples.len().max(1) * self.channels;
        self.position += lost_before + samples.len() as u64;
        Ok(Some(Chunk {
            samples,
            lost_before,
        }))
    }
}

/// True for what never ends, such as `/dev/zero`.
#[cfg(unix)]
fn is_device(kind: std::fs::FileType) -> bool {
    use std::os::unix::fs::FileTypeExt as _;
    kind.is_char_device() || kind.is_block_device()
}

#[cfg(not(unix))]
fn is_device(_: std::fs::FileType) -> bool {
    false
}

fn cannot_open(name: &str, e: &io::Error) -> AudioError {
    match e.kind() {
        io::ErrorKind::NotFound => AudioError::new(
            name,
            None,
            "there is no such file",
            "check the path and the spelling",
        ),
        io::ErrorKind::PermissionDenied => AudioError::new(
            name,
            None,
            "it may not be read",
            "ask for permission to read it",
        ),
        _ => AudioError::new(
            name,
            None,
            format!("cannot be opened: {e}"),
            "check the path",
        ),
    }
}

fn cannot_read(name: &str, e: &io::Error) -> AudioError {
    AudioError::new(
        name,
        None,
        format!("reading failed: {e}"),
        "check the disk or the connection and try again",
    )
}

fn header_fault(name: &str, fault: HeaderFault) -> AudioError {
    match fault {
        HeaderFault::Wrong { byte, what, remedy } => {
            AudioError::new(name, Some(format!("byte {byte}")), what, remedy)
        }
        HeaderFault::Io(e) => cannot_read(name, &e),
    }
}

fn checked_rate(name: &str, hz: u32, place: &str) -> Result<SampleRate, AudioError> {
    SampleRate::new(hz).map_err(|e| {
        AudioError::new(
            name,
            Some(place.to_owned()),
            e.to_string(),
            "record it at 44100 or 48000 Hz, or correct the header if it is wrong",
        )
    })
}

/// Tells the common wrong files apart by their first bytes, so that each gets its own remedy.
fn refuse_what_is_no_sound(name: &str, head: &[u8]) -> Result<(), AudioError> {
    let refuse = |what: &str, remedy: &str| {
        Err(AudioError::new(
            name,
            Some("byte 0".to_owned()),
            what,
            remedy,
        ))
    };
    const EXPORT: &str = "export it as WAV or FLAC";
    let begins = |magic: &[u8]| head.starts_with(magic);
    let has = |word: &[u8]| head.windows(word.len()).take(256).any(|w| w == word);
    if head.is_empty() {
        return refuse(
            "it is empty",
            "record it again and let the recorder finish the file",
        );
    }
    if begins(b"OggS") && has(b"OpusHead") {
        return refuse("sound coded as Opus is not read", EXPORT);
    }
    if begins(b"OggS") && has(b"Speex   ") {
        return refuse("sound coded as Speex is not read", EXPORT);
    }
    if begins(b"#!AMR") {
        return refuse("sound coded as AMR is not read", EXPORT);
    }
    if begins(&[0x30, 0x26, 0xB2, 0x75, 0x8E, 0x66, 0xCF, 0x11]) {
        return refuse("Windows Media (WMA) is not read", EXPORT);
    }
    if begins(b"RIFX") {
        return refuse("big-endian WAV (RIFX) is not read", EXPORT);
    }
    if begins(b"riff\x2E\x91\xCF\x11") {
        return refuse("Wave64 is not read", EXPORT);
    }
    if begins(b"RIFF") && !wav_header::begins_like_wav(head) {
        return refuse(
            "a RIFF file, but not a WAV, or cut off in its header",
            EXPORT,
        );
    }
    if is_text(head) {
        return refuse("this is text, not sound", "name a sound recording");
    }
    Ok(())
}

/// True if the bytes read as text. The last few may be half a character.
fn is_text(head: &[u8]) -> bool {
    let text = match std::str::from_utf8(head) {
        Ok(text) => text,
        Err(e) if e.error_len().is_none() => {
            std::str::from_utf8(&head[..e.valid_up_to()]).unwrap_or("")
        }
        Err(_) => return false,
    };
    !text.is_empty()
        && text
            .chars()
            .all(|c| !c.is_control() || matches!(c, '\n' | '\r' | '\t' | '\x0C' | '\x1B'))
}

/// Refuses format tags of WAV files that no decoder here knows.
fn refuse_tag(name: &str, tag: u16) -> Result<(), AudioError> {
    // 2 MS ADPCM, 6 A-law, 7 mu-law, 0x11 IMA ADPCM.
    if matches!(tag, 2 | 6 | 7 | 0x11) {
        return Ok(());
    }
    let what = format!("WAV files with format tag 0x{tag:04X} are not read");
    Err(AudioError::new(
        name,
        Some("`fmt ` chunk".to_owned()),
        what,
        "export it as 16- or 24-bit PCM WAV, or as FLAC",
    ))
}

/// Refuses an MP4 file without a whole index or with a coding that no decoder here knows; else the
/// length that it announces if it was cut off.
fn announced_mp4_end(name: &str, file: &mut File, length: u64) -> Result<Option<u64>, AudioError> {
    let found = mp4_boxes::top_boxes(file, length).map_err(|e| cannot_read(name, &e))?;
    let Some(index) = found.index else {
        let what = "the M4A file was cut off before its index (`moov`) was complete, so its sound cannot be found";
        return Err(AudioError::new(
            name,
            Some(format!("byte {length}")),
            what,
            "copy the whole file again, or record again and stop the recorder before switching off",
        ));
    };
    let coding = mp4_boxes::sound_coding(file, index).map_err(|e| cannot_read(name, &e))?;
    let unread = match coding.as_deref() {
        Some("samr") => "AMR",
        Some("sawb" | "sawp") => "AMR wideband",
        Some("sqcp") => "QCELP",
        Some("sevc") => "EVRC",
        Some("ac-4") => "AC-4",
        Some("mha1" | "mhm1") => "MPEG-H",
        _ => return Ok(found.announced_end),
    };
    Err(AudioError::new(
        name,
        Some(format!("sound track, byte {}", index.0)),
        format!("sound coded as {unread} is not read"),
        "export it as WAV or FLAC",
    ))
}
