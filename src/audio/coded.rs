//! Reads everything but plain WAV through decoders: FLAC, MP3, AAC, ALAC, Vorbis, AIFF, CAF.
//!
//! A packet that cannot be decoded is counted and left out, and the frames that it should have
//! given are told as lost. The decoders are other people's code fed with users' files; a panic
//! in them is caught and treated as the end of what can be read.
//!
//! AAC begins with frames that only prime its decoder, 1024 (21 ms at 48 kHz) with common encoders,
//! more with some. They are not taken off: all times in M4A, AAC and 3GP files are later by that.

use std::cell::Cell;
use std::fs::File;
use std::io::{self, Read as _};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;

use symphonia::core::codecs::CodecParameters;
use symphonia::core::codecs::audio::well_known as id;
use symphonia::core::codecs::audio::{
    AudioCodecId, AudioCodecParameters, AudioDecoder, AudioDecoderOptions,
};
use symphonia::core::errors::Error;
use symphonia::core::formats::probe::Hint;
use symphonia::core::formats::{FormatOptions, FormatReader, TrackType};
use symphonia::core::io::{MediaSource, MediaSourceStream, MediaSourceStreamOptions};
use symphonia::core::meta::MetadataOptions;
use symphonia::core::packet::Packet;
use symphonia::core::units::TimeBase;

use super::mp4_boxes::{self, AnnouncedLength};
use super::wav_header::begins_like_wav;
use super::{AudioError, Block, zero_what_is_no_number};

const EXPORT: &str = "export it as WAV or FLAC";
/// Faults in a row after which the rest of a file is given up.
const MOST_FAULTS_IN_A_ROW: u32 = 256;
/// Frames by which a lossy codec's timestamps and announced length may be off without anything
/// missing: priming and padding of a few packets.
const LOSSY_SLACK: u64 = 4_800;
/// Longest gap, in seconds, that is believed from timestamps alone.
const LONGEST_GAP_S: u64 = 3_600;

/// What is known about a decoded track before it is played.
#[derive(Debug, Clone)]
pub(crate) struct CodedInfo {
    pub(crate) kind: String,
    pub(crate) lossy: bool,
    pub(crate) rate_hz: u32,
    pub(crate) channels: u32,
    pub(crate) announced: Option<u64>,
    /// Seconds at the start that are no sound: the coder's own beginning.
    left_out_s: f64,
    /// Frames by which the announced number may be too great without anything missing.
    announced_slack: u64,
}

/// Decodes one track of a file packet by packet.
pub(crate) struct CodedReader {
    name: String,
    format: Box<dyn FormatReader>,
    decoder: Box<dyn AudioDecoder>,
    track_id: u32,
    time_base: Option<TimeBase>,
    first_block: Option<Block>,
    info: CodedInfo,
    /// Time axis: frames given and lost up to now, and the timestamp at which it began.
    position: u64,
    /// Frames of `position` that were left out at the start.
    dropped: u64,
    start: Option<i64>,
    pending_loss: u64,
    lost: u64,
    bad_packets: u64,
    faults_in_a_row: u32,
    no_numbers: u64,
    ended: bool,
    ended_by: Option<String>,
}

impl std::fmt::Debug for CodedReader {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("CodedReader")
            .field("name", &self.name)
            .field("info", &self.info)
            .finish_non_exhaustive()
    }
}

/// Why a step with a decoder failed.
enum Fault {
    Decoder(Error),
    Panicked,
}

thread_local! {
    static GUARDED: Cell<bool> = const { Cell::new(false) };
}

/// True while a decoder of others runs on this thread: a panic there becomes a refusal, so that
/// nothing of it need be told.
pub fn is_guarded() -> bool {
    GUARDED.get()
}

