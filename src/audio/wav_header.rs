//! Checks the header of a WAV file before it is decoded.
//!
//! Recorders and editors write many small faults into WAV headers: a missing pad byte, a data
//! size that was never filled in, sizes beyond the end of the file. What can be read without
//! guessing at samples is read and noted; the rest is refused with its byte offset.
//! Layout after the published RIFF/WAVE description (`WAVEFORMATEX`, `WAVEFORMATEXTENSIBLE`)
//! and, for RF64 and BW64, EBU Tech 3306 and ITU-R BS.2088 (from memory).

use std::io::{self, Read, Seek, SeekFrom};

/// How one sample is laid down. Integers are little-endian and, but for
/// [`SampleForm::LowInteger`], fill their bytes from the top.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SampleForm {
    /// Unsigned 8-bit around 128.
    Unsigned8,
    /// Signed, in 2 to 4 bytes, full scale at the top bit of the bytes.
    Integer,
    /// Signed, 24 bits in the low three of 4 bytes.
    LowInteger,
    /// IEEE 754, 4 or 8 bytes.
    Float,
}

/// What a WAV header says, after repair.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct WavHeader {
    /// Layout of a sample.
    pub form: SampleForm,
    /// Significant bits of a sample.
    pub bits: u32,
    /// Bytes that one sample takes.
    pub sample_bytes: u32,
    /// Channels, at least 1.
    pub channels: u32,
    /// Sample rate in Hz as written; not checked here.
    pub rate_hz: u32,
    /// First byte of the samples.
    pub data_start: u64,
    /// Whole frames that are really there.
    pub frames: u64,
    /// Faults that were got round, in words.
    pub damage: Vec<String>,
}

/// What a file that begins like a WAV turned out to be.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum WavContent {
    /// Plain samples, integer or float.
    Samples(WavHeader),
    /// Compressed (ADPCM, A-law, ...) under this format tag: a decoder's work.
    Compressed(u16),
}

/// Why a WAV header was refused.
#[derive(Debug)]
pub enum HeaderFault {
    /// The header is wrong at a byte offset.
    Wrong {
        /// Byte offset in the file.
        byte: u64,
        /// What is wrong there.
        what: String,
        /// What the user can do.
        remedy: String,
    },
    /// The file could not be read.
    Io(io::Error),
}

impl From<io::Error> for HeaderFault {
    fn from(e: io::Error) -> Self {
        Self::Io(e)
    }
}

const EXPORT: &str = "export it again as 16- or 24-bit PCM WAV, or as FLAC";
const RECORD: &str = "record it again and let the recorder finish the file";
const TAG_PCM: u16 = 1;
const TAG_FLOAT: u16 = 3;
const TAG_EXTENSIBLE: u16 = 0xFFFE;

/// Chunk names that decide where a chunk begins when the pad byte is in doubt.
const KNOWN_CHUNKS: [&[u8; 4]; 22] = [
    b"fmt ", b"data", b"LIST", b"fact", b"JUNK", b"junk", b"bext", b"cue ", b"smpl", b"inst",
    b"PEAK", b"id3 ", b"ID3 ", b"iXML", b"ds64", b"FLLR", b"PAD ", b"acid", b"plst", b"axml",
    b"chna", b"DISP",
];

fn wrong(byte: u64, what: impl Into<String>, remedy: &str) -> HeaderFault {
    HeaderFault::Wrong {
        byte,
        what: what.into(),
        remedy: remedy.to_owned(),
    }
}

/// The `fmt ` chunk as it stands, with its place.
#[derive(Debug, Clone, Copy)]
struct Fmt {
    at: u64,
    tag: u16,
    extensible: bool,
    channels: u16,
    rate_hz: u32,
    block_bytes: u16,
    bits: u16,
    valid_bits: Option<u16>,
}

/// Place and announced size of the `data` chunk.
#[derive(Debug, Clone, Copy)]
struct Data {
    start: u64,
    size: u64,
}

/// True if the bytes begin like a WAV file (RIFF, RF64 or BW64 with form WAVE).
pub fn begins_like_wav(head: &[u8]) -> bool {
    head.len() >= 12 && matches!(&head[..4], b"RIFF" | b"RF64" | b"BW64") && &head[8..12] == b"WAVE"
}

