// Huffman tables of JPEG: ITU-T T.81, annex C (how codes follow from lengths), F.2.2.3 (decoding), K.3 (the tables that most
// cameras use and that can code every coefficient of an 8-bit picture).

/** Bits that the first look-up takes at once; longer codes are found by comparing with the largest code of each length. */
export const lookupBits = 10;

export type HuffmanTable = {
  /** By the next ten bits: code length << 8 | symbol, or 0 where the code is longer or none. */
  readonly lookup: Uint16Array;
  /** By length 1 to 16: one more than the largest code of that length, moved up to 16 bits. */
  readonly limit: Int32Array;
  /** By length: index of its first symbol less its first code. */
  readonly offset: Int32Array;
  readonly symbols: Uint8Array;
  /** For writing, by symbol: code, and its length or 0 where the symbol has none. */
  readonly codes: Uint16Array;
  readonly lengths: Uint8Array;
  /** The table as DHT holds it: sixteen counts, then the symbols. */
  readonly definition: Uint8Array;
};

/**
 * Builds a table from its definition.
 *
 * @param definition sixteen counts, then the symbols; copied
 * @returns `null` where counts and symbols do not make a code
 */
export function buildHuffmanTable(definition: Uint8Array): HuffmanTable | null {
  const total = definition.subarray(0, 16).reduce((sum, count) => sum + count, 0);
  if (definition.length !== 16 + total || total === 0 || total > 256) return null;
  const own = definition.slice();
  const symbols = own.subarray(16);
  const lookup = new Uint16Array(1 << lookupBits);
  const limit = new Int32Array(18);
  const offset = new Int32Array(18);
  const codes = new Uint16Array(256);
  const lengths = new Uint8Array(256);
  for (let length = 1, code = 0, index = 0; length <= 16; length++, code <<= 1) {
    offset[length] = index - code;
    for (let n = own[length - 1]!; n > 0; n--, code++, index++) {
      if (code >= 1 << length) return null;
      const symbol = symbols[index]!;
      codes[symbol] = code;
      lengths[symbol] = length;
      if (length > lookupBits) continue;
      const first = code << (lookupBits - length);
      lookup.fill((length << 8) | symbol, first, first + (1 << (lookupBits - length)));
    }
    limit[length] = code << (16 - length);
  }
  return { lookup, limit, offset, symbols, codes, lengths, definition: own };
}

const hex = (text: string) => Uint8Array.from(text.match(/../g)!, (pair) => Number.parseInt(pair, 16));

const standard = (definition: string): HuffmanTable => buildHuffmanTable(hex(definition))!;

/** Tables K.3 to K.6: luminance first, then chrominance. */
export const standardDc: readonly [HuffmanTable, HuffmanTable] = [
  standard('00010501010101010100000000000000000102030405060708090a0b'),
  standard('00030101010101010101010000000000000102030405060708090a0b'),
];

export const standardAc: readonly [HuffmanTable, HuffmanTable] = [
  standard(
    '0002010303020403050504040000017d' +
      '01020300041105122131410613516107227114328191a1082342b1c11552d1f02433627282090a161718191a25262728292a3435363738393a' +
      '434445464748494a535455565758595a636465666768696a737475767778797a838485868788898a92939495969798999aa2a3a4a5a6a7a8a9' +
      'aab2b3b4b5b6b7b8b9bac2c3c4c5c6c7c8c9cad2d3d4d5d6d7d8d9dae1e2e3e4e5e6e7e8e9eaf1f2f3f4f5f6f7f8f9fa',
  ),
  standard(
    '00020102040403040705040400010277' +
      '0001020311040521310612415107617113223281081442' +
      '91a1b1c109233352f0156272d10a162434e125f11718191a262728292a35363738393a434445464748494a535455565758595a636465666768' +
      '696a737475767778797a82838485868788898a92939495969798999aa2a3a4a5a6a7a8a9aab2b3b4b5b6b7b8b9bac2c3c4c5c6c7c8c9cad2d3' +
      'd4d5d6d7d8d9dae2e3e4e5e6e7e8e9eaf2f3f4f5f6f7f8f9fa',
  ),
];
