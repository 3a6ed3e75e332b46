// DVB-S2 baseband frames (EN 302 307-1, 5.1.6): finds them in a byte stream by content, checks the header's CRC-8 and hands
// on the data fields. Records may be fixed (Kbch / 8 bytes, padded) or variable (10 + DFL / 8 bytes); which one is found out.
import { Parser } from 'binary-parser';
import { z } from 'zod';
import { makeCrc } from '../bytes/crc.js';
import { CRC_CATALOGUE } from '../bytes/crc-catalogue.js';
import { RollingBuffer } from '../bytes/rolling-buffer.js';
import type { Decoder, Encoder, LayerCounts, LayerDefinition, Receiver } from './layer.js';

const HEADER_BYTES = 10;
const MAX_DFL_BITS = 58112;
const NO_SYNC = 65535;

/** Baseband frame sizes Kbch / 8 in bytes, EN 302 307-1 tables 5a (normal) and 5b (short). */
export const KBCH_BYTES: readonly number[] = [
  2001, 2676, 3216, 4026, 4836, 5380, 6051, 6456, 6730, 7184, 7274, 384, 654, 789, 879, 1194, 1329, 1464, 1554, 1644,
  1779,
].sort((a, b) => a - b);

/** TS/GS, the two highest bits of MATYPE-1. */
export const STREAM_TYPE = { packetized: 0, continuous: 1, hem: 2, transport: 3 } as const;

/** A baseband header in the standard's own units: `upl`, `dfl` and `syncd` count bits. */
export type BasebandHeader = {
  matype1: number;
  matype2: number;
  upl: number;
  dfl: number;
  sync: number;
  syncd: number;
  crc8: number;
};

const layout = new Parser()
  .endianess('big')
  .uint8('matype1') // 0 stream format, one input or several, CCM or ACM, ISSY, null-packet deletion, roll-off
  .uint8('matype2') // 1 input stream identifier, when there are several
  .uint16('upl') // 2 user packet length, bits; 0 for a continuous stream
  .uint16('dfl') // 4 data field length, bits
  .uint8('sync') // 6 copy of the user packet's sync byte
  .uint16('syncd') // 7 bits to the first user packet that starts here; 65535 = none
  .uint8('crc8'); // 9 over bytes 0 to 8

const crc8 = makeCrc(CRC_CATALOGUE['CRC-8/DVB-S2']);

/**
 * Reads the baseband header at the start of `frame`.
 *
 * @param frame descrambled, at least 10 bytes; not copied, not kept
 * @returns the fields, or `null` where the CRC-8 fails
 * @throws RangeError when `frame` is shorter: the caller's mistake, not damage
 * @see EN 302 307-1, 5.1.6
 */
export function readBasebandHeader(frame: Uint8Array): BasebandHeader | null {
  if (frame.length < HEADER_BYTES) throw new RangeError(`a baseband header is 10 bytes, got ${frame.length}`);
  if (crc8(frame, 0, 9) !== frame[9]) return null;
  return layout.parse(frame) as BasebandHeader;
}

/** Writes the 10 header bytes, the CRC-8 computed. */
export function writeBasebandHeader(header: Omit<BasebandHeader, 'crc8'>): Uint8Array {
  const { matype1, matype2, upl, dfl, sync, syncd } = header;
  const bytes = new Uint8Array(HEADER_BYTES);
  bytes.set([matype1, matype2, upl >> 8, upl & 255, dfl >> 8, dfl & 255, sync, syncd >> 8, syncd & 255]);
  bytes[9] = crc8(bytes, 0, 9);
  return bytes;
}

/**
 * Whether a header stands at `at`: CRC-8 right and the fields possible. The CRC alone passes once in 256, and for ten zero bytes.
 * The hot path reads by offset what `layout` states; a test holds the two equal.
 */
