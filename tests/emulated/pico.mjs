// Runs an image of the Raspberry Pi Pico (RP2040) in rp2040js, for tests.
//
//   node pico.mjs IMAGE.elf [registers|expanders]
//
// With `registers` or `expanders` the parts of such a switching board hang on it (relays.mjs); their 64
// outputs count as pins from 32 on.
//
// Prints one line of JSON, the ports on 127.0.0.1 that it listens on:
//   uart     UART0, bytes paced at the baud rate that the firmware set
//   usb      USB serial port (CDC)
//   control  one command a line, one JSON line for each answer:
//     pins             level of each output as bits, and the time: {"pins":HEX,"ns":T}
//     watch            from now on one line for each edge, unasked: {"pin":P,"level":0|1,"ns":T}
//     input PIN LEVEL  drives an input pin
//     adc LOW HIGH     counts that the sense input (ADC channel 0) reads while its leg (GP22) is low and high
//     stop             time stands still; from then on it moves by `run` only
//     run US           time moves on, as fast as it can: {"ns":T,"uart":HEX,"usb":HEX,"edges":[[P,LEVEL,NS],..]}
//     uart HEX         bytes for UART0, also while time stands still
//     usb HEX          bytes for the USB serial port, likewise
//     go               time runs as on the wall again
//     call SYMBOL      the next instruction is the first one of this function
//     hang             the program sleeps for ever with interrupts disabled
//     log              what the firmware wrote to its RTT buffer since the start, defmt frames: {"bytes":HEX}
//     bus good|silent|stuck   whether the parts on the bus answer, do not, or hold it for ever
//     stack            address of the lowest byte of the stack that was ever written, and of its end:
//                      {"lowest":A,"end":A}; the stack is filled with a pattern at start
//
// There is no boot ROM: the processor starts at the vector table behind the second-stage boot code. The
// watchdog, and the reset that firmware asks for through it, start a new chip that keeps flash, RAM and
// the watchdog's scratch registers; times in edges and answers go on, those of the firmware begin at 0.

import { readFileSync } from 'node:fs';
import { createServer } from 'node:net';
import { Expanders, ShiftRegisters } from './relays.mjs';
import { ConsoleLogger, GPIOPinState, LogLevel, RP2040, USBCDC } from 'rp2040js';

const FLASH = 0x10000000;
const VECTORS = FLASH + 0x100;
const RAM = 0x20000000;
// Emulated time between two looks at the sockets, and the most instructions in one such slice.
const SLICE_NS = 1e6;
const SLICE_INSTRUCTIONS = 100_000;
const SENSE_CHANNEL = 0, SENSE_LEG = 22;
const PAINT = 0xa5;
// Levels of the inputs at start: lid closed (to ground), button not pressed (pulled up).
const inputs = new Map([[16, false], [17, true]]);

// ---- the image

const elf = readFileSync(process.argv[2]);
const word = (at) => elf.readUInt32LE(at);
const half = (at) => elf.readUInt16LE(at);
if (word(0) !== 0x464c457f) throw new Error(`${process.argv[2]} is not an ELF file`);

function loadFlash(mcu) {
  const [first, size, count] = [word(28), half(42), half(44)];
  for (let at = first; at < first + size * count; at += size) {
    const [type, offset, physical, length] = [word(at), word(at + 4), word(at + 12), word(at + 16)];
    if (type === 1 && length && physical >= FLASH && physical < FLASH + mcu.flash.length)
      mcu.flash.set(elf.subarray(offset, offset + length), physical - FLASH);
  }
}

function symbol(name) {
  const section = (index) => word(32) + index * half(46);
  for (let index = 0; index < half(48); index++) {
    if (word(section(index) + 4) !== 2) continue;
    const [offset, size, link] = [16, 20, 24].map((at) => word(section(index) + at));
    const names = word(section(link) + 16);
    for (let at = offset; at < offset + size; at += 16) {
      const from = names + word(at);
      if (elf.toString('latin1', from, elf.indexOf(0, from)) === name) return word(at + 4);
    }
  }
  return undefined;
}

// ---- the chip

let mcu, cdc, usbUp, usbArmed, resetAsked, pastNs = 0, adcCounts = [0, 0];
let edges = [];
const RELAYS = 64, FIRST_RELAY = 32;
const tellRelay = (output, on) => edge(FIRST_RELAY + output, on ? 1 : 0);
const relays = { registers: ShiftRegisters, expanders: Expanders }[process.argv[3]];
const board = relays && new relays(RELAYS, tellRelay);
const uartIn = [], usbIn = [];
let uartOut = [], usbOut = [], nextByteNs = 0;
const watchers = new Set();

const nowNs = () => pastNs + mcu.clock.nanos;
const level = (pin) => (pin.value === GPIOPinState.High ? 1 : 0);
const pins = () => {
  const own = mcu.gpio.reduce((all, pin, index) => all | BigInt(level(pin)) << BigInt(index), 0n);
  const outputs = board?.outputs.on ?? [];
  return outputs.reduce((all, on, index) => all | BigInt(on) << BigInt(FIRST_RELAY + index), own).toString(16);
};

