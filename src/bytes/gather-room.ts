// Where bytes are put one after the other before they are written. Between typed arrays over shared memory a copy takes ten times as
// long as WebAssembly takes within one: what lies in such a memory is gathered in a room there.
import { type BytesModule, inMemory, instantiate, memory, takeFastMemory } from './fast-memory.js';
import { BYTES_MODULE } from './wasm-modules.js';

export const GATHER_BYTES: number = 1 << 20;

export type GatherRoom = {
  readonly bytes: Buffer;
  /** Copies `source[start, start + size)` to `to` in the room. */
  readonly copy: (source: Uint8Array, start: number, size: number, to: number) => void;
  /** Who gathers there; nobody else may meanwhile. */
  owner?: object | undefined;
};

const rooms = new WeakMap<ArrayBufferLike, GatherRoom>();
addGatherRoom(memory, takeFastMemory(GATHER_BYTES)!.byteOffset);

/** A room for bytes that lie anywhere. */
export function makeGatherRoom(): GatherRoom {
  const bytes = Buffer.allocUnsafe(GATHER_BYTES);
  return { bytes, copy: (source, start, size, to) => bytes.set(source.subarray(start, start + size), to) };
}

/** Makes the `GATHER_BYTES` at `at` of a shared memory the room for what lies in it. */
export function addGatherRoom(of: WebAssembly.Memory, at: number): void {
  const { copy } = of === memory ? inMemory : instantiate<BytesModule>(BYTES_MODULE, of);
  rooms.set(of.buffer, {
    bytes: Buffer.from(of.buffer, at, GATHER_BYTES),
    copy: (source, start, size, to) => copy(at + to, source.byteOffset + start, size),
  });
}

/** The room for what lies in a memory, if it has one. */
export function gatherRoomIn(buffer: ArrayBufferLike): GatherRoom | undefined {
  return rooms.get(buffer);
}
