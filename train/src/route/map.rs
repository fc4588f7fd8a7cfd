//! What a map of a way holds, and its bytes.

use lowgear_onboard::{ROUTE_ENTRY, ROUTE_FORMAT, ROUTE_HEAD, ROUTE_SILENT, crc16_of};

/// A place where the resistance rises on most laps.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Landmark {
    /// Position, mm.
    pub position_mm: u16,
    /// Standard deviation of the position from lap to lap, mm.
    pub sd_mm: u8,
}

/// Where the map has another gear than before.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Section {
    /// Where it begins, mm.
    pub from_mm: u16,
    /// The gear to be in, 0 is the lowest; none where the map is silent.
    pub gear: Option<u8>,
}

/// A map of a way.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RouteContent {
    /// Length, mm.
    pub length_mm: u16,
    /// Standard deviation of the position at the start, mm.
    pub start_sd_mm: u8,
    /// What the variance of the position grows by in 16 mm of way, mm².
    pub drift_mm2: u8,
    /// Decisions in a row for which the load may contradict the map.
    pub patience: u8,
    /// Landmarks, in order.
    pub landmarks: Vec<Landmark>,
    /// Sections, in order.
    pub sections: Vec<Section>,
}

impl RouteContent {
    /// Bytes of the map.
    #[must_use]
    pub fn size(&self) -> usize {
        ROUTE_HEAD + ROUTE_ENTRY * (self.landmarks.len() + self.sections.len()) + 2
    }

    /// Leaves out landmarks until the map fits, first those that follow others most closely.
    pub fn fit(&mut self, bytes: f64) {
        while self.size() as f64 > bytes && !self.landmarks.is_empty() {
            let gap_mm = |i: usize| match i {
                0 => u16::MAX,
                i => self.landmarks[i].position_mm - self.landmarks[i - 1].position_mm,
            };
            let closest = (0..self.landmarks.len()).min_by_key(|&i| gap_mm(i)).unwrap_or(0);
            self.landmarks.remove(closest);
        }
    }

    /// The map as it is stored on the vehicle.
    #[must_use]
    pub fn bytes(&self) -> Vec<u8> {
        let [low, high] = self.length_mm.to_le_bytes();
        let (landmarks, sections) = (self.landmarks.len() as u8, self.sections.len() as u8);
        let mut bytes = vec![
            ROUTE_FORMAT,
            low,
            high,
            self.start_sd_mm,
            self.drift_mm2,
            self.patience,
            landmarks,
            sections,
        ];
        for landmark in &self.landmarks {
            let [low, high] = landmark.position_mm.to_le_bytes();
            bytes.extend([low, high, landmark.sd_mm]);
        }
        for section in &self.sections {
            let [low, high] = section.from_mm.to_le_bytes();
            bytes.extend([low, high, section.gear.unwrap_or(ROUTE_SILENT)]);
        }
        bytes.extend(crc16_of(&bytes).to_le_bytes());
        bytes
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use lowgear_onboard::RouteMap;

    #[test]
    fn the_vehicle_reads_what_was_packed() {
        let content = RouteContent {
            length_mm: 15_000,
            start_sd_mm: 20,
            drift_mm2: 6,
            patience: 2,
            landmarks: vec![Landmark { position_mm: 4000, sd_mm: 12 }],
            sections: vec![
                Section { from_mm: 0, gear: Some(2) },
                Section { from_mm: 3800, gear: Some(0) },
                Section { from_mm: 4300, gear: None },
            ],
        };
        let bytes = content.bytes();
        assert_eq!(bytes.len(), content.size());
        assert_eq!(bytes.len(), 8 + 4 * 3 + 2);
        let map = RouteMap::new(&bytes).unwrap();
        assert_eq!(map.length_mm(), 15_000);
        let gears = [0, 3799, 3800, 4299, 4300].map(|position_mm| map.gear_at(position_mm));
        assert_eq!(gears, [Some(2), Some(2), Some(0), Some(0), None]);
        let mut damaged = bytes.clone();
        damaged[13] ^= 1;
        assert!(RouteMap::new(&damaged).is_err());
    }

    #[test]
    fn a_map_that_is_too_large_loses_landmarks_that_follow_closely() {
        let places_mm = [300, 900, 1000, 2000];
        let landmarks = places_mm.map(|position_mm| Landmark { position_mm, sd_mm: 9 }).to_vec();
        let sections = vec![Section { from_mm: 0, gear: Some(1) }];
        let mut content =
            RouteContent { length_mm: 3000, start_sd_mm: 9, drift_mm2: 1, patience: 1, landmarks, sections };
        content.fit(21.0);
        let left: Vec<u16> = content.landmarks.iter().map(|landmark| landmark.position_mm).collect();
        assert_eq!((left, content.size()), (vec![300, 2000], 19));
    }
}
