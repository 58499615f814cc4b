//! `pintally jig self-test`: whether the jig is sound, before it judges a board.

use clap::Args as Arguments;
use protocol::{Answer, Channel, Request};
use serde_json::json;

use super::{
    deed::Deed,
    load::resistance,
    operator::Answered,
    station::{Station, StationArgs},
    talk::odd,
};
use crate::{
    cli::{Screen, ports::Format},
    exit_status::ExitStatus,
    failure::Failure,
    jig::self_test::{
        Bled, Cell, Diagnosis, Fault, Finding, Lead, PATH_LIMIT, Panel, Seen, Survey, diagnose, list,
    },
    practice::Plate,
    session::short_current,
    units::{Amperes, Ohms, Volts},
};

/// Prove that the jig is sound, with an open, a short and a ladder plate in place of a board
///
/// Leads through the plates one by one. Finds clamp diodes of the multiplexer, supplies below what the meter drives,
/// leaks, exchanged, bridged, dead and stuck channels, dead and exchanged banks, bad clips, and what is wrong with lid,
/// button, sense input and bleed resistor. Ends with 0 if the jig is sound, 1 if it is not, 2 if something could not be
/// told. docs/jig tells how the plates are made. No board may be connected.
#[derive(Debug, Arguments)]
pub(super) struct Args {
    #[command(flatten)]
    station: StationArgs,
    /// Path resistance from which a path is called high, in ohms: 10 serves relays and low-ohm multiplexers, PhotoMOS of
    /// 25 ohm need 40
    #[arg(long, value_name = "OHMS", default_value_t = PATH_LIMIT.get())]
    path_limit: f64,
    /// Also try the sense input with a cell of this voltage, such as 1.5, measured with the meter
    #[arg(long, value_name = "VOLTS")]
    cell: Option<f64>,
    /// How to print the result
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
}

/// The cell of the practice bench.
const PRACTICE_CELL: f64 = 1.5;

/// Voltage that a sense input of 10.5 V full scale shows well, and that hurts nothing behind 100 kΩ.
const CELL: std::ops::RangeInclusive<f64> = 0.5..=9.6;

/// Runs the command.
pub(super) fn run(args: &Args, screen: &mut Screen) -> Result<ExitStatus, Failure> {
    let path_limit = Ohms::new(args.path_limit).filter(|limit| (0.1..=1000.0).contains(&limit.get()));
    let Some(path_limit) = path_limit else {
        return Err(Failure::new(ExitStatus::Usage, "expected --path-limit from 0.1 to 1000 ohm"));
    };
    let cell = args.cell.or_else(|| args.station.practice.then_some(PRACTICE_CELL));
    if cell.is_some_and(|volts| !CELL.contains(&volts)) {
        let (low, high) = (CELL.start(), CELL.end());
        return Err(Failure::new(ExitStatus::Usage, format!("expected --cell from {low} to {high} volts")));
    }
    let mut station = Station::open(&args.station, screen)?;
    let mut not_tried = Vec::new();
    let survey = survey(&mut station, path_limit, cell, &mut not_tried, screen)?;
    let diagnosis = diagnose(&survey);
    match args.format {
        Format::Text => {
            for line in text(&station, &diagnosis, &not_tried) {
                screen.line(&line)?;
            }
        }
        Format::Json => screen.line(&as_json(&station, &diagnosis, &not_tried))?,
    }
    screen.flush()?;
    Ok(status(&diagnosis))
}

/// How the command ends.
fn status(diagnosis: &Diagnosis) -> ExitStatus {
    match (diagnosis.findings.is_empty(), diagnosis.unclear.is_empty()) {
        (false, _) => ExitStatus::Differs,
        (true, false) => ExitStatus::Inconclusive,
        (true, true) => ExitStatus::Matches,
    }
}

