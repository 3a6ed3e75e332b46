// What comes out of frame decoders, listed frame by frame whether it came one by one or many at once, for tests that hold the two equal.
import { takeFastMemory } from '../../src/bytes/fast-memory.js';
import { simd } from '../../src/bytes/simd.js';
import { distanceTo } from '../../src/bytes/spread.js';
import { hashLow } from '../../src/bytes/xxh64.js';
import type { FrameSink } from '../../src/layers/frame.js';
import { frameReaders } from '../../src/layers/frame-readers.js';
import type { FrameRun, FrameScan } from '../../src/layers/frame-scan.js';
import type { Receiver } from '../../src/layers/layer.js';
import type { ScanRoom } from '../../src/layers/scan-room.js';
import type { FrameLayout } from '../../src/mission/mission.js';

type Seen = { at: number; bytes: string; fields: number[]; hash: number };

type Listing = { seen: Seen[]; damaged: string[] };

/** @param atOnce whether frames are taken many at once, where that can be */
export function listingSink(
  layout: FrameLayout,
  atOnce: boolean,
): { sink: FrameSink; listing: Listing; runs: () => number } {
  const { counter, file, key, segments, fileBytes, payloadBytes } = frameReaders(layout);
  const listing: Listing = { seen: [], damaged: [] };
  let runs = 0;
  const hex = (bytes: Uint8Array, start: number, end: number): string =>
    Buffer.from(bytes.subarray(start, end)).toString('hex');
  const sink: FrameSink = {
    intact: (bytes, start, at) => {
      const payload = start + layout.payload.at;
      const used = payloadBytes(bytes, start);
      listing.seen.push({
        at,
        bytes: hex(bytes, start, start + layout.length),
        fields: [counter, file, key, segments, fileBytes].map((read) => read(bytes, start)).concat(used),
        hash: hashLow(bytes, payload, payload + used),
      });
    },
    damaged: (bytes, start, end, at) => void listing.damaged.push(`${at} ${hex(bytes, start, end)}`),
  };
  if (atOnce) {
    sink.intactRun = (run: FrameRun) => {
      runs++;
      for (let i = 0; i < run.count; i++) {
        const distance = distanceTo(i, run);
        const start = run.start - layout.payload.at + distance;
        const used = i === run.count - 1 ? run.lastLength : run.length;
        listing.seen.push({
          at: run.at + distance,
          bytes: hex(run.bytes, start, start + layout.length),
          fields: [run.counter + i, run.file, run.key + i * run.step, run.segments, run.fileBytes, used],
          hash: run.hashes[run.hashAt + i]!,
        });
      }
    };
  }
  return { sink, listing, runs: () => runs };
}

/** Room for recordings in the fast memory, since nothing there can be given back. */
const room = takeFastMemory(1 << 19)!;

/** For whom, and where what is found is put; what has no room there is not found. */
export type Surveyed = { scan: FrameScan; room: ScanRoom };

/** Finds the frames of `block` beforehand, as a surveying thread does. */
function survey({ scan, room: found }: Surveyed, block: Buffer): void {
  const from = block.byteOffset;
  const { groups } = scan;
  const { group, skip } = groups;
  const runs = simd()!.survey(scan.layoutAt, from, from + block.length, group, skip, found.address);
  scan.useSurvey(found, runs, groups);
}

/**
 * Pushes a recording in pieces of the given sizes, over and over, and ends it.
 *
 * @param surveyed each piece is surveyed first
 * @returns how often that was of use
 */
export function pushInPieces(
  input: Receiver,
  recording: Buffer,
  sizes: readonly number[],
  surveyed?: Surveyed,
): number {
  const bytes = room.subarray(0, recording.length);
  bytes.set(recording);
  let hits = 0;
  for (let at = 0, i = 0; at < bytes.length; i++) {
    const end = Math.min(bytes.length, at + sizes[i % sizes.length]!);
    if (surveyed) survey(surveyed, bytes.subarray(at, end));
    input.push(bytes, at, end, 1000 + at, -1);
    hits += surveyed?.scan.endSurvey() ?? 0;
    at = end;
  }
  input.end();
  return hits;
}
