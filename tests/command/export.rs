//! `lowgear export`.

use crate::sandbox::Sandbox;
use crate::study::{compiler_is_there, reference};
use lowgear_firmware::{ExportedPolicy, read_export};

#[track_caller]
fn exported(policy: &str, prefix: &str) {
    let place = Sandbox::with_compilers();
    let arguments = ["export", "tiny.toml", "--policy", policy, "--prefix", prefix, "--out", "out"];
    let out = place.run(&arguments).done().out;
    let header = place.read(&format!("out/{prefix}.h"));
    assert!(header.contains(&format!("{prefix}_")) && header.contains("CAUTIONS"));
    for file in [&format!("{prefix}.rs"), &format!("{prefix}.py")] {
        assert!(place.read(&format!("out/{file}")).contains("Generated"), "{file}");
    }
    for file in ["harness.c", "vectors.csv", "table.csv", "size-sheet.txt", "README.txt"] {
        assert!(!place.read(&format!("out/{file}")).is_empty(), "{file}");
    }
    if compiler_is_there() {
        assert!(out.contains("decided alike by the host and by the table compiled with"), "{out}");
    } else {
        assert!(out.contains("NOT PROVEN"), "{out}");
    }
}

#[test]
fn a_table_is_exported_and_proven() {
    exported(reference().join("table/seed-1").to_str().unwrap(), "cart");
}

#[test]
fn a_rule_is_distilled_exported_and_proven() {
    exported("hand-rule", "rule_of_thumb");
}

#[test]
fn a_policy_with_a_memory_is_distilled_and_says_what_the_table_loses() {
    let place = Sandbox::with_compilers();
    let teacher = reference().join("ppo/seed-1");
    let arguments = ["export", "tiny.toml", "--policy", teacher.to_str().unwrap(), "--out", "out"];
    let out = place.run(&arguments).done().out;
    assert!(out.contains("In closed loop on 4 held-out courses the table takes"), "{out}");
    let sheet = place.read("out/size-sheet.txt");
    let filled = sheet.lines().find_map(|line| line.strip_prefix("filled from the rule ")).unwrap();
    assert!(filled.trim().parse::<usize>().is_ok(), "unvisited cells are counted: {filled}");
}

#[test]
fn a_prefix_that_c_could_not_use_is_refused_before_any_work() {
    let place = Sandbox::new();
    for prefix in ["9 lives", "a__b", "Cart"] {
        let arguments = ["export", "tiny.toml", "--policy", "hand-rule", "--prefix", prefix, "--out", "out"];
        place.run(&arguments).refused(2, &["--prefix", prefix, "a letter first"]);
    }
    assert!(!place.path("out").exists(), "nothing was written");
}

#[test]
fn one_format_alone_is_exported_and_the_table_keeps_to_its_bytes() {
    let place = Sandbox::with_compilers();
    let mut arguments = vec!["export", "tiny.toml", "--policy", "hand-rule", "--out", "out"];
    arguments.extend(["--format", "micropython", "--bytes", "64", "--prefix", "cart"]);
    place.run(&arguments).done();
    assert!(place.read("out/cart.py").contains("def self_test"));
    assert!(!place.path("out/cart.h").exists() && !place.path("out/vectors.csv").exists());
    let ExportedPolicy::Table(table) = read_export(&place.read("out/cart.py"), "py").unwrap().policy else {
        panic!("a table was asked for");
    };
    assert!(table.bytes() <= 64, "{} bytes", table.bytes());
}

#[test]
fn an_exported_file_for_another_vehicle_with_the_same_settings_needs_a_word() {
    let place = Sandbox::with_compilers();
    let policy = reference().join("table/seed-1");
    place
        .run(&[
            "export",
            "tiny.toml",
            "--policy",
            policy.to_str().unwrap(),
            "--prefix",
            "cart",
            "--out",
            "out",
        ])
        .done();
    let vehicle = place.read("vehicle.toml").replace("seed-tray cart", "milk float");
    place.write("vehicle.toml", vehicle);
    for file in ["out/cart.h", "out/cart.rs", "out/cart.py", "out/table.csv"] {
        let arguments = ["compare", "tiny.toml", "hand-rule", file, "--courses", "2"];
        place.run(&arguments).refused(2, &[file, "\"seed-tray cart\"", "\"milk float\"", "--other-vehicle"]);
        place.run(&[&arguments[..], &["--other-vehicle"]].concat()).done();
    }
}

