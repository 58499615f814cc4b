//! The two ports of a served bench. A port without a host drops what the bench sends, as a cable would.

use std::{
    io::{self, Read, Write},
    net::{Ipv4Addr, SocketAddr, TcpListener, TcpStream},
    path::{Path, PathBuf},
    sync::{
        Arc, Mutex, PoisonError,
        atomic::{AtomicBool, Ordering},
        mpsc::{self, Receiver, Sender},
    },
    thread::{self, JoinHandle},
    time::Duration,
};

use super::{Orders, ServeError, Told};
use crate::{port::Address, practice::bench::Side};

/// How long a thread waits before it looks whether it should end.
const LOOK: Duration = Duration::from_millis(20);

/// How long a host may leave bytes unread before they are dropped.
const WRITE_WAIT: Duration = Duration::from_millis(200);

/// Two open ports and the threads that read them. Dropping it closes them.
pub struct Doors {
    /// Where the switching board is.
    pub jig: Address,
    /// Where the meter is.
    pub meter: Address,
    told: Receiver<Told>,
    orders: Orders,
    writers: [Writer; 2],
    stop: Arc<AtomicBool>,
    threads: Vec<JoinHandle<()>>,
    links: Vec<PathBuf>,
}

/// The way to the host, while there is one.
type Writer = Arc<Mutex<Option<Box<dyn Write + Send>>>>;

/// What a reader thread needs.
struct Reader {
    side: Side,
    tell: Sender<Told>,
    writer: Writer,
    stop: Arc<AtomicBool>,
}

/// Opens two pseudo-terminals. In a folder of links, `jig` and `meter` lead to them as long as they are open.
///
/// # Errors
/// [`ServeError`] if the system has none to give or a link cannot be made.
#[cfg(unix)]
pub fn open_pseudo_terminals(links: Option<&Path>) -> Result<Doors, ServeError> {
    use serialport::{SerialPort, TTYPort};

    let failed = |error: serialport::Error| ServeError::PseudoTerminal { reason: error.to_string() };
    let mut doors = Doors::closed();
    for side in [Side::Meter, Side::Jig] {
        let (mut master, slave) = TTYPort::pair().map_err(failed)?;
        let name =
            slave.name().ok_or_else(|| ServeError::PseudoTerminal { reason: "it has no name".to_owned() })?;
        // Closed again, so that the system tells whether a host holds it.
        drop(slave);
        if let Some(folder) = links {
            doors.link(folder, side, &name)?;
        }
        *doors.address(side) = Address::Serial(name);
        master.set_timeout(LOOK).map_err(failed)?;
        let mut writer = master.try_clone_native().map_err(failed)?;
        writer.set_timeout(WRITE_WAIT).map_err(failed)?;
        let mut writer: Option<Box<dyn Write + Send>> = Some(Box::new(writer));
        let reader = doors.reader(side);
        doors.threads.push(thread::spawn(move || {
            reader.follow(&mut master, &mut writer);
        }));
    }
    Ok(doors)
}

/// Says that this system has no pseudo-terminals.
///
/// # Errors
/// Always [`ServeError::NoPseudoTerminals`].
#[cfg(not(unix))]
pub fn open_pseudo_terminals(_: Option<&Path>) -> Result<Doors, ServeError> {
    Err(ServeError::NoPseudoTerminals)
}

/// Listens on two TCP ports of this machine; 0 takes any that is free. One host at a time is served on each.
///
/// # Errors
/// [`ServeError::Listen`] with the address that cannot be had.
pub fn open_tcp(jig: u16, meter: u16) -> Result<Doors, ServeError> {
    let mut doors = Doors::closed();
    for (side, port) in [(Side::Meter, meter), (Side::Jig, jig)] {
        // Loopback only: a practice bench is nobody else's business.
        let address = SocketAddr::from((Ipv4Addr::LOCALHOST, port));
        let failed = |source| ServeError::Listen { address: tcp(address), source };
        let listener = TcpListener::bind(address).map_err(failed)?;
        listener.set_nonblocking(true).map_err(failed)?;
        *doors.address(side) = tcp(listener.local_addr().map_err(failed)?);
        let reader = doors.reader(side);
        doors.threads.push(thread::spawn(move || reader.answer(&listener)));
    }
    Ok(doors)
}

