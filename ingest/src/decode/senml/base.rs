//! The fields of a record, and the base fields that hold for later records too.

use super::super::decode_error::{DecodeError, quoted};
use super::super::moment::{Seconds, not_a_time};
use super::super::wire::{self, Value};

/// Labels that apply to later records too.
pub(super) const BASE_LABELS: [&str; 5] = ["bn", "bt", "bu", "bv", "bs"];

/// The base fields in effect. Where one could not be read, the records that rest on it cannot be
/// read either: `Err` holds the index of the record that broke it.
pub(super) struct Base {
    pub name: Result<String, usize>,
    pub time: Result<Seconds, usize>,
    pub unit: Result<Option<String>, usize>,
    pub value: Result<Option<f64>, usize>,
    pub sum: Result<Option<f64>, usize>,
}

impl Default for Base {
    fn default() -> Self {
        Self {
            name: Ok(String::new()),
            time: Ok(Seconds::ZERO),
            unit: Ok(None),
            value: Ok(None),
            sum: Ok(None),
        }
    }
}

pub(super) fn rests_on<T: Clone>(base: &Result<T, usize>, label: &str) -> Result<T, DecodeError> {
    base.clone().map_err(|index| {
        DecodeError::unreadable(format!(
            "it rests on the {label} of record {index}, which cannot be read"
        ))
    })
}

impl Base {
    /// Takes in a record's base fields. What is wrong with them is a fault of this record.
    pub(super) fn update(&mut self, fields: &Fields, index: usize) -> Result<(), DecodeError> {
        let mut first_fault = None;
        let mut broken = |fault: DecodeError| {
            first_fault.get_or_insert(fault);
            index
        };
        if let Some(name) = fields.text("bn").transpose() {
            self.name = name.map(str::to_owned).map_err(&mut broken);
        }
        if let Some(time) = fields.seconds("bt").transpose() {
            self.time = time.map_err(&mut broken);
        }
        if let Some(unit) = fields.text("bu").transpose() {
            self.unit = unit.map(|u| Some(u.to_owned())).map_err(&mut broken);
        }
        if let Some(value) = fields.number("bv").transpose() {
            self.value = value.map(Some).map_err(&mut broken);
        }
        if let Some(sum) = fields.number("bs").transpose() {
            self.sum = sum.map(Some).map_err(&mut broken);
        }
        first_fault.map_or(Ok(()), Err)
    }

    /// A record of which nothing can be read may have held base fields: those that its text names
    /// are no longer known.
    pub(super) fn forget(&mut self, names: impl Fn(&str) -> bool, index: usize) {
        for label in BASE_LABELS {
            if names(label) {
                match label {
                    "bn" => self.name = Err(index),
                    "bt" => self.time = Err(index),
                    "bu" => self.unit = Err(index),
                    "bv" => self.value = Err(index),
                    _ => self.sum = Err(index),
                }
            }
        }
    }
}

/// The fields of one record, by label.
pub(super) struct Fields<'v, 'a>(pub &'v [(std::borrow::Cow<'a, str>, Value<'a>)]);

impl<'v> Fields<'v, '_> {
    pub(super) fn find(&self, label: &str) -> Option<&'v Value<'v>> {
        self.0.iter().find(|(n, _)| n == label).map(|(_, v)| v)
    }

    pub(super) fn text(&self, label: &str) -> Result<Option<&'v str>, DecodeError> {
        match self.find(label) {
            None => Ok(None),
            Some(Value::Text(text)) => Ok(Some(text)),
            Some(other) => Err(wrong_type(label, "text", other)),
        }
    }

    pub(super) fn digits(&self, label: &str) -> Result<Option<&'v str>, DecodeError> {
        match self.find(label) {
            None => Ok(None),
            Some(Value::Number(digits)) => Ok(Some(digits)),
            Some(other) => Err(wrong_type(label, "a number", other)),
        }
    }

    pub(super) fn number(&self, label: &str) -> Result<Option<f64>, DecodeError> {
        let Some(digits) = self.digits(label)? else {
            return Ok(None);
        };
        match wire::finite(digits) {
            Some(value) => Ok(Some(value)),
            None => Err(DecodeError::number(format!(
                "{label} is not a finite number: {}",
                quoted(digits)
            ))),
        }
    }

    pub(super) fn seconds(&self, label: &str) -> Result<Option<Seconds>, DecodeError> {
        match self.digits(label)? {
            None => Ok(None),
            Some(digits) => Seconds::parse(digits)
                .map(Some)
                .ok_or_else(|| not_a_time(digits)),
        }
    }
}

pub(super) fn wrong_type(label: &str, wanted: &str, given: &Value) -> DecodeError {
    match given {
        Value::Unreadable { why, .. } => DecodeError::unreadable(format!("{label}: {why}")),
        other => DecodeError::unreadable(format!("{label} must be {wanted}, not {}", other.what())),
    }
}
