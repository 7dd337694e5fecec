//! Meters: state machines stamp each change of a contact with its time, and a memory channel keeps them.
//!
//! A sector's erasure stops the core for up to 400 ms, in which no interrupt runs; pulses must not be lost then. So
//! neither core nor interrupt takes part: a state machine of the PIO watches the contact and a channel of the DMA
//! carries its stamps into a ring in RAM. The logic is then told every change with the time it had, and judges width
//! and gap itself (M4): a judgement in the state machine would be a second one, could not tell a run of short
//! closures that is water from bounce, and would have to be taught each site's figures.

use core::cell::UnsafeCell;

use bedkeeper::Input;
use bedkeeper_pico::pins::{Role, gpio};
use bedkeeper_pico::ring::{RING_WORDS, Reader, SETTLE_TICKS, TICK_US};
use bedkeeper_runtime::meters::Meters;
use hal::Timer;
use hal::pac;
use hal::pio::{Buffers, PIOBuilder, PIOExt};
use rp2040_hal as hal;

const METERS: usize = 2;
/// 125 MHz ÷ 3 125 = 40 kHz: the program ticks every four cycles, so every 100 µs.
const DIVISOR: u16 = 3_125;
const _: () = assert!(125_000_000 / DIVISOR as u32 * TICK_US / 4 == 1_000_000);

/// A ring that a memory channel writes: it wraps its address within this alignment.
#[repr(C, align(4096))]
struct Ring(UnsafeCell<[u32; RING_WORDS]>);

const RING_BYTES_LOG2: u8 = 12;
const _: () = assert!(RING_WORDS * 4 == 1 << RING_BYTES_LOG2);

// SAFETY: the core only reads it, word by word and volatile, and only words that the channel has written already.
unsafe impl Sync for Ring {}

static RINGS: [Ring; METERS] = [const { Ring(UnsafeCell::new([0; RING_WORDS])) }; METERS];

/// The most that a channel transfers before it must be started anew.
const TRANSFERS: u32 = u32::MAX;
/// It is started anew when half of that is left, at a moment when all is read.
const RENEW_BELOW: u32 = u32::MAX / 2;

/// The meters of the board.
pub struct Capture {
    dma: pac::DMA,
    readers: [Reader; METERS],
    sources: [(u32, u8); METERS],
    /// The timer when the state machines started, in µs.
    started_us: u64,
    timer: Timer,
    turn: usize,
}

impl Capture {
    /// Starts the state machines and their channels.
    pub fn start(pio: pac::PIO0, dma: pac::DMA, resets: &mut pac::RESETS, timer: &Timer) -> Self {
        // Each way through takes four cycles for each `jmp x--`, so that x counts ticks exactly: entering a count of y
        // takes one more, and the change itself or the way back one less.
        let program = pio::pio_asm!(
            "    pull block", // osr: how long a level must last
            "    mov x, ~null",
            ".wrap_target",
            "open:",
            "    mov y, osr",
            "open_tick:",
            "    jmp x-- open_look [1]",
            "open_look:",
            "    jmp pin open",
            "    jmp y-- open_tick",
            "    mov isr, x",
            "    jmp x-- closes",
            "closes:",
            "    push noblock",
            "closed:",
            "    mov y, osr",
            "closed_tick:",
            "    jmp x-- closed_look",
            "closed_look:",
            "    jmp pin opening",
            "    jmp closed",
            "opening:",
            "    jmp y-- closed_tick [1]",
            "    mov isr, x",
            "    jmp x-- opens",
            "opens:",
            "    push noblock",
            ".wrap",
        );
        resets.reset().modify(|_, w| w.dma().clear_bit());
        while resets.reset_done().read().dma().bit_is_clear() {}
        let (mut pio, first, second, _, _) = pio.split(resets);
        let Ok(installed) = pio.install(&program.program) else { super::give_up() };
        // SAFETY: both state machines run for ever, so the program is never taken out under them.
        let shared = unsafe { installed.share() };
        let build = |program, meter| {
            PIOBuilder::from_installed_program(program)
                .jmp_pin(gpio(Role::Meter(meter)))
                .buffers(Buffers::RxTx)
                .clock_divisor_fixed_point(DIVISOR, 0)
        };
        let (first, first_rx, mut first_tx) = build(installed, 0).build(first);
        let (second, second_rx, mut second_tx) = build(shared, 1).build(second);
        first_tx.write(SETTLE_TICKS);
        second_tx.write(SETTLE_TICKS);
        let sources = [
            (first_rx.fifo_address() as u32, first_rx.dreq_value()),
            (second_rx.fifo_address() as u32, second_rx.dreq_value()),
        ];
        let mut capture =
            Self { dma, readers: [Reader::default(); METERS], sources, started_us: 0, timer: *timer, turn: 0 };
        for meter in 0..METERS {
            capture.begin(meter);
        }
        capture.started_us = capture.timer.get_counter().ticks();
        let _ = (first.start(), second.start());
        capture
    }

