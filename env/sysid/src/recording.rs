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
                                gear,selector_ddeg,lap,policy,nudge,request,verdict,phase,fault,ordered_gear,preview";

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
        "{}.{:06},{speed},{},{},{},{},{gear},{},{},{},{},{request},{verdict},{phase},{},{},{}",
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
        field(preview, frame.preview.into()),
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use lowgear_onboard::{Command, Fault, Raw, Request, Verdict};

    /// What a recorder of a driven vehicle writes from tick `from` on, with its headers.
    fn recorded(from: u64, ticks: u64) -> (Vec<u8>, Vec<Frame>) {
        let (mut bytes, mut frames) = (Vec::new(), Vec::new());
        for tick in from..from + ticks {
            if tick % 256 == 0 {
                bytes.extend(header().encode());
            }
            let wobble = (tick * 7919 % 101) as u16;
            let raw = Raw {
                encoder_counts: wobble,
                battery_mv: 7000 + wobble,
                current_ma: 300 - wobble as i16 * 9,
                tilt_ddeg: wobble as i16 - 50,
                duty_permille: if tick % 40 < 4 { 0 } else { 1000 },
                selector_ddeg: 900,
            };
            let frame = Frame {
                tick: tick as u16,
                unwrapped: tick < 65_536,
                raw,
                preview: 0,
                request: Request::Hold,
                asked: tick % 4 == 0,
                verdict: Verdict::Idle,
                phase: Phase::Driving,
                gear: 1,
                fault: Fault::None,
                command: Command { drive: true, gear: 1, nudge: false, recalibrate: false, park: false },
                policy: (tick / 100 % 2) as u8,
                lap: (tick / 100) as u8,
            };
            bytes.extend(frame.encode());
            frames.push(frame);
        }
        (bytes, frames)
    }

    fn header() -> Header {
        Header {
            tick_us: 50_000,
            pulses_per_turn: 20,
            gears: 3,
            fitted: [true, true, true, false],
            hashes: [[1, 2, 3, 4], [0; 4]],
            decision_ticks: 4,
        }
    }

    fn decoded(bytes: &[u8]) -> (Vec<RecordedTick>, Decoder) {
        let (mut decoder, mut ticks) = (Decoder::new(), Vec::new());
        bytes.iter().for_each(|byte| decoder.push(*byte, |tick| ticks.push(*tick)));
        decoder.finish();
        (ticks, decoder)
    }

    #[test]
    fn an_undamaged_recording_comes_back_whole_also_past_the_largest_tick() {
        let (bytes, frames) = recorded(65_000, 3000);
        let (ticks, decoder) = decoded(&bytes);
        assert_eq!(ticks.iter().map(|t| t.frame).collect::<Vec<_>>(), frames);
        assert!(ticks.iter().map(|t| t.tick).eq(65_000..68_000));
        let c = decoder.counters();
        assert_eq!((c.damaged, c.lost_ticks, c.restarts, c.unconfirmed), (0, 0, 0, 0));
        assert_eq!((c.headers, decoder.header()), (12, Some(&header())));
    }

    /// A generator for damage: multiplicative congruential, as good as needed.
    fn damage(bytes: &[u8], seed: u64, per_byte: f64) -> Vec<u8> {
        let mut state = seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1;
        let mut next = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 33) as f64 / f64::from(1_u32 << 31)
        };
        let mut out = Vec::new();
        for byte in bytes {
            if next() >= per_byte {
                out.push(*byte);
                continue;
            }
            match (next() * 3.0) as u8 {
                0 => {}
                1 => out.push(byte ^ (1 << (next() * 8.0) as u8)),
                _ => out.push((next() * 256.0) as u8),
            }
        }
        out
    }

    #[test]
    fn with_one_byte_in_a_hundred_flipped_or_lost_nothing_wrong_is_decoded() {
        let (bytes, frames) = recorded(0, 5000);
        let (mut kept, mut lost) = (0, 0);
        for seed in 0..40 {
            let (ticks, decoder) = decoded(&damage(&bytes, seed, 0.01));
            for tick in &ticks {
                assert_eq!(tick.frame, frames[tick.tick as usize], "seed {seed}, tick {}", tick.tick);
            }
            assert!(ticks.windows(2).all(|two| two[0].tick < two[1].tick));
            let c = decoder.counters();
            assert_eq!(c.restarts, 0, "seed {seed}");
            kept += ticks.len();
            lost += c.lost_ticks;
        }
        // A frame of 24 bytes is whole with 0.99^24 = 0.79; a lost end of a frame costs two.
        let share = kept as f64 / (40.0 * 5000.0);
        println!("{:.1} % of the frames kept, {lost} lost", 100.0 * share);
        assert!((0.75..0.80).contains(&share), "{share}");
    }

    #[test]
    fn a_restart_and_a_long_gap_are_told_apart() {
        let (before, _) = recorded(0, 700);
        let (after, _) = recorded(0, 300);
        let (ticks, decoder) = decoded(&[before.clone(), after].concat());
        assert_eq!((ticks.len(), decoder.counters().restarts), (1000, 1));
        assert_eq!(ticks.iter().filter(|t| t.after_restart).count(), 2, "the first one as well");
        let (later, _) = recorded(5000, 300);
        let (ticks, decoder) = decoded(&[before, later].concat());
        assert_eq!((ticks.len(), decoder.counters().restarts), (1000, 0));
        assert_eq!((decoder.counters().gaps, decoder.counters().lost_ticks), (1, 4300));
        assert_eq!(ticks[700].tick, 5000);
    }

    #[test]
    fn half_a_frame_at_the_beginning_and_noise_are_left_out() {
        let (bytes, frames) = recorded(0, 50);
        let (ticks, decoder) = decoded(&bytes[30..]);
        assert_eq!((ticks[0].frame, decoder.counters().damaged), (frames[1], 0));
        let noise: Vec<u8> = (0..100_000_u32).map(|n| (n.wrapping_mul(2_654_435_761) >> 13) as u8).collect();
        let (ticks, decoder) = decoded(&noise);
        assert!(ticks.is_empty() && decoder.counters().damaged > 100 && decoder.header().is_none());
        assert!(decoded(&[]).0.is_empty() && decoded(&[0; 9]).0.is_empty());
    }

    #[test]
    fn a_row_is_what_the_log_reader_reads() {
        use crate::log::{LogReader, Mapping};
        let (bytes, _) = recorded(0, 300);
        let (ticks, decoder) = decoded(&bytes);
        let header = decoder.header().unwrap();
        let rows: Vec<String> = ticks.iter().map(|tick| log_row(tick, header)).collect();
        let text = format!("{LOG_HEADINGS}\n{}\n", rows.join("\n"));
        let mut log =
            LogReader::new(text.as_bytes(), std::path::Path::new("run.csv"), &Mapping::default()).unwrap();
        for tick in &ticks {
            let sample = log.read().unwrap().unwrap();
            let raw = &tick.frame.raw;
            assert!((sample.time_s - 0.05 * tick.tick as f64).abs() < 1e-9);
            assert!((sample.motor_rad_s * 20.0 * 0.05 / TAU - f64::from(raw.encoder_counts)).abs() < 1e-9);
            assert!((1000.0 * sample.duty - f64::from(raw.duty_permille)).abs() < 1e-9);
            assert!((1000.0 * sample.current_a.unwrap() - f64::from(raw.current_ma)).abs() < 1e-9);
            assert_eq!((sample.lap, sample.policy), (Some(tick.frame.lap.into()), Some(tick.frame.policy)));
            assert_eq!((sample.gear, sample.nudge), (Some(2), Some(false)));
        }
        assert_eq!(log.read().unwrap(), None);
        assert_eq!(log.counters().bad, 0);
    }
}
