//! Mistakes in a sweep file: file, line, key, what is allowed, and nothing is begun.

use super::{SWEEP, sandbox, sweep};

/// Line `line` of the tiny sweep replaced by `by`: refused, naming the line `at` lines below.
#[track_caller]
fn refused(line: &str, by: &str, at: isize, words: &[&str]) {
    let place = sandbox();
    let number = place.edit("sweep.toml", line, by).saturating_add_signed(at);
    let number = format!("line {number}:");
    let expected = [&["sweep.toml", &number], words].concat();
    place.run(&["check", "sweep.toml"]).refused(2, &expected);
    sweep(&place, &[]).refused(2, &expected);
    assert!(!place.path("run").exists(), "nothing was written");
}

#[test]
fn unknown_keys_and_names() {
    refused("learners", "learner = [\"tabular\"]", 0, &["`learner`", "`learners`"]);
    refused("learners", "learners = [\"tables\"]", 0, &["learners", "\"tables\"", "tabular"]);
    refused("name", "name = \"a/b\"", 0, &["name", "a/b", "letters"]);
    refused("name", "name = \"-rf\"", 0, &["name", "-rf", "no - at the beginning"]);
    refused("unit", "units = \"s\"", 0, &["`units`", "`unit`"]);
}

#[test]
fn a_key_that_leads_nowhere_is_named_with_what_is_there() {
    refused("key = \"episode", "key = \"episode.rewards.stress\"", 1, &["axes[1].values", "reward"]);
    refused(
        "key = \"episode",
        "key = \"episode.reward.stress\"",
        1,
        &["axes[1].values", "stress-s-per-life"],
    );
    refused(
        "key = \"table",
        "key = \"vehicle.gearbox.total-ratio[9]\"",
        1,
        &["set[0].value", "total-ratio[2]"],
    );
}

#[test]
fn a_value_out_of_range_is_named_with_its_range() {
    refused(
        "values",
        "values = [0.0, -1.0]",
        0,
        &["axes[1].values", "-1", "episode.reward.stress-s-per-life", "0 to"],
    );
    refused("value = 2", "value = 0", 0, &["set[0].value", "table.courses", "1 to 1000000"]);
    refused("key = \"episode", "key = \"effort\"", 1, &["axes[1].values", "0.001 to 10000"]);
    refused("value = 2", "value = \"two\"", 0, &["set[0].value", "table.courses"]);
    refused("leave-out", "leave-out = [\"vehicle.gearbox\"]", 0, &["axes[0].points[1].leave-out", "gearbox"]);
}

#[test]
fn an_axis_without_values_with_the_same_twice_or_of_both_kinds() {
    refused("values", "values = []", -1, &["axes[1].key", "without `values`"]);
    refused("values", "values = [1.0, 1.0]", 0, &["axes[1].values", "\"1\" twice"]);
    refused("unit", "unit = \"s\"\npoints = [{ label = \"a\" }]", 2, &["axes[1].key", "next to points"]);
    refused("label = \"not", "label = \"a\\u001b[2J\"", 0, &["axes[0].points[1].label", "a\\u{1b}[2J"]);
    refused("label = \"not", "label = \"\"", 0, &["axes[0].points[1].label", "1 to 60"]);
}

#[test]
fn too_many_jobs_no_axis_and_files_that_are_not_there() {
    let place = sandbox();
    let many: Vec<String> = (0..10_000).map(|i| i.to_string()).collect();
    let line = place.edit("sweep.toml", "values", &format!("values = [{}]", many.join(",")));
    place.run(&["check", "sweep.toml"]).refused(2, &[&format!("line {line}"), "10000", "9999"]);
    place.write("sweep.toml", "name = \"s\"\nstudy = \"tiny.toml\"\naxes = []\n");
    place.run(&["check", "sweep.toml"]).refused(2, &["line 3", "0 axes", "1 to 4"]);
    place.write("sweep.toml", SWEEP.replace("tiny.toml", "absent.toml"));
    place.run(&["check", "sweep.toml"]).refused(3, &["absent.toml"]);
}

#[test]
fn values_that_do_not_go_together_are_named_by_their_point() {
    let place = sandbox();
    place.edit(
        "sweep.toml",
        "label = \"readable\"",
        "label = \"two\"\nset = [{ key = \"rule.up-permille\", value = [850] }]",
    );
    place
        .run(&["check", "sweep.toml"])
        .refused(2, &["sweep.toml", "battery two", "rule.down-permille", "2 values", "1, one per pair"]);
}

#[test]
fn learners_that_are_not_there_and_settings_of_those_that_do_not_take_part() {
    let place = sandbox();
    let axes = |values: &str, more: &str| {
        let text = format!(
            "name = \"s\"\nstudy = \"tiny.toml\"\n[[axes]]\nlabel = \"learner\"\nkey = \"learners\"\n\
             values = [{values}]\n{more}"
        );
        place.write("sweep.toml", text);
        place.run(&["check", "sweep.toml"])
    };
    axes("\"tabular\", \"ddpg\"", "").refused(2, &["line 6", "axes[0].values", "\"ddpg\"", "tabular", "ppo"]);
    axes("\"tabular\", 3", "").refused(2, &["line 6", "axes[0].values", "3", "learners of the study file"]);
    axes(
        "\"tabular\", \"dqn\"",
        "[[axes]]\nlabel = \"steps\"\nkey = \"learners.dqn.settings.n-step\"\nvalues = [1, 3]\n",
    )
    .refused(2, &["line 10", "axes[1].values", "where dqn does not take part", "points"]);
}
