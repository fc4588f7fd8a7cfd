//! The proof itself, and that it can fail.

use lowgear_env::Seed;
use lowgear_onboard::{Feature, FeatureSettings, GuardSettings, Request, Settings};

use super::*;
use crate::table::{LookupTable, Provenance, TableAxis};

fn settings() -> Settings {
    Settings {
        features: FeatureSettings {
            speed_gain: 628_000,
            nominal_mv: 7400,
            battery_fitted: true,
            stall_ma: 30_000,
            gear_scale_permille: [3800, 1900, 1000, 0, 0, 0],
            fast_shift: 1,
            slow_shift: 4,
            tilt_shift: 3,
            peak_shift: 4,
            stall_counts: 0,
            failed_window_ticks: 40,
        },
        guard: GuardSettings {
            gears: 3,
            gear_ddeg: [0, 900, 1800, 0, 0, 0],
            window_ddeg: 60,
            cut_lead_ticks: 1,
            min_dwell_ticks: 8,
            move_timeout_ticks: 10,
            retries: 2,
            recalibrate_ticks: 12,
            tilt_limit_ddeg: 150,
            stall_counts: 0,
            stall_cut_ticks: 30,
            stall_rest_ticks: 25,
        },
        decision_ticks: 4,
    }
}

/// Up when fast, down when slow, by gear; and cells of every sort elsewhere.
fn table() -> LookupTable {
    let axes = vec![
        TableAxis { feature: Feature::Gear, edges: vec![1, 2] },
        TableAxis { feature: Feature::SpeedRatio, edges: vec![150, 300, 450, 600, 750, 900] },
        TableAxis { feature: Feature::Tilt, edges: vec![-120, -30, 30, 120] },
        TableAxis { feature: Feature::SinceFailed, edges: vec![20, 60] },
        TableAxis { feature: Feature::FailedCount, edges: vec![] },
    ];
    let requests: Vec<Request> = (0..3 * 7 * 5 * 3)
        .map(|cell| match (cell / 15 % 7, cell % 7) {
            (0 | 1, 0..6) => Request::Down,
            (4..7, 0..6) => Request::Up,
            _ => Request::Hold,
        })
        .collect();
    let provenance =
        Provenance { teacher: "rule */ #include <evil>".into(), seed: 42, version: "0.1.0".into() };
    LookupTable::from_requests(axes, &requests, provenance).unwrap()
}

fn prove_with(settings: &Settings, options: &ExportOptions) -> (tempfile::TempDir, ProofOutcome) {
    let folder = tempfile::tempdir().unwrap();
    let outcome = prove(folder.path(), &table(), settings, options).unwrap();
    (folder, outcome)
}

#[test]
fn the_compiled_header_answers_as_the_onboard_code() {
    let (folder, outcome) = prove_with(&settings(), &ExportOptions::default());
    if outcome.status == ProofStatus::NoCompiler {
        eprintln!("SKIPPED: no C compiler on this machine");
        return;
    }
    println!("{outcome:#?}\n{}", outcome.size.text());
    assert_eq!((&outcome.status, outcome.mismatches), (&ProofStatus::Proven, 0));
    assert!(outcome.vectors >= 11_000 && outcome.cells == 315);
    assert!(outcome.size.state_bytes.unwrap() < 128);
    let mut names: Vec<String> = std::fs::read_dir(folder.path())
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    names.sort();
    assert_eq!(names, ["README.txt", "harness.c", "lowgear.h", "size-sheet.txt", "table.csv", "vectors.csv"]);
    assert!(std::fs::metadata(folder.path().join("vectors.csv")).unwrap().len() < 2_000_000);
}

#[test]
fn a_header_that_reads_its_edges_wrong_is_found_out() {
    let wrong = "-DLOWGEAR_READ16(address)=(uint16_t)(*(address)+1u)";
    let options = ExportOptions { compiler: Some(format!("cc {wrong}")), ..ExportOptions::default() };
    let (_folder, outcome) = prove_with(&settings(), &options);
    if outcome.status == ProofStatus::NoCompiler {
        eprintln!("SKIPPED: no C compiler on this machine");
        return;
    }
    assert!(matches!(outcome.status, ProofStatus::Differs { .. } | ProofStatus::NotRun(_)), "{outcome:?}");
    assert!(outcome.mismatches > 0 || matches!(outcome.status, ProofStatus::NotRun(_)));
}

