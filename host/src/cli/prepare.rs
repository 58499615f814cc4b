//! What stands before a sweep: names, the reference, assumptions, and that the board is dead.

use std::{
    io::{BufRead, IsTerminal},
    path::Path,
};

use super::{Screen, cautions, emulation::Emulation, inputs};
use crate::{
    connector::Connector,
    exit_status::ExitStatus,
    failure::{Failure, OrFail},
    fingerprint::Fingerprint,
    log::ReferenceSource,
    reference::{Conditions, Reference, learn},
    units::Volts,
};

/// What a board is judged by: a reference file, readings of known-good boards, or those of the practice bench.
pub(super) fn reference(
    reference: Option<&Path>,
    known_good: Option<&Path>,
    connector: &Connector,
    emulation: Option<&Emulation>,
    screen: &mut Screen,
) -> Result<Option<ReferenceSource>, Failure> {
    let (reference, path): (Reference, Option<&Path>) = match (reference, known_good, emulation) {
        (Some(path), _, _) => {
            let reference = inputs::reference(path)?;
            // Before the board is touched, not when all pins are read.
            reference.fits_sweep(connector)?;
            (reference, Some(path))
        }
        (None, Some(path), _) => {
            let boards = inputs::all_boards(path, connector, None, screen)?;
            let learned = learn(connector, &boards, Conditions::default()).or_fail(ExitStatus::Data)?;
            inputs::warn_of_known_good(&learned, screen);
            (learned, Some(path))
        }
        (None, None, Some(emulation)) => (emulation.reference()?, None),
        (None, None, None) => {
            screen
                .tell("note: no --reference and no --known-good: the readings are written down, not judged");
            return Ok(None);
        }
    };
    Ok(Some(source(&reference, path)))
}

/// A reference as it stands in a log.
pub(super) fn source(reference: &Reference, path: Option<&Path>) -> ReferenceSource {
    let text = reference.to_toml();
    ReferenceSource {
        fingerprint: Fingerprint::of(text.as_bytes()),
        path: path.map(|path| path.display().to_string()),
        text: Some(text),
    }
}

/// Standard deviation between good boards that is assumed, from millivolts.
pub(super) fn spread(millivolts: Option<f64>) -> Result<Option<Volts>, Failure> {
    match millivolts {
        Some(millivolts) if !(0.0..=1000.0).contains(&millivolts) => Err(Failure::new(
            ExitStatus::Usage,
            format!("expected --assume-spread from 0 to 1000 millivolts, found {millivolts}"),
        )),
        millivolts => Ok(millivolts.map(|millivolts| Volts::of(millivolts * 1e-3))),
    }
}

/// Share of good boards that may be flagged.
pub(super) fn false_alarms(share: Option<f64>) -> Result<Option<f64>, Failure> {
    match share {
        Some(share) if !(share > 0.0 && share < 1.0) => Err(Failure::new(
            ExitStatus::Usage,
            format!("expected --false-alarms between 0 and 1, found {share}"),
        )),
        share => Ok(share),
    }
}

/// Who works at the board, as it stands in a log.
pub(super) fn operator(name: Option<&str>) -> Result<Option<String>, Failure> {
    name.map(|name| checked_name("--operator", name)).transpose()
}

/// A name that may be shown.
pub(super) fn checked_name(option: &str, text: &str) -> Result<String, Failure> {
    crate::label::name(text)
        .map(str::to_owned)
        .map_err(|problem| Failure::new(ExitStatus::Usage, format!("{option}: {problem}")))
}

/// Has the operator confirm that the board is dead, before anything is connected to it. Returns who did. Who has not seen
/// the cautions in this data directory is shown them first.
pub(super) fn confirm(
    practice: bool,
    unpowered: bool,
    operator: Option<&str>,
    data: Option<&Path>,
    screen: &mut Screen,
) -> Result<String, Failure> {
    let who = operator.unwrap_or("operator").to_owned();
    if practice {
        return Ok("practice bench: an emulated board".to_owned());
    }
    cautions::at_first_board(data, screen);
    if unpowered {
        return Ok(format!("{who}, by --unpowered"));
    }
    let input = std::io::stdin();
    if !input.is_terminal() {
        return Err(Failure::new(
            ExitStatus::Usage,
            "expected a confirmation that the board is dead, found no terminal to ask at",
        )
        .hint("take the battery out, switch the power off, discharge the capacitors; then say --unpowered"));
    }
    screen.tell("Before anything touches the board:");
    screen.tell("  battery disconnected, power supply off, capacitors discharged and checked with DC volts;");
    screen.tell("  red lead on board ground, meter in diode test, wrist strap on.");
    screen.tell("Type `yes` if all of this is so:");
    let mut answer = String::new();
    input.lock().read_line(&mut answer).or_fail(ExitStatus::Io)?;
    match answer.trim().eq_ignore_ascii_case("yes") {
        true => Ok(who),
        false => Err(Failure::new(
            ExitStatus::Usage,
            "the board was not confirmed to be dead: nothing was measured",
        )),
    }
}

/// Asks before something that cannot be taken back; `option` says yes without being asked.
pub(super) fn ask(question: &str, option: &str, screen: &mut Screen) -> Result<(), Failure> {
    let input = std::io::stdin();
    if !input.is_terminal() {
        return Err(Failure::new(
            ExitStatus::Usage,
            format!("expected an answer to `{question}`, found no terminal to ask at"),
        )
        .hint(format!("say {option} if you are sure")));
    }
    screen.tell(question);
    screen.tell("Type `yes` if you are sure:");
    let mut answer = String::new();
    input.lock().read_line(&mut answer).or_fail(ExitStatus::Io)?;
    match answer.trim().eq_ignore_ascii_case("yes") {
        true => Ok(()),
        false => Err(Failure::new(ExitStatus::Usage, "nothing was done")),
    }
}
