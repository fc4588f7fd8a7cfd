//! What the program is built from: licences, versions twice, and known advisories.
#![expect(clippy::unwrap_used, clippy::expect_used, reason = "a check that cannot be made has failed")]

use crate::sandbox::repository;
use std::collections::BTreeMap;
use std::process::Command;

/// Licences that ask for no more than to be named.
const ALLOWED: [&str; 9] = [
    "MIT",
    "Apache-2.0",
    "Apache-2.0 WITH LLVM-exception",
    "BSD-2-Clause",
    "0BSD",
    "BSL-1.0",
    "Unlicense",
    "Unicode-3.0",
    "Zlib",
];

/// A licence beyond those: its files are used unchanged, so that nothing has to be given away.
const BESIDE: [(&str, &str); 1] = [("colored", "MPL-2.0")];

/// Crates that are built in several versions, since others ask for them; a new one is looked at before it is added.
const TWICE: [&str; 10] = [
    "darling",
    "darling_core",
    "darling_macro",
    "getrandom",
    "hashbrown",
    "rand",
    "rand_chacha",
    "rand_core",
    "rand_distr",
    "syn",
];

/// Advisories that are borne: the tensor library asks for `paste`, which is no longer maintained, runs at build time
/// only and has no known fault.
const BORNE: [&str; 1] = ["RUSTSEC-2024-0436"];

const ADVISORIES: &str = include_str!("advisories.txt");

struct Package {
    name: String,
    version: String,
    licence: String,
}

/// What is built for this machine, without the crates of this repository.
fn built() -> Vec<Package> {
    let mut tree = Command::new(env!("CARGO"));
    tree.current_dir(repository()).args(["tree", "--locked", "--workspace", "-e", "normal,build"]);
    let output = tree.args(["--prefix", "none", "-f", "{p}|{l}"]).output().expect("cargo starts");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let text = String::from_utf8(output.stdout).unwrap();
    let own = repository().to_string_lossy().into_owned();
    let mut lines: Vec<&str> = text.lines().filter(|line| !line.contains(&own)).collect();
    lines.sort_unstable();
    let package = |line: &str| {
        let (package, licence) = line.trim_end_matches(" (*)").split_once('|')?;
        let mut words = package.split(' ');
        let (name, version) = (words.next()?.to_owned(), words.next()?.trim_start_matches('v').to_owned());
        Some(Package { name, version, licence: licence.to_owned() })
    };
    let mut packages: Vec<Package> = lines.into_iter().filter_map(package).collect();
    packages.dedup_by(|a, b| (&a.name, &a.version) == (&b.name, &b.version));
    assert!(packages.len() > 100, "{} packages", packages.len());
    packages
}

/// Whether every part of a licence that is joined by `AND` leaves a choice that is allowed.
fn may_be_used(licence: &str) -> bool {
    let plain = licence.replace(['(', ')'], "").replace(" / ", " OR ").replace('/', " OR ");
    plain.split(" AND ").all(|part| part.split(" OR ").any(|one| ALLOWED.contains(&one.trim())))
}

#[test]
fn every_licence_is_one_of_those_allowed() {
    for package in built() {
        let beside = BESIDE.contains(&(package.name.as_str(), package.licence.as_str()));
        assert!(beside || may_be_used(&package.licence), "{}: {}", package.name, package.licence);
    }
    assert!(may_be_used("(MIT OR Apache-2.0) AND Unicode-3.0") && may_be_used("Apache-2.0 / MIT"));
    assert!(!may_be_used("GPL-3.0") && !may_be_used("MIT AND GPL-3.0") && !may_be_used(""));
}

#[test]
fn no_crate_is_built_twice_but_those_that_are_known() {
    let mut versions: BTreeMap<String, Vec<String>> = BTreeMap::new();
    for package in built() {
        versions.entry(package.name).or_default().push(package.version);
    }
    let twice: Vec<String> =
        versions.iter().filter(|(_, all)| all.len() > 1).map(|(name, _)| name.clone()).collect();
    let new: Vec<&String> = twice.iter().filter(|name| !TWICE.contains(&name.as_str())).collect();
    assert!(new.is_empty(), "several versions of {new:?}");
}

/// A version as numbers; what follows them is left out.
fn numbers(version: &str) -> [u64; 3] {
    let plain = version.split(['-', '+']).next().unwrap_or_default();
    let mut parts = plain.split('.').map(|part| part.parse().unwrap_or(0));
    std::array::from_fn(|_| parts.next().unwrap_or(0))
}

/// Versions that may stand for one another: of one major number, or below 1 of one minor.
const fn series(version: [u64; 3]) -> [u64; 2] {
    if version[0] > 0 { [version[0], 0] } else { [0, version[1]] }
}

/// Whether a version is free of a fault that is mended from `safe` on, each in its own series and the last for good.
fn is_safe(version: &str, safe: &[&str]) -> bool {
    let version = numbers(version);
    let own = safe.iter().map(|v| numbers(v)).filter(|v| series(*v) == series(version)).max();
    let last = safe.iter().map(|v| numbers(v)).max();
    own.or(last).is_some_and(|mended| version >= mended)
}

#[test]
fn no_advisory_is_known_but_those_that_are_borne() {
    let built = built();
    let mut known = 0;
    for line in ADVISORIES.lines().filter(|line| !line.starts_with('#')) {
        let words: Vec<&str> = line.split(' ').collect();
        let [name, number, safe @ ..] = words.as_slice() else { panic!("{line}") };
        let safe: &[&str] = if safe == ["none"] { &[] } else { safe };
        for package in built.iter().filter(|package| package.name == *name) {
            known += 1;
            let fine = BORNE.contains(number) || is_safe(&package.version, safe);
            assert!(fine, "{name} {}: {number}, mended in {safe:?}", package.version);
        }
    }
    assert!(known > 20, "{known} advisories were compared");
    assert!(is_safe("0.8.8", &["0.10.1", "0.9.3", "0.8.6"]));
    assert!(!is_safe("0.9.2", &["0.10.1", "0.9.3", "0.8.6"]) && !is_safe("1.0.0", &[]));
}
