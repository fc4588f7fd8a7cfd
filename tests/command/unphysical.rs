//! A simulation that is not physical any more is no result: no file, no checkpoint, no table.

use crate::sandbox::Sandbox;
use lowgear_env::config::ParameterDistribution;
use lowgear_train::StudyError;
use lowgear_train::jobs::SavedPolicy;
use lowgear_train::progress::Reporter;
use lowgear_train::study::{Inputs, Options, compare_policies, read_inputs, run_inputs};

/// The tiny study on level ground with a battery that gives less the fuller it is, which its file may not say: the
/// bound on the speed takes the full battery for the strongest, and the empty one turns the motor faster. The readings
/// stay within their ranges, since the guard would give no drive otherwise.
fn unphysical(place: &Sandbox) -> Inputs {
    place.write("flat.csv", "distance_m,elevation_m,surface\n0,0,path\n3,0,path\n");
    place.write(
        "course.toml",
        "name = \"flat\"\nprofile = \"flat.csv\"\n[[surfaces]]\nname = \"path\"\nrolling = 0.03\nfriction = 0.8\n",
    );
    let mut inputs = read_inputs(&place.path("tiny.toml"), false).unwrap();
    let battery = &mut inputs.scenario.vehicle.battery;
    battery.ocv_v = vec![battery.nominal_voltage_v, 0.5];
    inputs.scenario.vehicle.variation.charge = ParameterDistribution::Fixed(0.0);
    inputs
}

#[track_caller]
fn named(error: &StudyError) {
    assert!(matches!(error, StudyError::Unphysical(_)), "{error}");
    for word in ["not physical any more", "s into episode ", "of the course \"", "(seed ", "hint:"] {
        assert!(error.to_string().contains(word), "{error}");
    }
}

#[test]
fn a_comparison_of_what_is_not_physical_is_an_error() {
    let place = Sandbox::new();
    let inputs = unphysical(&place);
    let rule = SavedPolicy::Rule(inputs.study.rule.clone());
    let policies =
        ["one", "two"].map(|name| (name.to_owned(), rule.instantiate(inputs.scenario.gears()).unwrap()));
    named(&compare_policies(&inputs, &policies, 4).map(|_| ()).unwrap_err());
}

#[test]
fn a_study_of_what_is_not_physical_keeps_no_checkpoint_and_no_figures() {
    let place = Sandbox::new();
    let options = Options { out: Some(place.path("run")), ..Options::default() };
    named(&run_inputs(unphysical(&place), &options, &Reporter::silent()).map(|_| ()).unwrap_err());
    for folder in ["tuned-speed-rule", "tuned-load-rule"] {
        for file in ["checkpoint.bin", "job.json", "policy.json"] {
            let kept = place.path(&format!("run/{folder}/seed-1/{file}"));
            assert!(!kept.exists(), "{}", kept.display());
        }
    }
    assert!(!place.path("run/summary.json").exists());
}
