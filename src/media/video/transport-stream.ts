// A light reader of transport streams with holes: packets, PAT, PMT and PES headers of ISO/IEC 13818-1 (2.4.3, 2.4.4).
// Gives each elementary stream as bytes with gaps. The continuity counter, and how many packets between two known ones
// did not arrive, tell whether packets of the stream are missing.
import { HoledBytes } from './holed-bytes.js';

export type PesStart = {
  /** In the elementary stream. */
  readonly offset: number;
  /** 90 kHz ticks, unwrapped; `null` where there is none or it did not arrive. */
  readonly present: number | null;
  readonly decode: number | null;
};

export type ElementaryStream = {
  readonly pid: number;
  /** stream_type of the PMT, or `null` where it did not arrive. */
  readonly type: number | null;
  /** stream_id of the PES headers. */
  readonly id: number;
  readonly data: HoledBytes;
  readonly starts: readonly PesStart[];
};

const syncByte = 0x47;
const payloadBytes = 184;

class StreamBuilder {
  id = -1;
  readonly starts: PesStart[] = [];
  /** In the place of the packets themselves no byte of it would lie behind those still to be read. */
  fitsInPlace = true;
  readonly #bytes: Buffer | null;
  readonly #gaps: [number, number][] = [];
  #length = 0;
  #counter = -1;
  /** Count of unknown packets in the file when the last packet of this stream was read. */
  #unknownThen = 0;
  #clock = 0;
  /** A packet before the first PES start: its bytes belong to a PES packet whose beginning is lost. */
  #begun = false;

  /** @param bytes written to; `null`: the stream is only measured */
  constructor(bytes: Buffer | null) {
    this.#bytes = bytes;
  }

  get length(): number {
    return this.#length;
  }

