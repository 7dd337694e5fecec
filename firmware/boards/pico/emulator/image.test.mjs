// The image as a black box: pins in, pins out, power on and off.
import assert from 'node:assert/strict';
import { readFileSync, writeFileSync } from 'node:fs';
import { after, test } from 'node:test';
import * as b from './board.mjs';
import { Board, MS, SECOND } from './board.mjs';
import { VERSION, answers, change as inSession, frame, modbus, request, unframe, wish } from './link.mjs';

const elf = b.image();
const bench = b.settings();
const MORNING = new Date(Date.UTC(2027, 2, 1, 6, 30, 15));

const ready = (options) => {
  const board = new Board(elf, { settings: bench, clock: MORNING, ...options });
  board.run(3 * SECOND);
  assert.equal(board.fired, null, 'the watchdog is fed');
  if (!options || !('settings' in options)) assert.deepEqual(board.said('settings-refused'), [], 'pack the settings anew');
  return board;
};

/** Someone closes the remote contact for two seconds. */
const ask = (board) => {
  board.contact(b.REMOTE, true);
  board.runFor(2 * SECOND);
  board.contact(b.REMOTE, false);
};

const steps = (board) => board.said('step-started').map((record) => record.event['step-started'].step);
const high = (board, pin) => board.trace.filter((change) => change.pin === pin && change.high);

test('S7: nothing is energised between the first instruction and the first decision', () => {
  const board = new Board(elf, { settings: bench, clock: MORNING });
  // The valve stands between positions, so that the first decision is to move it.
  board.cam.at = 1 * SECOND;
  board.run(10 * SECOND, () => board.energised !== null);
  assert.ok(board.firstOutput < MS, `outputs are low after ${board.firstOutput} ns`);
  assert.ok(board.energised > 500 * MS, `the first output comes on at ${board.energised} ns`);
  assert.deepEqual(high(board, b.FORWARD).length, 1);
  const others = board.trace.filter((change) => change.high && change.pin !== b.FORWARD && change.pin !== b.LAMP && change.pin !== b.RELAYS[1]);
  assert.deepEqual(others, []);
  console.log(`outputs low after ${board.firstOutput} ns, first energised at ${(board.energised / MS).toFixed(3)} ms, ${board.instructions} instructions traced`);
});

test('S7: every word of RAM is tried before it is used, and a board whose RAM fails stays off', () => {
  const sound = new Board(elf, { settings: bench, clock: MORNING });
  sound.run(3 * SECOND);
  sound.measureRam();
  const [free, end] = [sound.variables / 4 + 16, b.RAM_WORDS - sound.deepest / 4];
  assert.ok(end - free > 10_000, 'most of it is free');
  assert.ok(sound.ram.subarray(free, end).every((word) => word === b.TRIED), 'each word that nothing uses was tried');
  assert.ok(sound.said('clock-set').length > 0 && !sound.isHigh(b.LAMP), 'and the board runs');
  // What a broken word makes of what is written: [address, value] of each write that comes of it.
  const at = (word) => 0x20000000 + word * 4;
  const faults = {
    'a bit that is always 1, in the first word': (address, value) => [[address, address === at(0) ? (value | 0x20) >>> 0 : value]],
    'a bit that is always 0, in the last word': (address, value) => [[address, address === at(b.RAM_WORDS - 1) ? (value & ~0x80000000) >>> 0 : value]],
    'two bits that lie together': (address, value) => [[address, address === at(9_000) && (value & 3) !== 3 ? (value & ~3) >>> 0 : value]],
    'an address that leads to another word': (address, value) => [[address === at(40_001) ? at(40_000) : address, value]],
    'a word that is written with the one above it': (address, value) => [[address, value], ...(address === at(123) ? [[at(122), value]] : [])],
    'a word that is written with one far below it': (address, value) => [[address, value], ...(address === at(5) ? [[at(60_000), value]] : [])],
  };
  for (const [name, broken] of Object.entries(faults)) {
    const board = new Board(elf, { settings: bench, clock: MORNING });
    const write = board.mcu.writeUint32.bind(board.mcu);
    board.mcu.writeUint32 = (address, value) => broken(address, value >>> 0).forEach((made) => write(...made));
    board.run(60 * MS);
    assert.ok(board.isHigh(b.LAMP), `${name}: the lamp is lit`);
    assert.deepEqual(b.ACTUATORS.filter((pin) => board.isHigh(pin)), [], name);
    assert.equal(board.energised, null, name);
    assert.equal((board.mcu.sio.gpioOutputEnable & 0x3fc0) >>> 0, 0x3fc0, `${name}: outputs are held low`);
    assert.ok(!board.ram.includes(0x5aa5c33c), `${name}: nothing was begun`);
  }
  console.log(`RAM tried and ${Object.keys(faults).length} faults found`);
});

