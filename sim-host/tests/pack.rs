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
    let sum = said.split("checksum ").nth(1).unwrap().trim().to_owned();

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
