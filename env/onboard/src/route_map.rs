//! A map of the way as bytes: landmarks, and sections with the gear to be in.

use super::{MAX_GEARS, crc16_of};

/// Format of a map.
pub const ROUTE_FORMAT: u8 = 1;
/// Bytes of a map before its landmarks, and of the checksum at its end.
pub const ROUTE_HEAD: usize = 8;
const CHECKSUM: usize = 2;
/// Bytes of a landmark or a section.
pub const ROUTE_ENTRY: usize = 3;
/// Code of a section in which the map is silent.
pub const ROUTE_SILENT: u8 = 255;

/// Why a map was refused.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RouteError {
    /// Not as many bytes as its head says.
    Length,
    /// Another format.
    Format,
    /// The checksum differs.
    Checksum,
    /// Landmarks or sections do not lie in their order, or a gear is none.
    Entries,
}

/// A map: landmarks with their spread, and sections with the gear to be in.
///
/// Bytes: format, length (mm, low byte first), spread of the start (mm), variance per 16 mm of way (mm²), decisions for which
/// the load may contradict, number of landmarks, number of sections; then each landmark as position (mm, low byte first) and
/// spread (mm), each section as beginning and gear (0 is the lowest, [`ROUTE_SILENT`] none), and CRC-16 of all that.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct RouteMap<'a> {
    bytes: &'a [u8],
}

impl<'a> RouteMap<'a> {
    /// Checks a map.
    ///
    /// # Errors
    /// [`RouteError`] says what does not fit.
    pub fn new(bytes: &'a [u8]) -> Result<RouteMap<'a>, RouteError> {
        if bytes.len() < ROUTE_HEAD + CHECKSUM {
            return Err(RouteError::Length);
        }
        if bytes[0] != ROUTE_FORMAT {
            return Err(RouteError::Format);
        }
        let map = RouteMap { bytes };
        let entries = map.landmarks() as usize + map.sections() as usize;
        let end = ROUTE_HEAD + entries * ROUTE_ENTRY;
        if bytes.len() != end + CHECKSUM {
            return Err(RouteError::Length);
        }
        if crc16_of(&bytes[..end]) != u16::from_le_bytes([bytes[end], bytes[end + 1]]) {
            return Err(RouteError::Checksum);
        }
        let ordered = |range: core::ops::Range<usize>| {
            range.clone().skip(1).all(|i| map.position_mm(i) > map.position_mm(i - 1))
        };
        let landmarks = map.landmarks() as usize;
        let gears = (landmarks..entries).all(|i| {
            let gear = map.code(i);
            gear == ROUTE_SILENT || (gear as usize) < MAX_GEARS
        });
        if ordered(0..landmarks) && ordered(landmarks..entries) && gears {
            Ok(map)
        } else {
            Err(RouteError::Entries)
        }
    }

    /// Length of the way, mm.
    #[must_use]
    pub const fn length_mm(&self) -> u16 {
        u16::from_le_bytes([self.bytes[1], self.bytes[2]])
    }

    pub(super) const fn start_sd_mm(&self) -> u16 {
        self.bytes[3] as u16
    }

    pub(super) const fn drift_mm2(&self) -> u16 {
        self.bytes[4] as u16
    }

    pub(super) const fn patience(&self) -> u8 {
        self.bytes[5]
    }

    pub(super) const fn landmarks(&self) -> u8 {
        self.bytes[6]
    }

    const fn sections(&self) -> u8 {
        self.bytes[7]
    }

    /// Position of an entry, mm.
    pub(super) const fn position_mm(&self, entry: usize) -> u16 {
        let at = ROUTE_HEAD + entry * ROUTE_ENTRY;
        u16::from_le_bytes([self.bytes[at], self.bytes[at + 1]])
    }

    /// Spread of a landmark, mm, or gear of a section.
    pub(super) const fn code(&self, entry: usize) -> u8 {
        self.bytes[ROUTE_HEAD + entry * ROUTE_ENTRY + 2]
    }

    /// The gear to be in at a position; none where the map is silent.
    #[must_use]
    pub const fn gear_at(&self, position_mm: u16) -> Option<u8> {
        let first = self.landmarks() as usize;
        let (mut entry, mut gear) = (first, ROUTE_SILENT);
        while entry < first + self.sections() as usize && self.position_mm(entry) <= position_mm {
            gear = self.code(entry);
            entry += 1;
        }
        if gear == ROUTE_SILENT || position_mm > self.length_mm() { None } else { Some(gear) }
    }

    /// Whether a section begins on the next `within_mm`.
    #[must_use]
    pub const fn border_within(&self, position_mm: u16, within_mm: u16) -> bool {
        let first = self.landmarks() as usize;
        let mut entry = first;
        while entry < first + self.sections() as usize {
            let begin_mm = self.position_mm(entry);
            if begin_mm > position_mm && begin_mm - position_mm <= within_mm {
                return true;
            }
            entry += 1;
        }
        false
    }

    /// The landmark that a rise at `position_mm` is, with its distance, mm: the only one within `gate_mm`.
    pub(super) fn landmark_near(&self, position_mm: u16, gate_mm: impl Fn(u8) -> u16) -> Option<(u8, i32)> {
        let mut found = None;
        for entry in 0..self.landmarks() {
            let off_mm = self.position_mm(entry as usize) as i32 - position_mm as i32;
            if off_mm.unsigned_abs() <= gate_mm(self.code(entry as usize)) as u32 {
                if found.is_some() {
                    return None;
                }
                found = Some((entry, off_mm));
            }
        }
        found
    }
}
