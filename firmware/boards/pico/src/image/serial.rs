//! The serial line: an interrupt takes what comes, with its time; the loop answers, and never waits to send.

use core::cell::RefCell;

use bedkeeper_runtime::link::staging::Label;
use bedkeeper_runtime::link::{Config, Link};
use bedkeeper_runtime::machine::{Machine, PinFault};
use critical_section::Mutex;
use hal::pac::{self, interrupt};
use heapless::Deque;
use rp2040_hal as hal;

use super::place::Settings;
use super::{BUFFER, Pico, TANKS};

/// Bytes that wait for the loop: more than a whole frame.
const WAITING: usize = 1_536;

/// Bytes that came, each with the lower half of the timer's µs. What finds no room is lost, and its frame damaged.
static CAME: Mutex<RefCell<Deque<(u8, u32), WAITING>>> = Mutex::new(RefCell::new(Deque::new()));

/// Something came, or the line fell silent after it.
#[interrupt]
fn UART0_IRQ() {
    // SAFETY: this alone reads the data register, and reading the others changes nothing.
    let (uart, timer) = unsafe { (&*pac::UART0::ptr(), &*pac::TIMER::ptr()) };
    let now_us = timer.timerawl().read().bits();
    while uart.uartfr().read().rxfe().bit_is_clear() {
        // A byte that was damaged on the line damages its frame's checksum, too.
        let byte = uart.uartdr().read().data().bits();
        critical_section::with(|cs| {
            let _ = CAME.borrow_ref_mut(cs).push_back((byte, now_us));
        });
    }
    uart.uarticr().write(|w| w.rxic().clear_bit_by_one().rtic().clear_bit_by_one());
}

/// Lets bytes come; the line has been opened, and its own interrupt enabled.
pub fn listen() {
    // SAFETY: the interrupt touches nothing that is borrowed here.
    unsafe { cortex_m::peripheral::NVIC::unmask(pac::Interrupt::UART0_IRQ) };
}

/// The link on the line.
pub struct Serial(Link);

impl Serial {
    /// A line that nobody has spoken on; the site is called so.
    pub fn new(label: Label) -> Self {
        Self(Link::new(Config { board: "RP2040 board", label }))
    }

    /// What the site is called by now.
    pub fn label(&self) -> &Label {
        self.0.label()
    }

    /// Hears, answers one frame at the most, and sends as much as the line takes now.
    ///
    /// # Errors
    /// A pin fails.
    pub fn pass(
        &mut self,
        machine: &mut Machine<Pico, TANKS, BUFFER>,
        settings: &mut Settings,
        now_us: u64,
    ) -> Result<(), PinFault<Pico>> {
        let now_low = now_us as u32;
        while let Some((byte, at)) = critical_section::with(|cs| CAME.borrow_ref_mut(cs).pop_front()) {
            // The interrupt may have come after the loop looked at the time.
            let age = now_low.wrapping_sub(at);
            let age = if age > u32::MAX / 2 { 0 } else { age };
            if self.0.receive(byte, now_us.saturating_sub(u64::from(age))) {
                break;
            }
        }
        self.0.poll(machine, settings, now_us)?;
        let line = &mut machine.parts_mut().records;
        if self.0.is_spoken_to() {
            line.be_silent();
        }
        let sent = line.send(self.0.outgoing());
        self.0.sent(sent);
        if self.0.outgoing().is_empty() {
            line.set_speed(self.0.speed());
        }
        Ok(())
    }

    /// Something waits to be sent: the loop goes round again at once.
    pub fn is_sending(&self) -> bool {
        !self.0.outgoing().is_empty()
    }

    /// Settings were stored that only a restart takes.
    pub fn wants_restart(&self) -> bool {
        self.0.wants_restart()
    }
}
