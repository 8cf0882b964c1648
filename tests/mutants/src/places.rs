//! Where in a source file the listed mutants change something, and what stands there.

use std::collections::HashMap;
use std::ops::Range;

use anyhow::{Context, Result};
use syn::spanned::Spanned;
use syn::visit::{self, Visit};

use crate::list::Mutant;

/// What is changed.
#[derive(Clone, Debug, PartialEq)]
pub enum Shape {
    /// Both sides are worked out, then joined.
    Binary { left: Range<usize>, operator: String, right: Range<usize> },
    /// Two sides of `==`, `<` and so on.
    Compare { left: Range<usize>, operator: String, right: Range<usize> },
    /// `&&` or `||`: the right side is worked out only when it matters.
    Lazy { left: Range<usize>, and: bool, right: Range<usize> },
    /// `left += right` and the like.
    Assign { left: Range<usize>, operator: String, right: Range<usize> },
    /// `-value` or `!value`.
    Unary { operator: String, value: Range<usize> },
    /// The place behind the pattern of an arm, with its guard if it has one.
    Arm { guard: Option<Range<usize>> },
    /// The value of a field that a struct's rest `..base` would give too.
    Field { name: String, value: Option<Range<usize>>, whole: String, base: Range<usize>, plain: bool },
    /// The beginning of a function's body.
    Body,
}

/// One place of the source with the mutants that change it, by their numbers.
#[derive(Clone, Debug)]
pub struct Node {
    pub range: Range<usize>,
    pub shape: Shape,
    pub mutants: Vec<usize>,
}

/// Why a mutant is not written behind a switch.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Left {
    /// Rust refuses it.
    DoesNotCompile,
    /// Constants and `const fn`s are worked out before the program runs.
    Constant,
    /// A function whose return type is `impl ...` has one type only.
    Opaque,
    /// With a switch about it Rust refuses the place itself.
    NoSwitch,
    /// Nothing at that place is known to this program.
    NotFound,
}

/// What a file holds: places in the order in which they begin, outer ones first; and what was left out.
pub struct Places {
    pub nodes: Vec<Node>,
    pub left: Vec<(usize, Left)>,
}

/// Finds the mutants (with their numbers) in the text of their file.
pub fn find(text: &str, mutants: &[(usize, &Mutant)]) -> Result<Places> {
    let file = syn::parse_file(text).context("the source does not parse")?;
    let lines = Lines::new(text);
    let mut wanted: HashMap<(usize, usize), Vec<(usize, &Mutant)>> = HashMap::new();
    for (number, mutant) in mutants {
        let [line, column, ..] = mutant.place;
        wanted.entry((lines.byte(line, column), genre(&mutant.genre))).or_default().push((*number, mutant));
    }
    let mut finder = Finder { text, lines, wanted, nodes: Vec::new(), left: Vec::new(), constant: 0 };
    finder.visit_file(&file);
    let Finder { mut nodes, mut left, wanted, .. } = finder;
    left.extend(wanted.into_values().flatten().map(|(number, _)| (number, Left::NotFound)));
    // Stable: outer places were met first.
    nodes.sort_by_key(|n| n.range.start);
    left.sort_by_key(|(number, _)| *number);
    Ok(Places { nodes, left })
}

const OPERATOR: usize = 0;
const UNARY: usize = 1;
const GUARD: usize = 2;
const ARM: usize = 3;
const FIELD: usize = 4;
const BODY: usize = 5;
const UNKNOWN: usize = 6;

fn genre(word: &str) -> usize {
    ["BinaryOperator", "UnaryOperator", "MatchArmGuard", "MatchArm", "StructField", "FnValue"]
        .iter()
        .position(|w| *w == word)
        .unwrap_or(UNKNOWN)
}

/// Bytes of lines and columns; columns count characters.
struct Lines<'a> {
    text: &'a str,
    starts: Vec<usize>,
}

impl<'a> Lines<'a> {
    fn new(text: &'a str) -> Self {
        let starts = std::iter::once(0).chain(text.match_indices('\n').map(|(at, _)| at + 1)).collect();
        Self { text, starts }
    }

