//! The geometry by hand, and what the arm does on the way.

use super::own_track::OwnTrack;
use super::profile::{Probe, Profile};
use super::*;
use crate::config::load;
use crate::terrain::{Obstacle, ObstacleShape, Segment, Surface};
use crate::vehicle::{
    FeelerConfig, GrassConfig, GyroConfig, OwnTrackConfig, RangeConfig, VehicleConfig, WhiskerConfig,
};
use std::path::Path;

const AHEAD_M: f64 = 0.2;
const ROLLER_M: f64 = 0.006;

fn feeler() -> FeelerConfig {
    FeelerConfig {
        ahead_m: AHEAD_M,
        arm_m: 0.08,
        roller_radius_m: ROLLER_M,
        resolution_deg: 0.1,
        noise_deg: 0.0,
        hysteresis_deg: 0.0,
        fall_m_s: 0.08,
        bounce_above_m_s: 0.5,
        drag_n: Some(0.0),
        roller: None,
        low_m: 0.0025,
        high_m: 0.006,
        track: OwnTrackConfig { missed_share: 0.0, false_share: 0.0 },
        grass: GrassConfig { stuck_rate: 0.0, stuck_length_m: 0.0, down_share: 0.0, tuft_m: 0.0 },
    }
}

/// The demonstration's cart, axles 0.2 m apart and wheels of 30 mm radius, with a feeler.
fn vehicle(feeler: FeelerConfig) -> Vehicle {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("../configs/vehicles/demo-cart.toml");
    let mut config: VehicleConfig = load(&file).unwrap();
    config.variation = config.variation.nominal();
    config.sensors.feeler = Some(feeler);
    config.draw(&mut Seed(1).stream(Stream::Vehicle, 0))
}

/// A straight course of 4 m, `sines` of the grade from each place on, with one obstacle.
fn course(sines: &[(f64, f64)], obstacle: Option<(f64, f64, ObstacleShape)>) -> Course {
    let segment = |&(start_m, sin_grade): &(f64, f64)| Segment { start_m, sin_grade, surface: 0 };
    let surface = Surface { name: "path".to_owned(), rolling: 0.03, drag_s_m: 0.0, friction: 0.9 };
    Course {
        name: "test".to_owned(),
        length_m: 4.0,
        surfaces: vec![surface],
        segments: sines.iter().map(segment).collect(),
        obstacles: obstacle
            .map(|(position_m, height_m, shape)| Obstacle { position_m, height_m, shape })
            .into_iter()
            .collect(),
    }
}

/// Height of the roller above the plane of the wheels, mm, with the front axle at `x_m`.
fn height_mm(course: &Course, x_m: f64) -> f64 {
    let probe = Probe::Roller { ahead_m: AHEAD_M, radius_m: ROLLER_M };
    let profile = Profile::new(course, &OwnTrack::exact(course), &vehicle(feeler()), &probe);
    1000.0 * f64::from(profile.height_m(profile.index(x_m)))
}

fn level(height_m: f64, shape: ObstacleShape) -> Course {
    course(&[(-5.0, 0.0)], Some((2.0, height_m, shape)))
}

#[test]
fn an_arm_of_80_mm_turns_by_3_6_degrees_on_a_rod_of_5_mm() {
    // asin(5 / 80) = 3.583 degrees; half of it lies at 2.5 mm, 1.791 degrees.
    assert!((arm_angle_deg(0.005, 0.08) - 3.583).abs() < 5e-4);
    assert!((arm_angle_deg(0.0025, 0.08) - 1.791).abs() < 5e-4);
    assert!((arm_angle_deg(-0.04, 0.08) + 30.0).abs() < 1e-6);
    // A sensor of 12 bits resolves 360 / 4096 degrees, at this arm 0.12 mm.
    assert!((arm_angle_deg(0.12e-3, 0.08) - 360.0 / 4096.0).abs() < 2e-3);
}

