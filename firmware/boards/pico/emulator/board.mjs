// The board in an emulated RP2040, with a plant around it: a valve with a cam, a meter, contacts, a hardware clock.
//
// The emulator brings no boot ROM, no timing of the state machines and no flash chip. These are here: ROM functions as
// stubs that take the data sheet's time with the core stopped, state machines stepped at the rate of their divisors.
import { readFileSync } from 'node:fs';
import { RP2040, LogLevel, ConsoleLogger, GPIOPinState } from 'rp2040js';

export const MS = 1_000_000;
export const SECOND = 1_000 * MS;
const CYCLE = 8; // 125 MHz
const FLASH = 0x10000000;
const VECTORS = 0x10000100;
export const SETTINGS = 0x100000;
export const STORE = 0x110000;
export const HISTORY = 0x150000;
// W25Q16JV data sheet, longest times: sector erase 400 ms, page program 3 ms.
const ERASE = 400 * MS;
const PROGRAM = 3 * MS;
const SECTOR = 4096;

export const FORWARD = 6;
export const REVERSE = 7;
export const MOTORS = [6, 7, 8, 9];
export const RELAYS = [10, 11, 12, 13];
export const ACTUATORS = [...MOTORS, ...RELAYS];
export const METER = 2;
export const SWITCHES = [14, 15, 16, 17, 18, 19, 20, 21];
export const REMOTE = 22;
export const LAMP = 25;
/** Buttons, as bits of the port expander. */
export const [UP, DOWN, BACK, ENTER] = [1, 2, 4, 8];
const BUS = [4, 5];
/** Nanoseconds that a byte with its acknowledge takes on the bus, at 400 kHz. */
const BUS_BYTE = 9 * 2_500;
const CONTACTS = [METER, 3, ...SWITCHES, REMOTE, 26, 27, 28];
const MASK = ACTUATORS.reduce((mask, pin) => mask | (1 << pin), 0);

/** The parts of an ELF file that are loaded: [address, bytes]. */
export function segments(elf) {
  const view = new DataView(elf.buffer, elf.byteOffset, elf.byteLength);
  const [at, size, count] = [view.getUint32(28, true), view.getUint16(42, true), view.getUint16(44, true)];
  const found = [];
  for (let i = 0; i < count; i++) {
    const head = at + i * size;
    const [type, offset, , address, length] = [0, 4, 8, 12, 16].map((n) => view.getUint32(head + n, true));
    if (type === 1 && length > 0) found.push([address, elf.subarray(offset, offset + length)]);
  }
  return found;
}

/** A valve with a cam and a switch in each position. */
class Cam {
  constructor(places, legNanos) {
    Object.assign(this, { places, legNanos, at: 0, now: 0 });
  }
  advance(now, direction) {
    const turn = this.places * this.legNanos;
    this.at = (this.at + direction * (now - this.now) + turn) % turn;
    this.now = now;
  }
  /** Which switch is closed; -1 between positions. */
  closed() {
    const along = this.at + this.legNanos / 10;
    return along % this.legNanos < this.legNanos / 5 ? Math.floor(along / this.legNanos) % this.places : -1;
  }
}

const bcd = (n) => (Math.floor(n / 10) << 4) | n % 10;

/** The board's RAM, and what is in it before anything has been written. */
const RAM_BYTES = 256 * 1024;
const UNTOUCHED = 0x5ca1ab1e;
/** What the image's trial of RAM leaves in every word, and where its RAM ends. */
export const TRIED = 0x55555555;
export const RAM_WORDS = RAM_BYTES / 4;
/** The guard below the stack: where the variables end. */
const GUARD = 0x5aa5c33c;
const GUARD_WORDS = 16;

export class Board {
  /** Every board that was powered, for the figures at the end. */
  static all = [];

