// Runs an image of the firmware and lets a program talk to it by a socket.
//
//   node run.mjs --image breakerbench-rp2040.uf2 [--port 0] [--most 4] [--do "capture+2.0:stall:0.15"]... < bench
//
// The first line of its output is the port. Standard input is what the bench puts on the inputs (bench.mjs),
// or is closed. It ends when the program has been there and is gone, or by a signal. Events, after the start
// (1.5:), after the first capture's row 0 (capture+1.5:) or as the board restarts (restart:): stall:S, suspend:S,
// reset, freeze:S (the processor), freeze:S@WHERE*N (once it has read N times there: chip.mjs); of the flash
// spoil:C (the sector of the calibration's copy C, 0 or 1) and flip:C.N (one bit of that record, the lowest of
// byte 0 being 0). As it restarts only those of the flash. --idle S: a program finds the board that old.
import fs from 'node:fs';
import net from 'node:net';
import process from 'node:process';
import { Bench } from './bench.mjs';
import { Chip } from './chip.mjs';
import { UsbHost } from './usb_host.mjs';

const SLICE_NS = 1_000_000;
const MOST_UNSENT = 1 << 20;
const AS_ONE = 16; // slices between two looks at the sockets
const SECTOR = 4096;
const COPIES_AT = 0x1fe000; // of a flash of 2 MiB the two last sectors

function options(words) {
  const all = { image: null, port: 0, most: 1, idle: 0, do: [], stay: false, quiet: false, bench: false };
  for (let k = 0; k < words.length; k++) {
    const name = words[k].slice(2);
    if (name === 'stay' || name === 'quiet' || name === 'bench') all[name] = true;
    else if (name === 'do') all.do.push(words[++k]);
    else if (name in all) all[name] = words[++k];
    else throw new Error(`what is ${words[k]}?`);
  }
  return all;
}

const asked = options(process.argv.slice(2));
const uf2 = new Uint8Array(fs.readFileSync(asked.image));
const bench = new Bench(asked.bench ? process.stdin : null);
let socket = null;
let unsent = 0;
let served = false;
let machine;
let kept = null;

function make() {
  const chip = new Chip(uf2, {
    kept,
    onReset: (state) => {
      kept = state;
      chip.stopped = true;
      for (const event of events) if (event.restart && !event.done) damage(event, kept.flash);
    },
    onDrive: () => say('the board is a drive now'),
  });
  const host = new UsbHost(chip.chip, { onBytes: forward });
  bench.attach(chip.chip, chip.pins);
  return { chip, host, begun: 0 };
}

function say(text) { if (!asked.quiet) process.stderr.write(`${text}\n`); }

function forward(bytes) {
  if (!socket) return;
  unsent += bytes.length;
  socket.write(bytes, () => { unsent -= bytes.length; });
}

function plug(m) {
  m.host.enumerate((told) => {
    m.told = told;
    say(`enumerated: ${Buffer.from(told.text2.slice(2)).toString('utf16le')} ${Buffer.from(told.text3.slice(2)).toString('utf16le')}`);
    if (socket) m.host.setLine(true);
  });
}

const server = net.createServer((line) => {
  if (socket) { line.destroy(); return; }
  socket = line;
  unsent = 0;
  line.setNoDelay(true);
  line.on('data', (data) => machine.host.send(data));
  const gone = () => {
    if (socket !== line) return;
    socket = null;
    served = true;
    if (machine.host.ready) machine.host.setLine(false);
  };
  line.on('close', gone);
  line.on('error', gone);
  if (machine.host.ready) machine.host.setLine(true);
});

const events = asked.do.map((text) => {
  const [when, what, value] = text.split(':');
  return {
    capture: when.startsWith('capture+'), restart: when === 'restart', at: Number(when.replace('capture+', '')) * 1e9,
    what, value: parseFloat(value) * 1e9, where: value,
  };
});

function damage(event, flash) {
  if (event.what !== 'spoil' && event.what !== 'flip') throw new Error(`what is ${event.what}?`);
  const [copy, bit] = event.where.split('.').map(Number);
  const at = COPIES_AT + copy * SECTOR;
  event.done = true;
  say(`the flash: ${event.what} ${event.where}`);
  if (event.what === 'spoil') flash.fill(0x55, at, at + SECTOR);
  else flash[at + (bit >> 3)] ^= 1 << (bit & 7);
}

