// Boxes of ISO/IEC 14496-12 in a file with holes: a box whose header did not arrive ends the walk inside its parent; at
// the top of the file the walk goes on at the next box that can be recognised.
import type { HoledBytes } from './holed-bytes.js';

export type Box = {
  readonly type: string;
  /** Of the header. */
  readonly start: number;
  /** Of the content, behind the header. */
  readonly content: number;
  /** Exclusive; cut to the parent's end. */
  readonly end: number;
};

/** Boxes of `[start, end)`, as far as the chain of their headers arrived. */
export function* boxesIn(data: HoledBytes, start: number, end: number): Generator<Box> {
  for (let at = start; at + 8 <= end; ) {
    const box = boxAt(data, at, end);
    if (!box) return;
    yield box;
    at = box.end;
  }
}

/** The first box of that type in `[start, end)`. */
export function findBox(data: HoledBytes, start: number, end: number, type: string): Box | null {
  for (const box of boxesIn(data, start, end)) if (box.type === type) return box;
  return null;
}

/** Follows a path of box types down from the content of `box`. */
export function boxAtPath(data: HoledBytes, box: Box, ...path: string[]): Box | null {
  let found: Box | null = box;
  for (const type of path) found = found && findBox(data, found.content, found.end, type);
  return found;
}

const topTypes = ['ftyp', 'free', 'skip', 'wide', 'mdat', 'moov', 'moof', 'styp', 'sidx', 'uuid', 'udta', 'meta'];
const landmarks = ['moov', 'moof', 'mdat'].map((type) => Buffer.from(type, 'latin1'));

/** Boxes at the top of the file; after a break the next `moov`, `moof` or `mdat` is searched. */
export function topBoxes(data: HoledBytes): Box[] {
  const boxes: Box[] = [];
  for (let at = 0; at + 8 <= data.length; ) {
    const box = boxAt(data, at, data.length);
    // ISO/IEC 14496-12 types are printable; unknown ones are walked over only while the chain is unbroken.
    if (box && (topTypes.includes(box.type) || (/^[ -~]{4}$/.test(box.type) && at === (boxes.at(-1)?.end ?? 0)))) {
      boxes.push(box);
      at = box.end;
      continue;
    }
    const found = nextLandmark(data, at + 1);
    if (!found) break;
    boxes.push(found);
    at = found.end;
  }
  return boxes;
}

function nextLandmark(data: HoledBytes, from: number): Box | null {
  for (let run = data.nextKnown(from); run < data.length; ) {
    const runEnd = data.knownEnd(run);
    const bytes = data.bytes.subarray(run, runEnd);
    let best: Box | null = null;
    for (const type of landmarks) {
      for (let at = bytes.indexOf(type, 4); at >= 0; at = bytes.indexOf(type, at + 1)) {
        const box = boxAt(data, run + at - 4, data.length);
        if (!box || !looksRight(data, box)) continue;
        if (!best || box.start < best.start) best = box;
        break;
      }
    }
    if (best) return best;
    run = data.nextKnown(runEnd);
  }
  return null;
}

/** Four letters can be chance: a container must begin with a box it can hold, media data must fit the file. */
function looksRight(data: HoledBytes, box: Box): boolean {
  if (box.type === 'mdat') return data.uint(box.start, 4) !== 0;
  const inner = boxAt(data, box.content, box.end);
  return inner !== null && ['mvhd', 'mfhd', 'iods', 'trak', 'traf'].includes(inner.type);
}

function boxAt(data: HoledBytes, at: number, limit: number): Box | null {
  const size = data.uint(at, 4);
  const type = data.text(at + 4, 4);
  if (size === null || type === null) return null;
  let [content, end] = [at + 8, at + size];
  if (size === 0) end = limit;
  if (size === 1) {
    const [high, low] = [data.uint(at + 8, 4), data.uint(at + 12, 4)];
    if (high === null || low === null) return null;
    [content, end] = [at + 16, at + high * 2 ** 32 + low];
  }
  if (end < content || content > limit) return null;
  return { type, start: at, content, end: Math.min(end, limit) };
}
