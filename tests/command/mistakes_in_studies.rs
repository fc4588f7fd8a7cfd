//! Study files with a mistake: the message names file, line, key and what is allowed, before any work is done.

use crate::sandbox::Sandbox;

#[track_caller]
fn refused(line: &str, by: &str, words: &[&str]) {
    let place = Sandbox::new();
    let number = place.edit("tiny.toml", line, by);
    let number = format!("line {number}:");
    let expected = [&["tiny.toml", &number], words].concat();
    place.run(&["check", "tiny.toml"]).refused(2, &expected);
    place.run(&["study", "tiny.toml", "--out", "run"]).refused(2, &expected);
    assert!(!place.path("run").exists(), "nothing was written");
}

#[test]
fn an_unknown_key() {
    refused("test-courses", "test-course = 4", &["`test-course`", "`test-courses`"]);
}

#[test]
fn a_count_that_is_negative_or_broken() {
    refused("seed =", "seed = -1", &["seed", "-1", "a whole number"]);
    refused("seed =", "seed = 0.5", &["seed", "0.5", "a whole number"]);
}

#[test]
fn counts_out_of_range() {
    refused("training-seeds", "training-seeds = 0", &["training-seeds", "0", "1 to 1000"]);
    refused("test-courses", "test-courses = 1", &["test-courses", "1", "2 to 100000"]);
}

#[test]
fn a_name_that_is_no_folder_name() {
    refused("name =", "name = \"../up\"", &["name", "../up", "letters"]);
}

#[test]
fn a_threshold_out_of_range() {
    refused("up-permille", "up-permille = [850, 9000]", &["rule.up-permille[1]", "9000", "0 to 2001"]);
}

#[test]
fn a_list_shorter_than_the_vehicle_has_gears() {
    let place = Sandbox::new();
    let number = place.edit("tiny.toml", "up-permille", "up-permille = [850]");
    place.edit("tiny.toml", "down-permille", "down-permille = [400]");
    let words = [&format!("line {number}:"), "rule.up-permille", "1 values", "2, one per pair"];
    place.run(&["check", "tiny.toml"]).refused(2, &words);
}

#[test]
fn numbers_of_the_rule_out_of_range() {
    refused("retry-ticks", "retry-ticks = 4000", &["rule.retry-ticks", "4000", "0 to 1000 ticks"]);
    refused("retry-growth", "retry-growth = nan", &["rule.retry-growth", "NaN", "1 to 10"]);
}

#[test]
fn a_reward_that_is_not_a_number() {
    let key = "episode.reward.reference-speed-m-s";
    refused("reference-speed-m-s", "reference-speed-m-s = nan", &[key, "NaN", "0.01 to 100 m/s"]);
}

#[test]
fn a_start_in_a_gear_that_the_vehicle_has_not() {
    let place = Sandbox::new();
    let number =
        place.edit("tiny.toml", "[episode.reward]", "[episode]\nstart-gear = 4\n\n[episode.reward]") + 1;
    let words = [&format!("line {number}:"), "episode.start-gear", "4", "1 to 3"];
    place.run(&["check", "tiny.toml"]).refused(2, &words);
}

#[test]
fn settings_of_learners_out_of_range() {
    refused("trust-visits", "lambda-per-s = 7.0", &["learners.tabular.settings.lambda-per-s", "7", "0 to 1"]);
    refused("warm-up", "batch = 0", &["`learners.dqn.settings.batch` is 0;", "1 to 65536"]);
    refused(
        "warm-up",
        "epsilon = { from = 0.1, to = 1.5, begin = 0, over = 9 }",
        &["`learners.dqn.settings.epsilon.to` is 1.5;", "0 to 1"],
    );
    refused(
        "warm-up",
        "replay-capacity = 999999999999",
        &["learners.dqn.settings.replay-capacity", "10000000"],
    );
    refused("stack", "stack = 40", &["learners.dqn.stack", "40", "1 to 16"]);
    let key = "learners.ppo.stress-factor";
    refused("thresholds = [0.5]", "stress-factor = -1.0", &[key, "-1", "0 to 100"]);
}

#[test]
fn a_grid_that_cannot_be() {
    refused(
        "edges = [1, 2]",
        "edges = [2, 1]",
        &["learners.tabular.grid[0].edges", "[2, 1]", "above the one before"],
    );
    refused("feature = \"gear\"", "feature = \"mood\"", &["feature", "mood", "speed-ratio"]);
}

#[test]
fn features_of_the_table_that_cannot_be() {
    refused("features", "features = []", &["table.features", "empty", "one or more"]);
    refused("features", "features = [\"gear\", \"mood\"]", &["table.features", "mood", "speed-ratio"]);
    refused("features", "features = [\"gear\", \"gear\"]", &["table.features", "gear", "once"]);
}

