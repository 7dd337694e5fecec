//! Writes many small changes into one source file at once, each behind a switch that is turned at run time.
//!
//! An expression with changes becomes a `match` on the change that is chosen: the first arm is the text as it was (with the
//! switches inside it), each further arm the text with one change and no other switch, so that the text grows by little.
//! A function that returns a constant does so at its head; a match arm that is left out gets a guard. Around every piece that
//! was written stand two comments, `/*[17]*/` and `/*[]*/`: where the compiler refuses a piece they say whose it is.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::ops::Range;

use syn::spanned::Spanned;
use syn::visit::{self, Visit};

/// What decides at run time; `read` is the only thing in the copy that is not the logic's.
pub const CHANGED: &str = r#"//! Which change is switched on: 0 is none.
use core::sync::atomic::{AtomicU32, Ordering::Relaxed};
static WHICH: AtomicU32 = AtomicU32::new(u32::MAX);
#[inline(always)]
pub(crate) const fn which() -> u32 {
    const fn none() -> u32 {
        0
    }
    core::intrinsics::const_eval_select((), none, read)
}
#[inline(always)]
fn read() -> u32 {
    match WHICH.load(Relaxed) {
        u32::MAX => read_first(),
        which => which,
    }
}
#[cold]
fn read_first() -> u32 {
    let which = surroundings::env::var("CHANGED").ok().and_then(|which| which.parse().ok()).unwrap_or(0);
    WHICH.store(which, Relaxed);
    which
}
"#;

/// What a source needs at its top, for [`CHANGED`].
pub const CRATE_HEAD: &str =
    "#![feature(core_intrinsics, const_eval_select)]\n#![allow(internal_features, warnings)]\n";
/// What it needs after its attributes: `std`, under a name that makes nothing compile that did not.
pub const CRATE_MODULE: &str = "extern crate std as surroundings;\nmod changed;\n";

/// What kind of change one is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// A whole function's body becomes another.
    Body,
    /// Another operator between two operands.
    Binary,
    /// An operator before its operand is left out.
    Unary,
    /// A guard is always or never met.
    Guard,
    /// A match arm is left out.
    Arm,
    /// A field of a struct expression is left to its base.
    Field,
}

/// One change of a file: the text from one place to another becomes another.
#[derive(Clone, Debug)]
pub struct Change {
    /// What switches it on, from 1.
    pub id: u32,
    /// What it changes.
    pub kind: Kind,
    /// Line and column where it begins, both from 1.
    pub from: (usize, usize),
    /// The same where it ends.
    pub to: (usize, usize),
    /// What stands there then.
    pub text: String,
}

/// A file with its changes.
#[derive(Debug)]
pub struct Switched {
    /// Its text with all switches.
    pub text: String,
    /// Those that cannot be switched: outside functions, or part of a condition with `let`.
    pub left_out: Vec<u32>,
    /// Those in functions that the compiler may also reckon with: there the switch is off.
    pub constant: Vec<u32>,
}

/// Writes the changes into a source.
pub fn switch(source: &str, changes: &[Change]) -> Result<Switched, String> {
    let file = syn::parse_file(source).map_err(|error| error.to_string())?;
    let lines = Lines::of(source);
    let mut places =
        Places { lines: &lines, at: BTreeMap::new(), functions: Vec::new(), constants: Vec::new(), whole: None };
    places.visit_file(&file);

    let mut written = Written { source, wraps: BTreeMap::new(), inserts: BTreeMap::new() };
    let mut switched = Switched { text: String::new(), left_out: Vec::new(), constant: Vec::new() };
    for change in changes {
        let range = lines.at(change.from)..lines.at(change.to);
        let within = |outer: &Range<usize>| outer.start <= range.start && range.end <= outer.end;
        // The innermost item says whether it is run or reckoned by the compiler.
        let function = places.functions.iter().filter(|(outer, _)| within(outer)).min_by_key(|(outer, _)| outer.len());
        let constant = places.constants.iter().filter(|outer| within(outer)).map(Range::len).min();
        let (Some((body, in_const_fn)), true) =
            (function, function.is_some_and(|(outer, _)| constant.is_none_or(|constant| outer.len() < constant)))
        else {
            switched.left_out.push(change.id);
            continue;
        };
        debug_assert!(within(body));
        if !written.take(change, &range, &places) {
            switched.left_out.push(change.id);
        } else if *in_const_fn {
            switched.constant.push(change.id);
        }
    }
    switched.text = written.text(0..source.len(), None);
    Ok(switched)
}

