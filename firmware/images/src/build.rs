//! Runs cargo for one image, so that the result does not depend on where the sources lie.

use std::ffi::OsString;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::{env, io};

/// The one target of every image.
const TARGET: &str = "thumbv6m-none-eabi";

/// Cargo's separator of flags in `CARGO_ENCODED_RUSTFLAGS`.
const SEPARATOR: &str = "\u{1f}";

/// An image to build, with what it may use.
pub(crate) struct Built {
    pub(crate) name: &'static str,
    pub(crate) kind: Kind,
    feature: &'static str,
    pub(crate) most_flash: u64,
    pub(crate) most_ram: u64,
    pub(crate) most_stack: u64,
}

/// What an image is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Kind {
    /// Raspberry Pi Pico.
    Pico,
    /// BBC micro:bit v1.
    Microbit,
    /// The library linked with nothing: never flashed, only measured.
    LibraryAlone,
}

/// Every image. The limits are the project's own: small enough for the smallest part of each family, static RAM
/// and stack together.
pub(crate) const IMAGES: &[Built] = &[
    Built {
        name: "library-alone",
        kind: Kind::LibraryAlone,
        feature: "library-alone",
        most_flash: 8 * 1024,
        most_ram: 2 * 1024,
        most_stack: 3 * 1024,
    },
    Built {
        name: "pintally-pico",
        kind: Kind::Pico,
        feature: "pico",
        most_flash: 32 * 1024,
        most_ram: 8 * 1024,
        most_stack: 6 * 1024,
    },
    Built {
        name: "pintally-pico-relays",
        kind: Kind::Pico,
        feature: "pico-relays",
        most_flash: 32 * 1024,
        most_ram: 8 * 1024,
        most_stack: 6 * 1024,
    },
    Built {
        name: "pintally-pico-expanders",
        kind: Kind::Pico,
        feature: "pico-expanders",
        // 2 KiB for the drivers of the bus and of the expanders; the flash of a Pico holds sixty times that.
        most_flash: 36 * 1024,
        most_ram: 8 * 1024,
        most_stack: 6 * 1024,
    },
    Built {
        name: "pintally-microbit",
        kind: Kind::Microbit,
        feature: "microbit",
        most_flash: 32 * 1024,
        most_ram: 8 * 1024,
        most_stack: 3 * 1024,
    },
];

/// Builds an image under `target_dir` and returns its ELF file.
pub(crate) fn build(image: &Built, root: &Path, target_dir: &Path) -> io::Result<PathBuf> {
    let mut cargo = compiler()?;
    cargo
        .current_dir(root)
        .args(["build", "--quiet", "--locked", "--profile", "firmware", "--package", "firmware"])
        .args(["--target", TARGET, "--bin", image.name, "--features", image.feature])
        .arg("--target-dir")
        .arg(target_dir)
        .env("CARGO_ENCODED_RUSTFLAGS", flags(root)?)
        // Without it only errors would be logged; chosen when the image is built.
        .env("DEFMT_LOG", env::var_os("DEFMT_LOG").unwrap_or_else(|| "info".into()));
    let status = cargo.status()?;
    if !status.success() {
        return Err(io::Error::other(format!("building {} failed: {status}", image.name)));
    }
    Ok(target_dir.join(TARGET).join("firmware").join(image.name))
}

/// Cargo, of rustup or of Debian.
fn compiler() -> io::Result<Command> {
    match env::var("PINTALLY_MCU_TOOLCHAIN").as_deref() {
        Err(_) | Ok("rustup") => Ok(Command::new(env::var_os("CARGO").unwrap_or_else(|| "cargo".into()))),
        Ok("debian") => {
            let mut cargo = Command::new("/usr/bin/cargo");
            cargo
                .arg("-Zbuild-std=core")
                .env("RUSTC_BOOTSTRAP", "1")
                .env("RUSTC", "/usr/bin/rustc")
                .env_remove("RUSTUP_TOOLCHAIN")
                .env("CARGO_TARGET_THUMBV6M_NONE_EABI_LINKER", "/usr/bin/ld.lld");
            Ok(cargo)
        }
        Ok(other) => {
            let message = format!("PINTALLY_MCU_TOOLCHAIN: expected rustup or debian, found {other}");
            Err(io::Error::other(message))
        }
    }
}

/// Names of folders are replaced in everything that goes into the image.
fn flags(root: &Path) -> io::Result<OsString> {
    let cargo_home = env::var_os("CARGO_HOME")
        .map(PathBuf::from)
        .or_else(|| env::home_dir().map(|home| home.join(".cargo")))
        .ok_or_else(|| io::Error::other("neither CARGO_HOME nor a home directory is set"))?;
    let mut flags = OsString::new();
    for (from, to) in [(root, "pintally"), (&cargo_home, "cargo")] {
        if !flags.is_empty() {
            flags.push(SEPARATOR);
        }
        flags.push("--remap-path-prefix=");
        flags.push(from);
        flags.push("=");
        flags.push(to);
    }
    Ok(flags)
}
