//! One test for every target.

use super::{Case, TICKS, run, there};
use lowgear_firmware::{
    ExportOptions, MOST_FLASH_BYTES, MOST_INSTRUCTIONS, MOST_RAM_BYTES, Target, TargetCost, prove,
};

pub(super) const STRICT: [&str; 5] = ["-Wall", "-Wextra", "-Wconversion", "-pedantic", "-Werror"];

pub(super) fn compile(case: &Case, compiler: &str, flags: &[&str], ticks: u32, source: &str, out: &str) {
    let defines = case.defines(ticks);
    let mut arguments: Vec<&str> = flags.to_vec();
    arguments.extend(defines.iter().map(String::as_str));
    arguments.extend(["-o", out, source]);
    run(compiler, &arguments, case.folder.path());
}

#[test]
fn the_system_compiler_agrees_on_every_cell_and_a_million_ticks() {
    for case in [Case::usual(), Case::other(), Case::ahead(), Case::network(Case::ahead())] {
        if there("cc") {
            let flags = [&["-std=c99", "-O2"][..], &STRICT].concat();
            compile(&case, "cc", &flags, TICKS, "host.c", "host");
            case.agrees("cc", TICKS, &run(&case.path("host"), &[], case.folder.path()));
        }
    }
}

#[test]
fn divisions_without_a_divider_are_exact_for_every_quotient() {
    if !there("cc") {
        return;
    }
    let case = Case::usual();
    let flags = [&["-std=c99", "-O2"][..], &STRICT].concat();
    compile(&case, "cc", &flags, 1, "division.c", "division");
    assert_eq!(run(&case.path("division"), &[], case.folder.path()), "0 wrong\n");
}

/// Compiles for a Cortex-M and runs it on an emulated M3, which has every instruction of the M0.
fn cortex(core: &str) {
    let network = Case::network(Case::ahead());
    for (case, ticks) in
        [(Case::usual(), TICKS), (Case::other(), TICKS), (Case::ahead(), TICKS), (network, TICKS / 10)]
    {
        if !(there("arm-none-eabi-gcc") && there("qemu-system-arm")) {
            return;
        }
        let core = format!("-mcpu={core}");
        let own = ["-std=gnu99", "-Os", "-mthumb", core.as_str(), "-nostartfiles", "-T", "arm.ld"];
        let flags = [&own[..], &["-Wall", "-Wextra", "-Wconversion", "-Werror"]].concat();
        compile(&case, "arm-none-eabi-gcc", &flags, ticks, "arm.c", "drill.elf");
        let board = "900 qemu-system-arm -M mps2-an385 -nographic -monitor none -serial none";
        let board: Vec<&str> = board.split(' ').collect();
        let image = ["-semihosting-config", "enable=on,target=native", "-kernel", "drill.elf"];
        let said = run("timeout", &[&board[..], &image].concat(), case.folder.path());
        case.agrees(&core, ticks, &said);
    }
}

#[test]
fn code_for_a_cortex_m0_agrees_on_every_cell_and_a_million_ticks() {
    cortex("cortex-m0");
}

#[test]
fn code_for_a_cortex_m3_agrees_on_every_cell_and_a_million_ticks() {
    cortex("cortex-m3");
}

#[test]
fn an_emulated_avr_agrees_on_every_cell_and_a_million_ticks() {
    let network = Case::network(Case::ahead());
    for (case, ticks) in [
        (Case::usual(), TICKS),
        (Case::other(), TICKS / 10),
        (Case::ahead(), TICKS / 10),
        (network, TICKS / 100),
    ] {
        if !(there("avr-gcc") && there("simavr")) {
            return;
        }
        let flags = ["-std=gnu99", "-Os", "-mmcu=atmega328p", "-Wall", "-Wextra", "-Werror"];
        compile(&case, "avr-gcc", &flags, ticks, "avr.c", "drill.avr");
        // The emulator always ends with 0 and colours the text of the serial port.
        let arguments = ["900", "simavr", "-m", "atmega328p", "-f", "16000000", "drill.avr"];
        let said = run("timeout", &arguments, case.folder.path());
        let plain = said.replace("\u{1b}[32m", "").replace("\u{1b}[0m", "");
        let lines = plain.lines().filter(|line| !line.starts_with("Loaded") && !line.trim().is_empty());
        case.agrees("avr", ticks, &lines.collect::<Vec<_>>().join("\n"));
    }
}

