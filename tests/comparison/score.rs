//! How often the engine is right on boards solved by an independent circuit simulator. Floors: issue 4.
//!
//! How a fault counts: it must have moved a pin of its own by 30 mV and by 4 standard deviations of that pin. A short,
//! a leak or a bridge is named by its nets, since all pins of a net read alike. What one reading cannot tell apart
//! counts as right either way: a missing sole part and an open joint, a missing part and a raised joint.

use std::collections::{BTreeSet, HashMap, HashSet};

use pintally::{
    compare::{Assumptions, Batch, Engine, Judgement, Placement},
    readings::PinValue,
    reference::{Conditions, learn},
};

use super::boards::{Case, Fault, load};

const SEEN: f64 = 0.030;

#[derive(Default, Debug)]
struct Tally {
    boards: usize,
    exact: usize,
    clean: usize,
    alarmed: usize,
    faults: usize,
    named: usize,
    loud: usize,
    found: usize,
    quiet: usize,
    wrong: usize,
    placed: usize,
    placed_right: usize,
    misses: Vec<String>,
}

type Key = (String, Vec<String>);

impl Tally {
    fn share(part: usize, whole: usize) -> f64 {
        if whole == 0 { 1.0 } else { part as f64 / whole as f64 }
    }

    fn check(&self, exact: f64, named: f64, found: f64, wrong_per_1000: f64, alarmed: f64) {
        let text = format!("{self:#?}");
        assert!(Self::share(self.exact, self.boards) >= exact, "boards exact\n{text}");
        assert!(Self::share(self.named, self.faults) >= named, "faults named\n{text}");
        assert!(Self::share(self.found, self.loud) >= found, "pins found\n{text}");
        assert!(1000.0 * Self::share(self.wrong, self.quiet) <= wrong_per_1000, "false pins\n{text}");
        // One board of slack where a set has about a hundred good boards.
        assert!(self.alarmed as f64 <= alarmed * self.clean as f64 + 1.0, "false alarms\n{text}");
        assert_eq!(self.placed_right, self.placed, "placements\n{text}");
    }
}

/// Scores a set with so many known-good boards, starting from each of some: five may hold the odd board that a set may
/// have, a single one does not.
fn score(set: &str, good: usize, starts: &[usize], bare: bool, together: bool) -> Tally {
    let mut tally = Tally::default();
    let cases = load(set);
    for (case, &start) in cases.iter().flat_map(|case| starts.iter().map(move |start| (case, start))) {
        let connector = if bare { &case.bare } else { &case.drawn };
        let reference = learn(connector, &case.good[start..start + good], Conditions::default()).unwrap();
        let mut engine = Engine::new(connector, &reference, &Assumptions::default()).unwrap();
        if together {
            let mut batch = Batch::default();
            case.test.iter().for_each(|board| engine.observe(&mut batch, board));
            engine = engine.together(&batch);
        }
        for board in &case.test {
            count(case, good, &engine.judge(board), &mut tally);
        }
    }
    tally
}

