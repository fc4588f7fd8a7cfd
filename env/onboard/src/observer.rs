//! From raw sensor units to features, in fixed point.

use super::preview::Preview;
use super::{Features, MAX_GEARS, PreviewSettings, Raw};

/// Constants of the feature arithmetic, computed once from the vehicle file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct FeatureSettings {
    /// Permille of no-load speed, times mV, per encoder count: `1e6 * 2 pi * Ke / (pulses_per_rev * tick_s)`.
    pub speed_gain: u32,
    /// Nominal battery voltage, mV.
    pub nominal_mv: u16,
    /// Whether `battery_mv` is measured; otherwise the nominal voltage stands in for it.
    pub battery_fitted: bool,
    /// Stall current at nominal voltage, mA; 0 when no current sensor is fitted.
    pub stall_ma: u16,
    /// Total ratio of each gear over the top gear's, permille (the top gear has 1000).
    pub gear_scale_permille: [u16; MAX_GEARS],
    /// The filters move by `2^-shift` of the difference each tick: fast speed filter.
    pub fast_shift: u8,
    /// Slow load filter.
    pub slow_shift: u8,
    /// Tilt filter.
    pub tilt_shift: u8,
    /// Decay of the peak load.
    pub peak_shift: u8,
    /// The motor counts as standing still at or below this many counts in a tick.
    pub stall_counts: u16,
    /// An upshift taken back within this many ticks after arrival counts as failed.
    pub failed_window_ticks: u16,
    /// The sensor ahead of the front axle.
    pub preview: PreviewSettings,
}

impl FeatureSettings {
    /// Load of one reading, permille of the top gear's stall force: below zero where the wheels drive the motor.
    pub(super) fn signed_load(&self, raw: &Raw, gear: usize) -> i32 {
        let ratio = match applied_mv(self, raw) {
            0 => 1000,
            applied_mv => permille_of_no_load(scaled_speed(self, raw), applied_mv),
        };
        (1000 - ratio) * self.gear_scale_permille[gear % MAX_GEARS] as i32 / 1000
    }
}

/// Bits of fraction that the filters keep.
const FRACTION_BITS: u8 = 6;
const SATURATED_TICKS: u16 = 1000;
const MAX_SHIFT: u8 = 15;
const MAX_FAILED: u8 = 7;

/// Filters and clocks behind the features.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Observer {
    filters: Filters,
    preview: Preview,
    dwell: u16,
    since_failed: u16,
    failed_count: u8,
    gear: u8,
    came_from_below: bool,
    fresh: bool,
    levelled: bool,
    driven_before: bool,
    battery_mv: u16,
    current_ma: i16,
}

/// What every reading moves.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Filters {
    motor_speed: i32,
    speed_ratio: i32,
    load_slow: i32,
    load_peak: i32,
    tilt: i32,
    stalled: u16,
}

impl Observer {
    /// A vehicle that stands in `gear`.
    #[must_use]
    pub const fn new(gear: u8) -> Observer {
        Observer {
            filters: Filters {
                motor_speed: 0,
                speed_ratio: 0,
                load_slow: 0,
                load_peak: 0,
                tilt: 0,
                stalled: 0,
            },
            preview: Preview::new(),
            dwell: 0,
            since_failed: SATURATED_TICKS,
            failed_count: 0,
            gear: if (gear as usize) < MAX_GEARS { gear } else { MAX_GEARS as u8 - 1 },
            came_from_below: false,
            fresh: true,
            levelled: false,
            driven_before: false,
            battery_mv: 0,
            current_ma: 0,
        }
    }

    /// The features as of the last [`Observer::update`].
    #[must_use]
    #[inline]
    pub fn features(&self, settings: &FeatureSettings) -> Features {
        let battery = if settings.battery_fitted {
            (self.battery_mv as i32) * 1000 / (settings.nominal_mv as i32).max(1)
        } else {
            1000
        };
        let current = if settings.stall_ma == 0 {
            0
        } else {
            clamp((self.current_ma as i32) * 1000 / (settings.stall_ma as i32), -2000, 2000)
        };
        let (strike_class, strike_mm) = self.preview.next(&settings.preview);
        // All but tilt and battery are within their ranges by the filters' own arithmetic.
        Features([
            self.gear as i16,
            (self.filters.motor_speed >> FRACTION_BITS) as i16,
            (self.filters.speed_ratio >> FRACTION_BITS) as i16,
            (self.filters.load_slow >> FRACTION_BITS) as i16,
            (self.filters.load_peak >> FRACTION_BITS) as i16,
            self.tilt_ddeg(),
            clamp(battery, -30_000, 30_000) as i16,
            self.dwell as i16,
            self.since_failed as i16,
            self.failed_count as i16,
            self.filters.stalled as i16,
            current as i16,
            strike_class as i16,
            strike_mm as i16,
        ])
    }

