//! The commands for logs of a real vehicle: init, recipes, fit, validate, replay.

use crate::sandbox::{Sandbox, repository};

/// A log with labelled runs that the simulator itself drove: enough for the command line, not for conclusions.
pub(crate) fn logged() -> String {
    use lowgear_env::config::{ParameterDistribution, load};
    use lowgear_env::motion::{Plant, Track};
    use lowgear_env::terrain::{Course, Segment, Surface};
    use lowgear_env::vehicle::{VariationConfig, VehicleConfig};
    use lowgear_env::{Seed, Stream};
    let mut config: VehicleConfig = load(&repository().join("configs/vehicles/demo-cart.toml")).unwrap();
    config.variation =
        VariationConfig { air_c: ParameterDistribution::Fixed(20.0), ..VariationConfig::default() };
    let vehicle = config.draw(&mut Seed(1).stream(Stream::Vehicle, 0));
    let surface = Surface { name: "path".into(), rolling: 0.04, drag_s_m: 0.0, friction: 0.8 };
    let course = Course {
        name: "level".into(),
        length_m: 1e6,
        surfaces: vec![surface],
        segments: vec![Segment { start_m: 0.0, sin_grade: 0.0, surface: 0 }],
        obstacles: vec![],
    };
    let track = Track::new(course, &vehicle);
    let mut text = String::from(
        "time_s,motor_speed_rad_s,duty,battery_voltage_v,motor_current_a,gear,distance_m,event\n",
    );
    let mut row = 0_u32;
    for gear in [0, 1, 2, 1, 2] {
        let mut plant = Plant::new(&vehicle, &track, gear);
        for tick in 0..200 {
            let duty = match tick {
                0..20 | 160.. => 0.0,
                20..100 => 1.0,
                _ => 0.6,
            };
            let turned = plant.motor_turned_rad;
            plant.advance(&vehicle, &track, 0.05, duty);
            // Something like noise, the same on every machine.
            let wobble = f64::from((row * 7919) % 101) / 50.0 - 1.0;
            let speed = (plant.motor_turned_rad - turned) / 0.05 * (1.0 + 0.01 * wobble);
            let event = if tick == 0 { "level surface=path" } else { "" };
            let (volts, amps) = (plant.terminal_v + 0.02 * wobble, plant.current_a - 0.01 * wobble);
            text += &format!(
                "{:.2},{speed:.3},{duty},{volts:.3},{amps:.4},{},{:.4},{event}\n",
                f64::from(row) * 0.05,
                gear + 1,
                plant.x_m
            );
            row += 1;
        }
    }
    text
}

#[test]
fn a_sheet_becomes_a_vehicle_file_that_passes_the_check() {
    let place = Sandbox::new();
    place
        .write("sheet.toml", std::fs::read(repository().join("configs/sheets/seed-tray-cart.toml")).unwrap());
    let out = place.run(&["init", "sheet.toml", "--out", "first.toml"]).done().out;
    assert!(out.contains("500.00") && out.contains("assumed"), "{out}");
    place.run(&["check", "first.toml"]).done();
    let line = place.edit("sheet.toml", "mass-kg", "mass-kg = 900.0");
    place
        .run(&["init", "sheet.toml", "--out", "second.toml"])
        .refused(2, &["sheet.toml", &format!("line {line}"), "mass-kg", "200"]);
    place.edit("sheet.toml", "mass-kg", "mass-kg = 5.0");
    // Beyond rounding the figures contradict each other, in the words of the sheet; within it that is reported.
    let line = place.edit("sheet.toml", "stall-torque-nm", "stall-torque-nm = 4.7e-3");
    let words = [
        &format!("line {line}"),
        "stall-torque-nm",
        "contradicts no-load-speed-rpm = 6600",
        "more than it takes",
    ];
    place.run(&["init", "sheet.toml", "--out", "second.toml"]).refused(2, &words);
    place.run(&["check", "sheet.toml"]).refused(2, &words);
    place.edit("sheet.toml", "stall-torque-nm", "stall-torque-nm = 4.45e-3");
    let report = place.run(&["init", "sheet.toml", "--out", "second.toml"]).done().out;
    assert!(report.contains("contradict each other by 3.2 %"), "{report}");
    place.edit("sheet.toml", "teeth", "teeth = []");
    place.run(&["init", "sheet.toml", "--out", "second.toml"]).refused(2, &["teeth", "1 to 6"]);
}

