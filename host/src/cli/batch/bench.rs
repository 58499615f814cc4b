//! What the boards of a batch are swept with: the ports, or a practice bench for each board.

use std::{
    path::Path,
    sync::{Arc, atomic::AtomicBool},
};

use protocol::Channel;

use super::Args;
use crate::{
    batch_run::Job,
    cli::{
        Screen,
        emulation::{self, Emulation},
        inputs,
        jig::{greet, zero},
        prepare,
    },
    connector::{BoardKind, Connector, Wiring},
    exit_status::ExitStatus,
    failure::{Failure, OrFail},
    jig::BoardName,
    log::{ReferenceSource, Zero},
    meter::Profile,
    moment::Moment,
    practice::{BenchDevices, JigTrouble, random::Random},
    reference::Reference,
    session::{SWEEP_LIMIT, ZeroFile},
    sweep::{Devices, Heard, Talk, Unrecorded},
    units::Ohms,
};

/// Meter, switching board, and the connectors of a board.
pub(super) struct Station {
    pub(super) profile: Profile,
    pub(super) connectors: Vec<Prepared>,
    /// What switching board and meter hang on, for a person.
    pub(super) port_names: [String; 2],
    source: Source,
}

/// One connector of a board, ready to be swept.
pub(super) struct Prepared {
    pub(super) connector: Connector,
    pub(super) wiring: Wiring,
    pub(super) reference: Option<ReferenceSource>,
    pub(super) zero: Option<Zero>,
}

enum Source {
    Ports(Box<dyn Devices>),
    Practice(Box<Hands>),
}

/// The hands of a practice batch: they put the right board on the jig.
struct Hands {
    args: Args,
    profile: Profile,
    on: Option<(u32, usize, Emulation, BenchDevices)>,
}

impl Station {
    /// Reads the files and opens the ports.
    pub(super) fn new(args: &Args, stop: &Arc<AtomicBool>, screen: &mut Screen) -> Result<Self, Failure> {
        let profile = args.bench.meter.profile()?;
        let references = references(args)?;
        let mut connectors = Vec::new();
        for (connector, wiring) in connectors_of(args)? {
            let emulation = match args.practice {
                true => {
                    let base =
                        emulation::Args { faults: Vec::new(), fault_list: None, ..args.emulation.clone() };
                    Some(Emulation::new(&base, connector.clone(), wiring.clone(), profile.clone())?)
                }
                false => None,
            };
            connectors.push(prepared(connector, wiring, &references, emulation.as_ref(), screen)?);
        }
        if let Some(channel) = args.wear.wear_channel {
            check_wear(channel, &connectors)?;
        }
        let zeros = zeros(args, &mut connectors, &profile, screen)?;
        let (mut source, port_names) = match args.practice {
            true => {
                let hands = Hands { args: args.clone(), profile: profile.clone(), on: None };
                let name = "the practice bench".to_owned();
                (Source::Practice(Box::new(hands)), [name.clone(), name])
            }
            false => {
                let bench = args.bench.open(&profile, Arc::clone(stop))?;
                (Source::Ports(bench.devices), bench.ports)
            }
        };
        if let (Source::Ports(devices), false) = (&mut source, zeros.is_empty()) {
            let mut talk = Talk::new(devices.as_ref());
            let greeting = greet(&mut talk, devices.as_mut(), &mut Unrecorded)?;
            let called = args.jig_name.as_deref().map(|name| prepare::checked_name("--jig-name", name));
            let board = BoardName::new(greeting.unique_id, called.transpose()?.as_deref());
            zeros.iter().try_for_each(|zero| zero.is_of(&board))?;
        }
        Ok(Self { profile, connectors, port_names, source })
    }

    /// The connectors of a board, in order.
    pub(super) fn connectors(&self) -> impl Iterator<Item = &Connector> {
        self.connectors.iter().map(|prepared| &prepared.connector)
    }

    /// The ports, unless this is a practice batch.
    pub(super) fn ports(&mut self) -> Option<&mut dyn Devices> {
        match &mut self.source {
            Source::Ports(devices) => Some(devices.as_mut()),
            Source::Practice(_) => None,
        }
    }

    /// Puts the board of a practice batch on the jig, and says what was put into it.
    pub(super) fn put_on(&mut self, job: &Job) -> Result<Option<&Emulation>, Failure> {
        match &mut self.source {
            Source::Ports(_) => Ok(None),
            Source::Practice(hands) => {
                let Some(prepared) = self.connectors.get(job.connector) else { return Ok(None) };
                hands.put_on(job.place, job.connector, prepared).map(Some)
            }
        }
    }