test('S11: without settings the baseline runs, with its alarm, and starts nothing', () => {
  for (const settings of [null, (() => { const bad = Uint8Array.from(bench); bad[40] ^= 4; return bad; })()]) {
    const board = ready({ settings });
    ask(board);
    board.runFor(5 * SECOND);
    assert.ok(board.said('settings-refused').length > 0);
    assert.ok(board.isHigh(b.LAMP));
    assert.deepEqual(high(board, b.FORWARD), []);
  }
});

test('S11: where the settings given are damaged, the last good ones run', () => {
  const board = ready();
  board.mcu.flash[b.SETTINGS + 40] ^= 4;
  board.powerCut(5 * SECOND);
  board.records = [];
  board.run(3 * SECOND);
  assert.equal(board.said('settings-refused').length, 1);
  assert.ok(board.isHigh(b.LAMP));
  // The remote contact asks for nothing under the baseline.
  ask(board);
  assert.equal(board.said('started').length, 1);
});

test('M1, M4: pulses are counted while an erasure stops the core, bounce is not', () => {
  const board = ready();
  // 25 pulses a second, each with a bounce of 1 ms, for longer than many saves take.
  const n = 1_500;
  const from = board.now + 100 * MS;
  for (let i = 0; i < n; i++) {
    const at = from + i * 40 * MS;
    board.pulses(1, at, 0, 1 * MS);
    board.pulses(1, at + 3 * MS, 0, 18 * MS);
  }
  const erasedBefore = board.erasures.length;
  board.runFor(n * 40 * MS + 2 * SECOND);
  const during = board.erasures.slice(erasedBefore).filter(({ at }) => at > from && at < from + n * 40 * MS);
  assert.ok(during.length > 0, 'a sector was erased under running pulses');
  // Asked at the end, so that the regeneration's record tells the volume since the last.
  ask(board);
  board.runFor(180 * SECOND, () => board.said('ended').length > 0);
  assert.equal(board.said('ended')[0].event.ended.volume, n * 1_000_000_000);
  console.log(`${n} pulses and ${n} bounces, ${during.length} erasures of 400 ms meanwhile`);
});

test('Q1, Y1: a whole regeneration', () => {
  const board = ready();
  ask(board);
  board.runFor(180 * SECOND, () => board.said('ended').length > 0);
  assert.deepEqual(steps(board), ['backwash', 'brine-draw', 'slow-rinse', 'fast-rinse', 'brine-refill']);
  assert.equal(board.said('ended')[0].event.ended.outcome, 'complete');
  board.runFor(20 * SECOND);
  // P7: it stands in the history: a page of flash after the head of the first sector.
  const page = board.mcu.flash.subarray(b.HISTORY + 256, b.HISTORY + 512);
  assert.deepEqual([...page.subarray(0, 2)], [0x5a, 0x00]);
  assert.equal(board.cam.closed(), 0, 'the valve is back in service');
  assert.ok(!board.isHigh(b.FORWARD));
  assert.deepEqual(high(board, b.REVERSE), []);
  assert.equal(board.bounced, 0, 'never two directions');
  // Relay 1 is on during the brine draw, and for its 20 s.
  const relay = board.trace.filter((change) => change.pin === b.RELAYS[0] && change.at > SECOND);
  assert.deepEqual(relay.map((change) => change.high), [true, false]);
  const on = (relay[1].at - relay[0].at) / SECOND;
  assert.ok(Math.abs(on - 20) < 0.1, `relay 1 was on for ${on} s`);
  console.log(`regeneration took ${((board.now - 5 * SECOND) / SECOND).toFixed(0)} s, relay 1 on for ${on.toFixed(2)} s`);
});

