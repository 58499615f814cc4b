//! Why a sweep ended before its last pin, and what to do about it.

use std::time::Duration;

use protocol::{Channel, Fault, OpenReason};

use super::{AliveSign, Device, Guard};
use crate::{connector::PinName, exit_status::ExitStatus, units::Volts};

/// Why a sweep could not be finished.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum SweepError {
    /// The switching board does not answer.
    #[error("the switching board at {port} does not answer: {what}")]
    JigSilent {
        /// Its port.
        port: String,
        /// What was asked, and how long the host waited.
        what: String,
    },
    /// The switching board speaks another version of the protocol.
    #[error(
        "the switching board at {port} speaks another protocol: expected version {host_min} to {host_max}, found {min} to {max}"
    )]
    JigVersion {
        /// Its port.
        port: String,
        /// Oldest version of this program.
        host_min: u8,
        /// Newest version of this program.
        host_max: u8,
        /// Oldest version of the switching board.
        min: u8,
        /// Newest version of the switching board.
        max: u8,
    },
    /// What answers at the jig's port is no switching board.
    #[error("what answers at {port} is no switching board: expected frames of the protocol, found {found}")]
    NotAJig {
        /// The port.
        port: String,
        /// What was heard instead.
        found: String,
    },
    /// The switching board refused a request.
    #[error("the switching board refused {what}: {}", describe_fault(.fault))]
    JigRefused {
        /// What was asked.
        what: String,
        /// Why it refused.
        fault: Fault,
    },
    /// The switching board opened its channels again and again.
    #[error("the switching board opened every channel {times} times by itself, the last time because {}", describe_reason(.reason))]
    JigOpened {
        /// How often.
        times: u16,
        /// The last reason.
        reason: OpenReason,
    },
    /// A walk at a fixed dwell was cut short.
    #[error("the switching board ended the walk early, because {}", describe_reason(.reason))]
    WalkCut {
        /// Why every channel was opened.
        reason: OpenReason,
    },
    /// The switching board cannot keep the plan of a walk at a fixed dwell.
    #[error("expected a plan of at most {capacity} steps for this switching board, found {steps}")]
    PlanTooLong {
        /// Steps of the plan.
        steps: usize,
        /// Steps that it can keep.
        capacity: u16,
    },
    /// The switching board closed another channel than it was asked for, again and again.
    #[error(
        "the switching board closes other channels than it is asked for: expected channel {asked}, found {closed}"
    )]
    OtherChannel {
        /// The channel that was asked for.
        asked: Channel,
        /// The channel that it said to have closed.
        closed: Channel,
    },
    /// The wiring names a channel that the switching board does not have.
    #[error("the wiring wants channel {channel}, but this switching board has {channels} (0 to {})", channels.saturating_sub(1))]
    NoSuchChannel {
        /// The channel.
        channel: Channel,
        /// Channels that exist.
        channels: u8,
    },
    /// Nobody knows how the meter's frames tell an open pin.
    #[error(
        "meter profile {profile} cannot sweep: expected frames that tell an open pin, found format {format}, of which no document at hand says how it shows OL"
    )]
    OverloadUnknown {
        /// The profile.
        profile: String,
        /// Its format.
        format: &'static str,
    },
    /// The meter says nothing.
    #[error("the meter at {port} says nothing: expected a reading within {:.1} s, found silence", waited.as_secs_f32())]
    MeterSilent {
        /// Its port.
        port: String,
        /// How long the host waited.
        waited: Duration,
    },
    /// The meter has sent readings and then nothing more.
    #[error("the meter at {port} has stopped sending: expected a reading within {:.1} s, found silence after the last one", waited.as_secs_f32())]
    MeterStopped {
        /// Its port.
        port: String,
        /// How long the host waited.
        waited: Duration,
        /// Whether its sign of automatic power-off was lit.
        was_announced: bool,
    },
    /// What the meter sends cannot be read.
    #[error("the meter at {port} cannot be understood: {problem}")]
    MeterUnreadable {
        /// Its port.
        port: String,
        /// What was expected and found.
        problem: String,
    },
    /// The meter's display shows something that no sweep can use, and nobody changed it.
    #[error("the meter cannot be used: {0}")]
    MeterBlocked(Guard),
    /// The board is powered or charged.
    #[error("the board is alive at pin {pin}: {sign}")]
    BoardAlive {
        /// The pin.
        pin: PinName,
        /// The sign.
        sign: AliveSign,
    },
    /// DC volts at a pin before diode test, and it does not go away.
    #[error(
        "pin {pin} has {volts} V by DC volts{}: expected 0.05 V at most before diode test",
        if *.bleeds > 0 { format!(" after bleeding it {bleeds} times") } else { String::new() }
    )]
    BoardCharged {
        /// The pin.
        pin: PinName,
        /// What is there against board ground.
        volts: Volts,
        /// How often it was bled.
        bleeds: u32,
    },
    /// Before diode test, DC volts lie beyond the range of the meter.
    #[error(
        "pin {pin} reads OL by DC volts, more than the meter shows: expected 0.05 V at most before diode test"
    )]
    BeyondVolts {
        /// The pin.
        pin: PinName,
    },
    /// A port went away.
    #[error("the {device} at {port} went away: {reason}")]
    Lost {
        /// Meter or switching board.
        device: Device,
        /// Its port.
        port: String,
        /// The system's words.
        reason: String,
    },
    /// A device sends far more than it can have to say.
    #[error(
        "the {device} at {port} floods the line: expected some thousand bytes a second at most, found more than 65536"
    )]
    Flooded {
        /// Meter or switching board.
        device: Device,
        /// Its port.
        port: String,
    },
    /// Not everything could be written down.
    #[error(
        "the sweep was stopped after {done} of {total} pins, since it is not recorded any more: {problem}"
    )]
    Unrecorded {
        /// What is wrong with the record.
        problem: String,
        /// Pins decided.
        done: usize,
        /// Pins planned.
        total: usize,
    },
    /// The operator ended it.
    #[error("the sweep was stopped by the operator after {done} of {total} pins")]
    Stopped {
        /// Pins decided.
        done: usize,
        /// Pins planned.
        total: usize,
    },
}

