//! The numbers that a policy sees, as they lie in a row of the array.

use lowgear_onboard::{FEATURES, Feature, Features};

/// How features are written down.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Observation {
    /// The integers themselves.
    Features,
    /// As the project's networks take them, with one number per gear: the encoding of `FeatureScaler` in
    /// `agents/src/neural/encode.rs` without memory, which stands there as a table. It is written again here since
    /// that crate brings a tensor library along; `tests/test_policy.py` compares decisions.
    Encoded {
        /// Gears of the vehicle.
        gears: u8,
        /// Whether the vehicle has a sensor ahead of its front axle.
        preview: bool,
    },
}

/// Numbers of the encoding besides the gear.
const BESIDES_GEAR: usize = 12;
/// Further ones with a sensor ahead.
const OF_PREVIEW: usize = 4;

impl Observation {
    /// Numbers in a row.
    pub(crate) fn width(self) -> usize {
        match self {
            Observation::Features => FEATURES,
            Observation::Encoded { gears, preview } => {
                usize::from(gears) + BESIDES_GEAR + if preview { OF_PREVIEW } else { 0 }
            }
        }
    }

    /// Writes a row, which is [`Self::width`] long.
    pub(crate) fn write(self, features: &Features, row: &mut [f32]) {
        match self {
            Observation::Features => {
                for (number, feature) in row.iter_mut().zip(features.0) {
                    *number = f32::from(feature);
                }
            }
            Observation::Encoded { gears, .. } => encode(gears, features, row),
        }
    }
}

/// Fills the row to its length: without a sensor ahead the last numbers find no place in it.
fn encode(gears: u8, features: &Features, row: &mut [f32]) {
    let value = |feature| f32::from(features.get(feature));
    let fading = |feature, ticks: f32| (-value(feature) / ticks).exp();
    let load = |feature| (value(feature).max(0.0) / 200.0).ln_1p() / 3.0;
    let one_hot = (0..gears).map(|gear| f32::from(features.get(Feature::Gear) == i16::from(gear)));
    let others: [f32; BESIDES_GEAR] = [
        value(Feature::MotorSpeed) / 1000.0,
        value(Feature::SpeedRatio) / 500.0 - 1.0,
        load(Feature::LoadSlow),
        load(Feature::LoadPeak),
        value(Feature::Tilt) / 200.0,
        (value(Feature::Battery) - 1000.0) / 200.0,
        fading(Feature::Dwell, 20.0),
        fading(Feature::SinceFailed, 40.0),
        fading(Feature::SinceFailed, 200.0),
        value(Feature::FailedCount) / 4.0,
        1.0 - fading(Feature::Stalled, 10.0),
        value(Feature::Current) / 1000.0,
    ];
    let (class, way_mm) = (features.get(Feature::StrikeClass), value(Feature::StrikeMm));
    let of_class = |kind| f32::from(class == kind);
    let nearness = if class >= 2 { (-way_mm / 150.0).exp() } else { 0.0 };
    let of_preview: [f32; OF_PREVIEW] = [of_class(0), of_class(2), of_class(3), nearness];
    for (number, value) in row.iter_mut().zip(one_hot.chain(others).chain(of_preview)) {
        *number = value;
    }
}
