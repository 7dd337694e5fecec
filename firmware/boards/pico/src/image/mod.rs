//! Start-up and the loop.

mod bus;
mod canary;
mod capture;
mod flash;
mod journal;
mod place;
mod ram;
mod readback;
mod serial;
mod sweep;
mod wiring;

use core::cell::RefCell;
use core::panic::PanicInfo;

use bedkeeper_pico::layout::{KEPT_OFFSET, KEPT_SECTORS, SETTINGS_BYTES, SETTINGS_OFFSET, STORE_OFFSET, STORE_SECTORS};
use bedkeeper_pico::pins::ACTUATORS;
use bedkeeper_runtime::alive::{Heartbeat, Keeper, Watchdog};
use bedkeeper_runtime::clock::WallClock;
use bedkeeper_runtime::ds3231::Ds3231;
use bedkeeper_runtime::face::I2cFace;
use bedkeeper_runtime::front::{Errand, Front};
use bedkeeper_runtime::link::staging::Label;
use bedkeeper_runtime::machine::{Board, Machine, Parts};
use bedkeeper_runtime::plant::Plant;
use bedkeeper_runtime::power_up;
use bedkeeper_runtime::self_test::{Check, Finding};
use bedkeeper_runtime::store::{Log, Region};
use embedded_hal::digital::OutputPin;
use embedded_hal_bus::i2c::RefCellDevice;
use hal::clocks::init_clocks_and_plls;
use hal::fugit::{ExtU32, RateExtU32};
use hal::gpio::bank0::{Gpio0, Gpio1};
use hal::gpio::{FunctionUart, Pin, PullDown, PullUp};
use hal::pac::{self, interrupt};
use hal::{I2C, Timer};
use rp2040_hal as hal;

use bus::Bus;
use capture::Capture;
use flash::Flash;
use journal::Journal;
use place::Settings;
use serial::Serial;
use sweep::Sweep;
use wiring::{Input, Output};

/// The second stage that makes the flash readable.
#[unsafe(link_section = ".boot2")]
#[used]
static BOOT2: [u8; 256] = rp2040_boot2::BOOT_LOADER_W25Q080;

const CRYSTAL_HZ: u32 = 12_000_000;
/// The interrupt beats, and the loop runs, this often.
const BEAT_US: u32 = 10_000;
/// While the board starts: mounting the store reads up to 256 KiB.
const START_LIMIT_MS: u32 = 8_000;
/// While the loop runs. The longest thing in it is a sector's erasure, 400 ms by the flash chip's data sheet.
const LOOP_LIMIT_MS: u32 = 2_000;
const TANKS: usize = 2;
/// The longest stored record with its head, in whole pages.
const BUFFER: usize = (bedkeeper::retain::MAX_BYTES + 12).next_multiple_of(256);

/// The longest settings image with its head, in whole pages.
const KEPT_BUFFER: usize = (bedkeeper::image::MAX_BYTES + 12).next_multiple_of(256);

/// Beats of the timer interrupt.
static HEART: Heartbeat = Heartbeat::new();

/// One end of the bus.
type End = RefCellDevice<'static, Bus>;
type SerialPins = (Pin<Gpio0, FunctionUart, PullDown>, Pin<Gpio1, FunctionUart, PullUp>);

type Loop = Machine<Pico, TANKS, BUFFER>;
type Panel = Front<I2cFace<End, End>>;

struct Pico;

impl Board for Pico {
    type Output = Output;
    type Input = Input;
    type Meters = Capture;
    type Clock = Ds3231<End>;
    type Flash = Flash;
    type Records = Journal<SerialPins>;
}

struct Dog(hal::Watchdog);

impl Watchdog for Dog {
    fn feed(&mut self) {
        self.0.feed();
    }
}

/// Drives every actuator low, whatever else the board is doing.
fn everything_off() {
    // SAFETY: the set and clear registers of SIO change the bits written and no others, whoever owns the pins.
    let sio = unsafe { &*pac::SIO::ptr() };
    sio.gpio_out_clr().write(|w| unsafe { w.bits(ACTUATORS) });
}

/// Everything off, and no more feeding: the watchdog resets the board.
fn give_up() -> ! {
    cortex_m::interrupt::disable();
    loop {
        everything_off();
    }
}