#[test]
fn an_exported_file_is_compared_like_the_policy_it_came_from() {
    let place = Sandbox::with_compilers();
    let policy = reference().join("table/seed-1");
    let policy = policy.to_str().unwrap();
    place.run(&["export", "tiny.toml", "--policy", policy, "--prefix", "cart", "--out", "out"]).done();
    let files = ["out/cart.h", "out/cart.rs", "out/cart.py", "out/table.csv"];
    let out = place.run(&[&["compare", "tiny.toml", policy][..], &files].concat()).done().out;
    let rows: Vec<&str> =
        out.lines().filter(|line| line.contains("seed-") && !line.starts_with("Both")).collect();
    assert_eq!(rows.len(), 5, "{out}");
    let times: Vec<&str> = rows.iter().filter_map(|row| row.rsplit("  ").next()).collect();
    assert!(times.iter().all(|time| *time == times[0]), "the same drive by each: {out}");
    for file in files {
        let text = place.read(file);
        std::fs::write(place.path(file), &text[..text.len() - 40]).unwrap();
        place.run(&["compare", "tiny.toml", "hand-rule", file]).refused(2, &[file, "damaged"]);
    }
}

#[test]
fn a_rule_is_exported_with_few_changes_that_have_names_and_gains() {
    let place = Sandbox::with_compilers();
    // A rule that leaves first gear only at a speed which the motor hardly reaches has something to gain.
    place.edit("tiny.toml", "up-permille =", "up-permille = [990, 990]");
    place.edit("tiny.toml", "validation-courses =", "validation-courses = 8");
    let table = reference().join("table/seed-1");
    let arguments = ["export", "tiny.toml", "--policy", table.to_str().unwrap(), "--format", "csv"];
    let export = |more: &[&str]| place.run(&[&arguments[..], more].concat()).done().out;
    let out = export(&["--changes", "2", "--out", "out"]);
    assert!(out.contains("decides as the rule does but for"), "{out}");
    assert!(out.contains("1. gear 1") && out.contains("up instead of hold"), "{out}");
    assert!(!out.contains("\n3. "), "at most two: {out}");
    let gain = out.lines().find_map(|line| line.strip_prefix("Together: return ")).unwrap();
    let gain: f64 = gain.split(' ').next().unwrap().parse().unwrap();
    assert!(gain > 1.0, "{out}");
    let whole = export(&["--out", "whole"]);
    assert!(!whole.contains("instead of"), "{whole}");
    let [changed, whole] = ["out", "whole"].map(|folder| place.read(&format!("{folder}/table.csv")));
    assert_eq!(changed.lines().count(), whole.lines().count(), "on the axes of the policy");
    assert!(changed != whole, "the rule decides in all other cells");
}

#[test]
fn a_rule_that_is_compared_with_itself_has_nothing_to_change() {
    let place = Sandbox::with_compilers();
    let arguments = ["export", "tiny.toml", "--policy", "hand-rule", "--changes", "2", "--format", "csv"];
    let out = place.run(&[&arguments[..], &["--out", "out"]].concat()).done().out;
    assert!(out.contains("No situation has a clear gain"), "{out}");
}

#[test]
fn two_policies_are_exported_for_a_trial_and_compile_together() {
    let place = Sandbox::with_compilers();
    let table = reference().join("table/seed-1");
    let arguments = ["export", "tiny.toml", "--policy", table.to_str().unwrap(), "--against", "hand-rule"];
    let arguments = [&arguments[..], &["--prefix", "cart", "--format", "c", "--out", "out"]].concat();
    let out = place.run(&arguments).done().out;
    assert!(out.contains("compared with") && out.contains("cart_trial.h"), "{out}");
    for file in ["cart.h", "cart_recorder.h", "against/cart_against.h", "against/cart_against_recorder.h"] {
        assert!(!place.read(&format!("out/{file}")).is_empty(), "{file}");
    }
    if compiler_is_there() {
        let program = "#include \"cart_trial.h\"\nstatic void put(uint8_t byte) { (void)byte; }\n\
            int main(void) { cart_trial t; cart_raw raw = { 0 }; cart_trial_start(&t, 0u);\n\
            (void)cart_trial_tick(&t, &raw, 1u, 0u, put); return t.policy == 1u ? 0 : 1; }\n";
        place.write("out/both.c", program);
        let mut cc = std::process::Command::new("cc");
        cc.current_dir(place.path("out"))
            .args(["-std=c99", "-Wall", "-Wextra", "-Werror", "-o", "both", "both.c"]);
        assert!(cc.status().unwrap().success());
        assert!(std::process::Command::new(place.path("out/both")).status().unwrap().success());
    }
    let long = ["--against", "hand-rule", "--prefix", "a_prefix_of_20_letter", "--out", "other"];
    let long = [&["export", "tiny.toml", "--policy", "hand-rule"][..], &long].concat();
    place.run(&long).refused(2, &["--prefix"]);
}

