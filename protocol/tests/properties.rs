//! What must hold for every message and every stream.

use heapless::Vec as Channels;
use proptest::collection::vec;
use proptest::option;
use proptest::prelude::*;
use proptest::sample::select;
use protocol::*;

use crate::golden::v1;

fn channel() -> impl Strategy<Value = Channel> {
    any::<u8>().prop_map(Channel)
}

fn plan_part() -> impl Strategy<Value = Channels<Channel, PLAN_CHUNK>> {
    vec(channel(), 0..=PLAN_CHUNK).prop_map(|list| list.into_iter().collect())
}

fn request() -> impl Strategy<Value = RequestFrame> {
    let from_golden: Vec<Request> = v1::requests().into_iter().map(|golden| golden.message.request).collect();
    let request = prop_oneof![
        4 => select(from_golden),
        1 => any::<(u8, u8)>().prop_map(|(min, max)| Request::Greet { min, max }),
        1 => (channel(), any::<u32>()).prop_map(|(channel, settle_us)| Request::Select { channel, settle_us }),
        1 => (channel(), any::<u32>()).prop_map(|(channel, hold_us)| Request::Bleed { channel, hold_us }),
        1 => any::<u16>().prop_map(|step| Request::Advance { step }),
        1 => (any::<u16>(), plan_part()).prop_map(|(first, channels)| Request::LoadPlan { first, channels }),
        1 => any::<(u16, u32, u32)>().prop_map(|(steps, settle_us, dwell_us)| Request::Start {
            steps,
            settle_us,
            pace: Pace::Dwell { dwell_us },
        }),
    ];
    (any::<u16>(), request).prop_map(|(seq, request)| RequestFrame { seq, request })
}

fn board_message() -> impl Strategy<Value = BoardMessage> {
    let from_golden: Vec<BoardMessage> =
        v1::board_messages().into_iter().map(|golden| golden.message).collect();
    let settled =
        (option::of(any::<u16>()), channel()).prop_map(|(step, channel)| Answer::Settled { step, channel });
    let sensed = any::<i32>().prop_map(|millivolts| Answer::SenseVoltage { millivolts });
    let status =
        (option::of(channel()), option::of(any::<u16>()), any::<(Option<bool>, Option<bool>, u16)>())
            .prop_map(|(closed, step, (lid_closed, button_pressed, bad_frames))| {
                Answer::Status(Status { closed, step, lid_closed, button_pressed, bad_frames })
            });
    let answer = prop_oneof![settled, sensed, status];
    prop_oneof![
        4 => select(from_golden),
        2 => (any::<u16>(), any::<u64>(), answer)
            .prop_map(|(seq, at_us, answer)| BoardMessage::Answer { seq, at_us, answer }),
        1 => (any::<u64>(), any::<u16>())
            .prop_map(|(at_us, messages)| BoardMessage::Event { at_us, event: Event::Lost { messages } }),
    ]
}

/// All items of a stream that comes in pieces of the given lengths, over and over.
fn items<M: Message>(stream: &[u8], pieces: &[usize]) -> Vec<Result<M, FrameError>> {
    let mut accumulator = Accumulator::new();
    let mut all = Vec::new();
    let mut rest = stream;
    for &length in pieces.iter().cycle() {
        let (piece, later) = rest.split_at(length.min(rest.len()));
        all.extend(accumulator.items(piece));
        rest = later;
        if rest.is_empty() {
            return all;
        }
    }
    all
}

/// No change of `stream` may be read as anything but the frames that were left whole.
fn no_false_message<M: Message + PartialEq + core::fmt::Debug>(changed: &[u8], original: &M) {
    for item in items::<M>(changed, &[changed.len()]).into_iter().flatten() {
        assert_eq!(&item, original, "a changed frame was read as another message");
    }
}

