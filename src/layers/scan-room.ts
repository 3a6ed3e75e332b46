// Room in the fast memory for what a walk over frames finds (../bytes/wasm/frames.ts): runs of frames, and a hash of each payload.
import { takeFastMemory } from '../bytes/fast-memory.js';

/** Numbers of each run, and what each of them is; see `Run` in wasm/frames.ts. */
export const RUN_NUMBERS = 10;
export const RUN = {
  address: 0,
  hashAt: 1,
  count: 2,
  counter: 3,
  file: 4,
  key: 5,
  segments: 6,
  fileBytes: 7,
  lastBytes: 8,
  phase: 9,
} as const;

/** Numbers that tell a walk of it; see `Room` in wasm/frames.ts. */
const PLACES = 4;

export class ScanRoom {
  /** Where a walk finds what it is to know of this room. */
  readonly address: number;
  readonly runs: Float64Array;
  readonly hashes: Uint32Array;

  /** `undefined` where there is no room. */
  static take(mostRuns: number, mostFrames: number): ScanRoom | undefined {
    const runs = takeFastMemory(8 * RUN_NUMBERS * mostRuns);
    const hashes = takeFastMemory(4 * mostFrames);
    const places = takeFastMemory(4 * PLACES);
    return runs && hashes && places && new ScanRoom(runs, hashes, places);
  }

  private constructor(runs: Buffer, hashes: Buffer, places: Buffer) {
    this.runs = new Float64Array(runs.buffer, runs.byteOffset, runs.length / 8);
    this.hashes = new Uint32Array(hashes.buffer, hashes.byteOffset, hashes.length / 4);
    this.address = places.byteOffset;
    const told = [runs.byteOffset, this.mostRuns, hashes.byteOffset, this.hashes.length];
    new Uint32Array(places.buffer, places.byteOffset, PLACES).set(told);
  }

  get mostRuns(): number {
    return this.runs.length / RUN_NUMBERS;
  }
}
