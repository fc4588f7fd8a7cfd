//! From the vehicle's state to raw sensor units.

use crate::motion::{BATCH, GRAVITY_M_S2, Outlook};
use crate::vehicle::{NoisyConfig, SensorConfig, Vehicle};
use lowgear_onboard::Raw;
use rand::Rng;
use rand_chacha::ChaCha8Rng;
use std::array::from_fn;
use std::f64::consts::{FRAC_PI_2, FRAC_PI_4, TAU};

/// Most ticks that a reading can be late.
const MOST_LATENCY: u64 = 7;
/// Readings kept: a power of two above that.
const SLOTS: usize = 8;

/// The sensors of one vehicle. Readings are worked out for some ticks at a time and handed out one by one.
#[derive(Clone, Debug)]
pub(crate) struct Sensors {
    noise: Noise,
    pulses_per_rad: f64,
    tacho_noise: f64,
    battery: Option<Channel>,
    current: Option<Channel>,
    tilt: Option<Channel>,
    tilt_bias_deg: f64,
    per_tick: f64,
    latency_ticks: u64,
    /// Readings handed out so far.
    readings: u64,
    /// Pulses and speed at the last of them.
    counted: f64,
    speed_m_s: f64,
    /// The readings to come.
    coming: [Raw; BATCH],
    pulses: [f64; BATCH],
    speeds_m_s: [f64; BATCH],
    next: usize,
    last: Raw,
    /// The last readings, by number, for sensors that are late.
    late: [Raw; SLOTS],
}

/// Noise by the number of the reading, drawn in order and kept for two batches: a reading that is worked out a
/// second time, because the plan for it did not last, meets the same noise.
#[derive(Clone, Debug)]
struct Noise {
    rng: ChaCha8Rng,
    words: [[u64; 2]; 2 * BATCH],
    drawn: u64,
}

impl Noise {
    /// Four nearly normal numbers for each of the readings from `first` on.
    #[inline]
    fn of<const N: usize>(&mut self, first: u64) -> [[f64; 4]; N] {
        while self.drawn < first + N as u64 {
            for _ in 0..BATCH {
                self.words[self.drawn as usize % (2 * BATCH)] = [self.rng.next_u64(), self.rng.next_u64()];
                self.drawn += 1;
            }
        }
        from_fn(|i| {
            let [a, b] = self.words[(first as usize + i) % (2 * BATCH)].map(two_nearly_normal);
            [a[0], a[1], b[0], b[1]]
        })
    }
}

/// A sensor with steps and noise, in the small unit that the controller counts in.
#[derive(Clone, Copy, Debug)]
struct Channel {
    noise_steps: f64,
    per_step: f64,
    step_units: f64,
    low: f64,
    high: f64,
}

impl Channel {
    fn new(config: NoisyConfig, units: f64, [low, high]: [f64; 2]) -> Channel {
        let per_step = 1.0 / config.resolution;
        Channel {
            noise_steps: config.noise * per_step,
            per_step,
            step_units: units * config.resolution,
            low,
            high,
        }
    }

    /// The reading of `value` with the standard normal `noise`.
    #[inline]
    fn read(&self, value: f64, noise: f64) -> i32 {
        let steps = rounded(value * self.per_step + self.noise_steps * noise);
        nearest(limited(steps * self.step_units, self.low, self.high))
    }
}

impl Sensors {
    pub(crate) fn new(config: &SensorConfig, vehicle: &Vehicle, rng: ChaCha8Rng) -> Sensors {
        let channel = |sensor: Option<NoisyConfig>, units, limits| {
            sensor.map(|config| {
                let noise = config.noise * vehicle.sensor_noise_factor;
                Channel::new(NoisyConfig { noise, ..config }, units, limits)
            })
        };
        Sensors {
            noise: Noise { rng, words: [[0; 2]; 2 * BATCH], drawn: 0 },
            pulses_per_rad: f64::from(config.tacho.pulses_per_turn) / TAU,
            tacho_noise: config.tacho.noise * vehicle.sensor_noise_factor,
            battery: channel(config.battery, 1000.0, [0.0, 65_000.0]),
            current: channel(config.current, 1000.0, [-32_000.0, 32_000.0]),
            tilt: channel(config.tilt, 10.0, [-900.0, 900.0]),
            tilt_bias_deg: vehicle.tilt_bias_deg,
            per_tick: vehicle.ticks_per_s,
            latency_ticks: vehicle.latency_ticks.min(MOST_LATENCY),
            readings: 0,
            counted: 0.0,
            speed_m_s: 0.0,
            coming: [Raw::default(); BATCH],
            pulses: [0.0; BATCH],
            speeds_m_s: [0.0; BATCH],
            next: 0,
            last: Raw::default(),
            late: [Raw::default(); SLOTS],
        }
    }

