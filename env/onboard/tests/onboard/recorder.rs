//! Frames and headers of a recording: the published examples of framing and checksum, every field there and back.

use lowgear_onboard::{
    Command, Controller, FRAME_DATA, Fault, Frame, HEADER_DATA, HEADER_TICKS, Header, Phase, Raw, Recorder,
    Request, Verdict, crc16_of, stuff, unstuff,
};
use proptest::prelude::*;

fn stuffed(content: &[u8]) -> Vec<u8> {
    let mut wire = [&[0][..], content, &[0]].concat();
    stuff(&mut wire);
    wire
}

#[test]
fn the_framing_is_that_of_its_authors() {
    // The worked example of Cheshire and Baker 1999 (the head of an IP packet), and the smallest contents.
    let content = [0x45, 0, 0, 0x2c, 0x4c, 0x79, 0, 0, 0x40, 0x06, 0x4f, 0x37];
    let expected = [2, 0x45, 1, 4, 0x2c, 0x4c, 0x79, 1, 5, 0x40, 0x06, 0x4f, 0x37, 0];
    assert_eq!(stuffed(&content), expected);
    assert_eq!(stuffed(&[0]), [1, 1, 0]);
    assert_eq!(stuffed(&[0, 0]), [1, 1, 1, 0]);
    assert_eq!(stuffed(&[]), [1, 0]);
    assert_eq!(stuffed(&[0x11, 0x22, 0, 0x33]), [3, 0x11, 0x22, 2, 0x33, 0]);
}

#[test]
fn the_checksum_has_its_published_check_value() {
    assert_eq!(crc16_of(b"123456789"), 0x29b1);
    assert_eq!(crc16_of(&[&b"123456789"[..], &[0x29, 0xb1]].concat()), 0, "a content with its checksum");
}

/// The content of a frame or header on the wire, checked.
fn content<const N: usize>(wire: &[u8]) -> [u8; N] {
    let mut rest = wire.to_vec();
    assert!(rest.pop() == Some(0) && rest.iter().all(|byte| *byte != 0), "{wire:?}");
    assert!(unstuff(&mut rest), "{wire:?}");
    assert_eq!(crc16_of(&rest[1..]), 0);
    let mut data = [0; N];
    data.copy_from_slice(&rest[1..=N]);
    data
}

fn raw() -> impl Strategy<Value = Raw> {
    (any::<u16>(), any::<u16>(), any::<i16>(), any::<i16>(), any::<u16>(), any::<u16>(), any::<i16>())
        .prop_map(|r| Raw {
            encoder_counts: r.0,
            battery_mv: r.1,
            current_ma: r.2,
            tilt_ddeg: r.3,
            duty_permille: r.4,
            selector_ddeg: r.5,
            preview: r.6,
        })
}

proptest! {
    #[test]
    fn every_content_comes_back_from_its_framing(content in prop::collection::vec(any::<u8>(), 0..40)) {
        let mut wire = stuffed(&content);
        prop_assert_eq!(wire.pop(), Some(0));
        prop_assert!(!wire.contains(&0));
        prop_assert!(unstuff(&mut wire));
        prop_assert_eq!(&wire[1..], &content[..]);
    }

    #[test]
    fn whatever_arrives_is_a_frame_or_refused(mut bytes in prop::collection::vec(any::<u8>(), 0..40)) {
        let before = bytes.clone();
        if unstuff(&mut bytes) {
            bytes.push(0);
            let mut again = [&[0][..], &bytes[1..bytes.len() - 1], &[0]].concat();
            stuff(&mut again);
            prop_assert_eq!(&again[..again.len() - 1], &before[..]);
        }
    }

    #[test]
    fn every_frame_comes_back(
        (tick, lap) in (any::<u16>(), any::<u8>()),
        raw in raw(),
        (request, gear, order, policy) in (0..3usize, 0..6u8, 0..6u8, 0..2u8),
        flags in any::<[bool; 7]>(),
        (verdict, phase, fault) in (0..3usize, 0..3usize, 0..3usize),
    ) {
        let [drive, nudge, recalibrate, park, asked, unwrapped, fallback] = flags;
        let frame = Frame {
            tick,
            unwrapped,
            raw,
            request: if asked { Request::ALL[request] } else { Request::Hold },
            asked,
            verdict: [Verdict::Idle, Verdict::Tilt, Verdict::Turning][verdict],
            phase: [Phase::Driving, Phase::Moving, Phase::Faulted][phase],
            gear,
            fault: [Fault::None, Fault::Battery, Fault::Selector][fault],
            command: Command { drive, gear: order, nudge, recalibrate, park },
            policy,
            fallback,
            lap,
        };
        prop_assert_eq!(Frame::decode(&content::<FRAME_DATA>(&frame.encode())), Some(frame));
    }
}

#[test]
fn a_header_comes_back_and_one_of_another_version_is_named() {
    let header = Header::new(&crate::settings(), [[1, 0, 3, 4], [0; 4]]);
    let mut data = content::<HEADER_DATA>(&header.encode());
    assert_eq!(Header::decode(&data), Some(Ok(header)));
    assert_eq!((header.tick_us, header.gears), (crate::settings().tick_us, 3));
    data[2] = 1;
    assert_eq!(Header::decode(&data), Some(Ok(header)), "an older recording is read");
    data[2] = 9;
    assert_eq!(Header::decode(&data), Some(Err(9)));
    data[0] = b'X';
    assert_eq!(Header::decode(&data), None);
}

#[test]
fn a_recorder_numbers_its_ticks_and_asks_for_headers() {
    let settings = crate::settings();
    let (mut controller, mut recorder) = (Controller::new(&settings, 1), Recorder::new());
    let raw = Raw { battery_mv: 7400, selector_ddeg: 900, ..Raw::default() };
    let mut headers = 0;
    for tick in 0..65_600_u32 {
        headers += u32::from(recorder.header_due());
        let asked = controller.sense(&settings, &raw);
        let command = controller.act(&settings, Request::Hold, asked);
        let frame = recorder.frame(&controller, &raw, Request::Hold, asked, &command);
        assert_eq!((u32::from(frame.tick), frame.unwrapped), (tick % 65_536, tick < 65_536));
        assert_eq!((frame.command, frame.phase), (command, controller.guard().phase()));
    }
    assert_eq!(headers, 65_600_u32.div_ceil(u32::from(HEADER_TICKS)));
}