/// Runs a decoder's code; a panic in it becomes a fault.
fn guarded<T>(work: impl FnOnce() -> Result<T, Error>) -> Result<T, Fault> {
    let before = GUARDED.replace(true);
    let done = catch_unwind(AssertUnwindSafe(work));
    GUARDED.set(before);
    match done {
        Ok(done) => done.map_err(Fault::Decoder),
        Err(_) => Err(Fault::Panicked),
    }
}

/// Finds the container of a stream.
fn probe(source: Box<dyn MediaSource>) -> Result<Box<dyn FormatReader>, Error> {
    symphonia::default::get_probe().probe(
        &Hint::new(),
        MediaSourceStream::new(source, MediaSourceStreamOptions::default()),
        FormatOptions::default(),
        MetadataOptions::default(),
    )
}

/// The first bytes of a file, as far as it has them.
fn head_of(path: &Path) -> Option<Vec<u8>> {
    let mut head = Vec::new();
    let file = File::open(path).ok()?;
    file.take(12).read_to_end(&mut head).ok()?;
    Some(head)
}

/// Symphonia's name of the container that the first bytes of a file announce. Where its header is
/// damaged the search goes on behind it, and may take what lies there for a stretch of MP3.
fn announced_container(head: &[u8]) -> Option<&'static str> {
    let begins = |magic: &[u8]| head.starts_with(magic);
    if begins_like_wav(head) {
        Some("wave")
    } else if mp4_boxes::begins_like_mp4(head) {
        Some("isomp4")
    } else if begins(b"fLaC") {
        Some("flac")
    } else if begins(b"OggS") {
        Some("ogg")
    } else if begins(b"caff") {
        Some("caf")
    } else if begins(b"FORM") {
        Some("aiff")
    } else if begins(&[0x1A, 0x45, 0xDF, 0xA3]) {
        Some("matroska")
    } else {
        None
    }
}

/// Seconds at the start of an MP4 file that are the coder's own beginning; longer than half a
/// second is no such thing but a cut, and stays. A file that cannot be looked into has none.
fn left_out_at_start_s(path: &Path) -> Option<f64> {
    let mut file = File::open(path).ok()?;
    let mut head = [0u8; 8];
    file.read_exact(&mut head).ok()?;
    if !mp4_boxes::begins_like_mp4(&head) {
        return None;
    }
    let length = file.metadata().ok()?.len();
    let index = mp4_boxes::top_boxes(&mut file, length).ok()?.index?;
    mp4_boxes::left_out_at_start_s(&mut file, index)
        .ok()?
        .filter(|s| *s < 0.5)
}

