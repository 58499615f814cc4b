//! What a sweep runs on: ports or the practice bench, and who moves the meter's plugs.

use std::{
    io::IsTerminal,
    sync::{Arc, atomic::AtomicBool},
};

use super::Args;
use crate::{
    cli::{emulation::Emulation, jig::Operator, once, place, precheck},
    exit_status::ExitStatus,
    failure::Failure,
    practice::{
        BenchDevices,
        serve::{Order, Orders},
    },
    session::Session,
    sweep::Devices,
};

/// Jig and meter, and who moves the meter's plugs.
pub(super) enum Bench {
    /// Hardware, and whoever is at the keyboard; nobody where the operator has confirmed everything beforehand.
    Ports(Box<dyn Devices>, Option<Operator>),
    /// The practice bench behind ports of its own.
    Served(Box<dyn Devices>, Orders),
    /// The practice bench, in simulated time.
    Instant(Box<BenchDevices>),
}

/// Opens jig and meter, or the practice bench.
pub(super) fn open(
    args: &Args,
    session: &Session,
    emulation: Option<&Emulation>,
    stop: Arc<AtomicBool>,
) -> Result<(Bench, [String; 2]), Failure> {
    Ok(match (emulation, &args.jig, &args.meter) {
        (Some(emulation), _, _) if args.instant => {
            let ports = ["the practice bench".to_owned(), "the practice bench".to_owned()];
            (Bench::Instant(Box::new(BenchDevices::new(emulation.bench()?))), ports)
        }
        (Some(emulation), _, _) => {
            let (devices, ports, orders) = place::serve(emulation, &session.profile, stop)?;
            (Bench::Served(devices, orders), ports)
        }
        (None, Some(jig), Some(meter)) => {
            let once::Bench { devices, ports } = once::open(jig, meter, &session.profile.port, stop)?;
            let asks = !args.unpowered && std::io::stdin().is_terminal();
            (Bench::Ports(devices, asks.then(Operator::new)), ports)
        }
        _ => return Err(Failure::new(ExitStatus::Usage, "expected --jig and --meter, or --practice")),
    })
}

impl precheck::Bench for Bench {
    fn devices(&mut self) -> &mut dyn Devices {
        match self {
            Self::Ports(devices, _) | Self::Served(devices, _) => devices.as_mut(),
            Self::Instant(devices) => devices.as_mut(),
        }
    }

    fn has_hands(&self) -> bool {
        !matches!(self, Self::Ports(_, None))
    }

    fn plug(&mut self, plugged: bool, to: &mut precheck::Asking<'_>) -> Result<(), Failure> {
        match self {
            Self::Ports(devices, Some(operator)) => {
                let what = if plugged {
                    "Now connect the meter: diode test, red clip on board ground, black to the common line"
                } else {
                    "Take both plugs of the meter out of the jig, so that the voltage on the board can be measured \
                     first"
                };
                operator
                    .ask(what, to.has_button, to.talk, devices.as_mut(), to.logbook, to.screen)
                    .map(|_| ())
            }
            Self::Ports(_, None) => Ok(()),
            Self::Served(_, orders) => {
                // A bench that is gone shows in the next request.
                let _ = orders.give(Order::Plug(plugged));
                Ok(())
            }
            Self::Instant(devices) => {
                devices.plug(plugged);
                Ok(())
            }
        }
    }
}
