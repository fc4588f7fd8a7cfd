//! What lies on the track of a sensor ahead: other bumps than under the wheels, and grass.

use crate::terrain::{Course, FREE_START_M, Obstacle, ObstacleShape};
use crate::vehicle::{GrassConfig, OwnTrackConfig, RangeConfig};
use rand::{Rng, RngExt};

/// Length of the pieces that grass is drawn for, m.
pub(super) const CELL_M: f64 = 0.1;
/// Lowest and highest place at which grass holds an arm up, m.
const HELD_UP_M: [f64; 2] = [0.003, 0.015];

/// What grass does to the arm in one piece of ground.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct GrassCell {
    /// Height of the tufts that it rides over, m.
    pub(super) tuft_m: f64,
    /// Where it is held, m above the ground, if it is stuck.
    pub(super) held_m: Option<f64>,
}

/// Everything on the track of the sensor that the course does not say.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct OwnTrack {
    /// Obstacles, in no order.
    pub(super) obstacles: Vec<Obstacle>,
    /// Grass by pieces of [`CELL_M`] from the start on.
    pub(super) grass: Vec<GrassCell>,
    /// Ranges that have nothing to do with the ground, by the same pieces, as heights, m.
    faults: Vec<Option<f64>>,
}

/// What a range that failed reads as, m: more than any height that is taken.
const FAILED_M: f64 = 10.0;
/// False ranges read up to this height, m.
const FALSE_M: f64 = 0.1;

impl OwnTrack {
    /// Nothing: what the wheels meet is felt.
    pub(super) const fn none() -> OwnTrack {
        OwnTrack { obstacles: Vec::new(), grass: Vec::new(), faults: Vec::new() }
    }

    /// Draws the track for `course`. Every obstacle and every piece takes the same numbers whatever the shares are, so
    /// that two sensors meet alike what they both meet.
    pub(super) fn draw(
        course: &Course,
        track: &OwnTrackConfig,
        grass: &GrassConfig,
        error_factor: f64,
        rng: &mut impl Rng,
    ) -> OwnTrack {
        let share = |share: f64| (share * error_factor).min(1.0);
        let (missed, invented) = (share(track.missed_share), share(track.false_share));
        let mut obstacles = Vec::with_capacity(course.obstacles.len());
        for obstacle in &course.obstacles {
            let [miss, invent, place] = rng.random::<[f64; 3]>();
            // An edge lies across the whole way.
            if obstacle.shape != ObstacleShape::Bump || miss >= missed {
                obstacles.push(*obstacle);
            }
            if invent < invented {
                let position_m = FREE_START_M + place * (course.length_m - FREE_START_M).max(0.0);
                obstacles.push(Obstacle { position_m, shape: ObstacleShape::Bump, ..*obstacle });
            }
        }
        OwnTrack { obstacles, grass: draw_grass(course, grass, rng), faults: vec![] }
    }

    /// What a range sensor meets on `course`: all of it, its grass, and ground that gives false ranges or none.
    pub(super) fn in_sight(
        course: &Course,
        range: &RangeConfig,
        error_factor: f64,
        rng: &mut impl Rng,
    ) -> OwnTrack {
        let cells = (course.length_m / CELL_M).ceil() as usize + 1;
        let share = |share: f64| (share * error_factor).min(1.0);
        let (failed, wrong) = (share(range.dropout_share), share(range.false_share));
        let mut fault = |_| {
            let [which, height] = rng.random::<[f64; 2]>();
            let wrong_m = (which < failed + wrong).then_some(FALSE_M * height);
            if which < failed { Some(FAILED_M) } else { wrong_m }
        };
        let canopy = |i: usize| GrassCell {
            tuft_m: range.canopy_m * course.surface_at(i as f64 * CELL_M).drag_s_m,
            held_m: None,
        };
        OwnTrack {
            obstacles: course.obstacles.clone(),
            grass: (0..cells).map(canopy).collect(),
            faults: (0..cells).map(&mut fault).collect(),
        }
    }

    /// The track of a sensor that errs in nothing.
    #[cfg(test)]
    pub(super) fn exact(course: &Course) -> OwnTrack {
        OwnTrack { obstacles: course.obstacles.clone(), grass: vec![], faults: vec![] }
    }

    /// What a range to this place reads as where it has nothing to do with the ground, m.
    pub(super) fn fault_m(&self, seen_m: f64) -> Option<f64> {
        self.faults.get((seen_m.max(0.0) / CELL_M) as usize).copied().flatten()
    }
}

