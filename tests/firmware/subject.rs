//! The onboard code in the drill.

use super::Case;
use super::drill::{Drill, Order, Plan, Reading, Subject};
use super::looks::{self, LOOKS};
use lowgear_onboard::{Controller, FEATURES, Features, MAX_GEARS, Raw, Request};

struct Onboard<'a> {
    case: &'a Case,
    controller: Controller,
    raw: Raw,
}

/// What the host answers to the drill.
pub(super) fn lines(case: &Case, ticks: u32) -> Vec<String> {
    let gears = usize::from(case.settings.guard.gears).min(MAX_GEARS);
    let plan = Plan {
        ticks,
        span: case.span(),
        nominal_mv: case.settings.features.nominal_mv,
        angles: &case.settings.guard.gear_ddeg[..gears],
    };
    let controller = Controller::new(&case.settings, 0);
    let mut lines = Vec::new();
    let mut line = |what: &str, number: u32, sum: u32| lines.push(format!("{what} {number} {sum:08x}"));
    Drill::new(plan).run(&mut Onboard { case, controller, raw: Raw::default() }, &mut line);
    lines
}

impl Subject for Onboard<'_> {
    fn start(&mut self, gear: u8) {
        self.controller = Controller::new(&self.case.settings, gear);
    }

    fn sense(&mut self, r: Reading) -> bool {
        self.raw = Raw {
            encoder_counts: r.0,
            battery_mv: r.1,
            current_ma: r.2,
            tilt_ddeg: r.3,
            duty_permille: r.4,
            selector_ddeg: r.5,
            preview: r.6,
        };
        self.controller.sense(&self.case.settings, &self.raw)
    }

    fn decide(&self) -> u8 {
        let features = self.controller.features(&self.case.settings);
        self.case.decider().decide(&features).map_or(9, |request| request as u8)
    }

    fn act(&mut self, request: u8, due: bool) -> Order {
        let c = self.controller.act(&self.case.settings, Request::from_code(request), due);
        Order { drive: c.drive, gear: c.gear, nudge: c.nudge, recalibrate: c.recalibrate, park: c.park }
    }

    fn park(&mut self, encoder_counts: u16) -> u8 {
        self.controller.park(&self.case.settings, &Raw { encoder_counts, ..self.raw }) as u8
    }

    fn leave_park(&mut self) -> u8 {
        self.controller.leave_park() as u8
    }

    fn phase(&self) -> u8 {
        self.controller.guard().phase() as u8
    }

    fn verdict(&self) -> u8 {
        self.controller.guard().verdict() as u8
    }

    fn values(&self, put: &mut dyn FnMut(i16)) {
        let features = self.controller.features(&self.case.settings);
        self.case.decider().features().into_iter().for_each(|feature| put(features.get(feature)));
    }

    fn cells(&self) -> u32 {
        if self.case.network.is_some() { LOOKS } else { self.case.table.count() as u32 }
    }

    /// Through the lowest values in the cell; a network has none, and sees values of any size instead.
    fn look(&self, cell: u32) -> u8 {
        if let Some(network) = &self.case.network {
            let mut features = Features([0; FEATURES]);
            for (axis, feature) in (0..).zip(network.features()) {
                features.0[feature as usize] = looks::value(cell, axis);
            }
            return network.decide(&features) as u8;
        }
        let table = &self.case.table;
        let mut features = Features([0; FEATURES]);
        for (axis, bin) in table.axes().iter().zip(table.bins_of(cell as usize)) {
            let lowest = if axis.edges.first().is_some_and(|&edge| edge < 0) { i16::MIN } else { 0 };
            features.0[axis.feature as usize] = if bin > 0 { axis.edges[bin - 1] } else { lowest };
        }
        table.with_onboard(|onboard| onboard.decide(&features)).map_or(9, |request| request as u8)
    }

    fn self_test(&self) -> bool {
        true
    }
}