impl CodedReader {
    /// Opens a file, finds its sound track and decodes up to the first frames, which alone tell
    /// the rate and the channels for certain. `cut_from` is the length that an MP4 file announces
    /// which was cut off.
    pub(crate) fn open(path: &Path, name: &str, cut_from: Option<u64>) -> Result<Self, AudioError> {
        let file = File::open(path).map_err(|e| {
            AudioError::new(
                name,
                None,
                format!("cannot be opened: {e}"),
                "check the path and its permissions",
            )
        })?;
        let left_out_s = left_out_at_start_s(path);
        let source: Box<dyn MediaSource> = match cut_from {
            Some(length) => Box::new(AnnouncedLength { file, length }),
            None => Box::new(file),
        };
        let format = guarded(|| probe(source)).map_err(|fault| refuse_format(name, &fault))?;
        let announced = head_of(path).and_then(|head| announced_container(&head));
        if announced.is_some_and(|container| container != format.format_info().short_name) {
            return Err(no_format(name, DAMAGED));
        }
        let none = || {
            let what = "there is no sound track in it";
            AudioError::new(
                name,
                Some("track list".to_owned()),
                what,
                "name a recording that has sound",
            )
        };
        let track = format
            .default_track(TrackType::Audio)
            .or_else(|| format.first_track(TrackType::Audio));
        let track = track.ok_or_else(none)?;
        let Some(CodecParameters::Audio(params)) = &track.codec_params else {
            return Err(none());
        };
        let decoder = guarded(|| {
            symphonia::default::get_codecs()
                .make_audio_decoder(params, &AudioDecoderOptions::default())
        })
        .map_err(|fault| refuse_codec(name, params.codec, &fault))?;
        let info = CodedInfo {
            kind: kind(params, format.format_info().short_name),
            lossy: is_lossy(params.codec),
            rate_hz: params.sample_rate.unwrap_or(0),
            channels: 0,
            // Fragmented M4A announces 0 in its index: the number is in its fragments.
            announced: track.num_frames.filter(|&n| n > 0),
            left_out_s: left_out_s.filter(|_| is_lossy(params.codec)).unwrap_or(0.0),
            announced_slack: match params.codec {
                // CAF announces whole packets of up to 4096 frames.
                id::CODEC_ID_ALAC => 4_096,
                codec if is_lossy(codec) => LOSSY_SLACK,
                _ => 0,
            },
        };
        let mut reader = Self {
            name: name.to_owned(),
            track_id: track.id,
            time_base: track.time_base,
            decoder,
            first_block: None,
            info,
            position: 0,
            dropped: 0,
            start: None,
            pending_loss: 0,
            lost: 0,
            bad_packets: 0,
            faults_in_a_row: 0,
            no_numbers: 0,
            ended: false,
            ended_by: None,
            format,
        };
        reader.first_block = reader.decode_next()?;
        if reader.first_block.is_none() {
            return Err(reader.nothing_decoded());
        }
        Ok(reader)
    }

    pub(crate) fn info(&self) -> &CodedInfo {
        &self.info
    }

    /// The next frames of all channels; none at the end.
    pub(crate) fn next_block(&mut self) -> Result<Option<Block>, AudioError> {
        match self.first_block.take() {
            Some(block) => Ok(Some(block)),
            None => self.decode_next(),
        }
    }

    fn nothing_decoded(&self) -> AudioError {
        let what = match (self.bad_packets, &self.ended_by) {
            (0, None) => format!("{}: not one frame of sound in it", self.info.kind),
            (0, Some(why)) => format!("{}: no sound could be decoded: {why}", self.info.kind),
            (n, _) => format!(
                "{}: no sound could be decoded, {n} bad packets",
                self.info.kind
            ),
        };
        let place = Some("from the first packet on".to_owned());
        AudioError::new(
            &self.name,
            place,
            what,
            "record it again, or export it again as WAV or FLAC",
        )
    }

    fn decode_next(&mut self) -> Result<Option<Block>, AudioError> {
        while !self.ended {
            let Some(packet) = self.next_packet()? else {
                continue;
            };
            self.count_gap(&packet);
            let decoder = &mut self.decoder;
            let mut interleaved: Vec<f64> = Vec::new();
            let done = guarded(|| {
                let buffer = decoder.decode(&packet)?;
                let spec = (buffer.spec().rate(), buffer.spec().channels().count());
                buffer.copy_to_vec_interleaved(&mut interleaved);
                Ok(spec)
            });
            match done {
                Ok((rate_hz, channels)) => {
                    self.faults_in_a_row = 0;
                    if let Some(block) = self.accept(rate_hz, channels, interleaved)? {
                        return Ok(Some(block));
                    }
                }
                Err(Fault::Decoder(Error::ResetRequired)) => self.decoder.reset(),
                Err(fault) => self.count_bad(&packet, &fault),
            }
        }
        Ok(None)
    }

