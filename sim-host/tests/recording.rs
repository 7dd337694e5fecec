//! Recordings: the bundled ones, every way of being wrong, and arbitrary bytes.

use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};

use bedkeeper_sim::recording::*;
use proptest::prelude::*;

fn bundled(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("demo").join(name)
}

fn from_bytes(bytes: &[u8]) -> Result<Recording, RecordingError> {
    Recording::from_reader("test.csv", io::Cursor::new(bytes.to_vec()), None)
}

/// All rows, and the error that ended them.
fn rows_of(recording: Result<Recording, RecordingError>) -> (Vec<Pulses>, Option<RecordingError>) {
    let mut rows = Vec::new();
    let mut recording = match recording {
        Ok(recording) => recording,
        Err(error) => return (rows, Some(error)),
    };
    loop {
        match recording.next() {
            Ok(Some(row)) => rows.push(row),
            Ok(None) => return (rows, None),
            Err(error) => {
                assert!(matches!(recording.next(), Ok(None)), "nothing comes after an error");
                return (rows, Some(error));
            }
        }
    }
}

fn read(text: impl AsRef<[u8]>) -> Vec<Pulses> {
    let (rows, error) = rows_of(from_bytes(text.as_ref()));
    assert!(error.is_none(), "{}", error.unwrap());
    rows
}

fn error(text: impl AsRef<[u8]>) -> RecordingError {
    rows_of(from_bytes(text.as_ref())).1.expect("an error")
}

fn gzip(text: &[u8]) -> Vec<u8> {
    let mut encoder = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::default());
    encoder.write_all(text).unwrap();
    encoder.finish().unwrap()
}

fn zstd(text: &[u8]) -> Vec<u8> {
    zstd::encode_all(text, 3).unwrap()
}

fn common(at_ms: u64, count: u32) -> Pulses {
    Pulses { at_ms, meter: COMMON_METER, count }
}

/// Counts and first rows as stated where the recordings are described, `demo/README.md`.
#[test]
fn the_bundled_recordings_are_read_whole() {
    for (name, pulses, first_ms, pulse_nl) in [
        ("apartments20_14d_10L.csv.gz", 7_283, 585_800, 10_000_000_000),
        ("family_28d_1L.csv.gz", 10_507, 16_680_810, 1_000_000_000),
    ] {
        let mut recording = Recording::open(bundled(name)).unwrap();
        let header = recording.header().clone();
        assert_eq!(header.start, Some(jiff::civil::date(2027, 3, 1).at(0, 0, 0, 0)));
        assert_eq!(header.civil_at(90_000_500).unwrap().to_string(), "2027-03-02T01:00:00.5");
        let volume = header.pulse_volume_nl.unwrap();
        assert_eq!((volume.numerator_nl(), volume.denominator()), (pulse_nl, 1));
        assert_eq!(header.comments.len(), 2);
        assert_eq!(recording.next().unwrap(), Some(common(first_ms, 1)));
        let mut total = 1;
        while let Some(row) = recording.next().unwrap() {
            assert_eq!(row.meter, COMMON_METER);
            total += u64::from(row.count);
        }
        assert_eq!(total, pulses);
        assert_eq!(recording.rows(), pulses);
        let size = std::fs::metadata(bundled(name)).unwrap().len();
        let progress = recording.progress();
        assert_eq!((progress.read_bytes, progress.total_bytes), (size, Some(size)));
    }
}

#[test]
fn packing_is_told_by_the_first_bytes_not_by_the_name() {
    let text = b"t_s,pulses\n1,1\n2.5,3\n";
    let expected = vec![common(1_000, 1), common(2_500, 3)];
    let two_members = [gzip(&text[..15]), gzip(&text[15..])].concat();
    let two_frames = [zstd(&text[..15]), zstd(&text[15..])].concat();
    let skippable_first = [&[0x50, 0x2a, 0x4d, 0x18, 1, 0, 0, 0, 9][..], &zstd(text)].concat();
    for bytes in [text.to_vec(), gzip(text), zstd(text), two_members, two_frames, skippable_first] {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("misleading.csv.gz");
        std::fs::write(&path, &bytes).unwrap();
        let (rows, error) = rows_of(Recording::open(&path));
        assert!(error.is_none(), "{}", error.unwrap());
        assert_eq!(rows, expected);
    }
}

