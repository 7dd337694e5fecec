//! `bedkeeper link`: against a simulated board in the program, and over pseudo-terminals.
#![allow(missing_docs, clippy::unwrap_used)]

mod site_support;

use std::process::{Command, Output};

use serde_json::Value;
use site_support::with;

fn link(args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_bedkeeper")).arg("link").args(args).output().unwrap()
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

/// Runs it, expects an exit code, and gives what it printed to both places.
fn said(args: &[&str], code: i32) -> (String, String) {
    let out = link(args);
    let (stdout, stderr) = (text(&out.stdout), text(&out.stderr));
    assert_eq!(out.status.code(), Some(code), "{args:?}\n{stdout}\n{stderr}");
    (stdout, stderr)
}

fn json(args: &[&str]) -> Value {
    serde_json::from_str(&said(args, 0).0).unwrap()
}

const DEMO: &str = "demo:apartments";

/// O1: anyone may look: status, reasons, alarms and counters, for people and for programs.
#[test]
fn a_board_is_looked_at() {
    let (status, _) = said(&[DEMO, "status"], 0);
    assert!(status.contains("simulated board") && status.contains("tank 1  serving"), "{status}");
    let status = json(&[DEMO, "status", "--json"]);
    assert_eq!(status["plant"]["tanks"][0]["duty"], "serving");
    assert_eq!(status["board"]["tanks"], 2);
    let why = json(&[DEMO, "--json", "why", "2"]);
    assert_eq!((&why[0]["tank"], why[0]["regenerates"].as_bool()), (&Value::from(2), Some(false)));
    let (_, error) = said(&[DEMO, "why", "7"], 1);
    assert!(error.contains("no such tank"), "{error}");
    assert!(json(&[DEMO, "counters", "--json"])["valves"][0]["regenerations"].as_u64() > Some(0));
    assert!(json(&[DEMO, "alarms", "--json"]).is_array());
}

/// P7: journal, regenerations and days of use come out as text, CSV and JSON, and are of one story.
#[test]
fn logs_are_pulled() {
    let records = json(&[DEMO, "journal", "--json"]);
    let lines = said(&[DEMO, "journal"], 0).0.lines().count();
    let (csv, _) = said(&[DEMO, "journal", "--csv"], 0);
    let mut table = csv::Reader::from_reader(csv.as_bytes());
    assert_eq!(table.headers().unwrap(), vec!["civil", "logic_s", "tank", "event", "text"]);
    let rows: Vec<_> = table.records().map(Result::unwrap).collect();
    assert_eq!((rows.len(), lines), (records.as_array().unwrap().len(), rows.len()));
    let ended = rows.iter().filter(|row| &row[3] == "ended").count();
    assert!(ended > 0);
    assert_eq!(json(&[DEMO, "regenerations", "--json"]).as_array().unwrap().len(), ended);
    let days = json(&[DEMO, "use", "--json"]);
    assert_eq!(days.as_array().unwrap().len(), 3);
    assert!(said(&[DEMO, "use", "--csv"], 0).0.starts_with("began,litres,lesson\n2027-03-01,"));
    assert!(said(&[DEMO, "regenerations", "--csv"], 0).0.starts_with("tank,began,"));
}

/// Q5: what operators ask is granted, or refused with the reason.
#[test]
fn actions_are_granted_or_refused() {
    assert_eq!(said(&[DEMO, "do", "start-now", "--tank", "2"], 0).0, "granted\n");
    let (_, error) = said(&[DEMO, "do", "put-back"], 1);
    assert!(error.contains("is not out"), "{error}");
    assert!(said(&[DEMO, "do", "acknowledge"], 2).1.contains("it needs --alarm: one of"));
    assert!(said(&[DEMO, "do", "acknowledge", "--alarm", "flood"], 2).1.contains("there is none of this name"));
    said(&[DEMO, "do", "test-hardness", "--treated", "5 mg/L"], 0);
    said(&[DEMO, "do", "dance"], 2);
}

/// O1: behind a lock a key is needed, and a wrong one is told apart.
#[test]
fn the_lock_wants_its_key() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("locked.toml");
    let locked = with(include_str!("../demo/apartments.toml"), "locks.serial", "\"code 4711\"");
    std::fs::write(&path, &locked).unwrap();
    let site = path.to_str().unwrap();
    assert!(said(&[site, "do", "hold"], 1).1.contains("lock of the serial line is closed"));
    assert!(said(&[site, "do", "hold", "--key", "4712"], 1).1.contains("key"));
    said(&[site, "do", "hold", "--key", "4711"], 0);
    said(&[site, "status"], 0);
    assert!(said(&[site, "do", "hold", "--key", "four"], 2).1.contains("`press`"));
    // The code is not told.
    let image = folder.path().join("pulled.bkpr");
    said(&[site, "settings", "pull", image.to_str().unwrap()], 0);
    let image = bedkeeper::image::Image::decode(&std::fs::read(image).unwrap()).unwrap();
    assert_eq!(image.raw.locks.serial, bedkeeper::lock::LockRule::Code(0));
}

