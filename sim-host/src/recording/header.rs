//! Facts in the comment lines before the rows.

use jiff::SignedDuration;
use jiff::civil::DateTime;

use super::error::{RecordingErrorKind, excerpt};
use crate::quantity::{PulseVolume, parse_pulse_volume};

/// Comment lines kept; a longer header is searched for facts all the same.
const MOST_COMMENTS: usize = 64;

/// What the comment lines at the top of a recording say.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Header {
    /// From `# pulse volume 10 L` (or any form that [`parse_pulse_volume`] reads): the volume of one pulse in nL.
    pub pulse_volume_nl: Option<PulseVolume>,
    /// From `# t_s = seconds since 2027-03-01 00:00 …`: the local standard time at which `t_s` is 0.
    pub start: Option<DateTime>,
    /// The comment lines without `#`, at most the first 64.
    pub comments: Vec<String>,
}

impl Header {
    /// The local standard time `at_ms` after the start, if the start is known and the time can be written.
    pub fn civil_at(&self, at_ms: u64) -> Option<DateTime> {
        let elapsed = SignedDuration::from_millis(i64::try_from(at_ms).ok()?);
        self.start?.checked_add(elapsed).ok()
    }

    /// Takes in one comment line, given without its `#`.
    pub(super) fn take(&mut self, comment: &str) -> Result<(), RecordingErrorKind> {
        let comment = comment.trim();
        if self.comments.len() < MOST_COMMENTS {
            self.comments.push(comment.to_owned());
        }
        if let Some(volume) = after_pulse_volume(comment) {
            let volume = parse_pulse_volume(volume).map_err(|error| fault(comment, error.message()))?;
            set(&mut self.pulse_volume_nl, volume, comment)?;
        }
        if let Some((_, since)) = comment.split_once("seconds since ") {
            let start = date_time(since).map_err(|reason| fault(comment, reason))?;
            set(&mut self.start, start, comment)?;
        }
        Ok(())
    }
}

fn fault(comment: &str, reason: String) -> RecordingErrorKind {
    RecordingErrorKind::HeaderFact { text: excerpt(comment.as_bytes()), reason }
}

fn set<T: PartialEq>(fact: &mut Option<T>, value: T, comment: &str) -> Result<(), RecordingErrorKind> {
    if fact.as_ref().is_some_and(|earlier| *earlier != value) {
        return Err(RecordingErrorKind::HeaderConflict { text: excerpt(comment.as_bytes()) });
    }
    *fact = Some(value);
    Ok(())
}

/// The text after "pulse volume" at the start of a comment, if a number follows; else it is prose.
fn after_pulse_volume(comment: &str) -> Option<&str> {
    const WORDS: &str = "pulse volume";
    let (words, rest) = comment.split_at_checked(WORDS.len())?;
    let value = rest.trim_start_matches([' ', '\t', ':', '=']);
    let number_follows = value.starts_with(|c: char| c.is_ascii_digit() || c == '-');
    (words.eq_ignore_ascii_case(WORDS) && number_follows).then_some(value)
}

/// "2027-03-01", "2027-03-01 00:00" or "2027-03-01T00:00:00", and prose after it.
fn date_time(text: &str) -> Result<DateTime, String> {
    let mut words = text.split_whitespace();
    let date = words.next().unwrap_or_default().trim_end_matches([',', ';']);
    let time = words
        .next()
        .filter(|word| word.starts_with(|c: char| c.is_ascii_digit()))
        .map(|word| word.trim_end_matches([',', ';']));
    let written = time.map_or_else(|| date.to_owned(), |time| format!("{date}T{time}"));
    written.parse().map_err(|error: jiff::Error| error.to_string())
}
