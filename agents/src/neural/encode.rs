//! From what is seen to the numbers that a network takes.

use std::num::NonZeroU8;

use lowgear_onboard::{Feature, Features};
use serde::{Deserialize, Serialize};

/// Turns an observation into numbers within about ±1. May remember earlier observations of the episode.
///
/// Any closure `FnMut(&O, &mut Vec<f32>)` is one without memory.
pub trait Encode<O: ?Sized> {
    /// Forgets everything: a new episode begins.
    fn reset(&mut self);

    /// Appends the numbers to `out`, which is empty.
    fn encode(&mut self, observation: &O, out: &mut Vec<f32>);
}

impl<O: ?Sized, F: FnMut(&O, &mut Vec<f32>)> Encode<O> for F {
    fn reset(&mut self) {}

    fn encode(&mut self, observation: &O, out: &mut Vec<f32>) {
        self(observation, out);
    }
}

/// The onboard features as a network takes them, with the last `stack` decisions side by side, newest
/// first.
///
/// | numbers | feature | value |
/// |---|---|---|
/// | `gears` | gear | 1 at the gear engaged, 0 elsewhere |
/// | 1 | motor speed, permille of no-load | `x / 1000` |
/// | 1 | speed ratio, permille | `x / 500 - 1` |
/// | 2 | slow load and peak load, permille | `ln(1 + x / 200) / 3` |
/// | 1 | tilt, tenths of a degree | `x / 200` |
/// | 1 | battery, permille of nominal | `(x - 1000) / 200` |
/// | 1 | dwell, ticks | `exp(-t / 20)` |
/// | 2 | since failed upshift, ticks | `exp(-t / 40)`, `exp(-t / 200)` |
/// | 1 | failed upshifts in a row | `n / 4` |
/// | 1 | stalled, ticks | `1 - exp(-t / 10)` |
/// | 1 | current, permille of stall | `x / 1000` |
///
/// With a sensor ahead of the front axle ([`FeatureScaler::with_preview`]) also:
///
/// | numbers | feature | value |
/// |---|---|---|
/// | 3 | strike class | 1 at unknown, low and high, 0 elsewhere |
/// | 1 | way to the strike, mm | `exp(-x / 150)`; 0 when none is in view |
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FeatureScaler {
    gears: NonZeroU8,
    stack: NonZeroU8,
    /// Whether the features of the preview are among the numbers.
    #[serde(default)]
    preview: bool,
    /// Earlier numbers, newest first; empty at the start of an episode.
    #[serde(skip)]
    memory: Vec<f32>,
}

/// Numbers per decision besides the gear.
const BESIDES_GEAR: usize = 12;
/// Further ones with a sensor ahead.
const OF_PREVIEW: usize = 4;

impl FeatureScaler {
    /// For `gears` gears (at least 1) and the last `stack` decisions (1: the present one alone).
    #[must_use]
    pub fn new(gears: u8, stack: u8) -> FeatureScaler {
        let at_least_1 = |n| NonZeroU8::new(n).unwrap_or(NonZeroU8::MIN);
        FeatureScaler {
            gears: at_least_1(gears),
            stack: at_least_1(stack),
            preview: false,
            memory: Vec::new(),
        }
    }

    /// The same with or without the features of the preview, which are constants without a sensor ahead.
    #[must_use]
    pub fn with_preview(self, preview: bool) -> FeatureScaler {
        FeatureScaler { preview, ..self }
    }

    /// Length of the encoded observation.
    #[must_use]
    pub const fn inputs(&self) -> usize {
        self.frame() * self.stack.get() as usize
    }

    const fn frame(&self) -> usize {
        self.gears.get() as usize + BESIDES_GEAR + if self.preview { OF_PREVIEW } else { 0 }
    }

    fn scale(&self, features: &Features, out: &mut Vec<f32>) {
        let value = |feature| f32::from(features.get(feature));
        let fading = |feature, ticks: f32| (-value(feature) / ticks).exp();
        let load = |feature| (value(feature).max(0.0) / 200.0).ln_1p() / 3.0;
        out.extend(
            (0..self.gears.get()).map(|gear| f32::from(features.get(Feature::Gear) == i16::from(gear))),
        );
        out.extend([
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
        ]);
        if self.preview {
            let (class, way_mm) = (features.get(Feature::StrikeClass), value(Feature::StrikeMm));
            out.extend([0, 2, 3].map(|kind| f32::from(class == kind)));
            out.push(if class >= 2 { (-way_mm / 150.0).exp() } else { 0.0 });
        }
    }
}

