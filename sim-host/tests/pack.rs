//! Packing a site for a board, reading it back, telling two apart.
#![allow(missing_docs, clippy::unwrap_used)]

mod site_support;

use std::process::{Command, Output};

use site_support::with;

fn bedkeeper(args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_bedkeeper")).args(args).output().unwrap()
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

#[test]
fn a_site_is_packed_shown_and_told_apart() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).to_str().unwrap().to_owned();
    let (image, other) = (path("a.bkpr"), path("b.toml"));

    let out = bedkeeper(&["pack", "demo:apartments", "--out", &image]);
    assert_eq!(out.status.code(), Some(0), "{}", text(&out.stderr));
    let said = text(&out.stdout);
    let sum = said.lines().next().unwrap().split("checksum ").nth(1).unwrap().to_owned();

    // Never overwritten silently.
    let out = bedkeeper(&["pack", "demo:apartments", "--out", &image]);
    assert_eq!(out.status.code(), Some(2));
    assert!(text(&out.stderr).contains("--force"));
    assert_eq!(bedkeeper(&["pack", "demo:apartments", "--out", &image, "--force"]).status.code(), Some(0));

    let out = bedkeeper(&["pack", "--show", &image]);
    assert_eq!(out.status.code(), Some(0));
    let shown = text(&out.stdout);
    assert!(shown.contains(&sum) && shown.contains("Apartments (invented)"));
    assert!(shown.contains("02:00") && shown.contains("10 min"), "{shown}");

    assert_eq!(bedkeeper(&["pack", "--diff", &image, "demo:apartments"]).status.code(), Some(0));
    let site = include_str!("../demo/apartments.toml");
    std::fs::write(&other, with(site, "calendar.backup_after", "\"5 days\"")).unwrap();
    let out = bedkeeper(&["pack", "--diff", &image, &other]);
    assert_eq!(out.status.code(), Some(1));
    assert_eq!(text(&out.stdout), "backup_days: 7 -> 5\ntakes effect: at once\n");
}

/// O5: an image keeps no units, so they are asked for, or are those of the site beside it; `-` is standard output, and no
/// image replaces the site that is read.
#[test]
fn o5_images_are_shown_in_either_system() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).to_str().unwrap().to_owned();
    let (image, site) = (path("a.bkpr"), path("us.toml"));
    let source = include_str!("../../tests/sites/worked-1.toml");
    std::fs::write(&site, source).unwrap();
    let out = bedkeeper(&["pack", &site, "--out", "-"]);
    assert!(out.stdout.starts_with(b"BKPR") && text(&out.stderr).contains("checksum"));
    std::fs::write(&image, &out.stdout).unwrap();
    let metric = text(&bedkeeper(&["pack", "--show", &image]).stdout);
    assert!(metric.contains("15.14 L/min") && !metric.contains("gpm"), "{metric}");
    let us = text(&bedkeeper(&["pack", "--show", &image, "--units", "us"]).stdout);
    assert!(us.contains(" 4 gpm") && us.contains("2.99 lb/gal") && !us.contains("L/min"), "{us}");
    std::fs::write(path("other.toml"), with(source, "brine.refill_flow", "\"5 gpm\"")).unwrap();
    let told = text(&bedkeeper(&["pack", "--diff", &path("other.toml"), &image]).stdout);
    assert!(told.contains("brine.refill_flow: 5 gpm -> 4 gpm"), "{told}");

    let out = bedkeeper(&["pack", &site, "--out", &site, "--force"]);
    assert_eq!(out.status.code(), Some(2));
    assert!(text(&out.stderr).contains("would overwrite the site"));
    assert_eq!(std::fs::read_to_string(&site).unwrap(), source);
}

