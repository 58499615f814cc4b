//! Names of ports, and opening them.

use std::{
    fmt,
    io::{self, Read, Write},
    net::{SocketAddr, TcpStream, ToSocketAddrs},
    str::FromStr,
    time::Duration,
};

use serialport::SerialPort;

use super::{Port, READ_WAIT, WRITE_WAIT};
use crate::meter::{DataBits, Parity, PortSettings, StopBits};

/// Where a device is: a serial port by the system's name, or `tcp:HOST:PORT`.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub enum Address {
    /// A serial port or pseudo-terminal.
    Serial(String),
    /// A serial server, an emulator or a practice bench.
    Tcp {
        /// Name or address of the host.
        host: String,
        /// TCP port.
        port: u16,
    },
}

/// A port's name cannot be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("expected a serial port or tcp:HOST:PORT, found {found:?}")]
pub struct AddressError {
    /// What was given.
    pub found: String,
}

/// A port cannot be opened.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum PortError {
    /// Nothing of that name is there.
    #[error("port {port} does not exist")]
    Missing {
        /// Name of the port.
        port: Address,
    },
    /// Another program holds it.
    #[error("port {port} is held by another program")]
    Busy {
        /// Name of the port.
        port: Address,
    },
    /// The user may not open it.
    #[error("port {port} may not be opened by this user")]
    Forbidden {
        /// Name of the port.
        port: Address,
    },
    /// Nobody listens there.
    #[error("nobody listens at {port}")]
    Refused {
        /// Name of the port.
        port: Address,
    },
    /// The host is not known.
    #[error("the name of {port} cannot be found: {reason}")]
    Unnamed {
        /// Name of the port.
        port: Address,
        /// The system's words.
        reason: String,
    },
    /// There is something of this name that is no port.
    #[error("expected a port, found {found}: {port}")]
    NoPort {
        /// What was named.
        port: Address,
        /// What it is.
        found: &'static str,
    },
    /// The system gave another reason.
    #[error("port {port} cannot be opened: {reason}")]
    Other {
        /// Name of the port.
        port: Address,
        /// The system's words.
        reason: String,
    },
}

/// How long a `tcp:` port may take to answer.
const CONNECT_WAIT: Duration = Duration::from_secs(3);

/// Opens a port.
///
/// # Errors
/// [`PortError`] with the name of the port and the reason.
pub fn open(address: &Address, settings: &PortSettings) -> Result<Port, PortError> {
    let (reader, writer) = match address {
        Address::Serial(name) => open_serial(name, settings).map_err(|error| serial_error(address, &error)),
        Address::Tcp { host, port } => {
            // A name is looked up first, since the system says in many ways that there is none.
            let found = (host.as_str(), *port)
                .to_socket_addrs()
                .map_err(|error| PortError::Unnamed { port: address.clone(), reason: error.to_string() })?;
            open_tcp(found).map_err(|error| tcp_error(address, &error))
        }
    }?;
    Ok(Port { reader, writer, address: address.clone(), settings: settings.clone() })
}

/// The two directions of a port.
type Ends = (Box<dyn Read + Send>, Box<dyn Write + Send>);

impl Address {
    /// Whether both name the same port, under whatever names the system knows it.
    #[must_use]
    pub fn is_same_as(&self, other: &Self) -> bool {
        match (self, other) {
            (Self::Serial(own), Self::Serial(other)) => own == other || is_same_device(own, other),
            _ => self == other,
        }
    }
}

impl PortError {
    /// What to try next.
    #[must_use]
    pub fn hint(&self) -> &'static str {
        match self {
            Self::Missing { .. } => {
                "plug the device in; `pintally jig find` and `pintally meter find` list the ports"
            }
            Self::Busy { .. } => "close the program that uses the port, or name another port",
            Self::Forbidden { .. } => {
                "on Linux add yourself to the group that owns the port (often `dialout`), then log in again"
            }
            Self::Refused { .. } => {
                "start the device, emulator or `pintally practice` first, or check host and port"
            }
            Self::Unnamed { .. } => "check the name of the host, or give its address: tcp:192.168.1.20:4001",
            Self::NoPort { .. } => "name a port: `pintally jig find` and `pintally meter find` list them",
            Self::Other { .. } => "unplug the device, plug it in again and name the port that then appears",
        }
    }
}

impl FromStr for Address {
    type Err = AddressError;