/// O2, O4: settings come out, are compared, and are taken whole or refused by field.
#[test]
fn settings_go_out_and_in() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).to_str().unwrap().to_owned();
    let image = path("pulled.bkpr");
    let (pulled, _) = said(&[DEMO, "settings", "pull", &image], 0);
    assert!(pulled.contains("checksum"));
    assert!(said(&[DEMO, "settings", "pull", &image], 2).1.contains("--force"));
    assert_eq!(said(&[DEMO, "settings", "push", &image], 0).0, "nothing differs\n");
    assert!(said(&[DEMO, "settings", "show"], 0).0.contains("hour_minute"));

    let other = path("other.toml");
    std::fs::write(&other, with(include_str!("../demo/apartments.toml"), "calendar.backup_after", "\"5 days\""))
        .unwrap();
    let changes = "backup_days: 7 -> 5\ntakes effect: at once\n";
    assert_eq!(said(&[DEMO, "settings", "push", &other, "--dry-run"], 1).0, changes);
    let taken = format!("{changes}taken: they run now, and are stored\n");
    assert_eq!(said(&[DEMO, "settings", "push", &other], 0).0, taken);
    let told = json(&[DEMO, "settings", "push", &other, "--json"]);
    assert_eq!((&told["taken"], &told["stored"]), (&Value::from(true), &Value::from(true)));

    // Another plant needs a restart; what does not pass its check is refused by the board itself.
    assert!(said(&[DEMO, "settings", "push", "demo:house"], 1).1.contains("--restart"));
    assert!(
        said(&[DEMO, "settings", "push", "demo:house", "--restart"], 0).0.ends_with("the board restarts with them\n")
    );
    let mut bad = bedkeeper::image::Image::decode(&std::fs::read(&image).unwrap()).unwrap();
    bad.raw.hour_minute = 3_000;
    let bytes = bad.encode(&mut [0; bedkeeper::image::MAX_BYTES]).unwrap().to_vec();
    std::fs::write(path("bad.bkpr"), bytes).unwrap();
    let (_, error) = said(&[DEMO, "settings", "push", &path("bad.bkpr")], 1);
    assert!(error.contains("hour_minute: must be a time of day"), "{error}");
}

/// O3, O6: the site's baseline is stored and returned to by name; what is kept for good is read, even if there is nothing.
#[test]
fn what_is_kept_for_good_is_reached() {
    let baseline = |args: &[&str], code| said(&[&[DEMO, "settings", "baseline"], args].concat(), code);
    assert_eq!(baseline(&["store"], 0).0, "stored: the settings that run are the site's baseline\n");
    assert!(baseline(&["reset"], 1).1.contains("no baseline of this site was stored"));
    assert!(baseline(&["reset", "--built-in"], 1).1.contains("--restart"));
    let taken = baseline(&["reset", "--built-in", "--restart"], 0).0;
    assert_eq!(taken, "taken: the board restarts with them\n");
    assert_eq!(said(&[DEMO, "tests"], 0).0, "no hardness test is kept yet\n");
    assert_eq!(json(&[DEMO, "tests", "--json"]), Value::from(Vec::<Value>::new()));
    assert_eq!(said(&[DEMO, "tests", "--csv"], 0).0.lines().count(), 1);
    assert_eq!(said(&[DEMO, "signed"], 0).0, "no first start was signed\n");
    assert_eq!(json(&[DEMO, "signed", "--json"]), Value::Null);
}

