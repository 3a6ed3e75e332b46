// Takes a recording in on this thread. A plain file is read ahead of what is being decoded, and what lies ahead is surveyed by other
// threads where there are any.
import { giveBlock, takeBlock } from '../bytes/fast-memory.js';
import { RecordingError } from '../errors.js';
import type { PlainFiles, Recording } from '../intake/source.js';
import type { Mission } from '../mission/mission.js';
import { type Received, Reception, receive } from '../segments/receive.js';
import type { SegmentStore } from '../segments/run.js';
import { readAhead } from './read-ahead.js';
import { SlotPool } from './slot-pool.js';
import type { Surveyors } from './surveyors.js';

/** Larger than a thread's: each is a call to the system, and nothing has to be handed over. */
const SLOT_BYTES = 2 << 20;
/** Blocks ahead of the one being decoded: one being read or, where they are surveyed, in the making. */
const AHEAD = 1;
const SURVEYED_AHEAD = 3;

/**
 * @param signal a plain file is given up at its next block
 * @throws what is not a RecordingError
 */
export async function receiveHere(
  recording: Recording,
  mission: Mission,
  store: SegmentStore,
  surveyors: Surveyors | undefined,
  signal: AbortSignal,
): Promise<Received> {
  const { plain } = recording;
  if (!plain) return await receive(recording, mission, store);
  return await receivePlain(plain, new Reception(mission, store), surveyors, signal);
}

async function receivePlain(
  { files, onRead }: PlainFiles,
  reception: Reception,
  surveyors: Surveyors | undefined,
  signal: AbortSignal,
): Promise<Received> {
  const { input } = reception;
  const ahead = surveyors ? SURVEYED_AHEAD : AHEAD;
  const slots = Array.from({ length: ahead + 2 }, () => takeBlock(SLOT_BYTES));
  const pool = new SlotPool(slots.length);
  /** By slot: the survey that was begun of it, and not taken. */
  const surveys = new Map<number, number>();
  let bytes = 0;
  let problem: RecordingError | undefined;
  const take = (slot: number, length: number): void => {
    signal.throwIfAborted();
    const block = slots[slot]!.subarray(0, length);
    const decode = (): void => {
      reception.hash(block);
      input.push(block, 0, length, bytes, -1);
    };
    const survey = surveys.get(slot);
    surveys.delete(slot);
    if (surveyors && survey !== undefined) surveyors.take(survey, decode);
    else decode();
    bytes += length;
    onRead?.(length);
    pool.give(slot);
  };
  const begin = (slot: number, length: number): void => {
    if (surveyors) surveys.set(slot, surveyors.begin(slots[slot]!.subarray(0, length)));
  };
  try {
    for (const file of files) await readAhead(file, slots, pool, take, { ahead, onRead: begin });
  } catch (error) {
    if (!(error instanceof RecordingError)) throw error;
    problem = error;
  } finally {
    // Nothing is looked at any longer that is given back.
    for (const survey of surveys.values()) surveyors?.take(survey, () => undefined);
    for (const slot of slots) giveBlock(slot);
  }
  input.end();
  return { ...reception.result(), bytes, problem };
}
