//! Decimal numbers as people write them, read exactly.

use super::error::QuantityErrorKind;
use super::units::Exact;

/// Most digits after the point; with 20 digits before it every unit still multiplies exactly.
const MOST_DECIMALS: u32 = 15;
const MOST_DIGITS: u32 = 24;

/// A number at the start of a text.
#[derive(Debug, PartialEq, Eq)]
pub(super) struct Leading<'a> {
    pub value: Exact,
    pub has_point: bool,
    pub rest: &'a str,
}

/// Reads the number at the start of `text`: digits with an optional point, digits grouped by `_` or,
/// three by three, by a space.
pub(super) fn leading(text: &str) -> Result<Leading<'_>, QuantityErrorKind> {
    let text = text.trim_start();
    if let Some(after) = text.strip_prefix(['-', '−']) {
        let number_follows = after.trim_start().starts_with(|c: char| c.is_ascii_digit());
        return Err(if number_follows { QuantityErrorKind::Negative } else { QuantityErrorKind::NoNumber });
    }
    if !text.starts_with(|c: char| c.is_ascii_digit()) {
        return Err(QuantityErrorKind::NoNumber);
    }
    let mut digits = Digits::default();
    let mut rest = take_integer(text, &mut digits)?;
    let mut has_point = false;
    if let Some(after) = rest.strip_prefix('.') {
        has_point = true;
        let run = digit_run(after);
        if run == 0 {
            return Err(form("write a digit after the point"));
        }
        let (fraction, after) = after.split_at(run);
        for digit in fraction.bytes() {
            digits.push_decimal(digit)?;
        }
        rest = after;
    }
    if rest.starts_with(',') {
        return Err(QuantityErrorKind::Comma);
    }
    if rest.starts_with('.') {
        return Err(form("a number has one point"));
    }
    Ok(Leading { value: digits.value(), has_point, rest: rest.trim_start() })
}

/// A form that is not understood, with what to write in its place.
pub(super) fn form(instead: &str) -> QuantityErrorKind {
    QuantityErrorKind::Form { instead: instead.to_owned() }
}

#[derive(Default)]
struct Digits {
    mantissa: u128,
    count: u32,
    decimals: u32,
}

impl Digits {
    fn push(&mut self, digit: u8) -> Result<(), QuantityErrorKind> {
        // Leading zeros carry nothing.
        if self.mantissa > 0 || digit > b'0' {
            self.count += 1;
        }
        if self.count > MOST_DIGITS {
            return Err(QuantityErrorKind::TooManyDigits);
        }
        self.mantissa = self.mantissa * 10 + u128::from(digit - b'0');
        Ok(())
    }

    fn push_decimal(&mut self, digit: u8) -> Result<(), QuantityErrorKind> {
        self.decimals += 1;
        if self.decimals > MOST_DECIMALS {
            return Err(QuantityErrorKind::TooManyDigits);
        }
        self.push(digit)
    }

    fn value(&self) -> Exact {
        Exact::new(self.mantissa, 10_u128.pow(self.decimals))
    }
}

fn digit_run(text: &str) -> usize {
    text.bytes().take_while(u8::is_ascii_digit).count()
}

/// Takes the digits before the point, with their groups.
fn take_integer<'a>(text: &'a str, digits: &mut Digits) -> Result<&'a str, QuantityErrorKind> {
    let first_run = digit_run(text);
    let (run, mut rest) = text.split_at(first_run);
    for digit in run.bytes() {
        digits.push(digit)?;
    }
    let may_group_by_space = first_run <= 3;
    loop {
        let (after, by_space) = if let Some(after) = rest.strip_prefix('_') {
            (after, false)
        } else if let Some(after) = rest.strip_prefix([' ', '\u{a0}', '\u{202f}']) {
            (after, true)
        } else {
            return Ok(rest);
        };
        let run = digit_run(after);
        if by_space && (run != 3 || !may_group_by_space) {
            return Ok(rest);
        }
        if run == 0 {
            return Ok(rest);
        }
        let (group, after) = after.split_at(run);
        for digit in group.bytes() {
            digits.push(digit)?;
        }
        rest = after;
    }
}
