//! Bytes of protocol 1. NEVER EDITED once released: these are the promise to every board in the field.
//!
//! Written by hand from PROTOCOL.md. In `content`, each part between bars is a few bytes in hexadecimal
//! and then what they say. The frames (checksum, stuffing, 0x00) were computed from the contents by a
//! separate program with zlib's CRC-32 and a COBS encoder of its own.

use heapless::Vec as Channels;
use protocol::{
    Answer, BoardKind, BoardMessage, Channel, Event, Fault, FrameTrouble, Greeting, Light, OpenReason, Pace,
    Parts, Request, RequestFrame, ResetCause, Sound, Status, Timing,
};

pub(crate) struct Golden<M> {
    pub(crate) message: M,
    pub(crate) content: Vec<u8>,
    pub(crate) frame: Vec<u8>,
}

pub(crate) fn requests() -> Vec<Golden<RequestFrame>> {
    let ask = |seq, request, content, frame| golden(RequestFrame { seq, request }, content, frame);
    vec![
        ask(
            1,
            Request::Greet { min: 1, max: 1 },
            "01 seq 1 | 00 Greet | 01 min 1 | 01 max 1",
            "02 01 07 01 01 AE B9 E4 F7 00",
        ),
        ask(2, Request::Ping, "02 seq 2 | 01 Ping", "07 02 01 EB 40 E8 04 00"),
        ask(0, Request::OpenAll, "00 seq 0 | 02 OpenAll", "01 06 02 D3 73 D7 AF 00"),
        ask(
            127,
            Request::Select { channel: Channel(12), settle_us: 20_000 },
            "7F seq 127 | 03 Select | 0C channel 12 | A0 9C 01 settle 20000 us",
            "0B 7F 03 0C A0 9C 01 3F 73 4B 35 00",
        ),
        ask(
            128,
            Request::Select { channel: Channel(255), settle_us: u32::MAX },
            "80 01 seq 128 | 03 Select | FF channel 255 | FF FF FF FF 0F settle 4294967295 us",
            "0E 80 01 03 FF FF FF FF FF 0F 5D B0 B8 30 00",
        ),
        ask(
            300,
            Request::LoadPlan { first: 0, channels: channels(&[0, 1, 31]) },
            "AC 02 seq 300 | 04 LoadPlan | 00 first 0 | 03 three channels | 00 channel 0 | 01 channel 1 | 1F channel 31",
            "04 AC 02 04 02 03 07 01 1F CF ED 68 12 00",
        ),
        ask(
            65_535,
            Request::LoadPlan { first: 128, channels: channels(&[]) },
            "FF FF 03 seq 65535 | 04 LoadPlan | 80 01 first 128 | 00 no channels",
            "07 FF FF 03 04 80 01 05 C4 F9 72 DB 00",
        ),
        ask(
            4,
            Request::Start { steps: 3, settle_us: 1_000, pace: Pace::Advance },
            "04 seq 4 | 05 Start | 03 steps 3 | E8 07 settle 1000 us | 00 pace Advance",
            "06 04 05 03 E8 07 05 F4 D4 B6 18 00",
        ),
        ask(
            5,
            Request::Start { steps: 160, settle_us: 0, pace: Pace::Dwell { dwell_us: 500_000 } },
            "05 seq 5 | 05 Start | A0 01 steps 160 | 00 settle 0 us | 01 pace Dwell | A0 C2 1E dwell 500000 us",
            "05 05 05 A0 01 09 01 A0 C2 1E E4 ED 8E 0A 00",
        ),
        ask(
            6,
            Request::Advance { step: 1 },
            "06 seq 6 | 06 Advance | 01 step 1",
            "08 06 06 01 B0 32 91 DA 00",
        ),
        ask(
            7,
            Request::Indicate { light: Light::Off, sound: Sound::Silent },
            "07 seq 7 | 07 Indicate | 00 light Off | 00 sound Silent",
            "03 07 07 01 05 20 F1 DC B9 00",
        ),
        ask(
            8,
            Request::Indicate { light: Light::Ready, sound: Sound::Ready },
            "08 seq 8 | 07 Indicate | 01 light Ready | 01 sound Ready",
            "09 08 07 01 01 A1 E0 A3 8F 00",
        ),
        ask(
            9,
            Request::Indicate { light: Light::Busy, sound: Sound::Silent },
            "09 seq 9 | 07 Indicate | 02 light Busy | 00 sound Silent",
            "04 09 07 02 05 91 E4 35 6B 00",
        ),
        ask(
            10,
            Request::Indicate { light: Light::Matches, sound: Sound::Matches },
            "0A seq 10 | 07 Indicate | 03 light Matches | 02 sound Matches",
            "09 0A 07 03 02 12 1B 95 8E 00",
        ),
        ask(
            11,
            Request::Indicate { light: Light::Differs, sound: Sound::Differs },
            "0B seq 11 | 07 Indicate | 04 light Differs | 03 sound Differs",
            "09 0B 07 04 03 26 DA 6F 0E 00",
        ),
        ask(
            12,
            Request::Indicate { light: Light::Inconclusive, sound: Sound::Inconclusive },
            "0C seq 12 | 07 Indicate | 05 light Inconclusive | 04 sound Inconclusive",
            "09 0C 07 05 04 7D 46 C7 14 00",
        ),
        ask(
            13,
            Request::Indicate { light: Light::Trouble, sound: Sound::Trouble },
            "0D seq 13 | 07 Indicate | 06 light Trouble | 05 sound Trouble",
            "09 0D 07 06 05 4D 42 51 F0 00",
        ),
        ask(14, Request::Sense, "0E seq 14 | 08 Sense", "07 0E 08 43 B7 81 D1 00"),
        ask(
            15,
            Request::Bleed { channel: Channel(3), hold_us: 150_000 },
            "0F seq 15 | 09 Bleed | 03 channel 3 | F0 93 09 hold 150000 us",
            "0B 0F 09 03 F0 93 09 44 CC 45 C9 00",
        ),
        ask(16, Request::Status, "10 seq 16 | 0A Status", "07 10 0A B0 E9 CE EB 00"),
    ]
}

