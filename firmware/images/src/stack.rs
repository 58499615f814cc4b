//! The deepest stack of an image: the longest path through its calls, found in the image itself.
//!
//! A call through a register that cannot be followed is taken to go to the deepest of all functions whose
//! address stands anywhere in the image's data, but for those that are on the path already. Recursion by
//! direct calls has no deepest stack and is an error.
//!
//! A path ends at the panic handler: the first that it does is to open every channel, and whatever becomes of
//! the stack after that ends in a new start.
//!
//! Interrupts come on top: one handler at a time, since all have the same priority, and over it the hard
//! fault. Each takes eight words and, at most, one more to align (ARMv6-M Architecture Reference Manual,
//! B1.5.6).

use std::collections::{BTreeMap, BTreeSet};
use std::error::Error;
use std::path::Path;
use std::{fmt, fs};

use object::{Object, ObjectSection, ObjectSymbol, SectionKind, SymbolKind};

use rustc_demangle::demangle;

use crate::thumb::{Frame, Target, frame};

/// Stack of one exception: R0 to R3, R12, LR, PC, xPSR, and a word to align.
const EXCEPTION: u32 = 9 * 4;

/// Symbol of the panic handler.
const PANIC_HANDLER: &str = "rust_begin_unwind";

/// Places of the vector table: start of the stack, reset, non-maskable interrupt, hard fault, others.
const HARD_FAULT: usize = 3;

/// What is known of the stack of an image.
#[derive(Debug, PartialEq, Eq)]
pub(crate) struct Stack {
    /// Bytes at most, interrupts included.
    pub(crate) bytes: u32,
    /// The functions of the deepest path from the first on, each with the bytes of its own.
    pub(crate) path: Vec<(String, u32)>,
    /// Functions that call through a register which could not be followed.
    pub(crate) unfollowed: Vec<String>,
}

/// The bytes in the first line, then the path, one function a line with the bytes of its own.
impl fmt::Display for Stack {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "{} bytes of stack at most, interrupts included", self.bytes)?;
        for (name, own) in &self.path {
            writeln!(f, "{own:>9} {name}")?;
        }
        for name in &self.unfollowed {
            writeln!(f, "calls through a register that were not followed: {name}")?;
        }
        Ok(())
    }
}

/// Reads an image and finds its deepest stack.
pub(crate) fn deepest(path: &Path) -> Result<Stack, Box<dyn Error>> {
    let bytes = fs::read(path)?;
    let file = object::File::parse(bytes.as_slice())?;
    let graph = Graph::read(&file)?;
    let main = graph.deepest_from(file.entry() as u32 & !1)?;

    let handlers = vector_table(&file)?;
    let mut interrupts = 0;
    for (place, handler) in handlers.iter().enumerate().skip(2).filter(|(_, handler)| **handler != 0) {
        let depth = EXCEPTION + graph.deepest_from(handler & !1)?.bytes;
        if place == HARD_FAULT {
            continue;
        }
        interrupts = interrupts.max(depth);
    }
    if let Some(fault) = handlers.get(HARD_FAULT) {
        interrupts += EXCEPTION + graph.deepest_from(fault & !1)?.bytes;
    }
    let name = |at: &u32| (graph.names[at].clone(), graph.frames[at].own);
    let reached = graph.reached_from(file.entry() as u32 & !1);
    let calls_blindly = |at: &&u32| graph.frames[*at].calls.iter().any(|call| graph.known(call.to).is_none());
    Ok(Stack {
        bytes: main.bytes + interrupts,
        path: main.path.iter().map(name).collect(),
        unfollowed: reached.iter().filter(calls_blindly).map(|at| graph.names[at].clone()).collect(),
    })
}

/// The functions of an image, and who calls whom.
struct Graph {
    frames: BTreeMap<u32, Frame>,
    names: BTreeMap<u32, String>,
    /// Functions whose address stands in data.
    taken: BTreeSet<u32>,
}

/// The deepest path from a function.
#[derive(Debug, Clone)]
struct Deepest {
    bytes: u32,
    path: Vec<u32>,
    /// Whether functions were left out because they are on the path that led here.
    cut: bool,
}