#[test]
fn the_rust_module_without_the_standard_library_agrees_and_cannot_panic_in_a_tick() {
    for case in [Case::usual(), Case::other(), Case::ahead(), Case::network(Case::ahead())] {
        let folder = case.folder.path();
        for edition in ["2018", "2021", "2024"] {
            let strict =
                ["--edition", edition, "-D", "warnings", "--crate-type", "lib", "--emit", "metadata"];
            run("rustc", &[&strict[..], &["tick.rs"]].concat(), folder);
        }
        let library = ["--edition", "2021", "-C", "opt-level=2", "--crate-type", "rlib", "module.rs"];
        run("rustc", &[&library[..], &["-D", "warnings"]].concat(), folder);
        let program = ["--edition", "2021", "-O", "--extern", "module=libmodule.rlib", "host.rs"];
        run("rustc", &program, folder);
        let span = case.span().to_string();
        let nominal = case.settings.features.nominal_mv.to_string();
        let said = run(&case.path("host"), &[&TICKS.to_string(), &span, &nominal], folder);
        case.agrees("rust", TICKS, &said);
        let object =
            ["--edition", "2021", "-C", "opt-level=2", "--crate-type", "lib", "--emit", "asm", "tick.rs"];
        run("rustc", &object, folder);
        let assembly = std::fs::read_to_string(folder.join("tick.s")).unwrap();
        assert!(assembly.contains("tick") && !assembly.contains("panic"), "the tick refers to a panic");
    }
}

#[test]
fn the_python_module_agrees_and_allocates_nothing_in_a_tick() {
    let network = Case::network(Case::ahead());
    for (case, ticks) in [
        (Case::usual(), TICKS),
        (Case::other(), TICKS / 10),
        (Case::ahead(), TICKS / 10),
        (network, TICKS / 100),
    ] {
        if !there("micropython") {
            return;
        }
        let span = case.span().to_string();
        let nominal = case.settings.features.nominal_mv.to_string();
        let arguments = ["drill.py", &ticks.to_string(), &span, &nominal];
        case.agrees("micropython", ticks, &run("micropython", &arguments, case.folder.path()));
    }
}

/// What a usual table costs on a target; nothing where its tools are missing.
fn cost(target: Target, tools: [&str; 2]) -> Option<TargetCost> {
    if !(there(tools[0]) && there(tools[1])) {
        return None;
    }
    let case = Case::usual();
    let cost = target.cost(&case.table, &case.settings).expect("compiled and counted");
    println!("{}", cost.sentence());
    Some(cost)
}

#[test]
fn what_a_usual_table_costs_on_a_cortex_m0_stays_within_its_bounds() {
    let Some(cost) = cost(Target::CortexM0, ["arm-none-eabi-gcc", "qemu-system-arm"]) else { return };
    assert!(cost.flash_bytes <= 2560 && cost.state_bytes <= 64, "{}", cost.sentence());
    assert!(cost.decision_mean <= 360 && cost.decision_most <= 405, "{}", cost.sentence());
}

/// The readings of the drill see something in half of all ticks: a drive takes less.
#[test]
fn two_axes_of_strikes_cost_at_most_a_hundred_instructions_a_decision_on_a_cortex_m0() {
    if !(there("arm-none-eabi-gcc") && there("qemu-system-arm")) {
        return;
    }
    let cost = |case: Case| Target::CortexM0.cost(&case.table, &case.settings).expect("compiled and counted");
    let (seeing, blind) = (cost(Case::ahead()), cost(Case::usual()));
    println!("{} {}", seeing.sentence(), blind.sentence());
    assert!(seeing.decision_mean <= blind.decision_mean + 100, "{} {}", seeing.sentence(), blind.sentence());
}

#[test]
fn what_a_usual_table_costs_on_an_avr_stays_within_its_bounds() {
    let Some(cost) = cost(Target::Avr, ["avr-gcc", "simavr"]) else { return };
    assert!(cost.flash_bytes <= 3328 && cost.state_bytes <= 64, "{}", cost.sentence());
    assert!(cost.decision_most <= 3400, "{}", cost.sentence());
}

