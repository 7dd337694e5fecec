//! The handbook's chapter of registers is made from the table that the board answers by.

use std::fmt::Write as _;
use std::path::Path;

use bedkeeper::demand::{Cause, Hold};
use bedkeeper::duty::DutyKind;
use bedkeeper::program::{Position, StepKind};
use bedkeeper::relay::RELAYS;
use bedkeeper::watch::Alarm;
use bedkeeper_runtime::link::registers::{
    ALARM_INPUTS, HOLDING, MAP_VERSION, PLANT, PLANT_COIL, PLANT_COILS, Register, TANK, TANK_COILS, TANK_COILS_STEP,
    TANK_INPUTS, TANK_INPUTS_STEP,
};

const PAGE: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/../../docs/book/registers.md");

fn table<V>(text: &mut String, list: &[Register<V>], from: u16, prefix: &str) {
    *text += "| address | registers | name | unit | what |\n|---|---|---|---|---|\n";
    let mut at = from;
    for Register { words, name, unit, text: what, .. } in list {
        writeln!(text, "| {prefix}{at} | {words} | `{name}` | {unit} | {what} |").unwrap();
        at += words;
    }
    *text += "\n";
}

fn numbered<'a>(text: &mut String, what: &str, names: impl Iterator<Item = &'a str>) {
    let names: Vec<_> = (1..).zip(names).map(|(number, name)| format!("{number} `{name}`")).collect();
    writeln!(text, "- {what}: {}", names.join(", ")).unwrap();
}

fn page() -> String {
    let mut text = format!(
        "# Registers\n\n*This chapter is made from the table in the code by a test.*\n\n\
        A board answers Modbus RTU on the line that the [link](link.md) uses: as a device with an address of its own, 8 data \
        bits, no parity, one stop bit. Addresses count from 0. Values wider than a register stand in several, the highest \
        word first. Version of this map: {MAP_VERSION}.\n\n\
        Answered are the functions 1 to 6, 15 and 16. What is not there is answered by exception 2, whatever was to be written to it; a wrong value, a count \
        of 0 or a write without its ticket by 3; what the lock or the logic refuses by 7; a lock that is barred for a while \
        by 6. Requests to everybody (address 0) are not heard.\n\n\
        ## Input registers of the plant\n\n"
    );
    table(&mut text, PLANT, 0, "");
    writeln!(
        text,
        "## Input registers of a tank\n\nThose of tank 1 begin at {TANK_INPUTS}, those of the next {TANK_INPUTS_STEP} further \
         on, and so on.\n"
    )
    .unwrap();
    table(&mut text, TANK, 0, "+");
    text += "## Discrete inputs\n\n| address | on while |\n|---|---|\n";
    for relay in 0..RELAYS {
        writeln!(text, "| {relay} | the coil of relay {} is energised |", relay + 1).unwrap();
    }
    for (at, alarm) in (ALARM_INPUTS..).zip(Alarm::ALL) {
        writeln!(text, "| {at} | `{alarm}` stands |").unwrap();
    }
    text += "\n## Holding registers\n\nThey read as 0. Each is written whole, by function 16.\n\n";
    table(&mut text, HOLDING, 0, "");
    text += "A write is allowed by its ticket alone: read input registers 2 and 3, write what you read to holding registers 0 \
        and 1, and then write what you mean. The key and the clock may follow the ticket in the same request where they stand \
        next to it. After each write there is another ticket, so that a request that was recorded and sent again changes \
        nothing. Where the lock of the serial line wants a key, that comes first.\n\n\
        ## Coils\n\nOne is switched at a time, by function 5, with its ticket.\n\n\
        Those of tank 1 begin at 0, ";
    writeln!(text, "those of the next {TANK_COILS_STEP} further on, and so on.\n").unwrap();
    text += "| address | name | what |\n|---|---|---|\n";
    for (at, coil) in (0..).zip(TANK_COILS) {
        writeln!(text, "| +{at} | `{}` | {} |", coil.name, coil.text).unwrap();
    }
    writeln!(text, "\nThose of the plant begin at {PLANT_COILS}.\n").unwrap();
    text += "| address | name | what |\n|---|---|---|\n";
    for (at, coil) in (PLANT_COILS..).zip(PLANT_COIL) {
        writeln!(text, "| {at} | `{}` | {} |", coil.name, coil.text).unwrap();
    }
    text += "\n## Numbers of names\n\n0 = none, or unknown.\n\n";
    numbered(&mut text, "duties", DutyKind::ALL.iter().map(|name| name.slug()));
    numbered(&mut text, "steps", StepKind::ALL.iter().map(|name| name.slug()));
    numbered(&mut text, "positions", Position::ALL.iter().map(|name| name.slug()));
    text += "\nIn a register of bits, the first of these is bit 0:\n\n";
    numbered(&mut text, "causes", Cause::ALL.iter().map(|name| name.slug()));
    numbered(&mut text, "holds", Hold::ALL.iter().map(|name| name.slug()));
    text
}

#[test]
fn the_chapter_is_the_table() {
    let page = page();
    if std::env::var_os("UPDATE_HANDBOOK").is_some() {
        std::fs::write(PAGE, &page).unwrap();
    }
    let known = std::fs::read_to_string(Path::new(PAGE)).unwrap_or_default();
    assert!(known == page, "docs/book/registers.md is not what the table makes: UPDATE_HANDBOOK=1 writes it");
}

/// Tanks do not run into each other, nor into the alarms or the plant's coils.
#[test]
fn blocks_lie_apart() {
    let words = |of: &mut dyn Iterator<Item = u16>| of.sum::<u16>();
    assert!(words(&mut PLANT.iter().map(|r| r.words)) <= TANK_INPUTS);
    assert!(words(&mut TANK.iter().map(|r| r.words)) <= TANK_INPUTS_STEP);
    assert!(TANK_COILS.len() <= usize::from(TANK_COILS_STEP));
    const { assert!(8 * TANK_COILS_STEP <= PLANT_COILS) };
    assert!(RELAYS <= usize::from(ALARM_INPUTS));
    let names = PLANT.iter().map(|r| r.name).chain(TANK.iter().map(|r| r.name));
    let unique: std::collections::BTreeSet<_> = names.clone().collect();
    assert_eq!(unique.len(), names.count());
}
