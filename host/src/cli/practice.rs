//! `pintally practice`: keeps a practice bench running for the other commands.

use std::{path::PathBuf, str::FromStr, thread};

use clap::Args as Arguments;

use super::{Screen, emulation, emulation::Emulation, inputs, place, typed};
use crate::{
    connector::{Connector, Wiring},
    delimited::guarded,
    exit_status::ExitStatus,
    failure::{Failure, OrFail},
    meter::Profile,
    practice::{
        Plate, Side,
        serve::{Notice, Order, Orders, serve},
    },
    readings::BoardReadings,
    units::Volts,
};

/// The cell that `plate cell` brings, as the guide's first power-up has it.
const CELL: Volts = Volts::of(1.5);

/// Keep a practice bench running: an emulated jig, meter and board on two ports
///
/// Prints the names of the two ports and serves them until it is stopped, so that every other command works on them
/// as on hardware. What is typed meanwhile moves the bench, a line each: `button` (or nothing) presses the start
/// button, `lid` opens or shuts the lid, `board 7 open:A4` puts board 7 with that fault on the jig, `plate short` a plate,
/// `unplug` and `plug` move the meter's plugs, `hold` presses HOLD on the meter or presses it again, `quit` ends.
#[derive(Debug, Arguments)]
pub(super) struct Args {
    /// Connector file, TOML or CSV; a demonstration connector stands ready
    #[arg(long, value_name = "FILE")]
    connector: Option<PathBuf>,
    /// Wiring file: which pin lies on which channel; pin by pin from channel 0 on where none is given
    #[arg(long, value_name = "FILE")]
    wiring: Option<PathBuf>,
    /// Meter profile: a shipped one by name, or a file
    #[arg(long, value_name = "PROFILE", default_value = "bench-stream")]
    profile: String,
    /// Serve on TCP ports of this machine instead of pseudo-terminals; 0 takes a free one
    #[arg(long, value_name = "JIG,METER", num_args = 0..=1, default_missing_value = "0,0")]
    tcp: Option<TcpPorts>,
    /// Keep links named `jig` and `meter` to the pseudo-terminals in this folder
    #[arg(long, value_name = "DIR", conflicts_with = "tcp")]
    links: Option<PathBuf>,
    /// Let the bench run so many times as fast as the clock; its times no longer fit the meter's profile then
    #[arg(long, value_name = "FACTOR", default_value = "1")]
    speed: Speed,
    /// Print the readings of so many known-good boards as CSV instead, and end
    #[arg(long, value_name = "COUNT")]
    known_good: Option<u16>,
    #[command(flatten)]
    emulation: emulation::Args,
}

/// Two TCP ports.
#[derive(Debug, Clone, Copy)]
struct TcpPorts(u16, u16);

/// How fast time runs.
#[derive(Debug, Clone, Copy)]
struct Speed(f64);

/// Runs the command.
pub(super) fn run(args: &Args, screen: &mut Screen) -> Result<ExitStatus, Failure> {
    let profile = inputs::profile(&args.profile)?;
    let (connector, wiring) =
        inputs::connector_and_wiring(args.connector.as_deref(), args.wiring.as_deref())?;
    let emulation = Emulation::new(&args.emulation, connector.clone(), wiring.clone(), profile.clone())?;
    if let Some(count) = args.known_good {
        let boards = emulation.known_good(count.into())?;
        screen
            .line(table(&connector, &boards, decimals(&profile)).or_fail(ExitStatus::Software)?.trim_end())?;
        screen.flush()?;
        return Ok(ExitStatus::Matches);
    }

    let mut doors = place::doors(args.tcp.map(|TcpPorts(jig, meter)| (jig, meter)), args.links.as_deref())?;
    screen.line(&format!("jig    {}", doors.jig))?;
    screen.line(&format!("meter  {}", doors.meter))?;
    screen.flush()?;
    tell_board(&emulation, screen)?;
    screen.say("serving until Ctrl-C or `quit`");

    let orders = doors.orders();
    let stop = orders.clone();
    // A handler can be set once a process; in tests that is enough.
    let _ = ctrlc::set_handler(move || {
        // A bench that is gone has stopped already.
        let _ = stop.give(Order::Stop);
    });
    let is_quiet = screen.is_quiet();
    let typist = Typist { base: args.emulation.clone(), connector, wiring, profile, orders, is_quiet };
    // Ends with the process: a read of standard input cannot be called off.
    thread::spawn(move || typist.follow());
    serve(emulation.bench()?, &mut doors, args.speed.0, &mut |notice| match notice {
        Notice::Host { side, attached } => {
            let side = if side == Side::Jig { "jig" } else { "meter" };
            screen.say(&format!("{side}: host {}", if attached { "attached" } else { "gone" }));
        }
        Notice::Sound(sound) => screen.say(&format!("buzzer: {sound:?}").to_lowercase()),
        Notice::NotLoaded(error) => screen.tell(&format!("board not loaded: {error}")),
    });
    Ok(ExitStatus::Matches)
}

