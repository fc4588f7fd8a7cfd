//! A recording: one frame a tick, for any place that takes bytes, and how it is read back.
//!
//! A frame has [`FRAME_BYTES`] bytes on the wire: [`FRAME_DATA`] bytes of data, a checksum of two, and two for the
//! framing by consistent overhead byte stuffing (Cheshire, Baker 1999, IEEE/ACM Trans. Networking 7): zeros of the
//! content give way to the distance to the next one, so a zero ends a frame and nothing else. A reader that lost its
//! place finds it again at the next zero. [`HEADER_BYTES`] bytes say what the numbers mean; they come first and every
//! [`HEADER_TICKS`] ticks, so that the end of a recording can be read without its beginning.
//!
//! The content, low byte first (`version` 2; version 1 has no monitor):
//!
//! | bytes | frame |
//! | --- | --- |
//! | 0, 1 | tick, from 0; goes round |
//! | 2 to 13 | encoder counts, battery mV, current mA, tilt ddeg, duty permille, selector ddeg |
//! | 14, 15 | reading of a preview sensor, signed; 0 without one |
//! | 16 | low bits of what was asked, verdict (from bit 2), phase (from bit 5) |
//! | 17 | confirmed gear, ordered gear (from bit 3), which of two policies drives (bit 6), high bit of what was asked (bit 7) |
//! | 18 | drive, nudge, recalibrate, park (bits 0 to 3), fault (from bit 4), tick has not gone round (bit 7) |
//! | 19 | label of the lap, 0 outside of laps |
//! | 20, 21 | checksum, high byte first |
//!
//! What was asked, in three bits: 4, 5, 6 the policy asked for down, hold, up; 1 it was not asked. While the monitor has gone
//! back to the rule: 2, 3, 0 the rule asked for down, hold, up; 7 it was not asked.
//!
//! | bytes | header |
//! | --- | --- |
//! | 0 to 3 | `L`, `G`, version, data bytes of a frame |
//! | 4 to 7 | length of a tick, µs |
//! | 8, 9 | encoder pulses per turn of the motor |
//! | 10, 11 | gears; sensors that are fitted: battery, current, tilt, preview (bits 0 to 3) |
//! | 12 to 19 | first four bytes of the hashes of the tables of policy 0 and policy 1; 0 for none |
//! | 20 to 23 | ticks between decisions, then 0 |
//! | 24, 25 | checksum, high byte first |

use super::{Command, Controller, Fault, MAX_GEARS, Phase, Raw, Request, Settings, Verdict};

/// Layout of frames and headers.
const VERSION: u8 = 2;
/// The oldest layout that is read: its frames mean the same.
const OLDEST_VERSION: u8 = 1;
/// Bytes of data in a frame.
pub const FRAME_DATA: usize = 20;
/// Bytes of a frame on the wire.
pub const FRAME_BYTES: usize = FRAME_DATA + 4;
/// Bytes of data in a header.
pub const HEADER_DATA: usize = 24;
/// Bytes of a header on the wire.
pub const HEADER_BYTES: usize = HEADER_DATA + 4;
/// Ticks between two headers.
pub const HEADER_TICKS: u16 = 256;

/// The checksum after one more byte.
#[inline]
const fn crc16(crc: u16, byte: u8) -> u16 {
    // A byte at a time without a table: the quotient's upper half depends on the lower one only by a shift of 4.
    let mut x = (crc >> 8) as u8 ^ byte;
    x ^= x >> 4;
    let x = x as u16;
    (crc << 8) ^ (x << 12) ^ (x << 5) ^ x
}

/// What the checksum begins with.
const CRC_FIRST: u16 = 0xffff;

/// The checksum of some bytes: CRC-16 with the polynomial x^16 + x^12 + x^5 + 1 (0x1021), first value 0xffff, high bit
/// first, nothing added at the end. Of the nine letters `123456789` it is 0x29b1; of a content with its checksum, high
/// byte first, it is 0.
#[must_use]
pub fn crc16_of(bytes: &[u8]) -> u16 {
    bytes.iter().fold(CRC_FIRST, |crc, byte| crc16(crc, *byte))
}