/** How long until it is due, ns; never in a capture that has not begun. */
function left(event, m) {
  const from = event.capture ? m.row0 : 0;
  return event.done || event.restart || from === undefined ? Infinity : from + event.at - m.chip.chip.clock.nanos;
}

/** Up to the next event, so that it happens when it is due. */
function slice(m) {
  return Math.min(SLICE_NS, ...events.map((event) => left(event, m)).filter((nanos) => nanos > 0));
}

function happen(m) {
  const now = m.chip.chip.clock.nanos;
  for (const event of events) {
    if (left(event, m) > 0) continue;
    event.done = true;
    say(`${(now / 1e9).toFixed(3)} s: ${event.what}`);
    if (event.what === 'stall') m.host.stall(event.value);
    else if (event.what === 'suspend') { m.host.suspend(); m.wake = now + event.value; }
    else if (event.what === 'reset') { socket?.destroy(); plug(m); }
    else if (event.what === 'freeze') {
      const [where, count] = event.where.split('@')[1]?.split('*') ?? [];
      m.chip.freeze(event.value, where, Number(count ?? 1));
    }
    else damage(event, m.chip.chip.flash);
  }
  if (m.wake && now >= m.wake) { m.wake = 0; m.host.resume(); }
}

function stackLeft(chip) {
  let at = 0x40000;
  while (chip.sramView.getUint32(at, true) === 0x5afe57ac) at += 4;
  return at - 0x40000;
}

const beganWall = process.hrtime.bigint();
let allNanos = 0;
function report() {
  const wall = Number(process.hrtime.bigint() - beganWall) / 1e9;
  const { chip, host } = machine;
  const now = chip.chip.clock.nanos / 1e9;
  say(JSON.stringify({
    emulated_s: +now.toFixed(3), wall_s: +wall.toFixed(2), busy_share: +(1 - (chip.slept ?? 0) / chip.chip.clock.nanos).toFixed(4),
    stack_free: stackLeft(chip.chip), busy_captured: machine.busy, ...host.counts,
  }));
}

function turn() {
  const wall = Number(process.hrtime.bigint() - beganWall);
  for (let k = 0; k < AS_ONE; k++) {
    if (!bench.fed || unsent > MOST_UNSENT) return setTimeout(turn, 2);
    if (allNanos > wall * Number(asked.most) + 5e6) return setTimeout(turn, 1);
    const { chip } = machine;
    const [slept, began, nanos] = [chip.slept ?? 0, bench.began, slice(machine)];
    chip.run(nanos);
    allNanos += nanos;
    if (bench.began !== null && began !== null) {
      machine.captured = (machine.captured ?? 0) + nanos;
      machine.capturedSlept = (machine.capturedSlept ?? 0) + (chip.slept ?? 0) - slept;
      machine.busy = +(1 - machine.capturedSlept / machine.captured).toFixed(4);
    }
    if (bench.began !== null) machine.row0 ??= bench.began;
    if (chip.stopped) {
      machine = make();
      socket?.destroy();
      plugSoon();
      break;
    }
    if (chip.drive) { socket?.destroy(); report(); return process.exit(0); }
    happen(machine);
    if (served && !socket && !asked.stay) { report(); return process.exit(0); }
  }
  setImmediate(turn);
}

function plugSoon() {
  const m = machine;
  const alarm = m.chip.chip.clock.createAlarm(() => {
    if (m.chip.chip.usbCtrl.sieCtrl & (1 << 16)) plug(m);
    else alarm.schedule(5e6);
  });
  alarm.schedule(20e6);
}

process.on('SIGTERM', () => { report(); process.exit(0); });
machine = make();
plugSoon();
function begin() {
  if (!bench.fed) return void setTimeout(begin, 5); // a program is let in when there is something to measure
  while (machine.chip.chip.clock.nanos < Number(asked.idle) * 1e9) machine.chip.run(SLICE_NS);
  server.listen(Number(asked.port), '127.0.0.1', () => {
    process.stdout.write(`${server.address().port}\n`);
    turn();
  });
}
begin();
