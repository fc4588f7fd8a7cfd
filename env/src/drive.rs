//! The episode: controller, selector and vehicle together, tick by tick.

use crate::motion::{Dogs, Ledger, Plant, Selector, Track};
use crate::outcome::{Cause, Outcome, RewardTerms};
use crate::sensing::Sensors;
use crate::trace::TraceRow;
use crate::vehicle::Vehicle;
use crate::{End, Scenario, Step, Stream, World};
use lowgear_onboard::{Command, Controller, Feature, Features, Phase, Request, Verdict};
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
    ticks: u64,
    elapsed_s: f64,
    furthest_m: f64,
    progress_at_s: f64,
    jam_s: f64,
    last_shift: Option<(f64, Request)>,
    tally: Tally,
    end: Option<Cause>,
    trace: Option<Vec<TraceRow>>,
}

/// What is counted along the way.
#[derive(Clone, Copy, Debug, Default)]
struct Tally {
    shifts: u32,
    reversals: u32,
    failed_upshifts: u32,
    stall_s: f64,
    peak_winding_c: f64,
    reward: RewardTerms,
}

/// An upshift and a downshift (or the reverse) within this time are a reversal, s.
const REVERSAL_S: f64 = 3.0;
/// Progress below this does not count against stalling out, m.
const PROGRESS_M: f64 = 0.01;

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
            tally: Tally { peak_winding_c: vehicle.air_c, ..Tally::default() },
            scenario,
            vehicle,
            track,
            plant,
            selector,
            sensors,
            controller,
            ticks: 0,
            elapsed_s: 0.0,
            furthest_m: 0.0,
            progress_at_s: 0.0,
            jam_s: 0.0,
            last_shift: None,
            end: None,
            trace: None,
        };
        drive.sense(0);
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

    /// Which requests the guard would carry out now.
    #[must_use]
    pub fn mask(&self) -> [bool; 3] {
        self.controller.mask(&self.scenario.settings)
    }

    /// Figures of the episode so far; final once it is over.
    #[must_use]
    pub fn outcome(&self) -> Outcome {
        let cause = self.end.unwrap_or(Cause::OutOfTime);
        let limit_s = self.scenario.episode.time_limit_s;
        let mut reward = self.tally.reward;
        if cause != Cause::Finished {
            reward.abort_s = -self.scenario.episode.reward.abort_s;
        }
        Outcome {
            cause,
            time_s: if cause == Cause::Finished { self.elapsed_s } else { limit_s },
            distance_m: self.furthest_m,
            energy_j: self.plant.ledger.battery_j,
            shifts: self.tally.shifts,
            reversals: self.tally.reversals,
            failed_upshifts: self.tally.failed_upshifts,
            missed_engagements: self.selector.missed,
            stall_s: self.tally.stall_s,
            damage: self.plant.stress.total(),
            peak_winding_c: self.tally.peak_winding_c,
            reward,
        }
    }

    /// One controller tick with a request; `decided` says that a policy was asked. Returns whether the next
    /// decision is due.
    pub fn tick(&mut self, request: Request, decided: bool) -> bool {
        let gear_before = self.controller.guard().gear();
        let command = self.controller.act(&self.scenario.settings, request, decided);
        let duty_permille = if command.drive { self.scenario.episode.throttle_permille } else { 0 };
        self.note_shift(request);
        let before = (self.plant.x_m, self.plant.ledger, self.plant.stress.closed());
        let advanced_s = self.physics(&command, f64::from(duty_permille) / 1000.0);
        self.ticks += 1;
        self.elapsed_s += advanced_s;
        self.count(&command, before, advanced_s);
        let due = self.sense(duty_permille);
        let failed = self.controller.features().get(Feature::SinceFailed) == 1
            && self.controller.guard().gear() != gear_before;
        self.tally.failed_upshifts += u32::from(failed);
        self.note_trace(request, decided, command.drive);
        due
    }

    fn note_shift(&mut self, request: Request) {
        if self.controller.guard().verdict() != Verdict::Accepted {
            return;
        }
        self.tally.shifts += 1;
        self.tally.reward.shift_s -= self.scenario.episode.reward.shift_s;
        if let Some((at_s, last)) = self.last_shift
            && last != request
            && self.elapsed_s - at_s <= REVERSAL_S
        {
            self.tally.reversals += 1;
        }
        self.last_shift = Some((self.elapsed_s, request));
    }

    /// Selector and vehicle over one tick; returns the time that passed (less only at the finish).
    fn physics(&mut self, command: &Command, duty: f64) -> f64 {
        let tick_s = self.vehicle.tick_s;
        let before = self.plant.ledger;
        self.selector.command(&self.vehicle, &mut self.plant, command);
        let mut left_s = tick_s;
        while left_s > 1e-12 {
            let piece_s = self.selector.next_s().min(left_s);
            if piece_s > 0.0 {
                let advance = self.plant.advance(&self.vehicle, &self.track, piece_s, duty);
                if advance.finished {
                    left_s -= advance.elapsed_s;
                    self.end = Some(Cause::Finished);
                    break;
                }
            }
            left_s -= piece_s;
            self.selector.pass(&self.vehicle, &mut self.plant, piece_s);
        }
        self.plant.settle_tick(&self.vehicle, &before, tick_s);
        tick_s - left_s.max(0.0)
    }

    /// Rewards, clocks and the end of the episode.
    fn count(&mut self, command: &Command, before: (f64, Ledger, f64), advanced_s: f64) {
        let (x_before, ledger_before, damage_before) = before;
        let weights = &self.scenario.episode.reward;
        let reward = &mut self.tally.reward;
        reward.progress_s += (self.plant.x_m - x_before) / weights.reference_speed_m_s;
        reward.time_s -= weights.time * advanced_s;
        reward.energy_s -= weights.energy_s_per_j * (self.plant.ledger.battery_j - ledger_before.battery_j);
        reward.stress_s -= weights.stress_s_per_life * (self.plant.stress.closed() - damage_before);
        if command.drive && self.plant.v_m_s.abs() < 1e-3 {
            self.tally.stall_s += advanced_s;
            reward.stall_s -= weights.stall * advanced_s;
        }
        let winding_c = self.vehicle.air_c + self.plant.rise.winding_k;
        self.tally.peak_winding_c = self.tally.peak_winding_c.max(winding_c);
        self.jam_s = if self.selector.dogs == Dogs::Jammed { self.jam_s + advanced_s } else { 0.0 };
        if self.plant.x_m > self.furthest_m + PROGRESS_M || self.end.is_some() {
            self.furthest_m = self.plant.x_m;
            self.progress_at_s = self.elapsed_s;
        }
        let episode = &self.scenario.episode;
        if self.end.is_some() {
        } else if winding_c > self.vehicle.heat.winding_limit_c {
            self.end = Some(Cause::Overheated);
        } else if self.jam_s > episode.jam_limit_s {
            self.end = Some(Cause::Jammed);
        } else if self.elapsed_s - self.progress_at_s > episode.give_up_s {
            self.end = Some(Cause::StalledOut);
        } else if self.elapsed_s >= episode.time_limit_s {
            self.end = Some(Cause::OutOfTime);
        }
        if self.end.is_some() {
            // What the rainflow count still holds open counts now.
            let open = self.plant.stress.total() - self.plant.stress.closed();
            self.tally.reward.stress_s -= self.scenario.episode.reward.stress_s_per_life * open;
        }
    }

    fn sense(&mut self, duty_permille: u16) -> bool {
        let slope = self.plant.slope(&self.track);
        let angle_deg = self.selector.angle_deg(&self.vehicle);
        let raw = self.sensors.read(&self.vehicle, &self.plant, slope, duty_permille, angle_deg);
        self.controller.sense(&self.scenario.settings, &raw)
    }

    fn note_trace(&mut self, request: Request, decided: bool, drive: bool) {
        let Some(rows) = &mut self.trace else { return };
        let segment = self.track.course.segments[self.track.course.segment_at(self.plant.x_m)];
        let features = self.controller.features();
        let guard = self.controller.guard();
        rows.push(TraceRow {
            time_s: self.elapsed_s,
            position_m: self.plant.x_m,
            speed_m_s: self.plant.v_m_s,
            grade_deg: segment.sin_grade.asin().to_degrees(),
            surface: self.track.course.surfaces[segment.surface].name.clone(),
            gear: guard.gear() + 1,
            gear_in_mesh: self.plant.gear.map_or(0, |g| g as u8 + 1),
            request: if decided { request_name(request) } else { "" },
            verdict: if decided { verdict_name(guard.verdict()) } else { "" },
            guard: phase_name(guard.phase()),
            drive: u8::from(drive),
            motor_speed_rad_s: self.plant.motor_rad_s,
            motor_current_a: self.plant.current_a,
            battery_voltage_v: self.plant.terminal_v,
            winding_c: self.vehicle.air_c + self.plant.rise.winding_k,
            output_torque_nm: self.plant.output_nm,
            damage: self.plant.stress.total(),
            slipping: u8::from(self.plant.slipping),
            return_s: self.tally.reward.total_s(),
            tacho_counts: self.sensors.last().tacho_counts,
            tilt_ddeg: self.sensors.last().tilt_ddeg,
            speed_ratio_permille: features.get(Feature::SpeedRatio),
            load_slow_permille: features.get(Feature::LoadSlow),
            load_peak_permille: features.get(Feature::LoadPeak),
            tilt_filtered_ddeg: features.get(Feature::Tilt),
        });
    }
}

