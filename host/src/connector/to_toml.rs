//! A connector as the text of a TOML file.

use super::Connector;

impl Connector {
    /// Writes it as [`super::from_toml`] reads it: one line a pin, in the order of the pins.
    #[must_use]
    pub fn to_toml(&self) -> String {
        let mut text = format!("name = {}\n\npin = [\n", quoted(&self.name));
        for pin in &self.pins {
            let position = pin.position.map(|position| position.to_string());
            let fields = [
                ("name", Some(quoted(pin.name.as_str()))),
                ("row", pin.row.as_deref().map(quoted)),
                ("position", position),
                ("net", pin.net.as_deref().map(quoted)),
                ("role", pin.role.map(|role| quoted(role.word()))),
                ("pair", pin.pair.as_ref().map(|pair| quoted(pair.as_str()))),
                ("note", pin.note.as_deref().map(quoted)),
            ];
            let known: Vec<String> =
                fields.into_iter().filter_map(|(key, value)| Some(format!("{key} = {}", value?))).collect();
            text.push_str(&format!("  {{ {} }},\n", known.join(", ")));
        }
        text.push_str("]\n");
        text
    }
}

fn quoted(text: &str) -> String {
    toml::Value::String(text.to_owned()).to_string()
}

#[cfg(test)]
mod tests {
    use super::super::{DEMO, Pin, PinName, from_toml};
    use super::*;

    #[test]
    fn what_is_written_is_read_back() {
        let strange = Pin {
            row: Some("\"top\"".to_owned()),
            note: Some("back\\slash, 'quotes' and µ".to_owned()),
            pair: Some(PinName::new("2")),
            ..Pin::named("1")
        };
        let other = Pin { pair: Some(PinName::new("1")), ..Pin::named("2") };
        let strange = Connector::new("J\"1\"", vec![strange, other]).unwrap();
        for connector in [from_toml(DEMO).unwrap(), strange] {
            let text = connector.to_toml();
            assert_eq!(from_toml(&text).unwrap(), connector, "{text}");
        }
    }
}
