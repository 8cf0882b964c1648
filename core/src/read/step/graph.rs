//! Instances asked by id, their parameters by what they should be.

use std::sync::atomic::Ordering;

use super::part21::{Exchange, Instance, Record, Value};

/// Why something in the file cannot be understood. Every case names the instance.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum EntityFault {
    /// A reference to nothing.
    #[error("#{id} is referred to but not in the file")]
    NotThere {
        /// The instance that is missing.
        id: u64,
    },
    /// An instance of another kind than its place asks for.
    #[error("#{id} is {got}, where {wanted} belongs")]
    OtherKind {
        /// The instance.
        id: u64,
        /// What it is.
        got: String,
        /// What should stand there.
        wanted: &'static str,
    },
    /// A parameter that is not what the schema says.
    #[error("#{id}: parameter {parameter} is no {wanted}")]
    Parameter {
        /// The instance.
        id: u64,
        /// Its number, from 1.
        parameter: usize,
        /// What should stand there.
        wanted: &'static str,
    },
    /// Numbers that describe no shape.
    #[error("#{id}: {problem}")]
    Senseless {
        /// The instance.
        id: u64,
        /// What makes no sense.
        problem: &'static str,
    },
    /// A place that scales what it places.
    #[error(
        "#{id} is {kind} with a scale of {scale}, and a part keeps its size: export it without, or name the part that is meant"
    )]
    Scaled {
        /// The instance.
        id: u64,
        /// Its keyword.
        kind: &'static str,
        /// By how much it scales.
        scale: f64,
    },
    /// Something that is part of something, without its place there.
    #[error(
        "#{id} places a part nowhere: name the part that is meant, or export the assembly with its places"
    )]
    Nowhere {
        /// The occurrence.
        id: u64,
    },
    /// A shape that this reader does not know.
    #[error("#{id} is {kind}, which is not read")]
    NotServed {
        /// The instance.
        id: u64,
        /// Its keyword.
        kind: String,
    },
}

/// Control points at most, each time they are made counted: with knots and weights 40 bytes each. A part of ten thousand
/// freeform faces has some three million.
pub(super) const MOST_CONTROL_POINTS: usize = 10_000_000;

/// The instances of a file.
#[derive(Clone, Copy)]
pub(super) struct Graph<'a> {
    pub exchange: &'a Exchange<'a>,
}

/// A record of an instance, with its id for faults.
#[derive(Clone, Copy)]
pub(super) struct Entity<'a> {
    pub id: u64,
    pub name: &'a str,
    values: &'a [Value<'a>],
}

impl<'a> Graph<'a> {
    pub(super) fn instance(&self, id: u64) -> Result<&'a Instance<'a>, EntityFault> {
        let place = self.exchange.place.get(&id).ok_or(EntityFault::NotThere { id })?;
        Ok(&self.exchange.instances[*place])
    }

    /// The record `name` of an instance; `None` where it has none.
    pub(super) fn part(&self, id: u64, name: &str) -> Result<Option<Entity<'a>>, EntityFault> {
        let records = &self.instance(id)?.records;
        Ok(records.iter().find(|r| r.name == name).map(|r| Entity::of(id, r)))
    }

    /// The record `name` of an instance that must have it.
    pub(super) fn must(&self, id: u64, name: &'static str) -> Result<Entity<'a>, EntityFault> {
        match self.part(id, name)? {
            Some(entity) => Ok(entity),
            None => Err(self.other_kind(id, name)),
        }
    }

    /// The record of a simple instance; the first of a complex one.
    pub(super) fn first(&self, id: u64) -> Result<Entity<'a>, EntityFault> {
        // The parser makes no instance without a record.
        match self.instance(id)?.records.first() {
            Some(record) => Ok(Entity::of(id, record)),
            None => Err(EntityFault::NotThere { id }),
        }
    }

    /// All keywords of an instance, joined.
    pub(super) fn kind(&self, id: u64) -> String {
        match self.instance(id) {
            Ok(i) => {
                i.records.iter().map(|r| r.name).collect::<Vec<_>>().join("+").chars().take(200).collect()
            }
            Err(_) => "nothing".to_string(),
        }
    }

    pub(super) fn other_kind(&self, id: u64, wanted: &'static str) -> EntityFault {
        EntityFault::OtherKind { id, got: self.kind(id), wanted }
    }

    pub(super) fn not_served(&self, id: u64) -> EntityFault {
        EntityFault::NotServed { id, kind: self.kind(id) }
    }

    /// Takes control points from what a file may make of them: one list may stand behind any number of curves. Once too
    /// many were asked for, the whole file is refused (see [`Self::spent`]), so it does not matter who asked first.
    pub(super) fn charge(&self, id: u64, count: usize) -> Result<(), EntityFault> {
        let before = self.exchange.control_points.fetch_add(count, Ordering::Relaxed);
        let problem = "the file's curves and surfaces have too many control points";
        if before.saturating_add(count) > MOST_CONTROL_POINTS {
            return Err(EntityFault::Senseless { id, problem });
        }
        Ok(())
    }

    /// Whether more control points were asked for than allowed.
    pub(super) fn spent(&self) -> bool {
        self.exchange.control_points.load(Ordering::Relaxed) > MOST_CONTROL_POINTS
    }

    /// All records of a name, in the order of the file.
    pub(super) fn all(&self, name: &'a str) -> impl Iterator<Item = Entity<'a>> {
        self.exchange
            .instances
            .iter()
            .flat_map(move |i| i.records.iter().filter(move |r| r.name == name).map(|r| Entity::of(i.id, r)))
    }
}

