//! What a board adds to the logic. For now the store: a flash log that outlives power cuts (P2, P7).
#![no_std]

#[cfg(any(test, feature = "mock-flash"))]
extern crate std;

#[cfg(feature = "mock-flash")]
pub mod mock_flash;
pub mod store;