  /** `settings` are the bytes of a settings image; `clock` is a Date, or null for no hardware clock; `display` with its buttons is there or not. */
  constructor(elf, { settings = null, clock = null, display = true } = {}) {
    this.flash = new Uint8Array(16 * 1024 * 1024).fill(0xff);
    for (const [address, bytes] of segments(elf)) {
      if (address >= FLASH && address < FLASH + this.flash.length) this.flash.set(bytes, address - FLASH);
    }
    if (settings) this.flash.set(settings, SETTINGS);
    this.cam = new Cam(5, 2 * SECOND);
    this.clock = clock;
    this.hasDisplay = display;
    this.pressed = 0;
    this.shorted = new Set();
    this.records = [];
    this.trace = [];
    this.erasures = [];
    this.programs = 0;
    // The deepest that the stack has been, and where the variables end, in bytes.
    this.deepest = 0;
    this.variables = 0;
    Board.all.push(this);
    // Time of the plant before this power-up.
    this.before = 0;
    this.powerOn();
  }

  /** Nanoseconds since power-up. */
  get now() {
    return this.mcu.clock.nanos;
  }

  powerOn() {
    const mcu = new RP2040();
    this.mcu = mcu;
    this.ram = new Uint32Array(mcu.sram.buffer).fill(UNTOUCHED);
    mcu.logger = new ConsoleLogger(LogLevel.Error, false);
    mcu.flash.set(this.flash);
    this.rom();
    this.dueSteps = new Map();
    for (const pio of mcu.pio) pio.run = () => {};
    Object.assign(this, { stalledUntil: 0, deed: null, fired: null, nextPlant: 0, events: [], line: '', frozen: false });
    this.bounced = 0;
    this.instructions = 0;
    this.energised = null;
    this.firstOutput = null;
    // The longest that the core was awake between two waits, and the bytes that went over the bus meanwhile.
    this.awake = { since: 0, busBytes: 0, longest: 0, longestWithBus: 0 };
    this.display = new Uint8Array(8 * 128);
    this.shown = 0;
    const watchdog = mcu.peripherals[0x40058];
    watchdog.onWatchdogTrigger = () => {
      watchdog.alarm.enable = false;
      watchdog.timer.enable = false;
      this.fired ??= this.now;
    };
    this.talks = false;
    this.answered = [];
    mcu.uart[0].onByte = (byte) => {
      // A board that was spoken to sends no more lines of text.
      if (this.talks) {
        this.answered.push(byte);
        return;
      }
      if (byte !== 10) {
        this.line += String.fromCharCode(byte);
        return;
      }
      this.records.push({ ...JSON.parse(this.line), uptime: this.now / MS });
      this.line = '';
    };
    this.bus();
    for (const pin of CONTACTS) mcu.gpio[pin].setInputValue(true);
    this.cam.now = 0;
    for (const pin of [...ACTUATORS, LAMP]) {
      mcu.gpio[pin].addListener((state) => {
        const high = state === GPIOPinState.High;
        this.trace.push({ at: this.now, pin, high });
        // An output's level can be read back, unless something holds it.
        if (!this.shorted.has(pin)) mcu.gpio[pin].setInputValue(high);
      });
    }
    this.plant();
    mcu.core.VTOR = VECTORS;
    mcu.core.reset();
  }

  /** Power is off for so long; flash and valve are kept, and what was being written is half written. */
  powerCut(nanos) {
    this.measureRam();
    if (this.deed) this.halfDone(this.deed);
    this.flash.set(this.mcu.flash);
    this.before += this.now + nanos;
    if (this.clock) this.clock = new Date(this.clock.getTime() + (this.now + nanos) / MS);
    this.powerOn();
  }

  /** Notes how deep the stack has been since power came: the lowest word that was written between the guard and the end of RAM. */
  measureRam() {
    const guard = this.ram.indexOf(GUARD);
    if (guard < 0) return;
    this.variables = guard * 4;
    const lowest = this.ram.findIndex((word, at) => at >= guard + GUARD_WORDS && word !== UNTOUCHED && word !== TRIED);
    if (lowest >= 0) this.deepest = Math.max(this.deepest, RAM_BYTES - lowest * 4);
  }