    fn from_str(text: &str) -> Result<Self, AddressError> {
        let wrong = || AddressError { found: text.to_owned() };
        match text.strip_prefix("tcp:") {
            Some(rest) => {
                let (host, port) = rest.rsplit_once(':').ok_or_else(wrong)?;
                let port = port.parse().map_err(|_| wrong())?;
                // An IPv6 address is written in brackets, as in a URL.
                let host = host.strip_prefix('[').and_then(|h| h.strip_suffix(']')).unwrap_or(host);
                if host.is_empty() { Err(wrong()) } else { Ok(Self::Tcp { host: host.to_owned(), port }) }
            }
            None if text.trim().is_empty() => Err(wrong()),
            None => Ok(Self::Serial(text.to_owned())),
        }
    }
}

impl fmt::Display for Address {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Serial(name) => f.pad(name),
            Self::Tcp { host, port } if host.contains(':') => f.pad(&format!("tcp:[{host}]:{port}")),
            Self::Tcp { host, port } => f.pad(&format!("tcp:{host}:{port}")),
        }
    }
}

fn open_serial(name: &str, settings: &PortSettings) -> serialport::Result<Ends> {
    let builder = serialport::new(name, settings.baud)
        .data_bits(match settings.data_bits {
            DataBits::Seven => serialport::DataBits::Seven,
            DataBits::Eight => serialport::DataBits::Eight,
        })
        .parity(match settings.parity {
            Parity::None => serialport::Parity::None,
            Parity::Odd => serialport::Parity::Odd,
            Parity::Even => serialport::Parity::Even,
        })
        .stop_bits(match settings.stop_bits {
            StopBits::One => serialport::StopBits::One,
            StopBits::Two => serialport::StopBits::Two,
        })
        .timeout(READ_WAIT)
        .dtr_on_open(settings.dtr);
    let mut reader = open_handle(builder)?;
    // Pseudo-terminals have no RTS: a device that needs the line stays silent, and that is reported.
    let _ = reader.write_request_to_send(settings.rts);
    let mut writer = reader.try_clone()?;
    writer.set_timeout(WRITE_WAIT)?;
    Ok((Box::new(reader), Box::new(writer)))
}

/// Opens the device; one without modem lines (a pseudo-terminal) is opened without raising DTR.
fn open_handle(builder: serialport::SerialPortBuilder) -> serialport::Result<Box<dyn SerialPort>> {
    match builder.clone().open() {
        Err(error) if matches!(error.kind, serialport::ErrorKind::Io(_) | serialport::ErrorKind::Unknown) => {
            builder.preserve_dtr_on_open().open().map_err(|_| error)
        }
        opened => opened,
    }
}

fn open_tcp(found: impl Iterator<Item = SocketAddr>) -> io::Result<Ends> {
    let mut last = io::Error::new(io::ErrorKind::NotFound, "the name has no address");
    for address in found {
        match TcpStream::connect_timeout(&address, CONNECT_WAIT) {
            Ok(stream) => {
                stream.set_nodelay(true)?;
                stream.set_read_timeout(Some(READ_WAIT))?;
                stream.set_write_timeout(Some(WRITE_WAIT))?;
                return Ok((Box::new(stream.try_clone()?), Box::new(stream)));
            }
            Err(error) => last = error,
        }
    }
    Err(last)
}

fn serial_error(address: &Address, error: &serialport::Error) -> PortError {
    let port = address.clone();
    if let Address::Serial(name) = address
        && let Some(found) = no_port(name)
    {
        return PortError::NoPort { port, found };
    }
    // The kind is coarse on some systems, so the words of the error are read as well.
    let words = error.description.to_lowercase();
    match error.kind {
        serialport::ErrorKind::Io(io::ErrorKind::PermissionDenied) => PortError::Forbidden { port },
        serialport::ErrorKind::Io(io::ErrorKind::ResourceBusy) => PortError::Busy { port },
        _ if words.contains("busy") || words.contains("lock") => PortError::Busy { port },
        _ if words.contains("denied") => PortError::Forbidden { port },
        serialport::ErrorKind::Io(io::ErrorKind::NotFound) | serialport::ErrorKind::NoDevice => {
            PortError::Missing { port }
        }
        _ => PortError::Other { port, reason: error.description.clone() },
    }
}

/// What a name stands for that is no device.
#[allow(clippy::disallowed_methods, reason = "this is the edge that opens ports")]
fn no_port(name: &str) -> Option<&'static str> {
    let kind = std::fs::metadata(name).ok()?.file_type();
    match (kind.is_file(), kind.is_dir()) {
        (true, _) => Some("a file"),
        (_, true) => Some("a folder"),
        _ => None,
    }
}

/// Whether two names lead to one device, as the stable names of a system do.
#[allow(clippy::disallowed_methods, reason = "this is the edge that opens ports")]
fn is_same_device(one: &str, other: &str) -> bool {
    match (std::fs::canonicalize(one), std::fs::canonicalize(other)) {
        (Ok(one), Ok(other)) => one == other,
        _ => false,
    }
}

