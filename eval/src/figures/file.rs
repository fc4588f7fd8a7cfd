//! The figures of a run as a file, from which its pages can be made again.

use super::Pictures;
use serde::{Deserialize, Serialize};

/// Layout of the file; rises with any change of meaning.
pub const FIGURES_FORMAT: u32 = 2;

/// Why figures could not be read or written.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum FiguresError {
    /// Not JSON, or not of this shape.
    #[error("the figures are not readable: {0}")]
    Json(#[from] serde_json::Error),
    /// Written by another version.
    #[error("the figures have format {got}, this version reads format {FIGURES_FORMAT}: run the study again")]
    Format {
        /// Format found.
        got: u32,
    },
}

#[derive(Serialize)]
struct Written<'a> {
    format: u32,
    figures: &'a Pictures,
}

#[derive(Deserialize)]
struct Head {
    format: u32,
}

#[derive(Deserialize)]
struct Read {
    figures: Pictures,
}

impl Pictures {
    /// The text of the file.
    ///
    /// # Errors
    /// [`FiguresError::Json`] for what JSON cannot carry.
    pub fn to_json(&self) -> Result<String, FiguresError> {
        Ok(serde_json::to_string(&Written { format: FIGURES_FORMAT, figures: self })? + "\n")
    }

    /// Reads what [`Pictures::to_json`] wrote.
    ///
    /// # Errors
    /// [`FiguresError`] for what is damaged or of another format.
    pub fn from_json(text: &str) -> Result<Pictures, FiguresError> {
        let head: Head = serde_json::from_str(text)?;
        if head.format != FIGURES_FORMAT {
            return Err(FiguresError::Format { got: head.format });
        }
        Ok(serde_json::from_str::<Read>(text)?.figures)
    }
}
