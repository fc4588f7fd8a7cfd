//! The selector: a servo turns a drum to fixed angles; dogs engage when speeds allow.

use crate::config::{Check, KeyError, in_range};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::f64::consts::TAU;

/// The selector in a vehicle file.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct SelectorConfig {
    /// Positions round the drum in order, each `park` or a gear number from 1; every gear once, `park` at most
    /// once.
    pub order: Vec<String>,
    /// Angle of each position, degrees, increasing.
    pub angle_deg: Vec<f64>,
    /// Highest speed of the servo, degrees per second.
    #[serde(default = "usual::speed_deg_s")]
    pub speed_deg_s: f64,
    /// Its acceleration, degrees per second².
    #[serde(default = "usual::acceleration_deg_s2")]
    pub acceleration_deg_s2: f64,
    /// Settling time after a move, s.
    #[serde(default = "usual::settling_s")]
    pub settling_s: f64,
    /// The selector counts as arrived within this of a position, degrees.
    #[serde(default = "usual::window_deg")]
    pub window_deg: f64,
    /// Random error of every arrival, standard deviation, degrees.
    #[serde(default = "usual::arrival_error_deg")]
    pub arrival_error_deg: f64,
    /// Error that a command before arrival leaves behind, standard deviation, degrees.
    #[serde(default = "usual::interrupted_error_deg")]
    pub interrupted_error_deg: f64,
    /// Dogs under more torque than this at the gearbox output do not let go, N·m.
    pub release_torque_nm: f64,
    /// Chance that the other direction frees a jam at one try.
    #[serde(default = "usual::free_chance")]
    pub free_chance: f64,
}

/// The dogs in a vehicle file.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields, rename_all = "kebab-case")]
pub struct DogConfig {
    /// Dogs on the circumference.
    pub count: u32,
    /// Free angle between a dog and its gap, degrees.
    pub gap_deg: f64,
    /// Axial overlap that must be entered, mm.
    pub overlap_mm: f64,
    /// Axial speed of the sleeve, mm/s.
    pub axial_speed_mm_s: f64,
    /// Time from one try to the next when tooth stands on tooth, s.
    pub retry_s: f64,
}

/// Values of a small servo that may be left out (an invented one).
mod usual {
    pub(super) const fn speed_deg_s() -> f64 {
        400.0
    }

    pub(super) const fn acceleration_deg_s2() -> f64 {
        7000.0
    }

    pub(super) const fn settling_s() -> f64 {
        0.04
    }

    pub(super) const fn window_deg() -> f64 {
        7.0
    }

    pub(super) const fn arrival_error_deg() -> f64 {
        1.5
    }

    pub(super) const fn interrupted_error_deg() -> f64 {
        25.0
    }

    pub(super) const fn free_chance() -> f64 {
        0.5
    }
}

impl Default for DogConfig {
    /// Those of an invented gearbox.
    fn default() -> DogConfig {
        DogConfig { count: 6, gap_deg: 45.0, overlap_mm: 1.5, axial_speed_mm_s: 60.0, retry_s: 0.04 }
    }
}

impl SelectorConfig {
    /// Angle of a gear (0 is the lowest), degrees.
    #[must_use]
    pub fn gear_angle_deg(&self, gear: usize) -> Option<f64> {
        let name = (gear + 1).to_string();
        self.order.iter().position(|p| *p == name).and_then(|i| self.angle_deg.get(i).copied())
    }

    /// Time to move by `angle_deg`, settling included, s: a triangle of speed up to `w²/a`, a trapezoid above.
    #[must_use]
    pub fn move_time_s(&self, angle_deg: f64) -> f64 {
        let (speed, acceleration) = (self.speed_deg_s, self.acceleration_deg_s2);
        let travel = if angle_deg <= speed * speed / acceleration {
            2.0 * (angle_deg / acceleration).sqrt()
        } else {
            angle_deg / speed + speed / acceleration
        };
        travel + self.settling_s
    }

    /// Checks against the number of gears.
    pub(super) fn check_for(&self, gears: usize) -> Result<(), KeyError> {
        if self.order.len() != self.angle_deg.len() || !(2..=7).contains(&self.order.len()) {
            return Err(KeyError::new(
                "angle-deg",
                format!("{} angles for {} positions", self.angle_deg.len(), self.order.len()),
                "one angle for each of 2 to 7 positions in `order`",
            ));
        }
        for (i, &angle) in self.angle_deg.iter().enumerate() {
            let least = if i == 0 { 0.0 } else { self.angle_deg[i - 1] + 1.0 };
            in_range(&format!("angle-deg[{i}]"), angle, least, 3000.0, "° (increasing)")?;
        }
        let twice = (1..self.order.len()).any(|i| self.order[..i].contains(&self.order[i]));
        if twice || (0..gears).any(|gear| self.gear_angle_deg(gear).is_none()) {
            return Err(KeyError::new(
                "order",
                format!("{:?}", self.order),
                format!("each gear from \"1\" to \"{gears}\" once, and at most one \"park\""),
            ));
        }
        if let Some(odd) = self
            .order
            .iter()
            .find(|p| *p != "park" && p.parse::<usize>().ok().is_none_or(|g| g == 0 || g > gears))
        {
            return Err(KeyError::new("order", format!("\"{odd}\""), format!("\"park\" or 1 to {gears}")));
        }
        in_range("speed-deg-s", self.speed_deg_s, 10.0, 1e5, "°/s")?;
        in_range("acceleration-deg-s2", self.acceleration_deg_s2, 10.0, 1e7, "°/s²")?;
        in_range("settling-s", self.settling_s, 0.0, 2.0, "s")?;
        in_range("window-deg", self.window_deg, 0.5, 45.0, "°")?;
        in_range("arrival-error-deg", self.arrival_error_deg, 0.0, self.window_deg, "°")?;
        in_range("interrupted-error-deg", self.interrupted_error_deg, 0.0, 180.0, "°")?;
        in_range("release-torque-nm", self.release_torque_nm, 1e-4, 1e3, "N·m")?;
        in_range("free-chance", self.free_chance, 0.0, 1.0, "")
    }
}

impl DogConfig {
    /// Chance that the dogs enter at one try at a speed difference `difference_rad_s` at the wheel shaft:
    /// `clip((gap - dw x / u) z / 2 pi, 0, 1)`, the share of phases at which a gap stays open while the sleeve
    /// crosses the overlap `x` at axial speed `u` (own derivation; published face-dog studies agree in sign).
    #[must_use]
    pub fn entry_chance(&self, difference_rad_s: f64) -> f64 {
        let crossing_s = self.overlap_mm / self.axial_speed_mm_s;
        let open = self.gap_deg.to_radians() - difference_rad_s.abs() * crossing_s;
        (open * f64::from(self.count) / TAU).clamp(0.0, 1.0)
    }
}

impl Check for DogConfig {
    fn check(&self) -> Result<(), KeyError> {
        in_range("count", f64::from(self.count), 1.0, 64.0, "")?;
        in_range("gap-deg", self.gap_deg, 0.1, 360.0 / f64::from(self.count.max(1)), "°")?;
        in_range("overlap-mm", self.overlap_mm, 0.05, 50.0, "mm")?;
        in_range("axial-speed-mm-s", self.axial_speed_mm_s, 0.5, 5000.0, "mm/s")?;
        in_range("retry-s", self.retry_s, 0.005, 2.0, "s")
    }
}
