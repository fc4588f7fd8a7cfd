//! The guard: only it moves the gearbox.
//!
//! Its rules, with the reason for each:
//! - the drive is cut some ticks before the selector moves and until it has arrived (dogs under torque do
//!   not let go, and a closing gap under torque wears them);
//! - no new shift before the selector has arrived and the minimum dwell has passed;
//! - no upshift above a tilt limit, if one is set;
//! - no Park unless the motor stands still;
//! - a motor that stands still under drive for too long is switched off for a rest;
//! - after a missed engagement it retries, then recalibrates the selector, then goes back a gear;
//! - at the start the position of the selector is unknown: no drive before it has been seen to arrive;
//! - a selector that leaves the gear under drive (a jump-out) ends the drive until it has arrived again;
//! - a reading outside its range ends the drive until every reading has been good for some time.

use super::{Command, Fault, Phase, Ranges, Raw, Request, Verdict};

/// Most gears a table or a guard can know.
pub const MAX_GEARS: usize = 6;

const FULL_TURN_DDEG: u16 = 3600;

/// Constants of the guard.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct GuardSettings {
    /// Number of gears, 1 to [`MAX_GEARS`].
    pub gears: u8,
    /// Drum angle of each gear, tenths of a degree.
    pub gear_ddeg: [u16; MAX_GEARS],
    /// The selector has arrived when its angle is within this of the target, tenths of a degree.
    pub window_ddeg: u16,
    /// A driven gear has been left when the angle is further than this from it, tenths of a degree; not less than
    /// the window, so that an arrival at its edge does not flicker.
    pub leave_ddeg: u16,
    /// Ticks without drive before the selector is commanded to move.
    pub cut_lead_ticks: u16,
    /// Fewest ticks between the arrival in a gear and the next shift.
    pub min_dwell_ticks: u16,
    /// Ticks after which a move that has not arrived counts as missed.
    pub move_timeout_ticks: u16,
    /// Further tries after a missed engagement, before recalibrating.
    pub retries: u8,
    /// Ticks that a recalibration takes.
    pub recalibrate_ticks: u16,
    /// No upshift at or above this filtered tilt, tenths of a degree; `i16::MAX` switches the rule off.
    pub tilt_limit_ddeg: i16,
    /// The motor counts as standing still at or below this many counts in a tick.
    pub stall_counts: u16,
    /// Ticks of standing still under drive after which the drive is cut. A shift does not restart the
    /// count; only a turning motor, a closed throttle or the rest does.
    pub stall_cut_ticks: u16,
    /// Ticks of rest after such a cut.
    pub stall_rest_ticks: u16,
    /// Ticks of readings in range after which a fault of a sensor is over.
    pub fault_clear_ticks: u16,
}

/// State of the guard.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Guard {
    phase: Phase,
    gear: u8,
    target: u8,
    clock: u16,
    dwell: u16,
    stalled: u16,
    tries: u8,
    recalibrated: bool,
    verdict: Verdict,
    missed_upshift: bool,
    fault: Fault,
    jump_outs: u8,
}

impl Guard {
    /// The selector is sent to `gear` from wherever it stands; no drive before it has been seen there.
    #[must_use]
    pub const fn new(gear: u8) -> Guard {
        Guard {
            phase: Phase::Moving,
            gear: known_gear(gear),
            target: known_gear(gear),
            clock: 0,
            dwell: 0,
            stalled: 0,
            tries: 0,
            recalibrated: false,
            verdict: Verdict::Idle,
            missed_upshift: false,
            fault: Fault::None,
            jump_outs: 0,
        }
    }

    /// The reading that was outside its range last; [`Fault::None`] when none ever was.
    #[must_use]
    #[inline]
    pub const fn fault(&self) -> Fault {
        self.fault
    }

    /// How often the selector has left its gear under drive, at most 255.
    #[must_use]
    #[inline]
    pub const fn jump_outs(&self) -> u8 {
        self.jump_outs
    }

    /// The last confirmed gear.
    #[must_use]
    #[inline]
    pub const fn gear(&self) -> u8 {
        self.gear
    }

    /// What the guard is doing.
    #[must_use]
    #[inline]
    pub const fn phase(&self) -> Phase {
        self.phase
    }

    /// What became of the last request.
    #[must_use]
    #[inline]
    pub const fn verdict(&self) -> Verdict {
        self.verdict
    }

    /// Whether a policy need not be asked now: a shift or a rest is under way.
    #[must_use]
    #[inline]
    pub const fn busy(&self) -> bool {
        !matches!(self.phase, Phase::Driving)
    }

    /// Whether the selector has arrived in a gear at this very tick.
    #[must_use]
    #[inline]
    pub const fn just_engaged(&self) -> bool {
        matches!(self.phase, Phase::Driving) && self.dwell == 0
    }

