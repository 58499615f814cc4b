//! The BBC micro:bit v1 in QEMU (`-M microbit`), watched through QEMU's test protocol.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::{Ipv4Addr, SocketAddr, TcpListener};
use std::os::fd::OwnedFd;
use std::os::unix::net::UnixStream;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::mpsc::{Receiver, channel};
use std::sync::{Arc, Mutex, MutexGuard};
use std::thread;

use super::{Edge, Emulator, LIMIT, Levels, Lines, image, log, patiently};

/// A BBC micro:bit v1 with the real image, in real time.
#[derive(Debug)]
pub struct Microbit {
    qtest: Arc<Mutex<Qtest>>,
    serial: SocketAddr,
    image: PathBuf,
    folder: PathBuf,
    _emulator: Emulator,
}

/// Looks at the pins of a running micro:bit, from any thread.
#[derive(Debug, Clone)]
pub struct MicrobitPins(Arc<Mutex<Qtest>>);

/// QEMU's test protocol: the memory of the running machine, and the edges of its output pins.
#[derive(Debug)]
struct Qtest {
    out: UnixStream,
    /// Taken off the socket by a thread as they come: QEMU stands still while nobody takes the edges from it.
    lines: Receiver<String>,
    edges: Vec<Edge>,
}

/// A micro:bit that stands still: its program, and its time.
#[derive(Debug)]
#[must_use = "it goes on when it is told to"]
pub struct Halted(UnixStream);

/// Output levels and directions of the pins (nRF51 reference manual, GPIO).
const OUT: u32 = 0x5000_0504;
const DIR: u32 = 0x5000_0514;
/// A byte has come and was not taken yet (nRF51 reference manual, UART: EVENTS_RXDRDY).
const BYTE_READY: u32 = 0x4000_2108;
/// Takes the time of TIMER0 into a register that the firmware does not use, and that register (nRF51 reference manual,
/// TIMER: TASKS_CAPTURE and CC).
const CAPTURE: u32 = 0x4000_8048;
const CAPTURED: u32 = 0x4000_8548;

impl Microbit {
    /// The lines of the image (`firmware/src/bin/microbit.rs`).
    pub const LINES: Lines = Lines::Multiplexers { address: [23, 22, 21, 16], enable: &[18, 20] };
    /// Button A: low while it is pressed.
    pub const BUTTON: u8 = 17;

    /// Starts the image; `None` if it or the emulator is missing.
    #[must_use]
    pub fn start() -> Option<Self> {
        Self::start_with(&[])
    }

    /// Starts the image with a clock that counts instructions, 64 ns each, about one clock of 16 MHz; while the
    /// processor sleeps it goes on to the next thing that is due at once.
    #[must_use]
    pub fn start_counted() -> Option<Self> {
        Self::start_with(&["-icount", "shift=6,sleep=off"])
    }

