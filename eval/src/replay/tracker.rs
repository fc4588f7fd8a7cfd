//! The onboard controller following a log: rows become ticks, what was done becomes requests to the guard.

use lowgear_env::Mask;
use lowgear_env::vehicle::VehicleConfig;
use lowgear_onboard::{Controller, Features, Phase, Raw, Request, Settings, Verdict};
use lowgear_sysid::log::{RecordedOrder, Sample};
use lowgear_sysid::runs::ShiftWatch;
use std::f64::consts::TAU;

/// The result of one tick of the log.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tick {
    /// Time, s.
    pub time_s: f64,
    /// Line of the row that completed it.
    pub line: u64,
    /// Gear of the log, 0 is the lowest; `None` in neutral.
    pub gear: Option<usize>,
    /// Whether the policy would be asked now.
    pub due: bool,
    /// What it would see.
    pub features: Features,
    /// What the guard would carry out.
    pub mask: Mask,
    /// A shift that began in the log at this tick, and what the guard said to it; in a recording also a request that the
    /// guard refused.
    pub shift: Option<(Request, Verdict)>,
    /// Whether `shift` is a request that was refused, so that no shift followed.
    pub refused: bool,
    /// A shift that ended in the log at this tick: from and to.
    pub arrived: Option<(usize, usize)>,
}

/// A controller that follows a log.
#[derive(Clone, Debug)]
pub struct ControllerTracker {
    settings: Settings,
    controller: Controller,
    watch: ShiftWatch,
    pulses_per_rad: f64,
    tick_s: f64,
    angles_deg: Vec<f64>,
    lasted_s: f64,
    turned_rad: f64,
    counted: f64,
    gear: Option<usize>,
    confirmed: Option<usize>,
    /// Whether the guard was asked for the move under way.
    asked: bool,
    /// The gear that the guard goes to.
    expected: Option<usize>,
    /// What the recorded controller did in the last tick, and whether its policy was due.
    ordered: Option<(RecordedOrder, bool)>,
    /// Which of two recorded policies drove last.
    policy: Option<u8>,
}

impl ControllerTracker {
    /// For logs of this vehicle.
    #[must_use]
    pub fn new(config: &VehicleConfig) -> ControllerTracker {
        let settings = config.controller_settings();
        let gears = config.gearbox.total_ratio.len();
        let angles_deg: Vec<f64> = (0..gears).filter_map(|g| config.selector.gear_angle_deg(g)).collect();
        ControllerTracker {
            controller: Controller::new(&settings, 0),
            settings,
            watch: ShiftWatch::new(angles_deg.clone(), config.selector.window_deg),
            pulses_per_rad: f64::from(config.sensors.encoder.pulses_per_turn) / TAU,
            tick_s: config.controller.tick_s,
            angles_deg,
            lasted_s: 0.0,
            turned_rad: 0.0,
            counted: 0.0,
            gear: None,
            confirmed: None,
            asked: false,
            expected: None,
            ordered: None,
            policy: None,
        }
    }

    /// The settings that the controller runs with.
    #[must_use]
    pub const fn settings(&self) -> &Settings {
        &self.settings
    }

    /// Takes a row; `coming` is the gear in which the next one that is not neutral stands, for the guard to judge a shift when
    /// it begins. Hands out the ticks that are complete.
    pub fn take(&mut self, sample: &Sample, coming: Option<usize>, mut each: impl FnMut(Tick)) {
        if let Some(recorded) = sample.recorded {
            each(self.recorded_tick(sample, recorded));
            return;
        }
        if sample.after_break {
            self.lasted_s = 0.0;
            self.turned_rad = 0.0;
            let gear = self.watch.gear_of(sample).or(coming);
            self.restart(gear.unwrap_or(0));
            return;
        }
        self.lasted_s += sample.dt_s;
        self.turned_rad += sample.motor_rad_s * sample.dt_s;
        if self.lasted_s < 0.999 * self.tick_s {
            return;
        }
        let speed = self.turned_rad / self.lasted_s;
        let ticks = (self.lasted_s / self.tick_s + 0.001).floor().clamp(1.0, 200.0);
        self.lasted_s = (self.lasted_s - ticks * self.tick_s).max(0.0);
        self.turned_rad = speed * self.lasted_s;
        for left in (0..ticks as u32).rev() {
            let time_s = sample.time_s - f64::from(left) * self.tick_s;
            let tick = self.tick(sample, coming, speed, time_s);
            each(tick);
        }
    }