/// A request in words.
#[must_use]
pub fn request_name(request: Request) -> &'static str {
    match request {
        Request::Down => "down",
        Request::Hold => "hold",
        Request::Up => "up",
    }
}

fn verdict_name(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Idle => "idle",
        Verdict::Accepted => "accepted",
        Verdict::NoSuchGear => "no such gear",
        Verdict::Busy => "busy",
        Verdict::Dwell => "dwell",
        Verdict::Tilt => "tilt",
        Verdict::Turning => "turning",
    }
}

fn phase_name(phase: Phase) -> &'static str {
    match phase {
        Phase::Driving => "driving",
        Phase::Cutting => "cutting",
        Phase::Moving => "moving",
        Phase::Recalibrating => "recalibrating",
        Phase::Resting => "resting",
        Phase::Parked => "parked",
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
        self.controller.features()
    }

    fn allowed(&self, action: usize) -> bool {
        self.mask().get(action).copied().unwrap_or(false)
    }

    fn step(&mut self, action: usize) -> Step {
        let before = (self.tally.reward.total_s(), self.elapsed_s);
        let mut request = Request::from_code(action as u8);
        let mut decided = true;
        while self.end.is_none() {
            let due = self.tick(request, decided);
            (request, decided) = (Request::Hold, false);
            if due {
                break;
            }
        }
        let end = self.end.map(|cause| match cause {
            Cause::OutOfTime => End::Truncated,
            Cause::Finished | Cause::StalledOut | Cause::Jammed | Cause::Overheated => End::Terminated,
        });
        let mut reward = self.tally.reward.total_s() - before.0;
        if end == Some(End::Terminated) && self.end != Some(Cause::Finished) {
            reward -= self.scenario.episode.reward.abort_s;
        }
        Step { reward, elapsed_s: self.elapsed_s - before.1, end }
    }
}
