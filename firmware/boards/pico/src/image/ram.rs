//! RAM is tried before anything is kept in it: a march over all words, in registers alone, since a stack may not be believed yet.
//!
//! It comes before variables have their values. Outputs are made low first, so that they do not float meanwhile: at the speed
//! that the chip starts with, it takes half a second. RAM that fails is the end: everything stays off, the lamp is lit, and only
//! power that goes and comes tries again.
//!
//! The march is the one of six elements that is usually called C-, with words of alternating bits: write p; up: read p, write q; up: read q, write p; down: read p, write q; down: read q, write p; read p. So it
//! finds bits that are stuck or do not turn over, addresses that lead to each other's words, and words that disturb others.
//! Bits that disturb others of their own word are found as far as neighbours tell.

use core::arch::global_asm;

use bedkeeper_pico::pins::{ACTUATORS, Role, gpio};

/// The pins of the actuators follow each other.
const FIRST: u32 = ACTUATORS.trailing_zeros();
const COUNT: u32 = ACTUATORS.count_ones();
const _: () = assert!(ACTUATORS >> FIRST == (1 << COUNT) - 1);

// Figures of the RP2040 data sheet: RESETS 2.14, SIO 2.3.1, IO_BANK0 2.19. r7 = p, r6 = q, r5 = begin, r4 = end of RAM.
global_asm!(
    ".section .text.__pre_init, \"ax\"",
    ".global __pre_init",
    ".type __pre_init, %function",
    ".thumb_func",
    "__pre_init:",
    // Pins and pads out of reset.
    "ldr r0, =0x4000f000",
    "ldr r1, =0x120",
    "str r1, [r0]",
    "ldr r0, =0x4000c008",
    "1: ldr r2, [r0]",
    "ands r2, r1",
    "cmp r2, r1",
    "bne 1b",
    // Levels low, then outputs, then led to the pins.
    "ldr r0, =0xd0000000",
    "ldr r1, ={actuators} | {lamp}",
    "str r1, [r0, #0x18]",
    "str r1, [r0, #0x24]",
    "ldr r0, =0x40014004 + 8 * {first}",
    "movs r1, #5",
    "movs r2, #{count}",
    "2: str r1, [r0]",
    "adds r0, #8",
    "subs r2, #1",
    "bne 2b",
    "ldr r0, =0x40014004 + 8 * {lamp_pin}",
    "str r1, [r0]",
    "ldr r5, =0x20000000",
    "ldr r4, =_ram_end",
    "ldr r7, =0x55555555",
    "mvns r6, r7",
    // Write p.
    "mov r0, r5",
    "3: stmia r0!, {{r7}}",
    "cmp r0, r4",
    "bne 3b",
    // Up: read p, write q; then read q, write p.
    "movs r3, #2",
    "4: mov r0, r5",
    "5: ldr r1, [r0]",
    "cmp r1, r7",
    "bne 9f",
    "stmia r0!, {{r6}}",
    "cmp r0, r4",
    "bne 5b",
    "mov r1, r7",
    "mov r7, r6",
    "mov r6, r1",
    "subs r3, #1",
    "bne 4b",
    // Down: read p, write q; then read q, write p.
    "movs r3, #2",
    "6: mov r0, r4",
    "7: subs r0, #4",
    "ldr r1, [r0]",
    "cmp r1, r7",
    "bne 9f",
    "str r6, [r0]",
    "cmp r0, r5",
    "bne 7b",
    "mov r1, r7",
    "mov r7, r6",
    "mov r6, r1",
    "subs r3, #1",
    "bne 6b",
    // Read p.
    "mov r0, r5",
    "8: ldmia r0!, {{r1}}",
    "cmp r1, r7",
    "bne 9f",
    "cmp r0, r4",
    "bne 8b",
    "bx lr",
    // It failed: everything off, the lamp on, for good.
    "9: ldr r0, =0xd0000000",
    "ldr r1, ={lamp}",
    "str r1, [r0, #0x14]",
    "ldr r1, ={actuators}",
    "10: str r1, [r0, #0x18]",
    "b 10b",
    ".pool",
    ".size __pre_init, . - __pre_init",
    actuators = const ACTUATORS,
    lamp = const 1u32 << gpio(Role::Lamp),
    first = const FIRST,
    count = const COUNT,
    lamp_pin = const gpio(Role::Lamp),
);
