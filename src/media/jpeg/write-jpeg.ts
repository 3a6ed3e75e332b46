// Writes a baseline JPEG from quantised coefficients, which are kept bit by bit: ITU-T T.81, annexes B and F. MCUs that are missing
// are written as flat grey.
import { type BlockStore, dcAt } from './block-store.js';
import type { JpegFrame } from './header.js';
import { type HuffmanTable, standardAc, standardDc } from './huffman-table.js';
import type { McuBlock } from './resync.js';

/** All 64 of each block, MCU by MCU. */
export type Coefficients = BlockStore & {
  readonly frame: JpegFrame;
  /** By component, zigzag order. */
  readonly quantisation: readonly Uint16Array[];
  readonly blocks: readonly Pick<McuBlock, 'component'>[];
  /** The MCU in the store by MCU of the picture, -1 where it is missing. */
  readonly source: Int32Array;
};

/** @param extras segments to carry over (APP), each with its marker */
export function writeJpeg(coefficients: Coefficients, extras: readonly Uint8Array[] = []): Buffer {
  const { frame, quantisation } = coefficients;
  const tables = [...new Set(quantisation)];
  const wide = tables.some((table) => table.some((value) => value > 255));
  const colour = frame.components.length > 1;
  const parts: Buffer[] = [Buffer.from([0xff, 0xd8]), ...extras.map((extra) => Buffer.from(extra))];
  for (const [number, table] of tables.entries()) {
    const values = wide
      ? Buffer.from(Array.from(table).flatMap((v) => [v >> 8, v & 255]))
      : Buffer.from(Array.from(table));
    parts.push(segment(0xdb, [(wide ? 16 : 0) | number], values));
  }
  const { width, height, components } = frame;
  const described = components.flatMap(({ id, h, v }, c) => [id, (h << 4) | v, tables.indexOf(quantisation[c]!)]);
  const size = [8, height >> 8, height & 255, width >> 8, width & 255, components.length];
  // Baseline allows neither 16-bit quantisation nor more than two tables of each kind.
  parts.push(segment(wide ? 0xc1 : 0xc0, [...size, ...described]));
  for (let t = 0; t < (colour ? 2 : 1); t++) {
    parts.push(segment(0xc4, [t], Buffer.from(standardDc[t]!.definition)));
    parts.push(segment(0xc4, [16 | t], Buffer.from(standardAc[t]!.definition)));
  }
  const selected = components.flatMap(({ id }, c) => [id, c === 0 ? 0 : 0x11]);
  parts.push(segment(0xda, [components.length, ...selected, 0, 63, 0]));
  parts.push(encode(coefficients), Buffer.from([0xff, 0xd9]));
  return Buffer.concat(parts);
}

function segment(marker: number, head: readonly number[], rest: Buffer = Buffer.alloc(0)): Buffer {
  const length = 2 + head.length + rest.length;
  return Buffer.concat([Buffer.from([0xff, marker, length >> 8, length & 255, ...head]), rest]);
}

function encode({ blocks, store, begins, kept, source }: Coefficients): Buffer {
  let out = Buffer.allocUnsafe(1 << 20);
  let size = 0;
  let held = 0;
  let heldBits = 0;
  const put = (code: number, length: number) => {
    held = (held << length) | code;
    heldBits += length;
    while (heldBits >= 8) {
      const byte = (held >>> (heldBits - 8)) & 255;
      out[size++] = byte;
      if (byte === 255) out[size++] = 0;
      heldBits -= 8;
    }
    held &= (1 << heldBits) - 1;
  };
  const putValue = (table: HuffmanTable, run: number, value: number) => {
    const category = value === 0 ? 0 : 32 - Math.clz32(value < 0 ? -value : value);
    const symbol = (run << 4) | category;
    put(table.codes[symbol]!, table.lengths[symbol]!);
    if (category > 0) put(value < 0 ? value + (1 << category) - 1 : value, category);
  };
  let last = 0;
  const putCoefficient = (ac: HuffmanTable, k: number, value: number) => {
    let run = k - last - 1;
    for (; run > 15; run -= 16) put(ac.codes[0xf0]!, ac.lengths[0xf0]!);
    putValue(ac, run, value);
    last = k;
  };
  const before = new Int32Array(4);
  for (const mcu of source) {
    if (out.length - size < 4 * 64 * blocks.length + 16) {
      const grown = Buffer.allocUnsafe(Math.ceil(1.6 * out.length));
      out.copy(grown, 0, 0, size);
      out = grown;
    }
    for (let b = 0; b < blocks.length; b++) {
      const { component } = blocks[b]!;
      const block = blocks.length * mcu + b;
      const at = mcu < 0 ? -1 : dcAt({ begins, kept }, block);
      const dc = standardDc[component === 0 ? 0 : 1];
      const ac = standardAc[component === 0 ? 0 : 1];
      const level = mcu < 0 ? 0 : store[at]!;
      const step = Math.max(-2047, Math.min(2047, level - before[component]!));
      putValue(dc, 0, step);
      before[component]! += step;
      last = 0;
      if (begins && mcu >= 0) {
        for (let n = at + 1; n < begins[block + 1]!; n += 2) putCoefficient(ac, store[n]!, store[n + 1]!);
      } else if (mcu >= 0) {
        for (let k = 1; k < 64; k++) if (store[at + k] !== 0) putCoefficient(ac, k, store[at + k]!);
      }
      if (last < 63) put(ac.codes[0]!, ac.lengths[0]!);
    }
  }
  if (heldBits > 0) put((1 << (8 - heldBits)) - 1, 8 - heldBits);
  return out.subarray(0, size);
}
