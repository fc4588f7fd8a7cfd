//! The threshold rule: the baseline that every learned policy is compared with.
//!
//! Per gear one threshold up and one down on the motor's speed, with hysteresis between them, a count of
//! decisions that must agree, a step down on a stall, no upshift on a steep climb, and a wait after an
//! upshift that had to be taken back; with a sensor ahead also a step down and no upshift before an obstacle. Everything is compared in integers, as firmware does.
//!
//! The practical rungs of the ladder are settings of this one rule:
//!
//! | rung | constructor | what it adds |
//! | --- | --- | --- |
//! | first gear only | [`RuleSettings::first_gear`] | never shifts |
//! | upshift only | [`RuleSettings::upshift_only`] | shifts up on speed, never down |
//! | and a step down on a stall | [`RuleSettings::stall_aware`] | down only when the motor stands still |
//! | and first gear on an incline | [`RuleSettings::incline_aware`] | no upshift on a climb |
//! | and patience after a failed upshift | [`RuleSettings::patient`] | a wait that grows |
//! | and a threshold down | [`RuleSettings::two_sided`] | down before it stalls |
//! | and back-off, tilt hold, load ratio | all keys but `dwell-ticks` and `preview` | the full rule |
//! | and a wait of its own in each gear | [`RuleSettings::dwell_ticks`] | no shift up soon after a shift |
//! | and a sensor ahead | [`PreviewRule`] | down and no shift up before an obstacle |

pub mod card;
pub mod contextual;
mod explain;
mod guide;
mod preview;
mod vector;

pub use guide::RuleGuide;
pub use preview::{HIGH_STRIKE, LOW_STRIKE, MAX_STRIKE_MM, NO_STRIKE, PreviewRule};

use crate::policy::{Mask, Policy};
use lowgear_env::config::{KeyError, in_range, require};
use lowgear_onboard::{Feature, Features, MAX_GEARS, Request};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// An upshift threshold that no signal reaches (the features saturate at 2000 permille).
pub const NEVER_UP: i16 = 2001;
/// A downshift threshold that no signal falls below.
pub const NEVER_DOWN: i16 = 0;
/// Tick counts among the features saturate here, so a longer wait cannot be distinguished.
pub const MAX_WAIT_TICKS: u16 = 1000;

/// What the thresholds are compared with.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Signal {
    /// Motor speed over its no-load speed at nominal voltage: needs an encoder only.
    MotorSpeed,
    /// Motor speed over its no-load speed at the present voltage and duty: a load ratio.
    SpeedRatio,
}

impl Signal {
    /// The feature behind the signal.
    #[must_use]
    pub const fn feature(self) -> Feature {
        match self {
            Signal::MotorSpeed => Feature::MotorSpeed,
            Signal::SpeedRatio => Feature::SpeedRatio,
        }
    }
}

/// Settings of the threshold rule.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct RuleSettings {
    /// What the thresholds are compared with.
    pub signal: Signal,
    /// Shift up out of gear `g` at or above `up-permille[g]`; one per gear but the top one. Permille of
    /// no-load speed, 0 to 2001; 2001 means never.
    pub up_permille: Vec<i16>,
    /// Shift down out of gear `g + 1` below `down-permille[g]`; one per gear but the lowest. Permille of
    /// no-load speed, 0 to 2001; 0 means never.
    pub down_permille: Vec<i16>,
    /// Decisions in a row that must agree before a threshold acts, 1 to 20.
    pub hold_decisions: u8,
    /// Step down at once when the motor has stood still this long. Ticks, 1 to 1000; absent means never.
    #[serde(default)]
    pub stall_ticks: Option<u16>,
    /// No upshift at or above this tilt. Tenths of a degree, 0 to 449; absent means no such rule.
    #[serde(default)]
    pub tilt_hold_ddeg: Option<i16>,
    /// No upshift for this long after one that had to be taken back. Ticks, 0 to 1000.
    pub retry_ticks: u16,
    /// The wait grows by this factor with every further upshift taken back in a row, 1 to 10. It ends at
    /// 1000 ticks in any case.
    pub retry_growth: f32,
    /// Whether the rule ever shifts down; `false` overrides `down-permille` and `stall-ticks`.
    pub steps_down: bool,
    /// Do not shift up out of gear `g` before it has been engaged for `dwell-ticks[g]`; one per gear but the top one.
    /// Ticks, 0 to 1000; absent means no such waits.
    #[serde(default)]
    pub dwell_ticks: Option<Vec<u16>>,
    /// What it does about strikes ahead; absent on a vehicle without a sensor ahead, and where it is ignored.
    #[serde(default)]
    pub preview: Option<PreviewRule>,
}

