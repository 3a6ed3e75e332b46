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

export class ScanRoom {
  readonly runs: Float64Array;
  readonly hashes: Uint32Array;

  /** `undefined` where there is no room. */
  static take(mostRuns: number, mostFrames: number): ScanRoom | undefined {
    const runs = takeFastMemory(8 * RUN_NUMBERS * mostRuns);
    const hashes = takeFastMemory(4 * mostFrames);
    return runs && hashes && new ScanRoom(runs, hashes);
  }

  private constructor(runs: Buffer, hashes: Buffer) {
    this.runs = new Float64Array(runs.buffer, runs.byteOffset, runs.length / 8);
    this.hashes = new Uint32Array(hashes.buffer, hashes.byteOffset, hashes.length / 4);
  }

  get mostRuns(): number {
    return this.runs.length / RUN_NUMBERS;
  }

  /** Where it stands, as a walk is told. */
  get places(): readonly [runs: number, mostRuns: number, hashes: number, mostFrames: number] {
    return [this.runs.byteOffset, this.mostRuns, this.hashes.byteOffset, this.hashes.length];
  }
}
