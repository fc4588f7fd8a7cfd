//! Motion in closed form between two events.
//!
//! `m s'' = a - c s' + k s` with `s(0) = 0`, `m > 0`, `c >= 0`, `k >= 0`: constant force, the falling motor line
//! and drag, and the force of an obstacle that falls with the distance. Its roots are real, so the speed
//! changes sign at most once and both questions, "when does it stop" and "when is it there", are easy.

/// One piece of motion.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Piece {
    kind: Kind,
    v0: f64,
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Kind {
    /// `k = 0`, `c = 0`: acceleration.
    Free { acceleration: f64 },
    /// `k = 0`: approaches `v_end` at `rate`.
    Damped { v_end: f64, rate: f64 },
    /// `k > 0`: `s = grow (e^(up t) - 1) + fall (e^(down t) - 1)`.
    Saddle { grow: f64, up: f64, fall: f64, down: f64 },
}

impl Piece {
    /// A piece with mass `m`, force `a`, damping `c` and push `k`, from speed `v0`.
    #[must_use]
    pub fn new(m: f64, a: f64, c: f64, k: f64, v0: f64) -> Piece {
        let kind = if k > 0.0 {
            let root = (c * c + 4.0 * m * k).sqrt();
            let up = 2.0 * k / (c + root);
            let down = -0.5 * (c + root) / m;
            let grow = (v0 - down * a / k) / (up - down);
            Kind::Saddle { grow, up, fall: a / k - grow, down }
        } else if c > 1e-9 * m {
            Kind::Damped { v_end: a / c, rate: c / m }
        } else {
            Kind::Free { acceleration: a / m }
        };
        Piece { kind, v0 }
    }

    /// Distance and speed after `t`.
    #[must_use]
    pub fn at(&self, t: f64) -> (f64, f64) {
        match self.kind {
            Kind::Free { acceleration } => {
                (t * (self.v0 + 0.5 * acceleration * t), self.v0 + acceleration * t)
            }
            Kind::Damped { v_end, rate } => {
                let done = -(-rate * t).exp_m1();
                let gap = self.v0 - v_end;
                (v_end * t + gap * done / rate, self.v0 - gap * done)
            }
            Kind::Saddle { grow, up, fall, down } => {
                let (rising, falling) = ((up * t).exp_m1(), (down * t).exp_m1());
                (
                    grow * rising + fall * falling,
                    self.v0 + grow * up * rising + fall * down * falling,
                )
            }
        }
    }

    /// Acceleration after `t`.
    #[must_use]
    pub fn acceleration(&self, t: f64) -> f64 {
        match self.kind {
            Kind::Free { acceleration } => acceleration,
            Kind::Damped { v_end, rate } => (v_end - self.v0) * rate * (-rate * t).exp(),
            Kind::Saddle { grow, up, fall, down } => {
                grow * up * up * (up * t).exp() + fall * down * down * (down * t).exp()
            }
        }
    }

    /// Integral of the squared speed up to `t`.
    #[must_use]
    pub fn squared(&self, t: f64) -> f64 {
        match self.kind {
            Kind::Free { acceleration: a } => t * (self.v0 * self.v0 + a * t * (self.v0 + a * t / 3.0)),
            Kind::Damped { v_end, rate } => {
                let (gap, done) = (self.v0 - v_end, -(-rate * t).exp_m1());
                v_end * v_end * t + gap * done / rate * (2.0 * v_end + gap * (1.0 - 0.5 * done))
            }
            Kind::Saddle { grow, up, fall, down } => {
                let (a, b) = (grow * up, fall * down);
                let cross = if up + down == 0.0 { t } else { ((up + down) * t).exp_m1() / (up + down) };
                a * a * (2.0 * up * t).exp_m1() / (2.0 * up)
                    + b * b * (2.0 * down * t).exp_m1() / (2.0 * down)
                    + 2.0 * a * b * cross
            }
        }
    }

    /// When the speed next passes through zero, s; infinite if never. A piece that starts at rest has
    /// passed already.
    #[must_use]
    pub fn stop_s(&self) -> f64 {
        if self.v0 == 0.0 {
            return f64::INFINITY;
        }
        let time = match self.kind {
            Kind::Free { acceleration } => -self.v0 / acceleration,
            Kind::Damped { v_end, rate } => {
                let ratio = (v_end - self.v0) / v_end;
                if ratio > 1.0 { ratio.ln() / rate } else { f64::INFINITY }
            }
            Kind::Saddle { grow, up, fall, down } => {
                let ratio = -fall * down / (grow * up);
                if ratio > 1.0 { ratio.ln() / (up - down) } else { f64::INFINITY }
            }
        };
        if time > 0.0 { time } else { f64::INFINITY }
    }

    /// When distance `target` is reached, s, given that it is at `late_s` at the latest and that the speed
    /// keeps its sign until then. Newton's method kept inside a bracket.
    #[must_use]
    pub fn reach_s(&self, target: f64, late_s: f64) -> f64 {
        let (mut low, mut high) = (0.0, late_s);
        let forward = target > 0.0;
        let mut t = if self.v0 == 0.0 { 0.5 * late_s } else { (target / self.v0).clamp(0.0, late_s) };
        for _ in 0..60 {
            let (s, v) = self.at(t);
            let miss = s - target;
            if miss.abs() <= 1e-13 {
                break;
            }
            if (miss > 0.0) == forward {
                high = t;
            } else {
                low = t;
            }
            let newton = t - miss / v;
            let next = if newton > low && newton < high { newton } else { 0.5 * (low + high) };
            if (next - t).abs() <= 1e-14 {
                break;
            }
            t = next;
        }
        t
    }
}
