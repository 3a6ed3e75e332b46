// The marker structure of a JPEG file, as far as its bytes go: ITU-T T.81, annex B.

export type JpegScan = {
  /** Component identifiers, in the order of the frame header. */
  readonly components: readonly number[];
  /** Offset of its first entropy-coded byte. */
  readonly start: number;
  /** Offset of the marker after the scan's last byte; `null` where the bytes end inside the scan. */
  readonly end: number | null;
};

export type JpegStructure = {
  readonly width: number;
  readonly height: number;
  readonly progressive: boolean;
  /** Component identifiers of the frame header. */
  readonly components: readonly number[];
  /** Pixel rows that one row of interleaved MCUs covers. */
  readonly mcuRows: number;
  /** At least one; all but the last are complete. */
  readonly scans: readonly JpegScan[];
  /** Whether the end-of-image marker is there. */
  readonly complete: boolean;
};

type Frame = Omit<JpegStructure, 'scans' | 'complete'>;

const startOfScan = 0xda;
const endOfImage = 0xd9;

/**
 * Walks the markers of `bytes`.
 *
 * @param bytes the start of a JPEG file, cut anywhere; not copied, not kept
 * @returns `null` where this is not one, the first scan does not begin before the cut, or the coding is one that the
 *   usual decoders lack (lossless, hierarchical, arithmetic, more than 8 bits)
 */
export function readJpegStructure(bytes: Buffer): JpegStructure | null {
  let frame: Frame | null = null;
  const scans: JpegScan[] = [];
  const structure = (complete: boolean) => (frame && scans.length > 0 ? { ...frame, scans, complete } : null);
  if (bytes.length < 2 || bytes.readUInt16BE(0) !== 0xffd8) return null;
  for (let at = 2; at + 4 <= bytes.length || bytes[at + 1] === endOfImage; ) {
    if (bytes[at] !== 0xff) return structure(false);
    const marker = bytes[at + 1];
    if (marker === 0xff) {
      at++; // fill byte
      continue;
    }
    if (marker === endOfImage) return structure(true);
    const end = at + 2 + bytes.readUInt16BE(at + 2);
    if (end > bytes.length) return structure(false);
    const segment = bytes.subarray(at + 4, end);
    if (marker === startOfScan) {
      const components = Array.from({ length: segment[0] ?? 0 }, (_, i) => segment[1 + 2 * i] ?? -1);
      at = endOfScan(bytes, end);
      scans.push({ components, start: end, end: at < 0 ? null : at });
      if (at < 0) return structure(false);
      continue;
    }
    if (isStartOfFrame(marker!)) {
      frame = readFrame(marker!, segment);
      if (frame === null) return null;
    }
    at = end;
  }
  return structure(false);
}

/** SOF0 to SOF15; C4, C8 and CC in that range are other markers. */
function isStartOfFrame(marker: number): boolean {
  return marker >= 0xc0 && marker <= 0xcf && marker !== 0xc4 && marker !== 0xc8 && marker !== 0xcc;
}

function readFrame(marker: number, segment: Buffer): Frame | null {
  const count = segment[5] ?? 0;
  // Baseline, extended sequential, progressive; all Huffman coded.
  if (marker > 0xc2 || segment[0] !== 8 || count === 0 || segment.length < 6 + 3 * count) return null;
  const height = segment.readUInt16BE(1);
  const width = segment.readUInt16BE(3);
  if (height === 0 || width === 0) return null; // 0: the height follows the first scan, which nobody writes
  const each = Array.from({ length: count }, (_, i) => segment.subarray(6 + 3 * i, 9 + 3 * i));
  return {
    width,
    height,
    progressive: marker === 0xc2,
    components: each.map((component) => component[0]!),
    mcuRows: 8 * Math.max(1, ...each.map((component) => component[1]! & 0x0f)),
  };
}

/** Offset of the first marker from `at` that is neither stuffing nor a restart; -1 where the bytes end before. */
function endOfScan(bytes: Buffer, at: number): number {
  for (let ff = bytes.indexOf(0xff, at); ff >= 0 && ff + 1 < bytes.length; ff = bytes.indexOf(0xff, ff + 1)) {
    const next = bytes[ff + 1]!;
    const inside = next === 0x00 || next === 0xff || (next >= 0xd0 && next <= 0xd7);
    if (!inside) return ff;
  }
  return -1;
}
