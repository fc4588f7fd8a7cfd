//! Widths and colours: on terminals wide and narrow, in pipes, and with `NO_COLOR`.

use crate::sandbox::Sandbox;
use std::process::{Command, Stdio};

/// Runs a command on a terminal of its own, of so many columns, without compilers in reach, and prints what it was sent.
const TERMINAL: &str = r#"
import fcntl, os, pty, struct, sys, termios
child, terminal = pty.fork()
if child == 0:
    fcntl.ioctl(1, termios.TIOCSWINSZ, struct.pack("HHHH", 24, int(sys.argv[1]), 0, 0))
    os.environ["PATH"] = os.devnull
    os.execv(sys.argv[2], sys.argv[2:])
sent = b""
while True:
    try:
        more = os.read(terminal, 65536)
    except OSError:
        break
    if not more:
        break
    sent += more
os.waitpid(child, 0)
sys.stdout.buffer.write(sent)
"#;

/// What a terminal of `columns` is sent.
fn on_terminal(place: &Sandbox, columns: usize, no_color: bool, arguments: &[&str]) -> String {
    let mut command = Command::new("python3");
    command.args(["-c", TERMINAL, &columns.to_string(), env!("CARGO_BIN_EXE_lowgear-under-test")]);
    command.args(arguments).current_dir(place.path("")).stdin(Stdio::null());
    command.env_remove("NO_COLOR").env("TERM", "xterm-256color");
    if no_color {
        command.env("NO_COLOR", "1");
    }
    let output = command.output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap().replace("\r\n", "\n")
}

/// The width of the widest line but those that name a file.
fn widest(text: &str) -> usize {
    let lines = text.lines().filter(|line| !line.starts_with("report: "));
    lines.map(|line| line.chars().count()).max().unwrap()
}

const COMPARE: [&str; 6] = ["compare", "tiny.toml", "hand-rule", "hand-rule", "--courses", "2"];

#[test]
fn what_a_study_prints_into_a_pipe_has_80_columns_and_no_colours() {
    let place = Sandbox::new();
    let ran = place.run(&["study", "tiny.toml", "--quick", "--out", "run"]).done();
    assert!(ran.out.contains("shift up 1 to 2") && ran.out.contains("course time"), "{}", ran.out);
    assert!(widest(&ran.out) <= 80, "{}", ran.out);
    assert!(!ran.out.contains('\u{1b}') && !ran.err.contains('\u{1b}'), "{ran:?}");
    let out = place.run(&COMPARE).done().out;
    assert!(widest(&out) <= 80, "{out}");
}

#[test]
fn a_table_is_as_wide_as_the_terminal_allows() {
    let place = Sandbox::new();
    let narrow = on_terminal(&place, 50, false, &COMPARE);
    assert!(widest(&narrow) <= 50 && narrow.contains("Left out at 50 columns"), "{narrow}");
    let wide = on_terminal(&place, 120, false, &COMPARE);
    assert!(wide.contains("shifts") && !wide.contains("Left out"), "{wide}");
}

#[test]
fn no_color_takes_colours_and_bold_letters_away() {
    let place = Sandbox::new();
    let styled = |text: &str| {
        text.split("\u{1b}[")
            .skip(1)
            .any(|rest| rest.trim_start_matches(|c: char| c.is_ascii_digit() || c == ';').starts_with('m'))
    };
    assert!(styled(&on_terminal(&place, 80, false, &["--help"])), "the check sees styles");
    assert!(!styled(&on_terminal(&place, 80, true, &["--help"])));
    assert!(!styled(&on_terminal(&place, 80, true, &["frobnicate"])));
    let study = ["study", "tiny.toml", "--quick", "--out", "run"];
    assert!(!styled(&on_terminal(&place, 80, true, &study)));
}

#[test]
fn the_log_of_a_short_study_has_a_line_for_the_end_of_each_job() {
    let place = Sandbox::new();
    let err = place.run(&["study", "tiny.toml", "--quick", "--out", "run"]).done().err;
    let mut jobs: Vec<&str> =
        err.lines().filter_map(|line| line.split_once(": done;")).map(|(n, _)| n).collect();
    let ended = jobs.len();
    jobs.sort_unstable();
    jobs.dedup();
    assert!(ended > 3 && jobs.len() == ended, "{err}");
}