  /** What a watchdog does: everything but flash begins anew. */
  reset() {
    this.powerCut(0);
  }

  rom() {
    const { mcu } = this;
    const codes = ['lookup', 'IF', 'EX', 'RE', 'RP', 'FC', 'CX', 'MS', 'S4', 'MC', 'C4', 'P3', 'R3', 'L3', 'T3'];
    mcu.bootrom[0x10 / 4] = 0x0001754d;
    mcu.bootrom[0x14 / 4] = 0x00900080;
    mcu.bootrom[0x18 / 4] = 0x101;
    codes.forEach((_, n) => (mcu.bootrom[(0x100 + 4 * n) / 4] = 0x47700000 | 0xbe00 | n));
    const { registers } = mcu.core;
    const [bytes, u32] = [(at) => mcu.readUint8(at), (n) => n >>> 0];
    const does = {
      lookup: () => {
        const code = String.fromCharCode(registers[1] & 0xff, (registers[1] >> 8) & 0xff);
        const n = codes.indexOf(code);
        if (n < 0) throw new Error(`the image asks the ROM for ${code}`);
        registers[0] = (0x100 + 4 * n) | 1;
      },
      RE: () => this.begin({ kind: 'erase', at: u32(registers[0]), length: u32(registers[1]) }, ERASE),
      RP: () => {
        const [at, from, length] = [u32(registers[0]), u32(registers[1]), u32(registers[2])];
        const data = Uint8Array.from({ length }, (_, i) => bytes(from + i));
        this.begin({ kind: 'program', at, length, data }, PROGRAM);
      },
      MS: () => fill(), S4: () => fill(), MC: () => copy(), C4: () => copy(),
      P3: () => (registers[0] = u32(registers[0]).toString(2).replaceAll('0', '').length),
      R3: () => (registers[0] = parseInt(u32(registers[0]).toString(2).padStart(32, '0').split('').reverse().join(''), 2)),
      L3: () => (registers[0] = Math.clz32(registers[0])),
      T3: () => (registers[0] = registers[0] ? 31 - Math.clz32(registers[0] & -registers[0]) : 32),
    };
    const fill = () => {
      const [to, value, n] = [u32(registers[0]), registers[1] & 0xff, u32(registers[2])];
      for (let i = 0; i < n; i++) mcu.writeUint8(to + i, value);
    };
    const copy = () => {
      const [to, from, n] = [u32(registers[0]), u32(registers[1]), u32(registers[2])];
      for (let i = 0; i < n; i++) mcu.writeUint8(to + i, bytes(from + i));
    };
    mcu.onBreak = (n) => does[codes[n]]?.();
  }

  /** The core stops for so long; then the deed is done. */
  begin(deed, nanos) {
    this.deed = deed;
    this.stalledUntil = this.now + nanos;
    if (deed.kind === 'erase') this.erasures.push({ at: this.now, offset: deed.at });
    else this.programs += 1;
  }

  finish() {
    const { kind, at, length, data } = this.deed;
    const { flash } = this.mcu;
    if (kind === 'erase') flash.fill(0xff, at, at + length);
    else for (let i = 0; i < length; i++) flash[at + i] &= data[i];
    this.deed = null;
  }

  halfDone({ kind, at, length, data }) {
    const { flash } = this.mcu;
    if (kind === 'erase') flash.fill(0xff, at, at + length / 2);
    else for (let i = 0; i < length / 2; i++) flash[at + i] &= data[i];
    this.deed = null;
  }

