//! The range of every reading, and what a start-up check can tell about units.
//!
//! A sensor that has come off reads nothing or full scale; a value in another unit is too large or too small. Both
//! look like a vehicle to a filter, so they are refused before it. The bounds come from the vehicle file.

use super::{FeatureSettings, Raw};

/// A drum angle is below this, tenths of a degree.
const FULL_TURN_DDEG: u16 = 3600;
/// A duty is at most this, permille.
const FULL_DUTY: u16 = 1000;
/// At standstill a vehicle is not steeper than this, tenths of a degree.
const STANDING_TILT_DDEG: u16 = 450;
/// Motor speed over the no-load speed at the present voltage and duty, permille, while the wheels turn freely: the
/// gearbox takes some of it, a wrong unit takes it far away.
const FREE_RATIO: [u32; 2] = [400, 1300];

/// Bounds of the readings, inclusive.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Ranges {
    /// Most encoder pulses in a tick, at most 65534.
    pub max_encoder_counts: u16,
    /// Battery voltage, mV, from 1 to 65534; 0 and `u16::MAX` when it is not measured.
    pub battery_mv: [u16; 2],
    /// Battery voltage of a vehicle that stands, mV; the same when it is not measured.
    pub standing_mv: [u16; 2],
    /// Largest motor current either way, mA, at most 32766; `u16::MAX` when it is not measured.
    pub max_current_ma: u16,
    /// Largest tilt either way, tenths of a degree; `u16::MAX` when it is not measured.
    pub max_tilt_ddeg: u16,
}

/// Which reading lies outside its range.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u8)]
pub enum Fault {
    /// None does.
    None = 0,
    /// [`Raw::encoder_counts`].
    Encoder = 1,
    /// [`Raw::battery_mv`].
    Battery = 2,
    /// [`Raw::current_ma`].
    Current = 3,
    /// [`Raw::tilt_ddeg`].
    Tilt = 4,
    /// [`Raw::duty_permille`].
    Duty = 5,
    /// [`Raw::selector_ddeg`].
    Selector = 6,
}

impl Ranges {
    /// The first reading outside its range, in the order of [`Fault`]'s codes.
    #[must_use]
    #[inline]
    pub const fn fault_of(&self, raw: &Raw) -> Fault {
        if raw.encoder_counts > self.max_encoder_counts {
            Fault::Encoder
        } else if raw.battery_mv < self.battery_mv[0] || raw.battery_mv > self.battery_mv[1] {
            Fault::Battery
        } else if raw.current_ma.unsigned_abs() > self.max_current_ma {
            Fault::Current
        } else if raw.tilt_ddeg.unsigned_abs() > self.max_tilt_ddeg {
            Fault::Tilt
        } else if raw.duty_permille > FULL_DUTY {
            Fault::Duty
        } else if raw.selector_ddeg >= FULL_TURN_DDEG {
            Fault::Selector
        } else {
            Fault::None
        }
    }

    /// A check at power-up, with the vehicle standing and the motor off: the first reading that such a vehicle cannot
    /// have. `full_duty` is what the control loop would report at full throttle: 1000, and nothing else.
    #[must_use]
    pub const fn check_standing(&self, raw: &Raw, full_duty: u16) -> Fault {
        let fault = self.fault_of(raw);
        if !matches!(fault, Fault::None) {
            return fault;
        }
        if raw.encoder_counts > 0 {
            Fault::Encoder
        } else if raw.battery_mv < self.standing_mv[0] || raw.battery_mv > self.standing_mv[1] {
            Fault::Battery
        } else if self.max_current_ma < u16::MAX && raw.current_ma.unsigned_abs() > self.max_current_ma / 16 {
            Fault::Current
        } else if self.max_tilt_ddeg < u16::MAX && raw.tilt_ddeg.unsigned_abs() > STANDING_TILT_DDEG {
            Fault::Tilt
        } else if full_duty != FULL_DUTY || raw.duty_permille > 0 {
            Fault::Duty
        } else {
            Fault::None
        }
    }

    /// A check of the first run, with the wheels off the ground and turning freely at a steady duty: a motor speed that
    /// does not go with duty and voltage means that one of them is in another unit ([`Fault::Encoder`]).
    #[must_use]
    pub const fn check_free(&self, settings: &FeatureSettings, raw: &Raw) -> Fault {
        let fault = self.fault_of(raw);
        if !matches!(fault, Fault::None) {
            return fault;
        }
        let millivolts = if settings.battery_fitted { raw.battery_mv } else { settings.nominal_mv };
        let applied_mv = millivolts as u32 * raw.duty_permille as u32 / 1000;
        let speed = (raw.encoder_counts as u32).saturating_mul(settings.speed_gain);
        if speed < applied_mv.saturating_mul(FREE_RATIO[0])
            || speed > applied_mv.saturating_mul(FREE_RATIO[1])
        {
            Fault::Encoder
        } else {
            Fault::None
        }
    }
}
