//! The settings that several tests and the replay benchmark run.

use bedkeeper::RawSettings;
use bedkeeper::program::Position;
use bedkeeper::settings::{Arrangement, Medium, RawDrive, Reserve, StartRule};
use bedkeeper::units::{Exchange, Hardness, Millis, NL_PER_L, Volume};

/// Two alternating tanks of 6 000 L at 342 mg/L, 10 L a pulse, 200 L kept back, no windows.
pub fn settings() -> RawSettings {
    let mut raw = RawSettings::baseline();
    raw.arrangement = Arrangement::Alternating;
    raw.tanks = 2;
    raw.start = StartRule::Immediate;
    raw.meter.pulse_nl = 10 * NL_PER_L;
    raw.medium = Medium::Softener {
        hardness: Hardness(342_000),
        capacity: Exchange(6_000 * 342_000),
        total: Exchange(10_000 * 342_000),
    };
    // In a building somebody always draws water.
    raw.watch.unbroken_after = Millis::ZERO;
    raw.reserve = Reserve::Fixed(Volume::from_litres(200));
    if let RawDrive::CamSwitch { positions, .. } = &mut raw.drive {
        positions.push(Position::Standby).expect("there is room");
    }
    raw
}
