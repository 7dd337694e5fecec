//! What is asked and what is answered.
//!
//! A new request stands last in its enum: a board that does not know it says [`Refusal::Unknown`]. Every other change of what
//! a message is made of, a further kind of record of the journal too, is a change of [`super::frame::VERSION`]: a host that read
//! such an answer without knowing it would take it for nonsense, and is told which of the two is older instead.

use bedkeeper::calendar::Civil;
use bedkeeper::chronicle::{Happening, RegenerationRecord};
use bedkeeper::commission::SignedOff;
use bedkeeper::demand::{CauseSet, HoldSet};
use bedkeeper::drive::Motion;
use bedkeeper::duty::DutyKind;
use bedkeeper::hardness_log::{HardnessEntry, KEPT};
use bedkeeper::image::{ImageError, SiteName, SiteNote};
use bedkeeper::journal::Record;
use bedkeeper::lifetime::{RelayLife, ValveLife};
use bedkeeper::lock::Key;
use bedkeeper::program::{Position, StepKind};
use bedkeeper::relay::RELAYS;
use bedkeeper::reserve::DayUse;
use bedkeeper::settings::{MAX_TANKS, Problem};
use bedkeeper::units::{Flow, Instant, TankId, Volume};
use bedkeeper::watch::{Alarm, AlarmSet, AlarmState};
use bedkeeper::{Accounts, Action, Refused, Why};
use heapless::{String, Vec};
use serde::{Deserialize, Serialize};

use crate::baseline::Baseline;
use crate::manners::Manners;
use crate::panel::Units;
use crate::plant::NotWired;

/// Records of the journal in one answer.
pub const RECORDS: usize = 12;
/// Regenerations in one answer.
pub const REGENERATIONS: usize = 7;
/// Days in one answer.
pub const DAYS: usize = 64;
/// Alarms and wishes in one answer.
pub const HAPPENINGS: usize = 32;
/// Bytes of an image in one message.
pub const PIECE: usize = 512;
/// Faults of refused settings that are listed in one answer; more are counted.
pub const FAULTS: usize = 12;
/// Room for the path of a setting.
pub const FIELD: usize = 48;
/// How many alarms there are.
pub const ALARMS: usize = Alarm::ALL.len();

/// What a host asks.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[allow(clippy::large_enum_variant, reason = "there is one, for a moment, and no heap to box it on")]
pub enum Request {
    /// Who are you?
    Identity,
    /// What does the plant do?
    Status,
    /// What is asked of a tank, and what holds it (S8)?
    Why(TankId),
    /// Which alarms are there (W3)?
    Alarms,
    /// What have valves and relays done in their lives (P7)?
    Counters,
    /// The journal from a record on.
    Records {
        /// The first number wanted.
        from: u32,
    },
    /// The regenerations from one on.
    Regenerations {
        /// The first number wanted.
        from: u32,
    },
    /// The days of use from one on.
    Days {
        /// The first number wanted.
        from: u32,
    },
    /// The alarms that came and went, and what operators asked for, from one on.
    Happenings {
        /// The first number wanted.
        from: u32,
    },
    /// The settings that run, as an image, from a byte on. Codes of locks are left out.
    Settings {
        /// The first byte wanted.
        offset: u16,
    },
    /// Begin to change something: a session is opened, and one that was open is closed.
    Open,
    /// Change something.
    Change(Change),
    /// The latest hardness tests (O6).
    HardnessTests,
    /// The signed record of the walk through the plant (O6).
    Signed,
    /// How does the board speak: its address, its speed, the units of its panel?
    Manners,
}

/// A change, in its place among those of its session.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Change {
    /// The session, as [`Answer::Opened`] told it.
    pub session: u64,
    /// 1 for the first, and one more for each.
    pub turn: u32,
    /// What is wanted.
    pub wish: Wish,
}

/// What shall be changed.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[allow(clippy::large_enum_variant, reason = "there is one, for a moment, and no heap to box it on")]
pub enum Wish {
    /// Open the lock of the serial line (O1).
    Unlock(Key),
    /// Close it.
    Relock,
    /// What operators do (Q5).
    Act(Action),
    /// Set civil time (T1).
    SetClock(Civil),
    /// A settings image is coming, in pieces.
    Stage(Staging),
    /// A piece of it; pieces come in order.
    Piece {
        /// Its place.
        offset: u16,
        /// Its bytes.
        bytes: Vec<u8, PIECE>,
    },
    /// The image is whole: check it, and take it whole or not at all (O2).
    Take,
    /// Store the settings that run as the site's own baseline (O3).
    StoreBaseline,
    /// Return to a baseline: it is taken whole or not at all (O3).
    ResetTo {
        /// Which.
        baseline: Baseline,
        /// Where it describes another plant it may be taken by a restart.
        may_restart: bool,
    },
    /// Speak otherwise from the next frame on; what is left out stays.
    Speak {
        /// The address for Modbus, 1 to 247.
        address: Option<u8>,
        /// Bits a second, one of [`crate::manners::SPEEDS`].
        baud: Option<u32>,
        /// The units of the panel (O5).
        units: Option<Units>,
    },
}