/// Whose piece a place of a switched text lies in: of the innermost.
pub fn whose(text: &str, place: usize) -> Vec<u32> {
    let mut open: Vec<&str> = Vec::new();
    let mut rest = 0;
    while let Some(found) = text.get(rest..).and_then(|tail| tail.find("/*[")) {
        let start = rest + found;
        if start > place {
            break;
        }
        let inside = &text[start + 3..];
        let end = inside.find("]*/").unwrap_or(inside.len());
        match &inside[..end] {
            "" => drop(open.pop()),
            ids => open.push(ids),
        }
        rest = start + 3 + end;
    }
    open.last().into_iter().flat_map(|ids| ids.split(',')).filter_map(|id| id.parse().ok()).collect()
}

/// Where lines begin.
struct Lines<'a> {
    source: &'a str,
    begins: Vec<usize>,
}

impl<'a> Lines<'a> {
    fn of(source: &'a str) -> Self {
        let begins = std::iter::once(0).chain(source.match_indices('\n').map(|(at, _)| at + 1)).collect();
        Self { source, begins }
    }

    /// The byte at a line and column, both from 1; columns count letters.
    fn at(&self, (line, column): (usize, usize)) -> usize {
        let begin = self.begins.get(line - 1).copied().unwrap_or(self.source.len());
        let letters = self.source[begin..].chars().take(column - 1);
        begin + letters.map(char::len_utf8).sum::<usize>()
    }

    fn range(&self, node: &impl Spanned) -> Range<usize> {
        let span = node.span();
        let at = |place: proc_macro2::LineColumn| self.at((place.line, place.column + 1));
        at(span.start())..at(span.end())
    }
}

/// What stands at a place of the source that can be changed.
#[derive(Clone, Debug)]
enum Place {
    /// An operator, and the largest expression whose meaning another one there can change.
    Operator(Range<usize>),
    /// An operator that stands beside a `let`: no expression of its own.
    BesideLet,
    Guard(Range<usize>),
    /// An arm: where its pattern ends, and its guard.
    Arm(usize, Option<Range<usize>>),
    /// A field, and its struct expression.
    Field(Range<usize>),
}

struct Places<'a> {
    lines: &'a Lines<'a>,
    /// By the byte where it begins; an arm and its guard never begin at the same, but a field and its value's operator may.
    at: BTreeMap<(usize, u8), Place>,
    /// Bodies of functions, and whether the compiler may reckon with them.
    functions: Vec<(Range<usize>, bool)>,
    /// What the compiler reckons in any case.
    constants: Vec<Range<usize>>,
    /// The largest expression of operators around the one that is visited next.
    whole: Option<Whole>,
}

/// Of operators inside one another.
#[derive(Clone, Debug)]
enum Whole {
    Expression(Range<usize>),
    WithLet,
}

const fn slot(kind: Kind) -> u8 {
    match kind {
        Kind::Binary | Kind::Unary => 0,
        Kind::Guard => 1,
        Kind::Arm => 2,
        Kind::Field => 3,
        Kind::Body => 4,
    }
}

fn has_let(expression: &syn::Expr) -> bool {
    match expression {
        syn::Expr::Let(_) => true,
        syn::Expr::Binary(both) => {
            matches!(both.op, syn::BinOp::And(_)) && (has_let(&both.left) || has_let(&both.right))
        }
        _ => false,
    }
}

impl Places<'_> {
    fn function(&mut self, signature: &syn::Signature, body: &syn::Block) {
        let range = self.lines.range(body);
        self.functions.push((range, signature.constness.is_some()));
    }
}

