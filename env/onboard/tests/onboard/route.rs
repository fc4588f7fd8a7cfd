//! A map of the way and the position on it, worked by hand and against a filter of floating point.

#![expect(clippy::unwrap_used, reason = "a map of the test that is none has failed it")]

use super::{cruising, settings};
use lowgear_onboard::{
    FEATURES, Feature, FeatureSettings, Features, MOST_VARIANCE_MM2, OdometerSettings, ROUTE_FORMAT,
    ROUTE_SILENT, Raw, Request, Route, RouteError, RouteMap, RouteSettings, crc16_of,
};
use proptest::prelude::*;

/// An encoder count is 2, 4 and 8 mm in the gears, so that the 6 counts of [`cruising`] are 12, 24 and 48 mm a tick.
const SETTINGS: RouteSettings = RouteSettings {
    odometer: OdometerSettings {
        count_q12_mm: [8192, 16_384, 32_768, 0, 0, 0],
        coast_q16_mm: 0,
        inertia_permille: [400, 400, 400, 0, 0, 0],
    },
    rise_permille: 900,
    distrust_steps: 20,
};

/// A map of 15 m with this spread of the start and this drift.
fn map(start_sd_mm: u8, drift_mm2: u8, landmarks: &[(u16, u8)], sections: &[(u16, u8)]) -> Vec<u8> {
    let mut bytes = vec![ROUTE_FORMAT, 0x98, 0x3a, start_sd_mm, drift_mm2, 1];
    bytes.extend([landmarks.len() as u8, sections.len() as u8]);
    for (position_mm, code) in landmarks.iter().chain(sections) {
        bytes.extend(position_mm.to_le_bytes());
        bytes.push(*code);
    }
    bytes.extend(crc16_of(&bytes).to_le_bytes());
    bytes
}

/// A vehicle at the start of a map.
struct Bench {
    bytes: Vec<u8>,
    features: FeatureSettings,
    route: Route,
}

impl Bench {
    fn new(bytes: Vec<u8>) -> Bench {
        let mut route = Route::new();
        route.start(&RouteMap::new(&bytes).unwrap());
        Bench { bytes, features: settings().features, route }
    }

    fn map(&self) -> RouteMap<'_> {
        RouteMap::new(&self.bytes).unwrap()
    }

    /// Ticks in a gear with so many counts, or out of gear.
    fn drive(&mut self, ticks: usize, encoder_counts: u16, gear: u8, driving: bool) {
        let raw = Raw { encoder_counts, ..cruising(0) };
        let map = RouteMap::new(&self.bytes).unwrap();
        for _ in 0..ticks {
            self.route.update(&SETTINGS, &self.features, &map, &raw, gear, driving);
        }
    }

    fn decide(&mut self, gear: u8, stalled: i16, policy: Option<Request>) -> Request {
        let mut features = Features([0; FEATURES]);
        features.0[Feature::Gear as usize] = i16::from(gear);
        features.0[Feature::Stalled as usize] = stalled;
        let map = RouteMap::new(&self.bytes).unwrap();
        self.route.decide(&SETTINGS, &map, &features, policy)
    }
}

#[test]
fn the_state_takes_twenty_bytes() {
    assert_eq!(size_of::<Route>(), 20);
}

#[test]
fn a_map_that_is_damaged_or_out_of_order_is_refused() {
    let good = map(10, 6, &[(900, 20)], &[(0, 2), (500, 1), (700, ROUTE_SILENT)]);
    assert!(RouteMap::new(&good).is_ok());
    for at in 0..good.len() {
        let mut bad = good.clone();
        bad[at] ^= 4;
        assert!(RouteMap::new(&bad).is_err(), "byte {at}");
    }
    assert_eq!(RouteMap::new(&good[..good.len() - 1]), Err(RouteError::Length));
    assert_eq!(RouteMap::new(&[]), Err(RouteError::Length));
    assert_eq!(RouteMap::new(&map(10, 6, &[(9, 1), (9, 1)], &[])), Err(RouteError::Entries));
    assert_eq!(RouteMap::new(&map(10, 6, &[], &[(0, 6)])), Err(RouteError::Entries), "no seventh gear");
}

#[test]
fn the_variance_of_dead_reckoning_grows_in_proportion_to_the_way() {
    let mut bench = Bench::new(map(10, 6, &[], &[(0, 2)]));
    bench.drive(3, 0, 2, true);
    bench.drive(100, 6, 2, true);
    // 48 mm a tick: 4800 mm are 300 steps of 16 mm.
    assert_eq!(bench.route.position_mm(), 4800);
    assert_eq!(bench.route.variance_mm2(), 100 + 300 * 6);
}

#[test]
fn out_of_gear_the_way_goes_on_as_before_and_is_known_less_well() {
    let mut bench = Bench::new(map(10, 0, &[], &[(0, 2)]));
    bench.drive(10, 6, 2, true);
    let before_mm = bench.route.position_mm();
    bench.drive(4, 50, 2, false);
    assert_eq!(bench.route.position_mm(), before_mm + 4 * 48, "whatever the motor does");
    // A quarter of 48 mm, each tick by itself.
    assert_eq!(bench.route.variance_mm2(), 100 + 4 * 12 * 12);
}

#[test]
fn beyond_the_limit_the_policy_decides_alone() {
    let mut bench = Bench::new(map(10, 100, &[], &[(0, 0)]));
    bench.drive(3, 6, 2, true);
    assert_eq!(bench.route.wanted(&bench.map()), Some(0));
    while bench.route.variance_mm2() <= MOST_VARIANCE_MM2 {
        bench.drive(1, 6, 2, true);
    }
    assert_eq!(bench.route.wanted(&bench.map()), None);
    assert_eq!(bench.decide(2, 0, Some(Request::Up)), Request::Up);
    assert_eq!(Route::new().wanted(&bench.map()), None, "before a lap has started");
}

