//! A vehicle that knows its way: the map, or what it has learned, between the policy and the guard, as on the vehicle.

use super::Drive;
use crate::config::ParameterDistribution;
use crate::{Seed, Stream};
use lowgear_onboard::{
    Controller, LapMemory, LapMemorySettings, Phase, ROUTE_FORMAT, Raw, Request, Route, RouteError, RouteMap,
    RouteSettings, Settings, crc16_of,
};

/// A map with the position on it.
#[derive(Clone, Debug)]
pub struct RouteRun {
    bytes: Vec<u8>,
    settings: RouteSettings,
    state: Route,
    errors: Option<PositionErrors>,
    /// What the vehicle learns by itself, from lap to lap.
    memory: Option<(LapMemorySettings, LapMemory)>,
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
        Ok(RouteRun { bytes, settings, state: Route::new(), errors: None, memory: None, farthest_mm: 0 })
    }

    /// A vehicle without a map that counts its way, and learns by itself from lap to lap.
    #[must_use]
    pub fn learning(
        settings: RouteSettings,
        memory_settings: LapMemorySettings,
        memory: LapMemory,
    ) -> RouteRun {
        let mut nothing = vec![ROUTE_FORMAT, 0xff, 0xff, 0, 0, 0, 0, 0];
        nothing.extend(crc16_of(&nothing).to_le_bytes());
        RouteRun {
            bytes: nothing,
            settings,
            state: Route::new(),
            errors: None,
            memory: Some((memory_settings, memory)),
            farthest_mm: 0,
        }
    }

    /// The same map with a position that is known but for these errors.
    #[must_use]
    pub fn with_errors(self, errors: PositionErrors) -> RouteRun {
        RouteRun { errors: Some(errors), ..self }
    }

    /// The position on the map and what the vehicle knows of it.
    #[must_use]
    pub fn state(&self) -> &Route {
        &self.state
    }

    /// What the vehicle has learned by itself so far.
    #[must_use]
    pub fn memory(&self) -> Option<&LapMemory> {
        self.memory.as_ref().map(|(_, memory)| memory)
    }

    /// The bytes were checked when the run was made.
    fn map(&self) -> Option<RouteMap<'_>> {
        RouteMap::new(&self.bytes).ok()
    }

    /// Takes a reading, after the controller has.
    fn update(&mut self, settings: &Settings, controller: &Controller, raw: &Raw) {
        let Ok(map) = RouteMap::new(&self.bytes) else { return };
        let guard = controller.guard();
        let driving = guard.phase() == Phase::Driving;
        self.state.update(&self.settings, &settings.features, &map, raw, guard.gear(), driving);
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

    pub(super) fn start_route(&mut self, mut route: RouteRun) {
        let mut state = Route::new();
        if let Some(map) = route.map() {
            state.start(&map);
        }
        (route.state, route.farthest_mm) = (state, 0);
        if let Some((_, memory)) = &mut route.memory {
            memory.start_lap();
        }
        self.route = Some(Box::new(route));
    }

    /// What to ask the guard for, given what the policy asks for, and whether the map is to be looked at again in the next
    /// tick.
    pub(super) fn follow_route(&mut self, request: Request, decided: bool) -> (Request, bool) {
        let Some(route) = &mut self.route else { return (request, false) };
        let RouteRun { bytes, settings, state, errors, memory, farthest_mm } = &mut **route;
        let Ok(map) = RouteMap::new(bytes) else { return (request, false) };
        if let Some(errors) = errors {
            let x_m = self.plant.x_m;
            let millimetres = (1000.0 * (x_m + errors.at(x_m))).clamp(0.0, f64::from(u16::MAX));
            // Sections are driven in their order: a vehicle that rolls back over a border keeps the gear of the one behind it.
            *farthest_mm = (millimetres as u16).max(*farthest_mm);
            state.place(*farthest_mm, 1);
        }
        let gear = self.controller.guard().gear();
        let asks = decided || state.wanted(&map).is_some_and(|wanted| wanted < gear);
        let busy = self.controller.guard().busy();
        let watched = asks || map.border_within(state.position_mm(), LOOK_TICKS * state.tick_mm());
        if !asks || busy {
            return (request, watched && !busy);
        }
        let features = self.controller.features(&self.scenario.settings);
        if let Some((settings, memory)) = memory {
            let may_rise = self.controller.mask(&self.scenario.settings)[Request::Up as usize];
            let position_mm = state.position_mm();
            return (memory.decide(settings, position_mm, &features, request, may_rise), watched);
        }
        (state.decide(settings, &map, &features, decided.then_some(request)), watched)
    }
}
