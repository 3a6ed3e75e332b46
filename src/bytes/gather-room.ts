// Where bytes are put one after the other before they are written. Between typed arrays over shared memory a copy takes ten times as
// long as WebAssembly takes within one: what lies in such a memory is gathered in rooms there, several, so that one can be filled
// while others are written.
import { type BytesModule, inMemory, instantiate, memory, takeFastMemory } from './fast-memory.js';
import { distanceTo, type Spread } from './spread.js';
import { BYTES_MODULE } from './wasm-modules.js';

export const GATHER_BYTES: number = 1 << 20;
/** Of a shared memory. */
const ROOMS = 8;

export type GatherRooms = {
  /** `GATHER_BYTES` each. */
  readonly rooms: readonly Buffer[];
  readonly isShared: boolean;
  /** Copies `count` pieces of `size` bytes, from the one numbered `from` on, to `to` in a room. */
  readonly gather: (
    source: Uint8Array,
    pieces: Spread,
    from: number,
    size: number,
    count: number,
    room: number,
    to: number,
  ) => void;
  /** Who gathers there; nobody else may meanwhile. */
  owner?: object | undefined;
};

const roomsOf = new WeakMap<ArrayBufferLike, GatherRooms>();
addGatherRooms(memory, takeFastMemory(ROOMS * GATHER_BYTES)!.byteOffset);

/** A room for bytes that lie anywhere. */
export function makeGatherRoom(): GatherRooms {
  const room = Buffer.allocUnsafe(GATHER_BYTES);
  const gather: GatherRooms['gather'] = (source, pieces, from, size, count, _room, to) => {
    for (let i = 0; i < count; i++) {
      const at = pieces.start + distanceTo(from + i, pieces);
      room.set(source.subarray(at, at + size), to + i * size);
    }
  };
  return { rooms: [room], isShared: false, gather };
}

/** Makes `ROOMS` times `GATHER_BYTES` at `at` of a shared memory the rooms for what lies in it. */
export function addGatherRooms(of: WebAssembly.Memory, at: number): void {
  const { gather } = of === memory ? inMemory : instantiate<BytesModule>(BYTES_MODULE, of);
  roomsOf.set(of.buffer, {
    rooms: Array.from({ length: ROOMS }, (_, room) => Buffer.from(of.buffer, at + room * GATHER_BYTES, GATHER_BYTES)),
    isShared: true,
    gather: (source, pieces, from, size, count, room, to) => {
      const { start, stride, group, phase, skip } = pieces;
      const first = source.byteOffset + start + distanceTo(from, pieces);
      gather(at + room * GATHER_BYTES + to, first, size, count, stride, group, (phase + from) % group, skip);
    },
  });
}

/** The rooms for what lies in a memory, if it has any. */
export function gatherRoomsIn(buffer: ArrayBufferLike): GatherRooms | undefined {
  return roomsOf.get(buffer);
}
