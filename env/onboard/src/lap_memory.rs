//! What a vehicle learns of its way while it drives it: where it has stalled, and where its top gear runs easily.
//!
//! No model of the ground and no landmarks: a cell of the way is marked where the vehicle stalled, and on the next laps it
//! does not shift into its top gear shortly before. Where the top gear ran easily on the last lap, and nothing is marked
//! ahead, it shifts up as soon as that pays. Both cost little where the position is off by a few decimetres, since they
//! begin well before the place. Shifts down ahead of a place do not: in the lowest gear a vehicle needs seconds for the
//! error of its position.
//!
//! Advice that does not pay is withdrawn: a hold that no load confirms loses its mark, and after a few that were needless
//! the rest of the lap is driven by the policy alone. That bounds what the memory of another way costs.

use super::{Feature, Features, Request};

/// Bits of the length of a cell.
const CELL_BITS: u8 = 6;
/// Length of a cell, mm.
pub const CELL_MM: u16 = 1 << CELL_BITS;
/// Cells: 16.4 m of way. Beyond them the policy decides alone.
pub const MEMORY_CELLS: usize = 256;
/// A mark as new. It is withdrawn after as many needless holds.
const MOST_MARK: u8 = 3;
/// The top gear runs easily above this speed ratio, permille.
const EASY_PERMILLE: i16 = 300;
/// Below this speed ratio one gear below the top one, permille, the top gear would have stood still or nearly so.
const HEAVY_PERMILLE: i16 = 450;
/// A shift down below this speed ratio, permille, is because of a stall.
const STANDS_PERMILLE: i16 = 60;
/// Ticks in gear before the speed ratio tells of the ground.
const SETTLING_TICKS: i16 = 6;
/// A load confirms a mark from so many cells before it until so many behind it: the error of the position.
const BEFORE_CELLS: u8 = 4;
const BEHIND_CELLS: u8 = 3;
/// An upshift by the memory has paid when the top gear is kept for this many ticks.
const PAID_TICKS: i16 = 60;
/// So many needless holds and early upshifts, less those that paid, and the memory is silent until the lap ends.
const MOST_NEEDLESS: u8 = 2;

/// Constants of a vehicle that learns its way.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct LapMemorySettings {
    /// The highest gear, 0 is the lowest.
    pub top_gear: u8,
    /// It looks this far ahead, mm.
    pub look_mm: u16,
    /// At this speed ratio one gear below the top one, permille, the top gear is faster under the same load.
    pub early_permille: i16,
    /// Ticks after an upshift that was taken back in which there is no early one.
    pub retry_ticks: i16,
}

/// What the vehicle remembers of its way, and of the present lap. 104 bytes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct LapMemory {
    /// Two bits a cell: how sure it is that the vehicle stalls there, 0 to [`MOST_MARK`].
    marks: [u8; MEMORY_CELLS / 4],
    /// One bit a cell: the top gear ran easily.
    easy: [u8; MEMORY_CELLS / 8],
    /// The cell of the last decision.
    cell: u16,
    /// The marked cell for which an upshift is held back, and whether a load has confirmed it; [`NO_CELL`] for none.
    held: u16,
    confirmed: bool,
    /// The last upshift was the memory's.
    early: bool,
    needless: u8,
}

const NO_CELL: u16 = u16::MAX;

impl LapMemory {
    /// Nothing is known of the way.
    #[must_use]
    pub const fn new() -> LapMemory {
        LapMemory {
            marks: [0; MEMORY_CELLS / 4],
            easy: [0; MEMORY_CELLS / 8],
            cell: 0,
            held: NO_CELL,
            confirmed: false,
            early: false,
            needless: 0,
        }
    }

    /// A lap starts: a switch, a magnet, or the driver says so.
    pub const fn start_lap(&mut self) {
        self.cell = 0;
        self.held = NO_CELL;
        self.early = false;
        self.needless = 0;
    }

    /// Needless advice of this lap less advice that paid: what a vehicle shows when its way has changed.
    #[must_use]
    pub const fn needless(&self) -> u8 {
        self.needless
    }

    /// Whether the policy decides alone until the lap ends.
    #[must_use]
    pub const fn silent(&self) -> bool {
        self.needless >= MOST_NEEDLESS
    }

    /// Marks of a cell, 0 to 3.
    #[must_use]
    pub const fn mark(&self, cell: usize) -> u8 {
        self.marks[cell / 4] >> (2 * (cell % 4)) & 3
    }

    const fn set_mark(&mut self, cell: usize, mark: u8) {
        let shift = 2 * (cell % 4);
        self.marks[cell / 4] = self.marks[cell / 4] & !(3 << shift) | mark << shift;
    }

    const fn is_easy(&self, cell: usize) -> bool {
        self.easy[cell / 8] >> (cell % 8) & 1 == 1
    }

    const fn set_easy(&mut self, cell: usize, easy: bool) {
        let bit = 1 << (cell % 8);
        self.easy[cell / 8] = if easy { self.easy[cell / 8] | bit } else { self.easy[cell / 8] & !bit };
    }

