//! The diagrams of the handbook's wiring page, drawn from the table that the image wires by.
#![allow(missing_docs)]

use std::path::PathBuf;

use bedkeeper_pico::pins::{PINS, PinUse, Role};
use svg::Document;
use svg::node::element::{Circle, Line, Rectangle, Text};

const INK: &str = "#202020";

/// A drawing that texts, boxes and wires are put on.
struct Drawing {
    document: Document,
    size: (u32, u32),
}

impl Drawing {
    fn new(width: u32, height: u32) -> Self {
        let document = Document::new()
            .set("viewBox", (0, 0, width, height))
            .set("width", width)
            .set("height", height)
            .set("font-family", "sans-serif")
            .set("font-size", 13);
        let ground = Rectangle::new().set("width", width).set("height", height).set("fill", "white");
        Self { document: document.add(ground), size: (width, height) }
    }

    fn put(&mut self, node: impl Into<Box<dyn svg::Node>>) {
        self.document = std::mem::replace(&mut self.document, Document::new()).add(node);
    }

    /// Where a text stands must lie on the drawing; a character is reckoned with 8 dots.
    fn text(&mut self, x: u32, y: u32, anchor: &str, text: &str) {
        let long = 8 * u32::try_from(text.chars().count()).unwrap();
        let (left, right) = match anchor {
            "end" => (x.checked_sub(long), Some(x)),
            "middle" => (x.checked_sub(long / 2), Some(x + long / 2)),
            _ => (Some(x), Some(x + long)),
        };
        let fits = left.is_some() && right.is_some_and(|right| right <= self.size.0) && y < self.size.1;
        assert!(fits, "{text:?} leaves the drawing");
        self.put(Text::new(text).set("x", x).set("y", y).set("text-anchor", anchor).set("fill", INK));
    }

    fn wire(&mut self, points: &[(u32, u32)]) {
        for pair in points.windows(2) {
            let line = Line::new().set("x1", pair[0].0).set("y1", pair[0].1).set("x2", pair[1].0).set("y2", pair[1].1);
            self.put(line.set("stroke", INK).set("stroke-width", 2));
        }
    }

    /// A box with lines of text in its middle.
    fn part(&mut self, (x, y, width, height): (u32, u32, u32, u32), texts: &[&str]) {
        let frame = Rectangle::new().set("x", x).set("y", y).set("width", width).set("height", height);
        self.put(frame.set("fill", "#f4f4f4").set("stroke", INK).set("stroke-width", 2));
        let lines = u32::try_from(texts.len()).unwrap();
        assert!(
            lines * 16 <= height && texts.iter().all(|text| text.chars().count() * 7 <= width as usize),
            "{texts:?}"
        );
        for (text, line) in texts.iter().zip(0..) {
            self.text(x + width / 2, y + height / 2 + 5 + 16 * line - 8 * (lines - 1), "middle", text);
        }
    }

    /// The sign of ground at the end of a wire.
    fn ground(&mut self, x: u32, y: u32) {
        for (half, down) in [(12, 0), (8, 5), (4, 10)] {
            self.wire(&[(x - half, y + down), (x + half, y + down)]);
        }
    }

    /// Wires that cross here are joined; where there is none they are not.
    fn joint(&mut self, x: u32, y: u32) {
        self.put(Circle::new().set("cx", x).set("cy", y).set("r", 4).set("fill", INK));
    }

    fn dashed(&mut self, from: (u32, u32), to: (u32, u32)) {
        let line = Line::new().set("x1", from.0).set("y1", from.1).set("x2", to.0).set("y2", to.1);
        self.put(line.set("stroke", INK).set("stroke-width", 2).set("stroke-dasharray", "8 6"));
    }

    fn compare(self, name: &str) {
        let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../../../docs/book/pictures").join(name);
        let drawn = format!("{}\n", self.document);
        if std::env::var_os("UPDATE_WIRING").is_some() {
            return std::fs::write(path, drawn).unwrap();
        }
        let there = std::fs::read_to_string(path).unwrap_or_default();
        assert!(
            there == drawn,
            "{name} differs from the table of pins: UPDATE_WIRING=1 draws it anew, then look at it"
        );
    }
}

/// A letter for the kind of a pin, so that nothing is told by colour alone.
fn kind(role: Role) -> &'static str {
    match role {
        role if role.is_actuator() => "O",
        role if role.is_contact() => "C",
        Role::Lamp => "L",
        _ => "B",
    }
}

