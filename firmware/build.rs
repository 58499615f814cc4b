//! Picks the memory map of the image that is built. Does nothing for the host, and nothing for the
//! library alone on a chip.

use std::path::PathBuf;
use std::{env, fs, io};

fn main() -> io::Result<()> {
    println!("cargo:rerun-if-changed=build.rs");
    println!("cargo:rerun-if-changed=memory");
    if env::var("CARGO_CFG_TARGET_OS").as_deref() != Ok("none") {
        return Ok(());
    }
    let has = |feature: &str| env::var_os(format!("CARGO_FEATURE_{feature}")).is_some();
    let images = ["PICO", "PICO_RELAYS", "PICO_EXPANDERS", "MICROBIT", "LIBRARY_ALONE"];
    let map = match images.into_iter().filter(|image| has(image)).collect::<Vec<_>>().as_slice() {
        ["PICO" | "PICO_RELAYS" | "PICO_EXPANDERS"] => "memory/pico.x",
        ["MICROBIT"] => "memory/microbit.x",
        ["LIBRARY_ALONE"] => {
            // No vector table and no start-up code: just what the one function needs.
            println!("cargo:rustc-link-arg-bins=--nmagic");
            println!("cargo:rustc-link-arg-bins=--entry=step");
            println!("cargo:rustc-link-arg-bins=--gc-sections");
            return Ok(());
        }
        [] => return Ok(()),
        several => return Err(io::Error::other(format!("expected one image a build, found {several:?}"))),
    };
    let out = PathBuf::from(env::var_os("OUT_DIR").ok_or_else(|| io::Error::other("OUT_DIR is not set"))?);
    fs::copy(map, out.join("memory.x"))?;
    println!("cargo:rustc-link-search={}", out.display());
    println!("cargo:rustc-link-arg-bins=--nmagic");
    println!("cargo:rustc-link-arg-bins=-Tlink.x");
    println!("cargo:rustc-link-arg-bins=-Tdefmt.x");
    Ok(())
}
