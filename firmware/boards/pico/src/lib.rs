//! The board as data: what each pin does, and what lies where in flash.
//!
//! Everything that needs no register is here, so that a host can test it.
#![no_std]

pub mod layout;
pub mod pins;
pub mod ring;