    /// Switching board and meter.
    pub(super) fn devices(&mut self) -> Result<&mut dyn Devices, Failure> {
        match &mut self.source {
            Source::Ports(devices) => Ok(devices.as_mut()),
            Source::Practice(hands) => match &mut hands.on {
                Some((_, _, _, devices)) => Ok(devices),
                None => Err(Failure::new(ExitStatus::Software, "expected a board on the practice jig")),
            },
        }
    }
}

impl Hands {
    fn put_on(&mut self, place: u32, connector: usize, prepared: &Prepared) -> Result<&Emulation, Failure> {
        // A second sweep of the same connector finds the same board, and the meter where it was.
        let kept = self.on.take().filter(|(at, which, ..)| (*at, *which) == (place, connector));
        let on = match kept {
            Some(on) => on,
            None => {
                let emulation = self.board(place, prepared)?;
                let devices = BenchDevices::new(emulation.bench()?);
                (place, connector, emulation, devices)
            }
        };
        Ok(&self.on.insert(on).2)
    }

    fn board(&self, place: u32, prepared: &Prepared) -> Result<Emulation, Failure> {
        let base = &self.args.emulation;
        let mut random = Random::new(base.seed, "boards of a batch");
        // The stream is walked to this board, so that it does not matter where a batch was resumed.
        let mut draw = (0, 0.0);
        for _ in 0..place {
            draw = (random.bits(), random.unit());
        }
        let mut args = emulation::Args { seed: draw.0, ..base.clone() };
        let wear = &self.args.wear;
        if draw.1 < wear.faulty {
            args.faults.push("random".to_owned());
        }
        let worn = wear.wear_channel.filter(|_| place >= wear.wear_from).map(|channel| {
            let boards = f64::from(place - wear.wear_from + 1);
            JigTrouble::Worn(Channel(channel), Ohms::of(wear.wear_ohms * boards))
        });
        let last = self.args.boards.unwrap_or(place).max(2);
        let share = f64::from(place - 1) / f64::from(last - 1);
        let scale = 1.0 + wear.meter_drift / 100.0 * share;
        let emulation = Emulation::new(
            &args,
            prepared.connector.clone(),
            Some(prepared.wiring.clone()),
            self.profile.clone(),
        )?;
        Ok(emulation.aged(base.seed, worn, scale))
    }
}

/// Refuses to wear a channel that leads nowhere: nothing would be noticed, and that would look like a finding.
fn check_wear(channel: u8, connectors: &[Prepared]) -> Result<(), Failure> {
    let led: Vec<Channel> =
        connectors.iter().flat_map(|prepared| prepared.wiring.channels().iter().copied()).collect();
    if led.contains(&Channel(channel)) {
        return Ok(());
    }
    let highest = led.iter().map(|channel| channel.0).max().unwrap_or(0);
    let found = format!("expected --wear-channel to be a channel that leads to a pin, found {channel}");
    Err(Failure::new(ExitStatus::Usage, found).hint(format!(
        "the highest channel of this wiring is {highest}; its file lists which leads to which pin"
    )))
}

/// Time of a session, on devices that have been there before it.
pub(super) struct FromNow<'a> {
    devices: &'a mut dyn Devices,
    began: Moment,
}

impl<'a> FromNow<'a> {
    /// The session begins now.
    pub(super) fn new(devices: &'a mut dyn Devices) -> Self {
        Self { began: devices.now(), devices }
    }

    fn since(&self, at: Moment) -> Moment {
        Moment::START.after(at.since(self.began))
    }
}

impl Devices for FromNow<'_> {
    fn now(&self) -> Moment {
        self.since(self.devices.now())
    }

    fn wait(&mut self, until: Moment) -> Heard {
        match self.devices.wait(self.began.after(until.since(Moment::START))) {
            Heard::Meter(at, bytes) => Heard::Meter(self.since(at), bytes),
            Heard::Jig(at, bytes) => Heard::Jig(self.since(at), bytes),
            other => other,
        }
    }

    fn fresh_number(&self) -> u16 {
        self.devices.fresh_number()
    }

    fn to_jig(&mut self, bytes: &[u8]) -> std::io::Result<()> {
        self.devices.to_jig(bytes)
    }

    fn to_meter(&mut self, bytes: &[u8]) -> std::io::Result<()> {
        self.devices.to_meter(bytes)
    }
}

