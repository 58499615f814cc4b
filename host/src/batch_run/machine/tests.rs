//! A batch from its first board to its last, by what its operator does.

use super::*;
use crate::batch_run::OnTheJig;

fn setup() -> Setup {
    Setup {
        connectors: vec!["J5".to_owned(), "J7".to_owned()],
        naming: Naming::Counted("T100".to_owned()),
        name_starts: false,
        boards: None,
        reseats: 1,
    }
}

fn begin(setup: Setup) -> (Machine, Vec<Action>) {
    Machine::new(setup, &Progress { next_place: 1, ..Progress::default() })
}

fn start(board: &str) -> Action {
    Action::Ask(Prompt::Start { board: board.to_owned() })
}

fn job(board: &str, place: u32, connector: usize, attempt: u32) -> Vec<Action> {
    let job = Job { board: board.to_owned(), place, connector, attempt };
    vec![Action::Signal(Light::Busy, Sound::Silent), Action::Sweep(job)]
}

fn line(text: &str) -> Event {
    Event::Line(text.to_owned())
}

const DOUBT: Outcome = Outcome::Doubtful(Doubt::Reading);
const SEATING: Outcome = Outcome::Doubtful(Doubt::Seating);

#[test]
fn boards_count_up_with_all_their_connectors() {
    let (mut machine, actions) = begin(Setup { boards: Some(2), ..setup() });
    assert_eq!(actions, [Action::Signal(Light::Ready, Sound::Ready), start("T100")]);
    assert_eq!(machine.take(Event::Button), job("T100", 1, 0, 1));
    // A press while it sweeps is a shaking hand.
    assert_eq!(machine.take(Event::Button), []);
    assert_eq!(
        machine.take(Event::Swept(Outcome::Differs)),
        [Action::Signal(Light::Differs, Sound::Differs), Action::Ask(Prompt::NextConnector { connector: 1 }),]
    );
    assert_eq!(machine.take(line("")), job("T100", 1, 1, 1));
    // The board is as good as its worst connector, and its light stays while the next one is asked for.
    assert_eq!(
        machine.take(Event::Swept(Outcome::Matches)),
        [
            Action::Signal(Light::Differs, Sound::Differs),
            Action::Done { board: "T100".into(), place: 1, outcome: Outcome::Differs },
            start("T101"),
        ]
    );
    assert_eq!(machine.take(Event::Button), job("T101", 2, 0, 1));
    machine.take(Event::Swept(Outcome::Matches));
    machine.take(Event::Button);
    let last = machine.take(Event::Swept(Outcome::Matches));
    assert_eq!(last.last(), Some(&Action::End(Reason::Complete)));
    assert!(machine.is_over());
    assert_eq!(machine.take(Event::Button), []);
}

#[test]
fn boards_are_named_by_scan_or_typing() {
    let one = Setup { naming: Naming::Asked, connectors: vec!["J5".into()], ..setup() };
    let (mut machine, actions) = begin(one.clone());
    assert_eq!(actions.last(), Some(&Action::Ask(Prompt::Name)));
    assert_eq!(machine.take(Event::Button), [Action::Ask(Prompt::Name)]);
    assert!(matches!(&machine.take(line("\u{1b}[2J"))[..], [Action::Ask(Prompt::NoName(_))]));
    assert_eq!(machine.take(line("  ../<b> ")), [start("../<b>")]);
    // Scanned the wrong label: the next one counts.
    assert_eq!(machine.take(line("X-7")), [start("X-7")]);
    assert_eq!(machine.take(Event::Button), job("X-7", 1, 0, 1));
    let done = machine.take(Event::Swept(Outcome::Matches));
    assert_eq!(done.last(), Some(&Action::Ask(Prompt::Name)));

    let (mut machine, _) = begin(Setup { name_starts: true, ..one });
    assert_eq!(machine.take(line("X-8")), job("X-8", 1, 0, 1));
}

/// Found by pressing return twice: the second press swept the old board under the new board's name, and confirmed that the
/// new one was dead before anybody was asked.
#[test]
fn what_is_typed_while_a_board_is_swept_does_not_start_the_next() {
    let early = |text: &str| Event::Early(text.to_owned());
    let one = Setup { connectors: vec!["J5".into()], ..setup() };
    let (mut machine, _) = begin(one.clone());
    machine.take(line(""));
    machine.take(Event::Swept(Outcome::Matches));
    assert_eq!(machine.take(early("")), []);
    assert_eq!(machine.take(early("X-9")), [start("X-9")]);
    assert_eq!(machine.take(line("")), job("X-9", 2, 0, 1));
    machine.take(Event::Swept(SEATING));
    assert_eq!(machine.take(early(" ")), [], "nobody has seated it anew");

    let (mut machine, _) = begin(Setup { naming: Naming::Asked, name_starts: true, ..one });
    machine.take(line("Y-1"));
    machine.take(Event::Swept(Outcome::Matches));
    assert_eq!(machine.take(early("Y-2")), [start("Y-2")]);
    assert_eq!(machine.take(Event::Button), job("Y-2", 2, 0, 1));
}

