//! Formats that are text for people.

use super::{Display, Shown};
use crate::meter::{Function, LineFormat};

/// The number, or this for an overload.
fn value(display: &Display, overload: &str) -> String {
    let sign = if display.shown.is_minus() { "-" } else { "" };
    display.shown.text().unwrap_or_else(|| format!("{sign}{overload}"))
}

pub(super) fn d14(display: &Display) -> Vec<u8> {
    let (mode, unit) = match display.function {
        Function::Diode => ("DI", "V"),
        Function::DcVoltage => ("DC", "V"),
        _ => ("OH", "Ohm"),
    };
    format!("{mode}{:>7}{unit:>4}\r", value(display, "O.L")).into_bytes()
}

pub(super) fn t16(display: &Display) -> Vec<u8> {
    let unit = match display.function {
        Function::Diode => "46",
        Function::DcVoltage => "34",
        _ => "38",
    };
    let sign = if display.shown.is_minus() { '1' } else { '0' };
    // How an overload is sent is not known: blanks stand for "no number".
    let digits = display.shown.digits(3, 8).unwrap_or_else(|| "        ".to_owned());
    format!("\u{2}41{unit}{sign}3{digits}\r").into_bytes()
}

pub(super) fn tpi183(display: &Display) -> Vec<u8> {
    let code = match display.function {
        Function::Diode => '6',
        Function::DcVoltage => '2',
        _ => '1',
    };
    let text = match display.shown {
        Shown::Count { .. } => format!("{:>6}", value(display, "")),
        Shown::Overload { .. } => "  0.L ".to_owned(),
    };
    format!("{code}00 {text}\r\n").into_bytes()
}

pub(super) fn tpi196(display: &Display) -> Vec<u8> {
    let (name, unit) = match display.function {
        Function::Diode => ("DIO", "V"),
        Function::DcVoltage => ("DCV", "V"),
        Function::Continuity => ("BEP", "ohm"),
        _ => ("OHM", "ohm"),
    };
    let text = value(display, "OL");
    let sign = if text.starts_with('-') { "" } else { " " };
    format!("2 {name} {sign}{text} {unit} \r\n").into_bytes()
}

pub(super) fn hm8012(display: &Display) -> Vec<u8> {
    let unit = if matches!(display.function, Function::Diode | Function::DcVoltage) { "V" } else { "OHM" };
    format!("{} {unit}\r", value(display, "OL")).into_bytes()
}

pub(super) fn line(display: &Display, format: &LineFormat) -> Vec<u8> {
    let columns = [Some(format.value_column), format.unit_column, format.function_column];
    let width = columns.into_iter().flatten().max().unwrap_or(1);
    let mut words = vec!["-".to_owned(); width];
    // The columns of a checked format count from 1.
    let mut put = |column: Option<usize>, word: String| {
        if let Some(place) = column.and_then(|column| words.get_mut(column.saturating_sub(1))) {
            *place = word;
        }
    };
    let overload = format.overload.first().map_or("OL", String::as_str);
    let number = value(display, overload);
    put(Some(format.value_column), if format.decimal_comma { number.replace('.', ",") } else { number });
    put(format.unit_column, "V".to_owned());
    let is_diode = matches!(display.function, Function::Diode);
    put(format.function_column, format.diode_word.clone().filter(|_| is_diode).unwrap_or_default());
    let separator = format.separator.map_or_else(|| " ".to_owned(), String::from);
    let mut line = words.join(&separator);
    line.push_str("\r\n");
    line.into_bytes()
}