    /// The feature [`super::Feature::Tilt`] alone, tenths of a degree.
    #[must_use]
    #[inline]
    pub const fn tilt_ddeg(&self) -> i16 {
        clamp(self.filters.tilt >> FRACTION_BITS, -30_000, 30_000) as i16
    }

    /// The feature [`super::Feature::SinceFailed`] alone, ticks.
    #[must_use]
    #[inline]
    pub const fn since_failed(&self) -> u16 {
        self.since_failed
    }

    /// The gear of the last reading.
    #[must_use]
    #[inline]
    pub const fn gear(&self) -> u8 {
        self.gear
    }

    /// Takes one reading. `gear` is the confirmed gear; `driving` says that it is engaged and driven, so
    /// that the motor speed tells about the vehicle. A reading covers the tick before it, so the filters
    /// take it only when the vehicle was driven then too: at arrival in a gear it still tells of neutral.
    #[inline]
    pub fn update(&mut self, settings: &FeatureSettings, raw: &Raw, gear: u8, driving: bool) {
        if gear != self.gear {
            self.on_gear_change(settings, gear);
        }
        self.since_failed = saturating_sum(self.since_failed, 1);
        if self.levelled {
            self.filters.take_tilt(settings, raw);
        } else {
            self.filters.tilt = (raw.tilt_ddeg as i32) << FRACTION_BITS;
            self.levelled = true;
        }
        if driving {
            self.dwell_on(settings, 1);
            if self.driven_before {
                let scale = self.scale_permille(settings);
                self.filters.take_speed(settings, raw, self.fresh);
                self.fresh &= !self.filters.take_load(settings, raw, scale, self.fresh);
            }
        }
        if settings.preview.fitted {
            self.preview.update(&settings.preview, raw, gear, driving && self.driven_before);
        }
        self.driven_before = driving;
        self.battery_mv = raw.battery_mv;
        self.current_ma = raw.current_ma;
    }

    /// A tick whose reading tells nothing: only the clock of the last failure goes on, and the strikes to come are
    /// forgotten.
    #[inline(never)]
    pub fn wait(&mut self) {
        self.since_failed = saturating_sum(self.since_failed, 1);
        self.driven_before = false;
        self.preview.forget();
    }

    /// Whether the filters run and the vehicle was driven at the last reading.
    #[inline]
    pub(super) const fn settled(&self) -> bool {
        self.levelled && self.driven_before && !self.fresh
    }

    /// As [`Observer::update`] for each of several readings of steady-state driving, when it is [`Observer::settled`].
    #[inline(never)]
    pub(super) fn tick_many(&mut self, settings: &FeatureSettings, raws: &[Raw]) {
        let (ticks, scale) = (raws.len() as u16, self.scale_permille(settings));
        // A copy stays in registers, and so do the constants of one filter at a time.
        let mut filters = self.filters;
        for raw in raws {
            filters.take_tilt(settings, raw);
            filters.take_speed(settings, raw, false);
        }
        for raw in raws {
            filters.take_load(settings, raw, scale, false);
        }
        self.filters = filters;
        if settings.preview.fitted {
            for raw in raws {
                self.preview.update(&settings.preview, raw, self.gear, true);
            }
        }
        if let Some(last) = raws.last() {
            (self.battery_mv, self.current_ma) = (last.battery_mv, last.current_ma);
        }
        self.since_failed = saturating_sum(self.since_failed, ticks);
        self.dwell_on(settings, ticks);
    }

    /// Some ticks more in this gear: after the failure window the upshift into it has not failed.
    #[inline]
    fn dwell_on(&mut self, settings: &FeatureSettings, ticks: u16) {
        self.dwell = saturating_sum(self.dwell, ticks);
        if self.came_from_below && self.dwell > failed_window(settings) {
            self.failed_count = 0;
            self.came_from_below = false;
        }
    }

    /// A gear change: an upshift soon taken back is a failed one.
    #[inline(never)]
    fn on_gear_change(&mut self, settings: &FeatureSettings, gear: u8) {
        let taken_back = gear < self.gear && self.came_from_below && self.dwell <= failed_window(settings);
        if taken_back {
            self.since_failed = 0;
            if self.failed_count < MAX_FAILED {
                self.failed_count += 1;
            }
        }
        self.came_from_below = gear > self.gear;
        self.gear = gear;
        self.restart();
    }

    /// The gear that a missed shift had left engaged again: its dwell and filters restart.
    pub fn on_reengaged(&mut self) {
        self.restart();
    }

    const fn restart(&mut self) {
        self.dwell = 0;
        self.filters.stalled = 0;
        self.fresh = true;
    }

    /// An upshift that never engaged counts as failed too. The gear gone back to is no longer on trial.
    pub fn on_missed_upshift(&mut self) {
        self.since_failed = 0;
        self.came_from_below = false;
        if self.failed_count < MAX_FAILED {
            self.failed_count += 1;
        }
    }

    /// Scale of the load in this gear.
    #[inline]
    fn scale_permille(&self, settings: &FeatureSettings) -> u16 {
        settings.gear_scale_permille[(self.gear as usize) % MAX_GEARS]
    }
}

