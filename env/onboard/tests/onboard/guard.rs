//! The guard: rules that no request and no reading may break, and its paths one by one.

use lowgear_onboard::{Command, Controller, Fault, Guard, Phase, Raw, Request, Settings, Verdict};
use proptest::prelude::*;

use super::{cruising, settings};

/// What the selector does in a tick of a random sequence.
#[derive(Clone, Copy, Debug)]
enum Selector {
    AtCommand,
    Nowhere,
    Anywhere(u16),
}

#[derive(Clone, Copy, Debug)]
struct Event {
    code: u8,
    selector: Selector,
    encoder_counts: u16,
    tilt_ddeg: i16,
    throttle: u16,
}

fn event() -> impl Strategy<Value = Event> {
    let selector = prop_oneof![
        5 => Just(Selector::AtCommand),
        3 => Just(Selector::Nowhere),
        1 => any::<u16>().prop_map(Selector::Anywhere),
    ];
    let encoder = prop_oneof![3 => Just(0u16), 3 => 1..30u16, 1 => any::<u16>()];
    let tilt = prop_oneof![3 => -100..300i16, 1 => any::<i16>()];
    (0..3u8, selector, encoder, tilt, prop_oneof![4 => Just(1000u16), 1 => any::<u16>()]).prop_map(
        |(code, selector, encoder_counts, tilt_ddeg, throttle)| Event {
            code,
            selector,
            encoder_counts,
            tilt_ddeg,
            throttle,
        },
    )
}

fn varied_settings() -> impl Strategy<Value = Settings> {
    (1..=6u8, 0..4u16, 0..12u16, 1..8u16, 0..3u8, 0..6u16, 0..30u16, 0..12u16).prop_map(
        |(gears, cut, dwell, timeout, retries, recalibrate, stall, rest)| {
            let mut s = settings();
            s.guard.gears = gears;
            s.ranges.max_encoder_counts = 20_000;
            s.guard.gear_ddeg = [3590, 600, 1200, 1800, 2400, 3000];
            s.features.gear_scale_permille = [5000, 3800, 2600, 1900, 1400, 1000];
            s.guard.cut_lead_ticks = cut;
            s.guard.min_dwell_ticks = dwell;
            s.guard.move_timeout_ticks = timeout;
            s.guard.retries = retries;
            s.guard.recalibrate_ticks = recalibrate;
            s.guard.stall_cut_ticks = stall;
            s.guard.stall_rest_ticks = rest;
            s
        },
    )
}

/// Watches a sequence of orders from outside.
struct Witness {
    settings: Settings,
    last: Command,
    since_arrival: u32,
    undriven: u32,
    still_driven: u32,
    recalibrating: bool,
}