  /** The bus: hardware clock, display and port expander, unless its data line is held low. */
  bus() {
    const i2c = this.mcu.i2c[0];
    for (const pin of BUS) this.mcu.gpio[pin].setInputValue(true);
    const registers = () => {
      const t = new Date(this.clock.getTime() + this.now / MS);
      const time = [t.getUTCSeconds(), t.getUTCMinutes(), t.getUTCHours(), t.getUTCDay() + 1, t.getUTCDate(), t.getUTCMonth() + 1, t.getUTCFullYear() % 100];
      return [...time.map(bcd), 0, 0, 0, 0, 0, 0, 0, 0x1c, 0x00, 0, 0, 0];
    };
    const there = { 0x68: () => this.clock !== null, 0x3c: () => this.hasDisplay, 0x20: () => this.hasDisplay };
    let [address, written] = [0, []];
    const window = { columns: [0, 127], pages: [0, 7], column: 0, page: 0 };
    const command = ([code, ...values]) => {
      if (code === 0x21) [window.columns, window.column] = [values, values[0]];
      if (code === 0x22) [window.pages, window.page] = [values, values[0]];
    };
    const dots = (byte) => {
      this.display[window.page * 128 + window.column] = byte;
      this.shown += 1;
      window.column += 1;
      if (window.column <= window.columns[1]) return;
      window.column = window.columns[0];
      window.page = window.page < window.pages[1] ? window.page + 1 : window.pages[0];
    };
    i2c.onConnect = (to, mode) => {
      this.awake.busBytes += 1;
      address = to;
      if (mode === 0) written = [];
      i2c.completeConnect(there[to]?.() ?? false);
    };
    i2c.onWriteByte = (byte) => {
      this.awake.busBytes += 1;
      written.push(byte);
      if (address === 0x3c && written[0] === 0x40 && written.length > 1) dots(byte);
      i2c.completeWrite(true);
    };
    i2c.onReadByte = () => {
      this.awake.busBytes += 1;
      if (address === 0x20) return i2c.completeRead(0xff & ~this.pressed);
      i2c.completeRead(registers()[written[0]++] ?? 0);
    };
    i2c.onStop = () => {
      if (address === 0x3c && written[0] === 0x00) command(written.slice(1));
      i2c.completeStop();
    };
  }

  /** A button is pressed for a while. */
  press(button, nanos = 80 * MS) {
    this.pressed = button;
    this.runFor(nanos);
    this.pressed = 0;
    this.runFor(900 * MS);
  }

  /** What the display shows, a character for each dot. */
  screen() {
    const row = (y) => Array.from({ length: 128 }, (_, x) => ((this.display[(y >> 3) * 128 + x] >> (y & 7)) & 1 ? '#' : ' '));
    return Array.from({ length: 64 }, (_, y) => row(y).join('').trimEnd()).join('\n') + '\n';
  }

  // --- the serial line ---

  /** Bytes come on the line, at 115 200 baud; what the board answers within so long. */
  talk(bytes, nanos = 500 * MS) {
    this.talks = true;
    this.answered = [];
    bytes.forEach((byte, i) => this.at(this.now + MS * 5 + i * 86_806, () => this.mcu.uart[0].feedByte(byte)));
    this.runFor(5 * MS + bytes.length * 86_806 + nanos);
    return this.answered;
  }

  // --- the plant ---

  isHigh(pin) {
    return this.mcu.gpio[pin].value === GPIOPinState.High;
  }

  /** A contact closes to ground. */
  contact(pin, closed) {
    this.mcu.gpio[pin].setInputValue(!closed);
  }

  /** Calls back at a time since power-up. */
  at(nanos, call) {
    this.events.push({ nanos, call });
    this.events.sort((a, b) => a.nanos - b.nanos);
  }

  /** Pulses of the meter from a time on: each so long closed, so often. */
  pulses(count, from, every, closed) {
    for (let i = 0; i < count; i++) {
      this.at(from + i * every, () => this.contact(METER, true));
      this.at(from + i * every + closed, () => this.contact(METER, false));
    }
  }