/// Adds checksum and framing to a content that stands from the second byte on, three bytes before the end.
#[inline]
fn finish(wire: &mut [u8]) {
    let end = wire.len().saturating_sub(1);
    let crc = crc16_of(wire.get(1..end.saturating_sub(2)).unwrap_or(&[]));
    if let Some([high, low]) = wire.get_mut(end.saturating_sub(2)..end) {
        (*high, *low) = ((crc >> 8) as u8, crc as u8);
    }
    stuff(wire);
}

/// Stuffs a content of at most 253 bytes in place: it stands between the first byte and the last, which is the end of
/// the frame.
#[inline]
pub fn stuff(wire: &mut [u8]) {
    let end = wire.len().saturating_sub(1);
    // From the end: every zero, and the first byte, holds the distance to the next zero.
    let mut distance = 0u8;
    for (at, byte) in wire.iter_mut().enumerate().rev() {
        if at == end {
            *byte = 0;
        } else if *byte == 0 || at == 0 {
            *byte = distance;
            distance = 0;
        }
        distance = distance.wrapping_add(1);
    }
}

/// Undoes the stuffing of one frame without its end, in place; the content is what follows the first byte. `false` for
/// bytes that are no frame.
pub fn unstuff(wire: &mut [u8]) -> bool {
    let some = !wire.is_empty();
    let mut left = 0;
    for (at, byte) in wire.iter_mut().enumerate() {
        if *byte == 0 {
            return false;
        }
        if left == 0 {
            left = *byte;
            // The first byte is none of the content, nor the end of a group of 255.
            if at > 0 {
                *byte = 0;
            }
        }
        left -= 1;
    }
    some && left == 0
}

/// What one tick was.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Frame {
    /// Number of the tick, from 0; goes round after 65535.
    pub tick: u16,
    /// Whether the number has not gone round yet.
    pub unwrapped: bool,
    /// The readings.
    pub raw: Raw,
    /// What the policy asked for; hold where it was not asked.
    pub request: Request,
    /// Whether it was asked.
    pub asked: bool,
    /// What became of the request.
    pub verdict: Verdict,
    /// What the guard is doing.
    pub phase: Phase,
    /// The last confirmed gear.
    pub gear: u8,
    /// Which reading was out of range last.
    pub fault: Fault,
    /// The order for the coming tick.
    pub command: Command,
    /// Which of two policies drives, 0 or 1.
    pub policy: u8,
    /// Whether the monitor has gone back to the rule, which then decides in place of policy 1.
    pub fallback: bool,
    /// Label of the lap; 0 outside of laps.
    pub lap: u8,
}

/// What was asked in three bits, see the head of this file.
const fn asked_code(request: Request, asked: bool, fallback: bool) -> u8 {
    let code = if asked { 4 + request as u8 } else { Request::Hold as u8 };
    // Of eight codes the usual ones are 1, 4, 5, 6; turned over in two bits they become the other four.
    if fallback { code ^ 6 } else { code }
}

/// Request, whether it was asked, and whether the monitor had gone back to the rule.
const fn asked_of(code: u8) -> (Request, bool, bool) {
    let fallback = matches!(code & 7, 0 | 2 | 3 | 7);
    match if fallback { code & 7 ^ 6 } else { code & 7 } {
        4 => (Request::Down, true, fallback),
        5 => (Request::Hold, true, fallback),
        6 => (Request::Up, true, fallback),
        _ => (Request::Hold, false, fallback),
    }
}

