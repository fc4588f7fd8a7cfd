//! `lowgear completions` and `lowgear man`: from the same definitions as the help.

use crate::documents::commands;
use crate::sandbox::Sandbox;
use std::io::Write;
use std::process::{Command, Stdio};

#[test]
fn completions_of_each_shell_name_every_command() {
    let place = Sandbox::new();
    for shell in ["bash", "elvish", "fish", "powershell", "zsh"] {
        let script = place.run(&["completions", shell]).done().out;
        for word in commands(&place).iter().map(String::as_str).chain(["quick"]) {
            assert!(script.contains(word), "no {word} for {shell}");
        }
        // The other two complete no words of an option.
        let words = ["bash", "fish", "zsh"].contains(&shell);
        assert!(!words || script.contains("compost-tractor"), "{shell}");
    }
    place.run(&["completions", "abacus"]).refused(2, &["abacus", "bash", "zsh"]);
}

#[test]
fn bash_reads_its_script_and_completes_with_it() {
    let place = Sandbox::new();
    let mut script = place.run(&["completions", "bash"]).done().out;
    script.push_str(
        "COMP_WORDS=(lowgear sw); COMP_CWORD=1; _lowgear lowgear sw lowgear; echo \"${COMPREPLY[*]}\"\n",
    );
    let mut bash = Command::new("bash");
    let mut child = bash.arg("-s").stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().unwrap();
    child.stdin.take().unwrap().write_all(script.as_bytes()).unwrap();
    let output = child.wait_with_output().unwrap();
    assert_eq!(String::from_utf8(output.stdout).unwrap(), "sweep\n");
}

#[test]
fn the_manual_names_every_command_and_each_command_has_a_page() {
    let place = Sandbox::new();
    let page = place.run(&["man"]).done().out;
    assert!(page.contains(".TH lowgear 1") && page.contains("Exit codes: 0 done"), "{page}");
    for command in commands(&place) {
        assert!(page.contains(&format!("lowgear\\-{command}(1)")), "no {command} in:\n{page}");
        let own = place.run(&["man", &command]).done().out;
        assert!(own.contains(&format!(".TH lowgear-{command} 1")), "{own}");
        assert!(own.contains("Example"), "{own}");
    }
    place.run(&["man", "frobnicate"]).refused(2, &["COMMAND", "frobnicate", "one of", "study"]);
}
