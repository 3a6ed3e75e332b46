// The entropy-coded data of one scan as the stretches that arrived: ITU-T T.81, B.1.1.5 (stuffing) and B.2.1 (restart markers).
import { type Gaps, gapAfter, type JpegScan } from './header.js';

/** What lies before or after a stretch: a hole, the begin or end of the scan, or a restart marker (its number, 0 to 7). */
export type Border = 'hole' | 'scan' | number;

/** A run of entropy-coded bytes without hole or marker. */
export type Stretch = {
  /** In the unstuffed data, bits; `end` exclusive. */
  readonly start: number;
  readonly end: number;
  readonly before: Border;
  readonly after: Border;
  /** Bytes missing between it and the stretch before it, 0 where that one touches. */
  readonly lostBytes: number;
};

/** All stretches lie one after the other in `data`, stuffing and markers taken out. */
export type ScanData = { readonly data: Uint8Array; readonly stretches: readonly Stretch[] };

/** Takes the stretches of a scan out of the file. The data are copied, as stuffing has to go. */
export function readStretches(
  bytes: Uint8Array,
  gaps: Gaps,
  scan: Pick<JpegScan, 'start' | 'end' | 'closed'>,
): ScanData {
  const data = new Uint8Array(scan.end - scan.start + 8);
  const stretches: Stretch[] = [];
  let size = 0;
  let begin = 0;
  let before = 'scan' as Border;
  let lostBytes = 0;
  const close = (after: Border) => {
    stretches.push({ start: 8 * begin, end: 8 * size, before, after, lostBytes });
    begin = size;
    before = after;
    lostBytes = 0;
  };
  for (let at = scan.start; at < scan.end; ) {
    const gap = gapAfter(gaps, at);
    if (gap && gap[0] <= at) {
      const end = Math.min(gap[1], scan.end);
      if (before !== 'hole' || size > begin) close('hole');
      lostBytes += end - at;
      at = end;
      continue;
    }
    const end = Math.min(scan.end, gap ? gap[0] : scan.end);
    while (at < end) {
      let ff = bytes.indexOf(0xff, at);
      if (ff < 0 || ff > end) ff = end;
      data.set(bytes.subarray(at, ff), size);
      size += ff - at;
      at = ff;
      if (at >= end) break;
      if (at + 1 >= end) {
        at++; // half of a stuffed byte or of a marker: not to be told
        break;
      }
      const next = bytes[at + 1]!;
      if (next === 0xff) {
        at++;
        continue;
      }
      at += 2;
      if (next === 0) data[size++] = 0xff;
      else if (next >= 0xd0 && next <= 0xd7) close(next & 7);
    }
  }
  close(scan.closed ? 'scan' : 'hole');
  return { data, stretches };
}
