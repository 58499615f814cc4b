//! Hosts of other protocol versions at this switching board, byte for byte: refused or served as PROTOCOL.md says.
//!
//! What a later host may send was made up from the rule that versions only append. Contents were written by hand,
//! frames computed from them by a separate program with zlib's CRC-32 and a COBS encoder of its own, like
//! those of `protocol/tests/golden`.

use firmware::{Board, Identity, Switch, SwitchFault, Waits};
use protocol::*;

/// One switch whose only state is whether a channel is closed.
#[derive(Default)]
struct Single(bool);

impl Switch for Single {
    fn kind(&self) -> BoardKind {
        BoardKind::Practice
    }
    fn channels(&self) -> u8 {
        4
    }
    fn waits(&self) -> Waits {
        Waits { break_us: 1, make_us: 1 }
    }
    fn open_all(&mut self) -> Result<(), SwitchFault> {
        self.0 = false;
        Ok(())
    }
    fn close(&mut self, _: Channel) -> Result<(), SwitchFault> {
        self.0 = true;
        Ok(())
    }
}

type Simple = Board<Single, firmware::NoFittings, 1>;

fn board() -> Simple {
    let identity = Identity { boot_id: 1, unique_id: [0; 8], reset: ResetCause::Power };
    Board::new(Single::default(), firmware::NoFittings, identity, 0)
}

fn bytes(hexadecimal: &str) -> Vec<u8> {
    hexadecimal.split_whitespace().map(|byte| u8::from_str_radix(byte, 16).unwrap()).collect()
}

/// What a board answers at time 0, which makes every byte of it known.
fn answer(board: &mut Simple, frame: &str) -> Vec<u8> {
    board.push(0, &bytes(frame), 0);
    let mut out = [0; 512];
    let length = board.take_output(0, &mut out);
    out[..length].to_vec()
}

const GREET_1: &str = "02 01 07 01 01 AE B9 E4 F7 00";

#[test]
fn a_host_without_a_common_version_is_refused_with_ours() {
    // 00 Answer | 01 seq 1 | 00 at 0 us | 0A Refused | 00 Version | 01 min 1 | 01 max 1
    let refused = bytes("01 02 01 02 0A 07 01 01 68 ED 91 57 00");
    for (host, frame) in [
        ("01 seq 1 | 00 Greet | 02 min 2 | 03 max 3", "02 01 07 02 03 41 8B C7 32 00"),
        ("01 seq 1 | 00 Greet | 00 min 0 | 00 max 0", "02 01 01 01 05 79 B8 F8 99 00"),
        ("01 seq 1 | 00 Greet | 03 min 3 | 02 max 2: no range", "02 01 07 03 02 96 8A DB 5C 00"),
    ] {
        let mut board = board();
        assert_eq!(answer(&mut board, frame), refused, "{host}");
        // 00 Answer | 02 seq 2 | 00 at 0 us | 0A Refused | 02 NotGreeted, to 02 seq 2 | 01 Ping
        let not_greeted = bytes("01 02 02 07 0A 02 30 B6 CA 78 00");
        assert_eq!(answer(&mut board, "07 02 01 EB 40 E8 04 00"), not_greeted, "{host}");
    }
}

#[test]
fn a_later_host_that_also_speaks_ours_is_served_ours() {
    for (host, frame) in [
        ("01 seq 1 | 00 Greet | 01 min 1 | 01 max 1", GREET_1),
        ("01 seq 1 | 00 Greet | 01 min 1 | 03 max 3", "02 01 07 01 03 82 D8 EA 19 00"),
        ("01 seq 1 | 00 Greet | 00 min 0 | FF max 255", "02 01 01 06 FF F4 57 FA B4 00"),
    ] {
        let greeting = answer(&mut board(), frame);
        // 00 Answer | 01 seq 1 | 00 at 0 us | 00 Greeting | 01 version 1 | 03 kind Practice | 01 boot id | 00 reset Power | ..
        assert_eq!(&greeting[..8], bytes("01 02 01 01 04 01 03 01"), "{host}");
        assert_eq!(greeting, answer(&mut board(), GREET_1), "{host}: the same as to a host of version 1");
    }
}

#[test]
fn what_only_a_later_version_knows_is_refused_by_its_number_and_opens() {
    // 00 Answer | 02 seq 2 | 00 at 0 us | 0A Refused | 01 UnknownRequest
    let unknown = bytes("01 02 02 07 0A 01 8A E7 C3 E1 00");
    for (request, frame) in [
        ("02 seq 2 | 0B a request that version 1 does not have", "07 02 0B F5 A9 3D E4 00"),
        ("02 seq 2 | 01 Ping | 07 a field that version 1 does not have", "08 02 01 07 9E A9 BA 7B 00"),
        (
            "02 seq 2 | 05 Start | 03 steps 3 | 00 settle 0 | 02 another pace",
            "04 02 05 03 06 02 3A 8B 74 67 00",
        ),
        ("02 seq 2 | 07 Indicate | 07 another light | 00 Silent", "04 02 07 07 05 D5 97 43 C1 00"),
    ] {
        let mut board = board();
        answer(&mut board, GREET_1);
        // Number 3, channel 0 and no settle time, from `protocol/tests/golden`'s rules.
        board.push(0, &encode(&RequestFrame { seq: 3, request: crate::bench::select(0, 0) }), 0);
        for now_us in 0..20 {
            board.poll(now_us);
        }
        assert!(board.switch().0);
        board.take_output(0, &mut [0; 512]);

        board.push(0, &bytes(frame), 0);
        assert!(!board.switch().0, "{request}");
        let mut out = [0; 512];
        let length = board.take_output(0, &mut out);
        // Behind the event that everything was opened.
        assert!(out[..length].ends_with(&unknown), "{request}: {:02X?}", &out[..length]);
    }
}

#[test]
fn before_a_greeting_even_that_is_only_not_greeted() {
    let not_greeted = bytes("01 02 02 07 0A 02 30 B6 CA 78 00");
    assert_eq!(answer(&mut board(), "07 02 0B F5 A9 3D E4 00"), not_greeted);
}
