//! Sections of a map: the gear to be in by position, as the plan of the course drives it.
//!
//! Measured on the hard path of the garden mix (60 courses): to prepare lower gears earlier or higher ones later by up to two
//! standard deviations of the position gains nothing, since an upshift takes the consent of the policy anyway.

use super::map::Section;
use lowgear_env::{Drive, run_episode};
use lowgear_eval::bound::{GridResolution, Plan};
use lowgear_onboard::Request;

/// The sections that the plan of `drive` drives, from its start.
#[must_use]
pub fn planned(drive: &Drive) -> Vec<Section> {
    let plan = Plan::new(drive, GridResolution::default());
    let mut drive = drive.clone();
    let first = drive.controller().guard().gear();
    let mut sections = vec![Section { from_mm: 0, gear: Some(first) }];
    let decide = |drive: &Drive| {
        let request = plan.decide(drive);
        let (x_m, _) = drive.position_and_speed();
        let gear = drive.controller().guard().gear();
        let wanted = match request {
            Request::Down => gear.saturating_sub(1),
            Request::Hold => gear,
            Request::Up => gear + 1,
        };
        push(&mut sections, (1000.0 * x_m).clamp(0.0, f64::from(u16::MAX)) as u16, wanted);
        request
    };
    run_episode(&mut drive, decide, |_, _, _| {});
    sections
}

/// Adds what the vehicle wants from here on.
fn push(sections: &mut Vec<Section>, from_mm: u16, gear: u8) {
    let Some(last) = sections.last_mut() else { return };
    if last.gear == Some(gear) {
        return;
    }
    if from_mm <= last.from_mm {
        last.gear = Some(gear);
    } else {
        sections.push(Section { from_mm, gear: Some(gear) });
    }
    sections.dedup_by(|b, a| b.gear == a.gear);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_section_begins_where_another_gear_is_wanted_and_repeats_none() {
        let mut sections = vec![Section { from_mm: 0, gear: Some(0) }];
        for (from_mm, gear) in [(0, 1), (40, 1), (90, 2), (90, 1), (300, 2)] {
            push(&mut sections, from_mm, gear);
        }
        let expected = [(0, 1), (300, 2)].map(|(from_mm, gear)| Section { from_mm, gear: Some(gear) });
        assert_eq!(sections, expected);
    }
}