    /// Works out the readings of the coming ticks. The same number of draws whatever the state, so that two
    /// policies on one course meet the same noise.
    pub(crate) fn prepare<const N: usize>(
        &mut self,
        outlook: &Outlook<N>,
        (sin_grade, cos_grade): (f64, f64),
    ) {
        let noise = self.noise.of::<N>(self.readings);
        let before = |now: &[f64; N], first: f64, i: usize| if i == 0 { first } else { now[i - 1] };
        let pulses = outlook.turned_rad.map(|turned| whole(turned * self.pulses_per_rad));
        let speeds = outlook.speed_m_s;
        let counts: [f64; N] = from_fn(|i| {
            let counted = (pulses[i] - before(&pulses, self.counted, i)).max(0.0);
            limited(counted * (1.0 + self.tacho_noise * noise[i][0]), 0.0, 60_000.0)
        });
        let mut coming = counts.map(|counts| Raw { tacho_counts: nearest(counts) as u16, ..Raw::default() });
        if let Some(channel) = &self.battery {
            let read: [i32; N] = from_fn(|i| channel.read(outlook.terminal_v[i], noise[i][1]));
            coming.iter_mut().zip(read).for_each(|(raw, battery_mv)| raw.battery_mv = battery_mv as u16);
        }
        if let Some(channel) = &self.current {
            let read: [i32; N] = from_fn(|i| channel.read(outlook.current_a[i], noise[i][2]));
            coming.iter_mut().zip(read).for_each(|(raw, current_ma)| raw.current_ma = current_ma as i16);
        }
        if let Some(channel) = &self.tilt {
            let acceleration: [f64; N] =
                from_fn(|i| (speeds[i] - before(&speeds, self.speed_m_s, i)) * self.per_tick);
            let leaning = leaning_deg(sin_grade, cos_grade, acceleration);
            let read: [i32; N] = from_fn(|i| channel.read(leaning[i] + self.tilt_bias_deg, noise[i][3]));
            coming.iter_mut().zip(read).for_each(|(raw, tilt_ddeg)| raw.tilt_ddeg = tilt_ddeg as i16);
        }
        self.coming[..N].copy_from_slice(&coming);
        self.pulses[..N].copy_from_slice(&pulses);
        self.speeds_m_s[..N].copy_from_slice(&speeds);
        self.next = 0;
    }

    /// Hands out the next reading as late as it is; the selector angle is read by the servo itself and never
    /// late, and the duty is known.
    #[inline]
    pub(crate) fn take(&mut self, duty_permille: u16, selector_deg: f64) -> Raw {
        let at = self.next % BATCH;
        self.next += 1;
        (self.counted, self.speed_m_s) = (self.pulses[at], self.speeds_m_s[at]);
        self.readings += 1;
        self.last = self.coming[at];
        let shown = if self.latency_ticks == 0 { self.last } else { self.delayed() };
        let selector_ddeg = nearest(limited(10.0 * selector_deg, 0.0, 65_000.0)) as u16;
        Raw { selector_ddeg, duty_permille, ..shown }
    }

    /// The last reading taken, before any delay.
    pub(crate) fn last(&self) -> &Raw {
        &self.last
    }

    /// Keeps the last reading and hands out the one of some ticks ago.
    fn delayed(&mut self) -> Raw {
        let number = self.readings - 1;
        if number == 0 {
            self.late = [self.last; SLOTS];
        }
        self.late[number as usize % SLOTS] = self.last;
        self.late[number.wrapping_sub(self.latency_ticks) as usize % SLOTS]
    }
}

/// Adding and taking off 1.5 * 2^52 leaves the nearest whole number, halves to the even one.
const ROUNDING: f64 = 6_755_399_441_055_744.0;

/// The value itself from `low` to `high`: two instructions.
#[inline]
fn limited(value: f64, low: f64, high: f64) -> f64 {
    value.max(low).min(high)
}

/// The nearest whole number, for numbers within ±2^51.
#[inline]
fn rounded(value: f64) -> f64 {
    (value + ROUNDING) - ROUNDING
}

/// The nearest whole number, for numbers within ±2^31: the low bits of the sum.
#[inline]
fn nearest(value: f64) -> i32 {
    (value + ROUNDING).to_bits() as i32
}

/// The whole number below, for numbers within ±2^51.
#[inline]
fn whole(value: f64) -> f64 {
    let near = rounded(value);
    if near > value { near - 1.0 } else { near }
}

/// Mean of the sum of four uniform bytes, and its standard deviation `sqrt(4 (256² - 1) / 12)`.
const BYTES_MEAN: f64 = 510.0;
const BYTES_SD: f64 = 147.800_541_270_998_05;