test('P3, V2: power fails in a brine draw, and the step goes on where it was', () => {
  const board = ready();
  ask(board);
  board.runFor(60 * SECOND, () => steps(board).at(-1) === 'brine-draw');
  board.runFor(8 * SECOND);
  assert.equal(board.cam.closed(), 2);
  board.powerCut(90 * SECOND);
  board.records = [];
  board.trace = [];
  board.run(8 * SECOND);
  assert.equal(board.cam.closed(), 2, 'a position that its switch confirms is not moved');
  assert.deepEqual(high(board, b.FORWARD), []);
  assert.ok(board.said('power-returned').length === 1);
  board.runFor(120 * SECOND, () => board.said('ended').length > 0);
  assert.deepEqual(steps(board).filter((step) => step !== 'brine-draw'), ['slow-rinse', 'fast-rinse', 'brine-refill']);
  assert.equal(board.said('ended')[0].event.ended.outcome, 'complete');
});

test('P4: without a clock the time in the dark is long, and the draw begins again only after its rinses or brine', () => {
  const board = ready({ clock: null });
  ask(board);
  board.runFor(60 * SECOND, () => steps(board).at(-1) === 'brine-draw');
  board.runFor(8 * SECOND);
  board.powerCut(90 * SECOND);
  board.records = [];
  board.run(30 * SECOND);
  const [returned] = board.said('power-returned');
  assert.equal(returned.event['power-returned'].off, null);
  assert.equal(board.said('ended').length, 0, 'it is not over');
});

test('S10, P2: power fails while flash is written, at several moments of a regeneration', () => {
  let cuts = 0;
  for (const skip of [0, 2, 5]) {
    const board = ready();
    board.contact(b.REMOTE, true);
    const before = board.programs;
    board.runFor(30 * SECOND, () => false || board.programs > before + skip);
    assert.ok(board.deed || board.programs > before);
    board.powerCut(5 * SECOND);
    board.contact(b.REMOTE, false);
    board.run(20 * SECOND);
    assert.equal(board.fired, null);
    assert.ok(board.records.length > 0);
    cuts += 1;
  }
  assert.equal(cuts, 3);
});

test('S9: a loop that hangs while the motor runs is reset, and the motor stands', () => {
  const board = ready();
  ask(board);
  board.runFor(10 * SECOND, () => board.isHigh(b.FORWARD));
  board.runFor(100 * MS);
  // Freeze the loop: the emulator lets it branch to itself for ever, and interrupts live on.
  const { core } = board.mcu;
  board.runFor(SECOND, () => !core.waiting && core.interruptNMIMask !== 1 && core.IPSR === 0);
  while (core.waiting || core.IPSR !== 0) board.runFor(50_000);
  const at = core.PC;
  board.mcu.flashView.setUint16(at - 0x10000000, 0xe7fe, true);
  const hung = board.now;
  board.run(hung + 10 * SECOND);
  assert.notEqual(board.fired, null, 'the watchdog fires');
  const after = (board.fired - hung) / SECOND;
  assert.ok(after <= 2.01, `${after} s`);
  board.mcu.flashView.setUint16(at - 0x10000000, elfWord(at), true);
  board.reset();
  assert.ok(!board.isHigh(b.FORWARD));
  board.run(400 * MS);
  assert.deepEqual(b.ACTUATORS.filter((pin) => board.isHigh(pin)), []);
  console.log(`hung loop reset after ${after.toFixed(3)} s`);
});

