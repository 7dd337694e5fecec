//! An invented site to measure on: two alternating tanks with a litre a pulse.
#![allow(dead_code, reason = "each bench uses its part")]

use bedkeeper::calendar::{Civil, Weekdays, Window};
use bedkeeper::contact::Contact;
use bedkeeper::drive::Switches;
use bedkeeper::journal::Who;
use bedkeeper::program::Position;
use bedkeeper::settings::{Arrangement, Medium, RawDrive, StartRule};
use bedkeeper::units::{Exchange, Hardness, Instant, TankId};
use bedkeeper::{Action, Controller, Input, RawSettings, Settings};

/// A controller and its time.
#[derive(Clone)]
pub struct Site {
    controller: Controller<2>,
    now_ms: u64,
}

impl Site {
    fn new(raw: RawSettings) -> Self {
        let settings = Settings::try_from(raw).expect("the settings of this bench pass");
        let controller = Controller::new(Instant::from_ticks(0), settings).expect("two tanks fit");
        let mut site = Self { controller, now_ms: 0 };
        site.after(0, Input::Clock(Some(Civil::at(9_921, 0))));
        for (tank, closed) in [(TankId(0), Switches(1)), (TankId(1), Switches(1 << 5))] {
            site.after(0, Input::Switches { tank, closed });
        }
        site.after(1_000, Input::Contact { contact: Contact::LowPressure, closed: true });
        site.after(2_000, Input::Contact { contact: Contact::LowPressure, closed: false });
        site.after(2_000, Input::Tick);
        site
    }

    /// Hands in an input so many ms later, and reads everything as a driver does.
    pub fn after(&mut self, ms: u64, input: Input) {
        self.now_ms += ms;
        let taken = self.controller.handle(Instant::from_ticks(self.now_ms), input);
        assert!(taken.is_ok(), "refused: {taken:?}");
        while let Some(record) = self.controller.take_record() {
            std::hint::black_box(record);
        }
        std::hint::black_box((self.controller.outputs(), self.controller.next_deadline()));
    }
}

fn raw() -> RawSettings {
    let mut raw = RawSettings::baseline();
    raw.arrangement = Arrangement::Alternating;
    raw.tanks = 2;
    raw.medium = Medium::Softener {
        hardness: Hardness(300_000),
        capacity: Exchange(1_000_000 * 300_000),
        total: Exchange(2_000_000 * 300_000),
    };
    raw.start = StartRule::Immediate;
    if let RawDrive::CamSwitch { positions, .. } = &mut raw.drive {
        positions.push(Position::Standby).expect("a place is left");
    }
    raw
}

/// Tank 1 serves with most of its capacity left, tank 2 is ready.
pub fn serving() -> Site {
    Site::new(raw())
}

/// Eight windows a day, and a tank that waits for the regeneration hour.
pub fn waiting_among_windows() -> Site {
    let mut raw = raw();
    raw.start = StartRule::AtHour;
    for from in [330, 450, 570, 690, 810, 930, 1_050, 1_170] {
        let window = Window { days: Weekdays::ALL_DAYS, from_minute: from, to_minute: from + 15 };
        raw.windows.push(window).expect("eight windows fit");
    }
    let mut site = Site::new(raw);
    let action = Action::StartAtHour(TankId(1));
    site.after(5 * 3_600_000, Input::Operator { who: Who::Panel, action });
    site
}
