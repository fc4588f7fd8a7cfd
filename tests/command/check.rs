//! `lowgear check` on what is shipped.

use crate::sandbox::{Sandbox, files_below, repository, run_in};

#[test]
fn every_shipped_file_is_in_order() {
    let configs = repository().join("configs");
    let files = files_below(&configs);
    let toml: Vec<_> = files.iter().filter(|f| f.extension().is_some_and(|e| e == "toml")).collect();
    assert!(toml.len() >= 3, "{files:?}");
    for file in toml {
        let ran = run_in(&configs, &["check".as_ref(), file.as_os_str()]).done();
        assert!(ran.out.contains(": OK ("), "{}", ran.out);
    }
}

#[test]
fn it_says_what_it_found() {
    let place = Sandbox::new();
    for (file, words) in [
        ("tiny.toml", &["study \"tiny\"", "2 training seeds"][..]),
        ("vehicle.toml", &["vehicle \"seed-tray cart\"", "3 gears"]),
        ("course.toml", &["course \"garden mix\"", "surfaces"]),
    ] {
        let out = place.run(&["check", file]).done().out;
        assert!(words.iter().all(|w| out.contains(w)), "{out}");
    }
    assert_eq!(place.names(), ["course.toml", "tiny.toml", "vehicle.toml"], "it writes nothing");
}
