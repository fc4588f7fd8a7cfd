//! The drill: random but repeatable readings for a controller, and a running sum of all its answers. The same
//! steps as `drill.h` and `drill.py`; see there for the sources of generator and sum.

/// Seven readings: encoder, battery, current, tilt, duty, selector, preview.
pub type Reading = (u16, u16, i16, i16, u16, u16, i16);

/// What a controller orders.
#[derive(Clone, Copy)]
pub struct Order {
    pub drive: bool,
    pub gear: u8,
    pub nudge: bool,
    pub recalibrate: bool,
    pub park: bool,
}

/// A controller with its table.
pub trait Subject {
    fn start(&mut self, gear: u8);
    fn sense(&mut self, reading: Reading) -> bool;
    fn decide(&self) -> u8;
    fn act(&mut self, request: u8, due: bool) -> Order;
    fn park(&mut self, encoder: u16) -> u8;
    fn leave_park(&mut self) -> u8;
    fn phase(&self) -> u8;
    fn verdict(&self) -> u8;
    fn values(&self, put: &mut dyn FnMut(i16));
    fn cells(&self) -> u32;
    fn look(&self, cell: u32) -> u8;
    fn self_test(&self) -> bool;
}

/// The vehicle in the drill's numbers.
#[derive(Clone, Copy)]
pub struct Plan<'a> {
    /// Ticks in all.
    pub ticks: u32,
    /// Encoder counts at no-load speed.
    pub span: u16,
    /// Nominal battery voltage, mV.
    pub nominal_mv: u16,
    /// Drum angle of every gear.
    pub angles: &'a [u16],
}

pub struct Drill<'a> {
    plan: Plan<'a>,
    random: u32,
    sum: u32,
    encoder: u16,
    selector: u16,
    duty: u16,
    tilt: i16,
    preview: i16,
    sent: u8,
    stuck: bool,
    mood: u8,
}

impl<'a> Drill<'a> {
    pub fn new(plan: Plan<'a>) -> Drill<'a> {
        Drill {
            plan,
            random: 2_463_534_242,
            sum: 1,
            encoder: 0,
            selector: 0,
            duty: 0,
            tilt: 0,
            preview: 0,
            sent: 0,
            stuck: false,
            mood: 0,
        }
    }

    fn next(&mut self) -> u32 {
        self.random ^= self.random << 13;
        self.random ^= self.random >> 17;
        self.random ^= self.random << 5;
        self.random
    }

    fn add(&mut self, word: u16) {
        let words = (self.sum as u16).wrapping_add(word);
        let sums = ((self.sum >> 16) as u16).wrapping_add(words);
        self.sum = u32::from(sums) << 16 | u32::from(words);
    }

    fn angle(&self, gear: u8) -> u16 {
        self.plan.angles.get(usize::from(gear)).copied().unwrap_or(0)
    }

    fn begin(&mut self) -> u8 {
        let r = self.next();
        let gear = ((r >> 8) % self.plan.angles.len() as u32) as u8;
        self.mood = (r & 3) as u8;
        self.encoder = 0;
        self.duty = 1000;
        self.tilt = ((r >> 16) % 401) as i16 - 200;
        self.sent = gear;
        self.stuck = false;
        self.preview = 0;
        self.selector = self.angle(gear);
        gear
    }

    fn turn(&mut self, c: &Order, r: u32) {
        let target = self.angle(c.gear);
        if c.gear != self.sent {
            self.sent = c.gear;
            self.stuck = (r & 7) < 1 + u32::from(self.mood);
        }
        if (c.nudge || c.recalibrate) && r & 24 == 0 {
            self.stuck = false;
        }
        if !self.stuck {
            self.selector = if self.selector > target {
                if self.selector - target > 300 { self.selector - 300 } else { target }
            } else if target - self.selector > 300 {
                self.selector + 300
            } else {
                target
            };
        }
    }

    fn read(&mut self, c: &Order) -> Reading {
        let r = self.next();
        self.turn(c, r);
        let span = u32::from(self.plan.span);
        if (r >> 5) & 31 == 0 {
            self.encoder = ((r >> 10) % (span + span / 8 + 1)) as u16;
        } else if (r >> 5) & 127 == 1 {
            self.encoder = 0;
        }
        if (r >> 12) & 63 == 0 {
            self.duty = if (r >> 20) & 1 == 1 { 1000 } else { ((r >> 21) % 1100) as u16 };
        }
        if (r >> 8) & 63 == 3 {
            self.tilt = ((r >> 16) % 401) as i16 - 200;
        }
        if (r >> 14) & 7 == 5 {
            self.preview = if (r >> 3) & 1 == 1 { ((r >> 20) & 255) as i16 } else { 0 };
        }
        let running = if self.encoder == 0 { 0 } else { self.encoder.wrapping_add((r & 1) as u16) };
        let mut reading = (
            if c.drive { running } else { self.encoder / 2 },
            u32::from(self.plan.nominal_mv).wrapping_add((r >> 9) & 511).wrapping_sub(256) as u16,
            ((r >> 7) & 4095) as i16 - 1024,
            self.tilt + ((r >> 18) & 7) as i16,
            if c.drive { self.duty } else { 0 },
            self.selector,
            self.preview,
        );
        if self.mood == 3 && r >> 29 == 0 {
            let wild = self.next();
            let word = (wild & 65_535) as u16;
            let sign = (word ^ 0x8000) as i16;
            match (wild >> 16) % 6 {
                0 => reading.0 = word,
                1 => reading.1 = word,
                2 => reading.2 = sign,
                3 => reading.3 = sign,
                4 => reading.4 = word,
                _ => reading.5 = word,
            }
        }
        reading
    }

    /// Drives `subject` through everything; `line` takes what the other languages print.
    pub fn run(&mut self, subject: &mut impl Subject, line: &mut dyn FnMut(&str, u32, u32)) {
        line("selftest", 1, u32::from(subject.self_test()));
        for cell in 0..subject.cells() {
            self.add(subject.look(cell).into());
        }
        line("cells", subject.cells(), self.sum);
        let mut c = Order { drive: true, gear: 0, nudge: false, recalibrate: false, park: false };
        for tick in 0..self.plan.ticks {
            if tick & 511 == 0 {
                let gear = self.begin();
                subject.start(gear);
                c = Order { drive: true, gear, nudge: false, recalibrate: false, park: false };
            }
            let reading = self.read(&c);
            let r = self.next();
            let due = subject.sense(reading);
            let mut request = if due { subject.decide() } else { 1 };
            if self.mood != 0 && r & 7 == 0 {
                request = ((r >> 3) % 3) as u8;
            }
            c = subject.act(request, due);
            self.sum_up(subject, &c, due);
            if self.mood == 2 && (r >> 8) & 63 == 0 {
                let verdict =
                    if subject.phase() == 5 { subject.leave_park() } else { subject.park(reading.0) };
                self.add(verdict.into());
            }
            if (tick + 1) % 1000 == 0 {
                line("ticks", tick + 1, self.sum);
            }
        }
        line("end", self.plan.ticks, self.sum);
    }

    fn sum_up(&mut self, subject: &impl Subject, c: &Order, due: bool) {
        let flags = [due, c.drive, c.nudge, c.recalibrate, c.park].map(u16::from);
        self.add(flags[0] + 2 * flags[1] + 4 * flags[2] + 8 * flags[3] + 16 * flags[4]);
        let (phase, verdict) = (u16::from(subject.phase()), u16::from(subject.verdict()));
        self.add(u16::from(c.gear) + 16 * phase + 256 * verdict);
        subject.values(&mut |value| self.add(value as u16));
    }
}
