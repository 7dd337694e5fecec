//! States made comparable: every instant counted from now, and left out what no decision reads.
//!
//! The controller serialises, so a serialiser sees all of it, private or not, with the names of its parts. [`Rule`] says
//! for each part how it comes into a key; the reason stands beside it. Two states with equal keys then have the same
//! future: `tests.rs` runs such states on with the same acts and compares all that is done and said.

use std::hash::{BuildHasher, Hash, Hasher};

use bedkeeper::calendar::{Civil, DAY_MS};
use bedkeeper::relay::RelayProgram;
use bedkeeper::settings::{Arrangement, RawSettings, RemoteRole, Reserve, Schedule, StartRule, WhenClockUnset};
use bedkeeper::units::{Flow, Millis, Volume};
use serde::ser::{self, Serialize};

use super::acts::{Family, Powers};

/// Ages are told apart up to this, ms, where nothing nearer is known: longer than any time that a rule compares with.
pub const OLDEST_MS: u64 = 40 * DAY_MS;
/// What is compared with a limit of so long has no age in a key: only whether the limit has passed.
const RARE_MS: u64 = 30 * DAY_MS;
/// A decision that is due so soon is part of the state; later deadlines follow from the rest of it.
const SOON_MS: u64 = 1_000;
/// The adversary's portions make no such flow: a rated maximum beyond it is never passed.
const BOUNDLESS: Flow = Flow(1_000_000_000);

/// How a field comes into a key.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Rule {
    /// As it is; instants by their age up to [`OLDEST_MS`].
    Whole,
    /// Not at all.
    Out,
    /// Instants by their age up to so many ms.
    Age(u64),
    /// Only whether it is longer ago than so many ms.
    Past(u64),
    /// The same, and in which order the instants of such fields came, however old they are.
    Ordered(Group, u64),
    /// Only whether it is now.
    IsNow,
    /// Only if it comes within [`SOON_MS`].
    Soon,
    /// Civil time as the time of the week.
    Week,
    /// A date by its distance from today's.
    Date,
    /// An instant of which the low 32 bits are kept, by its age.
    LowBits,
}

/// Fields whose instants are compared with each other.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Group {
    /// Who asked first (C7).
    Asked,
    /// Whether the closure that was acted on is the present one (C4).
    Remote,
}

/// What a site's settings say of what is read at all.
#[derive(Clone, Debug)]
pub struct Reads {
    /// Some rule reads the calendar.
    pub calendar: bool,
    weekly: bool,
    forecast: bool,
    learned: bool,
    drain_day: bool,
    flow: bool,
    flow_gaps: bool,
    volume: bool,
    service: bool,
    relays: bool,
    derating: bool,
    rare_steps: bool,
    salt: bool,
    /// Power may fail, so what is stored and when matters.
    pub cuts: bool,
    /// Valves may leave their positions by themselves.
    strays: bool,
    /// Water runs steadily.
    pours: bool,
    contact_ms: u64,
    debounce_ms: u64,
    brine_ms: u64,
    silent_ms: u64,
    overdue_ms: u64,
    flow_wait_ms: u64,
    stale_ms: u64,
    backup_ms: u64,
    relay_ms: u64,
}

fn ms(length: Millis) -> u64 {
    u64::from(length.0)
}

