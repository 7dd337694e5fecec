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
    let (granted, _) = said(&[DEMO, "do", "start-now", "--tank", "2"], 0);
    assert!(
        granted.starts_with("granted: start-now on tank 2\nnow regenerating: valve goes to backwash;"),
        "{granted}"
    );
    let (_, error) = said(&[DEMO, "do", "put-back", "--tank", "1"], 1);
    assert!(error.contains("put-back on tank 1: the tank is not out"), "{error}");
    assert!(said(&[DEMO, "do", "acknowledge"], 2).1.contains("it needs --alarm: one of"));
    assert!(said(&[DEMO, "do", "acknowledge", "--alarm", "flood"], 2).1.contains("there is none of this name"));
    said(&[DEMO, "do", "test-hardness", "--treated", "5 mg/L", "--tank", "1"], 0);
    let (_, error) = said(&[DEMO, "do", "test-hardness", "--treated", "500 mg/L", "--tank", "1"], 1);
    assert!(error.contains("cannot be harder than its feed"), "{error}");
    said(&[DEMO, "do", "dance"], 2);
}

/// Q5, S8: of several tanks the one that is meant is named; what was granted is told with what makes it wait.
#[test]
fn q5_what_is_meant_is_named_and_what_comes_next_is_told() {
    for action in ["start-now", "hold", "take-out", "vouch", "replace-resin"] {
        let (told, error) = said(&[DEMO, "do", action], 2);
        assert!(told.is_empty() && error.contains("which tank? The site has 2"), "{error}");
        assert!(error.contains("--tank 1 (serving), or --tank 2 (ready)"), "{error}");
    }
    let (granted, _) = said(&[DEMO, "do", "start-now", "--tank", "1"], 0);
    assert!(granted.starts_with("granted: start-now on tank 1\nnow serving: valve in service;"), "{granted}");
    assert!(granted.contains("  changing-over: until both valves of the changeover have confirmed\n"), "{granted}");
    let told = json(&[DEMO, "--json", "do", "start-now", "--tank", "1"]);
    assert_eq!((&told["granted"], &told["tank"]), (&Value::from(true), &Value::from(1)));
    assert_eq!(told["next"]["holds"][0]["hold"], "changing-over");
    let (granted, _) = said(&[DEMO, "do", "take-out", "--tank", "1"], 0);
    assert!(granted.contains("goes out once another has taken over"), "{granted}");
    // A site with one tank has no other.
    let (granted, _) = said(&["demo:house", "do", "start-at-hour"], 0);
    assert!(granted.starts_with("granted: start-at-hour on tank 1\n"), "{granted}");
    assert!(granted.contains("  until-hour: until the regeneration hour comes, 2027-03-05 02:00:00\n"), "{granted}");
    let (granted, _) = said(&["demo:house", "do", "count-pulses"], 0);
    assert!(granted.starts_with("granted: count-pulses of meter 1\n") && granted.contains("do caught"), "{granted}");
}

/// Q5: an option that does not belong to the action is refused, and nothing is asked for.
#[test]
fn q5_options_of_other_actions_are_refused() {
    for (args, takes) in [
        (&["hold", "--tank", "2", "--days", "3"][..], "it takes --tank"),
        (&["leave", "--tank", "2"], "it takes --days"),
        (&["return", "--days", "2"], "it takes no option"),
        (&["acknowledge-all", "--alarm", "clock-unset"], "it takes no option"),
        (&["test-relay", "--relay", "1", "--tank", "1"], "it takes --relay, --for"),
        (&["start-now", "--tank", "1", "--for", "5 s"], "it takes --tank"),
        (&["count-pulses", "--volume", "3 L"], "it takes --meter"),
        (&["test-hardness", "--tank", "1", "--treated", "1 mg/L", "--position", "service"], "--treated, --feed"),
    ] {
        let (told, error) = said(&[&["/dev/no-such-port", "do"], args].concat(), 2);
        assert!(told.is_empty() && error.contains("does not belong to it") && error.contains(takes), "{error}");
    }
}

/// O1: a code need not stand in the list of programs: a file or the environment gives it.
#[test]
fn o1_the_key_comes_from_a_file_or_the_environment() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).to_str().unwrap().to_owned();
    let locked = with(include_str!("../demo/apartments.toml"), "locks.serial", "\"code 4711\"");
    std::fs::write(path("locked.toml"), &locked).unwrap();
    std::fs::write(path("code"), "4711\nkeep this file to yourself\n").unwrap();
    std::fs::write(path("wrong"), "").unwrap();
    let (site, hold) = (path("locked.toml"), ["do", "hold", "--tank", "2"]);
    said(&[&[site.as_str(), "--key-file", &path("code")], &hold[..]].concat(), 0);
    let (_, error) = said(&[&[site.as_str(), "--key-file", &path("wrong")], &hold[..]].concat(), 2);
    assert!(error.contains("wrong: is no key"), "{error}");
    let (_, error) = said(&[&[site.as_str(), "--key-file", &path("none")], &hold[..]].concat(), 2);
    assert!(error.contains("none: cannot be read"), "{error}");
    let by_environment = |code: &str| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_bedkeeper"));
        command.env("BEDKEEPER_KEY", code).args(["link", &site]).args(hold).output().unwrap().status.code()
    };
    assert_eq!((by_environment("4711"), by_environment("4712")), (Some(0), Some(1)));
}