const sense = () => { mcu.adc.channelValues[SENSE_CHANNEL] = adcCounts[level(mcu.gpio[SENSE_LEG])]; };

const watchdogOf = (chip) => Object.values(chip.peripherals).find((part) => part.name === 'WATCHDOG_BASE');

function edge(pin, value) {
  const ns = Math.round(nowNs());
  if (stopped) edges.push([pin, value, ns]);
  for (const socket of watchers) socket.write(`${JSON.stringify({ pin, level: value, ns })}\n`);
}

function start(before) {
  mcu = new RP2040();
  mcu.logger = new ConsoleLogger(LogLevel[process.env.PICO_LOG ?? 'Error'], true);
  if (before) {
    pastNs += before.clock.nanos;
    mcu.flash.set(before.flash);
    mcu.sram.set(before.sram);
    watchdogOf(mcu).scratchData.set(watchdogOf(before).scratchData);
    watchdogOf(mcu).reason = watchdogOf(before).reason;
  } else {
    loadFlash(mcu);
  }
  const watchdog = watchdogOf(mcu);
  resetAsked = false;
  watchdog.onWatchdogTrigger = () => {
    resetAsked = true;
    // The emulator's alarm would go off again and again in the same instant.
    watchdog.timer.enable = watchdog.alarm.enable = false;
  };
  mcu.onBreak = (code) => { console.error(`breakpoint ${code} at ${mcu.core.PC.toString(16)}`); process.exit(3); };
  mcu.core.VTOR = VECTORS;
  mcu.core.SP = mcu.readUint32(VECTORS);
  mcu.core.PC = mcu.readUint32(VECTORS + 4) & ~1;

  mcu.uart[0].onByte = (byte) => uartOut.push(byte);
  nextByteNs = 0;
  usbUp = false;
  usbArmed = {};
  cdc = new USBCDC(mcu.usbCtrl);
  cdc.onDeviceConnected = () => { usbUp = true; };
  cdc.onSerialData = (bytes) => usbOut.push(...bytes);
  // The emulator's host arms the endpoint once it has read the descriptors, the firmware's HAL once at bus
  // reset: keep what is armed, and hand packets over when there is something to say.
  mcu.usbCtrl.onEndpointRead = (endpoint, size) => { if (endpoint) usbArmed[endpoint] = size; };

  for (const [pin, high] of inputs) mcu.gpio[pin].setInputValue(high);
  sense();
  for (const pin of mcu.gpio) pin.addListener((now, last) => {
    const [is, was] = [now, last].map((state) => (state === GPIOPinState.High ? 1 : 0));
    if (is === was) return;
    edge(pin.index, is);
    if (pin.index === SENSE_LEG) sense();
    board?.level(pin.index, is === 1);
  });
  board?.attach(mcu);
}

function restart() {
  const high = mcu.gpio.filter(level).map((pin) => pin.index);
  start(mcu);
  // In reset every pin is an input that is pulled down.
  for (const pin of high) edge(pin, 0);
  board?.released();
  for (const socket of sockets.usb) socket.destroy();
}

/** Moves time on to `endNs`, or less if there was much to do. */
function advance(endNs) {
  for (let left = SLICE_INSTRUCTIONS; left > 0 && nowNs() < endNs; left--) {
    const uart = mcu.uart[0];
    if (uartIn.length && mcu.clock.nanos >= nextByteNs && uart.enabled && !uart.rxFIFO.full) {
      uart.feedByte(uartIn.shift());
      nextByteNs = mcu.clock.nanos + 1e10 / (uart.baudRate || 115200);
    }
    if (usbUp && usbIn.length && usbArmed[cdc.outEndpoint]) {
      const size = usbArmed[cdc.outEndpoint];
      delete usbArmed[cdc.outEndpoint];
      mcu.usbCtrl.endpointReadDone(cdc.outEndpoint, Uint8Array.from(usbIn.splice(0, size)));
    }
    if (mcu.core.waiting) {
      // A sleeping processor costs nothing: go to the next thing that happens.
      let ns = Math.min(mcu.clock.nanosToNextAlarm || SLICE_NS, endNs - nowNs());
      if (uartIn.length) ns = Math.min(ns, nextByteNs - mcu.clock.nanos);
      mcu.clock.tick(Math.max(ns, 8));
    } else {
      mcu.clock.tick((mcu.core.executeInstruction() * 1e9) / mcu.clkSys);
    }
    if (resetAsked) restart();
  }
  drainLog();
}

