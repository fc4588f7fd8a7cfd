//! A gear program without noise that any integrator can be driven by.

/// What a gear program drives.
pub(super) trait Motion {
    /// Motor speed.
    fn motor_rad_s(&self) -> f64;
    /// Moves on; returns the time to the end of the course when it is reached.
    fn advance(&mut self, time_s: f64, duty: f64) -> Option<f64>;
    /// Takes the gear out of mesh.
    fn disengage(&mut self);
    /// Brings a gear into mesh.
    fn engage(&mut self, gear: usize);
    /// Damage so far.
    fn damage(&self) -> f64;
}

/// The shifts of a run: look number and gear.
pub(super) type Schedule = Vec<(usize, usize)>;

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
const SHIFT_LOOKS: usize = 5;

/// Runs with shifts by motor speed: up above and down below a threshold, down when the motor stands.
pub(super) fn run_by_speed(motion: &mut impl Motion) -> Run {
    let (mut gear, mut dwell, mut standing, mut came_down) = (0, 0, 0, false);
    run(motion, |_, motor_rad_s| {
        dwell += 1;
        standing = if motor_rad_s.abs() < STANDING_RAD_S { standing + 1 } else { 0 };
        // After a downshift it waits longer, or it would hunt for ever.
        let settled = dwell > if came_down { 100 } else { 20 };
        let next = if gear > 0 && (standing >= 6 || dwell > 20 && motor_rad_s < DOWN_RAD_S) {
            gear - 1
        } else if gear < 2 && settled && motor_rad_s > UP_RAD_S {
            gear + 1
        } else {
            return None;
        };
        (gear, dwell, standing, came_down) = (next, 0, 0, next < gear);
        Some(next)
    })
}

/// Runs with the shifts of another run.
pub(super) fn run_by_schedule(motion: &mut impl Motion, schedule: &Schedule) -> Run {
    run(motion, |look, _| schedule.iter().find(|s| s.0 == look).map(|s| s.1))
}

fn run(motion: &mut impl Motion, mut wish: impl FnMut(usize, f64) -> Option<usize>) -> Run {
    let mut schedule = Schedule::new();
    let mut look = 0;
    while look < MOST_LOOKS {
        let shift = wish(look, motion.motor_rad_s());
        schedule.extend(shift.map(|gear| (look, gear)));
        for part in 0..if shift.is_some() { SHIFT_LOOKS } else { 1 } {
            if part == 1 {
                motion.disengage();
            }
            let duty = if shift.is_some() { 0.0 } else { 1.0 };
            if let Some(last_s) = motion.advance(LOOK_S, duty) {
                let time_s = Some(look as f64 * LOOK_S + last_s);
                return Run { time_s, damage: motion.damage(), schedule };
            }
            look += 1;
        }
        if let Some(gear) = shift {
            motion.engage(gear);
        }
    }
    Run { time_s: None, damage: motion.damage(), schedule }
}