impl SweepError {
    /// How a command ends after this.
    #[must_use]
    pub const fn exit_status(&self) -> ExitStatus {
        match self {
            Self::JigVersion { .. } | Self::OtherChannel { .. } => ExitStatus::Protocol,
            Self::NoSuchChannel { .. } | Self::OverloadUnknown { .. } | Self::PlanTooLong { .. } => {
                ExitStatus::Configuration
            }
            Self::Stopped { .. } => ExitStatus::Inconclusive,
            Self::Unrecorded { .. } => ExitStatus::Io,
            _ => ExitStatus::Unavailable,
        }
    }

    /// What to do next.
    #[must_use]
    pub fn hints(&self) -> Vec<String> {
        let hints: &[&str] = match self {
            Self::JigSilent { .. } => &[
                "check the cable and that the switching board has power; `pintally jig find` lists the ports",
                "if the meter hangs on this port, exchange --jig and --meter",
            ],
            Self::JigVersion { .. } => &[
                "flash the firmware that came with this program (docs/flashing.md), or use the program that came with the firmware",
            ],
            Self::NotAJig { .. } => &[
                "if the meter hangs on this port, exchange --jig and --meter; `pintally jig identify` tests a port",
            ],
            Self::JigRefused { fault, .. } => match fault {
                Fault::SwitchFault => &["take the board off and run `pintally jig self-test`"],
                Fault::LidOpen => &["close the lid"],
                _ => &["run `pintally jig identify` to see what this switching board can do"],
            },
            Self::JigOpened { .. } => &["look for a loose USB cable or lid contact, then sweep again"],
            Self::WalkCut { .. } => &["shut the lid and look for a loose cable, then sweep this board again"],
            Self::PlanTooLong { .. } => &["leave --dwell-ms out: the pins are then asked for one by one"],
            Self::OtherChannel { .. } => &[
                "take the board off and run `pintally jig self-test`",
                "flash the firmware that came with this program (docs/flashing.md)",
            ],
            Self::NoSuchChannel { .. } => {
                &["correct the wiring file, or use a switching board with more channels"]
            }
            Self::OverloadUnknown { .. } => &[
                "use another meter: with this one an open joint could not be told from a damaged frame",
                "`pintally meter watch` reads it all the same; tell us what it sends with its leads apart",
            ],
            Self::MeterSilent { .. } => &[
                "switch the meter on and its data output too (often a long press on a key; a sign for RS-232 or PC shows)",
                "check that --meter names the meter's port and --profile its format: `pintally meter watch` shows what comes",
            ],
            Self::MeterStopped { was_announced: true, .. } => &[
                "it has switched itself off, as its auto power-off sign announced: press any key to wake it and turn it to \
                 diode test again",
                "switch auto power-off off (on many: hold a key while turning it on), then sweep this board once more",
            ],
            Self::MeterStopped { .. } => &[
                "it may have switched itself off: press any key to wake it, turn it to diode test and its data output on",
                "if it did, switch auto power-off off (on many: hold a key while turning it on); else look at battery and \
                 cable; then sweep this board once more",
            ],
            Self::MeterUnreadable { .. } => &[
                "check --profile: `pintally meter profiles` lists the formats, `pintally meter identify` tries them",
            ],
            Self::MeterBlocked(guard) => return vec![guard.remedy().to_owned()],
            Self::BoardAlive { .. } | Self::BoardCharged { .. } | Self::BeyondVolts { .. } => &[
                "take the board off the jig, disconnect battery and supply, discharge its capacitors, check with DC volts that they are empty",
                "if you are sure that the board is dead, --override-alive REASON goes on and writes the reason into the log",
            ],
            Self::Lost { .. } => {
                &["plug it in again and sweep this board once more; the log keeps what was read"]
            }
            Self::Flooded { .. } => &[
                "this is no meter or switching board, or it is broken: `pintally meter watch` shows what comes",
            ],
            Self::Unrecorded { .. } => &[
                "make room on the disk or name another place with --log FILE or --data DIR, then sweep this board again",
            ],
            Self::Stopped { .. } => &["the log keeps what was read; sweep again for the rest"],
        };
        hints.iter().map(|&hint| hint.to_owned()).collect()
    }
}

