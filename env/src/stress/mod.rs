//! Gearbox stress: torque history to rainflow cycles to damage, in bounded memory.

mod life;
mod rainflow;

pub use life::{LifeCurve, Miner};
pub use rainflow::{Cycle, Rainflow};

/// Streams the torque history of the gearbox output into damage (share of nominal life).
///
/// Each closed rainflow cycle of range `T` is taken as a pulsating load 0 to `T` and adds
/// `count / N(T)` (Palmgren-Miner). What is still open at the end counts as half cycles (ASTM E1049-85
/// section 5.4.4); [`Stress::total`] includes it.
#[derive(Clone, Debug)]
pub struct Stress {
    curve: LifeCurve,
    cycles: Rainflow,
    closed: f64,
}

impl Stress {
    /// No load yet. Ranges below `gate_nm` are not counted: they bound the memory.
    #[must_use]
    pub fn new(curve: LifeCurve, gate_nm: f64) -> Stress {
        Stress { curve, cycles: Rainflow::new(gate_nm), closed: 0.0 }
    }

    /// The next sample of output torque, N·m.
    #[inline]
    pub fn push(&mut self, torque_nm: f64) {
        let curve = self.curve;
        let closed = &mut self.closed;
        self.cycles.push(torque_nm, |cycle| *closed += cycle.count * curve.damage_per_cycle(cycle.range));
    }

    /// Damage by cycles that have closed.
    #[must_use]
    pub fn closed(&self) -> f64 {
        self.closed
    }

    /// Damage with the residue counted as half cycles.
    #[must_use]
    pub fn total(&self) -> f64 {
        let mut total = self.closed;
        self.cycles.residue(|cycle| total += cycle.count * self.curve.damage_per_cycle(cycle.range));
        total
    }
}