/// What stands at a number of the board's edge that the table does not use.
fn supply(edge: u8) -> &'static str {
    match edge {
        3 | 8 | 13 | 18 | 23 | 28 | 33 | 38 => "ground",
        30 => "RUN: supervisor",
        35 => "reference, not used",
        36 => "3.3 V out",
        37 => "3.3 V enable, not used",
        39 => "supply in, 5 V",
        40 => "USB 5 V, not used",
        _ => "",
    }
}

#[test]
fn the_board_is_drawn_from_the_table() {
    let mut drawing = Drawing::new(1120, 560);
    drawing.part((470, 30, 180, 480), &["the board,", "seen from above,", "USB at the top"]);
    let at = |edge: u8| PINS.iter().find(|pin| pin.edge == Some(edge));
    for row in 0..20u32 {
        let y = 52 + row * 23;
        for (edge, left) in [(u8::try_from(row + 1).unwrap(), true), (u8::try_from(40 - row).unwrap(), false)] {
            let label = match at(edge) {
                Some(PinUse { gpio, role, text, .. }) => format!("{} GP{gpio}: {text}", kind(*role)),
                None => supply(edge).to_owned(),
            };
            assert!(!label.is_empty(), "nothing is known of edge {edge}");
            let (number, pin, end, side, inner) =
                if left { (478, 470, 454, "end", "start") } else { (642, 650, 666, "start", "end") };
            drawing.text(number, y + 4, inner, &edge.to_string());
            drawing.wire(&[(pin, y), (end, y)]);
            drawing.text(if left { end - 6 } else { end + 6 }, y + 4, side, &label);
        }
    }
    drawing.text(
        20,
        545,
        "start",
        "O output, with a pull-down outside - C contact to ground - B bus or line. GP25 is the lamp on the board.",
    );
    drawing.compare("wiring-board.svg");
}

/// The names of the pins of some roles, in order.
fn pins(wanted: impl Fn(Role) -> bool) -> String {
    let names: Vec<_> = PINS.iter().filter(|pin| wanted(pin.role)).map(|pin| format!("GP{}", pin.gpio)).collect();
    names.join(", ")
}

#[test]
fn an_output_is_drawn() {
    let mut drawing = Drawing::new(980, 330);
    let outputs = pins(Role::is_actuator);
    drawing.text(20, 24, "start", &format!("One output of {outputs}; each is wired so."));
    drawing.part((20, 110, 110, 60), &["output", "of the board"]);
    drawing.wire(&[(130, 140), (300, 140)]);
    drawing.part((170, 190, 90, 36), &["10 kOhm"]);
    drawing.wire(&[(215, 140), (215, 190)]);
    drawing.joint(215, 140);
    drawing.wire(&[(215, 226), (215, 250)]);
    drawing.ground(215, 250);
    drawing.text(240, 258, "start", "pull-down");
    drawing.part((300, 100, 190, 80), &["isolated driver:", "opto-coupler with", "triac, or a relay module"]);
    // Across what switches.
    drawing.wire(&[(560, 120), (540, 120), (540, 156)]);
    drawing.part((535, 156, 160, 44), &["snubber:", "100 Ohm and 100 nF"]);
    drawing.wire(&[(535, 178), (520, 178)]);
    drawing.joint(540, 120);
    drawing.joint(520, 178);
    drawing.dashed((395, 50), (395, 98));
    drawing.dashed((395, 182), (395, 300));
    drawing.text(385, 62, "end", "3.3 V, touchable");
    drawing.text(405, 62, "start", "24 V AC, separated");
    drawing.wire(&[(490, 120), (560, 120)]);
    drawing.part((560, 100, 120, 40), &["end switch"]);
    drawing.wire(&[(680, 120), (730, 120)]);
    drawing.part((730, 100, 120, 40), &["drive motor"]);
    drawing.wire(&[(850, 120), (900, 120), (900, 240), (860, 240)]);
    drawing.wire(&[(490, 160), (520, 160), (520, 240), (560, 240)]);
    drawing.part((560, 220, 120, 40), &["fuse"]);
    drawing.wire(&[(680, 240), (720, 240)]);
    drawing.part((720, 215, 140, 50), &["24 V AC", "safety transformer"]);
    drawing.text(410, 306, "start", "Fuse by the wire and the drive. The mains side: a licensed electrician.");
    drawing.compare("wiring-output.svg");
}

