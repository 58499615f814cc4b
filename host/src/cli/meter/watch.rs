//! `pintally meter watch`: what a meter shows, live.

use std::{
    collections::VecDeque,
    sync::{
        Arc,
        atomic::{AtomicBool, Ordering},
    },
    time::Duration,
};

use clap::Args as Arguments;
use serde_json::json;

use super::Format;
use crate::cli::line::Line;
use crate::{
    cli::{Screen, config},
    exit_status::ExitStatus,
    failure::Failure,
    meter::{Answer, Conversation, ConversationError, Event, NoValue, Profile, Reading, Sign, Stamped, Talk},
    moment::Moment,
    port::Address,
    sweep::Guard,
};

/// Show what a meter sends: reading, function, signs, readings a second
#[derive(Debug, Arguments)]
pub(super) struct Args {
    /// A serial port or tcp:HOST:PORT; that of the configuration where none is given
    port: Option<Address>,
    /// Meter profile: a shipped one by name, or a file; that of the configuration where none is given
    #[arg(long, value_name = "PROFILE")]
    profile: Option<String>,
    /// End after so many readings
    #[arg(long, value_name = "READINGS", value_parser = clap::value_parser!(u64).range(1..))]
    count: Option<u64>,
    /// How to print
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
    #[command(flatten)]
    config: config::Args,
}

/// How often the keyboard is looked at.
const LOOK_UP: Duration = Duration::from_millis(100);

/// How long a meter may say nothing, at least.
const SILENCE: Duration = Duration::from_secs(5);

pub(super) fn run(args: &Args, screen: &mut Screen) -> Result<ExitStatus, Failure> {
    let (port, profile) = args.config.watched(args.port.clone(), args.profile.as_deref())?;
    let mut line = Line::open(&port, &profile.port)?;
    let stop = Arc::new(AtomicBool::new(false));
    let seen = Arc::clone(&stop);
    // Without a handler Ctrl-C ends the program at once, and only a meter's keys stay locked.
    let _ = ctrlc::set_handler(move || seen.store(true, Ordering::Relaxed));

    let mut conversation = Conversation::new(&profile);
    conversation.start(line.now());
    let mut watch = Watch::new(args, &port, &profile);
    if watch.is_polled {
        screen.say("how fast it converts does not show: a polled meter sends its latest conversion whenever it is asked");
    }
    let ended = loop {
        if let Err(failure) = send(&mut conversation, &mut line) {
            break Err(failure);
        }
        match line.hear(patience(&conversation, line.now())) {
            Ok(Some((at, bytes))) => {
                watch.heard += bytes.len() as u64;
                conversation.receive(&bytes, at);
            }
            Ok(None) => {}
            Err(failure) => break Err(failure),
        }
        let now = line.now();
        conversation.expire(now);
        while let Some(event) = conversation.pull() {
            if let Err(failure) = watch.event(event, screen) {
                return leave(&mut conversation, &mut line, Err(failure));
            }
        }
        if stop.load(Ordering::Relaxed) || args.count.is_some_and(|count| watch.readings >= count) {
            break Ok(ExitStatus::Matches);
        }
        if let Err(failure) = watch.silence(now) {
            break Err(failure);
        }
        conversation.ask(now);
    };
    leave(&mut conversation, &mut line, ended)
}

/// Gives the meter's keys back, whatever happened.
fn leave(
    conversation: &mut Conversation,
    line: &mut Line,
    ended: Result<ExitStatus, Failure>,
) -> Result<ExitStatus, Failure> {
    conversation.finish();
    // If the port is gone, so is the meter.
    let _ = send(conversation, line);
    ended
}

fn send(conversation: &mut Conversation, line: &mut Line) -> Result<(), Failure> {
    while let Some(bytes) = conversation.next_bytes() {
        line.send(&bytes)?;
    }
    Ok(())
}

fn patience(conversation: &Conversation, now: Moment) -> Duration {
    conversation.deadline().map_or(LOOK_UP, |deadline| deadline.since(now).min(LOOK_UP))
}

