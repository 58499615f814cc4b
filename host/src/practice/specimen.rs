//! One board of a design: its own spread, its temperature, its faults, and how it sits on the jig.

use super::{
    circuit::{Circuit, Drive, Node, SolveError, Solver},
    design::{Design, Piece, Point},
    fault::{Fault, Placement, Truth},
    plan::{FaultError, Plan},
    random::Random,
    seating,
};
use crate::{
    meter::{DiodeSource, Number},
    physics::Junction,
    readings::{BoardReadings, PinValue},
    units::{Amperes, Kelvin, Ohms, Volts},
};

/// Spread of resistors over boards: 1 % parts, evenly inside their tolerance.
const RESISTOR_TOLERANCE: f64 = 0.01;

/// Spread of capacitors over boards: 10 % parts.
const CAPACITOR_TOLERANCE: f64 = 0.1;

/// Standard deviation of the saturation current of one chip over boards, as a logarithm: 3 mV at n = 1. Invented.
const CHIP_SPREAD: f64 = 0.12;

/// Standard deviation of one junction within its chip, as a logarithm: below 1 mV. Invented.
const JUNCTION_SPREAD: f64 = 0.03;

/// Mean and standard deviation of the temperature on the bench, in °C: 2.5 K is 5 mV on a junction.
const TEMPERATURE: (f64, f64) = (23.0, 2.5);

/// Resistance of a good joint, in ohms.
const JOINT: [f64; 2] = [0.004, 0.02];

/// Resistance between a contact of the jig and a pin: docs/facts.md 2.3 gives 10 to 200 mΩ for spring probes.
const CONTACT: [f64; 2] = [0.02, 0.2];

/// Resistance behind which a powered net is held: a supply through a board's tracks and a protection switch.
const LIVE_RESISTANCE: Ohms = Ohms::of(0.5);

/// One board on the jig.
#[derive(Debug, Clone)]
pub struct Specimen {
    /// Ticket number or other name.
    pub name: String,
    circuit: Circuit,
    /// Node that the jig's contact for each pin of the connector touches.
    contacts: Vec<Node>,
    reversed: bool,
}

/// A meter that is held on each pin in turn without a jig: what it drives and how finely it shows.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DirectMeter {
    /// Test current.
    pub source: DiodeSource,
    /// Power of ten of one count, in volts: −3 for 1 mV.
    pub exponent: i8,
    /// Above this it shows overload.
    pub limit: Volts,
}

impl Default for DirectMeter {
    /// A bench meter: 1 mA up to 3.2 V, 1 mV, overload above 2.5 V. Currents and limits of this order are in
    /// docs/facts.md 2.1.
    fn default() -> Self {
        Self {
            source: DiodeSource::ConstantCurrent { current: Amperes::of(1e-3), compliance: Volts::of(3.2) },
            exponent: -3,
            limit: Volts::of(2.5),
        }
    }
}

