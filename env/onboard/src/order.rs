//! What the guard says: what it is doing, what became of a request, and its order for the coming tick.

/// What the guard is doing.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Phase {
    /// A gear is engaged and driven.
    Driving,
    /// The drive is cut; the selector has not been told to move yet.
    Cutting,
    /// The selector moves, or the dogs have not entered yet.
    Moving,
    /// The selector runs against its reference.
    Recalibrating,
    /// The motor rests after a stall.
    Resting,
    /// The selector stands in Park.
    Parked,
    /// A reading is or was outside its range: no drive. [`crate::Guard::fault`] says which.
    Faulted,
}

/// Why a request was or was not carried out.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Verdict {
    /// Nothing was asked for.
    Idle,
    /// The shift begins.
    Accepted,
    /// There is no such gear.
    NoSuchGear,
    /// A shift is under way.
    Busy,
    /// The minimum dwell has not passed.
    Dwell,
    /// The vehicle stands too steep for an upshift.
    Tilt,
    /// The motor turns, so Park is refused.
    Turning,
}

/// What the guard orders for the coming tick.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Command {
    /// Whether the motor may be driven.
    pub drive: bool,
    /// The gear the selector is sent to.
    pub gear: u8,
    /// Send the selector again (after a miss); the servo then nudges the dogs.
    pub nudge: bool,
    /// Run the selector against its reference.
    pub recalibrate: bool,
    /// Send the selector to Park instead.
    pub park: bool,
}
