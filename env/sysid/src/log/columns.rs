//! Which column holds what, in which unit.

use super::mapping::{ColumnMap, Mapping};
use lowgear_env::config::escaped;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::f64::consts::PI;

/// A quantity in a log.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Quantity {
    /// Time of the row.
    Time,
    /// Motor speed.
    MotorSpeed,
    /// Duty given to the motor, 0 to 1.
    Duty,
    /// Battery voltage under load.
    BatteryVoltage,
    /// Motor current.
    MotorCurrent,
    /// Tilt, nose up positive.
    Tilt,
    /// Gear, 1 is the lowest, 0 is neutral.
    Gear,
    /// Selector angle.
    Selector,
    /// Distance travelled.
    Distance,
    /// Words of the driver: see [`crate::runs::Label`].
    Event,
    /// Number of the lap of a trial, 0 outside of laps.
    Lap,
    /// Which of two policies drives, 0 or 1.
    Policy,
    /// 1 in rows in which the selector is sent again after the dogs missed.
    Nudge,
    /// 1 in rows in which the monitor had gone back to the rule.
    Fallback,
    /// Reading of a preview sensor, as the controller takes it.
    Preview,
    /// What the policy of a recorded controller asked for, in words.
    Request,
    /// The gear that a recorded controller ordered, 1 is the lowest.
    OrderedGear,
    /// What the guard of a recorded controller was doing, in words.
    Phase,
}

/// Number of quantities.
pub(super) const QUANTITIES: usize = 18;

/// Units by name; with each the factor to the SI unit (degrees for angles).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
#[expect(missing_docs, reason = "the names are the units")]
pub enum Unit {
    S,
    Ms,
    Us,
    RadS,
    Rpm,
    DegS,
    TurnsS,
    Counts,
    Share,
    Percent,
    Permille,
    V,
    Mv,
    A,
    Ma,
    Deg,
    Ddeg,
    Rad,
    M,
    Cm,
    Mm,
}

impl Unit {
    /// Its name in a heading and its factor to SI; counts have none of their own.
    const fn facts(self) -> (&'static str, f64) {
        match self {
            Unit::S => ("s", 1.0),
            Unit::Ms => ("ms", 1e-3),
            Unit::Us => ("us", 1e-6),
            Unit::RadS => ("rad_s", 1.0),
            Unit::Rpm => ("rpm", PI / 30.0),
            Unit::DegS => ("deg_s", PI / 180.0),
            Unit::TurnsS => ("turns_s", 2.0 * PI),
            Unit::Counts => ("counts", 1.0),
            Unit::Share => ("share", 1.0),
            Unit::Percent => ("percent", 0.01),
            Unit::Permille => ("permille", 1e-3),
            Unit::V => ("v", 1.0),
            Unit::Mv => ("mv", 1e-3),
            Unit::A => ("a", 1.0),
            Unit::Ma => ("ma", 1e-3),
            Unit::Deg => ("deg", 1.0),
            Unit::Ddeg => ("ddeg", 0.1),
            Unit::Rad => ("rad", 180.0 / PI),
            Unit::M => ("m", 1.0),
            Unit::Cm => ("cm", 1e-2),
            Unit::Mm => ("mm", 1e-3),
        }
    }

    /// Name in a heading.
    #[must_use]
    pub const fn name(self) -> &'static str {
        self.facts().0
    }

    /// Factor to the SI unit (degrees for angles).
    #[must_use]
    pub const fn factor(self) -> f64 {
        self.facts().1
    }
}

impl Quantity {
    /// All of them, in the order of their columns here.
    pub const ALL: [Quantity; QUANTITIES] = [
        Quantity::Time,
        Quantity::MotorSpeed,
        Quantity::Duty,
        Quantity::BatteryVoltage,
        Quantity::MotorCurrent,
        Quantity::Tilt,
        Quantity::Gear,
        Quantity::Selector,
        Quantity::Distance,
        Quantity::Event,
        Quantity::Lap,
        Quantity::Policy,
        Quantity::Nudge,
        Quantity::Fallback,
        Quantity::Preview,
        Quantity::Request,
        Quantity::OrderedGear,
        Quantity::Phase,
    ];