/// What others wrote does not steer the terminal; JSON has it as it is.
#[test]
fn names_of_others_do_not_steer_the_terminal() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).to_str().unwrap().to_owned();
    let site = bedkeeper_sim::site::parse("a", include_str!("../demo/apartments.toml")).unwrap();
    let image = bedkeeper::image::Image {
        name: "A\u{1b}[31mB\u{202e}C".try_into().unwrap(),
        note: "one\r\u{7}two\nthree".try_into().unwrap(),
        raw: site.raw,
    };
    let bytes = image.encode(&mut [0; bedkeeper::image::MAX_BYTES]).unwrap().to_vec();
    std::fs::write(path("odd.bkpr"), bytes).unwrap();
    let (pushed, _) = said(&[DEMO, "settings", "push", &path("odd.bkpr")], 0);
    assert!(pushed.contains("-> A\\u{1b}[31mB\\u{202e}C\n"), "{pushed}");
    let shown = Command::new(env!("CARGO_BIN_EXE_bedkeeper")).args(["pack", "--show", &path("odd.bkpr")]).output();
    for text in [pushed, text(&shown.unwrap().stdout)] {
        assert!(!text.chars().any(|c| (c.is_control() && c != '\n') || c == '\u{202e}'), "{text:?}");
    }
}

/// A settings image with a damaged beginning, or nothing in it, is told for what it is.
#[test]
fn a_damaged_image_is_told_for_what_it_is() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).to_str().unwrap().to_owned();
    said(&[DEMO, "settings", "pull", &path("whole.bkpr")], 0);
    let mut bytes = std::fs::read(path("whole.bkpr")).unwrap();
    bytes[0] ^= 1;
    std::fs::write(path("first.bkpr"), &bytes).unwrap();
    std::fs::write(path("empty.BKPR"), []).unwrap();
    for (name, what) in [("first.bkpr", "its first bytes are damaged"), ("empty.BKPR", "the file is empty")] {
        let (told, error) = said(&[DEMO, "settings", "push", &path(name)], 2);
        assert!(told.is_empty() && error.contains(what) && error.contains("help: pack the site anew"), "{error}");
    }
}

/// JSON of the link counts and names as that of the other verbs does: tanks from 1, names with hyphens.
#[test]
fn json_counts_from_one() {
    let names: [&[&str]; 6] = [
        &["status"],
        &["why"],
        &["counters"],
        &["journal"],
        &["history"],
        &["watch", "--count", "2", "--every", "14 h"],
    ];
    for verb in names {
        let (told, _) = said(&[&[DEMO, "--json"], verb].concat(), 0);
        for value in serde_json::Deserializer::from_str(&told).into_iter::<Value>() {
            plain(&value.unwrap());
        }
    }
}

/// Nothing in it counts tanks from 0 or begins with a capital, but for sentences.
fn plain(value: &Value) {
    match value {
        Value::Object(fields) => fields.iter().for_each(|(name, field)| {
            assert!(name.chars().all(|c| !c.is_uppercase()), "{name}");
            assert!(name != "tank" || field != 0, "{value}");
            assert!(!matches!(name.as_str(), "holds" | "causes") || field.is_array(), "{value}");
            plain(field);
        }),
        Value::Array(items) => items.iter().for_each(plain),
        Value::String(text) => {
            assert!(text.contains(' ') || text.chars().all(|c| !c.is_uppercase()), "{text}");
        }
        _ => {}
    }
}