impl RuleSettings {
    /// Stays in the lowest gear.
    #[must_use]
    pub fn first_gear(gears: usize) -> RuleSettings {
        RuleSettings::upshift_only(gears, NEVER_UP)
    }

    /// Shifts up at `up_permille` of the nominal no-load speed and never down.
    #[must_use]
    pub fn upshift_only(gears: usize, up_permille: i16) -> RuleSettings {
        let steps = gears.saturating_sub(1);
        RuleSettings {
            signal: Signal::MotorSpeed,
            up_permille: vec![up_permille; steps],
            down_permille: vec![NEVER_DOWN; steps],
            hold_decisions: 1,
            stall_ticks: None,
            tilt_hold_ddeg: None,
            retry_ticks: 0,
            retry_growth: 1.0,
            steps_down: false,
            dwell_ticks: None,
            preview: None,
        }
    }

    /// As [`RuleSettings::upshift_only`], and steps down once the motor has stood still for `stall_ticks`.
    #[must_use]
    pub fn stall_aware(gears: usize, up_permille: i16, stall_ticks: u16) -> RuleSettings {
        RuleSettings {
            stall_ticks: Some(stall_ticks),
            steps_down: true,
            ..RuleSettings::upshift_only(gears, up_permille)
        }
    }

    /// As [`RuleSettings::stall_aware`], and makes no upshift at or above `tilt_ddeg`, tenths of a degree.
    #[must_use]
    pub fn incline_aware(gears: usize, up_permille: i16, stall_ticks: u16, tilt_ddeg: i16) -> RuleSettings {
        RuleSettings {
            tilt_hold_ddeg: Some(tilt_ddeg),
            ..RuleSettings::stall_aware(gears, up_permille, stall_ticks)
        }
    }

    /// The same rule, which waits `retry_ticks` after an upshift that had to be taken back, and `growth` times
    /// longer after each further one in a row.
    #[must_use]
    pub fn patient(self, retry_ticks: u16, growth: f32) -> RuleSettings {
        RuleSettings { retry_ticks, retry_growth: growth, ..self }
    }

    /// As [`RuleSettings::stall_aware`], and shifts down below `down_permille` already.
    #[must_use]
    pub fn two_sided(gears: usize, up_permille: i16, down_permille: i16, stall_ticks: u16) -> RuleSettings {
        RuleSettings {
            down_permille: vec![down_permille; gears.saturating_sub(1)],
            ..RuleSettings::stall_aware(gears, up_permille, stall_ticks)
        }
    }

