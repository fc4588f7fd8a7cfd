//! Words that stand nowhere: brands, and words for which the field has a better one.
#![expect(clippy::panic, reason = "a list that cannot be read has failed")]

use super::{rust_files, texts};
use crate::documents::documents;
use std::path::Path;

/// FNV-1a digests (64 bits) of brand names in lower case: no file spells a brand, this one included.
const BRANDS: [u64; 16] = [
    0xdcfa_d9ae_9e3e_6f26,
    0x9cc9_bde1_d385_7abb,
    0x92bb_1f81_fb08_f313,
    0xe319_33a0_d986_8165,
    0x4263_9e70_748f_8b6f,
    0x4da7_6768_e6b1_b24d,
    0x6188_f9a6_22de_b4ee,
    0xb842_95c5_5793_a075,
    0x24b4_8bad_a208_3368,
    0xfb02_7eb7_e34e_0af0,
    0x5ae6_d9a4_c2a7_7ee4,
    0xb31b_0baa_2948_d033,
    0xadf0_8aa0_c94d_08d6,
    0x66ec_8712_fca3_7bc6,
    0x4ae7_f9db_11ee_065d,
    0xd27d_a9f9_b85f_f922,
];

/// The digest of a word: FNV-1a, 64 bits (Fowler, Noll, Vo; draft-eastlake-fnv).
fn digest(word: &str) -> u64 {
    word.bytes()
        .fold(0xcbf2_9ce4_8422_2325, |sum, byte| (sum ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01b3))
}

/// The first word of a text whose digest is one of `refused`.
fn branded(text: &str, refused: &[u64]) -> Option<String> {
    let lower = text.to_lowercase();
    let mut words = lower.split(|c: char| !c.is_alphanumeric()).filter(|word| !word.is_empty());
    words.find(|word| refused.contains(&digest(word))).map(str::to_owned)
}

#[test]
fn no_text_names_a_brand() {
    for (file, text) in texts() {
        let word = branded(&text, &BRANDS);
        assert!(word.is_none(), "{} names {}", file.display(), word.unwrap_or_default());
    }
}

#[test]
fn a_word_is_found_by_its_digest_in_any_case() {
    // The published values for these two.
    assert_eq!(digest("a"), 0xaf63_dc4c_8601_ec8c);
    assert_eq!(digest("foobar"), 0x8594_4171_f739_67e8);
    let refused = [digest("foobar")];
    assert_eq!(branded("made for FooBar_2", &refused), Some("foobar".to_owned()));
    assert_eq!(branded("made for foobars", &refused), None);
}

/// Where a word is refused.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Place {
    /// Names of public items and fields.
    Name,
    /// Documents, outside code.
    Text,
}

/// A refused word, or several in a row.
struct Refused {
    place: Place,
    word: String,
    standard: String,
}

impl Refused {
    /// Whether these words, parted by single spaces, hold it.
    fn is_in(&self, words: &str) -> bool {
        format!(" {words} ").contains(&format!(" {} ", self.word))
    }
}

/// Reads the list: a line per word, `kind | refused | standard word`.
fn read(list: &str) -> Vec<Refused> {
    let lines = list.lines().filter(|line| !line.is_empty() && !line.starts_with('#'));
    let entry = |line: &str| {
        let parts: Vec<&str> = line.split('|').map(str::trim).collect();
        let [kind, word, standard] = parts[..] else { panic!("three parts: {line}") };
        let place = match kind {
            "name" => Place::Name,
            "text" => Place::Text,
            other => panic!("`{other}`: name or text: {line}"),
        };
        assert!(!word.is_empty() && !standard.is_empty(), "{line}");
        Refused { place, word: in_words(word), standard: standard.to_owned() }
    };
    lines.map(entry).collect()
}

/// The list.
fn refused() -> Vec<Refused> {
    read(include_str!("../refused_words.txt"))
}

/// Lower-case words of a text, parted by single spaces.
fn in_words(text: &str) -> String {
    let lower = text.to_lowercase();
    let words = lower.split(|c: char| !c.is_alphanumeric()).filter(|word| !word.is_empty());
    words.collect::<Vec<_>>().join(" ")
}

/// Words of an identifier, in snake case, in capitals or as a type's.
fn name_in_words(name: &str) -> String {
    let mut parted = String::new();
    let mut before = '_';
    for c in name.chars() {
        if c.is_uppercase() && !before.is_uppercase() {
            parted.push('_');
        }
        parted.push(c);
        before = c;
    }
    in_words(&parted)
}

/// The name that a line of Rust makes public, in the crate or beyond.
fn public_name(line: &str) -> Option<&str> {
    let rest = line.trim_start().strip_prefix("pub")?;
    let rest = match rest.strip_prefix('(') {
        Some(scope) => scope.split_once(')')?.1,
        None => rest,
    };
    let keywords = ["const", "unsafe", "async", "fn", "struct", "enum", "trait", "type", "mod", "static"];
    let mut words = rest.strip_prefix(' ')?.split_whitespace().skip_while(|word| keywords.contains(word));
    let name = words.next().filter(|word| *word != "use")?;
    name.split(|c: char| !c.is_alphanumeric() && c != '_').next().filter(|name| !name.is_empty())
}

/// Files of the product itself.
fn is_product(file: &Path) -> bool {
    !file.starts_with("tests") && !file.iter().any(|part| part.to_string_lossy().starts_with("tests"))
}

#[test]
fn no_public_name_has_a_word_for_which_the_field_has_another() {
    let refused: Vec<Refused> = refused().into_iter().filter(|r| r.place == Place::Name).collect();
    let mut names = 0;
    for (file, text) in rust_files().into_iter().filter(|(file, _)| is_product(file)) {
        for name in text.lines().filter_map(public_name) {
            names += 1;
            let words = name_in_words(name);
            for r in &refused {
                let file = file.display();
                assert!(
                    !r.is_in(&words),
                    "{file}: `{name}` has `{}`; the field says: {}",
                    r.word,
                    r.standard
                );
            }
        }
    }
    assert!(names > 1000, "only {names} public names were found");
}

#[test]
fn no_document_has_a_word_for_which_the_field_has_another() {
    let refused: Vec<Refused> = refused().into_iter().filter(|r| r.place == Place::Text).collect();
    for document in documents() {
        let words = in_words(&document.prose());
        for r in &refused {
            let file = document.path.display();
            assert!(!r.is_in(&words), "{file} has `{}`; better: {}", r.word, r.standard);
        }
    }
}

#[test]
fn refused_words_are_found_in_names_and_only_as_whole_words() {
    let list = read("# a comment\nname | part rows | split\ntext | Told | reported\n");
    assert_eq!((list[0].place, list[1].place), (Place::Name, Place::Text));
    for name in ["part_rows", "PartRows", "PART_ROWS", "the_part_rows_of"] {
        assert!(list[0].is_in(&name_in_words(name)), "{name}");
    }
    assert!(!list[0].is_in(&name_in_words("part_rowset")));
    assert!(list[1].is_in(&in_words("It was told, at once.")) && !list[1].is_in(&in_words("untold")));
    for (line, name) in [
        ("    pub(super) fn part_rows(&self)", Some("part_rows")),
        ("pub const fn judge(x: f64)", Some("judge")),
        ("    pub impact_j: f64,", Some("impact_j")),
        ("pub struct Desk<'a> {", Some("Desk")),
        ("pub use desk::Desk;", None),
        ("    fn private()", None),
        ("    publish();", None),
    ] {
        assert_eq!(public_name(line), name, "{line}");
    }
}
