// A USB host: full speed, 19 packets of 64 bytes a millisecond, retries after NAK, toggles, stalls, status
// stages. Fault of the emulator: a packet in is taken at once, whatever the host does; and its own host floods
// empty packets. So the emulator's is put out of use, and this one looks at the controller's memory itself.
const FRAME_NS = 1_000_000;
const PACKETS_A_FRAME = 19;
const SLOT_NS = Math.floor(FRAME_NS / PACKETS_A_FRAME);
const NAK_NS = 8_000; // until it asks again, while data flow
const FULL = 1 << 15, PID = 1 << 13, STALL = 1 << 11, AVAILABLE = 1 << 10, LENGTH = 0x3ff;
const SETUP_REC = 1 << 17, BUS_RESET = 1 << 19, SUSPENDED = 1 << 4, RESUME = 1 << 11;

export class Fault extends Error {}

export class UsbHost {
  constructor(chip, { onBytes = () => {} } = {}) {
    this.chip = chip;
    this.usb = chip.usbCtrl;
    this.clock = chip.clock;
    this.onBytes = onBytes;
    this.counts = { packets: 0, bytes: 0, naks: 0, toggles: 0, refused: 0 };
    this.usb.DPRAMUpdated = () => {};
    // Fault: SUSPENDED cannot be cleared by writing it, as the vendor's own driver does.
    const write = this.usb.writeUint32.bind(this.usb);
    this.usb.writeUint32 = (at, value) => {
      if (at === 0x50 && this.usb.rawWriteValue & SUSPENDED) this.usb.sieStatus &= ~SUSPENDED;
      write(at, value);
    };
    this.alarm = this.clock.createAlarm(() => this.#slot());
    this.job = null; // the control transfer under way: a generator
    this.jobs = [];
    this.forget();
    this.alarm.schedule(FRAME_NS);
  }

  forget() {
    this.address = 0;
    this.toggle = { in: 0, out: 0 };
    this.ready = this.open = this.asleep = false;
    this.stallUntil = 0;
    this.toBoard = [];
    this.step = null;
    this.job = null;
    this.jobs = [];
    this.connected = false;
  }

  // --- the controller's side

  #view() { return this.chip.usbDPRAMView; }
  #control(endpoint, way) { return 0x80 + 8 * endpoint + (way === 'out' ? 4 : 0); }

  #place(endpoint, way) {
    if (endpoint === 0) return 0x100;
    const word = this.#view().getUint32(8 * endpoint + (way === 'out' ? 4 : 0), true);
    if (!(word >>> 31)) return null;
    if (!((word >>> 29) & 1)) throw new Fault(`endpoint ${endpoint} ${way} tells of no packet`);
    const kind = (word >>> 26) & 3;
    if (kind !== 2) throw new Fault(`endpoint ${endpoint} is not bulk`);
    return word & 0xffc0;
  }