#[test]
fn a_policy_is_distilled_into_a_network_that_can_be_compared() {
    let place = Sandbox::with_compilers();
    let teacher = reference().join("contextual/seed-1");
    let arguments = ["export", "tiny.toml", "--policy", teacher.to_str().unwrap(), "--out", "out"];
    let more = ["--decider", "network", "--hidden", "6,5", "--format", "c"];
    let out = place.run(&[&arguments[..], &more].concat()).done().out;
    assert!(out.contains("held-out courses the network takes"), "{out}");
    assert!(out.contains("as the real numbers that they were rounded from in"), "{out}");
    let prefix = place.read("out/tiny.h");
    assert!(prefix.contains("decision network") && prefix.contains("data: layer 6 "), "{prefix}");
    place.run(&["compare", "tiny.toml", "hand-rule", "out/tiny.h", "--courses", "2"]).done();
    // Exported again as it is: the same network.
    let again = ["export", "tiny.toml", "--policy", "out/tiny.h", "--out", "again", "--format", "c"];
    place.run(&again).done();
    let hash = |text: &str| text.lines().find(|line| line.contains("network hash:")).map(str::to_owned);
    assert!(hash(&prefix).is_some());
    assert_eq!(hash(&place.read("again/tiny.h")), hash(&prefix));
}

#[test]
fn a_network_too_large_for_a_small_controller_is_refused() {
    let place = Sandbox::with_compilers();
    let arguments = ["export", "tiny.toml", "--policy", "hand-rule", "--out", "out"];
    let more = ["--decider", "network", "--hidden", "60,60"];
    place.run(&[&arguments[..], &more].concat()).refused(1, &["x 60 x 60 x 3", "allowed are", "narrower"]);
    assert!(!place.path("out").exists(), "nothing was written");
    place
        .run(&[&arguments[..], &["--decider", "network", "--hidden", "65"]].concat())
        .refused(2, &["--hidden", "64"]);
}

#[test]
fn a_memory_of_the_way_goes_next_to_the_controller_and_is_proven_with_it() {
    let place = Sandbox::with_compilers();
    let table = reference().join("table/seed-1");
    let table = table.to_str().unwrap();
    let export = |out: &str, more: &[&str]| {
        let arguments = ["export", "tiny.toml", "--policy", table, "--prefix", "cart", "--out", out];
        place.run(&[&arguments[..], more].concat())
    };
    export("none", &["--lap-memory", "early", "--against", "hand-rule"])
        .refused(2, &["--lap-memory", "--against"]);
    assert!(!place.path("none").exists(), "nothing was written");
    export("plain", &[]).done();
    let said = export("laps", &["--lap-memory", "early"]).done().out;
    if compiler_is_there() {
        assert!(said.contains("decided alike by the host"), "{said}");
        assert!(place.read("laps/harness.c").contains("cart_laps_self_test()"));
    }
    for end in ["h", "rs", "py", "md"] {
        assert!(!place.read(&format!("laps/cart_laps.{end}")).is_empty());
        assert!(!place.path(&format!("plain/cart_laps.{end}")).exists());
    }
    let own = |file: &str| place.read(&format!("laps/{file}")).contains("mod lap_memory");
    assert!(own("cart.rs") && !place.read("plain/cart.rs").contains("mod lap_memory"));
    // The counter of an early upshift is out of reach where only holds are wanted.
    export("hold", &["--lap-memory", "hold", "--format", "c"]).done();
    assert!(place.read("hold/cart_laps.h").contains("CART_LAPS_EARLY 32767u"));
    assert!(!place.path("hold/cart_laps.py").exists());
}
