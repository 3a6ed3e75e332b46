// A memory that WebAssembly works on: over bytes that lie in it, CRCs, hashes and copies need no copy and run at the machine's speed.
// It is shared, so that what one thread reads into it another can look at where it lies. Each thread has one of its own.
import { BYTES_MODULE } from './wasm-modules.js';

const PAGE_BYTES = 65536;
/** Fixed, so that the memory's buffer stays the same object; pages never touched take no room. */
const MEMORY_PAGES = 1024;
/** Code may look at so many bytes before and behind those it is given. */
const MARGIN_BYTES = 64;

export const memory: WebAssembly.Memory = new WebAssembly.Memory({
  initial: MEMORY_PAGES,
  maximum: MEMORY_PAGES,
  shared: true,
});

export type BytesModule = {
  readonly gather: (
    to: number,
    from: number,
    size: number,
    count: number,
    stride: number,
    group: number,
    phase: number,
    skip: number,
  ) => void;
  /** The low 32 bits of XXH64. */
  readonly hashLow: (at: number, size: number) => number;
  readonly beginHash: (state: number) => void;
  readonly hashStripes: (state: number, at: number, size: number) => void;
  readonly concludeHash: (into: number, state: number, at: number, size: number, total: number) => void;
};

/** Asking the memory for it each time takes longer than most of what is done with it. */
const { buffer } = memory;

/** Functions of a module made by the build, over `of`. */
export function instantiate<Exports>(module: string, of: WebAssembly.Memory = memory): Exports {
  const binary = Buffer.from(module, 'base64');
  const { exports } = new WebAssembly.Instance(new WebAssembly.Module(binary), { env: { memory: of } });
  return exports as Exports;
}

/** Over this thread's own memory. */
export const inMemory: BytesModule = instantiate(BYTES_MODULE);

let used = MARGIN_BYTES;

/**
 * Bytes in this thread's memory, for good: they cannot be given back.
 *
 * @returns `undefined` where it is used up
 */
export function takeFastMemory(bytes: number): Buffer | undefined {
  const at = Math.ceil(used / 16) * 16;
  if (at + bytes > MEMORY_PAGES * PAGE_BYTES - MARGIN_BYTES) return undefined;
  used = at + bytes;
  return Buffer.from(buffer, at, bytes);
}

/** Asked of the same bytes again and again, which cost more to ask than to look at. */
let lastBytes: Uint8Array | undefined;
let lastBase = -1;

/** Where in this thread's memory bytes begin, or -1 where they lie elsewhere. */
export function baseOf(bytes: Uint8Array): number {
  if (bytes !== lastBytes) {
    lastBytes = bytes;
    lastBase = bytes.buffer === buffer ? bytes.byteOffset : -1;
  }
  return lastBase;
}

const spareBlocks: Buffer[] = [];

/** Room for bytes of a recording, in the fast memory while there is any; to be given back by `giveBlock`. */
export function takeBlock(bytes: number): Buffer {
  const spare = spareBlocks.findIndex(({ length }) => length === bytes);
  if (spare >= 0) return spareBlocks.splice(spare, 1)[0]!;
  return takeFastMemory(bytes) ?? Buffer.alloc(bytes);
}

export function giveBlock(block: Buffer): void {
  spareBlocks.push(block);
}