/// What has been seen so far.
struct Watch<'a> {
    args: &'a Args,
    port: &'a Address,
    silence: Duration,
    readings: u64,
    heard: u64,
    last: Option<Moment>,
    gaps: VecDeque<Duration>,
    guard: Option<Guard>,
    /// The meter sends its latest conversion whenever it is asked: how fast it answers says nothing of its conversions.
    is_polled: bool,
}

impl<'a> Watch<'a> {
    /// Gaps from which the rate is taken: their median, so that a lost frame does not show.
    const GAPS: usize = 9;

    /// Gaps before a rate is told, as in a sweep: what stood in a buffer when the port was opened comes at once.
    const GAPS_NEEDED: usize = 3;

    fn new(args: &'a Args, port: &'a Address, profile: &Profile) -> Self {
        Self {
            args,
            port,
            silence: SILENCE.max(profile.period() * 6),
            readings: 0,
            heard: 0,
            last: None,
            gaps: VecDeque::new(),
            guard: None,
            is_polled: matches!(profile.talk, Talk::Polled { .. }),
        }
    }

    fn event(&mut self, event: Result<Event, ConversationError>, screen: &mut Screen) -> Result<(), Failure> {
        match event {
            Ok(Event::Ready(Some(identity))) => {
                screen.tell(&format!(
                    "{} {} is ready",
                    identity.maker.escape_debug(),
                    identity.model.escape_debug()
                ));
            }
            Ok(Event::Ready(None)) => {}
            Ok(Event::OldError { code, text }) => {
                screen.tell(&format!("an old error stood in the meter's queue: {code} ({text})"));
            }
            Ok(Event::Answer(Answer { reading, .. })) => return self.reading(&reading, screen),
            Err(error @ (ConversationError::Refused { .. } | ConversationError::EndlessErrors { .. })) => {
                return Err(Failure::new(ExitStatus::Unavailable, error)
                    .hint("this profile does not fit the meter: try another one"));
            }
            Err(error) => screen.tell(&format!("skipped: {error}")),
        }
        Ok(())
    }

    fn reading(&mut self, reading: &Stamped<Reading>, screen: &mut Screen) -> Result<(), Failure> {
        self.readings += 1;
        if let Some(last) = self.last.replace(reading.first_byte) {
            self.gaps.push_back(reading.first_byte.since(last));
            if self.gaps.len() > Self::GAPS {
                self.gaps.pop_front();
            }
        }
        let rate = self.rate();
        screen.line(&match self.args.format {
            Format::Text => text(reading, rate),
            Format::Json => json(reading, rate),
        })?;
        screen.flush()?;
        let guard = Guard::of(&reading.item);
        if guard != self.guard {
            if let Some(guard) = guard {
                screen.tell(&format!("{guard}: {}", guard.remedy()));
            }
            self.guard = guard;
        }
        Ok(())
    }

    /// Readings a second; `None` while too few have come, and for a meter that is polled.
    fn rate(&self) -> Option<f64> {
        if self.is_polled || self.gaps.len() < Self::GAPS_NEEDED {
            return None;
        }
        let mut gaps: Vec<Duration> = self.gaps.iter().copied().collect();
        gaps.sort_unstable();
        let median = gaps.get(gaps.len() / 2)?.as_secs_f64();
        (median > 0.0).then(|| 1.0 / median)
    }

    fn silence(&self, now: Moment) -> Result<(), Failure> {
        if now.since(self.last.unwrap_or(Moment::START)) < self.silence {
            return Ok(());
        }
        let port = self.port;
        let waited = self.silence.as_secs_f64();
        let (found, hint) = match (self.readings, self.heard) {
            (0, 0) => (
                "silence".to_owned(),
                "switch the meter and its output on (a key named RS232, USB or REL on many), check cable and port"
                    .to_owned(),
            ),
            (0, heard) => (
                format!("{heard} bytes that are none"),
                format!("find the profile that fits: pintally meter identify {port}"),
            ),
            _ => (
                "silence after the last one".to_owned(),
                "the meter may have switched itself off: wake it, and switch auto power-off off".to_owned(),
            ),
        };
        let text = format!("expected a reading from the meter at {port} within {waited} s, found {found}");
        Err(Failure::new(ExitStatus::Unavailable, text).hint(hint))
    }
}

