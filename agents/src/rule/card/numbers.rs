//! The numbers of a threshold rule: counted, rounded, moved and left out.

use crate::rule::{
    MAX_STRIKE_MM, MAX_WAIT_TICKS, NEVER_DOWN, NEVER_UP, NO_STRIKE, PreviewRule, RuleSettings,
};
use std::fmt;

/// Thresholds on a card are multiples of this, permille.
const STEP_PERMILLE: i16 = 10;
/// Tilts are multiples of this, tenths of a degree.
const STEP_DDEG: i16 = 5;
/// The highest threshold that a rule can have and still shift, permille.
const HIGHEST: i16 = NEVER_UP - 1;

/// A condition, or a difference between gears, that a card can do without.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Omission {
    /// Every gear has the same threshold up.
    OneThresholdUp,
    /// Every gear has the same threshold down.
    OneThresholdDown,
    /// No threshold down: only a stall steps down.
    NoThresholdDown,
    /// A threshold acts at once.
    NoAgreement,
    /// No step down on a stall.
    NoStall,
    /// No tilt that holds the gear.
    NoTilt,
    /// No wait after an upshift that failed.
    NoWait,
    /// The wait does not grow.
    NoGrowth,
    /// No wait in each gear before a shift up.
    NoDwell,
    /// No step down before a strike.
    NoStepBeforeStrike,
    /// No holding of the gear before a strike.
    NoHoldBeforeStrike,
}

impl Omission {
    /// Every one.
    pub const ALL: [Omission; 11] = [
        Omission::OneThresholdUp,
        Omission::OneThresholdDown,
        Omission::NoThresholdDown,
        Omission::NoAgreement,
        Omission::NoStall,
        Omission::NoTilt,
        Omission::NoWait,
        Omission::NoGrowth,
        Omission::NoDwell,
        Omission::NoStepBeforeStrike,
        Omission::NoHoldBeforeStrike,
    ];

    /// The rule without it; `None` where it is not there.
    #[must_use]
    pub fn of(self, rule: &RuleSettings) -> Option<RuleSettings> {
        let mut shorter = rule.clone();
        match self {
            Omission::OneThresholdUp => shorter.up_permille = levelled(&rule.up_permille),
            Omission::OneThresholdDown => shorter.down_permille = levelled(&rule.down_permille),
            Omission::NoThresholdDown => shorter.down_permille.fill(NEVER_DOWN),
            Omission::NoAgreement => {
                shorter.hold_decisions = 1;
                shorter.preview.iter_mut().for_each(|preview| preview.clear_decisions = 1);
            }
            Omission::NoStall => shorter.stall_ticks = None,
            Omission::NoTilt => shorter.tilt_hold_ddeg = None,
            Omission::NoWait => (shorter.retry_ticks, shorter.retry_growth) = (0, 1.0),
            Omission::NoGrowth => shorter.retry_growth = 1.0,
            Omission::NoDwell => shorter.dwell_ticks = None,
            Omission::NoStepBeforeStrike => {
                shorter.preview.iter_mut().for_each(|preview| preview.down_class.fill(NO_STRIKE));
            }
            Omission::NoHoldBeforeStrike => {
                shorter.preview.iter_mut().for_each(|preview| preview.hold_class.fill(NO_STRIKE));
            }
        }
        (count(&shorter) < count(rule)).then_some(shorter)
    }
}

impl fmt::Display for Omission {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Omission::OneThresholdUp => "a threshold up of its own for each gear",
            Omission::OneThresholdDown => "a threshold down of its own for each gear",
            Omission::NoThresholdDown => "the thresholds down",
            Omission::NoAgreement => "that a threshold must be passed several times",
            Omission::NoStall => "the step down on a stall",
            Omission::NoTilt => "the tilt that holds the gear",
            Omission::NoWait => "the wait after an upshift that failed",
            Omission::NoGrowth => "the growth of that wait",
            Omission::NoDwell => "the wait of each gear before a shift up",
            Omission::NoStepBeforeStrike => "the step down before a strike",
            Omission::NoHoldBeforeStrike => "holding the gear before a strike",
        })
    }
}