#[test]
fn a_roller_follows_a_circle_over_a_rod() {
    let rod = level(0.005, ObstacleShape::Bump);
    // The roller is 0.2 m ahead: on top of the rod at 2 m while the front axle is at 1.8 m.
    assert!((height_mm(&rod, 1.8) - 5.0).abs() < 0.01, "{}", height_mm(&rod, 1.8));
    // 4 mm before: 2.5 + sqrt(8.5² - 4²) - 6 = 2.5 + 7.5 - 6 = 4 mm.
    assert!((height_mm(&rod, 1.796) - 4.0).abs() < 0.01, "{}", height_mm(&rod, 1.796));
    // It touches sqrt(2 * 6 * 5) = 7.7 mm before the top.
    assert!(height_mm(&rod, 1.794) > 1.5 && height_mm(&rod, 1.792).abs() < 1e-3);
    // An edge of 5 mm: 4 mm before it 5 + sqrt(36 - 16) - 6 = 3.472 mm, and 5 mm from it on.
    let edge = level(0.005, ObstacleShape::Edge);
    assert!((height_mm(&edge, 1.796) - 3.472).abs() < 0.01);
    assert!((height_mm(&edge, 1.9) - 5.0).abs() < 0.01);
}

#[test]
fn wheels_on_an_obstacle_pitch_the_arm() {
    // A lever of one wheelbase: with the front wheels on 4 mm the plane is 8 mm higher at the roller, with the rear
    // ones 4 mm lower.
    let rod = level(0.004, ObstacleShape::Bump);
    assert!((height_mm(&rod, 2.0) + 8.0).abs() < 0.02, "{}", height_mm(&rod, 2.0));
    assert!((height_mm(&rod, 2.2) - 4.0).abs() < 0.02, "{}", height_mm(&rod, 2.2));
    assert!(height_mm(&rod, 2.1).abs() < 1e-3);
    // Up an edge: 4 mm, with the front wheels up 4 - 8, with all of them up 0.
    let edge = level(0.004, ObstacleShape::Edge);
    for (x_m, y_mm) in [(1.9, 4.0), (2.1, -4.0), (2.3, 0.0)] {
        assert!((height_mm(&edge, x_m) - y_mm).abs() < 0.02, "{x_m}: {}", height_mm(&edge, x_m));
    }
    // The lower stop ends the fall.
    assert!((height_mm(&level(0.007, ObstacleShape::Bump), 2.0) + 10.0).abs() < 0.01);
}

#[test]
fn a_grade_is_flat_to_the_arm_and_its_corner_is_not() {
    let slope = course(&[(-5.0, 0.1)], None);
    assert!(height_mm(&slope, 1.0).abs() < 1e-3);
    // 0.1 m behind the corner at 2 m the ground is 10 mm higher than the plane of the wheels.
    let corner = course(&[(-5.0, 0.0), (2.0, 0.1)], None);
    assert!((height_mm(&corner, 1.9) - 10.0).abs() < 0.3, "{}", height_mm(&corner, 1.9));
    // Wheels half a wheelbase behind it: plane 10 + 10 mm at the roller, ground 30 mm.
    assert!((height_mm(&corner, 2.1) - 10.0).abs() < 0.3, "{}", height_mm(&corner, 2.1));
    assert!(height_mm(&corner, 2.3).abs() < 0.3);
}

fn preview(feeler: FeelerConfig, height_m: f64) -> Preview {
    Preview::new(&vehicle(feeler), &level(height_m, ObstacleShape::Bump), Seed(1), 0).unwrap()
}

/// Readings at the ends of ticks of 50 ms at `speed_m_s`, from the start on.
fn readings(preview: &mut Preview, speed_m_s: f64, ticks: usize) -> Vec<i16> {
    let read = |i: usize| {
        let [reading] = preview.sample(&[0.05 * speed_m_s * (i + 1) as f64]);
        preview.advance(1);
        reading
    };
    (0..ticks).map(read).collect()
}

#[test]
fn a_rod_shows_and_the_arm_falls_back_at_its_rate() {
    // 0.4 m/s are 20 mm a tick: at the end of tick 90 the roller is on top of the rod, 5 mm or 36 tenths of a degree.
    // Then it falls by 0.4 mm a step of 2 mm, but at the first the rod still holds it at 2.5 + sqrt(8.5² - 2²) - 6 =
    // 4.76 mm, 34 tenths. At the end it is at 1.16 mm, so that the highest of the next tick is 0.76 mm, 5 tenths.
    let shown = readings(&mut preview(feeler(), 0.005), 0.4, 110);
    assert_eq!(shown[88..93], [0, 36, 34, 5, 0]);
    assert_eq!(shown[..88], [0; 88]);
    // A slow arm is up for longer: by 0.1 mm less after a step, then by 1 mm a tick.
    let slow = FeelerConfig { fall_m_s: 0.02, ..feeler() };
    let shown = readings(&mut preview(slow, 0.005), 0.4, 110);
    assert_eq!(shown[88..96], [0, 36, 35, 28, 21, 14, 6, 0]);
}

