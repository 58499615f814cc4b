//! Lists serial ports for `jig find` and `meter find`.

use clap::{Args as Arguments, ValueEnum};
use serde_json::json;

use super::Screen;
use crate::{
    exit_status::ExitStatus,
    failure::Failure,
    port::{self, Address, ListedPort},
};

/// How to print results.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(super) enum Format {
    /// For people
    Text,
    /// JSON Lines
    Json,
}

/// List the serial ports and what is known of them
#[derive(Debug, Arguments)]
#[group(id = "find")]
pub(super) struct FindArgs {
    /// How to print
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
}

/// Lists the ports; `device` is what the operator looks for, `next` the command that tests one of them.
pub(super) fn find(
    args: &FindArgs,
    device: &str,
    next: &str,
    screen: &mut Screen,
) -> Result<ExitStatus, Failure> {
    let ports = port::list().map_err(|reason| {
        Failure::new(ExitStatus::Io, format!("the system does not tell its serial ports: {reason}"))
    })?;
    for port in &ports {
        screen.line(&match args.format {
            Format::Text => text(port),
            Format::Json => json(port),
        })?;
    }
    if ports.is_empty() {
        screen.tell(&format!("no serial port was found: plug in the {device}'s cable, then look again"));
    } else {
        screen.say(&format!("next: {next}"));
    }
    Ok(ExitStatus::Matches)
}

/// Refuses one port for two devices, before it is opened: the second opening would find it held by another program.
pub(super) fn apart(jig: &Address, meter: &Address) -> Result<(), Failure> {
    if !jig.is_same_as(meter) {
        return Ok(());
    }
    let found = match jig == meter {
        true => format!("{jig} for both"),
        false => format!("one port under two names, {jig} and {meter}"),
    };
    let text = format!("expected a port for the switching board and another for the meter, found {found}");
    Err(Failure::new(ExitStatus::Usage, text)
        .hint("give each its own with --jig and --meter, or in the configuration")
        .hint("`pintally jig identify PORT` tells which one is the switching board"))
}

/// A port and what is known of it, on one line.
pub(super) fn text(port: &ListedPort) -> String {
    let Some(usb) = &port.usb else { return port.name.clone() };
    let mut words = vec![format!("{:<16} USB {:04x}:{:04x}", port.name, usb.vendor_id, usb.product_id)];
    words.extend(usb.maker.clone());
    words.extend(usb.product.clone());
    words.extend(usb.serial.as_ref().map(|serial| format!("serial {serial}")));
    words.join(" ")
}

fn json(port: &ListedPort) -> String {
    let usb = port.usb.as_ref().map(|usb| {
        json!({
            "vendor_id": usb.vendor_id,
            "product_id": usb.product_id,
            "maker": usb.maker,
            "product": usb.product,
            "serial": usb.serial,
        })
    });
    json!({ "port": port.name, "usb": usb }).to_string()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::port::UsbDevice;

    #[test]
    fn a_port_is_shown_with_what_is_known() {
        let usb = UsbDevice {
            vendor_id: 0x0403,
            product_id: 0x6001,
            serial: Some("A1".into()),
            maker: None,
            product: Some("USB adapter".into()),
        };
        let port = ListedPort { name: "COM7".into(), usb: Some(usb) };
        assert_eq!(text(&port), "COM7             USB 0403:6001 USB adapter serial A1");
        assert_eq!(text(&ListedPort { name: "COM1".into(), usb: None }), "COM1");
    }
}
