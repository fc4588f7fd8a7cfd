//! The documents: their examples run, their links lead somewhere, and what they name exists.
//!
//! An example that runs is a block marked `sh` whose first line begins with `lowgear`. All of them run in one folder
//! with the shipped configurations and two logs, those of `train/README.md` first: they leave the run folder that the
//! others use.
#![expect(clippy::unwrap_used, reason = "a check that cannot be made has failed")]

mod markdown;

pub(crate) use markdown::Document;

use crate::command::field::logged;
use crate::sandbox::{Sandbox, files_below, repository};
use std::collections::BTreeMap;
use std::fs;
use std::path::{Component, Path, PathBuf};

/// Most words of the front page.
const FRONT_PAGE_WORDS: usize = 1300;

/// Folders that hold no document of ours.
const OTHERS: [&str; 4] = ["target", "runs", ".git", "env/python/target"];

/// Every document of the repository.
pub(crate) fn documents() -> Vec<Document> {
    let mut found = Vec::new();
    let mut open = vec![repository().to_owned()];
    while let Some(folder) = open.pop() {
        for entry in fs::read_dir(&folder).unwrap() {
            let path = entry.unwrap().path();
            let name = path.strip_prefix(repository()).unwrap().to_owned();
            if path.is_dir() && !OTHERS.iter().any(|other| name == Path::new(other)) {
                open.push(path);
            } else if name.extension().is_some_and(|end| end == "md") {
                found.push(Document::new(&name, &fs::read_to_string(&path).unwrap()));
            }
        }
    }
    found.sort_by(|a, b| a.path.cmp(&b.path));
    found
}

/// Documents of a folder: all READMEs but the front page.
fn local_documents() -> impl Iterator<Item = Document> {
    let below = |path: &Path| path.ends_with("README.md") && path != Path::new("README.md");
    documents().into_iter().filter(move |document| below(&document.path))
}

/// Commands of the program, from its help.
pub(crate) fn commands(place: &Sandbox) -> Vec<String> {
    let help = place.run(&["--help"]).done().out;
    let listed = help.lines().skip_while(|line| *line != "Commands:").skip(1);
    let listed = listed.take_while(|line| !line.is_empty()).filter_map(|line| line.strip_prefix("  "));
    let names =
        listed.filter(|line| !line.starts_with(' ')).filter_map(|line| line.split_whitespace().next());
    let names: Vec<String> = names.filter(|name| *name != "help").map(str::to_owned).collect();
    assert!(names.len() > 5, "{help}");
    names
}

/// Options of each command.
fn options() -> BTreeMap<String, Vec<String>> {
    let place = Sandbox::new();
    let of = |command: &String| {
        let mut help = place.run(&[command, "--help"]).done().out;
        if command == "trial" {
            for part in ["plan", "judge"] {
                help += &place.run(&[command, part, "--help"]).done().out;
            }
        }
        let words = help.split(|c: char| c.is_whitespace() || ",=<[]".contains(c));
        words.filter(|word| word.starts_with("--")).map(str::to_owned).collect()
    };
    commands(&place).into_iter().map(|command| (command.clone(), of(&command))).collect()
}

/// What follows the name of the program in a line of code, if the line calls it.
fn call(line: &str) -> Option<&str> {
    let line = line.trim_start();
    let called = line.strip_prefix("lowgear ").or_else(|| line.strip_prefix("target/release/lowgear "));
    called.or_else(|| line.strip_prefix("cargo run ")?.split_once(" -- ").map(|(_, rest)| rest))
}

/// Lines and pieces of code of a document.
fn code(document: &Document) -> Vec<String> {
    let blocks = document.blocks().into_iter().flat_map(|block| block.lines);
    blocks.chain(document.spans()).collect()
}

