//! Frames: what tells whole messages from noise.
//!
//! ```text
//!   00 │ COBS of: version, number (2 bytes), message (postcard), CRC-32 (4 bytes) │ 00
//! ```
//! COBS leaves no zero inside, so that a zero always ends a frame, whatever was lost before it. Numbers stand least byte
//! first. Version and number stand in the same place in every version: whoever speaks another can still be told so.

use crc::{CRC_32_ISO_HDLC, Crc, Table};
use heapless::Vec;
use serde::Serialize;
use serde::de::DeserializeOwned;

/// The version of the messages that this software speaks. It grows with every change of what an answer is made of, and with
/// every change of a request that is known already; `tests/link/frozen.rs` tells whether there was one.
pub const VERSION: u8 = 2;
/// Bytes of the longest message with version, number and CRC.
pub const MAX_BODY: usize = 1_024;
/// Bytes of the longest frame: one more for each 254, and the zeros around it.
pub const MAX_FRAME: usize = MAX_BODY + MAX_BODY / 254 + 3;

const HEAD: usize = 3;
const TAIL: usize = 4;

/// A board has more time than flash.
type Check = Crc<u32, Table<0>>;
const CHECK: Check = Crc::<u32, Table<0>>::new(&CRC_32_ISO_HDLC);

/// A message as it came: whole, and not read yet.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Body<'b> {
    /// The version that its sender speaks.
    pub version: u8,
    /// Tells which answer belongs to which request.
    pub number: u16,
    message: &'b [u8],
}

impl Body<'_> {
    /// Reads the message; `None` if it is none, or more than one.
    #[must_use]
    pub fn read<T: DeserializeOwned>(&self) -> Option<T> {
        match postcard::take_from_bytes(self.message) {
            Ok((message, [])) => Some(message),
            _ => None,
        }
    }
}

/// Unpacks what stood between two zeros, in place: so many bytes of it are left. `None` if any is not as it was sent.
#[must_use]
pub fn unpack(packed: &mut [u8]) -> Option<usize> {
    let length = cobs::decode_in_place(packed).ok()?;
    let (content, sum) = packed.get(..length)?.split_last_chunk::<TAIL>()?;
    // The sum of nothing is 0: four zeros are no frame.
    let is_whole = content.len() >= HEAD && CHECK.checksum(content) == u32::from_le_bytes(*sum);
    is_whole.then_some(content.len())
}

/// What [`unpack`] left.
#[must_use]
pub fn body(content: &[u8]) -> Option<Body<'_>> {
    let (head, message) = content.split_first_chunk::<HEAD>()?;
    let [version, low, high] = *head;
    Some(Body { version, number: u16::from_le_bytes([low, high]), message })
}

/// Packs a message into a frame, zeros and all; `None` if it is too long.
#[must_use]
pub fn pack<T: Serialize>(number: u16, message: &T) -> Option<Vec<u8, MAX_FRAME>> {
    let mut bytes = [0; MAX_BODY - HEAD - TAIL];
    let message = postcard::to_slice(message, &mut bytes).ok()?;
    wrap(VERSION, number, message)
}

/// Packs the bytes of a message of some version; `None` if they are too many.
#[must_use]
pub fn wrap(version: u8, number: u16, message: &[u8]) -> Option<Vec<u8, MAX_FRAME>> {
    let mut body: Vec<u8, MAX_BODY> = Vec::new();
    let [low, high] = number.to_le_bytes();
    body.extend_from_slice(&[version, low, high]).ok()?;
    body.extend_from_slice(message).ok()?;
    let sum = CHECK.checksum(&body);
    body.extend_from_slice(&sum.to_le_bytes()).ok()?;
    let mut frame = Vec::new();
    frame.resize(MAX_FRAME, 0).ok()?;
    let used = cobs::try_encode_including_sentinels(&body, &mut frame).ok()?;
    frame.truncate(used);
    Some(frame)
}
