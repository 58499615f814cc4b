//! The byte tables of PROTOCOL.md as code: which index is which variant, which field follows which.
//!
//! Only ever appended to (see [`version`](crate::version)).

use crate::wire::{Reader, Wire, Writer, wire_enum, wire_struct};
use crate::{
    Answer, BoardKind, BoardMessage, Channel, Event, Fault, FrameTrouble, Greeting, Light, OpenReason, Pace,
    Parts, Request, RequestFrame, ResetCause, Sound, Status, Timing,
};

impl Wire for Channel {
    fn write(&self, writer: &mut Writer<'_>) {
        self.0.write(writer);
    }
    fn read(reader: &mut Reader<'_>) -> Self {
        Self(reader.byte())
    }
}

wire_struct! { RequestFrame { seq, request } }

wire_enum! { Request {
    0 => Greet { min, max },
    1 => Ping,
    2 => OpenAll,
    3 => Select { channel, settle_us },
    4 => LoadPlan { first, channels },
    5 => Start { steps, settle_us, pace },
    6 => Advance { step },
    7 => Indicate { light, sound },
    8 => Sense,
    9 => Bleed { channel, hold_us },
    10 => Status,
} else Self::Ping }

wire_enum! { Pace {
    0 => Advance,
    1 => Dwell { dwell_us },
} else Self::Advance }

wire_enum! { Light {
    0 => Off,
    1 => Ready,
    2 => Busy,
    3 => Matches,
    4 => Differs,
    5 => Inconclusive,
    6 => Trouble,
} else Self::Off }

wire_enum! { Sound {
    0 => Silent,
    1 => Ready,
    2 => Matches,
    3 => Differs,
    4 => Inconclusive,
    5 => Trouble,
} else Self::Silent }

wire_enum! { BoardMessage {
    0 => Answer { seq, at_us, answer },
    1 => Event { at_us, event },
} else Self::Answer { seq: 0, at_us: 0, answer: Answer::Pong } }

wire_enum! { Answer {
    0 => Greeting(greeting),
    1 => Pong,
    2 => Opened,
    3 => Settled { step, channel },
    4 => PlanLoaded { steps },
    5 => PlanEnded,
    6 => Indicated,
    7 => SenseVoltage { millivolts },
    8 => Bled,
    9 => Status(status),
    10 => Refused(fault),
} else Self::Pong }

wire_struct! { Greeting {
    version, kind, boot_id, reset, channels, plan_steps, firmware, unique_id, parts, timing,
} }

wire_enum! { BoardKind {
    0 => Multiplexer,
    1 => ShiftRegister,
    2 => Expander,
    3 => Practice,
} else Self::Practice }

wire_enum! { ResetCause {
    0 => Power,
    1 => Watchdog,
    2 => Panic,
    3 => Unknown,
} else Self::Unknown }

wire_struct! { Parts { sense, bleed, button, lid, light, buzzer } }

wire_struct! { Timing { break_us, make_us, silence_us } }

wire_struct! { Status { closed, step, lid_closed, button_pressed, bad_frames } }

wire_enum! { Fault {
    0 => Version { min, max },
    1 => UnknownRequest,
    2 => NotGreeted,
    3 => ChannelOutOfRange { channel, channels },
    4 => PlanTooLong { capacity },
    5 => PlanGap { expected },
    6 => PlanMismatch { loaded },
    7 => NoPlan,
    8 => WrongStep { expected },
    9 => Superseded,
    10 => LidOpen,
    11 => SwitchFault,
    12 => NotFitted,
    13 => Opened(reason),
} else Self::UnknownRequest }

wire_enum! { Event {
    0 => Settled { step, channel },
    1 => Opened { reason },
    2 => Button { pressed },
    3 => Lid { closed },
    4 => BadFrame { trouble },
    5 => Lost { messages },
} else Self::Lost { messages: 0 } }

wire_enum! { OpenReason {
    0 => PlanEnded,
    1 => HostSilent,
    2 => LidOpen,
    3 => SwitchFault,
    4 => BadFrame,
    5 => HostDeaf,
    6 => OtherHost,
} else Self::BadFrame }

wire_enum! { FrameTrouble {
    0 => Damaged,
    1 => TooLong,
    2 => Unknown,
} else Self::Unknown }
