//! From laps to a verdict.

use super::control::{Adjusted, ControlVariate, adjust};
use super::laps::{Lap, LapFault};
use super::plan::Claim;
use super::power::MOST_PAIRS;
use super::sequential::{Step, confidence_sequence, critical_t};
use super::wear::{WearComparison, compare_wear};
use std::collections::BTreeMap;

/// A lap whose distance differs from the median by more than this share is another lap.
const DISTANCE_SHARE: f64 = 0.05;

/// Time that the tested lap saved, as a share of the mean of both laps. The same laps the other way round give the
/// opposite number, so that equal policies in random order have differences symmetric about 0.
#[must_use]
pub fn relative_difference(reference_s: f64, tested_s: f64) -> f64 {
    (reference_s - tested_s) / (0.5 * (reference_s + tested_s))
}

/// Two laps that count, one of each policy.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pair {
    /// Number of the pair.
    pub number: u32,
    /// Places of the laps of reference and tested policy.
    pub laps: [usize; 2],
    /// Their times, s.
    pub time_s: [f64; 2],
    /// Whether the tested policy drove first.
    pub tested_first: bool,
    /// See [`relative_difference`].
    pub saved: f64,
    /// The same of the times that the model predicts from the start of both laps; `None` without a prediction.
    pub predicted: Option<f64>,
}

/// What is proven about the tested policy on this ground.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Verdict {
    /// Its laps are faster.
    Faster,
    /// They are slower by at most the margin.
    NotSlower,
    /// They are slower.
    Slower,
    /// Nothing yet.
    Open,
}

/// The laps of one policy.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct PolicyLaps {
    /// Laps that count.
    pub laps: usize,
    /// Laps that were begun and not finished.
    pub unfinished: usize,
    /// Mean lap time, s.
    pub time_s: f64,
}

/// How a trial is read.
#[derive(Clone, Debug, PartialEq)]
pub struct TrialSettings {
    /// Names of the reference and of the tested policy.
    pub policies: [String; 2],
    /// Probability that no verdict is ever wrong.
    pub level: f64,
    /// Largest loss that does not matter, percent.
    pub margin_percent: f64,
    /// Numbers of laps that the user leaves out.
    pub left_out: Vec<u32>,
}

/// The result of a trial.
#[derive(Clone, Debug, PartialEq)]
pub struct Trial {
    /// How it was read.
    pub settings: TrialSettings,
    /// Every lap, in the order in which they were driven.
    pub laps: Vec<Lap>,
    /// Pairs that count.
    pub pairs: Vec<Pair>,
    /// The interval after each pair; with predictions of what they do not explain.
    pub steps: Vec<Step>,
    /// What the predictions did; `None` without any.
    pub control: Option<ControlVariate>,
    /// The interval after the last pair without them.
    pub plain: Option<Step>,
    /// The verdict after the last.
    pub verdict: Verdict,
    /// Laps of the reference and of the tested policy.
    pub of_policy: [PolicyLaps; 2],
    /// Wear of both, pair by pair.
    pub wear: Vec<WearComparison>,
    /// For each claim that is not proven the further pairs that would prove it if the mean and the scatter stay;
    /// `None` where 400 pairs would not.
    pub further_pairs: Vec<(Claim, Option<usize>)>,
}

impl Trial {
    /// Pairs the laps and reads them.
    #[must_use]
    pub fn new(mut laps: Vec<Lap>, settings: TrialSettings) -> Trial {
        for lap in laps.iter_mut().filter(|lap| settings.left_out.contains(&lap.number)) {
            lap.fault = Some(LapFault::LeftOut);
        }
        check_distances(&mut laps);
        let pairs = pair(&mut laps);
        let saved: Vec<f64> = pairs.iter().map(|p| p.saved).collect();
        let predicted: Vec<Option<f64>> = pairs.iter().map(|p| p.predicted).collect();
        let adjusted = adjust(&saved, &predicted);
        let steps = confidence_sequence(&adjusted.differences, settings.level);
        let plain = confidence_sequence(&saved, settings.level).pop();
        let control = control(&adjusted, &predicted, steps.last(), plain.as_ref());
        let margin = 0.01 * settings.margin_percent;
        let verdict = verdict(steps.last(), margin);
        let of_policy = [0, 1].map(|policy| policy_laps(&laps, policy));
        let wear = compare_wear(&laps, &pairs, settings.level);
        let further_pairs =
            steps.last().map_or_else(Vec::new, |last| further_pairs(last, verdict, &settings));
        Trial { settings, laps, pairs, steps, control, plain, verdict, of_policy, wear, further_pairs }
    }