impl Specimen {
    /// Builds the board of this seed with these faults.
    ///
    /// # Errors
    /// [`FaultError`] if a fault names a pin that does not exist or would change nothing.
    pub fn new(design: &Design, name: &str, seed: u64, faults: &[Fault]) -> Result<Self, FaultError> {
        let plan = Plan::new(design, faults)?;
        let mut random = Random::new(seed, "board");
        let celsius = TEMPERATURE.0 + TEMPERATURE.1 * random.normal();
        let temperature = Kelvin::from_celsius(celsius).unwrap_or(Kelvin::ROOM);
        let mut circuit = Circuit::new(temperature);
        let points: Vec<Node> = (0..design.points).map(|_| circuit.node()).collect();
        let node = |point: Point| match point {
            Point::Ground => Node::GROUND,
            Point::Inner(at) => points[at],
        };
        // Chance is drawn for every part whether it is fitted or not, so that a fault changes nothing else.
        let chips: Vec<f64> = (0..design.parts.len()).map(|_| CHIP_SPREAD * random.normal()).collect();
        for (at, part) in design.parts.iter().enumerate() {
            let lot = chips[part.chip.unwrap_or(at).min(chips.len() - 1)];
            for piece in &part.pieces {
                let even = random.between(-1.0, 1.0);
                let bell = random.normal();
                if plan.missing.contains(&at) {
                    continue;
                }
                match *piece {
                    Piece::Resistor(a, b, ohms) => {
                        circuit.resistor(
                            node(a),
                            node(b),
                            Ohms::of(ohms.get() * (1.0 + RESISTOR_TOLERANCE * even)),
                        );
                    }
                    Piece::Junction(a, b, junction) => {
                        circuit.junction(node(a), node(b), spread(junction, lot + JUNCTION_SPREAD * bell));
                    }
                    Piece::Capacitor(a, b, farads) => {
                        let initial = plan.charged.iter().find(|(net, _)| design.nets[*net].point == a);
                        // A net above ground has a negative voltage in the sense of `circuit`.
                        let initial = initial.map_or(Volts::ZERO, |&(_, volts)| Volts::of(-volts.get()));
                        let farads = farads * (1.0 + CAPACITOR_TOLERANCE * even);
                        circuit.capacitor(node(a), node(b), farads, initial);
                    }
                }
            }
        }
        for &(a, b, ohms) in &plan.bypasses {
            let b = b.map_or(Node::GROUND, |net| node(design.nets[net].point));
            circuit.resistor(node(design.nets[a].point), b, ohms);
        }
        for &(net, volts) in &plan.live {
            circuit.supply(node(design.nets[net].point), Volts::of(-volts.get()), LIVE_RESISTANCE);
        }
        let joints: Vec<f64> = plan.joints.iter().map(|_| random.between(JOINT[0], JOINT[1])).collect();
        let contacts = seating::touched(&design.connector, plan.placement)
            .into_iter()
            .map(|pin| {
                let contact = circuit.node();
                let touch = random.decades(CONTACT[0], CONTACT[1]);
                // Bridges and shorts join nets, so that contact and joint need no node between them.
                if let Some((joint, good)) =
                    pin.and_then(|pin| Some((plan.joints.get(pin)?, joints.get(pin)?)))
                    && let Some(extra) = joint.extra
                {
                    let ohms = Ohms::of(touch + good + extra.get());
                    circuit.resistor(contact, node(design.nets[joint.net].point), ohms);
                }
                contact
            })
            .collect();
        let reversed = plan.placement == Some(Placement::LeadsReversed);
        Ok(Self { name: name.to_owned(), circuit, contacts, reversed })
    }

    pub(super) fn of_parts(name: &str, circuit: Circuit, contacts: Vec<Node>) -> Self {
        Self { name: name.to_owned(), circuit, contacts, reversed: false }
    }

    /// The board as a circuit; a jig adds its own parts to a copy.
    #[must_use]
    pub const fn circuit(&self) -> &Circuit {
        &self.circuit
    }

    /// Where the jig touches it: one node a pin, in the order of the connector.
    #[must_use]
    pub fn contacts(&self) -> &[Node] {
        &self.contacts
    }

    /// Whether red and black are exchanged.
    #[must_use]
    pub const fn is_reversed(&self) -> bool {
        self.reversed
    }

    /// Voltage that a meter would see at each pin, held there until nothing moves any more.
    ///
    /// # Errors
    /// [`SolveError`] if the circuit does not settle.
    pub fn drops(&self, source: DiodeSource) -> Result<Vec<Volts>, SolveError> {
        self.drops_at(source, &self.contacts)
    }

    fn drops_at(&self, source: DiodeSource, contacts: &[Node]) -> Result<Vec<Volts>, SolveError> {
        let solver = Solver::new(&self.circuit)?;
        contacts
            .iter()
            .map(|&contact| {
                let drive = Drive { reversed: self.reversed, ..Drive::at(contact, source) };
                Ok(drive.shown(solver.operating_point(&drive)?.at(contact)))
            })
            .collect()
    }

    /// Reads each pin without a jig.
    ///
    /// # Errors
    /// [`SolveError`] if the circuit does not settle.
    pub fn read(&self, meter: &DirectMeter) -> Result<BoardReadings, SolveError> {
        let values = self.drops(meter.source)?.into_iter().map(|drop| meter.shows(drop)).collect();
        Ok(BoardReadings { board: self.name.clone(), values })
    }
}

impl DirectMeter {
    /// What it shows for a voltage.
    #[must_use]
    pub fn shows(&self, voltage: Volts) -> PinValue {
        if voltage.get().abs() > self.limit.get() {
            return PinValue::Overload;
        }
        let one = Number { count: 1, exponent: self.exponent }.to_f64();
        // Saturating: the limit keeps the count far below what an i64 holds.
        let count = (voltage.get() / one).round() as i64;
        PinValue::Volts(Number { count, exponent: self.exponent }.to_volts())
    }
}

