// The chip with its boot ROM and its flash, and what has to be set right of the emulator (rp2040js 1.4.1).
import { RP2040 } from 'rp2040js';

export const CYCLE_NS = 8; // clk_sys 125 MHz
const FLASH = 0x10000000;
const BOOT_AT = 0x20041f00;
const BOOT_BYTES = 256;
const ROM_LETTERS = ['IF', 'EX', 'RE', 'RP', 'FC', 'CX', 'UB'];
const ROM_TABLE = 0x100;
const ROM_CODE = 0x200;
const INPUT_SYNCHRONISER_NS = 2 * CYCLE_NS;

/** Bytes of the flash out of a UF2 file. Throws where it is none for this chip. */
export function flashOf(uf2) {
  const parts = [];
  for (let at = 0; at < uf2.length; at += 512) {
    const [one, two, flags, target, size, , , family] = new Uint32Array(uf2.slice(at, at + 32).buffer);
    const end = new DataView(uf2.buffer, uf2.byteOffset + at).getUint32(508, true);
    if (one !== 0x0a324655 || two !== 0x9e5d5157 || end !== 0x0ab16f30) throw new Error('no UF2');
    if (!(flags & 0x2000) || family !== 0xe48bff56) throw new Error('for another chip');
    parts.push([target - FLASH, uf2.slice(at + 32, at + 32 + size)]);
  }
  return parts;
}

/** The boot ROM's checksum of the first 252 bytes: CRC-32, highest bit first, not inverted. */
export function checksum(bytes) {
  let crc = 0xffffffff;
  for (const byte of bytes) {
    crc ^= byte << 24;
    for (let k = 0; k < 8; k++) crc = crc & 0x80000000 ? (crc << 1) ^ 0x04c11db7 : crc << 1;
  }
  return crc >>> 0;
}

const QUIET = { debug() {}, info() {}, warn() {}, error() {} };

export class Chip {
  /** kept: flash, scratch registers and reason that a watchdog's reset leaves alone. */
  constructor(uf2, { kept = null, onDrive = () => {}, onReset = () => {} } = {}) {
    const chip = new RP2040();
    this.chip = chip;
    this.onDrive = onDrive;
    chip.logger = QUIET;
    if (kept) chip.flash.set(kept.flash);
    else for (const [at, bytes] of flashOf(uf2)) chip.flash.set(bytes, at);
    this.#rom();
    this.#serialFlash();
    this.#wfi();
    this.#converter();
    this.pins = new Pins(chip);
    const dog = chip.peripherals[0x40058];
    if (kept) {
      dog.scratchData.set(kept.scratch);
      dog.reason = kept.reason;
    }
    dog.onWatchdogTrigger = () => {
      // Fault: a watchdog that has come to its end comes there again at the same moment, for ever.
      dog.alarm.enabled = false;
      onReset({ flash: chip.flash.slice(), scratch: dog.scratchData.slice(), reason: dog.reason });
    };
    this.#boot();
  }

