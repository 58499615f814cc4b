//! A first connector, drawn from what its drawing calls it.

use clap::ValueEnum;

use super::{
    Args,
    interview::{Interview, NONE, Question, joined, list, name},
};
use crate::{
    connector::{Connector, LAST_POSITION, Numbering, PinName, Role, rectangle},
    failure::Failure,
};

/// How a drawing counts pins.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(super) enum Counting {
    /// A1, A2, A3 ... B1, B2
    ByRow,
    /// 1, 2, 3 in the first row, 4, 5, 6 in the second
    RowAfterRow,
    /// 1, 3, 5 in the first row, 2, 4, 6 in the second
    Across,
    /// 1, 2, 3 in the first row, 6, 5, 4 in the second
    Around,
}

/// Draws the connector; `None` if no connector is wanted, or its size is not known and may not be asked for.
pub(super) fn connector(args: &Args, interview: &mut Interview<'_>) -> Result<Option<Connector>, Failure> {
    if args.no_connector {
        return Ok(None);
    }
    if args.yes && args.positions.is_none() {
        interview
            .tell("no connector is drawn: that needs --positions, and --rows where they are not A and B");
        return Ok(None);
    }
    let named = Question::new("--name", "Connector, as the drawing calls it").or("J1");
    let named = interview.ask(named, args.name.as_deref(), name)?;
    let rows = Question::new("--rows", "Its rows, as the drawing calls them").or("A,B");
    let rows = interview.ask(rows, joined(&args.rows).as_deref(), |text| {
        list(text).map(name).collect::<Result<Vec<_>, _>>()
    })?;
    let positions = Question::new("--positions", "Positions in a row");
    let given = args.positions.map(|positions| positions.to_string());
    let positions = interview.ask(positions, given.as_deref(), |text| {
        let found = || format!("expected a number from 1 to {}, found `{text}`", LAST_POSITION);
        text.parse().ok().filter(|n| (1..=LAST_POSITION).contains(n)).ok_or_else(found)
    })?;
    let numbering = match args.numbering {
        Some(numbering) => numbering,
        None => {
            interview.say("Pins are counted");
            interview.say("  by-row         A1, A2, A3 ... then B1, B2, B3");
            interview.say("  row-after-row  1, 2, 3 ... then on from the same end of the next row");
            interview.say("  across         1, 3, 5 ... with 2, 4, 6 in the next row");
            interview.say("  around         1, 2, 3 ... then back along the next row");
            interview.ask(
                Question::new("--numbering", "How are yours counted").or("by-row"),
                None,
                |text| {
                    let found = |_| format!("expected one of the words on the left, found `{text}`");
                    Counting::from_str(text, true).map_err(found)
                },
            )?
        }
    };
    let ground = Question::new("--ground", "Ground pins, such as A1,A4").or(NONE);
    let drawn = interview.ask(ground, joined(&args.ground).as_deref(), |text| {
        let ground: Vec<PinName> = list(text).map(PinName::new).collect();
        rectangle(&named, &rows, positions, numbering.into(), &ground).map_err(|error| error.to_string())
    })?;
    Ok(Some(drawn))
}

/// A file name that every system takes.
pub(super) fn file_name(connector: &str) -> String {
    let keep = |c: char| if c.is_ascii_alphanumeric() || matches!(c, '-' | '_') { c } else { '_' };
    format!("{}.toml", connector.chars().map(keep).collect::<String>())
}

pub(super) fn describe(connector: &Connector) -> String {
    let ground = connector.pins.iter().filter(|pin| pin.role == Some(Role::Ground)).count();
    format!("connector {}, {} pins, {ground} of them ground", connector.name, connector.pins.len())
}

pub(super) fn with_comment(connector: &Connector) -> String {
    format!(
        "# Drawn by `pintally init`. Add what you know, and leave the rest out: it is learned from known-good boards.\n\
         #   net = \"VLED\"      pins with the same net share it\n\
         #   role = \"power\"    ground, power, signal or unconnected\n\
         #   pair = \"A3\"       the other leg of a differential pair, which names this one in return\n\
         #   note = \"...\"      one line for yourself\n\
         {}",
        connector.to_toml()
    )
}

impl From<Counting> for Numbering {
    fn from(counting: Counting) -> Self {
        match counting {
            Counting::ByRow => Self::ByRow,
            Counting::RowAfterRow => Self::RowAfterRow,
            Counting::Across => Self::Across,
            Counting::Around => Self::Around,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_name_is_safe_in_every_file_system() {
        assert_eq!(file_name("J5"), "J5.toml");
        assert_eq!(file_name("../J 5/µ"), "___J_5__.toml");
    }
}
