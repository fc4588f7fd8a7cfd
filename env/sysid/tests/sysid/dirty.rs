//! Dirty logs: each ends in a clear message or in the right rows, never in a guess.

use lowgear_env::config::parse;
use lowgear_sysid::log::{LogReader, Mapping, ReadCounters, Sample};
use std::path::Path;

/// Five good rows at 20 Hz.
const HEAD: &str = "time_s,motor_speed_rad_s,duty\n";
const GOOD: &str = "0.00,0,0\n0.05,10.5,1\n0.10,20,1\n0.15,30,1\n0.20,40,1\n";

fn read_bytes(bytes: &[u8], mapping: &str) -> Result<(Vec<Sample>, ReadCounters), String> {
    let mapping: Mapping = parse(mapping, Path::new("mapping.toml")).map_err(|e| e.to_string())?;
    let mut log = LogReader::new(bytes, Path::new("log.csv"), &mapping).map_err(|e| e.to_string())?;
    let mut rows = Vec::new();
    while let Some(sample) = log.read().map_err(|e| e.to_string())? {
        rows.push(sample);
    }
    Ok((rows, log.counters().clone()))
}

/// What a case must come to.
enum Ends {
    /// In a message that holds all these words.
    Refused(&'static [&'static str]),
    /// In so many rows, with these words in what is reported about the log (none: nothing is reported).
    Read(usize, &'static [&'static str]),
}

use Ends::{Read, Refused};

/// A name, the bytes, a mapping, and what it must come to.
type Case = (&'static str, Vec<u8>, &'static str, Ends);

fn text(text: String) -> Vec<u8> {
    text.into_bytes()
}

fn escaped(text: &str) -> Vec<u8> {
    text.as_bytes().to_vec()
}

/// The heading with these rows.
fn with(rows: &str) -> Vec<u8> {
    text(format!("{HEAD}{rows}"))
}

/// Cases about whole files.
fn whole_files() -> Vec<Case> {
    let utf16: Vec<u8> = [0xff, 0xfe].into_iter().chain(HEAD.bytes().flat_map(|b| [b, 0])).collect();
    vec![
        ("a clean log", with(GOOD), "", Read(5, &[])),
        ("an empty file", vec![], "", Refused(&["log.csv", "empty"])),
        ("a heading only", escaped(HEAD), "", Read(0, &[])),
        ("a byte-order mark", text(format!("\u{feff}{HEAD}{GOOD}")), "", Read(5, &[])),
        ("UTF-16", utf16, "", Refused(&["UTF-16", "UTF-8"])),
        ("a compressed file", vec![0x1f, 0x8b, 8, 0, 1, 2], "", Refused(&["compressed"])),
        (
            "semicolons and decimal commas",
            text(format!("{HEAD}{GOOD}").replace(',', ";").replace('.', ",")),
            "",
            Read(5, &["decimal commas"]),
        ),
        ("semicolons and decimal points", text(format!("{HEAD}{GOOD}").replace(',', ";")), "", Read(5, &[])),
        ("tabs", text(format!("{HEAD}{GOOD}").replace(',', "\t")), "", Read(5, &[])),
        (
            "lines that end as on another system",
            text(format!("{HEAD}{GOOD}").replace('\n', "\r\n")),
            "",
            Read(5, &[]),
        ),
        ("blank lines and comments", with("\n# note\n0,0,0\n\n0.05,1,1\n"), "", Read(2, &[])),
        (
            "quoted fields",
            escaped("\"time_s\",\"motor_speed_rad_s\",\"duty\"\n\"0\",\"1\",\"1\"\n"),
            "",
            Read(1, &[]),
        ),
        (
            "capitals and blanks in the heading",
            text(format!(" Time_s , MOTOR_SPEED_rad_s, Duty\n{GOOD}")),
            "",
            Read(5, &[]),
        ),
    ]
}

