//! The Raspberry Pi Pico in rp2040js, driven through `tests/emulated/pico.mjs`.

use std::fmt::Write as _;
use std::io::{BufRead, BufReader, Write};
use std::net::{Ipv4Addr, SocketAddr, TcpStream};
use std::path::PathBuf;
use std::process::{Command, Stdio};

use serde_json::Value;

use super::{Edge, Emulator, LIMIT, Levels, Lines, image, log, patiently, workspace};

/// A Raspberry Pi Pico with the real image.
///
/// It runs in real time, with its serial ports on TCP, until [`stop`](Self::stop): then time moves by
/// [`run`](Self::run) only, as fast as it can, and nothing depends on how fast the test is.
#[derive(Debug)]
pub struct Pico {
    board: PicoBoard,
    control: Control,
    ports: Value,
    image: PathBuf,
    _emulator: Emulator,
}

/// A switching board with a Pico on it, as an image of the Pico expects it.
#[derive(Debug, Clone, Copy)]
pub struct PicoBoard {
    image: &'static str,
    /// Parts that the emulator hangs on the pins.
    parts: Option<&'static str>,
    /// How to see what is closed.
    pub lines: Lines,
    /// Break time of the image, in µs.
    pub break_us: u64,
    /// Make time of the image, in µs.
    pub make_us: u64,
}

/// What the parts on the bus of a switch do.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Bus {
    /// They answer.
    Good,
    /// They do not.
    Silent,
    /// They hold it for ever (I²C only).
    Stuck,
}

/// What happened in one [`Pico::run`].
#[derive(Debug, Default)]
pub struct Step {
    /// Time at its end, in ns.
    pub at_ns: u64,
    /// Bytes that came out of the serial line.
    pub uart: Vec<u8>,
    /// Bytes that came out of the USB serial port.
    pub usb: Vec<u8>,
    /// Output pins that moved.
    pub edges: Vec<Edge>,
}

/// Looks at the pins of a running Pico, from any thread.
#[derive(Debug)]
pub struct PicoPins(Control, Lines);

#[derive(Debug)]
struct Control {
    out: TcpStream,
    lines: BufReader<TcpStream>,
}

impl Pico {
    /// Multiplexers (`firmware/src/bin/pico.rs`).
    pub const MULTIPLEXERS: PicoBoard = PicoBoard {
        image: "pintally-pico",
        parts: None,
        lines: Lines::Multiplexers { address: [2, 3, 4, 5], enable: &[6, 7, 8, 9] },
        break_us: 50,
        make_us: 50,
    };
    /// Relays on shift registers (`firmware/src/bin/pico_relays.rs`).
    pub const RELAYS: PicoBoard = PicoBoard {
        image: "pintally-pico-relays",
        parts: Some("registers"),
        lines: Lines::Outputs { first: 32, channels: 64 },
        break_us: 2_000,
        make_us: 3_000,
    };
    /// Relays on expanders (`firmware/src/bin/pico_expanders.rs`).
    pub const EXPANDERS: PicoBoard =
        PicoBoard { image: "pintally-pico-expanders", parts: Some("expanders"), ..Self::RELAYS };
    /// Lid contact: low while the lid is closed.
    pub const LID: u8 = 16;
    /// Start button: low while it is pressed.
    pub const BUTTON: u8 = 17;
    /// Light: red, green.
    pub const LIGHT: [u8; 2] = [18, 19];
    /// Buzzer.
    pub const BUZZER: u8 = 20;
    /// Bleed resistor.
    pub const BLEED: u8 = 21;

    /// Leg of the sense input.
    pub const SENSE_LEG: u8 = 22;