  plant() {
    const direction = (this.isHigh(FORWARD) ? 1 : 0) - (this.isHigh(REVERSE) ? 1 : 0);
    this.cam.advance(this.now, direction);
    const closed = this.cam.closed();
    SWITCHES.forEach((pin, i) => this.contact(pin, i === closed));
    if (this.isHigh(FORWARD) && this.isHigh(REVERSE)) this.bounced += 1;
    this.nextPlant = this.now + MS;
  }

  /** State machines at the rate of their divisors. */
  stepMachines() {
    let next = Infinity;
    for (const pio of this.mcu.pio) {
      for (const machine of pio.machines) {
        if (!machine.enabled) continue;
        const cycle = CYCLE * (machine.clockDivInt + machine.clockDivFrac / 256);
        let due = this.dueSteps.get(machine) ?? this.now;
        while (due <= this.now) {
          const before = machine.cycles;
          machine.step();
          due += Math.max(1, machine.cycles - before) * cycle;
        }
        this.dueSteps.set(machine, due);
        next = Math.min(next, due);
      }
    }
    return next;
  }

  /** Runs until a time since power-up, until the watchdog fires, or until `stop` says so. */
  run(until, stop = () => false) {
    const { mcu } = this;
    const { core, clock, sio } = mcu;
    let nextMachines = this.stepMachines();
    while (this.now < until && this.fired === null) {
      const stalled = this.now < this.stalledUntil;
      if (core.waiting) this.sleeps();
      if (core.waiting || stalled) {
        const ahead = [until, nextMachines, this.nextPlant, this.events[0]?.nanos ?? Infinity];
        if (stalled) ahead.push(this.stalledUntil);
        else ahead.push(this.now + (clock.nanosToNextAlarm || MS));
        clock.tick(Math.max(CYCLE, Math.min(...ahead) - this.now));
      } else {
        if (this.deed) this.finish();
        if (this.awake.since === null) Object.assign(this.awake, { since: this.now, busBytes: 0 });
        clock.tick(core.executeInstruction() * CYCLE);
        this.instructions += 1;
        if (this.energised === null && sio.gpioValue & sio.gpioOutputEnable & MASK) this.energised = this.now;
        if (this.firstOutput === null && (sio.gpioOutputEnable & MASK) === MASK) this.firstOutput = this.now;
      }
      while (this.events.length > 0 && this.events[0].nanos <= this.now) this.events.shift().call();
      if (this.now >= this.nextPlant) {
        this.plant();
        if (stop()) return true;
      }
      if (this.now >= nextMachines || nextMachines === Infinity) nextMachines = this.stepMachines();
    }
    return stop();
  }

  /** The core waits: notes for how long it did not. */
  sleeps() {
    const { awake } = this;
    if (awake.since !== null && !this.deed) {
      const lasted = this.now - awake.since;
      // The emulator's bus takes no time of its own.
      awake.longest = Math.max(awake.longest, lasted);
      awake.longestWithBus = Math.max(awake.longestWithBus, lasted + awake.busBytes * BUS_BYTE);
    }
    awake.since = null;
  }

  /** Begins to look for the longest pass anew. */
  forgetPasses() {
    Object.assign(this.awake, { since: null, busBytes: 0, longest: 0, longestWithBus: 0 });
  }

  runFor(nanos, stop) {
    return this.run(this.now + nanos, stop);
  }

  /** Records of a kind since power-up or before. */
  said(kind) {
    return this.records.filter((record) => typeof record.event === 'object' ? kind in record.event : record.event === kind);
  }
}

export const image = () => readFileSync(process.env.PICO_IMAGE ?? new URL('../../../../target/thumbv6m-none-eabi/firmware/bedkeeper-pico', import.meta.url));
export const otherSettings = () => readFileSync(process.env.PICO_OTHER_SETTINGS ?? new URL('../../../../target/other.bkpr', import.meta.url));
export const settings = () => readFileSync(process.env.PICO_SETTINGS ?? new URL('../../../../target/bench.bkpr', import.meta.url));