/// What was put into a board and how far each fault moves its own pins by itself.
///
/// # Errors
/// [`FaultError`] if a fault does not fit the design. A circuit that does not settle counts as not moved.
pub fn truths(
    design: &Design,
    seed: u64,
    faults: &[Fault],
    meter: &DirectMeter,
) -> Result<Vec<Truth>, FaultError> {
    let capped = |specimen: &Specimen, pins: &[usize]| {
        let contacts: Vec<Node> = pins.iter().map(|&pin| specimen.contacts[pin]).collect();
        let drops = specimen.drops_at(meter.source, &contacts).unwrap_or_default();
        drops.into_iter().map(|drop| drop.get().min(meter.limit.get())).collect::<Vec<_>>()
    };
    let good = Specimen::new(design, "good", seed, &[])?;
    faults
        .iter()
        .map(|fault| {
            let bad = Specimen::new(design, "bad", seed, std::slice::from_ref(fault))?;
            let pins = affected(design, fault);
            let (before, after) = (capped(&good, &pins), capped(&bad, &pins));
            let moves = before.iter().zip(&after).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
            let pins = pins.into_iter().map(|pin| design.connector.pins[pin].name.clone()).collect();
            Ok(Truth { fault: fault.clone(), pins, moves: Volts::of(moves) })
        })
        .collect()
}

/// Pins whose reading a fault may move by itself.
fn affected(design: &Design, fault: &Fault) -> Vec<usize> {
    if matches!(fault, Fault::Placement(_)) {
        return (0..design.net_of.len()).collect();
    }
    let named: Vec<(usize, usize)> = fault.pins().iter().filter_map(|pin| design.find(pin)).collect();
    if fault.is_of_a_net() {
        let mut pins: Vec<usize> = named.iter().flat_map(|&(_, net)| design.pins_of(net)).collect();
        pins.sort_unstable();
        pins.dedup();
        pins
    } else {
        named.into_iter().map(|(pin, _)| pin).collect()
    }
}

