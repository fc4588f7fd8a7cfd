//! Vehicles and courses of any kind that the files allow, for property tests.
//!
//! A vehicle is made to fit together: the motor by its voltage, no-load speed, stall current and time constant, the
//! mass by what first gear can push, so that most of them drive and some do not.

use super::demo_cart::{cart, garden};
use lowgear_env::config::Check;
use lowgear_env::motion::GRAVITY_M_S2;
use lowgear_env::terrain::{CourseConfig, ObstacleShape, ScriptedSection};
use lowgear_env::vehicle::{
    AxleConfig, BatteryConfig, ChassisConfig, Constants, ControllerConfig, DogConfig, EncoderConfig,
    GearboxConfig, GuardConfig, HeatConfig, MotorConfig, MotorLineConfig, NoisyConfig, SelectorConfig,
    SensorConfig, VehicleConfig,
};
use lowgear_env::{EpisodeConfig, Scenario, Seed};
use proptest::collection::vec;
use proptest::prelude::*;
use std::sync::Arc;

/// Axles and where the centre of gravity lies: spacings, which are driven, place from front to rear, height.
fn chassis() -> impl Strategy<Value = ChassisConfig> {
    let axles = (vec(0.05_f64..0.3, 0..=3), vec(any::<bool>(), 4), 0_usize..4);
    (axles, 0.35_f64..0.65, 0.0_f64..0.05, 0.02_f64..0.1, 0.0_f64..0.3, 0.0_f64..0.02).prop_map(
        |((spacings, driven, sure), place, height, radius, drag_n, drag_area_m2)| {
            let mut at = vec![0.0];
            for spacing in spacings {
                at.push(at[at.len() - 1] + spacing);
            }
            let (count, rear) = (at.len(), at[at.len() - 1]);
            let mean = at.iter().sum::<f64>() / count as f64;
            let axle =
                |(i, behind_front_m)| AxleConfig { behind_front_m, driven: driven[i] || i == sure % count };
            ChassisConfig {
                mass_kg: 1.0,
                wheel_radius_m: radius,
                wheel_inertia_kg_m2: 0.0,
                cg_height_m: height,
                // Near the middle of the axles, where each of them carries something.
                cg_behind_front_m: (mean + (place - 0.5) * 0.5 * rear).clamp(0.0, rear),
                drag_n,
                drag_area_m2,
                axles: at.into_iter().enumerate().map(axle).collect(),
            }
        },
    )
}

/// Voltage, no-load speed, stall current, share of the no-load current, time constant, `Kt / Ke`, share of the
/// battery's resistance; how many hours of stall the battery lasts, and how many seconds of it warm the winding by
/// a kelvin.
fn drive() -> impl Strategy<Value = (MotorConfig, BatteryConfig)> {
    let motor = (6.0_f64..24.0, 300.0_f64..1200.0, 0.5_f64..20.0, 0.02_f64..0.12, 0.008_f64..0.06);
    (motor, 0.85_f64..=1.0, 0.005_f64..0.2, 0.2_f64..5.0, 0.3_f64..3.0).prop_map(
        |((volt, speed, stall_a, idle, tau_s), ratio, share, hours, warm_s)| {
            let (emf, ohm) = (volt / speed, volt / stall_a);
            let constants = Constants {
                torque_constant_nm_a: ratio * emf,
                emf_constant_v_s: emf,
                resistance_ohm: ohm,
                no_load_current_a: idle * stall_a,
            };
            let motor = MotorConfig {
                line: MotorLineConfig::Constants(constants),
                rotor_inertia_kg_m2: (tau_s * ratio * emf * emf / ohm).clamp(1e-9, 1e-2),
                heat: HeatConfig { winding_j_k: warm_s * volt * stall_a, ..cart().motor.heat },
            };
            let battery = BatteryConfig {
                nominal_voltage_v: volt,
                capacity_ah: hours * stall_a,
                resistance_ohm: share * ohm,
                ocv_v: vec![0.8 * volt, 0.97 * volt, volt, 1.12 * volt],
                cutoff_voltage_v: 0.0,
            };
            (motor, battery)
        },
    )
}

