//! Motion in closed form between two events.
//!
//! `m s'' = a - c s' + k s` with `s(0) = 0`, `m > 0`, `c >= 0`, `k >= 0`: constant force, the falling motor line
//! and drag, and the force of an obstacle that falls with the distance. Its roots are real, so the speed
//! changes sign at most once and both questions, "when does it stop" and "when is it there", are easy.

use super::exp_m1;
use crate::vehicle::BATCH;

/// One phase of motion.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MotionPhase {
    kind: Solution,
    v0: f64,
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Solution {
    /// `k = 0`, `c = 0`: acceleration.
    Free { acceleration: f64 },
    /// `k = 0`: approaches `v_end` at `rate`, one over `tau`.
    Damped { v_end: f64, rate: f64, tau: f64 },
    /// `k > 0`: `s = grow (e^(up t) - 1) + fall (e^(down t) - 1)`.
    Saddle { grow: f64, up: f64, fall: f64, down: f64 },
}

impl Default for MotionPhase {
    /// At rest.
    fn default() -> MotionPhase {
        MotionPhase { kind: Solution::Free { acceleration: 0.0 }, v0: 0.0 }
    }
}

/// Where a phase has got to after some time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MotionState {
    /// Distance, m.
    pub distance_m: f64,
    /// Speed, m/s.
    pub speed_m_s: f64,
    /// Acceleration, m/s².
    pub acceleration_m_s2: f64,
    /// Integral of the squared speed, m²/s.
    pub squared_m2_s: f64,
}

/// How far a phase has got after some time: the first half of a [`MotionState`], enough to look for events.
#[derive(Clone, Copy, Debug)]
pub(super) struct Progress {
    pub(super) time_s: f64,
    pub(super) distance_m: f64,
    pub(super) speed_m_s: f64,
    /// `e^(up t) - 1` and `e^(down t) - 1` of a phase on an obstacle.
    exponentials: [f64; 2],
}

/// Slower decay than this is none, 1/s: the terms of the closed form would cancel.
const UNDAMPED_PER_S: f64 = 1e-7;
/// Up to this share of its time constant a damped phase has a nearly straight speed, and the closed form of the
/// squared speed would cancel; Simpson's rule is then good to its fourth power.
const NEARLY_STRAIGHT: f64 = 0.01;

/// Iterations of the search for a time: every second one at least halves the bracket or the step, and from a day to
/// 1e-14 s that is 63 times.
const MAX_ITERATIONS: usize = 140;

impl MotionPhase {
    /// A phase with mass `m`, force `a`, damping `c` and push `k`, from speed `v0`.
    #[must_use]
    #[inline]
    pub fn new(m: f64, a: f64, c: f64, k: f64, v0: f64) -> MotionPhase {
        let kind = if k > 0.0 {
            let root = (c * c + 4.0 * m * k).sqrt();
            let up = 2.0 * k / (c + root);
            let down = -0.5 * (c + root) / m;
            let grow = (v0 - down * a / k) / (up - down);
            Solution::Saddle { grow, up, fall: a / k - grow, down }
        } else if c > UNDAMPED_PER_S * m {
            Solution::Damped { v_end: a / c, rate: c / m, tau: m / c }
        } else {
            Solution::Free { acceleration: a / m }
        };
        MotionPhase { kind, v0 }
    }

    /// Distance and speed after `t`.
    #[must_use]
    #[inline]
    pub fn at(&self, t: f64) -> (f64, f64) {
        let progress = self.progress(t);
        (progress.distance_m, progress.speed_m_s)
    }

    /// The same, with what the rest of the state follows from.
    #[inline]
    pub(super) fn progress(&self, t: f64) -> Progress {
        let (distance_m, speed_m_s, exponentials) = match self.kind {
            Solution::Free { acceleration } => {
                (t * (self.v0 + 0.5 * acceleration * t), self.v0 + acceleration * t, [0.0; 2])
            }
            Solution::Damped { v_end, rate, tau } => {
                let done = -exp_m1(-rate * t);
                let gap = self.v0 - v_end;
                (v_end * t + gap * done * tau, self.v0 - gap * done, [0.0; 2])
            }
            Solution::Saddle { grow, up, fall, down } => {
                let (rising, falling) = (exp_m1(up * t), exp_m1(down * t));
                let speed_m_s = self.v0 + grow * up * rising + fall * down * falling;
                (grow * rising + fall * falling, speed_m_s, [rising, falling])
            }
        };
        Progress { time_s: t, distance_m, speed_m_s, exponentials }
    }

