//! From the vehicle's state to raw sensor units.

mod grade;
mod noise;
mod preview;

pub use grade::tilt_deg;

use crate::motion::{Affine, PredictedInputs};
use crate::terrain::LapsConfig;
use crate::vehicle::{BATCH, NoisyConfig, SensorConfig, Vehicle};
use grade::Grade;
use lowgear_onboard::Raw;
use noise::Noise;
pub(crate) use preview::Preview;
use rand_chacha::ChaCha8Rng;
use std::f64::consts::TAU;
use std::ops::Sub;

/// Most ticks that a reading can be late.
const MOST_LATENCY: usize = 7;

/// The sensors of one vehicle. Readings are computed for some ticks at a time and handed out as they fall due.
#[derive(Clone, Debug)]
pub(crate) struct Sensors {
    noise: Noise,
    pulses_per_rad: f64,
    encoder_noise: f32,
    battery: Option<Channel>,
    current: Option<Channel>,
    tilt: Option<Channel>,
    tilt_bias_deg: f32,
    /// The grade that the vehicle stood on last.
    grade: Grade,
    /// The drum angle that was read last.
    drum: DrumAngle,
    ticks_per_s: f32,
    latency_ticks: usize,
    /// No reading has been computed yet.
    fresh: bool,
    /// The last readings that were handed out, and behind them those to come: what the controller sees is as many places
    /// further in front as readings are late.
    readings: [Raw; MOST_LATENCY + BATCH],
    next: usize,
    /// Pulses and speeds at the readings computed last, and which of them was handed out last. (A copy of that one would be
    /// written just before it is read together with what lies around it: the processor waits for that.)
    pulses: [f64; BATCH],
    speeds_m_s: [f32; BATCH],
    last: usize,
    /// The sensor ahead, if there is one.
    preview: Option<Box<Preview>>,
    /// How much further the wheels turn than the vehicle moves, as a share, by piece of the way; empty where they do not.
    slip_shares: Vec<f32>,
}

/// Length of a piece of the way with one slip, m.
const SLIP_PIECE_M: f64 = 0.2;

/// A sensor with steps and noise, in the small unit that the controller counts in.
#[derive(Clone, Copy, Debug)]
struct Channel {
    noise_steps: f32,
    per_step: f32,
    step_units: f32,
    low: f32,
    high: f32,
}

impl Channel {
    fn new(config: NoisyConfig, units: f64, [low, high]: [f32; 2]) -> Channel {
        let per_step = 1.0 / config.resolution;
        Channel {
            noise_steps: (config.noise * per_step) as f32,
            per_step: per_step as f32,
            step_units: (units * config.resolution) as f32,
            low,
            high,
        }
    }

    /// The readings of some values with standard normal noise.
    #[inline]
    fn read<const N: usize>(&self, values: &[f32; N], noise: &[f32; N]) -> [i32; N] {
        let mut readings = [0; N];
        for i in 0..N {
            let steps = rounded(values[i] * self.per_step + self.noise_steps * noise[i]);
            readings[i] = nearest(limited(steps * self.step_units, self.low, self.high));
        }
        readings
    }
}

/// An angle of the selector drum and its reading.
#[derive(Clone, Copy, Debug)]
struct DrumAngle {
    degrees: f64,
    ddeg: u16,
}

impl DrumAngle {
    /// A drum of more than one turn reads as its place within the turn.
    fn new(degrees: f64) -> DrumAngle {
        DrumAngle { degrees, ddeg: (10.0 * degrees).round().rem_euclid(3600.0) as u16 }
    }
}

/// A quantity that goes with the speed, at the ends of the coming ticks.
#[inline]
fn along<const N: usize>(quantity: &Affine, speed_m_s: &[f32; N]) -> [f32; N] {
    let (at_rest, slope) = (quantity.at(0.0) as f32, quantity.slope() as f32);
    let mut values = [0.0; N];
    for i in 0..N {
        values[i] = at_rest + slope * speed_m_s[i];
    }
    values
}

/// What each value has over the one before it.
#[inline]
fn increments<T: Copy + Sub<Output = T>, const N: usize>(values: &[T; N], before: T) -> [T; N] {
    let mut increments = [values[0] - before; N];
    for i in 1..N {
        increments[i] = values[i] - values[i - 1];
    }
    increments
}

/// What stays the same over the ticks that are computed together.
#[derive(Clone, Copy, Debug)]
pub(crate) struct KnownInputs {
    pub(crate) duty_permille: u16,
    pub(crate) selector_deg: f64,
    pub(crate) sin_grade: f64,
    /// Position of the front axle at the beginning, m.
    pub(crate) x_m: f64,
}

