//! What a caller may look at while an episode is driven.

use super::Drive;
use crate::events::EventCounts;
use crate::motion::{Plant, Track};
use crate::vehicle::Vehicle;
use crate::{Mask, Scenario};
use lowgear_onboard::{Controller, Raw};
use std::sync::Arc;

impl Drive {
    /// Number of the episode.
    #[must_use]
    pub fn episode(&self) -> u64 {
        self.episode
    }

    /// The vehicle drawn for this episode.
    #[must_use]
    pub fn vehicle(&self) -> &Vehicle {
        &self.vehicle
    }

    /// The course of this episode as the vehicle meets it.
    #[must_use]
    pub fn track(&self) -> &Track {
        &self.track
    }

    /// The state of the vehicle, energies and damage up to date: more than a controller can know.
    #[must_use]
    pub fn plant(&self) -> Plant {
        self.plant.with_energies_accumulated(&self.vehicle)
    }

    /// The controller.
    #[must_use]
    pub fn controller(&self) -> &Controller {
        &self.controller
    }

    /// The scenario.
    #[must_use]
    pub fn scenario(&self) -> &Arc<Scenario> {
        &self.scenario
    }

    /// Controller ticks driven so far.
    #[must_use]
    pub fn ticks(&self) -> u64 {
        self.ticks
    }

    /// How many of them were not steady-state driving: borders, obstacles, shifts, standstill, slipping wheels.
    #[must_use]
    pub fn event_ticks(&self) -> u64 {
        self.event_ticks
    }

    /// Stalls, reversals and hunting so far.
    #[must_use]
    pub fn events(&self) -> EventCounts {
        self.counters.events
    }

    /// Whether the episode has ended.
    #[must_use]
    pub fn has_ended(&self) -> bool {
        self.end.is_some()
    }

    /// The last reading, as late as the controller sees it.
    #[must_use]
    pub fn reading(&self) -> Raw {
        *self.sensors.seen()
    }

    /// Which requests the guard would carry out now.
    #[must_use]
    pub fn mask(&self) -> Mask {
        self.controller.mask(&self.scenario.settings).into()
    }
}