  /** As the boot ROM does it: the first 252 bytes are copied, checked and called. */
  #boot() {
    const { chip } = this;
    const stage = chip.flash.slice(0, BOOT_BYTES);
    const wanted = new DataView(stage.buffer).getUint32(252, true);
    if (checksum(stage.subarray(0, 252)) !== wanted) throw new Error('the boot ROM would refuse it: checksum');
    chip.sram.set(stage, BOOT_AT - 0x20000000);
    chip.core.SP = 0x20041f00;
    chip.core.PC = BOOT_AT;
    chip.core.LR = 0;
  }

  // Not in the emulator: the boot ROM. A table of our own with the published letters; each function is a
  // breakpoint that is served here.
  #rom() {
    const { chip } = this;
    const half = new Uint16Array(chip.bootrom.buffer);
    half[0x14 / 2] = ROM_TABLE;
    ROM_LETTERS.forEach((name, k) => {
      half[ROM_TABLE / 2 + 2 * k] = name.charCodeAt(0) | (name.charCodeAt(1) << 8);
      half[ROM_TABLE / 2 + 2 * k + 1] = (ROM_CODE + 4 * k) | 1;
      half[ROM_CODE / 2 + 2 * k] = 0xbe00 | k; // bkpt k
      half[ROM_CODE / 2 + 2 * k + 1] = 0x4770; // bx lr
    });
    chip.onBreak = (code) => {
      const [a, b, c] = chip.core.registers;
      switch (ROM_LETTERS[code]) {
        case 'RE':
          if ((a | b) & 4095) throw new Error('erase: not a sector');
          chip.flash.fill(0xff, a, a + b);
          break;
        case 'RP':
          if ((a | c) & 255) throw new Error('program: not a page');
          for (let k = 0; k < c; k++) chip.flash[a + k] &= chip.readUint8(b + k); // can only clear bits
          break;
        case 'UB':
          this.drive = true;
          this.onDrive();
          break;
        case undefined:
          throw new Error(`breakpoint ${code} at ${chip.core.PC.toString(16)}`);
      }
    };
  }

  // Not in the emulator: bytes to and from the flash. Its number and its kind are answered.
  #serialFlash() {
    const { chip } = this;
    const number = Array(8).fill(0xe0); // by which the program knows that the board is an emulated one
    const ssi = chip.peripherals[0x18000];
    const [read, write] = [ssi.readUint32.bind(ssi), ssi.writeUint32.bind(ssi)];
    let out = [], answers = [];
    ssi.readUint32 = (at) => {
      if (at === 0x28) return (1 << 1) | (1 << 2) | (answers.length ? 1 << 3 : 0);
      if (at === 0x60) return answers.shift() ?? 0;
      return read(at);
    };
    ssi.writeUint32 = (at, value) => {
      if (at !== 0x60) return write(at, value);
      const k = out.length;
      out.push(value & 255);
      answers.push(out[0] === 0x4b && k >= 5 ? number[k - 5] : out[0] === 0x9f ? [0, 0xef, 0x40, 21][k] : 0xff);
    };
    // The select line ends a command.
    const qspi = chip.peripherals[0x40018];
    let over = 0;
    qspi.readUint32 = () => over;
    qspi.writeUint32 = (at, value) => {
      over = value;
      if (((value >> 8) & 3) === 3) out = [];
    };
  }

  // Fault: WFI sleeps although an interrupt is pending, and takes a masked one while it sleeps.
  #wfi() {
    const { core } = this.chip;
    const check = core.checkForInterrupts.bind(core);
    core.checkForInterrupts = () => {
      if (core.waiting && core.PM) {
        if (core.pendingInterrupts & core.enabledInterrupts) core.waiting = false;
        return false;
      }
      return check();
    };
  }

  // Fault: the setter of the active channel masks with the shift in place of the mask, so that channel 1 is
  // never sampled.
  #converter() {
    const { adc } = this.chip;
    Object.defineProperty(adc, 'activeChannel', {
      get: () => (adc.cs >> 12) & 7,
      set: (channel) => { adc.cs = (adc.cs & ~(7 << 12)) | ((channel & 7) << 12); },
    });
  }

  /** The processor stands still for so long, ns, all else goes on: at once, or as soon as it has read `count`
   * times at `where`, or before it writes there. That is the address of a register in hex, before a write with
   * `=` before it; or `dma3`: the ring that this channel fills. */
  freeze(nanos, where = null, count = 1) {
    const { core, clock, dma } = this.chip;
    if (where === null) { this.frozen = clock.nanos + nanos; return; }
    const write = where.startsWith('=');
    let [from, mask] = [parseInt(write ? where.slice(1) : where, 16), 0];
    if (where.startsWith('dma')) {
      const channel = dma.channels[Number(where.slice(3))];
      [from, mask] = [(channel.writeAddr & ~channel.ringMask) >>> 0, channel.ringMask];
    }
    const watched = write ? ['writeUint32'] : ['readUint16', 'readUint32'];
    let left = count;
    for (const name of watched) {
      const access = core[name].bind(core);
      core[name] = (at, data) => {
        const here = ((at & ~mask) >>> 0) === from && !--left;
        if (here) for (const each of watched) core[each] = Object.getPrototypeOf(core)[each]; // a delete is slow
        if (here && write) clock.tick(nanos);
        else if (here) this.frozen = clock.nanos + nanos;
        return access(at, data);
      };
    }
  }

  /** Runs until this much emulated time is over, ns. False: the board is a drive now. */
  run(nanos) {
    const { chip } = this;
    const { core, clock } = chip;
    const until = clock.nanos + nanos;
    while (clock.nanos < until && !this.drive && !this.stopped) {
      if (clock.nanos < (this.frozen ?? 0)) {
        clock.tick(Math.min(this.frozen, until) - clock.nanos || 1); // the processor stands still, all else goes on
      } else if (core.waiting && !(core.pendingInterrupts & core.enabledInterrupts)) {
        const wait = clock.nextAlarm ? clock.nanosToNextAlarm : until - clock.nanos;
        this.slept = (this.slept ?? 0) + Math.min(wait, until - clock.nanos);
        clock.tick(Math.min(wait, until - clock.nanos));
      } else {
        core.waiting = false;
        clock.tick(core.executeInstruction() * CYCLE_NS);
      }
    }
    return !this.drive;
  }
}

