//! Readings of a sensor ahead of the front axle.
//!
//! What only depends on the place is laid out once per episode ([`profile`]); what depends on the motion follows here:
//! the arm is lifted by the ground at once, thrown higher where the vehicle is fast, and falls back at its own rate. The
//! controller polls the sensor all the time and takes the highest reading of a tick.

mod own_track;
mod profile;

use super::grade::arctangent;
use super::noise::Noise;
use crate::motion::GRAVITY_M_S2;
use crate::terrain::Course;
use crate::vehicle::{BATCH, PreviewSensor, Vehicle};
use crate::{Seed, Stream};
use own_track::OwnTrack;
use profile::{Profile, STEP_M};

/// Degrees in a radian.
const DEGREES: f64 = 180.0 / std::f64::consts::PI;
/// Steepest flank that throws the roller, height per distance: on a steeper one the arm turns rather than to take
/// up the whole speed.
const STEEPEST: f32 = 2.0;
/// Most of the arm's length that the roller can be lifted by.
const MOST_OF_ARM: f64 = 0.95;

/// Angle by which an arm that is level on flat ground turns when its roller is lifted, degrees:
/// `asin(height / arm)`.
#[must_use]
pub(crate) fn arm_angle_deg(height_m: f64, arm_m: f64) -> f64 {
    let sine = (height_m / arm_m).clamp(-MOST_OF_ARM, MOST_OF_ARM);
    arctangent(sine / (1.0 - sine * sine).sqrt()) * DEGREES
}

/// From the height of the roller to the reading.
#[derive(Clone, Copy, Debug)]
enum Transducer {
    /// An angle in steps.
    Angle { arm_m: f64, offset_deg: f64, noise_deg: f64, half_hysteresis_deg: f64, step_deg: f64 },
    /// A switch: closes at the first height and opens at the second, m.
    Switch { close_m: f64, open_m: f64, noise_m: f64 },
}

/// What the arm remembers.
#[derive(Clone, Copy, Debug, Default)]
struct Arm {
    /// Height of the roller, m.
    height_m: f32,
    /// Angle behind the play, degrees; of a switch 1 when it is closed.
    shown: f64,
}

/// The sensor ahead of one vehicle on one course.
#[derive(Clone, Debug)]
pub(crate) struct Preview {
    profile: Profile,
    transducer: Transducer,
    noise: Noise,
    fall_m: f32,
    tick_s: f32,
    bounce_above_m_s: f32,
    /// Point of the profile at the last reading, and the arm then.
    at: usize,
    arm: Arm,
    /// The same for the readings to come.
    points: [usize; BATCH],
    arms: [Arm; BATCH],
}

impl Preview {
    /// The sensor that `vehicle` has, if it has one, on `course`.
    pub(crate) fn new(vehicle: &Vehicle, course: &Course, seed: Seed, episode: u64) -> Option<Preview> {
        let sampled = vehicle.preview?;
        let (radius_m, track, grass, fall_m_s, bounce_above_m_s) = match sampled.sensor {
            PreviewSensor::Feeler(f) => (f.roller_radius_m, f.track, f.grass, f.fall_m_s, f.bounce_above_m_s),
            PreviewSensor::Whisker(w) => (w.tip_radius_m, w.track, w.grass, w.fall_m_s, w.bounce_above_m_s),
        };
        let mut rng = seed.stream(Stream::PreviewTrack, episode);
        let own = OwnTrack::draw(course, &track, &grass, sampled.error_factor, &mut rng);
        let profile = Profile::new(course, &own, vehicle, (sampled.ahead_m, radius_m));
        let at = profile.index(0.0);
        let arm = Arm { height_m: profile.height_m(at), shown: 0.0 };
        Some(Preview {
            transducer: Transducer::new(&sampled.sensor, sampled.offset, vehicle.sensor_noise_factor),
            noise: Noise::new(seed.stream(Stream::PreviewNoise, episode), [true, false, false, false]),
            fall_m: (fall_m_s * vehicle.tick_s) as f32,
            tick_s: vehicle.tick_s as f32,
            bounce_above_m_s: bounce_above_m_s as f32,
            profile,
            at,
            arm,
            points: [at; BATCH],
            arms: [arm; BATCH],
        })
    }