/// Every byte replaced by every other value, every byte left out, every byte doubled.
fn damage_is_seen<M: Message + PartialEq + core::fmt::Debug>(message: &M) -> usize {
    let frame = encode(message);
    let mut tried = 0;
    for at in 0..frame.len() {
        for value in 0..=255 {
            let mut changed = frame.to_vec();
            if changed[at] == value {
                continue;
            }
            changed[at] = value;
            assert_eq!(
                items::<M>(&changed, &[1]).iter().flatten().count(),
                0,
                "byte {at} as {value} is read"
            );
            tried += 1;
        }
        let mut shortened = frame.to_vec();
        shortened.remove(at);
        no_false_message(&shortened, message);
        let mut lengthened = frame.to_vec();
        lengthened.insert(at, frame[at]);
        no_false_message(&lengthened, message);
    }
    tried
}

#[test]
fn no_single_byte_change_of_any_golden_frame_is_another_message() {
    let mut tried = 0;
    for golden in v1::requests() {
        tried += damage_is_seen(&golden.message);
    }
    for golden in v1::board_messages() {
        tried += damage_is_seen(&golden.message);
    }
    assert!(tried > 200_000, "{tried} changes");
}

/// Lengths of garbage around the edge of the buffer, which holds 64 bytes.
#[test]
fn good_frame_behind_garbage_of_any_length_is_read() {
    let message = RequestFrame { seq: 7, request: Request::Ping };
    for length in (0..200).chain(1_000..1_003) {
        for filler in [0x01, 0x41, 0xFF] {
            let mut stream = vec![filler; length];
            stream.push(0);
            stream.extend_from_slice(&encode(&message));
            let all = items::<RequestFrame>(&stream, &[stream.len()]);
            let expected_error = match length {
                0 => None,
                1..=64 => Some(FrameError::Damaged),
                _ => Some(FrameError::TooLong),
            };
            let expected: Vec<_> = expected_error.map(Err).into_iter().chain([Ok(message.clone())]).collect();
            assert_eq!(all, expected, "{length} bytes of {filler}");
        }
    }
}

#[test]
fn longest_messages_are_as_long_as_stated() {
    let longest = |lengths: Vec<usize>| lengths.into_iter().max();
    let plan = RequestFrame {
        seq: u16::MAX,
        request: Request::LoadPlan {
            first: u16::MAX,
            channels: [Channel(255); PLAN_CHUNK].into_iter().collect(),
        },
    };
    assert_eq!(encode(&plan).len(), 1 + <RequestFrame as Message>::MAX_CONTENT + 4 + 1);
    let board = v1::board_messages().into_iter().map(|golden| golden.frame.len()).collect();
    assert_eq!(longest(board), Some(MAX_FRAME));
}

#[test]
fn content_of_another_version_is_unknown_with_its_number() {
    for (content, seq) in [
        (&[0x07, 0x0B][..], Some(7)),           // a request with index 11
        (&[0x07, 0x01, 0x00], Some(7)),         // Ping with a byte behind it
        (&[0x80, 0x01, 0x03, 0x05], Some(128)), // Select cut short
        (&[0x07, 0x07, 0x07, 0x00], Some(7)),   // a light with index 7
        (&[0x07, 0x04, 0x00, 0x21], Some(7)),   // LoadPlan of 33 channels
        (&[0x80], None),                        // not even a number
    ] {
        assert_eq!(RequestFrame::from_content(content), Err(UnknownContent { seq }), "{content:?}");
    }
    assert_eq!(BoardMessage::from_content(&[0x02, 0x00]), Err(UnknownContent { seq: None }));
}

/// Content that is near a message: one that is good with a few bytes replaced, or any bytes.
fn content() -> impl Strategy<Value = Vec<u8>> {
    let mut good: Vec<Vec<u8>> = v1::requests().into_iter().map(|golden| golden.content).collect();
    good.extend(v1::board_messages().into_iter().map(|golden| golden.content));
    let near = (select(good), vec((any::<prop::sample::Index>(), any::<u8>()), 0..4)).prop_map(
        |(mut bytes, changes)| {
            for (at, value) in changes {
                let at = at.index(bytes.len());
                bytes[at] = value;
            }
            bytes
        },
    );
    prop_oneof![3 => near, 1 => vec(any::<u8>(), 0..20)]
}