test('S9: an interrupt that dies is noticed though the loop runs on', () => {
  const board = ready();
  const { core } = board.mcu;
  // Mask the timer's interrupt, and wake the loop all the same.
  core.enabledInterrupts = 0;
  const dead = board.now;
  let passes = 0;
  while (board.fired === null && board.now < dead + 10 * SECOND) {
    board.runFor(10 * MS);
    core.waiting = false;
    passes += 1;
  }
  assert.notEqual(board.fired, null, 'the watchdog fires');
  assert.ok(passes > 50, 'the loop ran on');
  console.log(`dead interrupt reset after ${((board.fired - dead) / SECOND).toFixed(3)} s`);
});

/** Compares what the display shows with a file; `UPDATE_SCREENS=1` writes it anew. */
const compare = (board, name) => {
  const file = new URL(`screens/${name}.txt`, import.meta.url);
  if (process.env.UPDATE_SCREENS) writeFileSync(file, board.screen());
  assert.equal(board.screen(), readFileSync(file, 'utf8'), `${name}: look at it, then UPDATE_SCREENS=1`);
};

test('S8, O1: the display shows the plant, buttons lead through it, and the control loop does not wait for it', () => {
  const plain = new Board(elf, { settings: bench, clock: MORNING, display: false });
  const board = new Board(elf, { settings: bench, clock: MORNING });
  for (const each of [plain, board]) {
    each.run(3 * SECOND);
    each.forgetPasses();
    each.runFor(5 * SECOND);
  }
  compare(board, 'home');
  board.press(b.ENTER);
  compare(board, 'tank');
  board.press(b.ENTER);
  const ms = (nanos) => (nanos / MS).toFixed(2);
  const { longest, longestWithBus } = board.awake;
  console.log(`longest pass with a display ${ms(longest)} ms, ${ms(longestWithBus)} ms with the time of its bus; without one ${ms(plain.awake.longest)} ms`);
  assert.ok(longestWithBus < 6 * MS, 'a pass with a display is over well before the next is due');
  board.press(b.ENTER);
  board.press(b.DOWN);
  board.press(b.ENTER);
  assert.deepEqual(board.said('started').map((record) => record.event.started.leading), ['manual']);
  board.runFor(10 * SECOND, () => steps(board).length > 0);
  board.press(b.BACK, 2 * SECOND);
  compare(board, 'regenerates');
});

test('S9: a display that is torn off, and a bus that is held low, stop nothing', () => {
  const board = ready();
  board.hasDisplay = false;
  board.runFor(2 * SECOND);
  board.mcu.gpio[4].setInputValue(false);
  ask(board);
  board.runFor(180 * SECOND, () => board.said('ended').length > 0);
  assert.equal(board.said('ended')[0].event.ended.outcome, 'complete');
  assert.equal(board.fired, null);
  // Back again, it is lit anew.
  board.mcu.gpio[4].setInputValue(true);
  board.hasDisplay = true;
  board.display.fill(0);
  board.runFor(12 * SECOND);
  assert.ok(board.display.some((byte) => byte !== 0));
});

test('S9: a stack that grows into its guard is reset, and an output that is held is told', () => {
  const board = ready();
  assert.ok(!board.isHigh(b.LAMP));
  board.shorted.add(b.RELAYS[2]);
  board.mcu.gpio[b.RELAYS[2]].setInputValue(true);
  board.runFor(SECOND);
  assert.ok(board.isHigh(b.LAMP), 'a relay that reads high though it is off lights the lamp');
  board.mcu.gpio[b.RELAYS[2]].setInputValue(false);
  board.runFor(SECOND);
  assert.ok(board.isHigh(b.LAMP), 'until somebody has looked');
  // The guard lies where the variables end.
  const guard = 0x5aa5c33c;
  const words = new Uint32Array(board.mcu.sram.buffer);
  const at = words.indexOf(guard);
  assert.ok(at > 0 && words[at + 15] === guard);
  words[at + 7] = 0;
  const hurt = board.now;
  board.runFor(10 * SECOND);
  assert.notEqual(board.fired, null, 'the watchdog fires');
  assert.ok(board.fired - hurt < 2.1 * SECOND);
  assert.deepEqual(b.ACTUATORS.filter((pin) => board.isHigh(pin)), []);
});