impl Witness {
    fn check(&mut self, before: Phase, raw: &Raw, event: &Event, controller: &Controller, now: Command) {
        let s = &self.settings.guard;
        let guard = controller.guard();
        let (phase, gear, last) = (guard.phase(), guard.gear(), self.last);
        self.since_arrival =
            if guard.just_engaged() { 0 } else { self.since_arrival + u32::from(last.drive) };
        assert_eq!(now.drive, phase == Phase::Driving, "drives in {phase:?}");
        if now.drive {
            let target = s.gear_ddeg[usize::from(gear)];
            let apart = (i32::from(raw.selector_ddeg) - i32::from(target)).rem_euclid(3600);
            let limit = i32::from(s.leave_ddeg);
            assert!(apart <= limit || apart >= 3600 - limit, "drives {apart} from the gear");
            assert_eq!(self.settings.ranges.fault_of(raw), Fault::None, "drives on {raw:?}");
        }
        assert!(gear < s.gears && now.gear < s.gears, "gear {gear}, sent to {}", now.gear);
        assert!(now.gear.abs_diff(gear) <= 1 && now.gear.abs_diff(last.gear) <= 1, "skips a gear");
        if now.gear != last.gear {
            assert!(!last.drive || s.cut_lead_ticks == 0, "moves under drive");
            assert!(self.undriven >= u32::from(s.cut_lead_ticks), "cut for {} ticks only", self.undriven);
            assert!(!now.drive, "drives while it begins to move");
        }
        if guard.verdict() == Verdict::Accepted {
            assert_eq!(before, Phase::Driving);
            assert!(self.since_arrival >= u32::from(s.min_dwell_ticks), "dwelt {}", self.since_arrival);
            let tilt = controller.observer().tilt_ddeg();
            assert!(event.code != 2 || tilt < s.tilt_limit_ddeg, "upshift at {tilt}");
        }
        assert!(!(now.nudge && now.recalibrate));
        assert!(!now.nudge || phase == Phase::Moving);
        assert!(!now.recalibrate || phase == Phase::Recalibrating && !self.recalibrating, "twice");
        assert!(phase != Phase::Recalibrating || now.recalibrate || self.recalibrating, "never ordered");
        let still = last.drive && raw.duty_permille > 0 && raw.encoder_counts <= s.stall_counts;
        self.still_driven = match (last.drive, still) {
            (true, true) => self.still_driven + 1,
            (true, false) => 0,
            (false, _) => self.still_driven,
        };
        if phase == Phase::Resting {
            self.still_driven = 0;
        }
        let arrived = phase == Phase::Driving && !last.drive;
        let cut = u32::from(s.stall_cut_ticks.max(1));
        assert!(!now.drive || arrived || self.still_driven < cut, "stalled for {}", self.still_driven);
        self.undriven = if now.drive { 0 } else { self.undriven + 1 };
        self.recalibrating = phase == Phase::Recalibrating;
        self.last = now;
    }
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(300) })]

    #[test]
    fn no_sequence_breaks_a_rule(
        settings in varied_settings(),
        start in 0..6u8,
        events in proptest::collection::vec(event(), 1..250),
    ) {
        let start = start % settings.guard.gears;
        let mut controller = Controller::new(&settings, start);
        let still = Command { drive: false, gear: start, nudge: false, recalibrate: false, park: false };
        let mut witness = Witness {
            settings, last: still, since_arrival: 0, undriven: 0, still_driven: 0, recalibrating: false,
        };
        for event in events {
            let at_command = settings.guard.gear_ddeg[usize::from(witness.last.gear)];
            let raw = Raw {
                encoder_counts: event.encoder_counts,
                tilt_ddeg: event.tilt_ddeg,
                duty_permille: if witness.last.drive { event.throttle } else { 0 },
                selector_ddeg: match event.selector {
                    Selector::AtCommand => at_command,
                    Selector::Nowhere => 300,
                    Selector::Anywhere(angle) => angle,
                },
                ..cruising(0)
            };
            let asked = controller.sense(&settings, &raw);
            let before = controller.guard().phase();
            let request = Request::from_code(event.code);
            let possible = controller.mask(&settings);
            let command = controller.act(&settings, request, asked);
            let accepted = controller.guard().verdict() == Verdict::Accepted;
            prop_assert_eq!(accepted, possible[usize::from(event.code)] && event.code != 1);
            prop_assert!(possible[1]);
            witness.check(before, &raw, &event, &controller, command);
        }
    }

    #[test]
    fn extreme_settings_never_panic(words in proptest::collection::vec(any::<u16>(), 40), gear in any::<u8>(), seed in any::<[u16; 6]>(), preview in super::preview::any_settings()) {
        let mut s = settings();
        s.features.speed_gain = u32::from(words[0]) << 16 | u32::from(words[1]);
        s.features.nominal_mv = if words[2] % 3 == 0 { 0 } else { words[3] };
        s.features.battery_fitted = words[4].is_multiple_of(2);
        s.features.stall_ma = words[5] % 2 * words[6];
        s.features.gear_scale_permille = [words[7]; 6];
        s.features.fast_shift = words[8] as u8;
        s.features.slow_shift = words[9] as u8;
        s.features.tilt_shift = words[10] as u8;
        s.features.peak_shift = words[11] as u8;
        s.features.failed_window_ticks = words[12];
        s.features.preview = preview;
        s.guard.gears = words[13] as u8;
        s.guard.gear_ddeg = seed;
        s.guard.window_ddeg = words[14];
        s.guard.tilt_limit_ddeg = words[15] as i16;
        s.guard.min_dwell_ticks = words[16] % 4;
        s.guard.move_timeout_ticks = words[17] % 4;
        s.guard.retries = words[18] as u8;
        let mut controller = Controller::new(&s, gear);
        for chunk in words.windows(7).cycle().take(200) {
            let raw = Raw {
                encoder_counts: chunk[0], battery_mv: chunk[1], current_ma: chunk[2] as i16,
                tilt_ddeg: chunk[3] as i16, duty_permille: chunk[4], selector_ddeg: chunk[5], preview: chunk[6] as i16,
            };
            let asked = controller.sense(&s, &raw);
            controller.act(&s, Request::from_code((chunk[6] % 3) as u8), asked);
        }
    }
}

/// Drives `guard` one tick with the selector at `angle`.
pub(super) fn tick(guard: &mut Guard, s: &Settings, angle: u16, request: Request) -> Command {
    let duty = if guard.phase() == Phase::Driving { 1000 } else { 0 };
    guard.follow(&s.guard, &s.ranges, &Raw { duty_permille: duty, ..cruising(angle) });
    guard.order(&s.guard, 0, request)
}

/// A guard in `gear` whose dwell has passed.
pub(super) fn settled(s: &Settings, gear: u8) -> Guard {
    let mut guard = Guard::new(gear);
    for _ in 0..=s.guard.min_dwell_ticks {
        tick(&mut guard, s, s.guard.gear_ddeg[usize::from(gear)], Request::Hold);
    }
    guard
}

