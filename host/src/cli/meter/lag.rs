//! `pintally meter lag`: how many readings a step spoils, measured.

use std::{
    io::IsTerminal,
    path::{Path, PathBuf},
    time::Duration,
};

use clap::Args as Arguments;
use serde_json::json;

use super::Format;
use crate::{
    cli::{
        Screen, config,
        emulation::{self, Emulation},
        inputs,
        jig::{self, Operator},
        once, options,
        output::{self, Output, Overwrite},
        place,
    },
    exit_status::ExitStatus,
    failure::{Failure, OrFail},
    meter::{self, Measured, Profile},
    practice::BenchDevices,
    sweep::{Devices, Lag, LagNews, LagSetup, Talk, Unrecorded, Way, measure_lag},
};
use protocol::Channel;

/// Measure how many readings a change of channel spoils, and write it into a profile
///
/// Changes between two channels that read differently, at every phase of the meter, and counts. Take the board off the
/// jig: the check resistor and a channel with nothing on it are all that is needed. Red lead on the jig's ground, black
/// to the switching board, meter in diode test.
#[derive(Debug, Clone, Arguments)]
pub(super) struct Args {
    #[command(flatten)]
    bench: options::Bench,
    /// Two channels that read differently, such as the check channel and an open one; on the practice bench the check
    /// channel and the first pin
    #[arg(
        long,
        value_name = "A,B",
        value_delimiter = ',',
        num_args = 1,
        required_unless_present = "practice"
    )]
    channels: Vec<u8>,
    /// Changes to measure
    #[arg(long, value_name = "NUMBER", default_value_t = 24, value_parser = clap::value_parser!(u16).range(4..=2000))]
    toggles: u16,
    /// Write what was measured into this profile: a new file, or the file that --profile names, of which all else is kept
    #[arg(long, value_name = "FILE")]
    write: Option<PathBuf>,
    #[command(flatten)]
    overwrite: Overwrite,
    /// How to print
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
    /// Measure the meter of the practice bench: nothing needs to be connected
    #[arg(long)]
    practice: bool,
    /// On the practice bench: do not wait, let simulated time jump
    #[arg(long, requires = "practice")]
    instant: bool,
    #[command(flatten)]
    config: config::Args,
    #[command(flatten)]
    emulation: emulation::Args,
}

impl Args {
    /// What was typed, and what the configuration says where nothing was.
    fn filled(&self) -> Result<Self, Failure> {
        let mut args = self.clone();
        args.bench.fill(&self.config.defaults(self.practice)?)?;
        Ok(args)
    }
}

/// Runs the command.
pub(super) fn run(args: &Args, screen: &mut Screen) -> Result<ExitStatus, Failure> {
    let args = &args.filled()?;
    let profile = args.bench.meter.profile()?;
    // Before the long measurement: it must not fail at its end for a name that was wrong from the start.
    let target = args
        .write
        .as_deref()
        .map(|path| Target::new(path, args.overwrite, args.bench.meter.profile_name()))
        .transpose()?;
    let emulation = match args.practice {
        true => {
            let (connector, wiring) = inputs::connector_and_wiring(None, None)?;
            Some(Emulation::new(&args.emulation, connector, wiring, profile.clone())?)
        }
        false => None,
    };
    let channels = channels(args, emulation.as_ref())?;
    let (mut devices, [jig_port, meter_port]) = devices(args, &profile, emulation.as_ref())?;
    let setup = LagSetup {
        profile: profile.clone(),
        channels,
        toggles: args.toggles,
        settle: Duration::from_millis(u64::from(args.bench.settle_ms)),
        jig_port,
        meter_port,
    };
    if emulation.is_none() {
        have_board_taken_off(devices.as_mut(), screen)?;
    }
    screen.tell(&format!("learning what channels {} and {} read", channels[0], channels[1]));
    let tenth = (args.toggles / 4).max(1);
    let lag = measure_lag(devices.as_mut(), setup, &mut |news| match news {
        LagNews::Changes(done) if done % tenth == 0 => {
            screen.tell(&format!("{done} of {} changes", args.toggles));
        }
        LagNews::Changes(_) => {}
        LagNews::Notice(notice) => screen.tell(&notice.to_string()),
    })?;
    match args.format {
        Format::Text => {
            for line in table(&lag, &profile) {
                screen.line(&line)?;
            }
        }
        Format::Json => screen.line(&as_json(&lag, &profile))?,
    }
    if let Some(target) = target {
        target.write(&measured(&lag), screen)?;
    } else if u32::from(lag.spoilt) != profile.timing.spoilt {
        screen.tell("write it into a profile with --write FILE");
    }
    Ok(ExitStatus::Matches)
}

