// Motion JPEG: every frame is a JPEG of its own (ITU-T T.81), so a frame is exact where all its bytes arrived. Also reads
// plain files of JPEGs one behind the other.
import type { AccessUnit } from './access-units.js';
import type { Clip } from './clip.js';
import type { Picture } from './frame-classes.js';
import type { HoledBytes } from './holed-bytes.js';

export type MjpegUnit = {
  readonly start: number;
  readonly end: number;
  readonly decode: number | null;
  readonly present: number | null;
};

/** @param units in order; those of no bytes stand for a frame that is shown again */
export function mjpegClip(data: HoledBytes, units: readonly MjpegUnit[], frameRate: number | null): Clip {
  const pictures: Picture[] = [];
  const accessUnits: AccessUnit<unknown>[] = [];
  let size: Clip['size'] = null;
  for (const [index, { start, end, decode, present }] of units.entries()) {
    const unknown = data.unknownIn(start, end);
    const begins = data.knownEnd(start);
    const whole = unknown === 0 && isJpeg(data, start, end);
    const none = unknown === end - start;
    const state = whole ? 'exact' : none ? 'missing' : 'damaged';
    pictures.push({ class: state, sequence: index, poc: 0, clean: whole, entry: true, shown: end > start });
    accessUnits.push({
      units: begins - start > 2 ? [{ start, end, knownEnd: Math.min(end, begins), whole }] : [],
      slices: [],
      arrived: !none,
      whole,
      bytes: end - start,
      hiddenBefore: 0,
      parameters: false,
      lastCut: false,
      times: { decode, present, sync: true },
    });
    if (whole) size ??= jpegSize(data.bytes.subarray(start, end));
  }
  return {
    codec: 'mjpeg',
    data,
    units: accessUnits,
    pictures,
    hiddenAtEnd: 0,
    parameterSets: [],
    size,
    frameRate,
    sound: null,
    remarks: [],
  };
}

/** Plain JPEGs one behind the other; `null` where there are fewer than two. */
export function readPlainMjpeg(data: HoledBytes): Clip | null {
  const starts: number[] = [];
  for (let at = data.nextKnown(0); at < data.length; ) {
    const found = nextImage(data, at);
    if (found < 0) break;
    starts.push(found);
    at = endOfImage(data, found);
  }
  if (starts.length < 2) return null;
  const units = starts.map((start, i) => ({ start, end: starts[i + 1] ?? data.length, decode: null, present: null }));
  return mjpegClip(data, units, null);
}

const startOfImage = Buffer.from([0xff, 0xd8, 0xff]);

function nextImage(data: HoledBytes, from: number): number {
  for (let at = data.nextKnown(from); at < data.length; ) {
    const end = data.knownEnd(at);
    const found = data.bytes.subarray(at, end).indexOf(startOfImage);
    if (found >= 0) return at + found;
    at = data.nextKnown(end);
  }
  return -1;
}

/** Walks over the segments, in which a thumbnail may lie, to the scan; then to EOI, or the end of the known run. */
function endOfImage(data: HoledBytes, start: number): number {
  let at = start + 2;
  while (data.isKnown(at, at + 4) && data.bytes[at] === 0xff) {
    const marker = data.bytes[at + 1]!;
    at += 2 + data.uint(at + 2, 2)!;
    if (marker === 0xda) break;
  }
  const end = data.knownEnd(Math.min(at, data.length));
  const found = data.bytes.subarray(at, end).indexOf(Buffer.from([0xff, 0xd9]));
  return found >= 0 ? at + found + 2 : Math.max(end, start + 3);
}

function isJpeg(data: HoledBytes, start: number, end: number): boolean {
  return end - start > 4 && data.bytes[start] === 0xff && data.bytes[start + 1] === 0xd8;
}

/** Width and height of the first frame header (SOF), T.81 B.2.2. */
function jpegSize(jpeg: Buffer): Clip['size'] {
  for (let at = 2; at + 9 < jpeg.length && jpeg[at] === 0xff; at += 2 + jpeg.readUInt16BE(at + 2)) {
    const marker = jpeg[at + 1]!;
    if (marker < 0xc0 || marker > 0xcf || marker === 0xc4 || marker === 0xc8 || marker === 0xcc) continue;
    return { width: jpeg.readUInt16BE(at + 7), height: jpeg.readUInt16BE(at + 5) };
  }
  return null;
}