#[test]
fn a_shift_cuts_then_moves_then_drives() {
    let s = settings();
    let mut guard = settled(&s, 0);
    let orders: Vec<(bool, u8)> = [0, 0, 0, 300, 900]
        .iter()
        .map(|&angle| tick(&mut guard, &s, angle, Request::Up))
        .map(|c| (c.drive, c.gear))
        .collect();
    assert_eq!(orders, [(false, 0), (false, 0), (false, 1), (false, 1), (true, 1)]);
}

#[test]
fn a_miss_is_retried_then_recalibrated_then_taken_back() {
    let s = settings();
    let mut guard = settled(&s, 0);
    tick(&mut guard, &s, 0, Request::Up);
    let (mut nudges, mut recalibrations, mut targets) = (Vec::new(), Vec::new(), vec![0]);
    let mut missed_at = None;
    for t in 1..60 {
        let c = tick(&mut guard, &s, 450, Request::Up);
        assert!(!c.drive);
        if c.nudge {
            nudges.push(t);
        }
        if c.recalibrate {
            recalibrations.push(t);
        }
        if targets.last() != Some(&c.gear) {
            targets.push(c.gear);
        }
        if guard.take_missed_upshift() {
            missed_at = missed_at.or(Some(t));
            assert!(!guard.take_missed_upshift(), "reading clears it");
        }
        if missed_at.is_some() {
            break;
        }
    }
    // Cut 2, then 5 ticks a try: nudged at 7 and 12, recalibrated at 17 for 7, again 5 a try.
    assert_eq!(nudges, [7, 12, 29, 34, 39]);
    assert_eq!(recalibrations, [17]);
    assert_eq!((targets, missed_at), (vec![0, 1, 0], Some(39)));
    let c = tick(&mut guard, &s, 0, Request::Hold);
    assert_eq!((c.drive, guard.gear(), guard.phase()), (true, 0, Phase::Driving));
}

#[test]
fn stepping_down_does_not_restart_the_stall_count() {
    let s = settings();
    let mut guard = settled(&s, 2);
    let standing = |guard: &mut Guard, angle: u16, request| {
        let duty = if guard.phase() == Phase::Driving { 1000 } else { 0 };
        let raw = Raw { encoder_counts: 0, duty_permille: duty, ..cruising(angle) };
        guard.follow(&s.guard, &s.ranges, &raw);
        guard.order(&s.guard, 0, request)
    };
    let mut driven = 0;
    for _ in 0..12 {
        driven += u32::from(standing(&mut guard, 1800, Request::Hold).drive);
    }
    standing(&mut guard, 1800, Request::Down);
    while !standing(&mut guard, 900, Request::Hold).drive {}
    driven += 1;
    while standing(&mut guard, 900, Request::Hold).drive {
        driven += 1;
    }
    assert_eq!(guard.phase(), Phase::Resting);
    assert!(driven <= u32::from(s.guard.stall_cut_ticks), "{driven}");
    let mut rest = 1;
    while !standing(&mut guard, 900, Request::Hold).drive {
        rest += 1;
        assert_eq!(guard.check_request(&s.guard, 0, Request::Down), Verdict::Busy);
    }
    assert_eq!(rest, s.guard.stall_rest_ticks);
}

#[test]
fn a_drum_angle_wraps_at_a_full_turn() {
    let mut s = settings();
    s.guard.gear_ddeg[1] = 3590;
    let mut guard = settled(&s, 0);
    for _ in 0..3 {
        tick(&mut guard, &s, 0, Request::Up);
    }
    assert!(tick(&mut guard, &s, 20, Request::Hold).drive, "20 lies 30 from 3590");
    assert_eq!(guard.gear(), 1);
}

#[test]
fn park_needs_standstill_and_is_left_without_drive() {
    let s = settings();
    let mut guard = settled(&s, 1);
    assert_eq!(guard.park(&s.guard, &cruising(900)), Verdict::Turning);
    let still = Raw { encoder_counts: 0, ..cruising(900) };
    assert_eq!(guard.leave_park(), Verdict::Idle);
    assert_eq!(guard.park(&s.guard, &still), Verdict::Accepted);
    let c = tick(&mut guard, &s, 2700, Request::Up);
    assert_eq!((c.park, c.drive, guard.verdict()), (true, false, Verdict::Busy));
    assert_eq!(guard.park(&s.guard, &still), Verdict::Busy);
    assert_eq!(guard.leave_park(), Verdict::Accepted);
    let c = tick(&mut guard, &s, 2000, Request::Up);
    assert_eq!((c.park, c.drive, c.gear), (false, false, 1));
    assert!(tick(&mut guard, &s, 900, Request::Hold).drive);
}

#[test]
fn a_tilt_limit_stops_upshifts_only() {
    let s = settings();
    let guard = settled(&s, 1);
    assert_eq!(guard.check_request(&s.guard, 149, Request::Up), Verdict::Accepted);
    assert_eq!(guard.check_request(&s.guard, 150, Request::Up), Verdict::Tilt);
    assert_eq!(guard.check_request(&s.guard, 300, Request::Down), Verdict::Accepted);
}