/** Changes the hardness at the panel, up to the question whether to take it. */
const change = (board) => {
  // Down past tank and flow to the menu; settings are the sixth row there, the hardness the second of the first group;
  // the changes stand last of the groups.
  const path = [b.DOWN, b.DOWN, b.ENTER, b.DOWN, b.DOWN, b.DOWN, b.DOWN, b.DOWN, b.ENTER, b.ENTER, b.DOWN, b.ENTER, b.UP, b.ENTER, b.BACK];
  for (const button of [...path, ...Array(20).fill(b.DOWN)]) board.press(button);
};

test('O2, S11: power fails while changes are kept, at several moments, and good settings run', () => {
  const moments = [];
  for (const skip of [3, 4, 5, 6, 7]) {
    const board = ready();
    change(board);
    board.press(b.ENTER);
    board.press(b.ENTER);
    let writes = 0;
    let before = null;
    board.pressed = b.ENTER;
    board.runFor(80 * MS);
    board.pressed = 0;
    // The first three writes are the state and the history; then come the second place of the settings and the first.
    board.runFor(3 * SECOND, () => {
      if (board.deed && board.deed !== before) {
        before = board.deed;
        writes += 1;
      }
      return board.deed !== null && writes > skip;
    });
    if (board.deed) moments.push(`${board.deed.kind} at ${board.deed.at.toString(16)}`);
    board.powerCut(5 * SECOND);
    board.records = [];
    board.run(4 * SECOND);
    assert.equal(board.fired, null);
    // The baseline would not listen to the remote contact.
    ask(board);
    assert.equal(board.said('started').length, 1, `cut ${skip}: ${moments.at(-1)}`);
  }
  assert.ok(moments.some((moment) => moment.startsWith('erase at 100000')), moments.join(', '));
  console.log(`power cut in: ${moments.join(', ')}`);
});

test('O2, S11: what was changed at the panel is kept for the next power-up', () => {
  const board = ready();
  const before = board.mcu.flash.slice(b.SETTINGS, b.SETTINGS + 4096);
  change(board);
  compare(board, 'groups');
  for (const button of [b.ENTER, b.ENTER, b.ENTER]) board.press(button);
  compare(board, 'taken');
  assert.equal(board.said('settings-changed').length, 1);
  const after = board.mcu.flash.slice(b.SETTINGS, b.SETTINGS + 4096);
  assert.notDeepEqual(after, before);
  board.powerCut(5 * SECOND);
  board.records = [];
  board.run(3 * SECOND);
  assert.deepEqual(board.said('settings-refused'), []);
  assert.deepEqual(board.mcu.flash.slice(b.SETTINGS, b.SETTINGS + 4096), after);
});

let number = 0;

/** Asks over the line, and gives the answer's kind and content. */
const asked = (board, message) => {
  number += 1;
  const answer = unframe(board.talk(frame(number, message)));
  assert.notEqual(answer, null, 'an answer');
  assert.deepEqual([answer.version, answer.number], [VERSION, number]);
  return { kind: answer.message.number(), read: answer.message };
};

const moment = (read) => ({ at: read.number(), civil: read.option(() => read.number()) });

/** Checksum of the settings that run. */
const checksum = (board) => {
  const { kind, read } = asked(board, request.identity);
  assert.equal(kind, answers.identity);
  assert.equal(read.text(), 'RP2040 board');
  read.text();
  read.number();
  return read.number();
};