/// What is wrong with the commands and options that a piece of code names.
fn misnamed(code: &str, options: &BTreeMap<String, Vec<String>>) -> Option<String> {
    let known = |words: &str, known: &dyn Fn(&str) -> bool| {
        let mut named = words.split_whitespace().filter(|word| word.starts_with("--") && word.len() > 2);
        named.find(|option| !known(option)).map(|option| format!("no option {option}"))
    };
    let Some(rest) = call(code) else {
        let any = |option: &str| options.values().any(|of| of.iter().any(|o| o == option));
        return if code.starts_with("--") { known(code, &any) } else { None };
    };
    let command = rest.split_whitespace().next()?;
    let Some(of) = options.get(command) else { return Some(format!("no command {command}")) };
    known(rest, &|option| option == "--help" || of.iter().any(|o| o == option))
}

#[test]
fn the_front_page_is_short_has_one_picture_and_one_table_of_at_most_six_results() {
    let text = fs::read_to_string(repository().join("README.md")).unwrap();
    let page = Document::new(Path::new("README.md"), &text);
    assert!(page.words() <= FRONT_PAGE_WORDS, "{} words, most is {FRONT_PAGE_WORDS}", page.words());
    assert_eq!(text.matches("![").count(), 1, "pictures");
    let results = text.lines().skip_while(|line| !line.starts_with("| policy |"));
    let rows = results.take_while(|line| line.starts_with('|')).count().saturating_sub(2);
    assert!((1..=6).contains(&rows), "{rows} rows of results");
}

#[test]
fn every_link_leads_to_a_file_of_the_repository_and_to_a_heading_in_it() {
    let documents = documents();
    let inside = |link: &String| !link.contains("://");
    for document in &documents {
        for link in document.links().into_iter().filter(inside) {
            let (file, heading) = link.split_once('#').map_or((link.as_str(), None), |(f, h)| (f, Some(h)));
            let target = if file.is_empty() { document.path.clone() } else { resolve(&document.path, file) };
            let says = document.path.display();
            assert!(repository().join(&target).exists(), "{says}: no {link}");
            if let Some(heading) = heading {
                let target = documents.iter().find(|d| d.path == target);
                let there = target.is_some_and(|d| d.anchors().iter().any(|anchor| anchor == heading));
                assert!(there, "{says}: no heading {link}");
            }
        }
    }
}

/// A link's file as a path in the repository.
fn resolve(document: &Path, link: &str) -> PathBuf {
    let mut path = document.parent().unwrap().to_owned();
    for part in Path::new(link).components() {
        match part {
            Component::ParentDir => {
                assert!(path.pop(), "{}: {link} leaves the repository", document.display())
            }
            part => path.push(part),
        }
    }
    path
}

#[test]
fn commands_and_options_that_documents_name_are_those_of_the_program() {
    let options = options();
    let mut calls = 0;
    for document in documents() {
        for code in code(&document) {
            calls += usize::from(call(&code).is_some());
            let wrong = misnamed(&code, &options);
            assert!(wrong.is_none(), "{}: {} in {code:?}", document.path.display(), wrong.unwrap());
        }
    }
    assert!(calls > 30, "only {calls} calls were found");
}

#[test]
fn a_command_or_an_option_that_the_program_lacks_is_found() {
    let options = BTreeMap::from([("study".to_owned(), vec!["--quick".to_owned()])]);
    for right in
        ["lowgear study F --quick", "cargo run --release -- study F", "--quick", "cc --fast", "lowgear.h"]
    {
        assert_eq!(misnamed(right, &options), None, "{right}");
    }
    for wrong in ["lowgear stady F", "lowgear study F --fast", "--fast", "cargo run --release -- race"] {
        assert!(misnamed(wrong, &options).is_some(), "{wrong}");
    }
}

#[test]
fn paths_that_documents_name_are_those_of_the_repository() {
    let rooms = ["env/", "agents/", "eval/", "train/", "configs/", "tests/"];
    let mut paths = 0;
    for document in documents() {
        let spans = document.spans().into_iter().filter(|span| !span.contains(char::is_whitespace));
        for path in spans.filter(|span| rooms.iter().any(|room| span.starts_with(room))) {
            paths += 1;
            assert!(repository().join(&path).exists(), "{}: no {path}", document.path.display());
        }
    }
    assert!(paths > 40, "only {paths} paths were found");
}

