//! States and what leads from one to another, as they were seen in the real logic; drawn, and told in a table beside the drawing.

use std::collections::{BTreeMap, BTreeSet};

use layout::backends::svg::SVGWriter;
use layout::gv::{DotParser, GraphBuilder};
use serde::Serialize;
use serde::ser::{Error as _, Impossible, SerializeStruct, Serializer};
use serde_json::{Map, Value};

/// What was seen of one idea.
#[derive(Clone, Debug, Default)]
pub struct Machine {
    /// In the order in which they are told; one that was never seen is left out.
    order: Vec<String>,
    moves: BTreeMap<(usize, usize), BTreeSet<String>>,
    /// Drawn from left to right, where there are many beside each other.
    across: bool,
}

impl Machine {
    /// One whose states come in this order; others come behind them.
    pub fn new<S: Into<String>>(order: impl IntoIterator<Item = S>) -> Self {
        Self { order: order.into_iter().map(Into::into).collect(), moves: BTreeMap::new(), across: false }
    }

    /// The same, drawn from left to right.
    pub fn across(self) -> Self {
        Self { across: true, ..self }
    }

    fn place(&mut self, state: &str) -> usize {
        if let Some(place) = self.order.iter().position(|known| known == state) {
            return place;
        }
        self.order.push(state.to_owned());
        self.order.len() - 1
    }

    /// This led from one state to the other.
    pub fn see(&mut self, from: &str, to: &str, because: impl Into<String>) {
        let key = (self.place(from), self.place(to));
        self.moves.entry(key).or_default().insert(because.into());
    }

    /// What another saw of the same idea.
    pub fn join(&mut self, other: &Self) {
        for ((from, to), reasons) in &other.moves {
            reasons.iter().for_each(|reason| self.see(&other.order[*from], &other.order[*to], reason));
        }
    }

    /// As [`see`](Self::see), where staying is no news.
    pub fn see_change(&mut self, from: &str, to: &str, because: impl IntoIterator<Item = String>) {
        if from != to {
            let mut because = because.into_iter().peekable();
            if because.peek().is_none() {
                self.see(from, to, "no record of its own");
            }
            because.for_each(|reason| self.see(from, to, reason));
        }
    }

    /// The states from which something led elsewhere or to which it led.
    pub fn states(&self) -> Vec<&str> {
        let seen: BTreeSet<usize> = self.moves.keys().flat_map(|(from, to)| [*from, *to]).collect();
        seen.into_iter().map(|place| self.order[place].as_str()).collect()
    }

    /// Every move with its number in the drawing.
    fn numbered(&self) -> impl Iterator<Item = (usize, (usize, usize), &BTreeSet<String>)> {
        (1..).zip(&self.moves).map(|(number, (ends, reasons))| (number, *ends, reasons))
    }

    /// The moves in words: what the drawing shows, for those who do not see it.
    pub fn table(&self) -> String {
        let mut table = String::from("| | from | to | because |\n|---|---|---|---|\n");
        for (number, (from, to), reasons) in self.numbered() {
            let reasons: Vec<_> = reasons.iter().map(String::as_str).collect();
            let (from, to) = (&self.order[from], &self.order[to]);
            table.push_str(&format!("| {number} | {from} | {to} | {} |\n", reasons.join("; ")));
        }
        table
    }

    /// The drawing; each arrow has its number in the table. What leads back to where it began stands in the table alone.
    pub fn svg(&self) -> String {
        let mut dot = format!("digraph states {{\n  rankdir={};\n", if self.across { "LR" } else { "TB" });
        let seen: BTreeSet<usize> = self.moves.keys().filter(|(a, b)| a != b).flat_map(|(a, b)| [*a, *b]).collect();
        for place in seen {
            dot.push_str(&format!("  n{place} [label=\"{}\", shape=box];\n", self.order[place].replace('`', "")));
        }
        for (number, (from, to), _) in self.numbered().filter(|(_, (from, to), _)| from != to) {
            dot.push_str(&format!("  n{from} -> n{to} [label=\"{number}\"];\n"));
        }
        dot.push_str("}\n");
        let graph = DotParser::new(&dot).process().expect("a graph that was just written");
        let mut builder = GraphBuilder::new();
        builder.visit_graph(&graph);
        let mut svg = SVGWriter::new();
        builder.get().do_it(false, false, false, &mut svg);
        // A page may be dark, and the lines are black.
        let white = "</style>\n<rect width=\"100%\" height=\"100%\" fill=\"white\"/>";
        let drawn = svg.finalize().replacen("</style>", white, 1).replace("Times, serif", "sans-serif");
        sorted(&cropped(&drawn))
    }
}

/// The styles come in an order of their own every time.
fn sorted(svg: &str) -> String {
    let (before, rest) = svg.split_once("<style>\n").expect("a drawing has styles");
    let (styles, after) = rest.split_once("</style>").expect("they end");
    let mut styles: Vec<_> = styles.lines().collect();
    styles.sort_unstable();
    format!("{before}<style>\n{}\n</style>{after}", styles.join("\n"))
}

