//! The same way again: a map of the gear to be in by position, and the position itself.
//!
//! The position is dead reckoning by the motor's encoder, corrected where the resistance rises at a place that the map
//! knows, as in a Kalman filter of one dimension (Kalman 1960): the estimate moves towards the landmark by the share that
//! its variance has in the sum of both variances. Between landmarks the variance grows with the way, and with every tick
//! out of gear, when the motor tells nothing of the vehicle.
//!
//! The map advises, it does not command: it shifts down ahead of what comes and holds upshifts back, but shifts up only where
//! the policy would. Beyond a limit of uncertainty, where it is silent, and for some way after the load has contradicted it,
//! the policy decides alone.

use super::odometer::{Counted, WAY_BITS};
use super::{
    Feature, FeatureSettings, Features, MAX_GEARS, Odometer, OdometerSettings, Raw, Request, RouteMap,
};

/// Constants of a vehicle that knows its way, computed once from the vehicle file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct RouteSettings {
    /// Constants of the dead reckoning.
    pub odometer: OdometerSettings,
    /// A resistance that is so much above its mean is a strike or the border to heavier ground, permille of the top gear's
    /// stall force.
    pub rise_permille: i16,
    /// The policy alone decides on this much way after the load has contradicted the map, steps of 16 mm.
    pub distrust_steps: u8,
}

/// A variance above this makes the position unknown, mm²: a standard deviation of 0.1 m.
pub const MOST_VARIANCE_MM2: u16 = 10_000;
/// A landmark is missed where the position is this far behind it without a rise, mm.
const MISSED_MM: u16 = 120;
/// So many missed landmarks, less the met ones, and the vehicle is on another way.
const MOST_MISSED: u8 = 4;

/// What the vehicle knows of its position. 20 bytes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Route {
    /// Position of the front axle on the way, by dead reckoning.
    odometer: Odometer,
    /// Variance of the position, mm²; above [`MOST_VARIANCE_MM2`] the position is unknown.
    variance_mm2: u16,
    /// Way on which the policy decides alone, steps of 16 mm.
    distrust_steps: u8,
    /// Bit 2: a rise is under way; bits 3 and 4: decisions for which the load has contradicted the map; bits 5 to 7: the last
    /// gear.
    flags: u8,
    /// The last landmark that was met, and one more.
    met: u8,
    /// Missed landmarks less met ones in the low four bits; contradictions on this lap in the high ones.
    faults: u8,
}

const RISEN: u8 = 4;
const PATIENCE_SHIFT: u8 = 3;
const PATIENCE: u8 = 3 << PATIENCE_SHIFT;
const GEAR_SHIFT: u8 = 5;
const NO_GEAR: u8 = 7 << GEAR_SHIFT;

impl Route {
    /// Somewhere: unknown until a lap starts.
    #[must_use]
    pub const fn new() -> Route {
        Route {
            odometer: Odometer::new(),
            variance_mm2: u16::MAX,
            distrust_steps: 0,
            flags: NO_GEAR,
            met: 0,
            faults: 0,
        }
    }

    /// A lap starts here: a switch, a magnet, or the driver says so.
    pub const fn start(&mut self, map: &RouteMap) {
        *self = Route { variance_mm2: map.start_sd_mm() * map.start_sd_mm(), ..Route::new() };
    }

    /// The position is this, with this variance: from another source than dead reckoning.
    pub const fn place(&mut self, position_mm: u16, variance_mm2: u16) {
        self.odometer.place(position_mm);
        self.variance_mm2 = variance_mm2;
    }

    /// Position on the way, whole mm.
    #[must_use]
    pub const fn position_mm(&self) -> u16 {
        self.odometer.position_mm()
    }

    /// Way of the last tick, mm, rounded up.
    #[must_use]
    pub const fn tick_mm(&self) -> u16 {
        self.odometer.tick_mm()
    }

    /// Variance of the position, mm².
    #[must_use]
    pub const fn variance_mm2(&self) -> u16 {
        self.variance_mm2
    }

    /// Missed landmarks less met ones, 0 to 15, and contradictions by the load on this lap, 0 to 15: what a vehicle shows
    /// when its map has become wrong.
    #[must_use]
    pub const fn faults(&self) -> (u8, u8) {
        (self.faults & 15, self.faults >> 4)
    }

    /// Whether the position is known.
    #[must_use]
    pub const fn known(&self) -> bool {
        self.variance_mm2 <= MOST_VARIANCE_MM2 && self.faults & 15 < MOST_MISSED
    }

    /// The gear to be in here; none where the policy decides alone.
    #[must_use]
    pub const fn wanted(&self, map: &RouteMap) -> Option<u8> {
        if self.known() && self.distrust_steps == 0 { map.gear_at(self.position_mm()) } else { None }
    }

