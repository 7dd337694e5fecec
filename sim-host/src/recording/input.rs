//! Where the bytes come from: opening, counting and unpacking.

use std::fs::File;
use std::io::{self, BufReader, Read};
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use super::error::RecordingErrorKind;

#[cfg(feature = "command")]
/// Largest window of a zstd frame, as a power of two: 32 MiB keeps a replay's memory small.
const ZSTD_WINDOW_LOG_MAX: u32 = 25;
const PACKED_BUFFER_BYTES: usize = 64 * 1024;

/// How far reading has come, in bytes of the file as stored (packed, if it is).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Progress {
    /// Bytes read so far; runs ahead of the rows delivered by at most the buffers.
    pub read_bytes: u64,
    /// The file's size, if it is a regular file.
    pub total_bytes: Option<u64>,
}

/// An unpacked stream.
pub(super) struct Input {
    pub reader: Box<dyn Read + Send>,
    /// The packing's name, if packed.
    pub packing: Option<&'static str>,
    read_bytes: Arc<AtomicU64>,
    total_bytes: Option<u64>,
}

impl Input {
    pub fn progress(&self) -> Progress {
        Progress { read_bytes: self.read_bytes.load(Ordering::Relaxed), total_bytes: self.total_bytes }
    }

    /// Opens a file; `-` is standard input.
    pub fn open(path: &Path) -> Result<Self, RecordingErrorKind> {
        if path.as_os_str() == "-" {
            return Self::new(Box::new(io::stdin()), None);
        }
        let file = File::open(path).map_err(|error| match error.kind() {
            io::ErrorKind::NotFound => RecordingErrorKind::NotFound,
            // Some systems refuse to open a directory at all.
            _ if path.is_dir() => RecordingErrorKind::Directory,
            _ => RecordingErrorKind::Io(error),
        })?;
        let metadata = file.metadata().map_err(RecordingErrorKind::Io)?;
        if metadata.is_dir() {
            return Err(RecordingErrorKind::Directory);
        }
        let total_bytes = metadata.is_file().then_some(metadata.len());
        Self::new(Box::new(file), total_bytes)
    }

    /// Whether the unpacked text begins with this byte, white space apart; what was looked at is read all the same.
    pub fn begins_with(&mut self, wanted: u8) -> io::Result<bool> {
        const LONGEST_SPACE: usize = 64;
        let mut head = Vec::new();
        // Byte by byte, so that a fault further on stays there.
        while head.len() < LONGEST_SPACE && head.last().is_none_or(u8::is_ascii_whitespace) {
            if (&mut *self.reader).take(1).read_to_end(&mut head)? == 0 {
                break;
            }
        }
        let begins = head.last() == Some(&wanted);
        let rest = std::mem::replace(&mut self.reader, Box::new(io::empty()));
        self.reader = Box::new(io::Cursor::new(head).chain(rest));
        Ok(begins)
    }

    /// Looks at the first bytes and unpacks accordingly.
    pub fn new(raw: Box<dyn Read + Send>, total_bytes: Option<u64>) -> Result<Self, RecordingErrorKind> {
        let read_bytes = Arc::new(AtomicU64::new(0));
        let mut raw = Counting { raw, read_bytes: Arc::clone(&read_bytes) };
        let magic = first_bytes(&mut raw).map_err(RecordingErrorKind::Io)?;
        let all = io::Cursor::new(magic.clone()).chain(raw);
        let (reader, packing): (Box<dyn Read + Send>, _) = match magic.as_slice() {
            [0x1f, 0x8b, ..] => {
                let packed = BufReader::with_capacity(PACKED_BUFFER_BYTES, all);
                (Box::new(super::gzip::Members::new(packed)), Some("gzip"))
            }
            #[cfg(feature = "command")]
            [0x28, 0xb5, 0x2f, 0xfd] | [0x50..=0x5f, 0x2a, 0x4d, 0x18] => {
                let packed = BufReader::with_capacity(PACKED_BUFFER_BYTES, all);
                let mut decoder = zstd::stream::read::Decoder::with_buffer(packed).map_err(RecordingErrorKind::Io)?;
                decoder.window_log_max(ZSTD_WINDOW_LOG_MAX).map_err(RecordingErrorKind::Io)?;
                (Box::new(decoder), Some("zstd"))
            }
            #[cfg(not(feature = "command"))]
            [0x28, 0xb5, 0x2f, 0xfd] => return Err(RecordingErrorKind::OtherPacking { packing: "zstd" }),
            [b'P', b'K', 3, 4] => return Err(RecordingErrorKind::OtherPacking { packing: "zip" }),
            [b'B', b'Z', b'h', _] => {
                return Err(RecordingErrorKind::OtherPacking { packing: "bzip2" });
            }
            [0xfd, b'7', b'z', b'X'] => {
                return Err(RecordingErrorKind::OtherPacking { packing: "xz" });
            }
            _ => (Box::new(all), None),
        };
        Ok(Self { reader, packing, read_bytes, total_bytes })
    }
}

/// The first four bytes, or all if there are fewer.
fn first_bytes(raw: &mut impl Read) -> io::Result<Vec<u8>> {
    let mut magic = Vec::with_capacity(4);
    raw.take(4).read_to_end(&mut magic)?;
    Ok(magic)
}

struct Counting {
    raw: Box<dyn Read + Send>,
    read_bytes: Arc<AtomicU64>,
}

impl Read for Counting {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let count = self.raw.read(buffer)?;
        self.read_bytes.fetch_add(count as u64, Ordering::Relaxed);
        Ok(count)
    }
}
