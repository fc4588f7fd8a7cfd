//! The controller's tick: features, the decision clock and the guard together.

use super::{
    Command, FeatureSettings, Features, Guard, GuardSettings, Observer, Phase, Ranges, Raw, Request, Verdict,
};

/// Every constant of the controller.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Settings {
    /// Feature arithmetic.
    pub features: FeatureSettings,
    /// Guard rules.
    pub guard: GuardSettings,
    /// Bounds of the readings.
    pub ranges: Ranges,
    /// Ticks between two decisions.
    pub decision_ticks: u16,
    /// Length of a tick, µs. The controller counts ticks and does not use it; the caller has to.
    pub tick_us: u32,
    /// Encoder pulses per turn of the motor, contained in [`FeatureSettings::speed_gain`].
    pub pulses_per_turn: u16,
}

/// State of the controller.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Controller {
    observer: Observer,
    guard: Guard,
    since_decision: u16,
}

impl Controller {
    /// The selector is sent to `gear` from wherever it stands. The first decision is due one tick after the arrival.
    #[must_use]
    pub const fn new(settings: &Settings, gear: u8) -> Controller {
        Controller {
            observer: Observer::new(gear),
            guard: Guard::new(gear),
            since_decision: settings.decision_ticks,
        }
    }

    /// First half of a tick: takes a reading. Returns whether the policy is to be asked now:
    /// not while the guard is busy, nor at the very tick of arrival, when no reading tells of the new gear yet.
    #[inline]
    pub fn sense(&mut self, settings: &Settings, raw: &Raw) -> bool {
        self.guard.follow(&settings.guard, &settings.ranges, raw);
        if self.guard.take_missed_upshift() {
            self.observer.on_missed_upshift();
        }
        if self.guard.just_engaged() && self.guard.gear() == self.observer.gear() {
            self.observer.on_reengaged();
        }
        match self.guard.phase() {
            Phase::Faulted => self.observer.wait(),
            phase => {
                let driving = matches!(phase, Phase::Driving);
                self.observer.update(&settings.features, raw, self.guard.gear(), driving);
            }
        }
        self.since_decision = self.since_decision.saturating_add(1);
        let settled = !self.guard.busy() && !self.guard.just_engaged();
        settled && self.since_decision >= settings.decision_ticks
    }

    /// Several ticks of steady-state driving together: [`Controller::sense`] with the first reading, then for each further
    /// one [`Controller::act`] with [`Request::Hold`] and [`Controller::sense`]. Ends early where the guard may be
    /// about to act. Returns the number of readings taken and what the last of them said.
    #[inline]
    pub fn tick_many(&mut self, settings: &Settings, raws: &[Raw]) -> (usize, bool) {
        let ticks = raws.len() as u16;
        if !self.observer.settled() || !self.guard.tick_many(&settings.guard, &settings.ranges, raws) {
            return raws.first().map_or((0, false), |raw| (1, self.sense(settings, raw)));
        }
        self.observer.tick_many(&settings.features, raws);
        self.since_decision = self.since_decision.saturating_add(ticks);
        (raws.len(), self.since_decision >= settings.decision_ticks)
    }

    /// Second half of a tick: hands the policy's request (or [`Request::Hold`] when none was due) to the
    /// guard and returns its order. `decided` restarts the decision clock.
    #[inline]
    pub fn act(&mut self, settings: &Settings, request: Request, decided: bool) -> Command {
        if decided {
            self.since_decision = 0;
        }
        self.guard.order(&settings.guard, self.observer.tilt_ddeg(), request)
    }

    /// Ticks from now until the next decision is due, at least 1, if nothing comes between.
    #[must_use]
    #[inline]
    pub const fn ticks_to_decision(&self, settings: &Settings) -> u16 {
        let left = settings.decision_ticks.saturating_sub(self.since_decision);
        if left == 0 { 1 } else { left }
    }

    /// Asks for Park, between [`Controller::sense`] and [`Controller::act`]; see [`Guard::park`].
    pub fn park(&mut self, settings: &Settings, raw: &Raw) -> Verdict {
        self.guard.park(&settings.guard, raw)
    }

    /// Leaves Park; see [`Guard::leave_park`].
    pub fn leave_park(&mut self) -> Verdict {
        self.guard.leave_park()
    }

    /// Which requests the guard would carry out now, by request code. Hold is always possible.
    #[must_use]
    pub fn mask(&self, settings: &Settings) -> [bool; 3] {
        let tilt = self.observer.tilt_ddeg();
        let would =
            |request| matches!(self.guard.check_request(&settings.guard, tilt, request), Verdict::Accepted);
        [would(Request::Down), true, would(Request::Up)]
    }

    /// The features as of the last reading.
    #[must_use]
    #[inline]
    pub fn features(&self, settings: &Settings) -> Features {
        self.observer.features(&settings.features)
    }

    /// The filters and clocks behind the features.
    #[must_use]
    #[inline]
    pub const fn observer(&self) -> &Observer {
        &self.observer
    }

    /// The guard.
    #[must_use]
    #[inline]
    pub const fn guard(&self) -> &Guard {
        &self.guard
    }
}
