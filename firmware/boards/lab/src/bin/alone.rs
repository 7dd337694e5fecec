//! The logic alone, two tanks: what it weighs, and proof that nothing in it can panic.
//!
//! Inputs come from, and outputs go to, fixed addresses as on a board, so that the compiler can
//! foresee neither. A panic that is still reachable after optimisation calls a symbol that does
//! not exist, and the image does not link. It is built and examined, never run.
#![cfg_attr(target_os = "none", no_std, no_main)]

#[cfg(target_os = "none")]
mod image {
    use core::hint::black_box;
    use core::mem::MaybeUninit;

    use bedkeeper::units::{Instant, TankId};
    use bedkeeper::{Controller, Input, RawSettings, Settings};

    #[panic_handler]
    fn panic(_: &core::panic::PanicInfo<'_>) -> ! {
        unsafe extern "C" {
            fn a_panic_is_reachable() -> !;
        }
        // SAFETY: never called; the symbol is missing so that linking fails if this is reachable.
        unsafe { a_panic_is_reachable() }
    }

    // What a board would read from its store, its clock and its pins.
    static mut RAW: MaybeUninit<RawSettings> = MaybeUninit::uninit();
    static mut NOW: MaybeUninit<Instant> = MaybeUninit::uninit();
    static mut INPUT: MaybeUninit<Input> = MaybeUninit::uninit();

    fn read<T>(from: *const MaybeUninit<T>) -> T {
        // SAFETY: the image is linked and examined only; were it run, nobody has filled these in.
        unsafe { from.read_volatile().assume_init() }
    }

    fn now() -> Instant {
        read(&raw const NOW)
    }

    fn settings() -> Option<Settings> {
        Settings::try_from(read(&raw const RAW)).ok()
    }

    #[cortex_m_rt::entry]
    fn main() -> ! {
        let started = match settings() {
            Some(settings) => Controller::<2>::new(now(), settings),
            None => Controller::<2>::on_baseline(now()),
        };
        let Ok(mut controller) = started else { loop {} };
        loop {
            let now = now();
            let _ = black_box(controller.handle(now, read(&raw const INPUT)));
            black_box(controller.outputs());
            black_box(controller.next_deadline());
            black_box(controller.take_record());
            black_box(controller.why(TankId(0)));
            black_box((controller.accounts(), controller.tanks(), controller.clock(), controller.flow(now)));
            if let Some(settings) = settings() {
                let _ = black_box(controller.change_settings(now, settings));
            } else {
                controller.reject_settings(now);
            }
        }
    }
}

#[cfg(not(target_os = "none"))]
fn main() {
    eprintln!("this is an image for a Cortex-M machine: build it with firmware/boards/build");
}