#[test]
fn the_sheet_of_recipes_has_labels_and_cautions() {
    let place = Sandbox::new();
    let text = place.run(&["recipes", "vehicle.toml"]).done().out;
    for word in [
        "wheels-off",
        "level surface=path",
        "lawn",
        "ramp grade_deg=",
        "stall-pull",
        "shifts",
        "HEAT",
        "Lithium",
        "held fast",
    ] {
        assert!(text.contains(word), "no {word:?} in:\n{text}");
    }
    place.run(&["recipes", "vehicle.toml", "--out", "sheet.html"]).done();
    let page = place.read("sheet.html");
    assert!(page.starts_with("<!DOCTYPE html>") && page.contains("stall-pull") && !page.contains("://"));
}

#[test]
fn a_fit_writes_a_vehicle_a_course_and_a_picture_and_tells_what_it_cannot_know() {
    let place = Sandbox::new();
    place.write("log.csv", logged());
    let out = place.run(&["fit", "vehicle.toml", "log.csv", "--out", "own.toml"]).done().out;
    let rolling = out.split("rolling on path: ").nth(1).and_then(|t| t.split(' ').next()).unwrap();
    assert!((rolling.parse::<f64>().unwrap() / 0.04 - 1.0).abs() < 0.05, "{out}");
    for word in ["efficiency, gear 2", "cannot tell", "own-course.toml"] {
        assert!(out.contains(word), "no {word:?} in:\n{out}");
    }
    place.run(&["check", "own.toml"]).done();
    place.run(&["check", "own-course.toml"]).done();
    let vehicle = place.read("own.toml");
    assert!(vehicle.contains("± ") && vehicle.contains("cannot tell"), "{vehicle}");
    assert!(place.read("own-fit.svg").contains("level on path"));
    let gap = place.run(&["validate", "own.toml", "log.csv", "--course", "own-course.toml"]).done().out;
    assert!(gap.contains("in short") && gap.contains("of the way"), "{gap}");
    assert!(place.read("own-validate.svg").contains("simulated"));
    assert!(gap.contains("fitted to one of these logs") && !place.path("own-gap.toml").exists(), "{gap}");
    place
        .run(&["validate", "own.toml", "log.csv", "--course", "course.toml"])
        .refused(2, &["path", "hard path"]);
}

#[test]
fn logs_without_runs_and_files_that_are_no_logs_are_refused() {
    let place = Sandbox::new();
    let unlabelled = logged().replace("level surface=path", "");
    place.write(
        "bare.csv",
        unlabelled.lines().map(|l| l.rsplitn(3, ',').nth(2).unwrap().to_owned() + "\n").collect::<String>(),
    );
    place
        .run(&["fit", "vehicle.toml", "bare.csv", "--out", "own.toml"])
        .refused(1, &["no run", "ambiguous", "recipes"]);
    place.write("broken.csv", "time_s,duty\n0,1\n");
    place
        .run(&["fit", "vehicle.toml", "broken.csv", "--out", "own.toml"])
        .refused(2, &["broken.csv", "line 1", "motor speed"]);
    place.run(&["fit", "vehicle.toml", "absent.csv", "--out", "own.toml"]).refused(3, &["absent.csv"]);
    place
        .run(&["fit", "vehicle.toml", "bare.csv", "--out", "own.toml", "--air-c", "200"])
        .refused(2, &["--air-c"]);
    assert!(!place.names().contains(&"own.toml".to_owned()), "nothing is written");
}

#[test]
fn a_replay_writes_decisions_and_a_picture() {
    let place = Sandbox::new();
    place.write("log.csv", logged());
    let out =
        place.run(&["replay", "tiny.toml", "log.csv", "--policy", "hand-rule", "--out", "over"]).done().out;
    for word in ["decisions: ", "shifts in the log", "training has seen"] {
        assert!(out.contains(word), "no {word:?} in:\n{out}");
    }
    let rows = place.read("over/decisions.csv");
    assert!(rows.starts_with("time_s,line,gear,policy,done,guard,place,") && rows.lines().count() > 100);
    assert!(place.read("over/replay.svg").contains("speed ratio"));
    assert!(!place.path("over/decisions.csv.partial").exists());
}

#[test]
fn the_study_of_the_whole_way_is_in_order() {
    let place = Sandbox::new();
    let program = std::fs::read_to_string(repository().join("tests/sysid/whole.py")).unwrap();
    let study = program.split_once("STUDY = \"\"\"").unwrap().1.split_once("\"\"\"").unwrap().0;
    let configs = |file: &str| repository().join("configs").join(file).display().to_string();
    let study = study
        .replace("{name}", "fitted")
        .replace("{vehicle}", &configs("vehicles/demo-cart.toml"))
        .replace("{course}", &configs("courses/garden-mix.toml"))
        .replace("{{", "{")
        .replace("}}", "}");
    place.write("whole.toml", study);
    place.run(&["check", "whole.toml"]).done();
}
