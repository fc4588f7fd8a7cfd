//! The episode: controller, selector and vehicle together, tick by tick.

mod figures;
mod note;

pub use note::request_name;

use crate::motion::{Cruising, Dogs, Plant, Selector, Track};
use crate::outcome::Cause;
use crate::sensing::Sensors;
use crate::trace::TraceRow;
use crate::vehicle::Vehicle;
use crate::{End, Scenario, Step, Stream, World};
use lowgear_onboard::{Command, Controller, Features, Request, Verdict};
use std::sync::Arc;

/// An episode being driven. As a [`World`] its observation is [`Features`] and its actions are request codes.
#[derive(Clone, Debug)]
pub struct Drive {
    scenario: Arc<Scenario>,
    vehicle: Vehicle,
    track: Track,
    plant: Plant,
    selector: Selector,
    sensors: Sensors,
    controller: Controller,
    /// What the policy sees.
    seen: Features,
    /// The reward handed out so far, s.
    told_s: f64,
    /// Duty when driven, 0 to 1.
    throttle: f64,
    ticks: u64,
    /// Those that were not plain driving.
    eventful_ticks: u64,
    /// Part of the last tick that the finish cut off, s.
    unused_s: f64,
    furthest_m: f64,
    tally: Tally,
    limits: Limits,
    end: Option<Cause>,
    trace: Option<Vec<TraceRow>>,
}

/// What is counted along the way. Times are in ticks.
#[derive(Clone, Copy, Debug, Default)]
struct Tally {
    shifts: u32,
    reversals: u32,
    failed_upshifts: u32,
    stalled: u32,
    jammed: u64,
    progress_at: u64,
    last_shift: Option<(u64, Request)>,
    peak_winding_k: f64,
}

/// Ends of the episode, in ticks.
#[derive(Clone, Copy, Debug)]
struct Limits {
    time: u64,
    no_progress: u64,
    jam: u64,
    reversal: u64,
}

/// An upshift and a downshift (or the reverse) within this time are a reversal, s.
const REVERSAL_S: f64 = 3.0;
/// Progress below this does not count against stalling out, m.
const PROGRESS_M: f64 = 0.01;
/// A vehicle slower than this stands still, m/s.
const STILL_M_S: f64 = 1e-3;

impl Limits {
    fn new(scenario: &Scenario) -> Limits {
        let ticks = |seconds: f64| (seconds / scenario.vehicle.controller.tick_s).round().max(1.0) as u64;
        let episode = &scenario.episode;
        Limits {
            time: ticks(episode.time_limit_s),
            no_progress: ticks(episode.give_up_s),
            jam: ticks(episode.jam_limit_s),
            reversal: ticks(REVERSAL_S),
        }
    }
}

impl Drive {
    /// Episode number `episode` of `scenario`, at its start.
    #[must_use]
    pub fn new(scenario: Arc<Scenario>, episode: u64) -> Drive {
        let (vehicle, track) = scenario.lay(episode);
        let gear = (scenario.episode.start_gear - 1).min(scenario.gears() - 1);
        let plant = Plant::new(&vehicle, &track, gear);
        let selector = Selector::new(&vehicle, gear, Some(scenario.seed.stream(Stream::Selector, episode)));
        let noise = scenario.seed.stream(Stream::Sensors, episode);
        let sensors = Sensors::new(&scenario.vehicle.sensors, &vehicle, noise);
        let controller = Controller::new(&scenario.settings, gear as u8);
        let mut drive = Drive {
            tally: Tally::default(),
            throttle: f64::from(scenario.episode.throttle_permille) / 1000.0,
            limits: Limits::new(&scenario),
            scenario,
            vehicle,
            track,
            plant,
            selector,
            sensors,
            controller,
            seen: Features::default(),
            told_s: 0.0,
            ticks: 0,
            eventful_ticks: 0,
            unused_s: 0.0,
            furthest_m: 0.0,
            end: None,
            trace: None,
        };
        drive.sensors.prepare(&drive.plant.present(), drive.plant.slope(&drive.track));
        drive.sense(0);
        drive.seen = drive.controller.features(&drive.scenario.settings);
        drive
    }

    /// From now on keeps a [`TraceRow`] per tick.
    #[must_use]
    pub fn with_trace(mut self) -> Drive {
        self.trace = Some(Vec::new());
        self
    }

