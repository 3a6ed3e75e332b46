// The parameter sets of a clip: those it carries, and those known from elsewhere (a whole clip of the same campaign, the
// mission file), as NAL units or as the configuration records of ISO/IEC 14496-15 (avcC, hvcC).
import { HoledBytes } from './holed-bytes.js';
import { splitByteStream } from './nal-units.js';

/** One kind of parameter sets: each content read once, the last one of each identifier in force. */
export class ParameterStore<Set extends { readonly id: number }> {
  readonly active: Map<number, Set> = new Map();
  /** An identifier was used for different contents. */
  varying = false;
  readonly #read: (unit: Uint8Array) => Set | null;
  readonly #byContent: Map<string, Set | null> = new Map();

  constructor(read: (unit: Uint8Array) => Set | null) {
    this.#read = read;
  }

  /** @param unit a whole NAL unit; copied */
  learn(unit: Uint8Array): void {
    const content = Buffer.from(unit).toString('latin1');
    let set = this.#byContent.get(content);
    if (set === undefined) {
      set = this.#read(unit);
      this.#byContent.set(content, set);
      if (set && this.active.has(set.id)) this.varying = true;
    }
    if (set) this.active.set(set.id, set);
  }
}

/**
 * The NAL units in what is known from elsewhere.
 *
 * @param known an avcC or hvcC record, a byte stream with start codes, or one bare NAL unit; not copied
 */
export function parameterUnits(known: Uint8Array): Buffer[] {
  const bytes = Buffer.from(known.buffer, known.byteOffset, known.byteLength);
  if (bytes.length < 4) return [];
  if (bytes[0] === 1) return avcUnits(bytes) ?? hvcUnits(bytes) ?? [];
  if (bytes.readUInt16BE(0) !== 0) return [bytes];
  const pieces = splitByteStream(new HoledBytes(bytes, []), 1);
  return [...pieces].flatMap((piece) => ('hole' in piece ? [] : [bytes.subarray(piece.start, piece.end)]));
}

/** avcC: 5.3.3.1 of ISO/IEC 14496-15. */
function avcUnits(record: Buffer): Buffer[] | null {
  if (record.length < 7 || (record[4]! & 0xfc) !== 0xfc) return null;
  const units: Buffer[] = [];
  let at = 5;
  for (const mask of [0x1f, 0xff]) {
    const count = (record[at++] ?? 0) & mask;
    at = takeUnits(record, at, count, units);
    if (at < 0) return null;
  }
  return units;
}

/** hvcC: 8.3.3.1 of ISO/IEC 14496-15. */
function hvcUnits(record: Buffer): Buffer[] | null {
  if (record.length < 23) return null;
  const units: Buffer[] = [];
  let at = 23;
  for (let array = 0; array < record[22]!; array++) {
    if (at + 3 > record.length) return null;
    at = takeUnits(record, at + 3, record.readUInt16BE(at + 1), units);
    if (at < 0) return null;
  }
  return units;
}

function takeUnits(record: Buffer, from: number, count: number, units: Buffer[]): number {
  let at = from;
  for (let i = 0; i < count; i++) {
    if (at + 2 > record.length) return -1;
    const end = at + 2 + record.readUInt16BE(at);
    if (end > record.length) return -1;
    units.push(record.subarray(at + 2, end));
    at = end;
  }
  return at;
}
