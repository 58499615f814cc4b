//! What all channels have in common: the clip, the common line, the cable, the banks.

use super::{Diagnosis, Fault, Finding, Lead, Seen, Survey, channel, fit::Fit, ladder_resistor};
use crate::{
    statistics::median,
    units::{Ohms, Volts},
};

/// Channels of a bank: 16:1 multiplexers, or two shift registers of eight.
const BANK: usize = 16;

/// Part of the channels that makes a thing common.
const MOST: f64 = 0.8;

/// A silicon diode at 0.3 to 1.5 mA shows less (docs/facts.md 2.3: about 0.6 V); more is a supply behind it.
const DIODE_BELOW: Volts = Volts::of(0.95);

/// A common line of less than this is shorted, in ohms: leads and clip are below 1 Ω.
const SHORTED: f64 = 5.0;

/// What the channels are judged against.
#[derive(Debug)]
pub(super) struct Base {
    /// What the ladder should show on each channel, in ohms, with the faults of the whole jig; `None` where it says nothing.
    pub(super) expected: Vec<Option<f64>>,
    pub(super) fit: Fit,
    /// Channels that a fault of the whole jig explains.
    pub(super) explained: Vec<bool>,
    /// Whether the ladder's readings say anything about single channels.
    pub(super) ladder_speaks: bool,
}

/// Finds what is wrong with the whole jig. `None` where that hides the channels.
pub(super) fn diagnose(survey: &Survey, diagnosis: &mut Diagnosis) -> Option<Base> {
    if survey.plated().next().is_none() {
        diagnosis.unclear.push("no channel leads to a position of the plates".to_owned());
        return None;
    }
    if nothing_conducts(survey, diagnosis) || open_plate_conducts(survey, diagnosis) {
        diagnosis
            .unclear
            .push("the single channels are hidden by this; run the test again when it is mended".to_owned());
        return None;
    }
    let mut explained = dead_banks(survey, diagnosis);
    let (order, expected, fit) = order(survey, diagnosis);
    if let Order::Banks(a, b) = order {
        // Where a position meets the check resistor or nothing, the exchange explains whatever is read.
        for (a, b) in (0..BANK).map(|at| (a * BANK + at, b * BANK + at)) {
            let is_plated = |channel: usize| matches!(survey.leads.get(channel), Some(Lead::Plate(_)));
            if !is_plated(a) || !is_plated(b) {
                explained
                    .iter_mut()
                    .enumerate()
                    .filter(|(at, _)| [a, b].contains(at))
                    .for_each(|(_, it)| *it = true);
            }
        }
    }
    paths(survey, diagnosis);
    if matches!(order, Order::Stuck(_)) {
        // In parallel with a small resistor the large ones look alike.
        diagnosis
            .unclear
            .push("the ladder plate says nothing about other channels while one is stuck".to_owned());
        return Some(Base { expected, fit: Fit::NOMINAL, explained, ladder_speaks: false });
    }
    if fit.loads >= 6 {
        diagnosis.current = Some(fit.current());
    }
    Some(Base { expected, fit, explained, ladder_speaks: true })
}

/// Nothing on short and ladder plate reads a number.
fn nothing_conducts(survey: &Survey, diagnosis: &mut Diagnosis) -> bool {
    let is_open = |channel: usize| {
        [&survey.short, &survey.ladder].iter().all(|list| Survey::at(list, channel) == Seen::Overload)
    };
    if !survey.plated().all(|(channel, _)| is_open(channel)) {
        return false;
    }
    let check = survey.check().map(|(channel, _)| Survey::at(&survey.short, channel));
    let count = survey.plated().count();
    match check {
        Some(seen @ Seen::Load { .. }) => {
            let evidence = format!(
                "all {count} channels read OL on the short and the ladder plate, the check channel {}",
                seen.shown()
            );
            diagnosis.findings.push(Finding::new(Fault::GroundOff, Vec::new(), evidence));
        }
        _ => {
            let evidence = format!(
                "all {count} channels read OL on every plate, and so does the check channel if there is one"
            );
            diagnosis.findings.push(Finding::new(Fault::NothingConducts, Vec::new(), evidence));
        }
    }
    true
}