/// Cases about headings and rows.
fn headings_and_rows() -> Vec<Case> {
    vec![
        (
            "no time column",
            escaped("motor_speed_rad_s,duty\n1,1\n"),
            "",
            Refused(&["line 1", "no column for time", "`time_s`", "found"]),
        ),
        (
            "no unit in a heading",
            escaped("time_s,motor_speed,duty\n0,1,1\n"),
            "",
            Refused(&["motor_speed", "unit", "motor_speed_rpm"]),
        ),
        (
            "two columns for one quantity",
            escaped("time_s,time_ms,motor_speed_rad_s,duty\n0,0,1,1\n"),
            "",
            Refused(&["two columns", "time"]),
        ),
        (
            "a column that means nothing",
            escaped("time_s,motor_speed_rad_s,duty,colour\n0,1,1,red\n"),
            "",
            Read(1, &["`colour`"]),
        ),
        (
            "a row cut short",
            with("0,0,0\n0.05,1,1\n0.1,2"),
            "",
            Read(2, &["line 4", "2 fields", "allowed: 3"]),
        ),
        ("a row too long", with("0,0,0\n0.05,1,1,7\n0.1,2,1\n"), "", Read(2, &["line 3", "4 fields"])),
        (
            "a word for a number",
            with("0,0,0\n0.05,fast,1\n0.1,2,1\n"),
            "",
            Read(2, &["line 3", "fast", "motor_speed"]),
        ),
        (
            "a number that is missing",
            with("0,0,0\n0.05,,1\n0.1,2,1\n"),
            "",
            Read(2, &["line 3", "no motor_speed"]),
        ),
        (
            "duty in percent under the wrong heading",
            with("0,0,0\n0.05,1,73\n0.1,2,1\n"),
            "",
            Read(2, &["line 3", "duty is 73", "0 to 1", "duty_percent"]),
        ),
        (
            "duplicate stamps",
            with("0,0,0\n0,0,0\n0.05,1,1\n0.05,1,1\n0.1,2,1\n"),
            "",
            Read(3, &["2 rows repeat"]),
        ),
        (
            "a row out of order",
            with("0,0,0\n0.10,2,1\n0.05,1,1\n0.15,3,1\n"),
            "",
            Read(3, &["line 4", "goes back"]),
        ),
        (
            "a clock that restarts",
            with("100,0,0\n100.05,1,1\n0,0,0\n0.05,1,1\n"),
            "",
            Read(4, &["restarted 1 times"]),
        ),
        ("a gap", with("0,0,0\n0.05,1,1\n0.1,1,1\n9,1,1\n9.05,1,1\n"), "", Read(5, &["1 gaps", "line 5"])),
    ]
}

/// Cases about numbers, units and limits.
fn numbers_and_limits() -> Vec<Case> {
    vec![
        ("jitter", with("0,0,0\n0.04,1,1\n0.11,1,1\n0.14,1,1\n0.21,1,1\n"), "", Read(5, &[])),
        (
            "logs joined, heading and all",
            text(format!("{HEAD}{GOOD}{HEAD}{GOOD}")),
            "",
            Read(10, &["restarted"]),
        ),
        (
            "other names and units",
            escaped("t;rpm;pwm\n0;0;0\n50;3000;128\n"),
            "[columns]\ntime = { column = \"t\", unit = \"ms\" }\nmotor-speed = { column = \"rpm\", unit = \"rpm\" }\nduty = { column = \"pwm\", unit = \"counts\", per-count = 0.00392156862745098 }\n",
            Read(2, &[]),
        ),
        (
            "an encoder in pulses",
            escaped("time_s,pulses,duty\n0,0,0\n0.05,10,1\n"),
            "pulses-per-turn = 20\n[columns]\nmotor-speed = { column = \"pulses\", unit = \"counts\" }\n",
            Read(2, &[]),
        ),
        (
            "a mapping to a column that is not there",
            with(GOOD),
            "[columns]\ntime = { column = \"clock\", unit = \"s\" }\n",
            Refused(&["clock", "0 times", "`time_s`"]),
        ),
        (
            "a mapping with a unit of another quantity",
            with(GOOD),
            "[columns]\ntime = { column = \"time_s\", unit = \"rpm\" }\n",
            Refused(&["mapping.toml", "columns.time.unit", "rpm", "ms"]),
        ),
        (
            "decimal points and commas in one log",
            escaped("time_s;motor_speed_rad_s;duty\n0,00;1;0\n0.05;1;1\n0,1;1;1\n"),
            "",
            Read(2, &["line 3", "decimal"]),
        ),
        (
            "thousands separators",
            escaped("time_s;motor_speed_rad_s;duty\n0;1.000,5;0\n0,05;1;1\n"),
            "",
            Read(1, &["line 2", "1.000,5"]),
        ),
        (
            "too many bad rows",
            text(format!("{HEAD}{}", "x,y,z\n".repeat(9))),
            "most-bad-rows = 5\n",
            Refused(&["line 7", "6 rows", "allowed: 5", "line 2", "most-bad-rows"]),
        ),
        ("one endless line", vec![b'7'; 200_000], "", Refused(&["longer than", "no log"])),
        ("a binary file", (0..=255u8).cycle().take(5000).collect(), "", Refused(&["log.csv"])),
        (
            "infinite and absurd numbers",
            with("0,inf,0\n0.05,1e300,1\n0.1,2,1\n"),
            "",
            Read(1, &["line 2", "line 3", "allowed"]),
        ),
        (
            "a gear that is none",
            escaped("time_s,motor_speed_rad_s,duty,gear\n0,1,0,2.5\n0.05,1,0,9\n0.1,1,0,1\n"),
            "",
            Read(1, &["2.5", "gear is 9"]),
        ),
    ]
}