function isHeaderAt(bytes: Uint8Array, at: number): boolean {
  const dfl = (bytes[at + 4]! << 8) | bytes[at + 5]!;
  if ((dfl & 7) !== 0 || dfl === 0 || dfl > MAX_DFL_BITS) return false;
  const syncd = (bytes[at + 7]! << 8) | bytes[at + 8]!;
  if (syncd !== NO_SYNC && syncd >= dfl) return false;
  const upl = (bytes[at + 2]! << 8) | bytes[at + 3]!;
  const type = bytes[at]! >> 6;
  if (type === STREAM_TYPE.continuous ? upl !== 0 : type !== STREAM_TYPE.hem && (upl === 0 || (upl & 7) !== 0)) {
    return false;
  }
  return crc8(bytes, at, at + 9) === bytes[at + 9];
}

function dataBytesAt(bytes: Uint8Array, at: number): number {
  return ((bytes[at + 4]! << 8) | bytes[at + 5]!) >> 3;
}

type Options = {
  /** Input stream identifier; absent = the first one seen. */
  isi?: number | undefined;
  /** For the encoder: bytes of one baseband frame, Kbch / 8. Default 4026. */
  frame?: number | undefined;
  /** For the encoder: records padded to `frame` (default), or ending after the data field. */
  record?: 'fixed' | 'variable' | undefined;
};

const optionsSchema: z.ZodType<Options> = z.strictObject({
  isi: z.number().int().min(0).max(255).optional(),
  frame: z.number().int().min(HEADER_BYTES + 1).max(7274).optional(),
  record: z.enum(['fixed', 'variable']).optional(),
});

export const dvbS2: LayerDefinition<Options> = {
  name: 'dvb-s2',
  source: 'EN 302 307-1, 5.1.6',
  options: optionsSchema,
  decoder: (options, next) => new BasebandDecoder(options, next),
  encoder: (options, emit) => new BasebandEncoder(options, emit),
};

/** How far a damaged place is searched for the next header before it counts as garbage: four of the longest frames. */
const SEARCH_BYTES = 4 * 7274;

/**
 * States: hunting (`#pitch` unknown or lost) and on the grid. Every decision waits for a fixed number of bytes ahead, so it does
 * not depend on how the stream was cut into blocks.
 */
class BasebandDecoder implements Decoder {
  readonly #next: Receiver;
  readonly #isi: number | undefined;
  readonly #buffer = new RollingBuffer();
  /** Offset in the recording of `#buffer.bytes[0]`. */
  #base = 0;
  #onGrid = false;
  /** Bytes of a fixed record, 0 for variable ones, -1 while not known. */
  #pitch = -1;
  /** MATYPE-1 and UPL of a confirmed header: later ones of the same kind need no second witness. */
  #kind = -1;
  #stream = -1;
  #lastDataBytes = 0;
  readonly #counts = { frames: 0, headersDamaged: 0, cut: 0, otherStreams: 0, garbageBytes: 0 };
  readonly #sizes = new Map<number, number>();
  readonly #streams = new Map<number, number>();

  constructor(options: Options, next: Receiver) {
    this.#isi = options.isi;
    this.#next = next;
  }

  push(buffer: Uint8Array, start: number, end: number, at: number): void {
    this.#buffer.append(buffer, start, end);
    this.#base = at + (end - start) - this.#buffer.end;
    this.#process(false);
  }

  gap(): void {
    this.#process(true);
    this.#buffer.clear();
    this.#next.gap();
  }

  unitEnd(): void {
    this.#process(true);
    this.#buffer.clear();
  }

  end(): void {
    this.#process(true);
    this.#next.end();
  }