/** Empties the RTT buffer as a debug probe would. */
const rtt = symbol('_SEGGER_RTT');
function drainLog() {
  if (rtt === undefined || mcu.readUint32(rtt) !== 0x47474553 /* "SEGG" */) return;
  const up = rtt + 24;
  const [buffer, size, write] = [4, 8, 12].map((at) => mcu.readUint32(up + at));
  let read = mcu.readUint32(up + 16);
  const bytes = [];
  for (; read !== write; read = (read + 1) % size) bytes.push(mcu.readUint8(buffer + read));
  if (!bytes.length) return;
  mcu.writeUint32(up + 16, read);
  kept.push(...bytes);
}
const kept = [];

/** How far down the stack has ever been written. */
function stack() {
  let lowest = STACK_LOW;
  while (lowest < STACK_END && mcu.sram[lowest] === PAINT) lowest++;
  return { lowest: lowest + RAM, end: STACK_END + RAM };
}

// ---- the sockets

const sockets = { uart: new Set(), usb: new Set(), control: new Set() };
const ports = {};

function listen(name, onData) {
  const server = createServer((socket) => {
    socket.setNoDelay(true);
    sockets[name].add(socket);
    socket.on('data', (data) => onData(data, socket));
    socket.on('close', () => { sockets[name].delete(socket); watchers.delete(socket); });
    socket.on('error', () => {});
  });
  server.listen(0, '127.0.0.1', () => {
    ports[name] = server.address().port;
    if (Object.keys(ports).length === 3) console.log(JSON.stringify(ports));
  });
}

const bytesOf = (hex) => Buffer.from(hex ?? '', 'hex');
const commands = {
  pins: () => ({ pins: pins(), ns: Math.round(nowNs()) }),
  watch: (_, socket) => { watchers.add(socket); return { pins: pins(), ns: Math.round(nowNs()) }; },
  input: ([pin, value]) => { inputs.set(+pin, value === '1'); mcu.gpio[+pin].setInputValue(value === '1'); return {}; },
  adc: (counts) => { adcCounts = counts.map(Number); sense(); return {}; },
  stop: () => { stopped = true; edges = []; return { ns: Math.round(nowNs()) }; },
  go: () => { stopped = false; edges = []; wallStart(); return {}; },
  uart: ([hex]) => { uartIn.push(...bytesOf(hex)); return {}; },
  usb: ([hex]) => { usbIn.push(...bytesOf(hex)); return {}; },
  run: ([us]) => {
    for (const end = nowNs() + us * 1000; nowNs() < end;) advance(end);
    const answer = { ns: Math.round(nowNs()), uart: Buffer.from(uartOut).toString('hex'), usb: Buffer.from(usbOut).toString('hex'), edges };
    [uartOut, usbOut, edges] = [[], [], []];
    return answer;
  },
  log: () => { drainLog(); return { bytes: Buffer.from(kept).toString('hex') }; },
  bus: ([state]) => { if (board) board.bus = state; return {}; },
  stack: () => stack(),
  call: ([name]) => { mcu.core.waiting = false; mcu.core.PC = symbol(name) & ~1; return {}; },
  hang: () => {
    // At the end of RAM, which nothing uses. A sleep without end costs the emulator nothing.
    const place = RAM + mcu.sram.length - 8;
    [0xb672 /* cpsid i */, 0xbf20 /* wfe */, 0xe7fd /* back to it */].forEach((code, at) => mcu.writeUint16(place + 2 * at, code));
    mcu.core.waiting = false;
    mcu.core.PC = place;
    return {};
  },
};

function onControl(data, socket) {
  const lines = ((socket.unfinished ?? '') + data).split('\n');
  socket.unfinished = lines.pop();
  for (const line of lines) {
    const [name, ...rest] = line.trim().split(/\s+/);
    const answer = commands[name]?.(rest, socket) ?? { error: `no command ${name}` };
    socket.write(`${JSON.stringify(answer)}\n`);
  }
}

listen('uart', (data) => uartIn.push(...data));
listen('usb', (data) => usbIn.push(...data));
listen('control', onControl);

// ---- the wall clock

let stopped = false, wallNs, emulatedNs;
function wallStart() {
  wallNs = process.hrtime.bigint();
  emulatedNs = nowNs();
}
function live() {
  if (stopped) return void setTimeout(live, 1);
  advance(nowNs() + SLICE_NS);
  if (uartOut.length) { for (const socket of sockets.uart) socket.write(Buffer.from(uartOut)); uartOut = []; }
  if (usbOut.length) { for (const socket of sockets.usb) socket.write(Buffer.from(usbOut)); usbOut = []; }
  const aheadMs = (nowNs() - emulatedNs - Number(process.hrtime.bigint() - wallNs)) / 1e6;
  // Behind after a pause of the whole machine: do not race to catch up, or the host seems silent.
  if (aheadMs < -50) wallStart();
  if (aheadMs >= 1) setTimeout(live, aheadMs); else setImmediate(live);
}

start();
// The stack grows down to where the variables end (names of cortex-m-rt's linker script).
const [STACK_LOW, STACK_END] = [symbol('_stack_end') - RAM, symbol('_stack_start') - RAM];
mcu.sram.fill(PAINT, STACK_LOW, STACK_END);
wallStart();
live();
