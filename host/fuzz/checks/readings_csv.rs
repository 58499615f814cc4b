//! Readings in CSV for the demonstration connector: whatever the bytes, boards with one value a pin and
//! voltages that a meter can show, or messages that can be shown; and the boards before the first bad row are
//! the same whether or not good rows are kept after it.

use std::sync::LazyLock;

use pintally::{
    connector::{Connector, DEMO, from_toml},
    label,
    readings::{
        csv::{Boards, RowError, Strictness},
        typed,
    },
};

static CONNECTOR: LazyLock<Connector> =
    LazyLock::new(|| from_toml(DEMO).expect("the demonstration connector is sound"));

pub(crate) fn check(data: &[u8]) {
    let read = |strictness| {
        let mut boards = Boards::new(data, &CONNECTOR, strictness)?;
        let (mut good, mut bad) = (Vec::new(), Vec::new());
        for board in &mut boards {
            match board {
                Ok(board) => good.push(board),
                Err(error) => bad.push(error),
            }
        }
        bad.extend(boards.take_warnings());
        Ok::<_, RowError>((good, bad))
    };
    let (strict, kept) = match (read(Strictness::StopAtBadRow), read(Strictness::KeepGoodRows)) {
        (Ok(strict), Ok(kept)) => (strict, kept),
        (Err(error), Err(_)) => return shown(&error),
        _ => panic!("the first line is read alike"),
    };
    for board in kept.0.iter().chain(&strict.0) {
        assert!(label::name(&board.board).is_ok());
        assert_eq!(board.values.len(), CONNECTOR.pins.len());
        let volts = board.values.iter().filter_map(|value| value.volts());
        assert!(volts.into_iter().all(|volts| volts.get().abs() <= typed::MOST_VOLTS));
    }
    kept.1.iter().chain(&strict.1).for_each(shown);
    assert!(strict.1.len() <= 1);
    assert_eq!(strict.1.is_empty(), kept.1.is_empty());
    assert_eq!(kept.0.get(..strict.0.len()), Some(&*strict.0));
}

fn shown(error: &RowError) {
    assert!(!error.to_string().chars().any(label::is_unprintable), "{error:?}");
    assert!(!error.hint().unwrap_or_default().chars().any(label::is_unprintable), "{error:?}");
}