impl Doors {
    /// A way to give orders to the bench that is served here.
    #[must_use]
    pub fn orders(&self) -> Orders {
        self.orders.clone()
    }

    pub(super) const fn told(&self) -> &Receiver<Told> {
        &self.told
    }

    /// Sends bytes to the host on a side, if there is one that takes them.
    pub(super) fn send(&self, side: Side, bytes: &[u8]) {
        let mut writer = self.writers[side as usize].lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(host) = writer.as_mut() {
            // A host that does not read loses bytes, as on a serial line without handshake.
            let _ = host.write_all(bytes).and_then(|()| host.flush());
        }
    }

    fn closed() -> Self {
        let (tell, told) = mpsc::channel();
        let nowhere = Address::Serial(String::new());
        Self {
            jig: nowhere.clone(),
            meter: nowhere,
            told,
            orders: Orders(tell),
            writers: [Writer::default(), Writer::default()],
            stop: Arc::default(),
            threads: Vec::new(),
            links: Vec::new(),
        }
    }

    const fn address(&mut self, side: Side) -> &mut Address {
        match side {
            Side::Meter => &mut self.meter,
            Side::Jig => &mut self.jig,
        }
    }

    fn reader(&self, side: Side) -> Reader {
        Reader {
            side,
            tell: self.orders.0.clone(),
            writer: Arc::clone(&self.writers[side as usize]),
            stop: Arc::clone(&self.stop),
        }
    }

    #[cfg(unix)]
    fn link(&mut self, folder: &Path, side: Side, name: &str) -> Result<(), ServeError> {
        let path = folder.join(match side {
            Side::Meter => "meter",
            Side::Jig => "jig",
        });
        let failed = |source| ServeError::Link { path: path.clone(), source };
        // A link that a bench left behind is replaced; anything else is somebody's file.
        if path.symlink_metadata().is_ok_and(|found| found.is_symlink()) {
            std::fs::remove_file(&path).map_err(failed)?;
        }
        std::os::unix::fs::symlink(name, &path).map_err(failed)?;
        self.links.push(path);
        Ok(())
    }
}

impl Drop for Doors {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        for thread in self.threads.drain(..) {
            // A reader thread that panicked has nothing left to close.
            let _ = thread.join();
        }
        for link in &self.links {
            // A link that is gone already is as good as removed.
            let _ = std::fs::remove_file(link);
        }
    }
}

impl Reader {
    fn stopped(&self) -> bool {
        self.stop.load(Ordering::Relaxed)
    }

    /// Reads a pseudo-terminal: reads fail while no host holds it.
    #[cfg(unix)]
    fn follow(&self, port: &mut dyn Read, spare: &mut Option<Box<dyn Write + Send>>) {
        let mut buffer = [0; 1024];
        while !self.stopped() {
            match port.read(&mut buffer) {
                Ok(count) if count > 0 => {
                    self.attach(spare);
                    self.tell(Told::Bytes(self.side, buffer[..count].to_vec()));
                }
                Err(error) if waits(&error) => self.attach(spare),
                Ok(_) | Err(_) => {
                    if spare.is_none() {
                        *spare = self.swap(None);
                        self.tell(Told::Host(self.side, false));
                    }
                    thread::sleep(LOOK);
                }
            }
        }
    }

    #[cfg(unix)]
    fn attach(&self, spare: &mut Option<Box<dyn Write + Send>>) {
        if let Some(writer) = spare.take() {
            self.swap(Some(writer));
            self.tell(Told::Host(self.side, true));
        }
    }