impl Encode<Features> for FeatureScaler {
    fn reset(&mut self) {
        self.memory.clear();
    }

    /// Before the first decision of an episode the vehicle is taken to have been as it is now.
    fn encode(&mut self, features: &Features, out: &mut Vec<f32>) {
        self.scale(features, out);
        let earlier = self.inputs() - self.frame();
        if earlier == 0 {
            return;
        }
        if self.memory.is_empty() {
            self.memory = out.repeat(usize::from(self.stack.get()) - 1);
        }
        out.extend_from_slice(&self.memory);
        self.memory.copy_from_slice(&out[..earlier]);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn features(gear: i16, speed_ratio: i16) -> Features {
        let mut f = Features::default();
        f.0[Feature::Gear as usize] = gear;
        f.0[Feature::SpeedRatio as usize] = speed_ratio;
        f.0[Feature::Battery as usize] = 1000;
        f
    }

    #[test]
    fn numbers_by_hand() {
        let mut scaler = FeatureScaler::new(3, 1);
        let mut out = Vec::new();
        scaler.encode(&features(1, 750), &mut out);
        assert_eq!(out, [0.0, 1.0, 0.0, 0.0, 0.5, 0.0, 0.0, 0.0, 0.0, 1.0, 1.0, 1.0, 0.0, 0.0, 0.0]);
        assert_eq!(out.len(), scaler.inputs());
    }

    #[test]
    fn a_sensor_ahead_adds_class_and_nearness() {
        let mut scaler = FeatureScaler::new(3, 1).with_preview(true);
        let mut numbers = |class: i16, way_mm: i16| {
            let mut f = features(1, 750);
            f.0[Feature::StrikeClass as usize] = class;
            f.0[Feature::StrikeMm as usize] = way_mm;
            let mut out = Vec::new();
            scaler.encode(&f, &mut out);
            assert_eq!(out.len(), scaler.inputs());
            out.split_off(15)
        };
        assert_eq!(numbers(0, 1000), [1.0, 0.0, 0.0, 0.0]);
        assert_eq!(numbers(1, 1000), [0.0; 4]);
        assert_eq!(numbers(2, 0), [0.0, 1.0, 0.0, 1.0]);
        assert_eq!(numbers(3, 150), [0.0, 0.0, 1.0, (-1.0_f32).exp()]);
    }

    #[test]
    fn every_number_stays_small_over_the_whole_range() {
        for extreme in [-30_000, 30_000] {
            let ranges = [2, 2000, 2000, 30_000, 30_000, 400, 1400, 1000, 1000, 7, 1000, 2000, 3, 1000];
            let mut f = Features(ranges.map(|r: i16| extreme.clamp(0, r)));
            f.0[Feature::Tilt as usize] = extreme.clamp(-400, 400);
            let mut out = Vec::new();
            FeatureScaler::new(3, 1).with_preview(true).encode(&f, &mut out);
            assert!(out.iter().all(|x| x.abs() <= 5.0), "{out:?}");
        }
    }

    #[test]
    fn a_stack_shows_the_newest_first_and_forgets_at_reset() {
        let mut scaler = FeatureScaler::new(2, 3);
        let frame = scaler.inputs() / 3;
        let mut shown = |ratio: i16, reset: bool| {
            if reset {
                scaler.reset();
            }
            let mut out = Vec::new();
            scaler.encode(&features(0, ratio), &mut out);
            [0, 1, 2].map(|k| out[k * frame + 3])
        };
        assert_eq!(shown(500, true), [0.0, 0.0, 0.0]);
        assert_eq!(shown(1000, false), [1.0, 0.0, 0.0]);
        assert_eq!(shown(750, false), [0.5, 1.0, 0.0]);
        assert_eq!(shown(1000, true), [1.0, 1.0, 1.0]);
    }
}
