// What the simulated bench puts on the inputs: counts of the converter and edges of the pins, from a pipe.
//
// A line of JSON first: {"inputs": ["points_v", "current_a"], "row_ticks": 250}. Then blocks, little-endian:
// u32 rows, u32 edges; rows times inputs of u16, row by row; for each edge u64 tick since row 0 (16 ns each),
// u8 pin (0 index, 1 encoder), u8 level, six bytes of nothing. Edges are in order and lie in the rows of their
// block. An empty block ends it: the inputs then stay as they are.
const TICK_NS = 16;
const CHANNELS = { points_v: 0, current_a: 1, supply_v: 2, contact_v: 3 };
const TEMPERATURE = 876; // 27 deg C
const PINS = [16, 17];
const ROWS_AHEAD = 200_000;
const ROWS_LEAST = 20_000; // more than are used between two looks

export class Bench {
  constructor(stream) {
    this.stream = stream;
    this.waiting = Buffer.alloc(0);
    this.head = null;
    this.blocks = [];
    this.rowsAhead = 0;
    this.over = !stream;
    this.last = [0, 0, 0, 0, TEMPERATURE];
    this.began = null;
    stream?.on('data', (data) => { this.waiting = this.waiting.length ? Buffer.concat([this.waiting, data]) : data; this.#read(); });
    stream?.on('end', () => { this.over = true; });
  }

  #read() {
    if (!this.head) {
      const end = this.waiting.indexOf(10);
      if (end < 0) return;
      this.head = JSON.parse(this.waiting.subarray(0, end).toString());
      this.channels = this.head.inputs.map((name) => CHANNELS[name]);
      this.waiting = this.waiting.subarray(end + 1);
    }
    const many = this.channels.length;
    while (this.waiting.length >= 8) {
      const [rows, edges] = [this.waiting.readUInt32LE(0), this.waiting.readUInt32LE(4)];
      const size = 8 + 2 * rows * many + 16 * edges;
      if (!rows) { this.over = true; return; }
      if (this.waiting.length < size) break;
      const copy = new Uint16Array(rows * many);
      for (let k = 0; k < copy.length; k++) copy[k] = this.waiting.readUInt16LE(8 + 2 * k);
      const changes = [];
      for (let at = 8 + 2 * rows * many; at < size; at += 16) {
        changes.push([Number(this.waiting.readBigUInt64LE(at)), PINS[this.waiting[at + 8]], this.waiting[at + 9] === 1]);
      }
      this.blocks.push({ samples: copy, changes, at: 0 });
      this.rowsAhead += rows;
      this.waiting = this.waiting.subarray(size);
    }
    if (this.rowsAhead > ROWS_AHEAD) this.stream.pause();
  }

  /** On a chip: row 0 is where the converter begins to go round. */
  attach(chip, pins) {
    const { adc, clock } = chip;
    this.pins = pins;
    const write = adc.writeUint32.bind(adc);
    adc.writeUint32 = (offset, value) => {
      const many = offset === 0 && value & 8 && !(adc.cs & 8);
      const end = offset === 0 && !(value & 8) && adc.cs & 8;
      if (many) { this.began = clock.nanos; this.turn = 0; this.#edges(); }
      if (end) this.began = null;
      write(offset, value);
    };
    adc.onADCRead = (channel) => {
      adc.currentChannel = channel;
      if (this.began !== null && channel !== 4) this.last[channel] = this.#sample(channel);
      adc.channelValues[channel] = this.last[channel];
      adc.sampleAlarm.schedule(2000);
    };
  }

  /** Whether the emulation may go on: what comes next is there. */
  get fed() { return this.over || this.rowsAhead > ROWS_LEAST; }

  #edges() {
    const block = this.blocks[0];
    if (!block || block.told) return;
    block.told = true;
    this.pins.push(block.changes.map(([tick, pin, level]) => [this.began + tick * TICK_NS, pin, level]));
  }

  #sample(channel) {
    const block = this.blocks[0];
    if (!block) return this.last[channel];
    const wanted = this.channels[this.turn];
    if (wanted !== channel) throw new Error(`the firmware samples channel ${channel}, the bench gives ${wanted}`);
    const value = block.samples[block.at++];
    this.turn = (this.turn + 1) % this.channels.length;
    if (!this.turn) this.rowsAhead--;
    if (block.at === block.samples.length) {
      this.blocks.shift();
      this.#edges();
      if (this.rowsAhead < ROWS_AHEAD / 2 && this.stream.isPaused()) this.stream.resume();
    }
    return value;
  }
}