pub(crate) fn board_messages() -> Vec<Golden<BoardMessage>> {
    let mut all = answers();
    all.extend(refusals());
    all.extend(events());
    all
}

fn answers() -> Vec<Golden<BoardMessage>> {
    let answer = |seq, at_us, answer, content, frame| {
        golden(BoardMessage::Answer { seq, at_us, answer }, content, frame)
    };
    vec![
        answer(
            1,
            1_500_000,
            Answer::Greeting(Greeting {
                version: 1,
                kind: BoardKind::Multiplexer,
                boot_id: 0x1234_5678,
                reset: ResetCause::Power,
                channels: 64,
                plan_steps: 160,
                firmware: (0, 1, 0),
                unique_id: [0xE6, 0x60, 0x58, 0x38, 0x83, 0x12, 0x34, 0x29],
                parts: Parts {
                    sense: true,
                    bleed: false,
                    button: true,
                    lid: true,
                    light: true,
                    buzzer: false,
                },
                timing: Timing { break_us: 50, make_us: 300, silence_us: 2_000_000 },
            }),
            "00 Answer | 01 seq 1 | E0 C6 5B at 1500000 us | 00 Greeting | 01 version 1 | 00 kind Multiplexer \
             | F8 AC D1 91 01 boot id 0x12345678 | 00 reset Power | 40 channels 64 | A0 01 plan steps 160 \
             | 00 firmware 0 | 01 .1 | 00 .0 | E6 60 58 38 83 12 34 29 unique id \
             | 01 sense | 00 no bleed | 01 button | 01 lid | 01 light | 00 no buzzer \
             | 32 break 50 us | AC 02 make 300 us | 80 89 7A silence 2000000 us",
            "01 05 01 E0 C6 5B 02 01 06 F8 AC D1 91 01 04 40 A0 01 02 01 0A E6 60 58 38 83 12 34 \
             29 01 04 01 01 01 0B 32 AC 02 80 89 7A 07 6E 7E 24 00",
        ),
        answer(
            65_535,
            u64::MAX,
            Answer::Greeting(Greeting {
                version: 255,
                kind: BoardKind::Practice,
                boot_id: u32::MAX,
                reset: ResetCause::Unknown,
                channels: 255,
                plan_steps: 65_535,
                firmware: (255, 255, 255),
                unique_id: [0; 8],
                parts: Parts {
                    sense: false,
                    bleed: true,
                    button: false,
                    lid: false,
                    light: false,
                    buzzer: true,
                },
                timing: Timing { break_us: u32::MAX, make_us: u32::MAX, silence_us: u32::MAX },
            }),
            "00 Answer | FF FF 03 seq 65535 | FF FF FF FF FF FF FF FF FF 01 the largest time | 00 Greeting \
             | FF version 255 | 03 kind Practice | FF FF FF FF 0F boot id 0xFFFFFFFF | 03 reset Unknown \
             | FF channels 255 | FF FF 03 plan steps 65535 | FF firmware 255 | FF .255 | FF .255 \
             | 00 00 00 00 00 00 00 00 unique id | 00 no sense | 01 bleed | 00 no button | 00 no lid \
             | 00 no light | 01 buzzer | FF FF FF FF 0F break | FF FF FF FF 0F make | FF FF FF FF 0F silence",
            "01 0E FF FF 03 FF FF FF FF FF FF FF FF FF 01 10 FF 03 FF FF FF FF 0F 03 FF FF FF 03 \
             FF FF FF 01 01 01 01 01 01 01 01 02 01 01 01 15 01 FF FF FF FF 0F FF FF FF FF 0F FF \
             FF FF FF 0F 38 34 96 EB 00",
        ),
        answer(
            2,
            0,
            Answer::Greeting(Greeting {
                version: 1,
                kind: BoardKind::ShiftRegister,
                boot_id: 0,
                reset: ResetCause::Watchdog,
                channels: 16,
                plan_steps: 0,
                firmware: (1, 2, 3),
                unique_id: [1, 2, 3, 4, 5, 6, 7, 8],
                parts: Parts {
                    sense: false,
                    bleed: false,
                    button: false,
                    lid: false,
                    light: false,
                    buzzer: false,
                },
                timing: Timing { break_us: 2_000, make_us: 3_000, silence_us: 0 },
            }),
            "00 Answer | 02 seq 2 | 00 at 0 us | 00 Greeting | 01 version 1 | 01 kind ShiftRegister \
             | 00 boot id 0 | 01 reset Watchdog | 10 channels 16 | 00 plan steps 0 | 01 firmware 1 | 02 .2 | 03 .3 \
             | 01 02 03 04 05 06 07 08 unique id | 00 no sense | 00 no bleed | 00 no button | 00 no lid \
             | 00 no light | 00 no buzzer | D0 0F break 2000 us | B8 17 make 3000 us | 00 silence 0 us",
            "01 02 02 01 03 01 01 03 01 10 0C 01 02 03 01 02 03 04 05 06 07 08 01 01 01 01 01 05 \
             D0 0F B8 17 05 65 98 A6 17 00",
        ),
        answer(
            3,
            1,
            Answer::Greeting(Greeting {
                version: 1,
                kind: BoardKind::Expander,
                boot_id: 1,
                reset: ResetCause::Panic,
                channels: 1,
                plan_steps: 1,
                firmware: (0, 0, 0),
                unique_id: [0xFF; 8],
                parts: Parts { sense: true, bleed: true, button: true, lid: true, light: true, buzzer: true },
                timing: Timing { break_us: 0, make_us: 0, silence_us: 1 },
            }),
            "00 Answer | 03 seq 3 | 01 at 1 us | 00 Greeting | 01 version 1 | 02 kind Expander | 01 boot id 1 \
             | 02 reset Panic | 01 channels 1 | 01 plan steps 1 | 00 firmware 0 | 00 .0 | 00 .0 \
             | FF FF FF FF FF FF FF FF unique id | 01 sense | 01 bleed | 01 button | 01 lid | 01 light \
             | 01 buzzer | 00 break 0 us | 00 make 0 us | 01 silence 1 us",
            "01 03 03 01 07 01 02 01 02 01 01 01 01 0F FF FF FF FF FF FF FF FF 01 01 01 01 01 01 \
             01 06 01 2E 7C 39 B5 00",
        ),
        answer(
            2,
            128,
            Answer::Pong,
            "00 Answer | 02 seq 2 | 80 01 at 128 us | 01 Pong",
            "01 09 02 80 01 01 C1 25 02 E3 00",
        ),
        answer(
            3,
            5,
            Answer::Opened,
            "00 Answer | 03 seq 3 | 05 at 5 us | 02 Opened",
            "01 08 03 05 02 2C F4 7B B0 00",
        ),
        answer(
            4,
            5,
            Answer::Settled { step: None, channel: Channel(12) },
            "00 Answer | 04 seq 4 | 05 at 5 us | 03 Settled | 00 no step | 0C channel 12",
            "01 04 04 05 03 06 0C 23 05 6C 78 00",
        ),
        answer(
            5,
            5,
            Answer::Settled { step: Some(300), channel: Channel(0) },
            "00 Answer | 05 seq 5 | 05 at 5 us | 03 Settled | 01 with step | AC 02 step 300 | 00 channel 0",
            "01 07 05 05 03 01 AC 02 05 4E BA 9F 7A 00",
        ),
        answer(
            6,
            5,
            Answer::PlanLoaded { steps: 32 },
            "00 Answer | 06 seq 6 | 05 at 5 us | 04 PlanLoaded | 20 steps 32",
            "01 09 06 05 04 20 E6 8F 80 BA 00",
        ),
        answer(
            7,
            5,
            Answer::PlanEnded,
            "00 Answer | 07 seq 7 | 05 at 5 us | 05 PlanEnded",
            "01 08 07 05 05 53 C9 16 29 00",
        ),
        answer(
            8,
            5,
            Answer::Indicated,
            "00 Answer | 08 seq 8 | 05 at 5 us | 06 Indicated",
            "01 08 08 05 06 D4 DF 43 BB 00",
        ),
        answer(
            9,
            5,
            Answer::SenseVoltage { millivolts: -65 },
            "00 Answer | 09 seq 9 | 05 at 5 us | 07 SenseVoltage | 81 01 -65 mV, zigzag 129",
            "01 0A 09 05 07 81 01 F9 BC DC DB 00",
        ),
        answer(
            9,
            5,
            Answer::SenseVoltage { millivolts: 3_300 },
            "00 Answer | 09 seq 9 | 05 at 5 us | 07 SenseVoltage | C8 33 3300 mV, zigzag 6600",
            "01 0A 09 05 07 C8 33 35 19 B0 32 00",
        ),
        answer(
            10,
            5,
            Answer::Bled,
            "00 Answer | 0A seq 10 | 05 at 5 us | 08 Bled",
            "01 08 0A 05 08 BD 26 7F 5F 00",
        ),
        answer(
            11,
            5,
            Answer::Status(Status {
                closed: Some(Channel(7)),
                step: Some(2),
                lid_closed: Some(true),
                button_pressed: Some(false),
                bad_frames: 200,
            }),
            "00 Answer | 0B seq 11 | 05 at 5 us | 09 Status | 01 closed: | 07 channel 7 | 01 step: | 02 step 2 \
             | 01 lid: | 01 closed | 01 button: | 00 up | C8 01 200 bad frames",
            "01 0B 0B 05 09 01 07 01 02 01 01 01 07 C8 01 11 68 AE 3F 00",
        ),
        answer(
            11,
            5,
            Answer::Status(Status {
                closed: None,
                step: None,
                lid_closed: None,
                button_pressed: None,
                bad_frames: 0,
            }),
            "00 Answer | 0B seq 11 | 05 at 5 us | 09 Status | 00 nothing closed | 00 no step | 00 no lid \
             | 00 no button | 00 0 bad frames",
            "01 04 0B 05 09 01 01 01 01 05 97 76 54 CE 00",
        ),
    ]
}

