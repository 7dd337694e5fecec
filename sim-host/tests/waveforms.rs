//! The waveforms are a real value change dump: read back by a reader that did not write them.
#![allow(missing_docs)]

use std::collections::HashMap;
use std::process::Command;

use vcd::{Command as Item, Value};

/// The dump of the bundled house.
fn dump(folder: &std::path::Path) -> std::path::PathBuf {
    let file = folder.join("house.vcd");
    let run = Command::new(env!("CARGO_BIN_EXE_bedkeeper"))
        .args(["replay", "demo:house", "demo:house", "--quiet", "--vcd"])
        .arg(&file)
        .output()
        .expect("the command runs");
    assert!(run.status.success());
    file
}

/// Every signal is there, time never goes back, and pulses and regenerations are as many as the replay says.
#[test]
fn a_reader_finds_every_pulse_and_regeneration() {
    let here = tempfile::tempdir().expect("a folder");
    let file = std::fs::File::open(dump(here.path())).expect("the dump");
    let mut parser = vcd::Parser::new(std::io::BufReader::new(file));
    let header = parser.parse_header().expect("a header");
    assert_eq!(header.timescale, Some((1, vcd::TimescaleUnit::MS)));
    let id = |path: &[&str]| header.find_var(path).map(|v| v.code).unwrap_or_else(|| panic!("no {path:?}"));
    let pulse = id(&["site", "meter_pulse"]);
    let duty = id(&["site", "tank_1", "duty"]);
    let remaining = id(&["site", "tank_1", "remaining_l"]);
    for name in ["step", "position", "motor_forward", "motor_reverse", "waiting", "holds"] {
        id(&["site", "tank_1", name]);
    }
    let (mut time, mut pulses, mut regenerating, mut lowest) = (0, 0, 0, f64::INFINITY);
    let mut seen: HashMap<vcd::IdCode, u64> = HashMap::new();
    for item in parser {
        match item.expect("a sound command") {
            Item::Timestamp(at) => {
                assert!(at >= time, "time goes back");
                time = at;
            }
            Item::ChangeScalar(code, value) => {
                pulses += u64::from(code == pulse && value != Value::X);
                *seen.entry(code).or_default() += 1;
            }
            Item::ChangeVector(code, value) => {
                let number = value.iter().fold(0, |n, bit| n * 2 + u32::from(bit == Value::V1));
                regenerating += u32::from(code == duty && number == 3);
                *seen.entry(code).or_default() += 1;
            }
            Item::ChangeReal(code, value) if code == remaining => lowest = f64::min(lowest, value),
            _ => {}
        }
    }
    assert_eq!(pulses, 10_507);
    assert_eq!(regenerating, 4);
    assert!((0.0..1_000.0).contains(&lowest), "{lowest}");
    assert!(time > 27 * 86_400_000);
}

/// The whole file, vectors and reals too, as a waveform viewer's reader that shares no code with the writer takes it.
#[test]
fn a_viewer_reads_every_signal() {
    let here = tempfile::tempdir().expect("a folder");
    let mut waves = wellen::simple::read(dump(here.path())).expect("a waveform");
    let names = ["meter_pulse", "alarms", "duty", "step", "position", "motor_forward", "holds", "remaining_l"];
    let found: Vec<_> = waves
        .hierarchy()
        .all_vars()
        .map(|v| &waves.hierarchy()[v])
        .map(|v| (v.name(waves.hierarchy()).to_string(), v.signal_ref()))
        .filter(|(name, _)| names.contains(&name.as_str()))
        .collect();
    assert_eq!(found.len(), names.len(), "{found:?}");
    for (name, id) in found {
        waves.load_signals(&[id]);
        let changes = waves.get_signal(id).expect("loaded").time_indices().len();
        match name.as_str() {
            "meter_pulse" => assert_eq!(changes, 10_507),
            "remaining_l" => assert!(changes >= 10_507, "{changes}"),
            _ => assert!(changes >= 1, "{name}"),
        }
    }
    assert!(waves.time_table().windows(2).all(|pair| pair[0] < pair[1]), "time goes forward");
}

/// A logic analyser's reader takes the single bits. Its version 0.5.2 stops at every vector, even in the smallest
/// standard file, so vectors and reals are left out for it.
#[cfg(feature = "tools")]
#[test]
fn a_logic_analyser_reads_the_single_bits() {
    let here = tempfile::tempdir().expect("a folder");
    let whole = std::fs::read_to_string(dump(here.path())).expect("the dump");
    let bits: String = whole.lines().filter(|l| !l.starts_with(['b', 'r'])).flat_map(|l| [l, "\n"]).collect();
    let file = here.path().join("bits.vcd");
    std::fs::write(&file, bits).expect("a file");
    let run = Command::new("sigrok-cli")
        .arg("-i")
        .arg(&file)
        .args(["-I", "vcd:downsample=100", "-O", "csv"])
        .output()
        .expect("sigrok-cli is installed");
    assert!(run.status.success(), "{}", String::from_utf8_lossy(&run.stderr));
    let text = String::from_utf8_lossy(&run.stdout);
    let pulse: Vec<_> = text.lines().filter_map(|l| l.split(',').next()).filter(|v| *v == "0" || *v == "1").collect();
    let toggles = pulse.windows(2).filter(|pair| pair[0] != pair[1]).count();
    // Each pulse toggles the wire, from low; the reader takes no sample after the last one, which ends the dump.
    assert_eq!(pulse.first(), Some(&"0"));
    assert_eq!(toggles, 10_506, "of {} rows", pulse.len());
}