    /// Checks every value against its range and the lists against the number of gears.
    ///
    /// # Errors
    /// The first key that does not fit.
    pub fn validate(&self, gears: usize) -> Result<(), KeyError> {
        in_range("gears", gears, 1, MAX_GEARS, "")?;
        check_thresholds("up-permille", &self.up_permille, gears - 1)?;
        check_thresholds("down-permille", &self.down_permille, gears - 1)?;
        in_range("hold-decisions", self.hold_decisions, 1, 20, "")?;
        if let Some(ticks) = self.stall_ticks {
            in_range("stall-ticks", ticks, 1, MAX_WAIT_TICKS, "ticks")?;
        }
        if let Some(tilt) = self.tilt_hold_ddeg {
            in_range("tilt-hold-ddeg", tilt, 0, 449, "tenths of a degree")?;
        }
        in_range("retry-ticks", self.retry_ticks, 0, MAX_WAIT_TICKS, "ticks")?;
        in_range("retry-growth", self.retry_growth, 1.0, 10.0, "")?;
        for (i, &ticks) in self.dwell_ticks.iter().flatten().enumerate() {
            in_range(&format!("dwell-ticks[{i}]"), ticks, 0, MAX_WAIT_TICKS, "ticks")?;
        }
        let waits = self.dwell_ticks.as_ref().map_or(gears - 1, Vec::len);
        check_pairs("dwell-ticks", waits, gears - 1)?;
        let preview = self.preview.as_ref();
        preview.map_or(Ok(()), |preview| preview.validate(gears)).map_err(|e| e.within("preview"))
    }

    /// The wait before the next upshift, in ticks, by the number of upshifts taken back in a row (the
    /// feature [`Feature::FailedCount`], 0 to 7).
    #[must_use]
    pub fn retry_waits(&self) -> [i16; 8] {
        let longest = f32::from(MAX_WAIT_TICKS);
        let mut waits = [0; 8];
        let mut wait = f32::from(self.retry_ticks);
        for slot in &mut waits[1..] {
            *slot = wait.min(longest).round() as i16;
            wait = (wait * self.retry_growth).min(longest);
        }
        waits
    }
}

fn check_thresholds(key: &str, values: &[i16], expected: usize) -> Result<(), KeyError> {
    check_pairs(key, values.len(), expected)?;
    for (i, &value) in values.iter().enumerate() {
        in_range(&format!("{key}[{i}]"), value, 0, NEVER_UP, "permille")?;
    }
    Ok(())
}

/// Checks that a list has one value per pair of neighbouring gears.
fn check_pairs(key: &str, found: usize, expected: usize) -> Result<(), KeyError> {
    let allowed = format!("{expected}, one per pair of neighbouring gears");
    require(found == expected, key, format!("{found} values"), &allowed)
}

/// Checks a search vector: as long as `expected`, every number finite.
fn check_vector(vector: &[f64], expected: usize) -> Result<(), KeyError> {
    let finite = vector.iter().filter(|number| number.is_finite()).count();
    let fits = vector.len() == expected && finite == expected;
    let got = format!("{} numbers, {finite} of them finite", vector.len());
    require(fits, "search vector", got, &format!("{expected} finite numbers"))
}

/// The threshold rule at work.
#[derive(Clone, Debug)]
pub struct Rule {
    settings: RuleSettings,
    decision_logic: DecisionLogic,
}

impl Rule {
    /// A rule for a gearbox with this many gears.
    ///
    /// # Errors
    /// As [`RuleSettings::validate`].
    pub fn new(settings: RuleSettings, gears: usize) -> Result<Rule, KeyError> {
        settings.validate(gears)?;
        let decision_logic = DecisionLogic::new(&settings);
        Ok(Rule { settings, decision_logic })
    }

    /// The settings it was made from.
    #[must_use]
    pub fn settings(&self) -> &RuleSettings {
        &self.settings
    }
}

impl Policy for Rule {
    fn reset(&mut self) {
        self.decision_logic.reset();
    }

    fn decide(&mut self, features: &Features, mask: Mask) -> Request {
        let speed = features.get(self.settings.signal.feature());
        let gear = gear_index(features);
        let fast = self.settings.up_permille.get(gear).is_some_and(|&up| speed >= up);
        let slow = gear > 0 && self.settings.down_permille.get(gear - 1).is_some_and(|&down| speed < down);
        self.decision_logic.decide(features, mask, fast, slow)
    }
}

/// The gear that the features tell.
pub(crate) fn gear_index(features: &Features) -> usize {
    usize::try_from(features.get(Feature::Gear)).unwrap_or(0)
}

