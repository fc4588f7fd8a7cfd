//! What a sensor that looks ahead reports of a course, and what of it is still believed.
//!
//! Reports are drawn once per episode. An obstacle is reported, or missed; some are invented: copies of real ones at random
//! positions. The report of an obstacle is a metre of way old: its position is off by what a random walk of the odometer
//! gains in that metre, `e(x) = W(x) - W(x - 1 m)`, so that the error has the same standard deviation everywhere and
//! neighbours are off alike. The preview knows this standard deviation, not the error. Not modelled: errors of height other
//! than classes, and of shape.

use lowgear_env::config::ParameterDistribution;
use lowgear_env::motion::Track;
use lowgear_env::terrain::{Contact, Course, LEAST_GAP_M, Obstacle, Segment};
use lowgear_env::vehicle::Vehicle;
use lowgear_env::{Seed, Stream};
use rand::{Rng, RngExt};

/// What of the ground ahead a preview is given.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PreviewSensor {
    /// Range ahead of the front axle, m.
    pub range_m: f64,
    /// Obstacles are reported; without, each is known from the first touch of the front wheels.
    pub obstacles: bool,
    /// Surfaces are reported; without, the present one is taken to continue.
    pub surfaces: bool,
    /// Grades are reported; without, the present one is taken to continue.
    pub grades: bool,
    /// Standard deviation of an obstacle's position, m.
    pub position_sd_m: f64,
    /// Share of obstacles that are not reported, 0 to 1.
    pub missed_share: f64,
    /// Invented reports as a share of the obstacles, 0 to 1.
    pub invented_share: f64,
    /// How heights are reported.
    pub heights: Heights,
    /// So many of the obstacles ahead are reported, the next ones.
    pub most_ahead: usize,
}

/// How finely heights are reported.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Heights {
    /// As they are.
    Exact,
    /// As one of two classes.
    Classes(HeightClasses),
    /// Rounded to whole steps, m; what rounds to nothing is not reported.
    Steps(f64),
}

/// Two classes of height, and what an obstacle of each is taken for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HeightClasses {
    /// Lower ones are not reported, m.
    pub low_m: f64,
    /// From here on an obstacle is a high one, m.
    pub high_m: f64,
    /// Height that a low one is taken to have, m.
    pub low_taken_m: f64,
    /// Height that a high one is taken to have, m.
    pub high_taken_m: f64,
}

impl PreviewSensor {
    /// All of the ground, without error.
    #[must_use]
    pub fn perfect(range_m: f64) -> PreviewSensor {
        PreviewSensor {
            range_m,
            obstacles: true,
            surfaces: true,
            grades: true,
            position_sd_m: 0.0,
            missed_share: 0.0,
            invented_share: 0.0,
            heights: Heights::Exact,
            most_ahead: usize::MAX,
        }
    }

    /// An obstacle as it is reported, if its height is.
    fn reported(&self, obstacle: Obstacle) -> Option<Obstacle> {
        let height_m = match self.heights {
            Heights::Exact => obstacle.height_m,
            Heights::Classes(classes) if obstacle.height_m < classes.low_m => 0.0,
            Heights::Classes(classes) if obstacle.height_m < classes.high_m => classes.low_taken_m,
            Heights::Classes(classes) => classes.high_taken_m,
            Heights::Steps(step_m) => (obstacle.height_m / step_m).round() * step_m,
        };
        (height_m > 0.0).then_some(Obstacle { height_m, ..obstacle })
    }

    /// Obstacles alone, without error.
    #[must_use]
    pub fn of_obstacles(range_m: f64) -> PreviewSensor {
        PreviewSensor { surfaces: false, grades: false, ..PreviewSensor::perfect(range_m) }
    }
}

/// Number of the seed from which reports are drawn.
const REPORTS: u64 = 0x7265_706f_7274;
/// Way over which the error of a position grows, m.
const WALK_M: f64 = 1.0;
/// Steps of the random walk per metre.
const STEPS_PER_M: f64 = 20.0;
/// A reported obstacle is prepared for this many standard deviations early,
const EARLY_SDS: f64 = 1.0;
/// and expected until this many late.
const LATE_SDS: f64 = 2.0;
/// Where an overdue obstacle is expected ahead of the front wheels, m.
const RIGHT_AHEAD_M: f64 = 2e-3;
/// An obstacle counts as touched this far ahead of the first touch, m: a vehicle that it stops stands there.
const TOUCH_M: f64 = 1e-3;

