// What WebAssembly with SIMD does over bytes that lie in the fast memory: CRCs of up to 16 bits, and whole frames. Where the machine
// has no SIMD nothing here is used.
import { instantiate, memory, takeFastMemory } from './fast-memory.js';
import { FRAMES_MODULE } from './wasm-modules.js';

type Walk = (
  layout: number,
  at: number,
  end: number,
  group: number,
  skip: number,
  runs: number,
  mostRuns: number,
  hashes: number,
  mostFrames: number,
) => number;

export type SimdModule = {
  /** Takes a register (as in crc.ts) over `[at, at + size)` of the memory. */
  readonly advance: (tables: number, register: number, at: number, size: number) => number;
  /** See wasm/frames.ts. */
  readonly scan: Walk;
  readonly survey: Walk;
};

const BYTE_TABLE_BYTES = 512;
/** Bytes that the nibble tables lead on by, in the order in which the module has them. */
const LEADS = [64, 32, 16, 8, 4, 2];
const NIBBLE_TABLES_BYTES = 128;
/** The numbers from -64 on. */
const RAMP_BYTES = 144;
const RAMP_FROM = -64;

let started: SimdModule | null | undefined;

/** Over another thread's memory, where this machine can. */
export function simdOver(of: WebAssembly.Memory): SimdModule {
  return instantiate<SimdModule>(FRAMES_MODULE, of);
}

/** `null` where the machine cannot. */
export function simd(): SimdModule | null {
  if (started !== undefined) return started;
  const isAble = !process.env['PASSWEAVE_PLAIN_CRC'] && WebAssembly.validate(Buffer.from(FRAMES_MODULE, 'base64'));
  started = isAble ? simdOver(memory) : null;
  return started;
}

/**
 * Lays out the tables of a CRC.
 *
 * @param table what each byte leaves in the register, 256 entries
 * @returns their address; `undefined` without SIMD
 */
export function simdTables(table: Uint16Array): number | undefined {
  const room = simd() ? takeFastMemory(BYTE_TABLE_BYTES + LEADS.length * NIBBLE_TABLES_BYTES + RAMP_BYTES) : undefined;
  if (!room) return undefined;
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
  for (let i = 0; i < RAMP_BYTES; i++) room[ramp + i] = i + RAMP_FROM;
  return tables;
}
