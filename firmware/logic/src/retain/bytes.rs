//! The bytes that a [`Retained`] is stored as: a version, the number of tanks, then postcard.
//!
//! A store adds its own checksum; what is read here may still be from another version of the logic.

use heapless::Vec;
use postcard::ser_flavors::Flavor;
use serde::Serialize;

use super::Retained;
use crate::duty::Duty;
use crate::settings::MAX_STEPS;

/// The layout of the bytes. It changes with every change of what is retained.
pub const VERSION: u8 = 7;

/// No retained state takes more bytes than this, with eight tanks.
pub const MAX_BYTES: usize = 1_536;

/// Why bytes do not tell a retained state.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Damaged {
    /// There are none.
    Empty,
    /// Another version of the logic wrote them.
    OtherVersion {
        /// Which.
        found: u8,
    },
    /// They are about more tanks than there is room for, or none.
    TankCount {
        /// How many.
        found: u8,
    },
    /// They break off, or a value in them does not exist.
    Malformed,
    /// More follows than belongs to them.
    TrailingBytes,
    /// They contradict themselves.
    Inconsistent,
}

impl core::fmt::Display for Damaged {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        match self {
            Self::Empty => f.write_str("nothing is stored"),
            Self::OtherVersion { found } => write!(f, "layout {found} is stored, and this logic reads {VERSION}"),
            Self::TankCount { found } => write!(f, "{found} tanks are stored, more than there is room for"),
            Self::Malformed => f.write_str("the stored bytes break off or hold a value that does not exist"),
            Self::TrailingBytes => f.write_str("more bytes are stored than belong together"),
            Self::Inconsistent => f.write_str("the stored state contradicts itself"),
        }
    }
}

impl core::error::Error for Damaged {}

/// The buffer is too small.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct DoesNotFit;

impl core::fmt::Display for DoesNotFit {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.write_str("the retained state does not fit the buffer")
    }
}

impl core::error::Error for DoesNotFit {}

impl<const N: usize> Retained<N> {
    /// The bytes to store; [`MAX_BYTES`] always suffice.
    ///
    /// # Errors
    /// They do not fit.
    pub fn encode<const B: usize>(&self) -> Result<Vec<u8, B>, DoesNotFit> {
        let mut bytes: Vec<u8, B> = Vec::new();
        let count = u8::try_from(self.tanks.len()).map_err(|_| DoesNotFit)?;
        bytes.extend_from_slice(&[VERSION, count]).map_err(|_| DoesNotFit)?;
        bytes.resize(B, 0).map_err(|_| DoesNotFit)?;
        let body = bytes.get_mut(2..).ok_or(DoesNotFit)?;
        let used = postcard::to_slice(self, body).map_err(|_| DoesNotFit)?.len();
        bytes.truncate(used.saturating_add(2));
        Ok(bytes)
    }

    /// Reads what [`Retained::encode`] wrote.
    ///
    /// # Errors
    /// They are not such bytes; see [`Damaged`].
    pub fn decode(bytes: &[u8]) -> Result<Self, Damaged> {
        let (version, rest) = bytes.split_first().ok_or(Damaged::Empty)?;
        if *version != VERSION {
            return Err(Damaged::OtherVersion { found: *version });
        }
        let (count, body) = rest.split_first().ok_or(Damaged::Malformed)?;
        if *count == 0 || usize::from(*count) > N {
            return Err(Damaged::TankCount { found: *count });
        }
        let (retained, left): (Self, _) = postcard::take_from_bytes(body).map_err(|_| Damaged::Malformed)?;
        if !left.is_empty() {
            return Err(Damaged::TrailingBytes);
        }
        if retained.tanks.len() != usize::from(*count) || !retained.is_consistent() {
            return Err(Damaged::Inconsistent);
        }
        Ok(retained)
    }

    /// Nothing in it speaks of tanks or steps that cannot be.
    fn is_consistent(&self) -> bool {
        let tanks = self.tanks.len();
        let changeover = self.changeover.is_none_or(|c| c.is_among(tanks));
        let steps = self.tanks.iter().all(|tank| match &tank.duty {
            Duty::Regenerating(regeneration) => usize::from(regeneration.place()) < MAX_STEPS,
            _ => true,
        });
        changeover && steps
    }
}

/// A short mark of a value, to see whether it is still the same (FNV-1a over its postcard bytes).
pub(crate) fn mark(value: &impl Serialize) -> u32 {
    postcard::serialize_with_flavor(value, Mark(0x811c_9dc5)).unwrap_or(0)
}

struct Mark(u32);

impl Flavor for Mark {
    type Output = u32;

    fn try_push(&mut self, byte: u8) -> postcard::Result<()> {
        self.0 = (self.0 ^ u32::from(byte)).wrapping_mul(0x0100_0193);
        Ok(())
    }

    fn finalize(self) -> postcard::Result<u32> {
        Ok(self.0)
    }
}