/// First ratio, steps and efficiencies of one to six gears.
fn gearbox() -> impl Strategy<Value = GearboxConfig> {
    let gears = vec((1.1_f64..3.0, 0.4_f64..0.97, 0.3_f64..0.97), 1..=6);
    (20.0_f64..400.0, gears, 1.0_f64..100.0).prop_map(|(first, gears, stiffness_nm_rad)| {
        let mut ratio = first;
        let ratios = gears.iter().enumerate().map(|(i, (step, ..))| {
            ratio /= if i == 0 { 1.0 } else { *step };
            ratio
        });
        GearboxConfig {
            total_ratio: ratios.collect(),
            efficiency: gears.iter().map(|g| g.1).collect(),
            back_efficiency: gears.iter().map(|g| g.2).collect(),
            stiffness_nm_rad,
        }
    })
}

/// Selector and dogs; in the worst of them hardly a shift arrives.
fn shifting() -> impl Strategy<Value = (SelectorConfig, DogConfig)> {
    let servo = (100.0_f64..900.0, 1e3_f64..2e4, 0.0_f64..0.1, 2.0_f64..10.0, 0.0_f64..0.6);
    let dogs = (1_u32..12, 0.2_f64..1.0, 0.05_f64..3.0, 20.0_f64..500.0, 0.01_f64..0.2);
    (servo, 0.0_f64..40.0, 0.02_f64..10.0, 0.0_f64..1.0, dogs).prop_map(
        |(
            (speed, temperature_rise, settling_s, window_deg, error),
            interrupted,
            release,
            free_chance,
            dogs,
        )| {
            let (count, gap, overlap_mm, axial_speed_mm_s, retry_s) = dogs;
            let selector = SelectorConfig {
                order: vec![],
                angle_deg: vec![],
                speed_deg_s: speed,
                acceleration_deg_s2: temperature_rise,
                settling_s,
                window_deg,
                arrival_error_deg: error * window_deg,
                interrupted_error_deg: interrupted,
                release_torque_nm: release,
                free_chance,
            };
            let gap_deg = (gap * 360.0 / f64::from(count)).max(0.1);
            (selector, DogConfig { count, gap_deg, overlap_mm, axial_speed_mm_s, retry_s })
        },
    )
}

fn sensing() -> impl Strategy<Value = SensorConfig> {
    let sensor = |most: f64| {
        prop::option::of(
            (0.01..most, 0.0..most).prop_map(|(resolution, noise)| NoisyConfig { resolution, noise }),
        )
    };
    let encoder = (1_u32..60, 0.0_f64..0.05)
        .prop_map(|(pulses_per_turn, noise)| EncoderConfig { pulses_per_turn, noise });
    (encoder, sensor(0.1), sensor(0.2), sensor(2.0), 0_u8..=4).prop_map(
        |(encoder, battery, current, tilt, latency_ticks)| SensorConfig {
            encoder,
            battery,
            current,
            tilt,
            feeler: None,
            whisker: None,
            gyro: None,
            range: None,
            latency_ticks,
        },
    )
}

fn control() -> impl Strategy<Value = (ControllerConfig, GuardConfig)> {
    let guard = (0_u16..4, 0.0_f64..1.0, 0.02_f64..0.3, 0_u8..4, prop::option::of(0.0_f64..12.0));
    let rests = (0.05_f64..1.0, 0.3_f64..4.0, 0.0_f64..2.0);
    (0.01_f64..0.1, 1_u16..8, guard, rests).prop_map(|(tick_s, decision_ticks, guard, rests)| {
        let (cut_lead_ticks, min_dwell_s, move_margin_s, retries, tilt_limit_deg) = guard;
        let (recalibrate_s, stall_cut_s, stall_rest_s) = rests;
        let guard = GuardConfig {
            cut_lead_ticks,
            min_dwell_s,
            move_margin_s,
            retries,
            recalibrate_s,
            tilt_limit_deg,
            stall_cut_s,
            stall_rest_s,
        };
        (ControllerConfig { tick_s, decision_ticks, ..ControllerConfig::default() }, guard)
    })
}