    /// Starts the image of a board; `None` if it or the emulator is missing.
    #[must_use]
    pub fn start(board: PicoBoard) -> Option<Self> {
        let folder = workspace().join("tests/emulated");
        let emulator = if !folder.join("node_modules/rp2040js").exists() {
            Err("rp2040js is not installed (npm ci in tests/emulated)".to_owned())
        } else if Command::new("node").arg("--version").output().is_err() {
            Err("node is not installed".to_owned())
        } else {
            Ok(())
        };
        let image = image(board.image, emulator)?;
        let mut child = Command::new("node")
            .arg(folder.join("pico.mjs"))
            .arg(&image)
            .args(board.parts)
            .stdout(Stdio::piped())
            .spawn()
            .expect("node was there a moment ago");
        let mut first = String::new();
        BufReader::new(child.stdout.take().expect("it is piped"))
            .read_line(&mut first)
            .expect("the emulator tells its ports");
        let emulator = Emulator(child);
        let ports: Value = serde_json::from_str(&first).expect("the ports are JSON");
        let control = Control::connect(&ports);
        Some(Self { board, control, ports, image, _emulator: emulator })
    }

    /// Address of the serial line.
    #[must_use]
    pub fn uart(&self) -> SocketAddr {
        address(&self.ports, "uart")
    }

    /// Address of the USB serial port.
    #[must_use]
    pub fn usb(&self) -> SocketAddr {
        address(&self.ports, "usb")
    }

    /// A look at the pins from another thread.
    #[must_use]
    pub fn watch(&self) -> PicoPins {
        PicoPins(Control::connect(&self.ports), self.board.lines)
    }

    /// Levels of the output pins.
    pub fn pins(&mut self) -> Levels {
        self.control.pins()
    }

    /// The channels that are closed now.
    pub fn closed(&mut self) -> Vec<u8> {
        let pins = self.pins();
        self.board.lines.closed(pins)
    }

    /// Drives an input pin.
    pub fn input(&mut self, pin: u8, high: bool) {
        self.control.ask(&format!("input {pin} {}", u8::from(high)));
    }

    /// Puts a voltage on the common line, or nothing: what the converter then reads through 220 kΩ, with 100 kΩ from its
    /// input to a leg that is low or high, and diodes that hold it between ground and 3.3 V.
    pub fn common_line(&mut self, volts: Option<f64>) {
        const SUPPLY: f64 = 3.3;
        let [low, high] = [0.0, SUPPLY].map(|leg| {
            let input = volts.map_or(leg, |volts| (volts * 100e3 + leg * 220e3) / 320e3);
            // The converter rounds down, and 4095 is its last count.
            (input / SUPPLY * 4096.0).clamp(0.0, 4095.0) as u16
        });
        self.control.ask(&format!("adc {low} {high}"));
    }

    /// Lets time stand still.
    pub fn stop(&mut self) {
        self.control.ask("stop");
    }

    /// Lets time run as on the wall again.
    pub fn go(&mut self) {
        self.control.ask("go");
    }

    /// Hands bytes to the serial line, which takes them at its baud rate.
    pub fn send_uart(&mut self, bytes: &[u8]) {
        self.control.ask(&format!("uart {}", hex(bytes)));
    }

    /// Hands bytes to the USB serial port.
    pub fn send_usb(&mut self, bytes: &[u8]) {
        self.control.ask(&format!("usb {}", hex(bytes)));
    }

    /// Moves time on.
    pub fn run(&mut self, for_us: u64) -> Step {
        let answer = self.control.ask(&format!("run {for_us}"));
        let bytes = |name: &str| unhex(answer[name].as_str().expect("bytes in hexadecimal"));
        let edges = answer["edges"].as_array().expect("a list of edges").iter().map(edge).collect();
        Step { at_ns: number(&answer["ns"]), uart: bytes("uart"), usb: bytes("usb"), edges }
    }

    /// Lets the program go on at the first instruction of a function.
    pub fn call(&mut self, symbol: &str) {
        self.control.ask(&format!("call {symbol}"));
    }

    /// Lets the program hang.
    pub fn hang(&mut self) {
        self.control.ask("hang");
    }

