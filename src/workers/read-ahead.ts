// Reads a file into slots, ahead of the block that is being decoded.
import { type FileSource, openFileSource, openOrFail, readInto } from '../intake/file-source.js';
import type { SlotPool } from './slot-pool.js';

type Block = { readonly slot: number; readonly length: number };

export type ReadAheadOptions = {
  /** Blocks that are read, or being read, behind the one being decoded. Default 1. */
  readonly ahead?: number;
  /** Told of each block as soon as it is read. */
  readonly onRead?: (slot: number, length: number) => void;
};

/**
 * @param slots memory of the slots in `pool`, all of one size
 * @param take given each block in order, as the slot that it stands in, to be given back to `pool` by whoever has it then
 * @throws RecordingError `not-found`, `unreadable`; what came before it was given to `take`
 */
export async function readAhead(
  file: string,
  slots: readonly Uint8Array[],
  pool: SlotPool,
  take: (slot: number, length: number) => void,
  { ahead = 1, onRead = () => undefined }: ReadAheadOptions = {},
): Promise<void> {
  const source = await openOrFail(openFileSource, file);
  let at = 0;
  const read = async (): Promise<Block> => {
    const from = at;
    at += slots[0]!.length;
    const free = pool.take();
    // Not awaited where it is there: the reading then begins before this returns.
    const slot = typeof free === 'number' ? free : await free;
    try {
      const length = await readWhole(source, file, slots[slot]!, from);
      if (length > 0) onRead(slot, length);
      return { slot, length };
    } catch (error) {
      pool.give(slot);
      throw error;
    }
  };
  const blocks: Promise<Block>[] = [];
  try {
    for (let isOver = false; !isOver; ) {
      while (blocks.length <= ahead) {
        const block = read();
        // What it meets is met when it is its turn.
        block.catch(() => undefined);
        blocks.push(block);
      }
      const { slot, length } = await blocks.shift()!;
      isOver = length < slots[slot]!.length;
      if (length > 0) take(slot, length);
      else pool.give(slot);
    }
  } finally {
    // What was read behind the end, or behind what could not be read.
    for (const block of await Promise.allSettled(blocks)) if (block.status === 'fulfilled') pool.give(block.value.slot);
    await source.close();
  }
}

/** Fills `into` from position `at` on; returns how many bytes came, fewer only at the end of the file. */
async function readWhole(source: FileSource, file: string, into: Uint8Array, at: number): Promise<number> {
  let filled = 0;
  while (filled < into.length) {
    const size = await readInto(source, file, filled === 0 ? into : into.subarray(filled), at + filled);
    if (size === 0) break;
    filled += size;
  }
  return filled;
}