impl Filters {
    #[inline]
    fn take_tilt(&mut self, settings: &FeatureSettings, raw: &Raw) {
        self.tilt = approach(self.tilt, raw.tilt_ddeg as i32, settings.tilt_shift);
    }

    /// Motor speed over the no-load speed at nominal voltage. Fresh filters of the speed start at the reading.
    #[inline(always)]
    fn take_speed(&mut self, settings: &FeatureSettings, raw: &Raw, fresh: bool) {
        let nominal = permille_of_no_load(scaled_speed(settings, raw), settings.nominal_mv as u32);
        self.motor_speed = begin_or_approach(fresh, self.motor_speed, nominal, settings.fast_shift);
    }

    /// Ratio, load and standstill tell something only while voltage is applied. Returns whether it was.
    #[inline(always)]
    fn take_load(&mut self, settings: &FeatureSettings, raw: &Raw, scale_permille: u16, fresh: bool) -> bool {
        let applied_mv = applied_mv(settings, raw);
        if applied_mv == 0 {
            self.stalled = 0;
            return false;
        }
        let ratio = permille_of_no_load(scaled_speed(settings, raw), applied_mv);
        self.speed_ratio = begin_or_approach(fresh, self.speed_ratio, ratio, settings.fast_shift);
        self.load_slow = approach(self.load_slow, load_at(ratio, scale_permille), settings.slow_shift);
        self.load_peak -= self.load_peak >> filter_shift(settings.peak_shift);
        let fast_load = load_at(self.speed_ratio >> FRACTION_BITS, scale_permille) << FRACTION_BITS;
        if fast_load > self.load_peak {
            self.load_peak = fast_load;
        }
        let still = raw.encoder_counts <= settings.stall_counts;
        self.stalled = if still { saturating_sum(self.stalled, 1) } else { 0 };
        true
    }
}

/// Load at a speed ratio in a gear of this scale, permille of the top gear's stall force, 0 to 30000.
#[inline]
const fn load_at(ratio: i32, scale_permille: u16) -> i32 {
    let left = if ratio < 1000 { (1000 - ratio) as u32 } else { 0 };
    let load = left * scale_permille as u32 / 1000;
    if load < 30_000 { load as i32 } else { 30_000 }
}

/// Voltage at the motor, mV: duty times the battery's, or the nominal one when none is measured. Duties
/// above 1000 permille count as 1000.
#[inline]
const fn applied_mv(settings: &FeatureSettings, raw: &Raw) -> u32 {
    let battery_mv = if settings.battery_fitted { raw.battery_mv } else { settings.nominal_mv };
    let duty = if raw.duty_permille > 1000 { 1000 } else { raw.duty_permille };
    battery_mv as u32 * duty as u32 / 1000
}

/// Motor speed as the voltage at which it would be the no-load speed, mV times 1000.
#[inline]
const fn scaled_speed(settings: &FeatureSettings, raw: &Raw) -> u32 {
    let counts = if raw.encoder_counts > 2000 { 2000 } else { raw.encoder_counts as u32 };
    counts.saturating_mul(settings.speed_gain)
}

/// Motor speed over the no-load speed at this voltage, permille, 0 to 2000; 0 without voltage.
#[inline]
const fn permille_of_no_load(scaled_speed: u32, applied_mv: u32) -> i32 {
    if applied_mv == 0 {
        return 0;
    }
    let permille = scaled_speed / applied_mv;
    if permille > 2000 { 2000 } else { permille as i32 }
}

/// Only the low four bits of a shift count: a filter slower than half an hour is a slip in the settings.
#[inline]
const fn filter_shift(shift: u8) -> u8 {
    shift & MAX_SHIFT
}

/// The failure window, kept below the saturation of the dwell clock so that it always ends.
#[inline]
const fn failed_window(settings: &FeatureSettings) -> u16 {
    if settings.failed_window_ticks < SATURATED_TICKS {
        settings.failed_window_ticks
    } else {
        SATURATED_TICKS - 1
    }
}

/// One step of a first-order filter whose state carries [`FRACTION_BITS`] of fraction.
///
/// `>>` rounds towards minus infinity on negative values: the exported code must do the same.
#[inline]
const fn approach(state: i32, value: i32, shift: u8) -> i32 {
    state + (((value << FRACTION_BITS) - state) >> filter_shift(shift))
}

/// A filter that starts at the first value.
#[inline]
const fn begin_or_approach(fresh: bool, state: i32, value: i32, shift: u8) -> i32 {
    if fresh { value << FRACTION_BITS } else { approach(state, value, shift) }
}

#[inline]
const fn saturating_sum(so_far: u16, ticks: u16) -> u16 {
    let sum = so_far.saturating_add(ticks);
    if sum < SATURATED_TICKS { sum } else { SATURATED_TICKS }
}

#[inline]
const fn clamp(value: i32, low: i32, high: i32) -> i32 {
    if value < low {
        low
    } else if value > high {
        high
    } else {
        value
    }
}
