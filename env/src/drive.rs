//! The episode: controller, selector and vehicle together, tick by tick.

mod figures;
mod look;
mod physical;
mod privileged;
mod record;
mod route;
mod world;

pub use privileged::PRIVILEGED;
pub use route::{PositionErrors, RouteRun};

use crate::events::{EventCounts, ShiftDetector, StallDetector, stands_still};
use crate::motion::{Dogs, Plant, Selector, Track};
use crate::outcome::Cause;
use crate::physical::fastest_m_s;
use crate::sensing::{KnownInputs, Preview, Sensors};
use crate::terrain::GroundChange;
use crate::trace::TraceRow;
use crate::vehicle::{BATCH, TemperatureRise, Vehicle};
use crate::{Scenario, Stream};
use lowgear_onboard::{Command, Controller, Features, Request, Verdict};
use std::sync::Arc;

/// An episode being driven. As a [`World`](crate::World) its observation is [`Features`] and its actions are request codes.
#[derive(Clone, Debug)]
pub struct Drive {
    scenario: Arc<Scenario>,
    /// Number of the episode.
    episode: u64,
    vehicle: Vehicle,
    track: Track,
    plant: Plant,
    selector: Selector,
    sensors: Sensors,
    controller: Controller,
    /// What the policy sees.
    observed: Features,
    /// The reward handed out so far, s.
    reported_return_s: f64,
    /// Duty when driven, 0 to 1.
    throttle: f64,
    ticks: u64,
    /// Those that were not steady-state driving.
    event_ticks: u64,
    /// Part of the last tick that the finish cut off, s.
    unused_s: f64,
    furthest_m: f64,
    counters: EpisodeCounters,
    limits: Limits,
    end: Option<Cause>,
    trace: Option<Vec<TraceRow>>,
    /// The map of the way, where the vehicle has one.
    route: Option<Box<RouteRun>>,
}

/// Counters of the episode. Times are in ticks.
#[derive(Clone, Copy, Debug, Default)]
struct EpisodeCounters {
    shifts: u32,
    failed_upshifts: u32,
    events: EventCounts,
    stalled: u32,
    jammed: u64,
    progress_at: u64,
    shift_detector: ShiftDetector,
    stall_detector: StallDetector,
    peak_winding_k: f64,
}

/// Ends of the episode, in ticks, and the speed beyond which it is not physical.
#[derive(Clone, Copy, Debug)]
struct Limits {
    fastest_m_s: f64,
    time: u64,
    no_progress: u64,
    jam: u64,
}

/// Progress below this does not count against stalling out, m.
const PROGRESS_M: f64 = 0.01;

impl Limits {
    fn new(scenario: &Scenario, fastest_m_s: f64) -> Limits {
        let ticks = |seconds: f64| (seconds / scenario.vehicle.controller.tick_s).round().max(1.0) as u64;
        let episode = &scenario.episode;
        Limits {
            fastest_m_s,
            time: ticks(episode.time_limit_s),
            no_progress: ticks(episode.give_up_s),
            jam: ticks(episode.jam_limit_s),
        }
    }
}

impl Drive {
    /// Episode number `episode` of `scenario`, at its start.
    #[must_use]
    pub fn new(scenario: Arc<Scenario>, episode: u64) -> Drive {
        let (vehicle, track) = scenario.instantiate(episode);
        Drive::on_track(scenario, episode, vehicle, track)
    }

    /// The same episode on ground that has changed.
    #[must_use]
    pub fn on_changed(scenario: Arc<Scenario>, episode: u64, change: GroundChange) -> Drive {
        let (vehicle, track) = scenario.instantiate(episode);
        let track = Track::new(track.course.changed(change), &vehicle);
        Drive::on_track(scenario, episode, vehicle, track)
    }

    fn on_track(scenario: Arc<Scenario>, episode: u64, vehicle: Vehicle, track: Track) -> Drive {
        let gear = (scenario.episode.start_gear - 1).min(scenario.gears() - 1);
        let plant = Plant::new(&vehicle, &track, gear);
        let selector = Selector::new(&vehicle, gear, Some(scenario.seed.stream(Stream::Selector, episode)));
        let noise = scenario.seed.stream(Stream::Sensors, episode);
        let preview = Preview::new(&vehicle, &track.course, scenario.seed, episode);
        let mut sensors = Sensors::new(&scenario.vehicle.sensors, &vehicle, noise, preview);
        if let Some(laps) = &scenario.course.laps {
            let slip = scenario.seed.stream(Stream::Slip, episode);
            sensors = sensors.with_slip(laps, track.course.length_m, slip);
        }
        let controller = Controller::new(&scenario.settings, gear as u8);
        let mut drive = Drive {
            counters: EpisodeCounters::default(),
            throttle: f64::from(scenario.episode.throttle_permille) / 1000.0,
            limits: Limits::new(&scenario, fastest_m_s(&vehicle, &track)),
            scenario,
            episode,
            vehicle,
            track,
            plant,
            selector,
            sensors,
            controller,
            observed: Features::default(),
            reported_return_s: 0.0,
            ticks: 0,
            event_ticks: 0,
            unused_s: 0.0,
            furthest_m: 0.0,
            end: None,
            trace: None,
            route: None,
        };
        drive.start();
        drive.observed = drive.controller.features(&drive.scenario.settings);
        drive
    }

