//! `pintally jig zero`: what leads, switch and wires add to every reading, from a short plate.

use std::path::{Path as FilePath, PathBuf};

use clap::Args as Arguments;
use protocol::Channel;
use serde_json::json;

use super::{
    deed::Deed,
    load::resistance,
    station::{Station, StationArgs},
};
use crate::{
    cli::{
        Screen, inputs,
        output::{Output, Overwrite},
        place,
        ports::Format,
    },
    connector::{Connector, Wiring},
    exit_status::ExitStatus,
    failure::{Failure, OrFail},
    jig::BoardName,
    label,
    log::{LogReader, Zero},
    meter::{Number, Profile},
    practice::Plate,
    session::{AGE_LIMIT, HIGHEST_PATH, Path, ZeroFile, short_current, wiring_fingerprint},
    statistics::median,
    units::{Ohms, Volts},
};

/// Measure the path resistance of every channel on a short plate, for `sweep --zero` to subtract
///
/// Reads every channel several times and keeps the middle. The file belongs to this switching board, this wiring and
/// this meter; it is called old after seven days. No board may be connected.
#[derive(Debug, Arguments)]
#[group(id = "jig_zero")]
pub(super) struct Args {
    #[command(flatten)]
    station: StationArgs,
    /// File to write
    #[arg(long, short, value_name = "FILE")]
    output: PathBuf,
    #[command(flatten)]
    overwrite: Overwrite,
    /// How often each channel is read
    #[arg(long, value_name = "TIMES", default_value_t = 3, value_parser = clap::value_parser!(u32).range(1..=25))]
    readings: u32,
    /// What this switching board is called, where its microcontroller has no number of its own
    #[arg(long, value_name = "NAME")]
    jig_name: Option<String>,
    /// How to print the result
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
}

/// Age from which a zero is called old, in days.
pub(in crate::cli) const DAYS: u16 = (AGE_LIMIT.as_secs() / (24 * 3600)) as u16;

/// Readings of a path that lie further apart than this show a contact that wanders (docs/facts.md 2.3: a relay is new below
/// 0.2 Ω and worn above 1.2 Ω).
const WANDERS: Ohms = Ohms::of(1.0);

/// Runs the command.
pub(super) fn run(args: &Args, screen: &mut Screen) -> Result<ExitStatus, Failure> {
    let called = args.jig_name.as_deref().map(label::name).transpose().or_fail(ExitStatus::Usage)?;
    if !args.station.has_connector() {
        // It would fit no connector, and so no sweep.
        let expected =
            "expected --connector, and --wiring where the jig has one: a zero is subtracted only there";
        return Err(Failure::new(ExitStatus::Usage, expected).hint(
            "give the same files as to every sweep; --jig-name, too, where the switching board has no number",
        ));
    }
    let output = Output::new(&args.output, args.overwrite, &[])?;
    let mut station = Station::open(&args.station, screen)?;
    let board = BoardName::new(station.greeting.unique_id, called);
    if board == BoardName::Unnamed {
        let found = "expected a switching board that can be told from others, found one without a number";
        return Err(Failure::new(ExitStatus::Usage, found)
            .hint("name it with --jig-name, and give the same name to every sweep"));
    }
    station.have(Deed::PutOn(Plate::Short), screen)?;
    station.have(Deed::PlugIn, screen)?;
    let paths = measure(&mut station, args.readings)?;
    let source = station.profile.diode.source;
    let current = short_current(source);
    let zero = ZeroFile {
        measured: place::now(),
        board,
        wiring_name: station.wiring.name().to_owned(),
        wiring: wiring_fingerprint(&station.connector, &station.wiring),
        meter: station.profile.name.clone(),
        current,
        readings: args.readings,
        count: Ohms::of(station.profile.diode.resolution.get() / current.get()),
        paths,
    };
    output.write("the zero", zero.to_toml().as_bytes())?;
    show(args, &zero, screen)
}

/// Reads the zero that a sweep subtracts, and says if it is old.
pub(in crate::cli) fn load(
    path: Option<&FilePath>,
    days: u16,
    sweeps: u64,
    data: Option<&FilePath>,
    screen: &mut Screen,
) -> Result<Option<ZeroFile>, Failure> {
    let Some(path) = path else { return Ok(None) };
    let zero = ZeroFile::from_toml(&inputs::text(path)?).map_err(|error| {
        let hint = error.hint();
        let about = inputs::About {
            what: "cannot use zero",
            name: path.display().to_string(),
            source: Box::new(error),
        };
        Failure::new(ExitStatus::Configuration, about).hint(hint)
    })?;
    let limit = AGE_LIMIT / 7 * u32::from(days);
    match zero.age(&place::now()) {
        Some(age) if age <= limit => {}
        Some(age) => screen.tell(&format!(
            "warning: the zero in {} is {} days old: measure it again with `pintally jig zero`",
            path.display(),
            age.as_secs() / (24 * 3600)
        )),
        None => screen.tell(&format!(
            "warning: the zero in {} is of {}, which is no day in the past",
            path.display(),
            label::printable(&zero.measured)
        )),
    }
    // Without a home there are no logs to count.
    let since = place::data_folder(data).map_or(0, |folder| sweeps_since(&zero, &folder.join("logs")));
    if since > sweeps {
        screen.tell(&format!(
            "warning: {since} sweeps are younger than the zero in {}: measure it again with `pintally jig zero`",
            path.display()
        ));
    }
    Ok(Some(zero))
}

