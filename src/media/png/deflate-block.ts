// Codes of deflate blocks (RFC 1951, 3.2): read strictly, so that a block's beginning can be told from bits that happen to
// look like one.

/** For the next bits of the stream, as many as the longest code has: symbol * 16 + length of its code; 0 = no code. */
export type CodeTable = { readonly entries: Uint16Array; readonly bits: number };
/** Codes of one block; `distances` is empty where it copies nothing. */
export type BlockCodes = { readonly literals: CodeTable; readonly distances: CodeTable };
export type BlockHeader = {
  readonly last: boolean;
  /** `null`: bytes as they are. */
  readonly codes: BlockCodes | null;
  /** Bytes of a stored block. */
  readonly stored: number;
  /** Its codes were written with it: chance does not make such a header. */
  readonly telling: boolean;
  /** Behind the header. */
  readonly bit: number;
};

const lengthOrder = [16, 17, 18, 0, 8, 7, 9, 6, 10, 5, 11, 4, 12, 3, 13, 2, 14, 1, 15];
const none: CodeTable = { entries: new Uint16Array(1), bits: 0 };

/** At least 17 bits of the stream from `bit` on; zeros behind the end. */
export function peekBits(data: Uint8Array, bit: number): number {
  const at = bit >>> 3;
  return (data[at]! | (data[at + 1]! << 8) | (data[at + 2]! << 16)) >>> (bit & 7);
}

/**
 * The header of the block that begins at `bit`, or `null` where none can, or not all of it lies before `endBit`.
 *
 * @param data zeros or anything behind `endBit`; not kept
 */
export function readBlockHeader(data: Uint8Array, bit: number, endBit: number): BlockHeader | null {
  if (bit + 3 > endBit) return null;
  const start = peekBits(data, bit);
  const last = (start & 1) === 1;
  const kind = (start >> 1) & 3;
  if (kind === 3) return null;
  if (kind === 1) return { last, codes: fixedCodes(), stored: 0, telling: false, bit: bit + 3 };
  if (kind === 2) {
    const read = readCodes(data, bit + 3, endBit);
    return read && { last, codes: read.codes, stored: 0, telling: true, bit: read.bit };
  }
  const at = (bit + 3 + 7) >>> 3;
  if (8 * (at + 4) > endBit) return null;
  const stored = data[at]! | (data[at + 1]! << 8);
  if ((stored ^ (data[at + 2]! | (data[at + 3]! << 8))) !== 0xffff) return null;
  return { last, codes: null, stored, telling: false, bit: 8 * (at + 4) };
}

function readCodes(data: Uint8Array, from: number, endBit: number): { codes: BlockCodes; bit: number } | null {
  if (from + 14 > endBit) return null;
  const counts = peekBits(data, from);
  const literals = 257 + (counts & 31);
  const distances = 1 + ((counts >> 5) & 31);
  const given = 4 + ((counts >> 10) & 15);
  let bit = from + 14;
  if (literals > 286 || distances > 30 || bit + 3 * given > endBit) return null;
  // Asked at a quarter of all bits where no piece begins, and hardly ever true: nothing is made before.
  let room = 128;
  for (let i = 0; i < given; i++) {
    const length = peekBits(data, bit + 3 * i) & 7;
    if (length > 0) room -= 128 >> length;
  }
  if (room !== 0) return null;
  const own = new Uint8Array(19);
  for (let i = 0; i < given; i++, bit += 3) own[lengthOrder[i]!] = peekBits(data, bit) & 7;
  const table = codeTable(own)!;
  const lengths = new Uint8Array(literals + distances);
  for (let i = 0; i < lengths.length; ) {
    const entry = table.entries[peekBits(data, bit) & ((1 << table.bits) - 1)]!;
    const symbol = entry >> 4;
    bit += entry & 15;
    let [repeat, value] = [1, symbol];
    if (symbol >= 16) {
      if (symbol === 16 && i === 0) return null;
      const [extra, least] = symbol === 16 ? [2, 3] : symbol === 17 ? [3, 3] : [7, 11];
      repeat = least + (peekBits(data, bit) & ((1 << extra) - 1));
      value = symbol === 16 ? lengths[i - 1]! : 0;
      bit += extra;
    }
    if (bit > endBit || i + repeat > lengths.length) return null;
    lengths.fill(value, i, i + repeat);
    i += repeat;
  }
  // Without an end no block is whole.
  if (lengths[256] === 0) return null;
  const [first, second] = [codeTable(lengths.subarray(0, literals)), codeTable(lengths.subarray(literals), true)];
  return first && second && { codes: { literals: first, distances: second }, bit };
}

/** `null` where the lengths make no complete code; a single distance, or none, need not be one. */
function codeTable(lengths: Uint8Array, mayBeSingle = false): CodeTable | null {
  const counts = new Uint16Array(16);
  for (const length of lengths) counts[length]!++;
  const used = lengths.length - counts[0]!;
  if (used === 0) return mayBeSingle ? none : null;
  let [room, bits] = [32768, 0];
  const next = new Uint16Array(16);
  for (let length = 1, code = 0; length < 16; length++) {
    next[length] = code;
    code = (code + counts[length]!) << 1;
    room -= counts[length]! * (32768 >> length);
    if (counts[length]! > 0) bits = length;
  }
  if (room < 0 || (room > 0 && !(mayBeSingle && used === 1))) return null;
  const entries = new Uint16Array(1 << bits);
  for (const [symbol, length] of lengths.entries()) {
    if (length === 0) continue;
    let code = next[length]!++;
    let turned = 0;
    for (let i = 0; i < length; i++, code >>= 1) turned = (turned << 1) | (code & 1);
    for (let at = turned; at < entries.length; at += 1 << length) entries[at] = (symbol << 4) | length;
  }
  return { entries, bits };
}

let fixed: BlockCodes | null = null;

/** RFC 1951, 3.2.6. */
function fixedCodes(): BlockCodes {
  const lengths = Uint8Array.from({ length: 288 }, (_, i) => (i < 144 ? 8 : i < 256 ? 9 : i < 280 ? 7 : 8));
  fixed ??= { literals: codeTable(lengths)!, distances: codeTable(new Uint8Array(32).fill(5))! };
  return fixed;
}
