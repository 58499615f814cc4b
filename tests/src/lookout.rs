//! A simulated meter on a `tcp:` port that looks at the pins of an emulated switching board, in real time.

#![allow(clippy::disallowed_methods, reason = "a device in real time: it reads the clock and waits")]

use std::{
    io::{ErrorKind, Read, Write},
    net::{SocketAddr, TcpListener, TcpStream},
    thread,
    time::{Duration, Instant},
};

use pintally::{
    meter::{DiodeSource, Profile},
    moment::Moment,
    practice::meter::{MeterOptions, SimulatedMeter},
    units::Volts,
};

/// How often the pins are looked at: a twentieth of the fastest conversion.
const LOOK: Duration = Duration::from_millis(2);

/// Serves one connection with a meter that sees `volts[channel]` while `closed` says that the channel is closed, and
/// open leads while none is.
///
/// # Panics
/// In its own thread, if two channels are closed at once or the host goes away in an unusual way; the sweep then
/// finds the meter silent.
pub fn meter(
    profile: &Profile,
    volts: Vec<Option<Volts>>,
    mut closed: impl FnMut() -> Vec<u8> + Send + 'static,
) -> SocketAddr {
    let listener = TcpListener::bind("127.0.0.1:0").expect("loopback has free ports");
    let address = listener.local_addr().expect("it was bound just now");
    let profile = profile.clone();
    thread::spawn(move || {
        let Ok((stream, _)) = listener.accept() else { return };
        let epoch = Instant::now();
        let mut meter = SimulatedMeter::new(profile.clone(), MeterOptions::of(&profile), 1, Moment::START);
        let open_leads = match meter.source() {
            DiodeSource::ConstantCurrent { compliance, .. } => compliance,
            DiodeSource::BehindResistance { open_circuit, .. } => open_circuit,
        };
        stream.set_nonblocking(true).expect("sockets can be set so");
        loop {
            let now = Moment::START.after(epoch.elapsed());
            let channels = closed();
            assert!(channels.len() <= 1, "channels {channels:?} are closed at once");
            let drop =
                channels.first().and_then(|&channel| volts.get(usize::from(channel)).copied().flatten());
            let input = drop.unwrap_or(open_leads);
            for (_, bytes) in meter.advance(now, &mut |_| input) {
                if (&stream).write_all(&bytes).is_err() {
                    return;
                }
            }
            match receive(&stream) {
                Some(bytes) => meter.receive(&bytes, now),
                None => return,
            }
            thread::sleep(LOOK);
        }
    });
    address
}

/// What has come, `None` when the host has gone.
fn receive(mut stream: &TcpStream) -> Option<Vec<u8>> {
    let mut buffer = [0; 256];
    match stream.read(&mut buffer) {
        Ok(0) => None,
        Ok(count) => Some(buffer[..count].to_vec()),
        Err(error) if error.kind() == ErrorKind::WouldBlock => Some(Vec::new()),
        Err(_) => None,
    }
}
