//! The command side of a simulated SCPI bench meter.

use std::collections::VecDeque;

use crate::meter::Function;

/// What a command leads to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Reply {
    /// A line of text.
    Text(String),
    /// A new conversion, whose reading is sent when it ends.
    Convert,
    /// The newest conversion.
    Newest,
}

#[derive(Debug)]
pub(super) struct Instrument {
    function: Function,
    errors: VecDeque<(i32, &'static str)>,
}

impl Instrument {
    /// Entries of the error queue; the last is replaced when it overflows (20 in the 34401A class).
    const QUEUE: usize = 20;

    pub(super) const fn new(function: Function) -> Self {
        Self { function, errors: VecDeque::new() }
    }

    pub(super) const fn function(&self) -> Function {
        self.function
    }

    /// Carries out one line.
    pub(super) fn execute(&mut self, line: &str) -> Option<Reply> {
        let line = line.trim();
        let (header, parameters) = line.split_once(char::is_whitespace).unwrap_or((line, ""));
        let header = header.to_ascii_uppercase();
        let mut words = header.trim_start_matches(':').split(':').map(short);
        let words = (words.next().unwrap_or_default(), words.next(), words.next());
        match (words.0.as_str(), words.1.as_deref(), words.2.as_deref()) {
            ("", ..) => None,
            ("*IDN?", None, None) => text("PRACTICE,SIMULATED BENCH METER,0,1"),
            ("*OPC?", None, None) => text("1"),
            ("*CLS", None, None) => {
                self.errors.clear();
                None
            }
            ("*RST", None, None) => {
                self.function = Function::DcVoltage;
                None
            }
            ("SYST", Some("REM" | "LOC"), None) => None,
            ("SYST", Some("ERR?"), None) => {
                let (code, words) = self.errors.pop_front().unwrap_or((0, "No error"));
                text(&format!("{code:+},\"{words}\""))
            }
            ("CONF", Some("DIOD"), None) => self.choose(Function::Diode),
            ("CONF", Some("VOLT"), None | Some("DC")) => self.choose(Function::DcVoltage),
            ("CONF", Some("RES"), None) => self.choose(Function::Resistance),
            ("FUNC?", None, None) => text(match self.function {
                Function::Diode => "\"DIOD\"",
                Function::Resistance => "\"RES\"",
                _ => "\"VOLT\"",
            }),
            ("READ?", None, None) if parameters.is_empty() => Some(Reply::Convert),
            _ => {
                if self.errors.len() == Self::QUEUE {
                    self.errors.pop_back();
                    self.errors.push_back((-350, "Too many errors"));
                } else {
                    self.errors.push_back((-113, "Undefined header"));
                }
                None
            }
        }
    }

    const fn choose(&mut self, function: Function) -> Option<Reply> {
        self.function = function;
        None
    }
}

fn text(line: &str) -> Option<Reply> {
    Some(Reply::Text(format!("{line}\r\n")))
}

/// The short form of a header's word (SCPI-99, volume 1, 6.2.1, from memory: four letters, three if the fourth is
/// a vowel); common commands stay as they are.
fn short(word: &str) -> String {
    let (stem, query) = word.strip_suffix('?').map_or((word, ""), |stem| (stem, "?"));
    let keep = match stem.as_bytes() {
        [b'*', ..] => stem.len(),
        [_, _, _, b'A' | b'E' | b'I' | b'O' | b'U', _, ..] => 3,
        bytes => bytes.len().min(4),
    };
    stem.chars().take(keep).chain(query.chars()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn takes_long_and_short_words_in_any_case() {
        for line in ["CONF:DIOD", "configure:diode", ":Conf:Diod", "CONFigure:DIODe\r\n"] {
            let mut instrument = Instrument::new(Function::DcVoltage);
            assert_eq!(instrument.execute(line), None);
            assert_eq!(instrument.function(), Function::Diode, "{line}");
        }
        assert_eq!(short("SYSTEM"), "SYST");
        assert_eq!(short("REMOTE"), "REM");
        assert_eq!(short("RESISTANCE"), "RES");
    }

    #[test]
    fn keeps_what_it_does_not_know_in_its_error_queue() {
        let mut instrument = Instrument::new(Function::Diode);
        assert_eq!(instrument.execute("NONSENSE:ä"), None);
        let entry = |code_and_text: &str| Some(Reply::Text(format!("{code_and_text}\r\n")));
        assert_eq!(instrument.execute("SYST:ERR?"), entry("-113,\"Undefined header\""));
        assert_eq!(instrument.execute("SYSTem:ERRor?"), entry("+0,\"No error\""));
        for _ in 0..30 {
            instrument.execute("WHAT");
        }
        let entries = std::iter::from_fn(|| instrument.execute("SYST:ERR?"));
        let entries: Vec<_> =
            entries.take_while(|reply| *reply != entry("+0,\"No error\"").unwrap()).collect();
        assert_eq!(entries.len(), 20);
        assert_eq!(entries.last().cloned(), entry("-350,\"Too many errors\""));
    }
}
