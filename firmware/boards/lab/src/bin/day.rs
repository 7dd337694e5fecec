//! Makes every run and prints their figures, one to a line: name, then number.
//!
//! On the emulated machine every call is measured; `instructions` are exact if the emulator ties
//! its clock to instructions (qemu: `-icount shift=10`). On a host only the digests mean anything.
#![cfg_attr(target_os = "none", no_std, no_main)]

use core::fmt::Write;
use core::mem::size_of;

use bedkeeper::journal::Journal;
use bedkeeper::{Controller, Settings};
use bedkeeper_lab::Probe;
use bedkeeper_lab::runs::{self, Report};
use bedkeeper_lab::tally::Call;

/// Runs everything and prints what came of it; `false` if something did not run as it must.
fn print_figures(out: &mut impl Write, probe: &mut impl Probe) -> Result<bool, core::fmt::Error> {
    writeln!(out, "ram-controller {}", size_of::<Controller<2>>())?;
    writeln!(out, "ram-settings {}", size_of::<Settings>())?;
    writeln!(out, "ram-journal {}", size_of::<Journal<2>>())?;
    writeln!(out, "ram-tank {}", size_of::<bedkeeper::duty::Tank>())?;
    let Some(reports) = runs::all(probe) else {
        writeln!(out, "the sites do not pass their check")?;
        return Ok(false);
    };
    print_report(out, "ordinary", &reports.ordinary)?;
    print_report(out, "rough", &reports.rough)?;
    print_report(out, "metered-tanks", &reports.metered_tanks)?;
    let all = [reports.ordinary, reports.rough, reports.metered_tanks];
    Ok(all.iter().all(|report| report.completed > 0 && report.lost == 0))
}

fn print_report(out: &mut impl Write, run: &str, report: &Report) -> core::fmt::Result {
    writeln!(out, "{run}-digest {:016x}", report.digest_value())?;
    writeln!(out, "{run}-completed {}", report.completed)?;
    writeln!(out, "{run}-records {}", report.records)?;
    writeln!(out, "{run}-records-lost {}", report.lost)?;
    for call in Call::ALL {
        let costs = report.tally.of(call);
        let slug = call.slug();
        let mean = costs.instructions.checked_div(u64::from(costs.calls)).unwrap_or(0);
        writeln!(out, "{run}-{slug}-calls {}", costs.calls)?;
        writeln!(out, "{run}-{slug}-instructions-mean {mean}")?;
        writeln!(out, "{run}-{slug}-instructions-worst {}", costs.worst.instructions)?;
        writeln!(out, "{run}-{slug}-instructions-worst-at-ms {}", costs.worst_at_ms)?;
        writeln!(out, "{run}-{slug}-stack-worst {}", costs.worst.stack)?;
    }
    Ok(())
}

#[cfg(target_os = "none")]
mod image {
    use bedkeeper::units::Instant;
    use bedkeeper::{Controller, Input, Refused};
    use bedkeeper_lab::{Cost, Probe};
    use cortex_m::peripheral::SYST;
    use cortex_m::peripheral::syst::SystClkSource;
    use cortex_m_semihosting::{debug, hio};

    #[panic_handler]
    fn panic(_: &core::panic::PanicInfo<'_>) -> ! {
        loop {
            debug::exit(debug::EXIT_FAILURE);
        }
    }

    /// Ticks of the 25 MHz system timer for ten instructions of 1 024 ns of emulated time each.
    const TICKS_PER_TEN: u32 = 256;
    /// This much of the stack is painted before each call.
    const PAINTED_WORDS: usize = 2_048;
    /// Left alone below the stack pointer, for this function's own spills.
    const GAP_WORDS: usize = 4;
    const PAINT: u32 = 0xA5A5_5A5A;

    struct Measure {
        timer: SYST,
        overhead: u32,
    }

    impl Measure {
        fn new(mut timer: SYST) -> Self {
            timer.set_clock_source(SystClkSource::Core);
            timer.set_reload(0x00ff_ffff);
            timer.clear_current();
            timer.enable_counter();
            let mut measure = Self { timer, overhead: 0 };
            let (_, cost) = measure.around(nothing);
            measure.overhead = cost.instructions;
            measure
        }

        #[inline(never)]
        fn around<R>(&mut self, call: impl FnOnce() -> R) -> (R, Cost) {
            let top = cortex_m::register::msp::read() as usize / 4 - GAP_WORDS;
            let bottom = top - PAINTED_WORDS;
            for word in bottom..top {
                // SAFETY: free stack below this function; the machine has megabytes of it.
                unsafe { ((word * 4) as *mut u32).write_volatile(PAINT) };
            }
            self.timer.clear_current();
            let before = SYST::get_current();
            let result = call();
            let after = SYST::get_current();
            let is_painted = |word: &usize| {
                // SAFETY: as above.
                unsafe { ((*word * 4) as *const u32).read_volatile() == PAINT }
            };
            let untouched = (bottom..top).take_while(is_painted).count();
            let stack = (PAINTED_WORDS - untouched) * 4;
            let instructions = ((before.wrapping_sub(after) & 0x00ff_ffff) * 10 + TICKS_PER_TEN / 2) / TICKS_PER_TEN;
            let cost = Cost { instructions: instructions.saturating_sub(self.overhead), stack: stack as u32 };
            (result, cost)
        }
    }

    #[inline(never)]
    fn nothing() {
        cortex_m::asm::nop();
    }

    #[inline(never)]
    fn handle(to: &mut Controller<2>, now: Instant, input: &Input) -> Result<(), Refused> {
        to.handle(now, *input)
    }

    impl Probe for Measure {
        fn call(&mut self, to: &mut Controller<2>, now: Instant, input: Input) -> (Result<(), Refused>, Cost) {
            self.around(|| handle(to, now, &input))
        }
    }

    #[cortex_m_rt::entry]
    fn main() -> ! {
        let (Some(machine), Ok(mut out)) = (cortex_m::Peripherals::take(), hio::hstdout()) else { panic!() };
        let good = super::print_figures(&mut out, &mut Measure::new(machine.SYST)) == Ok(true);
        loop {
            debug::exit(if good { debug::EXIT_SUCCESS } else { debug::EXIT_FAILURE });
        }
    }
}

#[cfg(not(target_os = "none"))]
fn main() -> std::process::ExitCode {
    let mut text = String::new();
    let good = print_figures(&mut text, &mut bedkeeper_lab::Unmeasured) == Ok(true);
    print!("{text}");
    if good { std::process::ExitCode::SUCCESS } else { std::process::ExitCode::FAILURE }
}
