//! Repair notes in TOML: whatever the bytes, notes about pins of the connector that can be shown and survive their log,
//! or a message that can be shown.

use pintally::{connector, label, repair::RepairNotes, session::Settings};

pub(crate) fn check(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else { return };
    let connector = connector::from_toml(connector::DEMO).expect("the connector is built in");
    let notes = match RepairNotes::from_toml(text, &connector) {
        Ok(notes) => notes,
        Err(error) => {
            assert!(!error.to_string().chars().any(label::is_unprintable), "{error:?}");
            return;
        }
    };
    let pins = notes.indices(&connector);
    assert_eq!(pins.len(), notes.pins.len(), "each is a pin of the connector");
    for (note, pin) in notes.pins.iter().zip(pins) {
        assert_eq!(note.name, connector.pins[pin].name);
        assert!(!note.to_string().chars().any(label::is_unprintable), "{note}");
    }
    assert!(notes.checklist.iter().all(|line| !line.chars().any(label::is_unprintable)));
    let settings = Settings { repair: notes, ..Settings::default() };
    assert_eq!(Settings::from_value(&settings.to_value()), Ok(settings));
}