#[test]
fn landmarks_that_do_not_come_tell_that_it_is_another_way() {
    let bytes = map(10, 0, &[(500, 20), (1000, 20), (1500, 20), (2000, 20)], &[(0, 0)]);
    let mut bench = Bench::new(bytes);
    bench.drive(40, 6, 2, true);
    assert_eq!(bench.route.faults().0, 3);
    assert!(bench.route.known());
    bench.drive(10, 6, 2, true);
    assert_eq!(bench.route.faults().0, 4);
    assert!(!bench.route.known());
}

#[test]
fn the_map_shifts_down_and_holds_back_but_shifts_up_with_the_policy_alone() {
    let mut bench = Bench::new(map(10, 0, &[], &[(0, 1)]));
    for policy in [None, Some(Request::Hold), Some(Request::Up), Some(Request::Down)] {
        assert_eq!(bench.decide(2, 0, policy), Request::Down);
    }
    assert_eq!(bench.decide(1, 0, Some(Request::Up)), Request::Hold);
    assert_eq!(bench.decide(0, 0, None), Request::Hold);
    assert_eq!(bench.decide(0, 0, Some(Request::Hold)), Request::Hold);
    assert_eq!(bench.decide(0, 0, Some(Request::Up)), Request::Up);
}

#[test]
fn a_load_that_contradicts_the_map_wins_and_is_counted() {
    let mut bench = Bench::new(map(10, 0, &[], &[(0, 2)]));
    assert_eq!(bench.decide(2, 0, Some(Request::Down)), Request::Hold, "for one decision");
    assert_eq!(bench.decide(2, 0, Some(Request::Down)), Request::Down);
    assert_eq!(bench.route.faults().1, 1);
    assert_eq!(bench.route.wanted(&bench.map()), None, "the policy decides for some way");
    bench.drive(3, 0, 1, true);
    bench.drive(20 * 16 / 24 + 1, 6, 1, true);
    assert_eq!(bench.route.wanted(&bench.map()), Some(2));
    assert_eq!(
        bench.decide(2, 3, Some(Request::Down)),
        Request::Down,
        "at once where the motor stands still"
    );
}

#[test]
fn after_a_shift_that_failed_the_policy_decides() {
    let mut bench = Bench::new(map(10, 0, &[], &[(0, 0)]));
    bench.drive(10, 6, 2, true);
    bench.drive(5, 6, 2, false);
    bench.drive(1, 6, 1, true);
    assert_eq!(bench.route.faults().1, 0, "it has arrived");
    bench.drive(5, 6, 1, false);
    bench.drive(1, 6, 1, true);
    assert_eq!(bench.route.faults().1, 1, "it is where it was");
    assert_eq!(bench.route.wanted(&bench.map()), None);
}

proptest! {
    /// The correction at a landmark, next to the textbook's: `x += K z`, `K = P / (P + R)`, `P' = (1 - K) P`.
    #[test]
    fn a_landmark_corrects_as_a_kalman_filter_does(start_sd in 5u8..90, spread in 5u8..60, off_mm in -40i32..40) {
        let at_mm = 2400;
        let mut bench = Bench::new(map(start_sd, 0, &[((at_mm + off_mm) as u16, spread)], &[(0, 2)]));
        bench.drive(3, 0, 2, true);
        bench.drive(50, 6, 2, true);
        prop_assert_eq!(i32::from(bench.route.position_mm()), at_mm);
        // The wheels are braked: the resistance rises at the beginning of this tick, which moves on by 8 mm.
        bench.drive(1, 1, 2, true);
        let (variance, noise) = (f64::from(start_sd).powi(2), f64::from(spread).powi(2));
        let (mut x, mut p) = (f64::from(at_mm), variance);
        if f64::from(off_mm).abs() <= 2.0 * (variance + noise).sqrt().floor() {
            let gain = p / (p + noise);
            x += gain * f64::from(off_mm);
            p *= 1.0 - gain;
        }
        // Whole millimetres, rounded down, after a gain that is rounded down to 1/4096.
        let rounded = 1.0 + f64::from(off_mm).abs() / 4096.0;
        prop_assert!((f64::from(bench.route.position_mm()) - 8.0 - x).abs() <= rounded, "{} and {x}", bench.route.position_mm());
        prop_assert!((f64::from(bench.route.variance_mm2()) - p).abs() <= 1.0, "{} and {p}", bench.route.variance_mm2());
    }

    #[test]
    fn nothing_that_is_read_makes_it_panic(
        readings in proptest::collection::vec((any::<u16>(), any::<u16>(), 0u8..8, any::<bool>()), 1..60),
        entries in proptest::collection::vec(any::<(u16, u8)>(), 0..6),
    ) {
        let mut entries = entries;
        entries.sort_unstable();
        entries.dedup_by_key(|entry| entry.0);
        let bytes = map(20, 200, &entries, &[(0, 1), (700, ROUTE_SILENT), (900, 2)]);
        let mut bench = Bench::new(bytes);
        for (counts, battery_mv, gear, driving) in readings {
            let raw = Raw { encoder_counts: counts, battery_mv, ..cruising(0) };
            let map = RouteMap::new(&bench.bytes).unwrap();
            bench.route.update(&SETTINGS, &bench.features, &map, &raw, gear, driving);
            bench.decide(gear, (counts % 3) as i16, Some(Request::from_code(gear)));
        }
    }
}