/// What is coming, and what of it shall be taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Staging {
    /// Bytes of the image.
    pub length: u16,
    /// CRC-32 of all of them.
    pub sum: u32,
    /// Checksum of the settings that the host saw running: where others run by now, nothing is taken.
    pub instead_of: u32,
    /// Step times of this controller stay, as far as its steps are the same (O4).
    pub keep_step_times: bool,
    /// The site's name and note stay.
    pub keep_name: bool,
    /// The rules and codes of the locks are taken too; otherwise they stay.
    pub take_locks: bool,
    /// Where they describe another plant they may be taken by a restart.
    pub may_restart: bool,
}

/// What a board answers.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[allow(clippy::large_enum_variant, reason = "there is one, for a moment, and no heap to box it on")]
pub enum Answer {
    /// To [`Request::Identity`].
    Identity(Identity),
    /// To [`Request::Status`].
    Status(Status),
    /// To [`Request::Why`].
    Why {
        /// When it was asked.
        moment: Moment,
        /// Whether it regenerates just now.
        regenerates: bool,
        /// What is asked of it and what holds it.
        why: Why,
    },
    /// To [`Request::Alarms`].
    Alarms {
        /// When it was asked.
        moment: Moment,
        /// Those that stand, or that nobody has acknowledged.
        alarms: Vec<(Alarm, AlarmState), ALARMS>,
    },
    /// To [`Request::Counters`].
    Counters(Counters),
    /// To [`Request::Records`].
    Records(Page<Record, RECORDS>),
    /// To [`Request::Regenerations`].
    Regenerations(Page<RegenerationRecord, REGENERATIONS>),
    /// To [`Request::Days`].
    Days(Page<DayUse, DAYS>),
    /// To [`Request::Happenings`].
    Happenings(Page<Happening, HAPPENINGS>),
    /// To [`Request::Settings`].
    Settings {
        /// Bytes of the whole image.
        length: u16,
        /// Its checksum: where it is another from piece to piece, begin again.
        checksum: u32,
        /// Bytes from the one asked for on.
        bytes: Vec<u8, PIECE>,
    },
    /// To [`Request::Open`].
    Opened {
        /// The session.
        session: u64,
        /// Whether the lock is open.
        unlocked: bool,
    },
    /// The change was made.
    Done,
    /// The settings were taken.
    Taken(Taken),
    /// Nothing was changed.
    Refused(Refusal),
    /// To [`Request::HardnessTests`]: the oldest first.
    HardnessTests(Vec<HardnessEntry, KEPT>),
    /// To [`Request::Signed`]: nothing if none was signed.
    Signed(Option<SignedOff>),
    /// To [`Request::Manners`].
    Manners(Manners),
    /// The change was made, and holds until power fails: nothing kept it.
    NotKept,
}

/// How settings were taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Taken {
    /// They run once the board has restarted, which it does now.
    pub restarts: bool,
    /// They outlive a power cut; where not, they run until the next.
    pub is_stored: bool,
}

/// Some things that are numbered, the oldest first.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Page<T, const P: usize> {
    /// The things.
    pub items: Vec<T, P>,
    /// The number to ask from next.
    pub next: u32,
    /// There are more.
    pub more: bool,
}

/// Why nothing was changed, or nothing answered.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[allow(clippy::large_enum_variant, reason = "there is one, for a moment, and no heap to box it on")]
pub enum Refusal {
    /// The board speaks another version of the link; the frame's head says which.
    Version,
    /// The message is whole, and none that is known.
    Unknown,
    /// The answer finds no room in a frame.
    TooLong,
    /// There is no such tank.
    NoSuchTank,
    /// No session with that number is open: open one.
    NoSession,
    /// Not the next change of its session.
    OutOfTurn {
        /// The next is this.
        next: u32,
    },
    /// The lock of the serial line is closed (O1).
    Locked,
    /// The logic refuses.
    Logic(Refused),
    /// The image is longer than any can be, or none is being staged.
    NotStaged,
    /// The piece is not the next one.
    PieceOutOfPlace {
        /// The next begins here.
        next: u16,
    },
    /// Pieces are missing, or one was damaged.
    NotWhole,
    /// It is no image.
    Image(ImageError),
    /// The settings do not pass their check (S11).
    Faulty {
        /// The first faults.
        faults: Vec<FaultTold, FAULTS>,
        /// How many more there are.
        more: u16,
    },
    /// The board has not what the settings need.
    NotWired(NotWired),
    /// They are the settings that run.
    NothingChanged,
    /// Others run than the host saw.
    ChangedMeanwhile,
    /// A regeneration runs: offer them again when it is over.
    Regenerating,
    /// They describe another plant, and a restart was not allowed.
    NeedsRestart,
    /// A valve moves, and flash cannot be written without stopping the core: offer them again in a minute.
    ValveMoves,
    /// They could not be stored, and nothing was changed.
    NotStored,
    /// No baseline of the site was stored (O3).
    NoBaseline,
    /// No board has such an address, or no line such a speed.
    NoSuchManners,
}