/// Any vehicle, without variation.
pub(super) fn any_vehicle() -> impl Strategy<Value = VehicleConfig> {
    let parts = (chassis(), drive(), gearbox(), shifting(), sensing(), control());
    (parts, 0.2_f64..1.5, 0.0_f64..0.3).prop_map(|(parts, pull, wheels)| {
        let (mut chassis, (motor, battery), gearbox, (mut selector, dogs), sensors, (controller, guard)) =
            parts;
        let line = motor.line.constants();
        let stall_nm = battery.nominal_voltage_v / line.resistance_ohm * line.torque_constant_nm_a;
        let tractive_n = stall_nm * gearbox.total_ratio[0] * gearbox.efficiency[0] / chassis.wheel_radius_m;
        chassis.mass_kg = (tractive_n / (GRAVITY_M_S2 * pull)).clamp(0.1, 200.0);
        let rim = chassis.mass_kg * chassis.wheel_radius_m.powi(2);
        chassis.wheel_inertia_kg_m2 = (wheels * rim).min(10.0);
        let gears = gearbox.total_ratio.len();
        selector.order =
            std::iter::once("park".to_owned()).chain((1..=gears).map(|g| g.to_string())).collect();
        selector.angle_deg = (0..=gears).map(|g| 50.0 * g as f64).collect();
        let vehicle = VehicleConfig {
            name: "any".into(),
            fitted: None,
            chassis,
            motor,
            battery,
            gearbox,
            selector,
            dogs,
            sensors,
            controller,
            guard,
            variation: cart().variation.nominal(),
            ..cart()
        };
        vehicle.check().expect("a vehicle that the files allow");
        vehicle
    })
}

/// Sections with surfaces of the demo course and grades up to `steep_deg`; some with an obstacle up to `height_m`.
pub(super) fn any_sections(steep_deg: f64, height_m: f64) -> impl Strategy<Value = Vec<ScriptedSection>> {
    let surfaces: Vec<String> = garden().surfaces.iter().map(|s| s.name.clone()).collect();
    let obstacle = prop::option::weighted(0.4, (0.001_f64..0.002_f64.max(height_m), any::<bool>()));
    let section = (0.3_f64..4.0, prop::sample::select(surfaces), -steep_deg..steep_deg, obstacle);
    vec(section, 1..8).prop_map(move |sections| {
        sections
            .into_iter()
            .map(|(length_m, surface, grade_deg, obstacle)| {
                let obstacle = obstacle.filter(|_| height_m > 0.0);
                ScriptedSection {
                    length_m,
                    surface,
                    grade_deg,
                    obstacle_height_m: obstacle.map(|o| o.0),
                    obstacle_shape: obstacle
                        .map(|o| if o.1 { ObstacleShape::Bump } else { ObstacleShape::Edge }),
                }
            })
            .collect()
    })
}

/// Such sections as a course.
pub(super) fn course_of(sections: Vec<ScriptedSection>) -> CourseConfig {
    super::demo_cart::scripted(sections)
}

/// Any vehicle on any course.
pub(super) fn any_scenario() -> impl Strategy<Value = Arc<Scenario>> {
    (any_vehicle(), any_sections(15.0, 0.02), any::<u64>(), 1_usize..=6).prop_map(
        |(vehicle, sections, seed, start_gear)| {
            let episode = EpisodeConfig {
                start_gear,
                time_limit_s: 120.0,
                give_up_s: 30.0,
                ..EpisodeConfig::default()
            };
            Arc::new(Scenario::new(vehicle, (course_of(sections), None), episode, Seed(seed)))
        },
    )
}
