//! Thresholds read off a policy's shifts.

use crate::rule::{NEVER_DOWN, NEVER_UP, RuleSettings, Signal};
use crate::table::distil::Visit;
use lowgear_onboard::{Feature, Request};

/// Thresholds tried are multiples of this, permille.
const STEP: i16 = 10;

/// `like` with the thresholds on `signal` that tell best, per gear, the policy's shifts from its other decisions:
/// the sum of the shares classified rightly among the two sorts is largest. A gear that is never shifted out of has none.
#[must_use]
pub fn thresholds_of(visits: &[Visit], signal: Signal, like: &RuleSettings) -> RuleSettings {
    let read = |gear: usize, shift: Request| {
        let here = |v: &&Visit| v.features.get(Feature::Gear) == gear as i16 && v.mask.allows(shift as usize);
        let values = visits.iter().filter(here).map(|v| (v.features.get(signal.feature()), v.done == shift));
        let (shifts, others): (Vec<_>, Vec<_>) = values.partition(|&(_, shifted)| shifted);
        best_cut(&shifts, &others, shift == Request::Up)
    };
    let gears = like.up_permille.len();
    RuleSettings {
        signal,
        up_permille: (0..gears).map(|gear| read(gear, Request::Up).unwrap_or(NEVER_UP)).collect(),
        down_permille: (0..gears).map(|gear| read(gear + 1, Request::Down).unwrap_or(NEVER_DOWN)).collect(),
        ..like.clone()
    }
}

/// The cut below (`upward`) or above which most of the others and fewest of the shifts lie.
fn best_cut(shifts: &[(i16, bool)], others: &[(i16, bool)], upward: bool) -> Option<i16> {
    if shifts.is_empty() {
        return None;
    }
    let share = |values: &[(i16, bool)], cut: i16, over: bool| {
        let right = values.iter().filter(|&&(value, _)| (value >= cut) == over).count();
        right as f64 / values.len().max(1) as f64
    };
    let accuracy = |cut: i16| share(shifts, cut, upward) + share(others, cut, !upward);
    let cuts = (1..NEVER_UP / STEP).map(|i| i * STEP);
    cuts.map(|cut| (cut, accuracy(cut))).max_by(|a, b| a.1.total_cmp(&b.1)).map(|(cut, _)| cut)
}