    /// Name in a heading, without unit.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Quantity::Time => "time",
            Quantity::MotorSpeed => "motor_speed",
            Quantity::Duty => "duty",
            Quantity::BatteryVoltage => "battery_voltage",
            Quantity::MotorCurrent => "motor_current",
            Quantity::Tilt => "tilt",
            Quantity::Gear => "gear",
            Quantity::Selector => "selector",
            Quantity::Distance => "distance",
            Quantity::Event => "event",
            Quantity::Lap => "lap",
            Quantity::Policy => "policy",
            Quantity::Nudge => "nudge",
            Quantity::Fallback => "fallback",
            Quantity::Preview => "preview",
            Quantity::Request => "request",
            Quantity::OrderedGear => "ordered_gear",
            Quantity::Phase => "phase",
        }
    }

    /// Units that it may have; the first is what it is kept in.
    #[must_use]
    pub const fn units(self) -> &'static [Unit] {
        match self {
            Quantity::Time => &[Unit::S, Unit::Ms, Unit::Us],
            Quantity::MotorSpeed => &[Unit::RadS, Unit::Rpm, Unit::DegS, Unit::TurnsS, Unit::Counts],
            Quantity::Duty => &[Unit::Share, Unit::Percent, Unit::Permille, Unit::Counts],
            Quantity::BatteryVoltage => &[Unit::V, Unit::Mv, Unit::Counts],
            Quantity::MotorCurrent => &[Unit::A, Unit::Ma, Unit::Counts],
            Quantity::Tilt | Quantity::Selector => &[Unit::Deg, Unit::Ddeg, Unit::Rad, Unit::Counts],
            Quantity::Distance => &[Unit::M, Unit::Cm, Unit::Mm],
            Quantity::Gear
            | Quantity::Event
            | Quantity::Lap
            | Quantity::Policy
            | Quantity::Nudge
            | Quantity::Fallback
            | Quantity::Preview
            | Quantity::Request
            | Quantity::OrderedGear
            | Quantity::Phase => &[],
        }
    }

    /// Whether a log must have it.
    #[must_use]
    pub const fn needed(self) -> bool {
        matches!(self, Quantity::Time | Quantity::MotorSpeed | Quantity::Duty)
    }

    /// What a reading may be, in the unit it is kept in.
    #[must_use]
    pub const fn range(self) -> (f64, f64) {
        match self {
            Quantity::Time => (-1e12, 1e12),
            Quantity::MotorSpeed => (-1e5, 1e5),
            Quantity::Duty => (0.0, 1.0),
            Quantity::BatteryVoltage => (0.0, 200.0),
            Quantity::MotorCurrent => (-2000.0, 2000.0),
            Quantity::Tilt => (-90.0, 90.0),
            Quantity::Gear | Quantity::OrderedGear => (0.0, 6.0),
            Quantity::Selector => (-10.0, 3600.0),
            Quantity::Distance => (-1e7, 1e7),
            Quantity::Event | Quantity::Request | Quantity::Phase => (0.0, 0.0),
            Quantity::Lap => (0.0, 65_535.0),
            Quantity::Policy | Quantity::Nudge | Quantity::Fallback => (0.0, 1.0),
            Quantity::Preview => (-32_768.0, 32_767.0),
        }
    }

    /// Headings that say quantity and unit.
    fn headings(self) -> String {
        let name = self.name();
        match self {
            _ if self.units().is_empty() => format!("`{name}`"),
            Quantity::Duty => "`duty` (0 to 1), `duty_percent`, `duty_permille`".to_owned(),
            _ => self
                .units()
                .iter()
                .filter(|u| **u != Unit::Counts)
                .map(|u| format!("`{name}_{}`", u.name()))
                .collect::<Vec<_>>()
                .join(", "),
        }
    }
}

/// A column and how to turn its readings into SI: `(reading - zero) factor`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Column {
    pub(super) at: usize,
    pub(super) unit: Option<Unit>,
    pub(super) zero: f64,
    pub(super) factor: f64,
}

/// The columns of a log.
#[derive(Clone, Debug)]
pub(super) struct Columns {
    /// By the order of [`Quantity::ALL`].
    pub(super) of: [Option<Column>; QUANTITIES],
    /// Headings in the file.
    pub(super) headings: Vec<String>,
    /// Headings that mean nothing here.
    pub(super) ignored: Vec<String>,
}