    /// The readings of the coming ticks, at whose ends the front axle is at `x_m`.
    pub(super) fn sample<const N: usize>(&mut self, x_m: &[f64; N]) -> [i16; N] {
        self.noise.provide();
        let noise = *self.noise.of::<N>(0);
        let (mut at, mut arm) = (self.at, self.arm);
        let mut readings = [0; N];
        for i in 0..N {
            let to = self.profile.index(x_m[i]);
            let highest_m;
            (arm.height_m, highest_m) = self.moved(arm.height_m, at, to);
            (arm.shown, readings[i]) =
                self.transducer.read(f64::from(highest_m), arm.shown, f64::from(noise[i]));
            at = to;
            (self.points[i], self.arms[i]) = (at, arm);
        }
        readings
    }

    /// Notes that the first of them have been handed out.
    #[inline]
    pub(super) fn advance(&mut self, ticks: usize) {
        if let Some(last) = ticks.checked_sub(1) {
            (self.at, self.arm) = (self.points[last % BATCH], self.arms[last % BATCH]);
        }
        self.noise.next += ticks;
    }

    /// Height of the roller at the end of a tick in which the front axle went from one point to another one, and the
    /// highest on the way.
    #[inline]
    fn moved(&self, height_m: f32, from: usize, to: usize) -> (f32, f32) {
        if from == to {
            let (ground_m, fallen_m) = (self.profile.height_m(to), height_m - self.fall_m);
            let height_m = if ground_m > fallen_m { ground_m } else { fallen_m };
            return (height_m, height_m);
        }
        let path = self.profile.heights_m(from.min(to), from.max(to));
        if from < to {
            self.along(height_m, path.windows(2).map(|pair| (pair[0], pair[1])))
        } else {
            self.along(height_m, path.windows(2).rev().map(|pair| (pair[1], pair[0])))
        }
    }

    /// The same along the steps of a path, heights before and behind each.
    #[inline]
    fn along(&self, mut height_m: f32, path: impl ExactSizeIterator<Item = (f32, f32)>) -> (f32, f32) {
        let steps = path.len() as f32;
        let fall_m = self.fall_m / steps;
        let beyond_m_s = steps * STEP_M as f32 / self.tick_s - self.bounce_above_m_s;
        let mut highest_m = f32::NEG_INFINITY;
        for (before_m, ground_m) in path {
            let mut lifted_m = ground_m;
            if beyond_m_s > 0.0 && ground_m > before_m {
                let slope = (ground_m - before_m) * (1.0 / STEP_M as f32);
                let thrown_m_s = beyond_m_s * if slope < STEEPEST { slope } else { STEEPEST };
                lifted_m += thrown_m_s * thrown_m_s * (0.5 / GRAVITY_M_S2 as f32);
            }
            height_m -= fall_m;
            if lifted_m > height_m {
                height_m = lifted_m;
            }
            if height_m > highest_m {
                highest_m = height_m;
            }
        }
        (height_m, highest_m)
    }
}

impl Transducer {
    fn new(sensor: &PreviewSensor, offset: f64, noise_factor: f64) -> Transducer {
        match *sensor {
            PreviewSensor::Feeler(feeler) => Transducer::Angle {
                arm_m: feeler.arm_m,
                offset_deg: offset,
                noise_deg: feeler.noise_deg * noise_factor,
                half_hysteresis_deg: 0.5 * feeler.hysteresis_deg,
                step_deg: feeler.resolution_deg,
            },
            PreviewSensor::Whisker(whisker) => {
                let close_m = whisker.trigger_m + 1e-3 * offset;
                let noise_m = whisker.noise_m * noise_factor;
                Transducer::Switch { close_m, open_m: close_m - whisker.hysteresis_m, noise_m }
            }
        }
    }

    /// What is shown after `shown` with the roller at this height, and the reading.
    #[inline]
    fn read(&self, height_m: f64, shown: f64, noise: f64) -> (f64, i16) {
        match *self {
            Transducer::Angle { arm_m, offset_deg, noise_deg, half_hysteresis_deg, step_deg } => {
                let angle_deg = arm_angle_deg(height_m, arm_m) + offset_deg;
                // Play: what is shown follows once the arm has crossed it.
                let shown = shown.clamp(angle_deg - half_hysteresis_deg, angle_deg + half_hysteresis_deg);
                let steps = ((shown + noise_deg * noise) / step_deg).round();
                (shown, (10.0 * steps * step_deg).round() as i16)
            }
            Transducer::Switch { close_m, open_m, noise_m } => {
                let limit_m = if shown > 0.5 { open_m } else { close_m };
                let closed = height_m + noise_m * noise >= limit_m;
                (f64::from(u8::from(closed)), i16::from(closed))
            }
        }
    }
}

#[cfg(test)]
mod tests;
