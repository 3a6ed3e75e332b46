// The fast form of CRCs of up to 16 bits: WebAssembly with SIMD, over bytes that lie in its memory. That memory is shared, so that
// what one thread reads into it another can look at without a copy. Where WebAssembly has no SIMD nothing here is used.
import { CRC_MODULE } from './crc-module.js';

/** Takes a register (as in crc.ts) over `[at, at + size)` of the memory. */
type AdvanceInMemory = (tables: number, register: number, at: number, size: number) => number;

const PAGE_BYTES = 65536;
/** Fixed, so that the memory's buffer stays the same object; pages never touched take no room. */
const MEMORY_BYTES = 64 << 20;
const SCRATCH_BYTES = 32;
const NIBBLE_TABLES_BYTES = 256;
const BYTE_TABLE_BYTES = 512;

let used = 0;
let started: { buffer: SharedArrayBuffer; advance: AdvanceInMemory } | null | undefined;

/** `null` where the machine cannot. */
function start(): typeof started {
  if (started !== undefined) return started;
  started = null;
  const binary = Buffer.from(CRC_MODULE, 'base64');
  if (process.env['PASSWEAVE_PLAIN_CRC'] || !WebAssembly.validate(binary)) return null;
  const pages = MEMORY_BYTES / PAGE_BYTES;
  const memory = new WebAssembly.Memory({ initial: pages, maximum: pages, shared: true });
  const { exports } = new WebAssembly.Instance(new WebAssembly.Module(binary), { env: { memory } });
  started = { buffer: memory.buffer as unknown as SharedArrayBuffer, advance: exports['advance'] as AdvanceInMemory };
  return started;
}

/**
 * Bytes in the memory over which CRCs are fast, for good: it cannot be given back.
 *
 * @returns `undefined` where there is no such memory or it is used up
 */
export function takeFastMemory(bytes: number): Buffer | undefined {
  const at = Math.ceil(used / 16) * 16;
  const fast = start();
  if (!fast || at + bytes > MEMORY_BYTES) return undefined;
  used = at + bytes;
  return Buffer.from(fast.buffer, at, bytes);
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
  const fast = start();
  const room = takeFastMemory(SCRATCH_BYTES + BYTE_TABLE_BYTES + NIBBLE_TABLES_BYTES);
  if (!fast || !room) return undefined;
  const { buffer, advance } = fast;
  const tables = room.byteOffset + SCRATCH_BYTES;
  const bytesTable = new Uint16Array(buffer, tables, 256);
  bytesTable.set(table.subarray(0, 256));
  const overZeros = (register: number, zeros: number): number => {
    let c = register;
    for (let i = 0; i < zeros; i++) c = (c >>> 8) ^ table[c & 0xff]!;
    return c;
  };
  // For 32 bytes on and for 16: of each nibble of the register, the low bytes it leads to, then the high bytes.
  [32, 16].forEach((zeros, set) => {
    for (let nibble = 0; nibble < 4; nibble++) {
      for (let value = 0; value < 16; value++) {
        const result = overZeros(value << (4 * nibble), zeros);
        const at = SCRATCH_BYTES + BYTE_TABLE_BYTES + 128 * set + 16 * nibble + value;
        room[at] = result & 0xff;
        room[at + 64] = result >>> 8;
      }
    }
  });
  return (register, bytes, from, to) =>
    bytes.buffer === buffer ? advance(tables, register, bytes.byteOffset + from, to - from) : -1;
}

const spareBlocks: Buffer[] = [];

/** Room for bytes of a recording, where CRCs are fast if there is such room; to be given back by `giveBlock`. */
export function takeBlock(bytes: number): Buffer {
  const spare = spareBlocks.findIndex(({ length }) => length === bytes);
  if (spare >= 0) return spareBlocks.splice(spare, 1)[0]!;
  return takeFastMemory(bytes) ?? Buffer.alloc(bytes);
}

export function giveBlock(block: Buffer): void {
  spareBlocks.push(block);
}
