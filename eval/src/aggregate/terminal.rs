//! The comparison as a table for the terminal.

use std::fmt::Write as _;

use crate::summary::{Family, Metric, PolicySummary, Summary};

const COLUMNS: usize = 8;
/// Two lines of heading, a column each.
const HEAD: [[&str; COLUMNS]; 2] = [
    ["", "done", "course time", "vs hand", "vs tuned", "gap", "damage", "shifts"],
    ["policy", "%", "s (interval)", "%", "%", "%", "per km", "/100 m"],
];
/// Columns that are always there: the policy and its course time.
const ALWAYS: [usize; 2] = [0, 2];
/// The others, the most important first: against the tuned rule, finished, against the hand-written rule, damage, gap,
/// shifts.
const BY_IMPORTANCE: [usize; COLUMNS - 2] = [4, 1, 3, 6, 5, 7];
/// Spaces between two columns.
const SPACES: usize = 2;
/// A label keeps this many letters before a column is left out, and has at most that many. With fewer than 24 the labels of
/// the shipped studies cannot be told apart.
const LABEL_LETTERS: (usize, usize) = (24, 26);
/// Fewest letters of a label, however narrow the terminal.
const LEAST_LABEL: usize = 8;
/// What a figure that is not known reads.
const NONE: &str = "-";

/// Every policy in a line: share of finished episodes, course time, its difference to the hand-written and to the tuned
/// rule, share of the gap between that rule and the plan, damage, shifts. Columns that do not fit into `width` letters
/// are left out, the least important first, and named below. Ends with a line break.
#[must_use]
pub fn terminal_table(summary: &Summary, width: usize) -> String {
    let heads = HEAD.map(|head| head.map(str::to_owned));
    let mut rows: Vec<[String; COLUMNS]> = heads.into_iter().collect();
    rows.extend(summary.policies.iter().map(|policy| cells(summary, policy)));
    let layout = Layout::new(&rows, width);
    let mut out: String = rows.iter().map(|row| layout.line(row)).collect();
    out.push_str(&notes(summary, &layout, width));
    out
}

/// The figures of a policy.
fn cells(summary: &Summary, policy: &PolicySummary) -> [String; COLUMNS] {
    let figure = |metric: Metric| policy.metrics.get(&metric);
    let or_none = |text: Option<String>| text.unwrap_or_else(|| NONE.to_owned());
    let time = figure(Metric::CourseTime);
    [
        shorten(&policy.record.label, LABEL_LETTERS.1),
        or_none(figure(Metric::Finished).map(|e| format!("{:.1}", e.mean))),
        or_none(time.map(|e| format!("{:.1} ({:.1}–{:.1})", e.mean, e.low, e.high))),
        against(summary, policy, &summary.roles.hand_rule),
        against(summary, policy, &summary.roles.tuned_rule),
        or_none(figure(Metric::GapShare).map(|e| format!("{:.0}", e.mean))),
        or_none(figure(Metric::Damage).map(|e| format!("{:.2e}", e.mean))),
        or_none(figure(Metric::Shifts).map(|e| format!("{:.1}", e.mean))),
    ]
}

/// Which columns are shown, and how wide each is.
struct Layout {
    widths: [usize; COLUMNS],
    shown: [bool; COLUMNS],
}

impl Layout {
    fn new(rows: &[[String; COLUMNS]], width: usize) -> Layout {
        let letters = |column: usize| rows.iter().map(|row| row[column].chars().count()).max().unwrap_or(0);
        let mut widths: [usize; COLUMNS] = std::array::from_fn(letters);
        let mut shown: [bool; COLUMNS] = std::array::from_fn(|column| ALWAYS.contains(&column));
        let time = SPACES + widths[ALWAYS[1]];
        let mut left = width.saturating_sub(time + widths[0].min(LABEL_LETTERS.0));
        for column in BY_IMPORTANCE {
            let needed = SPACES + widths[column];
            shown[column] = needed <= left;
            left -= if shown[column] { needed } else { 0 };
        }
        let others: usize = (1..COLUMNS).filter(|c| shown[*c]).map(|c| SPACES + widths[c]).sum();
        widths[0] = widths[0].min(width.saturating_sub(others).max(LEAST_LABEL));
        Layout { widths, shown }
    }

    /// The first cell to the left, the others to the right of their columns.
    fn line(&self, cells: &[String; COLUMNS]) -> String {
        let mut line = format!("{:<1$}", shorten(&cells[0], self.widths[0]), self.widths[0]);
        for column in (1..COLUMNS).filter(|column| self.shown[*column]) {
            let _ = write!(line, "{:SPACES$}{:>2$}", "", cells[column], self.widths[column]);
        }
        line.push('\n');
        line
    }
}

/// What the columns mean, and which are left out.
fn notes(summary: &Summary, layout: &Layout, width: usize) -> String {
    let mut text = format!(
        "{} courses; intervals at {} %. vs: difference in course time on the same courses, * when its interval excludes \
         zero. ",
        summary.test_suite.courses,
        (1000.0 * summary.study.level).round() / 10.0,
    );
    if layout.shown[5] {
        text.push_str("gap: share of the way from the tuned rule to the plan. ");
    }
    text.push_str("An unfinished course counts with the full time limit.\n");
    let learned = summary.policies.iter().filter(|policy| policy.record.family == Family::Learned);
    for policy in learned.filter(|policy| policy.kept_start() > 0) {
        let (kept, all) = (policy.kept_start(), policy.seeds.len());
        let _ = writeln!(
            text,
            "{}: {kept} of {all} seeds kept the policy they started from.",
            policy.record.label
        );
    }
    let missing: Vec<&str> = (1..COLUMNS).filter(|c| !layout.shown[*c]).map(|c| HEAD[0][c]).collect();
    if !missing.is_empty() {
        let _ = writeln!(text, "Left out at {width} columns: {}.", missing.join(", "));
    }
    if summary.study.quick {
        text.push_str("A quick run: too few courses and training seeds to conclude anything.\n");
    }
    wrapped(&text, width)
}

/// The same text with lines of at most `width` letters, broken at spaces; what follows a break is indented as its line
/// is, and by two more where that is indented. A longer word stays whole.
#[must_use]
pub fn wrapped(text: &str, width: usize) -> String {
    let mut out = String::new();
    for line in text.lines() {
        let indent = line.chars().take_while(|c| *c == ' ').count();
        out.push_str(&line[..indent]);
        let (mut letters, mut first) = (indent, true);
        for word in line[indent..].split(' ') {
            let more = word.chars().count();
            if !first && letters + 1 + more > width {
                letters = if indent > 0 { indent + 2 } else { 0 };
                let _ = write!(out, "\n{:letters$}", "");
            } else if !first {
                out.push(' ');
                letters += 1;
            }
            out.push_str(word);
            (letters, first) = (letters + more, false);
        }
        out.push('\n');
    }
    out
}

fn against(summary: &Summary, policy: &PolicySummary, other: &str) -> String {
    let found = summary.difference(&policy.record.id, other, Metric::CourseTime);
    let Some((difference, percent)) = found.and_then(|d| Some((d, d.percent?))) else {
        return NONE.to_owned();
    };
    let clear = difference.low > 0.0 || difference.high < 0.0;
    format!("{percent:+.1}{}", if clear { "*" } else { " " })
}

fn shorten(label: &str, letters: usize) -> String {
    if label.chars().count() <= letters {
        return label.to_owned();
    }
    label.chars().take(letters.saturating_sub(1)).chain(['…']).collect()
}
