// Entries of a zip archive without a usable directory, found by going from local header to local header: what is left of an
// archive whose copying was cut off. Where a header does not state the size, the deflate stream says where it ends; of a stored
// entry, the data descriptor behind it that states just that size. Standard: APPNOTE 6.3.10, 4.3.7, 4.3.9, 4.4.4, 4.5.3.
import { crc32 } from '../bytes/crc.js';
import { RecordingError } from '../errors.js';
import { type FileSource, readAt, readRange } from './file-source.js';
import { type InflateLimits, type InflateMeter, type InflateTrouble, inflate } from './inflate.js';
import { tooMany, type ZipEntry } from './zip-directory.js';
import { DEFLATED, LOCAL_HEADER_BYTES, LOCAL_SIGNATURE, unsupportedEntry } from './zip-entry.js';

export type ZipWalk = {
  /** Whole ones, and at last the one that was cut off or is damaged (its `size` is `undefined`). */
  readonly entries: ZipEntry[];
  /** The directory was reached, the archive was cut before it, or something else was found. */
  readonly end: 'directory' | 'cut' | 'damaged';
  /** Where, in the archive. */
  readonly at: number;
};

const DIRECTORY_SIGNATURE = 0x02014b50;
const END_SIGNATURES = [0x06054b50, 0x06064b50, 0x08064b50]; // end of directory, the same of Zip64, extra data before it
const DESCRIPTOR_SIGNATURE = 0x08074b50;
const HAS_DESCRIPTOR = 0x0008;
const ZIP64_FIELD = 0x0001;
const IN_ZIP64 = 0xffffffff;

const DESCRIPTOR_BYTES = 24; // at most: signature, CRC-32, two sizes of 8 bytes
const BUFFER_BYTES = 1 << 20;

const descriptorSignature = Buffer.alloc(4);
descriptorSignature.writeUInt32LE(DESCRIPTOR_SIGNATURE);

/** Whether the two sizes of a descriptor at `at` both are `size`, as far as `bytes` reach. */
const statesSize = (bytes: Buffer, at: number, size: number, width: 4 | 8): boolean => {
  const expected = Buffer.alloc(2 * width);
  for (const field of [0, width]) expected.writeUInt32LE(size % 2 ** 32, field);
  if (width === 8) for (const field of [4, 12]) expected.writeUInt32LE(Math.floor(size / 2 ** 32), field);
  const there = bytes.subarray(at, at + 2 * width);
  return there.equals(expected.subarray(0, there.length));
};

type Sizes = { size: number; compressedSize: number };
/** The entry's data as far as they go; `next` is where the next header should be. */
type Extent = { entry: ZipEntry; next: number; end?: 'cut' | 'damaged' };

/** The sizes of a local header, with those of its Zip64 field where the header refers to it. */
const readSizes = (header: Buffer, extra: Buffer): Sizes => {
  const sizes = { compressedSize: header.readUInt32LE(18), size: header.readUInt32LE(22) };
  for (let at = 0; at + 4 <= extra.length; at += 4 + extra.readUInt16LE(at + 2)) {
    if (extra.readUInt16LE(at) !== ZIP64_FIELD) continue;
    let field = at + 4;
    const end = Math.min(extra.length, field + extra.readUInt16LE(at + 2));
    for (const name of ['size', 'compressedSize'] as const) {
      if (sizes[name] !== IN_ZIP64 || field + 8 > end) continue;
      sizes[name] = Number(extra.readBigUInt64LE(field));
      field += 8;
    }
  }
  return sizes;
};

/** Inflates an entry of unknown size to find its end, and holds it against the descriptor that follows. */
const measureDeflated = async (
  source: FileSource,
  file: string,
  header: ZipEntry,
  start: number,
  limits: InflateLimits,
): Promise<Extent> => {
  const rest: ZipEntry = { ...header, compressedSize: source.size - start, size: undefined };
  const buffer = new Uint8Array(BUFFER_BYTES);
  const meter: InflateMeter = { consumed: 0 };
  let end: 'cut' | 'damaged' | undefined;
  let crc = 0;
  let size = 0;
  const input = (): AsyncGenerator<Uint8Array> => readRange(source, file, start, source.size, buffer);
  const stop = ({ reason, at, detail }: InflateTrouble): RecordingError => {
    end = reason === 'cut' ? 'cut' : 'damaged';
    return new RecordingError('archive-damaged', file, start + at, detail);
  };
  try {
    for await (const block of inflate(input, 'deflate', limits, stop, meter)) {
      crc = crc32(block, 0, block.length, crc);
      size += block.length;
    }
  } catch (error) {
    // Whoever reads the entry comes to the same place and is told then.
    if (end) return { entry: rest, next: source.size, end };
    throw error;
  }
  const compressedSize = meter.consumed;
  const descriptor = await readAt(source, file, start + compressedSize, DESCRIPTOR_BYTES);
  if (descriptor.length < 12) return { entry: rest, next: source.size, end: 'cut' };
  const at = descriptor.readUInt32LE(0) === DESCRIPTOR_SIGNATURE ? 4 : 0; // the signature is optional
  if (descriptor.length < at + 12) return { entry: rest, next: source.size, end: 'cut' };
  const isShort =
    descriptor.readUInt32LE(at + 4) === compressedSize % 2 ** 32 && descriptor.readUInt32LE(at + 8) === size % 2 ** 32;
  const entry = { ...header, compressedSize, size, crc: descriptor.readUInt32LE(at) };
  const next = start + compressedSize + at + (isShort ? 12 : 20);
  return entry.crc === crc ? { entry, next } : { entry, next, end: 'damaged' };
};

