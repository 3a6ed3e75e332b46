// AOS transfer frames (CCSDS 732.0-B): checks them, follows one virtual channel by its frame counts and hands on what its data
// zones hold: packets (M_PDU), a bit stream (B_PDU) or the mission's own data units (VCA).
import { z } from 'zod';
import { UsageError } from '../errors.js';
import {
  AOS_HEADER_BYTES,
  aosCountAt,
  aosScidAt,
  aosVcidAt,
  IDLE_CHANNEL,
  isReplayAt,
  usesCycleAt,
  writeAosHeader,
} from './aos-header.js';
import type { Encoder, LayerDefinition } from './layer.js';
import { MAX_ZONE_BYTES, NO_PACKET_STARTS, ONLY_IDLE, PacketZone } from './packet-zone.js';
import {
  type ChannelOptions,
  MAX_FRAME_BYTES,
  type ReadTransferFrame,
  TransferFrameDecoder,
  writeFecf,
} from './virtual-channel.js';

type Options = ChannelOptions & {
  /** Whether an operational control field of 4 bytes stands before the FECF; default false. The encoder writes zeros. */
  ocf?: boolean | undefined;
  /** Bytes of the insert zone behind the header; default 0. The encoder writes zeros. */
  insertZone?: number | undefined;
  /** Whether the 2 bytes of frame header error control stand behind the header; default false. They are passed over, not decoded. */
  headerErrorControl?: boolean | undefined;
  /** What the data field is: packets (m, default), a bit stream (b), or data units as they are (raw). */
  pdu?: 'm' | 'b' | 'raw' | undefined;
  /** For the encoder: bytes of one frame; default 1115. */
  length?: number | undefined;
};

const optionsSchema: z.ZodType<Options> = z.strictObject({
  vcid: z.number().int().min(0).max(62).optional(),
  scid: z.number().int().min(0).max(1023).optional(),
  fecf: z.boolean().optional(),
  ocf: z.boolean().optional(),
  insertZone: z.number().int().min(0).max(2048).optional(),
  headerErrorControl: z.boolean().optional(),
  pdu: z.enum(['m', 'b', 'raw']).optional(),
  length: z.number().int().min(16).max(MAX_FRAME_BYTES).optional(),
});

export const aos: LayerDefinition<Options> = {
  name: 'aos',
  source: 'CCSDS 732.0-B',
  options: optionsSchema,
  decoder: (options, next) => new TransferFrameDecoder(options, frameReader(options), next),
  encoder: (options, emit) => new AosEncoder(options, emit),
};

/** Bitstream data pointer where all bits of the zone are data, and where none is (from memory). */
const ALL_DATA = 16383;
const NO_DATA = 16382;
const POINTER_BYTES = 2;
const OCF_BYTES = 4;

/** Bytes before the data field and behind it, FECF not included. */
function frameParts({ headerErrorControl, insertZone = 0, ocf }: Options): { before: number; behind: number } {
  return { before: AOS_HEADER_BYTES + (headerErrorControl ? 2 : 0) + insertZone, behind: ocf ? OCF_BYTES : 0 };
}

function frameReader(options: Options): ReadTransferFrame {
  const { before, behind } = frameParts(options);
  const { pdu = 'm' } = options;
  const pointerBytes = pdu === 'raw' ? 0 : POINTER_BYTES;
  return (bytes, start, end, frame) => {
    const field = start + before;
    frame.start = field + pointerBytes;
    frame.end = end - behind;
    if (frame.start >= frame.end || bytes[start]! >> 6 !== 1) return 'other';
    frame.spacecraft = aosScidAt(bytes, start);
    frame.channel = aosVcidAt(bytes, start);
    frame.count = aosCountAt(bytes, start);
    frame.modulus = usesCycleAt(bytes, start) ? 2 ** 28 : 2 ** 24;
    frame.replay = isReplayAt(bytes, start);
    if (frame.channel === IDLE_CHANNEL) return 'idle';
    if (pdu === 'raw') {
      frame.unitStart = frame.start;
      return 'data';
    }
    const pointer = (bytes[field]! << 8) | bytes[field + 1]!;
    if (pdu === 'b') {
      frame.unitStart = -1;
      return cutToBits(pointer & 0x3fff, frame);
    }
    const firstHeader = pointer & 0x7ff;
    if (firstHeader === ONLY_IDLE) return 'idle';
    frame.unitStart = firstHeader === NO_PACKET_STARTS ? -1 : frame.start + firstHeader;
    return frame.unitStart < frame.end ? 'data' : 'wrong';
  };
}