/// The clock is shown and set.
#[test]
fn the_clock_is_set() {
    assert_eq!(said(&[DEMO, "clock", "show"], 0).0, "2027-03-04 08:30:00\n");
    assert_eq!(said(&[DEMO, "clock", "set", "2027-03-28 03:00"], 0).0, "2027-03-28 03:00:00\n");
    assert!(said(&[DEMO, "clock", "set", "noon"], 2).1.contains("2027-03-01 06:30"));
}

/// A watch shows what happens meanwhile.
#[test]
fn a_watch_goes_on() {
    let (watched, _) = said(&[DEMO, "watch", "--every", "12 h", "--count", "3"], 0);
    assert_eq!(watched.lines().filter(|line| line.contains("flow")).count(), 3);
    assert!(watched.contains("the regeneration hour"), "{watched}");
}

#[test]
fn a_port_that_is_none_is_told() {
    let (_, error) = said(&["/dev/no-such-port", "status"], 2);
    assert!(error.contains("demo:apartments"), "{error}");
    assert!(said(&["demo:castle", "status"], 2).1.contains("apartments"));
    assert!(said(&["/dev/null", "serve"], 2).1.contains("serve wants a site"));
}

#[cfg(unix)]
mod over_a_terminal {
    use std::io::{Read, Write};
    use std::process::{Child, Command, Stdio};
    use std::time::Duration;

    use bedkeeper_runtime::link::frame;
    use serialport::{SerialPort, TTYPort};

    use super::{DEMO, json, said};

    /// A simulated board that is served until it is dropped.
    struct Served {
        child: Child,
        port: String,
    }

    impl Served {
        fn new(site: &str) -> Self {
            let folder = tempfile::tempdir().unwrap();
            let name = folder.path().join("port");
            let mut command = Command::new(env!("CARGO_BIN_EXE_bedkeeper"));
            command.args(["link", site, "serve", "--for", "5 min", "--name-to", name.to_str().unwrap()]);
            let child = command.stdout(Stdio::null()).spawn().unwrap();
            let mut port = String::new();
            for _ in 0..600 {
                port = std::fs::read_to_string(&name).unwrap_or_default();
                if !port.is_empty() {
                    break;
                }
                std::thread::sleep(Duration::from_millis(50));
            }
            Self { child, port }
        }
    }

    impl Drop for Served {
        fn drop(&mut self) {
            let _ = self.child.kill();
            let _ = self.child.wait();
        }
    }

    /// O4: boards are talked to over a line, keep what they were told, and give their settings to each other.
    #[test]
    fn a_served_board_keeps_what_it_is_told() {
        let (one, other) = (Served::new(DEMO), Served::new(DEMO));
        let port = one.port.as_str();
        assert_eq!(json(&[port, "status", "--json"])["plant"]["tanks"][1]["held"], false);
        said(&[port, "do", "hold", "--tank", "2"], 0);
        assert_eq!(json(&[port, "status", "--json"])["plant"]["tanks"][1]["held"], true);
        assert!(said(&[port, "journal"], 0).0.contains("hold"));
        assert!(said(&[port, "history", "--csv"], 0).0.contains(",operator,"));

        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("other.toml");
        let site = include_str!("../demo/apartments.toml");
        std::fs::write(&path, super::with(site, "calendar.backup_after", "\"5 days\"")).unwrap();
        said(&[port, "settings", "push", path.to_str().unwrap()], 0);
        let (copied, _) = said(&[port, "settings", "copy", &other.port], 0);
        assert!(copied.starts_with("backup_days: 7 -> 5\n"), "{copied}");
        assert_eq!(said(&[port, "settings", "copy", &other.port], 0).0, "nothing differs\n");
        assert!(said(&[&other.port, "settings", "push", path.to_str().unwrap()], 0).0.contains("nothing differs"));

        // Another plant: the board restarts, and answers as what it is then.
        said(&[port, "settings", "push", "demo:house", "--restart"], 0);
        assert_eq!(json(&[port, "status", "--json"])["board"]["tanks"], 1);
    }