#[test]
fn another_prefix_and_extreme_settings_are_proven_too() {
    let mut extreme = settings();
    extreme.features.battery_fitted = false;
    extreme.features.stall_ma = 0;
    extreme.features.speed_gain = u32::MAX;
    extreme.features.fast_shift = 200;
    extreme.features.failed_window_ticks = u16::MAX;
    extreme.features.gear_scale_permille = [u16::MAX; 6];
    extreme.guard.gears = 200;
    extreme.guard.gear_ddeg = [3590, 600, 1200, 1800, 2400, 3000];
    extreme.guard.cut_lead_ticks = 0;
    extreme.guard.min_dwell_ticks = 0;
    extreme.guard.retries = 0;
    extreme.guard.tilt_limit_ddeg = i16::MIN;
    extreme.decision_ticks = 0;
    let options = ExportOptions { prefix: "my_cart2".into(), ..ExportOptions::default() };
    for tilt_limit_ddeg in [i16::MIN, i16::MAX] {
        extreme.guard.tilt_limit_ddeg = tilt_limit_ddeg;
        let (folder, outcome) = prove_with(&extreme, &options);
        assert!(
            matches!(outcome.status, ProofStatus::Proven | ProofStatus::NoCompiler),
            "{:?}",
            outcome.status
        );
        let text = std::fs::read_to_string(folder.path().join("my_cart2.h")).unwrap();
        assert!(!text.to_lowercase().contains("lowgear"));
    }
}

#[test]
fn vectors_visit_every_phase_and_verdict() {
    let vectors = Vectors::make(&table(), &settings(), &VectorBudget::default()).unwrap();
    let column = |line: &str, i: usize| line.split(',').nth(i).unwrap().parse::<usize>().unwrap();
    let (mut phases, mut verdicts, mut flags) = ([0u32; 6], [0u32; 7], [0u32; 3]);
    for line in vectors.text.lines() {
        if line.starts_with("tick,") {
            phases[column(line, 15)] += 1;
            verdicts[column(line, 16)] += 1;
            for (i, flag) in flags.iter_mut().enumerate() {
                *flag += column(line, 12 + i) as u32;
            }
        } else if line.starts_with("park,") {
            verdicts[column(line, 2)] += 1;
        }
    }
    assert!(
        phases.iter().chain(&verdicts).chain(&flags).all(|&n| n > 5),
        "{phases:?} {verdicts:?} {flags:?}"
    );
}

#[test]
fn the_same_seed_gives_the_same_vectors() {
    let budget = VectorBudget { ticks: 1000, ..VectorBudget::default() };
    let make = |budget| Vectors::make(&table(), &settings(), &budget).unwrap();
    assert_eq!(make(budget), make(budget));
    assert_ne!(make(budget), make(VectorBudget { seed: Seed(2), ..budget }));
}

#[test]
fn without_a_compiler_the_proof_is_skipped_and_says_so() {
    let options =
        ExportOptions { compiler: Some("no-such-compiler-here".into()), ..ExportOptions::default() };
    let (folder, outcome) = prove_with(&settings(), &options);
    assert_eq!((outcome.status, outcome.compiler), (ProofStatus::NoCompiler, None));
    assert!(std::fs::read_to_string(folder.path().join("size-sheet.txt")).unwrap().contains("not measured"));
}

#[test]
fn names_that_c_cannot_use_are_refused() {
    for prefix in ["", "9lives", "Über", "a-b", "a__b", "a_", "UPPER", "abcdefghijklmnopqrstuvwxyz"] {
        assert!(header(&table(), &settings(), prefix).is_err(), "{prefix}");
    }
}

#[test]
fn origins_cannot_break_out_of_their_comment() {
    let text = header(&table(), &settings(), "lowgear").unwrap();
    assert!(text.contains("teacher: rule  / #include <evil>"));
    assert!(text.contains(&table().hash()));
    assert!(!text.contains('@'));
}
