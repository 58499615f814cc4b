//! One board of a design: its own spread, its temperature, its faults, and how it sits on the jig.

use super::{
    circuit::{Circuit, Drive, Node, SolveError, Solver},
    design::{Design, Piece, Point},
    fault::{Fault, Placement},
    plan::{FaultError, Plan},
    random::Random,
    seating,
};
use crate::{
    meter::DiodeSource,
    physics::Junction,
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

impl Specimen {
    /// Builds the board of this seed with these faults.
    ///
    /// # Errors
    /// [`FaultError`] if a fault names a pin that does not exist or would change nothing.
    pub fn new(design: &Design, name: &str, seed: u64, faults: &[Fault]) -> Result<Self, FaultError> {
        let plan = Plan::new(design, faults)?;
        let mut random = Random::new(seed, "board");
        let celsius = TEMPERATURE.0 + TEMPERATURE.1 * random.normal();
        let mut circuit = Circuit::new(Kelvin::from_celsius(celsius).unwrap_or(Kelvin::ROOM));
        let nodes = Nodes { design, inner: (0..design.points).map(|_| circuit.node()).collect() };
        fit_parts(&mut circuit, &nodes, &plan, &mut random);
        fit_faults(&mut circuit, &nodes, &plan);
        let contacts = touch(&mut circuit, &nodes, &plan, &mut random);
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

    /// Likewise, at these contacts alone.
    pub(super) fn drops_at(&self, source: DiodeSource, contacts: &[Node]) -> Result<Vec<Volts>, SolveError> {
        let solver = Solver::new(&self.circuit)?;
        contacts
            .iter()
            .map(|&contact| {
                let drive = Drive { reversed: self.reversed, ..Drive::at(contact, source) };
                Ok(drive.shown(solver.operating_point(&drive)?.at(contact)))
            })
            .collect()
    }
}

/// Where the points of a design lie in the circuit of a board.
struct Nodes<'a> {
    design: &'a Design,
    inner: Vec<Node>,
}

impl Nodes<'_> {
    fn at(&self, point: Point) -> Node {
        match point {
            Point::Ground => Node::GROUND,
            Point::Inner(at) => self.inner[at],
        }
    }

    fn net(&self, net: usize) -> Node {
        self.at(self.design.nets[net].point)
    }
}

/// Solders the parts on, each a little off. Chance is drawn for every part whether it is fitted or not, so that a fault
/// changes nothing else.
fn fit_parts(circuit: &mut Circuit, nodes: &Nodes<'_>, plan: &Plan, random: &mut Random) {
    let Nodes { design, .. } = nodes;
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
                    let ohms = Ohms::of(ohms.get() * (1.0 + RESISTOR_TOLERANCE * even));
                    circuit.resistor(nodes.at(a), nodes.at(b), ohms);
                }
                Piece::Junction(a, b, junction) => {
                    let junction = spread(junction, lot + JUNCTION_SPREAD * bell);
                    circuit.junction(nodes.at(a), nodes.at(b), junction);
                }
                Piece::Capacitor(a, b, farads) => {
                    let initial = plan.charged.iter().find(|(net, _)| design.nets[*net].point == a);
                    // A net above ground has a negative voltage in the sense of `circuit`.
                    let initial = initial.map_or(Volts::ZERO, |&(_, volts)| Volts::of(-volts.get()));
                    let farads = farads * (1.0 + CAPACITOR_TOLERANCE * even);
                    circuit.capacitor(nodes.at(a), nodes.at(b), farads, initial);
                }
            }
        }
    }
}

/// Adds what no design has: shorts, bridges, leaks and voltages.
fn fit_faults(circuit: &mut Circuit, nodes: &Nodes<'_>, plan: &Plan) {
    for &(a, b, ohms) in &plan.bypasses {
        circuit.resistor(nodes.net(a), b.map_or(Node::GROUND, |net| nodes.net(net)), ohms);
    }
    for &(net, volts) in &plan.live {
        circuit.supply(nodes.net(net), Volts::of(-volts.get()), LIVE_RESISTANCE);
    }
}

/// Puts the jig's contacts on the pins, through the joints below them; one node a contact.
fn touch(circuit: &mut Circuit, nodes: &Nodes<'_>, plan: &Plan, random: &mut Random) -> Vec<Node> {
    let joints: Vec<f64> = plan.joints.iter().map(|_| random.between(JOINT[0], JOINT[1])).collect();
    let pins = seating::touched(&nodes.design.connector, plan.placement);
    let contacts = pins.into_iter().map(|pin| {
        let contact = circuit.node();
        let touch = random.decades(CONTACT[0], CONTACT[1]);
        // Bridges and shorts join nets, so that contact and joint need no node between them.
        if let Some((joint, good)) = pin.and_then(|pin| Some((plan.joints.get(pin)?, joints.get(pin)?)))
            && let Some(extra) = joint.extra
        {
            circuit.resistor(contact, nodes.net(joint.net), Ohms::of(touch + good + extra.get()));
        }
        contact
    });
    contacts.collect()
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
        practice::{DirectMeter, NetKind, sample},
        readings::PinValue,
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
}
