//! An image with nothing in it but start-up: what the logic's size is reckoned against.
#![cfg_attr(target_os = "none", no_std, no_main)]

#[cfg(target_os = "none")]
mod image {
    #[panic_handler]
    fn panic(_: &core::panic::PanicInfo<'_>) -> ! {
        loop {}
    }

    #[cortex_m_rt::entry]
    fn main() -> ! {
        loop {
            cortex_m::asm::wfi();
        }
    }
}

#[cfg(not(target_os = "none"))]
fn main() {
    eprintln!("this is an image for a Cortex-M machine: build it with firmware/boards/build");
}