/// The same threshold for every gear that has one: the middle of them.
fn levelled(thresholds: &[i16]) -> Vec<i16> {
    let mut used: Vec<i16> = thresholds.iter().copied().filter(|&t| t > NEVER_DOWN && t < NEVER_UP).collect();
    used.sort_unstable();
    used.get(used.len() / 2).map_or_else(|| thresholds.to_vec(), |&middle| vec![middle; thresholds.len()])
}

/// Numbers to type in. The same threshold for several gears is one number.
pub(super) fn count(rule: &RuleSettings) -> usize {
    let distinct = |thresholds: &[i16], never: i16| {
        let mut used: Vec<i16> = thresholds.iter().copied().filter(|&t| t != never).collect();
        used.sort_unstable();
        used.dedup();
        used.len()
    };
    let down = if rule.steps_down { distinct(&rule.down_permille, NEVER_DOWN) } else { 0 };
    distinct(&rule.up_permille, NEVER_UP)
        + down
        + usize::from(rule.hold_decisions > 1)
        + usize::from(rule.stall_ticks.is_some() && rule.steps_down)
        + usize::from(rule.tilt_hold_ddeg.is_some())
        + rule.dwell_ticks.iter().flatten().filter(|&&ticks| ticks > 0).count()
        + usize::from(rule.retry_ticks > 0)
        + usize::from(rule.retry_ticks > 0 && rule.retry_growth > 1.0)
        + rule.preview.as_ref().map_or(0, |preview| {
            let down = if rule.steps_down { ahead(&preview.down_class) } else { 0 };
            let clear = usize::from(preview.clear_decisions != rule.hold_decisions);
            down + ahead(&preview.hold_class) + clear
        })
}

/// Numbers of a reaction to strikes: a class for each gear that reacts, and one way for all of them.
fn ahead(classes: &[u8]) -> usize {
    let reacting = classes.iter().filter(|&&class| class < NO_STRIKE).count();
    if reacting > 0 { reacting + 1 } else { 0 }
}

/// The rule in numbers that a person types.
pub(super) fn rounded(rule: &RuleSettings) -> RuleSettings {
    let to_step = |value: i16, step: i16| (f64::from(value) / f64::from(step)).round() as i16 * step;
    let threshold =
        |&value: &i16| if value > HIGHEST { NEVER_UP } else { to_step(value, STEP_PERMILLE).min(HIGHEST) };
    let steep = to_step(rule.tilt_hold_ddeg.unwrap_or(0), STEP_DDEG).min(445);
    RuleSettings {
        up_permille: rule.up_permille.iter().map(threshold).collect(),
        down_permille: rule.down_permille.iter().map(threshold).collect(),
        stall_ticks: rule.stall_ticks.map(two_digits),
        tilt_hold_ddeg: rule.tilt_hold_ddeg.map(|_| steep),
        retry_ticks: two_digits(rule.retry_ticks),
        retry_growth: if rule.retry_ticks > 0 { (rule.retry_growth * 2.0).round() / 2.0 } else { 1.0 },
        dwell_ticks: rule.dwell_ticks.as_ref().map(|waits| waits.iter().copied().map(two_digits).collect()),
        preview: rule.preview.as_ref().map(|preview| PreviewRule {
            down_mm: to_ten(preview.down_mm),
            hold_mm: to_ten(preview.hold_mm),
            ..preview.clone()
        }),
        ..rule.clone()
    }
}

/// A way in whole centimetres, mm.
fn to_ten(way_mm: u16) -> u16 {
    ((way_mm + 5) / 10 * 10).min(MAX_STRIKE_MM)
}

/// A number of ticks with two digits that are not zero.
fn two_digits(ticks: u16) -> u16 {
    let unit = if ticks >= 100 { 10 } else { 1 };
    ((ticks + unit / 2) / unit * unit).min(MAX_WAIT_TICKS)
}

