//! A guard below the stack: if the stack ever grew into the variables, the guard would be overwritten first.
//!
//! The stack begins at the end of RAM and grows down; nothing else lies between the variables and it.

/// Words of the guard.
const WORDS: usize = 16;
const PATTERN: u32 = 0x5aa5_c33c;

unsafe extern "C" {
    /// The end of the variables: from the linker script.
    static mut __sheap: u32;
}

fn place(word: usize) -> *mut u32 {
    // SAFETY: the addresses lie in RAM, behind the variables and far below the stack at power-up.
    unsafe { (&raw mut __sheap).add(word) }
}

/// Puts the guard there.
pub fn settle() {
    for word in 0..WORDS {
        // SAFETY: nobody else uses these words: there is no heap.
        unsafe { place(word).write_volatile(PATTERN) };
    }
}

/// Whether it is whole.
pub fn lives() -> bool {
    // SAFETY: as above.
    (0..WORDS).all(|word| unsafe { place(word).read_volatile() } == PATTERN)
}
