//! The proof itself, and that it can fail.

mod network;
mod preview;

use lowgear_env::Seed;
use lowgear_onboard::{Feature, FeatureSettings, GuardSettings, PreviewSettings, Ranges, Request, Settings};

use super::*;
use lowgear_agents::table::{LookupTable, Provenance, TableAxis};

pub(super) fn settings() -> Settings {
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
            preview: PreviewSettings::NONE,
        },
        guard: GuardSettings {
            gears: 3,
            gear_ddeg: [0, 900, 1800, 0, 0, 0],
            window_ddeg: 60,
            leave_ddeg: 90,
            cut_lead_ticks: 1,
            min_dwell_ticks: 8,
            move_timeout_ticks: 10,
            retries: 2,
            recalibrate_ticks: 12,
            tilt_limit_ddeg: 150,
            stall_counts: 0,
            stall_cut_ticks: 30,
            stall_rest_ticks: 25,
            fault_clear_ticks: 6,
        },
        ranges: Ranges {
            max_encoder_counts: 36,
            battery_mv: [2900, 10_900],
            standing_mv: [5200, 9200],
            max_current_ma: 32_766,
            max_tilt_ddeg: 900,
        },
        decision_ticks: 4,
        tick_us: 50_000,
        pulses_per_turn: 20,
    }
}

/// Up when fast, down when slow, by gear; and cells of every sort elsewhere.
pub(super) fn table() -> LookupTable {
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
    let provenance = Provenance {
        study: "demo".into(),
        vehicle: "cart".into(),
        teacher: "rule */ #include <evil>".into(),
        seed: 42,
        version: "0.1.0".into(),
    };
    LookupTable::from_requests(axes, &requests, provenance).unwrap()
}

