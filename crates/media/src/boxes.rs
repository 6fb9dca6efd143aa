//! The boxes that an ISO base media file (ISO/IEC 14496-12, 4.2) and a QuickTime file are made of.

use std::fs::File;
use std::io::{BufReader, Cursor, Read, Seek, SeekFrom};
use std::path::Path;

use re_mp4::{BoxHeader, HEADER_SIZE, ReadBox};

use crate::MediaError;

/// Most bytes of one box that is read into memory; the index of a day at 240 Hz has some 200 MB.
const MOST_BYTES_IN_MEMORY: u64 = 1 << 29;

/// A box at the top level of a file.
#[derive(Debug, Clone, Copy)]
pub(crate) struct TopBox {
    pub(crate) name: [u8; 4],
    /// Where its content starts in the file.
    pub(crate) content: u64,
    /// Where its header says that it ends, which may be behind the end of the file.
    pub(crate) end: u64,
}

/// A file as a row of boxes.
pub(crate) struct BoxFile<'a> {
    path: &'a Path,
    reader: BufReader<File>,
    /// Length of the file in bytes.
    pub(crate) length: u64,
    pub(crate) boxes: Vec<TopBox>,
}

impl<'a> BoxFile<'a> {
    /// Finds the boxes at the top level; their contents are skipped. Bytes behind the last box that are no box end the list.
    pub(crate) fn open(path: &'a Path) -> Result<Self, MediaError> {
        const KNOWN: [&[u8; 4]; 9] = [b"ftyp", b"mdat", b"free", b"skip", b"wide", b"moov", b"uuid", b"meta", b"pnot"];
        let file = File::open(path).map_err(MediaError::io(path, "opening"))?;
        let metadata = file.metadata().map_err(MediaError::io(path, "opening"))?;
        if !metadata.is_file() {
            return Err(MediaError::NotVideo { path: path.to_owned() });
        }
        let length = metadata.len();
        if length == 0 {
            return Err(MediaError::Empty { path: path.to_owned() });
        }
        let mut found = Self { path, reader: BufReader::new(file), length, boxes: Vec::new() };
        let mut start = 0u64;
        while start.saturating_add(HEADER_SIZE) <= length {
            found.reader.seek(SeekFrom::Start(start)).map_err(MediaError::io(path, "reading"))?;
            let Ok(header) = BoxHeader::read(&mut found.reader) else { break };
            let name = u32::from(header.name).to_be_bytes();
            if found.boxes.is_empty() && !KNOWN.contains(&&name) {
                break;
            }
            let content = found.reader.stream_position().map_err(MediaError::io(path, "reading"))?;
            // A box of size 0 runs to the end of the file. `size` counts from 8 bytes before the content.
            let end = if header.size == 0 { length } else { content.saturating_add(header.size) - HEADER_SIZE };
            if end < content {
                break;
            }
            found.boxes.push(TopBox { name, content, end });
            start = end;
        }
        if found.boxes.is_empty() {
            return Err(MediaError::NotVideo { path: path.to_owned() });
        }
        Ok(found)
    }

    /// An error when the file ends inside a box that holds pictures, sound or their index.
    pub(crate) fn check_whole(&self) -> Result<(), MediaError> {
        match self.boxes.iter().find(|b| matches!(&b.name, b"mdat" | b"moof") && b.end > self.length) {
            Some(cut) => Err(MediaError::CutOff {
                path: self.path.to_owned(),
                place: name_of(cut.name),
                missing_bytes: cut.end - self.length,
            }),
            None => Ok(()),
        }
    }

    /// The content of a box at the top level, as far as the file holds it.
    pub(crate) fn content(&mut self, of: TopBox) -> Result<Vec<u8>, MediaError> {
        let size = of.end.min(self.length).saturating_sub(of.content);
        if size > MOST_BYTES_IN_MEMORY {
            return Err(malformed(self.path, of.name, format!("{size} bytes are too many for an index")));
        }
        self.reader.seek(SeekFrom::Start(of.content)).map_err(MediaError::io(self.path, "reading"))?;
        let mut bytes = Vec::new();
        self.reader.by_ref().take(size).read_to_end(&mut bytes).map_err(MediaError::io(self.path, "reading"))?;
        Ok(bytes)
    }
}

/// A box inside another.
#[derive(Clone, Copy)]
pub(crate) struct Part<'a> {
    pub(crate) name: [u8; 4],
    /// The last 8 bytes of its header and its content.
    bytes: &'a [u8],
}

impl<'a> Part<'a> {
    /// Its content; `bytes` always holds the header.
    pub(crate) fn content(&self) -> &'a [u8] {
        self.bytes.get(HEADER_SIZE as usize..).unwrap_or_default()
    }

    /// The box as `re_mp4` understands it.
    pub(crate) fn read<B>(&self, path: &Path) -> Result<B, MediaError>
    where
        B: for<'r> ReadBox<&'r mut Cursor<&'a [u8]>>,
    {
        let mut cursor = Cursor::new(self.bytes);
        cursor.set_position(HEADER_SIZE);
        B::read_box(&mut cursor, self.bytes.len() as u64).map_err(|e| malformed(path, self.name, e.to_string()))
    }
}

/// The boxes in the content of another, `parent`.
pub(crate) fn parts<'a>(path: &Path, parent: [u8; 4], content: &'a [u8]) -> Result<Vec<Part<'a>>, MediaError> {
    let mut found = Vec::new();
    let mut rest = content;
    // QuickTime may close a list with four zero bytes.
    while rest.len() >= HEADER_SIZE as usize {
        let mut cursor = rest;
        let header = BoxHeader::read(&mut cursor).map_err(|e| malformed(path, parent, e.to_string()))?;
        if header.size == 0 {
            break;
        }
        let name = u32::from(header.name).to_be_bytes();
        let start = rest.len() - cursor.len() - HEADER_SIZE as usize;
        let end = usize::try_from(header.size).ok().and_then(|size| start.checked_add(size));
        match end.and_then(|end| Some((rest.get(start..end)?, rest.get(end..)?))) {
            Some((bytes, after)) if header.size >= HEADER_SIZE => {
                found.push(Part { name, bytes });
                rest = after;
            }
            _ => return Err(malformed(path, parent, format!("its part \"{}\" is longer than itself", name_of(name)))),
        }
    }
    Ok(found)
}

pub(crate) fn malformed(path: &Path, place: [u8; 4], reason: impl Into<String>) -> MediaError {
    MediaError::malformed(path, &format!("box \"{}\"", name_of(place)), reason)
}

/// A box name as text, with a point for what cannot be printed.
pub(crate) fn name_of(name: [u8; 4]) -> String {
    name.iter().map(|b| if b.is_ascii_graphic() { char::from(*b) } else { '.' }).collect()
}

/// `N` bytes at a place, for numbers of a fixed size.
pub(crate) fn bytes_at<const N: usize>(bytes: &[u8], at: usize) -> Option<[u8; N]> {
    bytes.get(at..at.checked_add(N)?)?.try_into().ok()
}
