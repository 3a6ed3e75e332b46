// Has the frames of blocks found on threads beside the main one, which alone decodes: what frames stand in a block is told by its bytes
// alone, and the longest part of the work. So one recording keeps several threads busy, and what comes out is the same.
import fs from 'node:fs';
import { Worker } from 'node:worker_threads';
import { memory } from '../bytes/fast-memory.js';
import { takeFoldRoom } from '../bytes/simd.js';
import { FrameScan } from '../layers/frame-scan.js';
import type { FrameGroups } from '../layers/frame-survey.js';
import { ScanRoom } from '../layers/scan-room.js';
import type { Mission } from '../mission/mission.js';
import { AT, BLOCK_NUMBERS, BLOCKS, STATE, type SurveySetup } from './survey-ring.js';

const MOST_RUNS = 4096;
const MOST_FRAMES = 16384;
/** Blocks in a row that gave nothing, after which no more are looked at: frames lie across what carries them. */
const IN_VAIN = 4;

/** Where the compiled thread lies; sources that run without a build have none. */
const threadFile = new URL('../workers/survey-thread.js', import.meta.url);

/** Taken once: they cannot be given back. */
const rooms: ScanRoom[] = [];
const foldRooms: number[] = [];

export class Surveyors {
  readonly #scan: FrameScan;
  readonly #setup: Omit<SurveySetup, 'foldRoom'>;
  readonly #threads: Worker[];
  /** By place in the ring. */
  readonly #groups: FrameGroups[] = [];
  #begun = 0;
  #inVain = 0;

  /** `undefined` where threads cannot help. */
  static start({ frame }: Pick<Mission, 'frame'>, threads: number): Surveyors | undefined {
    if (threads <= 0 || !frame || !fs.existsSync(threadFile)) return undefined;
    const scan = FrameScan.of(frame);
    while (scan && rooms.length < BLOCKS) {
      const room = ScanRoom.take(MOST_RUNS, MOST_FRAMES);
      if (!room) return undefined;
      rooms.push(room);
    }
    return scan && new Surveyors(scan, threads);
  }

  private constructor(scan: FrameScan, threads: number) {
    const shared = (numbers: number): SharedArrayBuffer => new SharedArrayBuffer(8 * numbers);
    this.#scan = scan;
    this.#setup = {
      memory,
      layoutAt: scan.layoutAt,
      counters: new Int32Array(shared(2)),
      states: new Int32Array(shared(BLOCKS)),
      blocks: new Float64Array(shared(BLOCKS * BLOCK_NUMBERS)),
      found: new Int32Array(shared(BLOCKS)),
    };
    this.#threads = Array.from({ length: threads }, (_, i) => {
      foldRooms[i] ??= takeFoldRoom();
      const workerData: SurveySetup = { ...this.#setup, foldRoom: foldRooms[i]! };
      const thread = new Worker(threadFile, { workerData, execArgv: [] });
      // What it does not look at is looked at here.
      thread.on('error', () => undefined);
      thread.unref();
      return thread;
    });
  }

  /** Has a block in the fast memory looked at; at most `BLOCKS` at a time. Returns its number, for `take`. */
  begin(block: Uint8Array): number {
    const { states, blocks, counters } = this.#setup;
    const number = this.#begun;
    // Its place is free, and stays so.
    if (this.#inVain >= IN_VAIN) return number;
    this.#begun++;
    const place = number % BLOCKS;
    const start = block.byteOffset;
    const { groups } = this.#scan;
    this.#groups[place] = groups;
    const { address } = rooms[place]!;
    blocks.set([start, start + block.length, groups.group, groups.skip, address], place * BLOCK_NUMBERS);
    Atomics.store(states, place, STATE.waiting);
    Atomics.store(counters, AT.begun, this.#begun);
    Atomics.notify(counters, AT.begun);
    return number;
  }

  /** Decodes a block with what was found in it, where it was looked at; waits for a thread that is at it. */
  take(number: number, decode: () => void): void {
    const { states, found } = this.#setup;
    const place = number % BLOCKS;
    const before = Atomics.compareExchange(states, place, STATE.waiting, STATE.free);
    if (before === STATE.waiting || before === STATE.free) {
      decode();
      return;
    }
    while (Atomics.load(states, place) !== STATE.done) Atomics.wait(states, place, STATE.underWay);
    this.#scan.useSurvey(rooms[place]!, found[place]!, this.#groups[place]!);
    decode();
    this.#inVain = this.#scan.endSurvey() > 0 ? 0 : this.#inVain + 1;
    Atomics.store(states, place, STATE.free);
  }

  async close(): Promise<void> {
    await Promise.all(this.#threads.map((thread) => thread.terminate()));
  }
}
