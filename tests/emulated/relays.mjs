// Parts that hang on a switching board in the emulator: shift registers on SPI, expanders on I2C.
//
// Each attaches itself to a chip and tells of every output that goes on or off. Written from the data sheets
// of the 74HC595 and of the MCP23017 as far as the firmware uses them, the latter from memory.

const HIGH = true, LOW = false;

/** Outputs that are on, and who is told when one changes. */
class Outputs {
  constructor(count, tell) {
    this.on = new Array(count).fill(false);
    this.tell = tell;
  }

  /** Takes the state of all outputs at once: those that go off are told first. */
  set(next) {
    const before = this.on;
    this.on = next;
    for (const level of [false, true])
      next.forEach((is, output) => { if (is !== before[output] && is === level) this.tell(output, is); });
  }
}

/** Eight 74HC595 in a chain: data and clock are the SPI, latch clock and output enable are lines. */
export class ShiftRegisters {
  static pins = { latch: 5, outputEnable: 10 };

  constructor(count, tell) {
    this.outputs = new Outputs(count, tell);
    this.registers = count / 8;
    this.shifting = new Array(this.registers).fill(0);
    this.latched = new Array(this.registers).fill(0xff); // anything, after power-up
    this.enabled = false; // the pull-up
    this.bus = 'good';
  }

  attach(mcu) {
    this.level(ShiftRegisters.pins.outputEnable, HIGH);
    const spi = mcu.spi[0];
    spi.onTransmit = (byte) => {
      // Eight clocks; what falls out of the last register comes back.
      const done = mcu.clock.createAlarm(() => {
        const back = this.shifting.pop();
        this.shifting.unshift(byte);
        spi.completeTransmit(this.bus === 'good' ? back : 0);
      });
      done.schedule(8e9 / (spi.clockFrequency || 1e6));
    };
  }

  /** A line of the chip moved. In reset the latch is low and the pull-up holds the output enable. */
  level(pin, high) {
    if (pin === ShiftRegisters.pins.latch && high) this.latched = [...this.shifting];
    if (pin === ShiftRegisters.pins.outputEnable) this.enabled = !high;
    this.show();
  }

  /** The chip is in reset. */
  released() { this.level(ShiftRegisters.pins.outputEnable, HIGH); }

  show() {
    this.outputs.set(this.outputs.on.map((_, output) => this.enabled && (this.latched[output >> 3] >> (output & 7) & 1) === 1));
  }
}

/** MCP23017 at the addresses from 0x20 on, with one reset line. */
export class Expanders {
  static pins = { reset: 11 };

  constructor(count, tell) {
    this.outputs = new Outputs(count, tell);
    this.chips = Array.from({ length: count / 16 }, () => new Uint8Array(0x16));
    this.reset = true; // the pull-down
    this.bus = 'good';
    this.clear();
  }

  clear() {
    for (const registers of this.chips) {
      registers.fill(0);
      registers.fill(0xff, 0x00, 0x02);
    }
  }

  attach(mcu) {
    this.released();
    const bus = mcu.i2c[0];
    // Nine clocks a byte at 400 kHz. A controller that is disabled stops what it does and is idle; that of the
    // emulator goes on (RP2040 datasheet, 4.3, from memory).
    let conversation = 0;
    const later = (what) => {
      const own = conversation;
      mcu.clock.createAlarm(() => { if (own === conversation && this.bus !== 'stuck') what(); }).schedule(9e9 / 400e3);
    };
    const write = bus.writeUint32.bind(bus);
    bus.writeUint32 = (offset, value) => {
      if (offset === 0x6c /* IC_ENABLE */ && !(value & 1)) {
        conversation++;
        [bus.state, bus.busy, bus.stop, bus.pendingRestart] = [0, false, false, false];
      }
      write(offset, value);
    };
    let chip, register, first;
    bus.onConnect = (address) => later(() => {
      const found = this.reset || this.bus !== 'good' ? undefined : this.chips[address - 0x20];
      if (found !== chip) register = 0;
      [chip, first] = [found, true];
      bus.completeConnect(found !== undefined);
    });
    bus.onWriteByte = (byte) => later(() => {
      if (first) register = byte; else this.write(chip, register++, byte);
      first = false;
      bus.completeWrite(true);
    });
    bus.onReadByte = () => later(() => bus.completeRead(this.read(chip, register++)));
  }

  write(chip, register, byte) {
    // A write to GPIO goes to the latch.
    chip[register === 0x12 || register === 0x13 ? register + 2 : register] = byte;
    this.show();
  }

  read(chip, register) {
    const port = register & 1;
    // A pin that is an input is held low by its pull-down.
    return register >> 1 === 9 ? chip[0x14 + port] & ~chip[port] & 0xff : chip[register];
  }

  level(pin, high) {
    if (pin !== Expanders.pins.reset) return;
    this.reset = !high;
    if (this.reset) this.clear();
    this.show();
  }

  released() { this.level(Expanders.pins.reset, LOW); }

  show() {
    this.outputs.set(this.outputs.on.map((_, output) => {
      const [chip, port, bit] = [this.chips[output >> 4], output >> 3 & 1, output & 7];
      return ((chip[0x14 + port] & ~chip[port]) >> bit & 1) === 1;
    }));
  }
}
