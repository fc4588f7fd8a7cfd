//! Pictures of the made-up study.

use lowgear_env::{Seed, Stream};
use lowgear_onboard::Request;
use rand::RngExt;

use super::around;
use crate::text::fixed;
use lowgear_eval::figures::{
    CourseDifferences, CoursePicture, EventKind, FrontierPoint, GearMap, MapCell, ObstacleMark, Pictures,
    RunTrace, ShiftMapPicture, Support, SurfaceBand, TraceEvent, TracePicture, TraceSample,
};
use lowgear_eval::summary::Family;

/// Pictures to go with it.
pub(crate) fn pictures() -> Pictures {
    Pictures {
        card: None,
        shift_maps: vec![map("Learned table", 0.0), map("Tuned load-ratio rule", 60.0)],
        traces: vec![trace_picture()],
        differences: vec![CourseDifferences {
            policy: "table".into(),
            against: "tuned-speed".into(),
            less_s: (0..120).map(|course| f64::from(course % 40) * 0.5 - 14.0).collect(),
        }],
        frontier: [(0.0, 134.0, 4.0e-4), (1.0, 136.0, 2.3e-4), (4.0, 141.0, 1.5e-4), (16.0, 152.0, 0.9e-4)]
            .map(|(weight, time, damage)| FrontierPoint {
                series: "Learned".into(),
                label: format!("weight {weight}"),
                family: Family::Learned,
                time_s: around(time, 0.01, 5),
                damage_per_km: around(damage, 0.1, 5),
            })
            .into(),
    }
}

fn map(policy: &str, offset: f64) -> ShiftMapPicture {
    let x_edges: Vec<f64> = (0..=36).map(|i| f64::from(i) * 1000.0 / 18.0).collect();
    let y_edges: Vec<f64> = (0..=15).map(|i| -10.0 + f64::from(i) * 2.0).collect();
    let gears = (0..3_u8)
        .map(|gear| {
            let mut cells = Vec::new();
            for row in 0..15 {
                for column in 0..36 {
                    let (load, tilt) = (f64::from(column) * 55.6, -9.0 + 2.0 * f64::from(row));
                    let up = [900.0, 360.0, -1.0][gear as usize] - 14.0 * tilt + offset;
                    let down = [9999.0, 1250.0, 620.0][gear as usize] - 9.0 * tilt - offset;
                    let decision = if load < up {
                        Request::Up
                    } else if load > down {
                        Request::Down
                    } else {
                        Request::Hold
                    };
                    let support = match load + 30.0 * tilt {
                        far if far > 1850.0 => Support::None,
                        far if far > 1650.0 => Support::Few,
                        _ => Support::Enough,
                    };
                    cells.push(MapCell { decision, support });
                }
            }
            let rows = (0..15).map(|row| -9.0 + 2.0 * f64::from(row));
            let interval = |wanted: bool, ends: (f64, f64)| if wanted { vec![ends] } else { vec![] };
            let up = rows.clone().map(|tilt| interval(gear < 2, (0.0, 900.0 - 14.0 * tilt + offset)));
            let from = |tilt: f64| 1150.0 - 300.0 * f64::from(gear) - 9.0 * tilt - offset;
            let down = rows.map(|tilt| interval(gear > 0, (from(tilt), 2000.0)));
            GearMap { gear, cells, up: up.collect(), down: down.collect() }
        })
        .collect();
    ShiftMapPicture {
        policy: policy.into(),
        note: "Held: nominal battery, 2 s in gear, no failed upshift; training seed 1.".into(),
        x_title: "wheel load".into(),
        x_unit: "‰ of stall".into(),
        x_edges,
        y_title: "tilt".into(),
        y_unit: "°".into(),
        y_edges,
        gears,
        few_visits: Some(5),
    }
}