test('O1, S8: the line is spoken to: who it is, status, why, and Modbus beside it', () => {
  const board = ready();
  const stored = bench.readUInt32LE(bench.length - 4);
  assert.equal(checksum(board), BigInt(stored));
  const { kind, read } = asked(board, request.status);
  assert.equal(kind, answers.status);
  const { civil } = moment(read);
  const expected = MORNING.getTime() - Date.UTC(2000, 0, 1) + board.now / MS;
  assert.ok(Math.abs(Number(civil) - expected) < 3_000, 'the clock is told');
  // One tank, and it serves.
  assert.deepEqual(read.some(2), [1, 0]);
  const why = asked(board, request.why(0));
  assert.equal(why.kind, answers.why);
  moment(why.read);
  // It does not regenerate, and nothing is asked of it.
  assert.deepEqual(why.read.some(2), [0, 0]);
  assert.equal(asked(board, request.why(5)).kind, answers.refused);
  // Modbus: the version of the map, and one tank.
  assert.deepEqual(board.talk(modbus(1, 4, 0, 0, 0, 2)), modbus(1, 4, 4, 0, 1, 0, 1));
  assert.deepEqual(board.talk(modbus(2, 4, 0, 0, 0, 2)), [], 'for another device');
  assert.deepEqual(board.talk(modbus(1, 4, 0, 99, 0, 1)), modbus(1, 0x84, 2));
});

test('O1: bad frames and replays change nothing, and the plant runs on', () => {
  const board = ready();
  const opened = asked(board, request.open);
  assert.equal(opened.kind, answers.opened);
  const session = opened.read.number();
  const start = frame(900, inSession(session, 1, wish.startNow(0)));
  const bad = [...start];
  bad[bad.length - 4] ^= 2;
  assert.deepEqual(board.talk(bad), []);
  assert.deepEqual(board.talk(Array.from({ length: 3_000 }, (_, i) => (i * 37 + (i >> 5)) & 0xff)), [], 'a flood of noise');
  assert.deepEqual(board.talk(start.slice(0, 9)), [], 'half a frame');
  assert.deepEqual(high(board, b.FORWARD), []);
  board.runFor(SECOND);
  // A coil without a ticket.
  assert.deepEqual(board.talk(modbus(1, 5, 0, 0, 0xff, 0)), modbus(1, 0x85, 3));
  assert.deepEqual(high(board, b.FORWARD), []);
  // The change as it was meant, and once more: it is made once.
  const first = board.talk(start);
  assert.equal(unframe(first).message.number(), answers.done);
  assert.deepEqual(board.talk(start), first);
  board.runFor(3 * SECOND);
  assert.equal(high(board, b.FORWARD).length, 1);
  // Its session is over once another is opened.
  asked(board, request.open);
  assert.equal(unframe(board.talk(start)).message.number(), answers.refused);
});

test('O2, S11: settings come over the line, run at once, and outlive a power cut', () => {
  const board = ready();
  const image = b.otherSettings();
  const wanted = BigInt(image.readUInt32LE(image.length - 4));
  const before = checksum(board);
  assert.notEqual(before, wanted);
  const session = asked(board, request.open).read.number();
  let turn = 0;
  const changed = (wanted) => asked(board, inSession(session, ++turn, wanted));
  // A damaged image first: nothing is taken.
  const damaged = Uint8Array.from(image);
  damaged[60] ^= 1;
  const send = (bytes) => {
    assert.equal(changed(wish.stage(bytes, before)).kind, answers.done);
    for (let at = 0; at < bytes.length; at += 500) assert.equal(changed(wish.piece(at, bytes.subarray(at, at + 500))).kind, answers.done);
    return asked(board, inSession(session, ++turn, wish.take));
  };
  assert.equal(send(damaged).kind, answers.refused);
  assert.equal(checksum(board), before);
  number += 1;
  // Storing erases two sectors: the answer takes its time.
  for (const part of [wish.stage(image, before), wish.piece(0, image.subarray(0, 500)), ...(image.length > 500 ? [wish.piece(500, image.subarray(500))] : [])]) {
    assert.equal(changed(part).kind, answers.done);
  }
  const taken = unframe(board.talk(frame(number, inSession(session, ++turn, wish.take)), 3 * SECOND));
  assert.equal(taken.message.number(), answers.taken);
  assert.deepEqual(taken.message.some(2), [0, 1], 'no restart, and stored');
  assert.equal(checksum(board), wanted);
  assert.equal(board.fired, null);
  board.powerCut(5 * SECOND);
  board.records = [];
  board.run(3 * SECOND);
  assert.deepEqual(board.said('settings-refused'), []);
  assert.equal(checksum(board), wanted);
});

