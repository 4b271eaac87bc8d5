// What is connected to the board's pins: wheels, converter chip, current read-back, slow inputs,
// contacts, and the circuit that holds the supplies enabled while the board shows it is alive.
import { PINS } from './board.mjs';

const HIGH_NS = 60e3; // of a tooth, where there is room
const CONVERTER_INPUTS = 8;
const WORDS = 10;
const HOLD_NS = 8e6; // the enabling circuit lets go this long after the last edge

// Edges of one wheel, given ahead as times in ns; a high pulse follows each.
export class Wheel {
  constructor(board, index) {
    this.pin = PINS.wheel + index;
    this.times = [];
    board.attach(() => this.connect(board));
  }

  connect(board) {
    this.board = board;
    board.pin(this.pin, false);
    this.up = board.clock.createAlarm(() => this.rise());
    this.down = board.clock.createAlarm(() => board.pin(this.pin, false));
    this.times = [];
  }

  play(times) {
    const idle = this.times.length === 0;
    for (const time of times) this.times.push(time);
    if (idle) this.next();
  }

  next() {
    if (this.times.length) this.up.schedule(Math.max(0, this.times[0] - this.board.clock.nanosCounter));
  }

  rise() {
    const now = this.board.clock.nanosCounter;
    this.board.pin(this.pin, true);
    this.times.shift();
    const gap = this.times.length ? this.times[0] - now : Infinity;
    this.down.schedule(Math.min(HIGH_NS, gap / 2));
    this.next();
  }
}

function crc16(bytes) {
  let crc = 0xffff;
  for (const byte of bytes) {
    crc ^= byte << 8;
    for (let bit = 0; bit < 8; bit++) crc = (crc & 0x8000 ? (crc << 1) ^ 0x1021 : crc << 1) & 0xffff;
  }
  return crc;
}

// The converter chip: words of 24 bits, data ready by a falling pin, registers that can be written.
export class Converter {
  constructor(board) {
    this.values = new Int32Array(CONVERTER_INPUTS);
    this.registers = new Map();
    this.spoil = 0; // exchanges whose CRC is to be wrong
    board.attach(() => this.connect(board));
  }

  connect(board) {
    this.board = board;
    this.at = 0;
    this.asked = [];
    this.answer = new Uint8Array(3 * WORDS);
    board.pin(PINS.dataReady, true);
    board.rp.gpio[PINS.spiSelect].addListener((state) => (state === 0 ? this.begin() : this.end()));
    const spi = board.rp.spi[1];
    spi.onTransmit = (byte) => {
      this.asked.push(byte);
      spi.completeTransmit(this.answer[this.at++] ?? 0);
    };
  }

  begin() {
    const { answer, values } = this;
    this.at = 0;
    this.asked = [];
    answer.fill(0);
    for (let i = 0; i < CONVERTER_INPUTS; i++) {
      const at = 3 * (i + 1);
      answer[at] = values[i] >> 16;
      answer[at + 1] = values[i] >> 8;
      answer[at + 2] = values[i];
    }
    const crc = crc16(answer.subarray(0, 3 * (WORDS - 1))) ^ (this.spoil > 0 ? 1 : 0);
    if (this.spoil > 0) this.spoil--;
    answer[27] = crc >> 8;
    answer[28] = crc;
  }

  end() {
    const [high, low, , valueHigh, valueLow] = this.asked;
    const command = (high << 8) | low;
    if (command >> 13 === 3) this.registers.set((command >> 7) & 63, (valueHigh << 8) | valueLow);
  }

  // A conversion has finished.
  convert(values) {
    for (let i = 0; i < values.length; i++) this.values[i] = values[i];
    this.board.pin(PINS.dataReady, true);
    this.board.pin(PINS.dataReady, false);
  }
}

// Coil currents at the ADC, with noise of about one step, and moving evenly from frame to frame.
export class Currents {
  constructor(board, fullA) {
    this.fullA = fullA;
    this.from = [0, 0, 0, 0];
    this.to = [0, 0, 0, 0];
    this.begin = 0;
    this.length = 1;
    this.reads = 0;
    board.attach(() => {
      board.onAnalogue = (input) => this.read(board, input);
    });
  }

  move(to, begin, length) {
    this.from = this.to;
    this.to = to;
    this.begin = begin;
    this.length = length;
  }

  read(board, input) {
    const share = Math.min(1, Math.max(0, (board.clock.nanosCounter - this.begin) / this.length));
    const ampere = this.from[input] + share * (this.to[input] - this.from[input]);
    const noise = (((this.reads++ >> 2) & 7) + 0.5) / 8;
    return Math.min(4095, Math.max(0, Math.floor((ampere / this.fullA) * 4096 + noise)));
  }
}

// Two four-channel 16-bit converters on I2C at 0x48 and 0x49; null: it does not answer.
export class SlowInputs {
  constructor(board) {
    this.volts = [null, null, null, null, null, null, null, null];
    board.attach(() => this.connect(board));
  }

  connect(board) {
    const bus = board.rp.i2c[0];
    let chip = 0;
    let written = [];
    const inputs = [0, 0];
    let toRead = 0;
    bus.onConnect = (address) => {
      chip = address - 0x48;
      written = [];
      toRead = 0;
      bus.completeConnect(chip === 0 || chip === 1 ? this.volts[4 * chip] !== null : false);
    };
    bus.onWriteByte = (byte) => {
      written.push(byte);
      if (written.length === 2 && written[0] === 1) inputs[chip] = (byte >> 4) & 3;
      bus.completeWrite(true);
    };
    bus.onReadByte = () => {
      const raw = Math.round(((this.volts[4 * chip + inputs[chip]] ?? 0) / 4.096) * 32768);
      const value = Math.min(32767, Math.max(-32768, raw)) & 0xffff;
      bus.completeRead(toRead++ === 0 ? value >> 8 : value & 0xff);
    };
  }
}

// The supplies' inputs: what they are asked for while the pulse train runs, and nothing without it.
export class Supplies {
  constructor(board, fullA) {
    this.board = board;
    this.fullA = fullA;
    this.lastEdge = -Infinity;
    board.attach(() => {
      board.rp.gpio[PINS.alive].addListener(() => { this.lastEdge = board.clock.nanosCounter; });
    });
  }

  get enabled() {
    return this.board.clock.nanosCounter - this.lastEdge <= HOLD_NS;
  }

  asked() {
    return [0, 1, 2, 3].map((i) => (this.enabled ? this.board.duty(i) * this.fullA : 0));
  }
}

export function setContacts(board, bits) {
  for (let i = 0; i < 4; i++) {
    const high = !!((bits >> i) & 1);
    if (board.rp.gpio[PINS.digitalIn + i].rawInputValue !== high) board.pin(PINS.digitalIn + i, high);
  }
}