/// O1: behind a lock a key is needed, and a wrong one is told apart.
#[test]
fn the_lock_wants_its_key() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("locked.toml");
    let locked = with(include_str!("../demo/apartments.toml"), "locks.serial", "\"code 4711\"");
    std::fs::write(&path, &locked).unwrap();
    let site = path.to_str().unwrap();
    assert!(said(&[site, "do", "hold", "--tank", "1"], 1).1.contains("lock of the serial line is closed"));
    assert!(said(&[site, "do", "hold", "--tank", "1", "--key", "4712"], 1).1.contains("key"));
    said(&[site, "do", "hold", "--tank", "1", "--key", "4711"], 0);
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
    use bedkeeper_runtime::link::message::Answer;
    use bedkeeper_sim::link::SimulatedBoard;
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

    /// A simulated board whose line loses what is to be lost, and hears nobody who speaks at another speed than its own.
    struct Lossy {
        port: String,
        stop: std::sync::mpsc::Sender<()>,
        thread: Option<std::thread::JoinHandle<()>>,
    }

    impl Lossy {
        fn new(site: &'static str, mut loses: impl FnMut(&Answer) -> bool + Send + 'static) -> Self {
            let (named, name) = std::sync::mpsc::channel();
            let (stop, stopped) = std::sync::mpsc::channel::<()>();
            let thread = std::thread::spawn(move || {
                let site = bedkeeper_sim::site::parse("lossy", site).unwrap();
                let mut board = SimulatedBoard::new(&site, Some(9_921 * 86_400_000)).unwrap();
                let (mut ours, theirs) = TTYPort::pair().unwrap();
                ours.set_timeout(Duration::from_millis(5)).unwrap();
                named.send(theirs.name().unwrap()).unwrap();
                let (began, mut bytes) = (std::time::Instant::now(), [0; 2_048]);
                while stopped.try_recv() != Err(std::sync::mpsc::TryRecvError::Disconnected) {
                    board.run_to(60_000 + u64::try_from(began.elapsed().as_millis()).unwrap()).unwrap();
                    let heard = ours.read(&mut bytes).unwrap_or(0);
                    if ours.baud_rate().unwrap() != board.manners().speed.baud() {
                        continue;
                    }
                    board.hear(&bytes[..heard]).unwrap();
                    let said = board.say();
                    let mut inner: Vec<_> = said.iter().copied().filter(|byte| *byte != 0).collect();
                    let answer = frame::unpack(&mut inner).and_then(|length| frame::body(&inner[..length])?.read());
                    if !answer.is_some_and(|answer| loses(&answer)) {
                        ours.write_all(&said).unwrap();
                    }
                }
                drop(theirs);
            });
            Self { port: name.recv().unwrap(), stop, thread: Some(thread) }
        }
    }

    impl Drop for Lossy {
        fn drop(&mut self) {
            self.stop = std::sync::mpsc::channel().0;
            let _ = self.thread.take().map(std::thread::JoinHandle::join);
        }
    }

    const APARTMENTS: &str = include_str!("../demo/apartments.toml");

    /// O1, Q5: a change whose answer got lost is not told as a board that does not answer: the board is asked again at the speed
    /// that it has by then, and where nobody can know, that is said.
    #[test]
    fn q5_a_lost_answer_to_a_change_of_the_line() {
        let mut lost = 0;
        let board = Lossy::new(APARTMENTS, move |answer| {
            // Each time that it is sent again, until the board speaks at another speed.
            lost += u32::from(*answer == Answer::Done);
            *answer == Answer::Done && lost <= 3
        });
        let (told, _) = said(&[&board.port, "line", "--speed", "19200", "--address", "7"], 0);
        assert_eq!(
            told,
            "Modbus address 7, 19 200 baud; panel in metric units\nfrom now on: bedkeeper link --baud 19200 …\n"
        );
        let (told, _) = said(&[&board.port, "--baud", "19200", "line"], 0);
        assert_eq!(told, "Modbus address 7, 19 200 baud; panel in metric units\n");
        let (_, error) = said(&[&board.port, "status"], 2);
        assert!(error.contains("does not answer"), "{error}");
    }

    /// O2: settings whose answer got lost are looked for where they would run, after a restart too.
    #[test]
    fn o2_a_lost_answer_to_settings() {
        let board = Lossy::new(APARTMENTS, |answer| matches!(answer, Answer::Taken(_)));
        let (told, _) = said(&[&board.port, "settings", "push", "demo:house", "--restart"], 0);
        assert!(told.ends_with("no answer came, so the board was asked again: they run\n"), "{told}");
        assert_eq!(json(&[&board.port, "status", "--json"])["board"]["tanks"], 1);
        let back = json(&[&board.port, "--json", "settings", "push", DEMO, "--restart"]);
        assert_eq!((&back["taken"], &back["answered"]), (&true.into(), &false.into()));
    }

    /// Q5: where a change was sent and its answer lost, that is what is said; the clock itself tells whether it was set.
    #[test]
    fn q5_a_lost_answer_to_an_action() {
        let board = Lossy::new(APARTMENTS, |answer| *answer == Answer::Done);
        let (told, error) = said(&[&board.port, "do", "hold", "--tank", "2"], 2);
        assert!(
            told.is_empty() && error.contains("hold on tank 2: no answer came to a change that was sent"),
            "{error}"
        );
        assert!(!error.contains("does not answer"), "{error}");
        assert_eq!(json(&[&board.port, "status", "--json"])["plant"]["tanks"][1]["held"], true);
        let (told, _) = said(&[&board.port, "clock", "set", "2027-03-28 03:00"], 0);
        assert!(told.starts_with("2027-03-28 03:00:"), "{told}");
    }

    /// Q5: what was granted stays told, though the question after it is not answered.
    #[test]
    fn q5_what_was_done_is_told_though_the_board_goes_silent() {
        let mut silent = false;
        let board = Lossy::new(APARTMENTS, move |answer| {
            let lost = silent;
            silent |= *answer == Answer::Done;
            lost
        });
        let (told, error) = said(&[&board.port, "do", "hold", "--tank", "2"], 2);
        assert_eq!(told, "granted: hold on tank 2\n");
        assert!(error.contains("that was done; what was asked afterwards is not known"), "{error}");
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
        assert!(error.contains("speaks version 3") && error.contains("update this program"), "{error}");
        drop((answers.join().unwrap(), theirs));
    }
}