impl Graph {
    fn read(file: &object::File<'_>) -> Result<Self, Box<dyn Error>> {
        let mut functions = BTreeMap::new();
        // From here on it is code, or data: the mapping symbols of ELF for ARM.
        let mut kinds = BTreeMap::new();
        for symbol in file.symbols() {
            let (name, at) = (symbol.name()?, symbol.address() as u32);
            match name.get(..2) {
                Some("$t") => drop(kinds.insert(at, false)),
                Some("$d") => drop(kinds.insert(at, true)),
                _ if symbol.kind() == SymbolKind::Text => {
                    let entry = functions.entry(at & !1).or_insert((String::new(), 0));
                    let size = entry.1.max(symbol.size() as u32);
                    *entry = (format!("{:#}", demangle(name)), size);
                }
                _ => {}
            }
        }
        let is_data = |at: u32| kinds.range(..=at).next_back().is_some_and(|(_, data)| *data);

        let (mut frames, mut names) = (BTreeMap::new(), BTreeMap::new());
        let mut taken = BTreeSet::new();
        for section in file.sections() {
            let (bytes, start) = (section.data()?, section.address() as u32);
            if section.kind() == SectionKind::Text {
                for (&at, (name, size)) in functions.range(start..start + bytes.len() as u32) {
                    // Functions in assembler may have no size: they end where the next one begins.
                    let next =
                        functions.range(at + 1..).next().map_or(start + bytes.len() as u32, |(at, _)| *at);
                    let end = if *size == 0 { next } else { at + size };
                    let own = &bytes[(at - start) as usize..bytes.len().min((end - start) as usize)];
                    frames.insert(at, frame(at, own, &is_data).map_err(|error| format!("{name}: {error}"))?);
                    names.insert(at, name.clone());
                }
            }
            if section.name()? != ".vector_table" && start != 0 {
                for (word, place) in bytes.chunks_exact(4).zip((start..).step_by(4)) {
                    let word = u32::from_le_bytes([word[0], word[1], word[2], word[3]]);
                    let in_code = section.kind() == SectionKind::Text && !is_data(place);
                    if word & 1 == 1 && functions.contains_key(&(word & !1)) && !in_code {
                        taken.insert(word & !1);
                    }
                }
            }
        }
        Ok(Self { frames, names, taken })
    }

    fn known(&self, to: Target) -> Option<u32> {
        match to {
            Target::Known(at) => Some(at),
            Target::Constant(at) => Some(at).filter(|at| self.frames.contains_key(at)),
            Target::Register => None,
        }
    }

    /// Where a call through a register may go to.
    fn candidates(&self) -> Vec<u32> {
        // Tables of functions that format values stand beside the messages of panics. Nobody formats those: the
        // function that would call them is not even there.
        let is_format = |name: &str| name.contains("core::fmt");
        let formats = self.names.values().any(|name| is_format(name) && name.ends_with("fmt::write"));
        self.taken.iter().copied().filter(|at| formats || !is_format(&self.names[at])).collect()
    }

    fn deepest_from(&self, at: u32) -> Result<Deepest, String> {
        self.walk(at, &mut Vec::new(), &mut BTreeMap::new())
    }

    fn walk(
        &self,
        at: u32,
        on_path: &mut Vec<u32>,
        done: &mut BTreeMap<u32, Deepest>,
    ) -> Result<Deepest, String> {
        if let Some(deepest) = done.get(&at) {
            return Ok(deepest.clone());
        }
        let frame = self.frames.get(&at).ok_or_else(|| format!("expected a function at {at:#x}"))?;
        let mut deepest = Deepest { bytes: frame.own, path: vec![at], cut: false };
        if self.names[&at].ends_with(PANIC_HANDLER) {
            return Ok(deepest);
        }
        on_path.push(at);
        for call in &frame.calls {
            let (targets, through_register) = match self.known(call.to) {
                Some(to) => (vec![to], false),
                None => (self.candidates(), true),
            };
            for to in targets {
                if on_path.contains(&to) {
                    if !through_register {
                        let path: Vec<_> = on_path.iter().map(|at| self.names[at].as_str()).collect();
                        return Err(format!("recursion: {} calls {}", path.join(" calls "), self.names[&to]));
                    }
                    deepest.cut = true;
                    continue;
                }
                let below = self.walk(to, on_path, done)?;
                deepest.cut |= below.cut;
                if call.depth + below.bytes > deepest.bytes {
                    deepest.bytes = call.depth + below.bytes;
                    deepest.path = [vec![at], below.path].concat();
                }
            }
        }
        on_path.pop();
        if !deepest.cut {
            done.insert(at, deepest.clone());
        }
        Ok(deepest)
    }

    fn reached_from(&self, at: u32) -> BTreeSet<u32> {
        let (mut reached, mut left) = (BTreeSet::new(), vec![at]);
        while let Some(at) = left.pop() {
            if reached.insert(at) {
                for call in &self.frames[&at].calls {
                    match self.known(call.to) {
                        Some(to) => left.push(to),
                        None => left.extend(self.candidates()),
                    }
                }
            }
        }
        reached
    }
}

/// Addresses of the exception handlers; none where there is no vector table.
fn vector_table(file: &object::File<'_>) -> Result<Vec<u32>, Box<dyn Error>> {
    let Some(section) = file.section_by_name(".vector_table") else { return Ok(Vec::new()) };
    let words = section.data()?.chunks_exact(4);
    Ok(words.map(|word| u32::from_le_bytes([word[0], word[1], word[2], word[3]])).collect())
}
