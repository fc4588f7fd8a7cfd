//! Words of the command line: help, unknown ones, missing ones.

use crate::sandbox::Sandbox;

#[test]
fn the_help_of_each_command_says_what_it_reads_and_writes() {
    let place = Sandbox::new();
    for command in [
        "new", "study", "check", "draw", "drive", "compare", "export", "init", "recipes", "fit", "validate",
        "replay", "log",
    ] {
        let help = place.run(&[command, "--help"]).done().out.replace('\n', " ");
        for word in ["Reads ", "rites "] {
            assert!(help.contains(word), "no {word:?} in the help of {command}:\n{help}");
        }
    }
}

#[test]
fn no_help_uses_a_gendered_pronoun() {
    let place = Sandbox::new();
    for command in crate::documents::commands(&place) {
        let help = place.run(&[&command, "--help"]).done().out;
        let words = help.split(|c: char| !c.is_alphanumeric());
        for word in words {
            assert!(
                !["he", "him", "his", "himself"].contains(&word),
                "{word} in the help of {command}:\n{help}"
            );
        }
    }
}

#[test]
fn the_help_of_the_program_lists_the_commands_and_the_exit_codes() {
    let help = Sandbox::new().run(&["--help"]).done().out;
    for word in [
        "new",
        "study",
        "check",
        "draw",
        "drive",
        "compare",
        "export",
        "init",
        "recipes",
        "fit",
        "validate",
        "replay",
        "log",
        "trial",
        "0 done",
        "1 a step failed",
        "2 wrong",
        "3 files",
        "4 stopped",
    ] {
        assert!(help.contains(word), "no {word:?} in:\n{help}");
    }
    assert!(help.contains("All results are simulation"), "{help}");
}

#[test]
fn an_unknown_command_is_refused_with_a_way_to_the_help() {
    Sandbox::new().run(&["frobnicate"]).refused(2, &["frobnicate", "--help"]);
}

#[test]
fn no_command_at_all_shows_the_help_and_is_wrong_usage() {
    let ran = Sandbox::new().run(&[]);
    assert_eq!(ran.code, Some(2));
    assert!(ran.err.contains("Usage:"), "{}", ran.err);
}

#[test]
fn an_unknown_option_and_a_number_out_of_range_are_refused() {
    let place = Sandbox::new();
    place.run(&["study", "tiny.toml", "--fast"]).refused(2, &["--fast"]);
    place.run(&["study", "tiny.toml", "--threads", "0"]).refused(2, &["--threads", "1..=1024"]);
    place.run(&["study", "tiny.toml", "--effort", "0"]).refused(2, &["--effort", "0.001"]);
    place.run(&["study", "tiny.toml", "--hours", "nan"]).refused(2, &["--hours", "10000"]);
    place.run(&["study", "tiny.toml", "--quick", "--effort", "2"]).refused(2, &["--quick", "--effort"]);
    place.run(&["drive", "tiny.toml", "--episode", "-1"]).refused(2, &["--"]);
}

#[test]
fn a_missing_file_is_named_with_a_hint_whichever_command_wants_it() {
    let place = Sandbox::new();
    for arguments in [
        &["study", "absent.toml"][..],
        &["check", "absent.toml"],
        &["drive", "absent.toml"],
        &["compare", "absent.toml", "hand-rule", "hand-rule"],
        &["export", "absent.toml", "--policy", "hand-rule", "--out", "out"],
    ] {
        place.run(arguments).refused(3, &["absent.toml", "hint:"]);
    }
    place.run(&["drive", "tiny.toml", "--course", "absent.toml"]).refused(3, &["absent.toml", "hint:"]);
    assert_eq!(place.names(), ["course.toml", "tiny.toml", "vehicle.toml"], "nothing was written");
}

#[test]
fn a_study_that_names_a_missing_vehicle_is_refused_with_the_path_looked_for() {
    let place = Sandbox::new();
    place.edit("tiny.toml", "vehicle =", "vehicle = \"garage/cart.toml\"");
    place.run(&["study", "tiny.toml"]).refused(3, &["garage/cart.toml", "relative to that file"]);
}