#[test]
fn a_contact_is_drawn() {
    let mut drawing = Drawing::new(980, 300);
    let contacts = pins(Role::is_contact);
    drawing.text(20, 24, "start", &format!("Contacts: {contacts}."));
    drawing.text(20, 60, "start", "A short line inside the enclosure:");
    drawing.part((20, 80, 110, 50), &["contact pin"]);
    drawing.wire(&[(130, 105), (160, 105)]);
    drawing.part((160, 88, 80, 34), &["1 kOhm"]);
    drawing.wire(&[(240, 105), (270, 105)]);
    drawing.part((270, 80, 140, 50), &["switch, reed", "or open collector"]);
    drawing.wire(&[(410, 105), (440, 105), (440, 140)]);
    drawing.ground(440, 140);
    drawing.text(20, 190, "start", "A long line, or one beside mains:");
    drawing.part((20, 210, 110, 50), &["contact pin"]);
    drawing.wire(&[(130, 235), (210, 235)]);
    drawing.part((210, 205, 130, 60), &["opto-coupler,", "collector here"]);
    drawing.wire(&[(240, 265), (240, 276)]);
    drawing.ground(240, 276);
    drawing.wire(&[(340, 235), (400, 235)]);
    drawing.part((400, 210, 150, 50), &["2.2 kOhm, and a", "diode against it"]);
    drawing.wire(&[(550, 235), (610, 235)]);
    drawing.part((610, 210, 150, 50), &["switch at the plant"]);
    drawing.wire(&[(760, 235), (810, 235)]);
    drawing.part((810, 210, 150, 50), &["12 V DC of its own"]);
    drawing.wire(&[(885, 260), (885, 285), (320, 285), (320, 265)]);
    drawing.text(480, 105, "start", "Never a voltage on a contact pin: 3.3 V is its most.");
    drawing.compare("wiring-contact.svg");
}

#[test]
fn the_bus_is_drawn() {
    let mut drawing = Drawing::new(980, 380);
    let lines = pins(|role| matches!(role, Role::BusData | Role::BusClock));
    drawing.text(20, 24, "start", &format!("Data and clock: {lines}. Short wires, 30 cm at the most."));
    drawing.part((20, 120, 120, 60), &["the board"]);
    drawing.wire(&[(140, 140), (900, 140)]);
    drawing.wire(&[(140, 160), (900, 160)]);
    drawing.text(150, 134, "start", "data");
    drawing.text(150, 176, "start", "clock");
    for (x, y) in [(220, 140), (310, 160)] {
        drawing.wire(&[(x, y), (x, 100)]);
        drawing.joint(x, y);
        drawing.part((x - 40, 64, 80, 36), &["4.7 kOhm"]);
        drawing.wire(&[(x, 64), (x, 50)]);
        drawing.text(x, 46, "middle", "3.3 V");
    }
    let devices: [(u32, [&str; 3]); 3] = [
        (340, ["hardware clock", "DS3231, 0x68", "with its battery"]),
        (510, ["display 128x64", "SSD1306, 0x3C", "3.3 V"]),
        (680, ["port expander", "register 0: inputs", "address 0x20"]),
    ];
    for (x, texts) in devices {
        drawing.wire(&[(x + 60, 140), (x + 60, 210)]);
        drawing.wire(&[(x + 90, 160), (x + 90, 210)]);
        drawing.joint(x + 60, 140);
        drawing.joint(x + 90, 160);
        let width = if x == 680 { 280 } else { 150 };
        drawing.part((x, 210, width, 60), &texts);
    }
    for (name, at) in ["0 up", "1 down", "2 back", "3 enter"].into_iter().zip(0u32..) {
        let x = 700 + at * 75;
        drawing.wire(&[(x, 270), (x, 306)]);
        drawing.part((x - 32, 306, 64, 26), &[name]);
        drawing.wire(&[(x, 332), (x, 344)]);
    }
    drawing.wire(&[(700, 344), (925, 344)]);
    drawing.ground(812, 346);
    drawing.text(660, 324, "end", "Inputs 0 to 3, each with 10 kOhm to 3.3 V; a button closes its own to ground.");
    drawing.compare("wiring-bus.svg");
}

