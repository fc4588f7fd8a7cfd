//! What the tests of documents read of Markdown: prose, code, links, headings.

use std::path::{Path, PathBuf};

/// A document of the repository.
pub(crate) struct Document {
    /// Its path in the repository.
    pub(crate) path: PathBuf,
    text: String,
}

/// A fenced block of code.
pub(crate) struct Block {
    /// Language behind the fence.
    pub(crate) language: String,
    /// Lines between the fences.
    pub(crate) lines: Vec<String>,
}

impl Document {
    /// A document with this text.
    pub(crate) fn new(path: &Path, text: &str) -> Document {
        Document { path: path.to_owned(), text: text.to_owned() }
    }

    /// Words, code included.
    pub(crate) fn words(&self) -> usize {
        self.text.split_whitespace().count()
    }

    /// Fenced blocks, and lines indented by four as blocks of their own without a language.
    pub(crate) fn blocks(&self) -> Vec<Block> {
        let mut blocks = Vec::new();
        let mut open: Option<Block> = None;
        for line in self.text.lines() {
            match (line.strip_prefix("```"), &mut open) {
                (Some(language), None) => {
                    open = Some(Block { language: language.to_owned(), lines: Vec::new() })
                }
                (Some(_), Some(_)) => blocks.extend(open.take()),
                (None, Some(block)) => block.lines.push(line.to_owned()),
                (None, None) => {
                    let indented = line.strip_prefix("    ").map(str::to_owned);
                    blocks.extend(indented.map(|line| Block { language: String::new(), lines: vec![line] }));
                }
            }
        }
        assert!(open.is_none(), "{}: a block of code without an end", self.path.display());
        blocks
    }

    /// Lines outside blocks of code.
    fn lines(&self) -> Vec<&str> {
        let mut inside = false;
        let outside = |line: &&str| {
            let fence = line.starts_with("```");
            inside ^= fence;
            !inside && !fence && !line.starts_with("    ")
        };
        self.text.lines().filter(outside).collect()
    }

    /// Text outside code.
    pub(crate) fn prose(&self) -> String {
        let lines = self.lines();
        let parts = lines.iter().map(|line| line.split('`').step_by(2).collect::<Vec<_>>().join(" "));
        parts.collect::<Vec<_>>().join("\n")
    }

    /// Code inside lines of text.
    pub(crate) fn spans(&self) -> Vec<String> {
        let lines = self.lines();
        lines.iter().flat_map(|line| line.split('`').skip(1).step_by(2)).map(str::to_owned).collect()
    }

    /// Targets of links and pictures.
    pub(crate) fn links(&self) -> Vec<String> {
        let lines = self.lines();
        let parts = lines.iter().flat_map(|line| line.split("](").skip(1));
        parts.filter_map(|part| part.split(')').next()).map(str::to_owned).collect()
    }

    /// Anchors of its headings.
    pub(crate) fn anchors(&self) -> Vec<String> {
        let headings = self.lines().into_iter().filter_map(|line| line.strip_prefix('#'));
        headings.map(|heading| anchor(heading.trim_start_matches('#').trim())).collect()
    }
}

/// The anchor of a heading: lower case, hyphens for spaces, no punctuation.
fn anchor(heading: &str) -> String {
    let kept = heading
        .to_lowercase()
        .chars()
        .filter(|c| c.is_alphanumeric() || " -_".contains(*c))
        .collect::<String>();
    kept.replace(' ', "-")
}

#[test]
fn prose_code_links_and_headings_are_told_apart() {
    let text = "# A title, `x`\nSee [b](c.md#d) and `lowgear study F`.\n```sh\nlowgear check G\n```\nEnd.\n    cargo run\n";
    let document = Document::new(Path::new("a.md"), text);
    assert_eq!(document.links(), ["c.md#d"]);
    assert_eq!(document.anchors(), ["a-title-x"]);
    assert_eq!(document.spans(), ["x", "lowgear study F"]);
    assert!(document.prose().contains("End.") && !document.prose().contains("lowgear"));
    let blocks = document.blocks();
    assert_eq!((blocks[0].language.as_str(), blocks[0].lines.len()), ("sh", 1));
    assert_eq!(blocks[1].lines, ["cargo run"]);
}