    /// The next packet of our track; none if there was another or the file has ended.
    fn next_packet(&mut self) -> Result<Option<Packet>, AudioError> {
        let format = &mut self.format;
        match guarded(|| format.next_packet()) {
            Ok(Some(packet)) if packet.track_id == self.track_id => return Ok(Some(packet)),
            Ok(Some(_)) => {}
            Ok(None) => self.ended = true,
            Err(Fault::Decoder(Error::IoError(e))) if e.kind() == io::ErrorKind::UnexpectedEof => {
                self.ended = true;
                // Without an announced length that is the common end of a streamed file.
                if self
                    .info
                    .announced
                    .is_some_and(|n| self.position + LOSSY_SLACK < n)
                {
                    self.ended_by = Some("the file ends in the middle of a packet".to_owned());
                }
            }
            Err(Fault::Decoder(Error::IoError(e))) if e.raw_os_error().is_some() => {
                let place = Some(self.place());
                return Err(AudioError::new(
                    &self.name,
                    place,
                    format!("reading failed: {e}"),
                    "check the disk or the connection and try again",
                ));
            }
            Err(Fault::Decoder(Error::ResetRequired)) => {
                self.ended = true;
                self.ended_by = Some("a second stream is joined on; it was not read".to_owned());
            }
            Err(Fault::Decoder(_)) => {
                self.bad_packets += 1;
                self.count_fault();
            }
            Err(Fault::Panicked) => {
                self.ended = true;
                self.ended_by = Some("the container is damaged beyond reading".to_owned());
            }
        }
        Ok(None)
    }

    fn place(&self) -> String {
        if self.info.rate_hz == 0 {
            return "at the beginning".to_owned();
        }
        format!(
            "at {:.3} s",
            self.position as f64 / f64::from(self.info.rate_hz)
        )
    }

    fn count_fault(&mut self) {
        self.faults_in_a_row += 1;
        if self.faults_in_a_row >= MOST_FAULTS_IN_A_ROW {
            self.ended = true;
            self.ended_by = Some(format!(
                "given up after {MOST_FAULTS_IN_A_ROW} faults in a row"
            ));
        }
    }

    fn count_bad(&mut self, packet: &Packet, fault: &Fault) {
        self.bad_packets += 1;
        self.pending_loss += self
            .frames_of(packet.dur.get() as i64)
            .unwrap_or(0)
            .min(65_536);
        self.count_fault();
        // A decoder that panicked is in an unknown state.
        match fault {
            Fault::Panicked => {
                self.ended = true;
                self.ended_by = Some("a packet is damaged beyond reading".to_owned());
            }
            Fault::Decoder(_) => self.decoder.reset(),
        }
    }

    /// Timestamp units as frames of the decoded rate.
    fn frames_of(&self, ticks: i64) -> Option<u64> {
        let base = self.time_base?;
        let ticks = u128::try_from(ticks).ok()?;
        let frames = ticks * u128::from(self.info.rate_hz) * u128::from(base.numer.get())
            / u128::from(base.denom.get());
        u64::try_from(frames).ok()
    }

    /// Finds frames that a demuxer left out silently: the timestamp runs ahead of the count.
    fn count_gap(&mut self, packet: &Packet) {
        let pts = packet.pts.get();
        let start = *self.start.get_or_insert(pts);
        let Some(due) = self.frames_of(pts.saturating_sub(start)) else {
            return;
        };
        let here = self.position + self.pending_loss;
        // Timestamps in whole milliseconds (Matroska) are rounded to the nearest.
        let tick = self.frames_of(1).unwrap_or(0);
        let exact = tick == 0 || (tick == 1 && self.frames_of(1_000) == Some(1_000));
        let slack = match (self.info.lossy, exact) {
            (true, _) => LOSSY_SLACK,
            (false, true) => 0,
            (false, false) => 2 * tick,
        };
        let longest = self
            .info
            .announced
            .unwrap_or(LONGEST_GAP_S * u64::from(self.info.rate_hz));
        let gap = due.saturating_sub(here);
        if gap > slack && gap <= longest {
            self.pending_loss += gap;
        }
    }