  counts(): LayerCounts {
    const counts: Record<string, number> = { ...this.#counts };
    for (const [bytes, times] of this.#sizes) counts[`record of ${bytes} bytes`] = times;
    for (const [stream, times] of this.#streams) {
      counts[`${STREAM_NAMES[stream >> 9]}${stream & 256 ? '' : `, ISI ${stream & 255}`}`] = times;
    }
    return counts;
  }

  #process(final: boolean): void {
    const buffer = this.#buffer;
    let onward = true;
    while (onward && buffer.length > 0) onward = this.#onGrid ? this.#followGrid(final) : this.#hunt(final);
    if (final) {
      this.#counts.garbageBytes += buffer.length;
      buffer.clear();
    }
  }

  /** Looks for a header; the first of its kind needs a second header one record further on (or the recording's end there). */
  #hunt(final: boolean): boolean {
    const { bytes, start, end } = this.#buffer;
    const ahead = HEADER_BYTES + Math.max(...KBCH_BYTES);
    for (let at = start; at + HEADER_BYTES <= end; at++) {
      if (this.#kind >= 0 && bytes[at] !== this.#kind >>> 16) continue;
      if (!isHeaderAt(bytes, at)) continue;
      if (!final && at + ahead > end) {
        this.#skipTo(at);
        return false;
      }
      const known = this.#kind >= 0 && this.#isKnownKind(at);
      const pitch = this.#findPitch(at, final);
      if (pitch < 0 && !known) continue;
      if (pitch >= 0) this.#pitch = pitch;
      this.#skipTo(at);
      this.#kind = kindAt(bytes, at);
      this.#onGrid = true;
      return true;
    }
    this.#skipTo(Math.max(start, final ? end : end - HEADER_BYTES + 1));
    return false;
  }

  #skipTo(index: number): void {
    const skipped = index - this.#buffer.start;
    if (skipped === 0) return;
    this.#counts.garbageBytes += skipped;
    this.#next.gap();
    this.#buffer.start = index;
  }

  /** The record size that a header at `at` and its follower agree on: 0 for variable, else bytes; -1 when there is no follower. */
  #findPitch(at: number, final: boolean): number {
    const { bytes, end } = this.#buffer;
    const dataBytes = dataBytesAt(bytes, at);
    const least = HEADER_BYTES + dataBytes;
    const follows = (size: number): boolean =>
      at + size + HEADER_BYTES <= end
        ? isHeaderAt(bytes, at + size) && bytes[at + size] === bytes[at]
        : final && at + size === end;
    if (this.#pitch > 0 && follows(this.#pitch)) return this.#pitch;
    const size = KBCH_BYTES.find((kbch) => kbch >= least && follows(kbch));
    if (size !== undefined) return size;
    return follows(least) ? 0 : -1;
  }

  #isKnownKind(at: number): boolean {
    return kindAt(this.#buffer.bytes, at) === this.#kind;
  }

  #recordBytes(at: number): number {
    const least = HEADER_BYTES + dataBytesAt(this.#buffer.bytes, at);
    return this.#pitch > 0 ? Math.max(this.#pitch, least) : least;
  }

