//! What lies ahead of the wheels: strikes that a sensor ahead of the front axle has seen, counted down by odometry.
//!
//! The sensor is anything that reads zero on flat ground and more over what stands out of it: a trailing arm, a
//! whisker, a range sensor. A strike is kept until the rear axle has met it: what the front axle met, the rear axle
//! meets one wheelbase later. A gyroscope reads more when the front axle climbs, so that its strikes are those of that axle
//! and the rear one's next.

use super::{MAX_GEARS, Raw};

/// Constants of the preview, computed once from the vehicle file. Lengths are at most 5000 mm.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PreviewSettings {
    /// Whether [`Raw::preview`] is measured; otherwise nothing is known of the ground ahead.
    pub fitted: bool,
    /// A reading outside these bounds, inclusive, tells nothing. It is no fault: the drive goes on without a view.
    pub range: [i16; 2],
    /// Something is there at this reading and above.
    pub low_level: i16,
    /// It is a high one at this reading and above.
    pub high_level: i16,
    /// Way from the reading's place on the ground to the front axle, mm.
    pub ahead_mm: u16,
    /// Way from the front to the rear axle, mm; 0 when the rear axle is not to be warned.
    pub wheelbase_mm: u16,
    /// An axle meets a strike until this far behind its place, mm: the slip of the odometry, and half the obstacle.
    pub hold_mm: u16,
    /// A rise of the reading less than this far from the last strike is that strike, mm: an arm that bounces.
    pub lockout_mm: u16,
    /// Above the low level for longer than this way the reading tells nothing, mm: long grass, or a stuck arm.
    pub stuck_mm: u16,
    /// What a tick out of gear is shorter than the one before, mm times 16: the vehicle rolls on and slows down.
    pub coast_q4_mm: u16,
    /// Way per encoder count in each gear, mm times 4096, less than 2^21.
    pub count_q12_mm: [u32; MAX_GEARS],
}

impl PreviewSettings {
    /// No sensor: the features of the preview are constants.
    pub const NONE: PreviewSettings = PreviewSettings {
        fitted: false,
        range: [0, 0],
        low_level: i16::MAX,
        high_level: i16::MAX,
        ahead_mm: 0,
        wheelbase_mm: 0,
        hold_mm: 0,
        lockout_mm: 0,
        stuck_mm: 0,
        coast_q4_mm: 0,
        count_q12_mm: [0; MAX_GEARS],
    };
}

/// Strikes that can be remembered.
const STRIKES: usize = 4;
/// A strike comes into view below this way, mm.
const FARTHEST_MM: u16 = 1000;
/// From here on a difference of two ways modulo 2^16 is below zero.
const NEGATIVE_MM: u16 = 1 << 15;
/// Bits of fraction of the way.
const WAY_BITS: u8 = 12;
/// Bits of the way that the way of a tick leaves out.
const TICK_SHIFT: u8 = 8;
/// More counts in a tick tell nothing further; with the longest count the way of a tick still fits into 32 bits.
const MOST_COUNTS: u16 = 2000;
const MOST_COUNT_WAY: u32 = (1 << 21) - 1;
/// Values of [`Preview::raised`]: the last reading was below the low level, or is unknown.
const BELOW: u8 = 0;
const UNKNOWN: u8 = 255;
/// The way above the level is counted in steps of 2^3 mm.
const STEP_BITS: u8 = 3;

/// The strikes to come and the odometry that counts them down.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Preview {
    /// Way driven, mm times 4096; wraps.
    way_q12_mm: u32,
    /// Where the front axle meets each strike, newest first, mm of the way modulo 2^16. Lengths are compared as
    /// differences, which are right as long as they are below 2^15. A fifth strike takes the place of the oldest.
    strike_mm: [u16; STRIKES],
    /// Two bits a strike, newest lowest: 0 none, 2 low, 3 high.
    classes: u8,
    /// [`BELOW`], [`UNKNOWN`], or steps of the way since the reading rose, at least 1.
    raised: u8,
    /// Way of the last tick, mm times 16.
    tick_q4_mm: u16,
}

impl Preview {
    pub(super) const fn new() -> Preview {
        Preview { way_q12_mm: 0, strike_mm: [0; STRIKES], classes: 0, raised: UNKNOWN, tick_q4_mm: 0 }
    }

    /// Nothing is known any more: neither the ground ahead nor the way driven since.
    pub(super) const fn forget(&mut self) {
        self.classes = 0;
        self.raised = UNKNOWN;
        self.tick_q4_mm = 0;
    }