impl<'ast> Visit<'ast> for Places<'_> {
    fn visit_expr(&mut self, expression: &'ast syn::Expr) {
        let whole = self.whole.take();
        match expression {
            syn::Expr::Binary(both) => {
                let own = || Whole::Expression(self.lines.range(expression));
                let whole = match whole {
                    _ if has_let(expression) => Whole::WithLet,
                    None | Some(Whole::WithLet) => own(),
                    Some(outer) => outer,
                };
                let place = match &whole {
                    Whole::Expression(range) => Place::Operator(range.clone()),
                    Whole::WithLet => Place::BesideLet,
                };
                self.at.insert((self.lines.range(&both.op).start, slot(Kind::Binary)), place);
                for operand in [&both.left, &both.right] {
                    self.whole = Some(whole.clone());
                    self.visit_expr(operand);
                }
                self.whole = None;
            }
            syn::Expr::Unary(one) => {
                let place = Place::Operator(self.lines.range(expression));
                self.at.insert((self.lines.range(&one.op).start, slot(Kind::Unary)), place);
                visit::visit_expr(self, expression);
            }
            syn::Expr::Struct(whole) => {
                for field in &whole.fields {
                    let start = self.lines.range(field).start;
                    self.at.insert((start, slot(Kind::Field)), Place::Field(self.lines.range(expression)));
                }
                visit::visit_expr(self, expression);
            }
            syn::Expr::Const(block) => {
                self.constants.push(self.lines.range(block));
                visit::visit_expr(self, expression);
            }
            syn::Expr::Repeat(list) => {
                self.constants.push(self.lines.range(&list.len));
                visit::visit_expr(self, expression);
            }
            _ => visit::visit_expr(self, expression),
        }
    }

    fn visit_expr_match(&mut self, whole: &'ast syn::ExprMatch) {
        // An arm with a guard leaves the others to cover everything.
        let takes_all =
            |arm: &syn::Arm| arm.guard.is_none() && matches!(arm.pat, syn::Pat::Wild(_) | syn::Pat::Ident(_));
        let covered = whole.arms.last().is_some_and(takes_all);
        for arm in &whole.arms {
            let guard = arm.guard.as_ref().map(|(_, guard)| self.lines.range(guard));
            if let Some(guard) = &guard {
                self.at.insert((guard.start, slot(Kind::Guard)), Place::Guard(guard.clone()));
            }
            if covered || guard.is_some() {
                let pattern = self.lines.range(&arm.pat).end;
                self.at.insert((self.lines.range(arm).start, slot(Kind::Arm)), Place::Arm(pattern, guard));
            }
        }
        visit::visit_expr_match(self, whole);
    }

    fn visit_item_fn(&mut self, item: &'ast syn::ItemFn) {
        self.function(&item.sig, &item.block);
        visit::visit_item_fn(self, item);
    }

    fn visit_impl_item_fn(&mut self, item: &'ast syn::ImplItemFn) {
        self.function(&item.sig, &item.block);
        visit::visit_impl_item_fn(self, item);
    }

    fn visit_trait_item_fn(&mut self, item: &'ast syn::TraitItemFn) {
        if let Some(body) = &item.default {
            self.function(&item.sig, body);
        }
        visit::visit_trait_item_fn(self, item);
    }

    fn visit_item_const(&mut self, item: &'ast syn::ItemConst) {
        self.constants.push(self.lines.range(item));
        visit::visit_item_const(self, item);
    }

    fn visit_impl_item_const(&mut self, item: &'ast syn::ImplItemConst) {
        self.constants.push(self.lines.range(item));
        visit::visit_impl_item_const(self, item);
    }

    fn visit_item_static(&mut self, item: &'ast syn::ItemStatic) {
        self.constants.push(self.lines.range(item));
        visit::visit_item_static(self, item);
    }
}

/// An expression by where it begins, and its end turned round, so that outer ones come first.
type Span = (usize, std::cmp::Reverse<usize>);

/// Texts of one expression, and pieces that stand between what was there.
struct Written<'a> {
    source: &'a str,
    wraps: BTreeMap<Span, Vec<(u32, String)>>,
    inserts: BTreeMap<usize, Vec<String>>,
}