#[test]
fn a_fast_vehicle_throws_the_roller() {
    // The steepest flank that throws has a slope of 2: 0.2 m/s beyond the limit leave at 0.4 m/s, for 8.2 mm more.
    let steady = readings(&mut preview(FeelerConfig { bounce_above_m_s: 0.6, ..feeler() }, 0.005), 0.6, 80);
    let thrown = readings(&mut preview(FeelerConfig { bounce_above_m_s: 0.4, ..feeler() }, 0.005), 0.6, 80);
    let highest = |shown: &[i16]| shown.iter().copied().max().unwrap();
    assert!(highest(&steady) <= 36, "{}", highest(&steady));
    assert!((40..=100).contains(&highest(&thrown)), "{}", highest(&thrown));
}

#[test]
fn readings_taken_together_are_those_one_by_one() {
    let noisy = FeelerConfig { noise_deg: 0.5, hysteresis_deg: 0.4, ..feeler() };
    let alone = readings(&mut preview(noisy, 0.005), 0.3, 160);
    let mut together = preview(noisy, 0.005);
    let mut seen: Vec<i16> = Vec::new();
    while seen.len() < 160 {
        let x_m: [f64; BATCH] = std::array::from_fn(|i| 0.015 * (seen.len() + i + 1) as f64);
        let planned = together.sample(&x_m);
        // Half of what was planned is dropped and computed again.
        together.advance(1);
        together.advance(BATCH / 2 - 1);
        seen.extend(&planned[..BATCH / 2]);
    }
    assert_eq!(seen, alone);
}

#[test]
fn hysteresis_lags_by_half_its_width_and_noise_has_its_size() {
    let play = FeelerConfig { hysteresis_deg: 1.0, ..feeler() };
    let mut shown = readings(&mut preview(play, 0.005), 0.4, 100);
    assert_eq!(shown[89], 31, "half a degree below 3.6");
    shown.truncate(80);
    assert_eq!(shown, [0; 80]);
    let noisy = FeelerConfig { noise_deg: 0.5, ..feeler() };
    let still = readings(&mut preview(noisy, 0.005), 0.0, 4000);
    let mean = still.iter().map(|&r| f64::from(r)).sum::<f64>() / 4000.0;
    let sd = (still.iter().map(|&r| f64::from(r).powi(2)).sum::<f64>() / 4000.0).sqrt();
    assert!(mean.abs() < 0.3 && (sd - 5.0).abs() < 0.3, "{mean} {sd}");
}

#[test]
fn a_whisker_says_that_something_is_there() {
    let whisker = WhiskerConfig {
        ahead_m: AHEAD_M,
        tip_radius_m: ROLLER_M,
        trigger_m: 0.003,
        hysteresis_m: 0.001,
        noise_m: 0.0,
        fall_m_s: 0.02,
        bounce_above_m_s: 5.0,
        drag_n: 0.0,
        track: feeler().track,
        grass: feeler().grass,
    };
    let mut vehicle = vehicle(feeler());
    vehicle.preview = vehicle
        .preview
        .map(|sampled| crate::vehicle::SampledPreview { sensor: PreviewSensor::Whisker(whisker), ..sampled });
    let shown = |height_m| {
        let course = level(height_m, ObstacleShape::Bump);
        readings(&mut Preview::new(&vehicle, &course, Seed(1), 0).unwrap(), 0.4, 100)
    };
    // 5 mm in tick 90, then 4.9, 3.9, 2.9 and 1.9 mm: it opens below 2 mm.
    let rod = shown(0.005);
    assert_eq!(rod[88..95], [0, 1, 1, 1, 1, 0, 0]);
    assert_eq!(shown(0.0028), [0; 100]);
}

/// Readings of a gyroscope without noise, hundredths of a degree, with ticks of 50 ms.
fn felt(course: &Course, (fade_s, drift_deg_s): (f64, f64), speed_m_s: f64, ticks: usize) -> Vec<i16> {
    let mut vehicle = vehicle(feeler());
    let gyro = GyroConfig { noise_deg: 0.0, fade_s, low_m: 0.0035, high_m: 0.006 };
    vehicle.preview = vehicle.preview.map(|sampled| crate::vehicle::SampledPreview {
        sensor: PreviewSensor::Gyro(gyro),
        offset: drift_deg_s,
        ..sampled
    });
    readings(&mut Preview::new(&vehicle, course, Seed(1), 0).unwrap(), speed_m_s, ticks)
}