    /// Takes decoded samples over; none if there are none.
    fn accept(
        &mut self,
        rate_hz: u32,
        channels: usize,
        mut interleaved: Vec<f64>,
    ) -> Result<Option<Block>, AudioError> {
        if interleaved.is_empty() || channels == 0 {
            return Ok(None);
        }
        if self.info.channels == 0 {
            self.info.channels = channels as u32;
            self.info.rate_hz = rate_hz;
        }
        if (rate_hz, channels) != (self.info.rate_hz, self.info.channels as usize) {
            let what = format!(
                "the sound changes from {} Hz, {} channels to {rate_hz} Hz, {channels} channels",
                self.info.rate_hz, self.info.channels
            );
            return Err(AudioError::new(
                &self.name,
                Some(self.place()),
                what,
                "export it again as WAV or FLAC with one rate throughout",
            ));
        }
        self.no_numbers += zero_what_is_no_number(&mut interleaved);
        let lost_before = std::mem::take(&mut self.pending_loss);
        self.lost += lost_before;
        let before = self.position + lost_before;
        self.position = before + (interleaved.len() / channels) as u64;
        let left_out = (self.info.left_out_s * f64::from(self.info.rate_hz)).round() as u64;
        let drop = left_out.saturating_sub(before).min(self.position - before) as usize;
        self.dropped += drop as u64;
        interleaved.drain(..drop * channels);
        if interleaved.is_empty() {
            return Ok(None);
        }
        Ok(Some(Block {
            interleaved,
            lost_before,
        }))
    }

    /// Samples up to now that were no numbers.
    pub(crate) fn no_numbers(&self) -> u64 {
        self.no_numbers
    }

    /// What was found wrong up to now; at the end, also what is missing against the announced
    /// length.
    pub(crate) fn damage(&self) -> Vec<String> {
        let mut notes = Vec::new();
        if self.bad_packets > 0 {
            notes.push(format!(
                "{} bad packets could not be decoded; left out",
                self.bad_packets
            ));
        }
        if self.lost > 0 {
            notes.push(format!("{} frames are lost in the middle", self.lost));
        }
        if self.no_numbers > 0 {
            notes.push(format!(
                "{} samples are not numbers (NaN or infinity); taken as 0",
                self.no_numbers
            ));
        }
        notes.extend(self.ended_by.iter().cloned());
        if let (true, Some(announced)) = (self.ended, self.info.announced) {
            let slack = self.info.announced_slack;
            if self.position + slack < announced {
                notes.push(format!(
                    "the file announces {} frames, {} were found: {} are missing",
                    announced - self.dropped,
                    self.position - self.dropped,
                    announced - self.position
                ));
            } else if !self.info.lossy && self.position > announced {
                notes.push(format!(
                    "the file announces {announced} frames, but {} were found",
                    self.position
                ));
            }
        }
        notes
    }
}

fn refuse_format(name: &str, fault: &Fault) -> AudioError {
    let what = match fault {
        Fault::Decoder(Error::IoError(e)) if e.raw_os_error().is_some() => {
            format!("reading failed: {e}")
        }
        Fault::Decoder(Error::IoError(_)) => {
            "no sound format that is known: the file ends too early".to_owned()
        }
        Fault::Decoder(Error::Unsupported(_)) => "no sound format that is known".to_owned(),
        Fault::Decoder(e) => format!("no sound format that can be read ({e})"),
        Fault::Panicked => DAMAGED.to_owned(),
    };
    no_format(name, what)
}

const DAMAGED: &str = "the header is damaged beyond reading";

fn no_format(name: &str, what: impl Into<String>) -> AudioError {
    AudioError::new(
        name,
        Some("from byte 0 on".to_owned()),
        what,
        format!("name a sound recording, or {EXPORT}"),
    )
}

