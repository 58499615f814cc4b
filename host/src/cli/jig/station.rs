//! A jig, a meter, and plates that somebody puts on: what self-test and zero work with.

use std::{path::PathBuf, time::Duration};

use clap::Args as Arguments;
use protocol::{Answer, Channel, Greeting, Request};

use super::{
    deed::Deed,
    identify, load,
    operator::{Answered, Operator},
    talk::{greet, odd},
};
use crate::{
    cli::{Screen, config, inputs, once, options, progress::Progress},
    connector::{CHECK_RESISTOR_OHMS, CheckChannel, Connector, Pin, PinName, Wiring},
    exit_status::ExitStatus,
    failure::{Failure, OrFail},
    jig::self_test::Seen,
    meter::{Conversation, Event, Profile},
    moment::Moment,
    practice::{Bench, BenchDevices, JigSetup, JigTrouble, Plate, meter::MeterOptions},
    readings::PinValue,
    sweep::{
        Devices, PinResult, Plan, Score, Setting, Settling, Step, Swept, Talk, Target, Timing, Unrecorded,
        Visit, run, silent,
    },
    units::{Ohms, Volts},
};

/// Noise of the practice meter, as in a practice sweep.
const NOISE: Volts = Volts::of(0.0002);

/// What a plate is put on.
#[derive(Debug, Clone, Arguments)]
#[group(id = "station")]
pub(in crate::cli) struct StationArgs {
    #[command(flatten)]
    bench: options::Bench,
    /// Connector file, where the plates take the place of a board; without one they take the place of the cable, and
    /// channel 0 is their first position
    #[arg(long, value_name = "FILE")]
    connector: Option<PathBuf>,
    /// Wiring file: which pin lies on which channel; pin by pin from channel 0 on where none is given
    #[arg(long, value_name = "FILE", requires = "connector")]
    wiring: Option<PathBuf>,
    /// Channel and resistor of the check channel, in ohms, such as 63=1000, where no connector is given
    #[arg(long, value_name = "CHANNEL=OHMS", value_parser = check_channel, conflicts_with_all = ["connector", "practice"])]
    check: Option<CheckChannel>,
    /// Work on the practice bench: it puts the plates on by itself, and its time jumps
    #[arg(long)]
    pub(super) practice: bool,
    /// On the practice bench: which of endlessly many jigs
    #[arg(long, value_name = "NUMBER", default_value_t = 1, requires = "practice")]
    seed: u64,
    /// On the practice bench: put a trouble into the jig, such as dead:3, crossed:4+5 or clamps. May be repeated; a
    /// wrong word lists them all
    #[arg(long = "jig-trouble", value_name = "TROUBLE", requires = "practice")]
    jig_troubles: Vec<String>,
    #[command(flatten)]
    config: config::Args,
}

/// The jig with its meter. Plates are no boards: what they read is the result, and nothing of it is recorded to be judged
/// again.
pub(super) struct Station {
    kind: Kind,
    pub(super) profile: Profile,
    pub(super) connector: Connector,
    pub(super) wiring: Wiring,
    pub(super) greeting: Greeting,
    settle: Duration,
    talk: Talk,
    operator: Option<Operator>,
    /// The button is not to be relied on.
    pub(super) deaf: bool,
}

enum Kind {
    Ports(Box<dyn Devices>),
    Practice(Box<BenchDevices>, u64),
}

impl StationArgs {
    /// Whether it is known which connector the plates stand for.
    pub(super) const fn has_connector(&self) -> bool {
        self.practice || self.connector.is_some()
    }

    /// What was typed, and what the configuration says where nothing was.
    fn filled(&self) -> Result<Self, Failure> {
        let defaults = self.config.defaults(self.practice)?;
        let mut args = self.clone();
        args.bench.fill(&defaults)?;
        // The wiring is that of a connector; a plate in place of the cable is wired straight.
        if args.connector.is_some() {
            defaults.wiring(&mut args.wiring);
        }
        Ok(args)
    }
}