// Fault: the programmable input and output runs by setTimeout, not by the emulated clock. Here it is stepped
// up to the present whenever somebody looks at it or a pin changes; turns of a loop that only counts and looks
// at a pin that stands still are reckoned at once. The emulator counts neither delays nor CLKDIV: our program
// has none and divides by 1.
export class Pins {
  constructor(chip) {
    this.chip = chip;
    this.pio = chip.pio[0];
    this.at = 0;
    const { pio } = this;
    pio.run = () => {};
    const [read, write] = [pio.readUint32.bind(pio), pio.writeUint32.bind(pio)];
    pio.readUint32 = (offset) => { this.advance(); return read(offset); };
    pio.writeUint32 = (offset, value) => { this.advance(); write(offset, value); };
    this.settle = chip.clock.createAlarm(() => this.advance());
    this.next = chip.clock.createAlarm(() => this.#change());
    this.changes = []; // [ns, pin, level], in order
  }

  advance() {
    const cycles = Math.floor((this.chip.clock.nanos - this.at) / CYCLE_NS);
    if (cycles <= 0) return;
    this.at += cycles * CYCLE_NS;
    for (const machine of this.pio.machines) if (machine.enabled) this.#steps(machine, cycles);
  }

  #steps(machine, cycles) {
    const { instructions } = this.pio;
    const after = (pc) => (pc === machine.wrapTop ? machine.wrapBottom : (pc + 1) & 31);
    while (cycles > 0) {
      const { pc } = machine;
      const second = after(pc);
      const looks = instructions[second];
      if (cycles > 1 && !machine.waiting && instructions[pc] === (0x40 | second) && looks >> 5 === 6) {
        const taken = this.chip.gpio[machine.jmpPin].inputValue;
        if ((taken ? looks & 31 : after(second)) === pc) {
          machine.x = (machine.x - (cycles >> 1)) >>> 0;
          cycles &= 1;
          if (!cycles) return;
        }
      }
      machine.step();
      cycles--;
    }
  }

  /** Edges that are to come: [ns, pin, level]. */
  push(changes) {
    const idle = !this.changes.length;
    // Not in the emulator: two stages that bring a pin's level into step with the clock.
    for (const [at, pin, level] of changes) this.changes.push([at + INPUT_SYNCHRONISER_NS, pin, level]);
    if (idle) this.#plan();
  }

  set(pin, level) {
    this.advance();
    this.chip.gpio[pin].setInputValue(level);
    this.settle.schedule(20 * CYCLE_NS);
  }

  #plan() {
    if (this.changes.length) this.next.schedule(Math.max(this.changes[0][0] - this.chip.clock.nanos, 0));
  }

  #change() {
    const now = this.chip.clock.nanos;
    while (this.changes.length && this.changes[0][0] <= now) {
      const [, pin, level] = this.changes.shift();
      this.set(pin, level);
    }
    this.#plan();
  }
}
