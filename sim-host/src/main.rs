//! The `bedkeeper` command.
fn main() {}
