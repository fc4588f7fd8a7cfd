//! A standing campaign against the command: files of every kind that were changed at random, kills at random
//! moments, faults of disks and streams. Small with the other tests, and as long as wanted by `tests/campaign.sh`.
//!
//! An input is refused, with a code from 1 to 3 and a message, or accepted. A panic, a hang and a wrong conclusion
//! are faults: a misspelt key that is accepted, a changed value without effect, a resolved form that means something
//! else, success without results, results that differ after a kill, a policy cut short or an exported file with
//! another table that is accepted, and lost output with the code 0.
#![expect(clippy::unwrap_used, clippy::expect_used, reason = "a check that cannot be made has failed")]
#![cfg(target_os = "linux")]

mod chance;
mod configs;
mod faults;
mod files;
mod kills;
mod trial;

use chance::RandomChoices;
use std::time::{Duration, Instant};
use trial::Tally;

use crate::sandbox::Sandbox;

/// How long it lasts with the other tests.
const SHORT: Duration = Duration::from_secs(40);

fn number(name: &str) -> Option<u64> {
    std::env::var(name).ok()?.parse().ok()
}

#[test]
fn a_campaign_finds_no_panic_no_hang_and_no_wrong_conclusion() {
    let seed = number("LOWGEAR_CAMPAIGN_SEED").unwrap_or(1);
    let lasts = number("LOWGEAR_CAMPAIGN_MINUTES").map_or(SHORT, |minutes| Duration::from_secs(60 * minutes));
    let first = number("LOWGEAR_CAMPAIGN_FROM").unwrap_or(0);
    let (bases, files, whole) = (configs::Bases::new(), files::Files::new(), kills::Whole::new());
    let streams = Sandbox::new();
    let mut tally = Tally::default();
    let (began, mut trial) = (Instant::now(), first);
    // The first rounds go through every kind, however slow the machine is.
    while began.elapsed() < lasts || trial < first + 25 {
        let chance = &mut RandomChoices::new(seed, trial);
        let before = tally.faults.len();
        match trial % 25 {
            0 => whole.killed(chance, &mut tally),
            1..=4 => files.damaged_policy(chance, &mut tally),
            5..=7 => files.damaged_export(chance, &mut tally),
            8..=10 => files.damaged_log(chance, &mut tally),
            11..=12 => faults::one(&streams, chance, &mut tally),
            _ => bases.change_one(trial / 25 * 12 + trial % 25 - 13, chance, &mut tally),
        }
        tally.faults[before..].iter_mut().for_each(|fault| *fault = format!("trial {trial}: {fault}"));
        trial += 1;
    }
    println!(
        "campaign: seed {seed}, trials {first} to {}, {} keys of configuration files, {:.0} s\n{}",
        trial - 1,
        bases.keys(),
        began.elapsed().as_secs_f64(),
        tally.text()
    );
    let again = "repeat with LOWGEAR_CAMPAIGN_SEED and LOWGEAR_CAMPAIGN_FROM";
    assert!(tally.faults.is_empty(), "seed {seed} ({again}):\n{}", tally.faults.join("\n"));
    assert!(tally.kinds.values().all(|counts| counts.inputs > 0), "every kind was tried");
}
