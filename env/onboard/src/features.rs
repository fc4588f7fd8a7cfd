//! Raw sensor units, and the features that a policy sees.

/// One reading of every sensor. An absent sensor reads 0.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Raw {
    /// Encoder pulses counted during the last tick, whichever way the motor turns.
    pub encoder_counts: u16,
    /// Battery voltage under load, mV.
    pub battery_mv: u16,
    /// Motor current, mA.
    pub current_ma: i16,
    /// Tilt as the accelerometer shows it, nose up positive, tenths of a degree.
    pub tilt_ddeg: i16,
    /// Duty that the motor was given during the last tick, permille, 0 to 1000: its size, 0 while braking or coasting.
    pub duty_permille: u16,
    /// Selector drum angle, tenths of a degree, 0 to 3599.
    pub selector_ddeg: u16,
    /// What the sensor ahead of the front axle shows, 0 on flat ground, more over what stands out of it: tenths of a
    /// degree of an arm, 0 or 1 of a whisker, mm above the ground of a range sensor. Of a gyroscope the pitch in hundredths
    /// of a degree, nose up positive, that fades.
    pub preview: i16,
}

/// The features by name; the discriminant is the index into [`Features`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[repr(u8)]
pub enum Feature {
    /// Gear engaged, 0 is the lowest.
    Gear = 0,
    /// Motor speed over its no-load speed at *nominal* voltage, permille, 0 to 2000.
    MotorSpeed = 1,
    /// Motor speed over its no-load speed at the *present* voltage and duty, permille, 0 to 2000.
    SpeedRatio = 2,
    /// Slowly filtered load at the wheel, permille of the top gear's stall force, 0 to 30000.
    LoadSlow = 3,
    /// Decaying peak of the same load, permille of the top gear's stall force, 0 to 30000.
    LoadPeak = 4,
    /// Filtered tilt, tenths of a degree.
    Tilt = 5,
    /// Battery voltage over nominal, permille (1000 when no sensor is fitted).
    Battery = 6,
    /// Ticks since the present gear engaged, 0 to 1000.
    Dwell = 7,
    /// Ticks since the last upshift that had to be taken back, 0 to 1000.
    SinceFailed = 8,
    /// Upshifts taken back in a row, 0 to 7.
    FailedCount = 9,
    /// Ticks the driven motor has stood still, 0 to 1000.
    Stalled = 10,
    /// Motor current, permille of the stall current (0 when no sensor is fitted), -2000 to 2000.
    Current = 11,
    /// The next strike of an axle: 0 unknown, 1 none in view, 2 low, 3 high.
    StrikeClass = 12,
    /// Way from the axle that meets the next strike, mm, 0 to 1000; 1000 when none is in view.
    StrikeMm = 13,
}

/// Number of features.
pub const FEATURES: usize = 14;

impl Feature {
    /// Every feature, in index order.
    pub const ALL: [Feature; FEATURES] = [
        Feature::Gear,
        Feature::MotorSpeed,
        Feature::SpeedRatio,
        Feature::LoadSlow,
        Feature::LoadPeak,
        Feature::Tilt,
        Feature::Battery,
        Feature::Dwell,
        Feature::SinceFailed,
        Feature::FailedCount,
        Feature::Stalled,
        Feature::Current,
        Feature::StrikeClass,
        Feature::StrikeMm,
    ];

    /// Name as it stands in configuration and reports.
    #[must_use]
    #[inline]
    pub const fn name(self) -> &'static str {
        match self {
            Feature::Gear => "gear",
            Feature::MotorSpeed => "motor-speed",
            Feature::SpeedRatio => "speed-ratio",
            Feature::LoadSlow => "load-slow",
            Feature::LoadPeak => "load-peak",
            Feature::Tilt => "tilt",
            Feature::Battery => "battery",
            Feature::Dwell => "dwell",
            Feature::SinceFailed => "since-failed",
            Feature::FailedCount => "failed-count",
            Feature::Stalled => "stalled",
            Feature::Current => "current",
            Feature::StrikeClass => "strike-class",
            Feature::StrikeMm => "strike-mm",
        }
    }
}

/// One value per [`Feature`].
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Features(pub [i16; FEATURES]);

impl Features {
    /// The value of one feature.
    #[must_use]
    #[inline]
    pub const fn get(&self, feature: Feature) -> i16 {
        self.0[feature as usize]
    }

    /// The value at an index; 0 beyond the last.
    #[must_use]
    #[inline]
    pub const fn at(&self, index: u8) -> i16 {
        if (index as usize) < FEATURES { self.0[index as usize] } else { 0 }
    }
}