impl Station {
    /// Opens the ports, or sets up a practice bench, and greets the switching board.
    pub(super) fn open(args: &StationArgs, screen: &mut Screen) -> Result<Self, Failure> {
        let args = &args.filled()?;
        let profile = args.bench.meter.profile()?;
        let (mut kind, named) = match args.practice {
            true => {
                let (kind, connector, wiring) = practice(args, &profile)?;
                (kind, Some((connector, Some(wiring))))
            }
            false => {
                // Files first: nothing is opened in vain.
                let named = args.connector.as_deref();
                let named =
                    named.map(|path| inputs::connector_and_wiring(Some(path), args.wiring.as_deref()));
                let named = named.transpose()?;
                (Kind::Ports(args.bench.open(&profile, once::stop_switch())?.devices), named)
            }
        };
        let mut talk = Talk::new(kind.devices());
        let greeting = greet(&mut talk, kind.devices(), &mut Unrecorded)?;
        for line in identify::describe(&greeting).iter().take(3) {
            screen.tell(line);
        }
        if named.is_none() && args.check.is_none() {
            screen.tell("note: no check channel is named; if one is fitted, say --check CHANNEL=OHMS, or --connector and --wiring");
        }
        let (connector, wiring) = match named {
            Some(named) => named,
            None => positions(greeting.channels, args.check)?,
        };
        let wiring = wiring.map_or_else(|| Wiring::straight(&connector), Ok);
        let wiring = wiring.or_fail(ExitStatus::Configuration)?;
        wiring.fits(&connector, greeting.channels).or_fail(ExitStatus::Configuration)?;
        let operator = matches!(kind, Kind::Ports(_)).then(Operator::new);
        let settle = Duration::from_millis(args.bench.settle_ms.into());
        Ok(Self { kind, profile, connector, wiring, greeting, settle, talk, operator, deaf: false })
    }

    /// Has something done at the bench.
    pub(super) fn have(&mut self, deed: Deed, screen: &mut Screen) -> Result<Answered, Failure> {
        match &mut self.kind {
            Kind::Practice(devices, seed) => {
                match deed {
                    Deed::PutOn(plate) => {
                        let specimen = plate.specimen(&self.connector, *seed);
                        devices.bench().load(&specimen).or_fail(ExitStatus::Software)?;
                    }
                    Deed::PlugIn => devices.plug(true),
                    Deed::Unplug => devices.plug(false),
                    Deed::Lid(closed) => devices.bench().jig().lid(closed),
                    Deed::Press => devices.bench().jig().button(true),
                }
                screen.tell(&format!("practice: {}", deed.done()));
                let until = devices.now().after(Duration::from_millis(200));
                let mut heard = false;
                while devices.now() < until && !heard {
                    heard = self.talk.listen(until, devices.as_mut(), &mut Unrecorded, &mut silent)?;
                }
                if deed == Deed::Press {
                    devices.bench().jig().button(false);
                }
                Ok(if heard { Answered::Button } else { Answered::Line(String::new()) })
            }
            Kind::Ports(devices) => {
                let has_button = self.greeting.parts.button && !self.deaf && deed != Deed::Press;
                let Some(operator) = &self.operator else { return Ok(Answered::Line(String::new())) };
                operator.ask(
                    &deed.wanted(),
                    has_button,
                    &mut self.talk,
                    devices.as_mut(),
                    &mut Unrecorded,
                    screen,
                )
            }
        }
    }

    /// One request to the switching board.
    pub(super) fn ask(&mut self, request: Request) -> Result<Answer, Failure> {
        Ok(self.talk.ask(request, self.kind.devices(), &mut Unrecorded, &mut silent)?)
    }

