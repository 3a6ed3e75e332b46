// Reads a file into slots, one block ahead of the one that is being decoded.
import { openFileSource, openOrFail, readInto } from '../intake/file-source.js';
import type { SlotPool } from './slot-pool.js';

/**
 * @param slots memory of the slots in `pool`
 * @param take given each block in order, as the slot that it stands in, to be given back to `pool` by whoever has it then
 * @throws RecordingError `not-found`, `unreadable`; what came before it was given to `take`
 */
export async function readAhead(
  file: string,
  slots: readonly Uint8Array[],
  pool: SlotPool,
  take: (slot: number, length: number) => void,
): Promise<void> {
  const source = await openOrFail(openFileSource, file);
  const read = async (at: number): Promise<{ slot: number; length: number }> => {
    const free = pool.take();
    // Not awaited where it is there: the reading then begins before this returns.
    const slot = typeof free === 'number' ? free : await free;
    try {
      return { slot, length: await readInto(source, file, slots[slot]!, at) };
    } catch (error) {
      pool.give(slot);
      throw error;
    }
  };
  try {
    let at = 0;
    for (let next = read(0); ; ) {
      const { slot, length } = await next;
      if (length === 0) {
        pool.give(slot);
        return;
      }
      at += length;
      next = read(at);
      // It is met in the next round.
      next.catch(() => undefined);
      take(slot, length);
    }
  } finally {
    await source.close();
  }
}
