// The fields of the mission's own frame: read one by one in hot loops, written by the encoder, and all at once for `inspect`.
// Bits are numbered as CCSDS and ETSI number them in their figures: bit 0 is the most significant bit of its byte.
// The field list of the mission file is the only statement of the layout; the test holds the fast readers equal to the parser.
import { Parser } from 'binary-parser';
import type { FrameField, FrameLayout } from './mission.js';

export type FrameFieldName = keyof FrameLayout['fields'];

/** Every field a mission file may name, in the order of its documentation. */
export const FRAME_FIELD_NAMES: readonly FrameFieldName[] = [
  'counter',
  'file',
  'segment',
  'offset',
  'segments',
  'bytes',
  'length',
];

/** Reads one field of the frame that starts at `bytes[frameStart]`; the caller has made sure that the frame is all there. */
export type FieldReader = (bytes: Uint8Array, frameStart: number) => number;

/** Bytes touched by a field, counted from its first. */
const spanBytes = ({ bit, bits }: FrameField): number => Math.ceil((bit + bits) / 8);

/** Makes the reader of one field, up to 48 bits wide. It makes no objects and keeps nothing of the bytes. */
export function compileField(field: FrameField): FieldReader {
  const { at, bit, bits, endian } = field;
  if (endian === 'little') {
    const last = at + bits / 8 - 1;
    return (bytes, frameStart) => {
      let value = 0;
      for (let i = frameStart + last; i >= frameStart + at; i--) value = value * 256 + bytes[i]!;
      return value;
    };
  }
  if (bit === 0 && bits === 8) return (bytes, frameStart) => bytes[frameStart + at]!;
  if (bit === 0 && bits === 16) {
    return (bytes, frameStart) => (bytes[frameStart + at]! << 8) | bytes[frameStart + at + 1]!;
  }
  if (bit === 0 && bits === 24) {
    return (bytes, frameStart) => {
      const i = frameStart + at;
      return (bytes[i]! << 16) | (bytes[i + 1]! << 8) | bytes[i + 2]!;
    };
  }
  if (bit === 0 && bits === 32) {
    return (bytes, frameStart) => {
      const i = frameStart + at;
      return ((bytes[i]! << 24) | (bytes[i + 1]! << 16) | (bytes[i + 2]! << 8) | bytes[i + 3]!) >>> 0;
    };
  }
  const span = spanBytes(field);
  const firstMask = 0xff >> bit;
  const below = 8 * span - bit - bits; // bits of the last byte that are not the field's
  if (span === 1) return (bytes, frameStart) => (bytes[frameStart + at]! & firstMask) >> below;
  return (bytes, frameStart) => {
    const first = frameStart + at;
    const last = first + span - 1;
    let value = bytes[first]! & firstMask;
    for (let i = first + 1; i < last; i++) value = value * 256 + bytes[i]!;
    // The last byte goes in by its own bits only, so that 48 bits that start inside a byte stay below 2^53.
    return value * 2 ** (8 - below) + (bytes[last]! >> below);
  };
}

/**
 * Writes one field of the frame that starts at `bytes[frameStart]`; all other bits stay as they are.
 *
 * @throws RangeError when `value` is not a whole number that fits, or the field does not lie in `bytes`
 */
export function writeField(field: FrameField, bytes: Uint8Array, frameStart: number, value: number): void {
  const { at, bit, bits, endian } = field;
  if (!Number.isInteger(value) || value < 0 || value >= 2 ** bits) {
    throw new RangeError(`a value from 0 to ${2 ** bits - 1} fits the ${bits}-bit field at byte ${at}, got ${value}`);
  }
  const first = frameStart + at;
  const span = spanBytes(field);
  if (first < 0 || first + span > bytes.length) {
    throw new RangeError(`a field in bytes [${first}, ${first + span}) of ${bytes.length} bytes`);
  }
  const below = 8 * span - bit - bits;
  let rest = value;
  for (let n = span - 1; n >= 0; n--) {
    const low = n === span - 1 ? below : 0;
    const width = 8 - low - (n === 0 ? bit : 0);
    const mask = (2 ** width - 1) << low;
    const i = endian === 'little' ? first + span - 1 - n : first + n;
    bytes[i] = (bytes[i]! & ~mask) | ((rest % 2 ** width) << low);
    rest = Math.floor(rest / 2 ** width);
  }
}