    fn restart(&mut self, gear: usize) {
        self.controller = Controller::new(&self.settings, gear as u8);
        (self.gear, self.confirmed, self.asked, self.expected) = (Some(gear), Some(gear), false, None);
    }

    fn tick(&mut self, sample: &Sample, coming: Option<usize>, speed: f64, time_s: f64) -> Tick {
        let gear = self.watch.gear_of(sample);
        let mut shift = None;
        let mut arrived = None;
        let goal = gear.or(coming);
        if let (Some(from), Some(to)) = (self.confirmed, goal)
            && from != to
            && !self.asked
        {
            // The log leaves its gear: the guard judges that as a request.
            let request = if to > from { Request::Up } else { Request::Down };
            self.controller.act(&self.settings, request, true);
            let verdict = self.controller.guard().verdict();
            shift = Some((request, verdict));
            self.asked = true;
            let next = if to > from { from + 1 } else { from - 1 };
            self.expected = Some(next).filter(|_| verdict == Verdict::Accepted);
        } else {
            self.controller.act(&self.settings, Request::Hold, false);
        }
        if let (Some(now), Some(from)) = (gear, self.confirmed)
            && now != from
        {
            arrived = Some((from, now));
            (self.confirmed, self.asked) = (Some(now), false);
        }
        let raw = self.raw(sample, gear, speed);
        let due = self.controller.sense(&self.settings, &raw);
        if let Some((_, now)) = arrived
            && self.expected.take() != Some(now)
        {
            // The guard would not have gone there: it restarts where the vehicle is.
            self.restart(now);
        }
        self.gear = gear;
        let following = gear.is_some_and(|g| g == usize::from(self.controller.guard().gear()));
        Tick {
            time_s,
            line: sample.line,
            gear,
            due: due && following,
            features: self.controller.features(&self.settings),
            mask: self.controller.mask(&self.settings).into(),
            shift,
            refused: false,
            arrived,
        }
    }

    /// A row of a recording: the controller does again, tick by tick, what the recorded one did, so that features and
    /// decision clock are the same bit for bit. Rows after a gap, and those after the policy changed, start it again in the
    /// gear that was ordered.
    fn recorded_tick(&mut self, sample: &Sample, recorded: RecordedOrder) -> Tick {
        let mut shift = None;
        let before = self.ordered.take();
        if let Some((order, due)) = before {
            self.controller.act(&self.settings, order.request, due);
            let verdict = self.controller.guard().verdict();
            shift = Some((order.request, verdict)).filter(|_| order.request != Request::Hold);
        }
        let other_policy = self.policy.is_some() && self.policy != sample.policy;
        if sample.after_break || before.is_none() || other_policy {
            self.restart(usize::from(recorded.gear));
            self.counted = 0.0;
        }
        self.policy = sample.policy;
        let gear = self.watch.gear_of(sample);
        let raw = self.recorded_raw(sample);
        // A tick that was lost is taken to have read the same.
        for _ in 1..(sample.dt_s / self.tick_s).round().min(200.0) as u32 {
            self.controller.sense(&self.settings, &raw);
            self.controller.act(&self.settings, Request::Hold, false);
        }
        let due = self.controller.sense(&self.settings, &raw);
        let driving = self.controller.guard().phase() == Phase::Driving;
        if let Some(there) = gear
            && driving
            && there != usize::from(self.controller.guard().gear())
        {
            // The request that led there was lost with its tick.
            self.restart(there);
        }
        let (features, mask) =
            (self.controller.features(&self.settings), self.controller.mask(&self.settings).into());
        match (recorded.parked, self.controller.guard().phase() == Phase::Parked) {
            (true, false) => _ = self.controller.park(&self.settings, &raw),
            (false, true) => _ = self.controller.leave_park(),
            _ => {}
        }
        let now = usize::from(self.controller.guard().gear());
        let arrived = self.confirmed.filter(|from| *from != now).map(|from| (from, now));
        (self.gear, self.confirmed) = (gear, Some(now));
        self.ordered = Some((recorded, due));
        let refused = shift.is_some_and(|(_, verdict)| verdict != Verdict::Accepted);
        let time_s = sample.time_s;
        Tick { time_s, line: sample.line, gear: Some(now), due, features, mask, shift, refused, arrived }
    }

