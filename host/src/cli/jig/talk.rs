//! What the answers of a switching board, and their lack, mean for a command.

use protocol::{Answer, Fault, Greeting, Request, version};

use crate::{
    exit_status::ExitStatus,
    failure::Failure,
    sweep::{Devices, Recorder, Talk, Unanswered},
};

impl From<Unanswered> for Failure {
    fn from(unanswered: Unanswered) -> Self {
        let status = match unanswered {
            Unanswered::Stopped => ExitStatus::Inconclusive,
            _ => ExitStatus::Unavailable,
        };
        let hint = match unanswered {
            Unanswered::Silent(_) => {
                Some("check that the switching board has power and its cable sits, then try again")
            }
            Unanswered::Restarted => Some("look at its supply and its cable, then run the command again"),
            Unanswered::Lost(..) => {
                Some("check the cables, plug them in again, and look with `pintally jig find`")
            }
            Unanswered::Stopped => None,
        };
        let failure = Self::new(status, unanswered);
        match hint {
            Some(hint) => failure.hint(hint),
            None => failure,
        }
    }
}

/// Greets, and takes nothing but a greeting for an answer.
pub(in crate::cli) fn greet(
    talk: &mut Talk,
    devices: &mut dyn Devices,
    recorder: &mut dyn Recorder,
) -> Result<Greeting, Failure> {
    greeting(talk.greet(devices, recorder)?)
}

/// The greeting, if the answer to `Greet` is one.
pub(super) fn greeting(answer: Answer) -> Result<Greeting, Failure> {
    match answer {
        Answer::Greeting(greeting) => Ok(greeting),
        Answer::Refused(Fault::Version { min, max }) => Err(Failure::new(
            ExitStatus::Protocol,
            format!(
                "expected a switching board that speaks version {} to {} of the protocol, found one that speaks {min} to {max}",
                version::MIN,
                version::CURRENT
            ),
        )
        .hint("flash the firmware that came with this program, see docs/flashing.md")),
        other => {
            let greet = Request::Greet { min: version::MIN, max: version::CURRENT };
            Err(odd(&greet, &other))
        }
    }
}

/// The failure of an answer that fits no request.
pub(in crate::cli) fn odd(request: &Request, answer: &Answer) -> Failure {
    let found = match answer {
        // Only a start between the greeting and the request makes it forget the greeting.
        Answer::Refused(Fault::NotGreeted) => return Unanswered::Restarted.into(),
        Answer::Refused(Fault::LidOpen) => "the lid is open".to_owned(),
        Answer::Refused(Fault::NotFitted) => "that part is not fitted".to_owned(),
        Answer::Refused(fault) => format!("it refused ({fault:?})"),
        other => format!("{other:?}"),
    };
    Failure::new(ExitStatus::Unavailable, format!("the switching board was asked for {request:?}: {found}"))
        .hint("`pintally jig identify PORT` tells what it can do")
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Its clock may be ahead of what it showed before it started again.
    #[test]
    fn a_board_that_forgot_the_greeting_has_started_again() {
        let failure = odd(&Request::Sense, &Answer::Refused(Fault::NotGreeted));
        assert!(failure.to_string().contains("it started again"), "{failure}");
        let failure = odd(&Request::Sense, &Answer::Refused(Fault::NotFitted));
        assert!(failure.to_string().contains("that part is not fitted"), "{failure}");
    }
}