/// Reads content as this crate does and as postcard's crate does, the reference for the format.
fn both_read_alike<M>(content: &[u8])
where
    M: Message + serde::Serialize + serde::de::DeserializeOwned + PartialEq + core::fmt::Debug,
{
    let own = M::from_content(content).ok();
    let reference: Option<M> = match postcard::take_from_bytes(content) {
        Ok((message, [])) => Some(message),
        Ok(_) | Err(_) => None,
    };
    if own.is_some() {
        assert_eq!(own, reference, "{content:02X?}");
    } else if let Some(message) = reference {
        // The crate also takes an index that is written longer than it needs to be.
        let mut shortest = [0; 256];
        let shortest = postcard::to_slice(&message, &mut shortest).unwrap();
        assert_ne!(shortest, content, "{message:?} is not read");
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 2_000, ..ProptestConfig::default() })]

    #[test]
    fn content_is_read_as_the_crate_of_the_format_reads_it(content in content()) {
        both_read_alike::<RequestFrame>(&content);
        both_read_alike::<BoardMessage>(&content);
    }
}

proptest! {
    #[test]
    fn requests_come_back(message in request()) {
        let frame = encode(&message);
        prop_assert_eq!(items::<RequestFrame>(&frame, &[frame.len()]), [Ok(message)]);
    }

    #[test]
    fn board_messages_come_back(message in board_message()) {
        let frame = encode(&message);
        prop_assert_eq!(items::<BoardMessage>(&frame, &[frame.len()]), [Ok(message)]);
    }

    #[test]
    fn frames_hold_one_zero_at_their_end(message in board_message()) {
        let frame = encode(&message);
        prop_assert_eq!(frame.iter().position(|&byte| byte == 0), Some(frame.len() - 1));
    }

    #[test]
    fn any_split_gives_the_same_messages(
        messages in vec(board_message(), 1..8),
        pieces in vec(1_usize..90, 1..8),
    ) {
        let stream: Vec<u8> = messages.iter().flat_map(|message| encode(message).to_vec()).collect();
        let expected: Vec<_> = messages.into_iter().map(Ok).collect();
        prop_assert_eq!(items::<BoardMessage>(&stream, &pieces), expected);
    }

    #[test]
    fn one_changed_byte_is_never_another_message(
        message in request(),
        at in any::<prop::sample::Index>(),
        flip in 1_u8..=255,
    ) {
        let mut changed = encode(&message).to_vec();
        let at = at.index(changed.len());
        changed[at] ^= flip;
        prop_assert_eq!(items::<RequestFrame>(&changed, &[1]).iter().flatten().count(), 0);
    }

    #[test]
    fn the_frame_after_a_damaged_one_is_read(
        first in board_message(),
        second in board_message(),
        at in any::<prop::sample::Index>(),
        flip in 1_u8..=255,
    ) {
        let mut stream = encode(&first).to_vec();
        // The closing 0x00 stays: without it two frames are one.
        let at = at.index(stream.len() - 1);
        stream[at] ^= flip;
        stream.extend_from_slice(&encode(&second));
        let all = items::<BoardMessage>(&stream, &[stream.len()]);
        prop_assert_eq!(all.last(), Some(&Ok(second)));
    }

    #[test]
    fn any_bytes_are_survived(stream in vec(any::<u8>(), 0..400), pieces in vec(1_usize..50, 1..4)) {
        let mut bytes = stream;
        bytes.push(0);
        bytes.extend_from_slice(&encode(&RequestFrame { seq: 1, request: Request::Status }));
        let all = items::<RequestFrame>(&bytes, &pieces);
        prop_assert_eq!(all.last(), Some(&Ok(RequestFrame { seq: 1, request: Request::Status })));
    }
}