    /// Sets what the parts on the bus of the switch do from now on.
    pub fn bus(&mut self, bus: Bus) {
        let state = match bus {
            Bus::Good => "good",
            Bus::Silent => "silent",
            Bus::Stuck => "stuck",
        };
        self.control.ask(&format!("bus {state}"));
    }

    /// Bytes of stack that were ever used since the start.
    pub fn stack_used(&mut self) -> u64 {
        let answer = self.control.ask("stack");
        number(&answer["end"]) - number(&answer["lowest"])
    }

    /// Bytes of stack that the image can use, by its calls: `cargo images` leaves it beside the image.
    ///
    /// # Panics
    ///
    /// If it is not there.
    #[must_use]
    pub fn stack_at_most(&self) -> u64 {
        let text = std::fs::read_to_string(self.image.with_extension("stack"));
        let text = text.expect("`cargo images` leaves a .stack file beside each image");
        text.split(' ').next().and_then(|bytes| bytes.parse().ok()).expect("it begins with the bytes")
    }

    /// The switching board.
    #[must_use]
    pub fn board(&self) -> PicoBoard {
        self.board
    }

    /// What the firmware has logged since the start.
    #[must_use]
    pub fn log(&mut self) -> Vec<String> {
        let answer = self.control.ask("log");
        log::decode(&self.image, &unhex(answer["bytes"].as_str().expect("bytes in hexadecimal")))
    }
}

impl PicoPins {
    /// The channels that are closed now.
    pub fn closed(&mut self) -> Vec<u8> {
        self.1.closed(self.0.pins())
    }

    /// Waits for edges from now on, one after another.
    pub fn edges(mut self) -> impl Iterator<Item = Edge> {
        self.0.ask("watch");
        self.0.lines.lines().map_while(Result::ok).map(|line| {
            let value: Value = serde_json::from_str(&line).expect("an edge is JSON");
            Edge {
                pin: number(&value["pin"]) as u8,
                high: value["level"] == 1,
                at_ns: Some(number(&value["ns"])),
            }
        })
    }
}

impl Control {
    fn connect(ports: &Value) -> Self {
        let out = patiently(|| TcpStream::connect(address(ports, "control")));
        out.set_nodelay(true).expect("a fresh socket");
        out.set_read_timeout(Some(LIMIT)).expect("a timeout that is not zero");
        let lines = BufReader::new(out.try_clone().expect("a fresh socket"));
        Self { out, lines }
    }

    fn ask(&mut self, command: &str) -> Value {
        self.out.write_all(format!("{command}\n").as_bytes()).expect("the emulator runs");
        let mut line = String::new();
        self.lines.read_line(&mut line).expect("the emulator runs");
        let answer: Value =
            serde_json::from_str(&line).unwrap_or_else(|error| panic!("{command}: {error}: {line:?}"));
        assert!(answer.get("error").is_none(), "{command}: {answer}");
        answer
    }

    fn pins(&mut self) -> Levels {
        let answer = self.ask("pins");
        Levels::from_str_radix(answer["pins"].as_str().expect("a text"), 16).expect("hexadecimal digits")
    }
}

fn address(ports: &Value, name: &str) -> SocketAddr {
    SocketAddr::from((Ipv4Addr::LOCALHOST, number(&ports[name]) as u16))
}

fn number(value: &Value) -> u64 {
    value.as_u64().unwrap_or_else(|| panic!("expected a number, found {value}"))
}

fn edge(value: &Value) -> Edge {
    Edge { pin: number(&value[0]) as u8, high: value[1] == 1, at_ns: Some(number(&value[2])) }
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().fold(String::new(), |mut text, byte| {
        let _ = write!(text, "{byte:02x}");
        text
    })
}

fn unhex(text: &str) -> Vec<u8> {
    let digits = text.as_bytes().chunks_exact(2);
    digits
        .map(|pair| {
            let pair = std::str::from_utf8(pair).expect("hexadecimal digits");
            u8::from_str_radix(pair, 16).expect("hexadecimal digits")
        })
        .collect()
}
