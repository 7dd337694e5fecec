//! Regeneration logic of ion-exchange softening plants.
#![no_std]
