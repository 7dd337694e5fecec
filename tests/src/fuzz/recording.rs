//! Recordings: tables and value change dumps, plain or packed.

use std::io::Cursor;

use bedkeeper_sim::recording::{Entry, MOST_METERS, MOST_PULSES_PER_ROW, Recording};

/// Further rows of one input tell nothing new.
const MOST_ROWS: u64 = 5_000;

/// A recording: rows come in order of time within their bounds, or a fault with its line and what would be right; after
/// the end there is nothing more.
///
/// # Panics
/// They do not.
pub fn recording(bytes: &[u8]) {
    let opened = Recording::from_reader("fuzz.csv", Cursor::new(bytes.to_vec()), Some(bytes.len() as u64));
    let mut recording = match opened {
        Ok(recording) => recording,
        Err(error) => return told(&error),
    };
    let (named, edges) = (recording.names_meters(), recording.has_edges());
    let mut before_ms = 0;
    while recording.rows() < MOST_ROWS {
        let rows = recording.rows();
        match recording.next_entry() {
            Ok(Some(entry)) => {
                assert_eq!(recording.rows(), rows + 1);
                assert!(entry.at_ms() >= before_ms, "time goes backwards");
                assert!(entry.meter() <= MOST_METERS && (named || entry.meter() == 0));
                assert_eq!(matches!(entry, Entry::Edge(_)), edges);
                if let Entry::Pulses(pulses) = entry {
                    assert!((1..=MOST_PULSES_PER_ROW).contains(&pulses.count));
                }
                before_ms = entry.at_ms();
            }
            ended => {
                if let Err(error) = ended {
                    told(&error);
                }
                assert!(matches!(recording.next_entry(), Ok(None)), "it goes on after its end");
                break;
            }
        }
    }
    let progress = recording.progress();
    let _ = (progress, format!("{recording:?}"));
}

fn told(error: &bedkeeper_sim::recording::RecordingError) {
    assert!(!error.kind().to_string().is_empty() && !error.help().is_empty() && error.file() == "fuzz.csv");
    assert!(error.line() != Some(0), "lines are counted from 1");
}

/// A value change dump, as a recording and through the converter with a wire named; the first byte says which.
///
/// # Panics
/// Rows are out of order, or something else is broken.
pub fn dump(bytes: &[u8]) {
    let Some((which, text)) = bytes.split_first() else { return };
    recording(text);
    let signal = match which % 4 {
        0 => None,
        1 => Some("pulse"),
        2 => Some("D0"),
        _ => Some("top.meter"),
    };
    let foreign = bedkeeper_sim::demand::Foreign { signal: signal.map(str::to_owned), ..Default::default() };
    super::columns::convert(text, &foreign, None);
}