/// Two numbers, each from four uniform bytes added up: close to a standard normal in steps of 0.007, never
/// beyond ±3.45 (kurtosis 2.7 where a normal has 3). Sensor steps are coarser than what differs.
#[inline]
fn two_nearly_normal(bytes: u64) -> [f64; 2] {
    let pairs = (bytes & 0x00ff_00ff_00ff_00ff) + ((bytes >> 8) & 0x00ff_00ff_00ff_00ff);
    let sums = (pairs & 0x0000_ffff_0000_ffff) + ((pairs >> 16) & 0x0000_ffff_0000_ffff);
    [sums as u32, (sums >> 32) as u32].map(|sum| (f64::from(sum as i32) - BYTES_MEAN) * (1.0 / BYTES_SD))
}

/// Tilt that an accelerometer shows, degrees: `tan = (g sin(grade) + a) / (g cos(grade))`; acceleration leaks
/// into it.
#[must_use]
pub fn tilt_deg(sin_grade: f64, acceleration_m_s2: f64) -> f64 {
    leaning_deg(sin_grade, (1.0 - sin_grade * sin_grade).max(0.0).sqrt(), [acceleration_m_s2])[0]
}

/// Tangent of an eighth of a half turn: up to here the series below is good to 1e-10.
const SMALL_TANGENT: f64 = 0.414_213_562;

fn leaning_deg<const N: usize>(sin_grade: f64, cos_grade: f64, acceleration_m_s2: [f64; N]) -> [f64; N] {
    let (across, along) = (GRAVITY_M_S2 * sin_grade, GRAVITY_M_S2 * cos_grade);
    let per_along = 1.0 / along;
    let tangent = acceleration_m_s2.map(|a| (across + a) * per_along);
    let angle = if tangent.iter().all(|t| t.abs() <= SMALL_TANGENT) {
        tangent.map(small_arctangent)
    } else {
        tangent.map(arctangent)
    };
    angle.map(f64::to_degrees)
}

/// Angle whose tangent is `t`, rad, to 1e-10. Our own, for the same bits on every machine.
fn arctangent(t: f64) -> f64 {
    let size = t.abs();
    let angle = if size <= SMALL_TANGENT {
        small_arctangent(size)
    } else if size <= 1.0 {
        FRAC_PI_4 + small_arctangent((size - 1.0) / (size + 1.0))
    } else {
        FRAC_PI_2 - arctangent(1.0 / size)
    };
    angle.copysign(t)
}

/// The power series, for arguments up to [`SMALL_TANGENT`].
#[inline]
fn small_arctangent(t: f64) -> f64 {
    let t2 = t * t;
    let t4 = t2 * t2;
    let low = (1.0 - t2 * (1.0 / 3.0)) + t4 * (1.0 / 5.0 - t2 * (1.0 / 7.0));
    let middle = (1.0 / 9.0 - t2 * (1.0 / 11.0)) + t4 * (1.0 / 13.0 - t2 * (1.0 / 15.0));
    let high = (1.0 / 17.0 - t2 * (1.0 / 19.0)) + t4 * (1.0 / 21.0);
    t * (low + t4 * t4 * (middle + t4 * t4 * high))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn four_bytes_have_mean_zero_and_variance_one() {
        let at = |bytes: u64| two_nearly_normal(bytes)[0];
        // Every value of a byte equally often, the four bytes independent: exact moments of the sum.
        let byte: Vec<f64> = (0..=255).map(|b| at(b) - at(0)).collect();
        let mean = byte.iter().sum::<f64>() / 256.0;
        let variance = byte.iter().map(|b| (b - mean).powi(2)).sum::<f64>() / 256.0;
        assert!((4.0 * mean + at(0)).abs() < 1e-12);
        assert!((4.0 * variance - 1.0).abs() < 1e-12, "{}", 4.0 * variance);
        assert_eq!(at(0x0102_0304), at(0x0a00_0000), "all four bytes count alike");
        assert_eq!(two_nearly_normal(0x0102_0304_0000_00ff)[1], at(10), "the upper half is the second");
    }

    #[test]
    fn the_arctangent_agrees_with_the_standard_library() {
        for i in -1000..=1000 {
            let t = f64::from(i) * 1e-3;
            assert!((arctangent(t) - t.atan()).abs() < 1e-10, "{t}");
        }
        for (sin, a) in [(0.9, 30.0), (-0.3, -20.0), (0.1, 0.0), (0.0, 9.0), (0.999, -60.0)] {
            let cos = (1.0f64 - sin * sin).sqrt();
            let exact = (GRAVITY_M_S2 * sin + a).atan2(GRAVITY_M_S2 * cos).to_degrees();
            assert!((tilt_deg(sin, a) - exact).abs() < 1e-6);
        }
    }

    #[test]
    fn rounding_is_to_the_nearest_and_downwards() {
        assert_eq!([2.4, 2.6, -2.6, -2.4].map(nearest), [2, 3, -3, -2]);
        assert_eq!([2.9, 2.4, -2.1, 3.0, -3.0].map(whole), [2.0, 2.0, -3.0, 3.0, -3.0]);
    }
}
