//! Writes the mutants of a file into its text, each behind a switch: mutant schemata (R. H. Untch, A. J. Offutt,
//! M. J. Harrold, "Mutation analysis using mutant schemata", ISSTA 1993, pages 139-148).
//!
//! Every part of an expression is written once, or else nested changes would grow without bound: the sides of an operator
//! are worked out first and joined by the operator that the switch chooses. So operators are exchanged in the tree and not in
//! the text: `a - b * 2` with `+` for `*` is `a - (b + 2)`.

use std::collections::HashSet;
use std::fmt::Write;
use std::ops::Range;

use crate::list::Mutant;
use crate::places::{Node, Shape};

/// A text with switches, and which bytes of it are whose.
#[derive(Default)]
pub struct Switched {
    pub text: String,
    /// What belongs to one mutant alone.
    pub alternatives: Vec<(Range<usize>, usize)>,
    /// What was written for a node, with the mutants that it serves.
    pub scaffolds: Vec<(Range<usize>, Vec<usize>)>,
}

/// The text with switches for all mutants of `nodes` but those left out. Nodes stand in the order in which they begin,
/// outer ones first.
pub fn write(text: &str, nodes: &[Node], mutants: &[Mutant], without: &HashSet<usize>) -> Switched {
    let mut writer = Writer { text, nodes, mutants, without, out: Switched::default() };
    writer.part(0..text.len(), 0);
    writer.out
}

struct Writer<'a> {
    text: &'a str,
    nodes: &'a [Node],
    mutants: &'a [Mutant],
    without: &'a HashSet<usize>,
    out: Switched,
}

