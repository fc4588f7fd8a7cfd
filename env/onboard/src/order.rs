//! What a policy asks for, and what the guard says: what it is doing, what became of a request, and its order for the
//! coming tick. Exported files and their test vectors use the same codes.

/// What a policy may ask for. The guard decides whether it happens.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[repr(u8)]
pub enum Request {
    /// One gear lower.
    Down = 0,
    /// Keep the gear.
    Hold = 1,
    /// One gear higher.
    Up = 2,
}

impl Request {
    /// Every request, in the order of their codes.
    pub const ALL: [Request; 3] = [Request::Down, Request::Hold, Request::Up];

    /// The request with this code; codes above 2 mean [`Request::Hold`].
    #[must_use]
    pub const fn from_code(code: u8) -> Request {
        match code {
            0 => Request::Down,
            2 => Request::Up,
            _ => Request::Hold,
        }
    }
}

/// What the guard is doing.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u8)]
pub enum Phase {
    /// A gear is engaged and driven.
    Driving = 0,
    /// The drive is cut; the selector has not been commanded to move yet.
    Cutting = 1,
    /// The selector moves, or the dogs have not entered yet.
    Moving = 2,
    /// The selector runs against its reference.
    Recalibrating = 3,
    /// The motor rests after a stall.
    Resting = 4,
    /// The selector stands in Park.
    Parked = 5,
    /// A reading is or was outside its range: no drive. [`super::Guard::fault`] says which.
    Faulted = 6,
}

/// Why a request was or was not carried out.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u8)]
pub enum Verdict {
    /// Nothing was asked for.
    Idle = 0,
    /// The shift begins.
    Accepted = 1,
    /// There is no such gear.
    NoSuchGear = 2,
    /// A shift is under way.
    Busy = 3,
    /// The minimum dwell has not passed.
    Dwell = 4,
    /// The vehicle stands too steep for an upshift.
    Tilt = 5,
    /// The motor turns, so Park is refused.
    Turning = 6,
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
