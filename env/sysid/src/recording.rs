//! Recordings of the onboard controller, byte by byte: frames found again after damage, what was lost, and rows of a log.

use lowgear_env::{phase_name, request_name, verdict_name};
use lowgear_onboard::{
    FRAME_BYTES, FRAME_DATA, Frame, HEADER_BYTES, HEADER_DATA, Header, Phase, crc16_of, unstuff,
};
use std::f64::consts::TAU;

/// A gap of at most this many ticks is believed at once; what follows a longer one has to be confirmed by the frame
/// after it. A damaged frame passes the checksum once in 65536 times, and is then caught here.
const BELIEVED_TICKS: u16 = 200;
/// Ticks before the number of a tick goes round.
const TICKS_AROUND: u64 = 1 << 16;

/// What was met in a recording.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct RecordingCounters {
    /// Bytes read.
    pub bytes: u64,
    /// Frames that were read.
    pub frames: u64,
    /// Headers that were read.
    pub headers: u64,
    /// Pieces between two ends of a frame that were neither.
    pub damaged: u64,
    /// Ticks without a frame.
    pub lost_ticks: u64,
    /// Places where ticks are missing.
    pub gaps: u64,
    /// How often the controller restarted.
    pub restarts: u64,
    /// Frames whose number of a tick fits neither the frame before nor the one after.
    pub unconfirmed: u64,
}

impl RecordingCounters {
    /// In words, one finding a line.
    #[must_use]
    pub fn text(&self) -> String {
        let mut lines =
            vec![format!("{} bytes, {} frames, {} headers", self.bytes, self.frames, self.headers)];
        if self.damaged > 0 {
            lines.push(format!("{} damaged pieces were left out", self.damaged));
        }
        if self.unconfirmed > 0 {
            lines.push(format!("{} frames out of sequence were left out", self.unconfirmed));
        }
        if self.gaps > 0 {
            let share = 100.0 * self.lost_ticks as f64 / (self.lost_ticks + self.frames) as f64;
            lines.push(format!("{} ticks are missing in {} gaps ({share:.2} %)", self.lost_ticks, self.gaps));
        }
        if self.restarts > 0 {
            lines.push(format!("the controller restarted {} times", self.restarts));
        }
        lines.join("\n")
    }
}

/// A frame with its place in time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct RecordedTick {
    /// Ticks since power-up, or since the controller began to count again.
    pub tick: u64,
    /// Whether the controller has restarted, or this is the first frame.
    pub after_restart: bool,
    /// The frame.
    pub frame: Frame,
}

/// Reads a recording byte by byte.
#[derive(Clone, Debug, Default)]
pub struct Decoder {
    piece: Vec<u8>,
    /// Whether the piece is longer than anything that a recorder writes.
    overlong: bool,
    /// Whether an end of a frame has been seen: what stands before the first may be half a frame.
    synchronised: bool,
    header: Option<Header>,
    other_version: Option<u8>,
    last: Option<RecordedTick>,
    waiting: Option<Frame>,
    counters: RecordingCounters,
}

impl Decoder {
    /// At the beginning of a recording.
    #[must_use]
    pub fn new() -> Decoder {
        Decoder::default()
    }

    /// Takes a byte; hands out the frames that are certain with it.
    pub fn push(&mut self, byte: u8, mut each: impl FnMut(&RecordedTick)) {
        self.counters.bytes += 1;
        if byte != 0 {
            if self.piece.len() < HEADER_BYTES {
                self.piece.push(byte);
            } else {
                self.overlong = true;
            }
            return;
        }
        let mut piece = std::mem::take(&mut self.piece);
        let overlong = std::mem::replace(&mut self.overlong, false);
        let synchronised = std::mem::replace(&mut self.synchronised, true);
        if piece.is_empty() {
            // A zero more between two frames.
        } else if overlong || !self.take(&mut piece, &mut each) {
            self.counters.damaged += u64::from(synchronised || piece.len() >= FRAME_BYTES - 1);
        }
        piece.clear();
        self.piece = piece;
    }

    /// Reads a whole piece; `false` when it is neither a frame nor a header.
    fn take(&mut self, piece: &mut [u8], each: &mut impl FnMut(&RecordedTick)) -> bool {
        if !unstuff(piece) || crc16_of(&piece[1..]) != 0 {
            return false;
        }
        let content = &piece[1..];
        match content.len() {
            len if len == FRAME_DATA + 2 => {
                let frame = content.first_chunk::<FRAME_DATA>().and_then(Frame::decode);
                let gears = self.header.map_or(u8::MAX, |header| header.gears);
                let fits = |frame: &Frame| frame.gear < gears && frame.command.gear < gears;
                frame.filter(fits).map(|frame| self.sequence(frame, each)).is_some()
            }
            len if len == HEADER_DATA + 2 => {
                match content.first_chunk::<HEADER_DATA>().and_then(Header::decode) {
                    Some(Ok(header)) => {
                        self.header = Some(header);
                        self.counters.headers += 1;
                        true
                    }
                    Some(Err(version)) => {
                        self.other_version = Some(version);
                        true
                    }
                    None => false,
                }
            }
            _ => false,
        }
    }

