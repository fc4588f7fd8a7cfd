//! The trace of an episode: one row per controller tick.

use serde::Serialize;

/// One controller tick. The names are the column headings, units included.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct TraceRow {
    /// Time at the end of the tick.
    pub time_s: f64,
    /// Position of the front axle.
    pub position_m: f64,
    /// Speed.
    pub speed_m_s: f64,
    /// Grade under the front axle.
    pub grade_deg: f64,
    /// Surface under the front axle.
    pub surface: String,
    /// Gear that the guard has confirmed, 1 is the lowest.
    pub gear: u8,
    /// Gear in mesh, 0 in neutral.
    pub gear_in_mesh: u8,
    /// What the policy asked for in this tick, empty when it was not asked.
    pub request: &'static str,
    /// What the guard said to it.
    pub verdict: &'static str,
    /// What the guard is doing.
    pub guard: &'static str,
    /// Whether the motor is driven.
    pub drive: u8,
    /// Motor speed.
    pub motor_speed_rad_s: f64,
    /// Motor current.
    pub motor_current_a: f64,
    /// Battery terminal voltage.
    pub battery_voltage_v: f64,
    /// Winding temperature.
    pub winding_c: f64,
    /// Torque at the gearbox output.
    pub output_torque_nm: f64,
    /// Damage so far, share of nominal life.
    pub damage: f64,
    /// Wheels slip.
    pub slipping: u8,
    /// Return so far.
    pub return_s: f64,
    /// Raw encoder reading.
    pub encoder_counts: u16,
    /// Raw tilt reading, tenths of a degree.
    pub tilt_ddeg: i16,
    /// Feature: speed over no-load speed, permille.
    pub speed_ratio_permille: i16,
    /// Feature: slow load, permille of the top gear's stall force.
    pub load_slow_permille: i16,
    /// Feature: peak load, permille of the top gear's stall force.
    pub load_peak_permille: i16,
    /// Feature: filtered tilt, tenths of a degree.
    pub tilt_filtered_ddeg: i16,
    /// Raw reading of the sensor ahead, in its own unit; 0 without one.
    pub preview_reading: i16,
    /// Feature: class of the next strike, 0 unknown, 1 none in view, 2 low, 3 high.
    pub strike_class: i16,
    /// Feature: way to the next strike.
    pub strike_mm: i16,
}

/// Writes a trace as CSV.
///
/// # Errors
/// What the writer says.
pub fn write_trace(rows: &[TraceRow], out: impl std::io::Write) -> Result<(), csv::Error> {
    let mut writer = csv::Writer::from_writer(out);
    for row in rows {
        writer.serialize(row)?;
    }
    writer.flush()?;
    Ok(())
}
