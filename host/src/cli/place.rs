//! Where sessions are kept, what they are called, and when they began.

use std::{
    io,
    path::{Path, PathBuf},
    sync::{Arc, atomic::AtomicBool},
};

use directories::ProjectDirs;

use super::emulation::Emulation;
use crate::{
    exit_status::ExitStatus,
    failure::Failure,
    meter::Profile,
    moment::Moment,
    port::{self, PortDevices, SWITCHING_BOARD},
    practice::serve::{Background, Doors, Orders, open_pseudo_terminals, open_tcp},
    sweep::{Devices, Heard},
};

/// The wall clock, as RFC 3339 text in UTC.
pub(super) fn now() -> String {
    jiff::Timestamp::now().to_string()
}

/// The wall clock, in microseconds since 1970-01-01 UTC.
pub(super) fn now_us() -> i64 {
    jiff::Timestamp::now().as_microsecond()
}

/// Names a session by its beginning and its board, in letters that every file system takes.
pub(super) fn session_name(started: &str, board: Option<&str>) -> String {
    let plain = |text: &str| -> String {
        let keep = |c: char| if c.is_ascii_alphanumeric() || c == '-' { c } else { '_' };
        text.chars().take(40).map(keep).collect()
    };
    // 2026-11-25T13:05:01.123456Z becomes 20261125-130501-123456, and .12Z at its end -120000: zeros are not written there.
    let digits: String = started.chars().filter(char::is_ascii_digit).collect();
    let (day, rest) = digits.split_at(digits.len().min(8));
    let (time, fraction) = rest.split_at(rest.len().min(6));
    let fraction: String = fraction.chars().take(6).collect();
    match board {
        Some(board) => format!("{day}-{time}-{fraction:0<6}-{}", plain(board)),
        None => format!("{day}-{time}-{fraction:0<6}"),
    }
}

/// The data directory: the one that was named, or that of this user.
pub(super) fn data_folder(named: Option<&Path>) -> Result<PathBuf, Failure> {
    match named {
        Some(folder) => Ok(folder.to_owned()),
        None => {
            ProjectDirs::from("", "", "pintally").map(|dirs| dirs.data_dir().to_owned()).ok_or_else(|| {
                Failure::new(
                    ExitStatus::Configuration,
                    "expected a home directory to keep session logs in, found none",
                )
                .hint("name a place with --data DIR")
            })
        }
    }
}

/// Runs the practice bench in real time behind ports of its own.
pub(super) fn serve(
    emulation: &Emulation,
    profile: &Profile,
    stop: Arc<AtomicBool>,
) -> Result<(Box<dyn Devices>, [String; 2]), Failure> {
    serve_with_hands(emulation, profile, stop).map(|(devices, ports, _)| (devices, ports))
}

/// Devices, the names of their ports, and a way to move the parts of the bench.
pub(super) type Served = (Box<dyn Devices>, [String; 2], Orders);

/// Likewise, with a way to move the parts of the bench.
pub(super) fn serve_with_hands(
    emulation: &Emulation,
    profile: &Profile,
    stop: Arc<AtomicBool>,
) -> Result<Served, Failure> {
    let doors = doors(None, None)?;
    let (jig, meter) = (doors.jig.clone(), doors.meter.clone());
    let bench = Background::start(emulation.bench()?, doors);
    let (jig_port, meter_port) = (port::open(&jig, &SWITCHING_BOARD)?, port::open(&meter, &profile.port)?);
    let devices = PortDevices::new(jig_port, meter_port, stop);
    let orders = bench.orders();
    Ok((Box::new(BenchBehindPorts { devices, _bench: bench }), [jig.to_string(), meter.to_string()], orders))
}

/// Opens the ports of a practice bench: on TCP ports if they are given, or where there are no pseudo-terminals.
pub(super) fn doors(tcp: Option<(u16, u16)>, links: Option<&Path>) -> Result<Doors, Failure> {
    let opened = match tcp {
        Some((jig, meter)) => open_tcp(jig, meter),
        None if cfg!(unix) => open_pseudo_terminals(links),
        None => open_tcp(0, 0),
    };
    Ok(opened?)
}

/// Ports with the bench behind them, which is switched off when they are closed.
struct BenchBehindPorts {
    devices: PortDevices,
    _bench: Background,
}

impl Devices for BenchBehindPorts {
    fn now(&self) -> Moment {
        self.devices.now()
    }

    fn wait(&mut self, until: Moment) -> Heard {
        self.devices.wait(until)
    }

    fn fresh_number(&self) -> u16 {
        self.devices.fresh_number()
    }

    fn to_jig(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.devices.to_jig(bytes)
    }

    fn to_meter(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.devices.to_meter(bytes)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_session_name_is_safe_in_every_file_system() {
        let name = session_name("2026-11-25T13:05:01.123456789Z", Some("../T 12\u{1b}"));
        assert_eq!(name, "20261125-130501-123456-___T_12_");
        // One in ten thousand times of a clock with nanoseconds ends so.
        assert_eq!(session_name("2026-11-25T13:05:01.12Z", Some("T1")), "20261125-130501-120000-T1");
        assert_eq!(session_name("2026-11-25T13:05:01Z", None), "20261125-130501-000000");
    }
}
