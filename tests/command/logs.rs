//! Logs and names that must not get through: wrong units of time, names that would act on a file or a terminal.

use super::field::logged;
use crate::sandbox::Sandbox;

/// The log with the column at `at` changed.
fn with_column(at: usize, change: impl Fn(f64) -> String) -> String {
    let text = logged();
    let mut lines = text.lines();
    let mut out = lines.next().unwrap().to_owned() + "\n";
    for line in lines {
        let mut fields: Vec<String> = line.split(',').map(str::to_owned).collect();
        fields[at] = change(fields[at].parse().unwrap());
        out += &(fields.join(",") + "\n");
    }
    out
}

/// The course that a fit writes, with the surface of the log.
const COURSE: &str = "name = \"own ground\"\n[[surfaces]]\nname = \"path\"\nrolling = 0.04\nfriction = 0.8\nweight = 1.0\n\
    [random]\nlength-m = 15.0\nroughness = \"A\"\n[random.patches]\nlength-m = { fixed = 2.0 }\n[random.grade]\nlength-m = { fixed = 2.0 }\n\
    grade-deg = { fixed = 0.0 }\nflat-share = 0.6\nblend-m = 0.3\n";

#[test]
fn times_in_another_unit_are_named_at_once() {
    let place = Sandbox::new();
    place.write("ms.csv", with_column(0, |s| format!("{:.0}", 1e3 * s)));
    place.write("us.csv", with_column(0, |s| format!("{:.0}", 1e6 * s)));
    place.write("own-course.toml", COURSE);
    for (log, unit) in [("ms.csv", "`time_ms`"), ("us.csv", "`time_us`")] {
        let words = [log, "line 42", "0.05 s", unit];
        place.run(&["fit", "vehicle.toml", log, "--out", "own.toml"]).refused(2, &words);
        place.run(&["validate", "vehicle.toml", log, "--course", "own-course.toml"]).refused(2, &words);
        place.run(&["replay", "tiny.toml", log, "--policy", "hand-rule", "--out", "over"]).refused(2, &words);
    }
    assert!(!place.names().contains(&"own.toml".to_owned()));
    assert!(!place.path("over/decisions.csv.partial").exists());
}

#[test]
fn a_motor_that_hardly_turns_is_no_reading_of_the_gap() {
    let place = Sandbox::new();
    place.write("own-course.toml", COURSE);
    place.write("still.csv", with_column(1, |_| "1e-308".to_owned()));
    let report =
        place.run(&["validate", "vehicle.toml", "still.csv", "--course", "own-course.toml"]).done().out;
    assert!(report.contains("hardly turns") && !report.contains("inf"), "{report}");
    assert!(!place.read("vehicle-validate.svg").contains("inf"));
}

#[test]
fn names_of_files_stay_in_their_line() {
    let place = Sandbox::new();
    let log = "l\nmass-kg = 3\n#\u{1b}[2J.csv";
    place.write(log, logged());
    let out = place.run(&["fit", "vehicle.toml", log, "--out", "own.toml"]).done().out;
    assert!(!out.contains('\u{1b}'), "{out:?}");
    let text = place.read("own.toml");
    assert!(!text.contains('\u{1b}') && !text.lines().any(|l| l.starts_with("mass-kg = 3")), "{text:?}");
    assert!(text.lines().any(|l| l.starts_with("mass-kg = 5")), "{text}");
    assert!(text.lines().next().unwrap().contains("l\\nmass-kg"), "{text}");
    place.run(&["check", "own.toml"]).done();
}

#[test]
fn a_sheet_with_a_name_of_two_lines_is_refused() {
    let place = Sandbox::new();
    let sheet =
        std::fs::read_to_string(crate::sandbox::repository().join("configs/sheets/seed-tray-cart.toml"))
            .unwrap();
    place.write("sheet.toml", sheet.replace("name = \"seed-tray cart", "name = \"seed-tray\\r cart"));
    place
        .run(&["init", "sheet.toml", "--out", "first.toml"])
        .refused(2, &["name", "\\r", "without line breaks"]);
}

#[test]
fn one_column_for_two_quantities_is_refused() {
    let place = Sandbox::new();
    place.write(
        "mapping.toml",
        "[columns]\nbattery-voltage = { column = \"adc\", unit = \"v\" }\nmotor-current = { column = \"ADC \", unit = \"a\" }\n",
    );
    place
        .run(&["check", "mapping.toml"])
        .refused(2, &["mapping.toml", "motor-current.column", "battery voltage"]);
    place.write("mapping.toml", "[columns]\ntilt = { column = \"motor_current_a\", unit = \"deg\" }\n");
    place.write("log.csv", logged());
    place
        .run(&["fit", "vehicle.toml", "log.csv", "--mapping", "mapping.toml", "--out", "own.toml"])
        .refused(2, &["motor_current_a", "two quantities"]);
}

#[test]
fn a_misfit_is_refused_before_anything_is_written_unless_it_is_accepted() {
    let place = Sandbox::new();
    place.write("ma.csv", with_column(4, |a| (1e3 * a).to_string()));
    place
        .run(&["fit", "vehicle.toml", "ma.csv", "--out", "own.toml"])
        .refused(1, &["do not fit", "motor currents", "mA", "--accept-misfit"]);
    assert!(place.names().iter().all(|n| !n.starts_with("own")), "{:?}", place.names());
    // Found only by the fit itself: half the speed is twice the back-EMF constant.
    place.write("half.csv", with_column(1, |w| (0.5 * w).to_string()));
    place
        .run(&["fit", "vehicle.toml", "half.csv", "--out", "own.toml"])
        .refused_after_work(1, &["emf-constant-v-s moved to 2", "--accept-misfit"]);
    assert!(place.names().iter().all(|n| !n.starts_with("own")), "{:?}", place.names());
    let out =
        place.run(&["fit", "vehicle.toml", "half.csv", "--out", "own.toml", "--accept-misfit"]).done().out;
    assert!(out.starts_with("MISFIT: emf-constant-v-s moved"), "{out}");
    assert!(place.read("own.toml").lines().nth(1).unwrap().starts_with("# MISFIT: "));
    place.run(&["check", "own.toml"]).done();
}

#[test]
fn a_way_that_does_not_go_with_the_wheels_is_told_first() {
    let place = Sandbox::new();
    place.write("own-course.toml", COURSE);
    place.write("short.csv", with_column(6, |m| (0.8 * m).to_string()));
    let said = "CONTRADICTION: the distance column has -2";
    let out = place.run(&["fit", "vehicle.toml", "short.csv", "--out", "own.toml"]).done().out;
    assert!(out.starts_with(said), "{out}");
    let out = place.run(&["validate", "vehicle.toml", "short.csv", "--course", "own-course.toml"]).done().out;
    assert!(out.starts_with(said) && out.contains("by the distance column +"), "{out}");
}