#[test]
fn a_prefix_that_c_could_not_use() {
    for prefix in ["9lives", "a__b", "a_", "Upper", ""] {
        refused("prefix", &format!("prefix = \"{prefix}\""), &["table.prefix", prefix, "a letter first"]);
    }
}

#[test]
fn budgets_that_are_not_numbers() {
    refused("step = 0.05", "step = nan", &["learners.contextual.budget.step", "NaN", "0.0001 to 10"]);
    refused("budget-share", "budget-share = nan", &["quick.budget-share", "NaN", "0.0001 to 1"]);
}

#[test]
fn no_learner_at_all() {
    let place = Sandbox::new();
    let text = place.read("tiny.toml");
    let (before, rest) = text.split_once("[learners.contextual.budget]").unwrap();
    let after = &rest[rest.find("[table]").unwrap()..];
    place.write("tiny.toml", format!("{before}[learners]\n\n{after}"));
    place
        .run(&["check", "tiny.toml"])
        .refused(2, &["learners", "at least one of contextual, dqn, ppo, tabular"]);
}

#[test]
fn a_search_over_what_is_not_there_or_not_allowed() {
    let rate = "key = \"settings.learning-rate.from\"";
    refused(
        rate,
        "key = \"settings.learning-speed\"",
        &["hyper-search.learners.dqn[0].key", "learning-speed", "[learners.dqn]"],
    );
    refused(
        rate,
        "key = \"settings.learning-rate.rise\"",
        &["hyper-search.learners.dqn[0].key", "[learners.dqn]"],
    );
    refused(
        rate,
        "key = \"decisions\"",
        &["hyper-search.learners.dqn[0].key", "decisions", "not a budget of steps"],
    );
    refused(
        "range = { choice = [[8]",
        "range = { choice = [8, 16] }",
        &["hyper-search.learners.dqn[1].range", "8 for"],
    );
}

#[test]
fn a_search_over_values_out_of_range() {
    let lambda = "range = { linear = [0.0, 1.0] }";
    refused(
        lambda,
        "range = { linear = [0.0, 1.5] }",
        &["hyper-search.learners.tabular[0].range", "1.5 for", "0 to 1"],
    );
    refused(lambda, "range = { log = [0.0, 1.0] }", &["hyper-search.learners.tabular[0].range", "above 0"]);
    refused(
        lambda,
        "range = { linear = [1.0, 0.5] }",
        &["hyper-search.learners.tabular[0].range", "low below high"],
    );
    refused(
        lambda,
        "range = { choice = [0.5] }",
        &["hyper-search.learners.tabular[0].range", "two or more values"],
    );
    refused(
        lambda,
        "range = { choice = [0.5, \"much\"] }",
        &["hyper-search.learners.tabular[0].range", "\"much\" for"],
    );
    let words = ["linear", "log", "integer", "choice"];
    refused(lambda, "range = { cubic = [0.0, 1.0] }", &[&["cubic"], &words[..]].concat());
}

#[test]
fn a_search_whose_budget_cannot_be_shared() {
    refused("candidates = 4", "candidates = 1", &["hyper-search.candidates", "1", "2 to 1000"]);
    refused("first-ticks", "first-ticks = 0", &["hyper-search.first-ticks", "0", "1 to"]);
    refused("rungs", "rungs = 4", &["hyper-search.rungs", "4", "keep-one-in^(rungs - 1)"]);
}

#[test]
fn a_search_that_leaves_a_contender_out() {
    let place = Sandbox::new();
    let text = place.read("tiny.toml");
    let (before, rest) = text.split_once("[[hyper-search.learners.tabular]]").unwrap();
    let after = &rest[rest.find("[table]").unwrap()..];
    place.write("tiny.toml", format!("{before}{after}"));
    place
        .run(&["check", "tiny.toml"])
        .refused(2, &["hyper-search.learners.tabular", "no range", "every policy"]);
}

#[test]
fn altered_worlds_out_of_range_or_order() {
    let mass = "mass-factor = [1.0";
    refused(mass, "mass-factor = [1.0, 9.0]", &["robustness.mass-factor[1]", "9", "0.2 to 5"]);
    refused(mass, "mass-factor = [1.4, 1.0]", &["robustness.mass-factor", "1 to 9 values, each above"]);
    refused(mass, "mass-factor = []", &["robustness.mass-factor", "[]", "1 to 9 values"]);
    refused("charge = [0.2", "charge = [nan]", &["robustness.charge[0]", "NaN", "0 to 1"]);
    refused("latency-ticks", "latency-ticks = [0, 4]", &["robustness.latency-ticks[1]", "4", "0 to 3 ticks"]);
    refused("wear", "ware = [1.0]", &["`ware`", "`wear`"]);
}