#[test]
fn what_a_network_costs_on_a_cortex_m0_stays_within_its_bounds() {
    if !(there("arm-none-eabi-gcc") && there("qemu-system-arm")) {
        return;
    }
    // Every feature and sensor that there is.
    let case = Case::network(Case::ahead());
    let cost = Target::CortexM0.cost(case.decider(), &case.settings).expect("compiled and counted");
    println!("{}", cost.sentence());
    let memory = cost.state_bytes + cost.stack_bytes.expect("a network's stack is measured");
    assert!(cost.flash_bytes as usize <= MOST_FLASH_BYTES, "{}", cost.sentence());
    assert!(memory as usize <= MOST_RAM_BYTES, "{memory} bytes: {}", cost.sentence());
    assert!(cost.decision_most as usize <= MOST_INSTRUCTIONS, "{}", cost.sentence());
}

/// The ticks with drive, by number, in what an example printed.
fn driven(said: &str) -> Vec<u32> {
    let numbers = said.lines().map(|line| line.split(',').map(|word| word.parse().unwrap()).collect());
    numbers.filter(|row: &Vec<u32>| row[1] > 0).map(|row| row[0]).collect()
}

#[test]
fn the_examples_of_a_control_loop_drive_shift_and_stop_alike() {
    let case = Case::usual();
    if !there("cc") {
        return;
    }
    let flags = [&["-std=c99", "example_board.c"][..], &STRICT].concat();
    compile(&case, "cc", &flags, 1, "example_loop.c", "example");
    let said = run(&case.path("example"), &[], case.folder.path());
    let with_drive = driven(&said);
    // From third gear at power-up: 1400 tenths of a degree at 225 a tick, and no drive on the way.
    assert!(with_drive[0] >= 7, "drives at {:?} while the selector turns", with_drive[0]);
    assert!(!with_drive.contains(&230), "a late tick gives no drive");
    assert!(with_drive.iter().any(|&tick| tick < 150) && with_drive.iter().any(|&tick| tick > 201));
    assert!(!with_drive.iter().any(|&tick| (151..=200).contains(&tick)), "the stop button holds it");
    assert!(!with_drive.iter().any(|&tick| tick > 250), "a stale sensor stops it");
    let angles = said.lines().filter(|line| line.split(',').nth(2) == Some("1400")).count();
    assert!(angles > 0, "it shifts up: {said}");
    if there("micropython") {
        let again = run("micropython", &["example_loop.py"], case.folder.path());
        assert_eq!(again, said, "both languages give the same orders");
    }
}

#[test]
fn the_documents_alone_are_enough_to_write_the_controller_again() {
    if !there("python3") {
        return;
    }
    for case in [Case::usual(), Case::other(), Case::ahead(), Case::network(Case::ahead())] {
        let out = case.folder.path().join("export");
        let options = ExportOptions { small_machines: false, ..ExportOptions::default() };
        prove(&out, case.decider(), &case.settings, &options).unwrap();
        // Only the documents and the answers to compare with.
        let alone = case.folder.path().join("alone");
        std::fs::create_dir(&alone).unwrap();
        for name in ["specification.md", &case.decider().list_name(), "vectors.csv"] {
            std::fs::copy(out.join(name), alone.join(name)).unwrap();
        }
        let said = run("python3", &["by_document.py", &alone.to_string_lossy()], case.folder.path());
        let answers: u32 = said.split(' ').next().unwrap().parse().expect("the number of answers");
        assert!(answers > 10_000 && said.ends_with(" answers, 0 wrong\n"), "{said}");
        // One definition changed, and it shows.
        let page = std::fs::read_to_string(alone.join("specification.md")).unwrap();
        let other = page.replace("fresh = 1; dwell = 0;", "dwell = 0;");
        assert_ne!(other, page);
        std::fs::write(alone.join("specification.md"), other).unwrap();
        let said = run("python3", &["by_document.py", &alone.to_string_lossy()], case.folder.path());
        assert!(!said.ends_with(" 0 wrong\n"), "{said}");
    }
}