#[test]
fn a_driver_is_drawn() {
    let mut drawing = Drawing::new(980, 330);
    let outputs = pins(Role::is_actuator);
    drawing.text(20, 24, "start", &format!("The driver of one output of {outputs}."));
    drawing.part((20, 180, 110, 60), &["output", "of the board"]);
    drawing.wire(&[(130, 210), (170, 210)]);
    drawing.part((170, 193, 90, 34), &["1 kOhm"]);
    drawing.wire(&[(260, 210), (400, 210)]);
    drawing.wire(&[(310, 210), (310, 240)]);
    drawing.joint(310, 210);
    drawing.part((265, 240, 90, 34), &["10 kOhm"]);
    drawing.wire(&[(310, 274), (310, 290)]);
    drawing.ground(310, 290);
    drawing.part((400, 185, 130, 50), &["transistor,", "NPN, 100 mA"]);
    drawing.wire(&[(465, 235), (465, 280)]);
    drawing.ground(465, 280);
    drawing.text(485, 276, "start", "emitter");
    drawing.wire(&[(465, 185), (465, 140), (600, 140)]);
    drawing.text(475, 134, "start", "collector");
    drawing.part((600, 90, 170, 110), &["opto-coupler", "with triac:", "its diode,", "1.2 V, 11 mA"]);
    drawing.wire(&[(600, 110), (430, 110)]);
    drawing.part((340, 93, 90, 34), &["330 Ohm"]);
    drawing.wire(&[(340, 110), (280, 110)]);
    drawing.text(270, 115, "end", "5 V");
    drawing.dashed((705, 50), (705, 88));
    drawing.dashed((705, 202), (705, 300));
    drawing.text(695, 66, "end", "3.3 V and 5 V");
    drawing.text(715, 66, "start", "24 V AC, separated");
    drawing.wire(&[(770, 120), (830, 120)]);
    drawing.wire(&[(770, 170), (830, 170)]);
    drawing.text(838, 150, "start", "what is switched");
    drawing.compare("wiring-driver.svg");
}

#[test]
fn the_supply_is_drawn() {
    let mut drawing = Drawing::new(980, 300);
    drawing.text(20, 24, "start", "Supply of the board; drives have a transformer and fuses of their own.");
    drawing.part((20, 80, 150, 60), &["mains, fused:", "the electrician's"]);
    drawing.wire(&[(170, 110), (210, 110)]);
    drawing.part((210, 80, 170, 60), &["supply, 5 V, 1 A,", "safety isolating"]);
    drawing.wire(&[(380, 110), (420, 110)]);
    drawing.part((420, 90, 90, 40), &["fuse 1 A"]);
    drawing.wire(&[(510, 110), (550, 110)]);
    drawing.part((550, 85, 150, 50), &["Schottky diode,", "1 A, towards 39"]);
    drawing.wire(&[(700, 110), (760, 110)]);
    drawing.part((760, 60, 190, 200), &["the board", "", "39 supply in", "38 ground", "30 RUN", "USB socket"]);
    drawing.wire(&[(295, 140), (295, 168), (760, 168)]);
    drawing.text(310, 162, "start", "ground");
    drawing.part((420, 190, 200, 50), &["supervisor, 2.9 V,", "open drain"]);
    drawing.wire(&[(620, 215), (760, 215)]);
    drawing.text(
        20,
        280,
        "start",
        "USB only with the drives' plugs pulled, or through an isolator: it ties the computer's ground to the plant's.",
    );
    drawing.compare("wiring-supply.svg");
}

#[test]
fn the_serial_line_is_drawn() {
    let mut drawing = Drawing::new(980, 360);
    let lines = pins(|role| matches!(role, Role::SerialOut | Role::SerialIn));
    drawing.text(20, 24, "start", &format!("Serial line: {lines}, 3.3 V."));
    drawing.text(20, 56, "start", "To a computer beside it:");
    drawing.part((20, 70, 130, 60), &["GP0 out, 1", "GP1 in, 2"]);
    drawing.wire(&[(150, 85), (420, 85)]);
    drawing.wire(&[(150, 105), (420, 105)]);
    drawing.wire(&[(85, 130), (85, 145), (485, 145), (485, 130)]);
    drawing.part((420, 70, 190, 60), &["USB adapter of 3.3 V:", "its in; its out"]);
    drawing.text(160, 162, "start", "ground");
    drawing.text(640, 105, "start", "no further than a metre or two");
    drawing.text(20, 200, "start", "To a building's line (RS-485), one pair and ground:");
    drawing.part((20, 215, 130, 60), &["GP0 out, 1", "GP1 in, 2"]);
    drawing.wire(&[(150, 230), (200, 230)]);
    drawing.wire(&[(150, 260), (200, 260)]);
    drawing.part((200, 210, 200, 70), &["transceiver, 3.3 V,", "isolated, turns its", "direction by itself"]);
    drawing.wire(&[(400, 230), (840, 230)]);
    drawing.wire(&[(400, 260), (840, 260)]);
    drawing.text(410, 224, "start", "D1 (B)");
    drawing.text(410, 278, "start", "D0 (A)");
    for (x, what) in [(500, "one end"), (780, "other end")] {
        drawing.wire(&[(x, 230), (x, 295)]);
        drawing.wire(&[(x + 24, 260), (x + 24, 295)]);
        drawing.joint(x, 230);
        drawing.joint(x + 24, 260);
        drawing.part((x - 38, 295, 100, 36), &["120 Ohm"]);
        drawing.text(x + 12, 350, "middle", what);
    }
    drawing.part((600, 150, 140, 50), &["bias, once: 560", "Ohm to 5 V, to 0 V"]);
    drawing.wire(&[(640, 200), (640, 230)]);
    drawing.wire(&[(690, 200), (690, 260)]);
    drawing.joint(640, 230);
    drawing.joint(690, 260);
    drawing.part((840, 215, 120, 60), &["master"]);
    drawing.compare("wiring-serial.svg");
}

