//! Looks over the boxes of an MP4 file (M4A, 3GP) before it is decoded.
//!
//! An MP4 file is a row of boxes, each with its length and a name of four letters. Phones write
//! the index (`moov`) last, so a recording that was cut off has none. Where the index comes first,
//! the packets before the cut can still be read.

use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom};

use symphonia::core::io::MediaSource;

/// Most boxes that are stepped over at the top of a file.
const MOST_BOXES: u32 = 1_000_000;
/// Most bytes of an index that are looked into for the name of a coding.
const MOST_INDEX_BYTES: u64 = 16 << 20;

/// What the boxes at the top of a file tell.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct TopBoxes {
    /// Place and end of the body of the whole index, if there is one.
    pub(crate) index: Option<(u64, u64)>,
    /// Where the last box of sound should end, if that is beyond the end of the file.
    pub(crate) announced_end: Option<u64>,
}

/// True if the bytes begin like an MP4 file.
pub(crate) fn begins_like_mp4(head: &[u8]) -> bool {
    head.len() >= 8 && &head[4..8] == b"ftyp"
}

/// Steps over the boxes at the top of a file of `length` bytes.
pub(crate) fn top_boxes(file: &mut (impl Read + Seek), length: u64) -> io::Result<TopBoxes> {
    let mut found = TopBoxes {
        index: None,
        announced_end: None,
    };
    let mut at = 0u64;
    for _ in 0..MOST_BOXES {
        if at.saturating_add(8) > length {
            break;
        }
        let mut b = [0u8; 16];
        let there = (length - at).min(16) as usize;
        file.seek(SeekFrom::Start(at))?;
        file.read_exact(&mut b[..there])?;
        let (head, size) = match be_u32(&b) {
            0 => (8, length - at),
            1 => (16, be_u64(&b[8..])),
            n => (8, u64::from(n)),
        };
        let end = at.saturating_add(size.max(head));
        if end > length {
            // Other names there are foreign tags behind the last box, or an index that is not whole.
            found.announced_end = matches!(&b[4..8], b"mdat" | b"moof").then_some(end);
        } else if &b[4..8] == b"moov" && found.index.is_none() {
            found.index = Some((at + head, end));
        }
        at = end;
    }
    Ok(found)
}

/// The four letters that name the coding of the first sound track, whether it is known or not.
pub(crate) fn sound_coding(
    file: &mut (impl Read + Seek),
    index: (u64, u64),
) -> io::Result<Option<String>> {
    let body = body_of(file, index)?;
    Ok(boxes(&body)
        .filter(|(name, _)| name == b"trak")
        .find_map(|(_, track)| {
            let media = inner(track, b"mdia")?;
            // Version and flags, a predefined word, then the kind of track.
            let is_sound = inner(media, b"hdlr")?.get(8..12)? == b"soun";
            let described = inner(inner(inner(media, b"minf")?, b"stbl")?, b"stsd")?;
            // Version and flags, number of entries, then length and name of the first.
            let name = described.get(12..16)?;
            is_sound.then(|| String::from_utf8_lossy(name).into_owned())
        }))
}

/// Seconds at the start of the first sound track that its edit list leaves out: what the coder
/// needs to get going (ISO 14496-12, 8.6.6). None without such a list.
pub(crate) fn left_out_at_start_s(
    file: &mut (impl Read + Seek),
    index: (u64, u64),
) -> io::Result<Option<f64>> {
    let body = body_of(file, index)?;
    Ok(boxes(&body)
        .filter(|(name, _)| name == b"trak")
        .find_map(|(_, track)| {
            let media = inner(track, b"mdia")?;
            if inner(media, b"hdlr")?.get(8..12)? != b"soun" {
                return None;
            }
            let head = inner(media, b"mdhd")?;
            // Version 1 has times of eight bytes before the time scale, version 0 of four.
            let scale = be_u32(head.get(if head.first() == Some(&1) {
                20..24
            } else {
                12..16
            })?);
            let list = inner(inner(track, b"edts")?, b"elst")?;
            let wide = list.first() == Some(&1);
            let mut entries = list.get(8..)?.chunks_exact(if wide { 20 } else { 12 });
            // An entry of media time -1 is a pause before the sound.
            let starts = entries.find_map(|e| {
                let start = if wide {
                    be_u64(e.get(8..16)?) as i64
                } else {
                    i64::from(be_u32(e.get(4..8)?) as i32)
                };
                (start >= 0).then_some(start)
            })?;
            (scale > 0 && starts > 0).then(|| starts as f64 / f64::from(scale))
        }))
}

/// The body of the index, or as much of it as is looked into.
fn body_of(file: &mut (impl Read + Seek), index: (u64, u64)) -> io::Result<Vec<u8>> {
    let mut body = Vec::new();
    file.seek(SeekFrom::Start(index.0))?;
    file.take((index.1 - index.0).min(MOST_INDEX_BYTES))
        .read_to_end(&mut body)?;
    Ok(body)
}

fn be_u32(b: &[u8]) -> u32 {
    b.iter()
        .take(4)
        .fold(0, |sum, &x| (sum << 8) | u32::from(x))
}

fn be_u64(b: &[u8]) -> u64 {
    b.iter()
        .take(8)
        .fold(0, |sum, &x| (sum << 8) | u64::from(x))
}

/// The boxes in a body, name and own body each; ends at the first that does not fit.
fn boxes(body: &[u8]) -> impl Iterator<Item = (&[u8], &[u8])> {
    let mut rest = body;
    std::iter::from_fn(move || {
        let size = be_u32(rest.get(..8)?) as usize;
        let whole = rest.get(..size).filter(|_| size >= 8)?;
        rest = &rest[size..];
        Some((&whole[4..8], &whole[8..]))
    })
}

fn inner<'a>(body: &'a [u8], name: &[u8]) -> Option<&'a [u8]> {
    boxes(body).find(|(n, _)| *n == name).map(|(_, body)| body)
}

/// A file that seems as long as its boxes announce. The MP4 reader passes over a box that reaches
/// beyond the end of the file; told the announced length, it reads the packets up to the cut.
#[derive(Debug)]
pub(crate) struct AnnouncedLength {
    pub(crate) file: File,
    pub(crate) length: u64,
}

impl Read for AnnouncedLength {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        self.file.read(into)
    }
}

impl Seek for AnnouncedLength {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        match to {
            SeekFrom::End(by) => {
                let place = self.length.saturating_add_signed(by);
                self.file.seek(SeekFrom::Start(place))
            }
            _ => self.file.seek(to),
        }
    }
}

impl MediaSource for AnnouncedLength {
    fn is_seekable(&self) -> bool {
        true
    }

    fn byte_len(&self) -> Option<u64> {
        Some(self.length)
    }
}
