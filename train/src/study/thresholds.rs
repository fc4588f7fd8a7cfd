//! A threshold rule in units that a controller can be given by hand.

use lowgear_agents::rule::{LOW_STRIKE, NEVER_DOWN, NEVER_UP, NO_STRIKE, RuleSettings, Signal};
use lowgear_env::Scenario;
use lowgear_eval::summary::ShiftThreshold;
use std::f64::consts::TAU;

/// One line per threshold and wait: turns of the motor per minute, volts, degrees, seconds. Gears are counted
/// from 1.
#[must_use]
pub fn enterable(scenario: &Scenario, rule: &RuleSettings) -> Vec<String> {
    let mut lines = Vec::new();
    for (gear, (&up, &down)) in (1..).zip(rule.up_permille.iter().zip(&rule.down_permille)) {
        let next = gear + 1;
        if up < NEVER_UP {
            lines.push(format!("shift up {gear} to {next} at {} or more", speed(scenario, rule.signal, up)));
        }
        if down > NEVER_DOWN && rule.steps_down {
            lines.push(format!("shift down {next} to {gear} below {}", speed(scenario, rule.signal, down)));
        }
    }
    let decision_s = scenario.vehicle.controller.tick_s * f64::from(scenario.settings.decision_ticks);
    let seconds = |ticks: u16| scenario.vehicle.controller.tick_s * f64::from(ticks);
    if rule.hold_decisions > 1 {
        let count = rule.hold_decisions;
        lines.push(format!("a threshold must be passed {count} times in a row, {decision_s:.2} s apart"));
    }
    if let (Some(ticks), true) = (rule.stall_ticks, rule.steps_down) {
        lines.push(format!("step down once the motor has stood still for {:.2} s", seconds(ticks)));
    }
    if let Some(tilt) = rule.tilt_hold_ddeg {
        lines.push(format!("no upshift at {:.1} degrees of climb or more", f64::from(tilt) / 10.0));
    }
    for (gear, &ticks) in (1..).zip(rule.dwell_ticks.iter().flatten()).filter(|(_, ticks)| **ticks > 0) {
        lines.push(format!("no shift up out of gear {gear} before {:.2} s in it", seconds(ticks)));
    }
    if rule.retry_ticks > 0 {
        let wait = seconds(rule.retry_ticks);
        let growth = if rule.retry_growth > 1.0 {
            format!(", {} times longer after each further one in a row", rule.retry_growth)
        } else {
            String::new()
        };
        lines.push(format!("no upshift for {wait:.2} s after one that had to be taken back{growth}"));
    }
    if let Some(preview) = rule.preview.as_ref().filter(|_| rule.steps_down) {
        for (gear, &class) in (2..).zip(&preview.down_class) {
            let what = strikes(class).map(|what| {
                format!(
                    "shift down {gear} to {} at {what} within {} mm before an axle",
                    gear - 1,
                    preview.down_mm
                )
            });
            lines.extend(what);
        }
    }
    if let Some(preview) = &rule.preview {
        if preview.clear_decisions != rule.hold_decisions {
            let count = preview.clear_decisions;
            lines.push(format!(
                "with nothing in view ahead a threshold up must be passed {count} times in a row"
            ));
        }
        for (gear, &class) in (1..).zip(&preview.hold_class) {
            let what = strikes(class).map(|what| {
                format!(
                    "do not shift up {gear} to {} at {what} within {} mm before an axle",
                    gear + 1,
                    preview.hold_mm
                )
            });
            lines.extend(what);
        }
    }
    lines
}

/// Strikes of this class and above in words; none where there are none.
fn strikes(class: u8) -> Option<&'static str> {
    match class {
        ..=LOW_STRIKE => Some("any obstacle"),
        NO_STRIKE.. => None,
        _ => Some("a high obstacle"),
    }
}

/// The motor speeds at which the rule shifts.
pub(super) fn thresholds(scenario: &Scenario, rule: &RuleSettings) -> Vec<ShiftThreshold> {
    let mut found = Vec::new();
    let mut threshold = |from: u8, to: u8, permille: i16, wait_s: Option<f64>| {
        let (motor_rpm, rpm_per_v) = motor_speed(scenario, permille);
        let rpm_per_v = (rule.signal == Signal::SpeedRatio).then_some(rpm_per_v);
        found.push(ShiftThreshold { from, to, motor_rpm, rpm_per_v, wait_s });
    };
    for (gear, (&up, &down)) in rule.up_permille.iter().zip(&rule.down_permille).enumerate() {
        let (lower, upper) = (gear as u8 + 1, gear as u8 + 2);
        if up < NEVER_UP {
            let wait_ticks = rule.dwell_ticks.as_ref().and_then(|ticks| ticks.get(gear));
            let wait_s = wait_ticks.map(|&ticks| scenario.vehicle.controller.tick_s * f64::from(ticks));
            threshold(lower, upper, up, wait_s);
        }
        if down > NEVER_DOWN && rule.steps_down {
            threshold(upper, lower, down, None);
        }
    }
    found
}

