//! The faults that a jig can have, each with its name and what to do about it.

use protocol::Channel;

/// A fault that was found.
#[derive(Debug, Clone, PartialEq)]
pub struct Finding {
    /// Which fault.
    pub fault: Fault,
    /// The channels that it is about; none where it is the whole jig.
    pub channels: Vec<Channel>,
    /// What was seen, and what should have been.
    pub evidence: String,
}

macro_rules! faults {
    ($($(#[$doc:meta])* $variant:ident, $id:literal, $name:literal, $remedy:literal;)+) => {
        /// What can be wrong with a jig.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
        #[non_exhaustive]
        pub enum Fault {
            $($(#[$doc])* $variant,)+
        }

        impl Fault {
            /// Every fault.
            pub const ALL: &[Self] = &[$(Self::$variant),+];

            /// Its name for programs.
            #[must_use]
            pub const fn id(self) -> &'static str {
                match self { $(Self::$variant => $id),+ }
            }

            /// Its name for people.
            #[must_use]
            pub const fn name(self) -> &'static str {
                match self { $(Self::$variant => $name),+ }
            }

            /// What to do about it.
            #[must_use]
            pub const fn remedy(self) -> &'static str {
                match self { $(Self::$variant => $remedy),+ }
            }
        }
    };
}

faults! {
    /// No channel conducts, not even the check channel.
    NothingConducts, "nothing-conducts", "nothing conducts on any channel",
        "see that the red clip bites on ground, the black lead sits on the common line, and the switch has its supply";
    /// Only the check channel conducts.
    GroundOff, "ground-off", "board or plate is not joined to the jig's ground",
        "join the ground of the carrier to the ground where the red clip is, with a wire of its own";
    /// The common line touches ground.
    CommonShorted, "common-shorted", "the common line is shorted to ground",
        "look for a solder bridge or a pinched wire between the common line and ground";
    /// Something conducts from the common line to ground.
    CommonLoaded, "common-loaded", "the common line leaks to ground",
        "see whether the bleed resistor stays on (its switch, its gate resistor); wash flux off the common line";
    /// The multiplexer's own clamp diode.
    ClampDiode, "clamp-diode", "the multiplexer's own clamp diode conducts on every open pin",
        "with red on ground the pins go negative: give the multiplexer a supply on both sides of ground, or use relays or PhotoMOS (docs/jig, traps)";
    /// The multiplexer's negative supply ends below what the meter drives.
    SupplyClamp, "supply-clamp", "open pins read the multiplexer's supply instead of OL",
        "choose a setting or meter with less open-circuit voltage, a multiplexer with a higher supply, or relays (docs/jig, traps)";
    /// Every path is high.
    PathsHigh, "paths-high", "the path of every channel is high",
        "clean the red clip and the meter's plugs and seat them anew; PhotoMOS relays of 25 ohm need --path-limit 40";
    /// The cable sits one position off.
    Shifted, "shifted", "the cable is plugged in off by one position",
        "unplug it, look for pin 1 on both sides, plug it in again";
    /// The cable is turned round.
    Reversed, "reversed", "the positions come in reversed order",
        "the cable or plate is plugged in turned round: look for pin 1 on both sides";
    /// Two banks are exchanged.
    BanksExchanged, "banks-exchanged", "two banks of 16 channels are exchanged",
        "exchange the cables or the enable lines of these banks";
    /// A whole bank is dead.
    BankDead, "bank-dead", "a bank of 16 channels never conducts",
        "check this bank's enable line, its supply, and the joint between its common pin and the common line";
    /// A contact that never opens.
    StuckClosed, "stuck-closed", "a channel is stuck closed",
        "replace its relay or switch; do not put a board on this jig before";
    /// A channel that never conducts.
    Dead, "dead", "a channel never conducts",
        "check its switch, wire and contact for an open joint";
    /// A channel whose path is high.
    PathHigh, "path-high", "the path of a channel is high",
        "clean or replace its relay or contact, reflow its joints; relays that have been idle come back after some hundred cycles";
    /// Wires exchanged.
    Crossed, "crossed", "wires are exchanged",
        "exchange them, or change the wiring file to what is there";
    /// Two wires touch.
    Bridged, "bridged", "two channels are bridged",
        "look for solder or a whisker between these two wires, contacts or switch pins";
    /// A wire on ground.
    Shorted, "shorted", "a channel is shorted to ground",
        "look for solder or a pinched wire between this channel and ground or the shield";
    /// A wire that leaks to ground.
    Leaky, "leaky", "a channel leaks to ground",
        "wash flux and moisture off this channel's wire and contact; replace its switch if that does not help";
    /// A contact that comes and goes.
    Intermittent, "intermittent", "a contact comes and goes",
        "press on its contact and wire while `pintally meter watch` runs; clean or replace it";
    /// A reading that no known fault explains.
    Misread, "misread", "a channel reads what no known fault explains",
        "measure the resistor at this position of the ladder plate with an ohmmeter; then check the wire";
    /// Another resistor on the check channel.
    CheckResistor, "check-resistor", "the resistor on the check channel is not the one in the wiring file",
        "measure it with an ohmmeter, and write what it is into the wiring file";
    /// No resistor on the check channel.
    CheckOpen, "check-open", "the check channel is open",
        "fit its resistor between the channel and ground, or take the check channel out of the wiring file";
    /// The lid contact never closes.
    LidStuckOpen, "lid-stuck-open", "the lid contact says open although the lid is shut",
        "check the lid contact and its wire; a jig without a lid needs a wire in its place";
    /// The lid contact never opens.
    LidStuckClosed, "lid-stuck-closed", "the lid contact says shut although the lid is open",
        "repair it before the jig is used: an open lid must open every channel";
    /// The button is stuck.
    ButtonStuck, "button-stuck", "the start button is stuck pressed",
        "free or replace the button; look for a short in its wire";
    /// The button is not heard.
    ButtonDead, "button-dead", "the start button is not heard",
        "check the button and its wire";
    /// The sense input sees nothing.
    SenseDead, "sense-dead", "the sense input does not see a voltage",
        "check its resistors and the wire to the common line; until then no live board is noticed before the meter touches it";
    /// The sense input sees something else.
    SenseMisreads, "sense-misreads", "the sense input shows a wrong voltage",
        "check its two resistors, and that the meter was unplugged";
    /// No bleed resistor.
    BleedMissing, "bleed-missing", "the bleed resistor is not there",
        "check the bleed resistor and its switch; until then nothing discharges a board";
    /// Another bleed resistor than can work.
    BleedResistor, "bleed-resistor", "the bleed resistor has an unusable value",
        "fit 330 ohm, 1 W (docs/jig, the rest of the board)";
}

impl Fault {
    /// Whether it changes what is seen on the common line whatever channel is closed.
    pub(super) const fn is_of_the_common_line(self) -> bool {
        matches!(
            self,
            Self::NothingConducts
                | Self::CommonShorted
                | Self::CommonLoaded
                | Self::ClampDiode
                | Self::SupplyClamp
        )
    }

    /// Whether it is about lid, button, sense input or bleed resistor.
    #[must_use]
    pub const fn is_of_the_panel(self) -> bool {
        matches!(
            self,
            Self::LidStuckOpen
                | Self::LidStuckClosed
                | Self::ButtonStuck
                | Self::ButtonDead
                | Self::SenseDead
                | Self::SenseMisreads
                | Self::BleedMissing
                | Self::BleedResistor
        )
    }
}

impl Finding {
    pub(super) fn new(fault: Fault, channels: Vec<Channel>, evidence: String) -> Self {
        Self { fault, channels, evidence }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_fault_has_a_name_of_its_own() {
        let mut ids: Vec<&str> = Fault::ALL.iter().map(|fault| fault.id()).collect();
        let mut names: Vec<&str> = Fault::ALL.iter().map(|fault| fault.name()).collect();
        for list in [&mut ids, &mut names] {
            let all = list.len();
            list.sort_unstable();
            list.dedup();
            assert_eq!(list.len(), all);
        }
    }
}
