// From decoded pictures to the pictures of the salvaged clip: each put in its place on the time line, marked where it is
// not exact, with slates where there is none.
import type { Readable } from 'node:stream';
import { mark, type PictureSize, pictureBytes, slate } from './marks.js';
import type { TimelineFrame } from './timeline.js';

export type DamagedFrames = 'marked' | 'held';

export type MarkedPictures = {
  readonly size: PictureSize;
  readonly frames: readonly TimelineFrame[];
  readonly frameRate: number;
  readonly damagedFrames: DamagedFrames;
  /** Of the pictures to come, in their order: index into `frames`. */
  readonly places: readonly number[];
};

/**
 * Pictures at an even pace. A frame stays until the next one is due, as players do.
 *
 * @param decoded bare pictures, one behind the other
 */
export async function* markedPictures(request: MarkedPictures, decoded: Readable): AsyncGenerator<Buffer> {
  const { size, frames, frameRate, damagedFrames, places } = request;
  const empty = slate(size);
  const pictures = cut(decoded, pictureBytes(size));
  let next = 0;
  let held: Buffer | null = null;
  let shown = empty;
  let index = -1;
  for (const wanted of evenly(frames, frameRate)) {
    while (index < wanted) {
      index++;
      let picture: Buffer | null = null;
      while (next < places.length && places[next]! <= index) {
        const { value } = await pictures.next();
        if (places[next++] === index) picture = value ?? null;
      }
      const state = frames[index]!.class;
      if (state === 'exact' && picture) {
        shown = picture;
        held = null;
      } else if (damagedFrames === 'held' && (held || frames[index - 1]?.class === 'exact')) {
        if (!held) {
          held = Buffer.from(shown);
          mark(held, size, 'held');
        }
        shown = held;
      } else if (picture && (state === 'damaged' || state === 'tainted')) {
        mark(picture, size, state);
        shown = damagedFrames === 'held' ? empty : picture;
      } else shown = empty;
    }
    yield shown;
  }
}

/** For each picture of the output the frame that is shown at its time. */
export function* evenly(frames: readonly TimelineFrame[], frameRate: number): Generator<number> {
  const start = frames[0]?.time ?? 0;
  const end = (frames.at(-1)?.time ?? 0) - start;
  const count = Math.round(end * frameRate) + 1;
  // Where each frame has its own picture at an even pace, rounding of times must not repeat or drop one.
  const even = Math.abs(count - frames.length) <= 1 && isEven(frames, frameRate);
  // Nor must a damaged time stamp fill the disk.
  if (even || count > 100 * frames.length + 1000) for (let i = 0; i < frames.length; i++) yield i;
  else {
    let index = 0;
    for (let i = 0; i < count; i++) {
      while (index + 1 < frames.length && frames[index + 1]!.time - start <= (i + 0.25) / frameRate) index++;
      yield index;
    }
  }
}

function isEven(frames: readonly TimelineFrame[], frameRate: number): boolean {
  const start = frames[0]?.time ?? 0;
  return frames.every(({ time }, i) => Math.abs((time - start) * frameRate - i) < 0.75);
}

/** Pictures of the same size out of a stream; each is new and may be written over. */
async function* cut(stream: Readable, bytes: number): AsyncGenerator<Buffer, undefined> {
  let parts: Buffer[] = [];
  let have = 0;
  try {
    for await (const chunk of stream as AsyncIterable<Buffer>) {
      for (let from = 0; from < chunk.length; ) {
        const take = Math.min(bytes - have, chunk.length - from);
        parts.push(chunk.subarray(from, from + take));
        from += take;
        have += take;
        if (have < bytes) continue;
        yield Buffer.concat(parts, bytes);
        [parts, have] = [[], 0];
      }
    }
  } catch {
    // The decoder failed: what came before is shown, the rest is slate.
  }
  return undefined;
}