#[test]
fn columns_in_any_order_and_meters_of_tanks() {
    let rows = read("meter,t_s,pulses\n1,0.5,2\n,0.5,1\n8,0.5,1\n");
    let meters: Vec<u8> = rows.iter().map(|row| row.meter).collect();
    assert_eq!(meters, [1, COMMON_METER, 8]);
    assert_eq!(read("pulses,t_s\n3,1\n"), [common(1_000, 3)]);
}

#[test]
fn what_spreadsheets_write_is_read() {
    let text = "\u{feff}# note\r\n\r\n\"t_s\" , \"pulses\"\r\n 1.0 ,1\r\n\"2.0\",\"4\"\r\n\r\n# end\r\n3,1";
    assert_eq!(read(text), [common(1_000, 1), common(2_000, 4), common(3_000, 1)]);
    assert_eq!(read("t_s,pulses\n"), [], "no water was used");
}

#[test]
fn times_are_kept_to_the_millisecond_and_rounded_halves_up() {
    for (written, at_ms) in [
        ("0", 0),
        ("000000000000007", 7_000),
        ("1.2", 1_200),
        ("1.23", 1_230),
        ("1.234", 1_234),
        ("1.2344999999999999999999", 1_234),
        ("1.2345", 1_235),
        ("1.9995", 2_000),
        ("9467280000", 9_467_280_000_000),
    ] {
        assert_eq!(read(format!("t_s,pulses\n{written},1\n")), [common(at_ms, 1)], "{written}");
    }
    assert_eq!(read("t_s,pulses\n1,1\n1,1\n").len(), 2, "equal times are fine");
}

#[test]
fn header_facts() {
    let header = |text: &str| from_bytes(format!("{text}\nt_s,pulses\n").as_bytes()).map(|r| r.header().clone());
    let volume = header("# Pulse volume: 15.1 pulses/gal").unwrap().pulse_volume_nl.unwrap();
    assert_eq!((volume.numerator_nl(), volume.denominator()), (37_854_117_840, 151));
    assert_eq!(header("# pulse volume as set in the meter").unwrap().pulse_volume_nl, None);
    let start = |text: &str| header(text).unwrap().start.map(|start| start.to_string());
    assert_eq!(start("# t_s = seconds since 2027-03-01T06:30:00"), Some("2027-03-01T06:30:00".into()));
    assert_eq!(start("# t_s = seconds since 2027-03-01, local time"), Some("2027-03-01T00:00:00".into()));
    assert_eq!(start("# pulse volume 1 L"), None);
    let many = "# x\n".repeat(1_000);
    assert_eq!(header(&many).unwrap().comments.len(), 64);
    let kind = |text: &str| header(text).unwrap_err();
    assert!(matches!(kind("# pulse volume 10 kg").kind(), RecordingErrorKind::HeaderFact { .. }));
    assert!(matches!(kind("# pulse volume -1 L").kind(), RecordingErrorKind::HeaderFact { .. }));
    assert!(matches!(kind("# seconds since 2027-13-01").kind(), RecordingErrorKind::HeaderFact { .. }));
    let conflict = kind("# pulse volume 1 L\n# pulse volume 2 L");
    assert!(matches!(conflict.kind(), RecordingErrorKind::HeaderConflict { .. }));
    assert_eq!(conflict.line(), Some(2));
}

#[test]
fn errors_name_file_line_text_and_what_would_be_right() {
    let mut long = b"t_s,pulses\n1,1\n".to_vec();
    long.extend(std::iter::repeat_n(b'7', LONGEST_LINE_BYTES + 1));
    let half = gzip(&b"t_s,pulses\n"[..]);
    let messages: Vec<String> = [
        error(""),
        error("# only\n# comments\n"),
        error("time,pulses\n1,1\n"),
        error("t_s;pulses\n1;1\n"),
        error("585.8,1\n"),
        error("t_s,pulses,metre\n1,1,1\n"),
        error("t_s,pulses,t_s\n1,1,1\n"),
        error("t_s,pulses\n1,1\n1.5\n"),
        error("t_s,pulses\n1,5,1\n"),
        error("t_s,pulses\n2,1\n1.999,1\n"),
        error("t_s,pulses\nabc,1\n"),
        error("t_s,pulses\n1.5e3,1\n"),
        error("t_s,pulses\n1.,1\n"),
        error("t_s,pulses\n-0.5,1\n"),
        error("t_s,pulses\n1709251200000,1\n"),
        error("t_s,pulses\n1,0\n"),
        error("t_s,pulses\n1,1.5\n"),
        error("t_s,pulses\n1,10000001\n"),
        error("t_s,pulses\n1,99999999999999999999999\n"),
        error("t_s,pulses,meter\n1,1,9\n"),
        error("t_s,pulses,meter\n1,1,0\n"),
        error(&long),
        error(b"t_s,pulses\n1,1\n\xff\xfe,1\n"),
        error(b"\xff\xfet\0_\0s\0,\0"),
        error(&half[..half.len() - 1]),
        error(b"PK\x03\x04rest"),
    ]
    .iter()
    .map(ToString::to_string)
    .collect();
    insta::with_settings!({omit_expression => true}, {
        insta::assert_snapshot!(messages.join("\n"));
    });
}

