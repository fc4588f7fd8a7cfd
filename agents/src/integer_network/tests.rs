//! Encoding, evaluation by hand, rounding, distillation, and files.

use lowgear_env::{End, Seed, Step, Stream, World};
use lowgear_onboard::{FEATURES, Feature, Features, InputForm, NetworkInput, NetworkLayer, Request};
use rand::RngExt;
use rand_chacha::ChaCha8Rng;

use super::distil::{NetworkDistilSettings, distil_network};
use super::*;
use crate::table::distil::{Visit, neutral_features};

fn input(feature: Feature, form: InputForm, low: i16, shift: u8) -> NetworkInput {
    NetworkInput { feature: feature as u8, form, low, shift }
}

#[test]
fn activations_by_hand() {
    let gear = input(Feature::Gear, InputForm::Equal, 2, 0);
    assert_eq!([1, 2].map(|value| gear.activation(value)), [128, 192]);
    let tilt = input(Feature::Tilt, InputForm::Linear, -256, 1);
    assert_eq!([-300, -256, 0, 1, 2, 254, 400].map(|v| tilt.activation(v)), [0, 0, 128, 128, 129, 255, 255]);
    // 16 log2(64) = 96, less 64, plus 24; each doubling adds 16, linear between: 96 is half-way from 64 to 128.
    let load = input(Feature::LoadSlow, InputForm::Log, 64, 24);
    assert_eq!([0, 32, 64, 192].map(|value| load.activation(value)), [56, 64, 72, 88]);
    // Below 16 the value is doubled: 1 has logarithm 0.
    let count = input(Feature::FailedCount, InputForm::Log, 1, 168);
    assert_eq!([0, 1, 2, 3].map(|value| count.activation(value)), [104, 120, 128, 136]);
    assert_eq!(input(Feature::Dwell, InputForm::Log, 0, 64).activation(-5), 0, "no logarithm below 1");
}

#[test]
fn every_feature_has_activations_that_tell_its_usual_values_apart() {
    let inputs = inputs_for(&Feature::ALL, 3);
    assert_eq!(inputs.len(), 3 + 3 + 12, "gears, classes, and one for each of the others");
    for feature in Feature::ALL {
        let own: Vec<&NetworkInput> = inputs.iter().filter(|i| i.feature == feature as u8).collect();
        let seen = |value: i16| own.iter().map(|i| i.activation(value)).collect::<Vec<_>>();
        let (few, many) = match feature {
            Feature::Gear => (0, 1),
            Feature::StrikeClass => (0, 2),
            Feature::Tilt => (-50, 50),
            Feature::FailedCount => (0, 1),
            Feature::Battery => (900, 1100),
            _ => (300, 600),
        };
        assert_ne!(seen(few), seen(many), "{feature:?}");
    }
}

/// Two inputs, two hidden units, three requests.
fn small() -> IntegerNetwork {
    let inputs = vec![
        input(Feature::Gear, InputForm::Equal, 1, 0),
        input(Feature::SpeedRatio, InputForm::Linear, 0, 2),
    ];
    let layers = vec![NetworkLayer { units: 2, shift: 6 }, NetworkLayer { units: 3, shift: 0 }];
    let weights = vec![1, 127, -128, 2, 1, 0, 0, 0, 3, -1];
    let biases = vec![-100, 1000, 10, 20, -5];
    let provenance = Provenance { study: "s".into(), vehicle: "v".into(), ..Provenance::default() };
    IntegerNetwork::new(inputs, layers, weights, biases, provenance).unwrap()
}

fn at(gear: i16, ratio: i16) -> Features {
    let mut features = Features([0; FEATURES]);
    features.0[Feature::Gear as usize] = gear;
    features.0[Feature::SpeedRatio as usize] = ratio;
    features
}

#[test]
fn sums_and_decisions_by_hand() {
    let network = small();
    // x = (192, 100). Unit 1: 192 + 12700 - 1600 = 11292, >> 6 = 176. Unit 2: 16000 - 24576 + 200 < 0: 0.
    // Down 160 + 176, hold 320, up 3 x 176 - 80.
    assert_eq!(network.sums(&at(1, 400)), [336, 320, 448]);
    assert_eq!(network.decide(&at(1, 400)), Request::Up);
    // x = (128, 0). Unit 1: 128 - 1600 < 0: 0. Unit 2: 16000 - 16384 < 0: 0.
    assert_eq!(network.sums(&at(0, 3)), [160, 320, -80]);
    assert_eq!(network.decide(&at(0, 3)), Request::Hold);
    // x = (128, 255): unit 1 32513 >> 6 = 508, cut off at 255; unit 2 16000 - 16384 + 510 = 126, >> 6 = 1.
    assert_eq!(network.sums(&at(0, 2000)), [415, 320, 684]);
    assert_eq!((network.bytes(), network.sizes().as_str()), (10 + 10 + 4 + 12, "2 x 2 x 3"));
    assert_eq!(network.features(), [Feature::Gear, Feature::SpeedRatio]);
}

#[test]
fn equal_sums_hold_before_they_shift_down() {
    let inputs = vec![input(Feature::Gear, InputForm::Equal, 1, 0)];
    let decide = |biases: [i16; 3]| {
        let layers = vec![NetworkLayer { units: 3, shift: 0 }];
        let network =
            IntegerNetwork::new(inputs.clone(), layers, vec![0; 3], biases.to_vec(), Provenance::default());
        network.unwrap().decide(&at(0, 0))
    };
    assert_eq!(decide([5, 5, 5]), Request::Hold);
    assert_eq!(decide([6, 5, 6]), Request::Down);
    assert_eq!(decide([6, 5, 7]), Request::Up);
}