/// A report, of a real obstacle or of none.
#[derive(Clone, Debug)]
struct Report {
    obstacle: Obstacle,
    /// Number of the obstacle in the course.
    of: Option<usize>,
}

/// Reports on one course, and the obstacles themselves.
#[derive(Clone, Debug)]
pub(super) struct Reports {
    sensor: PreviewSensor,
    reports: Vec<Report>,
    /// Where the front wheels touch each obstacle, m.
    touch_m: Vec<f64>,
}

/// Where the front wheels touch an obstacle, m.
fn touch_m(obstacle: &Obstacle, vehicle: &Vehicle) -> f64 {
    let contact =
        Contact::new(obstacle.shape, obstacle.height_m, vehicle.wheel_radius_m, vehicle.axles[0].driven);
    obstacle.position_m - contact.map_or(0.0, |contact| contact.width_m)
}

/// Error of positions along a course, one value per step, in standard deviations.
fn walk(length_m: f64, rng: &mut impl Rng) -> Vec<f64> {
    let within = (WALK_M * STEPS_PER_M) as usize;
    let sd = (within as f64).sqrt().recip();
    let step = ParameterDistribution::Normal { mean: 0.0, sd, low: -10.0 * sd, high: 10.0 * sd };
    let steps: Vec<f64> =
        (0..(length_m * STEPS_PER_M) as usize + within + 1).map(|_| step.draw(rng)).collect();
    steps.windows(within).map(|window| window.iter().sum()).collect()
}

impl Reports {
    pub(super) fn new(
        sensor: PreviewSensor,
        vehicle: &Vehicle,
        course: &Course,
        seed: Seed,
        episode: u64,
    ) -> Reports {
        let mut rng = seed.part(REPORTS).stream(Stream::Sensors, episode);
        let errors = walk(course.length_m, &mut rng);
        let mut reports = Vec::new();
        for (i, obstacle) in course.obstacles.iter().enumerate() {
            // As many draws for each obstacle whatever the shares: sensors of other errors stay comparable.
            let [missed, invented, anywhere] = [(); 3].map(|()| rng.random::<f64>());
            let step = ((obstacle.position_m * STEPS_PER_M) as usize).min(errors.len() - 1);
            let position_m = obstacle.position_m + sensor.position_sd_m * errors[step];
            if sensor.obstacles && missed >= sensor.missed_share {
                reports.push(Report { obstacle: Obstacle { position_m, ..*obstacle }, of: Some(i) });
            }
            if sensor.obstacles && invented < sensor.invented_share {
                let obstacle = Obstacle { position_m: anywhere * course.length_m, ..*obstacle };
                reports.push(Report { obstacle, of: None });
            }
        }
        reports.sort_by(|a, b| a.obstacle.position_m.total_cmp(&b.obstacle.position_m));
        let touch_m = course.obstacles.iter().map(|obstacle| touch_m(obstacle, vehicle)).collect();
        Reports { sensor, reports, touch_m }
    }

    /// The course as it is taken to be once the front wheels have reached `furthest_m`: the ground up to there is known,
    /// obstacles that were touched are where they are, reports hold until they must have been passed.
    pub(super) fn believed(&self, vehicle: &Vehicle, course: &Course, furthest_m: f64) -> Course {
        let touched = |i: usize| self.touch_m[i] <= furthest_m + TOUCH_M;
        let real = course.obstacles.iter().enumerate().filter(|(i, _)| touched(*i)).map(|(_, o)| *o);
        let ahead = self.reports.iter().filter(|report| !report.of.is_some_and(touched));
        let ahead = ahead.filter_map(|report| self.expected(&report.obstacle, vehicle, furthest_m));
        let ahead = ahead.filter_map(|obstacle| self.sensor.reported(obstacle));
        let ahead = ahead.take(self.sensor.most_ahead);
        let mut obstacles: Vec<Obstacle> = real.chain(ahead).collect();
        obstacles.sort_by(|a, b| a.position_m.total_cmp(&b.position_m));
        obstacles.dedup_by(|b, a| b.position_m - a.position_m < LEAST_GAP_M);
        Course { segments: self.segments(course, furthest_m), obstacles, ..course.clone() }
    }

