//! Conversions, and inputs that nobody meant.

use proptest::prelude::*;

use super::*;
use crate::quantity::parse_pulse_volume;

fn foreign(time: &str, time_as: &str, value: &str, value_as: &str) -> Foreign {
    let said = |text: &str| Some(text.to_owned());
    Foreign {
        time: said(time),
        time_as: said(time_as),
        value: said(value),
        value_as: said(value_as),
        ..Foreign::default()
    }
}

fn judged() -> Judged {
    Judged { judge: Judge::new(Sound { closed_us: 10_000, open_us: 10_000 }), closures: Rc::default() }
}

type Read = Result<(Option<String>, Vec<(u64, u32)>), String>;

fn rows(converted: Result<Converted, String>) -> Read {
    let converted = converted?;
    let rows: Result<Vec<_>, _> =
        converted.rows.take(2_000).map(|row| row.map(|pulses| (pulses.at_ms, pulses.count))).collect();
    Ok((converted.start.map(|at| at.to_string()), rows?))
}

fn table(text: &[u8], foreign: &Foreign, pulse: &str) -> Read {
    // A pipe may give a few bytes at a time.
    let reader = BufReader::with_capacity(2, Cursor::new(text.to_vec()));
    rows(columns::open("log.csv".into(), reader, foreign, parse_pulse_volume(pulse).ok(), judged()))
}

fn dumped(text: &[u8], signal: Option<&str>) -> Read {
    rows(dump::open("wave.vcd".into(), Cursor::new([text, b"\n"].concat()), signal, judged()))
}

const START: Option<&str> = Some("2027-03-01T06:00:00");

/// Faults name the line that an editor shows, whatever the line ends.
#[test]
fn faults_name_the_line_whatever_its_end() {
    let said = foreign("t", "seconds", "n", "total pulses");
    for (text, wanted) in [
        ("t,n\n0,1\nx,2\n", "log.csv:3: "),
        ("t,n\r\n0,1\r\nx,2\r\n", "log.csv:3: "),
        ("# a log\r\nt,n\r\n0,1\r\n1,x\r\n", "log.csv:4: "),
        ("t,n\r\n0,1\r\n1\r\n", "log.csv:3: the row has 1 fields"),
        ("t,n\n0,5\n1,3\n", "log.csv:3: column `n`: the total goes back to `3`"),
    ] {
        let fault = table(text.as_bytes(), &said, "1 L").expect_err(text);
        assert!(fault.starts_with(wanted), "{text:?}: {fault}");
    }
}

/// M1: the ways in which loggers write the same three litres.
#[test]
fn every_form_of_time_and_value_gives_the_same_pulses() {
    let wanted = vec![(60_000, 1), (90_000, 1), (120_000, 1)];
    let mut unix = foreign("when", "unix s", "sum", "total L");
    unix.utc_offset = Some("+01:00".into());
    let mut ms = foreign("when", "unix ms", "n", "pulses");
    ms.utc_offset = Some("+01:00".into());
    let mut zoned = foreign("when", "iso", "n", "pulses");
    zoned.utc_offset = Some("+01:00".into());
    let mut german = foreign("Zeit", "%d.%m.%Y %H:%M:%S", "Liter", "L per interval");
    (german.separator, german.decimal_comma) = (Some(';'), true);
    let cases: [(&str, Foreign); 7] = [
        (
            "When,Note,Litres\n2027-03-01T06:00,x,0\n2027-03-01T06:01,x,1\n2027-03-01T06:02,x,2\n",
            foreign("when", "iso", "litres", "L per interval"),
        ),
        ("when,sum\n1803877200,12.5\n1803877260,13.5\n1803877320,15.5\n", unix),
        ("when,n\n1803877200000,0\n1803877260000,1\n1803877290000,1\n1803877320000,1\n", ms),
        (
            "when,n\n2027-03-01T05:00:00Z,0\n2027-03-01T06:01:00+01:00,1\n2027-03-01T00:01:30-05:00,1\n2027-03-01T05:02Z,1\n",
            zoned,
        ),
        ("Zeit;Liter\n01.03.2027 06:00:00;0,0\n01.03.2027 06:01:00;1,0\n01.03.2027 06:02:00;2,0\n", german),
        (
            "\u{feff}\"Date\",count\n03/01/2027 06:00,7\n03/01/2027 06:01,8\n03/01/2027 06:02,10\n",
            foreign("Date", "%m/%d/%Y %H:%M", "count", "total pulses"),
        ),
        (
            "# a comment\nd,l\n2027-03-01 06:00:00,0\n2027-03-01 06:01:00,0.001\n2027-03-01 06:02:00,.002\n",
            foreign("d", "iso", "l", "m3 per interval"),
        ),
    ];
    for (text, foreign) in &cases[..6] {
        assert_eq!(table(text.as_bytes(), foreign, "1 L"), Ok((START.map(str::to_owned), wanted.clone())), "{text}");
    }
    let (text, foreign) = &cases[6];
    assert!(table(text.as_bytes(), foreign, "1 L").is_err_and(|why| why.starts_with("log.csv:5: column `l`: `.002`")));
}