/// The junction of one board: its saturation current off by this logarithm.
fn spread(junction: Junction, logarithm: f64) -> Junction {
    Junction { saturation: Amperes::of(junction.saturation.get() * logarithm.exp()), ..junction }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        connector::PinName,
        practice::{NetKind, draw_faults, known_good, sample},
    };

    const SEED: u64 = 11;

    fn design() -> Design {
        Design::new(&sample::connector(), 3)
    }

    fn read(design: &Design, faults: &[&str]) -> Vec<f64> {
        let faults: Vec<Fault> = faults.iter().map(|text| text.parse().unwrap()).collect();
        let specimen = Specimen::new(design, "T", SEED, &faults).unwrap();
        let drops = specimen.drops(DirectMeter::default().source).unwrap();
        drops.into_iter().map(Volts::get).collect()
    }

    fn at(design: &Design, pin: &str) -> usize {
        design.find(&PinName::new(pin)).unwrap().0
    }

    const LIMIT: f64 = 2.5;

    #[test]
    fn a_good_board_reads_like_a_board() {
        for seed in 0..50 {
            let design = Design::new(&sample::connector(), seed);
            let readings =
                Specimen::new(&design, "T", SEED, &[]).unwrap().read(&DirectMeter::default()).unwrap();
            for (pin, value) in readings.values.iter().enumerate() {
                let name = &design.connector.pins[pin].name;
                match (design.net(pin).unwrap().kind, value) {
                    (NetKind::Ground, PinValue::Volts(volts)) => {
                        assert!(volts.get() < 0.002, "{name} {volts}");
                    }
                    // With little else on it a rail is its load resistor: 1 mA into 1.5 kΩ at least.
                    (NetKind::Rail, PinValue::Volts(volts)) => {
                        assert!((0.25..0.65).contains(&volts.get()), "{name} {volts}");
                    }
                    (NetKind::Line, PinValue::Volts(volts)) => {
                        assert!((0.03..0.95).contains(&volts.get()), "design {seed} {name} {volts}");
                    }
                    (NetKind::Line, PinValue::Overload) => {
                        assert!(
                            design.connector.pins[pin].pair.is_some(),
                            "only pairs are coupled by capacitors"
                        );
                    }
                    (NetKind::Unconnected, PinValue::Overload) => {}
                    (kind, value) => panic!("{name} is {kind:?} and reads {value:?}"),
                }
            }
        }
    }

    #[test]
    fn pins_of_one_net_read_alike() {
        let design = design();
        let good = read(&design, &[]);
        // Contacts and joints differ by tenths of an ohm.
        assert!((good[at(&design, "B1")] - good[at(&design, "B3")]).abs() < 0.5e-3);
    }

    #[test]
    fn an_open_joint_reads_overload_and_leaves_its_net_alone() {
        let design = design();
        let good = read(&design, &[]);
        let bad = read(&design, &["open:B1"]);
        assert!(bad[at(&design, "B1")] > LIMIT);
        for (pin, (good, bad)) in good.iter().zip(&bad).enumerate() {
            assert!(pin == at(&design, "B1") || (good - bad).abs() < 1e-9, "pin {pin}");
        }
    }

    #[test]
    fn a_short_reads_its_resistance_on_every_pin_of_the_net() {
        let design = design();
        let bad = read(&design, &["short:B2=5"]);
        for pin in ["B1", "B2", "B3"] {
            // 1 mA into 5 Ω, plus contact and joint.
            assert!((0.005..0.0055).contains(&bad[at(&design, pin)]), "{}", bad[at(&design, pin)]);
        }
    }

    #[test]
    fn a_bridge_reads_no_more_than_either_net() {
        let design = design();
        let good = read(&design, &[]);
        let (a, b) = (at(&design, "A15"), at(&design, "A16"));
        let bad = read(&design, &["bridge:A15+A16"]);
        // The bridge itself may add its 0.5 Ω at 1 mA.
        assert!(bad[a] <= good[a].min(good[b]) + 0.5e-3);
        assert!(bad[b] <= good[a].min(good[b]) + 0.5e-3);
        assert!((bad[a] - bad[b]).abs() < 1e-3);
    }

    #[test]
    fn a_raised_joint_adds_its_drop() {
        let design = design();
        let pin = at(&design, "A15");
        let (good, bad) = (read(&design, &[])[pin], read(&design, &["raised:A15=150"])[pin]);
        assert!((bad - good - 0.150).abs() < 1e-6, "{}", bad - good);
    }

    #[test]
    fn a_leak_solves_the_divider() {
        // I = V/R + f(V): the current left for the junction is I − V/R, so V falls below both V0 and I·R.
        let design = design();
        let pin = at(&design, "A15");
        let (good, bad) = (read(&design, &[])[pin], read(&design, &["leak:A15=300"])[pin]);
        assert!(bad < 0.300 + 1e-3 && bad < good && bad > 0.2, "{bad}");
    }

    #[test]
    fn swapped_jumpers_exchange_their_readings() {
        let design = design();
        let (a, b) = (at(&design, "A15"), at(&design, "B8"));
        let (good, bad) = (read(&design, &[]), read(&design, &["swap:A15+B8"]));
        // Up to the tenths of an ohm of their own contacts.
        assert!((bad[a] - good[b]).abs() < 0.5e-3 && (bad[b] - good[a]).abs() < 0.5e-3);
        assert!((good[a] - good[b]).abs() > 0.03, "the design must make the two differ");
    }

    #[test]
    fn a_wrong_placement_moves_the_readings_along() {
        let design = design();
        let good = read(&design, &[]);
        let shifted = read(&design, &["placement:shifted=-1"]);
        let turned = read(&design, &["placement:turned"]);
        let close = |a: f64, b: f64| (a - b).abs() < 0.5e-3;
        assert!(shifted[0] > LIMIT && shifted[20] > LIMIT, "nothing stands before the first pin of a row");
        assert!((1..20).all(|pin| close(shifted[pin], good[pin - 1])));
        assert!((0..40).all(|pin| close(turned[pin], good[39 - pin])));
    }

    #[test]
    fn reversed_leads_never_read_a_clamp() {
        let design = design();
        let good = read(&design, &[]);
        let reversed = read(&design, &["placement:reversed"]);
        let (line, ground) = (at(&design, "A15"), at(&design, "A1"));
        assert!(reversed[line] > good[line] + 0.3, "through the rail instead of the clamp to ground");
        assert!((reversed[ground] - good[ground]).abs() < 1e-6);
    }

    #[test]
    fn a_live_rail_shows_its_voltage() {
        let design = design();
        let bad = read(&design, &["live:B1=3.7"]);
        // Above ground, so negative in the sense of the readings; 1 mA into half an ohm and the rail's own load.
        assert!((bad[at(&design, "B1")] + 3.7).abs() < 0.01, "{}", bad[at(&design, "B1")]);
    }

    #[test]
    fn a_charged_rail_begins_with_its_charge() {
        let design = design();
        let charge = |faults: &[Fault]| {
            let specimen = Specimen::new(&design, "T", SEED, faults).unwrap();
            Solver::new(specimen.circuit()).unwrap().initial_charge()
        };
        let charged = charge(&["charged:B1=0.4".parse().unwrap()]);
        assert!((charged.distance(&charge(&[])).get() - 0.4).abs() < 1e-12);
    }

    #[test]
    fn a_powered_board_settles_at_any_voltage_that_can_be_written() {
        for seed in 0..3 {
            let design = Design::new(&sample::connector(), seed);
            for volts in [-60, -18, -1, 1, 5, 18, 60] {
                for pin in ["B1", "A8", "A15", "A10"] {
                    let fault = format!("live:{pin}={volts}").parse().unwrap();
                    let specimen = Specimen::new(&design, "T", seed, &[fault]).unwrap();
                    let drops = specimen.drops(DirectMeter::default().source);
                    assert!(drops.is_ok(), "design {seed}, {pin} at {volts} V: {drops:?}");
                }
            }
        }
    }

    #[test]
    fn faults_that_change_nothing_are_refused() {
        let design = design();
        for (text, message) in [
            ("open:A17", "fault `open:A17` changes nothing: the pin is connected to nothing"),
            ("short:A1", "fault `short:A1` changes nothing: the pin is ground"),
            ("bridge:B1+B2", "fault `bridge:B1+B2` changes nothing: both pins are on the same net"),
            ("missing:A1", "fault `missing:A1` changes nothing: no part stands on the net of the pin"),
            (
                "charged:A15=1",
                "fault `charged:A15=1` changes nothing: no capacitor stands on the net of the pin",
            ),
            ("open:C9", "fault `open:C9`: expected a pin of connector J1, found `C9`"),
        ] {
            let error = Specimen::new(&design, "T", 1, &[text.parse().unwrap()]).unwrap_err();
            assert_eq!(error.to_string(), message);
        }
    }

    /// Over a thousand boards: the circuit settles, every reading is finite and between ground and the open leads, and
    /// every fault moves its own pins if its kind must.
    #[test]
    fn a_thousand_faulty_boards_settle() {
        let meter = DirectMeter::default();
        let handheld =
            DiodeSource::BehindResistance { open_circuit: Volts::of(3.2), resistance: Ohms::of(2700.0) };
        let mut seen = std::collections::BTreeSet::new();
        let mut steps = 0;
        let mut total = 0;
        for seed in 0..1000 {
            let design = Design::new(&sample::connector(), seed / 4);
            let faults = draw_faults(&design, seed);
            assert!((1..=3).contains(&faults.len()));
            let specimen = Specimen::new(&design, "T", seed, &faults).unwrap();
            let source = if seed % 2 == 0 { meter.source } else { handheld };
            let solver = Solver::new(specimen.circuit()).unwrap();
            // Every eighth pin, another one from board to board.
            for &contact in specimen.contacts().iter().skip((seed % 8) as usize).step_by(8) {
                let drive = Drive { reversed: specimen.is_reversed(), ..Drive::at(contact, source) };
                let solution = solver.operating_point(&drive).unwrap();
                let shown = drive.shown(solution.at(contact)).get();
                assert!((-1e-6..3.3).contains(&shown), "seed {seed}: {shown}");
                steps = steps.max(solution.steps);
                total += solution.steps;
            }
            for truth in truths(&design, seed, &faults, &meter).unwrap() {
                seen.insert(truth.fault.kind());
                let must = matches!(truth.fault, Fault::Raised(..) | Fault::Short(..) | Fault::Leak(..));
                let blocked = truth.pins.iter().any(|pin| {
                    let (pin, net) = design.find(pin).unwrap();
                    design.nets[net].kind == NetKind::Line && design.connector.pins[pin].pair.is_some()
                });
                // A raised joint of a line that reads OL anyway cannot show. The least that must: 1200 Ω beside an
                // identification resistor of 47 Ω take 47²/1247 Ω away, 1.8 mV at 1 mA.
                assert!(!must || blocked || truth.moves.get() > 1.5e-3, "seed {seed}: {truth}");
            }
        }
        println!("at most {steps} Newton steps, {} on average", total / 5_000);
        assert_eq!(seen.len(), 10, "{seen:?}");
    }

    #[test]
    fn the_same_seeds_make_the_same_boards() {
        let (one, two) = (design(), design());
        assert_eq!(one, two);
        assert_eq!(draw_faults(&one, 5), draw_faults(&two, 5));
        let meter = DirectMeter::default();
        let set = known_good(&one, 5, 9, &meter).unwrap();
        assert_eq!(set, known_good(&two, 5, 9, &meter).unwrap());
        assert_ne!(set[0].values, set[1].values, "boards differ among themselves");
        assert_ne!(one, Design::new(&sample::connector(), 4));
    }
}
