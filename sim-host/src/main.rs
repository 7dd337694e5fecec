//! The `bedkeeper` command.

fn main() {
    println!("bedkeeper");
}
