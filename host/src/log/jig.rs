//! The stored form of what is said between host and switching board.
//!
//! Each type mirrors one of `protocol` under names of its own, so that a log of today is read by a program
//! of tomorrow whatever becomes of the names in the code. The compiler sees to it that a mirror has every
//! variant and field of its original.

use heapless::Vec;
use protocol::{
    Answer, BoardKind, BoardMessage, Channel, Event, Fault, FrameTrouble, Greeting, Light, OpenReason,
    PLAN_CHUNK, Pace, Parts, Request, RequestFrame, ResetCause, Sound, Status, Timing,
};
use serde::{Deserialize, Serialize};

#[derive(Serialize, Deserialize)]
#[serde(remote = "BoardMessage", rename_all = "snake_case", deny_unknown_fields)]
pub(super) enum StoredMessage {
    Answer {
        seq: u16,
        at_us: u64,
        #[serde(with = "StoredAnswer")]
        answer: Answer,
    },
    Event {
        at_us: u64,
        #[serde(with = "StoredEvent")]
        event: Event,
    },
}

#[derive(Serialize, Deserialize)]
#[serde(remote = "RequestFrame", deny_unknown_fields)]
pub(super) struct StoredFrame {
    seq: u16,
    #[serde(with = "StoredRequest")]
    request: Request,
}

#[derive(Serialize, Deserialize)]
#[serde(remote = "Answer", rename_all = "snake_case", deny_unknown_fields)]
enum StoredAnswer {
    Greeting(#[serde(with = "StoredGreeting")] Greeting),
    Pong,
    Opened,
    Settled { step: Option<u16>, channel: Channel },
    PlanLoaded { steps: u16 },
    PlanEnded,
    Indicated,
    SenseVoltage { millivolts: i32 },
    Bled,
    Status(#[serde(with = "StoredStatus")] Status),
    Refused(#[serde(with = "StoredFault")] Fault),
}

#[derive(Serialize, Deserialize)]
#[serde(remote = "Event", rename_all = "snake_case", deny_unknown_fields)]
enum StoredEvent {
    Settled {
        step: u16,
        channel: Channel,
    },
    Opened {
        #[serde(with = "StoredOpenReason")]
        reason: OpenReason,
    },
    Button {
        pressed: bool,
    },
    Lid {
        closed: bool,
    },
    BadFrame {
        #[serde(with = "StoredTrouble")]
        trouble: FrameTrouble,
    },
    Lost {
        messages: u16,
    },
}

#[derive(Serialize, Deserialize)]
#[serde(remote = "OpenReason", rename_all = "snake_case")]
enum StoredOpenReason {
    PlanEnded,
    HostSilent,
    LidOpen,
    SwitchFault,
    BadFrame,
    HostDeaf,
    OtherHost,
}

#[derive(Serialize, Deserialize)]
#[serde(remote = "FrameTrouble", rename_all = "snake_case")]
enum StoredTrouble {
    Damaged,
    TooLong,
    Unknown,
}

#[derive(Serialize, Deserialize)]
#[serde(remote = "Status", deny_unknown_fields)]
struct StoredStatus {
    closed: Option<Channel>,
    step: Option<u16>,
    lid_closed: Option<bool>,
    button_pressed: Option<bool>,
    bad_frames: u16,
}

#[derive(Serialize, Deserialize)]
#[serde(remote = "Fault", rename_all = "snake_case", deny_unknown_fields)]
enum StoredFault {
    Version { min: u8, max: u8 },
    UnknownRequest,
    NotGreeted,
    ChannelOutOfRange { channel: Channel, channels: u8 },
    PlanTooLong { capacity: u16 },
    PlanGap { expected: u16 },
    PlanMismatch { loaded: u16 },
    NoPlan,
    WrongStep { expected: u16 },
    Superseded,
    LidOpen,
    SwitchFault,
    NotFitted,
    Opened(#[serde(with = "StoredOpenReason")] OpenReason),
}

#[derive(Serialize, Deserialize)]
#[serde(remote = "Greeting", deny_unknown_fields)]
struct StoredGreeting {
    version: u8,
    #[serde(with = "StoredKind")]
    kind: BoardKind,
    boot_id: u32,
    #[serde(with = "StoredReset")]
    reset: ResetCause,
    channels: u8,
    plan_steps: u16,
    firmware: (u8, u8, u8),
    unique_id: [u8; 8],
    #[serde(with = "StoredParts")]
    parts: Parts,
    #[serde(with = "StoredTiming")]
    timing: Timing,
}

#[derive(Serialize, Deserialize)]
#[serde(remote = "ResetCause", rename_all = "snake_case")]
enum StoredReset {
    Power,
    Watchdog,
    Panic,
    Unknown,
}

#[derive(Serialize, Deserialize)]
#[serde(remote = "Parts", deny_unknown_fields)]
struct StoredParts {
    sense: bool,
    bleed: bool,
    button: bool,
    lid: bool,
    light: bool,
    buzzer: bool,
}

#[derive(Serialize, Deserialize)]
#[serde(remote = "Timing", deny_unknown_fields)]
struct StoredTiming {
    break_us: u32,
    make_us: u32,
    silence_us: u32,
}

#[derive(Serialize, Deserialize)]
#[serde(remote = "BoardKind", rename_all = "snake_case")]
enum StoredKind {
    Multiplexer,
    ShiftRegister,
    Expander,
    Practice,
}

#[derive(Serialize, Deserialize)]
#[serde(remote = "Request", rename_all = "snake_case", deny_unknown_fields)]
enum StoredRequest {
    Greet {
        min: u8,
        max: u8,
    },
    Ping,
    OpenAll,
    Select {
        channel: Channel,
        settle_us: u32,
    },
    LoadPlan {
        first: u16,
        channels: Vec<Channel, PLAN_CHUNK>,
    },
    Start {
        steps: u16,
        settle_us: u32,
        #[serde(with = "StoredPace")]
        pace: Pace,
    },
    Advance {
        step: u16,
    },
    Indicate {
        #[serde(with = "StoredLight")]
        light: Light,
        #[serde(with = "StoredSound")]
        sound: Sound,
    },
    Sense,
    Bleed {
        channel: Channel,
        hold_us: u32,
    },
    Status,
}

#[derive(Serialize, Deserialize)]
#[serde(remote = "Pace", rename_all = "snake_case", deny_unknown_fields)]
enum StoredPace {
    Advance,
    Dwell { dwell_us: u32 },
}

#[derive(Serialize, Deserialize)]
#[serde(remote = "Light", rename_all = "snake_case")]
enum StoredLight {
    Off,
    Ready,
    Busy,
    Matches,
    Differs,
    Inconclusive,
    Trouble,
}

#[derive(Serialize, Deserialize)]
#[serde(remote = "Sound", rename_all = "snake_case")]
enum StoredSound {
    Silent,
    Ready,
    Matches,
    Differs,
    Inconclusive,
    Trouble,
}