/// Reads and checks the header of a file that [`begins_like_wav`]. `length` is the size of the
/// file in bytes. The rate is not judged.
///
/// # Errors
/// [`HeaderFault`] when the samples cannot be found or their layout is not one of ours.
pub fn read_header(file: &mut (impl Read + Seek), length: u64) -> Result<WavContent, HeaderFault> {
    let mut fmt = None;
    let mut data: Option<Data> = None;
    let mut long_data_size = None;
    let mut at = 12u64;
    // A chunk takes at least 8 bytes; the bound keeps a file of empty chunks from holding us up.
    for _ in 0..10_000 {
        if at.saturating_add(8) > length || (fmt.is_some() && data.is_some()) {
            break;
        }
        let mut head = [0u8; 8];
        read_at(file, at, &mut head)?;
        let id = [head[0], head[1], head[2], head[3]];
        let size = u64::from(u32::from_le_bytes([head[4], head[5], head[6], head[7]]));
        let body = at + 8;
        let mut step = size;
        match &id {
            b"fmt " => fmt = Some(read_fmt(file, body, size, length)?),
            b"ds64" if size >= 16 && body + 16 <= length => {
                let mut sizes = [0u8; 16];
                read_at(file, body, &mut sizes)?;
                long_data_size = Some(le_u64(&sizes[8..16]));
            }
            b"data" if data.is_none() => {
                let size = match long_data_size {
                    Some(long) if size == 0xFFFF_FFFF => long,
                    _ => size,
                };
                step = size;
                data = Some(Data { start: body, size });
            }
            _ => {}
        }
        at = next_chunk(file, body.saturating_add(step), step, length)?;
    }
    let Some(fmt) = fmt else {
        return Err(wrong(12, "the WAV header has no `fmt ` chunk", EXPORT));
    };
    if !matches!(fmt.tag, TAG_PCM | TAG_FLOAT) {
        return Ok(WavContent::Compressed(fmt.tag));
    }
    let Some(data) = data else {
        return Err(wrong(
            length,
            "the WAV file has no `data` chunk, so no sound",
            RECORD,
        ));
    };
    finish(file, fmt, data, length).map(WavContent::Samples)
}

fn read_at(file: &mut (impl Read + Seek), at: u64, into: &mut [u8]) -> io::Result<()> {
    file.seek(SeekFrom::Start(at))?;
    file.read_exact(into)
}

fn le_u64(b: &[u8]) -> u64 {
    b.iter().rev().fold(0, |sum, &x| (sum << 8) | u64::from(x))
}

fn read_fmt(
    file: &mut (impl Read + Seek),
    body: u64,
    size: u64,
    length: u64,
) -> Result<Fmt, HeaderFault> {
    let there = size.min(length.saturating_sub(body)).min(40) as usize;
    if there < 16 {
        let what = format!("the `fmt ` chunk has {there} bytes, at least 16 are needed");
        return Err(wrong(body, what, EXPORT));
    }
    let mut b = [0u8; 40];
    read_at(file, body, &mut b[..there])?;
    let u16_at = |i: usize| u16::from_le_bytes([b[i], b[i + 1]]);
    let tag = u16_at(0);
    let extensible = tag == TAG_EXTENSIBLE && there >= 26;
    Ok(Fmt {
        at: body,
        tag: if extensible { u16_at(24) } else { tag },
        extensible,
        channels: u16_at(2),
        rate_hz: u32::from_le_bytes([b[4], b[5], b[6], b[7]]),
        block_bytes: u16_at(12),
        bits: u16_at(14),
        valid_bits: extensible.then(|| u16_at(18)),
    })
}

/// Where the chunk after one that ends at `end` begins. Chunks of odd size are followed by a pad
/// byte, but some writers leave it out: the chunk name that makes sense decides.
fn next_chunk(
    file: &mut (impl Read + Seek),
    end: u64,
    size: u64,
    length: u64,
) -> Result<u64, HeaderFault> {
    if size.is_multiple_of(2) {
        return Ok(end);
    }
    let padded = end.saturating_add(1);
    if end.saturating_add(8) > length {
        return Ok(padded);
    }
    let mut b = [0u8; 5];
    read_at(file, end, &mut b)?;
    let known = |id: &[u8]| KNOWN_CHUNKS.iter().any(|k| &k[..] == id);
    let printable = |id: &[u8]| id.iter().all(|c| (0x20..0x7F).contains(c));
    let unpadded =
        !known(&b[1..]) && (known(&b[..4]) || (!printable(&b[1..]) && printable(&b[..4])));
    Ok(if unpadded { end } else { padded })
}

fn finish(
    file: &mut (impl Read + Seek),
    fmt: Fmt,
    data: Data,
    length: u64,
) -> Result<WavHeader, HeaderFault> {
    let mut damage = Vec::new();
    if fmt.channels == 0 {
        return Err(wrong(fmt.at + 2, "the header says 0 channels", EXPORT));
    }
    let sample_bytes = sample_bytes(&fmt, &mut damage)?;
    let bytes = bytes_there(
        file,
        data,
        length,
        u64::from(sample_bytes) * u64::from(fmt.channels),
        &mut damage,
    )?;
    let block = u64::from(sample_bytes) * u64::from(fmt.channels);
    let bits = match fmt.valid_bits {
        Some(v) if v > 0 && v <= fmt.bits => v,
        _ => fmt.bits,
    };
    let form = match (fmt.tag, sample_bytes) {
        (TAG_FLOAT, _) => SampleForm::Float,
        (_, 1) => SampleForm::Unsigned8,
        (_, 4) if bits == 24 => {
            justification(file, data.start, bytes, fmt.extensible, &mut damage)?
        }
        _ => SampleForm::Integer,
    };
    Ok(WavHeader {
        form,
        bits: u32::from(bits),
        sample_bytes,
        channels: u32::from(fmt.channels),
        rate_hz: fmt.rate_hz,
        data_start: data.start,
        frames: bytes / block,
        damage,
    })
}