#[test]
fn the_enclosure_is_drawn() {
    let mut drawing = Drawing::new(980, 330);
    drawing.text(
        20,
        24,
        "start",
        "Three rooms of one box, with walls between them; each line comes in from below, into its own.",
    );
    drawing.part(
        (30, 50, 290, 200),
        &["mains", "", "terminals, fuses, transformer,", "5 V supply, mains relays", "", "licensed electrician"],
    );
    drawing.part((345, 50, 290, 200), &["24 V AC", "", "fuses of the drives, drivers,", "snubbers, terminals"]);
    drawing.part(
        (660, 50, 290, 200),
        &["3.3 V and 5 V", "", "board, clock, inputs, serial line;", "display and buttons in the door"],
    );
    for (x, what) in [(175, "mains in"), (490, "drives, valves"), (805, "meters, switches, floats")] {
        drawing.wire(&[(x, 250), (x, 285)]);
        drawing.text(x, 305, "middle", what);
    }
    drawing.dashed((332, 40), (332, 315));
    drawing.dashed((648, 40), (648, 315));
    drawing.compare("wiring-enclosure.svg");
}

/// The currents that the page tells of its resistors are those that its resistors give.
#[test]
fn the_values_on_the_page_are_reckoned() {
    let page = include_str!("../../../../docs/book/wiring.md");
    let milliamperes = |volts: f64, ohms: f64| volts / ohms * 1_000.0;
    let told = [
        ("(3.3 V − 0.7 V) / 1 kΩ = 2.6 mA", milliamperes(3.3 - 0.7, 1_000.0), 2.6),
        ("which the pull-down takes 0.07 mA", milliamperes(0.7, 10_000.0), 0.07),
        ("(5 V − 1.2 V − 0.1 V) / 330 Ω = 11 mA", milliamperes(5.0 - 1.2 - 0.1, 330.0), 11.0),
        ("(3.3 V − 1.2 V) / 560 Ω = 3.8 mA", milliamperes(3.3 - 1.2, 560.0), 3.8),
        ("(5 V − 2 V − 0.1 V) / 560 Ω = 5.2 mA", milliamperes(5.0 - 2.0 - 0.1, 560.0), 5.2),
        ("(12 V − 1.2 V) / 2.2 kΩ = 4.9 mA", milliamperes(12.0 - 1.2, 2_200.0), 4.9),
        ("0.8 mA flow", 24.0 * std::f64::consts::TAU * 50.0 * 100e-9 * 1_000.0, 0.8),
        ("53 mW in the", (12.0f64 - 1.2).powi(2) / 2_200.0 * 1_000.0, 53.0),
        ("reads 0.07 V", 3.3 / 51.0, 0.07),
    ];
    for (text, reckoned, shown) in told {
        assert!(page.contains(text), "{text}");
        assert!((reckoned / shown - 1.0).abs() < 0.08, "{text}: {reckoned}");
    }
    // All diodes on at once are what the supply was reckoned with, and no pin gives more than the chip stands.
    assert!(milliamperes(3.7, 330.0) * 8.0 < 100.0 && milliamperes(2.6, 1_000.0) * 8.0 < 50.0);
    for drawing in ["board", "supply", "enclosure", "output", "driver", "contact", "serial", "bus"] {
        assert!(page.contains(&format!("pictures/wiring-{drawing}.svg")), "{drawing}");
    }
}