#[test]
fn damaged_and_newer_images_are_refused_with_the_reason() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.bkpr");
    let name = path.to_str().unwrap();
    bedkeeper(&["pack", "demo:house", "--out", name]);
    let bytes = std::fs::read(&path).unwrap();

    let mut newer = bytes.clone();
    newer[4] = 200;
    std::fs::write(&path, newer).unwrap();
    let out = bedkeeper(&["pack", "--show", name]);
    assert_eq!(out.status.code(), Some(2));
    assert!(text(&out.stderr).contains("version 200"), "{}", text(&out.stderr));

    let mut damaged = bytes.clone();
    damaged[60] ^= 1;
    std::fs::write(&path, damaged).unwrap();
    assert!(text(&bedkeeper(&["pack", "--show", name]).stderr).contains("checksum"));
    std::fs::write(&path, &bytes[..bytes.len() - 3]).unwrap();
    assert!(text(&bedkeeper(&["pack", "--show", name]).stderr).contains("cut off"));
}

/// P2: the pages for 20 years at 10 000 erasures stand beside the image, on the one hand for the stated use, on the other,
/// where none is known, for the meter's rated flow; and they are never fewer than what is really written asks for.
#[test]
fn the_flash_pages_are_computed_and_shown() {
    use bedkeeper::retain::MAX_BYTES;
    use bedkeeper_sim::replay::{Observer, PowerCut, Replay, ValveTimes, World};
    use bedkeeper_sim::{cli::StorePages, demo::bundled_recording};

    /// The longest record that the state would have made.
    #[derive(Default)]
    struct Longest(usize);
    impl Observer for Longest {
        fn record(&mut self, _: &bedkeeper::journal::Record, _: &World) -> std::io::Result<()> {
            Ok(())
        }
        fn after(&mut self, world: &World) -> std::io::Result<()> {
            self.0 = self.0.max(world.controller.retained().encode::<MAX_BYTES>().unwrap().len());
            Ok(())
        }
    }

    let folder = tempfile::tempdir().unwrap();
    let image = folder.path().join("a.bkpr").to_str().unwrap().to_owned();
    let packed = bedkeeper(&["pack", "demo:apartments", "--out", &image, "--json"]);
    let json = |out: &Output| serde_json::from_slice::<serde_json::Value>(&out.stdout).unwrap();
    let by_use = json(&packed)["store"].clone();
    let by_rating = json(&bedkeeper(&["pack", "--show", &image, "--json"]))["store"].clone();
    assert_eq!((by_use["years"].as_u64(), by_use["cycles"].as_u64()), (Some(20), Some(10_000)));
    assert_eq!((by_use["use_known"].as_bool(), by_rating["use_known"].as_bool()), (Some(true), Some(false)));
    assert!(by_use["pages"].as_u64().unwrap() >= 2 && by_rating["pages"].as_u64() > by_use["pages"].as_u64());
    assert!(text(&bedkeeper(&["pack", "--show", &image]).stdout).contains("flash pages of 4096 bytes"));

    for name in ["apartments", "house"] {
        let source = bedkeeper_sim::demo::demo_site(&format!("demo:{name}")).unwrap().unwrap();
        let site = bedkeeper_sim::site::parse(name, source).unwrap();
        let pages = StorePages::of_site(&site).unwrap();
        let times = ValveTimes { leg_ms: site.plant.leg_ms, coast_ms: site.plant.coast_ms };
        let start = Some(jiff::civil::date(2027, 3, 1).at(0, 0, 0, 0));
        let world = World::new(site.settings.clone(), times, start).unwrap();
        let mut longest = Longest::default();
        let mut replay = Replay::new(world, vec![&mut longest]);
        // One is announced that never comes, so that the state is stored all along.
        replay.schedule_power_cut(PowerCut { at_ms: u64::MAX, off_ms: 1, clock_kept: true, retained_kept: true });
        let world = replay.run(&mut bundled_recording(name).unwrap(), |_| {}).unwrap();
        let a_day = world.supply.writes() * 86_400_000 / world.span_ms;
        assert!(a_day > 5 && a_day <= u64::from(pages.writes_a_day), "{name}: {a_day} of {pages:?}");
        assert!(longest.0 <= pages.record_bytes as usize, "{name}: {} of {pages:?}", longest.0);
    }
}