/// Everything of the rule but its thresholds; rules with moving thresholds share it.
#[derive(Clone, Debug)]
pub(crate) struct DecisionLogic {
    hold_decisions: u8,
    stall_ticks: Option<i16>,
    tilt_hold_ddeg: Option<i16>,
    retry_waits: [i16; 8],
    steps_down: bool,
    dwell_ticks: Vec<i16>,
    preview: Option<PreviewRule>,
    request_held: Request,
    agreed: u8,
}

impl DecisionLogic {
    pub(crate) fn new(settings: &RuleSettings) -> DecisionLogic {
        DecisionLogic {
            hold_decisions: settings.hold_decisions,
            stall_ticks: settings.stall_ticks.map(|ticks| ticks.min(MAX_WAIT_TICKS) as i16),
            tilt_hold_ddeg: settings.tilt_hold_ddeg,
            retry_waits: settings.retry_waits(),
            steps_down: settings.steps_down,
            dwell_ticks: settings
                .dwell_ticks
                .iter()
                .flatten()
                .map(|&t| t.min(MAX_WAIT_TICKS) as i16)
                .collect(),
            preview: settings.preview.clone(),
            request_held: Request::Hold,
            agreed: 0,
        }
    }

    pub(crate) fn reset(&mut self) {
        self.request_held = Request::Hold;
        self.agreed = 0;
    }

    /// Decides, given whether the signal has reached the threshold up (`fast`) or fallen below the one down
    /// (`slow`) of the present gear. A step down goes before an upshift.
    pub(crate) fn decide(&mut self, features: &Features, mask: Mask, fast: bool, slow: bool) -> Request {
        if (self.stands(features) || self.strikes(features)) && mask.allows(Request::Down as usize) {
            self.reset();
            return Request::Down;
        }
        let request_held = self.request_for(features, fast, slow);
        self.agreed = if request_held == self.request_held { self.agreed.saturating_add(1) } else { 1 };
        self.request_held = request_held;
        if self.agreed < self.decisions(features, request_held) || !mask.allows(request_held as usize) {
            return Request::Hold;
        }
        self.agreed = 0;
        request_held
    }

    /// Decisions that must agree on this request.
    fn decisions(&self, features: &Features, request: Request) -> u8 {
        match &self.preview {
            Some(preview) if request == Request::Up => preview.decisions_up(features, self.hold_decisions),
            _ => self.hold_decisions,
        }
    }

    fn request_for(&self, features: &Features, fast: bool, slow: bool) -> Request {
        if slow && self.steps_down {
            Request::Down
        } else if fast && self.may_climb(features) {
            Request::Up
        } else {
            Request::Hold
        }
    }

    fn stands(&self, features: &Features) -> bool {
        self.steps_down && self.stall_ticks.is_some_and(|ticks| features.get(Feature::Stalled) >= ticks)
    }

    /// Whether the strike ahead asks for a lower gear.
    fn strikes(&self, features: &Features) -> bool {
        self.steps_down && self.preview.as_ref().is_some_and(|preview| preview.shifts_down(features))
    }

    /// Whether the gear has been engaged for its own wait.
    fn has_dwelt(&self, features: &Features) -> bool {
        let wait = self.dwell_ticks.get(gear_index(features));
        wait.is_none_or(|&ticks| features.get(Feature::Dwell) >= ticks)
    }

    fn may_climb(&self, features: &Features) -> bool {
        let level = self.tilt_hold_ddeg.is_none_or(|limit| features.get(Feature::Tilt) < limit);
        let failed = usize::try_from(features.get(Feature::FailedCount)).unwrap_or(0);
        let free = !self.preview.as_ref().is_some_and(|preview| preview.holds(features));
        level
            && free
            && self.has_dwelt(features)
            && features.get(Feature::SinceFailed) >= self.retry_waits[failed.min(7)]
    }
}

#[cfg(test)]
mod tests;
