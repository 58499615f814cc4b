//! What has been read at each pin so far.

use protocol::Channel;

use crate::{
    meter::{NoValue, Number},
    moment::Moment,
    readings::{PinValue, Unread},
};

/// What was read at a pin, and on what evidence.
#[derive(Debug, Clone, PartialEq)]
pub struct PinResult {
    /// The pin, by its index in the connector.
    pub pin: usize,
    /// The channel that was closed.
    pub channel: Channel,
    /// What was read, as the meter showed it.
    pub value: PinValue,
    /// When the channel had settled.
    pub settled: Moment,
    /// When the pin was decided.
    pub decided: Moment,
    /// Frames that came after the step and were not believed.
    pub spoilt: u16,
    /// Readings that were believed, the latest of them, oldest first.
    pub used: Vec<Result<Number, NoValue>>,
    /// Visits before this one that gave nothing.
    pub retries: u16,
}

/// One place a pin, and how often a visit gave nothing.
#[derive(Debug)]
pub(super) struct Results {
    results: Vec<Option<PinResult>>,
    retries: Vec<u16>,
}

impl Results {
    /// Nothing has been read yet.
    pub(super) fn new(pins: usize) -> Self {
        Self { results: vec![None; pins], retries: vec![0; pins] }
    }

    /// What was read at each pin, by index; `None` where no visit has ended yet.
    pub(super) fn all(&self) -> &[Option<PinResult>] {
        &self.results
    }

    /// Visits of a pin that gave nothing.
    pub(super) fn retries(&self, pin: usize) -> u16 {
        self.retries.get(pin).copied().unwrap_or(0)
    }

    /// What was read at a pin, if anything was.
    pub(super) fn read(&self, pin: usize) -> Option<&PinResult> {
        let result = self.results.get(pin).and_then(Option::as_ref);
        result.filter(|result| !matches!(result.value, PinValue::Unread(_)))
    }

    /// A pin is decided.
    pub(super) fn decide(&mut self, result: PinResult) {
        if let Some(slot) = self.results.get_mut(result.pin) {
            *slot = Some(result);
        }
    }

    /// A visit ended without a decision.
    pub(super) fn give_up(&mut self, result: PinResult) {
        self.retry(result.pin);
        // A later visit that gave nothing does not erase an earlier one that did.
        if let Some(slot @ None) = self.results.get_mut(result.pin) {
            *slot = Some(result);
        }
    }

    /// Takes back what was read at these pins.
    pub(super) fn void(&mut self, pins: &[usize]) {
        for &pin in pins {
            if let Some(Some(result)) = self.results.get_mut(pin) {
                result.value = PinValue::Unread(Unread::Voided);
            }
            self.retry(pin);
        }
    }

    /// Pins that were read or given up, and not voided since.
    pub(super) fn count(&self) -> usize {
        let ended = self.results.iter().flatten();
        ended.filter(|result| result.value != PinValue::Unread(Unread::Voided)).count()
    }

    /// The value of each pin, by index: `Unread` where there is none.
    pub(super) fn values(&self) -> Vec<PinValue> {
        let value = |result: &Option<PinResult>| {
            result.as_ref().map_or(PinValue::Unread(Unread::NoReading), |result| result.value)
        };
        self.results.iter().map(value).collect()
    }

    fn retry(&mut self, pin: usize) {
        if let Some(retries) = self.retries.get_mut(pin) {
            *retries = retries.saturating_add(1);
        }
    }
}