  /** @param unknown packets without a known header so far in the file */
  packet(
    data: HoledBytes,
    at: number,
    begins: boolean,
    counter: number,
    unknown: number,
    payload: number | null,
  ): void {
    const between = unknown - this.#unknownThen;
    const end = at + 4 + payloadBytes;
    if (this.#counter >= 0) {
      if (counter === this.#counter && between === 0) return; // sent twice
      const step = (counter - this.#counter + 15) & 15;
      // Behind more than 15 unknown packets the counter may have gone round.
      if (step > 0 || between > 15) this.#gap((step || 16) * payloadBytes, at);
    } else if (unknown > 0) {
      this.#gap(Math.min(16, unknown) * payloadBytes, at);
    }
    this.#counter = counter;
    this.#unknownThen = unknown;
    if (payload === null) {
      this.#gap(payloadBytes, end);
      return;
    }
    let from = at + payload;
    if (begins) {
      const header = this.#readPesHeader(data, from, end);
      this.#begun = true;
      if (header === null) {
        this.#gap(end - from, end);
        return;
      }
      from += header;
    } else if (!this.#begun) {
      this.#begun = true;
      this.#gap(payloadBytes, at);
    }
    const base = this.#length - from;
    for (let run = from; run < end; ) {
      const runEnd = Math.min(end, data.knownEnd(run));
      if (runEnd === run) {
        const next = Math.min(end, data.nextKnown(run));
        this.#gaps.push([base + run, base + next]);
        run = next;
      } else run = runEnd;
    }
    this.#take(end - from, end);
    if (this.#bytes) data.bytes.copy(this.#bytes, this.#length, from, end);
    this.#length += end - from;
  }

  /** @param unknown packets without a known header in the whole file. @param end of the file */
  finish(unknown: number, end: number): void {
    if (unknown > this.#unknownThen) this.#gap(payloadBytes, end);
  }

  /** @param type of the PMT */
  stream(pid: number, type: number | null): ElementaryStream {
    const data = new HoledBytes(this.#bytes!.subarray(0, this.#length), this.#gaps);
    return { pid, type, id: this.id, data, starts: this.starts };
  }

  /** @param read what lies before this place of the file is not needed any more */
  #gap(bytes: number, read: number): void {
    this.#take(bytes, read);
    this.#bytes?.fill(0, this.#length, this.#length + bytes);
    this.#gaps.push([this.#length, this.#length + bytes]);
    this.#length += bytes;
  }

  #take(bytes: number, read: number): void {
    if (this.#length + bytes > read) this.fitsInPlace = false;
  }

  /** @returns its length, or `null` where it is cut or none */
  #readPesHeader(data: HoledBytes, from: number, end: number): number | null {
    if (from + 9 > end || data.uint(from, 3) !== 1 || !data.isKnown(from, from + 9)) return null;
    const length = 9 + data.bytes[from + 8]!;
    if (from + length > end || !data.isKnown(from, from + length)) return null;
    this.id = data.bytes[from + 3]!;
    const flags = data.bytes[from + 7]! >> 6;
    const present = flags & 2 && length >= 14 ? this.#time(data.bytes, from + 9) : null;
    const decode = flags === 3 && length >= 19 ? this.#time(data.bytes, from + 14) : present;
    this.starts.push({ offset: this.#length, present, decode });
    return length;
  }

  /** 33 bits, unwrapped to lie near the last one. */
  #time(bytes: Buffer, at: number): number {
    const high = (bytes[at]! >> 1) & 7;
    const raw = high * 2 ** 30 + (bytes.readUInt16BE(at + 1) >> 1) * 2 ** 15 + (bytes.readUInt16BE(at + 3) >> 1);
    this.#clock = raw + Math.round((this.#clock - raw) / 2 ** 33) * 2 ** 33;
    return this.#clock;
  }
}

/**
 * Two walks, the first for sizes: a file may be large, and its packets are many.
 *
 * @param overwrite the bytes of `data` may be written over, which saves the memory for the largest stream; default `false`
 * @returns the streams that carry PES packets, in the order of their first packet
 */
export function readTransportStream(data: HoledBytes, overwrite = false): ElementaryStream[] {
  const framing = findFraming(data);
  if (!framing) return [];
  const sizes = walk(data, framing, () => null).streams;
  const bySize = [...sizes].sort(([, a], [, b]) => b.length - a.length);
  const largest = overwrite ? bySize.find(([, { fitsInPlace }]) => fitsInPlace)?.[0] : undefined;
  const { streams, types } = walk(data, framing, (pid) => {
    return pid === largest ? data.bytes : Buffer.alloc(sizes.get(pid)!.length);
  });
  return [...streams].map(([pid, stream]) => stream.stream(pid, types.get(pid) ?? null));
}

function walk(
  data: HoledBytes,
  framing: { first: number; stride: number },
  bytesFor: (pid: number) => Buffer | null,
): { streams: Map<number, StreamBuilder>; types: Map<number, number> } {
  const streams = new Map<number, StreamBuilder>();
  const types = new Map<number, number>();
  const tables = new Set([0]);
  let unknown = 0;
  for (let at = framing.first; at + 4 + payloadBytes <= data.length; at += framing.stride) {
    const header = data.uint(at, 4);
    const [pid, control] = header === null ? [0x1fff, 0] : [(header >> 8) & 0x1fff, (header >> 4) & 3];
    if (header === null || header >>> 24 !== syncByte || (header & 0x800000) !== 0) {
      unknown++;
      continue;
    }
    if (pid === 0x1fff || (control & 1) === 0) continue;
    const begins = (header & 0x400000) !== 0;
    let payload: number | null = 4;
    if (control === 3) {
      const adaptation = data.uint(at + 4, 1);
      payload = adaptation === null || adaptation > 182 ? null : 5 + adaptation;
    }
    if (tables.has(pid)) {
      if (begins && payload !== null) readTable(data, at + payload, at + 4 + payloadBytes, tables, types);
      continue;
    }
    if (pid < 0x20) continue;
    let stream = streams.get(pid);
    if (!stream) {
      stream = new StreamBuilder(bytesFor(pid));
      streams.set(pid, stream);
    }
    stream.packet(data, at, begins, header & 15, unknown, payload);
  }
  for (const stream of streams.values()) stream.finish(unknown, data.length);
  return { streams, types };
}

/** Packets of 188 bytes, or with 4 bytes of time stamp before or 16 of check bytes behind. */
function findFraming(data: HoledBytes): { first: number; stride: number } | null {
  for (const stride of [188, 192, 204]) {
    for (let first = 0; first < stride; first++) {
      let [seen, good] = [0, 0];
      for (let at = first; at < data.length && seen < 200; at += stride) {
        const byte = data.uint(at, 1);
        if (byte === null) continue;
        seen++;
        if (byte === syncByte) good++;
        if (seen === 8 && good < 6) break;
      }
      if (seen >= 5 && good >= 0.9 * seen) return { first, stride };
    }
  }
  return null;
}

/** PAT (table 0) and PMT (table 2) that lie in one packet, as they practically always do. */
function readTable(data: HoledBytes, from: number, end: number, tables: Set<number>, types: Map<number, number>): void {
  if (!data.isKnown(from, end)) return;
  const start = from + 1 + data.bytes[from]!;
  if (start + 12 > end) return;
  const table = data.bytes[start];
  const sectionEnd = Math.min(end, start + 3 + (data.uint(start + 1, 2)! & 0xfff)) - 4;
  if (table === 0) {
    for (let at = start + 8; at + 4 <= sectionEnd; at += 4) {
      if (data.uint(at, 2) !== 0) tables.add(data.uint(at + 2, 2)! & 0x1fff);
    }
  } else if (table === 2) {
    let at = start + 12 + (data.uint(start + 10, 2)! & 0xfff);
    for (; at + 5 <= sectionEnd; at += 5 + (data.uint(at + 3, 2)! & 0xfff)) {
      types.set(data.uint(at + 1, 2)! & 0x1fff, data.bytes[at]!);
    }
  }
}
