//! Logs with changed bytes: any outcome but a panic or a run without end. `LOWGEAR_FUZZ_CASES` asks for more cases.

use lowgear_env::config::load;
use lowgear_env::vehicle::VehicleConfig;
use lowgear_field::fit::still_rad_s;
use lowgear_field::log::{LogReader, Mapping, number};
use lowgear_field::runs::{Collector, Label, Limits};
use proptest::prelude::*;
use std::path::Path;

const LOG: &str = "time_s,motor_speed_rad_s,duty,battery_voltage_v,motor_current_a,tilt_deg,gear,selector_deg,distance_m,event\n\
    0.00,0,0,7.9,0.0,0,1,70,0,level surface=path\n0.05,10,1,7.8,0.4,1,1,70,0.001,\n0.10,30,1,7.8,0.3,1,1,70,0.002,\n\
    0.15,50,1,7.8,0.3,1,1,70,0.003,\n0.20,60,1,7.8,0.3,1,1,70,0.004,\n0.25,60,1,7.8,0.3,1,1,70,0.005,ramp grade_deg=5\n\
    0.30,60,1,7.8,0.3,5,0,105,0.006,\n0.35,60,1,7.8,0.3,5,2,140,0.007,stall-pull force_n=4 error_n=0.1\n0.40,0,1,7.5,0.5,0,2,140,0.007,end\n";

fn cases() -> u32 {
    std::env::var("LOWGEAR_FUZZ_CASES").ok().and_then(|n| n.parse().ok()).unwrap_or(400)
}

fn swallow(vehicle: &VehicleConfig, bytes: &[u8], mapping: &Mapping) {
    let mut collector = Collector::new(vehicle, Limits::default(), Some("path".into()), still_rad_s(vehicle));
    if let Ok(mut log) = LogReader::new(bytes, Path::new("log.csv"), mapping) {
        let _ = collector.read(&mut log, |_| {});
        let tally = log.tally();
        assert!(tally.first_bad.len() <= 5 && tally.rows as usize <= bytes.len());
        let _ = tally.text();
    }
    for run in collector.finish().runs {
        assert!(run.samples.len() >= 5 && run.samples.iter().all(|s| s.motor_rad_s.is_finite()));
        assert!(run.warmth.rise(1.0, 1.0).winding_k.is_finite());
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: cases(), failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn changed_bytes_are_no_panic(
        edits in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>(), 0u8..4), 1..12),
        repeat in 1usize..6,
    ) {
        let vehicle: VehicleConfig = load(&super::python::repository().join("configs/vehicles/demo-cart.toml")).unwrap();
        let mut bytes = LOG.repeat(repeat).into_bytes();
        for (index, byte, kind) in edits {
            if bytes.is_empty() {
                break;
            }
            let at = index.index(bytes.len());
            match kind {
                0 => bytes[at] = byte,
                1 => bytes.insert(at, byte),
                2 => drop(bytes.remove(at)),
                _ => bytes.truncate(at.max(1)),
            }
        }
        swallow(&vehicle, &bytes, &Mapping::default());
    }

    #[test]
    fn any_bytes_at_all_are_no_panic(bytes in prop::collection::vec(any::<u8>(), 0..3000)) {
        let vehicle: VehicleConfig = load(&super::python::repository().join("configs/vehicles/demo-cart.toml")).unwrap();
        swallow(&vehicle, &bytes, &Mapping::default());
        let _ = number(&bytes);
        let _ = Label::read(&String::from_utf8_lossy(&bytes));
    }

    #[test]
    fn numbers_agree_with_the_standard_library(value in any::<f64>().prop_filter("finite", |v| v.is_finite())) {
        let text = format!("{value:e}");
        prop_assert_eq!(number(text.as_bytes()).unwrap().0, value);
        if value.abs() < 1e12 && value.abs() > 1e-6 {
            let plain = format!("{value:.9}");
            prop_assert_eq!(number(plain.as_bytes()).unwrap().0, plain.parse::<f64>().unwrap());
        }
    }
}
