//! How each feature goes into an integer network.

use lowgear_onboard::{Feature, InputForm, NetworkInput};

/// Resolution and range of every feature's activations:
///
/// | feature | activations | step | range |
/// |---|---|---|---|
/// | gear | one per gear | | |
/// | motor speed, speed ratio | linear | 4 permille | 0 to 1020 permille |
/// | slow load, peak load | logarithm of the value plus 64 | 4.4 % | all |
/// | tilt | linear | 0.2 degrees | -25.6 to 25.4 degrees |
/// | battery | linear | 2 permille | 744 to 1254 permille |
/// | dwell, stalled | logarithm of the ticks plus 4 | 4.4 % | all |
/// | since failed | logarithm of the ticks plus 16 | 4.4 % | all |
/// | failed count | logarithm of the number plus 1 | | all |
/// | current | linear | 16 permille | all |
/// | strike class | one each for unknown, low, high | | |
/// | way to the strike | logarithm of the millimetres plus 32 | 4.4 % | all |
#[must_use]
pub fn inputs_for(features: &[Feature], gears: usize) -> Vec<NetworkInput> {
    let mut inputs = Vec::new();
    for &feature in features {
        let mut add =
            |form, low, shift| inputs.push(NetworkInput { feature: feature as u8, form, low, shift });
        match feature {
            Feature::Gear => (0..gears as i16).for_each(|gear| add(InputForm::Equal, gear, 0)),
            Feature::MotorSpeed | Feature::SpeedRatio => add(InputForm::Linear, 0, 2),
            Feature::LoadSlow | Feature::LoadPeak => add(InputForm::Log, 64, 24),
            Feature::Tilt => add(InputForm::Linear, -256, 1),
            Feature::Battery => add(InputForm::Linear, 744, 1),
            Feature::Dwell | Feature::Stalled => add(InputForm::Log, 4, 96),
            Feature::SinceFailed => add(InputForm::Log, 16, 80),
            Feature::FailedCount => add(InputForm::Log, 1, 168),
            Feature::Current => add(InputForm::Linear, -2048, 4),
            Feature::StrikeClass => [0, 2, 3].into_iter().for_each(|class| add(InputForm::Equal, class, 0)),
            Feature::StrikeMm => add(InputForm::Log, 32, 72),
        }
    }
    inputs
}