fn refusals() -> Vec<Golden<BoardMessage>> {
    let refused = |fault, content, frame| {
        golden(BoardMessage::Answer { seq: 9, at_us: 5, answer: Answer::Refused(fault) }, content, frame)
    };
    vec![
        refused(
            Fault::Version { min: 2, max: 3 },
            "00 Answer | 09 seq 9 | 05 at 5 us | 0A Refused | 00 Version | 02 min 2 | 03 max 3",
            "01 04 09 05 0A 07 02 03 9A D2 01 B6 00",
        ),
        refused(
            Fault::UnknownRequest,
            "00 Answer | 09 seq 9 | 05 at 5 us | 0A Refused | 01 UnknownRequest",
            "01 09 09 05 0A 01 60 A2 09 30 00",
        ),
        refused(
            Fault::NotGreeted,
            "00 Answer | 09 seq 9 | 05 at 5 us | 0A Refused | 02 NotGreeted",
            "01 07 09 05 0A 02 DA F3 02 A9 00",
        ),
        refused(
            Fault::ChannelOutOfRange { channel: Channel(64), channels: 32 },
            "00 Answer | 09 seq 9 | 05 at 5 us | 0A Refused | 03 ChannelOutOfRange | 40 channel 64 | 20 of 32",
            "01 0B 09 05 0A 03 40 20 36 30 6F D4 00",
        ),
        refused(
            Fault::PlanTooLong { capacity: 160 },
            "00 Answer | 09 seq 9 | 05 at 5 us | 0A Refused | 04 PlanTooLong | A0 01 capacity 160",
            "01 0B 09 05 0A 04 A0 01 01 C5 37 C3 00",
        ),
        refused(
            Fault::PlanGap { expected: 32 },
            "00 Answer | 09 seq 9 | 05 at 5 us | 0A Refused | 05 PlanGap | 20 expected 32",
            "01 0A 09 05 0A 05 20 BB 62 82 C0 00",
        ),
        refused(
            Fault::PlanMismatch { loaded: 0 },
            "00 Answer | 09 seq 9 | 05 at 5 us | 0A Refused | 06 PlanMismatch | 00 loaded 0",
            "01 05 09 05 0A 06 05 B0 11 C1 D0 00",
        ),
        refused(
            Fault::NoPlan,
            "00 Answer | 09 seq 9 | 05 at 5 us | 0A Refused | 07 NoPlan",
            "01 09 09 05 0A 07 55 07 6A D9 00",
        ),
        refused(
            Fault::WrongStep { expected: 4 },
            "00 Answer | 09 seq 9 | 05 at 5 us | 0A Refused | 08 WrongStep | 04 expected 4",
            "01 0A 09 05 0A 08 04 27 F8 2F 49 00",
        ),
        refused(
            Fault::Superseded,
            "00 Answer | 09 seq 9 | 05 at 5 us | 0A Refused | 09 Superseded",
            "01 09 09 05 0A 09 52 2A D2 3E 00",
        ),
        refused(
            Fault::LidOpen,
            "00 Answer | 09 seq 9 | 05 at 5 us | 0A Refused | 0A LidOpen",
            "01 09 09 05 0A 0A E8 7B DB A7 00",
        ),
        refused(
            Fault::SwitchFault,
            "00 Answer | 09 seq 9 | 05 at 5 us | 0A Refused | 0B SwitchFault",
            "01 09 09 05 0A 0B 7E 4B DC D0 00",
        ),
        refused(
            Fault::NotFitted,
            "00 Answer | 09 seq 9 | 05 at 5 us | 0A Refused | 0C NotFitted",
            "01 09 09 05 0A 0C DD DE B8 4E 00",
        ),
        refused(
            Fault::Opened(OpenReason::HostSilent),
            "00 Answer | 09 seq 9 | 05 at 5 us | 0A Refused | 0D Opened | 01 HostSilent",
            "01 0A 09 05 0A 0D 01 ED F8 32 44 00",
        ),
    ]
}

