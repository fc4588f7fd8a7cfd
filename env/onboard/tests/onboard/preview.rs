//! What lies ahead: strikes seen by a sensor, counted down by odometry, worked by hand.

use lowgear_onboard::{
    Controller, Fault, Feature, FeatureSettings, Observer, Phase, PreviewSettings, Raw, Request,
};
use proptest::prelude::*;

use super::{cruising, settings};

/// A trailing arm 250 mm ahead of the front axle of a vehicle with 200 mm between its axles. An encoder count is 2, 4
/// and 8 mm in the gears, so that the 6 counts of [`cruising`] are 12, 24 and 48 mm a tick.
pub(super) fn feeler() -> PreviewSettings {
    PreviewSettings {
        fitted: true,
        range: [-50, 900],
        low_level: 20,
        high_level: 80,
        ahead_mm: 250,
        wheelbase_mm: 200,
        hold_mm: 0,
        lockout_mm: 60,
        stuck_mm: 400,
        coast_q4_mm: 0,
        count_q12_mm: [8192, 16_384, 32_768, 0, 0, 0],
    }
}

/// Anything at all.
pub(super) fn any_settings() -> impl Strategy<Value = PreviewSettings> {
    let lengths_mm = proptest::array::uniform6(prop_oneof![3 => 0..400u16, 1 => any::<u16>()]);
    let levels = proptest::array::uniform4(prop_oneof![3 => -10..90i16, 1 => any::<i16>()]);
    (any::<bool>(), levels, lengths_mm, any::<[u32; 6]>()).prop_map(|(fitted, level, mm, count_q12_mm)| {
        PreviewSettings {
            fitted,
            range: [level[0], level[1]],
            low_level: level[2],
            high_level: level[3],
            ahead_mm: mm[0],
            wheelbase_mm: mm[1],
            hold_mm: mm[2],
            lockout_mm: mm[3],
            stuck_mm: mm[4],
            coast_q4_mm: mm[5],
            count_q12_mm,
        }
    })
}

/// A vehicle that has driven two ticks in the lowest gear over flat ground.
struct Bench {
    settings: FeatureSettings,
    observer: Observer,
}

impl Bench {
    fn new(preview: PreviewSettings) -> Bench {
        let settings = FeatureSettings { preview, ..settings().features };
        let mut bench = Bench { settings, observer: Observer::new(0) };
        bench.drive(0, 2, 0);
        bench
    }

    /// Drives some ticks at 6 counts each with this reading, and returns what the features say.
    fn drive(&mut self, gear: u8, ticks: usize, preview: i16) -> (i16, i16) {
        for _ in 0..ticks {
            self.observer.update(&self.settings, &Raw { preview, ..cruising(0) }, gear, true);
        }
        self.seen()
    }

    /// Ticks of a shift, in which the motor races.
    fn shift(&mut self, gear: u8, ticks: usize) -> (i16, i16) {
        for _ in 0..ticks {
            let racing = Raw { encoder_counts: 30, duty_permille: 0, ..cruising(0) };
            self.observer.update(&self.settings, &racing, gear, false);
        }
        self.seen()
    }

    fn seen(&self) -> (i16, i16) {
        let features = self.observer.features(&self.settings);
        (features.get(Feature::StrikeClass), features.get(Feature::StrikeMm))
    }
}

const UNKNOWN: (i16, i16) = (0, 1000);
const NONE: (i16, i16) = (1, 1000);

#[test]
fn without_a_sensor_the_features_are_constants() {
    let mut bench = Bench::new(PreviewSettings { fitted: false, ..feeler() });
    for reading in [0, 50, 900, i16::MIN] {
        assert_eq!(bench.drive(1, 5, reading), UNKNOWN);
    }
}