impl Reads {
    /// What a site reads; with `clock` it knows civil time.
    #[must_use]
    pub fn of(raw: &RawSettings, clock: bool, powers: Powers) -> Self {
        let cuts = powers.cuts();
        let held = if raw.remote == RemoteRole::HoldOff { ms(raw.hold_off_limit) } else { 0 };
        let relays = || raw.relays.iter().filter(|relay| relay.program != RelayProgram::Unused);
        let learned = matches!(raw.reserve, Reserve::Learned(_));
        let scheduled = raw.schedule != Schedule::Off;
        let drain_day = raw.discharge_limit > Volume::ZERO;
        let service = raw.watch.service_volume > Volume::ZERO
            || raw.watch.service_regenerations > 0
            || raw.watch.service_days > 0;
        let calendar = !raw.windows.is_empty()
            || raw.start == StartRule::AtHour
            || raw.remote == RemoteRole::AtHour
            || raw.backup_days > 0
            || raw.when_clock_unset != WhenClockUnset::IgnoreWindows
            || scheduled
            || learned
            || drain_day;
        let follows = relays().any(|relay| relay.program == RelayProgram::WhileFlow);
        let flow_gaps = raw.watch.unbroken_after > Millis::ZERO || follows;
        let shares = matches!(raw.arrangement, Arrangement::Parallel | Arrangement::Staged);
        let silent_ms = ms(raw.watch.silent_after);
        let flow =
            flow_gaps || shares || silent_ms > 0 || raw.start_flow_limit > Flow(0) || raw.meter.rated_max < BOUNDLESS;
        let relay_ms = relays().map(|r| r.longest_on.max(r.min_on).max(r.min_off)).max().map_or(0, ms);
        Self {
            calendar,
            weekly: learned || scheduled || raw.windows.iter().any(|w| (0..7).any(|day| !w.days.has_number(day))),
            forecast: learned || (cuts && clock),
            learned,
            drain_day,
            flow,
            flow_gaps,
            volume: learned || service || relays().next().is_some(),
            service,
            relays: relays().next().is_some(),
            derating: raw.derating.per_year_per_mille > 0,
            rare_steps: raw.backwash_every > 1 || raw.brine.proportional.on,
            salt: raw.brine.store_doses > 0,
            cuts,
            strays: powers.has(Family::Hands),
            pours: powers.has(Family::Flow),
            contact_ms: ms(raw.contact_debounce).max(ms(raw.remote_minimum)).max(held),
            debounce_ms: ms(raw.contact_debounce),
            brine_ms: ms(raw.brine_ready_after),
            silent_ms,
            overdue_ms: ms(raw.overdue_after),
            flow_wait_ms: ms(raw.flow_wait_limit),
            stale_ms: ms(raw.stale_after),
            backup_ms: u64::from(raw.backup_days) * DAY_MS,
            relay_ms,
        }
    }

    /// What is read when nothing goes wrong any more. That a valve has strayed is found out only afterwards: until it is, `astray`
    /// holds.
    #[must_use]
    pub fn calm(&self, astray: bool) -> Self {
        Self { cuts: false, forecast: self.learned, strays: self.strays && astray, ..self.clone() }
    }

    /// How a field of a part of the controller comes into a key.
    fn rule(&self, part: &str, field: &str) -> Rule {
        let read_if = |read: bool| if read { Rule::Whole } else { Rule::Out };
        match field {
            // Settings stay. Sums, records and lives of parts are told to people and to a store.
            "settings" | "plant" | "accounts" | "journal" | "lives" | "on_now" | "chronicle" | "records" => Rule::Out,
            // How much was written by the last decision: begun anew by the next.
            "written" => Rule::Out,
            // Looked at by people, or when somebody acknowledges, which nobody does here.
            "since_s" | "unacknowledged" => Rule::Out,
            // The tanks of an alarm are those of its condition; of one that does not stand they mean nothing.
            "tanks" if part == "Watches" => Rule::Out,
            // Reckoned anew from the rest by every full call, which follows every pulse here but where water runs steadily.
            "quiet_pulses" => read_if(self.pours),
            // Told apart from metered water for people; where power fails, the adversary looks at it.
            "estimated" if part == "Ledger" => read_if(self.cuts),
            "now" => Rule::IsNow,
            "deadline" if part == "Controller" => Rule::Soon,
            // Of two days of powered time without a clock only backup days are made.
            "hour" if part != "Meter" => read_if(self.calendar),
            "scheduled_at" => read_if(self.calendar),
            "offset_ms" => Rule::Week,
            "dealt_day" => Rule::Date,
            "day" if part == "DrainDay" => Rule::Date,
            "fired_at" | "unset_since" => Rule::Age(DAY_MS),
            "reserving" => read_if(self.learned),
            // A forecast that is not known is not read, and one that nothing learns from but a dark time's guess.
            "forecast" => read_if(self.forecast),
            "drain" => read_if(self.drain_day),
            "tally" => read_if(self.volume),
            "service" => read_if(self.service),
            "relays" | "doses" | "relays_decided" => read_if(self.relays),
            "flow_watch" => read_if(self.flow_gaps),
            "recent" => read_if(self.flow),
            "silences" if self.silent_ms == 0 => Rule::Out,
            "silences" => Rule::Age(self.silent_ms),
            "closed_flow_at" => Rule::Age(600_000),
            "regenerations" => read_if(self.rare_steps),
            "derating" => read_if(self.derating),
            "began_at" if self.backup_ms == 0 => Rule::Out,
            "began_at" => Rule::Age(self.backup_ms),
            "started_at" => read_if(self.relays),
            "asked_at" => Rule::Ordered(Group::Asked, self.overdue_ms),
            "turning_since_ms" => Rule::LowBits,
            "flow_wait_since" => Rule::Age(self.flow_wait_ms),
            "refilled_at" => Rule::Age(self.brine_ms),
            "since_salt_filled" => read_if(self.salt),
            // What is not stored and when it was is looked at where power may fail.
            "unsaved" | "wish" if part == "Power" => read_if(self.cuts),
            // At rest an hour counts where a forecast is charged or a silence goes on, else a minute of a step.
            "saved_at" if self.cuts && (self.learned || self.silent_ms > 0) => Rule::Age(3_600_000),
            "saved_at" if self.cuts => Rule::Age(60_000),
            "saved_at" => Rule::Out,
            "remote" | "remote_served" if part == "Contacts" => Rule::Ordered(Group::Remote, self.contact_ms),
            // Only of the remote contact it matters since when it is believed.
            "sensor" | "low_pressure" | "brine_full" | "brine_empty" | "brine_ready" if part == "Contacts" => {
                Rule::Age(self.debounce_ms)
            }
            // One that leaves its position before it has rested for ten minutes has strayed.
            "since" if part == "Rest" && self.strays => Rule::Age(600_000),
            "since" if part == "Rest" => Rule::Out,
            "lost_since" => Rule::Age(600_000),
            "in_brine_since" => Rule::Age(30_000),
            // Contacts bounce for no longer.
            "opened_at" if part == "Drive" => Rule::Age(1_000),
            "since" if part == "Ready" && self.stale_ms >= RARE_MS => Rule::Past(self.stale_ms),
            "since" if part == "Ready" => Rule::Age(self.stale_ms),
            "since" if part == "Relay" => Rule::Age(self.relay_ms),
            "since" if part == "Service" => Rule::Whole,
            _ => Rule::Whole,
        }
    }
}

