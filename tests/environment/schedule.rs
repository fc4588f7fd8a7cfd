//! A gear program without noise that any integrator can be driven by.

/// What a gear program drives.
pub(super) trait Motion {
    /// Position of the front axle, m.
    fn x_m(&self) -> f64;
    /// Speed, m/s.
    fn v_m_s(&self) -> f64;
    /// Motor speed.
    fn motor_rad_s(&self) -> f64;
    /// Moves on for `time_s`, or to the end of the course or the place `to` if one of them comes first;
    /// returns the time that passed and whether the end is reached.
    fn advance(&mut self, time_s: f64, duty: f64, to: Option<Place>) -> (f64, bool);
    /// Takes the gear out of mesh.
    fn disengage(&mut self);
    /// Brings a gear into mesh.
    fn engage(&mut self, gear: usize);
    /// Damage so far.
    fn damage(&self) -> f64;
}

/// A place that a vehicle passes on its way forward (`way` 1) or back (-1).
#[derive(Clone, Copy, Debug)]
pub(super) struct Place {
    pub(super) x_m: f64,
    pub(super) way: f64,
}

impl Place {
    /// How far away the place is; 0 or less when it is passed.
    pub(super) fn ahead_m(&self, x_m: f64) -> f64 {
        (self.x_m - x_m) * self.way
    }
}

/// A shift: look at which its cut began, gear it led to, and where it began if the vehicle moved.
#[derive(Clone, Copy, Debug)]
pub(super) struct Shift {
    pub(super) look: usize,
    pub(super) gear: usize,
    pub(super) place: Option<Place>,
}

/// The shifts of a run.
pub(super) type Schedule = Vec<Shift>;

/// What a run came to.
#[derive(Clone, Debug)]
pub(super) struct Run {
    /// Time to the end of the course, if it was reached.
    pub(super) time_s: Option<f64>,
    /// Damage.
    pub(super) damage: f64,
    /// Its shifts.
    pub(super) schedule: Schedule,
}

/// Time between two looks.
pub(super) const LOOK_S: f64 = 0.05;
const UP_RAD_S: f64 = 560.0;
const DOWN_RAD_S: f64 = 200.0;
const STANDING_RAD_S: f64 = 1.0;
const MOST_LOOKS: usize = 8000;
/// A shift is one look with the drive cut and in gear, then four in neutral.
const NEUTRAL_LOOKS: usize = 4;
/// Slower than this a place says less than the time.
const SLOWEST_M_S: f64 = 0.01;

/// A motion with its clock.
struct Clock<'a, M> {
    motion: &'a mut M,
    time_s: f64,
}

impl<M: Motion> Clock<'_, M> {
    /// Whether the end was reached.
    fn advance(&mut self, time_s: f64, duty: f64, to: Option<Place>) -> bool {
        let (gone_s, finished) = self.motion.advance(time_s, duty, to);
        self.time_s += gone_s;
        finished
    }

    /// Cut, neutral, new gear; whether the end was reached.
    fn shift(&mut self, gear: usize) -> bool {
        if self.advance(LOOK_S, 0.0, None) {
            return true;
        }
        self.motion.disengage();
        if self.advance(NEUTRAL_LOOKS as f64 * LOOK_S, 0.0, None) {
            return true;
        }
        self.motion.engage(gear);
        false
    }

    fn end(self, finished: bool, schedule: &Schedule) -> Run {
        let time_s = finished.then_some(self.time_s);
        Run { time_s, damage: self.motion.damage(), schedule: schedule.clone() }
    }
}

/// Runs with shifts by motor speed: up above and down below a threshold, down when the motor stands.
pub(super) fn run_by_speed(motion: &mut impl Motion) -> Run {
    let (mut gear, mut dwell, mut standing, mut came_down) = (0, 0, 0, false);
    let mut schedule = Schedule::new();
    let mut clock = Clock { motion, time_s: 0.0 };
    let mut look = 0;
    while look < MOST_LOOKS {
        let motor_rad_s = clock.motion.motor_rad_s();
        dwell += 1;
        standing = if motor_rad_s.abs() < STANDING_RAD_S { standing + 1 } else { 0 };
        // After a downshift it waits longer, or it would hunt for ever.
        let settled = dwell > if came_down { 100 } else { 20 };
        let next = if gear > 0 && (standing >= 6 || dwell > 20 && motor_rad_s < DOWN_RAD_S) {
            gear - 1
        } else if gear < 2 && settled && motor_rad_s > UP_RAD_S {
            gear + 1
        } else {
            if clock.advance(LOOK_S, 1.0, None) {
                return clock.end(true, &schedule);
            }
            look += 1;
            continue;
        };
        let (x_m, v_m_s) = (clock.motion.x_m(), clock.motion.v_m_s());
        let place = (v_m_s.abs() > SLOWEST_M_S).then(|| Place { x_m, way: v_m_s.signum() });
        schedule.push(Shift { look, gear: next, place });
        (gear, dwell, standing, came_down) = (next, 0, 0, next < gear);
        if clock.shift(gear) {
            return clock.end(true, &schedule);
        }
        look += 1 + NEUTRAL_LOOKS;
    }
    clock.end(false, &schedule)
}

/// Runs with the shifts of another run, each where that run had it: at its place if it began on the move,
/// else as long after the shift before as there.
pub(super) fn run_by_schedule(motion: &mut impl Motion, schedule: &Schedule) -> Run {
    let mut clock = Clock { motion, time_s: 0.0 };
    let mut look = 0;
    for shift in schedule {
        let drive_s = (shift.look - look) as f64 * LOOK_S;
        let finished = match shift.place {
            Some(place) => {
                let blind_s = (drive_s - LOOK_S).max(0.0);
                clock.advance(blind_s, 1.0, None)
                    || clock.advance(drive_s - blind_s + LOOK_S, 1.0, Some(place))
            }
            None => clock.advance(drive_s, 1.0, None),
        };
        if finished || clock.shift(shift.gear) {
            return clock.end(true, schedule);
        }
        look = shift.look + 1 + NEUTRAL_LOOKS;
    }
    let rest_s = (MOST_LOOKS - look) as f64 * LOOK_S;
    let finished = clock.advance(rest_s, 1.0, None);
    clock.end(finished, schedule)
}