/// All channels read about the same number on the open plate, where every one should read OL.
fn open_plate_conducts(survey: &Survey, diagnosis: &mut Diagnosis) -> bool {
    let open: Vec<Seen> = survey.plated().map(|(channel, _)| Survey::at(&survey.open, channel)).collect();
    let mut volts: Vec<f64> = open.iter().filter_map(|seen| seen.volts()).collect();
    let mut ohms: Vec<f64> = open.iter().filter_map(|seen| seen.ohms()).collect();
    let numbers = volts.len();
    let (Some(middle), Some(load)) = (median(&mut volts), median(&mut ohms)) else { return false };
    let alike = volts.iter().filter(|volts| (*volts - middle).abs() <= 0.1 * middle.abs() + 0.01).count();
    // One channel alone cannot tell a common line from a wire.
    if (alike as f64) < MOST * open.len() as f64 || open.len() < 2 {
        return false;
    }
    let shown = Volts::of(middle);
    let (fault, why) = if load < SHORTED {
        (Fault::CommonShorted, String::new())
    } else if is_resistor(survey, load) {
        (Fault::CommonLoaded, format!(", as with {} from the common line to ground", Ohms::of(load)))
    } else if middle < DIODE_BELOW.get() {
        (Fault::ClampDiode, ", while small resistors of the ladder plate read right: a diode".to_owned())
    } else {
        (Fault::SupplyClamp, ", too much for one diode: a supply behind one".to_owned())
    };
    let evidence = format!(
        "on the open plate {numbers} of {} channels read about {shown} V instead of OL{why}",
        open.len()
    );
    diagnosis.findings.push(Finding::new(fault, Vec::new(), evidence));
    true
}

/// Whether the ladder shows this resistor in parallel with its own, where a diode leaves the small ones alone.
fn is_resistor(survey: &Survey, load: f64) -> bool {
    let (mut parallel, mut alone) = (0, 0);
    for (channel, position) in survey.plated() {
        let there = ladder_resistor(position).get();
        let (Some(ladder), Some(short)) =
            (Survey::at(&survey.ladder, channel).ohms(), Survey::at(&survey.short, channel).ohms())
        else {
            continue;
        };
        let seen = ladder - short;
        let with = 1.0 / (1.0 / there + 1.0 / load);
        if (seen - with).abs() < (seen - there).abs() { parallel += 1 } else { alone += 1 }
    }
    // A diode bends the large resistors down as a parallel resistor would, and leaves the small ones; a resistor in parallel
    // bends all of them.
    parallel > 0 && f64::from(alone) <= 0.1 * f64::from(parallel)
}

/// Banks of which no channel conducts while another bank does.
fn dead_banks(survey: &Survey, diagnosis: &mut Diagnosis) -> Vec<bool> {
    let channels = survey.leads.len();
    let mut explained = vec![false; channels];
    let is_dead = |channel: &usize| {
        [&survey.short, &survey.ladder].iter().all(|list| Survey::at(list, *channel) == Seen::Overload)
    };
    for first in (0..channels).step_by(BANK) {
        let used: Vec<usize> = (first..(first + BANK).min(channels))
            .filter(|&channel| !matches!(survey.leads[channel], Lead::Nothing))
            .collect();
        // Of a bank with a channel or two in use a dead one says nothing about the bank.
        if used.len() >= 4 && used.iter().all(is_dead) {
            let evidence = format!(
                "channels {first} to {} read OL on every plate, channels of other banks conduct",
                (first + BANK).min(channels) - 1
            );
            for &channel in &used {
                explained[channel] = true;
            }
            let list = used.into_iter().map(channel).collect();
            diagnosis.findings.push(Finding::new(Fault::BankDead, list, evidence));
        }
    }
    explained
}

/// An order of the channels, or a contact that is always closed, that could be behind the ladder's readings.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Order {
    AsWired,
    Shifted(isize),
    Reversed,
    Banks(usize, usize),
    Stuck(usize),
}