/// One course with three runs.
pub(crate) fn trace_picture() -> TracePicture {
    let profile: Vec<(f64, f64)> = (0..=600)
        .map(|i| f64::from(i) * 0.15)
        .map(|x| (x, 0.9 * (x / 14.0).sin() + 0.02 * x + 0.12 * (x / 2.3).sin()))
        .collect();
    let band = |from_m, to_m, name: &str| SurfaceBand { from_m, to_m, name: name.into() };
    let mark = |at_m, height_m, name: &str| ObstacleMark { at_m, height_m, name: name.into() };
    let course = CoursePicture {
        name: "Mixed lap".into(),
        profile,
        surfaces: vec![
            band(0.0, 22.0, "hard path"),
            band(22.0, 41.0, "lawn"),
            band(41.0, 52.0, "long grass"),
            band(52.0, 70.0, "gravel"),
            band(70.0, 90.0, "bark"),
        ],
        obstacles: vec![mark(12.0, 0.008, "cane"), mark(36.0, 0.012, "hose"), mark(63.0, 0.025, "kerb")],
    };
    let runs = [
        ("Hand-written rule", Family::Rule),
        ("Tuned load-ratio rule", Family::Rule),
        ("Learned table", Family::Table),
    ];
    let runs =
        runs.into_iter().enumerate().map(|(k, (label, family))| run(k, label, family, &course)).collect();
    TracePicture {
        title: "Three strategies on one mixed lap".into(),
        note: String::new(),
        course,
        gears: 3,
        runs,
    }
}

fn run(k: usize, label: &str, family: Family, course: &CoursePicture) -> RunTrace {
    let mut rng = Seed(20).stream(Stream::Sensors, k as u64);
    let (mut samples, mut events, mut time, mut gear) = (Vec::new(), Vec::new(), 0.0, 0_u8);
    let mut speed: f64 = 0.0;
    let event = |distance_m: f64, gear, kind| {
        let under = course.surfaces.iter().find(|band| distance_m <= band.to_m);
        let surface = under.map_or_else(String::new, |band| band.name.clone());
        TraceEvent { distance_m, surface, grade_deg: 1.5, gear, kind }
    };
    for (i, pair) in course.profile.windows(2).enumerate() {
        let (x, slope) = (pair[0].0, (pair[1].1 - pair[0].1) / 0.15);
        let ground = if (41.0..52.0).contains(&x) { 500.0 } else { 150.0 };
        let load = (ground + 2200.0 * slope).max(30.0) + 40.0 * rng.random::<f64>();
        let wish = if load > 560.0 + 60.0 * k as f64 {
            0
        } else if load > 260.0 + 40.0 * k as f64 {
            1
        } else {
            2
        };
        let mut neutral = false;
        if wish != gear && i % (5 + 3 * k) == 0 {
            let kind = if wish < gear {
                EventKind::Downshift
            } else if i % 9 == 3 {
                EventKind::FailedUpshift
            } else {
                EventKind::Upshift
            };
            events.push(event(x, gear, kind));
            if !matches!(kind, EventKind::FailedUpshift) {
                gear = if wish < gear { gear - 1 } else { gear + 1 };
            }
            neutral = true;
        }
        if i == 420 && k == 0 {
            events.push(event(x, gear, EventKind::Stall(3.2)));
            time += 3.2;
        }
        if i == 300 {
            events.push(event(x, gear, EventKind::MissedEngagement));
            events.push(event(x + 9.0, gear, EventKind::Hunting));
        }
        speed += 0.2 * ([0.62, 1.0, 1.6][gear as usize] * (1.0 - load / 3000.0) - speed);
        time += 0.15 / speed.max(0.1);
        samples.push(TraceSample {
            time_s: time,
            distance_m: x,
            gear: (!neutral).then_some(gear),
            speed_m_per_s: speed,
            load_permille: load,
            tilt_deg: slope.atan().to_degrees() + rng.random::<f64>(),
        });
    }
    RunTrace {
        label: label.into(),
        family,
        outcome: format!("finished in {} s", fixed(time, 1)),
        samples,
        events,
    }
}
