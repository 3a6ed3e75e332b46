// Takes a recording in on this thread. A plain file is read one block ahead of what is being decoded.
import { giveBlock, takeBlock } from '../bytes/fast-memory.js';
import { RecordingError } from '../errors.js';
import type { PlainFiles, Recording } from '../intake/source.js';
import type { Mission } from '../mission/mission.js';
import { type Received, Reception, receive } from '../segments/receive.js';
import type { SegmentStore } from '../segments/run.js';

import { readAhead } from './read-ahead.js';
import { SlotPool } from './slot-pool.js';

/** One is decoded, one is being read, one is read. */
const SLOTS_HERE = 3;
const SLOT_BYTES = 2 << 20;

/** @throws what is not a RecordingError */
export async function receiveHere(recording: Recording, mission: Mission, store: SegmentStore): Promise<Received> {
  const { plain } = recording;
  return plain ? await receivePlain(plain, new Reception(mission, store)) : await receive(recording, mission, store);
}

async function receivePlain({ files, onRead }: PlainFiles, reception: Reception): Promise<Received> {
  const { input } = reception;
  const slots = Array.from({ length: SLOTS_HERE }, () => takeBlock(SLOT_BYTES));
  const pool = new SlotPool(SLOTS_HERE);
  let bytes = 0;
  let problem: RecordingError | undefined;
  try {
    for (const file of files) {
      await readAhead(file, slots, pool, (slot, length) => {
        const block = slots[slot]!.subarray(0, length);
        reception.hash(block);
        input.push(block, 0, length, bytes, -1);
        bytes += length;
        onRead?.(length);
        pool.give(slot);
      });
    }
  } catch (error) {
    if (!(error instanceof RecordingError)) throw error;
    problem = error;
  } finally {
    for (const slot of slots) giveBlock(slot);
  }
  input.end();
  return { ...reception.result(), bytes, problem };
}
