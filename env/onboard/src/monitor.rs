//! The monitor: goes back from a table to the rule of the same firmware where the table falls behind.
//!
//! Two cumulative sums (Page 1954, "Continuous inspection schemes", Biometrika 41), both in way (mm times 4096), with limits
//! learned from the rule in simulation. *Behind*: every tick that is driven at full duty or spent in a shift adds the way that a
//! slow drive of the rule would have made, and the way really made is taken off; it never falls below 0. *Failures*: every
//! upshift taken back soon adds the way in which one is allowed, and the way made is taken off. A sum beyond its limit ends
//! the table's drive: the rule decides from then on, with the same guard, without a stop. So time per metre and failed
//! upshifts per metre are limited over a way of any length, without a division and without a window that has to be full.
//!
//! Hysteresis: the table has another try after a way that the rule has driven while it was not half as far behind itself.
//! That way doubles with every fallback, and the third one is for good.

use super::{MAX_GEARS, Phase, Raw};

/// Fallbacks after which the rule stays.
pub const MOST_FALLBACKS: u8 = 3;
/// A sum that has reached this grows no further.
const FULL_Q12_MM: u32 = 1 << 29;
/// Counts of a tick beyond this are taken as this many, as the odometer does.
const MOST_COUNTS: u16 = 2000;

/// Constants of the monitor. Ways are mm times 4096; each is below 2^27, that of a count below 2^18, so that no sum or product
/// leaves 30 bits.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct MonitorSettings {
    /// Way of an encoder count in each gear.
    pub count_q12_mm: [u32; MAX_GEARS],
    /// Way that is due in a tick.
    pub pace_q12_mm: u32,
    /// Limit of the sum of time.
    pub behind_q12_mm: u32,
    /// Way in which one failed upshift is allowed.
    pub failure_q12_mm: u32,
    /// Limit of the sum of failed upshifts.
    pub failures_q12_mm: u32,
    /// An upshift taken back within this many ticks after its arrival has failed.
    pub failed_window_ticks: u16,
    /// The driver wants all that the motor gives from this duty on; below it the time does not count.
    pub full_duty_permille: u16,
    /// Way that the rule drives before the table has its second try.
    pub release_q12_mm: u32,
}

/// State of the monitor.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Monitor {
    behind_q12_mm: u32,
    failures_q12_mm: u32,
    release_q12_mm: u32,
    gear_ticks: u16,
    gear: u8,
    from_below: bool,
    fallbacks: u8,
    fallback: bool,
}

impl Monitor {
    /// A vehicle that stands in `gear`; the table drives.
    #[must_use]
    pub const fn new(gear: u8) -> Monitor {
        Monitor {
            behind_q12_mm: 0,
            failures_q12_mm: 0,
            release_q12_mm: 0,
            gear_ticks: 0,
            gear,
            from_below: false,
            fallbacks: 0,
            fallback: false,
        }
    }

    /// The controller starts again, in `gear`: both sums and the fallbacks stay.
    pub const fn restart(&mut self, gear: u8) {
        self.gear = gear;
        self.from_below = false;
    }

    /// Whether the rule decides in place of the table.
    #[must_use]
    #[inline]
    pub const fn fallback(&self) -> bool {
        self.fallback
    }

    /// How often the monitor has gone back to the rule, at most [`MOST_FALLBACKS`].
    #[must_use]
    #[inline]
    pub const fn fallbacks(&self) -> u8 {
        self.fallbacks
    }

    /// The sum of time: how far the vehicle is behind, mm times 4096.
    #[must_use]
    #[inline]
    pub const fn behind_q12_mm(&self) -> u32 {
        self.behind_q12_mm
    }

    /// The sum of failed upshifts, mm times 4096.
    #[must_use]
    #[inline]
    pub const fn failures_q12_mm(&self) -> u32 {
        self.failures_q12_mm
    }

    /// Takes the reading of a tick, between [`super::Controller::sense`] and the decision; `phase` and `gear` are the guard's.
    /// Returns whether the rule decides.
    pub fn take(&mut self, settings: &MonitorSettings, raw: &Raw, phase: Phase, gear: u8) -> bool {
        let driven = matches!(phase, Phase::Driving) && raw.duty_permille >= settings.full_duty_permille;
        let shifting =
            matches!(phase, Phase::Cutting | Phase::Moving | Phase::Recalibrating | Phase::Resting);
        let mut way = 0;
        if driven {
            let counts = if raw.encoder_counts < MOST_COUNTS { raw.encoder_counts } else { MOST_COUNTS };
            way = (counts as u32).wrapping_mul(settings.count_q12_mm[(gear as usize) % MAX_GEARS]);
        }
        if driven || shifting {
            self.behind_q12_mm = added(self.behind_q12_mm, settings.pace_q12_mm).saturating_sub(way);
        }
        self.failures_q12_mm = self.failures_q12_mm.saturating_sub(way);
        self.watch_gear(settings, gear);
        if self.fallback {
            self.release(settings, way);
        } else if self.behind_q12_mm > settings.behind_q12_mm
            || self.failures_q12_mm > settings.failures_q12_mm
        {
            self.fall_back(settings);
        }
        self.fallback
    }

    /// Notes an upshift that is taken back soon.
    fn watch_gear(&mut self, settings: &MonitorSettings, gear: u8) {
        self.gear_ticks = self.gear_ticks.saturating_add(1);
        if gear == self.gear {
            return;
        }
        if gear < self.gear && self.from_below && self.gear_ticks <= settings.failed_window_ticks {
            self.failures_q12_mm = added(self.failures_q12_mm, settings.failure_q12_mm);
        }
        self.from_below = gear > self.gear;
        self.gear = gear;
        self.gear_ticks = 0;
    }

    /// The rule decides from now on, and both sums begin with 0.
    fn fall_back(&mut self, settings: &MonitorSettings) {
        self.fallback = true;
        self.release_q12_mm = settings.release_q12_mm << self.fallbacks;
        self.fallbacks += 1;
        self.behind_q12_mm = 0;
        self.failures_q12_mm = 0;
    }

    /// Gives the table another try after enough way, unless it has had all of them.
    fn release(&mut self, settings: &MonitorSettings, way: u32) {
        if self.fallbacks >= MOST_FALLBACKS || self.behind_q12_mm > settings.behind_q12_mm / 2 {
            return;
        }
        self.release_q12_mm = self.release_q12_mm.saturating_sub(way);
        if self.release_q12_mm == 0 {
            self.fallback = false;
            self.behind_q12_mm = 0;
            self.failures_q12_mm = 0;
        }
    }
}

/// A sum with more added.
#[inline]
const fn added(sum: u32, more: u32) -> u32 {
    if sum < FULL_Q12_MM { sum + more } else { sum }
}