fn text(reading: &Stamped<Reading>, rate: Option<f64>) -> String {
    let Stamped { first_byte, item, .. } = reading;
    let unit = item.function.map_or("", |function| function.unit());
    let value = match item.value {
        Ok(number) => format!("{number} {unit}"),
        Err(NoValue::Overload(Sign::Plus)) => "OL".to_owned(),
        Err(NoValue::Overload(Sign::Minus)) => "-OL".to_owned(),
        Err(NoValue::NotMeasured) => "no number".to_owned(),
    };
    let function =
        item.function.map_or_else(|| "function not told".to_owned(), |function| function.to_string());
    let rate = rate.map_or_else(String::new, |rate| format!("{rate:.1}/s"));
    let signs: Vec<&str> = item.flags.names().collect();
    let line = format!(
        "{:>10.3} s  {:<16} {function:<18} {rate:>8}  {}",
        first_byte.as_micros() as f64 * 1e-6,
        value.trim_end(),
        signs.join(", ")
    );
    line.trim_end().to_owned()
}

fn json(reading: &Stamped<Reading>, rate: Option<f64>) -> String {
    let Stamped { first_byte, item, .. } = reading;
    json!({
        "at_us": first_byte.as_micros(),
        "value": item.value.ok().map(|number| number.to_f64()),
        "resolution": item.value.ok().map(|number| number.resolution()),
        "overload": matches!(item.value, Err(NoValue::Overload(_))),
        "function": item.function,
        "flags": item.flags,
        "readings_per_second": rate,
    })
    .to_string()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::meter::{Flags, Function, Number};

    fn reading(value: Result<Number, NoValue>, function: Option<Function>, flags: Flags) -> Stamped<Reading> {
        let at = Moment::from_micros(1_234_567);
        Stamped { first_byte: at, last_byte: at, item: Reading { value, function, flags } }
    }

    /// A rate is what a profile is corrected by, so none is told before it is one.
    #[test]
    fn a_rate_is_told_when_it_is_known() {
        let told = |profile: &str, gaps: &[u64]| {
            let profile = crate::meter::shipped(profile).unwrap();
            let args = Args {
                port: None,
                profile: None,
                count: None,
                format: Format::Text,
                config: config::Args::default(),
            };
            let port = "COM1".parse().unwrap();
            let mut watch = Watch::new(&args, &port, &profile);
            watch.gaps.extend(gaps.iter().map(|&gap| Duration::from_millis(gap)));
            watch.rate()
        };
        assert_eq!(told("fs9721", &[]), None);
        // The first two frames had waited for the port to be opened.
        assert_eq!(told("fs9721", &[1, 333]), None);
        assert_eq!(told("fs9721", &[1, 250, 250]), Some(4.0));
        assert_eq!(told("scpi-bench", &[50, 50, 50]), Some(20.0));
        assert_eq!(told("d14", &[125, 125, 125]), None);
    }

    #[test]
    fn shows_a_reading_as_a_line() {
        let number = Ok(Number { count: 543, exponent: -3 });
        let held = Flags { hold: true, low_battery: true, ..Flags::default() };
        for (reading, rate, expected) in [
            (
                reading(number, Some(Function::Diode), held),
                Some(3.04),
                "     1.235 s  0.543 V          diode test            3.0/s  HOLD, low battery",
            ),
            (
                reading(Err(NoValue::Overload(Sign::Plus)), None, Flags::default()),
                None,
                "     1.235 s  OL               function not told",
            ),
        ] {
            assert_eq!(text(&reading, rate), expected);
        }
    }

    #[test]
    fn shows_a_reading_as_json() {
        let reading = reading(Err(NoValue::Overload(Sign::Plus)), Some(Function::Diode), Flags::default());
        let value: serde_json::Value = serde_json::from_str(&json(&reading, None)).unwrap();
        assert_eq!(value["at_us"], 1_234_567);
        assert_eq!(value["value"], serde_json::Value::Null);
        assert_eq!(value["overload"], true);
        assert_eq!(value["function"], "diode");
    }
}
