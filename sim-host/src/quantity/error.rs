//! What can be wrong with a quantity that a person wrote.

use std::fmt;

use super::units::Dimension;

/// A quantity that could not be read: what stood there, what was expected, and how to write it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct QuantityError {
    read: String,
    kind: QuantityErrorKind,
    expected: &'static Dimension,
}

/// The fault found in a written quantity.
#[derive(Debug, Clone, PartialEq, Eq)]
#[non_exhaustive]
pub enum QuantityErrorKind {
    /// Nothing was written.
    Empty,
    /// The text is longer than any quantity.
    TooLong,
    /// The text does not begin with a number.
    NoNumber,
    /// A comma stands in the number: it could be a decimal or a thousands separator.
    Comma,
    /// The number has more digits than can be held exactly.
    TooManyDigits,
    /// The quantity is below zero.
    Negative,
    /// A number without a unit.
    MissingUnit,
    /// A unit that is in no table.
    UnknownUnit {
        /// The unit as written.
        unit: String,
        /// The nearest unit of the kind expected, if one is near.
        suggestion: Option<&'static str>,
    },
    /// A unit that measures something else.
    OtherDimension {
        /// The unit as written.
        unit: String,
        /// What it measures.
        measures: &'static str,
    },
    /// Parts such as `30 min 1 h` that do not go from the largest unit to the smallest.
    PartsOutOfOrder,
    /// A decimal in a part that is not the last one, such as `1.5 h 30 min`.
    DecimalInLeadingPart,
    /// Larger than the largest value allowed.
    TooLarge {
        /// The largest value, in people's units.
        limit: String,
    },
    /// Above zero, but nothing is left after rounding to the smallest unit kept.
    TooSmall {
        /// The smallest value, in people's units.
        smallest: &'static str,
    },
    /// Zero where a value above zero is needed.
    Zero,
    /// A form that is not understood, and what to write in its place.
    Form {
        /// What would be right.
        instead: String,
    },
}

impl QuantityError {
    pub(super) fn new(read: &str, kind: QuantityErrorKind, expected: &'static Dimension) -> Self {
        Self { read: excerpt(read), kind, expected }
    }

    /// The text that was read (shortened when it is very long).
    pub fn read(&self) -> &str {
        &self.read
    }

    /// The fault.
    pub fn kind(&self) -> &QuantityErrorKind {
        &self.kind
    }

    /// What is wrong, in one sentence without a full stop.
    pub fn message(&self) -> String {
        let read = &self.read;
        match &self.kind {
            QuantityErrorKind::Empty => format!("{} is missing", self.expected.what),
            QuantityErrorKind::TooLong => format!("`{read}` is too long"),
            QuantityErrorKind::NoNumber => format!("`{read}` does not begin with a number"),
            QuantityErrorKind::Comma => format!("`{read}` has a comma in its number"),
            QuantityErrorKind::TooManyDigits => format!("`{read}` has too many digits"),
            QuantityErrorKind::Negative => format!("`{read}` is below zero"),
            QuantityErrorKind::MissingUnit => format!("`{read}` has no unit"),
            QuantityErrorKind::UnknownUnit { unit, .. } => {
                format!("`{read}` has the unknown unit `{unit}`")
            }
            QuantityErrorKind::OtherDimension { unit, measures } => {
                format!("`{read}` is not {}: `{unit}` measures {measures}", self.expected.what)
            }
            QuantityErrorKind::PartsOutOfOrder => {
                format!("the parts of `{read}` do not go from large to small")
            }
            QuantityErrorKind::DecimalInLeadingPart => {
                format!("`{read}` has a decimal in a part that is not the last")
            }
            QuantityErrorKind::TooLarge { limit } => format!("`{read}` is above {limit}"),
            QuantityErrorKind::TooSmall { smallest } => {
                format!("`{read}` is above zero but rounds to nothing: the smallest step is {smallest}")
            }
            QuantityErrorKind::Zero => format!("`{read}` is zero"),
            QuantityErrorKind::Form { .. } => {
                format!("`{read}` is not understood as {}", self.expected.what)
            }
        }
    }

    /// What would be right, with an example.
    pub fn help(&self) -> String {
        let expected = self.expected;
        let usual = format!("write {} like {}", expected.what, expected.examples);
        match &self.kind {
            QuantityErrorKind::Comma => {
                format!("use a point for decimals and no thousands separator; {usual}")
            }
            QuantityErrorKind::MissingUnit => {
                format!("add one of the units {}; {usual}", unit_list(expected))
            }
            QuantityErrorKind::UnknownUnit { suggestion: Some(near), .. } => format!("did you mean `{near}`? {usual}"),
            QuantityErrorKind::UnknownUnit { suggestion: None, .. } | QuantityErrorKind::OtherDimension { .. } => {
                format!("the units are {}; {usual}", unit_list(expected))
            }
            QuantityErrorKind::Form { instead } => format!("{instead}; {usual}"),
            _ => usual,
        }
    }
}

impl fmt::Display for QuantityError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}; {}", self.message(), self.help())
    }
}

impl std::error::Error for QuantityError {}

/// The units of a dimension by the name each is shown with: `gpg, mg/L, °dH`.
fn unit_list(dimension: &Dimension) -> String {
    let names: Vec<&str> = dimension.units.iter().map(|unit| unit.name()).collect();
    names.join(", ")
}

/// At most 60 characters of a text, so that a message stays one line.
fn excerpt(text: &str) -> String {
    const LONGEST_CHARS: usize = 60;
    let clean = text.trim().chars().map(|c| if crate::terminal::steers(c) { '\u{fffd}' } else { c });
    let mut short: String = clean.clone().take(LONGEST_CHARS).collect();
    if clean.count() > LONGEST_CHARS {
        short.push('…');
    }
    short
}