impl Frame {
    /// The frame on the wire, with the zero at its end.
    #[must_use]
    pub fn encode(&self) -> [u8; FRAME_BYTES] {
        let raw = &self.raw;
        let [t, u] = self.tick.to_le_bytes();
        let [e, f] = raw.encoder_counts.to_le_bytes();
        let [b, c] = raw.battery_mv.to_le_bytes();
        let [m, n] = raw.current_ma.to_le_bytes();
        let [i, j] = raw.tilt_ddeg.to_le_bytes();
        let [d, g] = raw.duty_permille.to_le_bytes();
        let [s, r] = raw.selector_ddeg.to_le_bytes();
        let [p, q] = self.raw.preview.to_le_bytes();
        let code = asked_code(self.request, self.asked, self.fallback);
        let done = (code & 3) | (self.verdict as u8) << 2 | (self.phase as u8) << 5;
        let order = &self.command;
        let gears = (self.gear & 7) | (order.gear & 7) << 3 | (self.policy & 1) << 6 | (code >> 2) << 7;
        let ordered = order.drive as u8
            | (order.nudge as u8) << 1
            | (order.recalibrate as u8) << 2
            | (order.park as u8) << 3
            | (self.fault as u8) << 4
            | (self.unwrapped as u8) << 7;
        let lap = self.lap;
        let mut wire =
            [0, t, u, e, f, b, c, m, n, i, j, d, g, s, r, p, q, done, gears, ordered, lap, 0, 0, 0];
        finish(&mut wire);
        wire
    }

    /// A frame from its data; `None` for codes that no recorder writes.
    #[must_use]
    pub fn decode(data: &[u8; FRAME_DATA]) -> Option<Frame> {
        let [t, u, e, f, b, c, m, n, i, j, d, g, s, r, p, q, done, gears, ordered, lap] = *data;
        let raw = Raw {
            encoder_counts: u16::from_le_bytes([e, f]),
            battery_mv: u16::from_le_bytes([b, c]),
            current_ma: i16::from_le_bytes([m, n]),
            tilt_ddeg: i16::from_le_bytes([i, j]),
            duty_permille: u16::from_le_bytes([d, g]),
            selector_ddeg: u16::from_le_bytes([s, r]),
            preview: i16::from_le_bytes([p, q]),
        };
        let known = |gear: u8| Some(gear).filter(|gear| (*gear as usize) < MAX_GEARS);
        let (request, asked, fallback) = asked_of((done & 3) | (gears >> 7) << 2);
        Some(Frame {
            tick: u16::from_le_bytes([t, u]),
            unwrapped: ordered & 128 != 0,
            raw,
            request,
            asked,
            verdict: *VERDICTS.get((done >> 2 & 7) as usize)?,
            phase: *PHASES.get((done >> 5) as usize)?,
            gear: known(gears & 7)?,
            fault: *FAULTS.get((ordered >> 4 & 7) as usize)?,
            command: Command {
                drive: ordered & 1 != 0,
                gear: known(gears >> 3 & 7)?,
                nudge: ordered & 2 != 0,
                recalibrate: ordered & 4 != 0,
                park: ordered & 8 != 0,
            },
            policy: gears >> 6 & 1,
            fallback,
            lap,
        })
    }
}

const VERDICTS: [Verdict; 7] = [
    Verdict::Idle,
    Verdict::Accepted,
    Verdict::NoSuchGear,
    Verdict::Busy,
    Verdict::Dwell,
    Verdict::Tilt,
    Verdict::Turning,
];
const PHASES: [Phase; 7] = [
    Phase::Driving,
    Phase::Cutting,
    Phase::Moving,
    Phase::Recalibrating,
    Phase::Resting,
    Phase::Parked,
    Phase::Faulted,
];
const FAULTS: [Fault; 7] =
    [Fault::None, Fault::Encoder, Fault::Battery, Fault::Current, Fault::Tilt, Fault::Duty, Fault::Selector];

/// What the numbers of a recording mean.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Header {
    /// Length of a tick, µs.
    pub tick_us: u32,
    /// Encoder pulses per turn of the motor.
    pub pulses_per_turn: u16,
    /// Gears.
    pub gears: u8,
    /// Which sensors are fitted: battery, current, tilt, preview.
    pub fitted: [bool; 4],
    /// First four bytes of the hashes of the tables of policy 0 and policy 1; 0 for none.
    pub hashes: [[u8; 4]; 2],
    /// Ticks between two decisions.
    pub decision_ticks: u16,
}

