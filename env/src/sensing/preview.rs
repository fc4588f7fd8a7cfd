//! Readings of a sensor ahead of the front axle, or of a gyroscope that feels what that axle meets.
//!
//! What only depends on the place is laid out once per episode ([`profile`]); what depends on the motion follows here:
//! the arm is lifted by the ground at once, thrown higher where the vehicle is fast, and falls back at its own rate. The
//! controller polls the sensor all the time and takes the highest reading of a tick. A gyroscope's angle is summed up and
//! fades; its highest value of a tick is taken, too.

mod beam;
mod own_track;
mod profile;

use super::grade::arctangent;
use super::noise::Noise;
use crate::motion::GRAVITY_M_S2;
use crate::terrain::Course;
use crate::vehicle::{BATCH, PreviewSensor, RANGE_MM, SampledPreview, Vehicle};
use crate::{Seed, Stream};
use beam::Beam;
use own_track::OwnTrack;
use profile::{Probe, Profile, STEP_M};
use rand_chacha::ChaCha8Rng;

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
fn arm_angle_deg(height_m: f64, arm_m: f64) -> f64 {
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
    /// A height above the ground in steps, a new one every so many ticks.
    Range { offset_m: f64, noise_m: f64, step_m: f64, period_ticks: u8 },
    /// An angle that fades: degrees per metre of height, drift in a tick, share that is left after it.
    Fading { per_m_deg: f64, drift_deg: f64, left: f64, noise_deg: f64 },
}

/// What the arm remembers.
#[derive(Clone, Copy, Debug, Default)]
struct Arm {
    /// Height of the roller, m.
    height_m: f32,
    /// Angle behind the play, degrees; of a switch 1 when it is closed; of a range sensor the last reading, mm; of a
    /// gyroscope what is left of the angle, degrees.
    shown: f64,
    /// Ticks since the last range.
    age_ticks: u8,
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
    /// How many of them have been handed out.
    next: usize,
}

impl Preview {
    /// The sensor that `vehicle` has, if it has one, on `course`.
    pub(crate) fn new(vehicle: &Vehicle, course: &Course, seed: Seed, episode: u64) -> Option<Preview> {
        let sampled = vehicle.preview?;
        let mut rng = seed.stream(Stream::PreviewTrack, episode);
        let (own, probe) = looked_at(&sampled, course, &mut rng);
        let (fall_m_s, bounce_above_m_s) = match sampled.sensor {
            PreviewSensor::Feeler(f) => (f.fall_m_s, f.bounce_above_m_s),
            PreviewSensor::Whisker(w) => (w.fall_m_s, w.bounce_above_m_s),
            // Neither a beam nor a loaded axle is late or thrown.
            PreviewSensor::Range(_) | PreviewSensor::Gyro(_) => (1e9, f64::INFINITY),
        };
        let profile = Profile::new(course, &own, vehicle, &probe);
        let at = profile.index(0.0);
        let arm = Arm { height_m: profile.height_m(at), shown: 0.0, age_ticks: 0 };
        Some(Preview {
            transducer: Transducer::new(&sampled, vehicle),
            noise: Noise::new(seed.stream(Stream::PreviewNoise, episode), [true, false, false, false]),
            fall_m: (fall_m_s * vehicle.tick_s) as f32,
            tick_s: vehicle.tick_s as f32,
            bounce_above_m_s: bounce_above_m_s as f32,
            profile,
            at,
            arm,
            points: [at; BATCH],
            arms: [arm; BATCH],
            next: 0,
        })
    }

    /// The readings of the coming ticks, at whose ends the front axle is at `x_m`.
    pub(super) fn sample<const N: usize>(&mut self, x_m: &[f64; N]) -> [i16; N] {
        self.noise.provide();
        self.next = 0;
        let noise = *self.noise.of::<N>(0);
        let (mut at, mut arm) = (self.at, self.arm);
        let mut readings = [0; N];
        for i in 0..N {
            let to = self.profile.index(x_m[i]);
            let before_m = f64::from(arm.height_m);
            let highest_m;
            (arm.height_m, highest_m) = self.moved(arm.height_m, at, to);
            readings[i] = self.transducer.read(&mut arm, before_m, f64::from(highest_m), f64::from(noise[i]));
            at = to;
            (self.points[i], self.arms[i]) = (at, arm);
        }
        readings
    }