    /// From now on keeps a [`TraceRow`] per tick.
    #[must_use]
    pub fn with_trace(mut self) -> Drive {
        self.trace = Some(Vec::new());
        self
    }

    /// The same with a motor that is this warm above the air at the start.
    #[must_use]
    pub fn with_warm_motor(mut self, temperature_rise: TemperatureRise) -> Drive {
        self.plant.temperature_rise = temperature_rise;
        self
    }

    /// The rows kept so far.
    #[must_use]
    pub fn into_trace(self) -> Vec<TraceRow> {
        self.trace.unwrap_or_default()
    }

    /// One controller tick with a request; `decided` says that a policy was asked. Returns whether the next
    /// decision is due.
    pub fn tick(&mut self, request: Request, decided: bool) -> bool {
        self.tick_many(request, decided, 1)
    }

    /// Up to `most` ticks, all but the first without a request: one, or some of steady-state driving. Returns whether the
    /// next decision is due.
    fn tick_many(&mut self, request: Request, decided: bool, most: usize) -> bool {
        let command = self.controller.act(&self.scenario.settings, request, decided);
        if self.controller.guard().verdict() == Verdict::Accepted {
            self.record_shift(request);
        }
        let steady = command.drive && self.selector.at_rest(&command) && self.plan();
        let due = if steady { self.cruise(most) } else { self.event_tick(&command) };
        if self.trace.is_some() {
            self.record_trace(request, decided, command.drive);
        }
        due
    }

    fn record_shift(&mut self, request: Request) {
        let time_s = self.elapsed_s();
        let counters = &mut self.counters;
        counters.shifts += 1;
        let pattern = counters.shift_detector.shift(time_s, request);
        counters.events.reversals += u32::from(pattern.reversal);
        counters.events.hunts += u32::from(pattern.hunting);
    }

    /// Whether the coming tick is steady-state driving; if so, a phase of it is under way.
    #[inline]
    fn plan(&mut self) -> bool {
        if self.plant.ticks_ahead() > 0 {
            return true;
        }
        let horizon = self.horizon().min(self.limits.time.saturating_sub(self.ticks) as usize);
        if !self.plant.plan(&self.vehicle, &self.track, self.throttle, horizon) {
            return false;
        }
        let known_inputs = self.known_inputs(self.scenario.episode.throttle_permille);
        self.sensors.prepare(self.plant.predicted_inputs(), &known_inputs);
        true
    }

    /// Ticks that a new phase of steady-state driving may last: it ends with a decision where one falls into it.
    #[inline]
    fn horizon(&self) -> usize {
        let settings = &self.scenario.settings;
        let mut ticks = usize::from(self.controller.ticks_to_decision(settings));
        if ticks > BATCH {
            return BATCH;
        }
        // A division would take longer than the one or two decisions that fall into a phase.
        let between = usize::from(settings.decision_ticks.max(1));
        while ticks + between <= BATCH {
            ticks += between;
        }
        ticks
    }

    /// Up to `most` ticks of steady-state driving, until the next decision is due or the phase is over.
    #[inline]
    fn cruise(&mut self, most: usize) -> bool {
        let settings = &self.scenario.settings;
        let to_decision = usize::from(self.controller.ticks_to_decision(settings));
        let ticks = most.min(to_decision).min(self.plant.ticks_ahead());
        let (ticks, due) = self.controller.tick_many(settings, self.sensors.pending(ticks));
        self.read_route(ticks);
        self.sensors.advance(ticks);
        self.plant.cruise(&self.vehicle, ticks);
        self.ticks += ticks as u64;
        if due {
            self.plant.note_torque(&self.vehicle);
        }
        if self.plant.ticks_ahead() == 0 {
            self.count(true);
        }
        due
    }

