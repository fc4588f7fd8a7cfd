//! Proofs that this machine cannot make: compilers and sanitizers that do not work, and those that hang.
#![expect(clippy::unwrap_used, reason = "a check that cannot be made has failed")]

use super::tests::{settings, table};
use super::{ExportOptions, NoProof, ProofOutcome, ProofStatus, prove};
use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::time::{Duration, Instant};

/// Exports with a compiler that is a script of the shell, within `limit`.
fn with_script(script: &str, limit: Duration) -> ProofOutcome {
    let folder = tempfile::tempdir().unwrap();
    let compiler = folder.path().join("compiler");
    fs::write(&compiler, format!("#!/bin/sh\n{script}\n")).unwrap();
    fs::set_permissions(&compiler, fs::Permissions::from_mode(0o755)).unwrap();
    let options = ExportOptions {
        compiler: Some(compiler.display().to_string()),
        small_machines: false,
        limit,
        ..ExportOptions::default()
    };
    prove(&folder.path().join("out"), &table(), &settings(), &options).unwrap()
}

const LONG: Duration = Duration::from_secs(120);
const VERSION: &str = "case \"$*\" in --version) echo 'a compiler 1.0'; exit 0;; esac\n";

fn reason(outcome: &ProofOutcome) -> Option<NoProof> {
    match &outcome.status {
        ProofStatus::NotMade { reason, .. } => Some(*reason),
        _ => None,
    }
}

#[test]
fn a_compiler_that_cannot_work_is_no_fault_of_the_table() {
    let outcome = with_script(&format!("{VERSION}echo \"cannot execute 'cc1'\" >&2; exit 1"), LONG);
    assert_eq!(reason(&outcome), Some(NoProof::CompilerFails), "{:?}", outcome.status);
    assert!(format!("{:?}", outcome.status).contains("cannot execute 'cc1'"), "{:?}", outcome.status);
    let outcome = with_script("echo broken >&2; exit 1", LONG);
    assert_eq!(reason(&outcome), Some(NoProof::CompilerFails), "{:?}", outcome.status);
}

#[test]
fn a_compiler_that_hangs_is_ended_with_all_that_it_started() {
    for script in [format!("{VERSION}sleep 600"), "sleep 600 & wait".to_owned()] {
        let begun = Instant::now();
        let outcome = with_script(&script, Duration::from_millis(300));
        assert_eq!(reason(&outcome), Some(NoProof::CompilerTooLong), "{:?}", outcome.status);
        assert!(begun.elapsed() < Duration::from_secs(60), "{:?}", begun.elapsed());
    }
}

/// A compiler whose programs do what `body` says, where its arguments match `pattern`, and its own otherwise.
fn with_programs(pattern: &str, body: &str) -> ProofOutcome {
    let make = "for out; do [ \"$before\" = -o ] && break; before=$out; done";
    let script = format!(
        "{VERSION}case \"$*\" in\n{pattern}) {make}; printf '#!/bin/sh\\n{body}\\n' > \"$out\"; chmod +x \"$out\";;\n\
         *) exec cc \"$@\";;\nesac"
    );
    with_script(&script, Duration::from_secs(20))
}

#[test]
fn a_sanitizer_that_cannot_start_is_left_out_and_the_proof_is_made_without_it() {
    let outcome = with_programs("*-fsanitize*", "echo failed to allocate >&2; exit 1");
    assert_eq!((&outcome.status, outcome.sanitized), (&ProofStatus::Proven, false));
}

#[test]
fn programs_that_cannot_be_run_are_no_fault_of_the_table_but_wrong_answers_are() {
    let outcome = with_programs("*harness*|*trial*", "echo no room >&2; exit 1");
    assert_eq!(reason(&outcome), Some(NoProof::HarnessFails), "{:?}", outcome.status);
    let outcome = with_programs("*harness*", "echo the header is wrong >&2; exit 1");
    assert!(matches!(outcome.status, ProofStatus::NotRun(_)), "{:?}", outcome.status);
    let outcome = with_programs("*harness*", "echo tick");
    assert!(matches!(outcome.status, ProofStatus::Differs { .. }), "{:?}", outcome.status);
}

#[test]
fn a_header_that_does_not_compile_stays_a_failure() {
    let script = format!("{VERSION}case \"$*\" in *harness*) echo error >&2; exit 1;; esac\nexec cc \"$@\"");
    let outcome = with_script(&script, LONG);
    assert!(matches!(outcome.status, ProofStatus::NotCompiled(_)), "{:?}", outcome.status);
}
