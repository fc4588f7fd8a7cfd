//! The policy on the vehicle, its guide, and masks.

use lowgear_env::Step;
use lowgear_onboard::{Feature, Features};

use super::*;
use crate::{
    dqn::{Dqn, DqnConfig, DqnPolicy},
    policy::Policy,
    rule::{Rule, RuleSettings},
};

fn features(i: i16) -> Features {
    let mut features = Features(std::array::from_fn(|k| (i * 37 + k as i16 * 101) % 900));
    features.0[Feature::Gear as usize] = i % 3;
    features.0[Feature::FailedCount as usize] %= 8;
    features
}

fn rule() -> RuleSettings {
    RuleSettings { hold_decisions: 2, ..RuleSettings::two_sided(3, 700, 200, 300) }
}

fn untrained(memory: usize, guide_bias: f32) -> PpoPolicy {
    let scaler = FeatureScaler::new(3, 2);
    let config = PpoConfig { gru_size: memory, guide_bias, ..pole() };
    let ppo = Ppo::new(config, scaler.inputs(), 3, Seed(8)).unwrap();
    let guide = Some(RuleGuide::new(rule(), 3).unwrap());
    PpoPolicy::new(scaler, ppo.actor().unwrap(), 0.15, guide).unwrap()
}

fn mask(i: i16) -> Mask {
    let gear = i % 3;
    Mask::from([gear > 0 && i % 5 > 0, true, gear < 2 && i % 7 > 0])
}

#[test]
fn an_untrained_policy_with_a_bias_acts_as_the_rule() {
    let mut alone = Rule::new(rule(), 3).unwrap();
    let scaler = FeatureScaler::new(3, 1);
    let dqn = Dqn::new(DqnConfig::default(), scaler.inputs(), 3, Seed(8)).unwrap();
    let dqn = DqnPolicy::new(scaler, dqn.online().clone()).unwrap();
    let mut with_margin = dqn.clone().with_guide(RuleGuide::new(rule(), 3).unwrap(), 2.0).unwrap();
    let (mut policy, mut asked) = (untrained(0, 4.0), [0; 3]);
    for i in 0..600 {
        let request = alone.decide(&features(i), mask(i));
        assert_eq!(policy.decide(&features(i), mask(i)), request, "{i}");
        assert_eq!(with_margin.decide(&features(i), mask(i)), request, "{i}");
        asked[request as usize] += 1;
    }
    assert!(asked.iter().all(|&n| n > 3), "{asked:?}");
    assert!(dqn.with_guide(RuleGuide::new(rule(), 3).unwrap(), f32::NAN).is_err());
}

#[test]
fn a_policy_read_back_decides_the_same() {
    for memory in [0, 7] {
        let mut policy = untrained(memory, 1.0);
        let bytes = postcard::to_allocvec(&policy).unwrap();
        let text = serde_json::to_string(&policy).unwrap();
        let mut again: [PpoPolicy; 2] =
            [postcard::from_bytes(&bytes).unwrap(), serde_json::from_str(&text).unwrap()];
        policy.reset();
        for i in 0..300 {
            let p = policy.probabilities(&features(i), mask(i)).to_vec();
            assert!((p.iter().sum::<f32>() - 1.0).abs() < 1e-5);
            for again in &mut again {
                assert_eq!(again.probabilities(&features(i), mask(i)), p);
            }
        }
        policy.reset();
        let request = policy.decide(&features(1), mask(1));
        again[0].reset();
        assert_eq!(again[0].decide(&features(1), mask(1)), request);
        assert!(
            serde_json::from_str::<PpoPolicy>(
                &text.replace("\"shift-threshold\":0.15", "\"shift-threshold\":2.0")
            )
            .is_err()
        );
    }
}

#[test]
fn parts_that_do_not_fit_are_refused() {
    let scaler = FeatureScaler::new(3, 1);
    let config = PpoConfig { guide_bias: 1.0, ..pole() };
    let actor =
        |actions| Ppo::new(config.clone(), scaler.inputs(), actions, Seed(8)).unwrap().actor().unwrap();
    let guide = || Some(RuleGuide::new(rule(), 3).unwrap());
    assert!(PpoPolicy::new(scaler.clone(), actor(3), 0.1, guide()).is_ok());
    assert!(PpoPolicy::new(scaler.clone(), actor(3), 0.1, None).is_err());
    assert!(PpoPolicy::new(scaler.clone(), actor(3), f32::NAN, guide()).is_err());
    assert!(PpoPolicy::new(scaler.clone(), actor(2), 0.1, guide()).is_err());
    assert!(PpoPolicy::new(FeatureScaler::new(3, 2), actor(3), 0.1, guide()).is_err());
    assert!(RuleGuide::new(rule(), 2).unwrap_err().key.starts_with("rule.up-permille"));
}

#[test]
fn impossible_actions_are_never_taken_and_the_guide_is_mostly_followed() {
    let learning_rate = Schedule::constant(1e-6);
    let config = PpoConfig { num_envs: 1, guide_bias: 3.0, n_steps: 100, learning_rate, ..pole() };
    let mut ppo = Ppo::new(config, 1, 3, Seed(1)).unwrap();
    let mask = Mask::from([true, false, true]);
    ppo.begin_episode(0).unwrap();
    let mut taken = [0; 3];
    for i in 0..1200 {
        let guide = [Some(1), Some(2), None][i % 3];
        let action = ppo.act(0, &[0.5], mask, guide).unwrap();
        if i % 3 < 2 {
            taken[action] += if i % 3 == 1 { 1000 } else { 1 };
        }
        ppo.observe(0, &Step { reward: 0.0, elapsed_s: 0.2, end: None }, &[0.5]).unwrap();
        if ppo.buffer_is_full() {
            ppo.update().unwrap();
        }
    }
    assert_eq!(taken[1], 0);
    let (followed, at_random) = (taken[2] / 1000, taken[2] % 1000);
    assert!((365..=395).contains(&followed), "of 400, e^3 / (e^3 + 1) = 95 %: {followed}");
    assert!((150..=250).contains(&at_random), "of 400, half: {at_random}");
}

#[test]
fn the_bias_of_a_guide_that_ends_falls_from_iteration_to_iteration_and_an_actor_without_it_needs_no_guide() {
    let learning_rate = Schedule::constant(1e-6);
    let config =
        PpoConfig { num_envs: 1, guide_bias: 4.0, guide_ends: 400, n_steps: 100, learning_rate, ..pole() };
    let mut ppo = Ppo::new(config, 1, 2, Seed(1)).unwrap();
    ppo.begin_episode(0).unwrap();
    let (mut bias, mut followed) = (vec![ppo.actor().unwrap().guide_bias()], vec![0; 8]);
    for i in 0..800 {
        let action = ppo.act(0, &[0.5], Mask::all(2), Some(1)).unwrap();
        followed[i / 100] += action;
        ppo.observe(0, &Step { reward: 0.0, elapsed_s: 0.2, end: None }, &[0.5]).unwrap();
        if ppo.buffer_is_full() {
            let saved = ppo.save_state().unwrap();
            assert_eq!(Ppo::load_state(ppo.config(), &saved).unwrap().state.guide_bias, ppo.state.guide_bias);
            ppo.update().unwrap();
            bias.push(ppo.actor().unwrap().guide_bias());
        }
    }
    assert_eq!(bias, [4.0, 3.0, 2.0, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0]);
    // e^4 / (e^4 + 1) = 98 %, later half.
    assert!(followed[0] >= 93 && followed[4..].iter().all(|n| (30..=70).contains(n)), "{followed:?}");
}