/// What a key is made into; told of each field whose bytes are in.
pub trait Sink: Hasher {
    /// All since the last call was of this field.
    fn field(&mut self, _part: &'static str, _field: &'static str) {}
}

impl Sink for Marker {}

/// What makes a mark of 64 bits, the same in every run and on every machine.
pub type Marker = foldhash::quality::FoldHasher<'static>;

/// A mark is begun.
pub fn marker() -> Marker {
    foldhash::quality::FixedState::default().build_hasher()
}

/// The part of a key that a controller makes, or what is retained of one.
pub fn hash_state(state: &impl Serialize, reads: &Reads, now_ms: u64, civil: Option<Civil>, into: &mut impl Sink) {
    if reads.drain_day && civil.is_none() {
        // Its days are those of powered time then, and end with them.
        (now_ms % DAY_MS).hash(into);
    }
    let mut reducer = Reducer {
        reads,
        now_ms,
        civil,
        into,
        is_instant: false,
        rule: Rule::Whole,
        parts: [""; DEEPEST],
        depth: 0,
        packed: None,
        asked: Vec::new(),
        remote: Vec::new(),
    };
    // Nothing in a controller can fail to be written.
    let _ = state.serialize(&mut reducer);
    let Reducer { asked, remote, .. } = reducer;
    for group in [asked, remote] {
        for (i, one) in group.iter().enumerate() {
            for other in group.iter().skip(i + 1) {
                one.cmp(other).hash(into);
            }
        }
    }
}

/// Parts within parts at the most.
const DEEPEST: usize = 32;

struct Reducer<'h, H> {
    reads: &'h Reads,
    now_ms: u64,
    civil: Option<Civil>,
    into: &'h mut H,
    is_instant: bool,
    /// Of the field at hand.
    rule: Rule,
    /// The parts that the field at hand lies in.
    parts: [&'static str; DEEPEST],
    depth: usize,
    /// The bytes of a packed instant so far, and how many.
    packed: Option<(u64, u32)>,
    asked: Vec<u64>,
    remote: Vec<u64>,
}

/// A number that this serialiser cannot take, which no state holds.
#[derive(Debug, thiserror::Error)]
#[error("{0}")]
pub struct Refused(String);

impl ser::Error for Refused {
    fn custom<T: std::fmt::Display>(text: T) -> Self {
        Self(text.to_string())
    }
}

