//! Where the energy went.

/// Energies since the start, J. Battery energy (open-circuit voltage times current) equals kinetic plus
/// potential energy gained plus every loss.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct EnergyBalance {
    /// Drawn from the battery's chemistry.
    pub battery_j: f64,
    /// Heat in the battery's resistance.
    pub source_j: f64,
    /// Heat in the winding.
    pub winding_j: f64,
    /// Motor friction.
    pub motor_friction_j: f64,
    /// Gearing.
    pub gearing_j: f64,
    /// Rolling resistance and constant drag.
    pub rolling_j: f64,
    /// Grass and air drag.
    pub drag_j: f64,
    /// Slipping wheels.
    pub slip_j: f64,
    /// Impacts of wheels on obstacles and the ground behind them.
    pub impact_j: f64,
    /// Engaging dogs.
    pub engage_j: f64,
    /// Lifted weight.
    pub potential_j: f64,
}

/// The part of an [`EnergyBalance`] that heat and charge follow, J.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HeatEnergies {
    battery_j: f64,
    winding_j: f64,
    motor_friction_j: f64,
}

impl HeatEnergies {
    /// From the battery, into the winding and into the housing since `before`, J.
    pub(super) fn since(&self, before: HeatEnergies) -> [f64; 3] {
        [
            self.battery_j - before.battery_j,
            self.winding_j - before.winding_j,
            self.motor_friction_j - before.motor_friction_j,
        ]
    }
}

impl EnergyBalance {
    /// What heat and charge follow.
    #[must_use]
    pub fn heat(&self) -> HeatEnergies {
        HeatEnergies {
            battery_j: self.battery_j,
            winding_j: self.winding_j,
            motor_friction_j: self.motor_friction_j,
        }
    }

    /// Every loss together.
    #[must_use]
    pub fn losses_j(&self) -> f64 {
        self.source_j
            + self.winding_j
            + self.motor_friction_j
            + self.gearing_j
            + self.rolling_j
            + self.drag_j
            + self.slip_j
            + self.impact_j
            + self.engage_j
    }
}