test('O1, O5: the board learns another address and speed, and keeps them over a power cut', () => {
  const board = ready();
  const uart = board.mcu.uart[0];
  const near = (baud) => assert.ok(Math.abs(board.mcu.uart[0].baudRate / baud - 1) < 0.01, `${board.mcu.uart[0].baudRate} baud`);
  near(115_200);
  const session = asked(board, request.open).read.number();
  assert.equal(asked(board, inSession(session, 1, wish.speak(248, 19_200))).kind, answers.refused);
  assert.equal(asked(board, inSession(session, 2, wish.speak(7, 19_200))).kind, answers.done);
  board.runFor(SECOND);
  near(19_200);
  assert.equal(uart, board.mcu.uart[0]);
  assert.deepEqual(board.talk(modbus(1, 4, 0, 0, 0, 2)), [], 'nobody has that address any more');
  assert.deepEqual(board.talk(modbus(7, 4, 0, 0, 0, 2)), modbus(7, 4, 4, 0, 1, 0, 1));
  board.powerCut(5 * SECOND);
  board.run(3 * SECOND);
  near(19_200);
  assert.deepEqual(board.talk(modbus(7, 4, 0, 0, 0, 2)), modbus(7, 4, 4, 0, 1, 0, 1));
});

test('P7: a regeneration that is kept is seen at the panel', () => {
  const board = ready();
  ask(board);
  board.runFor(180 * SECOND, () => board.said('ended').length > 0);
  const menu = [b.DOWN, b.DOWN, b.ENTER];
  for (const button of [...menu, ...Array(10).fill(b.DOWN), b.ENTER]) board.press(button);
  compare(board, 'regeneration');
  assert.equal(board.fired, null);
});

/** What the image takes of the board, from all that the tests have had it do; `UPDATE_FIGURES=1` writes the handbook's table anew. */
after(() => {
  for (const board of Board.all) board.measureRam();
  const most = (of) => Math.max(...Board.all.map(of));
  const image = b.segments(elf).reduce((sum, [, bytes]) => sum + bytes.length, 0);
  const figures = [
    ['flash of the image', image, 1024 * 1024],
    ['RAM of its variables', most((board) => board.variables), 256 * 1024],
    ['stack at its deepest', most((board) => board.deepest), 256 * 1024 - most((board) => board.variables)],
  ];
  const thousands = (n) => String(n).replace(/\B(?=(\d{3})+$)/g, ' ');
  const rows = figures.map(([name, bytes, room]) => `| ${name} | ${thousands(bytes)} | ${thousands(room)} |`);
  console.log(figures.map(([name, bytes, room]) => `${name} ${bytes} of ${room} bytes`).join('; '));
  const chapter = new URL('../../../../docs/book/board.md', import.meta.url);
  const [begin, end] = ['<!-- figures -->\n', '<!-- end of figures -->'];
  const [before, rest] = readFileSync(chapter, 'utf8').split(begin);
  const [shown, behind] = rest.split(end);
  if (process.env.UPDATE_FIGURES) {
    const table = ['| what | bytes | there is room for |', '|---|---|---|', ...rows, ''].join('\n');
    writeFileSync(chapter, `${before}${begin}${table}${end}${behind}`);
    return;
  }
  for (const [name, bytes, room] of figures) {
    assert.ok(bytes < room * 0.75, `${name}: more than three quarters of the room are taken`);
    const told = Number(shown.match(new RegExp(`${name} \\| ([\\d ]+) `))[1].replaceAll(' ', ''));
    // Compilers differ by a little.
    assert.ok(Math.abs(bytes / told - 1) < 0.2, `${name}: ${bytes} bytes, and the handbook says ${told}: UPDATE_FIGURES=1 node --test`);
  }
});

/** The half word that the image has at an address. */
function elfWord(address) {
  for (const [start, bytes] of b.segments(elf)) {
    if (address >= start && address < start + bytes.length) {
      return bytes[address - start] | (bytes[address - start + 1] << 8);
    }
  }
  throw new Error('the loop runs outside the image');
}
