//! gzip, member after member (RFC 1952); what follows the last one is told apart from a file that ends early.

use std::io::{self, BufRead, Read};

use flate2::bufread::GzDecoder;

/// The first two bytes of a member.
const MAGIC: [u8; 2] = [0x1f, 0x8b];

/// Unpacks all members of a stream.
pub(super) struct Members<R> {
    member: Option<GzDecoder<R>>,
}

impl<R: BufRead> Members<R> {
    /// Of a stream that begins with a member.
    pub fn new(packed: R) -> Self {
        Self { member: Some(GzDecoder::new(packed)) }
    }

    /// A member is over: begins the next, if there is one.
    fn next_member(&mut self) -> io::Result<bool> {
        let Some(member) = self.member.take() else { return Ok(false) };
        let mut packed = member.into_inner();
        let ahead = packed.fill_buf()?;
        if ahead.is_empty() {
            return Ok(false);
        }
        // One byte at the end of a buffer may be the first of two.
        if ahead.first() != MAGIC.first() || ahead.get(1).is_some_and(|second| *second != MAGIC[1]) {
            return Err(io::Error::new(io::ErrorKind::InvalidData, "other bytes follow the packed data"));
        }
        self.member = Some(GzDecoder::new(packed));
        Ok(true)
    }
}

impl<R: BufRead> Read for Members<R> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        if buffer.is_empty() {
            return Ok(0);
        }
        loop {
            let Some(member) = &mut self.member else { return Ok(0) };
            match member.read(buffer)? {
                0 if !self.next_member()? => return Ok(0),
                0 => {}
                count => return Ok(count),
            }
        }
    }
}