#[panic_handler]
fn panic(_: &PanicInfo<'_>) -> ! {
    give_up()
}

#[cortex_m_rt::exception]
unsafe fn HardFault(_: &cortex_m_rt::ExceptionFrame) -> ! {
    give_up()
}

/// The beat: it wakes the loop, and proves that interrupts live.
#[interrupt]
fn TIMER_IRQ_0() {
    // SAFETY: nothing else uses alarm 0, and the registers written are its own.
    let timer = unsafe { &*pac::TIMER::ptr() };
    timer.intr().write(|w| w.alarm_0().clear_bit_by_one());
    let next = timer.timerawl().read().bits().wrapping_add(BEAT_US);
    timer.alarm0().write(|w| unsafe { w.bits(next) });
    HEART.beat();
}

fn start_beats() {
    // SAFETY: as in the interrupt, which is not enabled before the end.
    let timer = unsafe { &*pac::TIMER::ptr() };
    timer.inte().modify(|_, w| w.alarm_0().set_bit());
    let next = timer.timerawl().read().bits().wrapping_add(BEAT_US);
    timer.alarm0().write(|w| unsafe { w.bits(next) });
    // SAFETY: the interrupt touches nothing that is borrowed here.
    unsafe { cortex_m::peripheral::NVIC::unmask(pac::Interrupt::TIMER_IRQ_0) };
}

#[hal::entry]
fn main() -> ! {
    everything_off();
    canary::settle();
    let Some(mut pac) = pac::Peripherals::take() else { give_up() };
    let sio = hal::Sio::new(pac.SIO);
    let pins = hal::gpio::Pins::new(pac.IO_BANK0, pac.PADS_BANK0, sio.gpio_bank0, &mut pac.RESETS);
    // Outputs first, before clocks: each leaves reset as an input, and becomes an output that is low.
    let wired = wiring::wire(pins);
    // No pin of this chip can fail.
    let Ok(mut plant) = wired.plant;

    let mut watchdog = hal::Watchdog::new(pac.WATCHDOG);
    let clocks = init_clocks_and_plls(
        CRYSTAL_HZ,
        pac.XOSC,
        pac.CLOCKS,
        pac.PLL_SYS,
        pac.PLL_USB,
        &mut pac.RESETS,
        &mut watchdog,
    );
    let Ok(clocks) = clocks else { give_up() };
    watchdog.start(START_LIMIT_MS.millis());
    let timer = Timer::new(pac.TIMER, &mut pac.RESETS, &clocks);
    let uptime_us = || timer.get_counter().ticks();
    let uptime_ms = || uptime_us() / 1_000;
    let meters = Capture::start(pac.PIO0, pac.DMA, &mut pac.RESETS, &timer);

    let bus = I2C::i2c0(pac.I2C0, wired.bus.0, wired.bus.1, 400.kHz(), &mut pac.RESETS, &clocks.system_clock);
    let Some(bus) = cortex_m::singleton!(BUS: RefCell<Bus> = RefCell::new(Bus(bus))) else { give_up() };
    let bus = &*bus;
    let place = Flash::bytes(SETTINGS_OFFSET, SETTINGS_BYTES);
    let Some(settings) = last_settings() else { give_up() };
    let chosen = power_up::choose(place, &mut settings.kept, |set| plant.divide(set));
    let Some(front) = front(bus) else { give_up() };
    let findings = front.findings_mut();
    // Had it failed, nothing would have come so far.
    findings.note_passed(Check::Ram, true);
    findings.note_passed(Check::Settings, chosen.rejected.is_none());
    let Some(serial) = serial(&chosen, settings) else { give_up() };
    let records = || Journal::new(pac.UART0, wired.serial, &mut pac.RESETS, &clocks.peripheral_clock);
    let Some(machine) = machine(plant, meters, bus, records, &chosen, uptime_ms) else { give_up() };

    watchdog.start(LOOP_LIMIT_MS.millis());
    let mut keeper = Keeper::new(Dog(watchdog), &HEART);
    let mut lamp = wired.lamp;
    let mut sweep = Sweep::begin();
    let mut outputs = readback::Readback::default();
    front.look_at_inputs(machine);
    look_at_parts(machine, front);
    start_beats();
    serial::listen();
    loop {
        let passed = machine.pass(uptime_ms()).and_then(|_| serial.pass(machine, settings, uptime_us()));
        // To restart, too, everything goes off, and the watchdog starts the board anew.
        if passed.is_err() || serial.wants_restart() {
            give_up();
        }
        match front.pass(machine, settings, serial.label(), uptime_ms()) {
            Ok(None) => {}
            Ok(Some(Errand::SelfTest)) => {
                sweep.again();
                front.findings_mut().note(Check::Outputs, Finding::NotThere);
                look_at_parts(machine, front);
                let runs = power_up::image(Flash::bytes(SETTINGS_OFFSET, SETTINGS_BYTES));
                let passes = runs.is_ok_and(|image| image.raw == *machine.controller().settings().raw());
                front.findings_mut().note_passed(Check::Settings, passes);
            }
            Err(_) => give_up(),
        }
        sweep.step(front.findings_mut());
        outputs.look(front.findings_mut());
        if !canary::lives() {
            give_up();
        }
        let alarms = machine.controller().outputs().alarms;
        let _ = lamp.set_state((!alarms.is_empty() || !front.findings().all_well()).into());
        keeper.pass_over();
        if !serial.is_sending() {
            cortex_m::asm::wfi();
        }
    }
}

