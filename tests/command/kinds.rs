//! Which kind of file `lowgear check` takes a file for.

use crate::sandbox::Sandbox;
use lowgear_train::schema::FileKind;

#[test]
fn a_vehicle_is_known_however_its_tables_are_written() {
    let place = Sandbox::new();
    let text = place.read("vehicle.toml");
    let (before, rest) = text.split_once("[dogs]").unwrap();
    let after = &rest[rest.find("\n\n").unwrap()..];
    let inline =
        "dogs = { count = 6, gap-deg = 45.0, overlap-mm = 1.5, axial-speed-mm-s = 60.0, retry-s = 0.04 }";
    let top = before.replace("invented = true", &format!("invented = true\n{inline}"));
    let spaced =
        format!("{top}{after}").replace("[chassis]", "[ chassis ]").replace("[gearbox]", "[\"gearbox\"]");
    place.write("v.toml", &spaced);
    assert!(place.run(&["check", "v.toml"]).done().out.contains("vehicle \"seed-tray cart\""));
    let inline = "name = \"x\"\nchassis = { mass-kg = 5.0, invented = 1 }\n";
    assert_eq!(FileKind::recognised(inline), Some(FileKind::Vehicle));
    place.write("i.toml", inline);
    place
        .run(&["check", "i.toml"])
        .refused(2, &["`invented`", "`wheel-radius-m`", "read as a vehicle file", "--kind"]);
}

#[test]
fn a_log_is_told_from_a_configuration_file() {
    let place = Sandbox::new();
    place.write("log.csv", "time_s,motor_speed_rad_s,duty\n0.00,0,0\n0.05,183.9,1\n");
    place
        .run(&["check", "log.csv"])
        .refused(2, &["log.csv", "as logs are", "lowgear fit", "--kind", "vehicle, course"]);
    place.write("other.toml", "colour = \"red\"\n");
    place.run(&["check", "other.toml"]).refused(2, &["no key that a configuration file has", "--kind"]);
}

#[test]
fn the_kind_can_be_named() {
    let place = Sandbox::new();
    place.run(&["check", "vehicle.toml", "--kind", "vehicle"]).done();
    place.run(&["check", "vehicle.toml", "--kind", "study"]).refused(2, &["vehicle.toml", "`invented`"]);
    place.run(&["check", "vehicle.toml", "--kind", "boat"]).refused(2, &["boat", "mapping"]);
}