fn draw_grass(course: &Course, grass: &GrassConfig, rng: &mut impl Rng) -> Vec<GrassCell> {
    if course.surfaces.iter().all(|surface| surface.drag_s_m <= 0.0) {
        return Vec::new();
    }
    let (mut held_m, mut held_until_m) = (0.0, 0.0);
    let cells = (course.length_m / CELL_M).ceil() as usize + 1;
    let cell = |i: usize| {
        let at_m = i as f64 * CELL_M;
        let [tuft, stuck, side, height] = rng.random::<[f64; 4]>();
        let drag_s_m = course.surface_at(at_m).drag_s_m;
        if drag_s_m <= 0.0 {
            // Out of the grass it comes free.
            held_until_m = 0.0;
            return GrassCell::default();
        }
        if at_m >= held_until_m && stuck < grass.stuck_rate * drag_s_m * CELL_M {
            let [low_m, high_m] = HELD_UP_M;
            held_m = if side < grass.down_share { 0.0 } else { low_m + (high_m - low_m) * height };
            held_until_m = at_m + grass.stuck_length_m;
        }
        let held_m = (at_m < held_until_m).then_some(held_m);
        GrassCell { tuft_m: 2.0 * tuft * grass.tuft_m * drag_s_m, held_m }
    };
    (0..cells).map(cell).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::terrain::{Segment, Surface};
    use crate::{Seed, Stream};

    /// Half hard path, half grass of 0.25 s/m; a bump every tenth of a metre, and an edge in the middle.
    fn course() -> Course {
        let surface = |drag_s_m| Surface { name: "s".to_owned(), rolling: 0.05, drag_s_m, friction: 0.8 };
        let segment = |start_m, surface| Segment { start_m, sin_grade: 0.0, surface };
        let bump = |i: u32| Obstacle {
            position_m: 0.1 * f64::from(i),
            height_m: 0.005,
            shape: if i == 500 { ObstacleShape::Edge } else { ObstacleShape::Bump },
        };
        Course {
            name: "c".to_owned(),
            length_m: 100.0,
            surfaces: vec![surface(0.0), surface(0.25)],
            segments: vec![segment(-5.0, 0), segment(50.0, 1)],
            obstacles: (10..990).map(bump).collect(),
        }
    }

    fn drawn(track: OwnTrackConfig, grass: GrassConfig, factor: f64) -> OwnTrack {
        OwnTrack::draw(&course(), &track, &grass, factor, &mut Seed(1).stream(Stream::PreviewTrack, 0))
    }

    #[test]
    fn shares_of_bumps_are_missed_and_invented_and_the_edge_stays() {
        let none = OwnTrackConfig { missed_share: 0.0, false_share: 0.0 };
        assert_eq!(drawn(none, GrassConfig::default(), 1.0).obstacles, course().obstacles);
        let half = OwnTrackConfig { missed_share: 0.5, false_share: 0.0 };
        let left = drawn(half, GrassConfig::default(), 1.0).obstacles;
        // 979 bumps at one half: standard deviation 15.6.
        assert!((left.len() as f64 - 490.5).abs() < 63.0, "{}", left.len());
        let all = OwnTrackConfig { missed_share: 0.5, false_share: 0.5 };
        let changed = drawn(all, GrassConfig::default(), 2.0).obstacles;
        let edges = changed.iter().filter(|o| o.shape == ObstacleShape::Edge).count();
        assert_eq!(
            (edges, changed.len()),
            (1, 981),
            "twice one half is all: only the edge, and one more for each"
        );
    }

    #[test]
    fn more_missed_bumps_move_no_other() {
        let share = |missed_share| OwnTrackConfig { missed_share, false_share: 0.2 };
        let (few, many) =
            (drawn(share(0.1), GrassConfig::default(), 1.0), drawn(share(0.4), GrassConfig::default(), 1.0));
        assert!(many.obstacles.len() < few.obstacles.len());
        assert!(many.obstacles.iter().all(|obstacle| few.obstacles.contains(obstacle)));
        assert_eq!(many.grass, few.grass);
    }

    #[test]
    fn the_arm_is_stuck_in_grass_alone_and_for_its_length() {
        let grass = GrassConfig { stuck_rate: 2.0, stuck_length_m: 0.3, down_share: 0.0, tuft_m: 0.02 };
        let cells = drawn(OwnTrackConfig::default(), grass, 1.0).grass;
        assert!(cells[..500].iter().all(|cell| *cell == GrassCell::default()), "none on the hard path");
        let held = cells[500..].iter().filter(|cell| cell.held_m.is_some()).count();
        // Once in 2 m free, then 0.3 m: 50 m hold 21.7 times on average, three cells each.
        assert!((30..=110).contains(&held), "{held}");
        let mean_m = cells[500..1000].iter().map(|cell| cell.tuft_m).sum::<f64>() / 500.0;
        assert!((mean_m - 0.005).abs() < 0.0006, "{mean_m}");
        let down = GrassConfig { down_share: 1.0, ..grass };
        let cells = drawn(OwnTrackConfig::default(), down, 1.0).grass;
        assert!(cells.iter().filter_map(|cell| cell.held_m).all(|held_m| held_m == 0.0));
    }
}