fn count(case: &Case, good: usize, judgement: &Judgement, tally: &mut Tally) {
    let truth = &case.truth.boards[&judgement.board];
    let name = |pin: usize| case.drawn.pins[pin].name.as_str().to_owned();
    let net: HashMap<String, String> = case
        .drawn
        .pins
        .iter()
        .map(|pin| (pin.name.as_str().to_owned(), pin.net.clone().unwrap_or_default()))
        .collect();
    let key = |kind: &str, pins: &[String]| -> Key {
        let by_net = matches!(kind, "short_to_ground" | "leakage" | "bridge");
        let mut of: Vec<String> =
            pins.iter().map(|pin| if by_net { net[pin].clone() } else { pin.clone() }).collect();
        of.sort();
        (kind.to_owned(), of)
    };
    let flagged: HashSet<String> = judgement.flagged.iter().map(|&pin| name(pin)).collect();
    if let Some(placement) = &truth.placement {
        tally.placed += 1;
        let named = judgement.placement.map(Placement::code);
        let alone = judgement.findings.is_empty() && flagged.is_empty();
        tally.placed_right += usize::from(named == Some(placement) && alone);
        return;
    }
    tally.boards += 1;
    let limit = |pin: &str| SEEN.max(4.0 * case.truth.spread[pin] * (1.0 + 1.0 / good as f64).sqrt());
    let loud: BTreeSet<&str> = truth
        .delta
        .iter()
        .filter(|(pin, moved)| moved.abs() >= limit(pin))
        .map(|(pin, _)| pin.as_str())
        .collect();
    let own = |fault: &Fault| -> Vec<String> { fault.pins.iter().map(u32::to_string).collect() };
    let touched: HashSet<String> =
        truth.faults.iter().flat_map(own).chain(truth.delta.keys().cloned()).collect();
    if truth.faults.is_empty() {
        tally.clean += 1;
        let alarm = !flagged.is_empty() || !judgement.findings.is_empty() || judgement.placement.is_some();
        tally.alarmed += usize::from(alarm);
    }
    for pin in net.keys().filter(|pin| !touched.contains(*pin)) {
        tally.quiet += 1;
        tally.wrong += usize::from(flagged.contains(pin));
    }
    tally.loud += loud.len();
    tally.found += loud.iter().filter(|pin| flagged.contains(**pin)).count();
    // What reads the same counts as the same.
    let mut same: HashMap<Key, Key> = HashMap::new();
    for fault in &truth.faults {
        if matches!(fault.kind.as_str(), "missing_part" | "open_joint" | "high_resistance_joint") {
            let pins = own(fault);
            let index = case.drawn.pins.iter().position(|pin| pin.name.as_str() == pins[0]).unwrap();
            let open = judgement.pins[index].reading == PinValue::Overload;
            let other = if open { "open_joint" } else { "high_resistance_joint" };
            for kind in ["missing_part", other] {
                same.insert(key(kind, &pins), key(&fault.kind, &pins));
            }
        }
    }
    let got: Vec<Key> = judgement
        .findings
        .iter()
        .map(|finding| {
            let pins: Vec<String> = finding.pins.iter().map(|&pin| name(pin)).collect();
            let key = key(finding.kind.code(), &pins);
            same.get(&key).cloned().unwrap_or(key)
        })
        .collect();
    let mut right = true;
    for fault in &truth.faults {
        let pins = own(fault);
        if fault.own < SEEN || !pins.iter().any(|pin| loud.contains(pin.as_str())) {
            continue;
        }
        let hit = got.contains(&key(&fault.kind, &pins));
        tally.faults += 1;
        tally.named += usize::from(hit);
        right &= hit;
    }
    let truths: HashSet<Key> = truth.faults.iter().map(|fault| key(&fault.kind, &own(fault))).collect();
    right &= got.iter().all(|key| truths.contains(key)) && judgement.placement.is_none();
    tally.exact += usize::from(right);
    if !right {
        tally.misses.push(format!("{} {}: {truths:?}, found {got:?}", case.name, judgement.board));
    }
}

#[test]
fn five_known_good_boards() {
    score("boards", 5, &[0, 10], false, false).check(0.96, 0.975, 0.99, 0.5, 0.015);
}

#[test]
fn one_known_good_board() {
    score("boards", 1, &[10, 15, 20], false, false).check(0.94, 0.97, 0.985, 0.8, 0.02);
}

#[test]
fn no_drawing() {
    score("boards", 5, &[0, 10], true, false).check(0.90, 0.94, 0.98, 0.8, 0.02);
}

#[test]
fn another_meter_seen_on_a_batch() {
    score("boards-other-meter", 3, &[0, 5], false, true).check(0.94, 0.96, 0.98, 0.8, 0.02);
}

#[test]
fn another_meter_each_board_alone() {
    score("boards-other-meter", 3, &[0, 5], false, false).check(0.90, 0.90, 0.90, 0.5, 0.02);
}