    /// What the sense input says, in mV.
    pub(super) fn sense(&mut self) -> Result<i32, Failure> {
        match self.ask(Request::Sense)? {
            Answer::SenseVoltage { millivolts } => Ok(millivolts),
            other => Err(odd(&Request::Sense, &other)),
        }
    }

    /// Channels that lead somewhere, in order.
    pub(super) fn channels(&self) -> Vec<Channel> {
        let check = self.wiring.check().map(|check| check.channel);
        let mut all: Vec<Channel> = self.wiring.channels().iter().copied().chain(check).collect();
        all.sort_unstable();
        all
    }

    /// What every channel reads. The list is by channel; it has an entry for each that the switching board has.
    pub(super) fn survey(&mut self, plate: &str) -> Result<Vec<PinValue>, Failure> {
        Ok(self.swept(plate)?.values)
    }

    /// What every channel reads, with the readings that were believed.
    pub(super) fn results(&mut self, plate: &str) -> Result<Vec<Option<PinResult>>, Failure> {
        Ok(self.swept(plate)?.results)
    }

    fn swept(&mut self, plate: &str) -> Result<Swept, Failure> {
        let channels = usize::from(self.greeting.channels);
        let visits: Vec<Visit> = self
            .channels()
            .into_iter()
            .map(|channel| Visit { channel, target: Target::Pin(usize::from(channel.0)) })
            .collect();
        let names: Vec<PinName> =
            (0..channels).map(|channel| PinName::new(&format!("channel {channel}"))).collect();
        let score = Score {
            setting: Setting {
                plan: Plan { visits },
                pins: channels,
                grounds: Vec::new(),
                timing: Timing::of(&self.profile),
                compliance: None,
                check_expected: None,
            },
            profile: self.profile.clone(),
            names: names.clone(),
            jig_port: "the jig's port".to_owned(),
            meter_port: "the meter's port".to_owned(),
            settle: self.settle,
            // A plate has no power to be afraid of.
            dwell: None,
            override_alive: true,
        };
        // What board and meter say of themselves was told once.
        let progress = Progress::new(names, true);
        let swept = run(self.kind.devices(), score, &mut Unrecorded, &mut |notice| progress.notice(notice));
        progress.finish();
        swept.outcome.clone().map_err(|error| {
            let text = format!("the {plate} could not be read: {error}");
            Failure { error: text.into(), ..Failure::from(error) }
        })?;
        Ok(swept)
    }

    /// What the meter shows while the bleed resistor is on the common line; `Unread` where it does not settle in time.
    pub(super) fn bleed(&mut self, channel: Channel) -> Result<Seen, Failure> {
        let timing = Timing::of(&self.profile);
        let readings = u32::from(timing.spoilt) + u32::from(timing.agree_overload) + 3;
        // A meter that is asked answers a little later than its period.
        let hold = timing.period * readings * 3 / 2 + Duration::from_millis(500);
        let hold_us = u32::try_from(hold.as_micros()).unwrap_or(u32::MAX);
        let devices = self.kind.devices();
        let began = devices.now();
        let mut conversation = Conversation::new(&self.profile);
        conversation.start(began);
        let spoilt = began.after(timing.period * (u32::from(timing.spoilt) + 2) + timing.delivery);
        let mut settling = Settling::default();
        let mut seen = Seen::Unread;
        let source = self.profile.diode.source;
        let mut listen = |bytes: &[u8], at: Moment| {
            conversation.receive(bytes, at);
            conversation.expire(at);
            while let Some(event) = conversation.pull() {
                let Ok(Event::Answer(answer)) = event else { continue };
                if answer.reading.first_byte > spoilt
                    && let Step::Decided(value) =
                        settling.take(answer.reading.item.value, answer.reading.first_byte, &timing)
                {
                    seen = load::seen(value, source);
                }
            }
            if conversation.may_ask() {
                conversation.ask(at);
            }
            std::iter::from_fn(|| conversation.next_bytes()).flatten().collect()
        };
        let request = Request::Bleed { channel, hold_us };
        let answer = self.talk.ask(request.clone(), devices, &mut Unrecorded, &mut listen)?;
        conversation.finish();
        while let Some(bytes) = conversation.next_bytes() {
            // A port that is gone now shows in the next plate.
            let _ = devices.to_meter(&bytes);
        }
        match answer {
            Answer::Bled => Ok(seen),
            other => Err(odd(&request, &other)),
        }
    }