    /// The readings of a recorded controller. A reading that the log leaves empty although its sensor is fitted was
    /// outside of what such a sensor can show.
    fn recorded_raw(&mut self, sample: &Sample) -> Raw {
        let counts = (sample.motor_rad_s.abs() * self.tick_s * self.pulses_per_rad).round();
        let usual = self.raw(sample, None, 0.0);
        let has_tilt = self.settings.ranges.max_tilt_ddeg != u16::MAX;
        Raw {
            encoder_counts: counts.clamp(0.0, f64::from(u16::MAX)) as u16,
            tilt_ddeg: if sample.tilt_deg.is_none() && has_tilt { i16::MAX } else { usual.tilt_ddeg },
            selector_ddeg: if sample.selector_deg.is_none() { u16::MAX } else { usual.selector_ddeg },
            ..usual
        }
    }

    /// Tells the controller that the policy was asked.
    pub fn asked(&mut self) {
        if self.ordered.is_some() {
            // A recording says itself what was asked for.
            return;
        }
        // Hold changes nothing but the decision clock; the order of this tick has been given already.
        self.controller.act(&self.settings, Request::Hold, true);
    }

    /// Raw units as the controller would have had them.
    fn raw(&mut self, sample: &Sample, gear: Option<usize>, speed: f64) -> Raw {
        self.counted += speed.abs() * self.tick_s * self.pulses_per_rad;
        // A speed that a log has from a whole number of counts may be just below it by rounding.
        let counts = (self.counted + 1e-6).floor();
        self.counted -= counts;
        let angle_deg = sample.selector_deg.unwrap_or_else(|| {
            // Without an angle: that of the gear, or far from all of them.
            gear.and_then(|g| self.angles_deg.get(g).copied()).unwrap_or_else(|| far_from(&self.angles_deg))
        });
        let nominal_mv = self.settings.features.nominal_mv;
        Raw {
            encoder_counts: counts.clamp(0.0, 60_000.0) as u16,
            // A log without the sensor: what a controller without it takes.
            battery_mv: sample
                .battery_v
                .map_or(nominal_mv, |v| (1000.0 * v).round().clamp(0.0, 65_000.0) as u16),
            current_ma: sample
                .current_a
                .map_or(0, |a| (1000.0 * a).round().clamp(-32_000.0, 32_000.0) as i16),
            tilt_ddeg: sample.tilt_deg.map_or(0, |t| (10.0 * t).round() as i16),
            duty_permille: (1000.0 * sample.duty).round() as u16,
            selector_ddeg: (10.0 * angle_deg).round().rem_euclid(3600.0) as u16,
            preview: sample.preview.unwrap_or(0),
        }
    }
}

/// The whole angle of a turn that lies furthest from all of these, degrees.
fn far_from(angles_deg: &[f64]) -> f64 {
    let nearest_deg = |angle: f64| {
        let apart = angles_deg.iter().map(|gear| (angle - gear).rem_euclid(360.0));
        apart.map(|apart| apart.min(360.0 - apart)).fold(360.0, f64::min)
    };
    (0..360).map(f64::from).max_by(|a, b| nearest_deg(*a).total_cmp(&nearest_deg(*b))).unwrap_or(0.0)
}