    /// One tick. `engaged` says that the motor was connected to the wheels throughout; when it was not, the vehicle
    /// is taken to roll on as fast as before, and slower from tick to tick.
    #[inline]
    pub(super) fn update(&mut self, settings: &PreviewSettings, raw: &Raw, gear: u8, engaged: bool) {
        let before_mm = self.way_mm();
        let moved = if engaged {
            let counts = if raw.encoder_counts > MOST_COUNTS { MOST_COUNTS } else { raw.encoder_counts };
            let moved = counts as u32 * count_way(settings, gear);
            let tick_q4_mm = moved >> TICK_SHIFT;
            self.tick_q4_mm = if tick_q4_mm > u16::MAX as u32 { u16::MAX } else { tick_q4_mm as u16 };
            moved
        } else {
            // Rolling resistance slows a vehicle down by the same speed in every tick.
            self.tick_q4_mm = self.tick_q4_mm.saturating_sub(settings.coast_q4_mm);
            (self.tick_q4_mm as u32) << TICK_SHIFT
        };
        self.way_q12_mm = self.way_q12_mm.wrapping_add(moved);
        // Strikes lie in their order: when the rear axle has met the newest, it has met all.
        if self.classes != 0 && is_negative(self.left_mm(settings, 0).wrapping_add(settings.wheelbase_mm)) {
            self.classes = 0;
        }
        if settings.fitted {
            self.look(settings, raw.preview, before_mm);
        }
    }

    /// Class of the next strike and the way from the axle that meets it, mm.
    #[inline]
    pub(super) const fn next(&self, settings: &PreviewSettings) -> (u8, u16) {
        let (mut classes, mut class, mut nearest_mm, mut i) = (self.classes, 0, NEGATIVE_MM, 0);
        while classes != 0 && i < STRIKES {
            let mut left_mm = self.left_mm(settings, i);
            if is_negative(left_mm) {
                left_mm = left_mm.wrapping_add(settings.wheelbase_mm);
            }
            if left_mm < nearest_mm {
                (class, nearest_mm) = (classes & 3, left_mm);
            }
            classes >>= 2;
            i += 1;
        }
        let strike_mm = nearest_mm.saturating_sub(settings.hold_mm);
        if class != 0 && strike_mm < FARTHEST_MM {
            (class, strike_mm)
        } else {
            (if self.raised == UNKNOWN { 0 } else { 1 }, FARTHEST_MM)
        }
    }

    /// Way until the front axle has met a strike; below zero when it has.
    #[inline]
    const fn left_mm(&self, settings: &PreviewSettings, i: usize) -> u16 {
        self.strike_mm[i].wrapping_add(settings.hold_mm).wrapping_sub(self.way_mm())
    }

    /// Whether the rear axle is where it meets a strike.
    #[inline]
    const fn rear_is_on_strike(&self, settings: &PreviewSettings) -> bool {
        let (mut classes, mut i) = (self.classes, 0);
        while classes != 0 && i < STRIKES {
            let left_mm = self.left_mm(settings, i).wrapping_add(settings.wheelbase_mm);
            if left_mm <= 2 * settings.hold_mm {
                return true;
            }
            classes >>= 2;
            i += 1;
        }
        false
    }

    /// The way driven, whole mm modulo 2^16.
    #[inline]
    const fn way_mm(&self) -> u16 {
        (self.way_q12_mm >> WAY_BITS) as u16
    }

    /// Takes a reading of the sensor.
    #[inline]
    fn look(&mut self, settings: &PreviewSettings, reading: i16, before_mm: u16) {
        if reading < settings.range[0] || reading > settings.range[1] {
            self.raised = UNKNOWN;
        } else if reading < settings.low_level {
            self.raised = BELOW;
        } else if self.raised != UNKNOWN {
            self.rise(settings, reading >= settings.high_level, before_mm);
        }
    }

    /// A reading above the level: a new strike, or more of the last one.
    #[inline(never)]
    fn rise(&mut self, settings: &PreviewSettings, high: bool, before_mm: u16) {
        let front_mm = self.way_mm().wrapping_add(settings.ahead_mm);
        if self.raised != BELOW {
            let steps =
                (self.way_mm() >> STEP_BITS).wrapping_sub(before_mm >> STEP_BITS) & (u16::MAX >> STEP_BITS);
            let raised = (self.raised as u16).saturating_add(steps);
            let stuck = raised > settings.stuck_mm >> STEP_BITS || raised >= UNKNOWN as u16;
            self.raised = if stuck { UNKNOWN } else { raised as u8 };
        } else if self.rear_is_on_strike(settings) {
            // The sensor pitches with its vehicle: a rear axle that is lifted lowers it, and the reading rises.
            self.raised = 1;
        } else if self.classes == 0 || front_mm.wrapping_sub(self.strike_mm[0]) >= settings.lockout_mm {
            let [newest, second, third, _] = self.strike_mm;
            self.strike_mm = [front_mm, newest, second, third];
            self.classes = self.classes << 2 | 2;
            self.raised = 1;
        }
        if high && self.classes != 0 && front_mm.wrapping_sub(self.strike_mm[0]) <= settings.lockout_mm {
            self.classes |= 1;
        }
    }
}

/// Way of an encoder count in this gear, mm times 4096.
#[inline]
const fn count_way(settings: &PreviewSettings, gear: u8) -> u32 {
    let way = settings.count_q12_mm[(gear as usize) % MAX_GEARS];
    if way > MOST_COUNT_WAY { MOST_COUNT_WAY } else { way }
}

/// Whether a difference of two ways modulo 2^16 is below zero.
#[inline]
const fn is_negative(difference_mm: u16) -> bool {
    difference_mm >= NEGATIVE_MM
}