    /// A reading as resistance.
    pub(super) fn seen(&self, value: PinValue) -> Seen {
        load::seen(value, self.profile.diode.source)
    }

    /// The pins behind channels, for people.
    pub(super) fn pins_of(&self, channels: &[Channel]) -> Vec<String> {
        let pin = |channel: &Channel| {
            let pin = self.wiring.pin_of(*channel)?;
            Some(self.connector.pins.get(pin)?.name.as_str().to_owned())
        };
        channels.iter().filter_map(pin).collect()
    }
}

impl Kind {
    fn devices(&mut self) -> &mut dyn Devices {
        match self {
            Self::Ports(devices) => devices.as_mut(),
            Self::Practice(devices, _) => devices.as_mut(),
        }
    }
}

/// A practice jig with the open plate on it.
fn practice(args: &StationArgs, profile: &Profile) -> Result<(Kind, Connector, Wiring), Failure> {
    let (connector, wiring) =
        inputs::connector_and_wiring(args.connector.as_deref(), args.wiring.as_deref())?;
    let mut setup = match wiring {
        Some(wiring) => JigSetup::wired(wiring, args.seed),
        None => JigSetup::straight(&connector, args.seed).or_fail(ExitStatus::Configuration)?,
    };
    let troubles = args.jig_troubles.iter().map(|text| text.parse::<JigTrouble>());
    setup.troubles = troubles.collect::<Result<_, _>>().or_fail(ExitStatus::Usage)?;
    let wiring = setup.wiring.clone();
    let options = MeterOptions { noise: NOISE, ..MeterOptions::of(profile) };
    let plate = Plate::Open.specimen(&connector, args.seed);
    let bench = Bench::new(&plate, setup, profile.clone(), options, args.seed, Moment::START)
        .or_fail(ExitStatus::Software)?;
    Ok((Kind::Practice(Box::new(BenchDevices::new(bench)), args.seed), connector, wiring))
}

/// The plates where the cable was: each channel is a position, but for the check channel.
fn positions(channels: u8, check: Option<CheckChannel>) -> Result<(Connector, Option<Wiring>), Failure> {
    let leads = |channel: &u8| check.is_none_or(|check| check.channel.0 != *channel);
    let channels: Vec<Channel> = (0..channels).filter(leads).map(Channel).collect();
    let pins = channels.iter().map(|channel| Pin::named(&channel.to_string())).collect();
    let connector = Connector::new("positions", pins).or_fail(ExitStatus::Unavailable)?;
    let wiring = Wiring::new("positions", &connector, channels, check).or_fail(ExitStatus::Usage)?;
    Ok((connector, Some(wiring)))
}

/// `63=1000`.
fn check_channel(text: &str) -> Result<CheckChannel, String> {
    let expected = || format!("expected channel and resistance in ohms, such as 63=1000, found `{text}`");
    let (channel, ohms) = text.split_once('=').ok_or_else(expected)?;
    let channel = channel.trim().parse().map(Channel).map_err(|_| expected())?;
    let resistor = ohms.trim().parse().ok().and_then(Ohms::new).ok_or_else(expected)?;
    if !CHECK_RESISTOR_OHMS.contains(&resistor.get()) {
        let (least, most) = (CHECK_RESISTOR_OHMS.start(), CHECK_RESISTOR_OHMS.end());
        return Err(format!("expected a check resistor of {least} to {most} ohm, found `{text}`"));
    }
    Ok(CheckChannel { channel, resistor })
}
