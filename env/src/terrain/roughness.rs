//! Random ground after ISO 8608:2016.
//!
//! One-sided displacement spectrum `G_d(n) = G_d(n0) (n / n0)^-2`, `n0 = 0.1` cycles/m. A profile is a sum of
//! cosines with random phases, `h(x) = sum sqrt(2 G_d(n_i) dn) cos(2 pi n_i x + phi_i)` (Agostinacchio,
//! Ciampa, Olita 2014, Eur. Transp. Res. Rev. 6:267-275).

use rand::{Rng, RngExt};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::f64::consts::TAU;

/// Roughness class of ISO 8608:2016, Annex C.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum RoughnessClass {
    /// 16e-6 m³.
    A,
    /// 64e-6 m³.
    B,
    /// 256e-6 m³.
    C,
    /// 1024e-6 m³.
    D,
    /// 4096e-6 m³.
    E,
}

impl RoughnessClass {
    /// Geometric mean of `G_d(n0)`, m³.
    #[must_use]
    pub fn density_m3(self) -> f64 {
        16e-6
            * match self {
                RoughnessClass::A => 1.0,
                RoughnessClass::B => 4.0,
                RoughnessClass::C => 16.0,
                RoughnessClass::D => 64.0,
                RoughnessClass::E => 256.0,
            }
    }
}

/// Elevation at `count` points `spacing_m` apart, m: waves from one per profile length up to
/// `highest_cycles_per_m`. `spacing_m * count` should be some metres at least.
pub fn roughness_profile(
    class: RoughnessClass,
    spacing_m: f64,
    count: usize,
    highest_cycles_per_m: f64,
    rng: &mut impl Rng,
) -> Vec<f64> {
    let length_m = spacing_m * count as f64;
    let step = 1.0 / length_m;
    let waves = (highest_cycles_per_m / step).floor() as usize;
    let waves: Vec<Wave> = (1..=waves)
        .map(|i| {
            let n = i as f64 * step;
            let amplitude_m = (2.0 * class.density_m3() * (n / 0.1).powi(-2) * step).sqrt();
            let phase = rng.random::<f64>() * TAU;
            Wave { amplitude_m, now: phase.sin_cos(), turn: (TAU * n * spacing_m).sin_cos() }
        })
        .collect();
    let mut elevation = vec![0.0; count];
    // Each wave is a chain of dependent products; several chains run side by side.
    let (together, rest) = waves.as_chunks::<4>();
    together.iter().for_each(|waves| add_waves(waves, &mut elevation));
    rest.iter().for_each(|&wave| add_waves(&[wave], &mut elevation));
    elevation
}

/// A wave of the profile.
#[derive(Clone, Copy)]
struct Wave {
    amplitude_m: f64,
    /// Sine and cosine of its phase at a point.
    now: (f64, f64),
    /// Those of the angle from point to point: rotation by a constant angle takes one sine and cosine a wave instead of one
    /// a point.
    turn: (f64, f64),
}

/// Adds some waves at every point, one after the other.
fn add_waves<const N: usize>(waves: &[Wave; N], elevation: &mut [f64]) {
    let mut waves = *waves;
    for height in elevation {
        for Wave { amplitude_m, now: (sin, cos), turn: (turn_sin, turn_cos) } in &mut waves {
            *height += *amplitude_m * *cos;
            (*sin, *cos) = (*sin * *turn_cos + *cos * *turn_sin, *cos * *turn_cos - *sin * *turn_sin);
        }
    }
}