#[test]
fn doubt_is_read_again_first_and_seated_anew_last() {
    let (mut machine, _) = begin(setup());
    machine.take(Event::Button);
    assert_eq!(machine.take(Event::Swept(DOUBT)), job("T100", 1, 0, 2));
    let ask = Action::Ask(Prompt::Reseat { connector: 0, doubt: Doubt::Reading });
    assert_eq!(machine.take(Event::Swept(DOUBT)).last(), Some(&ask));
    assert_eq!(machine.take(Event::Button), job("T100", 1, 0, 3));
    assert_eq!(machine.take(Event::Swept(DOUBT)), job("T100", 1, 0, 4));
    // The connector has borne its one extra mating: the result stands.
    assert_eq!(
        machine.take(Event::Swept(DOUBT)),
        [
            Action::Signal(Light::Inconclusive, Sound::Inconclusive),
            Action::Ask(Prompt::NextConnector { connector: 1 }),
        ]
    );
    // A turned connector reads the same again: it is seated anew at once.
    machine.take(Event::Button);
    let ask = Action::Ask(Prompt::Reseat { connector: 1, doubt: Doubt::Seating });
    assert_eq!(machine.take(Event::Swept(SEATING)).last(), Some(&ask));
    machine.take(Event::Button);
    let done = machine.take(Event::Swept(Outcome::Matches));
    assert!(done.contains(&Action::Done { board: "T100".into(), place: 1, outcome: DOUBT }));
}

#[test]
fn a_doubtful_result_can_be_kept_and_a_board_given_up() {
    let (mut machine, _) = begin(Setup { connectors: vec!["J5".into()], ..setup() });
    assert_eq!(machine.take(line("/keep")), [Action::Ask(Prompt::Nothing)]);
    machine.take(Event::Button);
    machine.take(Event::Swept(SEATING));
    let kept = machine.take(line("/keep"));
    assert_eq!(kept[0], Action::Decided(Decision::Keep));
    assert!(kept.contains(&Action::Done { board: "T100".into(), place: 1, outcome: Outcome::Inconclusive }));
    machine.take(Event::Button);
    assert_eq!(
        machine.take(Event::Swept(Outcome::Failed)),
        [Action::Signal(Light::Trouble, Sound::Trouble), Action::Ask(Prompt::Remedy { connector: 0 }),]
    );
    assert_eq!(machine.take(Event::Button), job("T101", 2, 0, 2));
    machine.take(Event::Swept(Outcome::Failed));
    assert_eq!(
        machine.take(line("/skip")),
        [
            Action::Decided(Decision::Skip),
            Action::GivenUp { board: "T101".into(), place: 2 },
            Action::Signal(Light::Ready, Sound::Ready),
            start("T102"),
        ]
    );
    // A name of which nothing was swept is passed over; its place stays free.
    assert_eq!(machine.take(line("/skip")).last(), Some(&start("T103")));
    assert_eq!(machine.take(Event::Button), job("T103", 3, 0, 1));
}

#[test]
fn the_last_board_can_be_swept_again_and_noted() {
    let (mut machine, _) = begin(Setup { connectors: vec!["J5".into()], ..setup() });
    assert_eq!(machine.take(line("/again")), [Action::Ask(Prompt::Nothing)]);
    assert_eq!(machine.take(line("/note early")), [Action::Ask(Prompt::Nothing)]);
    machine.take(Event::Button);
    machine.take(Event::Swept(Outcome::Differs));
    assert_eq!(
        machine.take(line("/note scratch by A4")),
        [Action::Note { board: "T100".into(), text: "scratch by A4".into() }]
    );
    assert_eq!(machine.take(line("/again")), job("T100", 1, 0, 2));
    let done = machine.take(Event::Swept(Outcome::Matches));
    assert!(done.contains(&Action::Done { board: "T100".into(), place: 1, outcome: Outcome::Matches }));
    assert_eq!(done.last(), Some(&start("T101")));
    for odd in ["/note", "/note ", "/stop now", "/", "/quit"] {
        assert!(matches!(&machine.take(line(odd))[..], [Action::Ask(_)]), "{odd}");
    }
}

#[test]
fn stopped_and_resumed_no_board_is_lost() {
    let (mut machine, _) = begin(setup());
    machine.take(Event::Button);
    assert_eq!(machine.take(Event::Stop).last(), Some(&Action::End(Reason::Stopped)));
    assert!(machine.is_over());

    let on = OnTheJig { board: "T104".into(), place: 5, connector: 1, attempts: 1, so_far: Outcome::Differs };
    let progress =
        Progress { done: 4, on_the_jig: Some(on.clone()), next_place: 6, last_name: Some("T104".into()) };
    let (mut machine, actions) = Machine::new(Setup { boards: Some(6), ..setup() }, &progress);
    assert_eq!(actions.last(), Some(&Action::Ask(Prompt::Unfinished(on))));
    // Its name is in logs already.
    assert!(matches!(&machine.take(line("T200"))[..], [Action::Ask(Prompt::NoCommand { .. })]));
    assert_eq!(machine.take(Event::Button), job("T104", 5, 1, 2));
    let done = machine.take(Event::Swept(Outcome::Matches));
    assert!(done.contains(&Action::Done { board: "T104".into(), place: 5, outcome: Outcome::Differs }));
    assert_eq!(machine.take(Event::Button), job("T105", 6, 0, 1));
    machine.take(Event::Swept(Outcome::Matches));
    machine.take(Event::Button);
    assert_eq!(machine.take(Event::Swept(Outcome::Matches)).last(), Some(&Action::End(Reason::Complete)));
}