#[test]
fn a_strike_is_counted_down_to_the_front_axle_and_then_to_the_rear_one() {
    let mut bench = Bench::new(feeler());
    assert_eq!(bench.drive(0, 1, 0), NONE);
    assert_eq!(bench.drive(0, 1, 40), (2, 250));
    // 12 mm a tick in the lowest gear, 24 in the next.
    assert_eq!(bench.drive(0, 10, 0), (2, 130));
    // The first reading in a gear still tells of neutral, so that tick is one of the shift: 12 mm again.
    bench.shift(1, 1);
    assert_eq!(bench.drive(1, 1, 0), (2, 106), "driven before the shift, not in it");
    assert_eq!(bench.drive(1, 4, 0), (2, 10));
    assert_eq!(bench.drive(1, 1, 0), (2, 186), "14 mm behind the front axle, 186 before the rear one");
    assert_eq!(bench.drive(1, 7, 0), (2, 18));
    assert_eq!(bench.drive(1, 1, 0), NONE);
}

#[test]
fn a_higher_reading_of_the_same_obstacle_makes_the_strike_a_high_one() {
    let mut bench = Bench::new(feeler());
    assert_eq!(bench.drive(0, 1, 79), (2, 250));
    assert_eq!(bench.drive(0, 1, 80), (3, 238));
    assert_eq!(bench.drive(0, 1, 30), (3, 226), "it stays one");
    let mut bench = Bench::new(feeler());
    assert_eq!(bench.drive(0, 1, 200), (3, 250), "high at once");
}

#[test]
fn a_whisker_knows_one_class() {
    let whisker = PreviewSettings { range: [0, 1], low_level: 1, high_level: i16::MAX, ..feeler() };
    let mut bench = Bench::new(whisker);
    assert_eq!(bench.drive(0, 1, 0), NONE);
    assert_eq!(bench.drive(0, 1, 1), (2, 250));
}

/// A gyroscope: it reads the height of the front axle over the rear one.
#[test]
fn what_lifts_the_front_axle_is_the_next_strike_of_the_rear_one() {
    let gyro = PreviewSettings { range: [-900, 900], ahead_mm: 0, hold_mm: 20, ..feeler() };
    let mut bench = Bench::new(gyro);
    assert_eq!(bench.drive(0, 1, 0), NONE);
    assert_eq!(bench.drive(0, 1, 90), (3, 0), "the front axle is on it");
    assert_eq!(bench.drive(0, 1, 90), (3, 0));
    assert_eq!(bench.drive(0, 1, 10), (3, 176), "24 mm further the hold of 20 mm is over");
    assert_eq!(bench.drive(0, 14, 0), (3, 8));
    // The rear axle climbs and comes down within its hold: no other strike, even where the angle has faded between.
    assert_eq!(bench.drive(0, 1, -90), (3, 0));
    assert_eq!(bench.drive(0, 1, 40), (3, 0));
    assert_eq!(bench.drive(0, 1, 0), NONE);
}

#[test]
fn a_vehicle_without_a_rear_axle_forgets_at_the_front_one() {
    let mut bench = Bench::new(PreviewSettings { wheelbase_mm: 0, ..feeler() });
    bench.drive(0, 1, 40);
    assert_eq!(bench.drive(0, 20, 0), (2, 10));
    assert_eq!(bench.drive(0, 1, 0), NONE);
}

#[test]
fn a_strike_lasts_for_the_hold_at_each_axle() {
    let mut bench = Bench::new(PreviewSettings { hold_mm: 30, ..feeler() });
    bench.drive(0, 1, 40);
    assert_eq!(bench.drive(0, 21, 0), (2, 0), "2 mm past");
    assert_eq!(bench.drive(0, 2, 0), (2, 0), "26 mm past");
    assert_eq!(bench.drive(0, 1, 0), (2, 162), "38 mm past: the rear axle is next");
    assert_eq!(bench.drive(0, 15, 0), (2, 0), "18 mm past the rear axle");
    assert_eq!(bench.drive(0, 2, 0), NONE, "42 mm past");
}

