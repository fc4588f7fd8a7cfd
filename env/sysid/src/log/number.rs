//! Numbers in a log: plain decimal text to `f64`, with a decimal point or a decimal comma.

/// What separates the fraction.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Mark {
    /// The number is whole.
    None,
    /// `.`
    Point,
    /// `,`
    Comma,
}

/// Why a field is no number.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NumberFault {
    /// Nothing stands there, or `nan`.
    Absent,
    /// It is no plain decimal number (no thousands separators, no units).
    Unreadable,
}

/// Powers of ten that a double holds exactly.
const TENS: [f64; 23] = [
    1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18,
    1e19, 1e20, 1e21, 1e22,
];
/// Whole numbers up to here are exact in a double.
const EXACT: u64 = 1 << 53;

/// The number in a field; blanks and one pair of quotes around it are ignored.
///
/// Up to 2^53 and 22 places it is exact by one division (Clinger 1990); longer ones go through the standard library.
///
/// # Errors
/// [`NumberFault`].
pub fn number(field: &[u8]) -> Result<(f64, Mark), NumberFault> {
    let text = bare(field);
    if text.is_empty() || text.eq_ignore_ascii_case(b"nan") {
        return Err(NumberFault::Absent);
    }
    let (negative, digits) = match text[0] {
        b'-' => (true, &text[1..]),
        b'+' => (false, &text[1..]),
        _ => (false, text),
    };
    let (mut whole, mut places, mut seen, mut mark) = (0u64, 0usize, 0usize, Mark::None);
    for &byte in digits {
        match byte {
            b'0'..=b'9' => {
                if whole >= EXACT / 10 {
                    return slowly(text);
                }
                whole = whole * 10 + u64::from(byte - b'0');
                seen += 1;
                places += usize::from(mark != Mark::None);
            }
            b'.' if mark == Mark::None => mark = Mark::Point,
            b',' if mark == Mark::None => mark = Mark::Comma,
            b'e' | b'E' => return slowly(text),
            _ => return Err(NumberFault::Unreadable),
        }
    }
    if seen == 0 {
        return Err(NumberFault::Unreadable);
    }
    if places >= TENS.len() {
        return slowly(text);
    }
    let size = whole as f64 / TENS[places];
    Ok((if negative { -size } else { size }, mark))
}

/// A field without blanks and quotes around it.
pub(super) fn bare(field: &[u8]) -> &[u8] {
    let text = field.trim_ascii();
    match text {
        [b'"', inner @ .., b'"'] => inner.trim_ascii(),
        _ => text,
    }
}

/// Long numbers and those with an exponent.
fn slowly(text: &[u8]) -> Result<(f64, Mark), NumberFault> {
    let allowed = |b: &u8| b.is_ascii_digit() || matches!(b, b'+' | b'-' | b'.' | b',' | b'e' | b'E');
    if text.len() > 64 || !text.iter().all(allowed) {
        return Err(NumberFault::Unreadable);
    }
    let mark = match (text.contains(&b'.'), text.contains(&b',')) {
        (false, false) => Mark::None,
        (true, false) => Mark::Point,
        (false, true) => Mark::Comma,
        (true, true) => return Err(NumberFault::Unreadable),
    };
    let plain = String::from_utf8_lossy(text).replace(',', ".");
    match plain.parse::<f64>() {
        Ok(value) if value.is_finite() => Ok((value, mark)),
        _ => Err(NumberFault::Unreadable),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_read_as_the_standard_library_reads_them() {
        for text in [
            "0",
            "-0.5",
            "+12.25",
            "0.1",
            "123456.789",
            "1e-3",
            "1.5E+4",
            "9007199254740993",
            "0.000000000000000000000123",
            "3.141592653589793",
            ".5",
            "5.",
        ] {
            let exact: f64 = text.parse().unwrap();
            assert_eq!(number(text.as_bytes()).map(|n| n.0), Ok(exact), "{text}");
        }
    }

    #[test]
    fn commas_are_told_from_points_and_blanks_and_quotes_ignored() {
        assert_eq!(number(b" \"1,5\" "), Ok((1.5, Mark::Comma)));
        assert_eq!(number(b"1.5"), Ok((1.5, Mark::Point)));
        assert_eq!(number(b"15"), Ok((15.0, Mark::None)));
        assert_eq!(number(b"12345678901234567,5"), Ok((12_345_678_901_234_567.5, Mark::Comma)));
    }

    #[test]
    fn whatever_else_is_refused_or_absent() {
        for text in ["1.234,5", "1,2,3", "0x10", "inf", "12V", "--1", "-", "1 2", ",", "1e999", "1e5e5"] {
            assert_eq!(number(text.as_bytes()), Err(NumberFault::Unreadable), "{text}");
        }
        for text in ["", "  ", "NaN", "\"\""] {
            assert_eq!(number(text.as_bytes()), Err(NumberFault::Absent), "{text}");
        }
    }
}
