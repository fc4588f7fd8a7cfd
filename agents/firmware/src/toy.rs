//! A toy vehicle for test vectors: plausible readings that follow the commands, with misses and stalls.
//!
//! Not modelled: almost everything. It only has to lead the controller through all its states.

use lowgear_onboard::{Command, MAX_GEARS, Raw, Settings};
use rand::{Rng, RngExt};

/// What a toy episode is made to provoke.
#[derive(Clone, Copy, Debug)]
pub(super) struct TestPhase {
    /// Share of selector moves that stick.
    pub(super) miss: f64,
    /// Share of nudges that free a stuck selector.
    pub(super) freed: f64,
    /// Load at the wheel, permille of the top gear's stall force: mean.
    pub(super) load: f64,
    /// Tilt, tenths of a degree: mean.
    pub(super) tilt: f64,
    /// Tilt: greatest deviation from the mean.
    pub(super) tilt_jitter: f64,
}

/// State of the toy.
pub(super) struct SyntheticVehicle<'a, R> {
    settings: &'a Settings,
    test_phase: TestPhase,
    rng: R,
    selector_ddeg: i32,
    sent: u8,
    stuck: bool,
    /// Wheel speed, permille of the top gear's no-load speed.
    wheel: f64,
    load: f64,
    battery_mv: f64,
    throttle: u16,
    /// Reading of the sensor ahead, and the ticks for which it stays.
    preview: i16,
    preview_ticks: u16,
}

impl<'a, R: Rng> SyntheticVehicle<'a, R> {
    /// Stands still in `gear`.
    pub(super) fn new(
        settings: &'a Settings,
        test_phase: TestPhase,
        gear: u8,
        rng: R,
    ) -> SyntheticVehicle<'a, R> {
        SyntheticVehicle {
            settings,
            test_phase,
            rng,
            selector_ddeg: i32::from(settings.guard.gear_ddeg[usize::from(gear) % MAX_GEARS]),
            sent: gear,
            stuck: false,
            wheel: 0.0,
            load: test_phase.load,
            battery_mv: f64::from(settings.features.nominal_mv) * 1.05,
            throttle: 1000,
            preview: 0,
            preview_ticks: 0,
        }
    }

    /// Runs one tick under `command` and reads the sensors.
    pub(super) fn read(&mut self, command: &Command) -> Raw {
        self.turn_selector(command);
        if self.rng.random_bool(0.02) {
            self.load = self.test_phase.load * self.rng.random_range(0.0..3.0);
            self.throttle =
                [1000, 1000, 1000, 0, self.rng.random_range(0..=1000)][self.rng.random_range(0..5)];
        }
        self.battery_mv *= 0.999_95;
        let gear = usize::from(command.gear) % MAX_GEARS;
        let scale = f64::from(self.settings.features.gear_scale_permille[gear]).max(1.0) / 1000.0;
        let duty = if command.drive { self.throttle } else { 0 };
        let no_load = 1000.0 * f64::from(duty) / 1000.0 / scale;
        let carried = if command.drive { no_load * (1.0 - self.load / (1000.0 * scale)) } else { 0.0 };
        let pace = if command.drive { 0.2 } else { 0.05 };
        self.wheel = (self.wheel + pace * (carried - self.wheel)).max(0.0);
        let motor = self.wheel * scale;
        let gain = f64::from(self.settings.features.speed_gain.max(1));
        let counts = motor * f64::from(self.settings.features.nominal_mv) / gain;
        let current = f64::from(self.settings.features.stall_ma) * (1.0 - motor / 1000.0);
        Raw {
            encoder_counts: (counts + self.rng.random_range(0.0..1.0)) as u16,
            battery_mv: (self.battery_mv - self.rng.random_range(0.0..300.0)) as u16,
            current_ma: if command.drive { current as i16 } else { 0 },
            tilt_ddeg: (self.test_phase.tilt + self.test_phase.tilt_jitter * self.rng.random_range(-1.0..1.0))
                as i16,
            duty_permille: duty,
            selector_ddeg: self.selector_ddeg.rem_euclid(3600) as u16,
            preview: self.look_ahead(),
        }
    }

    /// The sensor ahead, if there is one: flat for a while, or up at or next to a level, now and then for long.
    fn look_ahead(&mut self) -> i16 {
        let settings = &self.settings.features.preview;
        if !settings.fitted {
            return 0;
        }
        if self.preview_ticks == 0 {
            let levels = [0, 0, settings.low_level, settings.high_level];
            let level = levels[self.rng.random_range(0..4)];
            self.preview = level.saturating_add(self.rng.random_range(-1..=1));
            let longest = [4, 4, 4, 60][self.rng.random_range(0..4)];
            self.preview_ticks = self.rng.random_range(1..=longest);
        }
        self.preview_ticks -= 1;
        self.preview
    }

    /// The selector runs to its target, or sticks short of it until a nudge or a recalibration frees it.
    fn turn_selector(&mut self, command: &Command) {
        let guard = &self.settings.guard;
        if command.gear != self.sent {
            self.sent = command.gear;
            self.stuck = self.rng.random_bool(self.test_phase.miss);
        }
        if (command.nudge || command.recalibrate) && self.rng.random_bool(self.test_phase.freed) {
            self.stuck = false;
        }
        let target = i32::from(guard.gear_ddeg[usize::from(self.sent) % MAX_GEARS]);
        let short = if self.stuck { i32::from(guard.window_ddeg) + 30 } else { 0 };
        let way = target - self.selector_ddeg;
        let pace = (7200 / (i32::from(guard.move_timeout_ticks) + 1)).max(20);
        let step = way.signum() * pace.min((way.abs() - short).max(0));
        self.selector_ddeg += step + self.rng.random_range(-2..=2);
    }
}