impl Header {
    /// For a vehicle with these settings.
    #[must_use]
    pub fn new(settings: &Settings, hashes: [[u8; 4]; 2]) -> Header {
        let ranges = &settings.ranges;
        let current = ranges.max_current_ma != u16::MAX;
        let tilt = ranges.max_tilt_ddeg != u16::MAX;
        Header {
            tick_us: settings.tick_us,
            pulses_per_turn: settings.pulses_per_turn,
            gears: settings.guard.gears,
            fitted: [settings.features.battery_fitted, current, tilt, settings.features.preview.fitted],
            hashes,
            decision_ticks: settings.decision_ticks,
        }
    }

    /// The header on the wire, with the zero at its end.
    #[must_use]
    pub fn encode(&self) -> [u8; HEADER_BYTES] {
        let [a, b, c, d] = self.tick_us.to_le_bytes();
        let [p, q] = self.pulses_per_turn.to_le_bytes();
        let [t, u] = self.decision_ticks.to_le_bytes();
        let bit = |at: usize| u8::from(self.fitted.get(at).copied().unwrap_or(false)) << at;
        let fitted = bit(0) | bit(1) | bit(2) | bit(3);
        let [[e, f, g, h], [i, j, k, l]] = self.hashes;
        let data = FRAME_DATA as u8;
        let mut wire = [
            0, b'L', b'G', VERSION, data, a, b, c, d, p, q, self.gears, fitted, e, f, g, h, i, j, k, l, t, u,
            0, 0, 0, 0, 0,
        ];
        finish(&mut wire);
        wire
    }

    /// A header from its data: the header, or the version of a layout that is not known here. `None` for data that are
    /// no header.
    #[must_use]
    pub fn decode(data: &[u8; HEADER_DATA]) -> Option<Result<Header, u8>> {
        let [m, n, version, frame, a, b, c, d, p, q, gears, fitted, e, f, g, h, i, j, k, l, t, u, _, _] =
            *data;
        if [m, n] != [b'L', b'G'] {
            return None;
        }
        if !(OLDEST_VERSION..=VERSION).contains(&version) || frame as usize != FRAME_DATA {
            return Some(Err(version));
        }
        Some(Ok(Header {
            tick_us: u32::from_le_bytes([a, b, c, d]),
            pulses_per_turn: u16::from_le_bytes([p, q]),
            gears,
            fitted: [fitted & 1 != 0, fitted & 2 != 0, fitted & 4 != 0, fitted & 8 != 0],
            hashes: [[e, f, g, h], [i, j, k, l]],
            decision_ticks: u16::from_le_bytes([t, u]),
        }))
    }
}

/// Numbers the ticks of a recording.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Recorder {
    tick: u16,
    unwrapped: bool,
    /// Which of two policies drives, 0 or 1.
    pub policy: u8,
    /// Whether the monitor has gone back to the rule.
    pub fallback: bool,
    /// Label of the lap; 0 outside of laps.
    pub lap: u8,
}

impl Recorder {
    /// At power-up.
    #[must_use]
    pub const fn new() -> Recorder {
        Recorder { tick: 0, unwrapped: true, policy: 0, fallback: false, lap: 0 }
    }

    /// Whether the header is due before the next frame.
    #[must_use]
    pub const fn header_due(&self) -> bool {
        self.tick & (HEADER_TICKS - 1) == 0
    }

    /// The frame of this tick, after [`Controller::act`]: `request` is what the policy asked for, if it was `asked`.
    pub fn frame(
        &mut self,
        controller: &Controller,
        raw: &Raw,
        request: Request,
        asked: bool,
        command: &Command,
    ) -> Frame {
        let guard = controller.guard();
        let frame = Frame {
            tick: self.tick,
            unwrapped: self.unwrapped,
            raw: *raw,
            request,
            asked,
            verdict: guard.verdict(),
            phase: guard.phase(),
            gear: guard.gear(),
            fault: guard.fault(),
            command: *command,
            policy: self.policy,
            fallback: self.fallback,
            lap: self.lap,
        };
        self.tick = self.tick.wrapping_add(1);
        if self.tick == 0 {
            self.unwrapped = false;
        }
        frame
    }
}

impl Default for Recorder {
    fn default() -> Recorder {
        Recorder::new()
    }
}