impl Sensors {
    pub(crate) fn new(
        config: &SensorConfig,
        vehicle: &Vehicle,
        rng: ChaCha8Rng,
        preview: Option<Preview>,
    ) -> Sensors {
        let channel = |sensor: Option<NoisyConfig>, units, limits| {
            sensor.map(|config| {
                let noise = config.noise * vehicle.sensor_noise_factor;
                Channel::new(NoisyConfig { noise, ..config }, units, limits)
            })
        };
        Sensors {
            noise: Noise::new(
                rng,
                [true, config.battery.is_some(), config.current.is_some(), config.tilt.is_some()],
            ),
            pulses_per_rad: f64::from(config.encoder.pulses_per_turn) / TAU,
            encoder_noise: (config.encoder.noise * vehicle.sensor_noise_factor) as f32,
            battery: channel(config.battery, 1000.0, [0.0, 65_000.0]),
            current: channel(config.current, 1000.0, [-32_000.0, 32_000.0]),
            tilt: channel(config.tilt, 10.0, [-900.0, 900.0]),
            tilt_bias_deg: vehicle.tilt_bias_deg as f32,
            grade: Grade::new(0.0),
            drum: DrumAngle::new(0.0),
            ticks_per_s: vehicle.ticks_per_s as f32,
            latency_ticks: vehicle.latency_ticks.min(MOST_LATENCY as u64) as usize,
            fresh: true,
            readings: [Raw::default(); MOST_LATENCY + BATCH],
            pulses: [0.0; BATCH],
            speeds_m_s: [0.0; BATCH],
            next: 0,
            last: 0,
            preview: preview.map(Box::new),
            slip_shares: Vec::new(),
        }
    }

    /// The same sensors on wheels that slip on this lap.
    pub(crate) fn with_slip(mut self, laps: &LapsConfig, length_m: f64, mut rng: ChaCha8Rng) -> Sensors {
        let pieces = (length_m / SLIP_PIECE_M).ceil() as usize;
        self.slip_shares = (0..pieces).map(|_| laps.slip_share.draw(&mut rng) as f32).collect();
        self
    }

    /// Computes the readings of the coming ticks. Readings meet the same noise whatever the state, so two policies
    /// on one course do.
    pub(crate) fn prepare<const N: usize>(
        &mut self,
        predicted_inputs: &PredictedInputs<N>,
        known_inputs: &KnownInputs,
    ) {
        self.begin(known_inputs);
        self.sample(predicted_inputs, known_inputs);
        self.apply_latency(known_inputs);
    }

    fn begin(&mut self, known_inputs: &KnownInputs) {
        self.readings.copy_within(self.next..self.next + MOST_LATENCY, 0);
        self.next = 0;
        self.noise.provide();
        if self.grade.sine != known_inputs.sin_grade {
            self.grade = Grade::new(known_inputs.sin_grade);
        }
        if self.drum.degrees != known_inputs.selector_deg {
            self.drum = DrumAngle::new(known_inputs.selector_deg);
        }
    }

    /// Plain loops over arrays, which the compiler turns into arithmetic on several readings at once.
    #[inline(never)]
    fn sample<const N: usize>(&mut self, predicted_inputs: &PredictedInputs<N>, known_inputs: &KnownInputs) {
        let counts = self.count_pulses(predicted_inputs, known_inputs.x_m);
        let speed_m_s = predicted_inputs.speed_m_s.map(|v| v as f32);
        let battery_mv = match &self.battery {
            Some(channel) => channel.read(&along(&predicted_inputs.terminal_v, &speed_m_s), self.noise.of(1)),
            None => [0; N],
        };
        let current_ma = match &self.current {
            Some(channel) => channel.read(&along(&predicted_inputs.current_a, &speed_m_s), self.noise.of(2)),
            None => [0; N],
        };
        let tilt_ddeg = match &self.tilt {
            Some(channel) => channel.read(&self.tilt_deg(&speed_m_s), self.noise.of(3)),
            None => [0; N],
        };
        let preview = match &mut self.preview {
            Some(preview) => {
                preview.sample(&predicted_inputs.moved_m.map(|moved_m| known_inputs.x_m + moved_m))
            }
            None => [0; N],
        };
        self.speeds_m_s[..N].copy_from_slice(&speed_m_s);
        for (i, raw) in self.readings[MOST_LATENCY..][..N].iter_mut().enumerate() {
            *raw = Raw {
                encoder_counts: counts[i] as u16,
                battery_mv: battery_mv[i] as u16,
                current_ma: current_ma[i] as i16,
                tilt_ddeg: tilt_ddeg[i] as i16,
                duty_permille: known_inputs.duty_permille,
                selector_ddeg: self.drum.ddeg,
                preview: preview[i],
            };
        }
    }