/** What the parser reads for one field: the value is the sum of `parts` times `weights`. */
type Parts = { readonly keys: string[]; readonly weights: number[] };

const bitOf = (field: FrameField): number => 8 * field.at + field.bit;

/**
 * Makes the reader of a whole frame header by a binary-parser chain: clear, and far too slow for every frame.
 *
 * @returns `parse(frame)` gives the fields by name; `frame` starts with the marker, is not copied and not kept; it throws
 *   RangeError when the frame is shorter than the layout says
 */
export function frameHeaderParser(layout: FrameLayout): { parse(frame: Uint8Array): Record<string, number> } {
  const parser = new Parser().endianess('big');
  const fields = FRAME_FIELD_NAMES.flatMap((name) => {
    const field = layout.fields[name];
    return field ? [{ name, field }] : [];
  }).sort((a, b) => bitOf(a.field) - bitOf(b.field)); // wire order

  const chain = new ParserChain(parser);
  if (layout.marker.length > 0) chain.marker(layout.marker.length);
  const parts = fields.map(({ name, field }) => ({ name, ...chain.field(name, field) }));
  chain.align();

  return {
    parse: (frame) => {
      if (frame.length < layout.length) {
        throw new RangeError(`a frame is ${layout.length} bytes, got ${frame.length}`);
      }
      const raw = parser.parse(frame) as Record<string, number>;
      return Object.fromEntries(
        parts.map(({ name, keys, weights }) => [name, keys.reduce((sum, key, i) => sum + raw[key]! * weights[i]!, 0)]),
      );
    },
  };
}

/**
 * Appends fields to a binary-parser chain, with the cursor the library does not show. The library reads a run of bit
 * fields in words of up to 32 bits from the run's start, so no part of a field crosses such a border.
 */
class ParserChain {
  readonly #parser: Parser;
  /** Bit reached, and the byte where the present run of bit fields began. */
  #cursor = 0;
  #runStart = 0;
  #spares = 0;

  constructor(parser: Parser) {
    this.#parser = parser;
  }

  marker(length: number): void {
    this.#parser.buffer('marker', { length });
    this.#cursor += 8 * length;
    this.#runStart = length;
  }

  field(name: FrameFieldName, field: FrameField): Parts {
    this.#goTo(bitOf(field));
    const { bits, bit, endian } = field;
    if (bit === 0 && (bits === 8 || bits === 16 || bits === 32)) {
      if (bits === 8) this.#parser.uint8(name);
      else if (bits === 16) endian === 'big' ? this.#parser.uint16be(name) : this.#parser.uint16le(name);
      else endian === 'big' ? this.#parser.uint32be(name) : this.#parser.uint32le(name);
      this.#cursor += bits;
      this.#runStart = this.#cursor / 8;
      return { keys: [name], weights: [1] };
    }
    if (endian === 'little') {
      const keys = Array.from({ length: bits / 8 }, (_, i) => `${name}_${i}`);
      for (const key of keys) this.#parser.uint8(key);
      this.#cursor += bits;
      this.#runStart = this.#cursor / 8;
      return { keys, weights: keys.map((_, i) => 256 ** i) };
    }
    return this.#bits(name, bits);
  }

  /** Fills the run of bit fields up to a whole byte. */
  align(): void {
    const rest = -this.#cursor & 7;
    if (rest > 0) this.#bits(`spare${this.#spares++}`, rest);
  }

  #goTo(bit: number): void {
    if (Math.floor(bit / 8) >= Math.ceil(this.#cursor / 8)) {
      this.align();
      const gap = Math.floor(bit / 8) - this.#cursor / 8;
      if (gap > 0) {
        this.#parser.seek(gap);
        this.#cursor += 8 * gap;
        this.#runStart = this.#cursor / 8;
      }
    }
    if (bit > this.#cursor) this.#bits(`spare${this.#spares++}`, bit - this.#cursor);
  }

  #bits(name: string, bits: number): Parts {
    const parts: Parts = { keys: [], weights: [] };
    for (let left = bits; left > 0; ) {
      const room = 32 - ((this.#cursor - 8 * this.#runStart) % 32);
      const width = Math.min(left, room);
      const key = `${name}_${parts.keys.length}`;
      // The library has one method a width: bit1 to bit32.
      this.#parser[`bit${width}` as 'bit1'](key);
      this.#cursor += width;
      left -= width;
      parts.keys.push(key);
      parts.weights.push(2 ** left);
    }
    return parts;
  }
}