/// The connectors of a board with their wirings, in the order in which they are swept.
fn connectors_of(args: &Args) -> Result<Vec<(Connector, Option<Wiring>)>, Failure> {
    let Some(path) = &args.kind else {
        return inputs::connector_and_wiring(args.connector.as_deref(), args.wiring.as_deref())
            .map(|both| vec![both]);
    };
    let kind = BoardKind::from_toml(&inputs::text(path)?).map_err(|error| {
        let failure = Failure::new(
            ExitStatus::Configuration,
            format!("cannot use board kind {}: {error}", path.display()),
        );
        match error.hint() {
            Some(hint) => failure.hint(hint),
            None => failure,
        }
    })?;
    let order = match &args.repaired {
        None => (0..kind.connectors.len()).collect(),
        Some(name) => {
            let index = kind.index_of(name).ok_or_else(|| {
                let found = crate::label::Found(name);
                let names: Vec<&str> = kind.connectors.iter().map(|one| one.name.as_str()).collect();
                Failure::new(
                    ExitStatus::Usage,
                    format!("--repaired: expected one of {}, found {found}", names.join(", ")),
                )
            })?;
            kind.order(index)
        }
    };
    let folder = path.parent().unwrap_or(Path::new(""));
    let mut connectors = Vec::with_capacity(order.len());
    for one in order.into_iter().filter_map(|index| kind.connectors.get(index)) {
        let file = folder.join(&one.file);
        let connector = one.connector(&inputs::text(&file)?).map_err(|error| {
            Failure::new(
                ExitStatus::Configuration,
                format!("cannot use connector {}: {error}", file.display()),
            )
        })?;
        let wiring = one.wiring.as_ref().map(|file| inputs::wiring(&folder.join(file), &connector));
        connectors.push((connector, wiring.transpose()?));
    }
    Ok(connectors)
}

/// The zeros of the batch, each given to the connectors of its wiring. One that is of none is refused.
fn zeros(
    args: &Args,
    connectors: &mut [Prepared],
    profile: &Profile,
    screen: &mut Screen,
) -> Result<Vec<ZeroFile>, Failure> {
    let mut zeros = Vec::new();
    for path in &args.zeros {
        let data = args.data.as_deref();
        let Some(zero) = zero::load(Some(path), zero::DAYS, SWEEP_LIMIT, data, screen)? else { continue };
        let (mut is_used, mut why) = (false, None);
        for prepared in &mut *connectors {
            match zero.fits(&prepared.connector, &prepared.wiring, &profile.name) {
                Ok(()) => {
                    prepared.zero = Some(zero.to_log());
                    is_used = true;
                }
                Err(error) => why = Some(error),
            }
        }
        match why {
            Some(error) if !is_used => return Err(error.into()),
            _ => zeros.push(zero),
        }
    }
    Ok(zeros)
}

/// The references, with their places.
fn references(args: &Args) -> Result<Vec<(Reference, &Path)>, Failure> {
    args.references.iter().map(|path| Ok((inputs::reference(path)?, path.as_path()))).collect()
}

fn prepared(
    connector: Connector,
    wiring: Option<Wiring>,
    references: &[(Reference, &Path)],
    emulation: Option<&Emulation>,
    screen: &mut Screen,
) -> Result<Prepared, Failure> {
    let named = references.iter().find(|(reference, _)| reference.connector == connector.name);
    let reference = match (named, emulation) {
        (Some((reference, path)), _) => {
            reference.fits_sweep(&connector)?;
            Some(prepare::source(reference, Some(path)))
        }
        (None, Some(emulation)) => Some(prepare::source(&emulation.reference()?, None)),
        (None, None) => {
            screen.tell(&format!(
                "note: no --reference for {}: its readings are written down, not judged",
                connector.name
            ));
            None
        }
    };
    let wiring = match (wiring, emulation) {
        (_, Some(emulation)) => emulation.setup.wiring.clone(),
        (Some(wiring), None) => wiring,
        (None, None) => Wiring::straight(&connector).or_fail(ExitStatus::Configuration)?,
    };
    let zero = emulation.map(Emulation::zero).filter(|zero| !zero.paths.is_empty());
    Ok(Prepared { connector, wiring, reference, zero })
}
