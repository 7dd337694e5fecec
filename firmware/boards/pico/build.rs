//! Hands the memory map and the linker script to the image; does nothing on a host.

use std::path::PathBuf;
use std::{env, fs, io};

fn main() -> io::Result<()> {
    println!("cargo:rerun-if-changed=memory.x");
    if env::var("CARGO_CFG_TARGET_OS").as_deref() != Ok("none") {
        return Ok(());
    }
    let Some(out) = env::var_os("OUT_DIR").map(PathBuf::from) else {
        return Err(io::Error::other("OUT_DIR is not set: run by cargo only"));
    };
    fs::copy("memory.x", out.join("memory.x"))?;
    println!("cargo:rustc-link-search={}", out.display());
    println!("cargo:rustc-link-arg-bins=-Tlink.x");
    println!("cargo:rustc-link-arg-bins=--nmagic");
    Ok(())
}
