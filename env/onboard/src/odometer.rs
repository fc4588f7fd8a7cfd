//! The way from a point by the motor's encoder, and the resistance on it: dead reckoning.
//!
//! In gear the way is that of the counts. Out of gear, when the motor tells nothing of the vehicle, the vehicle slows down by
//! the resistance that it had. It is not taken to roll back: what it then loses and drives again is counted twice.

use super::{FeatureSettings, MAX_GEARS, Raw};

/// Constants of the dead reckoning, computed once from the vehicle file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct OdometerSettings {
    /// Way per encoder count in each gear, mm times 4096, less than 2^21.
    pub count_q12_mm: [u32; MAX_GEARS],
    /// What a tick out of gear is shorter than the one before per permille of resistance, mm times 16 times 4096.
    pub coast_q16_mm: u16,
    /// Force that slows the vehicle down by one count per tick and tick in each gear, permille of the top gear's stall force.
    pub inertia_permille: [u16; MAX_GEARS],
}

/// Bits of fraction of the way.
pub(super) const WAY_BITS: u8 = 12;
/// Bits of the way that the way of a tick leaves out.
const TICK_SHIFT: u8 = 8;
/// More counts in a tick tell nothing further.
const MOST_COUNTS: u16 = 2000;
/// The longest way of a tick, mm times 4096: 2 m.
const MOST_TICK: u32 = (1 << 23) - 1;
/// The way goes no further, mm times 4096: 65.5 m.
const MOST_WAY: u32 = 1 << 28;
/// The mean resistance moves by this share, 2^-n, of the difference in each tick.
const MEAN_SHIFT: u8 = 3;
/// But by no more than this, permille.
const MOST_MEAN_STEP: i32 = 30;
/// The resistance goes no further either way, permille.
const MOST_RESISTANCE: i32 = 16_000;
/// Ticks in gear before the resistance tells anything.
const SETTLING_TICKS: u8 = 3;

/// The way so far, and the mean resistance. 12 bytes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Odometer {
    /// Way of the front axle, mm times 4096.
    way_q12_mm: u32,
    /// Way of the last tick, mm times 16.
    tick_q4_mm: u16,
    /// Encoder counts of the last tick in gear.
    counts: u16,
    /// Mean resistance, permille of the top gear's stall force.
    mean_permille: i16,
    /// Ticks in gear, up to [`SETTLING_TICKS`].
    settled: u8,
}

/// What a tick has added.
pub(super) struct Counted {
    /// Way, mm times 4096.
    pub(super) moved_q12_mm: u32,
    /// The motor was connected to the wheels throughout: the way was counted, not guessed.
    pub(super) engaged: bool,
    /// The resistance less its mean, permille; none where it tells nothing yet.
    pub(super) above_permille: Option<i32>,
}

impl Odometer {
    /// At the beginning of a way.
    #[must_use]
    pub const fn new() -> Odometer {
        Odometer { way_q12_mm: 0, tick_q4_mm: 0, counts: 0, mean_permille: 0, settled: 0 }
    }

    /// The way begins here; the vehicle drives on.
    pub const fn restart(&mut self) {
        self.way_q12_mm = 0;
    }

    /// Way so far, whole mm.
    #[must_use]
    pub const fn position_mm(&self) -> u16 {
        let way_mm = self.way_q12_mm >> WAY_BITS;
        if way_mm > u16::MAX as u32 { u16::MAX } else { way_mm as u16 }
    }

    /// Way of the last tick, mm, rounded up.
    #[must_use]
    pub const fn tick_mm(&self) -> u16 {
        (self.tick_q4_mm >> 4) + 1
    }

    /// The position is this: from another source than dead reckoning.
    pub(super) const fn place(&mut self, position_mm: u16) {
        self.way_q12_mm = (position_mm as u32) << WAY_BITS;
    }

    /// Moves the position, mm times 4096.
    pub(super) const fn correct(&mut self, by_q12_mm: i32) {
        self.way_q12_mm = self.way_q12_mm.saturating_add_signed(by_q12_mm);
    }

    /// Takes the reading of one tick, and returns what it has added. `driving` says that `gear` was engaged and driven.
    pub(super) fn count(
        &mut self,
        settings: &OdometerSettings,
        features: &FeatureSettings,
        raw: &Raw,
        gear: u8,
        driving: bool,
    ) -> Counted {
        let gear = gear as usize % MAX_GEARS;
        let engaged = driving && self.settled != 0;
        let moved_q12_mm = self.move_on(settings, raw, gear, engaged);
        if !driving {
            self.settled = 0;
            return Counted { moved_q12_mm, engaged, above_permille: None };
        }
        let above_permille = self.resist(settings, features, raw, gear);
        Counted { moved_q12_mm, engaged, above_permille }
    }

    /// Moves on by the way of this tick, mm times 4096, and returns it.
    fn move_on(&mut self, settings: &OdometerSettings, raw: &Raw, gear: usize, engaged: bool) -> u32 {
        let moved = if engaged {
            let counts = raw.encoder_counts.min(MOST_COUNTS) as u32;
            let moved = (counts * settings.count_q12_mm[gear]).min(MOST_TICK);
            self.tick_q4_mm = (moved >> TICK_SHIFT) as u16;
            moved
        } else {
            let slower = (self.mean_permille as i32 * settings.coast_q16_mm as i32) >> 12;
            self.tick_q4_mm = (self.tick_q4_mm as i32 - slower).clamp(0, u16::MAX as i32) as u16;
            (self.tick_q4_mm as u32) << TICK_SHIFT
        };
        if self.way_q12_mm < MOST_WAY {
            self.way_q12_mm += moved;
        }
        moved
    }

    /// Takes the resistance of this tick; how far it is above its mean.
    fn resist(
        &mut self,
        settings: &OdometerSettings,
        features: &FeatureSettings,
        raw: &Raw,
        gear: usize,
    ) -> Option<i32> {
        let before = self.counts;
        self.counts = raw.encoder_counts.min(MOST_COUNTS);
        if self.settled < SETTLING_TICKS {
            self.settled += 1;
            return None;
        }
        let slower = before as i32 - self.counts as i32;
        let resistance = features.signed_load(raw, gear) + slower * settings.inertia_permille[gear] as i32;
        let above = resistance.clamp(-MOST_RESISTANCE, MOST_RESISTANCE) - self.mean_permille as i32;
        // A strike moves the mean by little: the vehicle rolls on over the ground behind it.
        self.mean_permille += (above >> MEAN_SHIFT).clamp(-MOST_MEAN_STEP, MOST_MEAN_STEP) as i16;
        Some(above)
    }
}

impl Default for Odometer {
    fn default() -> Odometer {
        Odometer::new()
    }
}