#[test]
fn a_directory_and_a_missing_file_say_so() {
    let folder = tempfile::tempdir().unwrap();
    let directory = Recording::open(folder.path()).unwrap_err();
    assert!(matches!(directory.kind(), RecordingErrorKind::Directory));
    let missing = Recording::open(folder.path().join("none.csv")).unwrap_err();
    assert!(matches!(missing.kind(), RecordingErrorKind::NotFound));
    assert!(missing.to_string().contains("none.csv: there is no such file"));
}

#[test]
fn packed_files_that_end_early_give_the_rows_before_and_say_how_many() {
    let mut text = b"t_s,pulses\n".to_vec();
    for second in 0..50_000_u64 {
        // Steps that vary, so that the packed text is long enough to be cut in the middle.
        writeln!(text, "{}.{:03},1", second * 10 + second * second % 7, second * 37 % 1000).unwrap();
    }
    let whole = read(&text);
    for (packing, packed) in [("gzip", gzip(&text)), ("zstd", zstd(&text))] {
        for cut in [packed.len() / 2, packed.len() - 1] {
            let (rows, error) = rows_of(from_bytes(&packed[..cut]));
            let error = error.expect("an early end is noticed");
            match error.kind() {
                RecordingErrorKind::Truncated { packing: told, rows: counted } => {
                    assert_eq!((*told, *counted), (packing, rows.len() as u64));
                }
                other => panic!("{packing} cut at {cut}: {other:?}"),
            }
            assert_eq!(rows, whole[..rows.len()], "{packing}");
            assert!(rows.len() > 1_000, "{packing}: what came before is delivered");
        }
        let mut damaged = packed.clone();
        let last = damaged.len() - 6;
        damaged[last] ^= 0x55;
        let (rows, error) = rows_of(from_bytes(&damaged));
        assert!(rows.len() <= whole.len());
        assert!(error.is_some() || packing == "zstd", "gzip's checksum notices damage");
    }
}

#[test]
fn what_follows_the_packed_data_is_told_apart_from_an_early_end() {
    let text = b"t_s,pulses\n1,1\n2,1\n";
    let twice = [gzip(text), gzip(b"3,1\n4,1\n")].concat();
    assert_eq!(rows_of(from_bytes(&twice)).0.len(), 4, "members follow each other");
    for tail in [&b"\0"[..], b"\x1f\0", b"PK and much more text that is no gzip data at all"] {
        let (rows, error) = rows_of(from_bytes(&[gzip(text), tail.to_vec()].concat()));
        let error = error.expect("it is noticed");
        assert_eq!(rows.len(), 2, "what came before is delivered");
        assert!(error.to_string().contains("other bytes follow the packed data"), "{error}");
        assert!(matches!(error.kind(), RecordingErrorKind::Corrupt { .. }), "{error}");
    }
    let (_, error) = rows_of(from_bytes(&[gzip(text), gzip(b"3,1\n")[..9].to_vec()].concat()));
    assert!(matches!(error.expect("an early end").kind(), RecordingErrorKind::Truncated { .. }));
}

#[test]
fn a_zstd_window_beyond_the_bound_is_refused() {
    // Frame header: no content size, no checksum, window of 2^(10 + 17) = 128 MiB, then an empty last block.
    let frame = [0x28, 0xb5, 0x2f, 0xfd, 0x00, 17 << 3, 1, 0, 0];
    let error = error(frame);
    assert!(matches!(error.kind(), RecordingErrorKind::Corrupt { .. }), "{error}");
}