    /// Places a frame behind the others.
    fn sequence(&mut self, frame: Frame, each: &mut impl FnMut(&RecordedTick)) {
        if let Some(last) = self.last {
            let ahead = frame.tick.wrapping_sub(last.frame.tick);
            let around = last.frame.unwrapped && !frame.unwrapped;
            let goes_on = (1..=BELIEVED_TICKS).contains(&ahead)
                && (frame.unwrapped == last.frame.unwrapped || (around && frame.tick < last.frame.tick));
            if goes_on {
                self.counters.unconfirmed += u64::from(self.waiting.take().is_some());
                self.accept(last.tick + u64::from(ahead), false, frame, each);
                return;
            }
        }
        let Some(before) = self.waiting.replace(frame) else { return };
        let ahead = frame.tick.wrapping_sub(before.tick);
        let goes_on = (1..=BELIEVED_TICKS).contains(&ahead)
            && (before.unwrapped == frame.unwrapped || (before.unwrapped && frame.tick < before.tick));
        if !goes_on {
            self.counters.unconfirmed += 1;
            return;
        }
        self.waiting = None;
        let (tick, restarted) = self.place_after_gap(&before);
        self.accept(tick, restarted, before, each);
        self.accept(tick + u64::from(ahead), false, frame, each);
    }

    /// Number of a tick after a long gap, and whether the controller restarted meanwhile: its count goes back without
    /// having gone round.
    fn place_after_gap(&self, frame: &Frame) -> (u64, bool) {
        let from_start = u64::from(frame.tick);
        let Some(last) = self.last else { return (from_start, true) };
        let back = frame.unwrapped && (!last.frame.unwrapped || frame.tick <= last.frame.tick);
        if back {
            return (from_start, true);
        }
        let ahead = frame.tick.wrapping_sub(last.frame.tick);
        (last.tick + if ahead == 0 { TICKS_AROUND } else { u64::from(ahead) }, false)
    }

    fn accept(&mut self, tick: u64, restarted: bool, frame: Frame, each: &mut impl FnMut(&RecordedTick)) {
        if let Some(last) = self.last {
            let lost = if restarted { tick } else { tick - last.tick - 1 };
            self.counters.restarts += u64::from(restarted);
            self.counters.lost_ticks += lost;
            self.counters.gaps += u64::from(lost > 0);
        }
        self.counters.frames += 1;
        let recorded = RecordedTick { tick, after_restart: restarted, frame };
        self.last = Some(recorded);
        each(&recorded);
    }

    /// Ends the recording: a frame that waits for confirmation is left out.
    pub fn finish(&mut self) {
        self.counters.unconfirmed += u64::from(self.waiting.take().is_some());
        self.counters.damaged += u64::from(!self.piece.is_empty());
        self.piece.clear();
    }

    /// The header read last.
    #[must_use]
    pub const fn header(&self) -> Option<&Header> {
        self.header.as_ref()
    }

    /// The version of a header that cannot be read here, if there was one.
    #[must_use]
    pub const fn other_version(&self) -> Option<u8> {
        self.other_version
    }

    /// What has been met so far.
    #[must_use]
    pub const fn counters(&self) -> &RecordingCounters {
        &self.counters
    }
}

/// Headings of the rows of [`log_row`].
pub const LOG_HEADINGS: &str = "time_s,motor_speed_rad_s,duty_permille,battery_voltage_mv,motor_current_ma,tilt_ddeg,\
                                gear,selector_ddeg,lap,policy,nudge,request,verdict,phase,fault,ordered_gear,preview,fallback";

/// A frame as a row of a log, in the units and with the meaning that [`crate::log`] reads: duty and mean speed since
/// the row before, gear 0 while none is confirmed. Sensors that are not fitted, and readings that no sensor can have,
/// are left empty.
#[must_use]
pub fn log_row(recorded: &RecordedTick, header: &Header) -> String {
    let frame = &recorded.frame;
    let raw = &frame.raw;
    let time_us = u128::from(recorded.tick) * u128::from(header.tick_us);
    let tick_s = f64::from(header.tick_us) * 1e-6;
    let speed = f64::from(raw.encoder_counts) * TAU / (f64::from(header.pulses_per_turn) * tick_s);
    let [battery, current, tilt, preview] = header.fitted;
    let field = |there: bool, value: i32| if there { value.to_string() } else { String::new() };
    let gear = if frame.phase == Phase::Driving { frame.gear + 1 } else { 0 };
    let (request, verdict) = (request_name(frame.request), verdict_name(frame.verdict));
    let phase = phase_name(frame.phase);
    format!(
        "{}.{:06},{speed},{},{},{},{},{gear},{},{},{},{},{request},{verdict},{phase},{},{},{},{}",
        time_us / 1_000_000,
        time_us % 1_000_000,
        raw.duty_permille,
        field(battery, raw.battery_mv.into()),
        field(current, raw.current_ma.into()),
        field(tilt && raw.tilt_ddeg.unsigned_abs() <= 900, raw.tilt_ddeg.into()),
        field(raw.selector_ddeg < 3600, raw.selector_ddeg.into()),
        frame.lap,
        frame.policy,
        u8::from(frame.command.nudge),
        frame.fault as u8,
        frame.command.gear + 1,
        field(preview, raw.preview.into()),
        u8::from(frame.fallback),
    )
}

#[cfg(test)]
mod tests;
