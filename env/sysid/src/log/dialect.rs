//! How a file is written: byte-order mark, delimiter; and what it is when it is no log.

use super::mapping::Mapping;
use std::io::{self, Read};

/// Bytes looked at.
const HEAD_BYTES: usize = 8192;
/// Longest row, bytes: no log of ten quantities has longer ones.
const LONGEST_ROW_BYTES: usize = 16 * 1024;

/// The first bytes of a file without its byte-order mark, and the delimiter of its heading.
pub(super) struct Head {
    pub(super) bytes: Vec<u8>,
    pub(super) delimiter: u8,
}

impl Head {
    /// Reads the beginning of a file.
    ///
    /// # Errors
    /// What the system says, or in words what the file is instead of a log.
    pub(super) fn read(source: &mut impl Read, mapping: &Mapping) -> io::Result<Result<Head, String>> {
        let mut bytes = Vec::with_capacity(HEAD_BYTES);
        source.take(HEAD_BYTES as u64).read_to_end(&mut bytes)?;
        Ok(Head::of(bytes, mapping))
    }

    fn of(mut bytes: Vec<u8>, mapping: &Mapping) -> Result<Head, String> {
        if bytes.starts_with(&[0xef, 0xbb, 0xbf]) {
            bytes.drain(..3);
        }
        if bytes.starts_with(&[0x1f, 0x8b]) || bytes.starts_with(b"PK\x03\x04") {
            return Err("a compressed file; unpack it first".to_owned());
        }
        if bytes.starts_with(&[0xff, 0xfe])
            || bytes.starts_with(&[0xfe, 0xff])
            || bytes.iter().take(64).any(|b| *b == 0)
        {
            return Err("not plain text: UTF-16 or a binary file; save the log as CSV in UTF-8".to_owned());
        }
        let mut lines = bytes.split(|b| matches!(b, b'\n' | b'\r'));
        let heading = lines.find(|line| !line.trim_ascii().is_empty() && !line.starts_with(b"#"));
        let Some(heading) = heading else {
            return Err("empty; a log begins with a line of headings".to_owned());
        };
        let has = |delimiter: u8| heading.contains(&delimiter);
        let delimiter = match mapping.delimiter {
            Some(declared) => declared as u8,
            None if has(b';') => b';',
            None if has(b'\t') => b'\t',
            None if has(b'|') && !has(b',') => b'|',
            None => b',',
        };
        Ok(Head { bytes, delimiter })
    }
}

/// Makes every end of a line a `\n` (lines are counted by it, whatever system wrote them), and refuses a source whose rows do not
/// end, so that memory stays small.
pub(super) struct RowGuard<R> {
    source: R,
    since_end: usize,
    /// Whether the byte before was a `\r`, which has become the end of its line.
    ended: bool,
}

impl<R> RowGuard<R> {
    pub(super) const fn new(source: R) -> RowGuard<R> {
        RowGuard { source, since_end: 0, ended: false }
    }

    /// Makes the ends of lines alike; returns how many bytes are left.
    fn alike(&mut self, bytes: &mut [u8]) -> usize {
        if !self.ended && !bytes.contains(&b'\r') {
            return bytes.len();
        }
        let mut kept = 0;
        for i in 0..bytes.len() {
            let byte = bytes[i];
            let second_half = self.ended && byte == b'\n';
            self.ended = byte == b'\r';
            if !second_half {
                bytes[kept] = if self.ended { b'\n' } else { byte };
                kept += 1;
            }
        }
        kept
    }
}

impl<R: Read> Read for RowGuard<R> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let mut count = 0;
        // A buffer with nothing but the second half of a line's end is not the end of the file.
        while count == 0 {
            let read = self.source.read(buffer)?;
            if read == 0 {
                return Ok(0);
            }
            count = self.alike(&mut buffer[..read]);
        }
        let is_end = |b: &u8| *b == b'\n';
        let seen = &buffer[..count];
        self.since_end = match seen.iter().rposition(is_end) {
            Some(last) => {
                let first = seen.iter().position(is_end).unwrap_or(last);
                if self.since_end + first > LONGEST_ROW_BYTES {
                    return Err(endless());
                }
                count - last - 1
            }
            None => self.since_end + count,
        };
        if self.since_end > LONGEST_ROW_BYTES { Err(endless()) } else { Ok(count) }
    }
}

fn endless() -> io::Error {
    io::Error::new(
        io::ErrorKind::InvalidData,
        format!("a row longer than {LONGEST_ROW_BYTES} bytes; this is no log"),
    )
}
