//! Selector times from the moves in a log.

use crate::runs::Move;
use lowgear_env::vehicle::SelectorConfig;

/// What the moves tell.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SelectorFit {
    /// Speed of the servo and its standard error, degrees per second.
    pub speed_deg_s: (f64, f64),
    /// Settling time and its standard error, s; `None` where all moves go the same way, so that only their sum is known.
    pub settling_s: Option<(f64, f64)>,
    /// Moves used.
    pub moves: usize,
    /// Moves left out: much longer than others of their way (retries).
    pub slow: usize,
}

/// A move that takes this many times the median of its way has met tooth on tooth.
const RETRIED: f64 = 1.5;

/// Fits speed and settling time to the moves by least squares, with the acceleration of the file: the time of a move is
/// `angle / speed + speed / acceleration + settling`, linear in the settling time and nearly so in `1 / speed`.
#[must_use]
pub fn fit_selector(moves: &[Move], start: &SelectorConfig) -> Option<SelectorFit> {
    let (quick, slow) = quick_moves(moves);
    if quick.len() < 3 {
        return None;
    }
    let n = quick.len() as f64;
    let mean_angle = quick.iter().map(|m| m.angle_deg).sum::<f64>() / n;
    let mean_time = quick.iter().map(|m| m.time_s).sum::<f64>() / n;
    let spread: f64 = quick.iter().map(|m| (m.angle_deg - mean_angle).powi(2)).sum();
    let row_s = quick.iter().map(|m| m.error_s).sum::<f64>() / n;
    let several_ways = spread > n * 25.0;
    let (per_degree, settling_s) = if several_ways {
        let slope = quick.iter().map(|m| (m.angle_deg - mean_angle) * m.time_s).sum::<f64>() / spread;
        (slope, None)
    } else {
        (
            solve_speed(mean_time - start.settling_s, mean_angle, start.acceleration_deg_s2)?.recip(),
            Some(start.settling_s),
        )
    };
    if !(per_degree.is_finite() && per_degree > 1e-5) {
        return None;
    }
    let speed = 1.0 / per_degree;
    let rest_s = mean_time - mean_angle * per_degree - speed / start.acceleration_deg_s2;
    let errors: f64 =
        quick.iter().map(|m| (m.time_s - mean_time - (m.angle_deg - mean_angle) * per_degree).powi(2)).sum();
    let sd = (errors / (n - 2.0).max(1.0)).sqrt().max(row_s);
    let slope_error = if several_ways { sd / spread.sqrt() } else { sd / n.sqrt() / mean_angle };
    let settling = settling_s.is_none().then(|| {
        let error = (sd * sd / n + (mean_angle * slope_error).powi(2)).sqrt();
        (rest_s.max(0.0), error)
    });
    Some(SelectorFit {
        speed_deg_s: (speed.clamp(10.0, 1e5), speed * speed * slope_error),
        settling_s: settling,
        moves: quick.len(),
        slow,
    })
}

/// Speed at which `angle / speed + speed / acceleration` takes `time_s`; the slower of the two.
fn solve_speed(time_s: f64, angle_deg: f64, acceleration: f64) -> Option<f64> {
    let half = 0.5 * time_s * acceleration;
    let root = half * half - angle_deg * acceleration;
    (time_s > 0.0).then(|| if root >= 0.0 { half - root.sqrt() } else { angle_deg / time_s })
}

/// Moves without retries, and how many had some.
fn quick_moves(moves: &[Move]) -> (Vec<Move>, usize) {
    let mut quick = Vec::new();
    for m in moves {
        let mut alike: Vec<f64> =
            moves.iter().filter(|o| (o.angle_deg - m.angle_deg).abs() < 1.0).map(|o| o.time_s).collect();
        alike.sort_by(f64::total_cmp);
        let median = alike.get(alike.len() / 2).copied().unwrap_or(0.0);
        if m.time_s <= RETRIED * median {
            quick.push(*m);
        }
    }
    let slow = moves.len() - quick.len();
    (quick, slow)
}
