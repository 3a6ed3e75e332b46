// The fast form of CRCs of up to 16 bits: WebAssembly with SIMD, over bytes that lie in the fast memory. Where WebAssembly has no
// SIMD nothing here is used.
import { baseOf, instantiate, takeFastMemory } from './fast-memory.js';
import { CRC16_MODULE } from './wasm-modules.js';

/** Takes a register (as in crc.ts) over `[at, at + size)` of the memory; a size of 64 n + 1 is not for it. */
type AdvanceInMemory = (tables: number, register: number, at: number, size: number) => number;

const BYTE_TABLE_BYTES = 512;
/** Bytes that the nibble tables lead on by, in the order in which the module has them. */
const LEADS = [64, 32, 16, 8, 4, 2];
const NIBBLE_TABLES_BYTES = 128;
/** The numbers from -64 on. */
const RAMP_BYTES = 144;
const STEP = 64;

let started: AdvanceInMemory | null | undefined;

/** `null` where the machine cannot. */
function start(): AdvanceInMemory | null {
  if (started !== undefined) return started;
  const isAble = !process.env['PASSWEAVE_PLAIN_CRC'] && WebAssembly.validate(Buffer.from(CRC16_MODULE, 'base64'));
  started = isAble ? instantiate<{ advance: AdvanceInMemory }>(CRC16_MODULE).advance : null;
  return started;
}

/**
 * Makes the fast form of a CRC.
 *
 * @param table what each byte leaves in the register, 256 entries
 * @returns the register after `bytes[start, end)`, or -1 where those bytes do not lie in the memory; `undefined` without SIMD
 */
export function simdAdvance(
  table: Uint16Array,
): ((register: number, bytes: Uint8Array, start: number, end: number) => number) | undefined {
  const advance = start();
  const room = advance ? takeFastMemory(BYTE_TABLE_BYTES + LEADS.length * NIBBLE_TABLES_BYTES + RAMP_BYTES) : undefined;
  if (!advance || !room) return undefined;
  const tables = room.byteOffset;
  new Uint16Array(room.buffer, tables, 256).set(table.subarray(0, 256));
  const overZeros = (register: number, zeros: number): number => {
    let c = register;
    for (let i = 0; i < zeros; i++) c = (c >>> 8) ^ table[c & 0xff]!;
    return c;
  };
  // Of each nibble of the register, the low bytes it leads to, then the high bytes.
  LEADS.forEach((zeros, set) => {
    for (let nibble = 0; nibble < 4; nibble++) {
      for (let value = 0; value < 16; value++) {
        const result = overZeros(value << (4 * nibble), zeros);
        const at = BYTE_TABLE_BYTES + NIBBLE_TABLES_BYTES * set + 16 * nibble + value;
        room[at] = result & 0xff;
        room[at + 64] = result >>> 8;
      }
    }
  });
  const ramp = BYTE_TABLE_BYTES + LEADS.length * NIBBLE_TABLES_BYTES;
  for (let i = 0; i < RAMP_BYTES; i++) room[ramp + i] = i - STEP;
  return (register, bytes, from, to) => {
    const base = baseOf(bytes);
    if (base < 0) return -1;
    let c = register;
    let at = from;
    if ((to - from) % STEP === 1) c = (c >>> 8) ^ table[(c ^ bytes[at++]!) & 0xff]!;
    return advance(tables, c, base + at, to - at);
  };
}