fn refuse_codec(name: &str, codec: AudioCodecId, fault: &Fault) -> AudioError {
    let codec_name = codec_name(codec).map_or_else(|| format!("codec {codec}"), str::to_owned);
    let what = match fault {
        // Plain AAC (low complexity) is read.
        Fault::Decoder(Error::Unsupported(_)) if codec == id::CODEC_ID_AAC => {
            "this kind of AAC, such as HE-AAC, is not read".to_owned()
        }
        Fault::Decoder(Error::Unsupported(_)) => format!("sound coded as {codec_name} is not read"),
        Fault::Decoder(e) => format!("sound coded as {codec_name} cannot be started ({e})"),
        Fault::Panicked => format!("the description of its {codec_name} sound is damaged"),
    };
    AudioError::new(name, Some("sound track".to_owned()), what, EXPORT)
}

fn kind(params: &AudioCodecParameters, container: &str) -> String {
    let coding =
        codec_name(params.codec).map_or_else(|| "unknown coding".to_owned(), str::to_owned);
    let container = match container {
        "flac" => "FLAC",
        "mp3" => "MP3",
        "ogg" => "Ogg",
        "isomp4" => "M4A",
        "wave" => "WAV",
        "aiff" => "AIFF",
        "caf" => "CAF",
        "matroska" => "Matroska",
        "aac" => "AAC",
        other => other,
    };
    let bits = params.bits_per_sample.filter(|_| !is_lossy(params.codec));
    let mut text = container.to_owned();
    if coding != container {
        text = format!("{text}, {coding}");
    }
    match bits {
        Some(bits) => format!("{text}, {bits}-bit"),
        None => text,
    }
}

fn codec_name(codec: AudioCodecId) -> Option<&'static str> {
    Some(match codec {
        id::CODEC_ID_FLAC => "FLAC",
        id::CODEC_ID_MP1 => "MPEG layer 1",
        id::CODEC_ID_MP2 => "MPEG layer 2",
        id::CODEC_ID_MP3 => "MP3",
        id::CODEC_ID_AAC => "AAC",
        id::CODEC_ID_ALAC => "ALAC",
        id::CODEC_ID_VORBIS => "Vorbis",
        id::CODEC_ID_OPUS => "Opus",
        id::CODEC_ID_SPEEX => "Speex",
        id::CODEC_ID_WMA => "WMA",
        id::CODEC_ID_AC3 => "AC-3",
        id::CODEC_ID_EAC3 => "E-AC-3",
        id::CODEC_ID_PCM_ALAW => "A-law",
        id::CODEC_ID_PCM_MULAW => "mu-law",
        id::CODEC_ID_ADPCM_MS => "MS ADPCM",
        id::CODEC_ID_ADPCM_IMA_WAV | id::CODEC_ID_ADPCM_IMA_QT => "IMA ADPCM",
        id::CODEC_ID_ADPCM_G722 => "G.722",
        id::CODEC_ID_ADPCM_G726 | id::CODEC_ID_ADPCM_G726LE => "G.726",
        _ => return pcm_name(codec),
    })
}

fn pcm_name(codec: AudioCodecId) -> Option<&'static str> {
    Some(match codec {
        id::CODEC_ID_PCM_F32LE
        | id::CODEC_ID_PCM_F32BE
        | id::CODEC_ID_PCM_F64LE
        | id::CODEC_ID_PCM_F64BE => "float",
        id::CODEC_ID_PCM_S8
        | id::CODEC_ID_PCM_U8
        | id::CODEC_ID_PCM_S16LE
        | id::CODEC_ID_PCM_S16BE
        | id::CODEC_ID_PCM_S24LE
        | id::CODEC_ID_PCM_S24BE
        | id::CODEC_ID_PCM_S32LE
        | id::CODEC_ID_PCM_S32BE => "integer",
        _ => return None,
    })
}

/// True for every coding that is not known to keep the samples as they were.
fn is_lossy(codec: AudioCodecId) -> bool {
    !matches!(
        codec,
        id::CODEC_ID_FLAC | id::CODEC_ID_ALAC | id::CODEC_ID_WAVPACK
    ) && pcm_name(codec).is_none()
}