/// Has the board taken off before the meter is connected to anything; waits where somebody can answer.
fn have_board_taken_off(devices: &mut dyn Devices, screen: &mut Screen) -> Result<(), Failure> {
    let what = "take the board off the jig: only the two channels are needed";
    if !std::io::stdin().is_terminal() {
        screen.tell(what);
        return Ok(());
    }
    let mut talk = Talk::new(&*devices);
    let has_button = jig::greet(&mut talk, devices, &mut Unrecorded)?.parts.button;
    Operator::new().ask(what, has_button, &mut talk, devices, &mut Unrecorded, screen).map(|_| ())
}

fn channels(args: &Args, emulation: Option<&Emulation>) -> Result<[Channel; 2], Failure> {
    match (&args.channels[..], emulation) {
        (&[a, b], _) if a != b => Ok([Channel(a), Channel(b)]),
        ([], Some(emulation)) => {
            let wiring = &emulation.setup.wiring;
            let check = wiring.check().map(|check| check.channel);
            let first = wiring.channels().first().copied();
            match (check, first) {
                (Some(check), Some(first)) => Ok([check, first]),
                _ => Err(Failure::new(
                    ExitStatus::Usage,
                    "the practice jig has no check channel: name --channels",
                )),
            }
        }
        (found, _) => {
            let found: Vec<String> = found.iter().map(u8::to_string).collect();
            let text = format!("--channels: expected two different channels, found {}", found.join(","));
            Err(Failure::new(ExitStatus::Usage, text)
                .hint("the check channel and an open one serve well: --channels 40,41"))
        }
    }
}

fn devices(
    args: &Args,
    profile: &Profile,
    emulation: Option<&Emulation>,
) -> Result<(Box<dyn Devices>, [String; 2]), Failure> {
    let stop = once::stop_switch();
    match emulation {
        Some(emulation) if args.instant => {
            let names = ["the practice bench", "the practice bench"].map(str::to_owned);
            Ok((Box::new(BenchDevices::new(emulation.bench()?)), names))
        }
        Some(emulation) => place::serve(emulation, profile, stop),
        None => {
            let once::Bench { devices, ports } = args.bench.open(profile, stop)?;
            Ok((devices, ports))
        }
    }
}

/// The profile that is written.
struct Target<'a> {
    output: Output<'a>,
    /// As it is before.
    text: String,
    /// Its new name, where it is a copy: a shipped profile keeps its name for itself.
    name: Option<String>,
}

impl<'a> Target<'a> {
    fn new(path: &'a Path, overwrite: Overwrite, profile: &str) -> Result<Self, Failure> {
        let measured = Path::new(profile);
        let shipped = meter::shipped_text(profile);
        if shipped.is_none() && output::is_same(path, measured) {
            return Ok(Self { output: Output::in_place(path)?, text: inputs::text(path)?, name: None });
        }
        let output = Output::new(path, overwrite, &[]).map_err(|failure| {
            failure.hint("the profile that is measured is written into: give this one as --profile too")
        })?;
        let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty());
        if let Some(folder) = folder.filter(|folder| !folder.is_dir()) {
            let text = format!("--write: expected a folder, found none at {}", folder.display());
            return Err(
                Failure::new(ExitStatus::NoInput, text).hint("make the folder, or name another place")
            );
        }
        let text = match shipped {
            Some(text) => text.to_owned(),
            None => inputs::text(measured)?,
        };
        Ok(Self { output, text, name: Some(new_name(path, profile, shipped.is_some())) })
    }

    fn write(&self, measured: &Measured, screen: &mut Screen) -> Result<(), Failure> {
        let text = measured.write_into(&self.text, self.name.as_deref()).or_fail(ExitStatus::Software)?;
        self.output
            .write("the profile", text.as_bytes())
            .map_err(|failure| failure.hint("the measurement stands above"))?;
        screen.tell(&format!("written into {0}: use it with --profile {0}", self.output.path().display()));
        Ok(())
    }
}

