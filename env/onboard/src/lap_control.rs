//! What a vehicle that drives the same way again adds to its controller: dead reckoning, and the memory of the laps, between
//! the policy and the guard.

use super::{
    FeatureSettings, Features, LapMemory, LapMemorySettings, Odometer, OdometerSettings, Raw, Request,
};

/// Constants of a vehicle that learns its way.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct LapSettings {
    /// Dead reckoning.
    pub odometer: OdometerSettings,
    /// What it does with what it has learned.
    pub memory: LapMemorySettings,
}

/// Where the vehicle is on its way, and what it has learned of it. 116 bytes.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct LapControl {
    odometer: Odometer,
    memory: LapMemory,
}

impl LapControl {
    /// Nothing is known of the way, and a lap starts.
    #[must_use]
    pub const fn new() -> LapControl {
        LapControl { odometer: Odometer::new(), memory: LapMemory::new() }
    }

    /// A vehicle that stands at the start of a lap, with what it has learned before.
    #[must_use]
    pub const fn knowing(memory: LapMemory) -> LapControl {
        let mut control = LapControl { odometer: Odometer::new(), memory };
        control.memory.start_lap();
        control
    }

    /// A lap starts here: a switch, a magnet, or the driver says so.
    pub const fn start_lap(&mut self) {
        self.odometer.restart();
        self.memory.start_lap();
    }

    /// The way from the start of the lap, mm.
    #[must_use]
    pub const fn position_mm(&self) -> u16 {
        self.odometer.position_mm()
    }

    /// What has been learned so far.
    #[must_use]
    pub const fn memory(&self) -> &LapMemory {
        &self.memory
    }

    /// Needless advice of this lap less advice that paid: what a vehicle shows when its way has changed.
    #[must_use]
    pub const fn needless(&self) -> u8 {
        self.memory.needless()
    }

    /// Takes the reading of a tick, after the controller has. `driving` says that `gear` is engaged and driven.
    pub fn count(
        &mut self,
        settings: &LapSettings,
        features: &FeatureSettings,
        raw: &Raw,
        gear: u8,
        driving: bool,
    ) {
        self.odometer.count(&settings.odometer, features, raw, gear, driving);
    }

    /// What to ask the guard for where the policy asks for `policy`, at every decision that is due. `allowed` is what the
    /// guard would carry out, by request code. Learns on the way.
    pub fn decide(
        &mut self,
        settings: &LapSettings,
        features: &Features,
        policy: Request,
        allowed: [bool; 3],
    ) -> Request {
        let policy = if allowed[policy as usize] { policy } else { Request::Hold };
        let may_rise = allowed[Request::Up as usize];
        self.memory.decide(&settings.memory, self.position_mm(), features, policy, may_rise)
    }
}