    /// Pairs in which the tested policy drove first.
    #[must_use]
    pub fn tested_first(&self) -> usize {
        self.pairs.iter().filter(|pair| pair.tested_first).count()
    }
}

/// Names laps of another length than the others.
fn check_distances(laps: &mut [Lap]) {
    let whole = |lap: &&Lap| lap.fault.as_ref().is_none_or(|fault| !fault.is_unfinished());
    let mut known: Vec<f64> = laps.iter().filter(whole).filter_map(|lap| lap.distance_m).collect();
    known.sort_by(f64::total_cmp);
    let Some(&median) = known.get(known.len() / 2) else { return };
    for lap in laps.iter_mut().filter(|lap| lap.fault.is_none()) {
        if let Some(own) = lap.distance_m.filter(|own| (own - median).abs() > DISTANCE_SHARE * median.abs()) {
            lap.fault = Some(LapFault::Distance(own, median));
        }
    }
}

/// Pairs laps 1 and 2, 3 and 4, and so on. Numbers that begin again belong to another session; a number that is
/// driven again within its pair replaces the lap before.
fn pair(laps: &mut [Lap]) -> Vec<Pair> {
    let mut sessions: BTreeMap<(usize, u32), BTreeMap<u32, usize>> = BTreeMap::new();
    let (mut session, mut last) = (0, 0);
    for at in 0..laps.len() {
        let (number, line) = (laps[at].number, laps[at].line);
        let pair = number.div_ceil(2);
        session += usize::from(pair < last);
        last = pair;
        if let Some(before) = sessions.entry((session, pair)).or_default().insert(number, at)
            && laps[before].fault.is_none()
        {
            laps[before].fault = Some(LapFault::DrivenAgain(line));
        }
    }
    let mut pairs = Vec::new();
    for members in sessions.into_values() {
        let members: Vec<usize> = members.into_values().filter(|&at| laps[at].fault.is_none()).collect();
        match members[..] {
            [first, second] if laps[first].policy == laps[second].policy => {
                for at in [first, second] {
                    laps[at].fault = Some(LapFault::SamePolicy);
                }
            }
            [first, second] => {
                let tested_first = laps[first].policy == Some(1);
                let of = if tested_first { [second, first] } else { [first, second] };
                let time_s = of.map(|at| laps[at].time_s);
                let saved = relative_difference(time_s[0], time_s[1]);
                let times = laps[of[0]].predicted_s.zip(laps[of[1]].predicted_s);
                let predicted = times.map(|(reference, tested)| relative_difference(reference, tested));
                let number = pairs.len() as u32 + 1;
                pairs.push(Pair { number, laps: of, time_s, tested_first, saved, predicted });
            }
            _ => members.iter().for_each(|&at| laps[at].fault = Some(LapFault::NoPartner)),
        }
    }
    pairs
}

fn verdict(last: Option<&Step>, margin: f64) -> Verdict {
    match last.and_then(|step| step.interval) {
        Some([low, _]) if low > 0.0 => Verdict::Faster,
        Some([_, high]) if high < 0.0 => Verdict::Slower,
        Some([low, _]) if low > -margin => Verdict::NotSlower,
        _ => Verdict::Open,
    }
}

/// What the predictions did.
fn control(
    adjusted: &Adjusted,
    predicted: &[Option<f64>],
    with: Option<&Step>,
    without: Option<&Step>,
) -> Option<ControlVariate> {
    let pairs = predicted.iter().flatten().count();
    let coefficient = *adjusted.coefficients.last()?;
    let ratio = with?.sd / without?.sd;
    let variance_ratio = if ratio.is_finite() { ratio * ratio } else { 1.0 };
    (pairs > 0).then_some(ControlVariate { pairs, coefficient, variance_ratio })
}

