//! Lines out of a stream, through one buffer that never grows.

use std::io::{self, Read};

use super::LONGEST_LINE_BYTES;

/// Holds the longest line several times, so that few bytes are moved.
const BUFFER_BYTES: usize = 4 * LONGEST_LINE_BYTES;

/// A line without its end (`\n` or `\r\n`).
pub(super) struct Line<'a> {
    /// Counted from 1.
    pub number: u64,
    pub bytes: &'a [u8],
}

/// Why there is no further line.
pub(super) enum LineFault<'a> {
    Io(io::Error),
    TooLong(Line<'a>),
}

pub(super) struct Lines {
    buffer: Box<[u8]>,
    /// Unread bytes are `buffer[start..end]`; `buffer[start..searched]` has no line end.
    start: usize,
    searched: usize,
    end: usize,
    ended: bool,
    number: u64,
}

impl Lines {
    pub fn new() -> Self {
        Self {
            buffer: vec![0; BUFFER_BYTES].into_boxed_slice(),
            start: 0,
            searched: 0,
            end: 0,
            ended: false,
            number: 0,
        }
    }

    /// Lines delivered so far.
    pub fn number(&self) -> u64 {
        self.number
    }

    /// The next line, or none at the end of the stream.
    pub fn next(&mut self, reader: &mut dyn Read) -> Result<Option<Line<'_>>, LineFault<'_>> {
        loop {
            let fresh = &self.buffer[self.searched..self.end];
            if let Some(length) = memchr::memchr(b'\n', fresh) {
                let newline = self.searched + length;
                return self.take(newline, newline + 1);
            }
            self.searched = self.end;
            // One byte more than the bound may be the `\r` of a line that just fits.
            if self.end - self.start > LONGEST_LINE_BYTES + 1 {
                return self.take(self.end, self.end);
            }
            if self.ended {
                if self.start == self.end {
                    return Ok(None);
                }
                return self.take(self.end, self.end);
            }
            self.fill(reader).map_err(LineFault::Io)?;
        }
    }

    fn take(&mut self, end: usize, next: usize) -> Result<Option<Line<'_>>, LineFault<'_>> {
        let bytes = &self.buffer[self.start..end];
        let bytes = bytes.strip_suffix(b"\r").unwrap_or(bytes);
        self.start = next;
        self.searched = next;
        self.number += 1;
        let line = Line { number: self.number, bytes };
        if bytes.len() > LONGEST_LINE_BYTES {
            return Err(LineFault::TooLong(line));
        }
        Ok(Some(line))
    }

    /// Reads once, after moving what is unread to the front when the buffer is full.
    fn fill(&mut self, reader: &mut dyn Read) -> io::Result<()> {
        if self.start == self.end {
            (self.start, self.searched, self.end) = (0, 0, 0);
        } else if self.end == self.buffer.len() {
            self.buffer.copy_within(self.start..self.end, 0);
            self.end -= self.start;
            self.searched -= self.start;
            self.start = 0;
        }
        loop {
            match reader.read(&mut self.buffer[self.end..]) {
                Ok(0) => self.ended = true,
                Ok(count) => self.end += count,
                Err(error) if error.kind() == io::ErrorKind::Interrupted => continue,
                Err(error) => return Err(error),
            }
            return Ok(());
        }
    }
}