  /** A good header stands at the buffer's start: hands its data on, once it is known where the record ends. */
  #followGrid(final: boolean): boolean {
    const { bytes, start, end } = this.#buffer;
    const size = this.#recordBytes(start);
    if (start + size + HEADER_BYTES > end) {
      if (!final) return false;
      this.#emit(start, Math.min(end, start + HEADER_BYTES + dataBytesAt(bytes, start)), true);
      this.#counts.cut += start + HEADER_BYTES + dataBytesAt(bytes, start) > end ? 1 : 0;
      this.#buffer.start = Math.min(end, start + size);
      this.#onGrid = false;
      return true;
    }
    if (isHeaderAt(bytes, start + size)) {
      this.#emit(start, start + HEADER_BYTES + dataBytesAt(bytes, start), true);
      this.#buffer.start = start + size;
      return true;
    }
    return this.#bridge(size, final);
  }

  /** The next header is not where the grid wants it: its bytes are damaged, or bytes are missing, or garbage came between. */
  #bridge(size: number, final: boolean): boolean {
    const { bytes, start, end } = this.#buffer;
    if (!final && start + SEARCH_BYTES + HEADER_BYTES > end) return false;
    const limit = Math.min(end - HEADER_BYTES, start + SEARCH_BYTES);
    let found = start + HEADER_BYTES;
    while (found <= limit && !(bytes[found] === this.#kind >>> 16 && isHeaderAt(bytes, found) && this.#isKnownKind(found)))
      found++;
    const whole = start + HEADER_BYTES + dataBytesAt(bytes, start);
    if (found > limit || found >= start + size) {
      this.#emit(start, whole, true);
      const damaged = found > limit ? Number(final && start + 2 * size <= end) : (found - start) / size - 1;
      this.#buffer.start = start + size;
      // Whole records up to the next header: only their headers are damaged, and what they carry proves itself.
      if (Number.isInteger(damaged)) {
        for (let i = 0; i < damaged; i++) {
          const at = this.#buffer.start;
          this.#counts.headersDamaged++;
          this.#emit(at, at + Math.min(size, HEADER_BYTES + this.#lastDataBytes), false);
          this.#buffer.start = at + size;
        }
      }
      this.#onGrid = found <= limit && this.#buffer.start === found;
      return true;
    }
    this.#counts.cut++;
    this.#emit(start, Math.min(whole, found), true);
    this.#next.gap();
    this.#buffer.start = found;
    return true;
  }

  /** Hands on the data field of the record at `at`, up to `dataEnd`; without its header when that is damaged. */
  #emit(at: number, dataEnd: number, headerGood: boolean): void {
    const { bytes } = this.#buffer;
    const dataStart = at + HEADER_BYTES;
    let unitStart = -1;
    if (headerGood) {
      this.#counts.frames++;
      const single = (bytes[at]! >> 5) & 1;
      const stream = (bytes[at]! >> 6 << 9) | (single << 8) | (single ? 0 : bytes[at + 1]!);
      this.#streams.set(stream, (this.#streams.get(stream) ?? 0) + 1);
      const size = this.#recordBytes(at);
      this.#sizes.set(size, (this.#sizes.get(size) ?? 0) + 1);
      if (this.#stream < 0 && (this.#isi === undefined || single === 1 || bytes[at + 1] === this.#isi)) {
        this.#stream = stream;
      }
      if (stream !== this.#stream) {
        this.#counts.otherStreams++;
        return;
      }
      const syncd = (bytes[at + 7]! << 8) | bytes[at + 8]!;
      if (syncd !== NO_SYNC) unitStart = dataStart + (syncd >> 3);
      this.#lastDataBytes = dataBytesAt(bytes, at);
    }
    if (dataEnd <= dataStart) return;
    this.#next.push(bytes, dataStart, dataEnd, this.#base + dataStart, unitStart < dataEnd ? unitStart : -1);
    this.#next.unitEnd();
  }
}

const STREAM_NAMES = ['generic packetised', 'generic continuous', 'GSE-HEM', 'transport stream'] as const;

/** What successive headers of one stream share, in one number: MATYPE-1 (high byte) and UPL. */
function kindAt(bytes: Uint8Array, at: number): number {
  return (bytes[at]! << 16) | (bytes[at + 2]! << 8) | bytes[at + 3]!;
}

/** Packs units into generic continuous baseband frames (single input stream, CCM, roll-off 0.35), units crossing frames freely. */
class BasebandEncoder implements Encoder {
  readonly #emit: (frame: Uint8Array) => void;
  readonly #capacity: number;
  readonly #pad: boolean;
  #field: Uint8Array;
  #used = 0;
  #firstStart = -1;

  constructor(options: Options, emit: (frame: Uint8Array) => void) {
    this.#emit = emit;
    this.#capacity = (options.frame ?? 4026) - HEADER_BYTES;
    this.#pad = options.record !== 'variable';
    this.#field = new Uint8Array(this.#capacity);
  }

  push(unit: Uint8Array): void {
    if (this.#used === this.#capacity) this.flush();
    if (this.#firstStart < 0) this.#firstStart = this.#used;
    for (let from = 0; from < unit.length; ) {
      if (this.#used === this.#capacity) this.flush();
      const size = Math.min(unit.length - from, this.#capacity - this.#used);
      this.#field.set(unit.subarray(from, from + size), this.#used);
      this.#used += size;
      from += size;
    }
  }

  flush(): void {
    if (this.#used === 0) return;
    const header = writeBasebandHeader({
      matype1: (STREAM_TYPE.continuous << 6) | (1 << 5) | (1 << 4),
      matype2: 0,
      upl: 0,
      dfl: this.#used * 8,
      sync: 0,
      syncd: this.#firstStart < 0 ? NO_SYNC : this.#firstStart * 8,
    });
    const frame = new Uint8Array(HEADER_BYTES + (this.#pad ? this.#capacity : this.#used));
    frame.set(header);
    frame.set(this.#field.subarray(0, this.#used), HEADER_BYTES);
    this.#emit(frame);
    this.#used = 0;
    this.#firstStart = -1;
  }
}