    /// Notes that some more of them have been handed out.
    #[inline]
    pub(super) fn advance(&mut self, ticks: usize) {
        self.next += ticks;
        if let Some(last) = self.next.checked_sub(1) {
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

/// What lies on the track of a sensor, and how it looks at it.
fn looked_at(sampled: &SampledPreview, course: &Course, rng: &mut ChaCha8Rng) -> (OwnTrack, Probe) {
    let (ahead_m, factor) = (sampled.ahead_m, sampled.error_factor);
    match &sampled.sensor {
        PreviewSensor::Feeler(feeler) => (
            OwnTrack::draw(course, &feeler.track, &feeler.grass, factor, rng),
            Probe::Roller { ahead_m, radius_m: feeler.roller_radius_m },
        ),
        PreviewSensor::Whisker(whisker) => (
            OwnTrack::draw(course, &whisker.track, &whisker.grass, factor, rng),
            Probe::Roller { ahead_m, radius_m: whisker.tip_radius_m },
        ),
        PreviewSensor::Range(range) => {
            (OwnTrack::in_sight(course, range, factor, rng), Probe::Beam(Beam::new(range, ahead_m)))
        }
        PreviewSensor::Gyro(_) => (OwnTrack::none(), Probe::Pitch),
    }
}

impl Transducer {
    fn new(sampled: &SampledPreview, vehicle: &Vehicle) -> Transducer {
        let noise_factor = vehicle.sensor_noise_factor;
        match sampled.sensor {
            PreviewSensor::Feeler(feeler) => Transducer::Angle {
                arm_m: feeler.arm_m,
                offset_deg: sampled.offset,
                noise_deg: feeler.noise_deg * noise_factor,
                half_hysteresis_deg: 0.5 * feeler.hysteresis_deg,
                step_deg: feeler.resolution_deg,
            },
            PreviewSensor::Whisker(whisker) => {
                let close_m = whisker.trigger_m + 1e-3 * sampled.offset;
                let noise_m = whisker.noise_m * noise_factor;
                Transducer::Switch { close_m, open_m: close_m - whisker.hysteresis_m, noise_m }
            }
            PreviewSensor::Range(range) => {
                let sine = Beam::new(&range, sampled.ahead_m).sine();
                Transducer::Range {
                    offset_m: 1e-3 * sampled.offset,
                    noise_m: range.noise_m * noise_factor * sine,
                    step_m: range.resolution_m * sine,
                    period_ticks: range.period_ticks,
                }
            }
            PreviewSensor::Gyro(gyro) => Transducer::Fading {
                per_m_deg: DEGREES / vehicle.wheelbase_m(),
                drift_deg: sampled.offset * vehicle.tick_s,
                left: 1.0 / (1.0 + vehicle.tick_s / gyro.fade_s),
                noise_deg: gyro.noise_deg * noise_factor,
            },
        }
    }

    /// The reading after a tick that began at `before_m` and in which the sensor was lifted to `highest_m` at most.
    #[inline]
    fn read(&self, arm: &mut Arm, before_m: f64, highest_m: f64, noise: f64) -> i16 {
        match *self {
            Transducer::Angle { arm_m, offset_deg, noise_deg, half_hysteresis_deg, step_deg } => {
                let angle_deg = arm_angle_deg(highest_m, arm_m) + offset_deg;
                // Play: what is shown follows once the arm has crossed it.
                arm.shown = arm.shown.clamp(angle_deg - half_hysteresis_deg, angle_deg + half_hysteresis_deg);
                let steps = ((arm.shown + noise_deg * noise) / step_deg).round();
                (10.0 * steps * step_deg).round() as i16
            }
            Transducer::Switch { close_m, open_m, noise_m } => {
                let limit_m = if arm.shown > 0.5 { open_m } else { close_m };
                let closed = highest_m + noise_m * noise >= limit_m;
                arm.shown = f64::from(u8::from(closed));
                i16::from(closed)
            }
            Transducer::Range { offset_m, noise_m, step_m, period_ticks } => {
                if arm.age_ticks == 0 {
                    let height_m = f64::from(arm.height_m) + offset_m + noise_m * noise;
                    let shown_mm = 1000.0 * step_m * (height_m / step_m).round();
                    arm.shown = shown_mm.clamp(-f64::from(RANGE_MM), f64::from(RANGE_MM) + 1.0);
                }
                arm.age_ticks = (arm.age_ticks + 1) % period_ticks;
                arm.shown.round() as i16
            }
            Transducer::Fading { per_m_deg, drift_deg, left, noise_deg } => {
                let angle_deg =
                    |height_m: f64| (arm.shown + per_m_deg * (height_m - before_m) + drift_deg) * left;
                let highest_deg = angle_deg(highest_m);
                arm.shown = angle_deg(f64::from(arm.height_m));
                (100.0 * (highest_deg + noise_deg * noise)).round() as i16
            }
        }
    }
}

#[cfg(test)]
mod tests;