#[test]
fn every_dirty_log_ends_in_a_clear_message_or_in_the_right_rows() {
    let cases: Vec<Case> =
        [whole_files(), headings_and_rows(), numbers_and_limits()].into_iter().flatten().collect();
    assert!(cases.len() >= 30);
    for (name, bytes, mapping, ends) in cases {
        let found = read_bytes(&bytes, mapping);
        match (ends, found) {
            (Refused(words), Err(message)) => {
                for word in words {
                    assert!(message.contains(word), "{name}: no {word:?} in {message}");
                }
            }
            (Read(rows, words), Ok((samples, counters))) => {
                let report = counters.text();
                assert_eq!(samples.len(), rows, "{name}: {report}");
                for word in words {
                    assert!(report.contains(word), "{name}: no {word:?} in {report}");
                }
                assert_eq!(words.is_empty(), report.is_empty(), "{name}: {report}");
            }
            (_, found) => panic!("{name}: {found:?}"),
        }
    }
}

#[test]
fn lines_are_counted_alike_however_they_end() {
    let text = format!("{HEAD}# note\n\n{GOOD}0.25,x,1\n0.30,50,1\n");
    for end in ["\n", "\r\n", "\r"] {
        let (rows, counters) = read_bytes(text.replace('\n', end).as_bytes(), "").unwrap();
        let lines: Vec<u64> = rows.iter().map(|r| r.line).collect();
        assert_eq!(lines, [4, 5, 6, 7, 8, 10], "{end:?}");
        assert!(counters.first_bad[0].starts_with("line 9:"), "{end:?}: {:?}", counters.first_bad);
    }
    // An end of two bytes that falls apart between two readings of the file.
    let long = format!("{HEAD}{}", "0.05,1,1\n".repeat(5000)).replace('\n', "\r\n");
    let mut log = LogReader::new(Pieces(long.as_bytes()), Path::new("log.csv"), &Mapping::default()).unwrap();
    while log.read().unwrap().is_some() {}
    assert_eq!(log.counters().rows + log.counters().duplicates, 5000);
    assert_eq!(log.counters().bad, 0);
}

/// Hands out one byte at a time.
struct Pieces<'a>(&'a [u8]);

impl std::io::Read for Pieces<'_> {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        let Some((&first, rest)) = self.0.split_first() else { return Ok(0) };
        (buffer[0], self.0) = (first, rest);
        Ok(1)
    }
}

#[test]
fn units_and_breaks_come_out_right() {
    let mapping = "[columns]\ntime = { column = \"t\", unit = \"ms\" }\nmotor-speed = { column = \"rpm\", unit = \"rpm\" }\n\
        duty = { column = \"pwm\", unit = \"counts\", per-count = 0.00392156862745098 }\n\
        motor-current = { column = \"adc\", unit = \"counts\", per-count = 0.01, zero-count = 512 }\n";
    let (rows, _) =
        read_bytes(b"t;rpm;pwm;adc\n0;0;0;512\n50;3000;255;562\n9000;3000;255;562\n", mapping).unwrap();
    assert!((rows[1].motor_rad_s - 314.159_265).abs() < 1e-5, "3000 rpm");
    assert!((rows[1].dt_s - 0.05).abs() < 1e-12 && (rows[1].duty - 1.0).abs() < 1e-12);
    assert!((rows[1].current_a.unwrap() - 0.5).abs() < 1e-12);
    assert!(
        rows[0].after_break && !rows[1].after_break && rows[2].after_break,
        "8.95 s after 0.05 s is a gap"
    );
    let counts = "pulses-per-turn = 20\n[columns]\nmotor-speed = { column = \"n\", unit = \"counts\" }\n";
    let (rows, _) = read_bytes(b"time_s,n,duty\n0,0,0\n0.05,10,1\n", counts).unwrap();
    assert!((rows[1].motor_rad_s - 62.831_853).abs() < 1e-5, "half a turn in 50 ms");
    let after = "duty-holds = \"after-row\"\n";
    let (rows, _) =
        read_bytes(b"time_s,motor_speed_rad_s,duty\n0,0,0.5\n0.05,1,0.7\n0.1,1,0\n", after).unwrap();
    assert_eq!([rows[1].duty, rows[2].duty], [0.5, 0.7], "what held before the row");
}