    /// One tick. `driving` says that `gear` was engaged and driven. Returns the position of a rise of the resistance that began
    /// in this tick, mm.
    pub fn update(
        &mut self,
        settings: &RouteSettings,
        features: &FeatureSettings,
        map: &RouteMap,
        raw: &Raw,
        gear: u8,
        driving: bool,
    ) -> Option<u16> {
        let before_mm = self.position_mm();
        let Counted { moved_q12_mm, engaged, above_permille } =
            self.odometer.count(&settings.odometer, features, raw, gear, driving);
        self.grow(map, before_mm, moved_q12_mm, engaged);
        if !driving {
            self.flags &= !RISEN;
            return None;
        }
        self.note_gear(settings, gear, engaged);
        let risen = above_permille.is_some_and(|above| self.rises(settings, above));
        if risen {
            self.meet(map, before_mm);
        }
        self.pass(map, before_mm);
        risen.then_some(before_mm)
    }

    /// What is not known of the way of this tick, and the end of the way on which the map is not trusted.
    fn grow(&mut self, map: &RouteMap, before_mm: u16, moved: u32, engaged: bool) {
        let steps = (self.position_mm() >> 4).saturating_sub(before_mm >> 4);
        self.distrust_steps = self.distrust_steps.saturating_sub(steps.min(255) as u8);
        let mut grown = steps.saturating_mul(map.drift_mm2());
        if !engaged {
            // A quarter of the way that was guessed.
            let guessed_mm = (moved >> (WAY_BITS + 2)).min(255) as u16;
            grown = grown.saturating_add(guessed_mm * guessed_mm);
        }
        self.variance_mm2 = self.variance_mm2.saturating_add(grown);
    }

    /// A shift that ends in the gear that it began in has failed: the next one is the policy's.
    fn note_gear(&mut self, settings: &RouteSettings, gear: u8, engaged: bool) {
        let gear = gear % MAX_GEARS as u8;
        if !engaged && self.flags >> GEAR_SHIFT == gear {
            self.contradict(settings);
        }
        self.flags = self.flags & (RISEN | PATIENCE) | gear << GEAR_SHIFT;
    }

    /// The ground is not as the map says: for some way the policy decides alone.
    fn contradict(&mut self, settings: &RouteSettings) {
        self.distrust_steps = settings.distrust_steps;
        self.flags &= !PATIENCE;
        self.faults = self.faults.saturating_add(16);
    }

    /// Whether the resistance, so far above its mean, has begun to rise in this tick.
    const fn rises(&mut self, settings: &RouteSettings, above: i32) -> bool {
        let rise = settings.rise_permille as i32;
        let begins = above >= rise && self.flags & RISEN == 0;
        if begins {
            self.flags |= RISEN;
        } else if above < rise / 2 {
            self.flags &= !RISEN;
        }
        begins
    }

    /// The resistance rises at `position_mm`: a landmark, if it is the only one that it can be.
    fn meet(&mut self, map: &RouteMap, position_mm: u16) {
        let variance = self.variance_mm2 as u32;
        if variance > MOST_VARIANCE_MM2 as u32 {
            return;
        }
        // Two standard deviations.
        let gate_mm = |sd_mm: u8| 2 * (variance + sd_mm as u32 * sd_mm as u32).isqrt() as u16;
        let Some((entry, off_mm)) = map.landmark_near(position_mm, gate_mm) else { return };
        let spread = map.code(entry as usize).max(1) as u32;
        let spread = spread * spread;
        let gain_q12 = (variance << WAY_BITS) / (variance + spread);
        self.odometer.correct(off_mm * gain_q12 as i32);
        self.variance_mm2 = (variance * spread / (variance + spread)) as u16;
        if self.met <= entry {
            self.met = entry + 1;
            self.faults -= u8::from(self.faults & 15 > 0);
        }
    }

    /// Counts landmarks that were passed without a rise.
    fn pass(&mut self, map: &RouteMap, before_mm: u16) {
        let now_mm = self.position_mm();
        for entry in 0..map.landmarks() {
            let behind_mm = map.position_mm(entry as usize).saturating_add(MISSED_MM);
            if behind_mm > before_mm && behind_mm <= now_mm && self.met <= entry && self.faults & 15 < 15 {
                self.faults += 1;
            }
        }
    }

    /// What to ask the guard for. `policy` is what the policy asks for, none where no decision is due: the map may ask for
    /// a lower gear in any tick. An upshift takes both: a map that is wrong then causes none. A downshift in front of which the
    /// map sees no reason waits for some decisions, unless the motor stands still.
    pub fn decide(
        &mut self,
        settings: &RouteSettings,
        map: &RouteMap,
        features: &Features,
        policy: Option<Request>,
    ) -> Request {
        let gear = features.get(Feature::Gear);
        let Some(wanted) = self.wanted(map) else { return policy.unwrap_or(Request::Hold) };
        let wanted = wanted as i16;
        if policy == Some(Request::Down) && wanted >= gear {
            let contradicted = (self.flags & PATIENCE) >> PATIENCE_SHIFT;
            if features.get(Feature::Stalled) > 0 || contradicted >= map.patience().min(3) {
                self.contradict(settings);
                return Request::Down;
            }
            self.flags += 1 << PATIENCE_SHIFT;
            return Request::Hold;
        }
        if policy.is_some() {
            self.flags &= !PATIENCE;
        }
        if wanted < gear {
            Request::Down
        } else if wanted > gear && policy == Some(Request::Up) {
            Request::Up
        } else {
            Request::Hold
        }
    }
}

impl Default for Route {
    fn default() -> Route {
        Route::new()
    }
}
