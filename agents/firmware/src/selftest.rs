//! A handful of stored readings that lead the controller through shifts, a miss, a stall and a rest, and the
//! sum of all answers: the self-test that every export carries.

use lowgear_onboard::{Command, Controller, MAX_GEARS, Raw, Request, Settings};

use super::decider::{Decider, DeciderFault};

/// Readings, each held for some ticks, and the sum that a right controller comes to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct SelfTest {
    pub(super) runs: Vec<[u16; 8]>,
    pub(super) sum: u16,
}

impl SelfTest {
    pub(super) fn of(decider: Decider<'_>, settings: &Settings) -> Result<SelfTest, DeciderFault> {
        let (seen, bias) = (decider.features(), decider.bias());
        let runs = runs(settings);
        let mut controller = Controller::new(settings, 0);
        let mut sum = 0u16;
        let mut mix = |value: u16| sum = sum.wrapping_mul(31).wrapping_add(value);
        for run in &runs {
            let raw = reading(run);
            for _ in 0..run[0] {
                let due = controller.sense(settings, &raw);
                let request = if due {
                    let features = controller.features(settings);
                    decider.decide(&features)?
                } else {
                    Request::Hold
                };
                let c = controller.act(settings, request, due);
                mix(c.drive.into());
                mix(c.gear.into());
                mix(flags(&c));
                mix(controller.guard().phase() as u16 + 8 * controller.guard().verdict() as u16);
                let features = controller.features(settings);
                for &feature in &seen {
                    mix((features.get(feature) as u16).wrapping_add(bias));
                }
            }
        }
        Ok(SelfTest { runs, sum })
    }
}

fn flags(c: &Command) -> u16 {
    u16::from(c.nudge) + 2 * u16::from(c.recalibrate) + 4 * u16::from(c.park)
}

fn reading(run: &[u16; 8]) -> Raw {
    let signed = |value: u16| (value ^ 0x8000) as i16;
    Raw {
        encoder_counts: run[1],
        battery_mv: run[2],
        current_ma: signed(run[3]),
        tilt_ddeg: signed(run[4]),
        duty_permille: run[5],
        selector_ddeg: run[6],
        preview: signed(run[7]),
    }
}

/// Fast in every gear, then slow, still, a selector that never arrives, one that leaves its gear, and readings that
/// are out of range.
fn runs(settings: &Settings) -> Vec<[u16; 8]> {
    let (features, guard) = (&settings.features, &settings.guard);
    let top = usize::from(guard.gears).clamp(1, MAX_GEARS) - 1;
    let gain = u64::from(features.speed_gain.max(1));
    let counts = |permille: u64| {
        (permille * u64::from(features.nominal_mv) / gain).min(settings.ranges.max_encoder_counts.into())
            as u16
    };
    let shift = guard.cut_lead_ticks.saturating_add(3).min(20);
    let pause = guard.min_dwell_ticks.saturating_add(settings.decision_ticks).clamp(4, 40);
    let preview = &features.preview;
    let mut runs = Vec::new();
    let mut hold = |ticks: u16, permille: u64, tilt: i16, duty: u16, gear: usize| {
        let current = (features.stall_ma / 3).min(30_000) as i16;
        let signed = |value: i16| (value as u16) ^ 0x8000;
        let [low, high] = settings.ranges.battery_mv;
        let battery =
            features.nominal_mv.saturating_add(200 * (runs.len() as u16 % 3)).clamp(low, high.max(low));
        let angle = guard.gear_ddeg[gear] % 3600;
        // Something high or low ahead in every other run.
        let ahead = match runs.len() % 4 {
            1 if preview.fitted => preview.high_level,
            3 if preview.fitted => preview.low_level,
            _ => 0,
        };
        let ahead = signed(ahead);
        runs.push([ticks, counts(permille), battery, signed(current), signed(tilt), duty, angle, ahead]);
    };
    hold(pause, 950, 0, 1000, 0);
    for gear in 0..=top {
        hold(shift, 930, 5, 1000, gear);
        hold(pause, 940, -20, 1000, gear);
    }
    hold(pause, 300, 60, 900, top);
    for gear in (0..=top).rev() {
        hold(shift, 200, 70, 1000, gear);
        hold(pause, 40, 80, 1000, gear);
    }
    hold(guard.stall_cut_ticks.clamp(2, 200), 0, 100, 1000, 0);
    hold(guard.stall_rest_ticks.clamp(2, 200), 0, 20, 0, 0);
    hold(pause.saturating_mul(3), 970, 0, 1000, 0);
    hold(guard.move_timeout_ticks.clamp(2, 100), 970, 0, 1000, top);
    hold(pause, 600, 0, 500, top);
    if let Some(&last) = runs.last() {
        let [_, encoder, battery, current, tilt, duty, angle, ahead] = last;
        let away = (angle + guard.leave_ddeg.min(1700) + 10) % 3600;
        runs.push([3, encoder, battery, current, tilt, duty, away, ahead]);
        let clear = guard.fault_clear_ticks.clamp(4, 40);
        runs.push([clear, encoder, battery, current, tilt, duty, angle, ahead]);
    }
    runs.push([2, u16::MAX, u16::MAX, u16::MAX, u16::MAX, u16::MAX, u16::MAX, u16::MAX]);
    runs.push([2, 0, 0, 0, 0, 0, 0, 0]);
    runs
}
