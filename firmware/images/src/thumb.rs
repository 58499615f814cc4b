//! How a function moves the stack pointer, and whom it calls at which depth, read from its instructions.
//!
//! Only what an ARMv6-M processor can do to its stack pointer is decoded (ARMv6-M Architecture Reference
//! Manual, A5 and A6). Instructions are taken in the order of their addresses: behind one that does not go
//! on to the next, the stack is taken to be as deep as it ever was in this function, which may be too much
//! and is never too little. What is not understood is an error.

use std::collections::BTreeMap;

/// A call, and the bytes of stack in use when it is made.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Call {
    pub(crate) to: Target,
    pub(crate) depth: u32,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Target {
    /// The function at this address.
    Known(u32),
    /// What a register holds that was loaded with this constant, if that is a function.
    Constant(u32),
    /// Whatever a register holds.
    Register,
}

/// What a function does to the stack.
#[derive(Debug, Default, PartialEq, Eq)]
pub(crate) struct Frame {
    /// Bytes that it takes at most, calls not counted.
    pub(crate) own: u32,
    pub(crate) calls: Vec<Call>,
}

/// Reads one function: its address, its bytes, and the ranges of its bytes that are data, as offsets.
pub(crate) fn frame(start: u32, bytes: &[u8], is_data: &dyn Fn(u32) -> bool) -> Result<Frame, String> {
    let half =
        |at: u32| bytes.get(at as usize..at as usize + 2).map(|pair| u16::from_le_bytes([pair[0], pair[1]]));
    let word = |at: u32| Some(u32::from(half(at)?) | u32::from(half(at + 2)?) << 16);
    let end = start + bytes.len() as u32;
    let mut frame = Frame::default();
    let mut depth = 0_u32;
    // Constants that registers were loaded with, until they are changed by something else.
    let mut loaded: BTreeMap<u16, u32> = BTreeMap::new();
    let mut at = 0;
    while let Some(one) = half(at) {
        if is_data(start + at) {
            at += 2;
            continue;
        }
        let here = start + at;
        let mut size = 2;
        let mut goes_on = true;
        match one {
            // PUSH, with LR in bit 8; POP, with PC in bit 8.
            0xB400..=0xB5FF => depth += 4 * (one & 0x1FF).count_ones(),
            0xBC00..=0xBDFF => {
                depth = depth.saturating_sub(4 * (one & 0x1FF).count_ones());
                goes_on = one & 0x100 == 0;
            }
            // ADD and SUB of SP and 7 bits of words.
            0xB000..=0xB07F => depth = depth.saturating_sub(4 * u32::from(one & 0x7F)),
            0xB080..=0xB0FF => depth += 4 * u32::from(one & 0x7F),
            // LDR of a constant: its place counts from the next word.
            0x4800..=0x4FFF => {
                let place = ((here + 4) & !3) + 4 * u32::from(one & 0xFF) - start;
                let register = one >> 8 & 7;
                match word(place) {
                    Some(constant) => _ = loaded.insert(register, constant),
                    None => _ = loaded.remove(&register),
                }
            }
            // ADD of a register to PC, SP or another high one; MOV likewise.
            _ if one & 0xFF87 == 0x4485 => {
                let register = one >> 3 & 15;
                let constant = *loaded.get(&register).ok_or_else(|| {
                    format!("{here:#x}: expected a constant added to the stack pointer, found r{register}")
                })?;
                // Negative constants make room, in two's complement.
                let deeper = depth.wrapping_sub(constant);
                depth = if constant > i32::MAX as u32 { deeper } else { depth.saturating_sub(constant) };
            }
            // MOV to SP gives a frame back that a frame pointer points to.
            _ if one & 0xFF87 == 0x4685 => {}
            // A jump through a table.
            _ if one & 0xFF87 == 0x4487 || one & 0xFF87 == 0x4687 => goes_on = false,
            // BX: only back to the caller. BLX.
            0x4770 => goes_on = false,
            0x4700..=0x477F => return Err(format!("{here:#x}: expected bx lr, found {one:#06x}")),
            0x4780..=0x47FF => {
                let register = one >> 3 & 15;
                let known = loaded.get(&register).filter(|constant| *constant & 1 == 1);
                let to = known.map_or(Target::Register, |constant| Target::Constant(constant & !1));
                frame.calls.push(Call { to, depth });
            }
            // B.
            0xE000..=0xE7FF => {
                goes_on = false;
                let distance = (i32::from(one) << 21 >> 20) + 4;
                let to = here.wrapping_add_signed(distance);
                if to < start || to >= end {
                    frame.calls.push(Call { to: Target::Known(to), depth });
                }
            }
            // 32 bits: BL, barriers, special registers.
            0xE800..=0xFFFF => {
                size = 4;
                let two = half(at + 2).ok_or_else(|| format!("{here:#x}: half an instruction"))?;
                if one & 0xF800 == 0xF000 && two & 0xD000 == 0xD000 {
                    let to = here.wrapping_add_signed(branch_and_link(one, two) + 4);
                    if start < to && to < end {
                        // A jump that is too far for a branch.
                        goes_on = false;
                    } else {
                        frame.calls.push(Call { to: Target::Known(to), depth });
                    }
                    // A callee may change these.
                    loaded.retain(|register, _| *register > 3);
                }
            }
            _ => forget(&mut loaded, one),
        }
        frame.own = frame.own.max(depth);
        if !goes_on {
            depth = frame.own;
            loaded.clear();
        }
        at += size;
    }
    Ok(frame)
}

