//! Learning curves as an event file, which dashboards of training read while a study runs and afterwards.
//!
//! The file is a sequence of records: the length of a message (u64, little-endian), the masked CRC-32C of these eight
//! bytes, the message, and its masked CRC-32C. A message is a protocol buffer with the fields of [`event`]. It holds no
//! date: its wall time is the time driven in training, so that the same seed leaves the same bytes.

use crate::search::CurvePoint;
use crate::store::{StoreError, write_atomically};
use std::fs::{self, OpenOptions};
use std::io::{self, Write};
use std::path::Path;

/// Readers recognise an event file by the third part of its name.
pub(crate) const EVENT_FILE: &str = "events.out.tfevents.0.curve";

/// The curves' names, those of the columns in `metrics.csv`.
type Curve = (&'static str, fn(&CurvePoint) -> f64);
const CURVES: [Curve; 2] =
    [("validation_return_s", |point| point.mean), ("standard_error_s", |point| point.standard_error)];

/// Brings the file up to `curve`. A reader may hold it open, so what stands there is continued rather than replaced; a
/// run that was resumed from an earlier checkpoint may find its file ahead of it.
///
/// # Errors
/// [`StoreError`].
pub(crate) fn write(file: &Path, curve: &[CurvePoint], tick_s: f64) -> Result<(), StoreError> {
    let bytes = records(curve, tick_s);
    let there = match fs::read(file) {
        Err(reason) if reason.kind() == io::ErrorKind::NotFound => return write_atomically(file, &bytes),
        read => read.map_err(StoreError::io(file))?,
    };
    if there.starts_with(&bytes) {
        return Ok(());
    }
    let Some(rest) = bytes.strip_prefix(there.as_slice()) else { return write_atomically(file, &bytes) };
    let opened = OpenOptions::new().append(true).open(file);
    opened.and_then(|mut out| out.write_all(rest)).map_err(StoreError::io(file))
}

/// The file of a finished job.
///
/// # Errors
/// [`StoreError`].
pub(crate) fn complete(file: &Path, curve: &[CurvePoint], tick_s: f64) -> Result<(), StoreError> {
    let bytes = records(curve, tick_s);
    if fs::read(file).is_ok_and(|there| there == bytes) {
        return Ok(());
    }
    write_atomically(file, &bytes)
}

fn records(curve: &[CurvePoint], tick_s: f64) -> Vec<u8> {
    let mut out = record(&field(3, b"brain.Event:2"));
    for point in curve {
        for (name, value) in CURVES {
            out.extend(record(&event(point.ticks, point.ticks as f64 * tick_s, name, value(point))));
        }
    }
    out
}

/// `Event { wall_time: f64 = 1, step: i64 = 2, summary: Summary = 5 }` with `Summary { value: Value = 1 }` and
/// `Value { tag: string = 1, simple_value: f32 = 2 }`.
fn event(step: u64, wall_time_s: f64, tag: &str, value: f64) -> Vec<u8> {
    let mut named = field(1, tag.as_bytes());
    named.push(key(2, 5));
    named.extend((value as f32).to_le_bytes());
    let mut out = vec![key(1, 1)];
    out.extend(wall_time_s.to_le_bytes());
    out.push(key(2, 0));
    out.extend(varint(step));
    out.extend(field(5, &field(1, &named)));
    out
}

/// Number of a field below 16, and its wire type.
fn key(number: u8, wire: u8) -> u8 {
    number << 3 | wire
}

/// A field of bytes.
fn field(number: u8, bytes: &[u8]) -> Vec<u8> {
    let mut out = vec![key(number, 2)];
    out.extend(varint(bytes.len() as u64));
    out.extend(bytes);
    out
}

/// Seven bits a byte, the lowest first; the top bit says that more follow.
fn varint(mut value: u64) -> Vec<u8> {
    let mut out = Vec::new();
    while value > 0x7f {
        out.push(value as u8 | 0x80);
        value >>= 7;
    }
    out.push(value as u8);
    out
}

fn record(message: &[u8]) -> Vec<u8> {
    let length = (message.len() as u64).to_le_bytes();
    let parts = [&length[..], &masked(&length).to_le_bytes(), message, &masked(message).to_le_bytes()];
    parts.concat()
}

/// The checksum as records hold it, so that a checksum of data that holds checksums stays a good one.
fn masked(bytes: &[u8]) -> u32 {
    crc32c(bytes).rotate_right(15).wrapping_add(0xa282_ead8)
}

/// CRC-32C (Castagnoli), bit by bit: curves are short. RFC 3720, appendix B.4 has check values.
fn crc32c(bytes: &[u8]) -> u32 {
    const REVERSED_POLYNOMIAL: u32 = 0x82f6_3b78;
    !bytes.iter().fold(u32::MAX, |crc, byte| {
        (0..8).fold(crc ^ u32::from(*byte), |crc, _| {
            (crc >> 1) ^ (REVERSED_POLYNOMIAL & (crc & 1).wrapping_neg())
        })
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    const TICK_S: f64 = 0.05;

    fn curve(points: u64) -> Vec<CurvePoint> {
        let point = |n: u64| CurvePoint { ticks: 300 * n, mean: -100.0 + n as f64, standard_error: 0.5 };
        (0..points).map(point).collect()
    }

    #[test]
    fn crc32c_is_that_of_rfc_3720() {
        let ascending: Vec<u8> = (0..32).collect();
        let descending: Vec<u8> = (0..32).rev().collect();
        for (bytes, expected) in [
            (&[0; 32][..], 0x8a91_36aa),
            (&[0xff; 32], 0x62a8_ab43),
            (&ascending, 0x46dd_794e),
            (&descending, 0x113f_db5c),
            (b"123456789", 0xe306_9283),
        ] {
            assert_eq!(crc32c(bytes), expected, "{bytes:?}");
        }
    }

    #[test]
    fn a_record_is_length_checksum_message_checksum() {
        let event = event(300, 15.0, "a", 1.5);
        assert_eq!(
            event,
            [
                &[0x09][..],
                &15.0_f64.to_le_bytes(),
                &[0x10, 0xac, 0x02],
                &[0x2a, 10, 0x0a, 8, 0x0a, 1, b'a', 0x15],
                &1.5_f32.to_le_bytes()
            ]
            .concat()
        );
        let framed = record(&event);
        assert_eq!(framed[..8], (event.len() as u64).to_le_bytes());
        assert_eq!(framed[8..12], masked(&framed[..8]).to_le_bytes());
        assert_eq!(framed[12..12 + event.len()], event);
        assert_eq!(framed[12 + event.len()..], masked(&event).to_le_bytes());
        // The mask is a rotation by 15 bits and a constant.
        assert_eq!(masked(b"123456789").wrapping_sub(0xa282_ead8).rotate_left(15), 0xe306_9283);
    }

    #[test]
    fn a_file_that_stands_there_is_continued_and_never_falls_behind() {
        let folder = std::env::temp_dir().join(format!("lowgear-events-{}", std::process::id()));
        fs::create_dir_all(&folder).unwrap();
        let file = folder.join(EVENT_FILE);
        let whole = records(&curve(9), TICK_S);
        write(&file, &curve(3), TICK_S).unwrap();
        // As a reader that holds the file open.
        let mut held = fs::File::open(&file).unwrap();
        write(&file, &curve(9), TICK_S).unwrap();
        let mut seen = Vec::new();
        io::Read::read_to_end(&mut held, &mut seen).unwrap();
        assert_eq!(seen, whole, "the same file has grown");
        write(&file, &curve(5), TICK_S).unwrap();
        assert_eq!(fs::read(&file).unwrap(), whole, "resumed from an earlier checkpoint");
        fs::write(&file, &whole[..whole.len() - 7]).unwrap();
        write(&file, &curve(9), TICK_S).unwrap();
        assert_eq!(fs::read(&file).unwrap(), whole, "cut within a record");
        fs::write(&file, "of another run").unwrap();
        write(&file, &curve(9), TICK_S).unwrap();
        assert_eq!(fs::read(&file).unwrap(), whole, "replaced");
        complete(&file, &curve(4), TICK_S).unwrap();
        assert_eq!(
            fs::read(&file).unwrap(),
            records(&curve(4), TICK_S),
            "a finished job has what its record has"
        );
    }
}