/// Leads through the plates.
fn survey(
    station: &mut Station,
    path_limit: Ohms,
    cell: Option<f64>,
    not_tried: &mut Vec<&'static str>,
    screen: &mut Screen,
) -> Result<Survey, Failure> {
    let source = station.profile.diode.source;
    let count = station.profile.diode.resolution.get() / short_current(source).get();
    let most = resistance(station.profile.diode.overload_above, source).unwrap_or(Ohms::ZERO);
    let channels = usize::from(station.greeting.channels);
    let mut survey = Survey {
        leads: leads(station),
        open: Vec::new(),
        short: Vec::new(),
        ladder: Vec::new(),
        count: Ohms::of(count),
        most,
        path_limit,
        panel: Panel::default(),
    };
    panel(station, &mut survey.panel, not_tried, screen)?;
    if survey.panel.lid_shut == Some(false) {
        // No channel can be closed: the plates have nothing to tell.
        for list in [&mut survey.open, &mut survey.short, &mut survey.ladder] {
            *list = vec![Seen::Unread; channels];
        }
        return Ok(survey);
    }
    if station.greeting.parts.sense {
        station.have(Deed::Unplug, screen)?;
        station.have(Deed::PutOn(Plate::Open), screen)?;
        survey.panel.sensed_nothing = Some(station.sense()?);
    } else {
        not_tried.push("the sense input: this switching board has none");
        station.have(Deed::PutOn(Plate::Open), screen)?;
    }
    station.have(Deed::PlugIn, screen)?;
    survey.open = read(station, Plate::Open)?;
    bleed(station, &mut survey.panel, not_tried)?;
    station.have(Deed::PutOn(Plate::Short), screen)?;
    survey.short = read(station, Plate::Short)?;
    station.have(Deed::PutOn(Plate::Ladder), screen)?;
    survey.ladder = read(station, Plate::Ladder)?;
    if station.greeting.parts.sense {
        match (cell.and_then(Volts::new), conducting(station, &survey)) {
            (Some(volts), Some((position, channel))) => {
                survey.panel.sensed_cell = Some(sense_cell(station, position, channel, volts, screen)?);
            }
            (None, _) => not_tried.push("the sense input with a voltage: say --cell VOLTS"),
            (_, None) => {
                not_tried.push("the sense input with a voltage: no channel is known to lead where it should");
            }
        }
    }
    Ok(survey)
}

/// Lid and button, before any plate.
fn panel(
    station: &mut Station,
    panel: &mut Panel,
    not_tried: &mut Vec<&'static str>,
    screen: &mut Screen,
) -> Result<(), Failure> {
    let parts = station.greeting.parts;
    let first = state(station)?;
    if parts.button {
        panel.button_at_rest = first.button_pressed;
        station.deaf = first.button_pressed == Some(true);
    } else {
        not_tried.push("the start button: this switching board has none");
    }
    if parts.lid {
        let mut shut = first.lid_closed;
        if shut == Some(false) {
            station.have(Deed::Lid(true), screen)?;
            shut = state(station)?.lid_closed;
        }
        panel.lid_shut = shut;
        if shut == Some(true) {
            station.have(Deed::Lid(false), screen)?;
            panel.lid_open = state(station)?.lid_closed;
            station.have(Deed::Lid(true), screen)?;
        }
    } else {
        not_tried.push("the lid contact: this switching board has none");
    }
    if parts.button && !station.deaf {
        let answered = station.have(Deed::Press, screen)?;
        panel.button_heard = Some(answered == Answered::Button);
        station.deaf = answered != Answered::Button;
    }
    Ok(())
}

fn state(station: &mut Station) -> Result<protocol::Status, Failure> {
    match station.ask(Request::Status)? {
        Answer::Status(status) => Ok(status),
        other => Err(odd(&Request::Status, &other)),
    }
}

fn read(station: &mut Station, plate: Plate) -> Result<Vec<Seen>, Failure> {
    let values = station.survey(plate.name())?;
    Ok(values.into_iter().map(|value| station.seen(value)).collect())
}

/// What the bleed resistor is, as the meter sees it on the open plate.
fn bleed(station: &mut Station, panel: &mut Panel, not_tried: &mut Vec<&'static str>) -> Result<(), Failure> {
    if !station.greeting.parts.bleed {
        not_tried.push("the bleed resistor: this switching board has none");
        return Ok(());
    }
    let Some(&channel) = station.wiring.channels().first() else { return Ok(()) };
    match station.bleed(channel)? {
        Seen::Unread | Seen::Unsettled => {
            not_tried.push("the bleed resistor: the meter did not come to rest in time");
        }
        seen => panel.bled = Some(Bled(seen)),
    }
    Ok(())
}

/// A position whose channel has shown to lead there, for the cell.
fn conducting(station: &Station, survey: &Survey) -> Option<(usize, Channel)> {
    let known = diagnose(survey).findings;
    let is_suspect = |channel: &Channel| {
        known.iter().any(|finding| match finding.fault {
            Fault::PathHigh | Fault::PathsHigh | Fault::Leaky => false,
            fault if fault.is_of_the_panel() => false,
            _ => finding.channels.is_empty() || finding.channels.contains(channel),
        })
    };
    let reads = |channel: &Channel| {
        survey.ladder.get(usize::from(channel.0)).is_some_and(|seen| matches!(seen, Seen::Load { .. }))
    };
    let mut channels = station.wiring.channels().iter().copied().enumerate();
    channels.find(|(_, channel)| reads(channel) && !is_suspect(channel))
}