#[test]
fn the_glossary_has_at_most_60_entries_in_order_each_with_a_meaning_and_a_source() {
    let text = fs::read_to_string(repository().join("DEVELOPERS.md")).unwrap();
    let rows =
        text.lines().skip_while(|line| *line != "## Glossary").skip_while(|line| !line.starts_with('|'));
    let rows = rows.take_while(|line| line.starts_with('|')).skip(2);
    let cells =
        |line: &str| line.trim_matches('|').split('|').map(|c| c.trim().to_owned()).collect::<Vec<_>>();
    let entries: Vec<Vec<String>> = rows.map(cells).collect();
    assert!((30..=60).contains(&entries.len()), "{} entries", entries.len());
    for entry in &entries {
        assert!(entry.len() == 3 && entry.iter().all(|cell| !cell.is_empty()), "{entry:?}");
    }
    let terms: Vec<String> = entries.iter().map(|entry| entry[0].to_lowercase()).collect();
    assert!(terms.is_sorted(), "{terms:?}");
}

#[test]
fn each_crate_shows_the_document_of_its_folder() {
    for document in local_documents() {
        let root = repository().join(document.path.parent().unwrap()).join("src/lib.rs");
        if root.exists() {
            // In documentation alone, so that a change of the text builds no crate again.
            let line = "#![cfg_attr(doc, doc = include_str!(\"../README.md\"))]";
            let shown = fs::read_to_string(&root).unwrap().contains(line);
            assert!(shown, "{} does not show its README.md", root.display());
        }
    }
}

/// Lines of the examples of a document that run.
fn examples(document: &Document) -> Vec<String> {
    let runs = |block: &markdown::Block| {
        block.language == "sh" && block.lines.first().is_some_and(|line| line.starts_with("lowgear "))
    };
    let blocks = document.blocks().into_iter().filter(runs);
    blocks.flat_map(|block| block.lines).filter(|line| !line.trim().is_empty()).collect()
}

#[test]
fn every_document_of_a_folder_has_an_example_that_runs() {
    // That of the Python module runs among the module's own tests; the benches are run by hand.
    let elsewhere = ["env/python/README.md", "tests/benches/README.md"];
    for document in local_documents().filter(|d| !elsewhere.iter().any(|e| d.path == Path::new(e))) {
        assert!(!examples(&document).is_empty(), "{} has no example", document.path.display());
    }
}

/// A folder with all that the examples use.
fn furnished() -> Sandbox {
    let place = Sandbox::new();
    for folder in ["configs", "tests/sysid"] {
        for file in files_below(&repository().join(folder)) {
            let to = place.path(folder).join(&file);
            fs::create_dir_all(to.parent().unwrap()).unwrap();
            fs::copy(repository().join(folder).join(&file), to).unwrap();
        }
    }
    let log = logged();
    place.write("ground.csv", &log);
    place.write("another.csv", &log);
    let vehicle = lowgear_env::config::load(&place.path("configs/vehicles/demo-cart.toml")).unwrap();
    place.write("drive.bin", crate::command::trial::recording(&vehicle, 4, 0.05));
    place
}

#[test]
fn every_example_of_a_document_runs_as_it_is_written() {
    let place = furnished();
    let first = Path::new("train/README.md");
    let mut documents = documents();
    documents.sort_by_key(|document| document.path != first);
    for document in documents {
        for line in examples(&document) {
            let Some(rest) = line.strip_prefix("lowgear ") else {
                panic!("{}: {line:?} does not call the program", document.path.display())
            };
            let words: Vec<&str> = rest.split_whitespace().collect();
            let ran = place.run(&words);
            assert_eq!(ran.code, Some(0), "{}: {line}\n{}", document.path.display(), ran.err);
        }
    }
}