#[test]
fn a_line_of_exactly_the_bound_is_read_whatever_its_end() {
    let fraction = "0".repeat(LONGEST_LINE_BYTES - 4);
    for end in ["\n", "\r\n", ""] {
        let text = format!("t_s,pulses\n1.{fraction},1{end}");
        assert_eq!(read(&text), [common(1_000, 1)]);
        let (rows, fault) = rows_of(pieces(text.as_bytes(), vec![LONGEST_LINE_BYTES + 12, 1]));
        assert!(fault.is_none());
        assert_eq!(rows, [common(1_000, 1)]);
    }
    let longer = error(format!("t_s,pulses\n1.{fraction}0,1\n"));
    assert!(matches!(longer.kind(), RecordingErrorKind::LineTooLong { .. }));
    assert_eq!(longer.line(), Some(2));
}

/// A reader that gives its bytes in pieces of the sizes named, in turn, with interruptions between.
struct Pieces {
    bytes: Vec<u8>,
    at: usize,
    sizes: Vec<usize>,
    turn: usize,
}

fn pieces(bytes: &[u8], sizes: Vec<usize>) -> Result<Recording, RecordingError> {
    let reader = Pieces { bytes: bytes.to_vec(), at: 0, sizes, turn: 0 };
    Recording::from_reader("test.csv", reader, None)
}

impl Read for Pieces {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        self.turn += 1;
        if self.turn.is_multiple_of(5) {
            return Err(io::ErrorKind::Interrupted.into());
        }
        let rest = &self.bytes[self.at..];
        let size = self.sizes[self.turn % self.sizes.len()].min(buffer.len()).min(rest.len());
        buffer[..size].copy_from_slice(&rest[..size]);
        self.at += size;
        Ok(size)
    }
}

#[test]
fn rows_across_the_edge_of_the_buffer_are_whole() {
    let expected: Vec<Pulses> = (0..60_000_u32).map(|row| common(u64::from(row) * 1_001, row % 9 + 1)).collect();
    let mut text = b"t_s,pulses\n".to_vec();
    for row in &expected {
        writeln!(text, "{}.{:03},{}", row.at_ms / 1_000, row.at_ms % 1_000, row.count).unwrap();
    }
    assert!(text.len() > 8 * LONGEST_LINE_BYTES, "several buffers");
    for sizes in [vec![usize::MAX], vec![70_001, 1, 33], vec![LONGEST_LINE_BYTES]] {
        let (rows, error) = rows_of(pieces(&text, sizes));
        assert!(error.is_none());
        assert_eq!(rows, expected);
    }
}

fn outcome(recording: Result<Recording, RecordingError>) -> (Vec<Pulses>, Option<String>) {
    let (rows, error) = rows_of(recording);
    (rows, error.map(|error| error.to_string()))
}

fn line() -> impl Strategy<Value = String> {
    prop_oneof![
        8 => (0..400_u32, 0..1000_u32, 1..4_u32).prop_map(|(s, ms, n)| format!("{s}.{ms:03},{n}")),
        1 => "[0-9.,eE#\" -]{0,14}",
        1 => "# [a-z ]{0,10}",
        1 => Just(String::new()),
    ]
}