impl Writer<'_> {
    /// Writes a part of the source with the nodes inside it, of which the first has at least this index.
    fn part(&mut self, range: Range<usize>, mut next: usize) {
        let mut at = range.start;
        while let Some(node) = self.nodes.get(next) {
            if node.range.start > range.end {
                break;
            }
            let (begin, end) = (node.range.start, node.range.end);
            let live: Vec<usize> =
                node.mutants.iter().copied().filter(|m| !self.without.contains(m)).collect();
            if begin >= at && end <= range.end && !live.is_empty() && begin >= range.start {
                let text = self.text;
                self.out.text.push_str(&text[at..begin]);
                let start = self.out.text.len();
                self.node(next, &live);
                self.out.scaffolds.push((start..self.out.text.len(), live));
                at = end;
            }
            next += 1;
        }
        let text = self.text;
        self.out.text.push_str(&text[at..range.end]);
    }

    fn say(&mut self, words: &str) {
        self.out.text.push_str(words);
    }

    /// What only this mutant has.
    fn alternative(&mut self, mutant: usize, words: &str) {
        let start = self.out.text.len();
        self.say(words);
        self.out.alternatives.push((start..self.out.text.len(), mutant));
    }

    /// `if no mutant runs { own } else if the first runs { ... } else { the last }`, with `word` for each mutant.
    fn choice(&mut self, live: &[usize], own: &str, word: impl Fn(usize) -> String) {
        let none: Vec<String> = live.iter().map(|m| format!("!crate::switched::on({m})")).collect();
        let _ = write!(self.out.text, "if {} {{ {own} }}", none.join(" && "));
        for (i, mutant) in live.iter().enumerate() {
            self.say(" else ");
            if i + 1 < live.len() {
                let _ = write!(self.out.text, "if crate::switched::on({mutant}) ");
            }
            self.say("{ ");
            self.alternative(*mutant, &word(*mutant));
            self.say(" }");
        }
    }

    fn node(&mut self, index: usize, live: &[usize]) {
        let next = index + 1;
        let nodes = self.nodes;
        let instead = |m: usize| self.mutants[m].replacement.clone();
        match nodes[index].shape.clone() {
            Shape::Binary { left, operator, right } => {
                self.say("(match ((");
                self.part(left, next);
                self.say("), (");
                self.part(right, next);
                self.say(")) { (__l, __r) => { ");
                let words: Vec<(usize, String)> = live.iter().map(|m| (*m, instead(*m))).collect();
                self.choice(live, &format!("__l {operator} __r"), |m| format!("__l {} __r", word(&words, m)));
                self.say(" } })");
            }
            Shape::Compare { left, operator, right } => {
                let words: Vec<(usize, String)> = live.iter().map(|m| (*m, instead(*m))).collect();
                self.say("(match (&(");
                self.part(left, next);
                self.say("), &(");
                self.part(right, next);
                let _ = write!(
                    self.out.text,
                    ")) {{ (__l, __r) => {{ let __o = *__l {operator} *__r; if crate::switched::idle() {{ __o }} else {{ \
                     crate::switched::told(__o, ["
                );
                for (mutant, operator) in &words {
                    let _ = write!(self.out.text, "({mutant}, ");
                    self.alternative(*mutant, &format!("*__l {operator} *__r"));
                    self.say("), ");
                }
                self.say("]) } } })");
            }
            Shape::Lazy { left, and, right } => {
                // `a && b` goes on to b when a holds, `a || b` when it does not.
                let _ = write!(self.out.text, "(match (");
                self.part(left, next);
                let _ = write!(
                    self.out.text,
                    ") {{ __l => if __l {} crate::switched::on({}) {{ ",
                    if and { "!=" } else { "==" },
                    live[0]
                );
                self.part(right, next);
                self.say(" } else { __l } })");
            }
            Shape::Assign { left, operator, right } => {
                let words: Vec<(usize, String)> = live.iter().map(|m| (*m, instead(*m))).collect();
                self.say("(match (");
                self.part(right, next);
                self.say(") { __r => { ");
                // Once for each, since it is a place and not a value.
                let mut place = Writer { out: Switched::default(), ..*self };
                place.part(left, next);
                let place = place.out.text;
                self.choice(live, &format!("{place} {operator} __r"), |m| {
                    format!("{place} {} __r", word(&words, m))
                });
                self.say(" } })");
            }
            Shape::Unary { operator, value } => {
                self.say("(match (");
                self.part(value, next);
                let _ = write!(
                    self.out.text,
                    ") {{ __v => if !crate::switched::on({}) {{ {operator}__v }} else {{ ",
                    live[0]
                );
                self.alternative(live[0], "__v");
                self.say(" } })");
            }
            Shape::Arm { guard } => {
                let held = guard.is_some();
                if !held {
                    self.say(" if ");
                }
                let deleted = live.iter().find(|m| self.mutants[**m].genre == "MatchArm");
                let mut conditions = Vec::new();
                if let Some(m) = deleted {
                    conditions.push(format!("!crate::switched::on({m})"));
                }
                self.say(&conditions.join(" && "));
                if let Some(guard) = guard {
                    if !conditions.is_empty() {
                        self.say(" && ");
                    }
                    let always = live.iter().find(|m| self.mutants[**m].replacement == "true");
                    let never = live.iter().find(|m| self.mutants[**m].replacement == "false");
                    self.say("(");
                    if let Some(m) = always {
                        let _ = write!(self.out.text, "crate::switched::on({m}) || ");
                    }
                    if let Some(m) = never {
                        let _ = write!(self.out.text, "!crate::switched::on({m}) && ");
                    }
                    self.say("(");
                    self.part(guard, next);
                    self.say("))");
                }
            }
            Shape::Field { name, value, whole, base, plain } => {
                let _ = write!(self.out.text, "{name}: if !crate::switched::on({}) {{ ", live[0]);
                match value {
                    Some(value) => self.part(value, next),
                    None => self.say(&name),
                }
                self.say(" } else { ");
                let base = &self.text[base];
                let words =
                    if plain { format!("{base}.{name}") } else { format!("({whole} {{ ..{base} }}).{name}") };
                self.alternative(live[0], &words);
                self.say(" }");
            }
            Shape::Body => {
                for mutant in live {
                    let _ = write!(self.out.text, " if crate::switched::on({mutant}) {{ return ");
                    self.alternative(*mutant, &instead_of(self.mutants, *mutant));
                    self.say("; }");
                }
            }
        }
    }
}

fn instead_of(mutants: &[Mutant], mutant: usize) -> String {
    mutants[mutant].replacement.clone()
}

fn word(words: &[(usize, String)], mutant: usize) -> &str {
    words.iter().find(|(m, _)| *m == mutant).map_or("", |(_, word)| word)
}

#[cfg(test)]
#[path = "switch_tests.rs"]
mod tests;