    /// Whether an upshift has just been given up; reading it clears it.
    #[inline]
    pub fn take_missed_upshift(&mut self) -> bool {
        core::mem::take(&mut self.missed_upshift)
    }

    /// Whether `request` would be carried out now.
    #[must_use]
    #[inline]
    pub const fn check_request(&self, settings: &GuardSettings, tilt_ddeg: i16, request: Request) -> Verdict {
        let known = match request {
            Request::Hold => return Verdict::Idle,
            Request::Down => self.gear > 0,
            Request::Up => self.gear + 1 < settings.gears && self.gear + 1 < MAX_GEARS as u8,
        };
        if !known {
            Verdict::NoSuchGear
        } else if self.busy() {
            Verdict::Busy
        } else if self.dwell < settings.min_dwell_ticks {
            Verdict::Dwell
        } else if matches!(request, Request::Up) && tilt_ddeg >= settings.tilt_limit_ddeg {
            Verdict::Tilt
        } else {
            Verdict::Accepted
        }
    }

    /// One tick, first half: follow the selector with the reading just taken.
    #[inline]
    pub fn follow(&mut self, settings: &GuardSettings, ranges: &Ranges, raw: &Raw) {
        self.clock = self.clock.saturating_add(1);
        let still = self.count_standing(settings, raw);
        let fault = ranges.fault_of(raw);
        if !matches!(fault, Fault::None) && !matches!(self.phase, Phase::Parked) {
            self.take_fault(fault);
            return;
        }
        match self.phase {
            Phase::Driving if self.is_away(settings, raw) => self.jump_out(),
            Phase::Driving => {
                if still && self.stalled >= settings.stall_cut_ticks {
                    self.enter(Phase::Resting);
                }
            }
            Phase::Cutting => {
                if self.clock >= settings.cut_lead_ticks {
                    self.enter(Phase::Moving);
                }
            }
            Phase::Moving => self.watch_arrival(settings, raw),
            Phase::Recalibrating => {
                if self.clock >= settings.recalibrate_ticks {
                    self.enter(Phase::Moving);
                }
            }
            Phase::Resting => {
                if self.clock >= settings.stall_rest_ticks {
                    self.stalled = 0;
                    self.enter(if self.is_away(settings, raw) { Phase::Moving } else { Phase::Driving });
                }
            }
            Phase::Faulted => {
                if self.clock >= settings.fault_clear_ticks {
                    self.enter(Phase::Moving);
                }
            }
            Phase::Parked => {}
        }
    }

    /// Follows several readings of a motor that turns in a gear that is driven, and judges no requests between them;
    /// returns false, with nothing done, where that is not so.
    #[inline]
    pub(super) fn tick_many(&mut self, settings: &GuardSettings, ranges: &Ranges, raws: &[Raw]) -> bool {
        if self.busy() {
            return false;
        }
        // Nearly always the selector stands where it stood at the last reading that was looked at.
        let mut in_gear_ddeg = None;
        let usual = |raw: &Raw| {
            let good = matches!(ranges.fault_of(raw), Fault::None);
            let turns = raw.encoder_counts > settings.stall_counts;
            if good && turns && in_gear_ddeg != Some(raw.selector_ddeg) {
                in_gear_ddeg = (!self.is_away(settings, raw)).then_some(raw.selector_ddeg);
            }
            good && turns && in_gear_ddeg.is_some()
        };
        if !raws.iter().all(usual) {
            return false;
        }
        let ticks = raws.len() as u16;
        self.clock = self.clock.saturating_add(ticks);
        self.dwell = self.dwell.saturating_add(ticks);
        self.stalled = 0;
        if ticks > 1 {
            self.verdict = Verdict::Idle;
        }
        true
    }

    /// One tick, second half: judge the request and give the order.
    #[inline]
    pub fn order(&mut self, settings: &GuardSettings, tilt_ddeg: i16, request: Request) -> Command {
        if matches!((request, self.phase), (Request::Hold, Phase::Driving)) {
            // By far the most frequent tick: nothing changes.
            self.verdict = Verdict::Idle;
            return Command { drive: true, gear: self.gear, nudge: false, recalibrate: false, park: false };
        }
        self.verdict = self.check_request(settings, tilt_ddeg, request);
        let starts_recalibration = matches!(self.phase, Phase::Recalibrating) && self.clock == 0;
        let nudge = matches!(self.phase, Phase::Moving) && self.clock == 0 && self.tries > 0;
        if matches!(self.verdict, Verdict::Accepted) {
            let target = match request {
                Request::Down => self.gear - 1,
                Request::Hold => self.gear,
                Request::Up => self.gear + 1,
            };
            self.begin_move(target, 0);
            self.enter(if settings.cut_lead_ticks == 0 { Phase::Moving } else { Phase::Cutting });
        }
        let moving = matches!(self.phase, Phase::Moving | Phase::Recalibrating | Phase::Faulted);
        Command {
            drive: matches!(self.phase, Phase::Driving),
            gear: if moving { self.target } else { self.gear },
            nudge,
            recalibrate: starts_recalibration,
            park: matches!(self.phase, Phase::Parked),
        }
    }