/** Searches the end of a stored entry of unknown size: a descriptor that states the size at which it stands. */
const measureStored = async (source: FileSource, file: string, header: ZipEntry, start: number): Promise<Extent> => {
  let end = source.size;
  for (let from = start; from < end; from += BUFFER_BYTES) {
    // The windows overlap, so that a descriptor is whole in the one it begins in, unless the archive ends in it.
    const window = await readAt(source, file, from, BUFFER_BYTES + DESCRIPTOR_BYTES - 1);
    for (let i = window.indexOf(descriptorSignature); i >= 0; i = window.indexOf(descriptorSignature, i + 1)) {
      if (i >= BUFFER_BYTES) break;
      const size = from + i - start;
      const widths = ([4, 8] as const).filter((width) => statesSize(window, i + 8, size, width));
      const width = widths.find((each) => i + 8 + 2 * each <= window.length);
      if (width) {
        const entry = { ...header, compressedSize: size, size, crc: window.readUInt32LE(i + 4) };
        return { entry, next: from + i + 8 + 2 * width };
      }
      if (widths.length > 0) end = Math.min(end, from + i);
    }
  }
  return { entry: { ...header, compressedSize: end - start, size: undefined }, next: source.size, end: 'cut' };
};

const findExtent = async (
  source: FileSource,
  file: string,
  header: ZipEntry,
  start: number,
  limits: InflateLimits,
): Promise<Extent> => {
  if (!(header.flags & HAS_DESCRIPTOR)) {
    const next = start + header.compressedSize;
    return next <= source.size ? { entry: header, next } : { entry: { ...header, size: undefined }, next, end: 'cut' };
  }
  if (unsupportedEntry(header)) {
    return {
      entry: { ...header, compressedSize: source.size - start, size: undefined },
      next: source.size,
      end: 'damaged',
    };
  }
  return header.method === DEFLATED
    ? measureDeflated(source, file, header, start, limits)
    : measureStored(source, file, header, start);
};

/**
 * Walks the local headers of the archive `source` from its start.
 *
 * @throws RecordingError `unreadable`, `archive-too-large`
 */
export async function walkLocalHeaders(
  source: FileSource,
  file: string,
  limits: InflateLimits & { readonly entries: number },
): Promise<ZipWalk> {
  const entries: ZipEntry[] = [];
  for (let at = 0; ; ) {
    const header = await readAt(source, file, at, LOCAL_HEADER_BYTES);
    if (header.length < 4) return { entries, end: 'cut', at };
    const signature = header.readUInt32LE(0);
    if (signature === DESCRIPTOR_SIGNATURE && at === 0) {
      at = 4; // the marker of a split archive that came to be one file
      continue;
    }
    if (signature === DIRECTORY_SIGNATURE || END_SIGNATURES.includes(signature))
      return { entries, end: 'directory', at };
    if (signature !== LOCAL_SIGNATURE) return { entries, end: 'damaged', at };
    if (header.length < LOCAL_HEADER_BYTES) return { entries, end: 'cut', at };
    if (entries.length === limits.entries)
      throw new RecordingError('archive-too-large', file, at, tooMany(limits.entries));

    const nameBytes = header.readUInt16LE(26);
    const variable = await readAt(source, file, at + LOCAL_HEADER_BYTES, nameBytes + header.readUInt16LE(28));
    const start = at + LOCAL_HEADER_BYTES + nameBytes + header.readUInt16LE(28);
    if (start > source.size) return { entries, end: 'cut', at };
    const flags = header.readUInt16LE(6);
    const entry: ZipEntry = {
      name: variable.toString('utf8', 0, nameBytes),
      offset: at,
      flags,
      method: header.readUInt16LE(8),
      crc: header.readUInt32LE(14),
      ...readSizes(header, variable.subarray(nameBytes)),
      isSymlink: false, // only the directory tells
      isElsewhere: false,
    };

    const extent = await findExtent(source, file, entry, start, limits);
    entries.push(extent.entry);
    if (extent.end) return { entries, end: extent.end, at: extent.end === 'cut' ? source.size : start };
    at = extent.next;
  }
}