impl<H: Sink> Reducer<'_, H> {
    fn number(&mut self, value: u64) {
        if self.is_instant { self.instant(value) } else { value.hash(self.into) }
    }

    fn instant(&mut self, value: u64) {
        let oldest = match self.rule {
            Rule::IsNow => return (value == self.now_ms).hash(self.into),
            Rule::Soon => {
                let left = value.saturating_sub(self.now_ms);
                return (left <= SOON_MS).then_some(left).hash(self.into);
            }
            Rule::Past(most) => return (self.now_ms.saturating_sub(value) > most).hash(self.into),
            Rule::Age(most) => most.saturating_add(1),
            Rule::Ordered(group, most) => {
                match group {
                    Group::Asked => self.asked.push(value),
                    Group::Remote => self.remote.push(value),
                }
                most.saturating_add(1)
            }
            _ => OLDEST_MS,
        };
        if value == u64::MAX {
            value.hash(self.into);
        } else if value > self.now_ms {
            (1u8, value - self.now_ms).hash(self.into);
        } else {
            (2u8, (self.now_ms - value).min(oldest)).hash(self.into);
        }
    }

    fn date(&mut self, value: u64) {
        let today = self.civil.map_or(self.now_ms / DAY_MS, |civil| u64::from(civil.day()));
        // Dates two days off are past or to come for good.
        let off = i64::try_from(value).unwrap_or(0) - i64::try_from(today).unwrap_or(0);
        off.clamp(-2, 2).hash(self.into);
    }

    /// Where the clock is in its week, or its day where every day is alike.
    fn week(&mut self) {
        let civil = self.civil.filter(|_| self.reads.calendar).map_or(0, |civil| civil.0);
        let period = if self.reads.weekly { 7 * DAY_MS } else { DAY_MS };
        (civil % period).hash(self.into);
    }

    fn mark(&mut self, mark: u32) {
        mark.hash(self.into);
    }

    fn enter(&mut self, part: &'static str) {
        if let Some(place) = self.parts.get_mut(self.depth) {
            *place = part;
        }
        self.depth += 1;
    }

    fn field<T: ?Sized + Serialize>(&mut self, field: &'static str, value: &T) -> Result<(), Refused> {
        let part = self.depth.checked_sub(1).and_then(|i| self.parts.get(i)).copied().unwrap_or("");
        let usual = self.rule;
        match self.reads.rule(part, field) {
            Rule::Out => return Ok(()),
            // What a part says of its own fields holds; else what was said of the part.
            Rule::Whole => {}
            rule => self.rule = rule,
        }
        let written = value.serialize(&mut *self);
        self.rule = usual;
        self.into.field(part, field);
        written
    }
}

macro_rules! numbers {
    ($($name:ident: $type:ty),+) => { $(
        fn $name(self, value: $type) -> Result<(), Refused> {
            value.hash(self.into);
            Ok(())
        }
    )+ };
}

impl<'a, 'h, H: Sink> ser::Serializer for &'a mut Reducer<'h, H> {
    type Ok = ();
    type Error = Refused;
    type SerializeSeq = Self;
    type SerializeTuple = Self;
    type SerializeTupleStruct = Self;
    type SerializeTupleVariant = Self;
    type SerializeMap = Self;
    type SerializeStruct = Self;
    type SerializeStructVariant = Variant<'a, 'h, H>;

    numbers!(
        serialize_bool: bool, serialize_i8: i8, serialize_i16: i16, serialize_i32: i32,
        serialize_i128: i128, serialize_u16: u16, serialize_u128: u128,
        serialize_char: char, serialize_str: &str, serialize_bytes: &[u8]
    );

