//! A row of the trace.

use super::Drive;
use crate::names::{phase_name, request_name, verdict_name};
use crate::trace::TraceRow;
use lowgear_onboard::{Feature, Request};

impl Drive {
    pub(super) fn record_trace(&mut self, request: Request, decided: bool, drive: bool) {
        let segment = self.track.course.segments[self.track.course.segment_at(self.plant.x_m)];
        let plant = self.plant();
        let features = self.controller.features(&self.scenario.settings);
        let guard = self.controller.guard();
        let row = TraceRow {
            time_s: self.elapsed_s(),
            position_m: self.plant.x_m,
            speed_m_s: self.plant.v_m_s,
            grade_deg: segment.sin_grade.asin().to_degrees(),
            surface: self.track.course.surfaces[segment.surface].name.clone(),
            gear: guard.gear() + 1,
            gear_in_mesh: self.plant.gear.map_or(0, |g| g as u8 + 1),
            request: if decided { request_name(request) } else { "" },
            verdict: if decided { verdict_name(guard.verdict()) } else { "" },
            guard: phase_name(guard.phase()),
            drive: u8::from(drive),
            motor_speed_rad_s: self.plant.motor_rad_s,
            motor_current_a: self.plant.current_a,
            battery_voltage_v: self.plant.terminal_v,
            winding_c: self.vehicle.air_c + plant.temperature_rise.winding_k,
            output_torque_nm: plant.output_nm,
            damage: plant.stress.total(),
            slipping: u8::from(self.plant.slipping),
            return_s: self.reward().total_s(),
            encoder_counts: self.sensors.last().encoder_counts,
            tilt_ddeg: self.sensors.last().tilt_ddeg,
            speed_ratio_permille: features.get(Feature::SpeedRatio),
            load_slow_permille: features.get(Feature::LoadSlow),
            load_peak_permille: features.get(Feature::LoadPeak),
            tilt_filtered_ddeg: features.get(Feature::Tilt),
            preview_reading: self.sensors.last().preview,
            strike_class: features.get(Feature::StrikeClass),
            strike_mm: features.get(Feature::StrikeMm),
        };
        if let Some(rows) = &mut self.trace {
            rows.push(row);
        }
    }
}
