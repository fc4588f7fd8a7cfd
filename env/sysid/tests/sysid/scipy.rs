//! The fit against `scipy.optimize.least_squares` on the same problem, with a model of its own (`tests/sysid/peer_fit.py`).

use super::python;
use super::recovered::cart;
use lowgear_env::vehicle::{TemperatureRise, VehicleConfig};
use lowgear_sysid::fit::{Channel, Conditions, Fit, GivenErrors, charge_at_rest, fit, still_rad_s};
use lowgear_sysid::log::{LogReader, Mapping};
use lowgear_sysid::runs::{Collected, Collector, Limits, Recipe};
use serde_json::{Value, json};

/// Two runs in the top gear: enough for a dozen parameters, little enough for Python.
fn two_runs(start: &VehicleConfig, log: &std::path::Path) -> Collected {
    let mut collector = Collector::new(start, Limits::default(), None, still_rad_s(start));
    collector.read(&mut LogReader::open(log, &Mapping::default()).unwrap(), |_| {}).unwrap();
    let mut collected = collector.finish();
    let mut kinds = Vec::new();
    collected.runs.retain(|r| {
        let wanted = r.gear == 2
            && matches!(r.recipe, Recipe::WheelsOff | Recipe::Level)
            && r.surface.as_deref() != Some("lawn");
        let fresh = wanted && !kinds.contains(&r.recipe);
        if fresh {
            kinds.push(r.recipe);
        }
        fresh
    });
    assert_eq!(collected.runs.len(), 2);
    collected
}

/// The problem as numbers: readings and the standard deviations that our solution weighs them with.
fn exported(start: &VehicleConfig, found: &Fit) -> Value {
    let both = |temperature_rise: TemperatureRise| [temperature_rise.winding_k, temperature_rise.housing_k];
    let mut runs = Vec::new();
    for (index, run) in found.runs.iter().enumerate() {
        let mut sd = vec![[0.0_f64; 3]; run.samples.len()];
        for r in found.residuals[index].iter().filter(|r| r.value != 0.0 && r.channel != Channel::Force) {
            let (sample, predicted) = (&run.samples[r.row], &found.predicted[index][r.row]);
            let offset =
                found.estimates.iter().find(|e| e.name.starts_with("offset")).map_or(0.0, |e| e.value);
            let error = match r.channel {
                Channel::Speed => sample.motor_rad_s - predicted.mean_rad_s,
                Channel::Voltage => sample.battery_v.unwrap() - predicted.terminal_v,
                _ => sample.current_a.unwrap() - predicted.current_a - offset,
            };
            sd[r.row][r.channel as usize] = error / r.value;
        }
        let each = |of: &dyn Fn(usize) -> f64| (0..run.samples.len()).map(of).collect::<Vec<f64>>();
        let (charge, offset_v) = charge_at_rest(start, run);
        runs.push(json!({
            "air": run.recipe == Recipe::WheelsOff, "gear": run.gear, "charge": charge, "offset": offset_v,
            "copper": both(run.thermal_state.copper), "friction": both(run.thermal_state.friction),
            "dt": each(&|i| run.samples[i].dt_s), "duty": each(&|i| run.samples[i].duty),
            "speed": each(&|i| run.samples[i].motor_rad_s),
            "voltage": each(&|i| run.samples[i].battery_v.unwrap()),
            "current": each(&|i| run.samples[i].current_a.unwrap()),
            "sd": sd,
        }));
    }
    let estimates: Vec<Value> = found
        .estimates
        .iter()
        .map(|e| json!({"name": e.name, "start": e.start, "found": e.value, "limits": e.parameter.limits()}))
        .collect();
    let held: Vec<Value> = found.held.iter().map(|h| json!({"name": h.name, "value": h.value})).collect();
    json!({"runs": runs, "estimates": estimates, "held": held})
}

#[test]
fn scipy_comes_to_the_same_solution() {
    if !python::there() {
        return;
    }
    let (start, folder) = (cart(), python::folder("scipy"));
    let vehicle = python::repository().join("configs/vehicles/demo-cart.toml");
    let vehicle = vehicle.to_str().unwrap();
    let log = python::logs("world.py", &["log", vehicle], &folder, 4..5)[0].join("log.csv");
    let collected = two_runs(&start, &log);
    let exact = Conditions { given: GivenErrors::EXACT, ..Conditions::default() };
    let found = fit(&start, &collected, exact, |_| {}).unwrap();
    let file = folder.join("problem.json");
    std::fs::write(&file, exported(&start, &found).to_string()).unwrap();
    let out = python::run("peer_fit.py", &[vehicle, file.to_str().unwrap()]);
    let theirs: Value = serde_json::from_str(&out).unwrap();
    // Half the sum of Huber's losses, by their model, at their solution and at ours: 0.005 would be a tenth of a standard error.
    let [theirs_cost, ours_cost] = ["cost there", "cost here"].map(|key| theirs[key].as_f64().unwrap());
    println!("cost {ours_cost} here, {theirs_cost} there");
    assert!(ours_cost < theirs_cost + 0.01, "{ours_cost} here, {theirs_cost} there");
    let mut compared = 0;
    for estimate in found.estimates.iter().filter(|e| !e.at_limit) {
        let [value, error] =
            ["values", "errors"].map(|key| theirs[key][estimate.name.as_str()].as_f64().unwrap());
        println!(
            "{}: {:.6e} ± {:.2e} here, {value:.6e} ± {error:.2e} there",
            estimate.name, estimate.value, estimate.readings_error
        );
        let apart = (value - estimate.value).abs() / estimate.readings_error;
        assert!(
            apart < 0.2,
            "{}: {} here, {value} there, {apart:.2} standard errors apart",
            estimate.name,
            estimate.value
        );
        assert!(
            (estimate.readings_error / error - 1.0).abs() < 0.05,
            "{}: ± {} here, ± {error} there",
            estimate.name,
            estimate.readings_error
        );
        compared += 1;
    }
    assert!(compared >= 7, "{compared} parameters compared");
}