impl Columns {
    /// Finds the columns by the declared names first, then by their own.
    ///
    /// # Errors
    /// What is missing, doubled or without a unit, and what is allowed.
    pub(super) fn find(headings: Vec<String>, mapping: &Mapping) -> Result<Columns, String> {
        let mut of = [None; QUANTITIES];
        let mut taken = vec![false; headings.len()];
        for (i, quantity) in Quantity::ALL.into_iter().enumerate() {
            let found = match mapping.columns.get(&quantity) {
                Some(map) => Some(declared(quantity, map, &headings)?),
                None => by_name(quantity, &headings)?,
            };
            if let Some(column) = found {
                if std::mem::replace(&mut taken[column.at], true) {
                    return Err(format!(
                        "column `{}` is used for two quantities",
                        escaped(&headings[column.at])
                    ));
                }
                of[i] = Some(column);
            } else if quantity.needed() {
                return Err(format!(
                    "no column for {}; allowed: {}, or another name declared in a mapping; found: {}",
                    quantity.name().replace('_', " "),
                    quantity.headings(),
                    shown(&headings)
                ));
            }
        }
        let ignored = headings.iter().zip(&taken).filter(|(_, t)| !**t).map(|(h, _)| h.clone()).collect();
        Ok(Columns { of, headings, ignored })
    }

    /// What a reading may be. A recorded controller had what its log shows, also a duty that none is, or more pulses than a motor can give:
    /// its guard took that for a fault.
    pub(super) fn range(&self, quantity: Quantity) -> (f64, f64) {
        let recorded = self.get(Quantity::OrderedGear).is_some();
        match quantity {
            Quantity::Duty if recorded => (0.0, 65.535),
            Quantity::MotorSpeed if recorded => (-1e9, 1e9),
            _ => quantity.range(),
        }
    }

    /// The column of a quantity.
    pub(super) fn get(&self, quantity: Quantity) -> Option<&Column> {
        self.of[quantity as usize].as_ref()
    }
}

/// The headings for a message, the first twenty.
fn shown(headings: &[String]) -> String {
    let some: Vec<String> = headings
        .iter()
        .take(20)
        .map(|h| format!("`{}`", escaped(&h.chars().take(40).collect::<String>())))
        .collect();
    if some.is_empty() { "nothing".to_owned() } else { some.join(", ") }
}

fn declared(quantity: Quantity, map: &ColumnMap, headings: &[String]) -> Result<Column, String> {
    let named: Vec<usize> =
        (0..headings.len()).filter(|&i| headings[i].eq_ignore_ascii_case(map.column.trim())).collect();
    let [at] = named.as_slice() else {
        return Err(format!(
            "the mapping names column `{}`, which stands {} times in the heading: {}",
            map.column,
            named.len(),
            shown(headings)
        ));
    };
    let unit = map.unit.or_else(|| quantity.units().first().copied().filter(|_| quantity == Quantity::Duty));
    let factor = match (unit, map.per_count) {
        (Some(Unit::Counts), Some(per_count)) => per_count,
        // Pulses of an encoder become a speed with the time between rows.
        (Some(Unit::Counts), None) => 1.0,
        (Some(unit), _) => unit.factor(),
        (None, _) => 1.0,
    };
    Ok(Column { at: *at, unit, zero: map.zero_count.unwrap_or(0.0), factor })
}

fn by_name(quantity: Quantity, headings: &[String]) -> Result<Option<Column>, String> {
    let mut found = None;
    for (at, heading) in headings.iter().enumerate() {
        let lower = heading.to_ascii_lowercase();
        let Some(rest) = lower.strip_prefix(quantity.name()) else { continue };
        let unit = match rest.strip_prefix('_') {
            Some(unit) => quantity.units().iter().copied().find(|u| u.name() == unit && *u != Unit::Counts),
            None if rest.is_empty() => {
                quantity.units().first().copied().filter(|_| quantity == Quantity::Duty)
            }
            None => continue,
        };
        let unitless = quantity.units().is_empty();
        if unitless && !rest.is_empty() {
            continue;
        }
        if unit.is_none() && !unitless {
            if rest.is_empty() {
                return Err(format!(
                    "column `{}` does not say its unit; allowed: {}",
                    escaped(heading),
                    quantity.headings()
                ));
            }
            continue;
        }
        if found.is_some() {
            return Err(format!("two columns for {}: declare one in a mapping", quantity.name()));
        }
        found = Some(Column { at, unit, zero: 0.0, factor: unit.map_or(1.0, Unit::factor) });
    }
    Ok(found)
}