    /// Asks for Park: only when the motor stands still and no shift is under way.
    pub fn park(&mut self, settings: &GuardSettings, raw: &Raw) -> Verdict {
        self.verdict = if self.busy() {
            Verdict::Busy
        } else if raw.encoder_counts > settings.stall_counts {
            Verdict::Turning
        } else {
            self.enter(Phase::Parked);
            Verdict::Accepted
        };
        self.verdict
    }

    /// Leaves Park: the selector goes back to the gear that was engaged, without drive until it arrives.
    pub fn leave_park(&mut self) -> Verdict {
        self.verdict = if matches!(self.phase, Phase::Parked) {
            self.begin_move(self.gear, 0);
            self.enter(Phase::Moving);
            Verdict::Accepted
        } else {
            Verdict::Idle
        };
        self.verdict
    }

    #[inline]
    fn enter(&mut self, phase: Phase) {
        self.phase = phase;
        self.clock = 0;
    }

    /// Sets a target; with one try already made the selector is sent there again.
    const fn begin_move(&mut self, target: u8, tries: u8) {
        self.target = target;
        self.tries = tries;
        self.recalibrated = false;
    }

    /// No drive, and no wait that was under way goes on. A selector that moves goes on to its target; one that has
    /// not been commanded to move yet stays.
    #[inline(never)]
    fn take_fault(&mut self, fault: Fault) {
        self.fault = fault;
        if !matches!(self.phase, Phase::Moving | Phase::Recalibrating | Phase::Faulted) {
            self.begin_move(self.gear, 0);
        }
        self.enter(Phase::Faulted);
    }

    /// Whether the selector stands too far from the confirmed gear for a driven one.
    #[inline]
    fn is_away(&self, settings: &GuardSettings, raw: &Raw) -> bool {
        let gear_ddeg = settings.gear_ddeg[(self.gear as usize) % MAX_GEARS];
        angle_between(raw.selector_ddeg, gear_ddeg) > settings.leave_ddeg
    }

    /// The selector has left its gear under drive: it is sent there again at once.
    #[inline(never)]
    fn jump_out(&mut self) {
        self.jump_outs = self.jump_outs.saturating_add(1);
        self.begin_move(self.gear, 1);
        self.enter(Phase::Moving);
    }

    /// Counts the ticks in a driven gear, and those in which its motor stands still; whether this is one. A fault and
    /// a jump-out end no stall.
    #[inline]
    fn count_standing(&mut self, settings: &GuardSettings, raw: &Raw) -> bool {
        if !matches!(self.phase, Phase::Driving) {
            return false;
        }
        self.dwell = self.dwell.saturating_add(1);
        let still = raw.encoder_counts <= settings.stall_counts && raw.duty_permille > 0;
        self.stalled = if still { self.stalled.saturating_add(1) } else { 0 };
        still
    }

    fn watch_arrival(&mut self, settings: &GuardSettings, raw: &Raw) {
        let target_ddeg = settings.gear_ddeg[(self.target as usize) % MAX_GEARS];
        if angle_between(raw.selector_ddeg, target_ddeg) <= settings.window_ddeg {
            self.gear = self.target;
            self.dwell = 0;
            self.enter(Phase::Driving);
        } else if self.clock >= settings.move_timeout_ticks {
            self.miss(settings);
        }
    }

    /// Retry, then recalibrate once, then go back to the gear that was left.
    fn miss(&mut self, settings: &GuardSettings) {
        if self.tries < settings.retries {
            self.tries += 1;
            self.enter(Phase::Moving);
        } else if !self.recalibrated {
            self.recalibrated = true;
            self.tries = 0;
            self.enter(Phase::Recalibrating);
        } else {
            self.missed_upshift |= self.target > self.gear;
            self.begin_move(self.gear, 1);
            self.enter(Phase::Moving);
        }
    }
}

/// The shorter way between two drum angles, tenths of a degree: 3598 and 2 lie 4 apart.
#[inline]
const fn angle_between(a: u16, b: u16) -> u16 {
    let apart = a.abs_diff(b) % FULL_TURN_DDEG;
    if apart > FULL_TURN_DDEG / 2 { FULL_TURN_DDEG - apart } else { apart }
}

#[inline]
const fn known_gear(gear: u8) -> u8 {
    if (gear as usize) < MAX_GEARS { gear } else { MAX_GEARS as u8 - 1 }
}
