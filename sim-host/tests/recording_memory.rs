//! A recording of any length is read in constant memory. Alone in its file and without the test harness, because it
//! counts the whole program's heap, and a harness allocates beside the test (for one, to say that it takes long).

use std::io::{self, Read};

use bedkeeper_sim::recording::Recording;

#[global_allocator]
static HEAP: dhat::Alloc = dhat::Alloc;

/// A header, then one row over and over.
struct Endless {
    left_bytes: usize,
    header: &'static [u8],
    at: usize,
}

const ROW: &[u8] = b"86400.000,1\n";

impl Read for Endless {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        if !self.header.is_empty() {
            return self.header.read(buffer);
        }
        let count = buffer.len().min(self.left_bytes);
        let mut filled = 0;
        while filled < count {
            let piece = &ROW[self.at..];
            let size = piece.len().min(count - filled);
            buffer[filled..filled + size].copy_from_slice(&piece[..size]);
            self.at = (self.at + size) % ROW.len();
            filled += size;
        }
        self.left_bytes -= count;
        Ok(count)
    }
}

/// Rows read and the most heap in use meanwhile, in bytes.
fn read(rows: usize) -> (u64, usize) {
    let profiler = dhat::Profiler::builder().testing().build();
    let endless = Endless { left_bytes: rows * ROW.len(), header: b"# pulse volume 1 L\nt_s,pulses\n", at: 0 };
    let mut recording = Recording::from_reader("endless", endless, None).unwrap();
    while recording.next().unwrap().is_some() {}
    let read = recording.rows();
    let most_bytes = dhat::HeapStats::get().max_bytes;
    drop(profiler);
    (read, most_bytes)
}

fn main() {
    let (short_rows, short_bytes) = read(1_000);
    let (long_rows, long_bytes) = read(1_000_000);
    assert_eq!((short_rows, long_rows), (1_000, 1_000_000), "12 MB of rows");
    assert_eq!(long_bytes, short_bytes);
    assert!(long_bytes < 1 << 20, "{long_bytes} bytes");
    println!("memory does not grow with length: {long_bytes} bytes for {short_rows} rows and for {long_rows}");
}