  #done(endpoint, way) {
    if (endpoint === 0 && !(this.usb.sieCtrl & (1 << 29))) throw new Fault('endpoint 0 tells of no packet');
    this.usb.indicateBufferReady(endpoint, way === 'out');
  }

  #listens(address) { return (this.usb.sieCtrl & (1 << 16)) && this.usb.mainCtrl & 1 && (this.usb.addrEndp & 127) === address; }

  setup(address, bytes) {
    if (!this.#listens(address)) return { gone: true };
    this.chip.usbDPRAM.set(bytes, 0);
    this.usb.epStallArm = 0; // a setup packet lifts the stall of endpoint 0
    this.usb.sieStatus |= SETUP_REC;
    this.usb.sieStatusUpdated();
    return { ack: true };
  }

  in(address, endpoint) {
    if (!this.#listens(address)) return { gone: true };
    const at = this.#control(endpoint, 'in');
    const word = this.#view().getUint32(at, true);
    const place = this.#place(endpoint, 'in');
    if (place === null) return { gone: true };
    if (word & STALL && (endpoint || this.usb.epStallArm & 1)) return { stall: true };
    if (!(word & AVAILABLE)) return { nak: true };
    if (!(word & FULL)) throw new Fault('a packet in that is not full');
    const data = this.chip.usbDPRAM.slice(place, place + (word & LENGTH));
    this.#view().setUint32(at, word & ~(AVAILABLE | FULL), true);
    this.#done(endpoint, 'in');
    return { data, pid: word & PID ? 1 : 0 };
  }

  out(address, endpoint, data, pid) {
    if (!this.#listens(address)) return { gone: true };
    const at = this.#control(endpoint, 'out');
    const word = this.#view().getUint32(at, true);
    const place = this.#place(endpoint, 'out');
    if (place === null) return { gone: true };
    if (word & STALL && (endpoint || this.usb.epStallArm & 2)) return { stall: true };
    if (!(word & AVAILABLE)) return { nak: true };
    if (((word & PID) !== 0) !== (pid === 1)) {
      this.counts.toggles++;
      return { ack: true }; // taken for a repetition: acknowledged and thrown away
    }
    this.chip.usbDPRAM.set(data, place);
    this.#view().setUint32(at, (word & ~(AVAILABLE | LENGTH)) | FULL | data.length, true);
    this.#done(endpoint, 'out');
    return { ack: true };
  }

  // --- the host's side

  /** A control transfer; what it gives goes to `then`: bytes, or null after a stall. */
  request(type, what, value, index, length, data, then = () => {}) {
    const head = new Uint8Array(8);
    const view = new DataView(head.buffer);
    view.setUint8(0, type); view.setUint8(1, what);
    view.setUint16(2, value, true); view.setUint16(4, index, true); view.setUint16(6, length, true);
    this.jobs.push(this.#transfer(head, type & 0x80 ? null : data ?? new Uint8Array(0), length, then));
  }

  *#transfer(head, data, length, then) {
    yield () => this.setup(this.address, head);
    let pid = 1;
    let got = [];
    let answer;
    if (data === null) {
      while (got.length < length) {
        answer = yield () => this.in(this.address, 0);
        if (answer.stall) return then(null);
        if (answer.pid !== pid) throw new Fault('endpoint 0: wrong toggle of data');
        pid ^= 1;
        got = got.concat(Array.from(answer.data));
        if (answer.data.length < 64) break;
      }
      answer = yield () => this.out(this.address, 0, new Uint8Array(0), 1);
      if (answer.stall) return then(null);
    } else {
      for (let at = 0; at < data.length; at += 64) {
        answer = yield () => this.out(this.address, 0, data.subarray(at, at + 64), pid);
        if (answer.stall) return then(null);
        pid ^= 1;
      }
      answer = yield () => this.in(this.address, 0);
      if (answer.stall) return then(null);
      if (answer.data.length || answer.pid !== 1) throw new Fault('endpoint 0: wrong status stage');
    }
    then(Uint8Array.from(got));
  }

  /** Reset, questions and settings as an operating system puts them, then `done(descriptors)`. */
  enumerate(done = () => {}) {
    this.forget();
    this.connected = true;
    const told = {};
    this.reset();
    const wait = (ms) => { this.quietUntil = this.clock.nanos + ms * FRAME_NS; };
    wait(10);
    this.request(0x80, 6, 0x0100, 0, 64, null, (d) => {
      told.first = d;
      this.reset();
      wait(10);
      this.request(0x00, 5, 7, 0, 0, null, () => { this.address = 7; wait(2); });
      this.request(0x80, 6, 0x0100, 0, 18, null, (x) => { told.device = x; });
      this.request(0x80, 6, 0x0600, 0, 10, null, (x) => { told.qualifier = x; }); // stalled: full speed alone
      this.request(0x80, 6, 0x0200, 0, 9, null, (x) => { told.head = x; });
      this.request(0x80, 6, 0x0200, 0, 255, null, (x) => { told.configuration = x; });
      for (const k of [0, 1, 2, 3]) this.request(0x80, 6, 0x0300 + k, 0x0409, 255, null, (x) => { told[`text${k}`] = x; });
      this.request(0x00, 9, 1, 0, 0, null, () => { this.toggle = { in: 0, out: 0 }; });
      this.request(0xa1, 0x21, 0, 0, 7, null, (x) => { told.coding = x; });
      this.request(0x80, 0, 0, 0, 2, null, (x) => { told.status = x; this.ready = true; done(told); });
    });
  }

  reset() {
    this.address = 0;
    this.usb.sieStatus |= BUS_RESET;
    this.usb.sieStatusUpdated();
  }

  /** A program opens the line, or closes it. */
  setLine(open) {
    if (open) this.request(0x21, 0x20, 0, 0, 7, Uint8Array.of(0, 0xc2, 1, 0, 0, 0, 8));
    this.request(0x21, 0x22, open ? 3 : 0, 0, 0, null, () => { this.open = open; });
  }

  send(bytes) { this.toBoard.push(...bytes); }

  /** Takes nothing for so long, ns. */
  stall(nanos) { this.stallUntil = this.clock.nanos + nanos; }

  suspend() { this.asleep = true; this.usb.sieStatus |= SUSPENDED; this.usb.sieStatusUpdated(); }

  resume() {
    this.asleep = false;
    this.usb.sieStatus |= RESUME;
    this.usb.sieStatusUpdated();
  }

  #slot() {
    let next = FRAME_NS - (this.clock.nanos % FRAME_NS);
    if (!this.asleep && this.connected && !(this.clock.nanos < (this.quietUntil ?? 0))) {
      const moved = this.#transaction();
      if (moved !== null) next = moved ? SLOT_NS : Math.min(next, NAK_NS);
    }
    this.alarm.schedule(Math.max(next, 1000));
  }

  /** true: a packet moved; false: NAK, soon again; null: nothing to do in this frame. */
  #transaction() {
    if (!this.step && (this.job ??= this.jobs.shift() ?? null)) {
      const { value, done } = this.job.next(this.answer);
      this.answer = undefined;
      if (done) { this.job = null; return this.#transaction(); }
      this.step = value;
    }
    if (this.step) {
      const answer = this.step();
      if (answer.gone) { this.counts.refused++; this.step = this.job = null; this.jobs = []; return null; }
      if (answer.nak) { this.counts.naks++; return false; }
      this.answer = answer;
      this.step = null;
      return true;
    }
    if (!this.ready) return null;
    if (this.toBoard.length) {
      const data = Uint8Array.from(this.toBoard.slice(0, 64));
      const answer = this.out(this.address, 2, data, this.toggle.out);
      if (answer.ack) { this.toggle.out ^= 1; this.toBoard.splice(0, data.length); return true; }
    }
    if (!this.open || this.clock.nanos < this.stallUntil) return null;
    const answer = this.in(this.address, 2);
    if (answer.data) {
      this.lastData = this.clock.nanos;
      this.counts.packets++;
      if (answer.pid !== this.toggle.in) { this.counts.toggles++; return true; } // a repetition: thrown away
      this.toggle.in ^= 1;
      this.counts.bytes += answer.data.length;
      if (answer.data.length) this.onBytes(answer.data);
      return true;
    }
    if (answer.nak) this.counts.naks++;
    return this.clock.nanos - (this.lastData ?? -1e9) < 3 * FRAME_NS ? false : null;
  }
}