    /// The rows kept so far.
    #[must_use]
    pub fn into_trace(self) -> Vec<TraceRow> {
        self.trace.unwrap_or_default()
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

    /// The state of the vehicle: more than a controller can know.
    #[must_use]
    pub fn plant(&self) -> &Plant {
        &self.plant
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

    /// How many of them were not plain driving: borders, obstacles, shifts, standstill, slipping wheels.
    #[must_use]
    pub fn eventful_ticks(&self) -> u64 {
        self.eventful_ticks
    }

    /// Which requests the guard would carry out now.
    #[must_use]
    pub fn mask(&self) -> [bool; 3] {
        self.controller.mask(&self.scenario.settings)
    }

    /// One controller tick with a request; `decided` says that a policy was asked. Returns whether the next
    /// decision is due.
    ///
    /// Energies and damage are up to date after each tick, which [`World::step`] only sees to at each decision.
    pub fn tick(&mut self, request: Request, decided: bool) -> bool {
        let due = self.tick_on(request, decided);
        self.plant.book(&self.vehicle);
        due
    }

    fn tick_on(&mut self, request: Request, decided: bool) -> bool {
        let command = self.controller.act(&self.scenario.settings, request, decided);
        let duty_permille = if command.drive { self.scenario.episode.throttle_permille } else { 0 };
        if self.controller.guard().verdict() == Verdict::Accepted {
            self.note_shift(request);
        }
        let gear_before = self.controller.guard().gear();
        let cruising = self.physics(&command, if command.drive { self.throttle } else { 0.0 });
        self.ticks += 1;
        if cruising != Cruising::On {
            self.count(command.drive);
        }
        if self.ticks >= self.limits.time && self.end.is_none() {
            self.end = Some(Cause::OutOfTime);
        }
        let due = self.sense(duty_permille);
        if self.controller.guard().gear() != gear_before && self.controller.observer().since_failed() == 1 {
            self.tally.failed_upshifts += 1;
        }
        if self.trace.is_some() {
            self.note_trace(request, decided, command.drive);
        }
        due
    }

    fn note_shift(&mut self, request: Request) {
        self.tally.shifts += 1;
        if let Some((at, last)) = self.tally.last_shift
            && last != request
            && self.ticks - at <= self.limits.reversal
        {
            self.tally.reversals += 1;
        }
        self.tally.last_shift = Some((self.ticks, request));
    }

    /// Selector and vehicle over one tick.
    #[inline]
    fn physics(&mut self, command: &Command, duty: f64) -> Cruising {
        if self.selector.at_rest(command) {
            let horizon = usize::from(self.controller.ticks_to_decision(&self.scenario.settings));
            let cruising = self.plant.cruise(&self.vehicle, &self.track, duty, horizon);
            if cruising == Cruising::Begun
                && let Some(outlook) = self.plant.outlook()
            {
                self.sensors.prepare(outlook, self.plant.slope(&self.track));
            }
            if cruising != Cruising::No {
                return cruising;
            }
        }
        self.eventful_ticks += 1;
        self.any_motion(command, duty);
        self.sensors.prepare(&self.plant.present(), self.plant.slope(&self.track));
        Cruising::No
    }

    /// One tick of anything that can happen.
    fn any_motion(&mut self, command: &Command, duty: f64) {
        let tick_s = self.vehicle.tick_s;
        self.plant.book(&self.vehicle);
        let before = self.plant.ledger.heat();
        self.selector.command(&self.vehicle, &mut self.plant, command);
        let mut left_s = tick_s;
        while left_s > 1e-12 {
            let piece_s = self.selector.next_s().min(left_s);
            if piece_s > 0.0 {
                let advance = self.plant.advance(&self.vehicle, &self.track, piece_s, duty);
                if advance.finished {
                    self.unused_s = left_s - advance.elapsed_s;
                    self.end = Some(Cause::Finished);
                    break;
                }
            }
            left_s -= piece_s;
            self.selector.pass(&self.vehicle, &mut self.plant, piece_s);
        }
        self.plant.settle_tick(&self.vehicle, before);
    }

    /// Clocks and the end of the episode, at every tick that is not the mere continuation of plain driving.
    fn count(&mut self, drive: bool) {
        let tally = &mut self.tally;
        if drive && self.plant.v_m_s.abs() < STILL_M_S {
            tally.stalled += 1;
        }
        tally.peak_winding_k = tally.peak_winding_k.max(self.plant.rise.winding_k);
        tally.jammed = if self.selector.dogs == Dogs::Jammed { tally.jammed + 1 } else { 0 };
        if self.plant.x_m > self.furthest_m + PROGRESS_M || self.end.is_some() {
            self.furthest_m = self.plant.x_m;
            tally.progress_at = self.ticks;
        }
        if self.end.is_some() {
        } else if self.vehicle.air_c + self.plant.rise.winding_k > self.vehicle.heat.winding_limit_c {
            self.end = Some(Cause::Overheated);
        } else if drive && self.plant.terminal_v < self.vehicle.cutoff_voltage_v {
            self.end = Some(Cause::BatteryEmpty);
        } else if tally.jammed > self.limits.jam {
            self.end = Some(Cause::Jammed);
        } else if self.ticks - tally.progress_at > self.limits.no_progress {
            self.end = Some(Cause::StalledOut);
        }
    }

    fn sense(&mut self, duty_permille: u16) -> bool {
        let raw = self.sensors.take(duty_permille, self.selector.angle_deg(&self.vehicle));
        self.controller.sense(&self.scenario.settings, &raw)
    }
}

impl World for Drive {
    type Observation = Features;

    fn actions(&self) -> usize {
        Request::ALL.len()
    }

    fn reset(&mut self, episode: u64) {
        let traced = self.trace.is_some();
        *self = Drive::new(Arc::clone(&self.scenario), episode);
        if traced {
            self.trace = Some(Vec::new());
        }
    }

    fn observation(&self) -> &Features {
        &self.seen
    }

    fn allowed(&self, action: usize) -> bool {
        self.mask().get(action).copied().unwrap_or(false)
    }

    fn step(&mut self, action: usize) -> Step {
        let before = (self.told_s, self.elapsed_s());
        let mut request = Request::from_code(action as u8);
        let mut decided = true;
        while self.end.is_none() {
            let due = self.tick_on(request, decided);
            (request, decided) = (Request::Hold, false);
            if due {
                break;
            }
        }
        self.plant.book(&self.vehicle);
        self.seen = self.controller.features(&self.scenario.settings);
        let end = self.end.map(|cause| match cause {
            Cause::OutOfTime => End::Truncated,
            Cause::Finished | Cause::StalledOut | Cause::Jammed | Cause::Overheated | Cause::BatteryEmpty => {
                End::Terminated
            }
        });
        self.told_s = self.reward().total_s();
        let mut reward = self.told_s - before.0;
        if end == Some(End::Terminated) && self.end != Some(Cause::Finished) {
            reward += self.abort_s();
        }
        Step { reward, elapsed_s: self.elapsed_s() - before.1, end }
    }
}
