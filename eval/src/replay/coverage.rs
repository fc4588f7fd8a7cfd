//! What a policy has seen in training, and whether what a log shows lies inside.

use lowgear_onboard::{FEATURES, Feature, Features};
use std::collections::HashSet;

/// Features that span the cells, with the width of a cell in the feature's unit.
const CELLS: [(Feature, i16); 4] =
    [(Feature::Gear, 1), (Feature::SpeedRatio, 100), (Feature::LoadSlow, 400), (Feature::Tilt, 20)];

/// Where a reading lies.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CoverageStatus {
    /// In a cell that training visited, every feature within its range.
    Inside,
    /// Every feature within its range, but not in this combination.
    NewCell,
    /// This feature is outside the range of training.
    Outside(Feature),
}

/// What training visited.
#[derive(Clone, Debug, Default)]
pub struct TrainingCoverage {
    low: [i16; FEATURES],
    high: [i16; FEATURES],
    cells: HashSet<[i16; 4]>,
    /// Readings noted.
    pub readings: u64,
}

fn cell(features: &Features) -> [i16; 4] {
    CELLS.map(|(feature, width)| features.get(feature).div_euclid(width))
}

impl TrainingCoverage {
    /// Notes one reading of training.
    pub fn record(&mut self, features: &Features) {
        for (i, &value) in features.0.iter().enumerate() {
            let first = self.readings == 0;
            self.low[i] = if first { value } else { self.low[i].min(value) };
            self.high[i] = if first { value } else { self.high[i].max(value) };
        }
        self.readings += 1;
        self.cells.insert(cell(features));
    }

    /// Where a reading lies. Clocks and ways counted down are left out: they only say
    /// how far off something is.
    #[must_use]
    pub fn place(&self, features: &Features) -> CoverageStatus {
        let clocks =
            [Feature::Dwell, Feature::SinceFailed, Feature::FailedCount, Feature::Stalled, Feature::StrikeMm];
        for feature in Feature::ALL.into_iter().filter(|f| !clocks.contains(f)) {
            let (i, value) = (feature as usize, features.get(feature));
            if value < self.low[i] || value > self.high[i] {
                return CoverageStatus::Outside(feature);
            }
        }
        if self.cells.contains(&cell(features)) { CoverageStatus::Inside } else { CoverageStatus::NewCell }
    }

    /// Cells visited.
    #[must_use]
    pub fn cells(&self) -> usize {
        self.cells.len()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn readings_are_placed_by_range_and_by_cell() {
        let mut coverage = TrainingCoverage::default();
        let at = |speed: i16, tilt: i16| {
            let mut f = Features::default();
            f.0[Feature::SpeedRatio as usize] = speed;
            f.0[Feature::Tilt as usize] = tilt;
            f
        };
        coverage.record(&at(100, -50));
        coverage.record(&at(900, 50));
        assert_eq!(coverage.place(&at(105, -45)), CoverageStatus::Inside);
        assert_eq!(coverage.place(&at(500, 0)), CoverageStatus::NewCell);
        assert_eq!(coverage.place(&at(950, 0)), CoverageStatus::Outside(Feature::SpeedRatio));
        assert_eq!(coverage.cells(), 2);
    }
}