/// A refusal in a technician's words.
fn describe_fault(fault: &Fault) -> String {
    match fault {
        Fault::Version { min, max } => format!("it speaks version {min} to {max} of the protocol"),
        Fault::UnknownRequest => "it does not know this request".to_owned(),
        Fault::NotGreeted => "it has not been greeted since it started".to_owned(),
        Fault::ChannelOutOfRange { channel, channels } => {
            format!("channel {channel} does not exist, it has {channels}")
        }
        Fault::PlanTooLong { capacity } => format!("its plan holds {capacity} steps"),
        Fault::PlanGap { expected } => format!("it expected step {expected} of the plan"),
        Fault::PlanMismatch { loaded } => format!("it has {loaded} steps of the plan"),
        Fault::NoPlan => "no plan is running".to_owned(),
        Fault::WrongStep { expected } => format!("it expected step {expected}"),
        Fault::Superseded => "a later request took its place".to_owned(),
        Fault::LidOpen => "its lid is open".to_owned(),
        Fault::SwitchFault => "its switch could not be driven or read back".to_owned(),
        Fault::NotFitted => "it has no such part".to_owned(),
        Fault::Opened(reason) => format!("every channel was opened because {}", describe_reason(reason)),
    }
}

/// Why channels were opened, after "because".
pub(super) fn describe_reason(reason: &OpenReason) -> &'static str {
    match reason {
        OpenReason::PlanEnded => "the plan was over",
        OpenReason::HostSilent => "it heard nothing from this computer for too long",
        OpenReason::LidOpen => "the lid was opened",
        OpenReason::SwitchFault => "the switch could not be driven or read back",
        OpenReason::BadFrame => "a damaged message reached it",
        OpenReason::HostDeaf => "this computer did not read its messages",
        OpenReason::OtherHost => "another computer greeted it on its other port",
    }
}
