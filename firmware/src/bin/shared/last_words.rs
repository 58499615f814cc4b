//! What a program that gave up leaves for the next start: a mark in RAM that start-up does not clear.

use core::mem::MaybeUninit;

/// `GAVE UP!` in ASCII. RAM holds anything after power-up; that it holds just this is not to be expected.
const GAVE_UP: u64 = u64::from_le_bytes(*b"GAVE UP!");

/// The mark, and a count of starts since power came.
#[derive(Clone, Copy)]
struct Words {
    mark: u64,
    starts: u32,
    /// `!starts`, if the count is not the noise of power-up.
    starts_inverted: u32,
}

// Not cleared by the start-up code, and kept through every reset but loss of power.
#[unsafe(link_section = ".uninit.last_words")]
static mut LAST_WORDS: MaybeUninit<Words> = MaybeUninit::uninit();

/// What the last run left.
pub(crate) struct Found {
    /// Whether it gave up by [`give_up`].
    pub(crate) gave_up: bool,
    /// Starts since power came, this one included.
    pub(crate) starts: u32,
}

/// Reads what the last run left, takes the mark away and counts this start.
pub(crate) fn take() -> Found {
    let place = &raw mut LAST_WORDS;
    // SAFETY: called once at start, before anything else touches the mark; any bits are a valid `Words`.
    let words: Words = unsafe { place.cast::<Words>().read_volatile() };
    let known = words.starts_inverted == !words.starts;
    let starts = if known { words.starts.wrapping_add(1) } else { 1 };
    let found = Found { gave_up: words.mark == GAVE_UP, starts };
    // SAFETY: as above.
    unsafe { place.cast::<Words>().write_volatile(Words { mark: 0, starts, starts_inverted: !starts }) };
    found
}

/// Leaves the mark. The caller resets the chip.
pub(crate) fn leave() {
    let place = &raw mut LAST_WORDS;
    // SAFETY: interrupts are off and the program is over: nothing else runs.
    unsafe { (&raw mut (*place.cast::<Words>()).mark).write_volatile(GAVE_UP) };
}