/// Places that [`moves`] knows: thresholds up and down, agreement, stall, tilt, wait, growth, ways to strikes.
pub(super) fn places(rule: &RuleSettings) -> usize {
    rule.up_permille.len() + rule.down_permille.len() + 5 + if rule.preview.is_some() { 2 } else { 0 }
}

/// The rules with the number at one place a little or a good deal larger or smaller. Thresholds that are the same
/// for several gears move together.
pub(super) fn moves(rule: &RuleSettings, place: usize) -> Vec<RuleSettings> {
    let mut found = Vec::new();
    let mut keep = |other: RuleSettings| {
        let other = rounded(&other);
        if other != *rule && count(&other) <= count(rule) && !found.contains(&other) {
            found.push(other);
        }
    };
    let (ups, steps) = (rule.up_permille.len(), rule.up_permille.len() + rule.down_permille.len());
    match place {
        _ if place < ups => together(&rule.up_permille, place)
            .for_each(|up_permille| keep(RuleSettings { up_permille, ..rule.clone() })),
        _ if place < steps => together(&rule.down_permille, place - ups)
            .for_each(|down_permille| keep(RuleSettings { down_permille, ..rule.clone() })),
        _ if place == steps => [-1i8, 1].into_iter().for_each(|by| {
            let hold_decisions = rule.hold_decisions.saturating_add_signed(by).clamp(1, 20);
            keep(RuleSettings { hold_decisions, ..rule.clone() });
        }),
        _ if place == steps + 1 => scaled(rule.stall_ticks.unwrap_or(0)).for_each(|ticks| {
            let stall_ticks = rule.stall_ticks.map(|_| ticks);
            keep(RuleSettings { stall_ticks, ..rule.clone() });
        }),
        _ if place == steps + 2 => [-10, -5, 5, 10].into_iter().for_each(|by| {
            let tilt_hold_ddeg = rule.tilt_hold_ddeg.map(|tilt| (tilt + by).clamp(0, 445));
            keep(RuleSettings { tilt_hold_ddeg, ..rule.clone() });
        }),
        _ if place == steps + 3 => {
            scaled(rule.retry_ticks)
                .for_each(|retry_ticks| keep(RuleSettings { retry_ticks, ..rule.clone() }));
        }
        _ if place > steps + 4 => ways(rule, place - steps - 5).for_each(keep),
        _ => [-1.0, -0.5, 0.5, 1.0].into_iter().for_each(|by| {
            let retry_growth = (rule.retry_growth + by).clamp(1.0, 10.0);
            keep(RuleSettings { retry_growth, ..rule.clone() });
        }),
    }
    found
}

/// The rule with the way of its step down (0) or of its hold (1) before strikes a little or a good deal different.
fn ways(rule: &RuleSettings, which: usize) -> impl Iterator<Item = RuleSettings> {
    [-50, -20, 20, 50].into_iter().filter_map(move |by_mm| {
        let mut other = rule.clone();
        let preview = other.preview.as_mut()?;
        let way_mm = if which == 0 { &mut preview.down_mm } else { &mut preview.hold_mm };
        *way_mm = way_mm.saturating_add_signed(by_mm).min(MAX_STRIKE_MM);
        Some(other)
    })
}

/// Thresholds with the one at `place`, and those equal to it, moved.
fn together(thresholds: &[i16], place: usize) -> impl Iterator<Item = Vec<i16>> {
    let old = thresholds[place];
    let within = move |&new: &i16| old > NEVER_DOWN && old < NEVER_UP && new > NEVER_DOWN && new <= HIGHEST;
    [-60, -20, 20, 60].into_iter().map(move |by| old + by).filter(within).map(move |new| {
        thresholds.iter().map(|&threshold| if threshold == old { new } else { threshold }).collect()
    })
}

/// Ticks a third less, a tenth less, a tenth more, half as many again; none of zero.
fn scaled(ticks: u16) -> impl Iterator<Item = u16> {
    [0.67, 0.9, 1.1, 1.5].into_iter().filter(move |_| ticks > 0).map(move |factor| {
        let other = (f64::from(ticks) * factor).round();
        other.clamp(1.0, f64::from(MAX_WAIT_TICKS)) as u16
    })
}
