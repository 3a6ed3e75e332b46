// A surveying thread: finds the frames of whole blocks in the main thread's memory (../layers/frame-scan.ts), one block after the
// other out of a ring that it shares with the main thread and its like (surveyors.ts). It is ended from outside.
import { workerData } from 'node:worker_threads';
import { simdOver } from '../bytes/simd.js';
import { AT, BLOCK_NUMBERS, BLOCKS, STATE, type SurveySetup } from './survey-ring.js';

const { memory, foldRoom, layoutAt, counters, states, blocks, found } = workerData as SurveySetup;
const { survey } = simdOver(memory, foldRoom);

for (;;) {
  const own = Atomics.add(counters, AT.claimed, 1);
  for (let begun = Atomics.load(counters, AT.begun); begun - own <= 0; begun = Atomics.load(counters, AT.begun)) {
    Atomics.wait(counters, AT.begun, begun);
  }
  const place = own % BLOCKS;
  // Else the main thread came first.
  if (Atomics.compareExchange(states, place, STATE.waiting, STATE.underWay) !== STATE.waiting) continue;
  const numbers = blocks.subarray(place * BLOCK_NUMBERS);
  found[place] = survey(layoutAt, numbers[0]!, numbers[1]!, numbers[2]!, numbers[3]!, numbers[4]!);
  Atomics.store(states, place, STATE.done);
  Atomics.notify(states, place);
}
