//! The rule that benches on the level path compare with.

use lowgear_agents::rule::{Rule, RuleSettings, Signal};

/// The load-ratio rule as one of the searches of the study on the level path left it.
pub(crate) fn rule() -> Rule {
    let settings = RuleSettings {
        signal: Signal::SpeedRatio,
        up_permille: vec![0, 564],
        down_permille: vec![190, 0],
        hold_decisions: 15,
        stall_ticks: Some(1),
        tilt_hold_ddeg: None,
        retry_ticks: 0,
        retry_growth: 1.0,
        steps_down: true,
        dwell_ticks: None,
        preview: None,
    };
    Rule::new(settings, 3).unwrap()
}