/// Without the room below the drawing that its layout leaves.
fn cropped(svg: &str) -> String {
    let attribute = |text: &str, name: &str| -> Option<f64> {
        text.split_once(&format!(" {name}=\"")).and_then(|(_, rest)| rest.split('"').next()?.parse().ok())
    };
    let boxes = svg.split("<rect ").skip(1).filter_map(|text| Some(attribute(text, "y")? + attribute(text, "height")?));
    let paths = svg.split(" d=\"").skip(1).filter_map(|text| text.split('"').next());
    let points = paths.flat_map(|path| path.split(|c: char| c.is_alphabetic() || c.is_whitespace()));
    let lows = points.filter_map(|point| point.split_once(',')?.1.parse::<f64>().ok());
    let lowest = boxes.chain(lows).fold(0.0, f64::max).ceil() + 20.0;
    let height = attribute(svg, "height").expect("a drawing has a height");
    let width = attribute(svg, "width").expect("a drawing has a width");
    let (was, is) = (format!("height=\"{height}\" viewBox=\"0 0 {width} {height}\""), height.min(lowest));
    assert!(svg.contains(&was), "the drawing's size is where it was");
    svg.replacen(&was, &format!("height=\"{is}\" viewBox=\"0 0 {width} {is}\""), 1)
}

/// Fields that a struct keeps to itself, as they would come into a file.
pub fn fields(of: &impl Serialize, wanted: &'static [&'static str]) -> Map<String, Value> {
    of.serialize(Picker(wanted)).expect("a struct of plain data")
}

/// The state's name: that of a variant, in words.
pub fn variant(value: &Value) -> String {
    let name = value.as_str().or_else(|| value.as_object().and_then(|tagged| tagged.keys().next().map(String::as_str)));
    let mut words = String::new();
    for letter in name.expect("a variant").chars() {
        if letter.is_uppercase() && !words.is_empty() {
            words.push(' ');
        }
        words.extend(letter.to_lowercase());
    }
    words
}

struct Picker(&'static [&'static str]);

struct Picked(&'static [&'static str], Map<String, Value>);

impl SerializeStruct for Picked {
    type Ok = Map<String, Value>;
    type Error = serde_json::Error;

    fn serialize_field<T: Serialize + ?Sized>(&mut self, key: &'static str, value: &T) -> Result<(), Self::Error> {
        if self.0.contains(&key) {
            self.1.insert(key.to_owned(), serde_json::to_value(value)?);
        }
        Ok(())
    }

    fn end(self) -> Result<Self::Ok, Self::Error> {
        Ok(self.1)
    }
}

macro_rules! nothing_but_structs {
    ($($name:ident($($of:ty),*) -> $ok:ty;)*) => {
        $(fn $name(self, $(_: $of),*) -> Result<$ok, Self::Error> { Err(serde_json::Error::custom("no struct")) })*
    };
}

type NotAStruct = Impossible<Map<String, Value>, serde_json::Error>;

impl Serializer for Picker {
    type Ok = Map<String, Value>;
    type Error = serde_json::Error;
    type SerializeSeq = NotAStruct;
    type SerializeTuple = NotAStruct;
    type SerializeTupleStruct = NotAStruct;
    type SerializeTupleVariant = NotAStruct;
    type SerializeMap = NotAStruct;
    type SerializeStruct = Picked;
    type SerializeStructVariant = NotAStruct;

    fn serialize_struct(self, _: &'static str, _: usize) -> Result<Picked, Self::Error> {
        Ok(Picked(self.0, Map::new()))
    }

    fn serialize_newtype_struct<T: Serialize + ?Sized>(
        self,
        _: &'static str,
        value: &T,
    ) -> Result<Self::Ok, Self::Error> {
        value.serialize(self)
    }

    fn serialize_some<T: Serialize + ?Sized>(self, value: &T) -> Result<Self::Ok, Self::Error> {
        value.serialize(self)
    }

    fn serialize_newtype_variant<T: Serialize + ?Sized>(
        self,
        _: &'static str,
        _: u32,
        _: &'static str,
        _: &T,
    ) -> Result<Self::Ok, Self::Error> {
        Err(serde_json::Error::custom("no struct"))
    }

    nothing_but_structs! {
        serialize_bool(bool) -> Self::Ok;
        serialize_i8(i8) -> Self::Ok;
        serialize_i16(i16) -> Self::Ok;
        serialize_i32(i32) -> Self::Ok;
        serialize_i64(i64) -> Self::Ok;
        serialize_u8(u8) -> Self::Ok;
        serialize_u16(u16) -> Self::Ok;
        serialize_u32(u32) -> Self::Ok;
        serialize_u64(u64) -> Self::Ok;
        serialize_f32(f32) -> Self::Ok;
        serialize_f64(f64) -> Self::Ok;
        serialize_char(char) -> Self::Ok;
        serialize_str(&str) -> Self::Ok;
        serialize_bytes(&[u8]) -> Self::Ok;
        serialize_none() -> Self::Ok;
        serialize_unit() -> Self::Ok;
        serialize_unit_struct(&'static str) -> Self::Ok;
        serialize_unit_variant(&'static str, u32, &'static str) -> Self::Ok;
        serialize_seq(Option<usize>) -> NotAStruct;
        serialize_tuple(usize) -> NotAStruct;
        serialize_tuple_struct(&'static str, usize) -> NotAStruct;
        serialize_tuple_variant(&'static str, u32, &'static str, usize) -> NotAStruct;
        serialize_map(Option<usize>) -> NotAStruct;
        serialize_struct_variant(&'static str, u32, &'static str, usize) -> NotAStruct;
    }
}