    /// Distance and speed at the ends of equal steps.
    #[inline]
    pub(super) fn at_steps(&self, step_s: f64, distance_m: &mut [f64; BATCH], speed_m_s: &mut [f64; BATCH]) {
        match self.kind {
            Solution::Free { .. } => {
                for i in 0..BATCH {
                    (distance_m[i], speed_m_s[i]) = self.at((i + 1) as f64 * step_s);
                }
            }
            Solution::Damped { v_end, rate, tau } => {
                let (step_m, gap) = (v_end * step_s, self.v0 - v_end);
                let decays = exp_multiples(-rate * step_s);
                for i in 0..BATCH {
                    distance_m[i] = step_m * (i + 1) as f64 - gap * tau * decays[i];
                    speed_m_s[i] = self.v0 + gap * decays[i];
                }
            }
            Solution::Saddle { grow, up, fall, down } => {
                let (rising, falling) = (exp_multiples(up * step_s), exp_multiples(down * step_s));
                for i in 0..BATCH {
                    distance_m[i] = grow * rising[i] + fall * falling[i];
                    speed_m_s[i] = self.v0 + grow * up * rising[i] + fall * down * falling[i];
                }
            }
        }
    }

    /// The state at a time that the phase has got to.
    #[must_use]
    #[inline]
    pub(super) fn state_of(&self, progress: &Progress) -> MotionState {
        let &Progress { time_s: t, distance_m, speed_m_s, exponentials } = progress;
        MotionState {
            distance_m,
            speed_m_s,
            acceleration_m_s2: self.acceleration_of(progress),
            squared_m2_s: match self.kind {
                Solution::Saddle { grow, up, fall, down } => {
                    saddle_squared_m2_s([grow, up, fall, down], exponentials, t)
                }
                _ => self.squared_m2_s(t, distance_m, speed_m_s),
            },
        }
    }

    /// The same from distance and speed alone.
    #[must_use]
    #[inline]
    pub(super) fn state_from(&self, t: f64, distance_m: f64, speed_m_s: f64) -> MotionState {
        if self.may_reverse() {
            return self.state_at(t);
        }
        let acceleration_m_s2 = self.acceleration_at(distance_m, speed_m_s);
        let squared_m2_s = self.squared_m2_s(t, distance_m, speed_m_s);
        MotionState { distance_m, speed_m_s, acceleration_m_s2, squared_m2_s }
    }

    /// Integral of the squared speed without an obstacle.
    #[inline]
    fn squared_m2_s(&self, t: f64, distance_m: f64, speed_m_s: f64) -> f64 {
        match self.kind {
            Solution::Damped { v_end, rate, tau } if rate * t > NEARLY_STRAIGHT => {
                let (gap, slowed) = (self.v0 - v_end, self.v0 - speed_m_s);
                v_end * v_end * t + slowed * tau * (2.0 * v_end + gap - 0.5 * slowed)
            }
            _ => {
                // The speed is nearly straight: Simpson's rule, with the middle from the distance.
                let middle = 0.25 * (6.0 * distance_m / t - self.v0 - speed_m_s);
                let sum = self.v0 * self.v0 + 4.0 * middle * middle + speed_m_s * speed_m_s;
                if t > 0.0 { sum * t / 6.0 } else { 0.0 }
            }
        }
    }

    /// Acceleration at a time that the phase has got to.
    #[inline]
    pub(super) fn acceleration_of(&self, progress: &Progress) -> f64 {
        match self.kind {
            Solution::Saddle { grow, up, fall, down } => {
                let [rising, falling] = progress.exponentials;
                grow * up * up * (1.0 + rising) + fall * down * down * (1.0 + falling)
            }
            _ => self.acceleration_at(progress.distance_m, progress.speed_m_s),
        }
    }

    /// Acceleration where the distance is `distance_m` and the speed `speed_m_s`.
    #[must_use]
    #[inline]
    pub(super) fn acceleration_at(&self, distance_m: f64, speed_m_s: f64) -> f64 {
        match self.kind {
            Solution::Damped { v_end, rate, .. } => (v_end - speed_m_s) * rate,
            Solution::Free { acceleration } => acceleration,
            Solution::Saddle { grow, up, fall, down } => {
                // s'' = a/m - (c/m) s' + (k/m) s with up + down = -c/m and up down = -k/m.
                let first = grow * up * up + fall * down * down;
                first + (up + down) * (speed_m_s - self.v0) - up * down * distance_m
            }
        }
    }

    /// Speed and acceleration at the start.
    #[must_use]
    pub fn start(&self) -> (f64, f64) {
        let acceleration = match self.kind {
            Solution::Free { acceleration } => acceleration,
            Solution::Damped { v_end, rate, .. } => (v_end - self.v0) * rate,
            Solution::Saddle { grow, up, fall, down } => grow * up * up + fall * down * down,
        };
        (self.v0, acceleration)
    }