    fn start_with(options: &[&str]) -> Option<Self> {
        const QEMU: &str = "qemu-system-arm";
        let emulator = Command::new(QEMU)
            .arg("--version")
            .output()
            .map(drop)
            .map_err(|_| format!("{QEMU} is not installed (Debian: apt-get install {QEMU})"));
        let image = image("pintally-microbit", emulator)?;
        let folder = own_folder();
        // QEMU gets the listening socket itself, as its standard input: a port that was only free a moment ago may be
        // another's by the time that it starts.
        let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).expect("loopback has free ports");
        let serial = listener.local_addr().expect("it was bound just now");
        let child = Command::new(QEMU)
            .args(["-M", "microbit", "-display", "none", "-monitor", "none", "-accel", "tcg"])
            .args(options)
            .arg("-kernel")
            .arg(&image)
            .args(["-chardev", "socket,id=serial,fd=0,server=on,wait=off,nodelay=on"])
            .args(["-serial", "chardev:serial"])
            .args(["-qtest", &format!("unix:{},server=on,wait=off", folder.join("qtest").display())])
            .args(["-qtest-log", "none"])
            .args(["-gdb", &format!("unix:{},server=on,wait=off", folder.join("gdb").display())])
            .stdin(OwnedFd::from(listener))
            .spawn()
            .expect("QEMU was there a moment ago");
        let emulator = Emulator(child);
        let mut qtest = patiently(|| Qtest::connect(&folder.join("qtest")));
        // A part of the board knows all its output pins as numbered lines.
        qtest.ask("irq_intercept_out /machine/nrf51");
        let qtest = Arc::new(Mutex::new(qtest));
        Some(Self { qtest, serial, image, folder, _emulator: emulator })
    }

    /// Address of the serial line.
    #[must_use]
    pub fn uart(&self) -> SocketAddr {
        self.serial
    }

    /// A look at the pins from another thread.
    #[must_use]
    pub fn watch(&self) -> MicrobitPins {
        MicrobitPins(Arc::clone(&self.qtest))
    }

    /// Levels of the output pins.
    #[must_use]
    pub fn pins(&self) -> Levels {
        lock(&self.qtest).pins()
    }

    /// The channels that are closed now.
    #[must_use]
    pub fn closed(&self) -> Vec<u8> {
        Self::LINES.closed(self.pins())
    }

    /// Edges since the last call, in their order, and the channels that are closed after the last of them. QEMU tells no
    /// times.
    #[must_use]
    pub fn edges_and_closed(&self) -> (Vec<Edge>, Vec<u8>) {
        let mut qtest = lock(&self.qtest);
        // Whatever moved before this was answered has been told by then, and nothing that moved later.
        let pins = qtest.pins();
        (std::mem::take(&mut qtest.edges), Self::LINES.closed(pins))
    }

    /// Drives an input pin.
    pub fn input(&self, pin: u8, high: bool) {
        let level = u8::from(high);
        lock(&self.qtest).ask(&format!("set_irq_in /machine/nrf51/gpio unnamed-gpio-in {pin} {level}"));
    }

    /// Lets the program go on where there is no memory: the processor takes a hard fault.
    ///
    /// # Panics
    ///
    /// If the emulator's debugger port does not do as it is told.
    pub fn fault(&self) {
        let mut halted = self.halt();
        // The emulator writes single registers only for a debugger that has read its description. Register 15
        // is the program counter, in the byte order of the machine.
        halted.ask("qXfer:features:read:target.xml:0,fff", "$");
        halted.ask("Pf=00000030", "$OK#9a");
        halted.go_on();
    }

    /// Halts the processor and its time. Bytes for the serial line still come in, as many as its receiver holds.
    ///
    /// # Panics
    ///
    /// If the emulator's debugger port does not do as it is told.
    pub fn halt(&self) -> Halted {
        let mut debugger = patiently(|| UnixStream::connect(self.folder.join("gdb")));
        debugger.set_read_timeout(Some(LIMIT)).expect("a timeout that is not zero");
        debugger.write_all(b"+$?#3f").expect("the emulator runs");
        let why = packet(&mut debugger);
        assert!(why.starts_with("$T"), "not halted: {why}");
        Halted(debugger)
    }

    /// Whether a byte has come on the serial line that the program has not taken yet.
    #[must_use]
    pub fn has_byte(&self) -> bool {
        lock(&self.qtest).read(BYTE_READY) != 0
    }

    /// Time by the firmware's own clock, which begins anew after 2 to the 32nd µs.
    #[must_use]
    pub fn time_us(&self) -> u32 {
        let mut qtest = lock(&self.qtest);
        qtest.ask(&format!("writel {CAPTURE:#x} 1"));
        qtest.read(CAPTURED)
    }

    /// What the firmware has logged since the last call; at most what its buffer of 1 KiB holds.
    #[must_use]
    pub fn log(&self) -> Vec<String> {
        let mut qtest = lock(&self.qtest);
        // RTT control block: 24 bytes, then the first up-channel: name, buffer, size, write, read.
        let up = log::symbol(&self.image, "_SEGGER_RTT") + 24;
        let [buffer, size, write, mut read] = [4, 8, 12, 16].map(|at| qtest.read(up + at));
        let mut bytes = Vec::new();
        while read != write {
            let word = qtest.read((buffer + read) & !3);
            bytes.push(word.to_le_bytes()[((buffer + read) & 3) as usize]);
            read = (read + 1) % size;
        }
        qtest.ask(&format!("writel {:#x} {read:#x}", up + 16));
        log::decode(&self.image, &bytes)
    }
}

