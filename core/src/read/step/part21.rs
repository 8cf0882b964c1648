//! The clear text encoding of a STEP file: ISO 10303-21:2016 (from memory).
//!
//! Header and every DATA section become instances with their parameters; what an entity means is no
//! question here. ANCHOR, REFERENCE and SIGNATURE sections (edition 3) are passed over.

use std::collections::HashMap;
use std::sync::atomic::AtomicUsize;

use super::lexer::{Lexer, Syntax, Token};
use super::text::decoded;
use crate::run::{CHECK_EVERY, Run, Stopped};

/// One parameter.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Value<'a> {
    Instance(u64),
    Integer(i64),
    Real(f64),
    /// Still escaped.
    Text(&'a [u8]),
    Enumeration(&'a str),
    Binary(&'a str),
    List(Box<[Value<'a>]>),
    /// `NAME(value)`.
    Typed(Box<(&'a str, Value<'a>)>),
    /// `$`.
    Missing,
    /// `*`.
    Derived,
}

/// A keyword with its parameters.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Record<'a> {
    pub name: &'a str,
    pub values: Box<[Value<'a>]>,
}

/// One instance; several records where it is a complex one.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Instance<'a> {
    pub id: u64,
    pub line: u64,
    pub records: Vec<Record<'a>>,
}

/// A whole file.
#[derive(Debug, Default)]
pub(super) struct Exchange<'a> {
    /// FILE_DESCRIPTION, FILE_NAME, FILE_SCHEMA and so on.
    pub header: Vec<Record<'a>>,
    /// As they stand in the file.
    pub instances: Vec<Instance<'a>>,
    /// Where each id stands among them.
    pub place: HashMap<u64, usize>,
    /// Control points of curves and surfaces that were made so far, each time they were made.
    pub control_points: AtomicUsize,
}

/// How much a file may hold.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct FileLimits {
    /// Most instances.
    pub instances: usize,
    /// Most memory that all instances with their parameters may take, bytes.
    pub bytes: usize,
    /// Deepest nesting of lists and typed parameters.
    pub depth: usize,
}

impl Default for FileLimits {
    fn default() -> Self {
        // A part of ten thousand freeform faces has about a million instances of some 250 bytes each; with what growing
        // tables take, three times as much stays below 1 GiB: some 130 MB of text. Meshes nest four deep, nothing in use more than six.
        Self { instances: 10_000_000, bytes: 768 << 20, depth: 32 }
    }
}

/// Why a file is no exchange structure.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Part21Error {
    Stopped,
    NotStep,
    Syntax(Syntax),
    TooMany { what: &'static str, limit: usize, line: u64 },
    Twice { id: u64, line: u64 },
}

impl From<Syntax> for Part21Error {
    fn from(syntax: Syntax) -> Self {
        Self::Syntax(syntax)
    }
}
impl From<Stopped> for Part21Error {
    fn from(_: Stopped) -> Self {
        Self::Stopped
    }
}

/// Whether the bytes begin as a STEP file does.
pub(super) fn is_step(bytes: &[u8]) -> bool {
    matches!(Lexer::new(bytes).next(), Ok(Some(Token::Word("ISO-10303-21"))))
}

/// Reads a whole file.
pub(super) fn parse<'a>(
    bytes: &'a [u8],
    limits: &FileLimits,
    run: &Run,
) -> Result<Exchange<'a>, Part21Error> {
    if !is_step(bytes) {
        return Err(Part21Error::NotStep);
    }
    let mut parser =
        Parser { lexer: Lexer::new(bytes), limits: *limits, run, bytes: 0, open: Vec::new(), most_open: 0 };
    let mut all = Exchange::default();
    parser.word("ISO-10303-21")?;
    parser.sign(b';')?;
    parser.word("HEADER")?;
    parser.sign(b';')?;
    loop {
        match parser.some()? {
            Token::Word("ENDSEC") => break,
            Token::Word(name) => {
                let values = parser.parameters(0)?;
                all.header.push(Record { name, values });
                parser.sign(b';')?;
            }
            other => return parser.unexpected(other, "an entity of the header"),
        }
    }
    parser.sign(b';')?;
    let mut data = false;
    loop {
        match parser.some()? {
            Token::Word("DATA") => {
                data = true;
                parser.data(&mut all)?;
            }
            Token::Word("ANCHOR" | "REFERENCE" | "SIGNATURE") => {
                parser.lexer.pass_over("ENDSEC")?;
                parser.sign(b';')?;
            }
            Token::Word("END-ISO-10303-21") => {
                parser.sign(b';')?;
                break;
            }
            other => return parser.unexpected(other, "DATA or END-ISO-10303-21"),
        }
    }
    if !data {
        return parser.lexer.fault("the file has no DATA section").map_err(Into::into);
    }
    Ok(all)
}