    /// Accepts one host after another.
    fn answer(&self, listener: &TcpListener) {
        while !self.stopped() {
            match listener.accept() {
                Ok((stream, _)) => {
                    // A stream that cannot be set up is dropped, and the host sees it closed.
                    let _ = self.converse(stream, listener);
                    self.swap(None);
                    self.tell(Told::Host(self.side, false));
                }
                Err(_) => thread::sleep(LOOK),
            }
        }
    }

    fn converse(&self, mut stream: TcpStream, listener: &TcpListener) -> io::Result<()> {
        stream.set_nonblocking(false)?;
        stream.set_nodelay(true)?;
        stream.set_read_timeout(Some(LOOK))?;
        stream.set_write_timeout(Some(WRITE_WAIT))?;
        self.swap(Some(Box::new(stream.try_clone()?)));
        self.tell(Told::Host(self.side, true));
        let mut buffer = [0; 1024];
        while !self.stopped() {
            match stream.read(&mut buffer) {
                Ok(0) => break,
                Ok(count) => self.tell(Told::Bytes(self.side, buffer[..count].to_vec())),
                // Nobody else gets in meanwhile: a second host on one meter would steal its bytes.
                Err(error) if waits(&error) => drop(listener.accept()),
                Err(error) => return Err(error),
            }
        }
        Ok(())
    }

    fn swap(&self, writer: Option<Box<dyn Write + Send>>) -> Option<Box<dyn Write + Send>> {
        std::mem::replace(&mut *self.writer.lock().unwrap_or_else(PoisonError::into_inner), writer)
    }

    fn tell(&self, told: Told) {
        // The loop is gone only while everything is being closed.
        let _ = self.tell.send(told);
    }
}

fn waits(error: &io::Error) -> bool {
    matches!(error.kind(), io::ErrorKind::TimedOut | io::ErrorKind::WouldBlock | io::ErrorKind::Interrupted)
}

fn tcp(address: SocketAddr) -> Address {
    Address::Tcp { host: address.ip().to_string(), port: address.port() }
}

#[cfg(test)]
mod tests {
    use protocol::{
        Accumulator, Answer, BoardMessage, Event, Light, Request, RequestFrame, Sound, frame::encode,
    };

    use super::*;
    use crate::{
        meter::shipped,
        moment::Moment,
        port,
        practice::{
            Bench, Design, JigSetup, Specimen,
            meter::MeterOptions,
            sample,
            serve::{Background, Notice, Order, serve},
        },
    };

    fn bench() -> Bench {
        let connector = sample::connector();
        let profile = shipped("bench-stream").unwrap();
        let specimen = Specimen::new(&Design::new(&connector, 3), "T", 7, &[]).unwrap();
        let setup = JigSetup::straight(&connector, 1).unwrap();
        let options = MeterOptions::of(&profile);
        Bench::new(&specimen, setup, profile, options, 1, Moment::START).unwrap()
    }

    /// Greets the switching board and listens to the meter, through the same ports as every other command.
    fn check(doors: Doors) {
        let (jig, meter) = (doors.jig.clone(), doors.meter.clone());
        let served = Background::start(bench(), doors);
        let mut jig = port::open(&jig, &port::SWITCHING_BOARD).unwrap();
        let mut meter = port::open(&meter, &shipped("bench-stream").unwrap().port).unwrap();
        jig.writer
            .write_all(&encode(&RequestFrame { seq: 1, request: Request::Greet { min: 1, max: 1 } }))
            .unwrap();
        let mut frames = Accumulator::<BoardMessage>::new();
        let mut buffer = [0; 256];
        // A read waits for 50 ms at most.
        let greeting = (0..1000).find_map(|_| {
            let count = jig.reader.read(&mut buffer).unwrap_or(0);
            let items: Vec<_> = frames.items(&buffer[..count]).collect();
            items.into_iter().find_map(Result::ok)
        });
        assert!(
            matches!(greeting, Some(BoardMessage::Answer { seq: 1, answer: Answer::Greeting(_), .. })),
            "{greeting:?}"
        );
        let line = (0..1000).find_map(|_| {
            let count = meter.reader.read(&mut buffer).unwrap_or(0);
            buffer[..count].contains(&b'\n').then_some(count)
        });
        assert!(line.is_some(), "the meter says nothing");
        let orders = served.orders();
        drop(served);
        assert!(!orders.give(Order::Stop), "the bench is off");
    }