impl Drop for Microbit {
    fn drop(&mut self) {
        // A folder that is left behind in the temporary directory harms nobody.
        let _ = std::fs::remove_dir_all(&self.folder);
    }
}

impl Halted {
    /// Lets it go on.
    ///
    /// # Panics
    ///
    /// If the emulator's debugger port does not do as it is told.
    pub fn go_on(mut self) {
        self.ask("D", "$OK#9a");
    }

    fn ask(&mut self, command: &str, expected: &str) {
        let checksum = command.bytes().fold(0_u8, u8::wrapping_add);
        self.0.write_all(format!("+${command}#{checksum:02x}").as_bytes()).expect("the emulator runs");
        let mut answer = packet(&mut self.0);
        // That the machine was halted by the connection is told once more unasked.
        while answer.starts_with("$T") {
            answer = packet(&mut self.0);
        }
        assert!(answer.starts_with(expected), "{command}: {answer}");
    }
}

impl MicrobitPins {
    /// The channels that are closed now.
    #[must_use]
    pub fn closed(&self) -> Vec<u8> {
        Microbit::LINES.closed(lock(&self.0).pins())
    }
}

impl Qtest {
    fn connect(path: &Path) -> std::io::Result<Self> {
        let out = UnixStream::connect(path)?;
        let from_emulator = BufReader::new(out.try_clone()?);
        let (taken, lines) = channel();
        // Ends with the emulator, or when nobody is left to be told.
        thread::spawn(move || {
            from_emulator.lines().map_while(Result::ok).try_for_each(|line| taken.send(line))
        });
        Ok(Self { out, lines, edges: Vec::new() })
    }

    fn ask(&mut self, command: &str) -> String {
        self.out.write_all(format!("{command}\n").as_bytes()).expect("the emulator runs");
        loop {
            let line = self.lines.recv_timeout(LIMIT).expect("the emulator runs");
            let words: Vec<_> = line.split_whitespace().collect();
            match words[..] {
                ["IRQ", level, pin] => {
                    let pin = pin.parse().expect("a pin number");
                    self.edges.push(Edge { pin, high: level == "raise", at_ns: None });
                }
                ["OK", ref rest @ ..] => return rest.first().copied().unwrap_or_default().to_owned(),
                _ => panic!("{command}: {line:?}"),
            }
        }
    }

    fn read(&mut self, address: u32) -> u32 {
        let word = self.ask(&format!("readl {address:#x}"));
        let digits = word.trim_start_matches("0x");
        u64::from_str_radix(digits, 16).expect("a word in hexadecimal") as u32
    }

    fn pins(&mut self) -> Levels {
        // The levels last: the directions change at a start only.
        (self.read(DIR) & self.read(OUT)).into()
    }
}

fn lock(qtest: &Mutex<Qtest>) -> MutexGuard<'_, Qtest> {
    qtest.lock().expect("no test panicked while it held the pins")
}

/// One packet of the debugger protocol; it ends with a hash and two digits.
fn packet(debugger: &mut UnixStream) -> String {
    let mut bytes = Vec::new();
    while bytes.iter().rev().nth(2) != Some(&b'#') {
        let mut byte = [0];
        debugger.read_exact(&mut byte).expect("the emulator's debugger port answers");
        bytes.extend(byte);
    }
    String::from_utf8_lossy(&bytes).trim_start_matches('+').to_owned()
}

/// A folder for the sockets of one emulator: tests run side by side.
fn own_folder() -> PathBuf {
    static COUNT: AtomicU32 = AtomicU32::new(0);
    let count = COUNT.fetch_add(1, Ordering::Relaxed);
    let folder = std::env::temp_dir().join(format!("pintally-microbit-{}-{count}", std::process::id()));
    std::fs::create_dir_all(&folder).expect("a writable temporary directory");
    folder
}