fn tcp_error(address: &Address, error: &io::Error) -> PortError {
    let port = address.clone();
    match error.kind() {
        io::ErrorKind::ConnectionRefused | io::ErrorKind::TimedOut => PortError::Refused { port },
        io::ErrorKind::NotFound => PortError::Missing { port },
        _ => PortError::Other { port, reason: error.to_string() },
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn reads_and_writes_names_of_ports() {
        for text in ["/dev/ttyUSB0", "COM3", "tcp:localhost:4001", "tcp:[::1]:4001"] {
            assert_eq!(text.parse::<Address>().map(|a| a.to_string()), Ok(text.to_owned()));
        }
        for text in ["", " ", "tcp:", "tcp:host", "tcp:host:", "tcp:host:70000", "tcp::1"] {
            assert!(text.parse::<Address>().is_err(), "{text:?} was taken");
        }
    }

    #[test]
    fn a_port_that_is_not_there_is_named() {
        let address: Address = "/dev/no-such-port".parse().unwrap();
        let error = open(&address, &super::super::SWITCHING_BOARD).err().unwrap();
        assert_eq!(error.to_string(), "port /dev/no-such-port does not exist");
    }

    #[test]
    fn what_is_no_port_is_told_from_one_that_is_not_plugged_in() {
        let (file, folder) = (concat!(env!("CARGO_MANIFEST_DIR"), "/Cargo.toml"), env!("CARGO_MANIFEST_DIR"));
        for (name, expected) in [(file, "a file"), (folder, "a folder")] {
            let error = open(&Address::Serial(name.into()), &super::super::SWITCHING_BOARD).err().unwrap();
            assert!(matches!(error, PortError::NoPort { found, .. } if found == expected), "{error}");
        }
        // RFC 6761 keeps this name from ever being found.
        let error = open(&"tcp:no-such-host.invalid:4001".parse().unwrap(), &super::super::SWITCHING_BOARD);
        assert!(matches!(error.err().unwrap(), PortError::Unnamed { .. }));
    }

    #[test]
    fn nobody_listening_is_told() {
        // The near end of a connection: nobody listens there, and nobody else gets the port meanwhile.
        let listener = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
        let held = TcpStream::connect(listener.local_addr().unwrap()).unwrap();
        let address = Address::Tcp { host: "127.0.0.1".into(), port: held.local_addr().unwrap().port() };
        let error = open(&address, &super::super::SWITCHING_BOARD).err().unwrap();
        assert!(matches!(error, PortError::Refused { .. }), "{error}");
    }

    #[test]
    fn a_port_is_the_same_under_another_name() {
        let is_same = |one: &str, other: &str| {
            one.parse::<Address>().unwrap().is_same_as(&other.parse::<Address>().unwrap())
        };
        let manifest = concat!(env!("CARGO_MANIFEST_DIR"), "/Cargo.toml");
        let other_way = concat!(env!("CARGO_MANIFEST_DIR"), "/src/../Cargo.toml");
        for (one, other, expected) in [
            ("COM3", "COM3", true),
            ("COM3", "COM4", false),
            ("tcp:bench:4001", "tcp:bench:4001", true),
            ("tcp:bench:4001", "tcp:bench:4002", false),
            (manifest, other_way, true),
            (manifest, "no-such-port", false),
        ] {
            assert_eq!(is_same(one, other), expected, "{one} {other}");
        }
    }

    #[cfg(unix)]
    #[test]
    fn a_pseudo_terminal_carries_every_byte_and_is_exclusive() {
        use serialport::TTYPort;

        let (mut far, near) = TTYPort::pair().unwrap();
        let name = near.name().unwrap();
        drop(near);
        let address = Address::Serial(name);
        let mut port = open(&address, &super::super::SWITCHING_BOARD).unwrap();
        let all: Vec<u8> = (0..=255).collect();
        far.write_all(&all).unwrap();
        let (mut got, mut chunk) = (Vec::new(), [0; 256]);
        // A read waits for 50 ms at most, and the system may take longer to hand the bytes over.
        for _ in 0..1000 {
            let count = port.reader.read(&mut chunk).unwrap_or(0);
            got.extend_from_slice(&chunk[..count]);
            if got.len() >= all.len() {
                break;
            }
        }
        assert_eq!(got, all);
        port.writer.write_all(&all).unwrap();
        far.set_timeout(Duration::from_secs(60)).unwrap();
        far.read_exact(&mut got).unwrap();
        assert_eq!(got, all);
        assert!(matches!(open(&address, &super::super::SWITCHING_BOARD), Err(PortError::Busy { .. })));
    }
}
