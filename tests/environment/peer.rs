//! The integrator against an independent one, and against itself with half the tick.

use super::demo_cart::{cart, garden};
use super::reference_integrator::reference_run;
use super::schedule::{LOOK_S, Motion, Run, Schedule, run_by_schedule, run_by_speed};
use lowgear_env::motion::{Plant, Track};
use lowgear_env::terrain::Course;
use lowgear_env::vehicle::{Vehicle, VehicleConfig};
use lowgear_env::{Seed, Stream};

struct Exact<'a> {
    vehicle: &'a Vehicle,
    track: Track,
    plant: Plant,
}

impl Motion for Exact<'_> {
    fn motor_rad_s(&self) -> f64 {
        self.plant.motor_rad_s
    }

    fn advance(&mut self, time_s: f64, duty: f64) -> Option<f64> {
        let ticks = (time_s / self.vehicle.tick_s).round() as usize;
        for tick in 0..ticks {
            let before = self.plant.ledger;
            let advance = self.plant.advance(self.vehicle, &self.track, self.vehicle.tick_s, duty);
            if advance.finished {
                return Some(tick as f64 * self.vehicle.tick_s + advance.elapsed_s);
            }
            self.plant.settle_tick(self.vehicle, &before, self.vehicle.tick_s);
        }
        None
    }

    fn disengage(&mut self) {
        self.plant.disengage();
    }

    fn engage(&mut self, gear: usize) {
        self.plant.engage(self.vehicle, gear);
    }

    fn damage(&self) -> f64 {
        self.plant.stress.total()
    }
}

/// A drawn cart, with this tick, and its demo course.
fn drawn(seed: u64, tick_s: f64) -> (Vehicle, Course) {
    let mut config: VehicleConfig = cart();
    config.controller.tick_s = tick_s;
    let vehicle = config.draw(&mut Seed(seed).stream(Stream::Vehicle, 0));
    (vehicle, garden().course(&mut Seed(seed).stream(Stream::Course, 0)))
}

fn exact_run(vehicle: &Vehicle, course: &Course, schedule: Option<&Schedule>) -> Run {
    let track = Track::new(course.clone(), vehicle);
    let plant = Plant::new(vehicle, &track, 0);
    let mut exact = Exact { vehicle, track, plant };
    match schedule {
        Some(schedule) => run_by_schedule(&mut exact, schedule),
        None => run_by_speed(&mut exact),
    }
}

fn quantile(sorted: &[f64], share: f64) -> f64 {
    sorted[((sorted.len() - 1) as f64 * share).round() as usize]
}

/// Median and 90th percentile of the relative differences of time and of damage between two runs of each of a
/// hundred drawn carts and courses; a course that only one of the two finishes differs without bound.
fn differences(name: &str, other: impl Fn(u64, &Vehicle, &Course, &Run) -> Run) -> [(f64, f64); 2] {
    let (mut times, mut damages) = (Vec::new(), Vec::new());
    for seed in 0..100 {
        let (vehicle, course) = drawn(seed, LOOK_S);
        let run = exact_run(&vehicle, &course, None);
        let peer = other(seed, &vehicle, &course, &run);
        match (run.time_s, peer.time_s) {
            (Some(a), Some(b)) => times.push((a - b).abs() / b),
            (None, None) => {}
            _ => times.push(f64::INFINITY),
        }
        damages.push((run.damage - peer.damage).abs() / peer.damage);
        if std::env::var("PEER_LIST").is_ok() {
            println!("{seed} {:?} {:?} {:e} {:e} shifts {}", run.time_s, peer.time_s, run.damage, peer.damage, run.schedule.len());
        }
    }
    assert!(times.len() > 80, "{} courses finished", times.len());
    [("time", times), ("damage", damages)].map(|(what, mut values)| {
        values.sort_by(f64::total_cmp);
        let (median, tail) = (quantile(&values, 0.5), quantile(&values, 0.9));
        println!("{name}, {what}: median {median:.2e}, 90th percentile {tail:.2e}, worst {:.2e}", quantile(&values, 1.0));
        (median, tail)
    })
}

#[test]
fn course_time_and_damage_agree_with_an_independent_integrator() {
    let both = differences("independent integrator", |_, vehicle, course, run| {
        reference_run(vehicle, course, std::env::var("H").map_or(1e-4, |s| s.parse().unwrap()), &run.schedule)
    });
    for (median, tail) in both {
        assert!(median < 0.005 && tail < 0.005);
    }
}

/// Heat and charge follow once a tick, air drag and the gears' efficiency are chosen at the start of a piece: all
/// of that fades with the tick.
#[test]
fn half_the_tick_gives_the_same_course_time() {
    let [(median, tail), _] = differences("half the tick", |seed, _, course, run| {
        exact_run(&drawn(seed, 0.5 * LOOK_S).0, course, Some(&run.schedule))
    });
    assert!(median < 0.005 && tail < 0.005);
}

#[test]
fn debug_one() {
    let seed: u64 = std::env::var("ONE").map_or(50, |s| s.parse().unwrap());
    let (vehicle, course) = drawn(seed, LOOK_S);
    let run = exact_run(&vehicle, &course, None);
    let track = Track::new(course.clone(), &vehicle);
    let plant = Plant::new(&vehicle, &track, 0);
    let mut a = Exact { vehicle: &vehicle, track, plant };
    let mut b = super::reference_integrator::Reference::new(&vehicle, &course, std::env::var("H").map_or(1e-4, |s| s.parse().unwrap()));
    println!("{:?} {:?}", run.time_s, run.schedule);
    let mut look = 0;
    let mut wait: Option<(usize, usize)> = None;
    loop {
        if let Some(s) = run.schedule.iter().find(|s| s.0 == look) { wait = Some(*s); }
        let duty = if wait.is_some() { 0.0 } else { 1.0 };
        if let Some((at, _)) = wait && look == at + 1 { a.disengage(); b.disengage(); }
        let (fa, fb) = (a.advance(LOOK_S, duty), b.advance(LOOK_S, duty));
        println!("{look} x {:.6} {:.6} v {:.6} {:.6} out {:.5} {:.5} w {:.3} {:.3} dmg {:.4e} {:.4e} {:?} slip {}", a.plant.x_m, b.x_m, a.plant.v_m_s, b.v_m_s, a.plant.output_nm, b.output_nm, a.plant.motor_rad_s, b.motor_rad_s, a.damage(), b.damage(), a.plant.gear, a.plant.slipping);
        if fa.is_some() || fb.is_some() || look > 6000 { break; }
        look += 1;
        if let Some((at, gear)) = wait && look == at + 5 { a.engage(gear); b.engage(gear); wait = None; println!("engaged {:.4e} {:.4e}", a.damage(), b.damage()); }
    }
    println!("{:?}", course.obstacles);
}
