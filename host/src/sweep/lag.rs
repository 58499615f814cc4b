//! How far a meter lags: toggles between two known channels and counts the readings that a step spoils.
//!
//! Which number of spoilt readings a meter needs depends on the rule that drops them, so the rule itself is asked:
//! every number from none on pairs the same readings at the same time, and the least one that believed no reading of
//! the channel before is the answer. The moment of the step wanders over the meter's period, since the answer depends
//! on the phase.

mod tally;
mod toggling;

use std::{collections::BTreeMap, time::Duration};

use protocol::{Accumulator, BoardMessage, Channel, frame};

use super::{AliveSign, Device, Devices, Guard, Heard, Notice, Output, SweepError, Timing};
use crate::{exit_status::ExitStatus, meter::Profile, readings::PinValue};

use toggling::Toggling;

/// What a measurement of a meter's lag needs to know.
#[derive(Debug, Clone)]
pub struct LagSetup {
    /// The meter.
    pub profile: Profile,
    /// Two channels that read differently, such as the check channel and an open one.
    pub channels: [Channel; 2],
    /// Changes from one to the other.
    pub toggles: u16,
    /// Time from closing a channel to `Settled`, beyond the make time of the switch itself.
    pub settle: Duration,
    /// Name of the switching board's port, for messages.
    pub jig_port: String,
    /// Name of the meter's port, for messages.
    pub meter_port: String,
}

/// A meter's lag, measured.
#[derive(Debug, Clone, PartialEq)]
pub struct Lag {
    /// Readings to drop after a step, the running conversion among them, so that none of the old input is believed.
    pub spoilt: u8,
    /// Changes to the first channel, and to the second.
    pub ways: [Way; 2],
    /// Time between two readings; `None` for a meter that is asked, whose conversions do not show.
    pub period: Option<Duration>,
    /// How far the gaps between readings lay from the usual one: what the adapter holds back, and jitter.
    pub unevenness: Duration,
}

/// Changes in one direction.
#[derive(Debug, Clone, PartialEq)]
pub struct Way {
    /// The channel that was closed.
    pub to: Channel,
    /// What it reads.
    pub level: PinValue,
    /// Readings to drop: how many changes needed how many.
    pub spoilt: BTreeMap<u8, u16>,
    /// Time from the settled switch to the first byte of the first reading that was right, shortest first.
    pub delays: Vec<Duration>,
}

/// What is told on the way.
#[derive(Debug, Clone, PartialEq)]
pub enum LagNews {
    /// So many changes have been measured.
    Changes(u16),
    /// The meter shows something that is in the way.
    Notice(Notice),
}

/// Why a meter's lag could not be measured.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum LagError {
    /// What ends a sweep ends this as well.
    #[error(transparent)]
    Sweep(#[from] SweepError),
    /// Nobody knows how the meter's frames tell an open channel.
    #[error(
        "the lag of meter profile {profile} cannot be measured: expected frames that tell an open channel, found format {format}, of which no document at hand says how it shows OL"
    )]
    OverloadUnknown {
        /// The profile.
        profile: String,
        /// Its format.
        format: &'static str,
    },
    /// The two channels cannot be told apart.
    #[error("expected two channels that read differently, found {} at channel {} and {} at channel {}", .seen[0], .channels[0], .seen[1], .channels[1])]
    Alike {
        /// The channels.
        channels: [Channel; 2],
        /// What they read.
        seen: [PinValue; 2],
    },
    /// The switching board does not have the channel.
    #[error("channel {channel} does not exist: this switching board has {channels} (0 to {})", channels.saturating_sub(1))]
    NoSuchChannel {
        /// The channel.
        channel: Channel,
        /// Channels that exist.
        channels: u8,
    },
    /// Something drives current into the meter.
    #[error("what hangs on channel {channel} is alive: {sign}")]
    Alive {
        /// The channel.
        channel: Channel,
        /// The sign.
        sign: AliveSign,
    },
    /// The operator ended it.
    #[error("the measurement was stopped by the operator after {done} of {total} changes")]
    Stopped {
        /// Changes measured.
        done: u16,
        /// Changes wanted.
        total: u16,
    },
    /// A channel's readings never stayed the same.
    #[error("expected steady readings at channel {channel}, found none that agree within {:.1} s", waited.as_secs_f32())]
    Restless {
        /// The channel.
        channel: Channel,
        /// How long they were waited for.
        waited: Duration,
    },
}