/// Distance of a BL from the instruction after the next.
fn branch_and_link(one: u16, two: u16) -> i32 {
    let (one, two) = (u32::from(one), u32::from(two));
    let sign = one >> 10 & 1;
    let high = !(two >> 13 ^ sign) & 1;
    let next = !(two >> 11 ^ sign) & 1;
    let bits = sign << 24 | high << 23 | next << 22 | (one & 0x3FF) << 12 | (two & 0x7FF) << 1;
    (bits << 7) as i32 >> 7
}

/// Forgets what an instruction overwrites, or all if that is not sure.
fn forget(loaded: &mut BTreeMap<u16, u32>, one: u16) {
    match one {
        // Shifts by a constant, additions and subtractions of three registers, and data processing.
        0x0000..=0x1FFF | 0x4000..=0x43FF => _ = loaded.remove(&(one & 7)),
        // MOV, CMP, ADD and SUB of a byte; ADR and ADD of the stack pointer.
        0x2000..=0x3FFF | 0xA000..=0xAFFF => _ = loaded.remove(&(one >> 8 & 7)),
        // ADD, CMP and MOV of high registers.
        0x4400..=0x46FF => _ = loaded.remove(&(one & 7 | one >> 4 & 8)),
        // Loads and stores.
        0x5000..=0x8FFF => _ = loaded.remove(&(one & 7)),
        0x9000..=0x9FFF => _ = loaded.remove(&(one >> 8 & 7)),
        // Conditional branches change no register.
        0xD000..=0xDFFF => {}
        _ => loaded.clear(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Reads half words at 0x1000 that are all code but for the offsets in `data`.
    fn check(code: &[u16], data: std::ops::Range<u32>, own: u32, calls: &[(Target, u32)]) {
        let bytes: Vec<_> = code.iter().flat_map(|half| half.to_le_bytes()).collect();
        let calls = calls.iter().map(|&(to, depth)| Call { to, depth }).collect();
        let found = frame(0x1000, &bytes, &|at| data.contains(&(at - 0x1000)));
        assert_eq!(found, Ok(Frame { own, calls }));
    }

    /// Encodings as an assembler writes them (GNU as, `-mcpu=cortex-m0`).
    #[test]
    fn pushes_and_rooms_add_up_and_calls_stand_at_their_depth() {
        // push {r4, lr}; sub sp, #16; bl 0x1010; add sp, #16; pop {r4, pc}
        check(&[0xB510, 0xB084, 0xF000, 0xF804, 0xB004, 0xBD10], 0..0, 24, &[(Target::Known(0x1010), 24)]);
        // push {r7, lr}; bl 0x0F00; pop {r7, pc}
        check(&[0xB580, 0xF7FF, 0xFF7D, 0xBD80], 0..0, 8, &[(Target::Known(0x0F00), 8)]);
    }

    #[test]
    fn behind_a_return_the_stack_is_as_deep_as_before() {
        // push {r7, lr}; beq +2; pop {r7, pc}; blx r3; bx lr
        check(&[0xB580, 0xD000, 0xBD80, 0x4798, 0x4770], 0..0, 8, &[(Target::Register, 8)]);
    }

    #[test]
    fn a_far_jump_inside_a_function_is_no_call() {
        // push {r4, lr}; bl 0x1008; nop; pop {r4, pc}
        check(&[0xB510, 0xF000, 0xF801, 0xBF00, 0xBD10], 0..0, 8, &[]);
    }

    #[test]
    fn a_large_frame_comes_from_a_constant() {
        // push {r4, lr}; ldr r4, [pc, #0]; add sp, r4; bx lr; .word -1024
        check(&[0xB510, 0x4C01, 0x44A5, 0x4770, 0xFC00, 0xFFFF], 8..12, 8 + 1024, &[]);
        let bytes: Vec<_> = [0xB510_u16, 0x44A5].iter().flat_map(|half| half.to_le_bytes()).collect();
        assert!(frame(0, &bytes, &|_| false).unwrap_err().contains("r4"));
    }

    #[test]
    fn a_call_through_a_constant_is_known_and_a_jump_out_is_a_call() {
        // ldr r2, [pc, #0]; blx r2; b 0x1100; .word 0x2001
        check(
            &[0x4A01, 0x4790, 0xE07C, 0x0000, 0x2001, 0x0000],
            6..12,
            0,
            &[(Target::Constant(0x2000), 0), (Target::Known(0x1100), 0)],
        );
    }
}
