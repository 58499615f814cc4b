//! The files in `fixtures/` load.

use std::{
    fs::{self, File},
    path::{Path, PathBuf},
};

use pintally::{
    connector::{self, BoardKind, Connector, Role, Wiring},
    readings::csv::{Boards, Strictness},
};

pub(crate) fn fixtures() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../fixtures")
}

fn connector(path: &Path) -> Connector {
    let text = fs::read_to_string(path).unwrap();
    connector::from_file(path.to_str().unwrap(), &text).unwrap_or_else(|e| panic!("{}: {e}", path.display()))
}

/// The folders of the invented boards, those of the other meter too.
fn board_folders() -> Vec<PathBuf> {
    let mut found: Vec<_> = ["boards", "boards-other-meter"]
        .iter()
        .flat_map(|folder| fs::read_dir(fixtures().join(folder)).unwrap())
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.is_dir())
        .collect();
    found.sort();
    found
}

#[test]
fn connectors_of_the_boards_load() {
    let folders = board_folders();
    assert_eq!(folders.len(), 10);
    for folder in folders {
        let drawn = connector(&folder.join("connector.csv"));
        let bare = connector(&folder.join("bare.csv"));
        assert_eq!(drawn.name, "connector");
        assert!(drawn.pins.len() >= 24, "{}", folder.display());
        assert!(drawn.pins.iter().all(|pin| pin.net.is_some() && pin.role.is_some()));
        assert!(
            bare.pins.iter().all(|pin| pin.net.is_none() && pin.role.is_none() && pin.position.is_some())
        );
        let names =
            |connector: &Connector| connector.pins.iter().map(|pin| pin.name.clone()).collect::<Vec<_>>();
        assert_eq!(names(&drawn), names(&bare));
    }
}

#[test]
fn readings_of_the_boards_load() {
    for folder in board_folders() {
        let connector = connector(&folder.join("bare.csv"));
        for name in ["good.csv", "test.csv"] {
            let path = folder.join(name);
            let lines = fs::read_to_string(&path).unwrap().lines().count() - 1;
            let file = File::open(&path).unwrap();
            let boards = Boards::new(file, &connector, Strictness::StopAtBadRow).unwrap();
            let boards: Vec<_> = boards.map(|board| board.unwrap()).collect();
            assert_eq!(boards.len() * connector.pins.len(), lines, "{}", path.display());
        }
    }
}

#[test]
fn the_demonstration_connector_is_what_its_head_says() {
    let j5 = connector::from_toml(connector::DEMO).unwrap();
    assert_eq!((j5.name.as_str(), j5.pins.len()), ("J5", 40));
    let count = |role| j5.pins.iter().filter(|pin| pin.role == Some(role)).count();
    assert_eq!(count(Role::Ground), 6);
    assert_eq!(count(Role::Power), 6);
    assert_eq!(count(Role::Signal), 26);
    assert_eq!(count(Role::Unconnected), 2);
    assert_eq!(j5.pins.iter().filter(|pin| pin.pair.is_some()).count(), 12);
    for row in ["A", "B"] {
        assert_eq!(j5.pins.iter().filter(|pin| pin.row.as_deref() == Some(row)).count(), 20);
    }
}

#[test]
fn the_board_kind_lists_connectors_that_load_with_their_wirings() {
    let folder = fixtures().join("connectors");
    let kind = BoardKind::from_toml(&fs::read_to_string(folder.join("larkspur-12.toml")).unwrap()).unwrap();
    let names: Vec<_> = kind.connectors.iter().map(|connector| connector.name.as_str()).collect();
    assert_eq!(names, ["J5", "J7", "J9"]);
    for listed in &kind.connectors {
        let connector = listed.connector(&fs::read_to_string(folder.join(&listed.file)).unwrap()).unwrap();
        assert_eq!(connector.name, listed.name);
        let Some(wiring) = &listed.wiring else { continue };
        let wiring =
            Wiring::from_toml(&fs::read_to_string(folder.join(wiring)).unwrap(), &connector).unwrap();
        assert_eq!(wiring.fits(&connector, 41), Ok(()));
        assert!(wiring.fits(&connector, 40).is_err(), "the check channel is 40");
    }
    assert_eq!(kind.order(2), [2, 0, 1]);
}