/// A share of the no-load speed as a motor speed: rpm at nominal voltage, and rpm per volt at the motor.
fn motor_speed(scenario: &Scenario, permille: i16) -> (f64, f64) {
    let motor = scenario.vehicle.motor.line.constants();
    let share = f64::from(permille) / 1000.0;
    let rpm_per_v = share / motor.emf_constant_v_s * 60.0 / TAU;
    (rpm_per_v * scenario.vehicle.battery.nominal_voltage_v, rpm_per_v)
}

/// A threshold as a motor speed: at nominal voltage, and with the load ratio also per volt at the motor.
fn speed(scenario: &Scenario, signal: Signal, permille: i16) -> String {
    let (rpm, rpm_per_v) = motor_speed(scenario, permille);
    match signal {
        Signal::MotorSpeed => format!("{rpm:.0} rpm of the motor"),
        Signal::SpeedRatio => {
            format!(
                "{rpm_per_v:.0} rpm of the motor per volt at the motor, battery voltage times duty ({rpm:.0} rpm at \
                 nominal voltage and full duty)"
            )
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::study::read_inputs;
    use lowgear_agents::rule::PreviewRule;
    use std::path::Path;

    /// The demo's motor by hand: 7.2 V less 0.045 A times 7.2 V / 0.5 A leaves 6.552 V of back-EMF at 690 rad/s,
    /// so 105.31 rad/s a volt, 779.3 rad/s or 7442 rpm at the battery's nominal 7.4 V; 850 permille are 6326 rpm.
    #[test]
    fn thresholds_read_in_turns_seconds_and_degrees() {
        let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("../configs/studies/demo.toml");
        let inputs = read_inputs(&file, false).unwrap();
        let rule = RuleSettings { tilt_hold_ddeg: Some(55), ..inputs.study.rule.clone() };
        let text = enterable(&inputs.scenario, &rule).join("\n");
        for part in
            ["shift up 1 to 2 at 6326 rpm", "shift down 3 to 2 below 2977 rpm", "5.5 degrees", "2.00 s"]
        {
            assert!(text.contains(part), "no `{part}` in:\n{text}");
        }
        let preview = PreviewRule {
            down_class: vec![4, 2],
            down_mm: 150,
            hold_class: vec![3, 4],
            hold_mm: 210,
            clear_decisions: 2,
        };
        let ahead = enterable(&inputs.scenario, &RuleSettings { preview: Some(preview), ..rule.clone() });
        let ahead = &ahead[text.lines().count()..];
        assert_eq!(
            ahead,
            [
                "shift down 3 to 2 at any obstacle within 150 mm before an axle",
                "do not shift up 1 to 2 at a high obstacle within 210 mm before an axle"
            ]
        );
        let load = RuleSettings { signal: Signal::SpeedRatio, ..rule.clone() };
        let found = thresholds(&inputs.scenario, &load);
        let pairs: Vec<(u8, u8)> = found.iter().map(|t| (t.from, t.to)).collect();
        assert_eq!(pairs, [(1, 2), (2, 1), (2, 3), (3, 2)]);
        assert!(
            (found[0].motor_rpm - 6326.0).abs() < 1.0 && (found[0].rpm_per_v.unwrap() - 854.8).abs() < 0.5
        );
        assert!(thresholds(&inputs.scenario, &rule).iter().all(|t| t.rpm_per_v.is_none()));
        let waiting = RuleSettings { dwell_ticks: Some(vec![8, 30]), ..rule.clone() };
        let waits: Vec<Option<f64>> =
            thresholds(&inputs.scenario, &waiting).iter().map(|t| t.wait_s).collect();
        assert_eq!(waits, [Some(0.4), None, Some(1.5), None], "30 ticks of 0.05 s");
        assert!(thresholds(&inputs.scenario, &RuleSettings { steps_down: false, ..rule }).len() == 2);
        assert!(
            enterable(&inputs.scenario, &load)[0].contains("855 rpm of the motor per volt"),
            "850 permille"
        );
    }
}