/// The way out where the channels will not do.
const OTHER_CHANNELS: &str =
    "name other channels with --channels: the check channel and one that nothing is connected to serve well";

/// Most formats do not send HOLD, and a display that stands still shows one channel's reading at the other.
const STILL: &str = "if the display does not move when the leads touch, press HOLD on the meter";

impl LagError {
    /// What to do next.
    #[must_use]
    pub fn hints(&self) -> Vec<String> {
        match self {
            Self::Sweep(error) => error.hints(),
            Self::Alive { .. } => vec![
                "take the board off the jig: for this only the check resistor and an open channel are needed".to_owned(),
            ],
            Self::Stopped { .. } => vec!["nothing was written into the profile".to_owned()],
            Self::OverloadUnknown { .. } => vec![
                "`pintally meter watch` reads it all the same; tell us what it sends with its leads apart".to_owned(),
            ],
            Self::NoSuchChannel { .. } => vec![OTHER_CHANNELS.to_owned()],
            Self::Alike { .. } => vec![OTHER_CHANNELS.to_owned(), STILL.to_owned()],
            Self::Restless { .. } => vec![
                "choose a channel with a resistor, or an open one: a capacitor charges, and a poor contact flickers"
                    .to_owned(),
                Guard::Scatter.remedy().to_owned(),
                STILL.to_owned(),
            ],
        }
    }

    /// How a command ends after this.
    #[must_use]
    pub const fn exit_status(&self) -> ExitStatus {
        match self {
            Self::Sweep(error) => error.exit_status(),
            Self::NoSuchChannel { .. } | Self::Alike { .. } | Self::OverloadUnknown { .. } => {
                ExitStatus::Configuration
            }
            Self::Stopped { .. } => ExitStatus::Inconclusive,
            Self::Alive { .. } | Self::Restless { .. } => ExitStatus::Unavailable,
        }
    }
}

impl Way {
    /// The middle one of the delays; `None` where there was no change.
    #[must_use]
    pub fn median_delay(&self) -> Option<Duration> {
        self.delays.get(self.delays.len() / 2).copied()
    }
}

/// Toggles and measures. `tell` hears how many changes are done, and which key the meter wants.
///
/// # Errors
/// [`LagError`] says what was in the way; every channel is open then, or nothing answers any more.
pub fn measure_lag(
    devices: &mut dyn Devices,
    setup: LagSetup,
    tell: &mut dyn FnMut(LagNews),
) -> Result<Lag, LagError> {
    let format = setup.profile.format;
    if !format.tells_overload() {
        // Before anything is closed.
        return Err(LagError::OverloadUnknown { profile: setup.profile.name, format: format.name() });
    }
    let mut now = devices.now();
    let timing = Timing::of(&setup.profile);
    let mut toggling = Toggling::new(setup, timing, devices.fresh_number(), now);
    let mut frames = Accumulator::<BoardMessage>::new();
    let mut told = 0;
    loop {
        while let Some(output) = toggling.next_output() {
            let sent = match output {
                Output::ToJig(request) => {
                    devices.to_jig(&frame::encode(&request)).map_err(|error| (Device::Jig, error))
                }
                Output::ToMeter { bytes, .. } => {
                    devices.to_meter(&bytes).map_err(|error| (Device::Meter, error))
                }
                Output::Tell(notice) => {
                    tell(LagNews::Notice(notice));
                    Ok(())
                }
                Output::Pin(_) | Output::Ended(_) => Ok(()),
            };
            if let Err((device, error)) = sent {
                toggling.lost(device, error.to_string(), now);
            }
        }
        if toggling.done() > told {
            told = toggling.done();
            tell(LagNews::Changes(told));
        }
        if let Some(outcome) = toggling.take_outcome() {
            return outcome;
        }
        match devices.wait(toggling.deadline(now)) {
            Heard::Meter(at, bytes) => {
                now = at;
                toggling.meter_bytes(&bytes, now);
            }
            Heard::Jig(at, bytes) => {
                now = at;
                // A damaged frame is as good as none: what it would have answered is asked for again.
                for message in frames.items(&bytes).flatten() {
                    toggling.jig_message(&message, now);
                }
            }
            // One that went away has ended it before.
            Heard::Nothing | Heard::Back(_) => now = now.max(devices.now()),
            Heard::Stop => {
                now = now.max(devices.now());
                toggling.stop(now);
            }
            Heard::Lost(device, error) => {
                now = now.max(devices.now());
                toggling.lost(device, error.to_string(), now);
            }
        }
        toggling.tick(now);
    }
}
