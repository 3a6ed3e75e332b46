// How a mission's files are cut into segments and their transmissions counted: by the fields of its own frame, or by the standard
// file delivery (CCSDS 727.0-B-5). What ledger, files and coverage need to know of that is all here.
import type { FrameLayout, Mission } from './mission.js';

/** The layer that delivers files itself; no frame of the mission's own is below it. */
export const FILE_DELIVERY = 'cfdp';
/** What counts transmissions, where it is the layer right below. */
const COUNTED_BY = 'packets';
/** Of the packet sequence count (CCSDS 133.0-B). */
const PACKET_COUNT_BITS = 14;
/** A data field of 65,535 bytes less the offset (727.0-B-5, 5.1 and 5.3.5). */
const LONGEST_FILE_DATA = 65535 - 4;

export type Segmentation = {
  /** Segments are named by byte offset instead of by number. */
  readonly byOffset: boolean;
  /** Bytes of every payload but the last of a file; the most there can be where `varies`. */
  readonly payloadSize: number;
  /** Each file has its own length of segments, and nothing states it. */
  readonly varies: boolean;
  /** Bytes at the end of a segment that may not be the file's: frames tell neither their length nor the file's. */
  readonly padding: number;
  /** Width of the counter of transmissions; 0 where there is none. */
  readonly counterBits: number;
  /** Bytes of one transmission, where all have the same. */
  readonly frameBytes: number | undefined;
};

/** Whether files come by the standard file delivery. */
export function isFileDelivery({ layers }: Pick<Mission, 'layers'>): boolean {
  return layers.at(-1)?.name === FILE_DELIVERY;
}

export function segmentation({ layers, frame }: Pick<Mission, 'layers' | 'frame'>): Segmentation {
  if (frame) return frameSegmentation(frame);
  const below = layers.at(-2);
  // Packets of several application processes each have a count of their own.
  const isCounted = below?.name === COUNTED_BY && below.options['apid'] !== undefined;
  return {
    byOffset: true,
    payloadSize: LONGEST_FILE_DATA,
    varies: true,
    padding: 0,
    counterBits: isCounted ? PACKET_COUNT_BITS : 0,
    frameBytes: undefined,
  };
}

function frameSegmentation({ fields, payload, length }: FrameLayout): Segmentation {
  return {
    byOffset: fields.offset !== undefined,
    payloadSize: payload.size,
    varies: false,
    padding: fields.length || fields.bytes ? 0 : payload.size - 1,
    counterBits: fields.counter.bits,
    frameBytes: length,
  };
}

/** File numbers are below 2 to this. */
export const FILE_NUMBER_BITS = 48;

/** Sources and sequence numbers below these are the file number itself, above `HASHED` it is a hash of them. */
const PLAIN_SOURCES = 2 ** 15;
const PLAIN_SEQUENCES = 2 ** 32;
const HASHED = 2 ** 47;

/**
 * The file number of a transaction: source * 2^32 + sequence number; 2^47 and more, a hash, where they are too large for that.
 *
 * @param source, sequence whole numbers below 2^48
 */
export function transactionFile(source: number, sequence: number): number {
  if (source < PLAIN_SOURCES && sequence < PLAIN_SEQUENCES) return source * 2 ** 32 + sequence;
  // FNV-1a, 64 bits (constants from memory), over both numbers, folded.
  let hash = 0xcbf29ce484222325n;
  for (let rest = (BigInt(source) << 48n) | BigInt(sequence), i = 0; i < 12; i++, rest >>= 8n) {
    hash = BigInt.asUintN(64, (hash ^ (rest & 255n)) * 0x100000001b3n);
  }
  return HASHED + Number(BigInt.asUintN(47, hash ^ (hash >> 47n)));
}

/** How a file is called in reports: its number; with transactions, source and sequence number. */
export function fileLabel(mission: Pick<Mission, 'layers'>, file: number): string {
  if (!isFileDelivery(mission)) return String(file);
  return file < HASHED ? `${Math.floor(file / 2 ** 32)}-${file % 2 ** 32}` : `x${file.toString(16)}`;
}

/** Seconds from one transmission to the next, where rate and length are known. */
export function frameSeconds(mission: Pick<Mission, 'layers' | 'frame' | 'downlink'>): number | undefined {
  const { frameBytes } = segmentation(mission);
  const { bitsPerSecond } = mission.downlink;
  return frameBytes && bitsPerSecond && (frameBytes * 8) / bitsPerSecond;
}
