//! The settings image that a board loads: the settings whole, with the site's name and note, versioned and checked.
//!
//! ```text
//!   4 bytes   2 bytes    2 bytes    n bytes                      4 bytes
//!   "BKPR"    version    length n   name, note, settings         CRC-32 of everything before
//! ```
//! Numbers stand least byte first; the content is postcard, whose format is specified and stable.

use crc::{CRC_32_ISO_HDLC, Crc};
use heapless::String;
use serde::{Deserialize, Serialize};

use crate::settings::{Faults, RawSettings, Settings};

const MAGIC: [u8; 4] = *b"BKPR";
/// The version that this logic writes and reads. It grows with every change of [`RawSettings`].
pub const VERSION: u16 = 2;
const HEAD: usize = 8;
const TAIL: usize = 4;
/// Room for the largest image.
pub const MAX_BYTES: usize = 2_048;
const CHECKSUM: Crc<u32> = Crc::<u32>::new(&CRC_32_ISO_HDLC);

/// What people call the site.
pub type SiteName = String<48>;
/// For whoever stands before it: who to call, where the shut-off is (O3).
pub type SiteNote = String<160>;

/// The content of an image.
#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct Image {
    /// What people call the site.
    pub name: SiteName,
    /// For whoever stands before it.
    pub note: SiteNote,
    /// The settings, unchecked.
    pub raw: RawSettings,
}

/// Why bytes are no image that can be used.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum ImageError {
    /// It does not begin like an image, or is too short for one.
    NotAnImage,
    /// It was written by a later version than this one knows.
    NewerVersion {
        /// Its version.
        found: u16,
    },
    /// It was written by an earlier version whose settings meant something else.
    OlderVersion {
        /// Its version.
        found: u16,
    },
    /// It ends before or after the length it states.
    WrongLength,
    /// A byte of it has changed since it was written.
    WrongChecksum {
        /// As written.
        stated: u32,
        /// As reckoned.
        reckoned: u32,
    },
    /// The checksum fits, and the content is no set of settings.
    Unreadable,
    /// There is no room for it.
    TooLarge,
}

impl core::fmt::Display for ImageError {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        match self {
            Self::NotAnImage => f.write_str("these bytes are no settings image"),
            Self::NewerVersion { found } => {
                write!(
                    f,
                    "the image has version {found}, and this software knows up to version {VERSION}: update it first"
                )
            }
            Self::OlderVersion { found } => {
                write!(
                    f,
                    "the image has version {found}, and this software reads version {VERSION}: pack the site anew"
                )
            }
            Self::WrongLength => f.write_str("the image is not as long as it says: it was cut off or added to"),
            Self::WrongChecksum { stated, reckoned } => {
                write!(f, "the image is damaged: its checksum says {stated:08x}, its content makes {reckoned:08x}")
            }
            Self::Unreadable => f.write_str("the image holds no settings that this software can read"),
            Self::TooLarge => write!(f, "the image would be larger than {MAX_BYTES} bytes"),
        }
    }
}

impl core::error::Error for ImageError {}

impl Image {
    /// Writes the image to the front of `buffer` and returns that part.
    ///
    /// # Errors
    /// [`ImageError::TooLarge`].
    pub fn encode<'b>(&self, buffer: &'b mut [u8]) -> Result<&'b [u8], ImageError> {
        let room = buffer.len().min(MAX_BYTES).saturating_sub(TAIL);
        let body = buffer.get_mut(HEAD..room).ok_or(ImageError::TooLarge)?;
        let length = postcard::to_slice(self, body).map_err(|_| ImageError::TooLarge)?.len();
        let stated = u16::try_from(length).map_err(|_| ImageError::TooLarge)?;
        let end = HEAD.saturating_add(length);
        put(buffer, 0, &MAGIC);
        put(buffer, 4, &VERSION.to_le_bytes());
        put(buffer, 6, &stated.to_le_bytes());
        let sum = CHECKSUM.checksum(buffer.get(..end).ok_or(ImageError::TooLarge)?);
        put(buffer, end, &sum.to_le_bytes());
        buffer.get(..end.saturating_add(TAIL)).ok_or(ImageError::TooLarge)
    }

    /// Reads an image. The settings in it still have to pass their check.
    ///
    /// # Errors
    /// Why these bytes are no usable image; nothing of them is used then.
    pub fn decode(bytes: &[u8]) -> Result<Self, ImageError> {
        if bytes.get(..4) != Some(&MAGIC) {
            return Err(ImageError::NotAnImage);
        }
        let number = |at: usize| -> Option<u16> {
            Some(u16::from_le_bytes([*bytes.get(at)?, *bytes.get(at.saturating_add(1))?]))
        };
        let (version, length) = number(4).zip(number(6)).ok_or(ImageError::NotAnImage)?;
        match version {
            VERSION => {}
            found if found > VERSION => return Err(ImageError::NewerVersion { found }),
            found => return Err(ImageError::OlderVersion { found }),
        }
        let end = HEAD.saturating_add(usize::from(length));
        let (content, tail) = bytes.split_at_checked(end).ok_or(ImageError::WrongLength)?;
        let stated = u32::from_le_bytes(tail.try_into().map_err(|_| ImageError::WrongLength)?);
        let reckoned = CHECKSUM.checksum(content);
        if stated != reckoned {
            return Err(ImageError::WrongChecksum { stated, reckoned });
        }
        let body = content.get(HEAD..).ok_or(ImageError::WrongLength)?;
        match postcard::take_from_bytes(body) {
            Ok((image, [])) => Ok(image),
            _ => Err(ImageError::Unreadable),
        }
    }

    /// Checks the settings.
    ///
    /// # Errors
    /// Every fault, by field (S11).
    #[allow(clippy::result_large_err, reason = "every fault is listed")]
    pub fn settings(&self) -> Result<Settings, Faults> {
        Settings::try_from(self.raw.clone())
    }
}

/// The number that tells images apart: on the hand-over sheet and on the board it is the same.
///
/// # Errors
/// As [`Image::decode`].
pub fn checksum(bytes: &[u8]) -> Result<u32, ImageError> {
    Image::decode(bytes)?;
    let content = bytes.len().checked_sub(TAIL).and_then(|end| bytes.get(..end)).ok_or(ImageError::WrongLength)?;
    Ok(CHECKSUM.checksum(content))
}

fn put(buffer: &mut [u8], at: usize, bytes: &[u8]) {
    let end = at.saturating_add(bytes.len());
    if let Some(place) = buffer.get_mut(at..end) {
        place.copy_from_slice(bytes);
    }
}