/// Bytes of one sample, from the block size where that makes sense, else from the bits.
fn sample_bytes(fmt: &Fmt, damage: &mut Vec<String>) -> Result<u32, HeaderFault> {
    let least = fmt.bits.div_ceil(8);
    let from_block = fmt.block_bytes / fmt.channels;
    let fits = |n: u16| match fmt.tag {
        TAG_FLOAT => n == least && matches!(n, 4 | 8) && fmt.bits.is_multiple_of(32),
        _ => (1..=4).contains(&n) && n >= least && (n == 1) == (least == 1),
    };
    if fmt.bits == 0 || !fits(least) {
        let number = if fmt.tag == TAG_FLOAT {
            "float"
        } else {
            "integer"
        };
        let what = format!("samples of {} bits ({number}) are not read", fmt.bits);
        return Err(wrong(fmt.at + 14, what, EXPORT));
    }
    if fmt.block_bytes.is_multiple_of(fmt.channels) && fits(from_block) {
        return Ok(u32::from(from_block));
    }
    damage.push(format!(
        "the header's block size of {} bytes (byte {}) does not fit {} channels of {} bits; taken as {} bytes a sample",
        fmt.block_bytes, fmt.at + 12, fmt.channels, fmt.bits, least
    ));
    Ok(u32::from(least))
}

/// How the one finding begins that says nothing against the sound itself.
pub const SIZE_LEFT_OPEN: &str = "the header leaves the size of the sound open";

/// Bytes of sound that the file really holds from the start of the data.
fn bytes_there(
    file: &mut (impl Read + Seek),
    data: Data,
    length: u64,
    block: u64,
    damage: &mut Vec<String>,
) -> Result<u64, HeaderFault> {
    let rest = length.saturating_sub(data.start);
    // Programs that write to a pipe cannot know the size; they leave the greatest number, signed or
    // not, less a little for the header. Whether such a file is whole cannot be told.
    let left_open = matches!(data.size, 0x7FFF_0000..=0x8000_0000 | 0xFFFF_F000..=0xFFFF_FFFF);
    // A file of more than 4 GiB whose header cannot say so.
    let goes_on = left_open
        && data.size >= 0xFFFF_F000
        && data.size < rest
        && !chunk_follows(file, data.start + data.size, length)?;
    let bytes = if goes_on || (left_open && data.size > rest) {
        damage.push(format!(
            "{SIZE_LEFT_OPEN} (byte {}), as programs do that write to a pipe; \
             the {rest} bytes that follow were read",
            data.start - 4
        ));
        rest
    } else if data.size == 0 && rest > 0 && !chunk_follows(file, data.start, length)? {
        damage.push(format!(
            "the header says 0 bytes of sound (byte {}), as a recorder leaves it that did not stop in order; \
             the {rest} bytes that follow were read",
            data.start - 4
        ));
        rest
    } else if data.size > rest {
        damage.push(format!(
            "cut off: the header announces {} frames, {} are there (the file ends at byte {length})",
            data.size / block,
            rest / block
        ));
        rest
    } else {
        data.size
    };
    if bytes % block != 0 && data.size <= rest {
        damage.push(format!(
            "the last {} bytes of sound do not make a whole frame; left out",
            bytes % block
        ));
    }
    Ok(bytes - bytes % block)
}

/// True if a known chunk that fits into the file begins at `at`.
fn chunk_follows(file: &mut (impl Read + Seek), at: u64, length: u64) -> Result<bool, HeaderFault> {
    if at + 8 > length {
        return Ok(false);
    }
    let mut b = [0u8; 8];
    read_at(file, at, &mut b)?;
    let size = u64::from(u32::from_le_bytes([b[4], b[5], b[6], b[7]]));
    Ok(KNOWN_CHUNKS.iter().any(|k| k[..] == b[..4]) && at + 8 + size <= length)
}

/// Where 24 bits lie in 4 bytes. The standard puts them on top (low byte 0); common writers of
/// the plain PCM tag put them at the bottom (top byte 0 or the sign). The first 4 MiB tell.
fn justification(
    file: &mut (impl Read + Seek),
    start: u64,
    bytes: u64,
    extensible: bool,
    damage: &mut Vec<String>,
) -> Result<SampleForm, HeaderFault> {
    file.seek(SeekFrom::Start(start))?;
    let mut begin = Vec::new();
    file.take(bytes.min(1 << 22)).read_to_end(&mut begin)?;
    let mut low_is_empty = true;
    let mut top_is_empty = true;
    for s in begin.chunks_exact(4) {
        low_is_empty &= s[0] == 0;
        top_is_empty &= s[3] == 0 || (s[3] == 0xFF && s[2] >= 0x80);
    }
    let low = top_is_empty && !(low_is_empty && extensible);
    if low && extensible {
        damage
            .push("24-bit samples lie in the low bytes, against the standard; read so".to_owned());
    }
    Ok(if low {
        SampleForm::LowInteger
    } else {
        SampleForm::Integer
    })
}
