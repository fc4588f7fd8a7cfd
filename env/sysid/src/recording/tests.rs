//! Recordings whole, damaged, restarted, and as logs.

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
            preview: 0,
        };
        let frame = Frame {
            tick: tick as u16,
            unwrapped: tick < 65_536,
            raw,
            request: Request::Hold,
            asked: tick % 4 == 0,
            verdict: Verdict::Idle,
            phase: Phase::Driving,
            gear: 1,
            fault: Fault::None,
            command: Command { drive: true, gear: 1, nudge: false, recalibrate: false, park: false },
            policy: (tick / 100 % 2) as u8,
            fallback: tick / 150 % 2 == 1,
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