#[test]
fn a_gyroscope_feels_what_each_axle_climbs() {
    let lasting = (1e9, 0.0);
    // 5 mm on 200 mm are 1.432 degrees; 0.04 m/s are 2 mm a tick, and the cane lies at 2 m: tick 1000 for the front axle,
    // tick 1100 for the rear one.
    let rod = felt(&level(0.005, ObstacleShape::Bump), lasting, 0.04, 1200);
    assert_eq!((rod[999], rod[1049], rod[1099], rod[1149]), (143, 0, -143, 0));
    // A wheel of 30 mm begins to climb 2 h / sin(theta) = 18.8 mm before its top, cos(theta) = 27.5 / 32.5.
    assert_eq!(rod[989], 0, "20 mm before it");
    assert!(rod[990] > 0, "18 mm before it");
    // An edge lifts it until the rear axle is up as well.
    let edge = felt(&level(0.005, ObstacleShape::Edge), lasting, 0.04, 1200);
    assert_eq!((edge[999], edge[1050], edge[1100]), (143, 143, 0));
}

#[test]
fn a_gyroscope_shows_the_highest_angle_of_a_tick() {
    // 20 mm a tick, the top in the middle of tick 101: at its end 3.6 mm are left.
    let rod = course(&[(-5.0, 0.0)], Some((2.01, 0.005, ObstacleShape::Bump)));
    assert_eq!(felt(&rod, (1e9, 0.0), 0.4, 120)[99..104], [103, 143, 85, 0, 0]);
}

#[test]
fn the_angle_of_a_gyroscope_fades() {
    // From a grade of 0.1 on, 200 mm behind the corner, it stands at 0.1 rad = 5.730 degrees, of which 1 / 1.05 is left
    // with every tick of 50 ms at a fade of 1 s: (20/21)^20 = 37.7 % after a second.
    let corner = course(&[(-5.0, 0.0), (2.0, 0.1)], None);
    let climbing = felt(&corner, (1e9, 0.0), 0.4, 140);
    assert!((climbing[120] - 573).abs() <= 2 && climbing[139] == climbing[120], "{climbing:?}");
    let fading = felt(&corner, (1.0, 0.0), 0.4, 140);
    let share = f64::from(fading[139]) / f64::from(fading[119]);
    assert!((share - 0.377).abs() < 0.005 && fading[119] < 500, "{fading:?}");
    // A drift of 0.2 degrees a second ends at 0.2 degrees times the fade.
    let drifting = felt(&course(&[(-5.0, 0.0)], None), (0.5, 0.2), 0.0, 200);
    assert_eq!((drifting[0], drifting[199]), (1, 10));
}

#[test]
fn a_range_sensor_sees_kerbs_and_grades_and_no_rods() {
    let range = RangeConfig {
        ahead_m: 0.25,
        height_m: 0.1,
        cone_deg: 27.0,
        noise_m: 0.0,
        resolution_m: 0.001,
        period_ticks: 1,
        dropout_share: 0.0,
        false_share: 0.0,
        canopy_m: 0.0,
        low_m: 0.02,
        high_m: 0.04,
    };
    let beam_mm = |course: &Course, x_m: f64| {
        let probe = Probe::Beam(Beam::new(&range, 0.25));
        let profile = Profile::new(course, &OwnTrack::exact(course), &vehicle(feeler()), &probe);
        1000.0 * f64::from(profile.height_m(profile.index(x_m)))
    };
    let highest =
        |course: &Course| (0..300).map(|i| beam_mm(course, 1.2 + 0.002 * f64::from(i))).fold(0.0, f64::max);
    let rod = highest(&level(0.008, ObstacleShape::Bump));
    assert!(rod < 1.0, "{rod} mm of 8, where its noise is 7 mm");
    let kerb = highest(&level(0.06, ObstacleShape::Edge));
    assert!(kerb > 40.0, "{kerb} mm of 60");
    // A slope of a tenth from where the middle ray meets the ground: the mean over rays of (0.1 / tan e - 0.25) / 10
    // times sin 21.80 / sin e, from 8.30 to 35.30 degrees and nothing above 21.80, is 14.14 mm (midpoint rule,
    // 20 000 rays).
    let corner = beam_mm(&course(&[(-5.0, 0.0), (2.0, 0.1)], None), 1.75);
    assert!((corner - 14.14).abs() < 0.2, "{corner}");
}
