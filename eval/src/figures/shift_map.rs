//! A slice through a policy: what it asks for over speed ratio and tilt, in every gear.

use lowgear_agents::policy::{Mask, Policy};
use lowgear_onboard::{Feature, Features, Request, Settings};

use crate::figures::{GearMap, MapCell, ShiftMapPicture, Support};

/// Columns over a speed ratio of 0 to 1000 permille.
const COLUMNS: i16 = 40;
/// Steepest tilt of the rows, degrees, either way; one row per degree.
const STEEPEST_DEG: i16 = 10;
/// Decisions for which the same state is held: as many as a rule may wait before it acts.
const PATIENCE: usize = 20;
/// Ticks in gear.
const DWELL_TICKS: i16 = 60;

/// Support of the cells of a policy.
pub struct CellSupport<'a> {
    /// Of the cell that a state lies in.
    pub of: &'a dyn Fn(&Features) -> Support,
    /// Visits from which a cell does not count as thinly visited.
    pub few_visits: Option<u32>,
}

impl CellSupport<'_> {
    /// Of a policy without cells.
    pub const NONE: CellSupport<'static> = CellSupport { of: &|_| Support::Enough, few_visits: None };
}

/// A steady state of the drive: load and current as they belong to this speed ratio in this gear, nominal
/// battery, a while in gear, no failed upshift, not stalled.
#[must_use]
pub fn probe_features(settings: &Settings, gear: u8, speed_ratio: i16, tilt_ddeg: i16) -> Features {
    let scales = &settings.features.gear_scale_permille;
    let scale = scales.get(usize::from(gear)).map_or(1000, |scale| i32::from(*scale));
    let load = (i32::from(1000 - speed_ratio) * scale / 1000).clamp(0, 30_000) as i16;
    let current = if settings.features.stall_ma == 0 { 0 } else { 1000 - speed_ratio };
    let mut features = Features::default();
    for (feature, value) in [
        (Feature::Gear, i16::from(gear)),
        (Feature::MotorSpeed, speed_ratio),
        (Feature::SpeedRatio, speed_ratio),
        (Feature::LoadSlow, load),
        (Feature::LoadPeak, load),
        (Feature::Tilt, tilt_ddeg),
        (Feature::Battery, 1000),
        (Feature::Dwell, DWELL_TICKS),
        (Feature::SinceFailed, 1000),
        (Feature::Current, current),
        (Feature::StrikeMm, 1000),
    ] {
        features.0[feature as usize] = value;
    }
    features
}

/// Asks `policy` in every cell, see [`probe_features`]. A cell shows the first shift that the policy asks for
/// when the state is held for up to 20 decisions after a reset, so that a rule that waits shows its decision.
/// `support` says what its cells rest on; `note` ends the caption, for example with the training seed.
pub fn shift_map(
    policy: &mut dyn Policy,
    label: &str,
    note: &str,
    settings: &Settings,
    support: &CellSupport<'_>,
) -> ShiftMapPicture {
    let step = 1000 / COLUMNS;
    let rows = -STEEPEST_DEG..=STEEPEST_DEG;
    let gears = (0..settings.guard.gears)
        .map(|gear| {
            let mask = Mask::from([gear > 0, true, gear + 1 < settings.guard.gears]);
            let mut map = GearMap { gear, cells: vec![], up: vec![], down: vec![] };
            for tilt_deg in rows.clone() {
                let mut ask = |speed_ratio: i16| {
                    let features = probe_features(settings, gear, speed_ratio, 10 * tilt_deg);
                    (steady(policy, &features, mask), features)
                };
                let asked: Vec<Request> = (0..COLUMNS)
                    .map(|column| {
                        let (decision, features) = ask(step * column + step / 2);
                        map.cells.push(MapCell { decision, support: (support.of)(&features) });
                        decision
                    })
                    .collect();
                let load = |speed_ratio: i16| {
                    f64::from(probe_features(settings, gear, speed_ratio, 0).get(Feature::LoadSlow))
                };
                for (wish, rows) in [(Request::Up, &mut map.up), (Request::Down, &mut map.down)] {
                    let found = intervals(&asked, step, wish, |speed_ratio| ask(speed_ratio).0);
                    // A steady load falls as the speed rises.
                    rows.push(found.into_iter().rev().map(|(slow, fast)| (load(fast), load(slow))).collect());
                }
            }
            map
        })
        .collect();
    ShiftMapPicture {
        policy: label.to_owned(),
        note: format!(
            "Held constant: load as given by gear and speed ratio, nominal battery, {DWELL_TICKS} ticks in gear, \
             no failed upshift, not stalled. {note}"
        )
        .trim_end()
        .to_owned(),
        x_title: "speed ratio".to_owned(),
        x_unit: "‰ of no-load speed".to_owned(),
        x_edges: (0..=COLUMNS).map(|column| f64::from(column * step)).collect(),
        y_title: "tilt".to_owned(),
        y_unit: "°".to_owned(),
        y_edges: (-STEEPEST_DEG..=STEEPEST_DEG + 1).map(|row| f64::from(row) - 0.5).collect(),
        gears,
        few_visits: support.few_visits,
    }
}

/// Every interval of speed ratio, permille, in which the policy makes this request; borders to one permille.
fn intervals(
    asked: &[Request],
    step: i16,
    wish: Request,
    mut ask: impl FnMut(i16) -> Request,
) -> Vec<(i16, i16)> {
    let middle_of = |column: usize| step * column as i16 + step / 2;
    let (mut found, mut from) = (Vec::new(), (asked.first() == Some(&wish)).then_some(0));
    for column in 1..asked.len() {
        let (before, after) = (asked[column - 1] == wish, asked[column] == wish);
        if before == after {
            continue;
        }
        let (mut low, mut high) = (middle_of(column - 1), middle_of(column));
        while high - low > 1 {
            let middle = low + (high - low) / 2;
            if (ask(middle) == wish) == before { low = middle } else { high = middle }
        }
        if after {
            from = Some(high);
        } else if let Some(from) = from.take() {
            found.push((from, high));
        }
    }
    found.extend(from.map(|from| (from, 1000)));
    found
}

fn steady(policy: &mut dyn Policy, features: &Features, mask: Mask) -> Request {
    policy.reset();
    (0..PATIENCE)
        .map(|_| policy.decide(features, mask))
        .find(|request| *request != Request::Hold && mask.allows(*request as usize))
        .unwrap_or(Request::Hold)
}