#[test]
fn a_rise_within_the_lockout_is_the_same_strike_and_one_behind_it_a_new_one() {
    let mut bench = Bench::new(PreviewSettings { wheelbase_mm: 0, ..feeler() });
    bench.drive(0, 1, 40);
    // The arm bounces: 24 mm on it is up again.
    bench.drive(0, 1, 0);
    assert_eq!(bench.drive(0, 1, 100), (3, 226));
    // Down, and up 60 mm behind the first strike.
    bench.drive(0, 2, 0);
    assert_eq!(bench.drive(0, 1, 40), (3, 190));
    assert_eq!(bench.drive(0, 15, 0), (3, 10));
    assert_eq!(bench.drive(0, 1, 0), (2, 58), "the second strike, a low one, is 60 mm behind the first");
    assert_eq!(bench.drive(0, 5, 0), NONE);
}

#[test]
fn a_rear_axle_on_a_strike_is_no_new_one() {
    let mut bench = Bench::new(PreviewSettings { hold_mm: 30, ..feeler() });
    bench.drive(0, 1, 40);
    // A second, low strike 300 mm behind the first.
    bench.drive(0, 24, 0);
    bench.drive(0, 1, 40);
    bench.drive(0, 10, 0);
    // 432 mm on the rear axle, due at 450, begins to climb: the reading rises, and high.
    assert_eq!(bench.drive(0, 1, 100), (2, 18), "18 mm before the top");
    assert_eq!(bench.drive(0, 2, 100), (2, 0));
    assert_eq!(bench.drive(0, 3, 0), (2, 58), "the second strike alone, and still a low one");
    // 564 mm on the rear axle is not due before 750: this one is new, at 814 mm.
    bench.drive(0, 5, 0);
    assert_eq!(bench.drive(0, 1, 40), (2, 0), "the second one is under the front axle");
    assert_eq!(bench.drive(0, 19, 0), (2, 22), "792 mm on only the new one is left");
}

#[test]
fn a_rise_that_outlasts_the_lockout_is_a_new_strike() {
    let mut bench = Bench::new(PreviewSettings { wheelbase_mm: 0, ..feeler() });
    bench.drive(0, 1, 40);
    bench.drive(0, 3, 0);
    // Up 48 mm behind the strike; at 60 mm it is still up.
    bench.drive(0, 2, 40);
    assert_eq!(bench.drive(0, 15, 0), (2, 10));
    assert_eq!(bench.drive(0, 1, 0), (2, 58));
}

#[test]
fn a_reading_that_stays_up_is_unknown_until_it_has_been_down() {
    let mut bench = Bench::new(feeler());
    assert_eq!(bench.drive(0, 1, 40), (2, 250));
    // Long grass. The strike that it began with is kept, and there is one only.
    assert_eq!(bench.drive(0, 20, 40), (2, 10));
    assert_eq!(bench.drive(0, 13, 40), (2, 54), "before the rear axle");
    assert_eq!(bench.drive(0, 8, 40), UNKNOWN, "492 mm of it");
    assert_eq!(bench.drive(0, 400, 40), UNKNOWN);
    assert_eq!(bench.drive(0, 1, 0), NONE);
    assert_eq!(bench.drive(0, 1, 40), (2, 250), "a new strike");
}

#[test]
fn a_vehicle_that_stands_with_its_arm_up_keeps_its_view() {
    let mut bench = Bench::new(feeler());
    bench.drive(0, 3, 40);
    for _ in 0..1000 {
        let still = Raw { encoder_counts: 0, preview: 40, ..cruising(0) };
        bench.observer.update(&bench.settings, &still, 0, true);
    }
    assert_eq!(bench.seen(), (2, 226));
    assert_eq!(bench.drive(0, 1, 0), (2, 214));
}

#[test]
fn a_reading_out_of_range_hides_the_ground_but_no_strike_already_seen() {
    let mut bench = Bench::new(feeler());
    assert_eq!(bench.drive(0, 1, 901), UNKNOWN);
    assert_eq!(bench.drive(0, 1, 40), UNKNOWN, "up when it came back: nobody knows since when");
    assert_eq!(bench.drive(0, 1, 0), NONE);
    assert_eq!(bench.drive(0, 1, 40), (2, 250));
    assert_eq!(bench.drive(0, 1, -51), (2, 238));
    assert_eq!(bench.drive(0, 40, -51), UNKNOWN);
}

