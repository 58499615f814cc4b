//! Which serial ports the system has.

use serialport::SerialPortType;

/// A serial port that the system lists, with what is known of it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ListedPort {
    /// Name to open it by.
    pub name: String,
    /// The USB device behind it, where there is one and the system tells.
    pub usb: Option<UsbDevice>,
}

/// A USB device that offers a serial port. Vendor, product and serial number together tell it apart better than the
/// port's name, which changes with the order of plugging in.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct UsbDevice {
    /// Vendor.
    pub vendor_id: u16,
    /// Product of this vendor.
    pub product_id: u16,
    /// Serial number.
    pub serial: Option<String>,
    /// Name of the maker.
    pub maker: Option<String>,
    /// Name of the product.
    pub product: Option<String>,
}

/// Lists the serial ports, by name.
///
/// # Errors
/// The system's words, if it does not tell.
pub fn list() -> Result<Vec<ListedPort>, String> {
    let mut ports: Vec<ListedPort> = serialport::available_ports()
        .map_err(|error| error.to_string())?
        .into_iter()
        .map(|port| ListedPort {
            name: port.port_name,
            usb: match port.port_type {
                SerialPortType::UsbPort(usb) => Some(UsbDevice {
                    vendor_id: usb.vid,
                    product_id: usb.pid,
                    serial: usb.serial_number,
                    maker: usb.manufacturer,
                    product: usb.product,
                }),
                _ => None,
            },
        })
        .collect();
    ports.sort_by(|a, b| a.name.cmp(&b.name));
    Ok(ports)
}
