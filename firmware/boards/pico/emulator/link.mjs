// The asking side of the serial line, written anew from the handbook's chapter: so it tells if that and the image differ.

const TABLE = Array.from({ length: 256 }, (_, n) => {
  for (let i = 0; i < 8; i++) n = n & 1 ? (n >>> 1) ^ 0xedb88320 : n >>> 1;
  return n >>> 0;
});

export const crc32 = (bytes) => ~bytes.reduce((crc, byte) => TABLE[(crc ^ byte) & 0xff] ^ (crc >>> 8), ~0) >>> 0;

const crc16 = (bytes) => {
  let crc = 0xffff;
  for (const byte of bytes) {
    crc ^= byte;
    for (let i = 0; i < 8; i++) crc = crc & 1 ? (crc >>> 1) ^ 0xa001 : crc >>> 1;
  }
  return crc;
};

/** A Modbus request with its checksum. */
export const modbus = (...content) => [...content, crc16(content) & 0xff, crc16(content) >> 8];

const little = (n, bytes) => Array.from({ length: bytes }, (_, i) => Number((BigInt(n) >> BigInt(8 * i)) & 0xffn));

/** A number of any size as postcard writes it. */
export const varint = (n) => {
  let left = BigInt(n);
  const bytes = [];
  do {
    bytes.push(Number(left & 0x7fn) | (left > 0x7fn ? 0x80 : 0));
    left >>= 7n;
  } while (left > 0n);
  return bytes;
};

/** The version of the messages that the image speaks. */
export const VERSION = 2;

/** A frame: zero, COBS, zero. */
export const frame = (number, message) => {
  const body = [VERSION, ...little(number, 2), ...message];
  body.push(...little(crc32(body), 4));
  const packed = [];
  let run = [];
  for (const byte of [...body, 0]) {
    if (byte !== 0) run.push(byte);
    if (byte === 0 || run.length === 254) {
      packed.push(run.length + 1, ...run);
      run = [];
    }
  }
  return [0, ...packed, 0];
};

/** The message of the first whole frame among bytes, or null. */
export const unframe = (bytes) => {
  for (const packed of bytes.join(',').split(/(?:^|,)0(?=,|$)/)) {
    const inner = packed.split(',').filter((text) => text !== '').map(Number);
    const body = [];
    for (let at = 0; at < inner.length; at += inner[at]) {
      body.push(...inner.slice(at + 1, at + inner[at]));
      if (inner[at] < 255 && at + inner[at] < inner.length) body.push(0);
    }
    if (body.length < 7) continue;
    const sum = body.splice(-4);
    if (little(crc32(body), 4).every((byte, i) => byte === sum[i])) {
      return { version: body[0], number: body[1] | (body[2] << 8), message: new Reader(body.slice(3)) };
    }
  }
  return null;
};

/** Reads what postcard wrote. */
export class Reader {
  constructor(bytes) {
    this.bytes = bytes;
    this.at = 0;
  }
  byte() {
    return this.bytes[this.at++];
  }
  number() {
    let [n, shift, byte] = [0n, 0n, 0x80];
    while (byte & 0x80) {
      byte = this.byte();
      n |= BigInt(byte & 0x7f) << shift;
      shift += 7n;
    }
    return n;
  }
  option(read) {
    return this.byte() ? read() : null;
  }
  text() {
    return String.fromCharCode(...this.some(Number(this.number())));
  }
  some(count) {
    this.at += count;
    return this.bytes.slice(this.at - count, this.at);
  }
}

/** Requests by their numbers in the list of messages. */
export const request = { identity: [0], status: [1], why: (tank) => [2, tank], records: (from) => [5, ...varint(from)], settings: (offset) => [9, ...varint(offset)], open: [10] };
export const answers = { identity: 0n, status: 1n, why: 2n, records: 5n, settings: 9n, opened: 10n, done: 11n, taken: 12n, refused: 13n };

/** A change of a session. */
export const change = (session, turn, wish) => [11, ...varint(session), ...varint(turn), ...wish];
export const wish = {
  startNow: (tank) => [2, 0, tank],
  stage: (image, insteadOf) => [4, ...varint(image.length), ...varint(crc32([...image])), ...varint(insteadOf), 0, 1, 0, 0],
  piece: (offset, bytes) => [5, ...varint(offset), ...varint(bytes.length), ...bytes],
  take: [6],
  /** How the board speaks: the address and the bits a second; the panel's units stay. */
  speak: (address, baud) => [9, 1, address, 1, ...varint(baud), 0],
};
