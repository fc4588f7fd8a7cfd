//! The words of requests, verdicts and phases, as traces, tables and replays have them. They stand here and not with
//! their types because the sources of the onboard crate become firmware, which has no use for text.

use lowgear_onboard::{Phase, Request, Verdict};

/// The word of a request.
#[must_use]
pub const fn request_name(request: Request) -> &'static str {
    match request {
        Request::Down => "down",
        Request::Hold => "hold",
        Request::Up => "up",
    }
}

/// The word of a verdict.
#[must_use]
pub const fn verdict_name(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Idle => "idle",
        Verdict::Accepted => "accepted",
        Verdict::NoSuchGear => "no such gear",
        Verdict::Busy => "busy",
        Verdict::Dwell => "dwell not over",
        Verdict::Tilt => "too steep",
        Verdict::Turning => "motor turns",
    }
}

/// The word of a phase of the guard.
#[must_use]
pub const fn phase_name(phase: Phase) -> &'static str {
    match phase {
        Phase::Driving => "driving",
        Phase::Cutting => "cutting",
        Phase::Moving => "moving",
        Phase::Recalibrating => "recalibrating",
        Phase::Resting => "resting",
        Phase::Parked => "parked",
        Phase::Faulted => "faulted",
    }
}
