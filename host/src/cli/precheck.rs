//! Before the meter is connected: the switching board measures every pin and bleeds the power pins.

use protocol::{Answer, Channel, Request};

use super::{
    Screen,
    jig::{Operator, greet, odd},
    logbook::Logbook,
};
use crate::{
    connector::Role,
    exit_status::ExitStatus,
    failure::{Failure, OrFail},
    jig::{
        BoardName,
        discharge::{Discharge, Next, Stop},
        wear,
    },
    log::LogEvent,
    practice::{
        BenchDevices,
        serve::{Order, Orders},
    },
    session::{CONNECT, Session, ZeroFile},
    sweep::{Devices, Talk, silent},
};

/// Jig and meter, and who moves the meter's plugs.
pub(super) enum Bench {
    /// Hardware, and whoever is at the keyboard; nobody where the operator has confirmed everything beforehand.
    Ports(Box<dyn Devices>, Option<Operator>),
    /// The practice bench behind ports of its own.
    Served(Box<dyn Devices>, Orders),
    /// The practice bench, in simulated time.
    Instant(Box<BenchDevices>),
}

impl Bench {
    /// The switching board and the meter.
    pub(super) fn devices(&mut self) -> &mut dyn Devices {
        match self {
            Self::Ports(devices, _) | Self::Served(devices, _) => devices.as_mut(),
            Self::Instant(devices) => devices.as_mut(),
        }
    }

    /// Whether anybody is there to move the plugs.
    const fn has_hands(&self) -> bool {
        !matches!(self, Self::Ports(_, None))
    }

    /// Has the meter's plugs moved.
    fn plug(&mut self, plugged: bool, to: &mut Asking<'_>) -> Result<(), Failure> {
        match self {
            Self::Ports(devices, Some(operator)) => {
                let what = if plugged {
                    "Now connect the meter: diode test, red clip on board ground, black to the common line"
                } else {
                    "Take both plugs of the meter out of the jig, so that the voltage on the board can be measured first"
                };
                operator
                    .ask(what, to.has_button, to.talk, devices.as_mut(), to.logbook, to.screen)
                    .map(|_| ())
            }
            Self::Ports(_, None) => Ok(()),
            Self::Served(_, orders) => {
                // A bench that is gone shows in the next request.
                let _ = orders.give(Order::Plug(plugged));
                Ok(())
            }
            Self::Instant(devices) => {
                devices.plug(plugged);
                Ok(())
            }
        }
    }
}

/// What it takes to ask the operator for something.
struct Asking<'a> {
    talk: &'a mut Talk,
    has_button: bool,
    logbook: &'a mut Logbook,
    screen: &'a mut Screen,
}

/// What is to be known of the switching board besides its voltages.
pub(super) struct Expected<'a> {
    /// What the operator calls it.
    pub(super) called: Option<&'a str>,
    /// The zero that will be subtracted.
    pub(super) zero: Option<&'a ZeroFile>,
}

/// Greets, checks that the zero is this board's, and measures what is on the board.
///
/// # Errors
/// With a voltage on the board, unless `override_alive`; if the meter is still plugged in, the operator does not answer, or
/// the switching board does not do as asked.
pub(super) fn run(
    session: &Session,
    expected: &Expected<'_>,
    bench: &mut Bench,
    logbook: &mut Logbook,
    screen: &mut Screen,
) -> Result<(), Failure> {
    if let Some(name) = expected.called {
        let action = wear::NAMED.to_owned();
        logbook.note(LogEvent::Operator { action, detail: Some(name.to_owned()) });
    }
    if !bench.has_hands() && expected.zero.is_none() {
        not_measured("nobody was there to unplug it", logbook, screen);
        return Ok(());
    }
    let mut talk = Talk::new(bench.devices());
    let greeting = greet(&mut talk, bench.devices(), logbook)?;
    if let Some(zero) = expected.zero {
        zero.is_of(&BoardName::new(greeting.unique_id, expected.called))?;
    }
    session
        .header
        .wiring
        .fits(&session.header.connector, greeting.channels)
        .or_fail(ExitStatus::Configuration)?;
    if !bench.has_hands() {
        not_measured("nobody was there to unplug it", logbook, screen);
    } else if !greeting.parts.sense {
        not_measured("this switching board has no sense input", logbook, screen);
    } else {
        let has_button = greeting.parts.button;
        let mut asking = Asking { talk: &mut talk, has_button, logbook, screen };
        bench.plug(false, &mut asking)?;
        asking.logbook.note(LogEvent::Operator { action: "unplug the meter".to_owned(), detail: None });
        let discharge = Discharge::new(stops(session), greeting.parts.bleed);
        measure(discharge, session, &mut asking, bench.devices())?;
        bench.plug(true, &mut asking)?;
    }
    logbook.note(LogEvent::Operator { action: CONNECT.to_owned(), detail: None });
    Ok(())
}