    /// Where a reported obstacle is prepared for, that was not touched yet: somewhat early, and from there on right ahead,
    /// until it must have been passed.
    fn expected(&self, obstacle: &Obstacle, vehicle: &Vehicle, furthest_m: f64) -> Option<Obstacle> {
        let reported_m = touch_m(obstacle, vehicle);
        let sd_m = self.sensor.position_sd_m;
        let early_m = reported_m - EARLY_SDS * sd_m;
        let expected_m = if early_m > furthest_m { early_m } else { furthest_m + RIGHT_AHEAD_M };
        let position_m = obstacle.position_m + (expected_m - reported_m);
        (furthest_m < reported_m + LATE_SDS * sd_m).then_some(Obstacle { position_m, ..*obstacle })
    }

    /// Segments with what is not reported continuing as at `furthest_m`.
    fn segments(&self, course: &Course, furthest_m: f64) -> Vec<Segment> {
        let here = course.segments[course.segment_at(furthest_m)];
        let mut segments = course.segments.clone();
        for segment in segments.iter_mut().filter(|segment| segment.start_m > furthest_m) {
            if !self.sensor.surfaces {
                segment.surface = here.surface;
            }
            if !self.sensor.grades {
                segment.sin_grade = here.sin_grade;
            }
        }
        segments
    }
}

/// The course that is believed, as the vehicle would meet it.
#[derive(Clone, Debug)]
pub(super) struct Belief {
    pub(super) track: Track,
    /// It is the course as it is.
    pub(super) exact: bool,
}