#[test]
fn parts_that_do_not_fit_are_refused() {
    let whole = small();
    let refused = |layers: Vec<NetworkLayer>, weights: usize, biases: usize| {
        IntegerNetwork::new(
            whole.inputs().to_vec(),
            layers,
            vec![0; weights],
            vec![0; biases],
            Provenance::default(),
        )
        .unwrap_err()
        .to_string()
    };
    let layers = whole.layers().to_vec();
    assert!(refused(layers.clone(), 9, 5).contains("Weights(10)"));
    assert!(refused(layers.clone(), 10, 4).contains("Biases(5)"));
    assert!(refused(vec![], 0, 0).contains("Layers"));
    assert!(
        refused(vec![NetworkLayer { units: 2, shift: 0 }], 4, 2).contains("Layer(0)"),
        "three at the end"
    );
}

#[test]
fn a_file_is_read_back_and_a_damaged_one_refused() {
    let network = small();
    let text = network.to_json().unwrap();
    assert_eq!(IntegerNetwork::from_json(&text).unwrap(), network);
    let said = |text: &str| IntegerNetwork::from_json(text).unwrap_err().to_string();
    assert!(said(&text[..text.len() / 2]).contains("whole"));
    assert!(said(&text.replacen("\"format\": 1", "\"format\": 9", 1)).contains("format 9"));
    assert!(said(&text.replacen("lowgear-network", "lowgear-table", 1)).contains("lowgear-table"));
    assert!(said(&text.replacen("-100", "-101", 1)).contains("damaged"));
    assert!(said(&text.replacen("speed-ratio", "speed-limit", 1)).contains("speed-limit"));
}

/// Gear and load wander; the teacher shifts by a slanted line between speed and load, which no table follows.
struct Wander {
    rng: ChaCha8Rng,
    features: Features,
    steps: u32,
}

impl Wander {
    fn draw(&mut self) {
        for (feature, most) in [(Feature::Gear, 3), (Feature::SpeedRatio, 1000), (Feature::LoadSlow, 1500)] {
            self.features.0[feature as usize] = self.rng.random_range(0..most);
        }
    }
}

impl World for Wander {
    type Observation = Features;

    fn actions(&self) -> usize {
        3
    }

    fn reset(&mut self, episode: u64) {
        (self.rng, self.steps) = (Seed(3).stream(Stream::Course, episode), 0);
        self.draw();
    }

    fn observation(&self) -> &Features {
        &self.features
    }

    fn allowed(&self, _: usize) -> bool {
        true
    }

    fn step(&mut self, _: usize) -> Step {
        self.steps += 1;
        self.draw();
        let end = (self.steps >= 100).then_some(End::Terminated);
        Step { reward: 0.0, elapsed_s: 0.2, end }
    }
}

#[derive(Clone, Copy)]
struct Slanted;

impl Policy for Slanted {
    fn reset(&mut self) {}

    fn decide(&mut self, features: &Features, _: Mask) -> Request {
        let fast = features.get(Feature::SpeedRatio) - features.get(Feature::LoadSlow) / 3;
        match fast {
            350.. => Request::Up,
            ..-50 => Request::Down,
            _ => Request::Hold,
        }
    }
}

fn settings(steps: u64) -> NetworkDistilSettings {
    NetworkDistilSettings {
        features: vec![Feature::Gear, Feature::SpeedRatio, Feature::LoadSlow],
        student: StudentSettings { hidden: vec![16, 16], steps, learning_rate: 5e-3, seed: Seed(1) },
        iterations: 2,
        episodes: 20,
        gears: 3,
        provenance: Provenance::default(),
    }
}

fn distilled(steps: u64) -> Vec<distil::NetworkIteration> {
    let rng = Seed(3).stream(Stream::Course, 0);
    let world = |_| Wander { rng: rng.clone(), features: neutral_features(), steps: 0 };
    distil_network(world, || Slanted, Visit::by_time, &settings(steps), |_| {}).unwrap()
}

#[test]
fn a_network_learns_a_slanted_border_and_its_integers_decide_as_its_real_numbers() {
    let iterations = distilled(1500);
    let last = &iterations[2];
    assert_eq!(last.decisions, 2000);
    assert!(last.agreement > 0.95, "{}", last.agreement);
    assert!(last.rounding_agreement > 0.98, "{}", last.rounding_agreement);
    let mut untaught = 0;
    for episode in 1000..1010 {
        let mut rng = Seed(4).stream(Stream::Course, episode);
        let features = at(rng.random_range(0..3), rng.random_range(0..1000));
        let wanted = Slanted.decide(&features, Mask::all(3));
        untaught += u32::from(last.network.decide(&features) != wanted);
    }
    assert!(untaught <= 1, "{untaught} of 10 unseen decisions differ");
    assert!(distilled(3)[2].agreement < last.agreement, "it is the learning that does it");
}

#[test]
fn the_same_seed_makes_the_same_network_on_one_thread_and_on_three() {
    let on = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        pool.install(|| distilled(30))[2].network.to_json().unwrap()
    };
    assert_eq!(on(1), on(3));
}

#[test]
fn a_policy_holds_where_its_request_is_not_possible_and_says_why() {
    let mut policy = IntegerNetworkPolicy::new(small());
    let features = at(1, 400);
    assert_eq!(policy.decide(&features, Mask::all(3)), Request::Up);
    assert_eq!(policy.decide(&features, Mask::from_fn(3, |a| a != 2)), Request::Hold);
    let lines = policy.explain(&features, Mask::all(3));
    assert_eq!(lines[1], "speed-ratio 400: activation 100 of 255");
    assert!(lines[3].ends_with("says up"), "{lines:?}");
}