struct Parser<'a, 'r> {
    lexer: Lexer<'a>,
    limits: FileLimits,
    run: &'r Run<'r>,
    /// Taken so far.
    bytes: usize,
    /// Values of the lists that are open, so that each list is made once, as long as it is, and the most there were.
    open: Vec<Value<'a>>,
    most_open: usize,
}

/// What a value takes.
const VALUE: usize = size_of::<Value>();
/// What a list, or anything else that is kept apart, takes beside what is in it: its allocation (from memory).
const APART: usize = 16;
/// What an instance takes: its own place, which may be twice as large while the table grows, its record, and its id
/// in the index.
const INSTANCE: usize = 2 * size_of::<Instance>() + size_of::<Record>() + 2 * APART + 48;

impl<'a> Parser<'a, '_> {
    fn some(&mut self) -> Result<Token<'a>, Part21Error> {
        match self.lexer.next()? {
            Some(token) => Ok(token),
            None => self.lexer.fault("the file ends too early").map_err(Into::into),
        }
    }

    fn unexpected<T>(&self, token: Token<'a>, wanted: &str) -> Result<T, Part21Error> {
        let got = match token {
            Token::Instance(id) => format!("#{id}"),
            Token::Word(word) => word.chars().take(60).collect(),
            Token::Integer(n) => n.to_string(),
            Token::Real(x) => x.to_string(),
            Token::Text(_) => "a text".to_string(),
            Token::Enumeration(word) => format!(".{}.", word.chars().take(60).collect::<String>()),
            Token::Binary(_) => "a binary".to_string(),
            Token::Sign(sign) => format!("`{}`", char::from(sign)),
        };
        self.lexer.fault(format!("{got} stands where {wanted} should")).map_err(Into::into)
    }

    fn word(&mut self, word: &str) -> Result<(), Part21Error> {
        match self.some()? {
            Token::Word(got) if got == word => Ok(()),
            other => self.unexpected(other, word),
        }
    }

    fn sign(&mut self, sign: u8) -> Result<(), Part21Error> {
        match self.some()? {
            Token::Sign(got) if got == sign => Ok(()),
            other => self.unexpected(other, &format!("`{}`", char::from(sign))),
        }
    }

    fn data(&mut self, all: &mut Exchange<'a>) -> Result<(), Part21Error> {
        match self.some()? {
            Token::Sign(b';') => {}
            Token::Sign(b'(') => {
                self.list(0)?;
                self.sign(b';')?;
            }
            other => return self.unexpected(other, "`;`"),
        }
        loop {
            match self.some()? {
                Token::Instance(id) => {
                    let line = self.lexer.line();
                    if all.instances.len().is_multiple_of(CHECK_EVERY) {
                        self.run.check()?;
                    }
                    if all.instances.len() >= self.limits.instances {
                        return Err(Part21Error::TooMany {
                            what: "instances",
                            limit: self.limits.instances,
                            line,
                        });
                    }
                    if all.place.insert(id, all.instances.len()).is_some() {
                        return Err(Part21Error::Twice { id, line });
                    }
                    self.charge(INSTANCE)?;
                    self.sign(b'=')?;
                    let records = self.records()?;
                    self.sign(b';')?;
                    all.instances.push(Instance { id, line, records });
                }
                Token::Word("ENDSEC") => return self.sign(b';'),
                other => return self.unexpected(other, "an instance or ENDSEC"),
            }
        }
    }

    fn records(&mut self) -> Result<Vec<Record<'a>>, Part21Error> {
        match self.some()? {
            Token::Word(name) => Ok(vec![Record { name, values: self.parameters(0)? }]),
            Token::Sign(b'(') => {
                let mut records = Vec::new();
                loop {
                    match self.some()? {
                        Token::Word(name) => {
                            self.charge(2 * size_of::<Record>() + APART)?;
                            records.push(Record { name, values: self.parameters(0)? });
                        }
                        Token::Sign(b')') if !records.is_empty() => return Ok(records),
                        other => return self.unexpected(other, "a keyword"),
                    }
                }
            }
            other => self.unexpected(other, "a keyword"),
        }
    }

    fn parameters(&mut self, depth: usize) -> Result<Box<[Value<'a>]>, Part21Error> {
        self.sign(b'(')?;
        self.list(depth)
    }

    fn charge(&mut self, bytes: usize) -> Result<(), Part21Error> {
        self.bytes += bytes;
        if self.bytes > self.limits.bytes {
            let limit = self.limits.bytes;
            return Err(Part21Error::TooMany { what: "bytes of instances", limit, line: self.lexer.line() });
        }
        Ok(())
    }

    /// After the opening bracket. Calls itself no deeper than the limit.
    fn list(&mut self, depth: usize) -> Result<Box<[Value<'a>]>, Part21Error> {
        if depth >= self.limits.depth {
            let limit = self.limits.depth;
            return Err(Part21Error::TooMany { what: "lists within lists", limit, line: self.lexer.line() });
        }
        let begin = self.open.len();
        let mut token = self.some()?;
        if token == Token::Sign(b')') {
            return Ok(Box::default());
        }
        self.charge(APART)?;
        let mut count = 0_usize;
        loop {
            // One list may be the whole file.
            count += 1;
            if count.is_multiple_of(CHECK_EVERY) {
                self.run.check()?;
            }
            self.charge(VALUE)?;
            let value = match token {
                Token::Instance(id) => Value::Instance(id),
                Token::Integer(n) => Value::Integer(n),
                Token::Real(x) => Value::Real(x),
                Token::Text(raw) => Value::Text(raw),
                Token::Enumeration(word) => Value::Enumeration(word),
                Token::Binary(digits) => Value::Binary(digits),
                Token::Sign(b'$') => Value::Missing,
                Token::Sign(b'*') => Value::Derived,
                Token::Sign(b'(') => Value::List(self.list(depth + 1)?),
                Token::Word(name) => {
                    self.charge(VALUE + APART)?;
                    let inner = self.parameters(depth + 1)?;
                    let value = match <Box<[Value; 1]>>::try_from(inner) {
                        Ok(one) => {
                            let [value] = *one;
                            value
                        }
                        Err(inner) => Value::List(inner),
                    };
                    Value::Typed(Box::new((name, value)))
                }
                other @ Token::Sign(_) => return self.unexpected(other, "a parameter"),
            };
            self.open.push(value);
            if self.open.len() > self.most_open {
                // For a moment twice as much, while it grows.
                self.most_open = self.open.len();
                self.charge(2 * VALUE)?;
            }
            match self.some()? {
                Token::Sign(b',') => token = self.some()?,
                Token::Sign(b')') => return Ok(self.open.drain(begin..).collect()),
                other => return self.unexpected(other, "`,` or `)`"),
            }
        }
    }
}

impl Value<'_> {
    /// The text as people read it; `None` for anything else.
    pub(super) fn text(&self) -> Option<String> {
        match self {
            Value::Text(raw) => Some(decoded(raw)),
            _ => None,
        }
    }
}

#[cfg(test)]
#[path = "part21_tests.rs"]
mod tests;