fn events() -> Vec<Golden<BoardMessage>> {
    let event =
        |event, content, frame| golden(BoardMessage::Event { at_us: 1_000_000, event }, content, frame);
    let opened = |reason, content, frame| event(Event::Opened { reason }, content, frame);
    let bad_frame = |trouble, content, frame| event(Event::BadFrame { trouble }, content, frame);
    vec![
        event(
            Event::Settled { step: 159, channel: Channel(127) },
            "01 Event | C0 84 3D at 1 s | 00 Settled | 9F 01 step 159 | 7F channel 127",
            "05 01 C0 84 3D 08 9F 01 7F A4 C8 EB 96 00",
        ),
        opened(
            OpenReason::PlanEnded,
            "01 Event | C0 84 3D at 1 s | 01 Opened | 00 PlanEnded",
            "06 01 C0 84 3D 01 05 33 FC 18 C4 00",
        ),
        opened(
            OpenReason::HostSilent,
            "01 Event | C0 84 3D at 1 s | 01 Opened | 01 HostSilent",
            "0B 01 C0 84 3D 01 01 A5 CC 1F B3 00",
        ),
        opened(
            OpenReason::LidOpen,
            "01 Event | C0 84 3D at 1 s | 01 Opened | 02 LidOpen",
            "0B 01 C0 84 3D 01 02 1F 9D 16 2A 00",
        ),
        opened(
            OpenReason::SwitchFault,
            "01 Event | C0 84 3D at 1 s | 01 Opened | 03 SwitchFault",
            "0B 01 C0 84 3D 01 03 89 AD 11 5D 00",
        ),
        opened(
            OpenReason::BadFrame,
            "01 Event | C0 84 3D at 1 s | 01 Opened | 04 BadFrame",
            "0B 01 C0 84 3D 01 04 2A 38 75 C3 00",
        ),
        opened(
            OpenReason::HostDeaf,
            "01 Event | C0 84 3D at 1 s | 01 Opened | 05 HostDeaf",
            "0B 01 C0 84 3D 01 05 BC 08 72 B4 00",
        ),
        opened(
            OpenReason::OtherHost,
            "01 Event | C0 84 3D at 1 s | 01 Opened | 06 OtherHost",
            "0B 01 C0 84 3D 01 06 06 59 7B 2D 00",
        ),
        event(
            Event::Button { pressed: true },
            "01 Event | C0 84 3D at 1 s | 02 Button | 01 pressed",
            "0B 01 C0 84 3D 02 01 66 9F 32 98 00",
        ),
        event(
            Event::Button { pressed: false },
            "01 Event | C0 84 3D at 1 s | 02 Button | 00 released",
            "06 01 C0 84 3D 02 05 F0 AF 35 EF 00",
        ),
        event(
            Event::Lid { closed: true },
            "01 Event | C0 84 3D at 1 s | 03 Lid | 01 closed",
            "0B 01 C0 84 3D 03 01 27 AE 29 81 00",
        ),
        event(
            Event::Lid { closed: false },
            "01 Event | C0 84 3D at 1 s | 03 Lid | 00 open",
            "06 01 C0 84 3D 03 05 B1 9E 2E F6 00",
        ),
        bad_frame(
            FrameTrouble::Damaged,
            "01 Event | C0 84 3D at 1 s | 04 BadFrame | 00 Damaged",
            "06 01 C0 84 3D 04 05 76 08 6F B9 00",
        ),
        bad_frame(
            FrameTrouble::TooLong,
            "01 Event | C0 84 3D at 1 s | 04 BadFrame | 01 TooLong",
            "0B 01 C0 84 3D 04 01 E0 38 68 CE 00",
        ),
        bad_frame(
            FrameTrouble::Unknown,
            "01 Event | C0 84 3D at 1 s | 04 BadFrame | 02 Unknown",
            "0B 01 C0 84 3D 04 02 5A 69 61 57 00",
        ),
        event(
            Event::Lost { messages: 3 },
            "01 Event | C0 84 3D at 1 s | 05 Lost | 03 three messages",
            "0B 01 C0 84 3D 05 03 8D 68 7D 39 00",
        ),
    ]
}

fn channels<const N: usize>(list: &[u8]) -> Channels<Channel, N> {
    list.iter().copied().map(Channel).collect()
}

fn golden<M>(message: M, content: &str, frame: &str) -> Golden<M> {
    Golden {
        message,
        content: content.split('|').flat_map(leading_bytes).collect(),
        frame: leading_bytes(frame),
    }
}

/// Bytes are two hexadecimal digits, upper case; the first other word ends them.
fn leading_bytes(part: &str) -> Vec<u8> {
    let byte = |word: &str| {
        let is_byte = word.len() == 2 && word.chars().all(|c| c.is_ascii_digit() || ('A'..='F').contains(&c));
        is_byte.then(|| u8::from_str_radix(word, 16).unwrap())
    };
    part.split_whitespace().map_while(byte).collect()
}