/// Sweeps with the wiring of a zero that began after it was measured, by the headers of their logs. What cannot be read is
/// not counted: this is a warning only, and `jig wear` tells of such logs.
fn sweeps_since(zero: &ZeroFile, folder: &FilePath) -> u64 {
    let Ok(measured) = zero.measured.parse::<jiff::Timestamp>() else { return 0 };
    let Ok(entries) = std::fs::read_dir(folder) else { return 0 };
    let is_since = |path: PathBuf| {
        let reader = LogReader::open(&path).ok()?;
        let header = reader.header();
        let started: jiff::Timestamp = header.started.parse().ok()?;
        let same = wiring_fingerprint(&header.connector, &header.wiring) == zero.wiring;
        (same && started > measured).then_some(())
    };
    let logs = entries.filter_map(|entry| is_since(entry.ok()?.path()));
    logs.count() as u64
}

/// The zero as the header of a log has it, if it belongs to this wiring and meter.
pub(in crate::cli) fn fitting(
    zero: &ZeroFile,
    connector: &Connector,
    wiring: &Wiring,
    profile: &Profile,
) -> Result<Zero, Failure> {
    zero.fits(connector, wiring, &profile.name)?;
    Ok(zero.to_log())
}

/// Reads every channel so often, and takes the middle of what was read.
fn measure(station: &mut Station, readings: u32) -> Result<Vec<Path>, Failure> {
    let source = station.profile.diode.source;
    let mut read: Vec<(Channel, Vec<f64>)> =
        station.channels().into_iter().map(|channel| (channel, Vec::new())).collect();
    for _ in 0..readings {
        let results = station.results(Plate::Short.name())?;
        for (channel, values) in &mut read {
            let used = results.get(usize::from(channel.0)).and_then(Option::as_ref);
            let is_check = station.wiring.check().is_some_and(|check| check.channel == *channel);
            let numbers: Option<Vec<f64>> = used.map(|result| {
                result.used.iter().filter_map(|value| value.ok()).map(Number::to_f64).collect()
            });
            // The latest readings of a visit agree; their mean is finer than one count where there is noise.
            let mean = numbers
                .filter(|numbers| !numbers.is_empty())
                .map(|numbers| numbers.iter().sum::<f64>() / numbers.len() as f64);
            let path = mean.and_then(Volts::new).and_then(|volts| resistance(volts, source));
            match path.filter(|path| *path <= HIGHEST_PATH) {
                Some(path) => values.push(path.get()),
                None if is_check => {}
                None => {
                    let found = path.map_or_else(|| "no number".to_owned(), |path| path.to_string());
                    return Err(Failure::new(
                        ExitStatus::Inconclusive,
                        format!(
                            "channel {channel}: expected a path below {HIGHEST_PATH} on the short plate, found {found}"
                        ),
                    )
                    .hint("find out what is wrong with it first: pintally jig self-test"));
                }
            }
        }
    }
    let path = |(channel, mut values): (Channel, Vec<f64>)| {
        let spread =
            values.iter().copied().fold(0.0, f64::max) - values.iter().copied().fold(f64::MAX, f64::min);
        let ohms = Ohms::of(median(&mut values)?);
        Some(Path { channel, ohms, spread: Ohms::of(spread) })
    };
    Ok(read.into_iter().filter_map(path).collect())
}

fn show(args: &Args, zero: &ZeroFile, screen: &mut Screen) -> Result<ExitStatus, Failure> {
    let mut ohms: Vec<f64> = zero.paths.iter().map(|path| path.ohms.get()).collect();
    let low = ohms.iter().copied().fold(f64::INFINITY, f64::min);
    let high = ohms.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let middle = median(&mut ohms).unwrap_or(0.0);
    let spread = zero.paths.iter().map(|path| path.spread.get()).fold(0.0, f64::max);
    let wanders: Vec<&Path> = zero.paths.iter().filter(|path| path.spread > WANDERS).collect();
    match args.format {
        Format::Text => {
            screen.line(&format!(
                "{} channels: {low:.2} to {high:.2} ohm, {middle:.2} in the middle; readings of one channel within {spread:.2} ohm",
                zero.paths.len()
            ))?;
            for Path { channel, spread, .. } in &wanders {
                screen.line(&format!(
                    "channel {channel} wanders by {spread}: clean or replace its relay or contact"
                ))?;
            }
            screen.line(&format!("one count of this meter is {:.2} ohm", zero.count.get()))?;
            screen.line(&format!("written to {}: sweep with --zero {0}", args.output.display()))?;
        }
        Format::Json => {
            let paths: Vec<_> = zero
                .paths
                .iter()
                .map(|path| json!([path.channel.0, path.ohms.get(), path.spread.get()]))
                .collect();
            screen.line(
                &json!({
                    "file": args.output.display().to_string(),
                    "switching_board": zero.board.to_string(),
                    "count_ohms": zero.count.get(),
                    "paths": paths,
                    "wander": wanders.iter().map(|path| path.channel.0).collect::<Vec<_>>(),
                })
                .to_string(),
            )?;
        }
    }
    Ok(if wanders.is_empty() { ExitStatus::Matches } else { ExitStatus::Inconclusive })
}
