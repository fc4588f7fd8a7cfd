//! `lowgear export`.

use crate::sandbox::Sandbox;
use crate::study::{compiler_is_there, reference};

#[track_caller]
fn exported(policy: &str, prefix: &str) {
    let place = Sandbox::new();
    let arguments = ["export", "tiny.toml", "--policy", policy, "--prefix", prefix, "--out", "out"];
    let out = place.run(&arguments).done().out;
    let header = place.read(&format!("out/{prefix}.h"));
    assert!(header.contains(&format!("{prefix}_")) && header.contains("CAUTIONS"));
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
fn a_prefix_that_c_could_not_use_is_refused_before_any_work() {
    let place = Sandbox::new();
    for prefix in ["9 lives", "a__b", "Cart"] {
        let arguments = ["export", "tiny.toml", "--policy", "hand-rule", "--prefix", prefix, "--out", "out"];
        place.run(&arguments).refused(2, &["--prefix", prefix, "a letter first"]);
    }
    assert!(!place.path("out").exists(), "nothing was written");
}
