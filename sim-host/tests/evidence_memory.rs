//! The evidence of a replay grows by a small record per regeneration and by nothing else.
//!
//! A program of its own without the test harness, because the whole program's heap is counted.

mod two_tanks;

use std::fmt::Write as _;
use std::io::{self, Read};

use bedkeeper::Settings;
use bedkeeper_sim::evidence::Evidence;
use bedkeeper_sim::recording::Recording;
use bedkeeper_sim::replay::{Checker, Gatherer, Replay, ValveTimes, World};

#[global_allocator]
static HEAP: dhat::Alloc = dhat::Alloc;

/// Most heap that one more regeneration may cost: its record, its steps, holds and changes of duty.
const MOST_BYTES_PER_REGENERATION: usize = 1_000;
/// Pulses between two regenerations of the plant below, about.
const ROWS_PER_REGENERATION: u64 = 60;

/// A row every ten minutes, made while it is read.
struct Rows {
    next: u64,
    end: u64,
    text: String,
    at: usize,
}

impl Read for Rows {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        if self.at == self.text.len() && self.next < self.end {
            self.text.clear();
            self.at = 0;
            self.next += 1;
            writeln!(self.text, "{}.000,10", self.next * 600).map_err(io::Error::other)?;
        }
        let count = (&self.text.as_bytes()[self.at..]).read(buffer)?;
        self.at += count;
        Ok(count)
    }
}

fn replay(regenerations: u64) -> Evidence {
    let rows = Rows {
        next: 0,
        end: regenerations * ROWS_PER_REGENERATION,
        text: "# t_s = seconds since 2027-03-01 00:00 local standard time\nt_s,pulses\n".into(),
        at: 0,
    };
    let mut recording = Recording::from_reader("rows", rows, None).expect("a sound header");
    let raw = two_tanks::settings();
    let times = ValveTimes { leg_ms: 20_000, coast_ms: 300 };
    let start = recording.header().start;
    let world =
        World::new(Settings::try_from(raw.clone()).expect("sound settings"), times, start).expect("a small site");
    let mut gatherer = Gatherer::new("test", "", "test", Vec::new(), &world);
    let mut checker = Checker::new(raw);
    Replay::new(world, vec![&mut gatherer, &mut checker]).run(&mut recording, |_| {}).expect("a sound recording");
    assert_eq!(checker.into_violations(), []);
    gatherer.into_evidence()
}

/// Regenerations, the heap that their evidence holds, and the most that was in use meanwhile.
fn measure(regenerations: u64) -> (usize, usize, usize) {
    let profiler = dhat::Profiler::builder().testing().build();
    let evidence = replay(regenerations);
    let heap = dhat::HeapStats::get();
    let count = evidence.regenerations.len();
    assert!(evidence.notes.is_empty(), "{:?}", evidence.notes);
    drop(evidence);
    drop(profiler);
    (count, heap.curr_bytes, heap.max_bytes)
}

fn main() {
    // Long enough for the curves to be full.
    let (few, few_bytes, few_most) = measure(200);
    let (many, many_bytes, many_most) = measure(1_200);
    assert!(few >= 150 && many >= 5 * few, "{few} and {many} regenerations");
    let more = many - few;
    let (each, each_at_most) = ((many_bytes - few_bytes) / more, (many_most - few_most) / more);
    println!("one more regeneration costs {each} bytes of heap, {each_at_most} at the peak");
    assert!(each <= MOST_BYTES_PER_REGENERATION, "{each} bytes a regeneration");
    // Lists that grow are moved to twice the room.
    assert!(each_at_most <= 2 * MOST_BYTES_PER_REGENERATION, "{each_at_most} bytes a regeneration at the peak");
}
