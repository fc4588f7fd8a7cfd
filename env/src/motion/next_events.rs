//! What ends a phase of motion next: a border of the ground under an axle, an obstacle, the finish, a stop, the clock.

use super::{MotionPhase, MotionState, Plant, Track};
use crate::vehicle::Vehicle;

/// What ends a phase.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Event {
    Clock,
    Stop,
    Finish,
    SegmentBorder { axle: usize },
    Mount { axle: usize },
    Leave { axle: usize },
}

/// The next event on either side, by the position of the front axle.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct NextEvents {
    pub(super) ahead_m: f64,
    ahead: Event,
    behind_m: f64,
    behind: Event,
}

impl NextEvents {
    pub(super) const NONE: NextEvents = NextEvents {
        ahead_m: f64::INFINITY,
        ahead: Event::Clock,
        behind_m: f64::NEG_INFINITY,
        behind: Event::Clock,
    };
}

impl Plant {
    /// The first event of a phase, within `left_s`.
    pub(super) fn next_event(
        &self,
        motion: &MotionPhase,
        left_s: f64,
        direction: f64,
    ) -> (f64, Event, MotionState) {
        let (mut late_event, mut late) = (Event::Clock, motion.progress(left_s));
        if late.speed_m_s * direction <= 0.0 {
            let stop_s = motion.stop_s();
            if stop_s < left_s {
                (late_event, late) = (Event::Stop, motion.progress(stop_s));
            }
        }
        let (distance_m, event) = if direction > 0.0 {
            (self.next_events.ahead_m - self.x_m, self.next_events.ahead)
        } else {
            (self.x_m - self.next_events.behind_m, self.next_events.behind)
        };
        if late.distance_m * direction >= distance_m {
            late_event = event;
            late = if distance_m <= 0.0 {
                motion.progress(0.0)
            } else {
                motion.reach(distance_m * direction, late.time_s)
            };
        }
        (late.time_s, late_event, motion.state_of(&late))
    }

    pub(super) fn next_events(&self, vehicle: &Vehicle, track: &Track) -> NextEvents {
        let mut next_events =
            NextEvents { ahead_m: track.course.length_m, ahead: Event::Finish, ..NextEvents::NONE };
        for (i, (axle, axle_contact)) in
            vehicle.axles[..vehicle.axle_count].iter().zip(&self.axle_contacts).enumerate()
        {
            let segment = &track.segments[axle_contact.segment];
            next_events.consider_ahead(segment.end_m + axle.behind_front_m, Event::SegmentBorder { axle: i });
            next_events
                .consider_behind(segment.start_m + axle.behind_front_m, Event::SegmentBorder { axle: i });
            let behind = if axle_contact.on { None } else { axle_contact.ahead.checked_sub(1) };
            if let Some(obstacle) = track.obstacles.get(axle_contact.ahead) {
                let (begin_m, end_m) = (obstacle.begin_m(axle.driven), obstacle.end_m(axle.driven));
                if axle_contact.on {
                    next_events.consider_ahead(end_m + axle.behind_front_m, Event::Leave { axle: i });
                    next_events.consider_behind(begin_m + axle.behind_front_m, Event::Leave { axle: i });
                } else {
                    next_events.consider_ahead(begin_m + axle.behind_front_m, Event::Mount { axle: i });
                }
            }
            if let Some(obstacle) = behind.map(|b| &track.obstacles[b]) {
                next_events.consider_behind(
                    obstacle.end_m(axle.driven) + axle.behind_front_m,
                    Event::Mount { axle: i },
                );
            }
        }
        next_events
    }
}

impl NextEvents {
    fn consider_ahead(&mut self, at_m: f64, event: Event) {
        if at_m < self.ahead_m {
            (self.ahead_m, self.ahead) = (at_m, event);
        }
    }

    fn consider_behind(&mut self, at_m: f64, event: Event) {
        if at_m > self.behind_m {
            (self.behind_m, self.behind) = (at_m, event);
        }
    }
}
