//! A vehicle that knows its way: the map, or what it has learned, between the policy and the guard, as on the vehicle.

use super::Drive;
use crate::config::ParameterDistribution;
use crate::{Seed, Stream};
use lowgear_onboard::{
    Controller, LapControl, LapMemory, LapSettings, Phase, Raw, Request, Route, RouteError, RouteMap,
    RouteSettings, Settings,
};

/// What a vehicle knows of its way.
#[derive(Clone, Debug)]
pub struct RouteRun(Known);

#[derive(Clone, Debug)]
enum Known {
    Map(MapRun),
    /// What the vehicle learns by itself, from lap to lap.
    Laps(LapSettings, LapControl),
}

/// A map with the position on it.
#[derive(Clone, Debug)]
struct MapRun {
    bytes: Vec<u8>,
    settings: RouteSettings,
    state: Route,
    errors: Option<PositionErrors>,
    /// The farthest position that was given, mm.
    farthest_mm: u16,
}

/// A position that is known but for an error: what a source of a given quality would be worth. The error has a knot per
/// metre and is straight in between.
#[derive(Clone, Debug, PartialEq)]
pub struct PositionErrors(Vec<f64>);

/// Length between two knots of the error, m.
const KNOT_M: f64 = 1.0;
/// Sections are looked for this far ahead, ticks: as far as the vehicle drives between two looks.
const LOOK_TICKS: u16 = 8;

impl PositionErrors {
    /// Errors of this standard deviation, m, on one episode.
    #[must_use]
    pub fn draw(sd_m: f64, length_m: f64, seed: Seed, episode: u64) -> PositionErrors {
        let mut rng = seed.stream(Stream::RoutePosition, episode);
        let standard = ParameterDistribution::Normal { mean: 0.0, sd: 1.0, low: -4.0, high: 4.0 };
        let knots = (length_m / KNOT_M).ceil() as usize + 2;
        PositionErrors((0..knots).map(|_| sd_m * standard.draw(&mut rng)).collect())
    }

    /// Error at `x_m`, m.
    fn at(&self, x_m: f64) -> f64 {
        let knot = (x_m / KNOT_M).clamp(0.0, (self.0.len() - 2) as f64);
        let (i, share) = (knot as usize, knot.fract());
        self.0[i] * (1.0 - share) + self.0[i + 1] * share
    }
}

impl RouteRun {
    /// A map on a vehicle with these constants, that localises itself.
    ///
    /// # Errors
    /// Why the map is none.
    pub fn new(bytes: Vec<u8>, settings: RouteSettings) -> Result<RouteRun, RouteError> {
        RouteMap::new(&bytes)?;
        let run = MapRun { bytes, settings, state: Route::new(), errors: None, farthest_mm: 0 };
        Ok(RouteRun(Known::Map(run)))
    }

    /// A vehicle without a map that counts its way, and learns by itself from lap to lap.
    #[must_use]
    pub const fn learning(settings: LapSettings, memory: LapMemory) -> RouteRun {
        RouteRun(Known::Laps(settings, LapControl::knowing(memory)))
    }

    /// The same map with a position that is known but for these errors.
    #[must_use]
    pub fn with_errors(mut self, errors: PositionErrors) -> RouteRun {
        if let Known::Map(run) = &mut self.0 {
            run.errors = Some(errors);
        }
        self
    }

    /// What the vehicle has learned by itself so far.
    #[must_use]
    pub const fn learned(&self) -> Option<&LapControl> {
        match &self.0 {
            Known::Laps(_, control) => Some(control),
            Known::Map(_) => None,
        }
    }

    /// The same knowledge at the start of a lap.
    fn at_start(mut self) -> RouteRun {
        match &mut self.0 {
            Known::Laps(_, control) => *control = LapControl::knowing(*control.memory()),
            Known::Map(run) => {
                run.farthest_mm = 0;
                run.state = Route::new();
                if let Ok(map) = RouteMap::new(&run.bytes) {
                    run.state.start(&map);
                }
            }
        }
        self
    }

    /// Takes a reading, after the controller has.
    fn update(&mut self, settings: &Settings, controller: &Controller, raw: &Raw) {
        let gear = controller.guard().gear();
        let driving = controller.guard().phase() == Phase::Driving;
        match &mut self.0 {
            Known::Laps(own, control) => control.count(own, &settings.features, raw, gear, driving),
            Known::Map(run) => {
                // The bytes were checked when the run was made.
                if let Ok(map) = RouteMap::new(&run.bytes) {
                    run.state.update(&run.settings, &settings.features, &map, raw, gear, driving);
                }
            }
        }
    }
}

impl MapRun {
    /// As [`Drive::follow_route`], for a vehicle whose front axle is at `x_m`.
    fn follow(
        &mut self,
        settings: &Settings,
        controller: &Controller,
        x_m: f64,
        request: Request,
        decided: bool,
    ) -> (Request, bool) {
        let Ok(map) = RouteMap::new(&self.bytes) else { return (request, false) };
        if let Some(errors) = &self.errors {
            let millimetres = (1000.0 * (x_m + errors.at(x_m))).clamp(0.0, f64::from(u16::MAX));
            // Sections are driven in their order: a vehicle that rolls back over a border keeps the gear of the one behind it.
            self.farthest_mm = (millimetres as u16).max(self.farthest_mm);
            self.state.place(self.farthest_mm, 1);
        }
        let gear = controller.guard().gear();
        let asks = decided || self.state.wanted(&map).is_some_and(|wanted| wanted < gear);
        let busy = controller.guard().busy();
        let watched = asks || map.border_within(self.state.position_mm(), LOOK_TICKS * self.state.tick_mm());
        if !asks || busy {
            return (request, watched && !busy);
        }
        let features = controller.features(settings);
        (self.state.decide(&self.settings, &map, &features, decided.then_some(request)), watched)
    }
}

impl Drive {
    /// The same drive with a map of its way. It stands at the start of a lap.
    #[must_use]
    pub fn with_route(mut self, route: RouteRun) -> Drive {
        self.start_route(route);
        self
    }

    /// The map of the way, if the vehicle has one.
    #[must_use]
    pub fn route(&self) -> Option<&RouteRun> {
        self.route.as_deref()
    }

    /// Hands the readings that the controller has just taken to the map.
    pub(super) fn read_route(&mut self, ticks: usize) {
        let Some(route) = &mut self.route else { return };
        for raw in self.sensors.pending(ticks) {
            route.update(&self.scenario.settings, &self.controller, raw);
        }
    }

    pub(super) fn start_route(&mut self, route: RouteRun) {
        self.route = Some(Box::new(route.at_start()));
    }

    /// What to ask the guard for, given what the policy asks for, and whether the map is to be looked at again in the next
    /// tick.
    pub(super) fn follow_route(&mut self, request: Request, decided: bool) -> (Request, bool) {
        let (settings, controller) = (&self.scenario.settings, &self.controller);
        match self.route.as_deref_mut().map(|route| &mut route.0) {
            Some(Known::Map(run)) => run.follow(settings, controller, self.plant.x_m, request, decided),
            Some(Known::Laps(own, control)) if decided => {
                let features = controller.features(settings);
                (control.decide(own, &features, request, controller.mask(settings)), false)
            }
            _ => (request, false),
        }
    }
}
