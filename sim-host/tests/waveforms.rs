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

/// A second reader, that knows nothing of this project, takes the file as well.
#[cfg(feature = "tools")]
#[test]
fn a_logic_analyser_reads_the_dump() {
    let here = tempfile::tempdir().expect("a folder");
    let file = dump(here.path());
    let run = Command::new("sigrok-cli")
        .arg("-i")
        .arg(&file)
        .args(["-I", "vcd:downsample=1000", "-O", "csv"])
        .output()
        .expect("sigrok-cli is installed");
    assert!(run.status.success(), "{}", String::from_utf8_lossy(&run.stderr));
    let text = String::from_utf8_lossy(&run.stdout);
    assert!(text.contains("meter_pulse"), "{}", &text[..text.len().min(500)]);
    // Two header kinds, then rows; a motor that runs is a 1 in some row.
    assert!(text.lines().filter(|l| l.starts_with(['0', '1'])).count() > 1_000);
}
