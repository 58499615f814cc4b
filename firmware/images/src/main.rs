//! `cargo images`: builds the firmware images, holds them against their limits, and packs them for
//! drag-and-drop flashing into `target/images/`.
//!
//! With `--twice` everything is built a second time from nothing, and the two results must be the same
//! byte for byte. With `--stack` the path of calls that takes most stack is told for each image; it lies beside
//! the image as `NAME.stack` in any case. `PINTALLY_MCU_TOOLCHAIN=debian` builds with Debian's compiler and its sources instead of
//! rustup's target (packages `rustc-web`, `cargo-web`, `rust-web-src`, `lld`).

#![allow(clippy::print_stdout, reason = "a tool that tells what it built")]
#![allow(clippy::disallowed_methods, reason = "a tool is an edge: it reads and writes files")]

mod build;
mod image;
mod stack;
mod thumb;
mod uf2;

use std::error::Error;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::{env, fs};

use build::{Built, IMAGES, Kind};
use image::Image;
use stack::Stack;

fn main() -> ExitCode {
    let mut wanted = Wanted::default();
    for flag in env::args().skip(1) {
        match flag.as_str() {
            "--twice" => wanted.twice = true,
            "--stack" => wanted.stack = true,
            other => {
                eprint_line(&format!("expected --twice, --stack or nothing, found {other:?}"));
                return ExitCode::from(64);
            }
        }
    }
    match run(wanted) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprint_line(&format!("error: {error}"));
            ExitCode::FAILURE
        }
    }
}

/// What was asked for beside building.
#[derive(Debug, Clone, Copy, Default)]
struct Wanted {
    twice: bool,
    stack: bool,
}

fn run(wanted: Wanted) -> Result<(), Box<dyn Error>> {
    let root = workspace();
    let target = env::var_os("CARGO_TARGET_DIR").map_or_else(|| root.join("target"), PathBuf::from);
    let out = target.join("images");
    fs::create_dir_all(&out)?;

    println!(
        "{:<24} {:>13} {:>8} {:>12} {:>8} {:>12} {:>8}",
        "image", "flash, bytes", "limit", "static RAM", "limit", "worst stack", "limit"
    );
    for built in IMAGES {
        let elf = build::build(built, &root, &target)?;
        let image = Image::read(&elf)?;
        let stack = stack::deepest(&elf).map_err(|error| format!("{}: {error}", built.name))?;
        println!(
            "{:<24} {:>13} {:>8} {:>12} {:>8} {:>12} {:>8}",
            built.name,
            image.flash,
            built.most_flash,
            image.ram,
            built.most_ram,
            stack.bytes,
            built.most_stack
        );
        if wanted.stack {
            println!("{stack}");
        }
        check(built, &image, &stack)?;
        if wanted.twice {
            let again = Image::read(&build::build(built, &root, &out.join("again"))?)?;
            if image.segments != again.segments {
                return Err(format!("{}: two builds differ", built.name).into());
            }
            println!("{:<24} built twice, the same {} bytes", built.name, image.flash);
        }
        pack(built, &elf, &image, &stack, &out)?;
    }
    Ok(())
}

/// Holds an image against its limits.
fn check(built: &Built, image: &Image, stack: &Stack) -> Result<(), Box<dyn Error>> {
    if image.flash > built.most_flash {
        return Err(too_large(built.name, "flash", built.most_flash, image.flash));
    }
    if image.ram > built.most_ram {
        return Err(too_large(built.name, "static RAM", built.most_ram, image.ram));
    }
    if u64::from(stack.bytes) > built.most_stack {
        eprint_line(&stack.to_string());
        return Err(too_large(built.name, "stack", built.most_stack, stack.bytes.into()));
    }
    let panics: Vec<_> = image.symbols.iter().filter(|symbol| symbol.contains("panic")).collect();
    if built.kind == Kind::LibraryAlone && !panics.is_empty() {
        return Err(format!("{}: expected no panic symbol, found {panics:?}", built.name).into());
    }
    Ok(())
}

fn too_large(name: &str, what: &str, most: u64, found: u64) -> Box<dyn Error> {
    format!("{name}: expected at most {most} bytes of {what}, found {found}").into()
}

/// Leaves the ELF file for emulators and debuggers, and beside it the file for drag and drop and what is known
/// of the stack.
fn pack(built: &Built, elf: &Path, image: &Image, stack: &Stack, out: &Path) -> Result<(), Box<dyn Error>> {
    fs::write(out.join(built.name).with_extension("stack"), stack.to_string())?;
    fs::copy(elf, out.join(built.name).with_extension("elf"))?;
    let packed = out.join(built.name);
    match built.kind {
        Kind::Pico => fs::write(packed.with_extension("uf2"), uf2::write(&image.segments, uf2::RP2040)?)?,
        Kind::Microbit => fs::write(packed.with_extension("hex"), image.intel_hex()?)?,
        Kind::LibraryAlone => {}
    }
    Ok(())
}

fn workspace() -> PathBuf {
    let own = PathBuf::from(env!("CARGO_MANIFEST_DIR"));
    own.ancestors().nth(2).map_or(own.clone(), Path::to_owned)
}

fn eprint_line(line: &str) {
    #[allow(clippy::print_stderr, reason = "the one place where this tool complains")]
    {
        eprintln!("{line}");
    }
}