/** `pointer` names the last bit of data. Whole bytes are handed on; bits beyond them, which no byte stream has, are left. */
function cutToBits(pointer: number, frame: { start: number; end: number }): 'data' | 'idle' | 'wrong' {
  if (pointer === ALL_DATA) return 'data';
  if (pointer === NO_DATA || pointer < 7) return 'idle';
  const end = frame.start + ((pointer + 1) >> 3);
  if (end > frame.end) return 'wrong';
  frame.end = end;
  return 'data';
}

/** Makes the frames of one virtual channel, with the cycle counted. */
class AosEncoder implements Encoder {
  readonly #options: Options;
  readonly #emit: Encoder['push'];
  readonly #length: number;
  readonly #field: number;
  readonly #zoneBytes: number;
  readonly #packets: PacketZone;
  readonly #bytes: Uint8Array;
  #used = 0;
  #count = 0;

  /** @throws UsageError for options that leave no data zone, or one that the pointer cannot reach the end of */
  constructor(options: Options, emit: Encoder['push']) {
    if (options.headerErrorControl) {
      throw new UsageError('aos: frames with headerErrorControl can be read, but not written');
    }
    this.#options = options;
    this.#emit = emit;
    this.#length = options.length ?? 1115;
    const { before, behind } = frameParts(options);
    this.#field = before;
    const { pdu } = options;
    this.#zoneBytes =
      this.#length - before - behind - (options.fecf === false ? 0 : 2) - (pdu === 'raw' ? 0 : POINTER_BYTES);
    const most = pdu === 'raw' ? this.#length : MAX_ZONE_BYTES;
    if (this.#zoneBytes < 1 || this.#zoneBytes > most) {
      throw new UsageError(`aos: a data zone of 1 to ${most} bytes, got ${this.#zoneBytes}; choose another aos.length`);
    }
    this.#packets = new PacketZone(this.#zoneBytes, (zone, firstHeader) => this.#send(zone, firstHeader));
    this.#bytes = new Uint8Array(this.#zoneBytes);
  }

  /** @throws UsageError when a data unit that may not be divided is not exactly one zone (raw) */
  push(unit: Uint8Array, divisible = false): void {
    const { pdu = 'm' } = this.#options;
    if (pdu === 'm') {
      this.#packets.push(unit);
      return;
    }
    if (pdu === 'raw' && !divisible && (unit.length !== this.#zoneBytes || this.#used > 0)) {
      throw new UsageError(`aos: expected data units of ${this.#zoneBytes} bytes, got ${unit.length}`);
    }
    for (let from = 0; from < unit.length; ) {
      const size = Math.min(unit.length - from, this.#zoneBytes - this.#used);
      this.#bytes.set(unit.subarray(from, from + size), this.#used);
      this.#used += size;
      from += size;
      if (this.#used === this.#zoneBytes) this.#sendBytes();
    }
  }

  flush(): void {
    this.#packets.flush();
    if (this.#used > 0) this.#sendBytes();
  }

  #sendBytes(): void {
    this.#bytes.fill(0, this.#used);
    this.#send(this.#bytes, this.#used === this.#zoneBytes ? ALL_DATA : 8 * this.#used - 1);
    this.#used = 0;
  }

  #send(zone: Uint8Array, pointer: number): void {
    const { vcid = 0, scid = 0, pdu, fecf } = this.#options;
    const frame = new Uint8Array(this.#length);
    const count = this.#count++;
    frame.set(
      writeAosHeader({ version: 1, scid, vcid, count, replay: 0, usage: 1, cycle: Math.floor(count / 2 ** 24) % 16 }),
    );
    let field = this.#field;
    if (pdu !== 'raw') {
      frame[field++] = pointer >> 8;
      frame[field++] = pointer & 0xff;
    }
    frame.set(zone, field);
    if (fecf !== false) writeFecf(frame);
    this.#emit(frame);
  }
}