/// Says aloud, and in the log, that nobody measured.
pub(super) fn not_measured(why: &str, logbook: &mut Logbook, screen: &mut Screen) {
    note(
        &format!("what voltage is on the board was not measured before the meter was connected: {why}"),
        logbook,
        screen,
    );
}

/// Measures and bleeds until every channel is safe, or taken as it is. Every channel is open afterwards, whatever came of it.
fn measure(
    discharge: Discharge,
    session: &Session,
    asking: &mut Asking<'_>,
    devices: &mut dyn Devices,
) -> Result<(), Failure> {
    let measured = walk(discharge, session, asking, devices);
    let opened = asking.talk.ask(Request::OpenAll, devices, asking.logbook, &mut silent);
    // What went wrong first is told.
    measured.and(opened.map(|_| ()).map_err(Failure::from))
}

fn walk(
    mut discharge: Discharge,
    session: &Session,
    asking: &mut Asking<'_>,
    devices: &mut dyn Devices,
) -> Result<(), Failure> {
    let mut written = 0;
    while let Next::Ask(request) = discharge.next() {
        let answer = asking.talk.ask(request.clone(), devices, asking.logbook, &mut silent)?;
        if matches!(answer, Answer::Refused(_)) {
            return Err(odd(&request, &answer));
        }
        let outcome = discharge.answered(&answer);
        for measured in &discharge.measured()[written..] {
            let what =
                measured.channel.map_or_else(|| "common line".to_owned(), |channel| place(session, channel));
            asking.logbook.note(LogEvent::Measured { what, volts: measured.volts, safe: measured.safe });
        }
        written = discharge.measured().len();
        let Err(error) = outcome else { continue };
        let at = error.channel().map_or_else(String::new, |channel| format!("{}: ", place(session, channel)));
        match &session.settings.override_alive {
            Some(why) if error.is_of_the_board() => {
                note(&format!("going on although {at}{error}: {why}"), asking.logbook, asking.screen);
                discharge.go_on();
            }
            _ => {
                let hint = error.hint();
                return Err(Failure::new(ExitStatus::Unavailable, format!("{at}{error}")).hint(hint));
            }
        }
    }
    Ok(())
}

/// Every channel that leads to a pin.
fn stops(session: &Session) -> Vec<Stop> {
    let pins = session.header.connector.pins.iter();
    pins.zip(session.header.wiring.channels())
        .map(|(pin, &channel)| Stop { channel, is_power: pin.role == Some(Role::Power) })
        .collect()
}

fn place(session: &Session, channel: Channel) -> String {
    let pin = session.header.wiring.pin_of(channel).and_then(|pin| session.header.connector.pins.get(pin));
    pin.map_or_else(|| format!("channel {channel}"), |pin| format!("pin {}", pin.name))
}

fn note(text: &str, logbook: &mut Logbook, screen: &mut Screen) {
    screen.tell(&format!("note: {text}"));
    logbook.note(LogEvent::Told { text: text.to_owned() });
}
