//! States made comparable: every instant counted from now, and left out what no decision reads.
//!
//! The controller serialises, so a serialiser sees all of it, private or not, with names. Instants are told from other
//! numbers by the name of their type. An age beyond [`OLDEST_MS`] counts as that: no rule looks so far back. Two states
//! with equal keys then have the same future; a test compares the futures of such states.

use std::hash::{DefaultHasher, Hash};

use bedkeeper::Controller;
use bedkeeper::settings::RemoteRole;
use bedkeeper::units::{Millis, Volume};
use serde::ser::{self, Serialize};

/// Ages are told apart up to this, ms: longer than any time that a rule compares with.
pub const OLDEST_MS: u64 = 40 * 86_400_000;

/// Fields that no decision reads: sums for people, the settings (which stay), and the count of regenerations, which
/// matters only where a backwash is rarer than that.
///
/// Also what is counted and told of for people, and the forecast with its reserve: both change from day to day, and no search
/// comes so far.
const LEFT_OUT: &[&str] =
    &["settings", "accounts", "regenerations", "lost", "forecast", "reserving", "lives", "on_now", "chronicle"];

/// The part of a key that a controller makes.
pub fn hash_controller<const N: usize>(controller: &Controller<N>, now_ms: u64, into: &mut DefaultHasher) {
    let counts_drain = controller.settings().discharge_limit > Volume::ZERO;
    let mut reducer = Reducer {
        now_ms,
        into,
        is_instant: false,
        counts_drain,
        horizons: Horizons::of(controller),
        oldest_ms: OLDEST_MS,
    };
    // Nothing in a controller can fail to be written.
    let _ = controller.serialize(&mut reducer);
}

struct Reducer<'h> {
    now_ms: u64,
    into: &'h mut DefaultHasher,
    is_instant: bool,
    counts_drain: bool,
    horizons: Horizons,
    /// Ages of the field at hand are told apart up to this.
    oldest_ms: u64,
}

/// How far back some fields are looked at.
struct Horizons {
    contact_ms: u64,
    brine_ms: u64,
    backup: bool,
}

impl Horizons {
    fn of<const N: usize>(controller: &Controller<N>) -> Self {
        let settings = controller.settings();
        let ms = |length: Millis| u64::from(length.0);
        let held = if settings.remote == RemoteRole::HoldOff { ms(settings.hold_off_limit) } else { 0 };
        let contact_ms = ms(settings.contact_debounce).max(ms(settings.remote_minimum)).max(held) + 1;
        let backup = settings.backup_days > 0;
        Self { contact_ms, brine_ms: ms(settings.brine_ready_after) + 1, backup }
    }

    /// The horizon of a field, if it is nearer than usual.
    fn of_field(&self, key: &str) -> Option<u64> {
        match key {
            "raw" | "steady" => Some(self.contact_ms),
            "refilled_at" => Some(self.brine_ms),
            // A bed's age is looked at for backup days alone.
            "regenerated_at" if !self.backup => Some(0),
            _ => None,
        }
    }
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

impl Reducer<'_> {
    fn number(&mut self, value: u64) -> Result<(), Refused> {
        if !self.is_instant || value == u64::MAX {
            value.hash(self.into);
        } else if value > self.now_ms {
            (1u8, value - self.now_ms).hash(self.into);
        } else {
            (2u8, (self.now_ms - value).min(self.oldest_ms)).hash(self.into);
        }
        Ok(())
    }

    fn mark(&mut self, mark: u32) -> Result<(), Refused> {
        mark.hash(self.into);
        Ok(())
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

impl<'a, 'h> ser::Serializer for &'a mut Reducer<'h> {
    type Ok = ();
    type Error = Refused;
    type SerializeSeq = Self;
    type SerializeTuple = Self;
    type SerializeTupleStruct = Self;
    type SerializeTupleVariant = Self;
    type SerializeMap = Self;
    type SerializeStruct = Self;
    type SerializeStructVariant = Self;

    numbers!(
        serialize_bool: bool, serialize_i8: i8, serialize_i16: i16, serialize_i32: i32, serialize_i64: i64,
        serialize_i128: i128, serialize_u8: u8, serialize_u16: u16, serialize_u32: u32, serialize_u128: u128,
        serialize_char: char, serialize_str: &str, serialize_bytes: &[u8]
    );

    fn serialize_u64(self, value: u64) -> Result<(), Refused> {
        self.number(value)
    }
    fn serialize_f32(self, value: f32) -> Result<(), Refused> {
        self.mark(value.to_bits())
    }
    fn serialize_f64(self, value: f64) -> Result<(), Refused> {
        self.number(value.to_bits())
    }
    fn serialize_none(self) -> Result<(), Refused> {
        self.mark(0)
    }
    fn serialize_some<T: ?Sized + Serialize>(self, value: &T) -> Result<(), Refused> {
        self.mark(1)?;
        value.serialize(self)
    }
    fn serialize_unit(self) -> Result<(), Refused> {
        self.mark(2)
    }
    fn serialize_unit_struct(self, _name: &'static str) -> Result<(), Refused> {
        self.mark(3)
    }
    fn serialize_unit_variant(self, _name: &'static str, index: u32, _variant: &'static str) -> Result<(), Refused> {
        self.mark(index)
    }
    fn serialize_newtype_struct<T: ?Sized + Serialize>(self, _name: &'static str, value: &T) -> Result<(), Refused> {
        value.serialize(self)
    }
    fn serialize_newtype_variant<T: ?Sized + Serialize>(
        self,
        _name: &'static str,
        index: u32,
        _variant: &'static str,
        value: &T,
    ) -> Result<(), Refused> {
        self.mark(index)?;
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
        self.mark(index)?;
        Ok(self)
    }
    fn serialize_map(self, length: Option<usize>) -> Result<Self, Refused> {
        length.hash(self.into);
        Ok(self)
    }
    fn serialize_struct(self, name: &'static str, _length: usize) -> Result<Self, Refused> {
        self.is_instant = name == "Instant";
        Ok(self)
    }
    fn serialize_struct_variant(
        self,
        _name: &'static str,
        index: u32,
        _variant: &'static str,
        _length: usize,
    ) -> Result<Self, Refused> {
        self.mark(index)?;
        Ok(self)
    }
}

macro_rules! items {
    ($($trait:ident: $method:ident),+) => { $(
        impl ser::$trait for &mut Reducer<'_> {
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

impl ser::SerializeMap for &mut Reducer<'_> {
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

impl ser::SerializeStruct for &mut Reducer<'_> {
    type Ok = ();
    type Error = Refused;
    fn serialize_field<T: ?Sized + Serialize>(&mut self, key: &'static str, value: &T) -> Result<(), Refused> {
        // The day's drain water is read only where it is limited.
        if LEFT_OUT.contains(&key) || (key == "drain" && !self.counts_drain) {
            return Ok(());
        }
        let usual = self.oldest_ms;
        self.oldest_ms = self.horizons.of_field(key).unwrap_or(usual);
        let written = value.serialize(&mut **self);
        self.oldest_ms = usual;
        written
    }
    fn end(self) -> Result<(), Refused> {
        self.is_instant = false;
        Ok(())
    }
}

impl ser::SerializeStructVariant for &mut Reducer<'_> {
    type Ok = ();
    type Error = Refused;
    fn serialize_field<T: ?Sized + Serialize>(&mut self, _key: &'static str, value: &T) -> Result<(), Refused> {
        value.serialize(&mut **self)
    }
    fn end(self) -> Result<(), Refused> {
        Ok(())
    }
}