impl<'a> Entity<'a> {
    fn of(id: u64, record: &'a Record<'a>) -> Self {
        Self { id, name: record.name, values: &record.values }
    }

    fn fault(&self, index: usize, wanted: &'static str) -> EntityFault {
        EntityFault::Parameter { id: self.id, parameter: index + 1, wanted }
    }

    pub(super) fn senseless(&self, problem: &'static str) -> EntityFault {
        EntityFault::Senseless { id: self.id, problem }
    }

    pub(super) fn value(&self, index: usize) -> Option<&'a Value<'a>> {
        self.values.get(index)
    }

    pub(super) fn length(&self) -> usize {
        self.values.len()
    }

    pub(super) fn real(&self, index: usize) -> Result<f64, EntityFault> {
        self.value(index).and_then(real).ok_or_else(|| self.fault(index, "number"))
    }

    /// A number above zero.
    pub(super) fn positive(&self, index: usize) -> Result<f64, EntityFault> {
        let value = self.real(index)?;
        if value > 0.0 { Ok(value) } else { Err(self.fault(index, "number above zero")) }
    }

    pub(super) fn whole(&self, index: usize) -> Result<i64, EntityFault> {
        match self.value(index) {
            Some(Value::Integer(n)) => Ok(*n),
            _ => Err(self.fault(index, "whole number")),
        }
    }

    pub(super) fn instance(&self, index: usize) -> Result<u64, EntityFault> {
        match self.value(index) {
            Some(Value::Instance(id)) => Ok(*id),
            _ => Err(self.fault(index, "reference")),
        }
    }

    /// A reference, or nothing where `$` or `*` stands.
    pub(super) fn maybe_instance(&self, index: usize) -> Option<u64> {
        match self.value(index) {
            Some(Value::Instance(id)) => Some(*id),
            _ => None,
        }
    }

    pub(super) fn list(&self, index: usize) -> Result<&'a [Value<'a>], EntityFault> {
        match self.value(index) {
            Some(Value::List(values)) => Ok(values),
            _ => Err(self.fault(index, "list")),
        }
    }

    pub(super) fn instances(&self, index: usize) -> Result<Vec<u64>, EntityFault> {
        let wanted = "list of references";
        let one = |v: &Value| match v {
            Value::Instance(id) => Ok(*id),
            _ => Err(self.fault(index, wanted)),
        };
        self.list(index)?.iter().map(one).collect()
    }

    pub(super) fn reals(&self, index: usize) -> Result<Vec<f64>, EntityFault> {
        self.list(index)?
            .iter()
            .map(|v| real(v).ok_or_else(|| self.fault(index, "list of numbers")))
            .collect()
    }

    pub(super) fn wholes(&self, index: usize) -> Result<Vec<i64>, EntityFault> {
        let one = |v: &Value| match v {
            Value::Integer(n) => Ok(*n),
            _ => Err(self.fault(index, "list of whole numbers")),
        };
        self.list(index)?.iter().map(one).collect()
    }

    /// Rows of references or numbers, all of one length.
    pub(super) fn rows(&self, index: usize) -> Result<Vec<&'a [Value<'a>]>, EntityFault> {
        let one = |v: &'a Value<'a>| match v {
            Value::List(row) => Ok(&**row),
            _ => Err(self.fault(index, "list of lists")),
        };
        let rows: Vec<_> = self.list(index)?.iter().map(one).collect::<Result<_, _>>()?;
        match rows.first() {
            Some(first) if rows.iter().all(|r| r.len() == first.len()) => Ok(rows),
            _ => Err(self.fault(index, "list of equally long lists")),
        }
    }

    /// `.T.` or `.F.`.
    pub(super) fn flag(&self, index: usize) -> Result<bool, EntityFault> {
        match self.value(index) {
            Some(Value::Enumeration("T" | "TRUE")) => Ok(true),
            Some(Value::Enumeration("F" | "FALSE")) => Ok(false),
            _ => Err(self.fault(index, "truth value")),
        }
    }

    /// The text; empty where none stands.
    pub(super) fn text(&self, index: usize) -> String {
        self.value(index).and_then(Value::text).unwrap_or_default()
    }
}

/// A number, also where it is written whole or as a typed measure.
pub(super) fn real(value: &Value) -> Option<f64> {
    match value {
        Value::Real(x) => Some(*x),
        Value::Integer(n) => Some(*n as f64),
        Value::Typed(typed) => match typed.1 {
            Value::Real(x) => Some(x),
            Value::Integer(n) => Some(n as f64),
            _ => None,
        },
        _ => None,
    }
}