    /// Line and column from 1.
    fn byte(&self, line: usize, column: usize) -> usize {
        let Some(start) = self.starts.get(line.wrapping_sub(1)) else { return self.text.len() };
        let rest = &self.text[*start..];
        start + rest.char_indices().nth(column.saturating_sub(1)).map_or(rest.len(), |(at, _)| at)
    }

    fn range(&self, spanned: &impl Spanned) -> Range<usize> {
        let span = spanned.span();
        let (start, end) = (span.start(), span.end());
        self.byte(start.line, start.column + 1)..self.byte(end.line, end.column + 1)
    }
}

struct Finder<'a> {
    text: &'a str,
    lines: Lines<'a>,
    wanted: HashMap<(usize, usize), Vec<(usize, &'a Mutant)>>,
    nodes: Vec<Node>,
    left: Vec<(usize, Left)>,
    /// How many constants we are inside of.
    constant: usize,
}

impl Finder<'_> {
    fn take(&mut self, at: usize, genre: usize) -> Vec<usize> {
        self.wanted.remove(&(at, genre)).unwrap_or_default().into_iter().map(|(number, _)| number).collect()
    }

    fn leave(&mut self, mutants: Vec<usize>, why: Left) {
        self.left.extend(mutants.into_iter().map(|number| (number, why)));
    }

    fn add(&mut self, range: Range<usize>, mutants: Vec<usize>, shape: Shape) {
        if mutants.is_empty() {
            return;
        }
        if self.constant > 0 {
            self.leave(mutants, Left::Constant);
        } else {
            self.nodes.push(Node { range, shape, mutants });
        }
    }

    fn constant(&mut self, inside: impl FnOnce(&mut Self)) {
        self.constant += 1;
        inside(self);
        self.constant -= 1;
    }

    fn function(&mut self, signature: &syn::Signature, block: &syn::Block) {
        if let Some(first) = block.stmts.first() {
            let mutants = self.take(self.lines.range(first).start, BODY);
            let start = self.lines.range(&block.brace_token.span.open()).end;
            let opaque = matches!(&signature.output, syn::ReturnType::Type(_, t) if holds_impl(t));
            if opaque {
                self.leave(mutants, Left::Opaque);
            } else if signature.constness.is_some() {
                self.leave(mutants, Left::Constant);
            } else {
                self.add(start..start, mutants, Shape::Body);
            }
        }
    }
}

fn holds_impl(t: &syn::Type) -> bool {
    struct Holds(bool);
    impl<'a> Visit<'a> for Holds {
        fn visit_type_impl_trait(&mut self, _: &'a syn::TypeImplTrait) {
            self.0 = true;
        }
    }
    let mut holds = Holds(false);
    holds.visit_type(t);
    holds.0
}

/// Whether a chain of `&&` holds an `if let`, which no other operator can join.
fn holds_let(e: &syn::Expr) -> bool {
    match e {
        syn::Expr::Let(_) => true,
        syn::Expr::Binary(b) if matches!(b.op, syn::BinOp::And(_)) => {
            holds_let(&b.left) || holds_let(&b.right)
        }
        _ => false,
    }
}

