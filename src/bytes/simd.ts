// What WebAssembly with SIMD does over bytes that lie in the fast memory: CRCs of up to 16 bits, and whole frames. Where the machine
// has no SIMD nothing here is used.
import { instantiate, memory, takeFastMemory } from './fast-memory.js';
import { FRAMES_MODULE } from './wasm-modules.js';

export type SimdModule = {
  /** Takes a register (as in crc.ts) over `[at, at + size)` of the memory. */
  readonly advance: (tables: number, register: number, at: number, size: number) => number;
  /** Room of its own, from `takeFoldRoom`. */
  readonly useFoldRoom: (at: number) => void;
  /** See wasm/frames.ts; `layout` and `room` are addresses of what stands in the memory. */
  readonly scan: (
    layout: number,
    at: number,
    end: number,
    group: number,
    skip: number,
    lead: number,
    room: number,
  ) => number;
  readonly survey: (layout: number, at: number, end: number, group: number, skip: number, room: number) => number;
};

const BYTE_TABLE_BYTES = 512;
/** Bytes that the nibble tables lead on by, in the order in which the module has them. */
const LEADS = [64, 32, 16, 8, 4, 2];
const NIBBLE_TABLES_BYTES = 128;
/** The numbers from -64 on. */
const RAMP_BYTES = 144;
const RAMP_FROM = -64;
/** The three of folding, and their bounds: over shorter ones it would wait for itself, for longer ones there is no room. */
const DISTANCES_BYTES = 12;
const NEAREST = 128;
const FURTHEST = 900;
/** For folding, of one instance. */
const FOLD_ROOM_BYTES = 3 * 1024 + 4096;

let started: SimdModule | null | undefined;

/** Room that each instance needs for itself, as an address in this thread's memory; 0 where there is none left. */
export function takeFoldRoom(): number {
  return takeFastMemory(FOLD_ROOM_BYTES)?.byteOffset ?? 0;
}

/** Over another thread's memory, where this machine can. @param foldRoom from `takeFoldRoom` there */
export function simdOver(of: WebAssembly.Memory, foldRoom: number): SimdModule {
  const module = instantiate<SimdModule>(FRAMES_MODULE, of);
  module.useFoldRoom(foldRoom);
  return module;
}

/** `null` where the machine cannot. */
export function simd(): SimdModule | null {
  if (started !== undefined) return started;
  const isAble = !process.env['PASSWEAVE_PLAIN_CRC'] && WebAssembly.validate(Buffer.from(FRAMES_MODULE, 'base64'));
  started = isAble ? simdOver(memory, takeFoldRoom()) : null;
  return started;
}

/**
 * Lays out the tables of a CRC.
 *
 * @param table what each byte leaves in the register, 256 entries
 * @returns their address; `undefined` without SIMD
 */
export function simdTables(table: Uint16Array): number | undefined {
  const bytes = BYTE_TABLE_BYTES + LEADS.length * NIBBLE_TABLES_BYTES + RAMP_BYTES + DISTANCES_BYTES;
  const room = simd() ? takeFastMemory(bytes) : undefined;
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
  foldDistances((register) => overZeros(register, 1)).forEach((distance, i) => {
    room.writeUInt32LE(distance, ramp + RAMP_BYTES + 4 * i);
  });
  return tables;
}

/**
 * Three distances in bytes, rising, over which a CRC stays the same when each byte is added to those so far behind it and taken out:
 * the exponents of a multiple of its polynomial that has four terms. All 0 where none are short enough.
 *
 * @param overZero what one zero byte makes of a register
 */
function foldDistances(overZero: (register: number) => number): [number, number, number] {
  const powers = [1];
  const at = new Map<number, number>();
  for (let far = 1; far <= FURTHEST; far++) {
    powers.push(overZero(powers[far - 1]!));
    at.clear();
    for (let b = 1; b <= far - NEAREST; b++) {
      const c = at.get(powers[far]! ^ powers[b]! ^ powers[0]!);
      if (c !== undefined) return [far - b, far - c, far];
      at.set(powers[b]!, b);
    }
  }
  return [0, 0, 0];
}
