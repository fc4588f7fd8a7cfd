//! From the vehicle's state to raw sensor units.

use crate::motion::{GRAVITY_M_S2, Plant};
use crate::vehicle::{NoisyConfig, SensorConfig, Vehicle};
use lowgear_onboard::Raw;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use std::f64::consts::TAU;

/// Most ticks that a reading can be late.
const MOST_LATENCY: usize = 4;

/// The sensors of one vehicle.
#[derive(Clone, Debug)]
pub(crate) struct Sensors {
    rng: ChaCha8Rng,
    counted: f64,
    last_v_m_s: f64,
    late: [Raw; MOST_LATENCY + 1],
    reading: usize,
}

impl Sensors {
    pub(crate) fn new(rng: ChaCha8Rng) -> Sensors {
        Sensors { rng, counted: 0.0, last_v_m_s: 0.0, late: [Raw::default(); MOST_LATENCY + 1], reading: 0 }
    }

    /// Takes a reading at the end of a tick. The same number of draws whatever the state, so that two
    /// policies on one course meet the same noise.
    pub(crate) fn read(
        &mut self,
        config: &SensorConfig,
        vehicle: &Vehicle,
        plant: &Plant,
        sin_grade: f64,
        duty_permille: u16,
        selector_deg: f64,
    ) -> Raw {
        let [n0, n1, n2, n3] = [(); 4].map(|()| -> f64 { StandardNormal.sample(&mut self.rng) });
        let pulses = plant.motor_turned_rad / TAU * f64::from(config.tacho.pulses_per_turn);
        let counts = (pulses.floor() - self.counted).max(0.0);
        self.counted = pulses.floor();
        let counts = (counts * (1.0 + config.tacho.noise * n0)).round().clamp(0.0, 60_000.0);
        let acceleration = (plant.v_m_s - self.last_v_m_s) / vehicle.tick_s;
        self.last_v_m_s = plant.v_m_s;
        let stepped = |sensor: &Option<NoisyConfig>, value: f64, noise: f64| {
            sensor.map_or(0.0, |s| ((value + s.noise * noise) / s.resolution).round() * s.resolution)
        };
        let tilt_deg = tilt_deg(sin_grade, acceleration) + vehicle.tilt_bias_deg;
        let raw = Raw {
            tacho_counts: counts as u16,
            battery_mv: (1000.0 * stepped(&config.battery, plant.terminal_v, n1)).round().clamp(0.0, 65_000.0)
                as u16,
            current_ma: (1000.0 * stepped(&config.current, plant.current_a, n2))
                .round()
                .clamp(-32_000.0, 32_000.0) as i16,
            tilt_ddeg: (10.0 * stepped(&config.tilt, tilt_deg, n3)).round().clamp(-900.0, 900.0) as i16,
            duty_permille,
            selector_ddeg: (10.0 * selector_deg).round().clamp(0.0, 65_000.0) as u16,
        };
        self.delay(raw, usize::from(config.latency_ticks))
    }

    /// The last reading taken, before any delay.
    pub(crate) fn last(&self) -> &Raw {
        let slots = MOST_LATENCY + 1;
        &self.late[(self.reading + slots - 1) % slots]
    }

    /// Hands out the reading of `ticks` ago; the selector angle is read by the servo itself and never late.
    fn delay(&mut self, raw: Raw, ticks: usize) -> Raw {
        let slots = MOST_LATENCY + 1;
        if self.reading == 0 {
            self.late = [raw; MOST_LATENCY + 1];
        }
        self.late[self.reading % slots] = raw;
        let old = self.late[(self.reading + slots - ticks.min(MOST_LATENCY)) % slots];
        self.reading += 1;
        Raw { selector_ddeg: raw.selector_ddeg, duty_permille: raw.duty_permille, ..old }
    }
}

/// Tilt that an accelerometer shows, degrees: `tan = (g sin(grade) + a) / (g cos(grade))`; acceleration leaks
/// into it.
#[must_use]
pub fn tilt_deg(sin_grade: f64, acceleration_m_s2: f64) -> f64 {
    let cos = (1.0 - sin_grade * sin_grade).max(0.0).sqrt();
    (GRAVITY_M_S2 * sin_grade + acceleration_m_s2).atan2(GRAVITY_M_S2 * cos).to_degrees()
}