/// A trailing arm ahead of the front axle.
fn feeler() -> PreviewSettings {
    PreviewSettings {
        fitted: true,
        range: [-50, 240],
        low_level: 20,
        high_level: 100,
        ahead_mm: 250,
        wheelbase_mm: 200,
        hold_mm: 30,
        lockout_mm: 60,
        stuck_mm: 400,
        coast_q4_mm: 20,
        count_q12_mm: [6000, 12_000, 24_000, 0, 0, 0],
    }
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
    assert!(outcome.sanitized, "no warning, and run under the sanitizers");
    assert!(outcome.vectors >= 10_000 && outcome.cells == 315);
    assert!(outcome.size.state_bytes.unwrap() <= 64);
    let mut names: Vec<String> = std::fs::read_dir(folder.path())
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    names.sort();
    let expected = [
        "README.txt",
        "harness.c",
        "lowgear.h",
        "lowgear.py",
        "lowgear.rs",
        "lowgear_recorder.h",
        "lowgear_recorder.py",
        "size-sheet.txt",
    ];
    assert_eq!(names, [&expected[..], &["specification.md", "table.csv", "vectors.csv"]].concat());
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
    extreme.features.preview = PreviewSettings {
        ahead_mm: 0,
        hold_mm: u16::MAX,
        lockout_mm: u16::MAX,
        stuck_mm: u16::MAX,
        count_q12_mm: [u32::MAX; 6],
        ..feeler()
    };
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
fn an_export_under_another_prefix_leaves_nothing_of_the_one_before() {
    let options = |prefix: &str| ExportOptions {
        prefix: prefix.into(),
        small_machines: false,
        compiler: Some("no-such-compiler".into()),
        ..ExportOptions::default()
    };
    let (folder, _) = prove_with(&settings(), &options("first"));
    let path = |name: &str| folder.path().join(name);
    let changed = std::fs::read_to_string(path("first.py")).unwrap() + "# my own line\n";
    std::fs::write(path("first.py"), &changed).unwrap();
    std::fs::write(path("own.h"), "#define MINE 1\n").unwrap();
    prove(folder.path(), &table(), &settings(), &options("second")).unwrap();
    assert!(!path("first.h").exists() && !path("first.rs").exists(), "as they were exported");
    assert!(path("second.h").exists() && path("own.h").exists());
    assert_eq!(std::fs::read_to_string(path("first.py")).unwrap(), changed, "someone's own work stays");
    let provenance = Provenance { vehicle: "barrow".into(), ..table().provenance().clone() };
    let other = LookupTable::new(table().axes().to_vec(), table().cells().to_vec(), provenance).unwrap();
    prove(folder.path(), &other, &settings(), &options("third")).unwrap();
    assert!(path("third.h").exists() && path("second.h").exists(), "another vehicle's files stay");
}

#[test]
fn vectors_visit_every_phase_and_verdict() {
    let vectors = Vectors::make(&table(), &settings(), &VectorBudget::default()).unwrap();
    let column = |line: &str, i: usize| line.split(',').nth(i).unwrap().parse::<usize>().unwrap();
    let (mut phases, mut verdicts, mut flags) = ([0u32; 7], [0u32; 7], [0u32; 3]);
    for line in vectors.text.lines() {
        if line.starts_with("tick,") {
            phases[column(line, 16)] += 1;
            verdicts[column(line, 17)] += 1;
            for (i, flag) in flags.iter_mut().enumerate() {
                *flag += column(line, 13 + i) as u32;
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
    for prefix in [
        "",
        "9lives",
        "while",
        "lambda",
        "match",
        "Über",
        "a-b",
        "a__b",
        "a_",
        "UPPER",
        "abcdefghijklmnopqrstuvwxyz",
    ] {
        assert!(source(Format::C, &table(), &settings(), prefix).is_err(), "{prefix}");
    }
}

#[test]
fn origins_cannot_break_out_of_their_comment() {
    for format in Format::ALL {
        let text = source(format, &table(), &settings(), "lowgear").unwrap();
        assert!(text.contains("teacher: rule  / #include <evil>"));
        assert!(text.contains(&table().hash()) && text.contains("CAUTIONS") || format == Format::Rust);
        assert!(!text.contains('@'), "{format:?}: every part is filled in");
    }
}

#[test]
fn tables_over_every_feature_are_proven_with_and_without_sensors() {
    let axis = |feature: Feature| TableAxis {
        edges: match feature {
            Feature::Gear => vec![1, 2],
            Feature::Tilt | Feature::Current => vec![-40, 35],
            Feature::FailedCount => vec![1, 3],
            Feature::Battery => vec![950, 1010],
            Feature::StrikeClass => vec![1, 3],
            _ => vec![60, 400],
        },
        feature,
    };
    let halves = [&Feature::ALL[..7], &Feature::ALL[7..]];
    for half in halves {
        let axes: Vec<TableAxis> = half.iter().map(|&feature| axis(feature)).collect();
        let cells = 3usize.pow(7);
        let requests: Vec<Request> = (0..cells).map(|cell| Request::ALL[cell % 7 % 3]).collect();
        let table = LookupTable::from_requests(axes, &requests, Provenance::default()).unwrap();
        for (battery_fitted, stall_ma) in [(true, 30_000), (false, 0)] {
            let mut settings = settings();
            settings.features.battery_fitted = battery_fitted;
            settings.features.stall_ma = stall_ma;
            settings.features.preview = if battery_fitted { feeler() } else { PreviewSettings::NONE };
            let folder = tempfile::tempdir().unwrap();
            let outcome = prove(folder.path(), &table, &settings, &ExportOptions::default()).unwrap();
            let passed = matches!(outcome.status, ProofStatus::Proven | ProofStatus::NoCompiler);
            assert!(passed, "{half:?} {battery_fitted}: {:?}", outcome.status);
            assert!(outcome.sanitized || outcome.status == ProofStatus::NoCompiler, "no warning in {half:?}");
        }
    }
}

#[test]
fn every_exported_file_is_read_back_as_the_same_table() {
    for format in Format::ALL {
        let text = source(format, &table(), &settings(), "my_cart2").unwrap();
        let back = read_export(&text, format.extension()).unwrap();
        assert_eq!((back.format, back.gears), (format, 3));
        let ExportedPolicy::Table(read) = &back.policy else { panic!("{format:?}: no table") };
        assert_eq!((read.axes(), read.cells()), (table().axes(), table().cells()), "{format:?}");
        assert_eq!(back.settings, settings_hash(&settings()));
        let windows = text.replace('\n', "\r\n");
        assert!(read_export(&windows, format.extension()).is_ok(), "ends of lines do not count");
    }
}

#[test]
fn foreign_older_and_truncated_files_are_refused_with_a_reason() {
    let said = |text: &str, end: &str| read_export(text, end).unwrap_err().to_string();
    assert!(said("int main(void) { return 0; }", "h").contains("not an exported file"));
    assert!(said("", "py").contains("cut short"));
    assert!(said("x", "hex").contains(".hex"));
    for format in Format::ALL {
        let text = source(format, &table(), &settings(), "lowgear").unwrap();
        let end = format.extension();
        assert!(said(&text[..text.len() / 2], end).contains("damaged"), "{format:?}");
        let newer = text.replacen("format: 4", "format: 9", 1);
        assert!(said(&newer, end).contains("export the policy again"), "{format:?}");
        let limit = text.replacen("dwell", "dwelt", 1);
        assert_ne!(limit, text);
        assert!(said(&limit, end).contains("changed"), "{format:?}");
    }
}

proptest::proptest! {
    #![proptest_config(proptest::test_runner::Config { failure_persistence: None, ..Default::default() })]

    #[test]
    fn a_file_with_any_byte_changed_is_refused(which in 0usize..4, at: proptest::sample::Index, byte in 33u8..127) {
        let format = Format::ALL[which];
        let mut bytes = source(format, &table(), &settings(), "lowgear").unwrap().into_bytes();
        let at = at.index(bytes.len());
        let differs = bytes[at] != byte && !bytes[at].is_ascii_whitespace();
        bytes[at] = byte;
        let text = String::from_utf8(bytes).unwrap();
        proptest::prop_assert!(!differs || read_export(&text, format.extension()).is_err());
    }

    #[test]
    fn no_text_makes_the_reader_panic(text: String, which in 0usize..4) {
        let _ = read_export(&text, Format::ALL[which].extension());
    }
}