impl<'a> Visit<'a> for Finder<'_> {
    fn visit_pat(&mut self, _: &'a syn::Pat) {}

    fn visit_type(&mut self, t: &'a syn::Type) {
        self.constant(|s| visit::visit_type(s, t));
    }

    fn visit_item_const(&mut self, i: &'a syn::ItemConst) {
        self.constant(|s| visit::visit_item_const(s, i));
    }

    fn visit_item_static(&mut self, i: &'a syn::ItemStatic) {
        self.constant(|s| visit::visit_item_static(s, i));
    }

    fn visit_impl_item_const(&mut self, i: &'a syn::ImplItemConst) {
        self.constant(|s| visit::visit_impl_item_const(s, i));
    }

    fn visit_trait_item_const(&mut self, i: &'a syn::TraitItemConst) {
        self.constant(|s| visit::visit_trait_item_const(s, i));
    }

    fn visit_expr_const(&mut self, e: &'a syn::ExprConst) {
        self.constant(|s| visit::visit_expr_const(s, e));
    }

    fn visit_item_enum(&mut self, i: &'a syn::ItemEnum) {
        self.constant(|s| visit::visit_item_enum(s, i));
    }

    fn visit_expr_repeat(&mut self, e: &'a syn::ExprRepeat) {
        self.visit_expr(&e.expr);
        self.constant(|s| s.visit_expr(&e.len));
    }

    fn visit_item_fn(&mut self, f: &'a syn::ItemFn) {
        self.function(&f.sig, &f.block);
        let constant = usize::from(f.sig.constness.is_some());
        self.constant += constant;
        visit::visit_item_fn(self, f);
        self.constant -= constant;
    }

    fn visit_impl_item_fn(&mut self, f: &'a syn::ImplItemFn) {
        self.function(&f.sig, &f.block);
        let constant = usize::from(f.sig.constness.is_some());
        self.constant += constant;
        visit::visit_impl_item_fn(self, f);
        self.constant -= constant;
    }

    fn visit_trait_item_fn(&mut self, f: &'a syn::TraitItemFn) {
        if let Some(block) = &f.default {
            self.function(&f.sig, block);
        }
        visit::visit_trait_item_fn(self, f);
    }

    fn visit_expr_binary(&mut self, e: &'a syn::ExprBinary) {
        use syn::BinOp as B;
        let (range, token) = (self.lines.range(e), self.lines.range(&e.op));
        let (left, right) = (self.lines.range(&e.left), self.lines.range(&e.right));
        let operator = self.text[token.clone()].to_owned();
        let mutants = self.take(token.start, OPERATOR);
        let shape = match e.op {
            B::And(_) | B::Or(_) => {
                if holds_let(&e.left) || holds_let(&e.right) {
                    self.leave(mutants, Left::DoesNotCompile);
                    return visit::visit_expr_binary(self, e);
                }
                Shape::Lazy { left, and: matches!(e.op, B::And(_)), right }
            }
            B::Eq(_) | B::Ne(_) | B::Lt(_) | B::Le(_) | B::Gt(_) | B::Ge(_) => {
                Shape::Compare { left, operator, right }
            }
            _ if operator.ends_with('=') => Shape::Assign { left, operator, right },
            _ => Shape::Binary { left, operator, right },
        };
        self.add(range, mutants, shape);
        visit::visit_expr_binary(self, e);
    }

    fn visit_expr_unary(&mut self, e: &'a syn::ExprUnary) {
        let range = self.lines.range(e);
        let token = self.lines.range(&e.op);
        let mutants = self.take(token.start, UNARY);
        let shape = Shape::Unary { operator: self.text[token].to_owned(), value: self.lines.range(&e.expr) };
        self.add(range, mutants, shape);
        visit::visit_expr_unary(self, e);
    }

    fn visit_arm(&mut self, a: &'a syn::Arm) {
        let behind = self.lines.range(&a.pat).end;
        let guard = a.guard.as_ref().map(|(_, e)| self.lines.range(e));
        let start = a
            .attrs
            .first()
            .map_or_else(|| self.lines.range(&a.pat).start, |first| self.lines.range(first).start);
        let mut mutants = self.take(start, ARM);
        if let Some(guard) = &guard {
            mutants.extend(self.take(guard.start, GUARD));
        }
        let range = guard.clone().unwrap_or(behind..behind);
        self.add(range, mutants, Shape::Arm { guard });
        visit::visit_arm(self, a);
    }

    fn visit_expr_struct(&mut self, e: &'a syn::ExprStruct) {
        if let Some(base) = &e.rest {
            for field in &e.fields {
                let range = self.lines.range(field);
                let mutants = self.take(range.start, FIELD);
                let shape = Shape::Field {
                    name: self.text[self.lines.range(&field.member)].to_owned(),
                    value: field.colon_token.map(|_| self.lines.range(&field.expr)),
                    whole: self.text[self.lines.range(&e.path)].to_owned(),
                    base: self.lines.range(base),
                    plain: matches!(**base, syn::Expr::Path(_) | syn::Expr::Field(_)),
                };
                self.add(range, mutants, shape);
            }
        }
        visit::visit_expr_struct(self, e);
    }
}