impl Written<'_> {
    /// Takes a change up, unless it has no place.
    fn take(&mut self, change: &Change, range: &Range<usize>, places: &Places<'_>) -> bool {
        let id = change.id;
        let place = places.at.get(&(range.start, slot(change.kind)));
        match (change.kind, place) {
            (Kind::Body, _) => {
                let piece =
                    format!("/*[{id}]*/if crate::changed::which() == {id} {{\nreturn {};\n}}/*[]*/\n", change.text);
                self.insert(range.start, piece);
            }
            (Kind::Binary | Kind::Unary, Some(Place::Operator(whole)))
            | (Kind::Guard, Some(Place::Guard(whole)))
            | (Kind::Field, Some(Place::Field(whole))) => {
                let before = &self.source[whole.start..range.start];
                let after = &self.source[range.end..whole.end];
                let text = format!("{before}{} {after}", change.text);
                self.wraps.entry((whole.start, std::cmp::Reverse(whole.end))).or_default().push((id, text));
            }
            (Kind::Arm, Some(Place::Arm(_, Some(guard)))) => {
                self.insert(guard.start, format!("/*[{id}]*/crate::changed::which() != {id} && /*[]*/("));
                self.insert(guard.end, ")".to_owned());
            }
            (Kind::Arm, Some(Place::Arm(pattern, None))) => {
                self.insert(*pattern, format!(" /*[{id}]*/if crate::changed::which() != {id}/*[]*/ "));
            }
            _ => return false,
        }
        true
    }

    fn insert(&mut self, at: usize, piece: String) {
        self.inserts.entry(at).or_default().push(piece);
    }

    /// A part of the source with its switches; `within` is the expression that is being written, itself no longer wrapped.
    fn text(&self, part: Range<usize>, within: Option<Span>) -> String {
        let mut text = String::new();
        let mut at = part.start;
        // Outermost wraps of this part, one after the other.
        loop {
            let next = self
                .wraps
                .keys()
                .filter(|key| key.0 >= at && key.1.0 <= part.end)
                .find(|key| within.is_none_or(|within| (key.0, key.1) > within));
            let until = next.map_or(part.end, |key| key.0);
            // What stands where the part begins was written by whoever holds the part.
            self.plain(at..until, at == part.start && within.is_some(), &mut text);
            let Some(key) = next else { break };
            if !(at == key.0 && at == part.start && within.is_some()) {
                self.inserted(key.0, &mut text);
            }
            self.wrapped(*key, &mut text);
            at = key.1.0;
            if at >= part.end {
                break;
            }
        }
        if within.is_none() {
            self.inserted(part.end, &mut text);
        }
        text
    }

    /// A stretch without wraps, without what is inserted at its end.
    fn plain(&self, part: Range<usize>, written_before: bool, text: &mut String) {
        let mut at = part.start;
        for place in self.inserts.range(part.clone()).map(|(place, _)| *place) {
            text.push_str(&self.source[at..place]);
            if !(place == part.start && written_before) {
                self.inserted(place, text);
            }
            at = place;
        }
        text.push_str(&self.source[at..part.end]);
    }

    fn inserted(&self, at: usize, text: &mut String) {
        for piece in self.inserts.get(&at).into_iter().flatten() {
            text.push_str(piece);
        }
    }

    fn wrapped(&self, key: Span, text: &mut String) {
        let changes = &self.wraps[&key];
        let list = |between: &str| changes.iter().map(|(id, _)| id.to_string()).collect::<Vec<_>>().join(between);
        let was = self.text(key.0..key.1.0, Some(key));
        let _ = write!(
            text,
            "/*[{}]*/(match crate::changed::which() {{ which__ if !matches!(which__, {}) => ({was}),",
            list(","),
            list(" | ")
        );
        for (number, (id, changed)) in changes.iter().enumerate() {
            let last = number + 1 == changes.len();
            let arm = if last { "_".to_owned() } else { id.to_string() };
            let _ = write!(text, "\n/*[{id}]*/{arm} => ({changed}),/*[]*/");
        }
        text.push_str("\n})/*[]*/");
    }
}