#[test]
fn a_fifth_strike_takes_the_place_of_the_oldest() {
    let mut bench = Bench::new(feeler());
    // One every 72 mm; only the first is high.
    for reading in [100, 40, 40, 40] {
        bench.drive(0, 1, reading);
        bench.drive(0, 5, 0);
    }
    // 288 mm on, the first one is 38 mm behind the front axle and 162 before the rear one; the second is 34 before
    // the front one.
    assert_eq!(bench.seen(), (2, 46));
    assert_eq!(bench.drive(0, 1, 40), (2, 34));
    // All strikes of the second, third, fourth and fifth, at the front and then at the rear axle, by hand:
    // front 34, 106, 178, 250; rear 234, 306, 378, 450 from here. The first would be due at 162.
    let due_mm = [34, 106, 178, 234, 250, 306, 378, 450];
    for driven in 1..=40 {
        let here = 12 * driven;
        let seen = bench.drive(0, 1, 0);
        match due_mm.iter().find(|&&due| due >= here) {
            Some(due) => assert_eq!(seen, (2, due - here), "{here} mm on"),
            None => assert_eq!(seen, NONE),
        }
    }
}

#[test]
fn in_a_shift_the_vehicle_rolls_on_as_fast_as_before() {
    let mut bench = Bench::new(feeler());
    bench.drive(1, 1, 0);
    assert_eq!(bench.drive(1, 1, 40), (2, 250));
    assert_eq!(bench.shift(1, 5), (2, 130), "24 mm a tick, whatever the motor does");
    // Slower by 4 mm in every tick: 20, 16, 12, 8, 4, 0, 0.
    let mut bench = Bench::new(PreviewSettings { coast_q4_mm: 64, ..feeler() });
    bench.drive(1, 1, 0);
    assert_eq!(bench.drive(1, 1, 40), (2, 250));
    assert_eq!(bench.shift(1, 2), (2, 214));
    assert_eq!(bench.shift(1, 3), (2, 190));
    assert_eq!(bench.shift(1, 2), (2, 190), "it stands");
}

#[test]
fn the_way_wraps_and_nothing_is_seen_of_it() {
    let mut bench = Bench::new(feeler());
    // 6000 ticks of 48 mm: 288 m, more than four turns of 65.5 m.
    for round in 0..6000 {
        let strike = round % 40 == 0;
        let seen = bench.drive(2, 1, if strike { 40 } else { 0 });
        let driven = 48 * (round % 40);
        let due = [250, 450].into_iter().find(|&due| due >= driven);
        assert_eq!(seen, due.map_or(NONE, |due| (2, due - driven)), "tick {round}");
    }
}

#[test]
fn a_fault_of_another_sensor_forgets_what_was_ahead() {
    let mut s = settings();
    s.features.preview = feeler();
    let mut controller = Controller::new(&s, 0);
    let mut tick = |preview: i16, battery_mv: u16| {
        controller.sense(&s, &Raw { preview, battery_mv, ..cruising(0) });
        controller.act(&s, Request::Hold, false);
        let features = controller.features(&s);
        (controller.guard().phase(), features.get(Feature::StrikeClass), features.get(Feature::StrikeMm))
    };
    tick(0, 7400);
    assert_eq!(tick(40, 7400).1, 2);
    assert_eq!(tick(0, 0), (Phase::Faulted, 0, 1000));
    assert_eq!(tick(0, 7400), (Phase::Faulted, 0, 1000));
}

#[test]
fn a_sensor_ahead_that_fails_is_no_fault_of_the_drive() {
    let mut s = settings();
    s.features.preview = feeler();
    let mut controller = Controller::new(&s, 0);
    for preview in [0, i16::MIN, i16::MAX, 0] {
        controller.sense(&s, &Raw { preview, ..cruising(0) });
        assert!(controller.act(&s, Request::Hold, false).drive);
    }
    assert_eq!(controller.guard().fault(), Fault::None);
}
