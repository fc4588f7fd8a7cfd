//! The exported header under a static checker, by the guideline for C in vehicles: MISRA C:2012.

use super::{Case, there};
use std::collections::BTreeSet;
use std::process::Command;

/// Rules of the category advisory (from memory of the guideline's appendix A). Every other rule counts as required.
const ADVISORY: [&str; 29] = [
    "1.2", "2.3", "2.4", "2.5", "2.6", "2.7", "4.2", "5.9", "8.7", "8.9", "8.11", "8.13", "10.5", "11.4",
    "11.5", "12.1", "12.3", "12.4", "13.3", "13.4", "15.1", "15.4", "15.5", "17.5", "17.8", "18.4", "18.5",
    "19.2", "20.5",
];

/// Required rules that the header breaks on purpose, with the reason.
const EXCEPTIONS: [(&str, &str); 0] = [];

/// Calls everything that a control loop may call.
const CALLER: &str = r#"#include "lowgear.h"
static lowgear_state state;
uint8_t caller(const lowgear_raw *raw, uint32_t elapsed_us);
uint8_t caller(const lowgear_raw *raw, uint32_t elapsed_us)
{
    uint8_t answer = lowgear_self_test();
    answer |= lowgear_check_standing(raw, 1000u);
    answer |= lowgear_check_free(raw);
    answer |= lowgear_on_time(elapsed_us);
    lowgear_start(&state, 0u);
    answer |= lowgear_tick(&state, raw).drive;
    answer |= lowgear_park(&state, raw);
    answer |= lowgear_leave_park(&state);
    return answer;
}
"#;

/// The same with a memory of the way.
const LAPS_CALLER: &str = r#"#include "lowgear_laps.h"
static lowgear_state state;
static lowgear_laps laps;
uint8_t caller(const lowgear_raw *raw);
uint8_t caller(const lowgear_raw *raw)
{
    uint8_t answer = lowgear_laps_self_test();
    lowgear_start(&state, 0u);
    lowgear_laps_start(&laps);
    lowgear_laps_begin(&laps);
    answer |= lowgear_laps_tick(&laps, &state, raw).drive;
    return answer;
}
"#;

#[test]
fn the_header_keeps_every_required_rule_that_the_checker_knows() {
    if !there("cppcheck") {
        return;
    }
    for case in [Case::usual(), Case::other(), Case::ahead(), Case::network(Case::ahead())] {
        keeps_the_rules(&case, CALLER, "lowgear.h");
    }
    for (case, _) in super::laps::cases() {
        keeps_the_rules(&case, LAPS_CALLER, "lowgear_laps.h");
    }
}

#[track_caller]
fn keeps_the_rules(case: &Case, caller: &str, header: &str) {
    std::fs::write(case.folder.path().join("caller.c"), caller).unwrap();
    let output = Command::new("cppcheck")
        .args(["--addon=misra", "--std=c99", "--quiet", "-I.", "--template={file}:{line}: {id}", "caller.c"])
        .current_dir(case.folder.path())
        .output()
        .expect("it starts");
    assert!(output.status.success(), "{output:?}");
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    let in_header: Vec<&str> = said.lines().filter(|line| line.starts_with(&format!("{header}:"))).collect();
    let rule = |line: &str| line.rsplit("misra-c2012-").next().unwrap_or("").to_owned();
    let broken: BTreeSet<String> = in_header.iter().map(|line| rule(line)).collect();
    assert!(broken.contains("15.5"), "the checker ran: early returns are an advisory matter; it said {said}");
    let known: BTreeSet<&str> = ADVISORY.into_iter().chain(EXCEPTIONS.map(|(rule, _)| rule)).collect();
    let text = std::fs::read_to_string(case.folder.path().join(header)).unwrap();
    let quoted = |line: &str| {
        let number: usize = line.split(':').nth(1)?.parse().ok()?;
        Some(format!("{line}: {}", text.lines().nth(number.checked_sub(1)?)?))
    };
    let required = in_header.iter().filter(|line| !known.contains(rule(line).as_str()));
    let required: Vec<String> =
        required.map(|line| quoted(line).unwrap_or_else(|| (*line).to_owned())).collect();
    assert!(required.is_empty(), "{required:#?}");
    assert!(EXCEPTIONS.iter().all(|(rule, _)| broken.contains(*rule)), "an exception that is none");
}