impl Belief {
    pub(super) fn new(believed: Course, vehicle: &Vehicle, real: &Track) -> Belief {
        let exact = believed == real.course;
        Belief { track: if exact { real.clone() } else { Track::new(believed, vehicle) }, exact }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use lowgear_env::{Drive, EpisodeConfig, Scenario, load_course};
    use std::path::Path;
    use std::sync::Arc;

    fn drives(count: u64) -> Vec<Drive> {
        let configs = Path::new(env!("CARGO_MANIFEST_DIR")).join("../configs");
        let vehicle = lowgear_env::config::load(&configs.join("vehicles/demo-cart.toml")).unwrap();
        let course = load_course(&configs.join("courses/garden-mix.toml")).unwrap();
        let scenario = Arc::new(Scenario::new(vehicle, course, EpisodeConfig::default(), Seed(5)));
        (0..count).map(|episode| Drive::new(Arc::clone(&scenario), episode)).collect()
    }

    fn reports(drive: &Drive, sensor: PreviewSensor) -> Reports {
        Reports::new(sensor, drive.vehicle(), &drive.track().course, Seed(5), drive.episode())
    }

    #[test]
    fn a_perfect_sensor_reports_the_course_wherever_the_wheels_are() {
        for drive in drives(20) {
            let course = &drive.track().course;
            let perfect = reports(&drive, PreviewSensor::perfect(0.5));
            for furthest_m in [0.0, 3.3, 8.71, 14.9] {
                assert_eq!(perfect.believed(drive.vehicle(), course, furthest_m), *course);
            }
        }
    }

    #[test]
    fn what_is_not_seen_is_known_from_the_first_touch_on() {
        let blind = PreviewSensor { obstacles: false, ..PreviewSensor::of_obstacles(0.5) };
        for drive in drives(20) {
            let course = &drive.track().course;
            let believed = |furthest_m| reports(&drive, blind).believed(drive.vehicle(), course, furthest_m);
            assert!(believed(0.0).obstacles.is_empty());
            assert_eq!(believed(course.length_m).obstacles, course.obstacles);
            for obstacle in &course.obstacles {
                let at_m = touch_m(obstacle, drive.vehicle());
                assert!(!believed(at_m - 0.01).obstacles.contains(obstacle));
                assert!(believed(at_m).obstacles.contains(obstacle));
            }
            let half_way = believed(7.0);
            let here = course.segments[course.segment_at(7.0)];
            let beyond = half_way.segments.iter().filter(|segment| segment.start_m > 7.0);
            assert!(beyond.into_iter().all(|s| (s.surface, s.sin_grade) == (here.surface, here.sin_grade)));
            assert_eq!(half_way.segment_at(7.0), course.segment_at(7.0));
        }
    }

    #[test]
    fn heights_ahead_are_those_of_their_class_and_only_the_next_obstacle_is_seen() {
        let classes = HeightClasses { low_m: 0.004, high_m: 0.006, low_taken_m: 0.005, high_taken_m: 0.007 };
        let all = PreviewSensor { heights: Heights::Classes(classes), ..PreviewSensor::perfect(0.5) };
        let next = PreviewSensor { most_ahead: 1, ..all };
        for drive in drives(20) {
            let course = &drive.track().course;
            let believed = |sensor| reports(&drive, sensor).believed(drive.vehicle(), course, 0.0).obstacles;
            let seen = course.obstacles.iter().filter(|o| o.height_m >= 0.004);
            let expected: Vec<(f64, f64)> =
                seen.map(|o| (o.position_m, if o.height_m >= 0.006 { 0.007 } else { 0.005 })).collect();
            let got = |sensor| -> Vec<(f64, f64)> {
                believed(sensor).iter().map(|o| (o.position_m, o.height_m)).collect()
            };
            assert_eq!(got(all), expected);
            assert_eq!(got(next), expected[..expected.len().min(1)]);
            let steps = PreviewSensor { heights: Heights::Steps(0.002), ..PreviewSensor::perfect(0.5) };
            let rounded = |height_m: f64| 0.002 * (height_m / 0.002 + 0.5).floor();
            let seen = course.obstacles.iter().map(|o| (o.position_m, rounded(o.height_m)));
            for ((at_m, height_m), (seen_at_m, seen_m)) in seen.filter(|(_, h)| *h > 0.0).zip(got(steps)) {
                assert!(at_m == seen_at_m && (height_m - seen_m).abs() < 1e-12);
            }
        }
    }

    #[test]
    fn positions_shares_missed_and_shares_invented_are_those_asked_for() {
        let sensor = PreviewSensor {
            position_sd_m: 0.05,
            missed_share: 0.2,
            invented_share: 0.4,
            ..PreviewSensor::perfect(0.5)
        };
        let (mut obstacles, mut invented, mut errors) = (0, 0, Vec::new());
        for drive in drives(400) {
            let course = &drive.track().course;
            obstacles += course.obstacles.len();
            for report in reports(&drive, sensor).reports {
                match report.of {
                    Some(i) => errors.push(report.obstacle.position_m - course.obstacles[i].position_m),
                    None => invented += 1,
                }
            }
        }
        let reported = errors.len() as f64;
        assert!((reported / obstacles as f64 - 0.8).abs() < 0.03, "{reported} of {obstacles}");
        assert!((f64::from(invented) / obstacles as f64 - 0.4).abs() < 0.04, "{invented} of {obstacles}");
        let sd_m = (errors.iter().map(|e| e * e).sum::<f64>() / reported).sqrt();
        assert!((sd_m - 0.05).abs() < 0.003, "{sd_m}");
    }

    #[test]
    fn an_overdue_obstacle_is_expected_right_ahead_until_it_must_have_been_passed() {
        let sensor = PreviewSensor { position_sd_m: 0.05, ..PreviewSensor::perfect(0.5) };
        let drive = drives(1).remove(0);
        let vehicle = drive.vehicle();
        let reports = reports(&drive, sensor);
        let obstacle = Obstacle { position_m: 4.0, ..drive.track().course.obstacles[0] };
        let reported_m = touch_m(&obstacle, vehicle);
        let expected = |at_m| reports.expected(&obstacle, vehicle, at_m).map(|o| touch_m(&o, vehicle));
        assert!((expected(3.0).unwrap() - (reported_m - 0.05)).abs() < 1e-9);
        assert!((expected(reported_m + 0.09).unwrap() - (reported_m + 0.092)).abs() < 1e-9);
        assert_eq!(expected(reported_m + 0.1), None);
    }
}