/// One fault of settings, as [`bedkeeper::settings::Fault`].
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct FaultTold {
    /// Path of the field.
    pub field: String<FIELD>,
    /// Which entry of a list, from 0.
    pub index: Option<u8>,
    /// What is wrong.
    pub problem: Problem,
}

/// A moment on both clocks.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Moment {
    /// On the logic's own.
    pub at: Instant,
    /// Civil time, if known.
    pub civil: Option<Civil>,
}

/// Who answers.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Identity {
    /// The board.
    pub board: String<32>,
    /// The version of its software.
    pub software: String<16>,
    /// The version of settings images that it takes.
    pub image_version: u16,
    /// Checksum of the image of the settings that run; codes of locks are left out of it.
    pub settings: u32,
    /// The site's name.
    pub name: SiteName,
    /// The site's note (O3).
    pub note: SiteNote,
    /// How many tanks the site has.
    pub tanks: u8,
    /// How many the board's software can have.
    pub tanks_at_most: u8,
    /// Whether the lock of the serial line wants a key.
    pub wants_key: WantsKey,
    /// Milliseconds since power came.
    pub uptime_ms: u64,
}

/// What the lock of the serial line wants (O1).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum WantsKey {
    /// Nothing.
    Nothing,
    /// A deliberate step: say that you mean it.
    Press,
    /// A code.
    Code,
}

/// What the plant does.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Status {
    /// When.
    pub moment: Moment,
    /// The tanks, in order.
    pub tanks: Vec<TankStatus, MAX_TANKS>,
    /// Flow by the meters.
    pub flow: Flow,
    /// Where the metered water went.
    pub accounts: Accounts,
    /// Delivered since the last regeneration hour.
    pub used_today: Volume,
    /// Alarms that stand.
    pub alarms: AlarmSet,
    /// Alarms that nobody has acknowledged.
    pub unacknowledged: AlarmSet,
    /// Relays whose coils are energised.
    pub relays: [bool; RELAYS],
    /// What the motor of a shared changeover valve is told.
    pub shared: Motion,
    /// When the logic will next act by itself.
    pub next: Option<Instant>,
    /// Refill water in the brine tank that has not been drawn.
    pub brine_water: Volume,
    /// Whether the lock of the serial line is open.
    pub unlocked: bool,
    /// Whether people are away.
    pub away: bool,
    /// Records of the journal that were pushed out before they were taken.
    pub records_lost: u16,
}

/// What a tank does.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct TankStatus {
    /// Its duty.
    pub duty: DutyKind,
    /// The step of its regeneration under way.
    pub step: Option<StepKind>,
    /// When that ends, if time ends it.
    pub step_ends: Option<Instant>,
    /// Where its valve is confirmed to stand.
    pub position: Option<Position>,
    /// Where it goes.
    pub target: Option<Position>,
    /// What its motor is told.
    pub motion: Motion,
    /// Its valve is lost.
    pub is_lost: bool,
    /// Left of its capacity.
    pub left: Volume,
    /// Left before it asks.
    pub asks_in: Volume,
    /// Passed since its last regeneration.
    pub since_regeneration: Volume,
    /// Passed since nothing was left.
    pub overrun: Volume,
    /// Of what passed, estimated.
    pub estimated: Volume,
    /// Spent of its capacity, percent.
    pub spent_percent: u16,
    /// What is asked of it.
    pub causes: CauseSet,
    /// What holds it.
    pub holds: HoldSet,
    /// It drew brine and did not complete its regeneration (L3).
    pub is_unproven: bool,
    /// An operator holds it.
    pub is_held: bool,
    /// Taken out by an operator, it serves until another has taken over (A7).
    pub is_leaving: bool,
}

/// What valves, relays and the store have done in their lives.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Counters {
    /// The tanks' valves, in order.
    pub valves: Vec<ValveLife, MAX_TANKS>,
    /// The shared changeover valve.
    pub shared: ValveLife,
    /// The relays.
    pub relays: [RelayLife; RELAYS],
    /// How often the page of the store that was erased most has been.
    pub erasures: u32,
}