/// Turns typed lines into orders.
struct Typist {
    base: emulation::Args,
    connector: Connector,
    wiring: Option<Wiring>,
    profile: Profile,
    orders: Orders,
    is_quiet: bool,
}

impl Typist {
    fn follow(&self) {
        // This thread has no part in the streams of the command but its own warnings.
        let mut screen = Screen::standard().quiet(self.is_quiet);
        let mut lid_closed = true;
        // What cannot be read ends the typing, not the bench.
        for line in typed::lines() {
            let words: Vec<&str> = line.split_whitespace().collect();
            let given = match words.as_slice() {
                [] | ["button"] => self.orders.give(Order::Press),
                ["lid"] => {
                    lid_closed = !lid_closed;
                    screen.say(if lid_closed { "lid shut" } else { "lid open" });
                    self.orders.give(Order::Lid(lid_closed))
                }
                ["plug"] => self.orders.give(Order::Plug(true)),
                ["unplug"] => self.orders.give(Order::Plug(false)),
                ["hold"] => self.orders.give(Order::Hold),
                ["plate", name] => self.plate(name, &mut screen),
                ["board", seed, faults @ ..] => self.load(seed, faults, &mut screen),
                ["quit"] => self.orders.give(Order::Stop),
                _ => {
                    screen.tell(
                        "expected button, lid, plug, unplug, hold, plate open|short|ladder|cell, board NUMBER [FAULT ...] or quit",
                    );
                    true
                }
            };
            if !given {
                return;
            }
        }
    }

    fn load(&self, seed: &str, faults: &[&str], screen: &mut Screen) -> bool {
        match self.board(seed, faults) {
            Ok(emulation) => {
                if let Err(failure) = tell_board(&emulation, screen) {
                    screen.failure(&failure);
                }
                self.orders.give(Order::Load(Box::new(emulation.specimen().clone())))
            }
            Err(failure) => {
                screen.failure(&failure);
                true
            }
        }
    }

    fn plate(&self, name: &str, screen: &mut Screen) -> bool {
        let plate = match name {
            "open" => Plate::Open,
            "short" => Plate::Short,
            "ladder" => Plate::Ladder,
            // As the self-test asks for one: at the first position.
            "cell" => Plate::Cell(0, CELL),
            _ => {
                screen.tell("expected plate open, plate short, plate ladder or plate cell");
                return true;
            }
        };
        screen.tell(&format!("the {} is on", plate.name()));
        self.orders.give(Order::Load(Box::new(plate.specimen(&self.connector, self.base.seed))))
    }

    fn board(&self, seed: &str, faults: &[&str]) -> Result<Emulation, Failure> {
        let seed = seed.parse().map_err(|_| {
            Failure::new(ExitStatus::Usage, format!("expected the number of a board, found `{seed}`"))
        })?;
        let faults = faults.iter().map(|&fault| fault.to_owned()).collect();
        let args = emulation::Args { seed, faults, fault_list: None, ..self.base.clone() };
        Emulation::new(&args, self.connector.clone(), self.wiring.clone(), self.profile.clone())
    }
}

/// Says which board is on the jig and what was put in.
fn tell_board(emulation: &Emulation, screen: &mut Screen) -> Result<(), Failure> {
    let truth = emulation.truth()?;
    if truth.is_empty() {
        screen.say(&format!("board {}: no fault was put in", emulation.board()));
    }
    for line in truth {
        screen.say(&format!("board {}: put in {line}", emulation.board()));
    }
    Ok(())
}

/// Readings as a table, as `compare` and `reference` read it.
fn table(connector: &Connector, boards: &[BoardReadings], decimals: usize) -> Result<String, csv::Error> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    writer.write_record(["board", "pin", "reading"])?;
    for board in boards {
        for (pin, value) in connector.pins.iter().zip(&board.values) {
            let value = value
                .volts()
                .map_or_else(|| value.to_string(), |volts| format!("{:.decimals$}", volts.get()));
            writer.write_record([&*guarded(&board.board), &*guarded(pin.name.as_str()), &value])?;
        }
    }
    let bytes = writer.into_inner().map_err(|error| error.into_error())?;
    // Everything that went in was text.
    Ok(String::from_utf8_lossy(&bytes).into_owned())
}

/// Decimals that the meter shows.
fn decimals(profile: &Profile) -> usize {
    // A resolution of 0 or above 1 V is none that a profile can have; three decimals serve it.
    let decimals = -profile.diode.resolution.get().log10().round();
    if (0.0..9.0).contains(&decimals) { decimals as usize } else { 3 }
}

impl FromStr for TcpPorts {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        text.split_once(',')
            .and_then(|(jig, meter)| Some(Self(jig.trim().parse().ok()?, meter.trim().parse().ok()?)))
            .filter(|Self(jig, meter)| *jig == 0 || jig != meter)
            .ok_or_else(|| format!("expected two TCP ports such as 4001,4002, found `{text}`"))
    }
}

impl FromStr for Speed {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        text.parse()
            .ok()
            .filter(|speed| (0.01..=1000.0).contains(speed))
            .map(Self)
            .ok_or_else(|| format!("expected a factor from 0.01 to 1000, found `{text}`"))
    }
}