fn sense_cell(
    station: &mut Station,
    position: usize,
    channel: Channel,
    volts: Volts,
    screen: &mut Screen,
) -> Result<Cell, Failure> {
    station.have(Deed::Unplug, screen)?;
    station.have(Deed::PutOn(Plate::Cell(position, volts)), screen)?;
    let select = Request::Select { channel, settle_us: 10_000 };
    match station.ask(select.clone())? {
        Answer::Settled { .. } => {}
        other => return Err(odd(&select, &other)),
    }
    let sensed = station.sense()?;
    station.ask(Request::OpenAll)?;
    Ok(Cell { volts, sensed })
}

fn leads(station: &Station) -> Vec<Lead> {
    let mut leads = vec![Lead::Nothing; usize::from(station.greeting.channels)];
    for (position, channel) in station.wiring.channels().iter().enumerate() {
        if let Some(lead) = leads.get_mut(usize::from(channel.0)) {
            *lead = Lead::Plate(position);
        }
    }
    if let Some(check) = station.wiring.check()
        && let Some(lead) = leads.get_mut(usize::from(check.channel.0))
    {
        *lead = Lead::Check(check.resistor);
    }
    leads
}

fn text(station: &Station, diagnosis: &Diagnosis, not_tried: &[&str]) -> Vec<String> {
    let mut lines = Vec::new();
    for finding in &diagnosis.findings {
        lines.push(format!("fault: {}{}", finding.fault.name(), place(station, finding)));
        lines.push(format!("  seen: {}", finding.evidence));
        lines.push(format!("  do: {}", finding.fault.remedy()));
    }
    lines.extend(diagnosis.unclear.iter().map(|what| format!("unclear: {what}")));
    if let Some([low, middle, high]) = diagnosis.paths {
        lines.push(format!("path resistance {low} to {high}, {middle} in the middle"));
    }
    if let Some(current) = diagnosis.current {
        let nominal = short_current(station.profile.diode.source);
        let found = Amperes::of(current * nominal.get());
        lines.push(format!("the meter drives {found} into a short, its profile says {nominal}"));
    }
    lines.extend(not_tried.iter().map(|what| format!("not tried: {what}")));
    lines.push(
        match (diagnosis.findings.len(), diagnosis.unclear.is_empty()) {
            (0, true) => "the jig is sound",
            (0, false) => "no fault was found, but not everything could be judged",
            (1, _) => "one fault: mend it, then run the test again",
            _ => "several faults: mend the first, then run the test again",
        }
        .to_owned(),
    );
    lines
}

fn place(station: &Station, finding: &Finding) -> String {
    /// Pins named one by one; of more the channels are enough.
    const PINS: usize = 4;
    let pins = station.pins_of(&finding.channels);
    let word = |count: usize, one: &str| if count == 1 { one.to_owned() } else { format!("{one}s") };
    let pins = match pins.len() {
        some @ 1..=PINS => format!(" ({} {})", word(some, "pin"), pins.join(", ")),
        _ => String::new(),
    };
    match finding.channels.len() {
        0 => String::new(),
        many => format!(": {} {}{pins}", word(many, "channel"), list(&finding.channels)),
    }
}

fn as_json(station: &Station, diagnosis: &Diagnosis, not_tried: &[&str]) -> String {
    let findings: Vec<_> = diagnosis
        .findings
        .iter()
        .map(|finding| {
            json!({
                "fault": finding.fault.id(),
                "name": finding.fault.name(),
                "channels": finding.channels.iter().map(|channel| channel.0).collect::<Vec<_>>(),
                "pins": station.pins_of(&finding.channels),
                "evidence": finding.evidence,
                "remedy": finding.fault.remedy(),
            })
        })
        .collect();
    json!({
        "sound": status(diagnosis) == ExitStatus::Matches,
        "findings": findings,
        "unclear": diagnosis.unclear,
        "not_tried": not_tried,
        "path_ohms": diagnosis.paths.map(|paths| paths.map(Ohms::get)),
        "current_of_profile": diagnosis.current,
    })
    .to_string()
}