// What is large is put together by a function of its own and kept in a place of its own: its copies on the way there share the
// stack with nothing else, and are gone before the loop begins.

/// The second place of the settings.
#[inline(never)]
fn last_settings() -> Option<&'static mut Settings> {
    let region = Region { start: KEPT_OFFSET, pages: KEPT_SECTORS };
    let kept = Log::<Flash, KEPT_BUFFER>::mount(Flash::new(), region).ok()?;
    cortex_m::singleton!(SETTINGS: Settings = Settings { kept })
}

/// Display and buttons.
#[inline(never)]
fn front(bus: &'static RefCell<Bus>) -> Option<&'static mut Panel> {
    let end = || RefCellDevice::new(bus);
    cortex_m::singleton!(FRONT: Panel = Front::new(I2cFace::new(end(), end())))
}

/// The serial line, with the site's name and note as the image has them that runs.
#[inline(never)]
fn serial(chosen: &power_up::Chosen, settings: &mut Settings) -> Option<&'static mut Serial> {
    let image = match chosen.rejected {
        None => power_up::image(Flash::bytes(SETTINGS_OFFSET, SETTINGS_BYTES)).ok(),
        Some(_) => settings.kept.latest().ok().flatten().and_then(|bytes| power_up::image(bytes).ok()),
    };
    let label = image.map(|image| Label { name: image.name, note: image.note }).unwrap_or_default();
    cortex_m::singleton!(SERIAL: Serial = Serial::new(label))
}

/// The control loop with all that it holds: taken up where power left it.
#[inline(never)]
fn machine(
    plant: Plant<Output, Input>,
    meters: Capture,
    bus: &'static RefCell<Bus>,
    records: impl FnOnce() -> Option<Journal<SerialPins>>,
    chosen: &power_up::Chosen,
    uptime_ms: impl FnOnce() -> u64,
) -> Option<&'static mut Loop> {
    let place = cortex_m::singleton!(MACHINE: Option<Loop> = None)?;
    let region = Region { start: STORE_OFFSET, pages: STORE_SECTORS };
    let store = Log::<Flash, BUFFER>::mount(Flash::new(), region).ok()?;
    let parts = Parts { plant, meters, clock: Ds3231::new(RefCellDevice::new(bus)), store, records: records()? };
    Loop::power_up_in(place, parts, chosen, uptime_ms()).ok().flatten()
}

/// The part of the self-test that asks the store and the clock.
fn look_at_parts(machine: &mut Loop, front: &mut Panel) {
    let parts = machine.parts_mut();
    let (store, clock) = (parts.store.latest().is_ok(), parts.clock.read().is_some());
    let findings = front.findings_mut();
    findings.note_passed(Check::Store, store);
    // A clock that never told the time may not be there, and is an alarm of its own.
    if clock || findings.of(Check::Clock) != Finding::NotThere {
        findings.note_passed(Check::Clock, clock);
    }
}