    fn serialize_u8(self, value: u8) -> Result<(), Refused> {
        match &mut self.packed {
            Some((sum, bits)) => {
                *sum |= u64::from(value) << *bits;
                *bits += 8;
            }
            None => value.hash(self.into),
        }
        Ok(())
    }
    fn serialize_u64(self, value: u64) -> Result<(), Refused> {
        self.number(value);
        Ok(())
    }
    fn serialize_u32(self, value: u32) -> Result<(), Refused> {
        match self.rule {
            Rule::Date => self.date(u64::from(value)),
            Rule::LowBits => (self.now_ms.wrapping_sub(value.into()) & u64::from(u32::MAX)).hash(self.into),
            _ => value.hash(self.into),
        }
        Ok(())
    }
    fn serialize_i64(self, value: i64) -> Result<(), Refused> {
        if self.rule == Rule::Week {
            self.week()
        } else {
            value.hash(self.into)
        }
        Ok(())
    }
    fn serialize_f32(self, value: f32) -> Result<(), Refused> {
        self.mark(value.to_bits());
        Ok(())
    }
    fn serialize_f64(self, value: f64) -> Result<(), Refused> {
        self.number(value.to_bits());
        Ok(())
    }
    fn serialize_none(self) -> Result<(), Refused> {
        self.mark(0);
        Ok(())
    }
    fn serialize_some<T: ?Sized + Serialize>(self, value: &T) -> Result<(), Refused> {
        self.mark(1);
        value.serialize(self)
    }
    fn serialize_unit(self) -> Result<(), Refused> {
        self.mark(2);
        Ok(())
    }
    fn serialize_unit_struct(self, _name: &'static str) -> Result<(), Refused> {
        self.mark(3);
        Ok(())
    }
    fn serialize_unit_variant(self, _name: &'static str, index: u32, _variant: &'static str) -> Result<(), Refused> {
        self.mark(index);
        Ok(())
    }
    fn serialize_newtype_struct<T: ?Sized + Serialize>(self, name: &'static str, value: &T) -> Result<(), Refused> {
        if name != "Packed" {
            return value.serialize(self);
        }
        // An instant in six bytes, the lowest first.
        self.packed = Some((0, 0));
        value.serialize(&mut *self)?;
        let (instant, _) = self.packed.take().unwrap_or_default();
        self.instant(instant);
        Ok(())
    }
    fn serialize_newtype_variant<T: ?Sized + Serialize>(
        self,
        _name: &'static str,
        index: u32,
        _variant: &'static str,
        value: &T,
    ) -> Result<(), Refused> {
        self.mark(index);
        value.serialize(self)
    }
    fn serialize_seq(self, length: Option<usize>) -> Result<Self, Refused> {
        length.hash(self.into);
        Ok(self)
    }
    fn serialize_tuple(self, _length: usize) -> Result<Self, Refused> {
        Ok(self)
    }
    fn serialize_tuple_struct(self, _name: &'static str, _length: usize) -> Result<Self, Refused> {
        Ok(self)
    }
    fn serialize_tuple_variant(
        self,
        _name: &'static str,
        index: u32,
        _variant: &'static str,
        _length: usize,
    ) -> Result<Self, Refused> {
        self.mark(index);
        Ok(self)
    }
    fn serialize_map(self, length: Option<usize>) -> Result<Self, Refused> {
        length.hash(self.into);
        Ok(self)
    }
    fn serialize_struct(self, name: &'static str, _length: usize) -> Result<Self, Refused> {
        self.is_instant = name == "Instant";
        self.enter(name);
        Ok(self)
    }
    fn serialize_struct_variant(
        self,
        _name: &'static str,
        index: u32,
        variant: &'static str,
        _length: usize,
    ) -> Result<Variant<'a, 'h, H>, Refused> {
        self.mark(index);
        self.enter(variant);
        Ok(Variant(self))
    }
}

/// A variant with named fields.
struct Variant<'a, 'h, H>(&'a mut Reducer<'h, H>);

macro_rules! items {
    ($($trait:ident: $method:ident),+) => { $(
        impl<H: Sink> ser::$trait for &mut Reducer<'_, H> {
            type Ok = ();
            type Error = Refused;
            fn $method<T: ?Sized + Serialize>(&mut self, value: &T) -> Result<(), Refused> {
                value.serialize(&mut **self)
            }
            fn end(self) -> Result<(), Refused> {
                Ok(())
            }
        }
    )+ };
}

items!(
    SerializeSeq: serialize_element,
    SerializeTuple: serialize_element,
    SerializeTupleStruct: serialize_field,
    SerializeTupleVariant: serialize_field
);

impl<H: Sink> ser::SerializeMap for &mut Reducer<'_, H> {
    type Ok = ();
    type Error = Refused;
    fn serialize_key<T: ?Sized + Serialize>(&mut self, key: &T) -> Result<(), Refused> {
        key.serialize(&mut **self)
    }
    fn serialize_value<T: ?Sized + Serialize>(&mut self, value: &T) -> Result<(), Refused> {
        value.serialize(&mut **self)
    }
    fn end(self) -> Result<(), Refused> {
        Ok(())
    }
}

impl<H: Sink> ser::SerializeStruct for &mut Reducer<'_, H> {
    type Ok = ();
    type Error = Refused;
    fn serialize_field<T: ?Sized + Serialize>(&mut self, key: &'static str, value: &T) -> Result<(), Refused> {
        if self.is_instant { value.serialize(&mut **self) } else { self.field(key, value) }
    }
    fn end(self) -> Result<(), Refused> {
        self.is_instant = false;
        self.depth = self.depth.saturating_sub(1);
        Ok(())
    }
}

impl<H: Sink> ser::SerializeStructVariant for Variant<'_, '_, H> {
    type Ok = ();
    type Error = Refused;
    fn serialize_field<T: ?Sized + Serialize>(&mut self, key: &'static str, value: &T) -> Result<(), Refused> {
        self.0.field(key, value)
    }
    fn end(self) -> Result<(), Refused> {
        self.0.depth = self.0.depth.saturating_sub(1);
        Ok(())
    }
}