    /// Pulses in each of the coming ticks, some lost or doubled.
    #[inline]
    fn count_pulses<const N: usize>(&mut self, predicted_inputs: &PredictedInputs<N>, x_m: f64) -> [i32; N] {
        let turned = predicted_inputs.turned_rad.times(self.pulses_per_rad);
        let pulses = predicted_inputs.moved_m.map(|moved_m| whole(turned.at(moved_m)));
        let (increments, noise) = (
            increments(&pulses, self.pulses[self.last % BATCH]).map(|rise| rise as f32),
            self.noise.of::<N>(0),
        );
        let turned_share = 1.0 + self.slip_share(x_m);
        let mut counts = [0; N];
        for i in 0..N {
            let turned = at_least(increments[i], 0.0) * turned_share;
            let counted = turned * (1.0 + self.encoder_noise * noise[i]);
            counts[i] = nearest(limited(counted, 0.0, 60_000.0));
        }
        self.pulses[..N].copy_from_slice(&pulses);
        counts
    }

    /// Slip where the front axle is at `x_m`.
    #[inline]
    fn slip_share(&self, x_m: f64) -> f32 {
        if self.slip_shares.is_empty() {
            return 0.0;
        }
        self.slip_shares.get((x_m / SLIP_PIECE_M) as usize).copied().unwrap_or(0.0)
    }

    /// Tilt that the accelerometer would show without steps and noise.
    #[inline]
    fn tilt_deg<const N: usize>(&self, speed_m_s: &[f32; N]) -> [f32; N] {
        let mut delayed = increments(speed_m_s, self.speeds_m_s[self.last % BATCH]);
        for rise in &mut delayed {
            *rise *= self.ticks_per_s;
        }
        delayed = self.grade.tilts_deg(&delayed);
        for degrees in &mut delayed {
            *degrees += self.tilt_bias_deg;
        }
        delayed
    }

    /// Makes those of the last readings that the controller sees now what it sees: the selector angle is read by the servo
    /// itself and never late, and the duty is known. The first reading stands for all before it.
    #[inline]
    fn apply_latency(&mut self, known_inputs: &KnownInputs) {
        let (last, coming) = self.readings.split_at_mut(MOST_LATENCY);
        if std::mem::take(&mut self.fresh) {
            last.fill(coming[0]);
        }
        for raw in &mut last[MOST_LATENCY - self.latency_ticks..] {
            (raw.selector_ddeg, raw.duty_permille) = (self.drum.ddeg, known_inputs.duty_permille);
        }
    }

    /// The readings that come next.
    #[inline]
    pub(crate) fn pending(&self, ticks: usize) -> &[Raw] {
        let begin = self.next.min(BATCH);
        let end = (begin + ticks).min(BATCH);
        let late = MOST_LATENCY - self.latency_ticks;
        &self.readings[late + begin..late + end]
    }

    /// Notes that the first of them have been handed out.
    #[inline]
    pub(crate) fn advance(&mut self, ticks: usize) {
        self.next += ticks;
        self.noise.next += ticks;
        if let Some(preview) = &mut self.preview {
            preview.advance(ticks);
        }
        self.last = self.next.wrapping_sub(1) % BATCH;
    }

    /// The last reading that was handed out, as late as the controller sees it.
    pub(crate) fn seen(&self) -> &Raw {
        &self.readings[MOST_LATENCY - self.latency_ticks + self.last % BATCH]
    }

    /// The last reading taken, before any delay.
    pub(crate) fn last(&self) -> &Raw {
        &self.readings[MOST_LATENCY + self.last % BATCH]
    }
}

/// Adding and taking off 1.5 * 2^52 leaves the nearest whole number, halves to the even one.
const ROUNDING: f64 = 6_755_399_441_055_744.0;
/// The same in single precision: 1.5 * 2^23.
const ROUNDING_SINGLE: f32 = 12_582_912.0;

/// The greater of the two in one instruction: what it does with NaN does not matter here.
#[inline]
fn at_least(value: f32, low: f32) -> f32 {
    if value > low { value } else { low }
}

/// The value itself from `low` to `high`: two instructions.
#[inline]
fn limited(value: f32, low: f32, high: f32) -> f32 {
    let value = at_least(value, low);
    if value < high { value } else { high }
}

/// The nearest whole number, for numbers within ±2^22; beyond, what single precision holds.
#[inline]
fn rounded(value: f32) -> f32 {
    (value + ROUNDING_SINGLE) - ROUNDING_SINGLE
}

/// The nearest whole number, for numbers within ±2^22: the low bits of the sum.
#[inline]
fn nearest(value: f32) -> i32 {
    (value + ROUNDING_SINGLE).to_bits().wrapping_sub(ROUNDING_SINGLE.to_bits()) as i32
}

/// The whole number below, for numbers within ±2^51.
#[inline]
fn whole(value: f64) -> f64 {
    let near = (value + ROUNDING) - ROUNDING;
    if near > value { near - 1.0 } else { near }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rounding_is_to_the_nearest_and_downwards() {
        assert_eq!([2.4, 2.6, -2.6, -2.4].map(nearest), [2, 3, -3, -2]);
        assert_eq!([2.9, 2.4, -2.1, 3.0, -3.0].map(whole), [2.0, 2.0, -3.0, 3.0, -3.0]);
    }
}