    /// O6, M1: what was measured corrects the settings, as a difference that is taken whole; what says nothing changes nothing.
    #[test]
    fn o6_measured_flows_correct_the_settings() {
        let served = Served::new(DEMO);
        let port = served.port.as_str();
        let measured = |args: &[&str], code| said(&[&[port, "settings", "measured"], args].concat(), code);
        let (told, _) = measured(&["--dry-run", "drain", "backwash", "40 L", "2 min"], 1);
        assert!(told.starts_with("program[1].drain: 25 L/min -> 20 L/min\n"), "{told}");
        let (told, _) = measured(&["drain", "backwash", "40 L", "2 min"], 0);
        assert!(told.ends_with("taken: they run now, and are stored\n"), "{told}");
        assert_eq!(measured(&["drain", "backwash", "40 L", "2 min"], 0).0, "nothing differs\n");
        let (told, _) = measured(&["refill", "12 L", "2 min"], 0);
        let lines: Vec<_> = told.lines().take(2).collect();
        assert_eq!(lines, ["brine.refill_flow: 2 L/min -> 6 L/min", "program[5].length: 11 min 25 s -> 3 min 49 s"]);
        let (_, why) = measured(&["drain", "settle", "40 L", "2 min"], 2);
        assert!(why.contains("no such step"), "{why}");
        let (_, why) = measured(&["draw", "12 L", "0 s"], 2);
        assert!(why.contains("nothing was measured"), "{why}");
        let (_, why) = measured(&["drain", "flushing", "40 L", "2 min"], 2);
        assert!(why.contains("one of: backwash, brine-draw"), "{why}");
    }

    /// Noise on the line before and after; the board answers all the same.
    #[test]
    fn noise_does_not_matter() {
        let served = Served::new(DEMO);
        for noise in [&[0u8, 1, 2, 3, 0, 0, 9][..], &[7; 300], &[0; 50], b"AT\r\n"] {
            let mut port = serialport::new(&served.port, 115_200).open_native().unwrap();
            port.write_all(noise).unwrap();
            port.flush().unwrap();
            drop(port);
            said(&[&served.port, "status"], 0);
        }
    }

    /// A master of other hands reads every table and writes with tickets, while the link is spoken on the same line.
    #[cfg(feature = "tools")]
    #[test]
    fn an_independent_modbus_master_is_answered() {
        let served = Served::new(DEMO);
        said(&[&served.port, "status"], 0);
        let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/modbus_master.py");
        let python = std::env::var("MODBUS_PYTHON").unwrap_or_else(|_| "python3".to_owned());
        let out = Command::new(python).args([script, &served.port]).output().unwrap();
        assert!(out.status.success(), "{}\nneeds: pip install pymodbus pyserial", super::text(&out.stderr));
        said(&[&served.port, "status"], 0);
    }

    #[test]
    fn a_line_without_a_board_is_told() {
        let (_ours, theirs) = TTYPort::pair().unwrap();
        let name = theirs.name().unwrap();
        drop(theirs);
        let (_, error) = said(&[&name, "status"], 2);
        assert!(error.contains("does not answer"), "{error}");
    }

    #[test]
    fn a_board_of_another_version_is_told() {
        let (mut ours, theirs) = TTYPort::pair().unwrap();
        let name = theirs.name().unwrap();
        ours.set_timeout(Duration::from_secs(20)).unwrap();
        let answers = std::thread::spawn(move || {
            let (mut request, mut byte) = (Vec::new(), [0]);
            while request.is_empty() || byte[0] != 0 {
                ours.read_exact(&mut byte).unwrap();
                if byte[0] != 0 {
                    request.push(byte[0]);
                }
            }
            let length = frame::unpack(&mut request).unwrap();
            let number = frame::body(&request[..length]).unwrap().number;
            // Text of a board that nobody had spoken to comes first.
            ours.write_all(b"{\"at\":1}\n").unwrap();
            ours.write_all(&frame::wrap(frame::VERSION + 1, number, &[1, 2, 3]).unwrap()).unwrap();
            ours
        });
        let (_, error) = said(&[&name, "status"], 2);
        assert!(error.contains("speaks version 2") && error.contains("update this program"), "{error}");
        drop((answers.join().unwrap(), theirs));
    }
}