/// Which order fits the ladder best: as wired unless that fits few channels.
fn order(survey: &Survey, diagnosis: &mut Diagnosis) -> (Order, Vec<Option<f64>>, Fit) {
    let (expected, fit) = fit(survey, Order::AsWired);
    if fit.loads < 2 || fit.matches as f64 >= 0.7 * fit.loads as f64 {
        return (Order::AsWired, expected, fit);
    }
    let channels = survey.leads.len();
    let banks = channels.div_ceil(BANK);
    let mut orders = vec![Order::Shifted(1), Order::Shifted(-1), Order::Reversed];
    orders.extend((0..banks).flat_map(|a| (0..a).map(move |b| Order::Banks(b, a))));
    orders.extend(survey.plated().map(|(channel, _)| Order::Stuck(channel)));
    let mut best = (Order::AsWired, expected, fit);
    for order in orders {
        let (expected, fit) = self::fit(survey, order);
        if fit.matches > best.2.matches {
            best = (order, expected, fit);
        }
    }
    let (order, expected, fit) = best;
    let evidence =
        |what: String| format!("{} of {} channels read on the ladder plate {what}", fit.matches, fit.loads);
    let finding = match order {
        Order::AsWired => None,
        Order::Shifted(by) => {
            let to = if by > 0 { "next" } else { "previous" };
            let evidence = evidence(format!("the resistor of the {to} position"));
            Some(Finding::new(Fault::Shifted, Vec::new(), evidence))
        }
        Order::Reversed => {
            let evidence = evidence("the resistor of the position counted from the other end".to_owned());
            Some(Finding::new(Fault::Reversed, Vec::new(), evidence))
        }
        Order::Banks(a, b) => {
            let evidence = evidence(format!("what they should with banks {a} and {b} exchanged"));
            let list = bank(survey, a).chain(bank(survey, b)).map(channel).collect();
            Some(Finding::new(Fault::BanksExchanged, list, evidence))
        }
        Order::Stuck(stuck) => {
            let evidence = evidence(format!("their own resistor in parallel with that of channel {stuck}"));
            Some(Finding::new(Fault::StuckClosed, vec![channel(stuck)], evidence))
        }
    };
    diagnosis.findings.extend(finding);
    (order, expected, fit)
}

fn fit(survey: &Survey, order: Order) -> (Vec<Option<f64>>, Fit) {
    let expected: Vec<Option<f64>> =
        (0..survey.leads.len()).map(|channel| expected(survey, order, channel)).collect();
    let pairs: Vec<(f64, f64)> = expected
        .iter()
        .enumerate()
        .filter_map(|(channel, there)| Some(((*there)?, seen(survey, channel)?)))
        .collect();
    let fit = Fit::new(&pairs, survey.count.get());
    (expected, fit)
}

/// What the ladder should show on a channel, path apart.
fn expected(survey: &Survey, order: Order, channel: usize) -> Option<f64> {
    let position = |channel: usize| match survey.leads.get(channel) {
        Some(Lead::Plate(position)) => Some(*position),
        _ => None,
    };
    let own = position(channel)?;
    let last = survey.plated().map(|(_, position)| position).max()?;
    let there = match order {
        Order::AsWired | Order::Stuck(_) => Some(own),
        Order::Shifted(by) => own.checked_add_signed(by).filter(|position| *position <= last),
        Order::Reversed => last.checked_sub(own),
        Order::Banks(a, b) => {
            let other = match channel / BANK {
                bank if bank == a => b,
                bank if bank == b => a,
                bank => bank,
            };
            position(other * BANK + channel % BANK)
        }
    };
    let resistor = ladder_resistor(there?).get();
    match order {
        Order::Stuck(stuck) if stuck != channel => {
            let always = ladder_resistor(position(stuck)?).get();
            Some(1.0 / (1.0 / resistor + 1.0 / always))
        }
        _ => Some(resistor),
    }
}

/// What the ladder shows on a channel, less its path.
pub(super) fn seen(survey: &Survey, channel: usize) -> Option<f64> {
    let path = Survey::at(&survey.short, channel).ohms()?;
    Some(Survey::at(&survey.ladder, channel).ohms()? - path)
}

fn bank(survey: &Survey, bank: usize) -> impl Iterator<Item = usize> {
    let leads = &survey.leads;
    (bank * BANK..((bank + 1) * BANK).min(leads.len()))
        .filter(|&channel| matches!(leads[channel], Lead::Plate(_)))
}

/// The paths of all channels, and whether they are high as a whole.
fn paths(survey: &Survey, diagnosis: &mut Diagnosis) {
    let mut paths: Vec<f64> =
        survey.plated().filter_map(|(channel, _)| Survey::at(&survey.short, channel).ohms()).collect();
    let Some(middle) = median(&mut paths) else { return };
    let low = paths.iter().copied().fold(f64::INFINITY, f64::min);
    let high = paths.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    diagnosis.paths = Some([low, middle, high].map(Ohms::of));
    if middle > survey.path_limit.get() + 2.0 * survey.count.get() {
        let evidence = format!(
            "on the short plate the channels read {} to {}, {} in the middle; expected {} at most",
            Ohms::of(low),
            Ohms::of(high),
            Ohms::of(middle),
            survey.path_limit
        );
        diagnosis.findings.push(Finding::new(Fault::PathsHigh, Vec::new(), evidence));
    }
}