/// The name of a copy: that of its file where it can be one.
fn new_name(path: &Path, profile: &str, is_shipped: bool) -> String {
    let stem = path.file_stem().and_then(|stem| stem.to_str()).unwrap_or_default().to_ascii_lowercase();
    let fits = |name: &str| {
        !name.is_empty()
            && name.bytes().all(|byte| byte.is_ascii_lowercase() || byte.is_ascii_digit() || byte == b'-')
    };
    if fits(&stem) && meter::shipped(&stem).is_none() {
        stem
    } else if is_shipped {
        format!("{profile}-measured")
    } else {
        "measured".to_owned()
    }
}

fn measured(lag: &Lag) -> Measured {
    Measured {
        spoilt: lag.spoilt,
        readings_per_second: lag.period.map(|period| 1.0 / period.as_secs_f64().max(1e-6)),
        adapter_delay: lag.unevenness,
    }
}

fn table(lag: &Lag, profile: &Profile) -> Vec<String> {
    let mut lines =
        vec![row("change to", "reads", "changes", "spoilt readings", "first right reading after")];
    lines.extend(lag.ways.iter().map(|way| {
        let spoilt: Vec<String> =
            way.spoilt.iter().map(|(spoilt, times)| format!("{spoilt} ({times} times)")).collect();
        row(
            &format!("channel {}", way.to),
            &way.level.to_string(),
            &way.delays.len().to_string(),
            &spoilt.join(", "),
            &delays(way),
        )
    }));
    lines.push(String::new());
    lines.push(format!("spoilt readings: {}, the profile says {}", lag.spoilt, profile.timing.spoilt));
    if let Some(period) = lag.period {
        lines.push(format!(
            "readings a second: {:.2}, the profile says {:.2}; gaps uneven by up to {} ms",
            1.0 / period.as_secs_f64().max(1e-6),
            profile.timing.readings_per_second,
            lag.unevenness.as_millis()
        ));
    }
    lines
}

fn row(to: &str, reads: &str, changes: &str, spoilt: &str, delay: &str) -> String {
    format!("{to:<12} {reads:>8} {changes:>8}  {spoilt:<34} {delay}").trim_end().to_owned()
}

/// Shortest, middle and longest.
fn delays(way: &Way) -> String {
    let seconds = |delay: Option<&Duration>| delay.map_or(0.0, Duration::as_secs_f64);
    format!(
        "{:.3} to {:.3} s, median {:.3} s",
        seconds(way.delays.first()),
        seconds(way.delays.last()),
        seconds(way.median_delay().as_ref())
    )
}

fn as_json(lag: &Lag, profile: &Profile) -> String {
    let ways: Vec<_> = lag
        .ways
        .iter()
        .map(|way| {
            json!({
                "channel": way.to.0,
                "volts": way.level.volts().map(|volts| volts.get()),
                "overload": way.level.volts().is_none(),
                "spoilt": way.spoilt.iter().map(|(spoilt, times)| json!([spoilt, times])).collect::<Vec<_>>(),
                "delays_s": way.delays.iter().map(Duration::as_secs_f64).collect::<Vec<_>>(),
            })
        })
        .collect();
    json!({
        "spoilt": lag.spoilt,
        "spoilt_in_profile": profile.timing.spoilt,
        "readings_per_second": lag.period.map(|period| 1.0 / period.as_secs_f64().max(1e-6)),
        "unevenness_s": lag.unevenness.as_secs_f64(),
        "ways": ways,
    })
    .to_string()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_copy_never_takes_the_name_of_a_shipped_profile() {
        for (path, profile, expected) in [
            ("my-meter.toml", "fs9721", "my-meter"),
            ("profiles/fs9721.toml", "fs9721", "fs9721-measured"),
            ("Bench Meter.toml", "es14", "es14-measured"),
            ("Bench Meter.toml", "old.toml", "measured"),
        ] {
            let is_shipped = meter::shipped(profile).is_some();
            assert_eq!(new_name(Path::new(path), profile, is_shipped), expected);
        }
    }
}
