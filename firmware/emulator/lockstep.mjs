// node lockstep.mjs IMAGE: the emulated board in lockstep with whoever asks, in virtual time.
//
// JSON lines on standard input, one answer each on standard output:
//   {"start": {record, baud, tick_hz, frame_hz, full_a, read_a, seed, ram_end}}
//   {"tick": {edges}}     the board stands just before the tick of a frame: play these edges of the
//                         period that follows and run until the frame is on the line
//   {"rest": {rx, counts, fresh, currents, digital, slow, excitation}}   bytes from the host; run
//                         to just before the next tick, where counts and currents (A) hold
//   {"do": "watchdog" | "hang" | "brown-out" | "power-cut" | "spoil" | "figures"}
// rx is base64; edges are ticks since the board's tick 0; fresh: a conversion has finished. Answers:
// tx (base64), asked (A at each supply's input), fans, enabled, before_tick (where it stands),
// boots (it starts again by itself when its watchdog bites).
import fs from 'node:fs';
import { Board, PINS, seeded } from './board.mjs';
import { Converter, Currents, SlowInputs, Supplies, Wheel, setContacts } from './devices.mjs';

const image = new Uint8Array(fs.readFileSync(process.argv[2]));
const EXCITATION_INPUT = 4;
const CONVERSION_NS = 50e3; // before the end of the frame
let board, wheels, converter, currents, slow, supplies, options;
let zero = 0; // ns of tick 0
let frame = 0;
let sent = [];
let figures;
let boots = 0;
let beforeTick = true;
let awaited = false; // the first byte after a tick
let pendingOutput = false; // a set point is under way

// From the start of the counter up to the first frame, not over it.
function begin() {
  frame = 1;
  boots++;
  beforeTick = true;
  zero = board.runToTickZero();
  board.run(zero + period() - 1);
}

const period = () => 1e9 / options.frame_hz;

function start(asked) {
  options = asked;
  figures = { firstByteNs: 0, outputNs: 0, frames: 0, cpuS: 0 };
  board = new Board(image, Buffer.from(asked.record, 'base64'), asked.baud, seeded(asked.seed));
  wheels = [0, 1, 2, 3].map((index) => new Wheel(board, index));
  converter = new Converter(board);
  currents = new Currents(board, asked.read_a);
  slow = new SlowInputs(board);
  supplies = new Supplies(board, asked.full_a);
  sent = [];
  board.attach(() => {
    board.onSent = (byte, gone) => {
      sent.push(byte);
      if (awaited) figures.firstByteNs = Math.max(figures.firstByteNs, gone - board.byteNs - wrap());
      awaited = false;
    };
    board.onCompare = () => {
      if (!pendingOutput || board.incoming.length) return;
      figures.outputNs = Math.max(figures.outputNs, board.clock.nanosCounter - board.lastByteAt);
      pendingOutput = false;
    };
  });
  setContacts(board, 3);
  begin();
  return answer();
}

const wrap = () => zero + frame * period();

function finishFrame() {
  const limit = wrap() + 0.9 * period();
  board.run(wrap() + 20e3);
  while ((!board.lineIdle() || !board.core.waiting) && board.clock.nanosCounter < limit && !board.bitten) {
    board.run(board.clock.nanosCounter + 10e3);
  }
}

function answer() {
  const tx = Buffer.from(sent).toString('base64');
  sent = [];
  return {
    tx,
    asked: supplies.asked(),
    fans: (board.level(PINS.digitalOut) ? 1 : 0) | (board.level(PINS.digitalOut + 1) ? 2 : 0),
    enabled: supplies.enabled,
    before_tick: beforeTick,
    boots,
  };
}

function timed(work) {
  const before = process.cpuUsage();
  work();
  const used = process.cpuUsage(before);
  figures.cpuS += (used.user + used.system) / 1e6;
  if (board.bitten) {
    board.resetByWatchdog();
    begin();
  }
  return answer();
}

function tick({ edges }) {
  const tickNs = 1e9 / options.tick_hz;
  edges.forEach((ticks, index) => wheels[index].play(ticks.map((each) => zero + each * tickNs)));
  awaited = true;
  figures.frames++;
  beforeTick = false;
  finishFrame();
}

function rest(asked) {
  const end = wrap() + period();
  setContacts(board, asked.digital);
  currents.move(asked.currents, wrap(), period());
  if (asked.slow) slow.volts = asked.slow;
  const bytes = Buffer.from(asked.rx, 'base64');
  pendingOutput = bytes.length > 0;
  board.feed(bytes);
  if (asked.fresh) {
    board.run(end - CONVERSION_NS);
    const values = [...asked.counts, ...Array(8 - asked.counts.length).fill(0)];
    values[EXCITATION_INPUT] = asked.excitation ?? 5_000_000;
    converter.convert(values);
  }
  board.run(end - 1);
  frame++;
  beforeTick = true;
}

function act(what) {
  if (what === 'watchdog') {
    board.resetByWatchdog(1);
    begin();
  } else if (what === 'hang') {
    board.core.enabledInterrupts = 0; // as a program that never comes back to its frames
  } else if (what === 'brown-out' || what === 'power-cut') {
    board.brownOut(what === 'brown-out');
    begin();
  } else if (what === 'spoil') {
    converter.spoil = 1;
  } else if (what === 'figures') {
    const { busy } = board;
    const shown = {
      ...figures,
      cycles: busy.cycles / Math.max(1, frame),
      worstCycles: busy.worst,
      stackBytes: board.stackBytes(options.ram_end),
      registers: [...converter.registers],
    };
    return shown;
  }
  return answer();
}

let held = '';
const buffer = Buffer.alloc(1 << 16);
function line() {
  for (;;) {
    const end = held.indexOf('\n');
    if (end >= 0) {
      const found = held.slice(0, end);
      held = held.slice(end + 1);
      return found;
    }
    const size = fs.readSync(0, buffer, 0, buffer.length);
    if (size === 0) return null;
    held += buffer.toString('latin1', 0, size);
  }
}

for (let asked = line(); asked !== null; asked = line()) {
  const request = JSON.parse(asked);
  let result;
  if (request.start) result = start(request.start);
  else if (request.tick) result = timed(() => tick(request.tick));
  else if (request.rest) result = timed(() => rest(request.rest));
  else result = act(request.do);
  fs.writeSync(1, `${JSON.stringify(result)}\n`);
}