    /// Everything about the phase after `t`.
    #[must_use]
    pub fn state_at(&self, t: f64) -> MotionState {
        self.state_of(&self.progress(t))
    }

    /// Whether a force that is a sum of speed and acceleration may turn round on the way; without an obstacle both
    /// decay at one rate, so it does not.
    #[must_use]
    pub(super) fn may_reverse(&self) -> bool {
        matches!(self.kind, Solution::Saddle { .. })
    }

    /// When `damping v + mass a`, the force that a drive line takes up, turns round between 0 and `late_s`.
    #[must_use]
    pub fn force_reversal_s(&self, damping: f64, mass: f64, late_s: f64) -> Option<f64> {
        let Solution::Saddle { grow, up, fall, down } = self.kind else { return None };
        let rising = (damping + mass * up) * grow * up * up;
        let falling = (damping + mass * down) * fall * down * down;
        let ratio = -falling / rising;
        (ratio > 1.0).then(|| ratio.ln() / (up - down)).filter(|&at| at < late_s)
    }

    /// When the speed next passes through zero, s; infinite if never. A phase that starts at rest has
    /// passed already.
    #[must_use]
    pub fn stop_s(&self) -> f64 {
        if self.v0 == 0.0 {
            return f64::INFINITY;
        }
        let time = match self.kind {
            Solution::Free { acceleration } => -self.v0 / acceleration,
            Solution::Damped { v_end, rate, .. } => {
                let ratio = (v_end - self.v0) / v_end;
                if ratio > 1.0 { ratio.ln() / rate } else { f64::INFINITY }
            }
            Solution::Saddle { grow, up, fall, down } => {
                let ratio = -fall * down / (grow * up);
                if ratio > 1.0 { ratio.ln() / (up - down) } else { f64::INFINITY }
            }
        };
        if time > 0.0 { time } else { f64::INFINITY }
    }

    /// When distance `target` is reached, s, given that it is at `late_s` at the latest and that the speed
    /// keeps its sign until then. Newton's method kept inside a bracket; where its step is not half as long as the
    /// one before, as far out on a steep exponential where all steps are alike, the bracket is halved instead.
    #[must_use]
    pub fn reach_s(&self, target: f64, late_s: f64) -> f64 {
        self.reach(target, late_s).time_s
    }

    /// How far the phase has got then.
    pub(super) fn reach(&self, target: f64, late_s: f64) -> Progress {
        let (mut low, mut high) = (0.0, late_s);
        let forward = target > 0.0;
        let mut t = if self.v0 == 0.0 { 0.5 * late_s } else { (target / self.v0).clamp(0.0, late_s) };
        let mut last_step_s = late_s;
        for _ in 0..MAX_ITERATIONS {
            let progress = self.progress(t);
            let miss = progress.distance_m - target;
            if miss.abs() <= 1e-13 {
                return progress;
            }
            if (miss > 0.0) == forward {
                high = t;
            } else {
                low = t;
            }
            let newton = t - miss / progress.speed_m_s;
            let converges = (newton - t).abs() <= 0.5 * last_step_s;
            let next = if converges && newton > low && newton < high { newton } else { middle_of(low, high) };
            last_step_s = (next - t).abs();
            if last_step_s <= 1e-14 {
                return progress;
            }
            t = next;
        }
        self.progress(t)
    }
}

/// Seldom called, and so that the processor need not wait for the bracket where it is not.
#[cold]
#[inline(never)]
fn middle_of(low: f64, high: f64) -> f64 {
    0.5 * (low + high)
}

/// Integral of the squared speed on an obstacle, m²/s.
fn saddle_squared_m2_s([grow, up, fall, down]: [f64; 4], [rising, falling]: [f64; 2], t: f64) -> f64 {
    let (a, b) = (grow * up, fall * down);
    // exp(2x) - 1 = y (2 + y) and exp(x + z) - 1 = y + w + y w with y = exp(x) - 1, w = exp(z) - 1.
    let both = rising + falling + rising * falling;
    let cross = if up + down == 0.0 { t } else { both / (up + down) };
    a * a * rising * (2.0 + rising) / (2.0 * up)
        + b * b * falling * (2.0 + falling) / (2.0 * down)
        + 2.0 * a * b * cross
}

/// `e^x - 1`, `e^(2x) - 1` and so on.
#[inline]
fn exp_multiples(x: f64) -> [f64; BATCH] {
    let mut exp_multiples = [exp_m1(x); BATCH];
    // From those of the first multiples those of as many more.
    for known in [1, 2, 4] {
        let last = exp_multiples[known - 1];
        for i in known..2 * known {
            exp_multiples[i] = last + (1.0 + last) * exp_multiples[i - known];
        }
    }
    exp_multiples
}
