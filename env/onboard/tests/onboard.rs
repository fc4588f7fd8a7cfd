//! Properties of what runs on the vehicle, under arbitrary requests and readings.

#[path = "onboard/features.rs"]
mod features;
#[path = "onboard/guard.rs"]
mod guard;
#[path = "onboard/lap_control.rs"]
mod lap_control;
#[path = "onboard/lap_memory.rs"]
mod lap_memory;
#[path = "onboard/preview.rs"]
mod preview;
#[path = "onboard/recorder.rs"]
mod recorder;
#[path = "onboard/route.rs"]
mod route;
#[path = "onboard/safe.rs"]
mod safe;
#[path = "onboard/sensors.rs"]
mod sensors;
#[path = "onboard/table.rs"]
mod table;

use lowgear_onboard::{FeatureSettings, GuardSettings, PreviewSettings, Ranges, Raw, Settings};

/// A three-gear vehicle at 50 ms ticks.
fn settings() -> Settings {
    Settings {
        features: FeatureSettings {
            speed_gain: 628_000,
            nominal_mv: 7400,
            battery_fitted: true,
            stall_ma: 30_000,
            gear_scale_permille: [3800, 1900, 1000, 0, 0, 0],
            fast_shift: 1,
            slow_shift: 4,
            tilt_shift: 2,
            peak_shift: 4,
            stall_counts: 0,
            failed_window_ticks: 40,
            preview: PreviewSettings::NONE,
        },
        guard: GuardSettings {
            gears: 3,
            gear_ddeg: [0, 900, 1800, 0, 0, 0],
            window_ddeg: 60,
            leave_ddeg: 90,
            cut_lead_ticks: 2,
            min_dwell_ticks: 6,
            move_timeout_ticks: 5,
            retries: 2,
            recalibrate_ticks: 7,
            tilt_limit_ddeg: 150,
            stall_counts: 0,
            stall_cut_ticks: 20,
            stall_rest_ticks: 10,
            fault_clear_ticks: 6,
        },
        ranges: Ranges {
            max_encoder_counts: 36,
            battery_mv: [2900, 10_900],
            standing_mv: [5200, 9200],
            max_current_ma: 32_766,
            max_tilt_ddeg: 900,
        },
        decision_ticks: 4,
        tick_us: 50_000,
        pulses_per_turn: 20,
    }
}

/// Full duty on the flat, half the no-load speed, selector at `selector_ddeg`.
fn cruising(selector_ddeg: u16) -> Raw {
    Raw {
        encoder_counts: 6,
        battery_mv: 7400,
        current_ma: 15_000,
        tilt_ddeg: 0,
        duty_permille: 1000,
        selector_ddeg,
        preview: 0,
    }
}