/// M4: a logic analyser's edges, from before its trigger, with bounce.
#[test]
fn edges_of_an_analyser_are_judged() {
    let text = "Time [s],Channel 0\n-0.5,0\n-0.4000,1\n-0.3990,0\n-0.3970,1\n-0.3500,0\n0.2,1\n0.25,0\n";
    let read = table(text.as_bytes(), &foreign("Time [s]", "seconds", "Channel 0", "level"), "1 L");
    assert_eq!(read, Ok((None, vec![(150, 1), (750, 1)])));
    let vcd = "$timescale 10 us $end $scope module top $end $var wire 1 ! meter $end $var wire 1 a other $end \
               $upscope $end $enddefinitions $end #0 0! x a #1000 1! #1100 0! #1300 1! #6000 0! #9000 z!";
    assert_eq!(dumped(vcd.as_bytes(), Some("meter")), Ok((None, vec![(60, 1)])));
    assert!(dumped(vcd.as_bytes(), None).is_err_and(|why| why.contains("--signal") && why.contains("top.meter")));
    assert!(dumped(vcd.as_bytes(), Some("flow")).is_err_and(|why| why.contains("top.other")));
}

/// What is not said is asked for; what is wrong is told with its line and column.
#[test]
fn nothing_is_guessed() {
    let plain = foreign("t", "seconds", "v", "pulses");
    for (text, foreign, words) in [
        ("a,b\n1,2\n", Foreign::default(), &["--time COLUMN", "--value-as KIND", "`a`, `b`"][..]),
        ("a;b\n1;2\n", Foreign::default(), &["--separator \";\""]),
        ("t,v\n1,2\n", foreign("t", "seconds", "w", "pulses"), &["no column `w`", "`t`, `v`"]),
        ("t,t,v\n1,1,2\n", plain.clone(), &["more than once"]),
        ("t,v\n1,2\n", foreign("t", "seconds", "v", "pints"), &["--value-as pints", "total L"]),
        ("t,v\n1,2\n", foreign("t", "stardate", "v", "pulses"), &["--time-as stardate", "unix ms"]),
        ("t,v\n1,2\n", foreign("t", "unix s", "v", "pulses"), &["--utc-offset"]),
        ("t,v\n2027-03-01T00:00Z,2\n", foreign("t", "iso", "v", "pulses"), &["log.csv:2", "`t`", "--utc-offset"]),
        ("t,v\n0,1\n1,x\n", plain.clone(), &["log.csv:3", "column `v`", "`x`"]),
        ("t,v\n0,1\n1,1.5\n", plain.clone(), &["log.csv:3", "whole number of pulses"]),
        ("t,v\n0,1\n1,-1\n", plain.clone(), &["log.csv:3", "less than nothing"]),
        ("t,v\n5,1\n4,1\n", plain.clone(), &["log.csv:3", "column `t`", "sort the rows"]),
        ("t,v\n1803877200,1\n", plain.clone(), &["Unix time"]),
        ("t,v\n0,1\n1\n", plain.clone(), &["log.csv:3", "1 fields"]),
        ("t,v\n0,9\n1,8\n", foreign("t", "seconds", "v", "total pulses"), &["log.csv:3", "goes back"]),
        ("t,v\n0,2\n1,1\n", foreign("t", "seconds", "v", "level"), &["log.csv:2", "no level"]),
        ("", plain.clone(), &["no line with column names"]),
    ] {
        let why = table(text.as_bytes(), &foreign, "1 L").expect_err(text);
        assert!(words.iter().all(|word| why.contains(word)), "{words:?} in {why}");
    }
    let volume = table(b"t,v\n0,1\n", &foreign("t", "seconds", "v", "total gal"), "unknown");
    assert!(volume.is_err_and(|why| why.contains("--meter")));
}

