//! Text of the report: typesetting and numbers to read. Nothing is escaped here; the templates do that.

/// Text as the page shows it, in content and in attributes for reading: a percent sign never parts from its figure,
/// and control characters are dropped, since neither HTML nor SVG may hold them. The templates escape it.
pub(super) fn typeset(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for letter in text.chars() {
        match letter {
            '%' if out.ends_with(' ') => {
                out.pop();
                out.push_str("\u{a0}%");
            }
            '\n' | '\t' => out.push(' '),
            other if other.is_control() => {}
            other => out.push(other),
        }
    }
    out
}

/// Cut to `letters`, with an ellipsis when something was cut.
pub(super) fn shorten(text: &str, letters: usize) -> String {
    if text.chars().count() <= letters {
        return text.to_owned();
    }
    let mut short: String = text.chars().take(letters.saturating_sub(1)).collect();
    short.push('…');
    short
}

/// A share in percent, one decimal: "6.7".
pub(super) fn percent(value: f64) -> String {
    fixed(value, 1)
}

/// The same with a sign in front, also when positive.
pub(super) fn signed_percent(value: f64) -> String {
    if value > 0.0 { format!("+{}", percent(value)) } else { percent(value) }
}

/// Up to three decimals, none needless: "1.2".
pub(super) fn plain(value: f64) -> String {
    let text = fixed(value, 3);
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// About three significant digits (four from 100), with a true minus sign; powers of ten for very small or large values.
pub(super) fn number(value: f64) -> String {
    let size = value.abs();
    if !value.is_finite() {
        "not known".to_owned()
    } else if size == 0.0 {
        "0".to_owned()
    } else if !(0.001..1e6).contains(&size) {
        let exponent = size.log10().floor() as i32;
        format!("{} × 10{}", fixed(value / 10_f64.powi(exponent), 2), superscript(exponent))
    } else if size < 1.0 {
        fixed(value, (2 - size.log10().floor() as i32).clamp(0, 5) as usize)
    } else {
        let decimals = if size < 9.995 {
            2
        } else if size < 99.95 {
            1
        } else {
            usize::from(size < 999.95)
        };
        fixed(value, decimals)
    }
}

/// With a sign in front, also when positive.
pub(super) fn signed(value: f64) -> String {
    if value > 0.0 { format!("+{}", number(value)) } else { number(value) }
}

/// `decimals` places, a true minus sign, groups of three above 9999.
pub(super) fn fixed(value: f64, decimals: usize) -> String {
    let plain = format!("{:.*}", decimals, value.abs());
    let (whole, fraction) = plain.split_once('.').map_or((plain.as_str(), None), |(w, f)| (w, Some(f)));
    let mut out = String::new();
    if value < 0.0 && plain.bytes().any(|digit| (b'1'..=b'9').contains(&digit)) {
        out.push('−');
    }
    out.push_str(&grouped(whole));
    if let Some(fraction) = fraction {
        out.push('.');
        out.push_str(fraction);
    }
    out
}

/// A level such as 0.95 in percent, without needless zeros: "95" or "99.5".
pub(super) fn level_percent(level: f64) -> String {
    let text = fixed(100.0 * level, 2);
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// A policy's name inside a sentence: "the learned table".
pub(super) fn in_sentence(label: &str) -> String {
    let mut letters = label.chars();
    match (letters.next(), letters.next()) {
        (Some(first), Some(second)) if first.is_uppercase() && second.is_lowercase() => {
            let rest = label.get(first.len_utf8()..).unwrap_or_default();
            format!("the {}{rest}", first.to_lowercase())
        }
        _ => format!("the {label}"),
    }
}

/// The same at the start of a sentence, or of a title.
pub(super) fn start_sentence(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

/// A count, in groups of three above 9999.
pub(super) fn count(value: u64) -> String {
    grouped(&value.to_string())
}

/// Ten to this power, as in 10⁻⁴.
pub(super) fn superscript(exponent: i32) -> String {
    const DIGITS: [char; 10] = ['⁰', '¹', '²', '³', '⁴', '⁵', '⁶', '⁷', '⁸', '⁹'];
    exponent.to_string().chars().map(|c| c.to_digit(10).map_or('⁻', |digit| DIGITS[digit as usize])).collect()
}

/// "1 seed", "5 seeds".
pub(super) fn plural(n: usize, noun: &str) -> String {
    if n == 1 { format!("{n} {noun}") } else { format!("{} {noun}s", count(n as u64)) }
}

fn grouped(digits: &str) -> String {
    if digits.len() < 5 {
        return digits.to_owned();
    }
    let mut out = String::new();
    for (index, digit) in digits.chars().enumerate() {
        if index > 0 && (digits.len() - index).is_multiple_of(3) {
            out.push('\u{202f}');
        }
        out.push(digit);
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_read_well() {
        let cases = [
            (0.0, "0"),
            (-0.004, "−0.00400"),
            (0.5, "0.500"),
            (9.999, "10.0"),
            (136.96, "137.0"),
            (-12.34, "−12.3"),
            (12_345.0, "12\u{202f}345"),
            (0.000_012_3, "1.23 × 10⁻⁵"),
            (f64::NAN, "not known"),
        ];
        for (value, expected) in cases {
            assert_eq!(number(value), expected);
        }
        assert_eq!(fixed(-0.04, 1), "0.0");
        assert_eq!(signed(2.0), "+2.00");
        assert_eq!(plural(1, "seed"), "1 seed");
        assert_eq!((level_percent(0.95), level_percent(0.995)), ("95".to_owned(), "99.5".to_owned()));
        assert_eq!(in_sentence("Learned table"), "the learned table");
        assert_eq!(
            (plain(1.2), plain(40.0), plain(0.0)),
            ("1.2".to_owned(), "40".to_owned(), "0".to_owned())
        );
        assert_eq!(in_sentence("DQN"), "the DQN");
        assert_eq!(shorten("abcdef", 4), "abc…");
    }

    #[test]
    fn a_percent_sign_stays_with_its_figure_and_control_characters_go() {
        assert_eq!(typeset("9 % of\ttwo\nlines\u{7}, 100%"), "9\u{a0}% of two lines, 100%");
    }
}