fn policy_laps(laps: &[Lap], policy: u8) -> PolicyLaps {
    let own = || laps.iter().filter(|lap| lap.policy == Some(policy));
    let counted: Vec<&Lap> = own().filter(|lap| lap.fault.is_none()).collect();
    let unfinished = own().filter(|l| l.fault.as_ref().is_some_and(LapFault::is_unfinished)).count();
    let time_s = counted.iter().map(|lap| lap.time_s).sum::<f64>() / counted.len().max(1) as f64;
    PolicyLaps { laps: counted.len(), unfinished, time_s }
}

/// What further pairs would bring, if mean and scatter stay as they are.
fn further_pairs(last: &Step, verdict: Verdict, settings: &TrialSettings) -> Vec<(Claim, Option<usize>)> {
    let open: &[Claim] = match verdict {
        Verdict::Open => &Claim::ALL,
        Verdict::NotSlower => &[Claim::Faster],
        Verdict::Faster | Verdict::Slower => &[],
    };
    let error = 0.5 * (1.0 - settings.level);
    let needed = |claim: Claim| {
        let above = last.mean + 0.01 * claim.added_percent(settings.margin_percent);
        (last.pairs + 1..=MOST_PAIRS).find(|&pairs| {
            let standard_error = last.sd / (pairs as f64).sqrt();
            above > 0.0 && critical_t(pairs, error).is_some_and(|factor| above > factor * standard_error)
        })
    };
    open.iter().map(|&claim| (claim, needed(claim).map(|pairs| pairs - last.pairs))).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::trial::damage::ModelledLap;
    use crate::trial::laps::LapWear;
    use crate::trial::wear::WearFigure;

    fn lap(number: u32, policy: u8, time_s: f64) -> Lap {
        Lap {
            file: 0,
            line: u64::from(number) * 100,
            number,
            policy: Some(policy),
            time_s,
            distance_m: Some(40.0),
            wear: LapWear { shifts: Some(4), failed_upshifts: 1, missed_engagements: Some(2) },
            modelled: None,
            predicted_s: None,
            fallback: false,
            gaps: 0,
            fault: None,
        }
    }

    fn settings() -> TrialSettings {
        TrialSettings {
            policies: ["rule".to_owned(), "table".to_owned()],
            level: 0.95,
            margin_percent: 1.0,
            left_out: Vec::new(),
        }
    }

    /// Pairs in alternating order, in which the tested policy saves these shares of the reference's 30 s.
    fn laps(saved: &[f64]) -> Vec<Lap> {
        let mut laps = Vec::new();
        for (pair, saved) in saved.iter().enumerate() {
            let number = 2 * pair as u32 + 1;
            let first = (pair % 2) as u8;
            let time = |policy: u8| if policy == 0 { 30.0 } else { 30.0 * (1.0 - saved) };
            laps.push(lap(number, first, time(first)));
            laps.push(lap(number + 1, 1 - first, time(1 - first)));
        }
        laps
    }

    #[test]
    fn verdicts_follow_from_the_interval() {
        let wobble = [0.01, -0.01, 0.004, -0.004, 0.007, -0.007, 0.002, -0.002, 0.005, -0.005, 0.008, -0.008];
        for (gain, expected) in [
            (0.05, Verdict::Faster),
            (-0.05, Verdict::Slower),
            (0.003, Verdict::NotSlower),
            (-0.004, Verdict::Open),
        ] {
            let trial = Trial::new(laps(&wobble.map(|w| w + gain)), settings());
            assert_eq!(trial.verdict, expected, "{gain}: {:?}", trial.steps.last());
            assert_eq!((trial.pairs.len(), trial.tested_first()), (12, 6));
        }
        let trial = Trial::new(laps(&wobble.map(|w| w + 0.003)), settings());
        let [(Claim::Faster, Some(more))] = trial.further_pairs[..] else {
            panic!("{:?}", trial.further_pairs)
        };
        assert!((10..300).contains(&more), "{more}");
        assert_eq!(Trial::new(Vec::new(), settings()).verdict, Verdict::Open);
    }

    #[test]
    fn laps_that_do_not_count_are_named_and_the_others_stay() {
        let mut driven = laps(&[0.02, 0.03, 0.01, 0.02, 0.04]);
        driven[2].fault = Some(LapFault::Unfinished);
        driven[5].distance_m = Some(30.0);
        driven[6].policy = driven[7].policy;
        // The first lap of the last pair is driven again with the same number.
        let again = Lap { line: 5000, time_s: 29.0, ..driven[8].clone() };
        driven.insert(9, again);
        let trial = Trial::new(driven, TrialSettings { left_out: vec![1], ..settings() });
        let faults: Vec<Option<LapFault>> = trial.laps.iter().map(|lap| lap.fault.clone()).collect();
        use LapFault::{Distance, DrivenAgain, LeftOut, NoPartner, SamePolicy, Unfinished};
        let expected = [
            Some(LeftOut),
            Some(NoPartner),
            Some(Unfinished),
            Some(NoPartner),
            Some(NoPartner),
            Some(Distance(30.0, 40.0)),
            Some(SamePolicy),
            Some(SamePolicy),
            Some(DrivenAgain(5000)),
            None,
            None,
        ];
        assert_eq!(faults, expected);
        assert_eq!(trial.pairs.len(), 1);
        assert_eq!(trial.of_policy[0].unfinished + trial.of_policy[1].unfinished, 1);
        let missed = trial.wear.iter().find(|w| w.figure == WearFigure::MissedEngagements).unwrap();
        assert_eq!((missed.means, missed.difference, missed.interval), ([2.0, 2.0], 0.0, None));
        assert!(trial.wear.iter().all(|w| w.figure != WearFigure::Damage), "no model, no damage");
    }

    #[test]
    fn wear_is_compared_pair_by_pair_with_an_interval_of_its_own() {
        let mut driven = laps(&[0.02; 12]);
        for (at, lap) in driven.iter_mut().enumerate() {
            let scatter = 1.0 + 0.05 * ((at * 7) % 5) as f64;
            let damage = if lap.policy == Some(1) { 3e-6 } else { 2e-6 } * scatter;
            lap.modelled = Some(ModelledLap { damage, ..ModelledLap::default() });
            lap.wear.shifts = Some(4 + u32::from(lap.policy == Some(1)) + at as u32 % 2);
        }
        let trial = Trial::new(driven, settings());
        let of = |figure| trial.wear.iter().find(|w| w.figure == figure).unwrap();
        let damage = of(WearFigure::Damage);
        assert!((damage.difference - 0.4).abs() < 0.05, "{damage:?}");
        assert!(damage.interval.is_some_and(|[low, high]| low > 0.2 && high < 0.6), "{damage:?}");
        assert!((damage.means[1] / damage.means[0] - 1.5).abs() < 0.1, "{damage:?}");
        assert!((of(WearFigure::Shifts).difference - 1.0).abs() < 0.2);
    }

    #[test]
    fn what_the_start_of_the_laps_explains_is_taken_off() {
        // A battery that falls: in every pair the second lap is slower, by an amount that differs and that the model knows.
        let slower = |at: usize| 0.5 * 0.01 * (1 + (at / 2 * 5) % 7) as f64 * (at % 2) as f64;
        let mut driven =
            laps(&[0.012, 0.008, 0.011, 0.009, 0.013, 0.007, 0.01, 0.012, 0.008, 0.011, 0.009, 0.01]);
        for (at, lap) in driven.iter_mut().enumerate() {
            lap.time_s *= 1.0 + slower(at);
            lap.predicted_s = Some(40.0 * (1.0 + slower(at)));
        }
        let with = Trial::new(driven.clone(), settings());
        driven.iter_mut().for_each(|lap| lap.predicted_s = None);
        let without = Trial::new(driven, settings());
        let (control, plain) = (with.control.unwrap(), with.plain.unwrap());
        assert!(control.pairs == 12 && control.variance_ratio < 0.5, "{control:?}");
        assert!(control.coefficient > 0.7, "{control:?}");
        assert_eq!(Some(plain), without.plain);
        assert_eq!((without.control, without.steps.last().copied()), (None, without.plain));
        assert_eq!((with.verdict, without.verdict), (Verdict::Faster, Verdict::Open));
    }

    #[test]
    fn numbers_that_begin_again_are_another_session() {
        let twice: Vec<Lap> = [laps(&[0.02, 0.03]), laps(&[0.01, 0.02])].concat();
        let trial = Trial::new(twice, settings());
        assert_eq!(trial.pairs.len(), 4);
        assert!(trial.laps.iter().all(|lap| lap.fault.is_none()));
    }
}