fn words() -> impl Strategy<Value = String> {
    let word = prop_oneof![
        "[0-9]{1,30}",
        "-?[0-9]{0,12}[.,][0-9]{0,12}",
        "[a-z#$!\"'%;,]{0,6}",
        Just("2027-03-01T00:00:00Z".to_owned()),
        Just("$var wire 1 ! m $end".to_owned()),
        Just("$enddefinitions $end".to_owned()),
        Just("#18446744073709551615".to_owned()),
        Just("$timescale 100 s $end".to_owned()),
        Just("1!".to_owned()),
        Just("0!".to_owned()),
    ];
    proptest::collection::vec((word, prop_oneof![Just(","), Just("\n"), Just(" "), Just(";")]), 0..60)
        .prop_map(|words| words.into_iter().map(|(word, end)| word + end).collect())
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 300, ..ProptestConfig::default() })]

    /// Whatever stands in a file, it is read or refused.
    #[test]
    fn no_file_makes_it_panic(text in words(), bytes in proptest::collection::vec(any::<u8>(), 0..200), form in 0_usize..5, kind in 0_usize..5) {
        let form = ["seconds", "unix ms", "iso", "%d/%m/%Y %H:%M", "%"][form];
        let kind = ["pulses", "total pulses", "L per interval", "total gal", "level"][kind];
        let mut foreign = foreign("t", form, "v", kind);
        foreign.utc_offset = Some("-05:00".to_owned());
        for body in [text.as_bytes(), &bytes] {
            let headed = [b"t,v\n", body].concat();
            let _ = table(&headed, &foreign, "1 L");
            let _ = table(body, &foreign, "3 pulses/L");
            let _ = dumped(body, None);
            let headed = [b"$timescale 1 us $end $var wire 1 ! m $end $enddefinitions $end ", body].concat();
            let _ = dumped(&headed, Some("m"));
        }
    }

    /// Cut short anywhere, a sound file is read or refused.
    #[test]
    fn a_truncated_file_is_read_or_refused(cut in 0_usize..90) {
        let whole = b"t,v\n2027-03-01T00:00,1\n2027-03-01T00:01,2.5\n2027-03-01T00:02,3\n2027-03-01T00:03,4\n";
        let _ = table(&whole[..cut.min(whole.len())], &foreign("t", "iso", "v", "total ft3"), "1 L");
    }

    /// Options that a person might write.
    #[test]
    fn no_option_makes_it_panic(text in ".{0,20}") {
        let _ = moment::Form::parse(&text, Some(&text));
        let _ = moment::Form::parse("unix s", Some(&text));
        let _ = value::Kind::parse(&text);
        let _ = crate::demand::Faults::parse(&text);
        let _ = moment::Form::Pattern(text.clone()).us(&text, true);
    }
}