    /// Starts the channel of a meter from the front of its ring.
    fn begin(&mut self, meter: usize) {
        let (Some(ring), Some((source, dreq)), Some(reader)) =
            (RINGS.get(meter), self.sources.get(meter), self.readers.get_mut(meter))
        else {
            return;
        };
        reader.begin_anew();
        let channel = self.dma.ch(meter);
        // SAFETY: the addresses are the state machine's buffer and the meter's own ring, which lives for ever.
        unsafe {
            channel.ch_read_addr().write(|w| w.bits(*source));
            channel.ch_write_addr().write(|w| w.bits(ring.0.get() as u32));
            channel.ch_trans_count().write(|w| w.bits(TRANSFERS));
            channel.ch_ctrl_trig().write(|w| {
                w.data_size().size_word();
                w.incr_write().set_bit();
                w.ring_sel().set_bit();
                w.ring_size().bits(RING_BYTES_LOG2);
                // A channel chained to itself is chained to none.
                w.chain_to().bits(meter as u8);
                w.treq_sel().bits(*dreq);
                w.irq_quiet().set_bit();
                w.en().set_bit()
            });
        }
    }

    /// The next change of a meter that has not been told.
    fn next(&mut self, meter: usize) -> Option<(u32, bool)> {
        let ring = RINGS.get(meter)?;
        let left = self.dma.ch(meter).ch_trans_count().read().bits();
        let reader = self.readers.get_mut(meter)?;
        if reader.is_behind(TRANSFERS - left) {
            let ticks = (self.timer.get_counter().ticks() - self.started_us) / u64::from(TICK_US);
            // The state machine's count comes round after five days; so does this one.
            let change = reader.next(TRANSFERS - left, ticks as u32, |i| {
                // SAFETY: within the ring, and written already.
                unsafe { (ring.0.get() as *const u32).add(i % RING_WORDS).read_volatile() }
            });
            return change.map(|change| (change.age_ms, change.closed));
        }
        if left < RENEW_BELOW {
            // Changes that come meanwhile wait in the state machine's buffer.
            // SAFETY: aborts this channel alone.
            self.dma.chan_abort().write(|w| unsafe { w.bits(1 << meter) });
            while self.dma.chan_abort().read().bits() & (1 << meter) != 0 {}
            self.begin(meter);
        }
        None
    }
}

impl Meters for Capture {
    fn take(&mut self, now_ms: u64) -> Option<(u64, Input)> {
        for _ in 0..METERS {
            let meter = self.turn;
            if let Some((age_ms, closed)) = self.next(meter) {
                let input = Input::MeterContact { meter: meter as u8, closed };
                return Some((now_ms.saturating_sub(u64::from(age_ms)), input));
            }
            self.turn = (self.turn + 1) % METERS;
        }
        None
    }
}