    /// What to ask the guard for where the policy asks for `policy`, which the guard would allow; `may_rise` says whether it
    /// would allow an upshift. To be called at every decision, with the position on the way. Learns on the way.
    pub fn decide(
        &mut self,
        settings: &LapMemorySettings,
        position_mm: u16,
        features: &Features,
        policy: Request,
        may_rise: bool,
    ) -> Request {
        // A vehicle that rolls back does not drive its way again.
        let cell = (position_mm >> CELL_BITS).max(self.cell);
        let before = self.cell;
        self.cell = cell;
        if cell as usize >= MEMORY_CELLS {
            return policy;
        }
        let stalled = is_stall(features, policy);
        self.learn(settings, before, features, policy, stalled);
        self.weigh_hold(settings, features, stalled);
        self.weigh_early(settings, features, policy);
        if !is_below_top(settings, features) || self.silent() {
            return policy;
        }
        let last = (position_mm.saturating_add(settings.look_mm) >> CELL_BITS).min(MEMORY_CELLS as u16 - 1);
        match policy {
            Request::Up => self.hold_before_mark(last),
            Request::Hold if may_rise && self.rises_early(settings, features, last) => {
                self.early = true;
                Request::Up
            }
            _ => policy,
        }
    }

    /// Marks the cell of a stall, and whether the top gear runs easily on the cells since the last decision.
    fn learn(
        &mut self,
        settings: &LapMemorySettings,
        before: u16,
        features: &Features,
        policy: Request,
        stalled: bool,
    ) {
        if stalled {
            self.set_mark(self.cell as usize, MOST_MARK);
        }
        if features.get(Feature::Gear) != settings.top_gear as i16 {
            return;
        }
        if policy == Request::Down {
            self.set_easy(self.cell as usize, false);
        } else if features.get(Feature::SpeedRatio) > EASY_PERMILLE {
            for cell in before..=self.cell {
                self.set_easy(cell as usize, true);
            }
        }
    }

    /// Whether a load has confirmed the mark for which an upshift is held back; once it lies behind, what follows from it.
    fn weigh_hold(&mut self, settings: &LapMemorySettings, features: &Features, stalled: bool) {
        if self.held == NO_CELL {
            return;
        }
        let settled = features.get(Feature::Dwell) > SETTLING_TICKS;
        let heavy =
            is_below_top(settings, features) && settled && features.get(Feature::SpeedRatio) < HEAVY_PERMILLE;
        self.confirmed |= stalled || heavy && self.cell + BEFORE_CELLS as u16 >= self.held;
        if self.cell <= self.held + BEHIND_CELLS as u16 {
            return;
        }
        let (cell, mark) = (self.held as usize, self.mark(self.held as usize));
        self.set_mark(cell, if self.confirmed { MOST_MARK } else { mark.saturating_sub(1) });
        self.count(!self.confirmed);
        self.held = NO_CELL;
    }

    /// Whether an early upshift has paid.
    fn weigh_early(&mut self, settings: &LapMemorySettings, features: &Features, policy: Request) {
        if !self.early {
            return;
        }
        let kept = features.get(Feature::Gear) == settings.top_gear as i16 && policy != Request::Down;
        if !kept || features.get(Feature::Dwell) > PAID_TICKS {
            self.early = false;
            self.count(!kept);
        }
    }

    const fn count(&mut self, needless: bool) {
        self.needless =
            if needless { self.needless.saturating_add(1) } else { self.needless.saturating_sub(1) };
    }

    /// Holds an upshift back where a cell up to `last` is marked.
    fn hold_before_mark(&mut self, last: u16) -> Request {
        let Some(marked) = (self.cell..=last).find(|&cell| self.mark(cell as usize) > 0) else {
            return Request::Up;
        };
        if self.held == NO_CELL {
            (self.held, self.confirmed) = (marked, false);
        }
        Request::Hold
    }

    /// Whether the top gear pays by now and ran easily as far as `last`.
    fn rises_early(&self, settings: &LapMemorySettings, features: &Features, last: u16) -> bool {
        features.get(Feature::SpeedRatio) >= settings.early_permille
            && features.get(Feature::SinceFailed) > settings.retry_ticks
            && (self.cell + 1..=last).all(|cell| self.is_easy(cell as usize))
            && (self.cell..=last).all(|cell| self.mark(cell as usize) == 0)
    }
}

/// Whether the next gear is the top one.
const fn is_below_top(settings: &LapMemorySettings, features: &Features) -> bool {
    features.get(Feature::Gear) == settings.top_gear as i16 - 1
}

/// Whether the policy shifts down because the vehicle stands still.
const fn is_stall(features: &Features, policy: Request) -> bool {
    matches!(policy, Request::Down)
        && (features.get(Feature::Stalled) > 0 || features.get(Feature::SpeedRatio) < STANDS_PERMILLE)
}

impl Default for LapMemory {
    fn default() -> LapMemory {
        LapMemory::new()
    }
}
