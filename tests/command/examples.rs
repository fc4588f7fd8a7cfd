//! The example at the end of each command's help: there is one, and it runs in a folder made by `lowgear new`.

use super::field::logged;
use crate::documents::commands;
use crate::sandbox::{Sandbox, repository};
use std::fs;

/// What an example needs that others leave there runs after them.
const ORDER: [&str; 6] = ["new", "study", "check", "init", "fit", "validate"];

/// The example in the help of a command: its last line.
fn example(place: &Sandbox, command: &str) -> String {
    let help = place.run(&[command, "--help"]).done().out;
    let mut last = help.lines().rev();
    let line = last.next().unwrap_or_default();
    let found = line.strip_prefix("  lowgear ").filter(|words| words.split(' ').next() == Some(command));
    let example = found.unwrap_or_else(|| panic!("no example at the end of the help of {command}:\n{help}"));
    let head: Vec<&str> = last.take_while(|line| !line.is_empty()).collect();
    assert!(head.last().is_some_and(|line| line.starts_with("Example")), "{help}");
    example.to_owned()
}

#[test]
fn every_command_has_an_example_that_runs_in_a_new_folder() {
    let place = Sandbox::new();
    let mut commands = commands(&place);
    commands.sort_by_key(|command| ORDER.iter().position(|c| c == command).unwrap_or(ORDER.len()));
    let examples: Vec<String> = commands.iter().map(|command| example(&place, command)).collect();
    // With the budgets of the tiny study; a log is what only the reader has.
    place.run(&["new", "garden"]).done();
    let tiny = fs::read_to_string(repository().join("tests/study/tiny.toml")).unwrap();
    place.write("garden/study.toml", tiny.replace("\"tiny\"\nseed", "\"own\"\nseed"));
    for log in ["ground.csv", "another.csv"] {
        place.write(&format!("garden/{log}"), logged());
    }
    let vehicle = lowgear_env::config::load(&place.path("garden/vehicle.toml")).unwrap();
    place.write("garden/drive.bin", super::trial::recording(&vehicle, 4, 0.05));
    for example in examples {
        let words: Vec<&str> = example.split(' ').collect();
        let ran = crate::sandbox::run_in(&place.path("garden"), &words);
        assert_eq!(ran.code, Some(0), "lowgear {example}\n{}{}", ran.out, ran.err);
    }
}
