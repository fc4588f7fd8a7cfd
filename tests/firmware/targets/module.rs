//! The drill over an exported Rust module, built without the standard library; `line` is the caller's.
#![no_std]

mod cells;
mod drill;
mod lowgear;

use drill::{Drill, Order, Plan, Reading, Subject};
use lowgear::{Controller, Raw, Request};

struct Exported(Controller);

fn asked(code: u8) -> Request {
    match code {
        0 => Request::Down,
        2 => Request::Up,
        _ => Request::Hold,
    }
}

impl Subject for Exported {
    fn start(&mut self, gear: u8) {
        self.0 = Controller::new(gear);
    }

    fn sense(&mut self, r: Reading) -> bool {
        self.0.sense(&Raw {
            encoder_counts: r.0,
            battery_mv: r.1,
            current_ma: r.2,
            tilt_ddeg: r.3,
            duty_permille: r.4,
            selector_ddeg: r.5,
            preview: r.6,
        })
    }

    fn decide(&self) -> u8 {
        lowgear::look(&self.0.values()) as u8
    }

    fn act(&mut self, request: u8, due: bool) -> Order {
        let c = self.0.act(asked(request), due);
        Order { drive: c.drive, gear: c.gear, nudge: c.nudge, recalibrate: c.recalibrate, park: c.park }
    }

    fn park(&mut self, encoder_counts: u16) -> u8 {
        self.0.park(&Raw { encoder_counts, ..Raw::default() }) as u8
    }

    fn leave_park(&mut self) -> u8 {
        self.0.leave_park() as u8
    }

    fn phase(&self) -> u8 {
        self.0.phase() as u8
    }

    fn verdict(&self) -> u8 {
        self.0.verdict() as u8
    }

    fn values(&self, put: &mut dyn FnMut(i16)) {
        for value in self.0.values() {
            put(value);
        }
    }

    fn cells(&self) -> u32 {
        cells::count()
    }

    fn look(&self, cell: u32) -> u8 {
        cells::look(cell)
    }

    fn self_test(&self) -> bool {
        lowgear::self_test()
    }
}

/// Runs the drill and hands every line to `line`.
pub fn drill_module(ticks: u32, span: u16, nominal_mv: u16, line: &mut dyn FnMut(&str, u32, u32)) {
    let mut angles = [0u16; 6];
    let gears = usize::from(lowgear::TOP_GEAR) + 1;
    for gear in 0..gears {
        angles[gear] = lowgear::angle_of(gear as u8);
    }
    let plan = Plan { ticks, span, nominal_mv, angles: &angles[..gears] };
    Drill::new(plan).run(&mut Exported(Controller::new(0)), line);
}
