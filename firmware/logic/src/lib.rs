//! Regeneration logic of ion-exchange softening plants.
#![no_std]

#[cfg(test)]
extern crate std;

pub mod blackout;
pub mod brine;
pub mod calendar;
pub mod contact;
pub mod controller;
pub mod demand;
pub mod drive;
pub mod duty;
pub mod journal;
pub mod ledger;
pub mod meter;
pub mod operator;
pub mod program;
pub mod sequence;
pub mod settings;
pub mod units;
pub mod watch;

pub use controller::{Accounts, Controller, Input, Outputs, SettingsRefused, TooManyTanks, Why};
pub use operator::{Action, Refused};
pub use settings::{RawSettings, Settings};

/// Collects into a list of fixed length; what does not fit is left out.
///
/// `heapless`'s own `collect` panics instead, and nothing here may.
pub(crate) fn collect<T, const N: usize>(items: impl IntoIterator<Item = T>) -> heapless::Vec<T, N> {
    let mut list = heapless::Vec::new();
    for item in items {
        if list.push(item).is_err() {
            break;
        }
    }
    list
}