    /// One tick of anything that can happen, by the reading at its end.
    fn event_tick(&mut self, command: &Command) -> bool {
        let (duty_permille, duty) =
            if command.drive { (self.scenario.episode.throttle_permille, self.throttle) } else { (0, 0.0) };
        let gear_before = self.controller.guard().gear();
        self.event_ticks += 1;
        self.event_motion(command, duty);
        self.ticks += 1;
        self.count(command.drive);
        let due = self.sense(duty_permille);
        if self.controller.guard().gear() != gear_before && self.controller.observer().since_failed() == 1 {
            self.counters.failed_upshifts += 1;
        }
        due
    }

    /// One tick of anything that can happen.
    fn event_motion(&mut self, command: &Command, duty: f64) {
        let tick_s = self.vehicle.tick_s;
        self.plant.accumulate_energies(&self.vehicle);
        let before = self.plant.energies.heat();
        self.selector.command(&self.vehicle, &mut self.plant, command);
        let mut left_s = tick_s;
        while left_s > 1e-12 {
            let phase_s = self.selector.next_s().min(left_s);
            if phase_s > 0.0 {
                let advance = self.plant.advance(&self.vehicle, &self.track, phase_s, duty);
                if advance.finished {
                    self.unused_s = left_s - advance.elapsed_s;
                    self.end = Some(Cause::Finished);
                    break;
                }
            }
            left_s -= phase_s;
            self.selector.pass(&self.vehicle, &mut self.plant, phase_s);
        }
        self.plant.update_thermal_tick(&self.vehicle, before);
    }

    /// Clocks and the end of the episode, at the end of every phase of steady-state driving and at every other tick. Phases
    /// are planned so that winding, battery and time limit are met to the tick; progress is looked at this often.
    fn count(&mut self, drive: bool) {
        if !self.is_physical() {
            self.inspect();
        }
        let counters = &mut self.counters;
        if stands_still(self.plant.v_m_s) {
            counters.stalled += u32::from(drive);
        }
        let stalls = counters.stall_detector.tick(self.plant.v_m_s, drive, self.vehicle.tick_s);
        counters.events.stalls += u32::from(stalls);
        if self.plant.temperature_rise.winding_k > counters.peak_winding_k {
            counters.peak_winding_k = self.plant.temperature_rise.winding_k;
        }
        counters.jammed = if self.selector.dogs == Dogs::Jammed { counters.jammed + 1 } else { 0 };
        if self.plant.x_m > self.furthest_m + PROGRESS_M || self.end.is_some() {
            self.furthest_m = self.plant.x_m;
            counters.progress_at = self.ticks;
        }
        if self.end.is_some() {
        } else if self.vehicle.air_c + self.plant.temperature_rise.winding_k
            > self.vehicle.heat.winding_limit_c
        {
            self.end = Some(Cause::Overheated);
        } else if drive && self.plant.terminal_v < self.vehicle.cutoff_voltage_v {
            self.end = Some(Cause::BatteryEmpty);
        } else if counters.jammed > self.limits.jam {
            self.end = Some(Cause::Jammed);
        } else if self.ticks - counters.progress_at > self.limits.no_progress {
            self.end = Some(Cause::StalledOut);
        } else if self.ticks >= self.limits.time {
            self.end = Some(Cause::OutOfTime);
        }
        if self.end.is_some() {
            self.check_end();
        }
    }

    /// The vehicle is held while the controller starts, until its first decision is due: it sees the selector
    /// arrive in one tick and decides in the next. All that costs one reading of the sensors.
    fn start(&mut self) {
        let known_inputs = self.known_inputs(0);
        self.sensors.prepare(&self.plant.current_inputs(), &known_inputs);
        let settings = &self.scenario.settings;
        if let [raw, ..] = self.sensors.pending(1)
            && !self.controller.sense(settings, raw)
        {
            self.controller.act(settings, Request::Hold, false);
            self.controller.sense(settings, raw);
        }
        self.sensors.advance(1);
    }

    /// Reads the sensors once and hands that to the controller; returns whether the next decision is due.
    fn sense(&mut self, duty_permille: u16) -> bool {
        let known_inputs = self.known_inputs(duty_permille);
        self.sensors.prepare(&self.plant.current_inputs(), &known_inputs);
        let due = match self.sensors.pending(1) {
            [raw, ..] => self.controller.sense(&self.scenario.settings, raw),
            [] => false,
        };
        self.read_route(1);
        self.sensors.advance(1);
        due
    }

    fn known_inputs(&self, duty_permille: u16) -> KnownInputs {
        KnownInputs {
            duty_permille,
            selector_deg: self.selector.angle_deg(&self.vehicle),
            sin_grade: self.plant.sin_grade(&self.track),
            x_m: self.plant.x_m,
        }
    }
}
