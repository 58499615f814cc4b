//! One session: what a sweep was set up with, and what its readings say.
//!
//! A session is made from the header of its log and from nothing else, live as in a replay. So whatever a live run
//! may use stands in the log, and a replay with the same version of the program comes to the same findings. Pure.

mod replay;
mod settings;
mod zero_file;

use std::borrow::Cow;

use crate::{
    compare::{Assumptions, Engine, Judgement},
    connector::{Connector, Role},
    log::Header,
    meter::{DiodeSource, Profile, ProfileError},
    probe,
    readings::{BoardReadings, PinValue},
    reference::{Reference, Unfitting, Unreadable},
    sweep::{Plan, Setting, Timing},
    units::{Amperes, Ohms, Volts},
};

pub use replay::{CONNECT, Checks, Replay, Replayed};
pub use settings::{BatchPlace, Settings};
pub use zero_file::{
    AGE_LIMIT, HIGHEST_PATH, Path, SWEEP_LIMIT, ZeroError, ZeroFile, describe as describe_zero,
    wiring_fingerprint,
};

/// What the contact of a hand-held tip may add, and does not add the same twice: the resistance of a sharp probe on
/// solder is below an ohm, on a flux-covered pad some ohms. Common practice.
const HAND_CONTACT: Ohms = Ohms::of(5.0);

/// What a sweep was set up with.
#[derive(Debug, Clone)]
pub struct Session {
    /// The header as it stands in the log.
    pub header: Header,
    /// The meter.
    pub profile: Profile,
    /// What the board is judged by, if it is to be judged.
    pub reference: Option<Reference>,
    /// Settings and assumptions.
    pub settings: Settings,
    /// What the walk by hand needs to know, if the pins are probed by hand. From the header alone: a replay that
    /// judges by another reference still takes the touches as they were taken.
    pub hand: Option<probe::Setting>,
}