proptest! {
    #[test]
    fn no_bytes_make_it_panic(bytes in prop::collection::vec(any::<u8>(), 0..200), packing in 0..5_usize) {
        let magic: [&[u8]; 5] = [b"", b"\x1f\x8b\x08\x00", b"\x28\xb5\x2f\xfd", b"t_s,pulses\n", b"t_s,pulses,meter\n1,"];
        let bytes = [magic[packing], &bytes].concat();
        let _ = outcome(from_bytes(&bytes));
    }

    #[test]
    fn packed_bytes_with_a_flaw_never_panic(at in any::<prop::sample::Index>(), with in any::<u8>(), by_zstd in any::<bool>()) {
        let text = b"# pulse volume 1 L\nt_s,pulses\n1,1\n2,1\n3.5,2\n";
        let mut packed = if by_zstd { zstd(text) } else { gzip(text) };
        let at = at.index(packed.len());
        packed[at] = with;
        let _ = outcome(from_bytes(&packed));
    }

    #[test]
    fn any_split_of_the_reads_gives_the_same(
        lines in prop::collection::vec(line(), 0..30),
        crlf in any::<bool>(),
        sizes in prop::collection::vec(1..50_usize, 1..6),
        packing in 0..3_usize,
    ) {
        let end = if crlf { "\r\n" } else { "\n" };
        let text = format!("# pulse volume 1 L{end}t_s,pulses{end}{}", lines.join(end));
        let bytes = match packing {
            0 => text.clone().into_bytes(),
            1 => gzip(text.as_bytes()),
            _ => zstd(text.as_bytes()),
        };
        let whole = outcome(from_bytes(&bytes));
        prop_assert_eq!(&outcome(from_bytes(text.as_bytes())), &whole);
        prop_assert_eq!(outcome(pieces(&bytes, sizes)), whole);
    }

    #[test]
    fn written_times_read_back(mut times_ms in prop::collection::vec(0..9_000_000_000_000_u64, 0..50)) {
        times_ms.sort_unstable();
        let rows: String = times_ms.iter().map(|t| format!("{}.{:03},1\n", t / 1_000, t % 1_000)).collect();
        let read_ms: Vec<u64> = read(format!("t_s,pulses\n{rows}")).iter().map(|row| row.at_ms).collect();
        prop_assert_eq!(read_ms, times_ms);
    }
}

const DUMP: &str = "$comment pulse volume 10 L $end $comment t_s = seconds since 2027-03-01 00:00 $end\n\
                    $timescale 10 us $end $scope module top $end $var wire 1 ! meter $end $upscope $end\n\
                    $enddefinitions $end\n#0 0! #100000 1! #104000 0! #104000 0! #200000 x! #300000 1! #304000 0!";

/// M4: a value change dump is read as edges, with its facts; levels that do not change are no edges, and what is neither 0
/// nor 1 is open.
#[test]
fn a_value_change_dump_is_a_recording_of_edges() {
    let whole = DUMP.as_bytes();
    for bytes in [whole.to_vec(), gzip(whole), zstd(whole), [b"\n  ", whole].concat()] {
        let mut recording = from_bytes(&bytes).unwrap();
        assert!(recording.has_edges() && !recording.names_meters());
        assert_eq!(recording.header().pulse_volume_nl.map(|p| p.numerator_nl()), Some(10_000_000_000));
        assert_eq!(recording.header().start, Some("2027-03-01T00:00".parse().unwrap()));
        let edge = |at_ms, closed| Some(Entry::Edge(Edge { at_ms, meter: COMMON_METER, closed }));
        for wanted in [edge(1_000, true), edge(1_040, false), edge(3_000, true), edge(3_040, false), None] {
            assert_eq!(recording.next_entry().unwrap(), wanted);
        }
        assert_eq!(recording.rows(), 4);
    }
}

/// What is wrong with a dump is told with what would be right.
#[test]
fn faults_of_a_dump_are_told() {
    let two = DUMP.replace("$upscope", "$var wire 1 a other $end $upscope");
    let said = |text: &str| rows_edges(text.as_bytes()).unwrap_err().to_string();
    assert!(said(&two).contains("top.meter, top.other") && said(&two).contains("--signal NAME"), "{}", said(&two));
    assert!(said(&DUMP.replace("wire 1", "wire 8")).contains("no wire of one bit"));
    assert!(said(&DUMP.replace("$timescale 10 us $end", "")).contains("$timescale"));
    assert!(said(&DUMP.replace("#300000", "#100")).contains("time goes backwards"));
    assert!(said(&DUMP.replace("10 us", "1 s").replace("#300000", "#99999999999")).contains("300 years"));
    assert!(said(&DUMP.replace("#300000", "what")).contains("value change dump"));
    assert!(said(&DUMP.replace("10 L", "10 lightyears")).contains("pulse volume 10 lightyears"));
    let packed = gzip(DUMP.as_bytes());
    let cut = rows_edges(&packed[..packed.len() - 9]).unwrap_err().to_string();
    assert!(cut.contains("gzip data end early"), "{cut}");
}

fn rows_edges(bytes: &[u8]) -> Result<u64, RecordingError> {
    let mut recording = from_bytes(bytes)?;
    while recording.next_entry()?.is_some() {}
    Ok(recording.rows())
}