    #[test]
    fn serves_on_tcp_ports() {
        check(open_tcp(0, 0).unwrap());
    }

    #[cfg(unix)]
    #[test]
    fn serves_on_pseudo_terminals() {
        check(open_pseudo_terminals(None).unwrap());
    }

    /// On a machine that is busy the loop may come late, and meet all that was ordered meanwhile at once.
    #[test]
    fn a_press_is_felt_by_a_bench_that_comes_late() {
        let mut doors = open_tcp(0, 0).unwrap();
        let (address, orders) = (doors.jig.clone(), doors.orders());
        let (heard, sounds) = mpsc::channel();
        let (go_on, held) = mpsc::channel();
        let serving = thread::spawn(move || {
            serve(bench(), &mut doors, 1.0, &mut |notice| {
                if matches!(notice, Notice::Sound(_)) {
                    heard.send(()).unwrap();
                    held.recv().unwrap();
                }
            });
        });
        let mut jig = port::open(&address, &port::SWITCHING_BOARD).unwrap();
        let indicate = Request::Indicate { light: Light::Off, sound: Sound::Ready };
        for (seq, request) in [(1, Request::Greet { min: 1, max: 1 }), (2, indicate)] {
            jig.writer.write_all(&encode(&RequestFrame { seq, request })).unwrap();
        }
        sounds.recv_timeout(Duration::from_secs(60)).unwrap();
        assert!(orders.give(Order::Press));
        go_on.send(()).unwrap();
        let mut frames = Accumulator::<BoardMessage>::new();
        let (mut buffer, mut felt) = ([0; 256], Vec::new());
        for _ in 0..1000 {
            let count = jig.reader.read(&mut buffer).unwrap_or(0);
            for item in frames.items(&buffer[..count]) {
                if let Ok(BoardMessage::Event { event: Event::Button { pressed }, .. }) = item {
                    felt.push(pressed);
                }
            }
            if felt.len() == 2 {
                break;
            }
        }
        assert_eq!(felt, [true, false]);
        assert!(orders.give(Order::Stop));
        serving.join().unwrap();
    }

    #[cfg(unix)]
    #[test]
    fn links_lead_to_the_ports_and_go_with_them() {
        let folder = tempfile::tempdir().unwrap();
        let doors = open_pseudo_terminals(Some(folder.path())).unwrap();
        let (jig, meter) = (folder.path().join("jig"), folder.path().join("meter"));
        let lead = |link: &Path| Address::Serial(std::fs::read_link(link).unwrap().display().to_string());
        assert_eq!((lead(&jig), lead(&meter)), (doors.jig.clone(), doors.meter.clone()));
        drop(doors);
        assert!(!jig.is_symlink() && !meter.is_symlink());
        std::fs::write(&jig, "somebody's notes").unwrap();
        let error = open_pseudo_terminals(Some(folder.path())).err().unwrap();
        assert!(matches!(&error, ServeError::Link { path, .. } if *path == jig), "{error}");
        assert_eq!(std::fs::read_to_string(&jig).unwrap(), "somebody's notes");
    }

    #[test]
    fn a_taken_tcp_port_is_named() {
        let taken = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).unwrap();
        let port = taken.local_addr().unwrap().port();
        let error = open_tcp(port, 0).err().unwrap();
        assert_eq!(error.to_string(), format!("cannot listen at tcp:127.0.0.1:{port}"));
    }
}