/// The header of a log cannot be used.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum SessionError {
    /// The meter profile in it.
    #[error("cannot use the meter profile of this session")]
    Profile(#[from] ProfileError),
    /// The reference in it.
    #[error("cannot use the reference of this session")]
    Reference(#[from] Unreadable),
    /// The reference in it belongs to other pins.
    #[error("the reference of this session does not fit its connector")]
    Unfitting(#[from] Unfitting),
    /// The settings in it.
    #[error("cannot use the settings of this session: {0}")]
    Settings(String),
}

impl Session {
    /// Makes a session from the header of its log.
    ///
    /// # Errors
    /// [`SessionError`] names the part that cannot be used.
    pub fn new(header: Header) -> Result<Self, SessionError> {
        let profile = Profile::from_toml(&header.profile)?;
        let text = header.reference.as_ref().and_then(|source| source.text.as_deref());
        let reference = text.map(Reference::from_toml).transpose()?;
        let settings = Settings::from_value(&header.settings).map_err(SessionError::Settings)?;
        let mut session = Self { header, profile, reference, settings, hand: None };
        if session.settings.by_hand {
            session.hand = Some(session.by_hand()?);
        }
        Ok(session)
    }

    /// What the pairing needs to know.
    #[must_use]
    pub fn setting(&self) -> Setting {
        let Header { connector, wiring, .. } = &self.header;
        let first = self.repaired();
        let channels = wiring.channels();
        let check = wiring.check();
        let plan =
            Plan::new(connector, |pin| channels.get(pin).copied(), check.map(|check| check.channel), &first);
        Setting {
            plan,
            pins: connector.pins.len(),
            grounds: connector.grounds().collect(),
            timing: Timing::of(&self.profile),
            compliance: Some(self.compliance()),
            check_expected: check.map(|check| drop_over(check.resistor, self.profile.diode.source)),
        }
    }

    /// What each pin should read, before any was read.
    ///
    /// # Errors
    /// [`Unfitting`] if the reference was made for other pins.
    pub fn expects(&self) -> Result<probe::Expects, Unfitting> {
        Ok(probe::Expects::new(&self.as_left(), self.engine().transpose()?))
    }

    fn by_hand(&self) -> Result<probe::Setting, Unfitting> {
        let Header { connector, wiring, .. } = &self.header;
        let (compliance, shown) = (self.compliance(), self.profile.diode.overload_above);
        let first = self.repaired();
        let rest = (0..connector.pins.len()).filter(|pin| !first.contains(pin));
        Ok(probe::Setting {
            order: first.iter().copied().chain(rest).collect(),
            channels: wiring.channels().to_vec(),
            grounds: connector.grounds().collect(),
            expects: self.expects()?,
            timing: Timing::of(&self.profile),
            compliance: Some(compliance),
            open_leads: (compliance.get() <= shown.get()).then_some(compliance),
        })
    }

    /// The readings as they are judged: what the meter showed, less what leads, probe and switch add.
    #[must_use]
    pub fn readings(&self, shown: &[PinValue]) -> BoardReadings {
        let board = self.header.board.clone().unwrap_or_else(|| self.header.session.clone());
        let values = shown.iter().enumerate().map(|(pin, &value)| self.without_path(pin, value)).collect();
        BoardReadings { board, values }
    }

    /// Judges what the meter showed, if there is a reference.
    ///
    /// # Errors
    /// [`Unfitting`] if the reference was made for other pins.
    pub fn judge(&self, shown: &[PinValue]) -> Option<Result<Judgement, Unfitting>> {
        let engine = self.engine()?;
        Some(engine.map(|engine| {
            let mut judgement = engine.judge(&self.readings(shown));
            judgement.put_first(&self.repaired());
            judgement
        }))
    }

    /// Pins that were repaired, by index, each once: those named first, then those of the repair notes.
    #[must_use]
    pub fn repaired(&self) -> Vec<usize> {
        let noted = self.settings.repair.pins.iter().map(|pin| &pin.name);
        let mut found = Vec::new();
        for pin in
            self.settings.repaired.iter().chain(noted).filter_map(|name| self.header.connector.index_of(name))
        {
            if !found.contains(&pin) {
                found.push(pin);
            }
        }
        found
    }

    /// What judges the board, if there is a reference.
    fn engine(&self) -> Option<Result<Engine, Unfitting>> {
        let reference = self.reference.as_ref()?;
        let left = self.left_open();
        Some(reference.fits(&self.header.connector).and_then(|()| {
            let reference = match left.is_empty() {
                true => Cow::Borrowed(reference),
                false => Cow::Owned(reference.with_open(&left)),
            };
            Engine::new(&self.as_left(), &reference, &self.assumptions())
        }))
    }

    /// Pins that the repair left without connection on purpose, by index.
    fn left_open(&self) -> Vec<usize> {
        let noted = self.settings.repair.pins.iter().filter(|pin| pin.unconnected);
        noted.filter_map(|pin| self.header.connector.index_of(&pin.name)).collect()
    }

    /// The connector as the repair left it: what has no connection on purpose belongs to no net and no pair any more.
    fn as_left(&self) -> Connector {
        let mut connector = self.header.connector.clone();
        for left in self.left_open() {
            let Some(pin) = connector.pins.get_mut(left) else { continue };
            (pin.role, pin.net, pin.pair) = (Some(Role::Unconnected), None, None);
            let name = pin.name.clone();
            for other in connector.pins.iter_mut().filter(|other| other.pair.as_ref() == Some(&name)) {
                other.pair = None;
            }
        }
        connector
    }

    /// The most that the meter can drive.
    const fn compliance(&self) -> Volts {
        match self.profile.diode.source {
            DiodeSource::ConstantCurrent { compliance, .. } => compliance,
            DiodeSource::BehindResistance { open_circuit, .. } => open_circuit,
        }
    }

    fn assumptions(&self) -> Assumptions {
        let current = short_current(self.profile.diode.source);
        let mut assumptions = Assumptions { board_current: Some(current), ..self.settings.assumptions() };
        if self.settings.by_hand {
            assumptions.least = Volts::of(current.get() * HAND_CONTACT.get());
        }
        assumptions
    }

    fn without_path(&self, pin: usize, value: PinValue) -> PinValue {
        let path = || -> Option<Ohms> {
            let channel = *self.header.wiring.channels().get(pin)?;
            let zero = self.header.zero.as_ref()?;
            zero.paths.iter().find(|(at, _)| *at == channel).map(|&(_, ohms)| ohms)
        };
        match value.volts().zip(path()) {
            Some((shown, path)) => {
                let current = current_at(shown, self.profile.diode.source);
                PinValue::Volts(Volts::of(shown.get() - current.get() * path.get()))
            }
            None => value,
        }
    }
}

/// What the meter drives while it shows this drop.
fn current_at(shown: Volts, source: DiodeSource) -> Amperes {
    match source {
        DiodeSource::ConstantCurrent { current, .. } => current,
        DiodeSource::BehindResistance { open_circuit, resistance } => {
            Amperes::of((open_circuit.get() - shown.get()) / resistance.get())
        }
    }
}

/// What a meter drives into a short in diode test: the current by which references and meters are compared.
#[must_use]
pub fn short_current(source: DiodeSource) -> Amperes {
    current_at(Volts::ZERO, source)
}

/// What the meter shows over a resistor.
fn drop_over(resistor: Ohms, source: DiodeSource) -> Volts {
    match source {
        DiodeSource::ConstantCurrent { current, .. } => Volts::of(current.get() * resistor.get()),
        DiodeSource::BehindResistance { open_circuit, resistance } => {
            Volts::of(open_circuit.get() * resistor.get() / (resistor.get() + resistance.get()))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_resistor_drops_what_ohm_says() {
        let constant =
            DiodeSource::ConstantCurrent { current: Amperes::of(0.001), compliance: Volts::of(3.0) };
        assert!((drop_over(Ohms::of(470.0), constant).get() - 0.47).abs() < 1e-12);
        let behind =
            DiodeSource::BehindResistance { open_circuit: Volts::of(3.0), resistance: Ohms::of(2000.0) };
        assert_eq!(drop_over(Ohms::of(1000.0), behind), Volts::of(1.0));
        assert_eq!(current_at(Volts::of(1.0), behind), Amperes::of(0.001));
    }
}
